"""Stage: which edges are lettering, which are ruled, and which flow.

A single outline says little: an O could be a pebble. The row says it: marks of like height that
stand on one straight line, close together, with straights along and square to that line. Lone
figures with straight sides, and circles, are ruled. Boxes drawn by the maker win over all that.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from raster2path.geometry import Kind, Points, bounds_of, to_complex
from raster2path.job import Corrections, LetteringMode, LetteringRules
from raster2path.model import Kinds, Note, NoteKind, Outlines, Ring, Stroke

Bools = npt.NDArray[np.bool_]
Floats = npt.NDArray[np.float64]

WHOLE_SHARE = 0.9
"""A ring with this much of it in the boxes is lettering as a whole, with the rest none at all."""
RULED_SHARE = 0.75
"""A lone figure with this much of its length in straights was drawn along a ruler."""
LIKE_HEIGHT = 0.45
"""Marks of a row: the lower at least this much of the higher one (x-height against ascender)."""
WORD_GAP = 1.3
"""Widest gap in a row, in heights: a word space and a narrow letter's own side space."""
ON_LINE = 0.05
"""How far, in heights, a foot may stand off the base line: round letters overshoot by 0.02."""
FEET_SHARE = 0.6
"""So many of a row's marks stand on its line; descenders and commas don't."""
SQUARE_SHARE = 0.22
"""So much of a row's length runs along its line or square to it; DejaVu's capitals have 0.5."""
SQUARE_DEG = 3.0
FOUND_MM = 25.0
"""A place said by hand means the edge nearest to it, no further off than this."""
LEAST_MARK_PX = 12.0
"""Marks lower than this can't be told from specks; they follow the row that they stand in."""


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


def tell_kinds(outlines: Outlines, *, rules: LetteringRules, work_from_upright: Points) -> Outlines:
    """The same outlines, each point of every ring and stroke with its kind.

    Args:
        outlines: rings and strokes; their kinds are not looked at.
        rules: boxes win; else all, none, or told by the rows that rings stand in.
        work_from_upright: (3, 3) homography from pixels of the upright original picture to
            pixels of the working one, (0, 0) the outer corner in both.
    """
    if rules.boxes_px:
        return _by_boxes(outlines, rules, work_from_upright)
    if rules.mode is LetteringMode.NONE:
        return _all(outlines, Kind.ORGANIC, Kind.ORGANIC)
    if rules.mode is LetteringMode.ALL:
        return _all(outlines, Kind.LETTERING, Kind.GEOMETRIC)
    return _by_rows(outlines)


def _of_kind(line: Ring | Stroke, kind: Kind) -> Kinds:
    return np.full(len(line.points_mm), int(kind), np.uint8)


def _all(outlines: Outlines, kind: Kind, border: Kind) -> Outlines:
    return replace(
        outlines,
        rings=tuple(
            r.with_kinds(_of_kind(r, border if r.is_border else kind)) for r in outlines.rings
        ),
        strokes=tuple(s.with_kinds(_of_kind(s, kind)) for s in outlines.strokes),
    )


# ------------------------------------------------------------------ boxes


def correct_kinds(
    outlines: Outlines, *, corrections: Corrections, work_from_upright: Points
) -> Outlines:
    """The same outlines, with kinds as said by hand: all in a box, then the edge at a place.

    A box or a place that finds nothing is told in a note, never dropped.
    """
    boxes = [(Kind.LETTERING, box) for box in corrections.lettering_boxes_px]
    boxes += [(Kind.ORGANIC, box) for box in corrections.organic_boxes_px]
    boxes += [(Kind.GEOMETRIC, box) for box in corrections.geometric_boxes_px]
    for kind, box in boxes:
        outlines = _corrected(outlines, kind, box, work_from_upright)
    places = [(Kind.LETTERING, place) for place in corrections.lettering_px]
    places += [(Kind.ORGANIC, place) for place in corrections.organic_px]
    places += [(Kind.GEOMETRIC, place) for place in corrections.geometric_px]
    for kind, place in places:
        outlines = _corrected_at(outlines, kind, place, work_from_upright)
    return outlines


