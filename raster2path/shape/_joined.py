"""Letters that are grown together with a drawing, a bar or a frame are parted from it.

What chains of cuts part from an outline is looked at as marks are, with the loose marks beside it,
as it stands and with its feet brought level; only where that is surely a word is it parted.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from raster2path.geometry import Complexes
from raster2path.model import Outlines
from raster2path.shape._marks import LEAST_MARK_PX, Mark, find_marks
from raster2path.shape._necks import Base, Neck, Necks, base_of
from raster2path.shape._parting import (
    STAY,
    Joined,
    Move,
    as_outlines,
    is_bar,
    owners_of,
    size_of,
    solid_of,
)
from raster2path.shape._reader import Looks
from raster2path.shape._table import Learnt
from raster2path.shape._textrows import Row, companions
from raster2path.shape._told import Verdict, tell

if TYPE_CHECKING:
    import shapely

Floats = npt.NDArray[np.float64]

LARGE_SHARE = 0.2
"""Outlines smaller than this part of the largest are not looked at: a word on a bar is not."""
LEAST_SIDES, MOST_LARGE = 12, 4
"""Nor those that have no more sides, nor more than so many of them: a page of drawings."""
MOST_CHAINS, LEAST_LONG = 4, 0.1
"""Chains that are looked at, the longest first; and how long, in sizes of the drawing."""
LEAST_PIECES = 2
SURE, SURE_NARROW, SURE_PAIR = 3.2, 4.9, 4.9
"""Log odds of the word from which a drawing is parted: letters whose feet are broad, as most are;
on narrow feet, as blades of grass stand; two alone, if nothing else stands there."""
BROAD, NARROWEST, MOST_NARROW = 0.33, 0.15, 7
"""What a word's feet measure along the rim, in sizes, as the mean; on narrow ones stand blades and
antlers, if they are many."""
MOST_OF_IT = 0.8
"""Of what is cut off between a word's ends, so much must be the word."""
SURE_MORE, LEAST_SHARE = 4.6, 0.45
"""A letter that is cut off in addition is so sure, and so high against those of the word."""
ON_ROW, MOST_FEET = 0.12, 3
"""How far off a word's line, in heights, feet of its other letters are looked for; and how many, at
most, for each letter that it has."""
NEAR = 2.5
"""Loose marks so near, in heights of what is cut off, are looked at with it."""
LEVEL, LEAN = 0.04, 0.05
"""Feet that stray less from a line, in heights, and lean less, are level as they are."""
LIKE, LIKE_SHARE, GAPS, LEAST_HIGH = 0.9, 0.6, (0.35, 2.2), 0.05
"""Letters differ in size by no more, as a logarithm, nearly all; stand so far from each other, in
heights; and are so high, in sizes of the drawing."""
LEAST_SAID = -1.0
"""The three pieces that look most like letters look so much like them."""
SLIT_PX = 0.02
TOUCHES_PX = 0.3


@dataclass(frozen=True, slots=True, eq=False)
class _Cut:
    """What a chain of cuts parts from a drawing, in the chain's order.

    Attributes:
        pieces: on its right.
        feet: the middle of each one's cuts.
        broad: from the first cut's start to the last one's end, in sizes of the piece.
    """

    pieces: list[shapely.Geometry]
    feet: Complexes
    broad: Floats


@dataclass(frozen=True, slots=True, eq=False)
class _Read:
    """What is taken for a word: its row, and its marks by number, as `as_outlines` has them."""

    row: Row
    odds: float
    members: dict[int, float]
    is_straight: bool


@dataclass(frozen=True, slots=True, eq=False)
class _Drawing:
    """What may hold letters: one of `solids_of`, its rings, and how marks are told."""

    outlines: Outlines
    marks: Sequence[Mark]
    size: float
    solid: shapely.Geometry
    rings: list[int]
    learnt: Learnt


@dataclass(frozen=True, slots=True, eq=False)
class _Word:
    """A word among what some cuts part from a drawing; loose rings are looked at with it."""

    necks: list[Neck]
    cut: _Cut
    read: _Read
    loose: list[int]


