"""Which marks are letters, and in which rows they stand, as the table tells by row."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from raster2path.shape import _letterlike
from raster2path.shape._marks import Mark
from raster2path.shape._table import Table
from raster2path.shape._textrows import Row, alone, fits_in, propose_rows

Floats = npt.NDArray[np.float64]

WITHIN, AT_END = 0.85, 0.55
"""How much a mark's odds follow those of its row: a word is lettering as a whole, but a drawing
may stand beside it."""
DOUBT = (3.0, 1.75, 1.0, 0.5)
"""Taken off the log odds of rows of one mark, two, three and more: a drawing of many parts has
more such rows than made-up signs have."""
ASTRAY = 0.6
"""Taken off those of rows that are not level, as well: reeds and feathers stand in such rows."""
MOST_MARKS = 500
MOST_INSIDE = 4
"""A letter has two counters at most; an outlined or ornate one, a few more."""
SURE = 1.0
MOST_ODDS = 5.0
"""One mark's log odds count for no more than this in its row."""


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


def tell(marks: Sequence[Mark], is_border: Sequence[bool], table: Table) -> Verdict:
    """Look at what lies outermost first; what lies in a letter is a part of it.

    Of very many marks only the largest are looked at; of the others the odds are low.
    """
    if len(marks) <= MOST_MARKS:
        return _tell(marks, is_border, table)
    kept = _largest(marks)
    place = {k: n for n, k in enumerate(kept)}
    fewer = [
        replace(m, parent=None if m.parent is None else place[m.parent])
        for m in (marks[k] for k in kept)
    ]
    verdict = _tell(fewer, [is_border[k] for k in kept], table)
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


def _tell(marks: Sequence[Mark], is_border: Sequence[bool], table: Table) -> Verdict:
    odds = np.full(len(marks), np.nan)
    if not marks:
        return Verdict(odds, (), ())
    twins = _letterlike.twin_table(marks)
    by_itself = _letterlike.of_marks(marks, is_border, twins)
    rows: list[Row] = []
    row_odds: list[float] = []
    for depth in range(1 + max(mark.depth for mark in marks)):
        families = _families(marks, is_border, odds, depth)
        if families:
            rows_here, x = proposals(marks, families, by_itself, twins)
            ends = np.cumsum([len(row.members) for row in rows_here])
            told = np.split(table.log_odds(x), ends[:-1])
            _choose(marks, rows_here, told, odds, rows, row_odds)
    return Verdict(odds, tuple(rows), tuple(row_odds))


def proposals(
    marks: Sequence[Mark],
    families: Sequence[Sequence[int]],
    by_itself: Floats,
    twins: npt.NDArray[np.bool_],
) -> tuple[list[Row], Floats]:
    """Every row that may be in some families, each mark alone too; the numbers of their marks."""
    rows: list[Row] = []
    x: list[Floats] = []
    for family in families:
        found = propose_rows(marks, family)
        rows += found
        x += [_letterlike.of_row(marks, row, by_itself, twins) for row in found]
        rows += [alone(marks, k) for k in family]
        x.append(_letterlike.of_lone_marks(marks, family, by_itself))
    return rows, np.vstack(x)


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


def _doubt(row: Row) -> float:
    doubt = DOUBT[min(len(row.members), len(DOUBT)) - 1]
    return doubt if row.is_level else doubt + ASTRAY


def _take_in(marks: Sequence[Mark], row: Row, mean: float, odds: Floats) -> None:
    """Thin letters that were left out of a row which is surely one: an I, an l."""
    for k in range(len(marks)):
        if np.isnan(odds[k]) and fits_in(marks, row, k):
            odds[k] = WITHIN * mean - (1 - WITHIN) * MOST_ODDS


def _choose(  # noqa: PLR0917
    marks: Sequence[Mark],
    proposed: list[Row],
    told: list[Floats],
    odds: Floats,
    rows: list[Row],
    row_odds: list[float],
) -> None:
    """Give each mark to the row that reads best; write down its odds there."""
    capped = [
        _vetoed(marks, row, np.clip(t, -MOST_ODDS, MOST_ODDS))
        for row, t in zip(proposed, told, strict=True)
    ]
    worth = [
        (float(t.mean()) * len(t) ** 0.5 if len(t) > 1 else -np.inf, -k)
        for k, t in enumerate(capped)
    ]
    for _, minus in sorted(worth, reverse=True):
        row = proposed[-minus]
        t = capped[-minus] - _doubt(row)
        free = [n for n, k in enumerate(row.members) if np.isnan(odds[k])]
        if not free or (len(row.members) > 1 and len(free) < max(2, 0.6 * len(row.members))):
            continue
        mean = float(t.mean())
        for n in free:
            follow = WITHIN if 0 < n < len(t) - 1 else AT_END
            own = follow * mean + (1 - follow) * t[n]
            odds[row.members[n]] = own if mean > 0 else min(own, mean)  # the row decides
        rows.append(row.only(free))
        row_odds.append(mean)
        if len(free) > 2 and mean > SURE:
            _take_in(marks, row, mean, odds)
