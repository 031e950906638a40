"""Corner loops: straight on past a crisp corner of the metal, round in the drop, and back."""

from __future__ import annotations

import cmath
import math
from collections.abc import Sequence

import numpy as np
import shapely

from raster2path.geometry import Arc, Complexes, Kind, Line, Path, to_points
from raster2path.torch._edges import Bools
from raster2path.torch._leads import Room

LEAST_TURN_RAD = math.radians(50)
MOST_TURN_RAD = math.radians(160)
REACHES_MM = (4.0, 3.0)
"""How far one runs past; with the round behind it a right angle takes twice that of the drop."""

WIDEST_MM = 8.0
"""Radius of the round, at most."""

N_POINTS = 40
FLATNESS_MM = 0.1
APART_MM = 1.5
"""Loops keep so far from their own torch line and from each other: crossed, they confuse."""


def corner_loops(
    paths: Sequence[Path], room: Room, turned_round: Sequence[bool] = ()
) -> list[tuple[Path, ...]]:
    """For each torch line its loops, in the order of travel: none where there is no room.

    Args:
        paths: closed torch lines, which run past the metal's corners to a sharp point.
        room: where leads may go.
        turned_round: paths with the drop to the right of their travel, not to the left.
    """
    sides = [-1 if is_back else 1 for is_back in turned_round] or [1] * len(paths)
    found: list[dict[int, Path]] = [{} for _ in paths]
    for reach in REACHES_MM:
        tried = [
            (own, corner, loop)
            for own, (path, side) in enumerate(zip(paths, sides, strict=True))
            for corner, loop in _tried(path, side, reach)
            if corner not in found[own]
        ]
        if not tried:
            continue
        owners = np.array([own for own, _, _ in tried], np.int64)
        lines = np.array([_points(loop) for _, _, loop in tried])
        for (own, corner, loop), fits in zip(
            tried, room.holds(owners, lines).tolist(), strict=True
        ):
            if fits:
                found[own][corner] = loop
    return [tuple(loops[corner] for corner in sorted(loops)) for loops in found]


def _alone(paths: Sequence[Path], tried: Sequence[tuple[int, int, Path]]) -> Bools:
    """True where a loop's round keeps away from its own torch line."""
    rings = np.array([shapely.LinearRing(path.flat(FLATNESS_MM)) for path in paths], object)
    rounds = np.array([_round(loop) for _, _, loop in tried], object)
    return np.asarray(shapely.distance(rings, rounds) > APART_MM, np.bool_)


def _round(loop: Path) -> shapely.LineString:
    """The middle of a loop's round: its ends are near the corner anyway."""
    return shapely.LineString(to_points(loop.segments[1].points_at(np.linspace(0.1, 0.9, 24))))


def _meet(a: Path, b: Path) -> bool:
    return bool(_round(a).distance(_round(b)) < APART_MM)


def _tried(path: Path, side: int, reach: float) -> list[tuple[int, Path]]:
    """Loops at the corners between strict pieces, by the piece that leaves the corner."""
    out = []
    for k in range(1, len(path)):  # the cut begins and ends at the first
        before, after = path.segments[k - 1], path.segments[k]
        kinds = {before.kind, after.kind}
        tied = any(getattr(part, "is_tie_side", False) for part in (before, after))
        a, b = before.tangent(1), after.tangent(0)
        if Kind.ORGANIC in kinds or tied or not a or not b:
            continue
        turn = side * cmath.phase(b / a)
        radius = reach / math.tan(turn / 2) if turn > LEAST_TURN_RAD else math.inf
        if turn <= MOST_TURN_RAD and radius <= WIDEST_MM:
            out.append((k, _loop(after.start, a, (reach, radius, turn), side, after.kind)))
    return out


def _loop(at: complex, a: complex, size: tuple[float, float, float], side: int, kind: Kind) -> Path:
    """On along a, round away from the metal, and back in; size: reach, radius and turn."""
    reach, radius, turn = size
    out = at + a * reach
    arc = Arc(out, out - 1j * side * a * radius, -side * (2 * math.pi - turn), kind)
    return Path((Line(at, out, kind), arc, Line(arc.end, at, kind)), is_closed=False)


def _points(loop: Path) -> Complexes:
    line, arc, last = loop.segments
    t = np.linspace(0, 1, N_POINTS)
    return np.concatenate([line.points_at(t[::8]), arc.points_at(t), last.points_at(t[::8][:-1])])
