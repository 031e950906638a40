"""When each cut is made, from where, and what the sheet goes through meanwhile."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from raster2path.geometry import Complexes, Path, Points, to_points
from raster2path.job import Hand, OrderRules
from raster2path.model import Cut, CutType, Forecast, HeatMap, TorchPlan, frozen
from raster2path.torch._buckling import Plate, coarse, plate_for
from raster2path.torch._heat import (
    MOST_WORK,
    QUICK_WORK,
    Bools,
    Floats,
    Grid,
    Ints,
    Steel,
    Timed,
    Track,
    Warmth,
    grid_over,
    inside,
    simulate,
    track,
)
from raster2path.torch._stands import Stands, stands_round, walk

FLAT_MM = 0.3
"""Cuts are flattened so finely for the heat: a tenth of what the cells could tell."""

ROUND_MM = 25.0
"""Blank beyond the outermost cut, where its size is not said."""

PIERCE_S, MOVE_S, REST_S = 0.5, 4.0, 3.0
"""To strike and go through; to look, lift the shade and settle; to shift one's grip at a rest.
Assumed."""

QUICK_LOOKS = 300
"""So many looks at the sheet, three seconds apart at most, are enough to compare orders."""

CARRY_MM_S = 500.0
"""How fast the torch is carried; assumed."""


@dataclass(frozen=True, slots=True, eq=False)
class Work:
    """All cuts of a plan, as heat and hand see them, in the plan's order.

    Attributes:
        starts, ends: where the arc strikes and where it stops.
        lead_s: from striking to the path's beginning, the pierce included.
        path_s: along the path.
        tail_s: along the run-past.
        is_last: True for borders.
        before: for each cut, those that must come before it.
        stays: cells of metal that stays.
        look_s: how often the simulation looks at the sheet.
        hand: that holds the torch.
        is_quick: whether orders are only compared.
    """

    plan: TorchPlan
    steel: Steel
    grid: Grid
    plate: Plate
    stands: Stands
    tracks: tuple[Track, ...]
    starts: Complexes
    ends: Complexes
    lead_s: Floats
    path_s: Floats
    tail_s: Floats
    is_last: Bools
    before: tuple[frozenset[int], ...]
    stays: Bools
    look_s: float
    hand: Hand
    is_quick: bool

    @property
    def takes_s(self) -> Floats:
        """From striking the arc to its end."""
        return self.lead_s + self.path_s + self.tail_s


def waiting_for(plan: TorchPlan) -> tuple[frozenset[int], ...]:
    """For each cut, those that must come before it: inside it, or anything before the border."""
    cuts = plan.cuts
    before = [set[int]() for _ in cuts]
    borders = [k for k, cut in enumerate(cuts) if cut.type is CutType.BORDER]
    for inner, cut in enumerate(cuts):
        for outer in cut.inside:
            if cut.type is not CutType.BORDER or outer in borders:
                before[outer].add(inner)
    for last, cut in enumerate(cuts):
        if cut.closes is not None:
            before[last] |= {cut.closes} | before[cut.closes]
    for outer in borders:
        before[outer] |= {k for k in range(len(cuts)) if k not in borders}
    return tuple(frozenset(some) for some in before)


def blank_of(plan: TorchPlan) -> tuple[float, float, float, float]:
    """The blank's box: the sheet where its size is known, else a hand's breadth round the cuts."""
    points = [cut.path.flat(FLAT_MM) for cut in plan.cuts if cut.path is not None]
    points.append(to_points([cut.pierce_mm for cut in plan.cuts]))
    every = np.vstack(points)
    (left, top), (right, bottom) = every.min(axis=0), every.max(axis=0)
    sheet = plan.sign.art.placement.sheet_mm
    if sheet is None:
        return left - ROUND_MM, top - ROUND_MM, right + ROUND_MM, bottom + ROUND_MM
    return (
        min(left - 1, 0.0),
        min(top - 1, 0.0),
        max(right + 1, sheet[0]),
        max(bottom + 1, sheet[1]),
    )


def starts_of(plan: TorchPlan) -> Complexes:
    """Where each cut's arc strikes."""
    return np.array([cut.pierce_mm for cut in plan.cuts], np.complex128)


