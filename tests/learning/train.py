"""Makes what the program ships with, from made-up signs.

`python -m tests.learning.train [--signs 2200] [--exact 1800] [--store FOLDER]` writes
`raster2path/shape/lettering.npz`; the same number of signs and the same typefaces, pictograms and
libraries make the same. What each package is, and its licence: `letters.py`, `pictograms.py`.
Needs, besides the `test` extra: the Debian packages named there, and from PyPI
`material-design-icons-pack`, `py-phosphor-icons` (for the evaluation) and `hershey-fonts`.

Four things are learnt, each from what the one before says of signs that it was *not* learnt from
(three folds by typeface): a net that reads small pictures of marks; trees that tell marks in rows;
trees that tell rows; trees that tell marks which stand alone.
"""

from __future__ import annotations

import argparse
import io
import zipfile
import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

import raster2path.shape
from raster2path.shape._reader import Reader
from raster2path.shape._table import FILE, TABLES, Learnt, Table
from raster2path.shape._told import row_numbers
from tests.learning.album import Album, album_of, album_of_all, all_of
from tests.learning.boost import Plan, grow
from tests.learning.exact import exact
from tests.learning.gather import FIRST_FORM, Lesson, Truth, cases, face_of, lessons_of, truth_of
from tests.learning.net import Study, learn
from tests.learning.signs import make_sign
from tests.learning.use import Use

Floats = npt.NDArray[np.float64]
FIRST_EXACT = 100_000
FIXED = range(40, 64)
"""Numbers of the small fixed set: signs of only what matplotlib carries and our own geometry,
without pictures, so that other stages may change and the table stays."""
N_FOLDS = 3
MANY = 3
"""Times that each letter of each typeface is looked at, besides those in signs."""
SMALL_PLAN = Plan(n_trees=12)
SMALL_STUDY = Study(windows=((5, 2), (3, 4)), hidden=8, n_rounds=2)


