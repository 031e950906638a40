"""Where a tie could stand: gaps between pieces of metal, the gentlest place first."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import cast

import cv2
import numpy as np
import numpy.typing as npt
import shapely

from raster2path.geometry import Complexes, Kind, Points, Segment, to_complex, to_points, unit
from raster2path.sign._alike import Mirror
from raster2path.sign._along import lengths_of, points_on
from raster2path.sign._surgery import Ring, meetings

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

MOST_SAMPLES = 16000
FAR_CORNERS = 100.0
"""The triangle round all samples is so many times as large: near corners would hide neighbours."""

CORNER_COS = math.cos(math.radians(25))
"""Where an edge turns by more than this, it has a corner; ties keep off corners."""

N_BEST, N_SPREAD = 8, 24
"""Places tried for a pair of pieces: the best ones, and some spread over all the others."""

NEARLY = 0.3
"""Sine of the lean that is taken out of ties of lettering."""

ANCHOR_MM, CHAIN_FACTOR = 120.0, 1.4
"""A tie between two pieces that are both smaller than this is so much worse."""

NEAR_AXIS_MM = 3.0
"""A place across a mirror axis is put exactly on it where it lies so near."""

FROM_BELOW = 1.25
"""How much worse it is to hold a letter's counter from below: in a row, all are held alike."""

NO_PAIRS = np.empty(0, np.int64), np.empty(0, np.int64)

STEEPEST = 0.35
"""Least cosine between a tie and the square to an edge that it stands on."""


@dataclass(frozen=True, slots=True, eq=False)
class Samples:
    """Places along all edges, every few millimetres.

    Attributes:
        at: where.
        outward: direction square to the edge, away from the metal.
        node: number of the piece of metal.
        corner_mm: distance along the edge to the nearest corner.
        kind: what the edge is.
        is_border: whether the edge is the border's.
    """

    at: Complexes
    outward: Complexes
    node: Ints
    corner_mm: Floats
    kind: Ints
    is_border: npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class Frames:
    """How each piece of metal stands: level, or as its line of text does.

    Attributes:
        boxes: (n, 4), x0, y0, x1, y1 of each piece on the sheet.
        level: direction of its line of text, length one.
        own: (n, 4), as boxes, on a sheet turned so that the line of text is level.
    """

    boxes: Points
    level: Complexes
    own: Points

    @staticmethod
    def of(pieces: Sequence[shapely.Geometry], levels: Sequence[complex]) -> Frames:
        """The frames of pieces, each with the direction of its line of text."""
        boxes = shapely.bounds(np.array(pieces, object)).reshape(-1, 4)
        own = boxes.copy()
        for k, level in enumerate(levels):
            if level != 1:
                turned = to_complex(shapely.get_coordinates(pieces[k])) * level.conjugate()
                own[k] = turned.real.min(), turned.imag.min(), turned.real.max(), turned.imag.max()
        return Frames(boxes, np.array(levels, np.complex128), own)

    def area(self) -> Floats:
        """Of each box on the sheet."""
        boxes = self.boxes
        return np.asarray((boxes[:, 2] - boxes[:, 0]) * (boxes[:, 3] - boxes[:, 1]))

    def smaller(self, a: Ints, b: Ints) -> tuple[Ints, Ints]:
        """Of pairs of pieces, the one with the smaller box, and the other."""
        is_first = self.area()[a] < self.area()[b]
        return np.where(is_first, a, b), np.where(is_first, b, a)


@dataclass(frozen=True, slots=True)
class Gap:
    """A place for a tie: from metal `a` across to metal `b`."""

    cost: float
    a: int
    b: int
    start: complex
    end: complex
    axis: complex

    @property
    def length_mm(self) -> float:
        """Distance of the two edges here."""
        return abs(self.end - self.start)

    @property
    def middle(self) -> complex:
        """Half way across."""
        return (self.start + self.end) / 2


