"""Where a closed cut begins: the pierce in the drop, the lead-in, and the tail past the end."""

from __future__ import annotations

import cmath
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely

from raster2path.geometry import Arc, Complexes, Kind, Line, Path, Segment, to_points
from raster2path.job import TorchRules
from raster2path.model import Cut
from raster2path.torch._edges import Bools, Floats, Ints, Proof

SHORTEST_LEAD_MM = 5.0
"""Lead-in where there is room: this or three kerfs. Common practice, no source."""

TAIL_MM = 2.5
"""Run past the start by 1 to 3 mm. Common practice, no source."""

SLACK_MM = 0.02
"""How far a lead may come nearer to metal than the torch line itself does."""

EDGE_START_MM = 50.0
"""A border no further than this from the blank's edge begins there."""

SMOOTH_RAD = math.radians(6)
MOST_JOINTS = 48
SLANTS_DEG = (-45.0, -20.0, 0.0, -65.0, 30.0, 60.0)
LENGTHS = (1.0, 0.8, 0.6, 0.45, 0.3, 0.2)
AT_ONCE = 12
"""So many places for a pierce are looked at before the next dearer ones are."""


@dataclass(frozen=True, slots=True, eq=False)
class Loop:
    """A closed torch line without a beginning yet.

    Attributes:
        path: the drop lies to the left of its travel.
        kind: of the edge that it follows.
        face: the number of the drop, as the proof knows it.
        area: the drop itself.
        distance_mm: from the edges to the line.
    """

    path: Path
    kind: Kind
    face: int
    area: shapely.Polygon
    distance_mm: float


@dataclass(frozen=True, slots=True)
class Start:
    """A closed path that starts at its lead-in's end; no lead where there is no room."""

    path: Path
    pierce_mm: complex
    lead_in: Path | None
    run_past: Path | None


def begin(
    loops: Sequence[Loop], room: Room, kerf_mm: float, turned_round: Bools | None = None
) -> list[Start]:
    """Pierce, lead-in and run-past of closed cuts; no piece of a path is split.

    Args:
        loops: the torch lines.
        room: knows the edges round each loop's drop.
        kerf_mm: the pierce stands a kerf and a half from any edge where there is room.
        turned_round: which of them run the other way, the drop to the right.
    """
    searches = [_Search(loop, kerf_mm) for loop in loops]
    _look(searches, room, 1.5 * kerf_mm + 1e-9)
    turned = list[Path]()
    for loop, search in zip(loops, searches, strict=True):
        k, segments = search.first, loop.path.segments
        path = Path(segments[k:] + segments[:k], True) if k else loop.path
        is_back = turned_round is not None and bool(turned_round[len(turned)])
        turned.append(path.reversed() if is_back else path)
    led = np.array([k for k, search in enumerate(searches) if search.pierce is not None], np.int64)
    sides = [-1 if turned_round is not None and turned_round[k] else 1 for k in led.tolist()]
    tails = _tails([turned[k] for k in led.tolist()], sides, led, room)
    starts = []
    for k, (path, search) in enumerate(zip(turned, searches, strict=True)):
        if search.pierce is None:
            starts.append(Start(path, path.start, None, None))
            continue
        kind = loops[k].kind
        lead_in = Path((Line(search.pierce, path.start, kind),), is_closed=False)
        tail = tails.get(k)
        run_past = None if tail is None else Path((replace(tail, kind=kind),), is_closed=False)
        starts.append(Start(path, search.pierce, lead_in, run_past))
    return starts


