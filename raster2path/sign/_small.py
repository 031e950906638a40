"""Openings too small for a hand, or narrower than the arc, and the size at which all can be cut."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import shapely

from raster2path.job import TieRules
from raster2path.model import Art, Note, NoteKind
from raster2path.sign._islands import long_and_short_side, sound

LEAST_HOLE_MM, HOLE_THICKNESSES = 10.0, 2.0
"""By hand no hole is cut smaller than 10 mm, or twice the sheet's thickness (common practice, no
source)."""

ROOM = 1.15
"""An opening is cut along its edges where it is so many kerfs wide."""

MOST_LARGER = 4.0
"""Beyond this no larger sign is proposed: what is that small is dust."""


def least_hole_mm(thickness_mm: float) -> float:
    """The smallest hole that a hand cuts well.

    >>> least_hole_mm(1.5), least_hole_mm(6.0)
    (10.0, 12.0)
    """
    return max(HOLE_THICKNESSES * thickness_mm, LEAST_HOLE_MM)


def small_notes(
    art: Art, specks: Sequence[shapely.Geometry], *, rules: TieRules
) -> tuple[Note, ...]:
    """One note on all that is too small to be cut, and how wide the sign must be for all of it.

    Args:
        art: closed edges; what lies between an opening's edge and those within it falls out.
        specks: metal that is left out for being smaller than a tie.
        rules: thickness, kerf, width of a tie.
    """
    least_mm = least_hole_mm(rules.thickness_mm)
    short = [(shape, _shortfall(shape, least_mm, rules.kerf_mm)) for shape in _openings(art)]
    short = [(shape, larger) for shape, larger in short if larger > 1]
    if not short:
        return ()
    worst, larger = max(short, key=lambda pair: pair[1])
    for speck in specks:
        larger = max(larger, rules.least_tie_mm / max(long_and_short_side(speck)[0], 0.1))
    point = worst.representative_point()
    many = "1 opening is" if len(short) == 1 else f"{len(short)} openings are"
    size, short_mm = long_and_short_side(worst)
    sentence = (
        f"{many} too small to cut well by hand, under {least_mm:g} mm across or narrower than "
        f"the kerf; the smallest is {size:.1f} × {short_mm:.1f} mm."
    )
    return (
        Note(
            NoteKind.TOO_SMALL,
            sentence,
            complex(point.x, point.y),
            size,
            _remedy(art, larger),
        ),
    )


def _remedy(art: Art, larger: float) -> str:
    if larger > MOST_LARGER:
        return "leave them out, or draw them larger"
    wide_mm = art.placement.sign_mm[2]
    drawn = np.array([e.path.bounds() for e in art.edges if not e.is_border]).reshape(-1, 4)
    art_mm = float(drawn[:, 2].max() - drawn[:, 0].min())
    # a border keeps its margin: only the art within it grows
    needed = wide_mm + art_mm * (larger - 1)
    return f"make the sign {10 * math.ceil(needed / 10 - 1e-6)} mm wide and all of it can be cut"


def _openings(art: Art) -> list[shapely.Geometry]:
    """What falls out, less the metal that stays within it."""
    inside: dict[int, list[int]] = {}
    for k, edge in enumerate(art.edges):
        if edge.parent is not None and edge.depth % 2 == 0:
            inside.setdefault(edge.parent, []).append(k)
    return [
        sound(
            shapely.Polygon(
                edge.path.flat(), [art.edges[child].path.flat() for child in inside.get(k, [])]
            )
        )
        for k, edge in enumerate(art.edges)
        if edge.depth % 2 == 1
    ]


def _shortfall(opening: shapely.Geometry, least_mm: float, kerf_mm: float) -> float:
    """How many times as large an opening must be to be cut; 1 or less where it can be."""
    x0, y0, x1, y1 = opening.bounds
    across = max(math.hypot(x1 - x0, y1 - y0), 1e-6)
    larger = 0.0
    if across < 2 * least_mm:
        larger = least_mm / max(long_and_short_side(opening)[0], 1e-6)
    # a shape's largest disc is at least as wide as twice its area over its outline
    if 2 * opening.area / max(opening.length, 1e-6) < ROOM * kerf_mm:
        disc = shapely.maximum_inscribed_circle(opening, tolerance=0.02)
        larger = max(larger, ROOM * kerf_mm / max(2 * float(disc.length), 1e-6))
    return larger
