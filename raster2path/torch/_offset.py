"""Closed edges moved into the drop by a distance: lines stay lines, arcs arcs, cubics cubics.

Planar geometry finds out *which* stretches of the moved edges remain (the eroded drop); every
stretch of its boundary lies at the distance from one known piece of edge, or round one corner of
the metal. The pieces themselves are then moved exactly, met with each other, and chained.
"""

from __future__ import annotations

import cmath
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from operator import itemgetter

import numpy as np
import numpy.typing as npt
import shapely

from raster2path.geometry import (
    Arc,
    Complexes,
    Cubic,
    Line,
    Path,
    Segment,
    cross,
    dot,
    to_complex,
    to_points,
    unit,
)

FLATNESS_MM = 0.002
"""Edges are flattened this finely to find what remains; a tenth of any figure below."""

FIT_MM = 0.02
"""How far one cubic may lie from the true parallel curve: a hand wanders eighty times as far."""

CORNER_RAD = math.radians(3)
"""Corners of the metal that turn less are simply met; more get an arc or are run past."""

HAIRPIN_RAD = math.radians(160)

LONGEST_MITRE = 4.0
"""Running past a corner keeps it crisp; beyond four distances the torch goes round on an arc."""

CRUMB_MM = 0.06
"""Stretches shorter than this are left out, and their neighbours met."""

NATURAL_MM = 0.015
"""A smooth joint is taken as it is where planar geometry finds it this near."""

SLACK_MM = 0.03
"""How much nearer to an edge than the distance a line may come; three times that at the worst."""

POINTS_AT_ONCE = 4
"""A long line is looked up in stretches of so many pieces: each has but few edges near."""

SHORTEST_LINE_MM = 1.0
"""A shorter straight piece is no help to a hand: it is left out where its neighbours can meet."""

MOST_HALVINGS = 3

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class Tagged:
    """A closed path, flattened; each point knows its segment and parameter.

    Attributes:
        points: n points, the first not repeated.
        index: the segment that leads from each point to the next.
        t0, t1: parameters on it, there and at the next point.
    """

    path: Path
    points: Complexes
    index: Ints
    t0: Floats
    t1: Floats

    @property
    def coords(self) -> Floats:
        """The points as an (n, 2) array."""
        return to_points(self.points)


def tagged(path: Path) -> Tagged:
    """The flattened path whose points know where they come from."""
    steps = [segment.n_steps(FLATNESS_MM) for segment in path]
    t = [np.arange(n) / n for n in steps]
    return Tagged(
        path=path,
        points=np.concatenate([s.points_at(ts) for s, ts in zip(path, t, strict=True)]),
        index=np.repeat(np.arange(len(path)), steps),
        t0=np.concatenate(t),
        t1=np.concatenate([ts + 1 / n for ts, n in zip(t, steps, strict=True)]),
    )


@dataclass(frozen=True, slots=True)
class _Source:
    """A piece of edge, or a corner of the metal, and the line at the distance from it.

    Attributes:
        ring, index: which segment of which ring; for a corner, the segment that ends there.
        line: the moved line itself (corner: an arc round it), or the edge's cubic.
        shift: how far a cubic has yet to be moved; 0 for the others.
    """

    ring: int
    index: int
    is_corner: bool
    line: Segment
    shift: float = 0.0

    def at(self, t: npt.ArrayLike) -> Complexes:
        """Points of the moved line; beyond 0 and 1 it goes on (a cubic straight on)."""
        ts = np.asarray(t, np.float64)
        if not isinstance(self.line, Cubic):
            return self.line.points_at(ts)
        return _moved(_powers(self.line), self.shift, ts)

    def spot(self, t: float) -> tuple[complex, complex]:
        """One point of the moved line, and its first derivative by t there."""
        line = self.line
        if isinstance(line, Line):
            return line.point(t), line.end - line.start
        if isinstance(line, Arc):
            out = (line.start - line.centre) * cmath.exp(1j * line.sweep_rad * t)
            return line.centre + out, 1j * line.sweep_rad * out
        inner = min(1.0, max(0.0, t))
        speed, bend = _derivatives(line, inner)
        heading = unit(speed)
        at = line.point(inner) - 1j * self.shift * heading
        if inner != t:
            ends = heading * abs(line.velocity(inner))
            return at + (t - inner) * ends, ends
        size = abs(speed)
        turning = cross(heading, bend) / size if size > 0 else 0.0
        return at, speed + heading * (self.shift * turning)

    def tangent(self, t: float) -> complex:
        """Direction of travel."""
        if isinstance(self.line, Cubic):
            return _heading(self.line, min(1.0, max(0.0, t)))
        return self.line.tangent(t)

    def meets(self, other: _Source, ta: float, tb: float) -> tuple[float, float] | None:
        """Parameters where the moved lines cross, near those given (Newton's method)."""
        for _ in range(30):
            (a, va), (b, vb) = self.spot(ta), other.spot(tb)
            gap, across = b - a, cross(va, vb)
            if abs(across) <= 1e-6 * abs(va) * abs(vb) or not cmath.isfinite(gap):
                return None
            da, db = cross(gap, vb) / across, cross(gap, va) / across
            ta, tb = ta + max(-0.5, min(0.5, da)), tb + max(-0.5, min(0.5, db))
            if abs(da * va) + abs(db * vb) < 1e-10:
                return ta, tb
        return None


_Powers = tuple[Complexes, Complexes, Complexes, Complexes]


