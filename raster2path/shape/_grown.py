"""Letters that are grown into a drawing: parted along its rim, straight or not.

What chains of cuts part from a drawing is looked at as marks are, with the loose marks beside it;
only where that is surely a word is the outline parted.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from raster2path.geometry import Complexes
from raster2path.model import Outlines
from raster2path.shape._marks import LEAST_MARK_PX, Mark, find_marks
from raster2path.shape._necks import Neck, chains_of
from raster2path.shape._parting import (
    STAY,
    Joined,
    Move,
    as_outlines,
    is_bar,
    owners_of,
    size_of,
    solids_of,
)
from raster2path.shape._textrows import Row, companions
from raster2path.shape._told import Verdict

if TYPE_CHECKING:
    import shapely

Bools = npt.NDArray[np.bool_]

MOST_CHAINS = 6
LEAST_PIECES = 2
SURE_ODDS = 4.6
"""Log odds of the word from which a drawing is parted."""
SURE_PAIR = 4.9
MOST_OF_IT = 0.8
"""Of what is cut off between a word's ends, so much must be the word."""
NEAR = 2.5
"""Loose marks so near, in heights of what is cut off, are looked at with it."""
LEVEL, LEAN = 0.04, 0.05
"""Feet that stray less from a line, in heights, and lean less, are level as they are."""
SLIT_PX = 0.02
TOUCHES_PX = 0.3


@dataclass(frozen=True, slots=True, eq=False)
class _Cut:
    """What a chain of cuts parts from a drawing, in the chain's order.

    Attributes:
        pieces: on its right.
        feet: the middle of each one's cuts.
    """

    pieces: list[shapely.Geometry]
    feet: Complexes


@dataclass(frozen=True, slots=True, eq=False)
class _Read:
    """What is taken for a word: its row, and marks, by number as `as_outlines` has them."""

    row: Row
    odds: float
    members: list[int]


def grown_words(
    outlines: Outlines, marks: Sequence[Mark], k: int, tell: Callable[[list[Mark]], Verdict]
) -> list[Joined]:
    """Words that are grown into the drawing with a number, none overlapping another."""
    out: list[Joined] = []
    for solid, rings in solids_of(outlines, marks, k):
        chains = [c for c in chains_of(solid, marks[k].noise) if len(c) >= LEAST_PIECES]
        for chain in chains[:MOST_CHAINS]:
            cut = _cut_along(solid, chain)
            if len(cut.pieces) < LEAST_PIECES:
                continue
            word = _word(outlines, marks, k, rings, cut, tell)
            if word is not None and not any(_overlap(word, other) for other in out):
                out.append(word)
    return out


def _overlap(one: Joined, other: Joined) -> bool:
    for k, lettered in zip(one.rings, one.lettered, strict=True):
        if k in other.rings and bool((lettered & other.lettered[other.rings.index(k)]).any()):
            return True
    return False


def _cut_along(solid: shapely.Geometry, chain: Sequence[Neck]) -> _Cut:
    """What a chain cuts off; what hangs together with the other side of a cut stays."""
    import shapely

    starts, ends = (np.array([getattr(n, name) for n in chain]) for name in ("start", "end"))
    way = (ends - starts) / np.abs(ends - starts)
    a, b = starts - way, ends + way
    lines = shapely.linestrings(
        np.stack([np.column_stack([a.real, a.imag]), np.column_stack([b.real, b.imag])], axis=1)
    )
    parts = shapely.get_parts(
        solid.difference(shapely.union_all(shapely.buffer(lines, SLIT_PX, cap_style="flat")))
    )
    aside = 1j * way * np.minimum(1.0, 0.25 * np.abs(ends - starts))
    middle = (starts + ends) / 2
    right, left = middle - aside, middle + aside
    shapely.prepare(parts)
    on_right, on_left = (shapely.contains_xy(parts[:, None], z.real, z.imag) for z in (right, left))
    is_piece = on_right.any(axis=1) & ~on_left.any(axis=1)
    is_piece &= shapely.area(parts) > LEAST_MARK_PX
    order = sorted(np.flatnonzero(is_piece).tolist(), key=lambda n: int(on_right[n].argmax()))
    feet = [middle[on_right[n]].mean() for n in order]
    return _Cut(list(parts[order]), np.array(feet, np.complex128))


def _levelled(pieces: Sequence[shapely.Geometry], feet: Complexes, high: float) -> list[list[Move]]:
    """Ways to look at pieces: as they stand; with their feet level; turned as the rim runs, too."""
    out = [[STAY] * len(pieces)]
    if len(pieces) < 2:
        return out
    line = np.polyfit(feet.real, feet.imag, 1) if np.ptp(feet.real) > 0 else np.zeros(2)
    if np.abs(feet.imag - np.polyval(line, feet.real)).max() < LEVEL * high and abs(line[0]) < LEAN:
        return out
    out.append([Move(shift=complex(0, feet.imag.mean() - z.imag)) for z in feet])
    along = np.concatenate([[0], np.cumsum(np.abs(np.diff(feet)))])
    if np.diff(along).min() <= 0:
        return out
    way = np.gradient(feet, along, edge_order=2 if len(feet) > 2 else 1)
    side = 1 if way.mean().real >= 0 else -1
    turns = side * np.abs(way) / way
    places = feet[0] + side * along
    out.append(
        [Move(complex(t), complex(p - z * t)) for t, p, z in zip(turns, places, feet, strict=True)]
    )
    return out


