"""Where one can stand round the table, and the least walking that an order of cuts needs."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from raster2path.geometry import Complexes, to_points
from raster2path.job import OrderRules, Side
from raster2path.model import TorchPlan
from raster2path.torch._heat import Bools, Floats, Grid, Ints

APART_MM = 250.0
"""Stands lie about so far apart; no more than `MOST` of them."""

MOST, FEWEST_A_SIDE = 20, 2
FEWEST_WALKED = 4
FAR_MM = 5000.0
"""Walking where a wall is in the way: another way round has to be found."""

COMFORT = 0.02
"""A mm further from the cut counts as much as this much walking: it only decides between equals."""


@dataclass(frozen=True, slots=True, eq=False)
class Stands:
    """Places round the table.

    Attributes:
        places: where.
        apart_mm: (stands, stands) walking between them.
        cost: (cuts, stands): infinite where a stand does not do for a cut, else a little for
            comfort.
        is_out_of_reach: for each cut, True where part of it is too far from every stand.
    """

    places: Complexes
    apart_mm: Floats
    cost: Floats
    is_out_of_reach: Bools


def stands_round(plan: TorchPlan, starts: Complexes, grid: Grid, rules: OrderRules) -> Stands:
    """Places where one can stand, and what can be reached from each."""
    places, at_mm, length, walls = _places(grid, rules)
    gap = np.abs(at_mm[:, None] - at_mm)
    way = np.minimum(gap, length - gap)
    if walls:
        way = _round_walls(at_mm, length, walls)
    far = np.zeros((len(plan.cuts), len(places)))
    out = np.zeros(len(plan.cuts), np.bool_)
    for k, cut in enumerate(plan.cuts):
        points = to_points([cut.pierce_mm]) if cut.path is None else cut.path.flat(0.3)
        z = points[:: max(1, len(points) // 24)]
        from_each = np.abs(places[:, None] - (z[:, 0] + 1j * z[:, 1]))
        far[k] = from_each.max(axis=1)
        out[k] = from_each.min(axis=0).max() > rules.reach_mm
        if far[k].min() > rules.reach_mm:  # walked along: what counts is where it starts
            far[k] = np.abs(places - starts[k])
    limit = np.maximum(rules.reach_mm, far.min(axis=1, keepdims=True, initial=np.inf) + 1)
    return Stands(places, way, np.where(far <= limit, COMFORT * far, np.inf), out)


def _places(
    grid: Grid, rules: OrderRules
) -> tuple[Complexes, Floats, float, list[tuple[float, float]]]:
    """Stands, how far round the table each is, the way round, and the stretches with walls."""
    wide, high = grid.size_mm
    middle = complex(grid.left_mm + wide / 2, grid.top_mm + high / 2)
    if rules.table_mm is not None:  # a blank that hangs over is stood at, not the table's edge
        wide, high = max(wide, rules.table_mm[0]), max(high, rules.table_mm[1])
    length = 2 * (wide + high)
    apart = max(APART_MM, length / MOST)
    corner = middle - complex(wide, high) / 2
    ways = {Side.TOP: (corner, 1 + 0j, wide), Side.RIGHT: (corner + wide, 1j, high)}
    ways[Side.BOTTOM] = (corner + complex(wide, high), -1 + 0j, wide)
    ways[Side.LEFT] = (corner + 1j * high, -1j, high)
    places, at_mm = list[Complexes](), list[Floats]()
    walls, so_far = list[tuple[float, float]](), 0.0
    for side, (start, way, long) in ways.items():
        n = max(FEWEST_A_SIDE, round(long / apart))
        along = (np.arange(n) + 0.5) * long / n
        if side in (rules.walls or ()):
            walls.append((so_far, so_far + long))
        else:
            places.append(np.asarray(start + way * along, np.complex128))
            at_mm.append(so_far + along)
        so_far += long
    return np.concatenate(places), np.concatenate(at_mm), length, walls


def _round_walls(at_mm: Floats, length: float, walls: list[tuple[float, float]]) -> Floats:
    """The shorter way of the two round the table, a wall in it counting as a long detour."""
    low, high = np.minimum(at_mm[:, None], at_mm), np.maximum(at_mm[:, None], at_mm)
    between = sum(((low < b) & (high > a)).astype(int) for a, b in walls)
    outside = len(walls) - between
    return np.asarray(
        np.minimum(high - low + FAR_MM * between, length - high + low + FAR_MM * outside),
        np.float64,
    )


def walk(stands: Stands, sequence: Ints) -> tuple[float, Ints]:
    """The least walking for an order of cuts, in mm, and the stand for each of its cuts."""
    if not len(sequence):
        return 0.0, np.zeros(0, np.int64)
    best = stands.cost[sequence[0]]
    came = list[Ints]()
    for cut in sequence[1:].tolist():
        through = best[:, None] + stands.apart_mm
        came.append(through.argmin(axis=0))
        best = through.min(axis=0) + stands.cost[cut]
    at = int(best.argmin())
    where = [at]
    for back in reversed(came):
        at = int(back[at])
        where.append(at)
    chosen = np.array(where[::-1])
    return float(stands.apart_mm[chosen[:-1], chosen[1:]].sum()), chosen


def few_of(stands: Stands, sequence: Ints) -> Ints:
    """A few stands that do for all cuts: those that an order uses, and the most useful others."""
    _, used = walk(stands, sequence)
    can = np.isfinite(stands.cost)
    few = list(dict.fromkeys(used.tolist()))
    while len(few) < min(FEWEST_WALKED, can.shape[1]):
        new = ~can[:, few].any(axis=1) @ can
        useful = new + can.sum(axis=0) / (len(can) + 1)
        useful[few] = -1
        few.append(int(useful.argmax()))
    return np.array(sorted(few), np.int64)


def walks(stands: Stands, few: Ints, sequences: Ints) -> Floats:
    """For each of several orders (n, cuts) the walking it needs between a few stands, in mm."""
    apart = stands.apart_mm[np.ix_(few, few)][:, :, None]
    cost = np.where(np.isfinite(stands.cost[:, few]), 0.0, FAR_MM)
    legs = np.ascontiguousarray(cost[sequences].transpose(1, 2, 0))  # (cuts, stands, orders)
    best = legs[0].copy()
    through = np.empty((len(few), *best.shape))
    for here in legs[1:]:
        np.add(best[:, None], apart, out=through)
        np.minimum.reduce(through, axis=0, out=best)
        best += here
    return np.asarray(best.min(axis=0), np.float64)
