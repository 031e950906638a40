"""What is looked at in drawn outlines: marks, each a letter or a part of a drawing, with its shape.

A mark is a ring with all that lies in it, or a set of strokes that hang together.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from raster2path.geometry import Complexes, Points, to_complex
from raster2path.model import Outlines, Stroke

if TYPE_CHECKING:
    import shapely

Bools = npt.NDArray[np.bool_]
Floats = npt.NDArray[np.float64]

RULED_SHARE = 0.75
"""A lone figure with this much of its length in straights was drawn along a ruler."""
SURELY_RULED_SHARE = 0.9
SQUARE_SHARE, SQUARE_RAD = 0.7, math.radians(3.0)
LEAST_MARK_PX = 12.0
"""Marks lower than this can't be told from specks; they follow the row that they stand in."""
N_WAYS = 32
"""Directions in which a mark's reach is known."""
WAYS = np.exp(2j * np.pi * np.arange(N_WAYS) / N_WAYS)
CORNER_RAD = math.radians(40)
SCRAP_SHARE, SCRAP_SIZE = 1.6, 0.25
"""Strokes that hang on a ring are a part of it, as the legs of an A, where they are so short, of
the ring's length, and not all too small for it: a word may touch a frame."""
TOUCH_PENS = 1.0
"""Strokes that come so near each other, in widths of the pen, hang together: their ink touches."""
MOST_POINTS = 800
"""Of longer lines every second point is looked at, or fewer."""


@dataclass(frozen=True, slots=True, eq=False)
class Mark:
    """One ring, or strokes that hang together, in pixels of the working picture.

    Attributes:
        rings, strokes: indices in `Outlines`; one ring, or one stroke and more.
        scraps, tails: indices of strokes that hang on the ring, and are what it is; their lines.
        hull: corners of the convex hull.
        reach: how far the hull goes from `middle` in each of `WAYS`.
        size: the longest extent.
        lengths, angles: of its straights, in pixels and in radians from 0 to pi.
        length: of all its lines.
        area: inside the ring; of strokes, what their ink covers.
        ink: the same without what is cut out of it again.
        turning: how far its lines turn in all, in full turns.
        n_inside: rings just inside it; loops of strokes.
        drawn: its lines as polygons within the noise, counters too; closed ones end at the start.
        parent: index of the mark just round it, or None.
    """

    rings: tuple[int, ...]
    strokes: tuple[int, ...]
    hull: Complexes
    middle: complex
    reach: Floats
    size: float
    lengths: Floats
    angles: Floats
    length: float
    area: float
    ink: float
    hull_area: float
    turning: float
    n_corners: int
    n_inside: int
    is_circle: bool
    noise: float
    parent: int | None
    depth: int
    drawn: tuple[Complexes, ...]
    scraps: tuple[int, ...] = ()
    tails: tuple[Complexes, ...] = ()

    @property
    def sides(self) -> tuple[Complexes, Complexes]:
        """Starts and ends of the straight pieces that it is drawn with here."""
        return (
            np.concatenate([z[:-1] for z in self.drawn]),
            np.concatenate([z[1:] for z in self.drawn]),
        )

    @property
    def straight_share(self) -> float:
        """How much of its length lies in straights."""
        return float(self.lengths.sum()) / max(self.length, 1e-9)

    @property
    def is_ruled(self) -> bool:
        """True where it may be drawn along a ruler, or with compasses."""
        return self.is_circle or (len(self.lengths) >= 3 and self.straight_share >= RULED_SHARE)

    @property
    def is_surely_ruled(self) -> bool:
        """True where it is a circle, or hardly anything is round, or its straights are square."""
        if not self.is_ruled or self.is_circle:
            return self.is_circle
        return self.straight_share >= SURELY_RULED_SHARE or self._square_share >= SQUARE_SHARE

    @property
    def _square_share(self) -> float:
        """How much of the straights' length runs along the longest of them, or square to it."""
        off = self.angles - self.angles[int(np.argmax(self.lengths))]
        off -= (math.pi / 2) * np.round(off / (math.pi / 2))
        square = self.lengths[np.abs(off) < SQUARE_RAD]
        return float(square.sum() / self.lengths.sum())


@dataclass(frozen=True, slots=True, eq=False)
class _Lines:
    """What is told of one line alone."""

    lengths: Floats
    angles: Floats
    length: float
    turning: float
    n_corners: int
    hull: Complexes
    hull_area: float
    corners: Complexes


