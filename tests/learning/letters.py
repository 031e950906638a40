"""Open typefaces by Debian package, and single-line letters by PyPI package; none is copied in.

Install them with `apt-get install` and `pip install`; a face that is missing is left out, and a
run says how many it found. Whole families are held out from training.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np

from raster2path.geometry import Points, signed_area

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
}

HELD_PACKAGES: dict[str, tuple[str, str]] = {
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
def faces(*, held: bool, only_carried: bool = False) -> tuple[str, ...]:
    """Names of the faces at hand, for training or held out; or only those of matplotlib."""
    if only_carried:
        return _DEJAVU
    wanted = _stems(HELD_PACKAGES if held else PACKAGES)
    return tuple(name for name in wanted if name in _files())


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


SINGLE_LINE = ["futural", "futuram", "cursive", "scripts", "rowmans"]
HELD_SINGLE_LINE = ["scriptc", "rowmand"]
"""Names in the PyPI package hershey-fonts (the Hershey letters of 1967, free to use)."""


@cache
def strokes_of(face: str, text: str) -> tuple[Points, ...]:
    """Lines that write a text, y down, capitals about 21 units high."""
    from HersheyFonts import HersheyFonts

    font = HersheyFonts()
    font.load_default_font(face)
    return tuple(np.array(line, np.float64) for line in font.strokes_for_text(text))