def find_joined(
    outlines: Outlines,
    marks: Sequence[Mark],
    taken: set[int],
    rows: Sequence[Row],
    learnt: Learnt,
) -> list[Joined]:
    """Words that are grown together with what they stand on.

    Args:
        outlines: all that is drawn.
        marks: of it; those of rings first, in the rings' order.
        taken: marks that are letters already.
        rows: words already, letters of which may be grown into something.
        learnt: tells which marks are letters.
    """
    rings = range(len(outlines.rings))
    least = LARGE_SHARE * max((marks[k].size for k in rings), default=0.0)
    large = [
        k
        for k in rings
        if k not in taken and marks[k].size >= least and sum(map(len, marks[k].drawn)) > LEAST_SIDES
    ]
    out = []
    for k in sorted(sorted(large, key=lambda k: -marks[k].size)[:MOST_LARGE]):
        out += _grown(outlines, marks, k, [row for row in rows if k not in row.members], learnt)
    return out


def _grown(
    outlines: Outlines, marks: Sequence[Mark], k: int, rows: Sequence[Row], learnt: Learnt
) -> list[Joined]:
    """Words that are grown into the drawing with a number, none overlapping another."""
    solid, rings = solid_of(outlines, marks, k)
    drawing = _Drawing(outlines, marks, marks[k].size, solid, rings, learnt)
    necks = Necks(solid, marks[k].noise)
    words = []
    chains = [c for c in necks.chains() if _may_hold_a_word(c, marks[k].size)]
    for chain in chains[:MOST_CHAINS]:
        word = _word(drawing, chain)
        if word is not None:
            words.append(_with_more(drawing, word, necks))
    for row in rows:
        for base in _bases(marks, row):
            found = necks.along(base, ())
            word = (
                _word(drawing, found, row)
                if 0 < len(found) <= MOST_FEET * len(row.members)
                else None
            )
            words += [] if word is None else [word]
    out: list[Joined] = []
    for joined in (_joined(drawing, word, marks[k]) for word in words):
        if not any(_overlap(joined, other) for other in out):
            out.append(joined)
    return out


def _bases(marks: Sequence[Mark], row: Row) -> list[Base]:
    """The line that a word stands on; and the one along its heads, read from the other side."""
    out = []
    for side in (1, -1):
        feet = []
        for n, (k, d) in enumerate(zip(row.members, row.directions.tolist(), strict=True)):
            local = marks[k].hull / d
            ahead = (local.real.min() + local.real.max()) / 2
            off = local.imag.max() + row.feet[n] - (0 if side > 0 else row.height)
            feet.append(complex(ahead, off) * d)
        at = np.array(feet)[::side]
        run = np.concatenate([[0.0], np.cumsum(np.abs(np.diff(at)))])
        out.append(Base(at, side * row.directions[::side], run, row.height, ON_ROW))
    return out


def _may_hold_a_word(chain: Sequence[Neck], size: float) -> bool:
    return len(chain) >= LEAST_PIECES and abs(chain[-1].end - chain[0].start) > LEAST_LONG * size


