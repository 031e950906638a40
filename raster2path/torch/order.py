"""Room: cuts in no order in, cuts in an order that keeps the sheet flat and the cutter at ease."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from raster2path.errors import UsageError
from raster2path.geometry import Points
from raster2path.job import Corrections, OrderHow, OrderRules
from raster2path.model import CutOrder, Forecast, Note, NoteKind, TorchPlan
from raster2path.torch._schedule import (
    Work,
    forecast,
    out_of_reach,
    starts_of,
    waiting_for,
    work_of,
)
from raster2path.torch._simple import by_rank, nearest

NEAREST = OrderRules(how=OrderHow.NEAR)

FOUND_MM = 25.0
"""A place in `job.toml` means the cut nearest to it, no further off than this."""

FEWEST = 6
"""Fewer cuts than this are not planned: there is nothing to choose."""

MOST = 400
"""More cuts than this are not planned: it would take longer than to look at the drawing."""

N_SIMULATED, N_SIMULATED_LONG, LONG = 3, 2, 60

TWICE = 40
"""So many cuts may be planned a second time, where the first plan's peak comes out too high."""

WALK_MORE_M = 1.0
SAME = 1.01
"""Bowing that differs by less is the same: no such model knows better than to a hundredth."""

PEAK_AIMED = 0.99
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
            out = replace(out, sequence=found)
    return replace(out, how="by hand") if first else out


def foresee(order: CutOrder, *, rules: OrderRules) -> Forecast:
    """What an order does to the sheet and to the cutter, by the whole simulation."""
    return forecast(work_of(order.plan, rules), order.sequence, order.waits_s)


def compare(order: CutOrder, *, rules: OrderRules) -> dict[str, Forecast]:
    """The same for the order `taken`, for the `nearest` pierce next, and for a `sweep`."""
    work = work_of(order.plan, rules)
    others = {
        "nearest": nearest(work.starts, work.before),
        "sweep": by_rank(work.starts.real, work.before),
    }
    taken = forecast(work, order.sequence, order.waits_s)
    return {"taken": taken} | {name: forecast(work, other) for name, other in others.items()}


def _planned(
    plan: TorchPlan, rules: OrderRules, near: tuple[int, ...], first: tuple[int, ...]
) -> tuple[int, ...] | None:
    """A better order than the nearest, or None; the whole simulation has the last word."""
    from raster2path.torch._anneal import peaks, refine, search
    from raster2path.torch._surrogate import surrogate_of

    work = work_of(plan, rules)
    stand_in = surrogate_of(work)
    found = search(work, stand_in, near, first=first)
    base = forecast(work, near)
    tried = _simulated(work, found)
    best = _best(tried, base)
    if best is None and len(near) <= TWICE and any(_bows_less(told, base) for _, told in tried):
        # the stand-in took their peaks for too low: by how much is known now
        said = peaks(stand_in, [near, tried[0][0]])
        bias = tried[0][1].bow_peak / base.bow_peak / float(said[1] / said[0])
        found = refine(work, stand_in, near, found, first=first, most_peak=PEAK_AIMED / bias)
        best = _best(_simulated(work, found), base)
    return best


Tried = list[tuple[tuple[int, ...], Forecast]]


def _simulated(work: Work, found: list[tuple[int, ...]]) -> Tried:
    n = N_SIMULATED if len(work.before) <= LONG else N_SIMULATED_LONG
    return [(sequence, forecast(work, sequence)) for sequence in found[:n]]


def _bows_less(told: Forecast, base: Forecast) -> bool:
    return told.bow_rms <= base.bow_rms * SAME and told.walk_m <= base.walk_m + WALK_MORE_M


def _best(tried: Tried, base: Forecast) -> tuple[int, ...] | None:
    """The order that bows least and starts coolest among those that may be taken at all."""
    best, best_cost = None, 1 / SAME
    for sequence, told in tried:
        hot = told.hottest_start_k / max(base.hottest_start_k, TRIED_COOL_K)
        cost = 0.8 * told.bow_rms / max(base.bow_rms, 1e-9) + 0.2 * hot
        is_allowed = _bows_less(told, base) and told.bow_peak <= base.bow_peak * SAME
        if is_allowed and cost < best_cost:
            best, best_cost = sequence, cost
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
    turn = np.eye(3) if homography is None else homography
    before = waiting_for(plan)
    out = list[int]()
    for number, (x, y) in enumerate(places_px, 1):
        name = f"order_px {number} ({x:g}, {y:g})"
        u, v, w = turn @ (x, y, 1.0)
        at = complex(*plan.sign.art.placement.to_mm(np.array([[u / w, v / w]]))[0])
        cut = _nearest_cut(plan, at, name)
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


def _nearest_cut(plan: TorchPlan, at: complex, name: str) -> int:
    away = [
        min(abs(cut.pierce_mm - at), np.inf if cut.path is None else _distance(cut.path.flat(), at))
        for cut in plan.cuts
    ]
    if not away or min(away) > FOUND_MM:
        raise UsageError(
            f"{name} finds no cut within {FOUND_MM:g} mm; expected a place on a cutting line"
        )
    return int(np.argmin(away))


def _distance(points: Points, at: complex) -> float:
    return float(np.hypot(*(points - (at.real, at.imag)).T).min())