def find_marks(outlines: Outlines) -> list[Mark]:
    """All marks; those of rings first, in the rings' order, then those of strokes."""
    import shapely

    scale = outlines.placement.mm_per_px
    rings = [outlines.placement.to_px(ring.points_mm) for ring in outlines.rings]
    areas = np.array([shapely.Polygon(points) for points in rings])
    sizes = shapely.area(areas) if rings else np.empty(0)
    parents = _parents(rings, areas, sizes)
    inside = [[k for k, p in enumerate(parents) if p == n] for n in range(len(rings))]
    noises = [ring.noise_mm / scale for ring in outlines.rings]
    looked = [_looked_at(p, n, is_closed=True) for p, n in zip(rings, noises, strict=True)]
    out: list[Mark] = []
    for k, (points, noise, own) in enumerate(zip(rings, noises, looked, strict=True)):
        area = float(sizes[k])
        out.append(
            _mark(
                (own,),
                inner=[looked[n] for n in inside[k]],
                rings=(k,),
                area=area,
                ink=area - float(sum(sizes[n] for n in inside[k])),
                n_inside=len(inside[k]),
                is_circle=is_circle(points, noise),
                noise=noise,
                parent=parents[k],
                depth=_depth(parents, k),
            )
        )
    families = _hanging_together(outlines)
    scraps = _scraps(outlines, out, families)
    whole = [family for k, family in enumerate(families) if k not in scraps]
    for n in set(scraps.values()):
        out[n] = _with_scraps(
            out[n], [k for s in scraps if scraps[s] == n for k in families[s]], outlines
        )
    return out + _of_strokes(outlines, whole, areas, sizes, parents)


def _depth(parents: Sequence[int | None], k: int) -> int:
    depth, parent = 0, parents[k]
    while parent is not None:
        depth, parent = depth + 1, parents[parent]
    return depth


def _parents(
    rings: list[Points], areas: npt.NDArray[np.object_], sizes: Floats
) -> list[int | None]:
    import shapely

    parents: list[int | None] = [None] * len(rings)
    if not rings:
        return parents
    inner, outer = shapely.STRtree(areas).query(shapely.points([p[0] for p in rings]), "within")
    for k, around in zip(inner.tolist(), outer.tolist(), strict=True):
        best = parents[k]
        if (
            around != k
            and sizes[around] > sizes[k]
            and (best is None or sizes[around] < sizes[best])
        ):
            parents[k] = around
    return parents


def _hanging_together(outlines: Outlines) -> list[list[int]]:
    """Strokes that share an end, set by set."""
    nodes: dict[tuple[float, float], int] = {}
    leader: list[int] = []
    firsts: list[int] = []

    def root(k: int) -> int:
        while leader[k] != k:
            k = leader[k]
        return k

    for stroke in outlines.strokes:
        pair = []
        for x, y in (stroke.points_mm[0], stroke.points_mm[0 if stroke.is_closed else -1]):
            node = nodes.setdefault((round(float(x), 6), round(float(y), 6)), len(leader))
            if node == len(leader):
                leader.append(node)
            pair.append(node)
        firsts.append(pair[0])
        leader[root(pair[1])] = root(pair[0])
    for a, b in _touching(outlines.strokes):
        leader[root(firsts[b])] = root(firsts[a])
    families: dict[int, list[int]] = {}
    for k, first in enumerate(firsts):
        families.setdefault(root(first), []).append(k)
    return list(families.values())


def _touching(strokes: Sequence[Stroke]) -> list[tuple[int, int]]:
    """Strokes one of which ends on another, or nearly, or crosses it: the bar of a t."""
    if len(strokes) < 2:
        return []
    import shapely

    lines = np.array([_line_of(stroke) for stroke in strokes])
    reach = [TOUCH_PENS * stroke.width_mm for stroke in strokes]
    one, other = shapely.STRtree(lines).query(lines, predicate="dwithin", distance=reach)
    return [(a, b) for a, b in zip(one.tolist(), other.tolist(), strict=True) if a != b]


def _line_of(stroke: Stroke) -> shapely.LineString:
    import shapely

    points = stroke.points_mm
    return shapely.LineString(np.vstack([points, points[:1]]) if stroke.is_closed else points)