def _word(  # noqa: PLR0917
    outlines: Outlines,
    marks: Sequence[Mark],
    k: int,
    rings: list[int],
    cut: _Cut,
    tell: Callable[[list[Mark]], Verdict],
) -> Joined | None:
    """The word among what is cut off, or None."""
    import shapely

    tall = [size_of(p) for p in cut.pieces if size_of(p) >= LEAST_MARK_PX]
    if len(tall) < LEAST_PIECES:
        return None
    high = float(np.median(tall))
    loose = _beside(outlines, marks, rings, cut.pieces, high)
    near = [int(np.argmin(np.abs(cut.feet - marks[n].middle))) for n in loose]
    read: list[_Read] = []
    for moves in _levelled(cut.pieces, cut.feet, high):
        moved = [(n, moves[at]) for n, at in zip(loose, near, strict=True)]
        drawn = find_marks(as_outlines(outlines, cut.pieces, moves, moved))
        read += _read(drawn, cut.pieces, tell(drawn))
    if not read:
        return None
    best = max(read, key=lambda r: (len(r.members), r.odds))
    owner = owners_of(cut.pieces)
    word = shapely.union_all([cut.pieces[owner[n]] for n in best.members if n < len(owner)])
    shapely.prepare(word)
    lettered = []
    for r in rings:
        px = outlines.placement.to_px(outlines.rings[r].points_mm)
        lettered.append(shapely.dwithin(word, shapely.points(px), TOUCHES_PX))
    also = [loose[n - len(owner)] for n in best.members if n >= len(owner)]
    middle = complex(*shapely.get_coordinates(word.centroid)[0])
    rest = outlines.placement.to_px(outlines.rings[rings[0]].points_mm)[~lettered[0]]
    return Joined(
        (*rings, *also),
        (*lettered, *(np.ones(len(outlines.rings[r].points_mm), np.bool_) for r in also)),
        best.row,
        middle,
        best.odds,
        is_bar(rest, marks[k]),
    )


def _read(
    drawn: Sequence[Mark], pieces: Sequence[shapely.Geometry], verdict: Verdict
) -> list[_Read]:
    """Rows that are surely words, of pieces at least in part."""
    out = []
    for row, odds in zip(verdict.rows, verdict.row_odds, strict=True):
        is_own = any(n < len(pieces) for n in row.members)
        needed = SURE_PAIR if len(row.members) < 3 else SURE_ODDS
        if len(row.members) >= 2 and is_own and odds > needed:
            chosen = _chosen(drawn, pieces, row, verdict)
            if chosen is not None:
                n_own = len(owners_of(pieces))
                also = [n for n in companions(drawn, row) if n >= n_own]
                out.append(_Read(row, odds, [*chosen, *also]))
    return out


def _chosen(
    drawn: Sequence[Mark], pieces: Sequence[shapely.Geometry], row: Row, verdict: Verdict
) -> list[int] | None:
    """Marks of the word; None where too much between its ends is none."""
    letters = {n for n, o in enumerate(verdict.odds.tolist()) if o > 0} & set(row.members)
    along = complex(row.directions[len(row.directions) // 2])
    place = [(m.middle / along).real for m in drawn[: len(pieces)]]
    if not letters:
        return None
    ends = [(drawn[n].middle / along).real for n in row.members]
    between = [n for n in range(len(pieces)) if min(ends) <= place[n] <= max(ends)]
    whole = sum(pieces[n].area for n in between)
    mine = sum(pieces[n].area for n in between if n in letters)
    return sorted(letters) if mine >= MOST_OF_IT * whole else None


def _beside(
    outlines: Outlines,
    marks: Sequence[Mark],
    rings: list[int],
    pieces: Sequence[shapely.Geometry],
    high: float,
) -> list[int]:
    """Loose rings near what is cut off, and those in them."""
    bounds = np.array([p.bounds for p in pieces])
    x0, y0 = bounds[:, :2].min(axis=0) - NEAR * high
    x1, y1 = bounds[:, 2:].max(axis=0) + NEAR * high
    parent = marks[rings[0]].parent
    out: list[int] = []
    for n in range(len(outlines.rings)):
        around = marks[n].parent
        z = marks[n].middle
        is_near = x0 < z.real < x1 and y0 < z.imag < y1 and marks[n].size < 2.5 * high
        if n not in rings and ((around == parent and is_near) or around in out):
            out.append(n)
    return out
