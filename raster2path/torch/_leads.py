"""Where a closed cut begins: the pierce in the drop, the lead-in, and the tail past the end."""

from __future__ import annotations

import cmath
import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely

from raster2path.geometry import Arc, Complexes, Kind, Line, Path, Segment, to_points

SHORTEST_LEAD_MM = 5.0
"""Lead-in where there is room: this or three kerfs. Common practice, no source (REFERENCE 3)."""

TAIL_MM = 2.5
"""Run past the start by 1 to 3 mm. Common practice, no source (REFERENCE 3)."""

SLACK_MM = 0.02
"""How far a lead may come nearer to metal than the torch line itself does."""

SMOOTH_RAD = math.radians(6)
MOST_JOINTS = 48
SLANTS_RAD = (-45.0, -20.0, 0.0, -65.0, 30.0, 60.0)
LENGTHS = (1.0, 0.8, 0.6, 0.45, 0.3, 0.2)


@dataclass(frozen=True, slots=True)
class Start:
    """A closed path that starts at its lead-in's end; no lead where there is no room."""

    path: Path
    pierce_mm: complex
    lead_in: Path | None
    run_past: Path | None


def begin(path: Path, room: shapely.Polygon, edges: shapely.Geometry, kerf_mm: float) -> Start:
    """Pierce, lead-in and run-past of a closed cut; no piece of the path is split.

    Args:
        path: the closed torch line; the drop lies to the left of its travel.
        room: where the middle of the arc may go without touching metal.
        edges: the metal's edges round that room.
        kerf_mm: the pierce stands a kerf and a half from any edge where there is room.
    """
    wider = room.buffer(SLACK_MM)
    shapely.prepare(wider)
    joints = _joints(path)
    lead = _lead(path, joints, wider, edges, kerf_mm)
    first = lead[0] if lead else joints[0][0]
    turned = Path(path.segments[first:] + path.segments[:first], True)
    kind = turned.kind
    if lead is None:
        return Start(turned, turned.start, None, None)
    pierce = lead[1]
    lead_in = Path((Line(pierce, turned.start, kind),), is_closed=False)
    return Start(turned, pierce, lead_in, _tail(turned, wider, kind))


def _joints(path: Path) -> list[tuple[int, float]]:
    """Segments that a cut may start with, best first, and what each choice costs.

    A smooth joint takes a nick best; beyond a corner of the metal the torch is off the edge
    anyway; the inner corner of a letter is the last choice.
    """
    out = []
    for k, segment in enumerate(path):
        before = path.segments[k - 1]
        turn = cmath.phase(_unit(segment.tangent(0)) / _unit(before.tangent(1)))
        cost = 0.0 if turn > -SMOOTH_RAD else 1.0
        cost += 0.3 if turn > SMOOTH_RAD else 0.0
        is_strict = max(segment.kind, before.kind) is not Kind.ORGANIC
        cost += 0.5 if is_strict and turn < -SMOOTH_RAD else 0.0
        cost += 0.2 if getattr(segment, "is_tie_side", False) else 0.0
        out.append((k, cost))
    spread = max(1, len(out) // MOST_JOINTS)
    return sorted(out[::spread], key=lambda joint: joint[1])


def _unit(tangent: complex) -> complex:
    return tangent or 1 + 0j


def _lead(
    path: Path,
    joints: list[tuple[int, float]],
    room: shapely.Geometry,
    edges: shapely.Geometry,
    kerf_mm: float,
) -> tuple[int, complex] | None:
    """The segment to start with and the pierce, or None where no lead-in has room."""
    full = max(SHORTEST_LEAD_MM, 3 * kerf_mm)
    n_each = len(SLANTS_RAD) * len(LENGTHS)
    lengths = np.tile(np.array(LENGTHS) * full, len(SLANTS_RAD))
    slants = np.repeat(np.exp(1j * np.radians(SLANTS_RAD)), len(LENGTHS))
    at = np.repeat(np.array([path.segments[k].start for k, _ in joints]), n_each)
    inward = np.array([_inward(path, k) for k, _ in joints])
    pierces = at + np.repeat(inward, n_each) * np.tile(slants * lengths, len(joints))
    fits = shapely.covers(room, _lines(pierces, at))
    if not fits.any():
        return None
    cost = np.repeat(np.array([c for _, c in joints]), n_each)
    cost = cost + 1.5 * np.tile(1 - lengths / full, len(joints))
    cost += 0.02 * np.tile(np.repeat(np.arange(len(SLANTS_RAD)), len(LENGTHS)), len(joints))
    cost[~fits] = np.inf
    best = _best(cost, pierces, edges, 1.5 * kerf_mm + 1e-9)
    return joints[best // n_each][0], complex(pierces[best])


def _best(
    cost: npt.NDArray[np.float64], pierces: Complexes, edges: shapely.Geometry, wanted: float
) -> int:
    """The pierce that costs least, what it lacks in distance from the edges counted in."""
    ordered = np.argsort(cost, kind="stable")
    shapely.prepare(edges)
    least, best = math.inf, int(ordered[0])
    for some in np.array_split(ordered, max(1, len(ordered) // 24)):
        if cost[some[0]] >= least:
            break
        spots = shapely.points(to_points(pierces[some]))
        clear = np.full(len(some), wanted)
        near = shapely.dwithin(edges, spots, wanted)
        clear[near] = shapely.distance(edges, spots[near])
        total = cost[some] + 3 * (1 - clear / wanted)
        k = int(np.argmin(total))
        if total[k] < least:
            least, best = float(total[k]), int(some[k])
    return best


def _lines(a: Complexes, b: Complexes) -> npt.NDArray[np.object_]:
    return np.asarray(shapely.linestrings(np.stack([to_points(a), to_points(b)], axis=1)))


def _inward(path: Path, k: int) -> complex:
    """Into the drop at the start of a segment: halfway between both sides' left."""
    before, after = _unit(path.segments[k - 1].tangent(1)), _unit(path.segments[k].tangent(0))
    half = cmath.exp(0.5j * cmath.phase(after / before))
    return -1j * before * half


def _tail(path: Path, room: shapely.Geometry, kind: Kind) -> Path | None:
    """The first of several tails that curls into the drop without touching metal."""
    at = path.start
    ends, starts = _unit(path.segments[-1].tangent(1)), _unit(path.segments[0].tangent(0))
    turn = cmath.phase(starts / ends)
    heading = ends if turn > -SMOOTH_RAD else starts
    tails: list[Segment] = []
    for length in (TAIL_MM, 0.6 * TAIL_MM):
        tails += [
            Arc(at, at - 1j * heading * radius, -length / radius, kind) for radius in (4.0, 2.0)
        ]
        tails += [
            Line(at, at + length * heading * cmath.exp(-1j * slant), kind) for slant in (0.5, 0.9)
        ]
    for tail in tails:
        line = shapely.linestrings(to_points(tail.points_at(np.linspace(0, 1, 13))))
        if room.covers(line):
            return Path((tail,), is_closed=False)
    return None