def _powers(*cubics: Cubic) -> _Powers:
    """Coefficients of the powers of t, one row for each cubic."""
    c = np.array([[q.start, q.control1, q.control2, q.end] for q in cubics])
    return _powers_of(c[:, :1], c[:, 1:2], c[:, 2:3], c[:, 3:])


def _powers_of(p0: Complexes, p1: Complexes, p2: Complexes, p3: Complexes) -> _Powers:
    return p0, 3 * (p1 - p0), 3 * (p0 - 2 * p1 + p2), p3 - p0 + 3 * (p1 - p2)


def _places(c: _Powers, t: Floats) -> Complexes:
    return np.asarray(c[0] + t * (c[1] + t * (c[2] + t * c[3])))


def _speeds(c: _Powers, t: Floats) -> Complexes:
    """First derivative; where it vanishes at an end, that a little way inside."""
    v = np.asarray(c[1] + t * (2 * c[2] + 3 * t * c[3]))
    chord = c[1] + c[2] + c[3]
    still = np.abs(v) < 1e-6 * np.maximum(np.abs(chord) + np.abs(c[1]) / 3, 1e-9)
    if still.any():
        inside = np.where(t < 0.5, t + 1e-3, t - 1e-3)
        v = np.where(still, c[1] + inside * (2 * c[2] + 3 * inside * c[3]), v)
    return v


def _moved(c: _Powers, shift: npt.ArrayLike, t: Floats) -> Complexes:
    """Points beside cubics, each row's at its own shift to the left; beyond the ends straight on.

    A single row comes back in the shape of `t`.
    """
    inner = np.clip(t, 0.0, 1.0)
    speed = _speeds(c, inner)
    heading = speed / np.maximum(np.abs(speed), 1e-300)
    ends = np.where(t > inner, np.abs(c[1] + 2 * c[2] + 3 * c[3]), np.abs(c[1]))
    z = _places(c, inner) + heading * ((t - inner) * ends - 1j * np.asarray(shift))
    return np.asarray(z.reshape(t.shape))


def _derivatives(cubic: Cubic, t: float) -> tuple[complex, complex]:
    """First and second derivative; where the first vanishes at an end, that inside, and 0."""
    v = cubic.velocity(t)
    size = abs(cubic.end - cubic.start) + abs(cubic.control1 - cubic.start)
    if abs(v) < 1e-6 * max(size, 1e-9):
        return cubic.velocity(t + 1e-3 if t < 0.5 else t - 1e-3), 0j
    bend = (1 - t) * (cubic.start - 2 * cubic.control1 + cubic.control2)
    return v, 6 * (bend + t * (cubic.control1 - 2 * cubic.control2 + cubic.end))


def _source(rings: Sequence[Tagged], ring: int, index: int, distance: float) -> _Source:
    """The moved line of one segment. The drop lies to the left of travel."""
    segment = rings[ring].path.segments[index]
    if isinstance(segment, Line):
        moved: Segment = segment.mapped(1, -1j * segment.tangent(0) * distance)
        return _Source(ring, index, False, moved)
    if isinstance(segment, Arc):
        radius = segment.radius + math.copysign(distance, segment.sweep_rad)
        out = unit(segment.start - segment.centre)
        return _Source(ring, index, False, replace(segment, start=segment.centre + out * radius))
    return _Source(ring, index, False, segment, distance)


def _folds(source: _Source) -> tuple[float, ...]:
    """Parameters where a cubic bends more tightly than the distance, amid each such stretch.

    Its moved line runs backwards there.
    """
    if not isinstance(source.line, Cubic):
        return ()
    t = np.linspace(0, 1, 129)
    steps = np.diff(source.at(t))
    speeds = _speeds(_powers(source.line), (t[1:] + t[:-1]) / 2)[0]
    forward = (speeds.conjugate() * steps).real
    backward = forward < 0
    edges = np.flatnonzero(np.diff(np.concatenate([[False], backward, [False]]).astype(int)))
    return tuple(
        float(t[a + int(np.argmin(forward[a:b]))]) for a, b in edges.reshape(-1, 2).tolist()
    )


def _turn(path: Path, index: int) -> float:
    """How far travel turns where a segment ends; positive: a corner of the metal.

    A turn right back may be a needle of metal or of the drop. Only a needle of metal is ever
    asked for: the torch gets nowhere near the tip of the other.
    """
    a, b = path.segments[index], path.segments[(index + 1) % len(path)]
    turn = cmath.phase(_heading(b, 0.0) / _heading(a, 1.0))
    return turn + 2 * math.pi if turn < -HAIRPIN_RAD else turn


def _heading(segment: Segment, t: float) -> complex:
    if isinstance(segment, Cubic):
        return unit(_derivatives(segment, t)[0]) or 1 + 0j
    return segment.tangent(t) or 1 + 0j


def _corner(rings: Sequence[Tagged], ring: int, index: int, distance: float) -> _Source:
    """The arc round the corner where a segment ends."""
    path = rings[ring].path
    segment = path.segments[index]
    following = path.segments[(index + 1) % len(path)]
    at = following.start
    start = at - 1j * _heading(segment, 1.0) * distance
    # the calmer kind: a corner where art meets lettering belongs to the letter
    kind = max(segment.kind, following.kind)
    return _Source(ring, index, True, Arc(start, at, _turn(path, index), kind))


