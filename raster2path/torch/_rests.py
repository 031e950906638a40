"""Planned stops in long cuts: where a hand may rest, run off into the drop and start again."""

from __future__ import annotations

import cmath
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from raster2path.geometry import Kind, Line, Path, Segment
from raster2path.model import Rest
from raster2path.torch._edges import Ints
from raster2path.torch._leads import LENGTHS, SHORTEST_LEAD_MM, SLANTS_DEG, TAIL_MM, Room, curls

SHARE = 0.8
"""Parts are planned so much shorter than one pull, so that rests have some choice of place."""

WINDOW = 0.2
"""A rest may lie so much of a part before or after where parts would be equal."""

LEAST_MM = 20.0
"""From a rest to the start of the cut, at least."""

STEP_MM = 12.0
SMOOTH_RAD = math.radians(6)
BENT_MM = 25.0
"""A bend of a smaller radius is no gentle place."""

SPLIT_ARCS = 13


@dataclass(frozen=True, slots=True)
class Spot:
    """A place on a path that could do for a rest, or for leaving the last bit.

    Attributes:
        at, along_mm: where, and how far along that is.
        before, after: travel.
        cost: lower is better.
        side: 1 where the drop is left of travel, or -1.
    """

    at: complex
    along_mm: float
    before: complex
    after: complex
    cost: float
    side: int


def rests_along(
    paths: Sequence[Path],
    room: Room | None,
    pull_mm: float,
    turned_round: Sequence[bool] = (),
) -> list[tuple[Rest, ...]]:
    """Rests for each of several cuts, in the order of travel.

    Args:
        paths: torch lines.
        room: where leads may go; None for slits, on which one just stops and starts again.
        pull_mm: how long a cut one makes in one go; a cut up to a seventh longer has no rest.
        turned_round: paths with the drop to the right of their travel, not to the left.
    """
    sides = [-1 if is_back else 1 for is_back in turned_round] or [1] * len(paths)
    wanted = [_choices(path, pull_mm, side) for path, side in zip(paths, sides, strict=True)]
    if room is None:
        return [tuple(Rest(spots[0].at, spots[0].along_mm) for spots in path) for path in wanted]
    each = [
        (own, number, spot)
        for own, path in enumerate(wanted)
        for number, spots in enumerate(path)
        for spot in spots[:3]
    ]
    kinds = {own: path.kind for own, path in enumerate(paths)}
    leads = fitting([(own, spot) for own, _, spot in each], kinds, room)
    best: dict[tuple[int, int], tuple[float, Rest]] = {}
    for (own, number, spot), (run_off, restart) in zip(each, leads, strict=True):
        cost = spot.cost + 2.0 * (run_off is None) + 2.0 * (restart is None)
        known = best.get((own, number))
        if known is None or cost < known[0]:
            best[own, number] = cost, Rest(spot.at, spot.along_mm, run_off, restart)
    return [
        tuple(best[own, number][1] for number in range(len(path)))
        for own, path in enumerate(wanted)
    ]


def _choices(path: Path, pull_mm: float, side: int) -> list[list[Spot]]:
    """For each rest that a path needs, places for it, best first."""
    length = path.length
    if length <= pull_mm * 8 / 7:
        return []
    n = math.ceil(length / (SHARE * pull_mm))
    spots = _spots(path, side)
    along = np.array([spot.along_mm for spot in spots])
    out = []
    for k in range(1, n):
        off = np.abs(along - k * length / n) / (WINDOW * length / n)
        near = np.flatnonzero((off <= 1) & (along > LEAST_MM) & (along < length - LEAST_MM))
        if not len(near):
            near = np.array([int(off.argmin())])
        ranked = sorted(near.tolist(), key=lambda i: spots[i].cost + 0.5 * off[i])
        out.append([spots[i] for i in ranked])
    return out


def _spots(path: Path, side: int) -> list[Spot]:
    """Joints, and places between them."""
    out = list[Spot]()
    so_far = 0.0
    last = path.segments[-1].tangent(1) if path.is_closed else path.segments[0].tangent(0)
    for segment in path:
        after, length = segment.tangent(0) or 1 + 0j, segment.length
        cost = _joint_cost(last, segment, side)
        out.append(Spot(segment.start, so_far, last or after, after, cost, side))
        n = int(length / STEP_MM)
        for k in range(1, n):
            t = k / n
            way = segment.tangent(t) or after
            cost = _cost_between(segment, t)
            out.append(Spot(segment.point(t), so_far + t * length, way, way, cost, side))
        last = segment.tangent(1)
        so_far += length
    return out


