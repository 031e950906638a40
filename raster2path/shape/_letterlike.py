"""How much like lettering a mark looks in its row: numbers for the table in `_table.py`.

All are shares and ratios, so that size, place and turn of the drawing don't count.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from raster2path.geometry import Complexes
from raster2path.shape._marks import N_WAYS, Mark
from raster2path.shape._reader import Looks
from raster2path.shape._textrows import ON_LINE, Row, median

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

N_BINS = 36
"""Directions of straights are counted in so many bins of half a turn."""
TWIN_SHAPE = 0.045
"""Twins differ by less than this in every ratio of their shapes."""
TWIN_SIZE = 0.16

LEVELS = (np.arange(7) + 0.5) / 7
"""Where lines across a mark are laid, from one end to the other."""

OWN = (
    "straight_share", "n_straights", "longest_straight", "round", "solid", "slender", "stroke",
    "turning", "n_corners", "n_inside", "ink_share", "is_ruled", "is_circle", "is_stroke",
    "hull_long", "cuts_level", "most_level", "cuts_upright", "most_upright", "chord",
    "chord_off", "chord_upright", "chord_upright_off",
)  # fmt: skip
AROUND = (
    "of_largest", "depth", "parent_ruled", "parent_size", "near_other", "other_size", "crowd",
    "overlap", "n_twins",
)  # fmt: skip
IN_ROW = (
    "height", "foot", "top", "width", "square", "stem", "stroke_off", "gap_before", "gap_after",
    "at_end", "twins_here", "reads",
)  # fmt: skip
OF_ROW = (
    "n", "n_log", "on_foot", "on_top", "on_x", "feet_off", "tops_off", "heights_off", "aspect",
    "aspects_off", "gap", "gap_off", "gap_most", "stroke_row", "strokes_off", "square_row",
    "stem_row", "stem_off", "straight_row", "twin_row", "unlike", "inside_row", "corner_row",
    "turn_row", "long", "of_family", "is_arched", "bend", "slant", "size_row", "ruled_row",
    "solid_row", "round_row", "is_inside", "chord_row", "chords_off", "cuts_row",
    "reads_row", "reads_low", "reads_best",
)  # fmt: skip
NAMES = (*OWN, *AROUND, *IN_ROW, *OF_ROW)


def of_marks(
    marks: Sequence[Mark], is_border: Sequence[bool], twins: npt.NDArray[np.bool_]
) -> Floats:
    """What each mark is by itself and among the others: (n, len(OWN) + len(AROUND))."""
    return np.column_stack([_own(marks), _around(marks, is_border, twins)])


def _own(marks: Sequence[Mark]) -> Floats:
    rows = []
    for m in marks:
        size = max(m.size, 1e-9)
        wide = m.reach + np.roll(m.reach, N_WAYS // 2)
        rows.append(
            (
                m.straight_share,
                min(len(m.lengths), 20),
                float(m.lengths.max(initial=0)) / size,
                4 * math.pi * m.area / max(m.length, 1e-9) ** 2,
                m.area / max(m.hull_area, 1e-9),
                m.length / size,
                2 * m.ink / max(m.length, 1e-9) / size,
                min(m.turning, 20.0),
                min(m.n_corners, 40),
                min(m.n_inside, 6),
                m.ink / max(m.area, 1e-9),
                m.is_ruled,
                m.is_circle,
                bool(m.strokes),
                float(wide.min()) / size,
                *_cuts(m, 1.0, size),
            )
        )
    return np.array(rows, np.float64).reshape(len(marks), len(OWN))


def _cuts(mark: Mark, turn: complex, size: float) -> tuple[float, ...]:
    """What level and upright lines across a mark meet: a letter's strokes, alike in width.

    Returns:
        Of the level ones, then of the upright ones, how many stretches of ink they cross in the
        mean and at most; then of each how long those are, and how unlike.
    """
    counts: list[float] = []
    chords: list[float] = []
    for way in (turn, turn * 1j):
        a, b = mark.sides[0] / way, mark.sides[1] / way
        low, high = min(a.imag.min(), b.imag.min()), max(a.imag.max(), b.imag.max())
        levels = low + (high - low) * LEVELS
        side, level = np.nonzero((a.imag[:, None] > levels) != (b.imag[:, None] > levels))
        n = np.bincount(level, minlength=len(LEVELS)) / (1 if mark.strokes else 2)
        counts += [min(float(n.mean()), 8.0), min(float(n.max()), 12.0)]
        if mark.strokes or not len(side):
            chords += [0.0, 0.0]
            continue
        start, step = a[side], b[side] - a[side]
        x = start.real + step.real * (levels[level] - start.imag) / step.imag
        x = x[np.lexsort((x, level))]
        long = (x[1::2] - x[::2]) / size
        middle = median(long)
        chords += [middle, median(np.abs(long - middle)) / max(middle, 1e-9)]
    return (*counts, *chords)


def _around(
    marks: Sequence[Mark], is_border: Sequence[bool], twins: npt.NDArray[np.bool_]
) -> Floats:
    n = len(marks)
    size = np.array([m.size for m in marks])
    middle = np.array([m.middle for m in marks])
    family = np.array([-1 if m.parent is None else m.parent for m in marks])
    counts = ~np.array(is_border, np.bool_)
    kin = (family[:, None] == family[None, :]) & counts[None, :]
    apart = np.abs(middle[:, None] - middle[None, :]) - (size[:, None] + size[None, :]) / 2
    others = kin & ~np.eye(n, dtype=np.bool_)
    near = np.where(others, apart, np.inf)
    nearest = near.argmin(axis=1)
    boxes = np.array([_box(m) for m in marks])
    out = []
    for k, m in enumerate(marks):
        gap = float(near[k, nearest[k]]) if others[k].any() else np.inf
        parent = None if m.parent is None else marks[m.parent]
        out.append(
            (
                size[k] / size[kin[k]].max(initial=size[k]),
                min(m.depth, 4),
                parent is not None and parent.is_ruled,
                0.0 if parent is None else size[k] / parent.size,
                min(gap / size[k], 4.0),
                min(size[nearest[k]] / size[k], 6.0) if np.isfinite(gap) else 0.0,
                min(int((near[k] < 0.5 * size[k]).sum()), 12),
                _overlap(boxes, k, others[k]),
                min(int(twins[k].sum()), 12),
            )
        )
    return np.array(out, np.float64).reshape(n, len(AROUND))


def _box(mark: Mark) -> tuple[float, float, float, float]:
    hull = mark.hull
    return hull.real.min(), hull.imag.min(), hull.real.max(), hull.imag.max()


def _overlap(boxes: Floats, k: int, others: npt.NDArray[np.bool_]) -> float:
    """How much of a mark's box lies in the boxes of others, added up."""
    if not others.any():
        return 0.0
    low = np.maximum(boxes[others, :2], boxes[k, :2])
    high = np.minimum(boxes[others, 2:], boxes[k, 2:])
    shared = np.clip(high - low, 0, None).prod(axis=1).sum()
    own = float((boxes[k, 2:] - boxes[k, :2]).prod())
    return min(float(shared) / max(own, 1e-9), 3.0)


