"""Room: cuts in no order in, cuts in an order that keeps the sheet flat and the cutter at ease."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from raster2path.errors import UsageError
from raster2path.geometry import Points
from raster2path.job import Corrections, OrderHow, OrderRules
from raster2path.model import CutOrder, Forecast, Note, NoteKind, TorchPlan
from raster2path.torch._found import FOUND_MM, nearest_cut, on_sheet
from raster2path.torch._schedule import (
    forecast,
    forecasts,
    out_of_reach,
    stands_for,
    starts_of,
    waiting_for,
    work_of,
)
from raster2path.torch._simple import by_rank, nearest

NEAREST = OrderRules(how=OrderHow.NEAR)

FEWEST = 6
"""Fewer cuts than this are not planned: there is nothing to choose."""

MOST = 400
"""More cuts than this are not planned: it would take longer than to look at the drawing."""

N_SIMULATED, N_SIMULATED_SHORT, SHORT = 2, 6, 30
"""So many of the orders found are simulated (of a short job's more: long cuts are what the stand-in
knows least); it may take the best for another."""

WALK_MORE_M = 1.0
SAME = 1.01
"""Bowing that differs by less is the same: no such model knows better than to a hundredth."""

PEAK_AIMED = 0.99
"""Peaks are compared in large cells, which know them to a hundredth."""

PAUSES_S = (30.0, 60.0, 120.0, 240.0)
"""Pauses that are tried where an order's peak is too high."""

TRIED_COOL_K = 20.0
"""Starts are weighed against the nearest order's hottest one, or against this if that is cool."""


def order_cuts(
    plan: TorchPlan,
    *,
    rules: OrderRules = NEAREST,
    corrections: Corrections | None = None,
    work_from_upright: Points | None = None,
) -> CutOrder:
    """The order of cuts: inside before outside, the border last, and beyond that as asked.

    Planned means: by the model of heat and bowing (elastic theory, never tried on steel) the sheet
    bows less than with the nearest pierce next, or as much and cuts start cooler; its peak is not
    higher, and the cutter walks no more than a metre further. Where no such order is found, it is
    the nearest one; `how` of the result says which it is.

    Args:
        plan: the cuts.
        rules: how the order is chosen, and what the sheet and the table are like.
        corrections: where its `order_px` names cuts by places on them, those come first.
        work_from_upright: from pixels of the upright picture to those of the working picture;
            needed where cuts are named.

    Returns:
        A permutation; every cut comes before those that go round it (`Cut.inside`), and all
        others before the border. The same plan and rules give the same order.

    Raises:
        UsageError: the order by hand names no cut, one twice, or one too early.
        ValueError: cuts go round each other in a circle.
    """
    first = tuple[int, ...]()
    if corrections is not None and corrections.order_px:
        first = _named(plan, corrections.order_px, work_from_upright)
    before, starts = waiting_for(plan), starts_of(plan)
    how = rules.how
    if how is OrderHow.SWEEP:
        sequence = by_rank(starts.real, before, first)
    elif how is OrderHow.SMALL_FIRST:
        lengths = [0.0 if cut.path is None else cut.path.length for cut in plan.cuts]
        sequence = by_rank(np.array(lengths), before, first)
    else:
        sequence = nearest(starts, before, first)
    out = CutOrder(plan, sequence, _reach_notes(plan, rules), how.value)
    if how is OrderHow.PLANNED:
        is_worth_it = len(sequence) - len(first) >= FEWEST and len(sequence) <= MOST
        found = _planned(plan, rules, sequence, first) if is_worth_it else None
        if found is None:
            out = replace(out, how=OrderHow.NEAR.value)
        else:
            out = replace(out, sequence=found[0], waits_s=found[1])
    stands = stands_for(plan, out.sequence, rules)
    return replace(out, how="by hand" if first else out.how, stands=stands)


def foresee(order: CutOrder, *, rules: OrderRules) -> Forecast:
    """What an order does to the sheet and to the cutter, by the whole simulation."""
    return forecast(work_of(order.plan, rules), order.sequence, order.waits_s)


def compare(order: CutOrder, *, rules: OrderRules, is_quick: bool = False) -> dict[str, Forecast]:
    """The same for the order `taken`, for the `nearest` pierce next, and for a `sweep`.

    Quick: in larger cells, in a tenth of the time; ratios agree within 1.5 %.
    """
    work = work_of(order.plan, rules, is_quick=is_quick)
    others = {
        "nearest": nearest(work.starts, work.before),
        "sweep": by_rank(work.starts.real, work.before),
    }
    all_of_them = [(order.sequence, order.waits_s), *((other, ()) for other in others.values())]
    return dict(zip(["taken", *others], forecasts(work, all_of_them), strict=True))


