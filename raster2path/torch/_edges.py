"""The edges that are cut, as arrays: flattened, and each piece's corner, direction and turn."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely

from raster2path.geometry import (
    Arc,
    Complexes,
    Cubic,
    Path,
    Points,
    Segment,
    signed_area,
    to_complex,
    to_points,
)

FLATNESS_MM = 0.002
"""Edges are flattened this finely to find what remains; a tenth of any figure elsewhere."""

HAIRPIN_RAD = math.radians(160)

PIECES_AT_ONCE = 4
"""A long line is looked up in stretches of so many pieces: each has but few edges near."""

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]
Lines = npt.NDArray[np.object_]
Powers = tuple[Complexes, Complexes, Complexes, Complexes]
"""Coefficients of the powers of t: 1, t, t² and t³."""


@dataclass(frozen=True, slots=True, eq=False)
class Tagged:
    """A closed path, flattened; each point knows its segment and parameter.

    Attributes:
        coords: n points (n, 2), the first not repeated.
        index: the segment that leads from each point to the next.
        t0, t1: parameters on it, there and at the next point.
        area: signed, positive where the path runs clockwise, as seen.
    """

    path: Path
    coords: Points
    index: Ints
    t0: Floats
    t1: Floats
    area: float

    @property
    def points(self) -> Complexes:
        """The points as complex numbers."""
        return to_complex(self.coords)


def tagged(path: Path) -> Tagged:
    """The flattened path whose points know where they come from."""
    steps = np.array([segment.n_steps(FLATNESS_MM) for segment in path])
    coords = path.flat(FLATNESS_MM)
    index = np.repeat(np.arange(len(path)), steps)
    k = np.arange(len(coords)) - np.repeat(np.cumsum(steps) - steps, steps)
    n = steps[index]
    return Tagged(path, coords, index, k / n, (k + 1) / n, signed_area(coords))


class Pieces:
    """All segments of several closed edges, one row each, ring after ring.

    Attributes:
        ring, index: which segment of which ring a row is.
        before, after: the rows before and after it, round its ring.
        powers: of lines and cubics.
        is_round: True for arcs; they have centre, spoke (from there to the start) and sweep.
        heads, tails: direction of travel at the start and at the end, length one.
        turn: how far travel turns at the end; positive: a corner of the metal.
        length: of the flattened piece.
    """

    def __init__(self, rings: Sequence[Tagged]) -> None:
        self.rings = rings
        self.segments = [segment for ring in rings for segment in ring.path]
        counts = np.array([len(ring.path) for ring in rings])
        self.first = np.cumsum(counts) - counts
        self.ring = np.repeat(np.arange(len(rings)), counts)
        rows = np.arange(len(self.segments))
        self.index = rows - self.first[self.ring]
        last = self.first + counts - 1
        self.after, self.before = rows + 1, rows - 1
        self.after[last], self.before[self.first] = self.first, last
        self.start = np.array([segment.start for segment in self.segments])
        self.is_round = np.array([isinstance(segment, Arc) for segment in self.segments])
        self.is_cubic = np.array([isinstance(segment, Cubic) for segment in self.segments])
        self.powers = _powers(self.segments)
        self.centre, self.spoke, self.sweep = _wheels(self.segments)
        self.heads, self.tails = self._headings(0.0), self._headings(1.0)
        self.turn = self._turns()
        self.length = self._lengths()

    def _headings(self, t: float) -> Complexes:
        ts = np.full(len(self.segments), t)
        speed = speeds(self.powers, ts)
        round_ = self.is_round
        spin = 1j * np.sign(self.sweep[round_]) * np.exp(1j * self.sweep[round_] * t)
        speed[round_] = self.spoke[round_] * spin
        size = np.abs(speed)
        return np.where(size > 1e-12, speed / np.maximum(size, 1e-300), 1 + 0j)

    def _turns(self) -> Floats:
        """A turn right back may be a needle of metal or of the drop.

        Only a needle of metal is ever asked for: the torch gets nowhere near the tip of the other.
        """
        turn = np.angle(self.heads[self.after] / self.tails)
        return np.where(turn < -HAIRPIN_RAD, turn + 2 * math.pi, turn)

    def _lengths(self) -> Floats:
        out = np.zeros(len(self.segments))
        for first, ring in zip(self.first.tolist(), self.rings, strict=True):
            z = ring.points
            out += np.bincount(ring.index + first, np.abs(np.roll(z, -1) - z), minlength=len(out))
        return out


def _powers(segments: Sequence[Segment]) -> Powers:
    nought = 0j
    rows = [
        (s.start, 3 * (s.control1 - s.start), 3 * (s.start - 2 * s.control1 + s.control2), s.end)
        if isinstance(s, Cubic)
        else (s.start, nought if isinstance(s, Arc) else s.end - s.start, nought, s.start)
        for s in segments
    ]
    c = np.array(rows).reshape(-1, 4).T
    is_cubic = np.array([isinstance(s, Cubic) for s in segments])
    return c[0], c[1], c[2], np.where(is_cubic, c[3] - c[0] - c[1] - c[2], 0j)


def _wheels(segments: Sequence[Segment]) -> tuple[Complexes, Complexes, Floats]:
    rows = [
        (s.centre, s.start - s.centre, s.sweep_rad) if isinstance(s, Arc) else (0j, 1j, 1.0)
        for s in segments
    ]
    c = np.array(rows, np.complex128).reshape(-1, 3).T
    return c[0], c[1], np.ascontiguousarray(c[2].real)


def places(c: Powers, t: Floats) -> Complexes:
    """Where parameters lie."""
    return np.asarray(c[0] + t * (c[1] + t * (c[2] + t * c[3])))


def speeds(c: Powers, t: Floats) -> Complexes:
    """First derivative; where it vanishes at an end, that a little way inside."""
    v = np.asarray(c[1] + t * (2 * c[2] + 3 * t * c[3]))
    chord = c[1] + c[2] + c[3]
    still = np.abs(v) < 1e-6 * np.maximum(np.abs(chord) + np.abs(c[1]) / 3, 1e-9)
    if still.any():
        inside = np.where(t < 0.5, t + 1e-3, t - 1e-3)
        v = np.where(still, c[1] + inside * (2 * c[2] + 3 * inside * c[3]), v)
    return v


def stretches(coords: Points, counts: Ints) -> tuple[Lines, Ints]:
    """Closed polylines, one after the other, as short open ones, and which each is of.

    Args:
        coords: points (n, 2) of all of them; no first point is repeated.
        counts: how many points each has.
    """
    n_each = -(-counts // PIECES_AT_ONCE)
    own = np.repeat(np.arange(len(counts)), n_each)
    begin = (np.arange(len(own)) - np.repeat(np.cumsum(n_each) - n_each, n_each)) * PIECES_AT_ONCE
    sizes = np.minimum(PIECES_AT_ONCE, counts[own] - begin) + 1
    which = np.repeat(np.arange(len(own)), sizes)
    at = np.arange(len(which)) - np.repeat(np.cumsum(sizes) - sizes, sizes) + begin[which]
    at = at % counts[own][which] + (np.cumsum(counts) - counts)[own][which]
    return np.asarray(shapely.linestrings(coords[at], indices=which)), own


class Proof:
    """Whether lines keep their distance from the edges of the face that they run in.

    Edges of another face do not count: what lies between is metal, however thin.
    """

    def __init__(self, rings: Sequence[Tagged], faces: Ints) -> None:
        """Rings, and for each the face that it bounds."""
        counts = np.array([len(ring.coords) for ring in rings])
        lines, own = stretches(np.concatenate([ring.coords for ring in rings]), counts)
        self.lines, self.faces = lines, faces[own]
        self.tree = shapely.STRtree(lines, node_capacity=4)  # twice as fast as with ten

    def keeps(self, lines: Lines, faces: npt.ArrayLike, distance: npt.ArrayLike) -> Bools:
        """For each line, True where no edge of its face comes nearer than its distance."""
        out = np.ones(len(lines), np.bool_)
        line, edge = self.tree.query(lines, predicate="dwithin", distance=distance)
        own = np.broadcast_to(np.asarray(faces), (len(lines),))
        out[line[self.faces[edge] == own[line]]] = False
        return out

    def clearance(self, points: Complexes, faces: Ints, most: float) -> Floats:
        """Each point's distance from its face's edges, where that is less than `most`."""
        spots = shapely.points(to_points(points))
        spot, edge = self.tree.query(spots, predicate="dwithin", distance=most)
        own = self.faces[edge] == faces[spot]
        spot, edge = spot[own], edge[own]
        out = np.full(len(points), most)
        np.minimum.at(out, spot, shapely.distance(spots[spot], self.lines[edge]))
        return out