def _with_more(drawing: _Drawing, word: _Word, necks: Necks) -> _Word:
    """The word with letters that stand on its line and were not cut off, if it is one with them."""
    import shapely

    own = [word.cut.pieces[n] for n in word.read.members if n < len(word.cut.pieces)]
    base = base_of(word.cut.feet, float(np.median([size_of(p) for p in own])))
    more = necks.along(base, word.necks) if base is not None else []
    if base is None or not more:
        return word
    every = [*word.necks, *more]
    _, ahead, _ = base.place(np.array([neck.start for neck in every]))
    larger = _word(drawing, [every[n] for n in np.argsort(ahead)])
    if larger is None:
        return word
    before, pieces = shapely.union_all(own), larger.cut.pieces
    kept = {
        n: odds
        for n, odds in larger.read.members.items()
        if n >= len(pieces)
        or before.contains(pieces[n].representative_point())
        or (odds > SURE_MORE and size_of(pieces[n]) > LEAST_SHARE * base.high)
    }
    is_larger = len(kept) > len(word.read.members)
    return replace(larger, read=replace(larger.read, members=kept)) if is_larger else word


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
    # a little beside each cut, at its middle and near its ends: its middle may lie in a counter
    long = np.abs(ends - starts)
    aside = 1j * way * np.minimum(1.0, 0.25 * long)
    at = np.minimum(0.25, 2.0 / long)
    places = [starts + (ends - starts) * t for t in (at, 0.5, 1 - at)]
    shapely.prepare(parts)
    on_right, on_left = (
        np.any(
            [shapely.contains_xy(parts[:, None], (z + side).real, (z + side).imag) for z in places],
            axis=0,
        )
        for side in (-aside, aside)
    )
    middle = places[1]
    is_piece = on_right.any(axis=1) & ~on_left.any(axis=1)
    is_piece &= shapely.area(parts) > LEAST_MARK_PX
    order = sorted(np.flatnonzero(is_piece).tolist(), key=lambda n: int(on_right[n].argmax()))
    feet = [middle[on_right[n]].mean() for n in order]
    broad = [
        np.abs(ends[on_right[n]][-1] - starts[on_right[n]][0]) / size_of(parts[n]) for n in order
    ]
    return _Cut(list(parts[order]), np.array(feet, np.complex128), np.array(broad, np.float64))


def _levelled(pieces: Sequence[shapely.Geometry], feet: Complexes, high: float) -> list[list[Move]]:
    """Ways to look at pieces: as they stand; with their feet level; turned as the rim runs, too."""
    out = [[STAY] * len(pieces)]
    if len(pieces) < 2:
        return out
    line = np.polyfit(feet.real, feet.imag, 1) if np.ptp(feet.real) > 0 else np.zeros(2)
    if np.abs(feet.imag - np.polyval(line, feet.real)).max() < LEVEL * high and abs(line[0]) < LEAN:
        return out
    out.append([Move(shift=complex(0, feet.imag.mean() - z.imag)) for z in feet])
    base = base_of(feet, high)
    if base is None:
        return out
    side = 1 if base.ways.mean().real >= 0 else -1
    places = feet[0] + side * base.ahead
    out.append(
        [
            Move(complex(t), complex(p - z * t))
            for t, p, z in zip(side / base.ways, places, feet, strict=True)
        ]
    )
    return out


def _word(drawing: _Drawing, necks: list[Neck], row: Row | None = None) -> _Word | None:
    """The word among what some cuts part from a drawing, or None; with those of a row, if any."""
    cut = _cut_along(drawing.solid, necks)
    is_worth_it = _is_like_a_row(cut, drawing) if row is None else len(cut.pieces) > 0
    if not is_worth_it:
        return None
    high = float(np.median([size_of(p) for p in cut.pieces])) if row is None else row.height
    loose = _beside(drawing, cut.pieces, high, () if row is None else row.members)
    marks = drawing.marks
    near = [int(np.argmin(np.abs(cut.feet - marks[n].middle))) for n in loose]
    read: list[_Read] = []
    ways = _levelled(cut.pieces, cut.feet, high)
    for moves in ways:
        moved = [(n, moves[at]) for n, at in zip(loose, near, strict=True)]
        drawn = find_marks(as_outlines(drawing.outlines, cut.pieces, moves, moved))
        verdict = tell(drawn, [False] * len(drawn), drawing.learnt)
        read += _read(drawn, cut, verdict, is_straight=len(ways) == 1)
    best = max(read, key=lambda r: (len(r.members), r.odds), default=None)
    return None if best is None else _Word(necks, cut, best, loose)


