"""Gaps in slits: where a slit would free metal, it stays uncut for the width of a tie."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely

from raster2path.geometry import Complexes, Path, Place, joined, to_points
from raster2path.sign._islands import CRUMB_MM2, Groups, sound

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

STEP_MM = 1.0
LARGE_MM = 120.0
"""A piece longer than this is held in two places (common practice, no source)."""

HOLDING_MM = 1.0
"""Metal narrower than this between two slits burns away: it holds nothing."""

LEAST_LOOSE_MM2 = CRUMB_MM2 / 2
"""Less than this between slits falls out; half a crumb, so that no other count finds a piece."""

SHARES = (1.0, 0.8, 0.5)
"""Widths of gaps tried in turn, as shares of a tie's width."""


@dataclass(frozen=True, slots=True, eq=False)
class Walk:
    """Places along one slit, evenly spaced: where, which way, how far along."""

    path: Path
    at: Complexes
    tangent: Complexes
    along: Floats
    length: float


@dataclass(frozen=True, slots=True)
class _Window:
    """A stretch of a slit that could stay uncut: parts left and right of it, its cost."""

    cost: float
    slit: int
    middle_mm: float
    point: complex
    a: int
    b: int


def with_gaps(
    slits: Sequence[Path], metal: shapely.Geometry, *, kerf_mm: float, tie_mm: float
) -> tuple[tuple[Path, ...], tuple[complex, ...]]:
    """Slits interrupted so that the metal between them stays whole, and the middles of the gaps.

    Each gap leaves `tie_mm` of metal between the round ends of the two cuts. Where a slit is too
    short or too bent for that, the gap is narrower, half as wide at least.
    """
    out, middles = list(slits), list[complex]()
    kerf = max(kerf_mm, 0.02)
    wide = kerf + HOLDING_MM
    known: dict[float, list[shapely.Geometry]] = {}
    walks: list[Walk] = []
    for share, taken in itertools.product(SHARES, (wide, kerf)):
        if taken not in known:
            known[taken] = parts_between(out, metal, taken_mm=taken, kerf_mm=kerf)
        parts = known[taken]
        if len(parts) <= 1:
            continue
        walked = {id(walk.path): walk for walk in walks}
        walks = [walked.get(id(slit)) or walk_along(slit) for slit in out]
        gaps = _choose(walks, parts, kerf=taken, gap=share * tie_mm + kerf)
        if gaps:
            out, found = _interrupted(out, gaps, share * tie_mm + kerf)
            middles += found
            known = {}
    return tuple(out), tuple(middles)


def parts_between(
    slits: Sequence[Path], metal: shapely.Geometry, *, taken_mm: float, kerf_mm: float
) -> list[shapely.Geometry]:
    """Parts of the metal once slits `taken_mm` wide are cut, largest first, crumbs left out.

    A crumb is what would be one with slits as wide as the kerf: where more is taken, to see what
    hangs by a hair, a small part grows back first.
    """
    region = sound(shapely.difference(metal, slit_zone(slits, taken_mm)))
    parts = shapely.get_parts(region)
    areas = shapely.area(parts)
    small = areas <= LEAST_LOOSE_MM2
    areas[small] = shapely.area(shapely.buffer(parts[small], (taken_mm - kerf_mm) / 2))
    kept = parts[areas > LEAST_LOOSE_MM2]
    return sorted(kept, key=lambda part: -part.area)


def slit_zone(slits: Sequence[Path], kerf_mm: float) -> shapely.Geometry:
    """What the torch takes away along slits."""
    lines = [line_of(slit) for slit in slits]
    if not lines:
        return shapely.Polygon()
    return shapely.buffer(shapely.multilinestrings(lines), max(kerf_mm, 0.02) / 2)


def line_of(path: Path) -> shapely.Geometry:
    """A path as a line that closes where the path does."""
    points = path.flat()
    if path.is_closed:
        return shapely.LineString(np.vstack([points, points[:1]]))
    return shapely.LineString(points if len(points) > 1 else to_points([path.start, path.end]))


def walk_along(path: Path) -> Walk:
    points = path.flat()
    z = points[:, 0] + 1j * points[:, 1]
    if path.is_closed:
        z = np.append(z, z[0])
    s = np.concatenate([[0.0], np.cumsum(np.abs(np.diff(z)))])
    n = max(2, math.ceil(s[-1] / STEP_MM))
    along = (np.arange(n) + 0.5) / n * s[-1]
    at = np.interp(along, s, z.real) + 1j * np.interp(along, s, z.imag)
    k = np.clip(np.searchsorted(s, along), 1, len(s) - 1)
    chord = z[k] - z[k - 1]
    return Walk(path, at, chord / np.maximum(np.abs(chord), 1e-12), along, float(s[-1]))


def _choose(
    walks: list[Walk], parts: list[shapely.Geometry], *, kerf: float, gap: float
) -> list[_Window]:
    """The gentlest windows that join all parts (Kruskal's tree); a second for large parts."""
    located = Parts(parts)
    windows = []
    for k, walk in enumerate(walks):
        windows += _windows(k, walk, located, kerf=kerf, gap=gap)
    windows.sort(key=lambda window: window.cost)
    groups, chosen = Groups(len(parts)), list[_Window]()
    for window in windows:
        is_clear = all(
            abs(window.point - other.point) > 2 * gap
            for other in chosen
            if other.slit == window.slit
        )
        if is_clear and groups.join(window.a, window.b):
            chosen.append(window)
    return chosen + _second(windows, chosen, parts, gap)