def out_of_reach(plan: TorchPlan, rules: OrderRules) -> Bools:
    """For each cut, True where part of it is too far from every place where one can stand."""
    if not plan.cuts:
        return np.zeros(0, np.bool_)
    return stands_round(plan, starts_of(plan), grid_over(blank_of(plan)), rules).is_out_of_reach


def stands_for(
    plan: TorchPlan, sequence: tuple[int, ...], rules: OrderRules
) -> tuple[complex, ...]:
    """Where the cutter stands for each cut of an order, with the least walking."""
    if not sequence:
        return ()
    stands = stands_round(plan, starts_of(plan), grid_over(blank_of(plan)), rules)
    return tuple(stands.places[walk(stands, np.array(sequence))[1]].tolist())


def work_of(plan: TorchPlan, rules: OrderRules, *, is_quick: bool = False) -> Work:
    """What a plan's cuts do to the sheet, whatever their order.

    Quick: in larger cells, good enough to compare orders.
    """
    steel = Steel.of(rules.material.stock, rules.thickness_mm, rules.heat_j_mm)
    speed = rules.speed_mm_min / 60
    path_mm = sum(cut.path.length for cut in plan.cuts if cut.path is not None)
    span_s = path_mm / speed + len(plan.cuts) * (PIERCE_S + MOVE_S + 0.5)
    grid = grid_over(
        blank_of(plan),
        span_s=span_s,
        alpha_mm2_s=steel.alpha_mm2_s,
        most_work=QUICK_WORK if is_quick else MOST_WORK,
    )
    starts = starts_of(plan)
    tracks, ends = list[Track](), list[complex]()
    lead_s, path_s, tail_s = list[float](), list[float](), list[float]()
    for cut in plan.cuts:
        made = _track(plan, cut, grid, steel, speed)
        tracks.append(made)
        last = cut.run_past or cut.path
        ends.append(cut.pierce_mm if last is None else _end(last))
        lead_s.append(PIERCE_S + (cut.lead_in.length if cut.lead_in else 0) / speed)
        off_mm = sum(lead.length for lead in cut.leads)
        off_mm -= sum(lead.length for lead in (cut.lead_in, cut.run_past) if lead)
        resting_s = len(cut.rests) * (REST_S + PIERCE_S)
        path_s.append((made.length_mm + off_mm) / speed + resting_s)
        tail_s.append((cut.run_past.length if cut.run_past else 0) / speed)
    stands = stands_round(plan, starts, grid, rules)
    return Work(
        plan,
        steel,
        grid,
        plate_for(grid, rules.thickness_mm, rules.material.stock.expansion_per_k),
        stands,
        tuple(tracks),
        starts,
        np.array(ends, np.complex128),
        np.array(lead_s),
        np.array(path_s),
        np.array(tail_s),
        np.array([cut.type is CutType.BORDER for cut in plan.cuts], np.bool_),
        waiting_for(plan),
        _stays(plan, grid),
        min(3.0, max(1.0, span_s / QUICK_LOOKS)) if is_quick else 1.0,
        rules.hand,
        is_quick,
    )


def _track(plan: TorchPlan, cut: Cut, grid: Grid, steel: Steel, speed_mm_s: float) -> Track:
    """What a cut does to the cells; a loop that is closed later falls out with its last bit."""
    points = to_points([cut.pierce_mm]) if cut.path is None else cut.path.flat(FLAT_MM)
    is_opening = cut.type is CutType.OPENING
    made = track(
        grid,
        points,
        steel.line_j_mm,
        is_closed=cut.path is not None and cut.path.is_closed,
        falls=is_opening and (cut.path is None or cut.path.is_closed),
        spot_j=steel.line_j_mm * speed_mm_s * PIERCE_S,
    )
    if cut.closes is None or not is_opening:
        return made
    whole = inside(grid, [np.vstack([_flat(plan.cuts[cut.closes]), points])])
    return replace(made, drop=np.flatnonzero(whole))


def _flat(cut: Cut) -> Points:
    return np.empty((0, 2)) if cut.path is None else cut.path.flat(FLAT_MM)


def _end(path: Path) -> complex:
    return path.start if path.is_closed else path.end


