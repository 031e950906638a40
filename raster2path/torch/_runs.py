"""Which piece of edge, or corner of the metal, each stretch of an eroded drop's boundary is beside.

Planar geometry finds out *which* stretches of the moved edges remain; every stretch of that
boundary lies at the distance from one known piece of edge, or round one corner of the metal.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely

from raster2path.geometry import Complexes, to_points
from raster2path.torch._edges import Bools, Floats, Ints, speeds
from raster2path.torch._joints import CORNER_RAD, Runs
from raster2path.torch._moved import Moved

N_FOLD_STEPS = 128


@dataclass(frozen=True, slots=True)
class Run:
    """A stretch of the eroded drop's boundary that is beside one piece of edge.

    Attributes:
        row: of the moved line.
        t0, t1: parameters on it, at the stretch's first and last bit.
        first, last: indices of its first and last bit of boundary.
    """

    row: int
    t0: float
    t1: float
    first: int
    last: int
    length: float


class Lookup:
    """Finds the piece of edge, or the corner, that a point of the boundary is nearest to."""

    def __init__(self, moved: Moved, rings: Sequence[int]) -> None:
        """Only edges of the rings given (numbers among the pieces' rings) are looked at."""
        self.moved = moved
        pieces = moved.pieces
        some = [pieces.rings[k] for k in rings]
        self.rows = np.concatenate(
            [ring.index + pieces.first[k] for k, ring in zip(rings, some, strict=True)]
        )
        self.t0 = np.concatenate([ring.t0 for ring in some])
        self.t1 = np.concatenate([ring.t1 for ring in some])
        self.a = np.concatenate([ring.points for ring in some])
        self.b = np.concatenate([np.roll(ring.points, -1) for ring in some])
        self.distance = float(moved.distance[pieces.first[rings[0]]])
        ends = np.stack([to_points(self.a), to_points(self.b)], axis=1)
        self.tree = shapely.STRtree(shapely.linestrings(ends), node_capacity=4)  # twice as fast
        self._folds: dict[int, tuple[float, ...]] = {}

    def near(self, points: Complexes) -> Near:
        """The nearest bit of edge to each point."""
        pairs, gaps = self.tree.query_nearest(
            shapely.points(to_points(points)), return_distance=True, all_matches=False
        )
        bits = pairs[1]
        along = self.b[bits] - self.a[bits]
        share = (along.conjugate() * (points - self.a[bits])).real / np.abs(along) ** 2
        share = np.clip(share, 0.0, 1.0)
        t = self.t0[bits] + share * (self.t1[bits] - self.t0[bits])
        return Near(self.rows[bits], t, self.a[bits] + share * along, gaps)

    def labels(self, points: Complexes, near: Near) -> tuple[Ints, Floats]:
        """Which moved line each point lies on, and at what parameter."""
        pieces, t = self.moved.pieces, near.t.copy()
        before = np.where(t > 0.5, near.rows, pieces.before[near.rows])
        at_end = (t <= 1e-9) | (t >= 1 - 1e-9)
        is_corner = at_end & (pieces.turn[before] > CORNER_RAD)
        rows = np.where(is_corner, before + self.moved.n, near.rows)
        corner = rows[is_corner]
        spokes = (points[is_corner] - self.moved.centre[corner]) / self.moved.spoke[corner]
        t[is_corner] = np.clip(np.angle(spokes) / self.moved.sweep[corner], 0.0, 1.0)
        return rows, t

    def folds(self, row: int) -> tuple[float, ...]:
        """Parameters where a cubic bends more tightly than the distance, amid each such stretch.

        Its moved line runs backwards there.
        """
        if row >= self.moved.n or not self.moved.pieces.is_cubic[row]:
            return ()
        if row not in self._folds:
            self._folds[row] = _folds(self.moved, row)
        return self._folds[row]


@dataclass(frozen=True, slots=True, eq=False)
class Near:
    """For each of many points the nearest piece of edge: its row, parameter, place, distance."""

    rows: Ints
    t: Floats
    feet: Complexes
    gaps: Floats


def _folds(moved: Moved, row: int) -> tuple[float, ...]:
    rows, t = np.array([row]), np.linspace(0, 1, N_FOLD_STEPS + 1)
    steps = np.diff(moved.along(rows, t[None])[0])
    forward = (speeds(moved.powers(rows), (t[1:] + t[:-1]) / 2).conjugate() * steps).real
    backward = forward < 0
    edges = np.flatnonzero(np.diff(np.concatenate([[False], backward, [False]]).astype(int)))
    return tuple(
        float(t[a + int(np.argmin(forward[a:b]))]) for a, b in edges.reshape(-1, 2).tolist()
    )


def runs_along(lookup: Lookup, boundary: Complexes) -> list[Run] | None:
    """The boundary's stretches by piece, in order of travel; None where it is no edge's."""
    ahead = np.roll(boundary, -1)
    middles, sizes = (boundary + ahead) / 2, np.abs(ahead - boundary)
    near = lookup.near(middles)
    if float(np.sort(near.gaps)[len(middles) // 2]) > 1.05 * lookup.distance + 0.05:
        return None
    rows, t = lookup.labels(middles, near)
    gaps = np.abs(middles - np.roll(middles, 1))
    leaps = np.abs(near.feet - np.roll(near.feet, 1)) > np.maximum(4 * gaps, 0.3)
    is_new = (rows != np.roll(rows, 1)) | leaps | (t < np.roll(t, 1) - 0.5)
    is_new |= _over_folds(lookup, rows, t)
    n = len(rows)
    starts = np.flatnonzero(is_new).tolist() or [0]
    ends = [*starts[1:], starts[0] + n]
    total = np.concatenate([[0.0], np.cumsum(np.concatenate([sizes, sizes]))])
    return [
        Run(
            row=int(rows[a]),
            t0=float(t[a]),
            t1=float(t[(b - 1) % n]),
            first=a,
            last=(b - 1) % n,
            length=float(total[b] - total[a]),
        )
        for a, b in zip(starts, ends, strict=True)
    ]


def _over_folds(lookup: Lookup, rows: Ints, t: Floats) -> Bools:
    """Where the boundary leaps over a stretch of its piece that is folded away."""
    out, before = np.zeros(len(rows), np.bool_), np.roll(t, 1)
    same = rows == np.roll(rows, 1)
    for row in np.unique(rows).tolist():
        for fold in lookup.folds(row):
            out |= same & (rows == row) & (before < fold) & (fold < t)
    return out


def without_crumbs(lookup: Lookup, runs: list[Run], crumb: float) -> list[Run]:
    """The runs that are long enough; what then follows on the same piece is one run."""
    kept = [run for run in runs if run.length > crumb]
    out: list[Run] = []
    for run in kept or runs[:1]:
        if out and _goes_on(lookup, out[-1], run):
            out[-1] = _merged(out[-1], run)
        else:
            out.append(run)
    if len(out) > 1 and _goes_on(lookup, out[-1], out[0]):
        out[0] = _merged(out.pop(), out[0])
    return out


def _goes_on(lookup: Lookup, a: Run, b: Run) -> bool:
    """True where one run carries on the other, with at most a crumb between them."""
    is_near = a.row == b.row and -0.05 < b.t0 - a.t1 < 0.2
    return is_near and not any(a.t1 < fold < b.t0 for fold in lookup.folds(a.row))


def _merged(a: Run, b: Run) -> Run:
    return replace(a, t1=b.t1, last=b.last, length=a.length + b.length)


def in_a_ring(runs: Sequence[Run]) -> Runs:
    """The same as arrays."""
    at = np.arange(len(runs))
    return Runs(
        rows=np.array([run.row for run in runs]),
        t0=np.array([run.t0 for run in runs]),
        t1=np.array([run.t1 for run in runs]),
        lengths=np.array([run.length for run in runs]),
        before=np.roll(at, 1),
        after=np.roll(at, -1),
    )