def _joint_cost(before: complex | None, segment: Segment, side: int) -> float:
    """An outer corner of the metal is the best place: the torch is off the edge there anyway."""
    after = segment.tangent(0)
    turn = side * cmath.phase(after / before) if before and after else 0.0
    tied = 0.8 * bool(getattr(segment, "is_tie_side", False))
    if turn > SMOOTH_RAD:
        return 0.0 + tied
    if turn < -SMOOTH_RAD:
        return 2.0 + tied
    return (0.3 if segment.kind is Kind.ORGANIC else 0.8) + tied


def _cost_between(segment: Segment, t: float) -> float:
    if isinstance(segment, Line):
        return 1.2 if segment.kind > Kind.ORGANIC else 0.5
    step = 0.02
    ways = [segment.tangent(min(1.0, max(0.0, t + s))) for s in (-step, step)]
    bend = abs(cmath.phase(ways[1] / ways[0])) if ways[0] and ways[1] else 0.0
    radius = 2 * step * segment.length / max(bend, 1e-9)
    return 0.4 + 0.8 * min(1.0, BENT_MM / radius) + 0.3 * (segment.kind > Kind.ORGANIC)


def spot_at(path: Path, along_mm: float, side: int) -> Spot:
    """The place so far along a path."""
    so_far = 0.0
    for piece in path:
        if so_far + piece.length > along_mm:
            break
        so_far += piece.length
    t = min(1.0, (along_mm - so_far) / max(piece.length, 1e-9))
    way = piece.tangent(t) or 1 + 0j
    return Spot(piece.point(t), along_mm, way, way, 0.0, side)


def fitting(
    each: Sequence[tuple[int, Spot]], kinds: Mapping[int, Kind], room: Room
) -> list[tuple[Path | None, Path | None]]:
    """For each spot the first run-off and the first restart that touch no metal."""
    offs = _first(each, room, _run_offs)
    restarts = _first(each, room, _restarts)
    return [
        (_as_path(off, kinds[own]), _as_path(again, kinds[own], is_back=True))
        for (own, _), off, again in zip(each, offs, restarts, strict=True)
    ]


def _first(
    each: Sequence[tuple[int, Spot]],
    room: Room,
    make: Callable[[Spot], list[Segment]],
) -> list[Segment | None]:
    """The first of each spot's segments (from the path outwards) that lies in the room."""
    made = [make(spot) for _, spot in each]
    found: list[Segment | None] = [None] * len(each)
    for number in range(len(made[0]) if made else 0):
        todo = [k for k in range(len(each)) if found[k] is None]
        if not todo:
            break
        lines = [made[k][number].points_at(np.linspace(0, 1, SPLIT_ARCS)) for k in todo]
        own: Ints = np.array([each[k][0] for k in todo], np.int64)
        for k, fits in zip(todo, room.holds(own, np.array(lines)).tolist(), strict=True):
            if fits:
                found[k] = made[k][number]
    return found


def _run_offs(spot: Spot) -> list[Segment]:
    return [
        way
        for length in (2 * TAIL_MM, TAIL_MM)
        for way in curls(
            spot.at, spot.before, spot.side, length, radii=(5.0, 3.0), slants=(0.5, 0.9, 1.3)
        )
    ]


def _restarts(spot: Spot) -> list[Segment]:
    turn = cmath.phase(spot.after / spot.before)
    inward = -1j * spot.side * spot.before * cmath.exp(0.5j * turn)
    slants = [cmath.exp(1j * spot.side * math.radians(slant)) for slant in SLANTS_DEG]
    return [
        Line(spot.at, spot.at + inward * SHORTEST_LEAD_MM * share * slant)
        for share in LENGTHS[:5]
        for slant in slants
    ]


def _as_path(segment: Segment | None, kind: Kind, *, is_back: bool = False) -> Path | None:
    """A lead as a path; a restart runs towards the cut."""
    if segment is None:
        return None
    own = replace(segment, kind=kind)
    return Path((own.reversed() if is_back else own,), is_closed=False)
