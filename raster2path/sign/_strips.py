"""Strips of metal: their corners across a gap, over a neck, or over a whole tiny island."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise

import shapely

from raster2path.geometry import dot, unit
from raster2path.model import Tie
from raster2path.sign._surgery import (
    LEAST_PIECE_MM,
    Crossing,
    Meeting,
    Ring,
    Weld,
    buried_under,
    crossings_of,
    leftover_mm,
    meetings,
    meets_tie,
    near_box,
    weld,
)

DEPTHS_MM = (0.3, 1.0, 2.5)
"""How far a strip reaches into the metal, tried in turn: deep enough that its end is buried."""

REACHES_MM = (1.2, 2.0, 3.0, 4.5, 6.5, 9.0)
"""How far a strip may run on into the metal until its whole end is buried there."""

FAR_REACHES_MM = (12.0, 16.0, 21.0, 27.0, 34.0)
"""The same where metal ends in teeth."""

SHY_MM = 0.5
LEAST_FREE_MM = 0.3
"""A side that is free for less than this makes no tie, only wider metal."""

APART_MM = 3.0
"""Two ties nearer than this would burn into one."""

Rings = dict[int, Ring]
NodeOf = Callable[[int], int]


@dataclass(frozen=True, slots=True)
class Strictness:
    """How good a place for a tie must be.

    Attributes:
        width_mm: of the strip.
        least_sine: of the angle between a side and the edge that it meets.
        leftover_mm: shortest straight piece that may be left of an edge.
        factor: how much worse a tie is that needs this.
    """

    width_mm: float
    least_sine: float
    leftover_mm: float
    factor: float


@dataclass(frozen=True, slots=True, eq=False)
class Laid:
    """A strip that can be laid: what it does to the edges, and the ties to be listed."""

    weld: Weld
    ties: tuple[Tie, ...]


def across(
    rings: Rings,
    node_of: NodeOf | None,
    *,
    middle: complex,
    axis: complex,
    length_mm: float,
    demand: Strictness,
    is_clear: Callable[[Tie], bool] | None = None,
) -> Laid | None:
    """A strip across a gap, four clean crossings; None where there is no room.

    With `node_of`, the gap must lie between two pieces; without, one piece will do. What is
    quick to ask is asked first: most places fail, and the edges are joined for the last.
    """
    reach = length_mm / 2 + 2.5 * demand.width_mm + 6
    x, y = middle.real, middle.imag
    rings = near_box(rings, (x - reach, y - reach, x + reach, y + reach))
    sides = _sides(rings, middle, axis, length_mm, demand)
    if sides is None:
        return None
    (left_a, left_b), (right_a, right_b) = sides
    if node_of is not None:
        a = {node_of(left_a.ring), node_of(right_a.ring)}
        b = {node_of(left_b.ring), node_of(right_b.ring)}
        if len(a) > 1 or len(b) > 1 or a == b:
            return None
    tie = tie_between(left_a.point, left_b.point, right_b.point, right_a.point)
    if is_clear is not None and not is_clear(tie):
        return None
    for depth in DEPTHS_MM:
        corners = (
            left_a.point - depth * axis,
            left_b.point + depth * axis,
            right_b.point + depth * axis,
            right_a.point - depth * axis,
        )
        found = crossings_of(rings, corners)
        if found is None or len(found) != 4 or {int(c.at) for c in found} != {0, 2}:
            continue
        if meets_tie(rings, found) or leftover_mm(rings, found) < demand.leftover_mm:
            return None
        if buried_under(rings, corners, {c.ring for c in found}):
            continue
        done = weld(rings, corners, known=found)
        if done is not None:
            return Laid(done, (tie,))
    return None


def _sides(
    rings: Rings, middle: complex, axis: complex, length_mm: float, demand: Strictness
) -> list[tuple[Meeting, Meeting]] | None:
    """For the left and the right side, where it leaves metal and where it reaches metal again."""
    reach = length_mm / 2 + 1.5 * demand.width_mm + 3
    found = []
    for turn in (-1j, 1j):
        origin = middle + turn * axis * demand.width_mm / 2
        met = meetings(rings, origin, axis, reach_mm=reach)
        before = [m for m in met if m.s <= 0]
        behind = [m for m in met if m.s > 0]
        if not before or not behind:
            return None
        a, b = before[-1], behind[0]
        if -a.sine < demand.least_sine or b.sine < demand.least_sine:
            return None
        if b.s - a.s > 2 * length_mm + 2 * demand.width_mm:
            return None
        found.append((a, b))
    return found


def tie_between(a: complex, b: complex, c: complex, d: complex) -> Tie:
    """The tie with these corners, clockwise, a to b and c to d being its free sides."""
    axis = unit(b - a)
    width = float(abs(dot(1j * axis, c - b)))
    corners = (complex(a), complex(b), complex(c), complex(d))
    return Tie(corners, width, float(abs(b - a) + abs(c - d)) / 2)


def over(
    rings: Rings,
    *,
    start: complex,
    end: complex,
    width_mm: float,
    least_left_mm: float = 0.0,
    may_meet_ties: bool = False,
    is_wanted: Callable[[Sequence[Crossing], tuple[Tie, ...]], bool] | None = None,
) -> Laid | None:
    """A strip from `start` to `end`, whatever lies between; None where its outline is doubtful.

    What is quick to ask is asked first, `is_wanted` of crossings and ties among it: the edges are
    joined for the last.
    """
    axis = unit(end - start)
    half = axis * width_mm / 2
    corners = (start - 1j * half, end - 1j * half, end + 1j * half, start + 1j * half)
    xs, ys = [z.real for z in corners], [z.imag for z in corners]
    rings = near_box(rings, (min(xs), min(ys), max(xs), max(ys)))
    found = crossings_of(rings, corners)
    if not found or (meets_tie(rings, found) and not may_meet_ties):
        return None
    around = sorted(found, key=lambda crossing: crossing.at)
    if any(a.enters == b.enters for a, b in pairwise([*around, around[0]])):
        return None  # in and in again: the outline runs along an edge
    ties = _ties_of(found, corners)
    if is_wanted is not None and not is_wanted(found, ties):
        return None
    if least_left_mm > 0 and leftover_mm(rings, found) < least_left_mm:
        return None
    done = weld(rings, corners, known=found)
    return None if done is None else Laid(done, ties)


def _ties_of(crossings: Sequence[Crossing], corners: Sequence[complex]) -> tuple[Tie, ...]:
    """Stretches of a strip that are free on both sides, one tie each."""
    start_l, end_l, _, start_r = corners
    axis, size = unit(end_l - start_l), abs(end_l - start_l)
    left = _free_stretches(crossings, 0, start_l, axis, size)
    right = _free_stretches(crossings, 2, start_r, axis, size)
    return tuple(
        tie_between(start_l + a * axis, start_l + b * axis, start_r + d * axis, start_r + c * axis)
        for a, b in left
        for c, d in right
        if min(b, d) - max(a, c) > -abs(start_r - start_l)
    )


def _free_stretches(
    crossings: Sequence[Crossing], side: int, origin: complex, axis: complex, size: float
) -> list[tuple[float, float]]:
    """Where a long side of a strip lies in the drop, measured from the strip's start."""
    found = sorted(
        (dot(axis, c.point - origin), c.enters == (side == 0))
        for c in crossings
        if int(c.at) == side
    )
    shy = min(SHY_MM, size / 4)  # a free end is no free side
    stops = [s for s, _ in found]
    if not found or not found[0][1]:
        stops = [shy, *stops]
    if not found or found[-1][1]:
        stops = [*stops, size - shy]
    return [(a, b) for a, b in zip(stops[::2], stops[1::2], strict=True) if b - a > LEAST_FREE_MM]