class Room:
    """Where the middle of the arc may go without touching metal."""

    def __init__(self, loops: Sequence[Loop], proof: Proof) -> None:
        self.loops, self.proof = loops, proof
        self.faces = np.array([loop.face for loop in loops])
        self.nearest = np.array([max(0.0, loop.distance_mm - SLACK_MM) for loop in loops])

    def holds(self, own: Ints, lines: Complexes) -> Bools:
        """For each line (a row of points, the first on its loop), whether it lies in the room."""
        lines = lines.copy()
        # without a kerf the torch line is the edge: the lead but touches it
        first = lines[:, 1] - lines[:, 0]
        lines[:, 0] += SLACK_MM * first / np.maximum(np.abs(first), 1e-12)
        coords = np.stack([lines.real, lines.imag], axis=-1)
        keeps = self.proof.keeps(shapely.linestrings(coords), self.faces[own], self.nearest[own])
        left = np.flatnonzero(keeps)
        ends = to_points(lines[left, -1])
        areas = np.array([self.loops[k].area for k in own[left].tolist()], object)
        shapely.prepare(areas)
        keeps[left] = shapely.contains_xy(areas, ends[:, 0], ends[:, 1])
        return keeps


class _Search:
    """The places for one loop's pierce, cheapest first, and the best found so far."""

    def __init__(self, loop: Loop, kerf_mm: float) -> None:
        path = loop.path
        before, after = _directions(path)
        turn = np.angle(after / before)
        joints, joint_costs = _joints(path, turn)
        full = max(SHORTEST_LEAD_MM, 3 * kerf_mm)
        inward = -1j * before * np.exp(0.5j * turn)  # halfway between both sides' left
        n_each = len(SLANTS_DEG) * len(LENGTHS)
        at = np.array([path.segments[k].start for k in joints.tolist()])
        self.joints = np.repeat(joints, n_each)
        self.at = np.repeat(at, n_each)
        self.pierces = self.at + np.repeat(inward[joints], n_each) * np.tile(
            _REACHES * full, len(joints)
        )
        self.cost = np.repeat(joint_costs, n_each) + np.tile(_COSTS, len(joints))
        self.ordered = np.argsort(self.cost, kind="stable")
        self.n_seen = 0
        self.least = math.inf
        self.first = int(joints[0])
        self.pierce: complex | None = None

    def next_ones(self) -> Ints:
        """The next places worth looking at."""
        some = self.ordered[self.n_seen : self.n_seen + AT_ONCE]
        self.n_seen += AT_ONCE
        return np.asarray(some[self.cost[some] < self.least])

    def take(self, some: Ints, clear: Floats) -> None:
        """Keeps the best of some places; `clear` is what each has in distance, of 1 wanted."""
        total = self.cost[some] + 3 * (1 - clear)
        k = int(np.argmin(total))
        if total[k] < self.least:
            self.least, best = float(total[k]), int(some[k])
            self.first, self.pierce = int(self.joints[best]), complex(self.pierces[best])


_REACHES = np.outer(np.exp(1j * np.radians(SLANTS_DEG)), LENGTHS).ravel()
_COSTS = np.add.outer(0.02 * np.arange(len(SLANTS_DEG)), 1.5 * (1 - np.array(LENGTHS))).ravel()


def _directions(path: Path) -> tuple[Complexes, Complexes]:
    """Travel just before and just behind each segment's start."""
    after = np.array([segment.tangent(0) or 1 + 0j for segment in path])
    before = np.roll(np.array([segment.tangent(1) or 1 + 0j for segment in path]), 1)
    return before, after


