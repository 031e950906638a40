"""Pictograms by PyPI package, none copied in; and a drawing by chance, ours or such a one."""

from __future__ import annotations

import re
from functools import cache

import numpy as np

from raster2path.geometry import Points, to_points
from tests.learning import letters
from tests.learning.art import Art, Rng, kinds_for
from tests.learning.use import Use

SUBJECTS = (
    "fish bird anchor leaf tree pine sail ferry duck owl cat dog horse cow sheep pig rabbit "
    "snail bee butterfly flower forest mountain beach barn home lighthouse tractor truck "
    "bicycle hammer wrench saw axe key bell candle coffee cup mug beer glass bread cake "
    "carrot apple cherries corn barley grape mushroom paw feather penguin turtle tortoise "
    "jellyfish shark dolphin kayak canoe rowing ship car bus train tram airplane helicopter "
    "rocket guitar violin piano trumpet drum music castle church bridge fence gate tent "
    "campfire fire snowflake sun moon cloud umbrella shovel rake scissors knife fork spoon "
    "pot kettle chef crown heart star shield bone skull foot hand hat shoe glasses watch "
    "clock lamp plant flower-tulip palm cactus acorn clover elephant kangaroo koala panda "
    "unicorn bat spider rodent crab hook "
).split()

UNWANTED = re.compile(
    r"alpha|numeric|letter|text|format|sign-|currency|outline-text|-off|badge|question|info|-p$|usb|"
    r"parking|hospital|bus-stop|schedul|calend|plus|minus|alert|check|cancel|percent|keyboard|"
    r"keyhole-|database|number|android|apple-|firefox|java|snapchat|box-|cloud-|account|medical|"
    r"half-full|-arrow|-double|drag|fedora|open-in|truck-fast|duck-?go|logo|crosshair|book|clock|watch|piano|"
    r"home-a|home-floor|gate-[abnx]|^apple$|brake|car-[cdst]|sickle|settings|-cog|search|marker|remove"
)  # fmt: skip
"""Pictograms with letters or figures in them, marks of firms, and variants that add nothing."""


def _polygons(data: str, size: float) -> Art:
    from svgelements import Close, Line, Move
    from svgelements import Path as Outline

    out: Art = []
    for part in Outline(data).as_subpaths():
        points: list[complex] = []
        for piece in Outline(part):
            if isinstance(piece, Move):
                continue
            n = 1 if isinstance(piece, (Line, Close)) else 10
            points += [complex(piece.point(t)) for t in np.arange(n) / n]
        ring = to_points(np.array(points)) / size - 0.5
        if len(ring) > 2:
            out.append(ring)
    return out


@cache
def pictograms(*, use: Use) -> tuple[str, ...]:
    """Names of the pictograms at hand for a use."""
    if use is Use.JUDGE:
        import py_phosphor_icons

        names = [str(n) for n in py_phosphor_icons.icon_names()]
    else:
        import material_design_icons_pack as icons

        codes = [str(n) for n in dir(icons) if n.isupper() or "_" in n]
        names = [n.lower().replace("_", "-") for n in codes]
    good = sorted(n for n in names if n.split("-")[0] in SUBJECTS and not UNWANTED.search(n))
    if use is Use.JUDGE:
        return tuple(good)
    # every fifth subject is for tuning, in all its variants
    return tuple(n for n in good if (SUBJECTS.index(n.split("-")[0]) % 5 == 2) == (use is Use.TUNE))


@cache
def pictogram(name: str, *, use: Use) -> tuple[Points, ...]:
    """A pictogram's outlines: Phosphor (MIT) to judge by, else Material Design (Apache 2)."""
    if use is Use.JUDGE:
        from py_phosphor_icons import get_svg

        svg, size = str(get_svg(name, weight="fill")), 256.0
    else:
        from material_design_icons_pack import get_icon

        icon = get_icon(name.replace("_", "-"))
        assert icon is not None, name
        svg, size = str(icon.svg), 24.0
    data = " ".join(re.findall(r'<path[^>]*?\bd="([^"]+)"', svg))
    return tuple(_polygons(data, size))


OF_GLYPHS = 0.6
"""So many of the drawings that are not our own geometry stand in typefaces."""
GLYPHS = (
    ("NotoSansEgyptianHieroglyphs-Regular", range(0x13000, 0x1342F)),
    ("NotoSansAnatolianHieroglyphs-Regular", range(0x14400, 0x14647)),
    ("Symbola_hint", range(0x1F300, 0x1F5FF)),
    ("Symbola_hint", range(0x1F680, 0x1F6C6)),
    ("Symbola_hint", range(0x2600, 0x2700)),
    ("Symbola_hint", range(0x2708, 0x2768)),
)
"""Drawings in typefaces, by Unicode number: birds, people, tools, weather. Debian packages
`fonts-noto-core` (SIL Open Font License) and `fonts-symbola` (free for any use)."""
LIKE_LETTERS = frozenset(
    (*range(0x1F520, 0x1F525), *range(0x2669, 0x2670), 0x26A0, 0x2754, 0x2755, 0x2757)
)
"""Of those, what holds letters, or is one."""


@cache
def glyphs() -> tuple[tuple[str, int], ...]:
    """Typeface and number of each drawing at hand."""
    return tuple(
        (face, number)
        for face, numbers in GLYPHS
        if face in letters.at_hand()
        for number in numbers
        if number not in LIKE_LETTERS and drawn_glyph(face, number)
    )


@cache
def drawn_glyph(face: str, number: int) -> Art:
    """A drawing's outlines; none where the typeface lacks it."""
    glyph = letters.glyph(face, chr(number))
    return [] if glyph is None else list(glyph.rings)


def draw(rng: Rng, *, use: Use, only_own: bool = False) -> Art:
    """A drawing by chance: half of them our own geometry."""
    if only_own or rng.random() < 0.5:
        kinds = kinds_for(use)
        return kinds[int(rng.integers(len(kinds)))](rng)
    if use is Use.LEARN and rng.random() < OF_GLYPHS and glyphs():
        face, number = glyphs()[int(rng.integers(len(glyphs())))]
        return drawn_glyph(face, number)
    names = pictograms(use=use)
    return list(pictogram(names[int(rng.integers(len(names)))], use=use))
