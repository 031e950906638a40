"""One tie at a place that the maker named: the narrowest way across the gap there."""

from __future__ import annotations

import cmath
import math
from collections.abc import Callable

import numpy as np

from raster2path.job import TieRules
from raster2path.sign._byhand import Word
from raster2path.sign._strips import Laid, Rings, Strictness, across
from raster2path.sign._surgery import LEAST_PIECE_MM, meetings

N_TURNS = 36
BY_HAND_REACH = 20.0
"""A tie by hand crosses a gap up to so many ties wide; directions are tried every five degrees."""


def tie_by_hand(
    rings: Rings, word: Word, *, rules: TieRules, is_clear: Callable[[Laid], bool]
) -> Laid | None:
    """A tie across the gap at a place, as wide as the place says or as the rules do; or None.

    Of all directions that lead from metal through the place to metal, the shortest that has room.
    """
    (_, _, *width), at = word
    demands = demands_across_gaps(rules)
    if width:
        wide = max(width[0], rules.least_tie_mm)
        demands = (Strictness(wide, 0.75, LEAST_PIECE_MM, 1.0), Strictness(wide, 0.4, 0.0, 1.8))
    for size, axis, off in _ways(rings, at, BY_HAND_REACH * rules.tie_mm):
        for demand in (*demands, Strictness(rules.least_tie_mm, 0.3, 0.0, 3.0)):
            laid = across(
                rings, None, middle=at + off * axis, axis=axis, length_mm=size, demand=demand
            )
            if laid is not None and is_clear(laid):
                return laid
    return None


def _ways(rings: Rings, at: complex, reach_mm: float) -> list[tuple[float, complex, float]]:
    """Length, direction and middle's offset of every way across, the shortest first."""
    ways = []
    for turn in np.arange(0, math.pi, math.pi / N_TURNS):
        axis = cmath.exp(1j * turn)
        met = meetings(rings, at, axis, reach_mm=reach_mm)
        before = [m for m in met if m.s <= 0]
        behind = [m for m in met if m.s > 0]
        if before and behind and before[-1].sine < 0 < behind[0].sine:
            ways.append((behind[0].s - before[-1].s, axis, (behind[0].s + before[-1].s) / 2))
    return sorted(ways, key=lambda way: way[0])


def demands_across_gaps(rules: TieRules) -> tuple[Strictness, ...]:
    """Ways to tie across a gap of usual width, best first: in full, less square, narrower."""
    full, least = rules.tie_mm, rules.least_tie_mm
    ways = [Strictness(full, 0.75, LEAST_PIECE_MM, 1.0), Strictness(full, 0.4, 0.0, 1.8)]
    if least < full - 0.1:
        ways.append(Strictness(least, 0.4, 0.0, 2.4))
    return tuple(ways)
