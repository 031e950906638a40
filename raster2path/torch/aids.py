"""Room: cuts in order in; out, the same with what helps the hand: fences, compass, clamp, magnet.

Nobody cuts a straight letter freehand: a bar is clamped beside it and the tip's side runs along.
What is said of work clamps and of spray is common practice, no source.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from itertools import groupby

import numpy as np
import shapely

from raster2path.geometry import Arc, Line, Path, Points, Segment, to_points
from raster2path.job import AidRules
from raster2path.model import (
    Aids,
    Clamp,
    ClampHow,
    Compass,
    Cut,
    CutOrder,
    CutType,
    Fence,
    Heavy,
    Note,
    NoteKind,
    TorchPlan,
)
from raster2path.torch._heat import Floats, Grid, inside
from raster2path.torch._schedule import blank_of

SHORTEST_FENCE_MM = 60.0
BAR_MM = 25.0
"""Width of a bar; what is under it should be there."""

STRAIGHT_RAD = math.radians(0.4)
SAME_MM = 0.3
LEAST_SWEEP_RAD = math.radians(60)
COMPASS_MM = (8.0, 600.0)
"""Radii for which a compass does."""

CLAMP_FREE_MM = 60.0
"""From the work clamp to any torch line."""

OUTSIDE_FREE_MM = 15.0
STAND_FREE_MM = 250.0
STEP_MM = 6.0
FLAT_MM = 0.2
HEAVY_KG, LARGE_MM = 0.5, 200.0


def add_aids(order: CutOrder, *, rules: AidRules) -> CutOrder:
    """What helps the hand with these cuts.

    Args:
        order: the cuts.
        rules: the tip, the clamp, the sheet.

    Returns:
        The same order with its aids. Every fence lies a tip radius beside its torch line, over
        metal that is still there where one side has more of it; every compass stands in the
        centre of an arc of the torch line itself.
    """
    if not order.plan.cuts:
        return order
    table = _Table(order)
    aids = Aids(
        fences=tuple(_fences(table, rules.tip_radius_mm)),
        compasses=tuple(_compasses(table)),
        clamp=_clamp(table, rules.clamp_throat_mm),
        heavy=tuple(_heavy(table, rules.kg_mm2)),
        sprays=_sprays(table),
    )
    return replace(order, aids=aids, notes=(*order.notes, *_notes(aids)))


@dataclass(slots=True, init=False)
class _Table:
    """The sheet on the table: what falls out when.

    Attributes:
        drops: for each cut in order, what falls out with it, or an empty region.
        lines: all torch lines, in order.
        rings, edges: lines round the metal that stays, as points and as one shape.
        box: the blank: left, top, right, bottom.
    """

    order: CutOrder
    drops: list[shapely.Geometry]
    lines: list[shapely.Geometry]
    rings: list[Points]
    edges: shapely.Geometry
    box: tuple[float, float, float, float]

    def __init__(self, order: CutOrder) -> None:
        plan = order.plan
        self.order = order
        self.lines = [_line(cut) for cut in order.cuts]
        self.drops = [_drop(plan, cut) for cut in order.cuts]
        self.rings = [edge.path.flat(FLAT_MM) for edge in plan.edges]
        self.edges = shapely.GeometryCollection([shapely.LinearRing(ring) for ring in self.rings])
        self.box = blank_of(plan)

    def fallen(self, k: int) -> list[shapely.Geometry]:
        """What is gone before the cut with this place in the order."""
        return [drop for drop in self.drops[:k] if not drop.is_empty]


def _line(cut: Cut) -> shapely.Geometry:
    if cut.path is None:
        return shapely.Point(cut.pierce_mm.real, cut.pierce_mm.imag)
    flat = cut.path.flat(FLAT_MM)
    return shapely.LineString(np.vstack([flat, flat[:1]]) if cut.path.is_closed else flat)


def _drop(plan: TorchPlan, cut: Cut) -> shapely.Geometry:
    """What falls out with a cut; with the last bit of a loop, all of it."""
    if cut.closes is not None and cut.path is not None and cut.type is CutType.OPENING:
        first = plan.cuts[cut.closes].path
        assert first is not None
        ring = np.vstack([first.flat(FLAT_MM), cut.path.flat(FLAT_MM)])
        return shapely.make_valid(shapely.Polygon(ring))
    if cut.path is None or cut.type is not CutType.OPENING or not cut.path.is_closed:
        return shapely.Polygon()
    return shapely.make_valid(shapely.Polygon(cut.path.flat(FLAT_MM)))


# ---------------------------------------------------------------- straights and rounds


def _fences(table: _Table, tip_mm: float) -> Iterator[Fence]:
    for k, cut in enumerate(table.order.cuts):
        for a, b in _straights(cut.path):
            way = (b - a) / abs(b - a)
            shares = {}
            for side in (1j, -1j):  # right of travel, where the metal stays, comes first
                near, far = side * way * tip_mm, side * way * (tip_mm + BAR_MM)
                bar = shapely.Polygon(to_points([a + near, b + near, b + far, a + far]))
                shares[side] = _support(table, k, bar)
            side = 1j if shares[1j] >= shares[-1j] - 0.1 else -1j
            off = side * way * tip_mm
            yield Fence(k + 1, (a + off, b + off))


def _support(table: _Table, k: int, bar: shapely.Polygon) -> float:
    """Share of a bar with sheet under it when a cut is made."""
    under = shapely.box(*table.box).intersection(bar)
    for drop in table.fallen(k):
        if drop.intersects(bar):
            under = under.difference(drop)
    return float(under.area / bar.area)


def _straights(path: Path | None) -> Iterator[tuple[complex, complex]]:
    """Straight stretches that are long enough for a bar, joined where they run on."""
    if path is None:
        return
    for run in _runs(path, _runs_on):
        first, last = run[0], run[-1]
        if isinstance(first, Line) and abs(last.end - first.start) >= SHORTEST_FENCE_MM:
            yield first.start, last.end


def _compasses(table: _Table) -> Iterator[Compass]:
    for k, cut in enumerate(table.order.cuts):
        if cut.path is None:
            continue
        for run in _runs(cut.path, _runs_round):
            first = run[0]
            sweep = sum(abs(part.sweep_rad) for part in run if isinstance(part, Arc))
            if not isinstance(first, Arc) or sweep < LEAST_SWEEP_RAD:
                continue
            if not COMPASS_MM[0] <= first.radius <= COMPASS_MM[1]:
                continue
            spot = shapely.Point(first.centre.real, first.centre.imag)
            is_gone = any(drop.contains(spot) for drop in table.fallen(k))
            yield Compass(k + 1, first.centre, first.radius, is_gone)


def _runs(path: Path, goes_on: Callable[[Segment, Segment], bool]) -> list[list[Segment]]:
    """Segments that belong together, the last with the first of a closed path, too."""
    runs: list[list[Segment]] = []
    for segment in path:
        if runs and goes_on(runs[-1][-1], segment):
            runs[-1].append(segment)
        else:
            runs.append([segment])
    if path.is_closed and len(runs) > 1 and goes_on(runs[-1][-1], runs[0][0]):
        runs[0] = runs.pop() + runs[0]
    return runs


def _runs_on(a: Segment, b: Segment) -> bool:
    if not (isinstance(a, Line) and isinstance(b, Line)):
        return False
    turn = (b.end - b.start) / (a.end - a.start) if a.end != a.start else 1j
    return abs(math.atan2(turn.imag, turn.real)) < STRAIGHT_RAD


def _runs_round(a: Segment, b: Segment) -> bool:
    if not (isinstance(a, Arc) and isinstance(b, Arc)):
        return False
    return abs(a.centre - b.centre) < SAME_MM and abs(a.radius - b.radius) < SAME_MM


# ---------------------------------------------------------------- clamp, drops, spray


def _clamp(table: _Table, throat_mm: float) -> Clamp:
    """Where the work clamp goes: on metal that stays, near an edge, out of the way."""
    left, top, right, bottom = table.box
    n_cols, n_rows = (max(1, round(side / STEP_MM)) for side in (right - left, bottom - top))
    x, y = (np.arange(n) * STEP_MM + STEP_MM / 2 for n in (n_cols, n_rows))
    at = (left + x + 1j * (top + y[:, None])).ravel()
    free = _free_mm(table, (n_rows, n_cols)).ravel()
    rim = np.minimum.reduce([at.real - left, right - at.real, at.imag - top, bottom - at.imag])
    is_metal = inside(Grid(left, top, STEP_MM, n_rows, n_cols), table.rings).ravel()
    stood = list(table.order.named_stands.values())
    clear = np.min([np.abs(at - place) for place in stood], axis=0) if stood else free + 1e3
    out_of_way = clear > STAND_FREE_MM
    near_rim = (rim <= throat_mm) & out_of_way
    for how, fits in (
        (ClampHow.CLAMP, is_metal & near_rim & (free >= CLAMP_FREE_MM)),
        (ClampHow.MAGNET, is_metal & (free >= CLAMP_FREE_MM)),
        (ClampHow.OUTSIDE, ~is_metal & near_rim & (free >= OUTSIDE_FREE_MM)),
        (ClampHow.MAGNET, is_metal),
    ):
        if fits.any():
            best = int(np.argmax(np.where(fits, free + 1e-3 * clear, -1)))
            return Clamp(how, complex(at[best]), float(free[best]))
    return Clamp(ClampHow.NONE, None, 0.0)


def _free_mm(table: _Table, shape: tuple[int, int]) -> Floats:
    """How far each cell's middle is from the nearest torch line, to about a millimetre."""
    import cv2

    fine = 3  # so many pixels a cell
    step = STEP_MM / fine
    image = np.full((shape[0] * fine, shape[1] * fine), 255, np.uint8)
    corner = np.array(table.box[:2])
    for line in table.lines:
        points = np.round((shapely.get_coordinates(line) - corner) / step - 0.5).astype(np.int32)
        cv2.polylines(image, [points], False, 0)
    away = cv2.distanceTransform(image, cv2.DIST_L2, cv2.DIST_MASK_PRECISE)
    return np.asarray(away[fine // 2 :: fine, fine // 2 :: fine] * step, np.float64)


def _heavy(table: _Table, kg_mm2: float) -> Iterator[Heavy]:
    for k, drop in enumerate(table.drops):
        if drop.is_empty:
            continue
        x0, y0, x1, y1 = drop.bounds
        if (x1 - x0) * (y1 - y0) * kg_mm2 <= HEAVY_KG and max(x1 - x0, y1 - y0) <= LARGE_MM:
            continue
        inner = [other for other in table.fallen(k) if drop.contains(other)]
        whole = drop.difference(shapely.union_all(inner))
        kg = float(whole.area) * kg_mm2
        if kg > HEAVY_KG or max(x1 - x0, y1 - y0) > LARGE_MM:
            spot = whole.representative_point()
            yield Heavy(k + 1, complex(spot.x, spot.y), (x1 - x0, y1 - y0), kg)


def _sprays(table: _Table) -> tuple[complex, ...]:
    """For each cut, where the spray of its pierce may go: off the good metal, and the cutter."""
    out = []
    order = table.order
    for k, cut in enumerate(order.cuts):
        spot = shapely.Point(cut.pierce_mm.real, cut.pierce_mm.imag)
        away = 0j
        if not table.edges.is_empty and cut.type is not CutType.SLIT:
            near = shapely.get_coordinates(shapely.shortest_line(table.edges, spot))[0]
            away = _unit(cut.pierce_mm - complex(*near))
        if order.stands:
            away += 0.7 * _unit(cut.pierce_mm - order.stands[k])
        out.append(_unit(away) or -1j)
    return tuple(out)


def _unit(z: complex) -> complex:
    return z / abs(z) if abs(z) > 1e-6 else 0j


def _notes(aids: Aids) -> list[Note]:
    """A compass that would stand in a hole; the others are told on the job sheet."""
    gone = [compass for compass in aids.compasses if compass.is_gone]
    return [
        Note(
            NoteKind.SETTING,
            f"The centre for cut {number}'s compass falls out before it is needed",
            compass.centre_mm,
            compass.radius_mm,
            "lay the drop back in, or make a pattern of thin sheet",
        )
        for number, (compass, *_) in (
            (number, list(some)) for number, some in groupby(gone, key=lambda c: c.number)
        )
    ]
