"""The rule that stood before the table: straight feet, squares and likeness; to compare with."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from raster2path.geometry import Kind, Points, bounds_of, to_complex
from raster2path.model import Kinds, Outlines, Ring, Stroke

Bools = npt.NDArray[np.bool_]
Floats = npt.NDArray[np.float64]

RULED_SHARE = 0.75
LIKE_HEIGHT = 0.45
WORD_GAP = 1.3
ON_LINE = 0.05
FEET_SHARE = 0.6
SQUARE_SHARE = 0.22
SQUARE_DEG = 3.0
LEAST_MARK_PX = 12.0


@dataclass(frozen=True, slots=True)
class _Mark:
    """What is looked at in one ring.

    Attributes:
        box: x0, y0, x1, y1 in pixels.
        lengths, angles: of its straights, in pixels and in radians from 0 to pi.
        length: all round.
        parent: index of the ring just round it, or None.
    """

    box: tuple[float, float, float, float]
    lengths: Floats
    angles: Floats
    length: float
    area: float
    is_circle: bool
    parent: int | None

    @property
    def height(self) -> float:
        return self.box[3] - self.box[1]

    @property
    def width(self) -> float:
        return self.box[2] - self.box[0]

    @property
    def middle(self) -> complex:
        return complex(self.box[0] + self.box[2], self.box[1] + self.box[3]) / 2

    @property
    def straight_share(self) -> float:
        return float(self.lengths.sum()) / max(self.length, 1e-9)

    @property
    def is_ruled(self) -> bool:
        return self.is_circle or (len(self.lengths) >= 3 and self.straight_share >= RULED_SHARE)


def _of_kind(line: Ring | Stroke, kind: Kind) -> Kinds:
    return np.full(len(line.points_mm), int(kind), np.uint8)


# ------------------------------------------------------------------ rows


def tell_by_rule(outlines: Outlines) -> Outlines:
    marks = _marks(outlines)
    kinds = [Kind.GEOMETRIC if mark.is_ruled else Kind.ORGANIC for mark in marks]
    lettered: set[int] = set()
    families: dict[int | None, list[int]] = {}
    for k, mark in enumerate(marks):
        if not outlines.rings[k].is_border:
            families.setdefault(mark.parent, []).append(k)
    for family in families.values():
        for row in _rows(marks, family):
            if (line := _base_line(marks, row)) is not None:
                lettered |= set(row) | _companions(marks, family, row, line)
    # a counter is read with its letter; parents come first, so that its own islands follow
    for k in sorted(range(len(marks)), key=lambda k: _depth(marks, k)):
        if k in lettered or (marks[k].parent in lettered and not outlines.rings[k].is_border):
            lettered.add(k)
            kinds[k] = Kind.LETTERING
    scale = outlines.placement.mm_per_px
    return replace(
        outlines,
        rings=tuple(
            r.with_kinds(_of_kind(r, kind)) for r, kind in zip(outlines.rings, kinds, strict=True)
        ),
        strokes=tuple(s.with_kinds(_of_kind(s, _stroke_kind(s, scale))) for s in outlines.strokes),
    )


def _depth(marks: list[_Mark], k: int) -> int:
    depth, parent = 0, marks[k].parent
    while parent is not None:
        depth, parent = depth + 1, marks[parent].parent
    return depth


def _stroke_kind(stroke: Stroke, scale: float) -> Kind:
    """Ruled where nearly all of a stroke's length is straight."""
    lengths, _, length = _straights(
        stroke.points_mm / scale, stroke.noise_mm / scale, is_closed=stroke.is_closed
    )
    return Kind.GEOMETRIC if lengths.sum() >= 0.9 * length else Kind.ORGANIC


def _marks(outlines: Outlines) -> list[_Mark]:
    import shapely

    scale = outlines.placement.mm_per_px
    rings = [ring.points_mm / scale for ring in outlines.rings]
    if not rings:
        return []
    areas = np.array([shapely.Polygon(points) for points in rings])
    sizes = shapely.area(areas)
    inner, outer = shapely.STRtree(areas).query(shapely.points([p[0] for p in rings]), "within")
    parents: list[int | None] = [None] * len(rings)
    for k, around in zip(inner.tolist(), outer.tolist(), strict=True):
        best = parents[k]
        if (
            around != k
            and sizes[around] > sizes[k]
            and (best is None or sizes[around] < sizes[best])
        ):
            parents[k] = around
    out = []
    for ring, points, parent, area in zip(outlines.rings, rings, parents, sizes, strict=True):
        noise = ring.noise_mm / scale
        lengths, angles, length = _straights(points, noise, is_closed=True)
        out.append(
            _Mark(
                bounds_of(points),
                lengths,
                angles,
                length,
                float(area),
                _is_circle(points, noise),
                parent,
            )
        )
    return out


def _straights(points: Points, noise: float, *, is_closed: bool) -> tuple[Floats, Floats, float]:
    """Lengths and angles of the straight stretches, and the length of the whole.

    A polygon within the noise (Ramer 1972; Douglas and Peucker 1973); its sides count where they
    are longer than those that it would lay on a circle as large as the outline.
    """
    import shapely

    ends = np.vstack([points, points[:1]]) if is_closed else points
    if is_closed:
        # start at a corner of the outline's hull, so that no straight is split by the seam
        far = int(np.argmax(((points - points.mean(axis=0)) ** 2).sum(axis=1)))
        ends = np.vstack([np.roll(points, -far, axis=0), points[far]])
    within = max(0.6, 3 * noise)
    corners = to_complex(shapely.get_coordinates(shapely.LineString(ends).simplify(within)))
    sides = np.diff(corners)
    size = math.dist(ends.min(axis=0), ends.max(axis=0))
    least = max(6.0, 0.1 * size, 2.5 * math.sqrt(size * within))
    long = sides[np.abs(sides) >= min(least, 0.6 * size)]
    whole = float(np.abs(np.diff(to_complex(ends))).sum())
    return np.abs(long), np.angle(long) % math.pi, min(whole, float(np.abs(sides).sum()) * 1.05)


