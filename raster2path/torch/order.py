"""Room: cuts in no order in, cuts in an order that keeps the sheet flat and the cutter at ease."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from raster2path.errors import UsageError
from raster2path.geometry import Points
from raster2path.job import Corrections, OrderHow, OrderRules
from raster2path.model import CutOrder, Forecast, Note, NoteKind, TorchPlan
from raster2path.torch._found import FOUND_MM, nearest_cut, on_sheet
from raster2path.torch._pulled import pulled
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

FEWEST = 4
"""Fewer cuts than this are not planned: there is nothing to choose."""

MOST = 400
"""More cuts than this are not planned: it would take longer than to look at the drawing."""


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
        A permutation, with open slits turned so that one pulls the torch; every cut comes before
        those that go round it (`Cut.inside`), and all others before the border. The same plan and
        rules give the same order.

    Raises:
        UsageError: the order by hand names no cut, one twice, or one too early.
        ValueError: cuts go round each other in a circle.
    """
    first = tuple[int, ...]()
    if corrections is not None and corrections.order_px:
        first = _named(plan, corrections.order_px, work_from_upright)
    before, starts = waiting_for(plan), starts_of(plan)
    closes = [cut.closes for cut in plan.cuts]
    how = rules.how
    if how is OrderHow.SWEEP:
        sequence = by_rank(starts.real, before, first, closes)
    elif how is OrderHow.SMALL_FIRST:
        lengths = [0.0 if cut.path is None else cut.path.length for cut in plan.cuts]
        sequence = by_rank(np.array(lengths), before, first, closes)
    else:
        sequence = nearest(starts, before, first, closes)
    out = CutOrder(plan, sequence, _reach_notes(plan, rules), how.value)
    if how is OrderHow.PLANNED:
        from raster2path.torch._planned import planned

        is_worth_it = len(sequence) - len(first) >= FEWEST and len(sequence) <= MOST
        found = planned(plan, rules, sequence, first) if is_worth_it else None
        if found is None:
            out = replace(out, how=OrderHow.NEAR.value)
        else:
            out = replace(out, sequence=found[0], waits_s=found[1])
    stands = stands_for(plan, out.sequence, rules)
    return pulled(replace(out, how="by hand" if first else out.how, stands=stands), rules)


def foresee(order: CutOrder, *, rules: OrderRules) -> Forecast:
    """What an order does to the sheet and to the cutter, by the whole simulation."""
    return forecast(work_of(order.plan, rules), order.sequence, order.waits_s)


def compare(order: CutOrder, *, rules: OrderRules, is_quick: bool = False) -> dict[str, Forecast]:
    """The same for the order `taken`, for the `nearest` pierce next, and for a `sweep`.

    Quick: in larger cells, in a tenth of the time; ratios agree within 1.5 %.
    """
    work = work_of(order.plan, rules, is_quick=is_quick)
    closes = [cut.closes for cut in order.plan.cuts]
    others = {
        "nearest": nearest(work.starts, work.before, (), closes),
        "sweep": by_rank(work.starts.real, work.before, (), closes),
    }
    all_of_them = [(order.sequence, order.waits_s), *((other, ()) for other in others.values())]
    return dict(zip(["taken", *others], forecasts(work, all_of_them), strict=True))


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
