"""Which marks are letters, and in which rows they stand, as the table tells by row."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from raster2path.shape import _letterlike
from raster2path.shape._arches import lengthened
from raster2path.shape._marks import LEAST_MARK_PX, Mark
from raster2path.shape._reader import Looks, Reader
from raster2path.shape._table import Learnt
from raster2path.shape._textrows import (
    Row,
    alone,
    arch_row,
    fits_in,
    propose_rows,
    turned_round,
    with_more,
)

Floats = npt.NDArray[np.float64]

WITHIN, AT_END = 0.85, 0.55
"""How much a mark's odds follow those of its row: a word is lettering as a whole, but a drawing
may stand beside it."""
MOST_MARKS = 500
MOST_INSIDE = 4
"""A letter has two counters at most; an outlined or ornate one, a few more."""
SURE = 1.0
MOST_ODDS = 5.0
"""One mark's log odds count for no more than this in its row."""
NEXT = 2.0
"""So many heights beyond a word's end, what is told for a letter there belongs to it: a last
number, spaced wide."""
LEAST_BENT = 4
"""So many letters tell whether they lie on an arch."""
LONGER = 2.5
"""What a row that is e times as long is worth more, in log odds, where marks are given to rows."""
TAKEN, TAKEN_WITHIN = 0.5, -2.0
"""Log odds from which a mark is taken into a word at its ends, and between its letters."""
READS, HARDLY_READS, STANDS_OFF = 3.0, 0.5, 0.5
"""Where letters of a word look so much like letters, in log odds in the middle one, one at its end
that hardly does and stands so many heights off is a drawing beside it."""
WORD_READS, NO_WORD = 2.0, -1.5
"""The same where several stand there, as a row of stars before a word."""
UNREAD, BLANK = -2.0, -4.0
"""Three marks or more that look less like letters than the one, in the mean, and a mark alone that
does than the other, are a drawing without a question."""
NO_LETTER = -3.0
"""What looks less like a letter is not taken into a word, whatever its place says."""
TURNED_ODDS = 0.3
"""A row that is not level is read from its other side if it looks so much more like letters."""

STATS = (
    "mean", "least", "lower", "middle", "most", "spread", "share", "alone", "around_mean",
    "around_most", "n_around", "n_marks",
)  # fmt: skip
ROW_NAMES = (*STATS, *_letterlike.AROUND, *_letterlike.OF_ROW)


@dataclass(frozen=True, slots=True, eq=False)
class Verdict:
    """What was found.

    Attributes:
        odds: of each mark, log odds that it is a letter; NaN for what lies in letters.
        rows: rows of marks that belong together, each mark in one of them at most.
        row_odds: of each row, log odds that it is lettering.
    """

    odds: Floats
    rows: tuple[Row, ...]
    row_odds: tuple[float, ...]


def tell(marks: Sequence[Mark], is_border: Sequence[bool], learnt: Learnt) -> Verdict:
    """Look at what lies outermost first; what lies in a letter is a part of it.

    Of very many marks only the largest are looked at; of the others the odds are low.
    """
    if len(marks) <= MOST_MARKS:
        return _tell(marks, is_border, learnt)
    kept = _largest(marks)
    place = {k: n for n, k in enumerate(kept)}
    fewer = [
        replace(m, parent=None if m.parent is None else place[m.parent])
        for m in (marks[k] for k in kept)
    ]
    verdict = _tell(fewer, [is_border[k] for k in kept], learnt)
    odds = np.full(len(marks), -MOST_ODDS)
    odds[kept] = verdict.odds
    rows = [replace(row, members=tuple(kept[n] for n in row.members)) for row in verdict.rows]
    return Verdict(odds, tuple(rows), verdict.row_odds)


def _largest(marks: Sequence[Mark]) -> list[int]:
    """The largest marks and all that lie round them, in their order."""
    by_size = np.argsort([-mark.size for mark in marks])[:MOST_MARKS]
    kept = {int(k) for k in by_size}
    for k in by_size.tolist():
        around = marks[k].parent
        while around is not None and around not in kept:
            kept.add(around)
            around = marks[around].parent
    return sorted(kept)