@dataclass(frozen=True, slots=True)
class _Run:
    """A stretch of the eroded drop's boundary that has one source.

    Attributes:
        t0, t1: parameters on the source, at the stretch's first and last bit.
        first, last: indices of its first and last bit of boundary.
    """

    source: _Source
    t0: float
    t1: float
    first: int
    last: int
    length: float


@dataclass(frozen=True, slots=True)
class Touch:
    """The stretch of edge that one piece of torch line runs along.

    Attributes:
        ring, index: which segment of which ring.
        t0, t1: from where to where; both 1 where the torch goes round the segment's end.
        meeting: where the torch line leaves this stretch for the next.
        is_next: True where the next stretch is simply the next along the edge.
    """

    ring: int
    index: int
    t0: float
    t1: float
    meeting: complex
    is_next: bool


@dataclass(frozen=True, slots=True, eq=False)
class OffsetRing:
    """One closed line at the distance from the edges, travelled as they are.

    Attributes:
        part: which piece of the eroded drop it bounds.
        is_inner: True where it bounds that piece from inside (it goes round metal).
        shares_mm: length along each ring of edge.
    """

    path: Path
    part: int
    is_inner: bool
    shares_mm: dict[int, float]
    touches: tuple[Touch, ...]

    @property
    def owner(self) -> int:
        """The ring along which most of it runs; the first of equals."""
        return max(sorted(self.shares_mm), key=lambda ring: self.shares_mm[ring])


@dataclass(frozen=True, slots=True, eq=False)
class Eroded:
    """What the middle of the arc may travel in, and the lines round it."""

    area: shapely.Geometry
    rings: tuple[OffsetRing, ...]


def erode(rings: Sequence[Tagged], face: shapely.Polygon, distance_mm: float) -> Eroded:
    """The face less a margin along its edges, as closed lines of lines, arcs and cubics.

    Args:
        rings: the closed edges that bound the face; the face lies to the left of their travel.
        face: the drop: the polygon between the rings. Boundary that is no ring's is ignored.
        distance_mm: the margin, above 0.

    Returns:
        All lines, those of one part together; each is simple, keeps the distance to within
        0.03 mm (0.09 where pieces hardly fit together), and encloses what the eroded face does
        to within a sliver. None where the face is too narrow.
    """
    area = face.buffer(-distance_mm, quad_segs=_quarter_steps(distance_mm))
    parts = [part for part in shapely.get_parts(area) if part.area > 1e-4]
    if not parts:
        return Eroded(shapely.Polygon(), ())
    lookup = _Lookup(rings, distance_mm)
    proof = _Proof(lookup.tree, distance_mm)
    out = []
    for number, part in enumerate(parts):
        for k, ring in enumerate((part.exterior, *part.interiors)):
            is_inner = k > 0
            made = _ring(lookup, proof, _directed(ring, is_inner=is_inner))
            if made is not None:
                path, shares, touches = made
                out.append(OffsetRing(path, number, is_inner, shares, touches))
    return Eroded(shapely.MultiPolygon(parts), tuple(out))


def _quarter_steps(radius_mm: float) -> int:
    """In how many steps a quarter circle lies within the flatness."""
    step = 2 * math.acos(1 - min(1.0, FLATNESS_MM / radius_mm))
    return max(8, math.ceil(math.pi / 2 / step))


def _directed(ring: shapely.LinearRing, *, is_inner: bool) -> Complexes:
    """The ring's points, the eroded drop to the left of travel, none repeated."""
    z = to_complex(shapely.get_coordinates(ring))[:-1]
    z = z[np.abs(z - np.roll(z, 1)) > 1e-7]
    x, y = z.real, z.imag
    area = float(np.dot(x, np.roll(y, -1)) - np.dot(np.roll(x, -1), y))
    return z if (area > 0) == is_inner else z[::-1]


