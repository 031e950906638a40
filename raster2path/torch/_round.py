"""Torch lines all round edges, taken from the edges alone: each piece gives its stretch.

Where a cubic bends round the drop more tightly than the distance, its moved line folds back, and
is met beyond the fold; a piece so short that its neighbours meet before it is left out.
"""

from __future__ import annotations

import math

import numpy as np
import shapely

from raster2path.geometry import Complexes, to_points
from raster2path.torch._edges import Bools, Floats, Ints
from raster2path.torch._joints import CORNER_RAD, Joints, Runs, natural
from raster2path.torch._moved import Moved

CRUMB_MM = 0.06
"""Stretches shorter than this are left out, and their neighbours met."""

MOST_LEFT_OUT = 4.0
"""Edge left out between two stretches, in distances: no further drop can hide in so little."""

LITTLE_MM2 = 0.3
"""What the kerf may leave in a tip without a word."""

MOST_PIECES_LEFT_OUT = 9
N_LEFT_OUT = 9
N_PACES = 33
MOST_ROUNDS = 4


def runs_round(moved: Moved, rings: Bools) -> tuple[Runs, Ints]:
    """A run for each piece of edge and each corner of the metal; and the ring of each.

    A cubic's run ends where its moved line folds back, and another begins behind.
    """
    pieces = moved.pieces
    rows = np.flatnonzero(rings[pieces.ring])
    folded = _forward(moved, rows)
    every: list[tuple[int, float, float]] = []
    for row, is_corner in zip(
        rows.tolist(), (pieces.turn[rows] > CORNER_RAD).tolist(), strict=True
    ):
        if row in folded:
            every += [(row, t0, t1) for t0, t1 in folded[row]]
        else:
            every.append((row, 0.0, 1.0))
        if is_corner:
            every.append((row + moved.n, 0.0, 1.0))
    table = np.array(every).reshape(-1, 3)
    which, t0, t1 = table[:, 0].astype(np.int64), table[:, 1], table[:, 2]
    own = pieces.ring[which % moved.n]
    at = np.arange(len(which))
    before, after = at - 1, at + 1
    is_first = np.flatnonzero(np.diff(own, prepend=-1))
    is_last = np.append(is_first[1:], len(own))[: len(is_first)] - 1
    before[is_first], after[is_last] = is_last, is_first
    return Runs(which, t0, t1, _lengths(moved)[which] * (t1 - t0), before, after), own


def _lengths(moved: Moved) -> Floats:
    """About how long each moved line is."""
    pieces = moved.pieces
    turned = np.where(pieces.is_round, pieces.sweep, np.angle(pieces.tails / pieces.heads))
    sides = pieces.length + moved.distance * turned
    return np.concatenate([sides, moved.distance * np.maximum(pieces.turn, 0.0)])


def _forward(moved: Moved, rows: Ints) -> dict[int, list[tuple[float, float]]]:
    """For cubics that fold back, between which parameters they run forward, folds trimmed.

    Near a fold the moved line is like a swallow's tail, (t³/3 - a²t, t⁴/4 - a²t²/2), which meets
    itself at t = ±√3 a, where the fold lies between ±a; half of one, at the end of a straight, is
    met at one and a half of the fold's width.
    """
    rows = rows[moved.pieces.is_cubic[rows]]
    t = np.linspace(0, 1, N_PACES)
    paces = moved.paces(rows, np.broadcast_to(t, (len(rows), N_PACES)))
    found = {}
    for k in np.flatnonzero((paces < 0).any(axis=1)).tolist():
        back = np.flatnonzero(np.diff(np.concatenate([[False], paces[k] < 0, [False]]).astype(int)))
        start, out = 0.0, []
        for a, b in back.reshape(-1, 2).tolist():
            low, high = _crossing(t, paces[k], a - 1), _crossing(t, paces[k], b - 1)
            spare = (math.sqrt(3) - 1) / 2 * (high - low)
            if low > 0:
                out.append((start, low - spare if high < 1 else low - (high - low) / 2))
            start = high + (spare if low > 0 else (high - low) / 2)
        if start < 1:
            out.append((start, 1.0))
        found[int(rows[k])] = [(t0, t1) for t0, t1 in out if t1 - t0 > 0.02]
    return found


def _crossing(t: Floats, paces: Floats, k: int) -> float:
    """Where the pace is nought between sample k and the next; the end, beyond all samples."""
    if k < 0:
        return 0.0
    if k + 1 >= len(t):
        return 1.0
    share = paces[k] / (paces[k] - paces[k + 1])
    return float(t[k] + share * (t[k + 1] - t[k]))


