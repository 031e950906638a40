"""Pieces of edge moved into the drop, and the corners of the metal, where the torch goes round."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from raster2path.geometry import Complexes
from raster2path.torch._edges import Bools, Floats, Ints, Pieces, Powers, places, speeds

MOST_STEPS = 30


class Moved:
    """Lines at a distance from edges: row k beside piece k, row n + k round the corner at its end.

    Parameters are the piece's own; beyond 0 and 1 a line goes on (an arc round, others straight).

    Attributes:
        pieces: n pieces of edge.
        distance: how far each is moved, to the left of travel: into the drop.
    """

    def __init__(self, pieces: Pieces, distance: npt.ArrayLike) -> None:
        n = len(pieces.segments)
        self.pieces, self.n = pieces, n
        self.distance = np.broadcast_to(np.asarray(distance, np.float64), (n,))
        size = np.abs(pieces.spoke)
        out = pieces.spoke / np.maximum(size, 1e-300)
        longer = size + np.copysign(self.distance, pieces.sweep)
        corners = pieces.start[pieces.after]
        self.centre = np.concatenate([pieces.centre, corners])
        self.spoke = np.concatenate([out * longer, -1j * pieces.tails * self.distance])
        self.sweep = np.concatenate([pieces.sweep, pieces.turn])
        self.is_round = np.concatenate([pieces.is_round, np.ones(n, np.bool_)])

    def is_corner(self, rows: Ints) -> Bools:
        """True where a row is a corner of the metal."""
        return rows >= self.n

    def piece(self, rows: Ints) -> Ints:
        """The piece of edge; for a corner, that which ends there."""
        return np.where(rows >= self.n, rows - self.n, rows)

    def powers(self, rows: Ints) -> Powers:
        """Powers of the edge itself, for rows that are lines or cubics."""
        a, b, c, d = self.pieces.powers
        return a[rows], b[rows], c[rows], d[rows]

    def spots(self, rows: Ints, t: Floats) -> tuple[Complexes, Complexes]:
        """One place on each line, and the first derivative by t there."""
        round_ = self.is_round[rows]
        if not round_.any():
            return self._beside(rows, t)
        at, speed = np.empty(len(rows), np.complex128), np.empty(len(rows), np.complex128)
        wheels = rows[round_]
        out = self.spoke[wheels] * np.exp(1j * self.sweep[wheels] * t[round_])
        at[round_], speed[round_] = self.centre[wheels] + out, 1j * self.sweep[wheels] * out
        at[~round_], speed[~round_] = self._beside(rows[~round_], t[~round_])
        return at, speed

    def _beside(self, rows: Ints, t: Floats) -> tuple[Complexes, Complexes]:
        c, shift = self.powers(rows), self.distance[rows]
        inner = np.clip(t, 0.0, 1.0)
        plain = c[1] + inner * (2 * c[2] + 3 * inner * c[3])
        speed = speeds(c, inner)
        size = np.maximum(np.abs(speed), 1e-300)
        heading = speed / size
        bend = np.where(plain == speed, 2 * c[2] + 6 * inner * c[3], 0j)
        turning = (heading.conjugate() * bend).imag / size
        onward = heading * np.abs(plain)
        at = places(c, inner) - 1j * shift * heading + (t - inner) * onward
        return at, np.where(inner == t, speed + heading * shift * turning, onward)

    def paces(self, rows: Ints, t: Floats) -> Floats:
        """How fast moved cubics run, for each a row of parameters; below 0 where backwards.

        They do where the edge bends round the drop more tightly than the distance.
        """
        a, b, c, d = self.powers(rows)
        powers = a[:, None], b[:, None], c[:, None], d[:, None]
        speed = speeds(powers, t)
        turning = (speed.conjugate() * (2 * powers[2] + 6 * t * powers[3])).imag
        size = np.maximum(np.abs(speed), 1e-12)
        return np.asarray(size + self.distance[rows][:, None] * turning / size**2)

    def headings(self, rows: Ints, t: Floats) -> Complexes:
        """Direction of travel along the edges of rows that are lines or cubics."""
        speed = speeds(self.powers(rows), np.clip(t, 0.0, 1.0))
        return np.asarray(speed / np.maximum(np.abs(speed), 1e-300))

    def along(self, rows: Ints, t: Floats) -> Complexes:
        """Many places on each of several lines or cubics: t has one row for each."""
        a, b, c, d = self.powers(rows)
        powers = a[:, None], b[:, None], c[:, None], d[:, None]
        inner = np.clip(t, 0.0, 1.0)
        speed = speeds(powers, inner)
        heading = speed / np.maximum(np.abs(speed), 1e-300)
        first, last = np.abs(b), np.abs(b + 2 * c + 3 * d)
        ends = np.where(t > inner, last[:, None], first[:, None])
        shift = 1j * self.distance[rows][:, None]
        return np.asarray(places(powers, inner) + heading * ((t - inner) * ends - shift))

    def meets(self, a: Ints, b: Ints, ta: Floats, tb: Floats) -> tuple[Floats, Floats, Bools]:
        """Parameters where lines cross, near those given, and whether they do (Newton's method)."""
        ta, tb = ta.copy(), tb.copy()
        is_found = np.zeros(len(a), np.bool_)
        todo = np.arange(len(a))
        for _ in range(MOST_STEPS):
            (at, va), (bt, vb) = self.spots(a[todo], ta[todo]), self.spots(b[todo], tb[todo])
            gap, across = bt - at, (va.conjugate() * vb).imag
            sizes = np.abs(va), np.abs(vb)
            can = (np.abs(across) > 1e-6 * sizes[0] * sizes[1]) & np.isfinite(gap)
            todo, gap, across, va, vb = todo[can], gap[can], across[can], va[can], vb[can]
            da = (gap.conjugate() * vb).imag / across
            db = (gap.conjugate() * va).imag / across
            ta[todo] += np.clip(da, -0.5, 0.5)
            tb[todo] += np.clip(db, -0.5, 0.5)
            done = np.abs(da) * sizes[0][can] + np.abs(db) * sizes[1][can] < 1e-10
            is_found[todo[done]] = True
            todo = todo[~done]
            if not len(todo):
                break
        return ta, tb, is_found

    def feet(self, rows: Ints, t: Floats, points: Complexes) -> Floats:
        """Parameters near t, from 0 to 1, whose places are nearest to the points."""
        t = t.copy()
        todo = np.arange(len(rows))
        for _ in range(12):
            here, speed = self.spots(rows[todo], t[todo])
            size = np.abs(speed)
            change = (speed.conjugate() * (points[todo] - here)).real / np.maximum(size**2, 1e-300)
            change = np.where(size < 1e-9, 0.0, np.clip(change, -0.1, 0.1))
            t[todo] = np.clip(t[todo] + change, 0.0, 1.0)
            todo = todo[np.abs(change) >= 1e-9]
            if not len(todo):
                break
        return t