def _tell(marks: Sequence[Mark], is_border: Sequence[bool], learnt: Learnt) -> Verdict:
    odds = np.full(len(marks), np.nan)
    if not marks:
        return Verdict(odds, (), ())
    seen = looked_over(marks, is_border, learnt.reader)
    rows: list[Row] = []
    row_odds: list[float] = []
    for depth in range(1 + max(mark.depth for mark in marks)):
        families = _families(marks, is_border, odds, depth)
        if families:
            rows_here, x = proposals(seen, families)
            told = learnt.marks.log_odds(x)
            numbers = row_numbers([row.members for row in rows_here], x, told, len(marks))
            count = np.array([len(row.members) for row in rows_here])
            worth = learnt.of_rows(numbers, count)
            each = np.split(told, np.cumsum(count)[:-1])
            _choose(seen, learnt, rows_here, each, worth, odds, rows, row_odds)
    return Verdict(odds, tuple(rows), tuple(row_odds))


@dataclass(frozen=True, slots=True, eq=False)
class Seen:
    """Marks, and what each is by itself.

    Attributes:
        by_itself: what `of_marks` tells.
        twins: what `twin_table` tells.
        looks: how much each looks like a letter.
    """

    marks: Sequence[Mark]
    by_itself: Floats
    twins: npt.NDArray[np.bool_]
    looks: Looks


def looked_over(marks: Sequence[Mark], is_border: Sequence[bool], reader: Reader) -> Seen:
    """What each mark is by itself."""
    twins = _letterlike.twin_table(marks)
    by_itself = _letterlike.of_marks(marks, is_border, twins)
    return Seen(marks, by_itself, twins, Looks(marks, reader))


def proposals(seen: Seen, families: Sequence[Sequence[int]]) -> tuple[list[Row], Floats]:
    """Every row that may be in some families, each mark alone too; the numbers of their marks."""
    rows: list[Row] = []
    x: list[Floats] = []
    proposed = [propose_rows(seen.marks, family) for family in families]
    _look_ahead(seen, [row for found in proposed for row in found], families)
    for family, as_found in zip(families, proposed, strict=True):
        found = [_right_way_up(seen, row) for row in as_found]
        rows += found
        x += [_numbers(seen, row) for row in found]
        rows += [alone(seen.marks, k) for k in family]
        x.append(_letterlike.of_lone_marks(seen.marks, family, seen.by_itself, seen.looks))
    return rows, np.vstack(x)


def _look_ahead(seen: Seen, rows: Sequence[Row], families: Sequence[Sequence[int]]) -> None:
    """Look at all marks at once, in every way that will be asked for: many at a time cost less."""
    members = [k for family in families for k in family]
    ways = [np.ones(len(members), np.complex128)]
    for row in rows:
        for side in (1,) if row.is_level else (1, -1):
            members += row.members
            ways.append(side * row.directions)
    seen.looks.of(members, np.concatenate(ways))


def _numbers(seen: Seen, row: Row) -> Floats:
    return _letterlike.of_row(seen.marks, row, seen.by_itself, seen.twins, seen.looks)


def _right_way_up(seen: Seen, row: Row) -> Row:
    """A row that isn't level, read from the side from which its marks look like letters."""
    if row.is_level:
        return row
    here = seen.looks.of(row.members, row.directions).mean()
    there = seen.looks.of(row.members, -row.directions).mean()
    return turned_round(seen.marks, row) if there > here + TURNED_ODDS else row