def over_island(
    rings: Rings,
    node_of: NodeOf,
    *,
    island: shapely.Geometry,
    node: int,
    axis: complex,
    length_mm: float,
    width_mm: float,
    may_meet_ties: bool,
) -> Laid | None:
    """A strip that takes in the whole of a tiny island and ends in the metal that `axis` points to.

    It starts just behind the island, or at the metal there, where that is near.
    """
    points = shapely.get_coordinates(island)
    z = points[:, 0] + 1j * points[:, 1]
    s, across_ = (axis.conjugate() * z).real, (axis.conjugate() * z).imag
    wide = max(width_mm, float(across_.max() - across_.min()) + 0.2)
    centre = axis * complex((s.min() + s.max()) / 2, (across_.max() + across_.min()) / 2)
    size = float(s.max() - s.min())
    others = {key: ring for key, ring in rings.items() if node_of(key) != node}
    demand = Strictness(wide, 0.3, LEAST_PIECE_MM, 1.0)
    sides = _far_sides(others, centre, axis, size / 2 + length_mm + 2 * wide, demand)
    if sides is None:
        return None
    ahead, behind = sides
    for depth in DEPTHS_MM:
        start = centre - axis * (size / 2 + 0.2)
        if behind is not None and behind < size / 2 + 1.5 * wide:
            start = centre - axis * (behind + depth)
        laid = over(
            rings,
            start=start,
            end=centre + axis * (ahead + depth),
            width_mm=wide,
            may_meet_ties=may_meet_ties,
        )
        if laid is not None and laid.ties and _ends_buried(laid.weld, behind):
            return laid
    return None


def _ends_buried(done: Weld, behind: float | None) -> bool:
    sides = {int(c.at) for c in done.crossings}
    return 1 not in sides and (behind is None or 3 not in sides)


def _far_sides(
    rings: Rings, centre: complex, axis: complex, reach: float, demand: Strictness
) -> tuple[float, float | None] | None:
    """How far ahead and behind other metal begins for both sides (None: not within reach)."""
    ahead, behind = 0.0, 0.0
    is_open = False
    for turn in (-1j, 1j):
        met = meetings(rings, centre + turn * axis * demand.width_mm / 2, axis, reach_mm=reach)
        front = [m for m in met if m.s > 0]
        back = [m for m in met if m.s <= 0]
        if not front or front[0].sine < demand.least_sine:
            return None
        ahead = max(ahead, front[0].s)
        if back and -back[-1].sine >= demand.least_sine:
            behind = max(behind, -back[-1].s)
        else:
            is_open = True
    return ahead, None if is_open else behind


def run_on(metal: shapely.Geometry, point: complex, axis: complex, width: float) -> complex:
    """Where a strip's end is buried in the metal, going on from a point along the axis."""
    half = 1j * axis * width / 2
    for reach in REACHES_MM:
        middle = point + reach * axis
        a, b = middle - half, middle + half
        if metal.contains(shapely.LineString([(a.real, a.imag), (b.real, b.imag)])):
            return middle
    return point + REACHES_MM[0] * axis


def buried(metal: shapely.Geometry, point: complex, axis: complex, width: float) -> complex | None:
    """Where a strip's end is buried in metal, going on from a point: in a tooth, down to its foot.

    The end is moved aside, too, where the tooth stands there.
    """
    half = 1j * axis * width / 2
    for reach in (*REACHES_MM, *FAR_REACHES_MM):
        middle = point + reach * axis
        a, b = middle - half, middle + half
        if metal.contains(shapely.LineString([(a.real, a.imag), (b.real, b.imag)])):
            return middle
    return None
