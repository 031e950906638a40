"""Open typefaces by Debian package, and single-line letters by PyPI package; none is copied in.

Install them with `apt-get install` and `pip install`; a face that is missing is left out, and a
run says how many it found. Each use has whole families of its own.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np

from raster2path.geometry import Points, signed_area
from tests.learning.use import Use

SIZE = 1000
"""Units to the em in which glyphs are taken."""

_OFL = "SIL Open Font License"
_GPL = "GPL with font exception"

PACKAGES: dict[str, tuple[str, str]] = {
    "fonts-urw-base35": (
        "AGPL-3 with font exception",
        (
            "C059-Roman C059-Bold C059-Italic NimbusRoman-Regular NimbusRoman-BoldItalic "
            "NimbusSans-Regular NimbusSans-Bold NimbusSansNarrow-Bold NimbusMonoPS-Bold P052-Roman "
            "P052-Bold URWBookman-Light URWBookman-Demi URWGothic-Book URWGothic-Demi "
            "URWGothic-DemiOblique Z003-MediumItalic"
        ),
    ),
    "fonts-lato": (_OFL, "Lato-Regular Lato-Black Lato-Light Lato-BoldItalic"),
    "fonts-cabin": (_OFL, "Cabin-Regular Cabin-Bold Cabin-BoldItalic"),
    "fonts-league-spartan": (_OFL, "LeagueSpartan-Black LeagueSpartan-Medium"),
    "fonts-comic-neue": (_OFL, "ComicNeue-Bold ComicNeue-Regular"),
    "fonts-bebas-neue": (_OFL, "BebasNeue-Bold BebasNeue-Book"),
    "fonts-lobster": (_OFL, "lobster"),
    "fonts-quicksand": (_OFL, "Quicksand-Bold Quicksand-Regular"),
    "fonts-vollkorn": (_OFL, "Vollkorn-Regular Vollkorn-Black Vollkorn-Italic"),
    "fonts-dosis": (_OFL, "Dosis-ExtraBold Dosis-Medium"),
    "fonts-gnutypewriter": (_OFL, "GNUTypewriter"),
    "fonts-eurofurence": (_OFL, "eurof55 eurof75 eurof76"),
    "fonts-breip": (_OFL, "breipfont"),
    "fonts-femkeklaver": ("CC BY-SA 3.0", "femkeklaver"),
    "fonts-sjfonts": ("GPL", "Delphine SteveHand"),
    "fonts-okolaks": (_OFL, "okolaksRegular okolaksBold"),
    "fonts-beteckna": ("GPL 3", "Beteckna BetecknaGS-Bold"),
    "fonts-kristi": (_OFL, "Kristi"),
    "fonts-sil-gentium": (_OFL, "Gentium-R Gentium-I"),
    "fonts-freefont-otf": (_GPL, "FreeSans FreeSansBold FreeSerif FreeSerifBold FreeMonoBold"),
    "fonts-play": (_OFL, "Play-Regular Play-Bold"),
    "fonts-tomsontalks": (_OFL, "TomsonTalks"),
    "fonts-kaushanscript": (_OFL, "KaushanScript-Regular"),
    "fonts-crosextra-carlito": (_OFL, "Carlito-Regular Carlito-Bold"),
    "fonts-havana": (_OFL, "Havana-Regular"),
    "fonts-levien-typoscript": (_OFL, "TypoScript"),
    "fonts-rufscript": (_GPL, "Rufscript010"),
    "fonts-junction": (_OFL, "Junction"),
    "fonts-averia-serif-gwf": (_OFL, "AveriaSerifGWF-Bold AveriaSerifGWF-Regular"),
    "fonts-klaudia-berenika": (_OFL, "Klaudia-Bold Berenika"),
    "fonts-apropal": (_OFL, "Apropal-Bold"),
    "fonts-isabella": ("LGPL", "Isabella"),
    "fonts-bwht": (_OFL, "BecauseWeBuild-Regular BecauseWeLearn-Regular"),
    "fonts-dustin": (
        "GPL 2",
        "Domestic_Manners Dustismo Dustismo_Roman_Bold El_Abogado_Loco MarkedFool PenguinAttack",
    ),
    "fonts-allerta": (_OFL, "allerta_medium allerta_stencil"),
    "fonts-routed-gothic": (_OFL, "routed-gothic routed-gothic-wide-italic"),
    "fonts-ocr-a": ("public domain", "OCRA"),
    "fonts-manrope": (_OFL, "Manrope-ExtraBold Manrope-Light"),
    "fonts-quattrocento": (_OFL, "Quattrocento-Regular"),
    "fonts-radisnoir": ("GPL 2", "RadisSans-medium"),
    "fonts-yanone-kaffeesatz": (_OFL, "YanoneKaffeesatz-Bold YanoneKaffeesatz-Light"),
    "fonts-fantasma": ("CC0 1.0", "Fantasma-Bold"),
    "fonts-blankenburg": (_OFL, "Blankenburg_UNZ1A"),
    "fonts-adf-universalis": (_GPL, "UniversalisADFStd-Bold UniversalisADFStd-Regular"),
    "fonts-lobstertwo": (_OFL, "LobsterTwo-Bold"),
    "fonts-ubuntu-title": (_OFL, "Ubuntu-Title"),
    "fonts-summersby": ("GPL 2", "summersby"),
    "fonts-tuffy": ("public domain", "Tuffy_Bold"),
    "fonts-tiresias": (_GPL, "tiresias_signfont_bold tirekv__"),
    "fonts-georgewilliams": (_OFL, "Caliban CaslonBold CaslonItalic Cupola"),
    "fonts-engadget": ("LGPL 2", "Engadget"),
    "fonts-averia-sans-gwf": (_OFL, "AveriaSansGWF-Bold"),
}

MORE_PACKAGES: dict[str, tuple[str, str]] = {
    "fonts-compagnon": (_OFL, "Compagnon-Bold Compagnon-Light"),
    "fonts-crosextra-caladea": ("Apache License 2.0", "Caladea-Bold Caladea-Italic"),
    "fonts-ebgaramond": (_OFL, "EBGaramond12-Regular EBGaramond12-Italic"),
    "fonts-fantasque-sans": (_OFL, "FantasqueSansMono-Bold FantasqueSansMono-Italic"),
    "fonts-gemunu-libre": (_OFL, "GemunuLibre-ExtraBold GemunuLibre-Light"),
    "fonts-go": ("BSD-3-Clause", "Go-Medium Go-Bold Go-Smallcaps Go-Mono"),
    "fonts-gotico-antiqua": (_OFL, "Hamlet-Tertia18"),
    "fonts-joscelyn": (_OFL, "Joscelyn-Regular"),
    "fonts-junicode": (_OFL, "JunicodeTwoBeta-Bold"),
    "fonts-klee": (_OFL, "KleeOne-SemiBold KleeOne-Regular"),
    "fonts-le-murmure": (_OFL, "le-murmure"),
    "fonts-league-mono": (_OFL, "LeagueMono-CondensedBold LeagueMono-CondensedLight"),
    "fonts-linex": ("GPL 2", "Abecedario Jara_Bold"),
    "fonts-adf-accanthis": (_GPL, "AccanthisADFStd-Bold"),
    "fonts-adf-baskervald": (_GPL, "BaskervaldADFStd-Heavy"),
    "fonts-adf-berenis": (_GPL, "BerenisADFPro-Italic"),
    "fonts-adf-gillius": (_GPL, "GilliusADF-BoldCond GilliusADF-Regular"),
    "fonts-adf-irianis": (_GPL, "IrianisADFStd-Bold"),
    "fonts-adf-libris": (_GPL, "LibrisADFStd-Regular"),
    "fonts-adf-mekanus": (_GPL, "MekanusADFStd-Bold MekanusADFTitlingStd-Regular"),
    "fonts-adf-romande": (_GPL, "RomandeADFScriptStd-Italic RomandeADFStd-DemiBold"),
    "fonts-adf-solothurn": (_GPL, "Solothurn-Bold"),
    "fonts-adf-tribun": (_GPL, "TribunADFStd-BoldCond"),
    "fonts-ecolier-court": (_OFL, "Ecolier-court"),
    "fonts-arapey": (_OFL, "Arapey-Black"),
    "fonts-b612": (_OFL, "B612-Bold B612-Italic"),
    "fonts-mononoki": (_OFL, "mononoki-Bold"),
    "fonts-ocr-b": ("public domain", "OCRB"),
    "fonts-oldstandard": (_OFL, "OldStandard-Bold"),
    "fonts-oxygen": (_OFL, "Oxygen-Sans-Bold Oxygen-Sans"),
    "fonts-paratype": ("ParaType Free Font License", "PTC75F PTF56F PTN57F PTS55F"),
    "fonts-prociono": ("public domain", "Prociono"),
    "fonts-roadgeek": ("MIT", "RG2014D RG2014EM RG2014B"),
    "fonts-rocknroll": (_OFL, "RocknRollOne-Regular"),
    "fonts-sil-charis": (_OFL, "CharisSIL-Bold"),
    "fonts-sora": (_OFL, "Sora-Regular Sora-Bold"),
    "fonts-stix": (_OFL, "STIXGeneral-Italic"),
    "fonts-3270": ("BSD-3-Clause", "3270Condensed-Regular"),
    "fonts-clear-sans": ("Apache License 2.0", "ClearSans-Bold ClearSans-Thin"),
    "fonts-ferrite-core": (_OFL, "FerriteCoreDX-Black"),
    "fonts-gfs-didot": (_OFL, "GFSDidotBold"),
    "fonts-gfs-neohellenic": (_OFL, "GFSNeohellenic"),
    "fonts-gfs-artemisia": (_OFL, "GFSArtemisia"),
}
"""Of these only small pictures of letters are learnt from, no signs."""

TUNE_PACKAGES: dict[str, tuple[str, str]] = {
    "fonts-national-park": (_OFL, "NationalPark-Heavy NationalPark-Regular"),
    "fonts-comfortaa": (_OFL, "Comfortaa-Bold Comfortaa-Regular"),
    "fonts-goudybookletter": ("public domain", "GoudyBookletter1911"),
    "fonts-opendin": (_OFL, "OSP-DIN"),
    "fonts-inter": (_OFL, "Inter-Black Inter-Medium Inter-BoldItalic"),
    "fonts-linuxlibertine": (_OFL, "LinBiolinum_RB LinLibertine_R LinLibertine_RBI"),
    "fonts-bajaderka": (_OFL, "Bajaderka-Regular"),
    "fonts-humor-sans": (_OFL, "Humor-Sans"),
    "fonts-yusei-magic": (_OFL, "YuseiMagic-Regular"),
    "fonts-adf-ikarius": (_GPL, "IkariusADFStd-Bold IkariusADFStd-Italic"),
    "fonts-cantarell": (_OFL, "Cantarell-ExtraBold Cantarell-Light"),
    "fonts-cherrybomb": (_OFL, "CherryBomb-Regular"),
    "fonts-staypuft": ("LGPL 2", "StayPuft"),
    "fonts-essays1743": ("LGPL", "Essays1743-Bold"),
    "fonts-adf-oldania": (_GPL, "OldaniaADFStd-Bold"),
    "fonts-osifont": (_GPL, "osifont"),
}

JUDGE_PACKAGES: dict[str, tuple[str, str]] = {
    "fonts-dejavu": (
        "Bitstream Vera licence",
        "DejaVuSans DejaVuSans-Bold DejaVuSerif-Bold DejaVuSansCondensed-Bold DejaVuSansMono-Bold",
    ),
    "fonts-roboto-slab": ("Apache License 2.0", "RobotoSlab-Regular RobotoSlab-Bold"),
    "fonts-open-sans": ("Apache License 2.0", "OpenSans-Regular OpenSans-Bold OpenSans-CondBold"),
    "fonts-sil-andika": (_OFL, "Andika-Regular Andika-Bold"),
    "fonts-leckerli-one": (_OFL, "LeckerliOne-Regular"),
    "fonts-jura": (_OFL, "Jura-Regular Jura-Bold"),
    "fonts-karla": (_OFL, "Karla-Regular Karla-ExtraBold"),
    "fonts-lindenhill": ("MIT", "LindenHill LindenHill-Italic"),
    "fonts-dkg-handwriting": (_OFL, "dkg dkgBd"),
    "fonts-dancingscript": (_OFL, "DancingScript-Bold"),
    "fonts-millimetre": (_OFL, "millimetreA Bold 01"),
    "fonts-yrsa-rasa": (_OFL, "Yrsa-Bold Rasa-Medium"),
    "fonts-monofur": (_OFL, "monof55"),
}

_DEJAVU = ("DejaVuSans-Bold", "DejaVuSerif-Bold", "DejaVuSansMono-Bold")
"""Faces that matplotlib carries, under their own licence; enough for the small fixed set."""


@dataclass(frozen=True, slots=True, eq=False)
class Glyph:
    """Closed outlines of one letter, y down, base line at 0, and how far the next one starts."""

    rings: tuple[Points, ...]
    advance: float


@cache
def _files() -> dict[str, Path]:
    from matplotlib import get_data_path
    from matplotlib.font_manager import findSystemFonts

    found = {Path(file).stem: Path(file) for file in sorted(findSystemFonts())}
    own = Path(get_data_path()) / "fonts" / "ttf"
    return found | {file.stem: file for file in sorted(own.glob("DejaVu*.ttf"))}


def _stems(packages: dict[str, tuple[str, str]]) -> list[str]:
    out = []
    for _, words in packages.values():
        out += [words] if words.startswith("millimetre") else words.split()
    return out


@cache
def faces(*, use: Use, only_carried: bool = False) -> tuple[str, ...]:
    """Names of the faces at hand for a use; or only those of matplotlib."""
    if only_carried:
        return _DEJAVU
    packages = {Use.LEARN: PACKAGES, Use.TUNE: TUNE_PACKAGES, Use.JUDGE: JUDGE_PACKAGES}
    wanted = _stems(packages[use])
    return tuple(name for name in wanted if name in _files())


def at_hand() -> frozenset[str]:
    """Names of all typefaces that are installed."""
    return frozenset(_files())


@cache
def more_faces() -> tuple[str, ...]:
    """Names of the faces at hand of which only letters are learnt from."""
    return tuple(name for name in _stems(MORE_PACKAGES) if name in _files())


@cache
def glyph(face: str, letter: str) -> Glyph | None:
    """One letter of a face, or None where the face lacks it."""
    from matplotlib.ft2font import FT2Font
    from matplotlib.path import Path as Outline

    font = FT2Font(str(_files()[face]))
    font.set_size(SIZE, 72)
    if not font.get_char_index(ord(letter)):
        return None
    advance = font.load_char(ord(letter)).linearHoriAdvance / 65536
    vertices, codes = font.get_path()
    if not len(vertices):
        return Glyph((), advance)
    polygons = Outline(vertices, codes).to_polygons(closed_only=True)
    return Glyph(_grown_together([np.asarray(p) * (1, -1) for p in polygons]), advance)


def _grown_together(contours: list[Points]) -> tuple[Points, ...]:
    """Contours without what of them lies inside others: a t drawn as two bars is one shape."""
    import shapely

    areas = [shapely.Polygon(c).buffer(0) for c in contours if len(c) > 3]
    signs = [signed_area(c) > 0 for c in contours if len(c) > 3]
    if not areas:
        return ()
    outward = signs[int(np.argmax([a.area for a in areas]))]
    ink = shapely.unary_union([a for a, sign in zip(areas, signs, strict=True) if sign == outward])
    bare = shapely.unary_union([a for a, sign in zip(areas, signs, strict=True) if sign != outward])
    return rings_of(ink.difference(bare))


def rings_of(area: object) -> tuple[Points, ...]:
    """Outlines of a region, the first point not repeated."""
    import shapely

    parts = [p for p in shapely.get_parts(area) if p.geom_type == "Polygon" and p.area > 0]
    return tuple(
        shapely.get_coordinates(ring)[:-1] for p in parts for ring in (p.exterior, *p.interiors)
    )


HERSHEY = {
    Use.LEARN: ("futural", "futuram", "cursive", "scripts", "rowmans"),
    Use.TUNE: ("rowmand",),
    Use.JUDGE: ("scriptc", "rowmand"),
}
"""Names in the PyPI package hershey-fonts (the Hershey letters of 1967, free to use)."""
MIDDLES = {
    Use.LEARN: (
        "Lato-Light Dosis-Medium Quicksand-Regular ComicNeue-Regular SteveHand Delphine "
        "femkeklaver breipfont routed-gothic URWGothic-Book YanoneKaffeesatz-Light "
        "Domestic_Manners BecauseWeBuild-Regular BecauseWeLearn-Regular eurof55 TomsonTalks "
        "FreeSans okolaksRegular Manrope-Light Beteckna"
    ).split(),
    Use.TUNE: "NationalPark-Regular Comfortaa-Regular Humor-Sans Cantarell-Light osifont".split(),
    Use.JUDGE: "Jura-Regular dkg Andika-Regular OpenSans-Regular Karla-Regular".split(),
}
"""Faces the middles of whose strokes are letters of one line, as a pencil writes them."""


@cache
def line_faces(use: Use) -> tuple[str, ...]:
    """Names of letters of single lines, each as often as it shall come."""
    middles = [MIDDLE + name for name in MIDDLES[use] if name in _files()]
    hershey = HERSHEY[use]
    return (*hershey, *hershey, *middles)


MIDDLE = "middle of "


@cache
def strokes_of(face: str, text: str) -> tuple[Points, ...]:
    """Lines that write a text, y down, capitals about 21 units high."""
    if face.startswith(MIDDLE):
        return _middle_lines(face.removeprefix(MIDDLE), text)
    from HersheyFonts import HersheyFonts

    font = HersheyFonts()
    font.load_default_font(face)
    return tuple(np.array(line, np.float64) for line in font.strokes_for_text(text))


def _middle_lines(face: str, letter: str) -> tuple[Points, ...]:
    """The middle of a letter's strokes, traced as a pencil line is."""
    import cv2

    from raster2path.errors import NothingFoundError
    from raster2path.job import InkRules, ReadingRules
    from raster2path.model import Picture, Read
    from raster2path.picture.ink import find_ink
    from raster2path.picture.reading import read_ink
    from raster2path.picture.strokes import trace_strokes

    cap, own = glyph(face, "H"), glyph(face, letter)
    if cap is None or own is None or not own.rings:
        return ()
    scale = _TRACED / float(np.ptp(np.vstack(cap.rings)[:, 1]))
    rings = [ring * scale for ring in own.rings]
    low = np.vstack(rings).min(axis=0) - 40
    wide, high = np.ceil(np.ptp(np.vstack(rings), axis=0) + 80).astype(int)
    grey = np.full((high, wide), 255, np.uint8)
    cv2.fillPoly(grey, [np.round((r - low) * 16).astype(np.int32) for r in rings], 0, 16, 4)
    rgb = np.repeat(grey[..., None], 3, axis=2)
    picture = Picture("letter", "0", rgb, (wide, high), np.eye(3))
    try:
        ink = find_ink(picture, rules=InkRules())
        net = trace_strokes(read_ink(ink, rules=ReadingRules(read=Read.SLIT)))
    except NothingFoundError:  # a dot
        return ()
    lines = [stroke.points_px[::3] for stroke in net.strokes]
    return tuple((line + low) * 21 / _TRACED for line in lines if len(line) > 2)


_TRACED = 150.0