class _Lookup:
    """Finds the piece of edge, or the corner, that a point of the boundary is nearest to."""

    def __init__(self, rings: Sequence[Tagged], distance: float) -> None:
        self.rings, self.distance = rings, distance
        self.ring = np.concatenate([np.full(len(r.points), k) for k, r in enumerate(rings)])
        self.index = np.concatenate([r.index for r in rings])
        self.t0 = np.concatenate([r.t0 for r in rings])
        self.t1 = np.concatenate([r.t1 for r in rings])
        self.a = np.concatenate([r.points for r in rings])
        self.b = np.concatenate([np.roll(r.points, -1) for r in rings])
        ends = np.stack([to_points(self.a), to_points(self.b)], axis=1)
        self.tree = shapely.STRtree(shapely.linestrings(ends), node_capacity=4)  # twice as fast
        self._cache: dict[tuple[int, int, bool], _Source] = {}
        self._turns: dict[tuple[int, int], float] = {}

    def source(self, ring: int, index: int, *, is_corner: bool) -> _Source:
        key = (ring, index, is_corner)
        if key not in self._cache:
            make = _corner if is_corner else _source
            self._cache[key] = make(self.rings, ring, index, self.distance)
        return self._cache[key]

    def near(self, points: Complexes) -> _Near:
        """The nearest bit of edge to each point."""
        pairs, gaps = self.tree.query_nearest(
            shapely.points(to_points(points)), return_distance=True, all_matches=False
        )
        bits = pairs[1]
        along = self.b[bits] - self.a[bits]
        share = (along.conjugate() * (points - self.a[bits])).real / np.abs(along) ** 2
        share = np.clip(share, 0.0, 1.0)
        t = self.t0[bits] + share * (self.t1[bits] - self.t0[bits])
        return _Near(bits, t, self.a[bits] + share * along, gaps)

    def turn(self, ring: int, index: int) -> float:
        """How far travel turns where a segment ends."""
        key = (ring, index)
        if key not in self._turns:
            self._turns[key] = _turn(self.rings[ring].path, index)
        return self._turns[key]

    def labels(self, points: Complexes, near: _Near) -> tuple[list[_Source], Ints, Floats]:
        """Sources; which of them each point lies on, and at what parameter."""
        ring, index, t = self.ring[near.bits], self.index[near.bits], near.t.copy()
        n = np.array([len(r.path) for r in self.rings])[ring]
        before = np.where(t > 0.5, index, (index - 1) % n)
        at_end = np.flatnonzero((t <= 1e-9) | (t >= 1 - 1e-9))
        is_corner = np.zeros(len(t), np.bool_)
        is_corner[at_end] = [
            self.turn(*key) > CORNER_RAD
            for key in zip(ring[at_end].tolist(), before[at_end].tolist(), strict=True)
        ]
        owner = np.where(is_corner, before, index)
        keys = np.column_stack([ring, owner, is_corner])
        changes = np.flatnonzero((np.diff(keys, axis=0) != 0).any(axis=1)) + 1
        numbers: dict[tuple[int, int, bool], int] = {}
        which = np.empty(len(t), np.int64)
        for a, b in pairwise([0, *changes.tolist(), len(t)]):
            key = (int(ring[a]), int(owner[a]), bool(is_corner[a]))
            which[a:b] = numbers.setdefault(key, len(numbers))
            arc = self.source(key[0], key[1], is_corner=True).line if key[2] else None
            if isinstance(arc, Arc):
                turned = np.angle((points[a:b] - arc.centre) / (arc.start - arc.centre))
                t[a:b] = np.clip(turned / arc.sweep_rad, 0.0, 1.0)
        sources = [self.source(k, i, is_corner=corner) for k, i, corner in numbers]
        return sources, which, t


@dataclass(frozen=True, slots=True, eq=False)
class _Near:
    """For each of many points the nearest bit of edge: parameter and place there, distance."""

    bits: Ints
    t: Floats
    feet: Complexes
    gaps: Floats


