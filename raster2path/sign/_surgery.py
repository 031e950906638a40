"""Surgery on fitted edges: lay a strip of metal over them and keep every segment it misses.

Planar booleans on polygons would lose lines, arcs and cubics. Here the edges are split exactly
where the strip's sides meet them, what lies under the strip is left out, and the strip's sides
join the ends as straight lines.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from raster2path.geometry import (
    Arc,
    Cubic,
    Kind,
    Line,
    Path,
    Place,
    Segment,
    cross,
    dot,
    unit,
)
from raster2path.sign._meetings import meetings_with

Box = tuple[float, float, float, float]
Boxes = npt.NDArray[np.float64]

TOUCH = 1e-6
"""A side that meets a segment this near one of its ends (as a share of it) decides nothing."""

LEAST_PIECE_MM = 1.0
"""A straight piece shorter than this looks like a slip of the hand."""


SMOOTH_COS = math.cos(math.radians(8))


@dataclass(frozen=True, slots=True, eq=False)
class Ring:
    """One closed edge of the metal, metal to the right of travel, with boxes for quick questions.

    Attributes:
        boxes: (n, 4), x0, y0, x1, y1 round each segment.
        box: the same round all.
        origins: indices in `Art.edges` of the edges that it was made from.
    """

    path: Path
    boxes: Boxes
    box: Box
    origins: frozenset[int]
    is_border: bool

    @staticmethod
    def of(
        path: Path,
        origins: frozenset[int],
        *,
        is_border: bool = False,
        boxes: Boxes | None = None,
    ) -> Ring:
        """The ring of a closed path; boxes round its segments are made where none are given."""
        if boxes is None:
            boxes = np.array([_box_of(segment) for segment in path.segments])
        (x0, y0), (x1, y1) = boxes[:, :2].min(axis=0), boxes[:, 2:].max(axis=0)
        return Ring(path, boxes, (float(x0), float(y0), float(x1), float(y1)), origins, is_border)


@dataclass(frozen=True, slots=True)
class Meeting:
    """Where a ring meets a line, `s` along the line; `sine` > 0 where the line enters metal."""

    ring: int
    index: int
    t: float
    s: float
    point: complex
    sine: float


@dataclass(frozen=True, slots=True)
class Crossing:
    """Where a ring crosses the outline of a strip, `at` = side's number + share of that side."""

    ring: int
    index: int
    t: float
    at: float
    point: complex
    enters: bool


@dataclass(frozen=True, slots=True, eq=False)
class Weld:
    """What laying a strip over the metal does.

    Attributes:
        gone: numbers of rings that are cut up or buried.
        buried: those of them that lie wholly under the strip.
        made: the rings that take their place.
        crossings: where the strip's outline meets edges.
        leftover_mm: the shortest straight piece that remains of a split segment.
        is_on_tie: True where the strip meets the side of an earlier tie.
    """

    gone: frozenset[int]
    buried: frozenset[int]
    made: tuple[Ring, ...]
    crossings: tuple[Crossing, ...]
    leftover_mm: float
    is_on_tie: bool


def _box_of(segment: Segment) -> Box:
    if isinstance(segment, Line):
        ends: tuple[complex, ...] = (segment.start, segment.end)
    elif isinstance(segment, Cubic):
        ends = (segment.start, segment.control1, segment.control2, segment.end)
    else:
        return _box_of_arc(segment)
    xs, ys = [z.real for z in ends], [z.imag for z in ends]
    return min(xs), min(ys), max(xs), max(ys)


def _box_of_arc(arc: Arc) -> Box:
    """A box that is a little too large: chord points, widened by the sagitta between them."""
    n = max(2, math.ceil(abs(arc.sweep_rad) / 0.4))
    z = arc.points_at(np.linspace(0, 1, n + 1))
    sagitta = arc.radius * (1 - math.cos(arc.sweep_rad / n / 2))
    x0, x1 = float(z.real.min()) - sagitta, float(z.real.max()) + sagitta
    return x0, float(z.imag.min()) - sagitta, x1, float(z.imag.max()) + sagitta


def _near(rings: dict[int, Ring], box: Box) -> Iterable[tuple[int, int, Segment]]:
    """Segments whose boxes meet a box, with the number of their ring and their index."""
    x0, y0, x1, y1 = box
    for key, ring in rings.items():
        a, b, c, d = ring.box
        if a > x1 or b > y1 or c < x0 or d < y0:
            continue
        boxes = ring.boxes
        hit = (boxes[:, 0] <= x1) & (boxes[:, 1] <= y1) & (boxes[:, 2] >= x0) & (boxes[:, 3] >= y0)
        for index in np.flatnonzero(hit).tolist():
            yield key, index, ring.path.segments[index]


def _box_round(points: Sequence[complex]) -> Box:
    xs, ys = [z.real for z in points], [z.imag for z in points]
    return min(xs), min(ys), max(xs), max(ys)


