"""The guess how ink becomes metal, from what a drawing looks like, and how sure it is.

Private to the folder. The limits are common practice, no source, set on some ninety drawings.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from raster2path.model import Read

ROUGH = 0.05
"""Filled areas whose darkness varies more than this were shaded with a pencil. Measured: solid
ink and print up to 0.03, crayon 0.054, hatched ballpoint 0.08, photographed graphite 0.12."""

CLEAR_EDGES = 0.9
"""Share of the lines that must part two faces to be edges without any shading. What lies loose in
a face that falls out is lost, an eye or a mouth; a drawing with such details is cut by lines."""

CLOSED = 0.3
"""Share of the lines that must part two faces before hatching makes them edges. Measured: shaded
sketches 0.41 up; grass, hair and small writing that looks hatched up to 0.27."""

FILLED = 0.1
"""Share of the ink that filled areas must hold for them to count beside the lines. Measured:
blots and small writing up to 0.07; an inked stem or hair 0.12 up."""

THIN = (0.17, 0.006)
"""Share of the ink in thin lines, and how thin those are beside the drawing, before filled shapes
are not metal: as bars of it, the lines would be too weak to hold, or to be cut. Measured: black
figures with a few wrinkles 0.1; figures half filled and half outlined 0.22 up."""


@dataclass(frozen=True, slots=True)
class Look:
    """What a drawing looks like.

    Attributes:
        pen: pen width over the long side of the box round the drawing.
        broad: share of the ink that is more than 2.2 pens broad.
        reach: how far a piece of ink goes, in pens; mean over the ink.
        joined: share of the ink that is one piece.
        rough: how much darkness varies within filled areas; 0 where there are none.
        hatched: share of the ink that lies in hatched areas with a line round them.
        parting: share of the lines (the frame left out) with different faces on their two sides.
        n_faces: closed faces.
        filled: share of the ink that lies in areas filled in, as `_areas.filled` finds them.
        lines: share of the ink that is lines beside such areas, and beside hatching.
        length: of those lines all together, over the long side of the box round the drawing.
    """

    pen: float
    broad: float
    reach: float
    joined: float
    rough: float
    hatched: float
    parting: float
    n_faces: int
    filled: float = 0.0
    lines: float = 0.0
    length: float = 0.0


def guess(look: Look) -> tuple[Read, str, float]:
    """The likeliest reading, the clause that completes "because …", and how sure it is, 0 to 1.

    Every limit is asked for how far off it is: at a limit either side is as likely. A value that
    is past it by its usual scatter, as drawings differ, is past it with 0.73.
    """
    filled = _filled(look)
    shaded = min(_over(look.broad, 0.3, 0.04), _times(look.rough, ROUGH, 5))
    hatched = min(_times(look.hatched, 0.1, 5), _over(look.parting, CLOSED, 0.04))
    among = min(_over(look.filled, FILLED, 0.015), _over(look.length, 3, 0.4))
    outlined = min(among, _over(look.lines, THIN[0], 0.02), _times(THIN[1], look.pen, 8))
    bar = min(
        _over(look.joined, 0.97, 0.008),
        _over(look.n_faces, 5.5, 0.5),
        _over(look.parting, 0.6, 0.05),
        _times(look.pen, 0.01, 8),
    )
    edge = min(_over(look.n_faces, 0.5, 0.15), _over(look.parting, CLEAR_EDGES, 0.04))
    falls, falls_among = max(shaded, outlined), max(hatched, among)
    plain = (1 - filled) * (1 - falls_among)
    chances = {
        Read.SOLID: filled * (1 - falls),
        Read.BAR: plain * bar,
        Read.EDGE: filled * falls + (1 - filled) * falls_among + plain * (1 - bar) * edge,
        Read.SLIT: plain * (1 - bar) * (1 - edge),
    }
    mixed = "there are filled areas among thin lines"
    ways: tuple[tuple[bool, Read, str], ...]
    if filled >= 0.5:
        ways = (
            (shaded >= 0.5, Read.EDGE, "there are areas shaded with a pencil"),
            (outlined >= 0.5, Read.EDGE, mixed),
            (look.broad >= 0.3, Read.SOLID, "most ink lies in broad areas"),
            (True, Read.SOLID, "the shapes are short and broad, as lettering is"),
        )
    else:
        many = f"thick lines of one width all hang together round {look.n_faces} faces"
        loose = "thin lines close round shapes, but others lie loose within them"
        ways = (
            (hatched >= 0.5, Read.EDGE, "lines go round hatched, that is shaded, areas"),
            (among >= 0.5, Read.EDGE, mixed),
            (bar >= 0.5, Read.BAR, many),
            (edge >= 0.5, Read.EDGE, "thin lines close round shapes"),
            (look.parting >= 0.45, Read.SLIT, loose),
            (True, Read.SLIT, "thin lines mostly end loose"),
        )
    read, reason = next((read, reason) for holds, read, reason in ways if holds)
    return read, reason, chances[read]


def _filled(look: Look) -> float:
    """How sure it is that ink fills shapes, rather than being lines."""
    broad = _over(look.broad, 0.3, 0.04)
    return max(
        _over(look.broad, 0.45, 0.04),
        min(_times(look.pen, 0.015, 8), broad),
        _times(look.pen, 0.03, 8),
        min(_times(16.0, max(look.reach, 1e-6), 8), _times(look.pen, 0.008, 8)),
    )


def _over(value: float, limit: float, scatter: float) -> float:
    """How sure it is that a value is at least a limit, by their difference."""
    return 1 / (1 + math.exp(min(-(value - limit) / scatter, 500.0)))


def _times(value: float, limit: float, power: float) -> float:
    """The same by their ratio."""
    return 1 / (1 + math.pow(limit / max(value, 1e-9), power))
