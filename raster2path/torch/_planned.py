"""Orders that bow the sheet less: found by the stand-in, judged by the simulation."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from raster2path.job import OrderRules
from raster2path.model import Forecast, TorchPlan
from raster2path.torch._anneal import Judge, Rules, judge_for, last_stress, refine, search
from raster2path.torch._heat import Floats
from raster2path.torch._polish import (
    BOW_AIM,
    BOW_WISHED,
    MOST_S,
    PAUSE_S,
    PEAK_AIM,
    Aims,
    Tried,
    Waited,
    polished,
)
from raster2path.torch._schedule import Work, forecasts, work_of
from raster2path.torch._surrogate import surrogate_of

N_SIMULATED, N_SIMULATED_SHORT, SHORT = 2, 6, 30
"""So many of the orders found are simulated (of a short job's more: long cuts are what the stand-in
knows least); it may take the best for another."""

N_LAST, N_LAST_LONG, LONG = 4, 2, 45
"""So many are simulated in small cells where pauses are planned or an aim is missed: large cells
are not sure enough then."""

WALK_MORE_M = 1.0
SURELY = 0.97
N_PAUSES_TRIED = (1, 3, 5)
N_REFINED = 2


def planned(
    plan: TorchPlan, rules: OrderRules, near: tuple[int, ...], first: tuple[int, ...]
) -> Waited | None:
    """A better order than the nearest, or None; the whole simulation has the last word.

    Args:
        plan: the cuts.
        rules: what the sheet, the table and the machine are like.
        near: the nearest order, against which others are judged.
        first: cuts whose place at the beginning is fixed.
    """
    work = work_of(plan, rules, is_quick=True)
    judge, keep = judge_for(work, surrogate_of(work), near), Rules(work, len(first))
    n_tried = N_SIMULATED_SHORT if len(near) <= SHORT else N_SIMULATED
    found = search(judge, near, first=first)[:n_tried]
    base, *told = forecasts(work, [(near, ()), *((some, ()) for some in found)])
    aims = Aims(base, base.walk_m + WALK_MORE_M, _spare_s(work, base, rules))
    tried: list[Tried] = [((order, ()), each) for order, each in zip(found, told, strict=True)]
    if _best_of(tried, aims, BOW_WISHED) > 0:
        tried += _with_pauses(work, judge, aims, tried, near)
    for _ in range(2):
        if _best_of(tried, aims) > 0:
            tried += _refined(work, judge, aims, tried, first)
        if _best_of(tried, aims) > 0:
            tried += polished(work, tried, aims, keep)
        best = min(tried, key=aims.cost)
        if _is_sure(best[1], aims):
            return best[0]
        sure, aims = _in_small_cells(plan, rules, near, tried, aims)
        if sure is not None:
            return sure
    return None


def _in_small_cells(
    plan: TorchPlan, rules: OrderRules, near: tuple[int, ...], tried: list[Tried], aims: Aims
) -> tuple[Waited | None, Aims]:
    """The best of a few orders by small cells, or None where none of them may be taken.

    And the aims, with the peak moved by as much as large cells erred on it.
    """
    low = [each for each in tried if each[1].bow_peak <= aims.base.bow_peak] or tried
    few = sorted(low, key=aims.cost)[: N_LAST if len(near) <= LONG else N_LAST_LONG]
    few.append(min(low, key=lambda each: (aims.missed(each[1]) > 1, each[1].bow_peak)))
    some = list(dict.fromkeys(order for order, _ in few))
    base, *told = forecasts(work_of(plan, rules), [(near, ()), *some])
    sure = replace(aims, base=base)
    best = min(zip(some, told, strict=True), key=sure.cost)
    if sure.allow(best[1]):
        return best[0], aims
    large = next(each for order, each in few if order == some[0])
    erred = told[0].bow_peak / base.bow_peak / (large.bow_peak / aims.base.bow_peak)
    peak = aims.base.bow_peak / max(1.0, erred)
    return None, replace(aims, base=replace(aims.base, bow_peak=peak))


def _best_of(tried: list[Tried], aims: Aims, bow_aim: float = BOW_AIM) -> float:
    return min(aims.missed(each, bow_aim) for _, each in tried)


def _is_sure(told: Forecast, aims: Aims) -> bool:
    """True where large cells leave no doubt that an order may be taken."""
    is_lower = told.bow_peak < SURELY * aims.base.bow_peak
    return is_lower and aims.missed(told) == 0


def _spare_s(work: Work, told: Forecast, rules: OrderRules) -> float:
    """How long the machine has to rest in any case while a job is cut."""
    arc_s = float(work.takes_s.sum())
    return max(0.0, 100 * arc_s / rules.duty_percent - max(told.ends_s, default=0.0))


def _with_pauses(
    work: Work, judge: Judge, aims: Aims, tried: list[Tried], near: tuple[int, ...]
) -> list[Tried]:
    """The best order found, and the nearest, with pauses where the stand-in finds them useful."""
    most_last = PEAK_AIM / _bias(judge, tried[0], aims)
    strict = replace(judge, most_last=most_last)
    (best, _), _ = min(tried, key=aims.cost)
    out = list[Waited]()
    for order, numbers in ((best, N_PAUSES_TRIED), (near, N_PAUSES_TRIED[-1:])):
        waits = np.zeros(len(order))
        for n in range(1, int(min(MOST_S, aims.spare_s) // PAUSE_S) + 1):
            waits = _one_more(strict, order, waits)
            if n in numbers:
                out.append((order, tuple(waits.tolist())))
    return [*zip(out, forecasts(work, out), strict=True)] if out else []


def _one_more(judge: Judge, order: tuple[int, ...], waits: Floats) -> Floats:
    """The pauses, and one more where it costs least."""
    n = len(order)
    places = sorted({round(at) for at in np.linspace(0.2, 0.95, 12) * (n - 1)} - {0})
    tried = [waits + PAUSE_S * (np.arange(n) == at) for at in places]
    costs = [replace(judge, waits_s=each).cost(np.array([order]))[0] for each in tried]
    return np.asarray(tried[int(np.argmin(costs))], np.float64)


def _bias(judge: Judge, one: Tried, aims: Aims) -> float:
    """By how much the stand-in errs on the stress at the end."""
    (order, _), told = one
    return told.bow_peak / aims.base.bow_peak / last_stress(judge, order)


def _refined(
    work: Work, judge: Judge, aims: Aims, tried: list[Tried], first: tuple[int, ...]
) -> list[Tried]:
    """Orders looked for anew with the best pauses in place, and with less stress at the end."""
    most_last = PEAK_AIM / _bias(judge, tried[0], aims)
    (_, waits), _ = min(tried, key=aims.cost)
    starts = list(dict.fromkeys(order for (order, _), _ in tried))
    kept = [()] if not any(waits) else [(), waits]
    out = [
        (order, pauses)
        for pauses in kept
        for order in refine(judge, starts, most_last=most_last, first=first, waits_s=pauses)[
            :N_REFINED
        ]
    ]
    return [*zip(out, forecasts(work, out), strict=True)]