Waited = tuple[tuple[int, ...], tuple[float, ...]]
"""An order, and the pause before each of its cuts (none: no pause at all)."""


def _planned(
    plan: TorchPlan, rules: OrderRules, near: tuple[int, ...], first: tuple[int, ...]
) -> Waited | None:
    """A better order than the nearest, or None; the whole simulation has the last word."""
    from raster2path.torch._anneal import judge_for, last_stress, refine, search
    from raster2path.torch._surrogate import surrogate_of

    work = work_of(plan, rules, is_quick=True)
    judge = judge_for(work, surrogate_of(work), near)
    n_tried = N_SIMULATED_SHORT if len(near) <= SHORT else N_SIMULATED
    found = search(judge, near, first=first)[:n_tried]
    base, *told = forecasts(work, [(near, ()), *((some, ()) for some in found)])
    best = _best([(some, ()) for some in found], told, base)
    if best is None and _bows_less(told[0], base):
        # its peak is too high: by how much the stand-in errs is known now
        bias = told[0].bow_peak / base.bow_peak / last_stress(judge, found[0])
        found = refine(judge, found, most_last=PEAK_AIMED / bias, first=first)[:n_tried]
        told = forecasts(work, [(some, ()) for some in found])
        best = _best([(some, ()) for some in found], told, base)
    if best is not None or not _bows_less(told[0], base):
        return best
    paused = [_with_pause(found[0], told[0], pause_s) for pause_s in PAUSES_S]
    for order, rested in zip(paused, forecasts(work, paused), strict=True):
        if (best := _best([order], [rested], base)) is not None:
            return best  # nobody waits longer than it takes
    return None


def _with_pause(order: tuple[int, ...], told: Forecast, pause_s: float) -> Waited:
    """The same order with a pause before the cut during which the sheet bows most."""
    begun = np.searchsorted(np.array(told.begins_s), told.worst.at_s, side="right")
    waits = [0.0] * len(order)
    waits[max(0, int(begun) - 1)] = pause_s
    return order, tuple(waits)


def _bows_less(told: Forecast, base: Forecast) -> bool:
    return told.bow_rms <= base.bow_rms * SAME and told.walk_m <= base.walk_m + WALK_MORE_M


def _best(some: list[Waited], foreseen: list[Forecast], base: Forecast) -> Waited | None:
    """The order that bows least and starts coolest among those that may be taken at all."""
    best, best_cost = None, 1 / SAME
    for order, told in zip(some, foreseen, strict=True):
        hot = told.hottest_start_k / max(base.hottest_start_k, TRIED_COOL_K)
        cost = 0.8 * told.bow_rms / max(base.bow_rms, 1e-9) + 0.2 * hot
        is_allowed = _bows_less(told, base) and told.bow_peak <= base.bow_peak * PEAK_AIMED
        if is_allowed and cost < best_cost:
            best, best_cost = order, cost
    return best


def _reach_notes(plan: TorchPlan, rules: OrderRules) -> tuple[Note, ...]:
    far = out_of_reach(plan, rules)
    if not far.any():
        return ()
    k = int(np.argmax(far))
    n = int(far.sum())
    words = "1 cut lies" if n == 1 else f"{n} cuts lie"
    sentence = f"{words} further in than a reach of {rules.reach_mm:g} mm from where one can stand."
    return (
        Note(NoteKind.SETTING, sentence, plan.cuts[k].pierce_mm, remedy="turn or shift the sheet"),
    )


def _named(
    plan: TorchPlan, places_px: tuple[tuple[float, float], ...], homography: Points | None
) -> tuple[int, ...]:
    """The cuts that places in the upright picture mean, checked as an order."""
    before = waiting_for(plan)
    out = list[int]()
    for number, (x, y) in enumerate(places_px, 1):
        name = f"order_px {number} ({x:g}, {y:g})"
        if not plan.cuts:
            raise UsageError(f"{name} names a cut, but there is none")
        cut, away_mm = nearest_cut(plan, on_sheet(plan.sign.art.placement, (x, y), homography))
        if away_mm > FOUND_MM:
            raise UsageError(
                f"{name} finds no cut within {FOUND_MM:g} mm; expected a place on a cutting line"
            )
        if cut in out:
            earlier = out.index(cut) + 1
            raise UsageError(f"{name} is the same cut as order_px {earlier}; expected each once")
        missing = before[cut] - set(out)
        if missing:
            inner = plan.cuts[min(missing)].pierce_mm
            raise UsageError(
                f"{name} is cut too early: it goes round {len(missing)} cuts that come first, one "
                f"of them at {inner.real:.0f}, {inner.imag:.0f} mm on the sheet; name those before "
                "it, or leave it out"
            )
        out.append(cut)
    return tuple(out)
