"""Numbers and truth of made-up signs: what the trainer learns from and the evaluation judges by."""

from __future__ import annotations

import pickle
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from raster2path.shape import _letterlike
from raster2path.shape._marks import Mark, find_marks
from raster2path.shape._told import proposals
from tests.learning.develop import Case, Look, develop
from tests.learning.signs import What, make_sign

Floats = npt.NDArray[np.float64]
LOOKS = (Look.CLEAN, Look.PHOTO, Look.PENCIL, Look.CLEAN, Look.PHOTO, Look.PENCIL, Look.SLIT)
"""Every seventh sign is of single lines; the others take turns."""


def case_of(
    seed: int, *, held: bool, only_carried: bool = False, store: Path | None = None
) -> Case | None:
    """The case with a number; kept in a folder, if one is given."""
    file = None if store is None else store / ("held" if held else "train") / f"{seed:05d}.pkl"
    if file is not None and file.exists():
        with file.open("rb") as kept:
            return pickle.load(kept)  # type: ignore[no-any-return]  # noqa: S301 (our own file)
    look = LOOKS[seed % (6 if only_carried else 7)]
    sign = make_sign(
        seed,
        held=held,
        only_carried=only_carried,
        is_single_line=look is Look.SLIT,
        has_lines=look in (Look.SLIT, Look.PENCIL),
    )
    case = develop(sign, look, seed)
    if file is not None and case is not None:
        file.parent.mkdir(parents=True, exist_ok=True)
        with file.open("wb") as kept:
            pickle.dump(case, kept)
    return case


def cases(
    first: int, n: int, *, held: bool, only_carried: bool = False, store: Path | None = None
) -> Iterator[Case]:
    """Cases by number, without those in which our stages find nothing."""
    for seed in range(first, first + n):
        case = case_of(seed, held=held, only_carried=only_carried, store=store)
        if case is not None:
            yield case


def part_of(case: Case, mark: Mark) -> int:
    """The part that a mark belongs to, -1 where that isn't clear."""
    if mark.rings:
        return int(case.ring_parts[mark.rings[0]])
    parts = case.stroke_parts[list(mark.strokes)]
    known = parts[parts >= 0]
    whats = {case.whats[k].is_letter for k in known}
    return int(known[0]) if len(known) > 0.8 * len(parts) and len(whats) == 1 else -1


@dataclass(frozen=True, slots=True, eq=False)
class Lesson:
    """Numbers of marks in rows (n, columns), whether each is a letter, and how much it counts."""

    x: Floats
    y: npt.NDArray[np.bool_]
    weight: Floats


def lesson_of(case: Case) -> Lesson:
    """Every row that is proposed in a sign, and every mark alone."""
    marks = find_marks(case.outlines)
    if not marks:
        return Lesson(np.empty((0, len(_letterlike.NAMES))), np.empty(0, np.bool_), np.empty(0))
    parts = [part_of(case, mark) for mark in marks]
    whats = [case.whats[p] if p >= 0 else What.EITHER for p in parts]
    n_rings = len(case.outlines.rings)
    is_border = [k < n_rings and case.outlines.rings[k].is_border for k in range(len(marks))]
    twins = _letterlike.twin_table(marks)
    by_itself = _letterlike.of_marks(marks, is_border, twins)
    families: dict[int | None, list[int]] = {}
    for k, mark in enumerate(marks):
        in_letter = mark.parent is not None and whats[mark.parent] in (
            What.LETTER,
            What.LONE_LETTER,
            What.EITHER,
        )
        if not (is_border[k] or in_letter):
            families.setdefault(mark.parent, []).append(k)
    if not families:
        return Lesson(np.empty((0, len(_letterlike.NAMES))), np.empty(0, np.bool_), np.empty(0))
    rows, x = proposals(marks, list(families.values()), by_itself, twins)
    told = [(whats[k], len(row.members)) for row in rows for k in row.members]
    y = np.array([what.is_letter for what, _ in told])
    weight = [0.0 if what is What.EITHER else _weight(what, n) for what, n in told]
    return Lesson(x, y, np.array(weight))


def _weight(what: What, n_in_row: int) -> float:
    """Marks of long rows are many of the same; single letters are few."""
    weight = 1.0 / np.sqrt(n_in_row)
    return float(weight * 1.5 if what is What.LONE_LETTER else weight)
