"""How one stretch of torch line meets the next: as the edge does, crossing, or past a tip."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import shapely

from raster2path.geometry import Complexes, to_points
from raster2path.torch._edges import Bools, Floats, Ints, Proof
from raster2path.torch._moved import Moved

CORNER_RAD = math.radians(3)
"""Corners of the metal that turn less are simply met; more get an arc or are run past."""

SMOOTH_RAD = math.radians(0.6)

LONGEST_MITRE = 4.0
"""Running past a corner keeps it crisp; beyond four distances the torch goes round on an arc."""

SHARP_RAD = math.radians(25)
"""Half of what a corner between bent pieces may turn and be run past at any length."""

INWARD = (0.05, 0.2)
"""Where two lines do not meet from their ends (near a fold), they are tried from further in."""

NATURAL_MM = 0.015
"""A smooth joint is taken as it is where the boundary passes this near."""

CROSSING_MM = 0.15
"""The same for a crossing."""

ASIDE_MM = 0.5
"""So far along from where planar geometry, which leaves out small bits, has the joint."""


@dataclass(frozen=True, slots=True, eq=False)
class Runs:
    """Stretches of moved lines that follow each other, closed ring by closed ring.

    Attributes:
        rows: which moved line each is of.
        t0, t1: parameters on it at its first and its last bit.
        lengths: about how long each is.
        before, after: the runs before and after each, round the ring.
    """

    rows: Ints
    t0: Floats
    t1: Floats
    lengths: Floats
    before: Ints
    after: Ints

    def without(self, left_out: Bools) -> tuple[Runs, Ints]:
        """The runs but for some, no two of which follow each other; and the kept ones' numbers."""
        kept = np.flatnonzero(~left_out)
        number = np.cumsum(~left_out) - 1
        after = np.where(left_out[self.after], self.after[self.after], self.after)[kept]
        before = np.where(left_out[self.before], self.before[self.before], self.before)[kept]
        made = Runs(
            rows=self.rows[kept],
            t0=self.t0[kept],
            t1=self.t1[kept],
            lengths=self.lengths[kept],
            before=number[before],
            after=number[after],
        )
        return made, kept


@dataclass(frozen=True, slots=True, eq=False)
class Joints:
    """Where each run ends and the next begins: parameters on both, and the point."""

    t_end: Floats
    t_start: Floats
    points: Complexes

    def of(self, which: Ints) -> Joints:
        """Some of them."""
        return Joints(self.t_end[which], self.t_start[which], self.points[which])


def natural(moved: Moved, runs: Runs) -> tuple[Bools, Complexes]:
    """Where a smooth edge goes on, or a corner's arc begins or ends: nothing to look for."""
    pieces, a, b = moved.pieces, runs.rows, runs.rows[runs.after]
    at_arc = moved.is_corner(a) != moved.is_corner(b)
    enters_arc = moved.piece(a) == moved.piece(b)
    goes_on = pieces.after[moved.piece(a)] == moved.piece(b)
    is_smooth = np.abs(pieces.turn[moved.piece(a)]) < SMOOTH_RAD
    both_straight = ~moved.is_corner(a) & ~moved.is_corner(b)
    found = np.where(
        at_arc,
        np.where(moved.is_corner(b), enters_arc, goes_on),
        both_straight & goes_on & is_smooth,
    )
    ones = np.ones(len(a))
    points = (moved.spots(a, ones)[0] + moved.spots(b, 0 * ones)[0]) / 2
    return found, points


def joints_between(
    moved: Moved,
    runs: Runs,
    boundary: shapely.LinearRing,
    *,
    leaves: Complexes,
    enters: Complexes,
    pinned: Bools,
) -> Joints:
    """How each run meets the next, near where planar geometry has it.

    Args:
        moved: the lines.
        runs: their stretches.
        boundary: the eroded drop's, from planar geometry.
        leaves: where it leaves each run.
        enters: where it enters the next.
        pinned: joints that shall be exactly where the boundary enters the next run.
    """
    between, gap = (leaves + enters) / 2, np.abs(leaves - enters)
    a, b = runs.rows, runs.rows[runs.after]
    is_natural, points = natural(moved, runs)
    shapely.prepare(boundary)
    is_natural &= _are_near(boundary, points, NATURAL_MM) & ~pinned
    is_natural &= np.abs(points - between) < ASIDE_MM + gap
    # what lies near, but far along the edge, is parted from it by a fold
    lengths = moved.pieces.length
    is_natural &= (1 - runs.t1) * lengths[moved.piece(a)] < 2 * ASIDE_MM
    is_natural &= runs.t0[runs.after] * lengths[moved.piece(b)] < 2 * ASIDE_MM
    leaves = np.where(pinned, enters, leaves)
    t_end = moved.feet(a, runs.t1, leaves)
    t_start = moved.feet(b, runs.t0[runs.after], enters)
    t_end[is_natural], t_start[is_natural] = 1.0, 0.0
    points[~is_natural] = np.where(pinned, enters, between)[~is_natural]
    todo = np.flatnonzero(~is_natural & ~pinned)
    for inward in (0.0, *INWARD):
        one, two = todo, runs.after[todo]
        back, on = inward * (runs.t1 - runs.t0)[one], inward * (runs.t1 - runs.t0)[two]
        ta, tb, crosses = moved.meets(a[one], a[two], t_end[todo] - back, t_start[todo] + on)
        at = moved.spots(a[one], ta)[0]
        crosses &= np.abs(at - between[todo]) < ASIDE_MM + gap[todo]
        crosses &= _are_near(boundary, at, CROSSING_MM)
        crosses &= ta > np.minimum(runs.t0, runs.t1)[one]
        crosses &= tb < np.maximum(runs.t0, runs.t1)[two]
        done = todo[crosses]
        t_end[done], t_start[done], points[done] = ta[crosses], tb[crosses], at[crosses]
        todo = todo[~crosses]
    return Joints(t_end, t_start, points)