def _joints(path: Path, turn: Floats) -> tuple[Ints, Floats]:
    """Segments that a cut may start with, best first, and what each choice costs.

    A smooth joint takes a nick best; beyond a corner of the metal the torch is off the edge
    anyway; the inner corner of a letter is the last choice.
    """
    kinds = np.array([segment.kind for segment in path])
    is_strict = np.maximum(kinds, np.roll(kinds, 1)) > Kind.ORGANIC
    is_tied = np.array([getattr(segment, "is_tie_side", False) for segment in path])
    is_inner, is_outer = turn <= -SMOOTH_RAD, turn > SMOOTH_RAD
    cost = 1.0 * is_inner + 0.3 * is_outer + 0.5 * (is_strict & is_inner) + 0.2 * is_tied
    some = np.arange(0, len(cost), max(1, len(cost) // MOST_JOINTS))
    some = some[np.argsort(cost[some], kind="stable")]
    return some, cost[some]


def _look(searches: Sequence[_Search], room: Room, wanted_mm: float) -> None:
    """Finds each loop's best pierce, all loops side by side."""
    todo = list(range(len(searches)))
    while todo:
        found = [(k, some) for k in todo if len(some := searches[k].next_ones())]
        todo = [k for k, _ in found]
        if not found:
            break
        own = np.repeat(todo, [len(some) for _, some in found])
        ends = np.concatenate([searches[k].at[some] for k, some in found])
        pierces = np.concatenate([searches[k].pierces[some] for k, some in found])
        fits = room.holds(own, np.column_stack([ends, pierces]))
        places = np.concatenate([some for _, some in found])[fits]
        own, pierces = own[fits], pierces[fits]
        clear = room.proof.clearance(pierces, room.faces[own], wanted_mm) / wanted_mm
        for k in np.unique(own).tolist():
            searches[k].take(places[own == k], clear[own == k])


def _tails(
    paths: Sequence[Path], sides: Sequence[int], own: Ints, room: Room
) -> dict[int, Segment]:
    """The first of several tails that curls into the drop without touching metal."""
    found: dict[int, Segment] = {}
    made = {
        k: _tails_of(path, side) for k, path, side in zip(own.tolist(), paths, sides, strict=True)
    }
    for number in range(N_TAILS):
        todo = np.array([k for k in made if k not in found], np.int64)
        if not len(todo):
            break
        lines = [made[k][number].points_at(np.linspace(0, 1, 13)) for k in todo.tolist()]
        for k in todo[room.holds(todo, np.array(lines))].tolist():
            found[k] = made[k][number]
    return found


N_TAILS = 8


def _tails_of(path: Path, side: int) -> list[Segment]:
    """Tails past the start, the wished-for first; side: 1, or -1 with the drop to the right."""
    at = path.start
    ends, starts = path.segments[-1].tangent(1) or 1 + 0j, path.segments[0].tangent(0) or 1 + 0j
    heading = ends if side * cmath.phase(starts / ends) > -SMOOTH_RAD else starts
    return [
        tail
        for length in (TAIL_MM, 0.6 * TAIL_MM)
        for tail in curls(at, heading, side, length, radii=(4.0, 2.0), slants=(0.5, 0.9))
    ]


def curls(
    at: complex,
    heading: complex,
    side: int,
    length: float,
    *,
    radii: Sequence[float],
    slants: Sequence[float],
) -> list[Segment]:
    """Ways from a place on the line into the drop: bends of these radii, then slanting lines."""
    across = -1j * side * heading
    out: list[Segment] = [Arc(at, at + across * r, -side * length / r) for r in radii]
    return out + [Line(at, at + length * heading * cmath.exp(-1j * side * s)) for s in slants]


def from_the_edge(
    cut: Cut, sheet_mm: tuple[float, float] | None, edges: shapely.STRtree, rules: TorchRules
) -> Cut:
    """A border near the blank's edge begins there: no pierce, and nothing sprays up.

    Args:
        cut: the border, as it would be pierced.
        sheet_mm: the blank; None: nobody knows where its edges are.
        edges: of the metal that stays; the way in keeps half a kerf from it.
        rules: for the kerf.
    """
    if sheet_mm is None or cut.path is None:
        return cut
    at, (wide, high) = cut.path.start, sheet_mm
    ways = [(at.real, 1j * at.imag), (at.imag, complex(at.real))]
    ways += [(wide - at.real, complex(wide, at.imag)), (high - at.imag, complex(at.real, high))]
    for away, edge in sorted(ways, key=lambda way: way[0]):
        if not 0 < away <= EDGE_START_MM:
            continue
        line = shapely.LineString(to_points([edge, at]))
        near = edges.query(line, predicate="dwithin", distance=rules.kerf_mm / 2 - SLACK_MM)
        if not len(near):
            lead = Path((Line(edge, at, cut.kind),), is_closed=False)
            return replace(cut, pierce_mm=edge, lead_in=lead, is_from_edge=True)
    return cut