def sample(rings: Mapping[int, Ring], node_of: Callable[[int], int]) -> Samples:
    """Places along the edges, each with its piece's number."""
    segments = [segment for ring in rings.values() for segment in ring.path.segments]
    counts = [len(ring.path.segments) for ring in rings.values()]
    lengths = lengths_of(segments)
    boxes = np.array([ring.box for ring in rings.values()])
    size = float((boxes[:, 2:].max(axis=0) - boxes[:, :2].min(axis=0)).max())
    step = max(min(2.0, size / 200), float(lengths.sum()) / MOST_SAMPLES)
    n = np.maximum(1, np.ceil(lengths / step)).astype(np.int64)
    which = np.repeat(np.arange(len(segments)), n)
    t = (np.arange(len(which)) - np.repeat(np.cumsum(n) - n, n) + 0.5) / n[which]
    near = 0.25 / n[which]
    ahead = points_on(segments, which, t + near) - points_on(segments, which, t - near)
    outward = -1j * ahead / np.maximum(np.abs(ahead), 1e-12)
    far, first = [], 0
    for ring, count in zip(rings.values(), counts, strict=True):
        own = slice(first, first + count)
        starts = np.concatenate([[0.0], np.cumsum(lengths[own])])
        low, high = np.searchsorted(which, (own.start, own.stop))
        along = starts[which[low:high] - first] + t[low:high] * lengths[which[low:high]]
        far.append(_far_from_corners(along, _corners(ring.path.segments, starts), starts[-1]))
        first += count
    node = np.repeat([node_of(key) for key in rings], counts)
    kind = np.array([int(segment.kind) for segment in segments])
    at = points_on(segments, which, t)
    is_border = np.repeat([ring.is_border for ring in rings.values()], counts)[which]
    return Samples(at, outward, node[which], np.concatenate(far), kind[which], is_border)


def _corners(segments: tuple[Segment, ...], starts: Floats) -> Floats:
    """Where along a ring the edge turns sharply."""
    leaving = np.array([segment.tangent(0.0) for segment in segments])
    coming = np.roll(np.array([segment.tangent(1.0) for segment in segments]), 1)
    return np.asarray(starts[:-1][(coming.conj() * leaving).real < CORNER_COS])


def _far_from_corners(along: Floats, corners: Floats, total: float) -> Floats:
    if not len(corners):
        return np.full(len(along), math.inf)
    wrapped = np.concatenate([corners - total, corners, corners + total])
    k = np.searchsorted(wrapped, along)
    k = np.clip(k, 1, len(wrapped) - 1)
    return np.asarray(np.minimum(np.abs(along - wrapped[k - 1]), np.abs(wrapped[k] - along)))


def neighbours(samples: Samples) -> tuple[Ints, Ints]:
    """Pairs of samples of different pieces with no other sample between them.

    They are edges of the Delaunay triangulation, which holds the shortest spanning tree.
    """
    if len(samples.at) < 4 or len(np.unique(samples.node)) < 2:
        return np.empty(0, np.int64), np.empty(0, np.int64)
    ends = _triangulated(samples.at)
    ends = ends[samples.node[ends[:, 0]] != samples.node[ends[:, 1]]]
    n = len(samples.at)
    key = np.unique(ends.min(axis=1) * n + ends.max(axis=1))
    return key // n, key % n


def _triangulated(at: Complexes) -> Ints:
    """Edges of the Delaunay triangulation, two indices each.

    Coordinates are rounded to 32 bits, some 0.0001 mm: then OpenCV's question on which side of a
    line a point lies is answered without any error. Of points that fall together one stands for
    all.
    """
    middle = (at.real.min() + at.real.max()) / 2 + 1j * (at.imag.min() + at.imag.max()) / 2
    points = to_points(at - middle).astype(np.float32)
    reach = math.ceil(FAR_CORNERS * np.abs(points).max()) + 1
    net = cv2.Subdiv2D((-reach, -reach, 2 * reach, 2 * reach))
    net.insert(cast("Sequence[Sequence[float]]", points))  # an array is read as one, faster
    ends = np.asarray(net.getEdgeList(), np.float32)
    known = _keys(points)
    order = np.argsort(known, kind="stable")
    asked = np.stack([_keys(ends[:, :2]), _keys(ends[:, 2:])], axis=1)
    found = order[np.searchsorted(known, asked, sorter=order).clip(0, len(order) - 1)]
    # what is not found is a corner of OpenCV's own triangle round everything
    return np.asarray(found[(known[found] == asked).all(axis=1)], np.int64)


def _keys(points: npt.NDArray[np.float32]) -> npt.NDArray[np.uint64]:
    """One number for each point; + 0 makes -0 and 0 the same."""
    return np.ascontiguousarray(points + np.float32(0)).view(np.uint64).ravel()