def truths(n: int, n_exact: int, store: Path | None) -> list[tuple[int, int, Truth]]:
    """Signs' numbers, their typefaces' and what there is to look at in each.

    Those without pictures are single letters, drawings of many parts, or any.
    """
    out = [
        (case.seed, face_of(case.seed, Use.LEARN), truth_of(case))
        for first, many in ((0, n), (FIRST_FORM, n // 6))
        for case in cases(first, many, use=Use.LEARN, store=store)
    ]
    for seed in range(FIRST_EXACT, FIRST_EXACT + n_exact):
        layout = ("monogram", "busy", None)[seed % 3]
        sign = make_sign(seed, use=Use.LEARN, layout=layout)
        out.append((seed, zlib.crc32(sign.face.encode()), truth_of(exact(sign, seed))))
    return out


def fixed_truths() -> list[Truth]:
    """What there is to look at in the small fixed set."""
    signs = [(seed, make_sign(seed, use=Use.LEARN, only_carried=True)) for seed in FIXED]
    return [truth_of(exact(sign, seed)) for seed, sign in signs]


def fixed_lessons(reader: Reader) -> list[Lesson]:
    """What there is to learn from the small fixed set."""
    return [lesson for truth in fixed_truths() for lesson in lessons_of(truth, reader, 0)]


def grown(lessons: Sequence[Lesson], plan: Plan) -> Table:
    """Trees that tell marks in rows."""
    x = np.vstack([lesson.x for lesson in lessons])
    y, weight = (
        np.concatenate(list(a))
        for a in ([lesson.y for lesson in lessons], [lesson.weight for lesson in lessons])
    )
    counts = weight > 0
    return grow(x[counts], y[counts], weight[counts], plan)


def rows_of(lessons: Sequence[Lesson], told: Sequence[Floats]) -> tuple[Floats, Floats, Floats]:
    """Numbers of rows, whether each is a word, and how much it counts."""
    x = [
        row_numbers(lesson.members, lesson.x, t, lesson.n_marks)
        for lesson, t in zip(lessons, told, strict=True)
    ]
    truth = [lesson.row_truth for lesson in lessons]
    y, weight = (np.concatenate([t[n] for t in truth]) for n in (0, 1))
    return np.vstack(x), y, weight


def grown_rows(
    lessons: Sequence[Lesson], told: Sequence[Floats], rows: Plan, lones: Plan
) -> tuple[Table, Table]:
    """Trees that tell rows, and trees that tell marks which stand alone."""
    x, y, weight = rows_of(lessons, told)
    many = np.concatenate([lesson.count for lesson in lessons]) > 1
    alone = np.concatenate([lesson.stands_alone for lesson in lessons])
    tables = []
    for plan, own in ((rows, many), (lones, alone)):
        counts = own & (weight > 0)
        tables.append(grow(x[counts], y[counts] > 0, weight[counts], plan))
    return tables[0], tables[1]


@dataclass(frozen=True, slots=True, kw_only=True)
class Course:
    """How all of it is learnt."""

    marks: Plan
    rows: Plan
    lones: Plan
    study: Study


COURSE = Course(
    marks=Plan(n_trees=350, depth=5, rate=0.07),
    rows=Plan(n_trees=160, depth=4, rate=0.06, least_weight=8.0),
    lones=Plan(n_trees=100, depth=4, rate=0.06, least_weight=8.0),
    study=Study(),
)


def learnt(signs: Sequence[tuple[int, int, Truth]], straight: Album, course: Course) -> Learnt:
    """All of it, each learnt from what the one before says of signs new to it.

    Args:
        signs: their numbers, their typefaces' and what there is to look at in each.
        straight: small pictures of letters and drawings that stand in no sign.
        course: how.
    """
    album = all_of([*(album_of(truth, seed, face) for seed, face, truth in signs), straight])
    folds = np.array([face % N_FOLDS for _, face, _ in signs])
    lessons: list[Lesson] = []
    for fold in range(N_FOLDS):
        reader = learn(album.of(album.group % N_FOLDS != fold), course.study)
        for (_, _, truth), own in zip(signs, folds.tolist(), strict=True):
            if own == fold:
                lessons += lessons_of(truth, reader, fold)
    told: list[Floats] = []
    for fold in range(N_FOLDS):
        others = grown([lesson for lesson in lessons if lesson.group != fold], course.marks)
        told += [others.log_odds(lesson.x) for lesson in lessons if lesson.group == fold]
    rows, lones = grown_rows(lessons, told, course.rows, course.lones)
    return Learnt(learn(album, course.study), grown(lessons, course.marks), rows, lones)


def as_bytes(arrays: dict[str, npt.NDArray[np.generic]]) -> bytes:
    """An .npz archive that is the same for the same numbers: no dates in it."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, array in arrays.items():
            held = io.BytesIO()
            np.lib.format.write_array(held, np.ascontiguousarray(array), allow_pickle=False)
            info = zipfile.ZipInfo(f"{name}.npy", (1980, 1, 1, 0, 0, 0))
            info.compress_type = zipfile.ZIP_DEFLATED
            archive.writestr(info, held.getvalue())
    return out.getvalue()


def packed(all_learnt: Learnt) -> bytes:
    """What was learnt, and what it and a little learnt from the fixed set say of the fixed set."""
    reader, fixed = all_learnt.reader, fixed_lessons(all_learnt.reader)
    arrays: dict[str, npt.NDArray[np.generic]] = {}
    for k, (window, at) in enumerate(zip(reader.windows, reader.window_at, strict=True)):
        arrays |= {f"window_{k}": window.astype(np.float16), f"window_at_{k}": at}
    arrays |= {"into": reader.into.astype(np.float16), "into_at": reader.into_at}
    arrays |= {"out": reader.out.astype(np.float16), "out_at": reader.out_at}
    for name in TABLES:
        table: Table = getattr(all_learnt, name)
        arrays[f"{name}_feature"] = table.feature.astype(np.uint8)
        arrays[f"{name}_limit"] = table.limit
        arrays[f"{name}_leaf"] = table.leaf.astype(np.float16)
        arrays[f"{name}_start"] = np.array(table.start)
    arrays["fixed_odds"] = of_fixed(all_learnt, fixed).astype(np.float32)
    little = small(fixed)
    arrays["small_odds"] = of_fixed(little, fixed).astype(np.float32)
    arrays["small_said"] = little.reader.log_odds(fixed_album().seen).astype(np.float32)
    return as_bytes(arrays)


def of_fixed(all_learnt: Learnt, fixed: Sequence[Lesson]) -> Floats:
    """Log odds of marks, then of rows, of the fixed set."""
    told = [all_learnt.marks.log_odds(lesson.x) for lesson in fixed]
    rows = [
        all_learnt.of_rows(row_numbers(lesson.members, lesson.x, t, lesson.n_marks), lesson.count)
        for lesson, t in zip(fixed, told, strict=True)
    ]
    return np.concatenate([*told, *rows])


def small(fixed: Sequence[Lesson]) -> Learnt:
    """A little, learnt from the fixed set alone, to see that the same is learnt everywhere."""
    marks = grown(fixed, SMALL_PLAN)
    told = [marks.log_odds(lesson.x) for lesson in fixed]
    rows, lones = grown_rows(fixed, told, SMALL_PLAN, SMALL_PLAN)
    return Learnt(learn(fixed_album(), SMALL_STUDY), marks, rows, lones)


def fixed_album() -> Album:
    """Small pictures of the fixed set."""
    signs = zip(FIXED, fixed_truths(), strict=True)
    return all_of([album_of(truth, seed, 0) for seed, truth in signs])


def main() -> None:
    """Write what was learnt beside the code that reads it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--signs", type=int, default=2200)
    parser.add_argument("--exact", type=int, default=1800)
    parser.add_argument("--store", type=Path, help="keeps the signs' outlines for the next time")
    parser.add_argument("-o", type=Path, default=Path(raster2path.shape.__file__).with_name(FILE))
    args = parser.parse_args()
    signs = truths(args.signs, args.exact, args.store)
    straight = album_of_all(use=Use.LEARN, many=MANY)
    args.o.write_bytes(packed(learnt(signs, straight, COURSE)))
    print(f"{len(signs)} signs, {args.o.stat().st_size} bytes")


if __name__ == "__main__":
    main()
