"""Letters that are grown together with a bar or a frame: one outline, parted along the bar's rim.

Only the plain case is parted: between the letters the rim shows in straights on one line, what
stands on it falls into marks when cut off along that line, and the table is sure that these are a
word.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from raster2path.geometry import to_complex
from raster2path.model import Outlines
from raster2path.shape._grown import grown_words
from raster2path.shape._marks import LEAST_MARK_PX, Mark, find_marks
from raster2path.shape._parting import Joined, as_outlines, is_bar, owners_of, size_of, solids_of
from raster2path.shape._told import Verdict

if TYPE_CHECKING:
    import shapely

Bools = npt.NDArray[np.bool_]
Floats = npt.NDArray[np.float64]

LARGE_SHARE = 0.2
"""Outlines smaller than this part of the largest are not looked at: a word on a bar is not."""
LEAST_SIDES = 12
LEAST_SHOWN = 3
"""A rim shows at least so often: before, between and behind letters."""
PARALLEL_RAD = math.radians(1.5)
N_WAYS = 4
"""Directions of the longest straights that are tried as rims."""
MOST_RIMS = 4
LEAST_RIM = 0.15
"""What shows of a rim, added up, in sizes of the outline."""
SURE_ODDS = 4.6
"""Log odds of the word from which an outline is parted."""
MOST_OF_IT = 0.75
"""Of what stands on the rim, so much must be the word."""
JUST_ABOVE_PX = 0.5
ALONG = 0.97
"""Cosine of the most that the word may lean against the rim."""


def find_joined(
    outlines: Outlines,
    marks: Sequence[Mark],
    taken: set[int],
    tell: Callable[[list[Mark]], Verdict],
) -> list[Joined]:
    """Words that are grown together with what they stand on.

    Args:
        outlines: all that is drawn.
        marks: of it; those of rings first, in the rings' order.
        taken: marks that are letters already.
        tell: which marks of some are letters.
    """
    n = len(outlines.rings)
    largest = max((mark.size for mark in marks[:n]), default=0.0)
    out = []
    for k in range(n):
        mark = marks[k]
        is_small = mark.size < LARGE_SHARE * largest or len(mark.drawn[0]) <= LEAST_SIDES
        if is_small or k in taken:
            continue
        found = _joined(outlines, marks, k, tell)
        out += grown_words(outlines, marks, k, tell) if found is None else [found]
    return out


def _joined(
    outlines: Outlines, marks: Sequence[Mark], k: int, tell: Callable[[list[Mark]], Verdict]
) -> Joined | None:
    rims = _rims(marks[k])
    if not rims:
        return None
    found = [
        _standing(outlines, solid, rings, way * side, at * side, marks[k], tell)
        for solid, rings in solids_of(outlines, marks, k)
        for way, at in rims
        for side in (1, -1)
    ]
    words = [word for word in found if word is not None]
    return max(words, key=lambda word: (word.is_ruled, word.odds), default=None)


def _rims(mark: Mark) -> list[tuple[complex, float]]:
    """Lines on which straights of the outline lie again and again: direction, and place across."""
    a, b = mark.sides
    side = b - a
    long = np.abs(side)
    angle = np.angle(side) % math.pi
    within = max(1.5, 3 * mark.noise)
    tried: list[float] = []
    shown: list[tuple[float, complex, float]] = []
    for n in np.argsort(-long)[: 3 * N_WAYS].tolist():
        off = [abs((angle[n] - t + math.pi / 2) % math.pi - math.pi / 2) for t in tried]
        if len(tried) >= N_WAYS or min(off, default=1.0) < 2 * PARALLEL_RAD:
            continue
        tried.append(float(angle[n]))
        way = complex(np.exp(1j * angle[n]))
        turn = np.abs((angle - angle[n] + math.pi / 2) % math.pi - math.pi / 2)
        along = (turn < np.maximum(PARALLEL_RAD, within / np.maximum(long, 1))) & (long > 4)
        across = (((a + b) / 2 / way).imag)[along]
        order = np.argsort(across)
        ends = np.flatnonzero(np.diff(across[order]) > within) + 1
        for group in np.split(order, ends):
            seen = long[along][group]
            if len(group) >= LEAST_SHOWN and seen.sum() > LEAST_RIM * mark.size:
                shown.append(
                    (float(seen.sum()), way, float(np.average(across[group], weights=seen)))
                )
    return [(way, at) for _, way, at in sorted(shown, key=lambda rim: -rim[0])[:MOST_RIMS]]


def _standing(  # noqa: PLR0917
    outlines: Outlines,
    solid: shapely.Geometry,
    rings: list[int],
    way: complex,
    at: float,
    mark: Mark,
    tell: Callable[[list[Mark]], Verdict],
) -> Joined | None:
    """The word that stands on a rim or hangs from it, on the left of its direction, or None."""
    import shapely

    inset = max(1.0, 2 * mark.noise)
    if not _crosses_often(mark, way, at - inset - 3.0):
        return None
    pieces = [
        p
        for p in shapely.get_parts(solid.intersection(_half(way, at - inset, mark)))
        if p.geom_type == "Polygon" and p.area > LEAST_MARK_PX
    ]
    tall = [p for p in pieces if size_of(p) >= LEAST_MARK_PX]
    if len(tall) < LEAST_SHOWN:
        return None
    drawn = find_marks(as_outlines(outlines, pieces))
    verdict = tell(drawn)
    best = None
    for row, odds in zip(verdict.rows, verdict.row_odds, strict=True):
        is_along = abs((complex(row.directions[0]) / way).real) > ALONG
        is_better = best is None or odds > best[1]
        if len(row.members) >= LEAST_SHOWN and odds > SURE_ODDS and is_along and is_better:
            best = row, odds
    if best is None:
        return None
    row, odds = best
    letters = [k for k, o in enumerate(verdict.odds.tolist()) if o > 0 and drawn[k].parent is None]
    owner = owners_of(pieces)
    whole = sum(p.area for p in pieces)
    mine = [pieces[owner[k]] for k in letters]
    if sum(p.area for p in mine) < MOST_OF_IT * whole:
        return None
    word = shapely.union_all([p.buffer(inset + 1.0) for p in mine])
    shapely.prepare(word)
    lettered = []
    for k in rings:
        px = outlines.placement.to_px(outlines.rings[k].points_mm)
        above = (to_complex(px) / way).imag < at - JUST_ABOVE_PX
        lettered.append(above & shapely.contains_xy(word, px[:, 0], px[:, 1]))
    middle = complex(np.mean([drawn[k].middle for k in row.members]))
    rest = outlines.placement.to_px(outlines.rings[rings[0]].points_mm)[~lettered[0]]
    return Joined(tuple(rings), tuple(lettered), row, middle, odds, is_bar(rest, mark))


def _crosses_often(mark: Mark, way: complex, at: float) -> bool:
    """True where a line just above a rim meets three letters' strokes at least."""
    a, b = mark.sides
    return int((((a / way).imag > at) != ((b / way).imag > at)).sum()) >= 2 * LEAST_SHOWN


def _half(way: complex, at: float, mark: Mark) -> shapely.Geometry:
    """The half plane to the left of a line, heads of letters being there; as large as the mark."""
    import shapely

    far = 4 * mark.size
    foot = way * complex((mark.middle / way).real, at)
    corners = [
        foot - far * way,
        foot + far * way,
        foot + far * way * (1 - 1j),
        foot - far * way * (1 + 1j),
    ]
    return shapely.Polygon([(z.real, z.imag) for z in corners])