def _corrected_at(
    outlines: Outlines, kind: Kind, place: tuple[float, float], homography: Points
) -> Outlines:
    """The edge nearest to a place made one kind from end to end."""
    at = outlines.placement.to_mm(_mapped(np.array([place]), homography))[0]
    lines: list[Ring | Stroke] = [*outlines.rings, *outlines.strokes]
    away = [float(np.hypot(*(line.points_mm - at).T).min()) for line in lines]
    if not away or min(away) > FOUND_MM:
        note = Note(
            NoteKind.SETTING,
            f"The {kind.token} place {place[0]:g}, {place[1]:g} of the corrections finds no edge.",
            complex(*at),
            remedy="move it, or take it out of job.toml",
        )
        return replace(outlines, notes=(*outlines.notes, note))
    meant = lines[int(np.argmin(away))]

    def kinds(line: Ring | Stroke) -> Kinds:
        return np.full(len(line.kinds), int(kind), np.uint8) if line is meant else line.kinds

    return _with_kinds(outlines, kinds)


def _corrected(
    outlines: Outlines, kind: Kind, box: tuple[float, float, float, float], homography: Points
) -> Outlines:
    quad = outlines.placement.to_mm(_mapped(_corners(box), homography))
    n_found = 0

    def kinds(line: Ring | Stroke) -> Kinds:
        nonlocal n_found
        inside = _inside_any(line, [quad])
        n_found += int(inside.sum())
        return np.where(inside, int(kind), line.kinds).astype(np.uint8)

    changed = _with_kinds(outlines, kinds)
    if n_found:
        return changed
    words = ", ".join(f"{part:g}" for part in box)
    note = Note(
        NoteKind.SETTING,
        f"The {kind.token} box {words} of the corrections finds no edge.",
        remedy="move it, or take it out of job.toml",
    )
    return replace(outlines, notes=(*outlines.notes, note))


def _by_boxes(outlines: Outlines, rules: LetteringRules, work_from_upright: Points) -> Outlines:
    quads = [
        outlines.placement.to_mm(_mapped(_corners(box), work_from_upright))
        for box in rules.boxes_px
    ]

    def kinds(line: Ring | Stroke) -> Kinds:
        inside = _inside_any(line, quads)
        return np.where(inside, int(Kind.LETTERING), int(Kind.ORGANIC)).astype(np.uint8)

    return _with_kinds(outlines, kinds)


def _with_kinds(outlines: Outlines, kinds: Callable[[Ring | Stroke], Kinds]) -> Outlines:
    return replace(
        outlines,
        rings=tuple(r.with_kinds(kinds(r)) for r in outlines.rings),
        strokes=tuple(s.with_kinds(kinds(s)) for s in outlines.strokes),
    )


def _inside_any(line: Ring | Stroke, quads: list[Points]) -> Bools:
    """Which points lie in one of the boxes; nearly all is all, hardly any is none."""
    inside = np.asarray(np.any([_is_inside(line.points_mm, quad) for quad in quads], axis=0))
    share = float(inside.mean())
    if share >= WHOLE_SHARE or share <= 1 - WHOLE_SHARE:
        return np.full(len(inside), share >= WHOLE_SHARE)
    return inside


def _corners(box: tuple[float, float, float, float]) -> Points:
    x, y, width, height = box
    return np.array([[x, y], [x + width, y], [x + width, y + height], [x, y + height]])


def _mapped(points: Points, homography: Points) -> Points:
    """Points (n, 2) under a 3x3 homography."""
    out = np.column_stack([points, np.ones(len(points))]) @ homography.T
    return np.asarray(out[:, :2] / out[:, 2:], np.float64)


def _is_inside(points: Points, quad: Points) -> Bools:
    """Which points lie in a convex quadrilateral, whichever way round it runs."""
    z, q = to_complex(points), to_complex(quad)
    along = np.roll(q, -1) - q
    side = (along.conj()[:, None] * (z[None, :] - q[:, None])).imag
    return np.asarray(np.all(side >= 0, axis=0) | np.all(side <= 0, axis=0), np.bool_)


# ------------------------------------------------------------------ rows


def _by_rows(outlines: Outlines) -> Outlines:
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
