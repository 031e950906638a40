"""Closed edges moved into the drop by a distance: lines stay lines, arcs arcs, cubics cubics."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import shapely

from raster2path.geometry import (
    Complexes,
    Line,
    Path,
    signed_area,
    to_complex,
    to_points,
)
from raster2path.torch._chain import chained, closed, spans_of
from raster2path.torch._edges import FLATNESS_MM, Pieces, Proof, Tagged, stretches
from raster2path.torch._joints import LONGEST_MITRE, Joints, Runs, joints_between, past_corners
from raster2path.torch._moved import Moved
from raster2path.torch._plain import SLACK_MM, PlainLines, plain_lines
from raster2path.torch._refit import FIT_MM
from raster2path.torch._round import CRUMB_MM
from raster2path.torch._runs import Lookup, Run, in_a_ring, runs_along, without_crumbs
from raster2path.torch._short import without_short_lines


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
        owner: the ring along which most of it runs; the first of equals.
        touches: the stretches of edge that it runs along; empty where it follows one ring all
            round, piece by piece.
    """

    path: Path
    part: int
    is_inner: bool
    owner: int
    touches: tuple[Touch, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Eroded:
    """What the middle of the arc may travel in, and the lines round it.

    Attributes:
        area: the parts, in order; None where each line follows one ring all round.
    """

    area: shapely.Geometry | None
    rings: tuple[OffsetRing, ...]


NOTHING = Eroded(shapely.Polygon(), ())


def erode(rings: Sequence[Tagged], face: shapely.Polygon, distance_mm: float) -> Eroded:
    """The face less a margin along its edges, as closed lines of lines, arcs and cubics.

    Args:
        rings: the closed edges that bound the face; the face lies to the left of their travel.
        face: the drop: the polygon between the rings. Boundary that is no ring's is ignored.
        distance_mm: the margin, above 0.

    Returns:
        All lines, those of one part together; each is simple, keeps the distance to within
        0.02 mm, and encloses what the eroded face does to within a sliver. None where the face is
        too narrow.
    """
    faces = np.zeros(len(rings), np.int64)
    moved, proof = Moved(Pieces(rings), distance_mm), Proof(rings, faces)
    plain = plain_lines(moved, proof, faces, np.ones(len(rings), np.bool_), 0.1)
    every = list(range(len(rings)))
    return follow(plain, every) or erode_any(moved, proof, 0, every, face)


def follow(plain: PlainLines, rings: Sequence[int]) -> Eroded | None:
    """A face's lines where it is plain: along each ring one; else None."""
    if not all(ring in plain.paths for ring in rings):
        return None
    lines = [OffsetRing(plain.paths[ring], 0, plain.is_outer[ring], ring, ()) for ring in rings]
    return Eroded(None, tuple(sorted(lines, key=lambda line: line.is_inner)))


def erode_any(
    moved: Moved, proof: Proof, face: int, rings: Sequence[int], area: shapely.Polygon
) -> Eroded:
    """A face's lines, whatever is in the way: `area`, shrunk by planar geometry, tells.

    Args:
        moved: lines at the distance from the edges.
        proof: whether lines keep a distance.
        face: the face's number there.
        rings: numbers of the rings that bound it.
        area: the face.
    """
    lookup = Lookup(moved, rings)
    shrunk = area.buffer(-lookup.distance, quad_segs=_quarter_steps(lookup.distance))
    parts = [part for part in shapely.get_parts(shrunk) if part.area > 1e-4]
    out = []
    for number, part in enumerate(parts):
        for k, ring in enumerate((part.exterior, *part.interiors)):
            boundary = _directed(ring, is_inner=k > 0)
            made = _Tracer(lookup, proof, face, boundary).line()
            if made is not None:
                path, owner, touches = made
                out.append(OffsetRing(path, number, k > 0, owner, touches))
    return Eroded(shapely.MultiPolygon(parts), tuple(out)) if parts else NOTHING


def _quarter_steps(radius_mm: float) -> int:
    """In how many steps a quarter circle lies within the flatness."""
    step = 2 * math.acos(1 - min(1.0, FLATNESS_MM / radius_mm))
    return max(8, math.ceil(math.pi / 2 / step))


def _directed(ring: shapely.LinearRing, *, is_inner: bool) -> Complexes:
    """The ring's points, the eroded drop to the left of travel, none repeated."""
    z = to_complex(shapely.get_coordinates(ring))[:-1]
    z = z[np.abs(z - np.roll(z, 1)) > 1e-7]
    return z if (signed_area(to_points(z)) > 0) == is_inner else z[::-1]


class _Tracer:
    """Makes one line of the pieces that the boundary of an eroded drop runs along."""

    def __init__(self, lookup: Lookup, proof: Proof, face: int, boundary: Complexes) -> None:
        self.lookup, self.moved = lookup, lookup.moved
        self.proof, self.face, self.boundary = proof, face, boundary
        self.ring = shapely.LinearRing(to_points(boundary))

    def line(self) -> tuple[Path, int, tuple[Touch, ...]] | None:
        """The line, the ring that owns it, and what it touches; None where it is no edge's."""
        found = runs_along(self.lookup, self.boundary)
        if found is None:
            return None
        runs = without_crumbs(self.lookup, found, CRUMB_MM)
        joints = self._joints(runs)
        owner = self._owner(found)
        touches = self._touches(in_a_ring(runs), joints)
        made = []
        for path in self._tries(found, runs, joints):
            if self._is_true(path, SLACK_MM):
                return path, owner, touches
            made.append(path)
        made.append(self._chain(in_a_ring(found), self._joints(found, pinned=True), FIT_MM / 3))
        # in a waist as wide as the kerf, planar geometry itself comes nearer: that may stay so
        given = self.lookup.distance - float(self.lookup.near(self.boundary).gaps.min())
        for path in made:
            if self._is_true(path, SLACK_MM + max(0.0, given)):
                return path, owner, touches
        return _polyline(self.boundary), owner, touches

    def _owner(self, found: list[Run]) -> int:
        rings = self.moved.pieces.ring[self.moved.piece(np.array([run.row for run in found]))]
        return int(np.argmax(np.bincount(rings, [run.length for run in found])))

    def _joints(self, runs: list[Run], *, pinned: bool = False) -> Joints:
        n = len(self.boundary)
        leaves = self.boundary[[(run.last + 1) % n for run in runs]]
        enters = np.roll(self.boundary[[run.first for run in runs]], -1)
        pins = np.full(len(runs), pinned)
        return joints_between(
            self.moved, in_a_ring(runs), self.ring, leaves=leaves, enters=enters, pinned=pins
        )

    def _chain(self, runs: Runs, joints: Joints, fit: float) -> Path:
        return closed(chained(self.moved, spans_of(runs, joints), fit))

    def _tries(self, found: list[Run], runs: list[Run], joints: Joints) -> Iterator[Path]:
        """Paths along the boundary, best first; each is made only when those before fell short."""
        for crumb, fit in ((CRUMB_MM, FIT_MM), (CRUMB_MM / 6, FIT_MM / 3)):
            if crumb < CRUMB_MM:
                runs = without_crumbs(self.lookup, found, crumb)
                joints = self._joints(runs)
            crisp = self._chain(*self._past_corners(in_a_ring(runs), joints), fit)
            calm = without_short_lines(crisp, lambda z: self._keeps(z, SLACK_MM))
            yield calm
            if len(calm) < len(crisp):
                yield crisp
            yield self._chain(in_a_ring(runs), joints, fit)

    def _past_corners(self, runs: Runs, joints: Joints) -> tuple[Runs, Joints]:
        if len(runs.rows) < 3:
            return runs, joints
        faces = np.full(len(runs.rows), self.face)
        allowed = np.ones(len(runs.rows), np.bool_)
        crisp, left_out = past_corners(
            self.moved, self.proof, runs, joints, faces=faces, allowed=allowed
        )
        fewer, kept = runs.without(left_out)
        return (fewer, crisp.of(kept)) if len(kept) > 1 else (runs, joints)

    def _keeps(self, points: Complexes, slack: float) -> bool:
        line = shapely.linestrings(to_points(points)[None])
        return bool(self.proof.keeps(line, self.face, self.lookup.distance - slack)[0])

    def _is_true(self, path: Path, slack: float) -> bool:
        """The path is simple, keeps its distance, and encloses what the boundary does."""
        flat = path.flat(FLATNESS_MM)
        if len(flat) < 3:
            return False
        lines, _ = stretches(flat, np.array([len(flat)]))
        if not self.proof.keeps(lines, self.face, self.lookup.distance - slack).all():
            return False
        area = shapely.Polygon(flat)
        return bool(area.is_valid) and self._encloses(area)

    def _encloses(self, area: shapely.Polygon) -> bool:
        line, distance = area.exterior, self.lookup.distance
        # past corners the path runs out, never the boundary away from it by more than the mitre
        shapely.prepare(line)  # so that its pieces are looked up in a tree
        spots = shapely.points(to_points(self.boundary))
        far = spots[~shapely.dwithin(line, spots, 0.1)]
        if not shapely.dwithin(line, far, distance * (LONGEST_MITRE - 1) + 0.1).all():
            return False
        truth = shapely.Polygon(to_points(self.boundary))
        strays = area.symmetric_difference(truth).area
        return bool(strays < 0.03 * line.length + len(far) * 4.0 * distance**2 + 0.05)

    def _touches(self, runs: Runs, joints: Joints) -> tuple[Touch, ...]:
        pieces, rows, n = self.moved.pieces, runs.rows, self.moved.n
        own, following = self.moved.piece(rows), self.moved.piece(rows[runs.after])
        to_corner = rows[runs.after] >= n
        is_next = np.where(to_corner, own == following, pieces.after[own] == following)
        is_next &= pieces.ring[own] == pieces.ring[following]
        t0 = np.where(rows >= n, 1.0, np.clip(joints.t_start[runs.before], 0.0, 1.0))
        t1 = np.where(rows >= n, 1.0, np.clip(joints.t_end, 0.0, 1.0))
        fields = (pieces.ring[own], pieces.index[own], t0, t1, joints.points, is_next)
        return tuple(Touch(*row) for row in zip(*(field.tolist() for field in fields), strict=True))


def _polyline(boundary: Complexes) -> Path:
    """The boundary itself in straight pieces: the last resort, true but not pretty."""
    ring = shapely.Polygon(to_points(boundary)).simplify(0.01).exterior
    coords = shapely.get_coordinates(ring)
    is_same = (signed_area(coords[:-1]) > 0) == (signed_area(to_points(boundary)) > 0)
    ends = to_complex(coords if is_same else coords[::-1]).tolist()
    return Path(tuple(Line(a, b) for a, b in pairwise(ends)), True)