def gaps(
    samples: Samples, frames: Frames, *, tie_mm: float, on_axis: tuple[Ints, Ints] = NO_PAIRS
) -> list[Gap]:
    """Places for ties between neighbouring pieces, cheapest first.

    Args:
        samples: places along the edges.
        frames: how each piece stands.
        tie_mm: width of a tie.
        on_axis: further pairs of samples, those that face each other along a mirror axis; a
            tie there runs straight from one to the other.
    """
    near = neighbours(samples)
    i, j = (np.concatenate([near[k], on_axis[k]]) for k in (0, 1))
    is_extra = np.arange(len(i)) >= len(near[0])
    across = samples.at[j] - samples.at[i]
    length = np.abs(across)
    keep = length > 1e-6
    i, j, across, length, is_extra = i[keep], j[keep], across[keep], length[keep], is_extra[keep]
    small, large = frames.smaller(samples.node[i], samples.node[j])
    axis = _square_where_parallel(samples, i, j, across / length, frames.level[small])
    axis = np.where(is_extra, across / length, axis)
    cos_i = (axis.conj() * samples.outward[i]).real
    cos_j = -(axis.conj() * samples.outward[j]).real
    upright = (cos_i > STEEPEST) & (cos_j > STEEPEST)
    cost = (length + 1.0) * (1 + 1.5 * (2 - cos_i - cos_j))
    for end in (i, j):
        strict = samples.kind[end] != Kind.ORGANIC
        cost *= 1 + np.where(samples.corner_mm[end] < tie_mm / 2 + 1, 0.6 + 1.2 * strict, 0.0)
    cost *= _on_the_middle(samples, frames, (i, j), (small, large), axis)
    cost *= _on_small_metal(samples, frames.boxes, i, j)
    cost *= 1 + np.clip(length / (5 * tie_mm) - 1, 0, 1)  # a bar is worse than ties in a chain
    picked = np.flatnonzero(upright)
    few = _spread(samples.node[i[picked]], samples.node[j[picked]], cost[picked])
    picked = picked[np.union1d(few, np.flatnonzero(is_extra[picked]))]
    return [
        Gap(
            float(cost[k]),
            int(samples.node[i[k]]),
            int(samples.node[j[k]]),
            complex(samples.at[i[k]]),
            complex(samples.at[j[k]]),
            complex(axis[k]),
        )
        for k in picked[np.argsort(cost[picked], kind="stable")]
    ]


def _square_where_parallel(
    samples: Samples, i: Ints, j: Ints, direct: Complexes, level: Complexes
) -> Complexes:
    """Direction of each tie: square to both edges where they run alike, else straight across.

    In lettering, what is nearly upright or level to its line of text is made so: a leaning tie
    looks like a slip.
    """
    mean = samples.outward[i] - samples.outward[j]
    size = np.abs(mean)
    square = mean / np.maximum(size, 1e-12)
    is_alike = (size > 1.93) & ((square.conj() * direct).real > 0.85)
    axis = np.where(is_alike, square, direct)
    is_letter = (samples.kind[i] == Kind.LETTERING) | (samples.kind[j] == Kind.LETTERING)
    own = axis * level.conj()
    own = np.where(is_letter & (np.abs(own.real) < NEARLY), 1j * np.sign(own.imag), own)
    own = np.where(is_letter & (np.abs(own.imag) < NEARLY), np.sign(own.real), own)
    return np.asarray(np.where(is_letter, own * level, axis), np.complex128)


def _on_the_middle(
    samples: Samples,
    frames: Frames,
    ends: tuple[Ints, Ints],
    pieces: tuple[Ints, Ints],
    axis: Complexes,
) -> Floats:
    """How much worse a place is for being off the smaller piece's middle.

    A counter of lettering is held at top or bottom, in its middle (common practice, no source);
    letters side by side are held level: top, bottom and level as its line of text has them.
    Elsewhere an axis of the piece is the gentlest place, a little.
    """
    (i, j), (small, large) = ends, pieces
    level, box = frames.level[small].conj(), frames.own[small]
    middle, own = (samples.at[i] + samples.at[j]) / 2 * level, axis * level
    off_x = np.abs(middle.real - (box[:, 0] + box[:, 2]) / 2)
    off_y = np.abs(middle.imag - (box[:, 1] + box[:, 3]) / 2)
    off_x = np.clip(off_x / np.maximum(box[:, 2] - box[:, 0], 1e-6), 0, 1)
    off_y = np.clip(off_y / np.maximum(box[:, 3] - box[:, 1], 1e-6), 0, 1)
    inner, outer = frames.boxes[small], frames.boxes[large]
    is_within = np.all(inner[:, :2] > outer[:, :2], axis=1)
    is_within &= np.all(inner[:, 2:] < outer[:, 2:], axis=1)
    is_letter = (samples.kind[i] == Kind.LETTERING) | (samples.kind[j] == Kind.LETTERING)
    is_strict = np.minimum(samples.kind[i], samples.kind[j]) > 0
    upright, along = np.abs(own.imag), np.abs(own.real)
    factor = 1 + np.where(is_strict, 0.6, 0.25) * np.minimum(np.minimum(off_x, off_y), 0.5)
    is_below = (own.imag > 0) == (small == samples.node[i])
    held = (1 + 1.2 * (1 - upright) + off_x) * np.where(is_below, FROM_BELOW, 1.0)
    factor = np.where(is_letter & is_within, held, factor)
    beside = 1 + 8 * (1 - np.maximum(along, upright))
    return np.asarray(np.where(is_letter & ~is_within, beside, factor), np.float64)