def _is_like_a_row(cut: _Cut, drawing: _Drawing) -> bool:
    """False where what is cut off is surely no word, told at little cost."""
    sizes = np.array([size_of(p) for p in cut.pieces])
    tall = np.flatnonzero(sizes >= LEAST_MARK_PX)
    if len(tall) < LEAST_PIECES:
        return False
    high = float(np.median(sizes[tall]))
    like = np.abs(np.log(sizes[tall] / high)) < LIKE
    gap = float(np.median(np.abs(np.diff(cut.feet[tall])))) / high
    is_row = high > LEAST_HIGH * drawing.size and GAPS[0] < gap < GAPS[1]
    if not is_row or like.mean() < LIKE_SHARE:
        return False
    drawn = find_marks(as_outlines(drawing.outlines, [cut.pieces[n] for n in tall]))
    level = np.ones(len(tall), np.complex128)
    said = Looks(drawn, drawing.learnt.reader).of(range(len(tall)), level)
    return float(np.sort(said)[-3:].mean()) > LEAST_SAID


def _joined(drawing: _Drawing, word: _Word, mark: Mark) -> Joined:
    """The word as points of outlines."""
    import shapely

    outlines, read, owner = drawing.outlines, word.read, owners_of(word.cut.pieces)
    own = shapely.union_all([word.cut.pieces[owner[n]] for n in read.members if n < len(owner)])
    shapely.prepare(own)
    lettered = []
    for r in drawing.rings:
        px = outlines.placement.to_px(outlines.rings[r].points_mm)
        lettered.append(shapely.dwithin(own, shapely.points(px), TOUCHES_PX))
    also = [word.loose[n - len(owner)] for n in read.members if n >= len(owner)]
    held = [r for r, points in zip(drawing.rings, lettered, strict=True) if points.any()]
    rest = np.concatenate(
        [
            outlines.placement.to_px(outlines.rings[r].points_mm)[~points]
            for r, points in zip(drawing.rings, lettered, strict=True)
            if points.any()
        ]
    )
    way = complex(read.row.directions[0])
    is_straight = read.is_straight and read.row.centre is None
    return Joined(
        (*drawing.rings, *also),
        (*lettered, *(np.ones(len(outlines.rings[r].points_mm), np.bool_) for r in also)),
        (held[0], way) if is_straight else None,
        complex(*shapely.get_coordinates(own.centroid)[0]),
        read.row.height,
        read.odds,
        is_bar(rest, mark),
    )


def _read(drawn: Sequence[Mark], cut: _Cut, verdict: Verdict, *, is_straight: bool) -> list[_Read]:
    """Rows that are surely words, of pieces at least in part."""
    out = []
    for row, odds in zip(verdict.rows, verdict.row_odds, strict=True):
        own = [n for n in row.members if n < len(cut.pieces)]
        if len(row.members) >= 2 and own and odds > _needed(row, own, cut):
            chosen = _chosen(drawn, cut.pieces, row, verdict)
            if chosen is not None:
                n_own = len(owners_of(cut.pieces))
                also = [n for n in companions(drawn, row) if n >= n_own]
                members = {n: float(verdict.odds[n]) for n in (*chosen, *also)}
                out.append(_Read(row, odds, members, is_straight))
    return out


def _needed(row: Row, own: Sequence[int], cut: _Cut) -> float:
    """Log odds from which a row is surely a word."""
    if len(row.members) < 3:
        return SURE_PAIR if len(own) == len(cut.pieces) else np.inf
    broad = float(cut.broad[list(own)].mean())
    if broad < NARROWEST or (broad < BROAD and len(own) > MOST_NARROW):
        return np.inf
    return SURE if broad >= BROAD and len(own) > 1 else SURE_NARROW


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
    drawing: _Drawing, pieces: Sequence[shapely.Geometry], high: float, row: Sequence[int]
) -> list[int]:
    """Loose rings near what is cut off, those of a row, and those in them."""
    marks, rings = drawing.marks, drawing.rings
    bounds = np.array([p.bounds for p in pieces])
    x0, y0 = bounds[:, :2].min(axis=0) - NEAR * high
    x1, y1 = bounds[:, 2:].max(axis=0) + NEAR * high
    parent = marks[rings[0]].parent
    out: list[int] = []
    for n in range(len(drawing.outlines.rings)):
        around = marks[n].parent
        z = marks[n].middle
        is_near = x0 < z.real < x1 and y0 < z.imag < y1 and marks[n].size < 2.5 * high
        if n not in rings and ((around == parent and is_near) or n in row or around in out):
            out.append(n)
    return out