def _with_scraps(mark: Mark, scraps: list[int], outlines: Outlines) -> Mark:
    """The mark with strokes that hang on it: they are seen as a part of it."""
    lines = [to_complex(outlines.placement.to_px(outlines.strokes[k].points_mm)) for k in scraps]
    hull, hull_area = _hull(np.concatenate([mark.hull, *lines]))
    middle, reach, size = _extent(hull)
    return replace(
        mark,
        scraps=tuple(scraps),
        hull=hull,
        hull_area=hull_area,
        middle=middle,
        reach=reach,
        size=size,
        length=mark.length + sum(float(np.abs(np.diff(z)).sum()) for z in lines),
        tails=tuple(z[:: max(1, len(z) // 24)] for z in lines),
    )


def _extent(hull: Complexes) -> tuple[complex, Floats, float]:
    """Middle, reach and size of a hull."""
    middle = complex(
        (hull.real.min() + hull.real.max()) / 2, (hull.imag.min() + hull.imag.max()) / 2
    )
    reach = ((hull - middle)[:, None] * WAYS.conj()[None, :]).real.max(axis=0)
    return middle, reach, float((reach + np.roll(reach, N_WAYS // 2)).max())


def _scraps(outlines: Outlines, marks: list[Mark], families: list[list[int]]) -> dict[int, int]:
    """Sets of short strokes that hang on a ring: which set on which ring."""
    if not (families and marks):
        return {}
    from scipy.spatial import cKDTree

    tree = cKDTree(np.concatenate([ring.points_mm for ring in outlines.rings]))
    owner = np.repeat(np.arange(len(marks)), [len(ring.points_mm) for ring in outlines.rings])
    scale = outlines.placement.mm_per_px
    out = {}
    for k, family in enumerate(families):
        strokes = [outlines.strokes[n] for n in family]
        loose = [s.points_mm[[0, -1]] for s in strokes if not s.is_closed]
        if not loose:
            continue
        ends = np.concatenate(loose)
        near = max(s.width_mm for s in strokes)
        away, at = tree.query(ends)
        best = int(np.argmin(away))
        length = sum(float(np.hypot(*np.diff(s.points_mm, axis=0).T).sum()) for s in strokes)
        ring = int(owner[at[best]])
        size = float(np.ptp(np.concatenate([s.points_mm for s in strokes]), axis=0).max())
        is_part = length <= SCRAP_SHARE * marks[ring].length * scale
        if away[best] <= near and is_part and size >= SCRAP_SIZE * marks[ring].size * scale:
            out[k] = ring
    return out


def _of_strokes(
    outlines: Outlines,
    families: list[list[int]],
    areas: npt.NDArray[np.object_],
    sizes: Floats,
    parents: list[int | None],
) -> list[Mark]:
    """Strokes that hang together, each set a mark."""
    import shapely

    scale, to_px = outlines.placement.mm_per_px, outlines.placement.to_px
    out = []
    for family in families:
        strokes = [outlines.strokes[k] for k in family]
        looked = tuple(
            _looked_at(to_px(s.points_mm), s.noise_mm / scale, is_closed=s.is_closed)
            for s in strokes
        )
        ink = sum(p.length * s.width_mm / scale for p, s in zip(looked, strokes, strict=True))
        around = None
        if len(areas):
            spot = shapely.Point(to_px(strokes[0].points_mm[:1])[0])
            holders = [k for k in range(len(areas)) if areas[k].contains(spot)]
            around = min(holders, key=lambda k: sizes[k]) if holders else None
        n_nodes = _n_nodes([s for s in strokes if not s.is_closed])
        out.append(
            _mark(
                looked,
                strokes=tuple(family),
                area=ink,
                ink=ink,
                n_inside=len(family) - n_nodes + 1 if n_nodes else 1,
                noise=float(np.median([s.noise_mm / scale for s in strokes])),
                parent=around,
                depth=0 if around is None else 1 + _depth(parents, around),
            )
        )
    return out


def _n_nodes(strokes: list[Stroke]) -> int:
    """How many places those strokes end at."""
    ends = [s.points_mm[k].round(6) for s in strokes for k in (0, -1)]
    return len({(float(x), float(y)) for x, y in ends})


def _mark(
    looked: Sequence[_Lines],
    *,
    inner: Sequence[_Lines] = (),
    rings: tuple[int, ...] = (),
    strokes: tuple[int, ...] = (),
    area: float,
    ink: float,
    n_inside: int,
    noise: float,
    parent: int | None,
    depth: int,
    is_circle: bool = False,
) -> Mark:
    hull, hull_area = looked[0].hull, looked[0].hull_area
    if len(looked) > 1:
        hull, hull_area = _hull(np.concatenate([p.hull for p in looked]))
    middle, reach, size = _extent(hull)
    return Mark(
        rings,
        strokes,
        hull,
        middle,
        reach,
        size,
        np.concatenate([p.lengths for p in looked]),
        np.concatenate([p.angles for p in looked]),
        sum(p.length for p in looked),
        area,
        ink,
        hull_area,
        sum(p.turning for p in looked),
        sum(p.n_corners for p in looked),
        n_inside,
        is_circle,
        noise,
        parent,
        depth,
        tuple(p.corners for p in (*looked, *inner)),
    )


def _hull(z: Complexes) -> tuple[Complexes, float]:
    import cv2

    points = np.column_stack([z.real, z.imag]).astype(np.float32)
    hull = cv2.convexHull(points)[:, 0, :].astype(np.float64)
    return to_complex(hull), float(cv2.contourArea(hull.astype(np.float32)))


def _looked_at(points: Points, noise: float, *, is_closed: bool) -> _Lines:
    corners, whole, size, within = _corners(points, noise, is_closed=is_closed)
    sides = np.diff(corners)
    lengths, angles, length = _long_ones(sides, whole, size, within)
    moved = sides[np.abs(sides) > 0]
    turn = np.angle(np.roll(moved, -1) / moved) if is_closed else np.angle(moved[1:] / moved[:-1])
    away = np.abs(turn)
    hull, hull_area = _hull(to_complex(points))
    n_corners = int((away > CORNER_RAD).sum())
    turning = float(away.sum()) / (2 * math.pi)
    return _Lines(lengths, angles, length, turning, n_corners, hull, hull_area, corners)


def straights(points: Points, noise: float, *, is_closed: bool) -> tuple[Floats, Floats, float]:
    """Lengths and angles of the straight stretches, and the length of the whole."""
    corners, whole, size, within = _corners(points, noise, is_closed=is_closed)
    return _long_ones(np.diff(corners), whole, size, within)


def _corners(
    points: Points, noise: float, *, is_closed: bool
) -> tuple[Complexes, float, float, float]:
    """Corners of a polygon within the noise, the line's length and size, and that tolerance.

    Ramer 1972; Douglas and Peucker 1973. Closed ones end where they start.
    """
    import shapely

    whole = float(np.abs(np.diff(to_complex(points))).sum())
    if len(points) > MOST_POINTS:
        thin = points[:: -(-len(points) // MOST_POINTS)]
        points = thin if is_closed else np.vstack([thin, points[-1:]])
    ends = np.vstack([points, points[:1]]) if is_closed else points
    if is_closed:
        # start at a corner of the outline's hull, so that no straight is split by the seam
        far = int(np.argmax(((points - points.mean(axis=0)) ** 2).sum(axis=1)))
        ends = np.vstack([np.roll(points, -far, axis=0), points[far]])
    within = max(0.6, 3 * noise)
    line = shapely.simplify(shapely.linestrings(ends), within, preserve_topology=False)
    corners = to_complex(shapely.get_coordinates(line))
    size = math.dist(ends.min(axis=0), ends.max(axis=0))
    return corners, whole, size, within


def _long_ones(
    sides: Complexes, whole: float, size: float, within: float
) -> tuple[Floats, Floats, float]:
    """Sides that are longer than those that a polygon would lay on a circle of this size."""
    least = max(6.0, 0.1 * size, 2.5 * math.sqrt(size * within))
    long = sides[np.abs(sides) >= min(least, 0.6 * size)]
    length = min(whole, float(np.abs(sides).sum()) * 1.05)
    return np.abs(long), np.angle(long) % math.pi, length


def is_circle(points: Points, noise: float) -> bool:
    """True where all points are equally far from their middle, within the noise."""
    z = to_complex(points)
    away = np.abs(z - z.mean())
    radius = float(away.mean())
    within = max(4 * noise, 0.5) + 0.004 * radius
    return radius > LEAST_MARK_PX / 2 and bool(np.all(np.abs(away - radius) < within))