def _second(
    windows: list[_Window],
    chosen: list[_Window],
    parts: list[shapely.Geometry],
    gap: float,
) -> list[_Window]:
    """For each large part that hangs on one gap, another one on its far side."""
    extra: list[_Window] = []
    for k, part in enumerate(parts[1:], start=1):
        x0, y0, x1, y1 = part.bounds
        own = [w for w in [*chosen, *extra] if k in (w.a, w.b)]
        if max(x1 - x0, y1 - y0) < LARGE_MM or len(own) != 1:
            continue
        first = own[0].point
        others = [w for w in windows if k in (w.a, w.b)]
        farthest = max((abs(w.point - first) for w in others), default=0.0)
        far = [w for w in others if abs(w.point - first) > max(0.5 * farthest, 4 * gap)]
        far.sort(key=lambda w: w.cost - 2 * abs(w.point - first) / farthest)
        extra += far[:1]
    return extra


def _windows(k: int, walk: Walk, parts: Parts, *, kerf: float, gap: float) -> list[_Window]:
    right, left = parts.beside(walk, kerf / 2 + 0.3)
    n = len(walk.at)
    reach = math.ceil((gap / 2 + 1.0) / (walk.length / n))
    window = np.arange(-reach, reach + 1)
    centres = np.arange(n)
    index = centres[:, None] + window
    if not walk.path.is_closed:
        centres = centres[(centres >= reach) & (centres < n - reach)]
        index = centres[:, None] + window
    elif 2 * reach + 1 > n:
        return []
    if not len(centres):
        return []
    index %= n
    same = (right[index] == right[centres, None]).all(axis=1)
    same &= (left[index] == left[centres, None]).all(axis=1)
    same &= (right[centres] >= 0) & (left[centres] >= 0) & (right[centres] != left[centres])
    turn = np.abs(walk.tangent[index] - walk.tangent[centres, None]).max(axis=1)
    middling = np.abs(walk.along[centres] / walk.length - 0.5)
    cost = turn * 4 + middling * (0.2 if walk.path.is_closed else 1.0)
    return [
        _Window(float(c), k, float(walk.along[m]), complex(walk.at[m]), int(left[m]), int(right[m]))
        for c, m in zip(cost[same], centres[same], strict=True)
    ]


class Parts:
    """Parts of the metal, made ready for the question which of them a point lies in."""

    def __init__(self, shapes: Sequence[shapely.Geometry]) -> None:
        self._shapes = np.array(shapes, dtype=object)
        # a prepared part answers in the logarithm of its points: the plate has holes by the hundred
        shapely.prepare(self._shapes)
        self._tree = shapely.STRtree(self._shapes)

    def at(self, points: Complexes) -> Ints:
        """The part that each point lies in, -1 for none."""
        found = np.full(len(points), -1, np.int64)
        at, part = self._tree.query(shapely.points(points.real, points.imag))
        inside = shapely.contains_xy(self._shapes[part], points.real[at], points.imag[at])
        found[at[inside]] = part[inside]
        return found

    def beside(self, walk: Walk, aside_mm: float) -> tuple[Ints, Ints]:
        """The parts right and left of each place of a walk, so far to the side."""
        side = 1j * walk.tangent * aside_mm
        return self.at(walk.at + side), self.at(walk.at - side)


def _interrupted(
    slits: list[Path], gaps: list[_Window], gap_mm: float
) -> tuple[list[Path], list[complex]]:
    out: list[Path] = []
    middles: list[complex] = []
    for k, slit in enumerate(slits):
        own = sorted((w for w in gaps if w.slit == k), key=lambda w: w.middle_mm)
        if not own:
            out.append(slit)
            continue
        middles += [w.point for w in own]
        out += pieces_without(slit, [w.middle_mm for w in own], gap_mm)
    return out, middles


def pieces_without(slit: Path, middles_mm: list[float], gap_mm: float) -> list[Path]:
    """What is left of a slit once stretches of `gap_mm` round these places stay uncut."""
    total = slit.length
    half = gap_mm / 2
    stops = [((m - half) % total, (m + half) % total) for m in middles_mm]
    if slit.is_closed:
        runs = [(b, a) for (_, b), (a, _) in zip(stops, [*stops[1:], stops[0]], strict=True)]
    else:
        starts = [0.0, *(min(total, m + half) for m in middles_mm)]
        ends = [*(max(0.0, m - half) for m in middles_mm), total]
        runs = list(zip(starts, ends, strict=True))
    return [
        joined(slit.part(_place(slit, a), _place(slit, b)), is_closed=False)
        for a, b in runs
        if slit.is_closed or b - a > 1e-6
    ]


def _place(path: Path, along_mm: float) -> Place:
    """The place so far along a path."""
    left = along_mm
    for index, segment in enumerate(path.segments):
        size = segment.length
        if left <= size or index == len(path.segments) - 1:
            t = _parameter(segment, min(left, size), size)
            return Place(index, t, segment.point(t), 0.0)
        left -= size
    raise ValueError(f"expected a place within {path.length:g} mm, not at {along_mm:g}")


def _parameter(segment: object, distance: float, size: float) -> float:
    """Parameter at a distance along a segment, by halving on its length."""
    from raster2path.geometry import Cubic

    if size <= 0:
        return 0.0
    if not isinstance(segment, Cubic):
        return distance / size
    low, high = 0.0, 1.0
    for _ in range(40):
        middle = (low + high) / 2
        if segment.between(0.0, middle).length < distance:
            low = middle
        else:
            high = middle
    return (low + high) / 2