def _on_small_metal(samples: Samples, boxes: Points, i: Ints, j: Ints) -> Floats:
    """How much worse a place is where both pieces are small: what holds should be held itself."""
    long_mm = np.maximum(boxes[:, 2] - boxes[:, 0], boxes[:, 3] - boxes[:, 1])
    larger = np.maximum(long_mm[samples.node[i]], long_mm[samples.node[j]])
    return np.where(larger < min(ANCHOR_MM, float(long_mm.max()) / 2), CHAIN_FACTOR, 1.0)


def _spread(a: Ints, b: Ints, cost: Floats) -> Ints:
    """The best few of each pair, and some spread over the rest."""
    pair = np.minimum(a, b) * (int(max(a.max(initial=0), b.max(initial=0))) + 1) + np.maximum(a, b)
    order = np.lexsort((cost, pair))
    _, first, count = np.unique(pair[order], return_index=True, return_counts=True)
    rank = np.arange(len(order)) - np.repeat(first, count)
    every = np.repeat(np.maximum(1, count // N_SPREAD), count)
    return np.asarray(order[(rank < N_BEST) | (rank % every == 0)])


def with_facing(
    samples: Samples, rings: Mapping[int, Ring], node_of: Callable[[int], int], mirror: Mirror
) -> tuple[Samples, tuple[Ints, Ints]]:
    """The samples, and further ones where edges cross a mirror axis; pairs that face each other.

    A tie on the axis is its own mirror image.
    """
    boxes = np.array([ring.box for ring in rings.values()])
    low, high = boxes[:, :2].min(axis=0), boxes[:, 2:].max(axis=0)
    middle = mirror.onto(complex(*(low + high)) / 2)
    met = meetings(dict(rings), middle, mirror.along, reach_mm=float(np.hypot(*(high - low))))
    if len(met) < 2:
        return samples, NO_PAIRS
    nodes = [node_of(m.ring) for m in met]
    kinds = [int(rings[m.ring].path.segments[m.index].kind) for m in met]
    at = np.array([m.point for m in met], np.complex128)
    tangent = [rings[m.ring].path.segments[m.index].tangent(m.t) for m in met]
    nearest = [int(np.argmin(np.abs(samples.at - z))) for z in at]
    n = len(samples.at)
    pairs = [
        (n + k, n + k + 1)
        for k in range(len(met) - 1)
        if met[k].sine < 0 < met[k + 1].sine and nodes[k] != nodes[k + 1]
    ]
    grown = Samples(
        np.concatenate([samples.at, at]),
        np.concatenate([samples.outward, -1j * np.array(tangent, np.complex128)]),
        np.concatenate([samples.node, nodes]),
        np.concatenate([samples.corner_mm, samples.corner_mm[nearest]]),
        np.concatenate([samples.kind, kinds]),
        np.concatenate([samples.is_border, np.zeros(len(met), bool)]),
    )
    ends = np.array(pairs, np.int64).reshape(-1, 2)
    return grown, (ends[:, 0], ends[:, 1])


def snapped(gap: Gap, mirror: Mirror) -> Gap:
    """A place that nearly lies across a mirror axis, put exactly there."""
    across = abs((gap.axis.conjugate() * mirror.along).real)
    if mirror.off(gap.middle) > NEAR_AXIS_MM or across > NEARLY:
        return gap
    axis = unit(gap.axis - mirror.along * (gap.axis.conjugate() * mirror.along).real)
    middle, half = mirror.onto(gap.middle), axis * gap.length_mm / 2
    return replace(gap, start=middle - half, end=middle + half, axis=axis)


def image_of(gap: Gap, mirror: Mirror) -> Gap | None:
    """The place's mirror image; None where a piece has none."""
    a, b = mirror.partner[gap.a], mirror.partner[gap.b]
    if a < 0 or b < 0:
        return None
    start, end = mirror.point(gap.start), mirror.point(gap.end)
    return replace(gap, a=a, b=b, start=start, end=end, axis=mirror.direction(gap.axis))


def swung(gap: Gap) -> tuple[complex, ...]:
    """Axes to try at a gap: as proposed, then straight from edge to edge."""
    direct = unit(gap.end - gap.start)
    return (gap.axis,) if abs(direct - gap.axis) < 0.02 else (gap.axis, direct)