def _runs(lookup: _Lookup, boundary: Complexes) -> list[_Run] | None:
    """The boundary's stretches by source, in order of travel; None where it is no edge's."""
    ahead = np.roll(boundary, -1)
    middles, sizes = (boundary + ahead) / 2, np.abs(ahead - boundary)
    near = lookup.near(middles)
    if float(np.sort(near.gaps)[len(middles) // 2]) > 1.05 * lookup.distance + 0.05:
        return None
    sources, which, t = lookup.labels(middles, near)
    gaps = np.abs(middles - np.roll(middles, 1))
    leaps = np.abs(near.feet - np.roll(near.feet, 1)) > np.maximum(4 * gaps, 0.3)
    n = len(which)
    is_new = (which != np.roll(which, 1)) | leaps | (t < np.roll(t, 1) - 0.5)
    starts = np.flatnonzero(is_new).tolist() or [0]
    ends = [*starts[1:], starts[0] + n]
    total = np.concatenate([[0.0], np.cumsum(np.concatenate([sizes, sizes]))])
    return [
        _Run(
            source=sources[which[a]],
            t0=float(t[a]),
            t1=float(t[(b - 1) % n]),
            first=a,
            last=(b - 1) % n,
            length=float(total[b] - total[a]),
        )
        for a, b in zip(starts, ends, strict=True)
    ]


def _parts(before: tuple[_Source, float], after: tuple[_Source, float]) -> bool:
    """True where a new run begins: another source, once round, or across a fold."""
    (source, t0), (other, t1) = before, after
    return source is not other or t1 < t0 - 0.5 or any(t0 < fold < t1 for fold in _folds(source))


def _without_crumbs(runs: list[_Run], crumb: float) -> list[_Run]:
    """The runs that are long enough; what then follows on the same source is one run."""
    kept = [run for run in runs if run.length > crumb]
    out: list[_Run] = []
    for run in kept or runs[:1]:
        if out and _goes_on(out[-1], run):
            out[-1] = _merged(out[-1], run)
        else:
            out.append(run)
    if len(out) > 1 and _goes_on(out[-1], out[0]):
        out[0] = _merged(out.pop(), out[0])
    return out


def _goes_on(a: _Run, b: _Run) -> bool:
    """True where one run carries on the other, with at most a crumb between them."""
    is_parted = _parts((a.source, a.t1), (b.source, b.t0))
    return not is_parted and -0.05 < b.t0 - a.t1 < 0.2


def _merged(a: _Run, b: _Run) -> _Run:
    return replace(a, t1=b.t1, last=b.last, length=a.length + b.length)


@dataclass(frozen=True, slots=True)
class _Joint:
    """Where one run ends and the next begins: parameters on both, and the point."""

    t_end: float
    t_start: float
    point: complex


class _Proof:
    """Whether a line keeps its distance from every edge."""

    def __init__(self, tree: shapely.STRtree, distance: float) -> None:
        self.tree, self.distance = tree, distance

    def keeps(self, points: Complexes, slack: float) -> bool:
        """True where no edge comes nearer to the line through the points."""
        n = max(1, len(points) - 1)
        starts = np.arange(0, n, POINTS_AT_ONCE)
        sizes = np.minimum(POINTS_AT_ONCE, n - starts) + 1
        which = np.repeat(np.arange(len(starts)), sizes)
        at = np.arange(len(which)) - which  # each stretch begins where the one before ends
        lines = shapely.linestrings(to_points(points[at]), indices=which)
        return not self._meets(lines, slack).any()

    def keeps_each(self, lines: Complexes, slack: float) -> Bools:
        """The same for many short lines (m, n) at once."""
        points = np.stack([lines.real, lines.imag], axis=-1)
        return ~self._meets(np.atleast_1d(shapely.linestrings(points)), slack)

    def _meets(self, lines: npt.NDArray[np.object_], slack: float) -> Bools:
        found = self.tree.query(lines, predicate="dwithin", distance=self.distance - slack)
        out = np.zeros(len(lines), np.bool_)
        out[found[0]] = True
        return out


def _ring(
    lookup: _Lookup, proof: _Proof, boundary: Complexes
) -> tuple[Path, dict[int, float], tuple[Touch, ...]] | None:
    found = _runs(lookup, boundary)
    if found is None:
        return None
    shares: dict[int, float] = {}
    for run in found:
        shares[run.source.ring] = shares.get(run.source.ring, 0.0) + run.length
    runs = _without_crumbs(found, CRUMB_MM)
    plain = _joints(lookup, runs, boundary)
    touches = _touches(lookup, runs, plain)
    made = []
    for path in _tries(lookup, proof, found, boundary, (runs, plain)):
        if _is_true(path, boundary, proof, SLACK_MM):
            return path, shares, touches
        made.append(path)
    made.append(_chained(found, _pinned(found, boundary), FIT_MM / 3))
    # in a waist as wide as the kerf, planar geometry itself comes nearer: that may stay so
    given = proof.distance - float(lookup.near(boundary).gaps.min())
    for path in made:
        if _is_true(path, boundary, proof, max(3 * SLACK_MM, given + SLACK_MM)):
            return path, shares, touches
    return _polyline(boundary), shares, touches


def _tries(
    lookup: _Lookup,
    proof: _Proof,
    found: list[_Run],
    boundary: Complexes,
    first: tuple[list[_Run], list[_Joint]],
) -> Iterator[Path]:
    """Paths along the boundary, best first; each is made only when those before fell short."""
    for crumb, fit in ((CRUMB_MM, FIT_MM), (CRUMB_MM / 6, FIT_MM / 3)):
        runs, plain = first
        if crumb < CRUMB_MM:
            runs = _without_crumbs(found, crumb)
            plain = _joints(lookup, runs, boundary)
        crisp = _chained(*_past_corners(lookup, proof, runs, plain), fit)
        calm = _without_short_lines(crisp, proof)
        yield calm
        if len(calm) < len(crisp):
            yield crisp
        yield _chained(runs, plain, fit)


def _is_true(path: Path, boundary: Complexes, proof: _Proof, slack: float) -> bool:
    """The path is simple, keeps its distance, and encloses what the boundary does."""
    flat = to_complex(path.flat(FLATNESS_MM))
    if len(flat) < 3 or not proof.keeps(np.append(flat, flat[0]), slack):
        return False
    area = shapely.Polygon(to_points(flat))
    if not area.is_valid:
        return False
    line = shapely.LinearRing(to_points(flat))
    # past corners the path runs out, never the boundary away from it by more than the mitre
    shapely.prepare(line)  # so that its pieces are looked up in a tree
    spots = shapely.points(to_points(boundary))
    far = spots[~shapely.dwithin(line, spots, 0.1)]
    reach = proof.distance * (LONGEST_MITRE - 1) + 0.1
    if not shapely.dwithin(line, far, reach).all():
        return False
    truth = shapely.Polygon(to_points(boundary))
    strays = area.symmetric_difference(truth).area
    far_bits = len(far) * 4.0 * proof.distance**2
    return bool(strays < 0.03 * line.length + far_bits + 0.05)


def _polyline(boundary: Complexes) -> Path:
    """The boundary itself in straight pieces: the last resort, true but not pretty."""
    ring = shapely.Polygon(to_points(boundary)).simplify(0.01).exterior
    z = to_complex(shapely.get_coordinates(ring))
    area = float(np.dot(z[:-1].real, z[1:].imag) - np.dot(z[1:].real, z[:-1].imag))
    x, y = boundary.real, boundary.imag
    wanted = float(np.dot(x, np.roll(y, -1)) - np.dot(np.roll(x, -1), y))
    z = z if (area > 0) == (wanted > 0) else z[::-1]
    ends = [complex(p) for p in z]
    return Path(tuple(Line(a, b) for a, b in pairwise(ends)), True)


def _follows(lookup: _Lookup, a: _Source, b: _Source) -> bool:
    """True where b is the next piece of edge after a."""
    n = len(lookup.rings[a.ring].path)
    return a.ring == b.ring and not a.is_corner and not b.is_corner and (a.index + 1) % n == b.index


def _joints(lookup: _Lookup, runs: list[_Run], boundary: Complexes) -> list[_Joint]:
    """For each run, how it meets the next."""
    return [_joint(lookup, run, runs[(k + 1) % len(runs)], boundary) for k, run in enumerate(runs)]


def _joint(lookup: _Lookup, a: _Run, b: _Run, boundary: Complexes) -> _Joint:
    n = len(boundary)
    leaves, enters = boundary[(a.last + 1) % n], boundary[b.first]
    between = complex(leaves + enters) / 2
    near = _natural_joint(lookup, a.source, b.source)
    if near is not None and abs(near.point - between) < NATURAL_MM + abs(leaves - enters):
        return near
    ta, tb = _foot_of(a.source, a.t1, leaves), _foot_of(b.source, b.t0, enters)
    found = a.source.meets(b.source, ta, tb)
    if found is not None:
        point = a.source.spot(found[0])[0]
        is_near = abs(point - between) < 0.15 + abs(leaves - enters)
        in_order = found[0] > min(a.t0, a.t1) and found[1] < max(b.t0, b.t1)
        if is_near and in_order:
            return _Joint(found[0], found[1], point)
    return _Joint(min(1.0, max(0.0, ta)), min(1.0, max(0.0, tb)), between)


def _pinned(runs: list[_Run], boundary: Complexes) -> list[_Joint]:
    """Joints exactly where planar geometry has them: rough by microns, but never astray."""
    out = []
    for k, run in enumerate(runs):
        following = runs[(k + 1) % len(runs)]
        at = complex(boundary[following.first])
        ends = _foot_of(run.source, run.t1, at), _foot_of(following.source, following.t0, at)
        out.append(_Joint(*ends, at))
    return out


def _natural_joint(lookup: _Lookup, a: _Source, b: _Source) -> _Joint | None:
    """Where a smooth edge goes on, or a corner's arc begins or ends: nothing to look for."""
    if a.ring != b.ring:
        return None
    path = lookup.rings[a.ring].path
    at_arc = a.is_corner != b.is_corner and (
        a.index == b.index if b.is_corner else (a.index + 1) % len(path) == b.index
    )
    if at_arc or (_follows(lookup, a, b) and abs(lookup.turn(a.ring, a.index)) < math.radians(0.6)):
        return _Joint(1.0, 0.0, (a.spot(1.0)[0] + b.spot(0.0)[0]) / 2)
    return None


def _foot_of(source: _Source, t: float, point: complex) -> float:
    """The parameter near t whose place on the moved line is nearest to the point."""
    for _ in range(12):
        here, speed = source.spot(t)
        if abs(speed) < 1e-9:
            break
        change = dot(speed, point - here) / abs(speed) ** 2
        change = max(-0.1, min(0.1, change))
        t = min(1.0, max(0.0, t + change))
        if abs(change) < 1e-9:
            break
    return t


def _past_corners(
    lookup: _Lookup, proof: _Proof, runs: list[_Run], joints: list[_Joint]
) -> tuple[list[_Run], list[_Joint]]:
    """Corner arcs left out where running straight past the corner is short and has room."""
    kept: list[_Run] = []
    out: list[_Joint] = []
    tips = _tips(lookup, proof, runs)
    for k, run in enumerate(runs):
        tip = tips.get(k)
        if tip is None:
            kept.append(run)
            out.append(joints[k])
        elif out:
            out[-1] = tip
        else:
            joints = [*joints[:-1], tip]  # the corner comes first: the last run meets the second
    return (kept, out) if len(kept) > 1 else (runs, joints)


def _tips(lookup: _Lookup, proof: _Proof, runs: list[_Run]) -> dict[int, _Joint]:
    """The corners that may be run past, and where."""
    tips, lines = dict[int, _Joint](), list[list[complex]]()
    for k, run in enumerate(runs):
        arc = run.source.line
        tip = _tip(lookup, runs, k, arc) if run.source.is_corner and isinstance(arc, Arc) else None
        if tip is not None and isinstance(arc, Arc):
            tips[k] = tip
            lines.append([arc.start, tip.point, arc.end])
    if not tips:
        return {}
    keeps = proof.keeps_each(np.array(lines), slack=0.01).tolist()
    return {k: tip for (k, tip), is_kept in zip(tips.items(), keeps, strict=True) if is_kept}


def _tip(lookup: _Lookup, runs: list[_Run], k: int, arc: Arc) -> _Joint | None:
    corner = runs[k].source
    a, b = runs[k - 1].source, runs[(k + 1) % len(runs)].source
    whole = _follows(lookup, a, b) and a.index == corner.index
    if not whole or len(runs) < 3:
        return None
    half = arc.sweep_rad / 2
    if math.cos(half) < 1 / LONGEST_MITRE:
        return None
    reach = arc.radius * math.tan(half)
    sources = (a, b)
    for source, run in zip(sources, (runs[k - 1], runs[(k + 1) % len(runs)]), strict=True):
        is_bent = not isinstance(source.line, Line)
        if is_bent and half > math.radians(25) and reach > 0.08 * run.length:
            return None
    tip = arc.centre + (arc.point(0.5) - arc.centre) / math.cos(half)
    speeds = [max(abs(source.spot(t)[1]), 1e-9) for source, t in ((a, 1.0), (b, 0.0))]
    found = a.meets(b, 1 + reach / speeds[0], -reach / speeds[1])
    if found is None:
        return None
    point = a.spot(found[0])[0]
    return None if abs(point - tip) > 0.3 + 0.5 * reach else _Joint(found[0], found[1], point)


def _chained(runs: list[_Run], joints: list[_Joint], fit: float) -> Path:
    """The moved pieces, each from joint to joint, as a closed path."""
    spans = []
    for k in range(len(runs)):
        start, end = joints[k - 1], joints[k]
        spans.append(_Span(start.t_start, end.t_end, start.point, end.point))
    pieces: list[list[Segment]] = [[] for _ in runs]
    bent = []
    for k, (run, span) in enumerate(zip(runs, spans, strict=True)):
        line = run.source.line
        if isinstance(line, Line):
            pieces[k] = [replace(line, start=span.a, end=span.b)]
        elif isinstance(line, Arc):
            pieces[k] = [_arc(line, span.t0, span.t1, span.a, span.b)]
        else:
            bent.append(k)
    if bent:
        made = _cubics([runs[k].source for k in bent], [spans[k] for k in bent], fit)
        for k, cubics in zip(bent, made, strict=True):
            pieces[k] = cubics
    return _closed([piece for some in pieces for piece in some])


def _closed(segments: list[Segment]) -> Path:
    """A closed path of the pieces that have a length."""
    kept = [s for s in segments if s.length > 1e-6] or segments[:1]
    return Path(tuple(kept), True)


@dataclass(frozen=True, slots=True)
class _Span:
    """A stretch of a moved line: its parameters, and exactly where its ends shall lie."""

    t0: float
    t1: float
    a: complex
    b: complex


def _arc(line: Arc, t0: float, t1: float, a: complex, b: complex) -> Arc:
    """The arc from a to b with nearly the same centre, so that both ends lie on it."""
    sweep = line.sweep_rad * (t1 - t0)
    chord = b - a
    if abs(chord) < 1e-9 or abs(sweep) < 1e-9:
        return replace(line, start=a, sweep_rad=sweep)
    across = 1j * unit(chord)
    middle = (a + b) / 2
    centre = middle + across * dot(across, line.centre - middle)
    turned = cmath.phase((b - centre) / (a - centre))
    turned += 2 * math.pi * round((sweep - turned) / (2 * math.pi))
    return replace(line, start=a, centre=centre, sweep_rad=turned)


def _cubics(sources: list[_Source], spans: list[_Span], fit: float) -> list[list[Segment]]:
    """As few cubics as follow each moved line within tolerance; tangents are the edge's own.

    All are fitted at once; those that fall short are halved, and the halves fitted, three times.
    """
    # a piece is known by its source's number and the halves it lies in, so that all sort in order
    todo: list[tuple[tuple[int, ...], _Span]] = [((k,), span) for k, span in enumerate(spans)]
    done: list[tuple[tuple[int, ...], Segment]] = []
    for depth in range(MOST_HALVINGS + 1):
        fitted = _fitted_at_once([sources[key[0]] for key, _ in todo], [span for _, span in todo])
        limit = math.inf if depth == MOST_HALVINGS else fit
        halves: list[tuple[tuple[int, ...], _Span]] = []
        for (key, span), one in zip(todo, fitted, strict=True):
            if one.worst <= limit:
                done.append((key, one.piece))
            else:
                first = replace(span, t1=one.middle_t, b=one.middle)
                second = replace(span, t0=one.middle_t, a=one.middle)
                halves += [((*key, 0), first), ((*key, 1), second)]
        todo = halves
        if not todo:
            break
    out: list[list[Segment]] = [[] for _ in sources]
    for key, piece in sorted(done, key=itemgetter(0)):
        out[key[0]].append(piece)
    return out


@dataclass(frozen=True, slots=True)
class _Fitted:
    """A cubic, how far it lies from what it stands for, and where to halve that."""

    piece: Segment
    worst: float
    middle: complex
    middle_t: float


def _fitted_at_once(sources: list[_Source], spans: list[_Span]) -> list[_Fitted]:
    cubics = [source.line for source in sources if isinstance(source.line, Cubic)]
    ends = np.array([(span.t0, span.t1) for span in spans])
    t = ends[:, :1] + (ends[:, 1:] - ends[:, :1]) * np.linspace(0, 1, 33)
    shift = np.array([[source.shift] for source in sources])
    points = _moved(_powers(*cubics), shift, t)
    points[:, 0] = [span.a for span in spans]
    points[:, -1] = [span.b for span in spans]
    along = np.cumsum(np.abs(np.diff(points, axis=1, prepend=points[:, :1])), axis=1)
    total = along[:, -1:]
    tangents = np.array(
        [(s.tangent(e.t0), s.tangent(e.t1)) for s, e in zip(sources, spans, strict=True)]
    )
    u = along / np.maximum(total, 1e-12)
    handles, worst = _handles(points, u, tangents)
    k = np.clip(np.argmin(np.abs(along - total / 2), axis=1), 4, 28)[:, None]
    middles, ts = np.take_along_axis(points, k, 1), np.take_along_axis(t, k, 1)
    out = []
    for n, (span, cubic) in enumerate(zip(spans, cubics, strict=True)):
        one, two = complex(handles[n, 0]), complex(handles[n, 1])
        piece: Segment = replace(cubic, start=span.a, control1=one, control2=two, end=span.b)
        if total[n, 0] < 1e-9:
            piece, worst[n] = Line(span.a, span.b, cubic.kind), 0.0
        out.append(_Fitted(piece, float(worst[n]), complex(middles[n, 0]), float(ts[n, 0])))
    return out


def _handles(points: Complexes, u: Floats, tangents: Complexes) -> tuple[Complexes, Floats]:
    """Controls of the cubics with ends and tangents given, and their worst distances.

    Least squares for the two handles' lengths on the distance across the curve (Gauss-Newton),
    each point's parameter moved to its foot in between. One row for each cubic; those that lie
    close enough are done.
    """
    a, b, head, tail = points[:, :1], points[:, -1:], tangents[:, :1], tangents[:, 1:]
    size = np.abs(np.diff(points, axis=1)).sum(axis=1, keepdims=True)
    h1 = h2 = size / 3
    controls = np.hstack([a + h1 * head, b - h2 * tail])
    best = np.full(len(points), np.inf)
    open_ = np.arange(len(points))
    for _ in range(7):
        curve = _powers_of(a, a + h1 * head, b - h2 * tail, b)
        worst, u, speed, off = _feet(curve, points, u)
        better = worst < best[open_]
        best[open_[better]] = worst[better]
        controls[open_[better]] = np.hstack([a + h1 * head, b - h2 * tail])[better]
        left = worst >= FIT_MM / 4
        if not left.any():
            break
        across = 1j * speed / np.maximum(np.abs(speed), 1e-12)
        gap = (across.conjugate() * off).real
        change1, change2 = _changes(u, across, gap, (head, tail))
        h1 = np.clip(h1 + change1, 0.02 * size, 1.5 * size)
        h2 = np.clip(h2 + change2, 0.02 * size, 1.5 * size)
        open_, points, u, h1, h2 = open_[left], points[left], u[left], h1[left], h2[left]
        a, b, head, tail, size = a[left], b[left], head[left], tail[left], size[left]
    return controls, best


def _changes(
    u: Floats, across: Complexes, gap: Floats, tangents: tuple[Complexes, Complexes]
) -> tuple[Floats, Floats]:
    """By how much longer both handles should be: one Gauss-Newton step."""
    s = 1 - u
    one = 3 * s * s * u * (across.conjugate() * tangents[0]).real
    two = -3 * s * u * u * (across.conjugate() * tangents[1]).real
    # a straight stretch leaves the lengths open: the damping keeps them where they are
    g11 = (one * one).sum(axis=1, keepdims=True) + 1e-6
    g22 = (two * two).sum(axis=1, keepdims=True) + 1e-6
    g12 = (one * two).sum(axis=1, keepdims=True)
    r1, r2 = (one * gap).sum(axis=1, keepdims=True), (two * gap).sum(axis=1, keepdims=True)
    det = g11 * g22 - g12 * g12
    return (r1 * g22 - r2 * g12) / det, (r2 * g11 - r1 * g12) / det


def _feet(
    curve: _Powers, points: Complexes, u: Floats
) -> tuple[Floats, Floats, Complexes, Complexes]:
    """Largest distance of each row's points, their feet, and there the speed and the offset."""
    for _ in range(2):
        off = points - _places(curve, u)
        speed = _speeds(curve, u)
        step = (speed.conjugate() * off).real / np.maximum(np.abs(speed) ** 2, 1e-12)
        u = np.clip(u + np.clip(step, -0.2, 0.2), 0.0, 1.0)
    u[:, 0], u[:, -1] = 0.0, 1.0
    off = points - _places(curve, u)
    return np.abs(off).max(axis=1), u, _speeds(curve, u), off


def _without_short_lines(path: Path, proof: _Proof) -> Path:
    """Straight pieces under a millimetre left out where their neighbours can meet instead."""
    segments = list(path.segments)
    k = 0
    while k < len(segments) and len(segments) > 3:
        line = segments[k]
        is_short = isinstance(line, Line) and line.length < SHORTEST_LINE_MM
        if is_short and not getattr(line, "is_tie_side", False):
            met = _met(segments[k - 1], segments[(k + 1) % len(segments)], proof)
            if met is not None:
                segments[k - 1], segments[(k + 1) % len(segments)] = met
                del segments[k]
                continue
        k += 1
    return Path(tuple(segments), True)


def _met(a: Segment, b: Segment, proof: _Proof) -> tuple[Segment, Segment] | None:
    """Both neighbours of a short straight, moved to one point between them."""
    middle = (a.end + b.start) / 2
    points = [middle]
    if isinstance(a, Line) and isinstance(b, Line):
        found = _Source(0, 0, False, a).meets(_Source(0, 0, False, b), 1.0, 0.0)
        if found is not None and abs(a.point(found[0]) - middle) < 2 * SHORTEST_LINE_MM:
            points.insert(0, a.point(found[0]))
    for point in points:
        first, second = _ending_at(a, point), _ending_at(b.reversed(), point).reversed()
        flat = np.concatenate([first.points_at(_TENTHS), second.points_at(_TENTHS)])
        if proof.keeps(flat, slack=0.02):
            return first, second
    return None


_TENTHS = np.linspace(0, 1, 17)


def _ending_at(segment: Segment, point: complex) -> Segment:
    """The segment with its end moved a little, its start and directions nearly kept."""
    if isinstance(segment, Line):
        return replace(segment, end=point)
    if isinstance(segment, Arc):
        return _arc(segment, 0.0, 1.0, segment.start, point)
    shift = point - segment.end
    return replace(segment, control2=segment.control2 + shift, end=point)


def _touches(lookup: _Lookup, runs: list[_Run], joints: list[_Joint]) -> tuple[Touch, ...]:
    out = []
    for k, run in enumerate(runs):
        source, following = run.source, runs[(k + 1) % len(runs)].source
        n = len(lookup.rings[source.ring].path)
        is_next = source.ring == following.ring and (
            (following.is_corner and following.index == source.index)
            or (not following.is_corner and (source.index + 1) % n == following.index)
        )
        t0, t1 = (1.0, 1.0) if source.is_corner else (joints[k - 1].t_start, joints[k].t_end)
        t0, t1 = min(1.0, max(0.0, t0)), min(1.0, max(0.0, t1))
        out.append(Touch(source.ring, source.index, t0, t1, joints[k].point, is_next))
    return tuple(out)
