"""Makes the table that the program ships with, from made-up signs.

`python -m tests.learning.train [--signs 1700] [--exact 2400] [--store FOLDER]` writes
`raster2path/shape/lettering.npz`; the same number of signs and the same typefaces, pictograms and
libraries make the same table. What each package is, and its licence: `letters.py`, `art.py`.
Needs, besides the `test` extra: the Debian packages named there, and from PyPI
`material-design-icons-pack`, `py-phosphor-icons` (for the evaluation) and `hershey-fonts`.
"""

from __future__ import annotations

import argparse
import io
import zipfile
from pathlib import Path

import numpy as np
import numpy.typing as npt

import raster2path.shape
from raster2path.shape._table import FILE, Table
from tests.learning.boost import Plan, grow
from tests.learning.exact import exact
from tests.learning.gather import Lesson, cases, lesson_of
from tests.learning.signs import make_sign

FIRST_EXACT = 100_000
FIXED = range(40, 64)
"""Numbers of the small fixed set: signs of only what matplotlib carries and our own geometry,
without pictures, so that other stages may change and the table stays."""


def lessons(n: int, store: Path | None) -> list[Lesson]:
    """What there is to learn from the first signs."""
    return [lesson_of(case) for case in cases(0, n, held=False, store=store)]


def exact_lessons(n: int) -> list[Lesson]:
    """The same from more signs, without pictures: single letters, drawings of many parts, any."""
    out = []
    for seed in range(FIRST_EXACT, FIRST_EXACT + n):
        layout = ("monogram", "busy", None)[seed % 3]
        out.append(lesson_of(exact(make_sign(seed, held=False, layout=layout), seed)))
    return out


def fixed_lessons() -> list[Lesson]:
    """What there is to learn from the small fixed set."""
    signs = [(seed, make_sign(seed, held=False, only_carried=True)) for seed in FIXED]
    return [lesson_of(exact(sign, seed)) for seed, sign in signs]


def together(parts: list[Lesson]) -> Lesson:
    """All of them as one, without what doesn't count."""
    x = np.vstack([p.x for p in parts])
    y, weight = (np.concatenate(list(a)) for a in ([p.y for p in parts], [p.weight for p in parts]))
    counts = weight > 0
    return Lesson(x[counts], y[counts], weight[counts])


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


def packed(table: Table, fixed: Lesson, small: Table) -> bytes:
    """The table, and what it and one made from the fixed set alone tell of the fixed set."""
    return as_bytes(
        {
            "feature": table.feature,
            "limit": table.limit,
            "leaf": table.leaf,
            "start": np.array(table.start),
            "fixed_odds": table.log_odds(fixed.x).astype(np.float32),
            "small_odds": small.log_odds(fixed.x).astype(np.float32),
        }
    )


def main() -> None:
    """Write the table beside the code that reads it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--signs", type=int, default=1700)
    parser.add_argument("--exact", type=int, default=2400)
    parser.add_argument("--store", type=Path, help="keeps the signs' outlines for the next time")
    parser.add_argument("-o", type=Path, default=Path(raster2path.shape.__file__).with_name(FILE))
    args = parser.parse_args()
    parts = [*lessons(args.signs, args.store), *exact_lessons(args.exact)]
    lesson = together(parts)
    table = grow(lesson.x, lesson.y, lesson.weight, Plan())
    fixed = together(fixed_lessons())
    args.o.write_bytes(packed(table, fixed, grow(fixed.x, fixed.y, fixed.weight, SMALL_PLAN)))
    n_right = float(((table.log_odds(lesson.x) > 0) == lesson.y).mean())
    print(f"{len(parts)} signs, {len(lesson.y)} marks in rows, {n_right:.4f} of them fitted")


SMALL_PLAN = Plan(n_trees=12)

if __name__ == "__main__":
    main()