def _is_circle(points: Points, noise: float) -> bool:
    """True where all points are equally far from their middle, within the noise."""
    z = to_complex(points)
    away = np.abs(z - z.mean())
    radius = float(away.mean())
    within = max(4 * noise, 0.5) + 0.004 * radius
    return radius > LEAST_MARK_PX / 2 and bool(np.all(np.abs(away - radius) < within))


def _rows(marks: list[_Mark], family: list[int]) -> list[list[int]]:
    """Sets of two marks or more of like height that follow each other closely, left to right."""
    tall = [k for k in family if marks[k].height >= LEAST_MARK_PX]
    leader = {k: k for k in tall}

    def root(k: int) -> int:
        while leader[k] != k:
            k = leader[k]
        return k

    for a in tall:
        for b in tall:
            if a < b and _is_beside(marks[a], marks[b]):
                leader[root(b)] = root(a)
    rows: dict[int, list[int]] = {}
    for k in tall:
        rows.setdefault(root(k), []).append(k)
    return [sorted(r, key=lambda k: marks[k].box[0]) for r in rows.values() if len(r) >= 2]


def _is_beside(a: _Mark, b: _Mark) -> bool:
    """True where two marks could be neighbours in a word."""
    if a.box[0] > b.box[0]:
        a, b = b, a
    high = max(a.height, b.height)
    low = min(a.height, b.height)
    gap = b.box[0] - a.box[2]
    shared = min(a.box[3], b.box[3]) - max(a.box[1], b.box[1])
    return low >= LIKE_HEIGHT * high and shared >= 0.5 * low and -0.25 * low < gap < WORD_GAP * high


def _base_line(marks: list[_Mark], row: list[int]) -> tuple[float, float, float] | None:
    """Slope, foot at x = 0 and height of a row that reads as lettering; None for any other."""
    x = np.array([marks[k].middle.real for k in row])
    feet = np.array([marks[k].box[3] for k in row])
    heights = np.array([marks[k].height for k in row])
    height = float(np.median(heights))
    slope = _slope(x, feet, height)
    foot = _most_common(feet - slope * x, ON_LINE * height)
    on_line = np.abs(feet - slope * x - foot) <= ON_LINE * height
    if on_line.sum() < max(2, FEET_SHARE * len(row)) or _is_repeated(marks, row):
        return None
    square = _square_share(marks, row, math.atan(slope))
    needed = SQUARE_SHARE * (1.5 if len(row) == 2 else 1.0)
    alone = all(marks[k].is_ruled and len(marks[k].lengths) <= 5 for k in row)
    if square < needed or alone:
        return None
    return slope, foot, float(heights.max())


def _slope(x: Floats, feet: Floats, height: float) -> float:
    """Slope of the line on which most feet stand (every pair asked, as in Theil 1950)."""
    a, b = np.triu_indices(len(x), 1)
    run = x[b] - x[a]
    slopes = np.concatenate([[0.0], (feet[b] - feet[a])[run > 0] / run[run > 0]])
    slopes = slopes[np.abs(slopes) < 0.35]
    off = feet[None, :] - slopes[:, None] * x[None, :]
    off = np.abs(off - np.median(off, axis=1, keepdims=True))
    # level unless another slope has clearly more of them
    votes = (off <= 0.5 * ON_LINE * height).sum(axis=1) - 0.01 * np.abs(slopes)
    best = int(np.argmax(votes))
    return float(slopes[best]) if votes[best] > votes[0] + max(1.0, 0.2 * len(x)) else 0.0


def _most_common(values: Floats, within: float) -> float:
    """The value that most of the others are near to, as the mean of those."""
    near = np.abs(values[:, None] - values[None, :]) <= within
    best = int(np.argmax(near.sum(axis=1)))
    return float(values[near[best]].mean())


def _is_repeated(marks: list[_Mark], row: list[int]) -> bool:
    """True for three or more of the same figure: a fence, a row of windows, teeth."""
    if len(row) < 3:
        return False
    tell = np.array(
        [(marks[k].width, marks[k].height, marks[k].length / 3, marks[k].area ** 0.5) for k in row]
    )
    return bool(np.all(np.ptp(tell, axis=0) <= 0.05 * tell.mean(axis=0) + 1.0))


def _square_share(marks: list[_Mark], row: list[int], angle: float) -> float:
    """How much of a row's whole length runs along its line or square to it."""
    lengths = np.concatenate([marks[k].lengths for k in row])
    off = np.concatenate([marks[k].angles for k in row]) - angle
    off -= (math.pi / 2) * np.round(off / (math.pi / 2))
    square = float(lengths[np.abs(off) < math.radians(SQUARE_DEG)].sum())
    return square / max(sum(marks[k].length for k in row), 1e-9)


def _companions(
    marks: list[_Mark], family: list[int], row: list[int], line: tuple[float, float, float]
) -> set[int]:
    """Dots, accents, hyphens and commas that stand in a row, near its letters."""
    slope, foot, height = line
    left, right = marks[row[0]].box[0], max(marks[k].box[2] for k in row)
    out = set()
    for k in family:
        mark = marks[k]
        up = (foot + slope * mark.middle.real - mark.middle.imag) / height
        beside = left - 0.6 * height < mark.middle.real < right + 0.6 * height
        if beside and -0.35 < up < 1.35 and mark.height < 1.5 * height and mark.width < 3 * height:
            out.add(k)
    return out