def row_numbers(members: Sequence[Sequence[int]], x: Floats, told: Floats, n_marks: int) -> Floats:
    """All numbers of each row that is proposed in a drawing: (rows, len(ROW_NAMES)).

    Args:
        members: marks of each, some in more than one; every mark is a row by itself, too.
        x: numbers of all those marks, row by row.
        told: log odds of each of them.
        n_marks: in the whole drawing.
    """
    count = np.array([len(m) for m in members])
    start = np.concatenate([[0], np.cumsum(count)[:-1]])
    flat = np.concatenate([np.asarray(m) for m in members])
    capped = np.clip(told, -MOST_ODDS, MOST_ODDS)
    mean = np.add.reduceat(capped, start) / count
    best = np.full(flat.max() + 1, -MOST_ODDS)
    lone = np.full(flat.max() + 1, -MOST_ODDS)
    np.maximum.at(best, flat, np.repeat(np.where(count > 1, mean, -MOST_ODDS), count))
    np.maximum.at(lone, flat, np.repeat(np.where(count == 1, mean, -MOST_ODDS), count))
    every = np.unique(flat)
    first_around = len(_letterlike.OWN)
    last_around = first_around + len(_letterlike.AROUND)
    around = np.add.reduceat(x[:, first_around:last_around], start, axis=0) / count[:, None]
    stats = []
    for m, a, n in zip(members, start.tolist(), count.tolist(), strict=True):
        t = np.sort(capped[a : a + n])
        is_other = np.ones(len(best), np.bool_)
        is_other[list(m)] = False
        others = best[every[is_other[every]]]
        stats.append(
            (
                *(t.mean(), t[0], t[n // 4], t[n // 2], t[-1], t.std(), (t > 0).mean()),
                lone[list(m)].mean(),
                others.mean() if len(others) else -MOST_ODDS - 1,
                others.max(initial=-MOST_ODDS - 1),
                min(len(others), 20),
                min(n_marks, 40),
            )
        )
    of_row = x[start, -len(_letterlike.OF_ROW) :]
    return np.column_stack([np.array(stats, np.float64), around, of_row])


def _vetoed(marks: Sequence[Mark], row: Row, told: Floats) -> Floats:
    """The odds, those of marks with more in them than any letter has made small."""
    full = np.array([marks[k].n_inside > MOST_INSIDE for k in row.members])
    return np.where(full, -MOST_ODDS, told)


def _families(
    marks: Sequence[Mark], is_border: Sequence[bool], odds: Floats, depth: int
) -> list[list[int]]:
    """Marks at one depth by what is just round them, those in letters left out."""
    families: dict[int | None, list[int]] = {}
    for k, mark in enumerate(marks):
        if mark.depth != depth or is_border[k]:
            continue
        around = mark.parent
        if around is not None and not is_border[around] and not odds[around] < 0:
            continue  # in a letter, or in what lies in one
        families.setdefault(around, []).append(k)
    return list(families.values())


def completed(seen: Seen, learnt: Learnt, row: Row, odds: Floats) -> tuple[Row, list[int]]:
    """The row with letters that were left out of it, and which these are.

    What stands in it or at its ends, as high and as low, is a letter of it if the table says so
    of the row with it.
    """
    new: list[int] = []
    while True:
        beside = _beside(seen.marks, row, odds)
        if not beside:
            return row, new
        longer = with_more(seen.marks, row, beside)
        told = _told_within(seen, learnt, longer)
        taken = [
            k
            for k, t in zip(longer.members, told.tolist(), strict=True)
            if k in beside and t > (TAKEN_WITHIN if fits_in(seen.marks, row, k) else TAKEN)
        ]
        if not taken:
            return row, new
        row = with_more(seen.marks, row, taken)
        new += taken


def bent(seen: Seen, learnt: Learnt, row: Row, odds: Floats) -> tuple[Row, list[int]]:
    """The row on the arch that its letters lie on, with letters further on along that.

    The middle of a word on an arch may be read as a level line; what stands at its ends is off it.
    """
    marks, members = seen.marks, list(row.members)
    chain = lengthened(marks, [*members, *_free(marks, row, odds)], members)
    longer = arch_row(marks, chain) if len(chain) > len(members) else None
    if longer is None or longer.centre is None:
        return row, []
    longer = _right_way_up(seen, longer)
    told = _told_within(seen, learnt, longer)
    is_old = np.isin(longer.members, members)
    kept = np.flatnonzero(is_old | (told > TAKEN))
    if told[is_old].mean() < SURE or is_old[kept].all():
        return row, []
    return longer.only(kept.tolist()), [longer.members[n] for n in kept if not is_old[n]]


def without_beside(seen: Seen, row: Row) -> tuple[Row, list[int]]:
    """The row without drawings that stand beside the word, and which marks those are."""
    n = len(row.members)
    reads = seen.looks.of(row.members, row.directions)
    gaps = (row.starts[1:] - row.stops[:-1]) / row.height
    first = _n_beside(reads, gaps)
    last = n - _n_beside(reads[first:][::-1], gaps[first:][::-1])
    left_out = [*row.members[:first], *row.members[last:]]
    return (row.only(range(first, last)) if left_out else row), left_out


def _n_beside(reads: Floats, gaps: Floats) -> int:
    """How many marks at the start of a word are drawings: they stand off, and hardly read."""
    for n in range(len(reads) - 2, 0, -1):
        limit, rest = (HARDLY_READS, READS) if n == 1 else (NO_WORD, WORD_READS)
        stands_off = gaps[n - 1] > STANDS_OFF
        if stands_off and np.median(reads[:n]) < limit and np.median(reads[n:]) > rest:
            return n
    return 0


def _told_within(seen: Seen, learnt: Learnt, row: Row) -> Floats:
    """Log odds of each mark of a row; low where it looks like no letter at all."""
    told = learnt.marks.log_odds(_numbers(seen, row))
    reads = seen.looks.of(row.members, row.directions)
    return np.where(reads > NO_LETTER, told, np.minimum(told, reads))


def _beside(marks: Sequence[Mark], row: Row, odds: Floats) -> list[int]:
    """What stands in a row or at its ends, as high and as low, and is in no other."""
    return [k for k in _free(marks, row, odds) if fits_in(marks, row, k, beyond=NEXT)]


def _free(marks: Sequence[Mark], row: Row, odds: Floats) -> list[int]:
    """What lies in the same thing as a row and is in none yet, specks left out."""
    around = marks[row.members[0]].parent
    return [
        k
        for k in np.flatnonzero(np.isnan(odds)).tolist()
        if marks[k].parent == around and k not in row.members and marks[k].size >= LEAST_MARK_PX
    ]


def _most(seen: Seen, row: Row) -> float:
    """The most that a row's log odds can be: little where hardly a mark looks like a letter."""
    if len(row.members) == 2:
        return MOST_ODDS
    mean = float(seen.looks.of(row.members, row.directions).mean())
    return -MOST_ODDS if mean < (UNREAD if len(row.members) > 1 else BLANK) else MOST_ODDS


def _turn(said: float, n_marks: int) -> tuple[int, float]:
    """When a row chooses its marks, the highest first: words, letters alone, then what is neither.

    A letter that stands by itself isn't lost to a row that is no word.
    """
    if n_marks > 1:
        return (2 if said > 0 else 0), said + LONGER * float(np.log(n_marks))
    return (1 if said > 0 else -1), said


def _choose(  # noqa: PLR0917
    seen: Seen,
    learnt: Learnt,
    proposed: list[Row],
    told: list[Floats],
    row_told: Floats,
    odds: Floats,
    rows: list[Row],
    row_odds: list[float],
) -> None:
    """Give each mark to the row that reads best; write down its odds there."""
    capped = [
        _vetoed(seen.marks, row, np.clip(t, -MOST_ODDS, MOST_ODDS))
        for row, t in zip(proposed, told, strict=True)
    ]
    is_full = np.array([bool((t <= -MOST_ODDS).mean() > 0.5) for t in capped])
    said = np.where(is_full, -MOST_ODDS, np.clip(row_told, -MOST_ODDS, MOST_ODDS))
    said = np.minimum(said, [_most(seen, row) for row in proposed])
    turns = [(*_turn(float(said[k]), len(t)), -k) for k, t in enumerate(capped)]
    for *_, minus in sorted(turns, reverse=True):
        row, t, mean = proposed[-minus], capped[-minus], float(said[-minus])
        free = [n for n, k in enumerate(row.members) if np.isnan(odds[k])]
        if not free or (len(row.members) > 1 and len(free) < max(2, 0.6 * len(row.members))):
            continue
        if len(free) < len(row.members):
            mean = min(mean, _most(seen, row.only(free)))  # what made it a word may be in another
        for n in free:
            follow = 1.0 if len(t) == 1 else WITHIN if 0 < n < len(t) - 1 else AT_END
            own = follow * mean + (1 - follow) * t[n]
            odds[row.members[n]] = own if mean > 0 else min(own, mean)  # the row decides
        row = row.only(free)
        if len(free) > 1 and mean > SURE:
            row, more = completed(seen, learnt, row, odds)
            odds[more] = WITHIN * mean
            if len(row.members) >= LEAST_BENT:
                row, more = bent(seen, learnt, row, odds)
                odds[more] = WITHIN * mean
            row, beside = without_beside(seen, row)
            odds[beside] = np.nan
        rows.append(row)
        row_odds.append(mean)