def twin_table(marks: Sequence[Mark]) -> npt.NDArray[np.bool_]:
    """Which marks are of the same shape and nearly the same size, turned or mirrored."""
    tell = []
    for m in marks:
        wide = np.sort(m.reach + np.roll(m.reach, N_WAYS // 2))
        size = max(wide[-1], 1e-9)
        tell.append(
            (
                m.length / size / 4,
                math.sqrt(m.area) / size,
                math.sqrt(max(m.hull_area, 0.0)) / size,
                wide[0] / size,
                wide[N_WAYS // 2] / size,
                m.ink / max(m.area, 1e-9),
                0.06 * m.n_inside,
            )
        )
    shape = np.array(tell).reshape(len(marks), 7)
    size = np.array([m.size for m in marks])
    slack = TWIN_SHAPE + 1.5 / np.minimum.outer(size, size)
    off = np.abs(shape[:, None, :] - shape[None, :, :]).max(axis=2)
    ratio = np.minimum.outer(size, size) / np.maximum.outer(size, size)
    alike = (off < slack) & (ratio > 1 - TWIN_SIZE)
    np.fill_diagonal(alike, val=False)
    return np.asarray(alike, np.bool_)


def of_row(
    marks: Sequence[Mark], row: Row, by_itself: Floats, twins: npt.NDArray[np.bool_], looks: Looks
) -> Floats:
    """All numbers of each mark in a row: (members, len(NAMES)).

    Args:
        marks: all of the drawing.
        row: some of them.
        by_itself: what `of_marks` tells of all marks.
        twins: what `twin_table` tells.
        looks: how much each looks like a letter.
    """
    members = list(row.members)
    reads = looks.of(row.members, row.directions)
    own = by_itself[members]
    own_column = dict(zip((*OWN, *AROUND), own.T, strict=True))
    high, height = row.heights, max(row.height, 1e-9)
    wide = (row.stops - row.starts) / height
    stroke = np.array([2 * marks[k].ink / max(marks[k].length, 1e-9) for k in members]) / height
    gaps = (row.starts[1:] - row.stops[:-1]) / height
    square, stem, row_stats = _directions(marks, row)
    among = twins[np.ix_(members, members)].sum(axis=1)
    n = len(members)
    mid_stroke = median(stroke)
    in_row = np.column_stack(
        [
            high / height,
            row.feet / height,
            row.tops / height,
            wide,
            square,
            stem,
            np.log(np.maximum(stroke, 1e-3) / max(mid_stroke, 1e-3)),
            np.concatenate([[2.0], np.clip(gaps, -1, 2)]),
            np.concatenate([np.clip(gaps, -1, 2), [2.0]]),
            np.isin(np.arange(n), (0, n - 1)),
            among / max(n - 1, 1),
            reads,
        ]
    )
    size = np.array([marks[k].size for k in members])
    chord = own_column["chord"] * size / height
    n_family = sum(m.parent == marks[members[0]].parent for m in marks)
    top = _common(row.tops / height)
    x_high = _common((row.tops / height)[np.abs(row.tops / height - top) > 2 * ON_LINE])
    length = float(row.stops.max() - row.starts.min()) / height
    turn = abs(float(np.angle(row.directions[-1] / row.directions[0])))
    of_row = (
        min(n, 20),
        math.log(n),
        float((np.abs(row.feet) <= ON_LINE * height).mean()),
        float((np.abs(row.tops / height - top) <= ON_LINE).mean()),
        float((np.abs(row.tops / height - x_high) <= ON_LINE).mean()),
        _spread(row.feet / height),
        _spread(row.tops / height),
        _spread(high / height),
        median(wide),
        _spread(wide),
        median(gaps) if n > 1 else 2.0,
        _spread(gaps) if n > 1 else 2.0,
        float(gaps.max(initial=-1)),
        mid_stroke,
        _spread(np.log(np.maximum(stroke, 1e-3))),
        *row_stats,
        float(np.mean(own_column["straight_share"])),
        float((among > 0).mean()),
        float(_n_shapes(twins[np.ix_(members, members)])) / n,
        float((own_column["n_inside"] > 0).mean()),
        float(np.mean(own_column["n_corners"])),
        float(np.mean(own_column["turning"])),
        min(length, 40.0),
        n / n_family,
        row.centre is not None,
        turn,
        abs(float(np.angle(row.directions[n // 2] ** 2))) / 2,
        median(own_column["of_largest"]),
        float(np.mean(own_column["is_ruled"])),
        float(np.mean(own_column["solid"])),
        float(np.mean(own_column["round"])),
        row.is_inside,
        median(chord),
        _spread(np.log(np.maximum(chord, 1e-3))),
        float(np.mean(own_column["cuts_level"])),
        float(reads.mean()),
        float(np.sort(reads)[n // 4]),
        float(reads.max()),
    )
    return np.column_stack([own, in_row, np.tile(np.array(of_row, np.float64), (n, 1))])


def of_lone_marks(
    marks: Sequence[Mark], family: Sequence[int], by_itself: Floats, looks: Looks
) -> Floats:
    """The same of marks that each stand alone, in one go: (marks, len(NAMES))."""
    k = list(family)
    own = by_itself[k]
    column = dict(zip((*OWN, *AROUND), own.T, strict=True))
    boxes = np.array([_box(marks[n]) for n in k])
    wide, high = np.maximum(boxes[:, 2:] - boxes[:, :2], 1e-9).T
    stroke = np.array([2 * marks[n].ink / max(marks[n].length, 1e-9) for n in k]) / high
    directions = [_directions_of(marks, (n,), np.ones(1, np.complex128)) for n in k]
    square = np.array([d[2][0] for d in directions])
    stem = np.array([d[2][1] for d in directions])
    lean = np.array([d[2][2] for d in directions])
    size = np.array([marks[n].size for n in k])
    one, zero = np.ones(len(k)), np.zeros(len(k))
    reads = looks.of(k, one.astype(np.complex128))
    in_row = [one, zero, one, wide / high, square, stem, zero, 2 * one, 2 * one, one, zero, reads]
    n_family = sum(m.parent == marks[k[0]].parent for m in marks)
    of_row = [
        *(one, zero, one, one, zero, zero, zero, zero, wide / high, zero),
        *(2 * one, 2 * one, -one, stroke, zero, square, stem, lean, column["straight_share"]),
        *(zero, one, column["n_inside"] > 0, column["n_corners"], column["turning"]),
        *(np.minimum(wide / high, 40.0), one / n_family, zero, zero, zero, column["of_largest"]),
        *(column["is_ruled"], column["solid"], column["round"], zero),
        *(column["chord"] * size / high, zero, column["cuts_level"]),
        *(reads, reads, reads),
    ]
    return np.column_stack([own, *in_row, *of_row])


def _spread(values: Floats) -> float:
    """Median distance from the median."""
    return median(np.abs(values - median(values)))


def _common(values: Floats) -> float:
    """The value that most of the others are near to; far off all where there are none."""
    if not len(values):
        return -9.0
    near = np.abs(values[:, None] - values[None, :]) <= ON_LINE
    return float(values[near[int(np.argmax(near.sum(axis=1)))]].mean())


def _n_shapes(twins: npt.NDArray[np.bool_]) -> int:
    """How many shapes there are, twins being one."""
    if not twins.any():
        return len(twins)
    left, n = set(range(len(twins))), 0
    while left:
        n += 1
        front = [left.pop()]
        while front:
            kin = left & set(np.flatnonzero(twins[front.pop()]).tolist())
            left -= kin
            front += kin
    return n


def _directions(
    marks: Sequence[Mark], row: Row
) -> tuple[Floats, Floats, tuple[float, float, float]]:
    return _directions_of(marks, row.members, row.directions)


def _directions_of(
    marks: Sequence[Mark], members: Sequence[int], along: Complexes
) -> tuple[Floats, Floats, tuple[float, float, float]]:
    """How the straights run against the row's line.

    Returns:
        Of each mark, the shares of its length that run along the line or square to it, and along
        the stems' common direction; of the row, both, and how far the stems lean.
    """
    n = len(members)
    owner = np.repeat(np.arange(n), [len(marks[k].angles) for k in members])
    angles = np.concatenate([marks[k].angles for k in members])
    lengths = np.concatenate([marks[k].lengths for k in members])
    length = np.array([max(marks[k].length, 1e-9) for k in members])
    off = (angles - np.angle(along)[owner]) % math.pi
    bins = np.floor(off / math.pi * N_BINS + 0.5).astype(int) % N_BINS
    count = np.bincount(owner * N_BINS + bins, lengths, n * N_BINS).reshape(n, N_BINS)
    quarter = off - (math.pi / 2) * np.round(off / (math.pi / 2))
    near = np.abs(quarter) < math.radians(3.5)
    square = np.bincount(owner[near], lengths[near], n) / length
    total = count.sum(axis=0)
    soft = total + 0.5 * (np.roll(total, 1) + np.roll(total, -1))
    across = np.arange(N_BINS)
    leans = np.abs(across - N_BINS // 2) <= N_BINS // 6  # within thirty degrees of upright
    stem = int(np.argmax(np.where(leans, soft, -1)))
    along_stem = count[:, [stem - 1, stem, (stem + 1) % N_BINS]].sum(axis=1) / length
    stats = (
        float((square * length).sum() / length.sum()),
        float((along_stem * length).sum() / length.sum()),
        abs(stem - N_BINS // 2) / N_BINS * 180.0,
    )
    return square, along_stem, stats