def _stays(plan: TorchPlan, grid: Grid) -> Bools:
    """Cells whose middle lies in metal that stays; all of them where no edge is known."""
    rings = [edge.path.flat(FLAT_MM) for edge in plan.edges]
    out = inside(grid, rings)
    return out if out.any() else ~out


def times_of(work: Work, sequence: Ints, waits_s: Floats) -> Floats:
    """When each cut of an order strikes its arc."""
    carried = np.abs(work.starts[sequence[1:]] - work.ends[sequence[:-1]])
    between = work.takes_s[sequence[:-1]] + MOVE_S + carried / CARRY_MM_S
    worked = np.concatenate([[0.0], np.cumsum(between)])[: len(sequence)]
    return np.asarray(waits_s.cumsum() + worked, np.float64)


def forecast(work: Work, sequence: Sequence[int], waits_s: Sequence[float] = ()) -> Forecast:
    """What an order does, by the whole simulation."""
    return forecasts(work, [(sequence, waits_s)])[0]


def forecasts(
    work: Work, orders: Sequence[tuple[Sequence[int], Sequence[float]]]
) -> list[Forecast]:
    """What several orders, each with its pauses, do: side by side, by the whole simulation."""
    sequences = [np.array(sequence, np.int64) for sequence, _ in orders]
    times = list[Floats]()
    for order, (_, waits) in zip(sequences, orders, strict=True):
        times.append(times_of(work, order, np.array(waits or [0.0] * len(order))))
    jobs = [
        [
            Timed(
                work.tracks[k],
                complex(work.starts[k]),
                begin,
                begin + float(work.lead_s[k]),
                begin + float(work.lead_s[k] + work.path_s[k]),
            )
            for k, begin in zip(order.tolist(), begins.tolist(), strict=True)
        ]
        for order, begins in zip(sequences, times, strict=True)
    ]
    warmths = simulate(
        work.grid,
        work.steel,
        jobs,
        coarse=coarse(work.grid, work.plate.shape),
        stays=work.stays,
        look_s=work.look_s,
        is_quick=work.is_quick,
    )
    return [
        _told(work, order, begins, warmth)
        for order, begins, warmth in zip(sequences, times, warmths, strict=True)
    ]


def _told(work: Work, order: Ints, begins: Floats, warmth: Warmth) -> Forecast:
    ends = begins + work.lead_s[order] + work.path_s[order]
    ratio = work.plate.ratio(warmth.looks)
    art = warmth.times_s <= max(ends[~work.is_last[order]], default=np.inf)
    walked_mm, chosen = walk(work.stands, order)
    carried = np.abs(work.starts[order[1:]] - work.ends[order[:-1]]).sum() if len(order) else 0.0
    return Forecast(
        bow_rms=float(np.sqrt(np.mean(ratio[art] ** 2))) if art.any() else 0.0,
        bow_peak=float(ratio.max(initial=0.0)),
        worst=_at_worst(work.grid, warmth, ratio),
        hottest_start_k=float(warmth.starts_k.max(initial=0.0)),
        walk_m=walked_mm / 1000,
        carry_m=float(carried) / 1000,
        begins_s=tuple(begins.tolist()),
        ends_s=tuple((ends + work.tail_s[order]).tolist()),
        starts_k=tuple(warmth.starts_k.tolist()),
        hottest_k=tuple(warmth.peaks_k.tolist()),
        hottest_at=tuple(_middles(work.grid, warmth.peak_cells).tolist()),
        stands=tuple(work.stands.places[chosen].tolist()),
    )


def _at_worst(grid: Grid, warmth: Warmth, ratio: Floats) -> HeatMap:
    k = int(ratio.argmax())
    warm = warmth.looks[k].copy()
    frozen(warm)
    return HeatMap((grid.left_mm, grid.top_mm, *grid.size_mm), warm, float(warmth.times_s[k]))


def _middles(grid: Grid, cells: Ints) -> Complexes:
    rows, cols = np.divmod(cells, grid.n_cols)
    x = grid.left_mm + (cols + 0.5) * grid.cell_mm
    return np.asarray(x + 1j * (grid.top_mm + (rows + 0.5) * grid.cell_mm), np.complex128)