def near_box(rings: dict[int, Ring], box: Box) -> dict[int, Ring]:
    """Rings whose boxes meet a box."""
    x0, y0, x1, y1 = box
    return {
        key: ring
        for key, ring in rings.items()
        if ring.box[0] <= x1 and ring.box[1] <= y1 and ring.box[2] >= x0 and ring.box[3] >= y0
    }


def meetings(
    rings: dict[int, Ring], origin: complex, along: complex, *, reach_mm: float
) -> list[Meeting]:
    """Where the line through `origin` meets edges within `reach_mm` either way, in order."""
    u = unit(along)
    box = _box_round([origin - reach_mm * u, origin + reach_mm * u])
    found = []
    for key, index, segment in _near(rings, box):
        for t in meetings_with(segment, origin, u):
            point = segment.point(t)
            s = dot(u, point - origin)
            if abs(s) <= reach_mm:
                sine = cross(segment.tangent(t), u)
                found.append(Meeting(key, index, t, s, point, sine))
    return sorted(found, key=lambda meeting: meeting.s)


def weld(
    rings: dict[int, Ring], strip: Sequence[complex], *, known: Sequence[Crossing] | None = None
) -> Weld | None:
    """The metal together with a strip laid over it; None where that can't be told for certain.

    Args:
        rings: closed edges, metal to the right of travel.
        strip: corners of a simple polygon, clockwise as seen.
        known: where its outline crosses edges, where that has been found already.

    Returns:
        The rings that go and those that come. Segments that the strip does not touch are kept as
        they are; new pieces are straight `Line`s with `is_tie_side` set. None where a side runs
        through a joint of two segments or along an edge, or misses all edges.
    """
    found = crossings_of(rings, strip) if known is None else known
    if not found:
        return None
    crossings = list(found)
    buried = buried_under(rings, strip, {c.ring for c in crossings})
    outside = _kept_of_rings(rings, crossings)
    sides = _kept_of_strip(strip, crossings)
    if outside is None or sides is None:
        return None
    made = _chained(rings, outside, sides)
    if made is None:
        return None
    cut_up = {c.ring for c in crossings}
    extra = frozenset[int]().union(*(rings[key].origins for key in buried))
    if extra:
        made[0] = replace(made[0], origins=made[0].origins | extra)
    return Weld(
        gone=frozenset(cut_up | buried),
        buried=frozenset(buried),
        made=tuple(made),
        crossings=tuple(crossings),
        leftover_mm=leftover_mm(rings, crossings),
        is_on_tie=meets_tie(rings, crossings),
    )


def meets_tie(rings: dict[int, Ring], crossings: Sequence[Crossing]) -> bool:
    """True where a strip meets the side of an earlier tie."""
    return any(
        getattr(rings[c.ring].path.segments[c.index], "is_tie_side", False) for c in crossings
    )


def crossings_of(rings: dict[int, Ring], strip: Sequence[complex]) -> list[Crossing] | None:
    """All crossings of edges with the strip's outline; None where one is doubtful."""
    box = _box_round(strip)
    ends = [*strip[1:], strip[0]]
    found = []
    for key, index, segment in _near(rings, box):
        for side, (a, b) in enumerate(zip(strip, ends, strict=True)):
            size = abs(b - a)
            u = (b - a) / size
            for t in meetings_with(segment, a, u):
                point = segment.point(t)
                share = dot(u, point - a) / size
                if not -TOUCH <= share <= 1 + TOUCH:
                    continue
                sine = cross(u, segment.tangent(t))
                near_end = min(t, 1 - t) * segment.length < TOUCH
                if near_end or min(share, 1 - share) * size < TOUCH or abs(sine) < 1e-4:
                    return None
                found.append(Crossing(key, index, t, side + share, point, sine > 0))
    return found


def is_inside(strip: Sequence[complex], point: complex) -> bool:
    """True where a point lies in a simple polygon (crossing number)."""
    inside = False
    a = strip[-1]
    for b in strip:
        if (a.imag > point.imag) != (b.imag > point.imag):
            x = a.real + (point.imag - a.imag) / (b.imag - a.imag) * (b.real - a.real)
            inside ^= x > point.real
        a = b
    return inside


def buried_under(rings: dict[int, Ring], strip: Sequence[complex], crossed: set[int]) -> set[int]:
    """Rings that lie wholly under a strip."""
    x0, y0, x1, y1 = _box_round(strip)
    return {
        key
        for key, ring in rings.items()
        if key not in crossed
        and ring.box[0] <= x1
        and ring.box[1] <= y1
        and ring.box[2] >= x0
        and ring.box[3] >= y0
        and is_inside(strip, ring.path.start)
    }


@dataclass(frozen=True, slots=True, eq=False)
class _Chain:
    """Segments that are kept, from one crossing on to another, and boxes round them."""

    start: Crossing
    end: Crossing
    segments: tuple[Segment, ...]
    boxes: Boxes
    is_side: bool