def _are_near(line: shapely.LinearRing, points: Complexes, distance: float) -> Bools:
    spots = shapely.points(to_points(np.where(np.isfinite(points), points, 1e9)))
    return np.asarray(shapely.dwithin(line, spots, distance))


def past_corners(
    moved: Moved, proof: Proof, runs: Runs, joints: Joints, *, faces: Ints, allowed: Bools
) -> tuple[Joints, Bools]:
    """The joints, and which corners are left out: there running straight past is short.

    Args:
        moved: the lines.
        proof: whether there is room.
        runs: their stretches.
        joints: how they meet.
        faces: the face that each run lies in.
        allowed: the runs that may be left out.
    """
    k, tips, ta, tb = _tips(moved, runs, allowed)
    before = runs.before[k]
    row = runs.rows[k]
    starts = moved.centre[row] + moved.spoke[row]
    ends = moved.centre[row] + moved.spoke[row] * np.exp(1j * moved.sweep[row])
    lines = np.stack([to_points(z) for z in (starts, tips, ends)], axis=1)
    distance = np.abs(moved.spoke[row]) - 0.01
    keeps = (
        proof.keeps(np.atleast_1d(shapely.linestrings(lines)), faces[k], distance)
        if len(k)
        else np.zeros(0, np.bool_)
    )
    left_out = np.zeros(len(runs.rows), np.bool_)
    left_out[k[keeps]] = True
    made = replace(
        joints,
        t_end=joints.t_end.copy(),
        t_start=joints.t_start.copy(),
        points=joints.points.copy(),
    )
    some = before[keeps]
    made.t_end[some], made.t_start[some], made.points[some] = ta[keeps], tb[keeps], tips[keeps]
    return made, left_out


def _tips(moved: Moved, runs: Runs, allowed: Bools) -> tuple[Ints, Complexes, Floats, Floats]:
    """Corners that may be run past, where, and at which parameters before and behind."""
    pieces, rows = moved.pieces, runs.rows
    a, b, corner = rows[runs.before], rows[runs.after], moved.piece(rows)
    half = moved.sweep[rows] / 2
    can = moved.is_corner(rows) & ~moved.is_corner(a) & ~moved.is_corner(b) & allowed
    can &= (moved.piece(a) == corner) & (pieces.after[corner] == moved.piece(b))
    can &= (np.cos(half) >= 1 / LONGEST_MITRE) & (runs.before != runs.after)
    k = np.flatnonzero(can)
    a, b, half, rows = a[k], b[k], half[k], rows[k]
    reach = np.abs(moved.spoke[rows]) * np.tan(half)
    fits = np.ones(len(k), np.bool_)
    for side, near in ((a, runs.before[k]), (b, runs.after[k])):
        is_bent = (pieces.is_cubic | pieces.is_round)[moved.piece(side)]
        fits &= ~(is_bent & (half > SHARP_RAD) & (reach > 0.08 * runs.lengths[near]))
    k, a, b, rows = k[fits], a[fits], b[fits], rows[fits]
    half, reach = half[fits], reach[fits]
    ones = np.ones(len(k))
    speed_a, speed_b = np.abs(moved.spots(a, ones)[1]), np.abs(moved.spots(b, 0 * ones)[1])
    ahead, behind = 1 + reach / np.maximum(speed_a, 1e-9), -reach / np.maximum(speed_b, 1e-9)
    ta, tb, crosses = moved.meets(a, b, ahead, behind)
    at = moved.spots(a, ta)[0]
    middle = moved.spoke[rows] * np.exp(1j * half)
    tip = moved.centre[rows] + middle / np.cos(half)
    crosses &= np.abs(at - tip) <= 0.3 + 0.5 * reach
    return k[crosses], at[crosses], ta[crosses], tb[crosses]
