"""Numbers and truth of made-up signs: what the trainer learns from and the evaluation judges by."""

from __future__ import annotations

import pickle
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from raster2path.shape._marks import Mark, find_marks
from raster2path.shape._reader import Reader
from raster2path.shape._told import looked_over, proposals
from tests.learning.develop import Case, Look, develop
from tests.learning.signs import What, face_name, make_sign
from tests.learning.use import Use

Floats = npt.NDArray[np.float64]
LOOKS = (
    *(Look.CLEAN, Look.PHOTO, Look.PENCIL) * 2,
    *(Look.SLIT, Look.WRITTEN, Look.MARKER),
)
TO_LEARN = (
    *(Look.CLEAN, Look.PHOTO, Look.PENCIL, Look.SLIT, Look.WRITTEN),
    *(Look.MARKER, Look.PENCIL, Look.PHOTO, Look.SLIT, Look.PENCIL),
)
"""Looks take turns; what is hard to tell comes more often in what is learnt from."""
FIRST_FORM = 200_000
"""Signs from this number up are sheets full of boxes and small words."""
OF_FORMS = (Look.SLIT, Look.WRITTEN, Look.SLIT, Look.MARKER)


def look_of(seed: int, use: Use) -> Look:
    """How the sign with a number came onto paper and into the picture."""
    looks = OF_FORMS if seed >= FIRST_FORM else TO_LEARN if use is Use.LEARN else LOOKS
    return looks[seed % len(looks)]


def case_of(seed: int, *, use: Use, store: Path | None = None) -> Case | None:
    """The case with a number; kept in a folder, if one is given."""
    file = None if store is None else store / use.value / f"{seed:05d}.pkl"
    if file is not None and file.exists():
        with file.open("rb") as kept:
            return pickle.load(kept)  # type: ignore[no-any-return]  # noqa: S301 (our own file)
    look = look_of(seed, use)
    sign = make_sign(
        seed,
        layout="form" if seed >= FIRST_FORM else None,
        use=use,
        is_single_line=look.has_single_lines,
        has_lines=look.is_line_work,
    )
    case = develop(sign, look, seed)
    if file is not None and case is not None:
        file.parent.mkdir(parents=True, exist_ok=True)
        with file.open("wb") as kept:
            pickle.dump(case, kept)
    return case


def cases(first: int, n: int, *, use: Use, store: Path | None = None) -> Iterator[Case]:
    """Cases by number, without those in which our stages find nothing."""
    for seed in range(first, first + n):
        case = case_of(seed, use=use, store=store)
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
    """What is to be learnt from a sign: its rows as they are proposed, marks alone too.

    Attributes:
        x: (marks in rows, len(NAMES)) numbers of each mark in each row.
        y, weight: of those, whether it is a letter, and how much it counts.
        members: marks of each row.
        stands_alone: of each row, whether it is one mark that is no letter of a word.
        n_marks: in the whole sign.
        group: the typeface's number; typefaces are kept together where a sign is learnt from and
            told of in turn.
    """

    x: Floats
    y: npt.NDArray[np.bool_]
    weight: Floats
    members: tuple[tuple[int, ...], ...]
    stands_alone: npt.NDArray[np.bool_]
    n_marks: int
    group: int

    @property
    def count(self) -> npt.NDArray[np.int64]:
        """How many marks each row has."""
        return np.array([len(m) for m in self.members], np.int64)

    @property
    def starts(self) -> npt.NDArray[np.int64]:
        """Where each row begins."""
        return np.concatenate([[0], np.cumsum(self.count)[:-1]]).astype(np.int64)

    @property
    def row_truth(self) -> tuple[npt.NDArray[np.bool_], Floats]:
        """Of each row, whether it is a word, and how much it counts; half a word is none."""
        count = self.count
        known = np.add.reduceat((self.weight > 0).astype(float), self.starts)
        letters = np.add.reduceat(self.y * (self.weight > 0).astype(float), self.starts)
        share = letters / np.maximum(known, 1)
        is_word = share > 0.75
        weight = np.where(known > 0.5 * count, 1.0, 0.0)
        weight[(share > 0.4) & ~is_word] = 0.4
        return is_word, weight


@dataclass(frozen=True, slots=True, eq=False)
class Truth:
    """Marks of a sign, what each is, and which are looked at together."""

    marks: list[Mark]
    whats: list[What]
    words: list[int]
    is_border: list[bool]
    families: list[list[list[int]]]


def truth_of(case: Case) -> Truth:
    """What there is to look at in a sign; what lies in letters is left out."""
    marks = find_marks(case.outlines)
    parts = [part_of(case, mark) for mark in marks]
    whats = [case.whats[p] if p >= 0 else What.EITHER for p in parts]
    words = [case.groups[p] if p >= 0 else -1 for p in parts]
    n_rings = len(case.outlines.rings)
    is_border = [k < n_rings and case.outlines.rings[k].is_border for k in range(len(marks))]
    depths: dict[int, dict[int | None, list[int]]] = {}
    for k, mark in enumerate(marks):
        in_letter = mark.parent is not None and whats[mark.parent] in (
            What.LETTER,
            What.LONE_LETTER,
            What.EITHER,
        )
        if not (is_border[k] or in_letter):
            depths.setdefault(mark.depth, {}).setdefault(mark.parent, []).append(k)
    families = [list(depths[depth].values()) for depth in sorted(depths)]
    return Truth(marks, whats, words, is_border, families)


def lessons_of(truth: Truth, reader: Reader, group: int) -> list[Lesson]:
    """Every row that is proposed in a sign, and every mark alone; a lesson for each depth."""
    out = []
    if truth.families:
        seen = looked_over(truth.marks, truth.is_border, reader)
    for families in truth.families:
        rows, x = proposals(seen, families)
        told = [(truth.whats[k], len(row.members)) for row in rows for k in row.members]
        y = np.array([what.is_letter for what, _ in told])
        weight = [0.0 if what is What.EITHER else _weight(what, n) for what, n in told]
        members = tuple(row.members for row in rows)
        alone = [len(m) == 1 and truth.whats[m[0]] is not What.LETTER for m in members]
        stands = np.array(alone, np.bool_)
        out.append(Lesson(x, y, np.array(weight), members, stands, len(truth.marks), group))
    return out


def _weight(what: What, n_in_row: int) -> float:
    """Marks of long rows are many of the same; single letters are few."""
    weight = 1.0 / np.sqrt(n_in_row)
    return float(weight * 1.5 if what is What.LONE_LETTER else weight)


def face_of(seed: int, use: Use) -> int:
    """A number that signs of one typeface share."""
    look = look_of(seed, use)
    return zlib.crc32(face_name(seed, use=use, is_single_line=look.has_single_lines).encode())