def _kept_of_rings(rings: dict[int, Ring], crossings: list[Crossing]) -> list[_Chain] | None:
    """Parts of the crossed rings that lie outside the strip, from where they leave it on."""
    out: list[_Chain] = []
    for key in dict.fromkeys(c.ring for c in crossings):
        own = sorted((c for c in crossings if c.ring == key), key=lambda c: (c.index, c.t))
        for a, b in zip(own, [*own[1:], own[0]], strict=True):
            if a.enters == b.enters:
                return None
            if not a.enters:
                out.append(_part(rings[key], a, b))
    return out


def _part(ring: Ring, a: Crossing, b: Crossing) -> _Chain:
    """The part of a ring from one crossing on to another; only the ends' boxes are made anew."""
    start, end = Place(a.index, a.t, a.point, 0.0), Place(b.index, b.t, b.point, 0.0)
    segments = ring.path.part(start, end)
    n = len(ring.boxes)
    boxes = ring.boxes[(a.index + np.arange(len(segments))) % n]
    for k in (0, -1):
        boxes[k] = _box_of(segments[k])
    return _Chain(a, b, segments, boxes, is_side=False)


def _kept_of_strip(strip: Sequence[complex], crossings: list[Crossing]) -> list[_Chain] | None:
    """Parts of the strip's outline that lie in the drop, as straight lines."""
    n = len(strip)
    around = sorted(crossings, key=lambda c: c.at)
    out: list[_Chain] = []
    for a, b in zip(around, [*around[1:], around[0]], strict=True):
        if a.enters == b.enters:
            return None
        if not a.enters:
            continue
        last = b.at if b.at > a.at else b.at + n
        corners = [strip[k % n] for k in range(math.floor(a.at) + 1, math.floor(last) + 1)]
        stops = [a.point, *corners, b.point]
        sides = tuple(_side(p, q) for p, q in pairwise(stops))
        out.append(_Chain(a, b, sides, np.empty((0, 4)), is_side=True))
    return out


def _chained(
    rings: dict[int, Ring], outside: list[_Chain], sides: list[_Chain]
) -> list[Ring] | None:
    """Rings of the parts kept, each part going on where the one before it ended."""
    after = {id(chain.start): chain for chain in [*outside, *sides]}
    if len(after) != len(outside) + len(sides):
        return None
    made = []
    while after:
        first = next(iter(after))
        at, chains = first, list[_Chain]()
        while at in after:
            chains.append(after.pop(at))
            at = id(chains[-1].end)
        if at != first:
            return None
        made.append(_ring_of(rings, chains))
    return made


def _ring_of(rings: dict[int, Ring], chains: list[_Chain]) -> Ring:
    """One ring of parts that go on from each other; the strip's sides end exactly at them."""
    chains = [
        _between(chains[k - 1], chain, chains[(k + 1) % len(chains)]) if chain.is_side else chain
        for k, chain in enumerate(chains)
    ]
    keys = {crossing.ring for chain in chains for crossing in (chain.start, chain.end)}
    path = Path(tuple(s for chain in chains for s in chain.segments), is_closed=True)
    return Ring.of(
        path,
        frozenset[int]().union(*(rings[key].origins for key in keys)),
        is_border=any(rings[key].is_border for key in keys),
        boxes=np.concatenate([chain.boxes for chain in chains]),
    )


def _between(before: _Chain, side: _Chain, behind: _Chain) -> _Chain:
    """A side of the strip from where the part before it ends to where the next one starts."""
    stops = [
        before.segments[-1].end,
        *(segment.start for segment in side.segments[1:]),
        behind.segments[0].start,
    ]
    lines = tuple(_side(a, b) for a, b in pairwise(stops))
    return replace(side, segments=lines, boxes=np.array([_box_of(line) for line in lines]))


def _side(start: complex, end: complex) -> Line:
    return Line(start, end, Kind.GEOMETRIC, is_tie_side=True)


def leftover_mm(rings: dict[int, Ring], crossings: Sequence[Crossing]) -> float:
    """Length of the shortest piece that stays of a segment that a side splits.

    What is left of an edge that runs smoothly on into the next one is no piece of its own.
    """
    short = math.inf
    for c in crossings:
        segments = rings[c.ring].path.segments
        segment = segments[c.index]
        if segment.length < LEAST_PIECE_MM:  # was short before
            continue
        same = [
            o.t
            for o in crossings
            if o.ring == c.ring and o.index == c.index and (o.t < c.t) == c.enters and o is not c
        ]
        is_straight = isinstance(segment, Line)
        if same:
            share = min(abs(t - c.t) for t in same)
        elif _runs_on(segments, c.index - c.enters):
            continue
        else:
            share = c.t if c.enters else 1 - c.t
        # a short curved piece is as hard to follow, but a straight one looks broken as well
        short = min(short, share * segment.length * (1.0 if is_straight else 3.0))
    return short


def _runs_on(segments: Sequence[Segment], index: int) -> bool:
    """True where a segment goes on into the next without a corner."""
    before, behind = segments[index], segments[(index + 1) % len(segments)]
    return dot(before.tangent(1), behind.tangent(0)) > SMOOTH_COS