def met_round(moved: Moved, runs: Runs) -> tuple[Runs, Joints, Ints, Bools]:
    """The runs that do not vanish, how each meets the next, their numbers, and if they do meet."""
    kept, lengths = np.arange(len(runs.rows)), _lengths(moved)
    joints, is_met = _joints(moved, runs)
    for _ in range(MOST_ROUNDS):
        span = (joints.t_end - joints.t_start[runs.before]) * lengths[runs.rows]
        gone = span <= np.where(moved.is_corner(runs.rows), 0.0, CRUMB_MM)
        # of neighbours that vanish the shorter goes first: the other may then have room
        gone &= ~(gone[runs.before] & (span[runs.before] <= span))
        gone &= ~(gone[runs.after] & (span[runs.after] < span))
        if not gone.any():
            break
        runs, left = runs.without(gone)
        kept = kept[left]
        joints, is_met = _joints(moved, runs)
    return runs, joints, kept, is_met & is_met[runs.before]


def _joints(moved: Moved, runs: Runs) -> tuple[Joints, Bools]:
    """How each run meets the next, and whether it does."""
    found, points = natural(moved, runs)
    found &= (runs.t1 >= 1 - 1e-9) & (runs.t0[runs.after] <= 1e-9)  # no fold is trimmed there
    t_end, t_start = runs.t1.copy(), runs.t0[runs.after]
    met = np.flatnonzero(~found)
    a, b = runs.rows[met], runs.rows[runs.after[met]]
    ta, tb, crosses = moved.meets(a, b, t_end[met], t_start[met])
    t_end[met], t_start[met] = ta, tb
    points[met] = moved.spots(a, ta)[0]
    is_met = found.copy()
    is_met[met] = crosses
    return Joints(t_end, t_start, points), is_met


def goes_forward(moved: Moved, runs: Runs, joints: Joints) -> Bools:
    """For each run, whether it runs forward all along, and is no crumb."""
    t0, t1 = joints.t_start[runs.before], joints.t_end
    least = np.where(moved.is_corner(runs.rows), 0.0, CRUMB_MM)
    out = np.asarray((t1 - t0) * _lengths(moved)[runs.rows] > least)
    bent = np.flatnonzero(out & ~moved.is_corner(runs.rows))
    bent = bent[moved.pieces.is_cubic[runs.rows[bent]]]
    share = np.linspace(0, 1, N_PACES)
    t = np.clip(t0[bent, None] + (t1 - t0)[bent, None] * share, 0.0, 1.0)
    out[bent] = (moved.paces(runs.rows[bent], t) > 0).all(axis=1)
    return out


def loses_little(moved: Moved, runs: Runs, joints: Joints, spare_mm: float) -> Bools:
    """For each run, whether all edge before the next is followed, but for what is of no account.

    Between the feet of a joint on both edges and the joint itself lies what the torch leaves,
    but for the kerf round the joint; the next `spare_mm` to the edge do not count.
    """
    pieces = moved.pieces
    a, b = runs.rows, runs.rows[runs.after]
    goes_on = np.where(
        moved.is_corner(b),
        moved.piece(a) == moved.piece(b),
        pieces.after[moved.piece(a)] == moved.piece(b),
    )
    out = np.ones(len(a), np.bool_)
    for k in np.flatnonzero(~goes_on).tolist():
        z = _left_out(moved, (int(a[k]), int(b[k])), joints, k)
        distance = float(moved.distance[a[k] % moved.n])
        out[k] = z is not None and _is_little(z, complex(joints.points[k]), distance, spare_mm)
    return out


def _left_out(moved: Moved, rows: tuple[int, int], joints: Joints, k: int) -> Complexes | None:
    """The edge that a joint leaves out, foot to foot; None where that is too much."""
    pieces, n = moved.pieces, moved.n
    first, last = rows[0] % n, rows[1] % n
    t0 = 1.0 if rows[0] >= n else min(1.0, max(0.0, float(joints.t_end[k])))
    t1 = 1.0 if rows[1] >= n else min(1.0, max(0.0, float(joints.t_start[k])))
    row, bits, low = first, list[Complexes](), t0
    if first == last and t1 >= t0:
        bits, low = [pieces.segments[first].points_at(np.linspace(t0, t1, N_LEFT_OUT))], t1
    else:
        while row != last or not bits:
            bits.append(pieces.segments[row].points_at(np.linspace(low, 1.0, N_LEFT_OUT)))
            row, low = int(pieces.after[row]), 0.0
            if len(bits) > MOST_PIECES_LEFT_OUT:
                return None
        bits.append(pieces.segments[last].points_at(np.linspace(0.0, t1, N_LEFT_OUT)))
    z = np.concatenate(bits)
    is_much = float(np.abs(np.diff(z)).sum()) > MOST_LEFT_OUT * moved.distance[first]
    return None if is_much else z


def _is_little(edge: Complexes, joint: complex, distance: float, spare_mm: float) -> bool:
    """True where between an edge left out and the kerf's end stays no metal worth a word."""
    area = shapely.Polygon(to_points(np.append(edge, joint))).buffer(0)
    left = area.difference(shapely.Point(joint.real, joint.imag).buffer(distance + 0.01))
    if left.area < LITTLE_MM2:
        return True
    near = shapely.LineString(to_points(edge)).buffer(spare_mm)
    return bool(left.difference(near).area < LITTLE_MM2)
