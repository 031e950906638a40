"""Small loops whose start is still hot are closed later, by a cut of their own (`--return`)."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest
import shapely

from raster2path.geometry import Kind, circle
from raster2path.job import OrderHow, OrderRules, TorchRules
from raster2path.model import Cut, CutOrder, CutType, TorchPlan
from raster2path.torch._returns import start_k
from raster2path.torch._schedule import forecasts, waiting_for, work_of
from raster2path.torch.lines import plan_torch
from raster2path.torch.order import order_cuts
from tests.test_torch import line_of, metal_of, plate_with, rect

RULES = TorchRules(return_mm=100)


def bubbles(rules: TorchRules = RULES) -> TorchPlan:
    """Six bubbles of 24 mm, 71 mm of torch line round each, and a window of 200 mm."""
    rings = [circle(complex(30 + 45 * (k % 3), 30 + 45 * (k // 3)), 12) for k in range(6)]
    return plan_torch(
        plate_with(*(ring.reversed() for ring in rings), rect(30, 120, 60, 50)), rules=rules
    )


def pairs(plan: TorchPlan) -> list[tuple[Cut, Cut]]:
    return [(plan.cuts[cut.closes], cut) for cut in plan.cuts if cut.closes is not None]


def test_how_warm_the_start_still_is() -> None:
    """80, 300 and 1000 mm at 50 mm/s come back to 211, 107 and 55 K above (20 kJ/m, 1.5 mm)."""
    rules = TorchRules(speed_mm_min=3000, heat_j_mm=20)
    warm = [start_k(length, rules) for length in (80, 300, 1000)]
    assert warm == pytest.approx([211, 107, 55], rel=0.03)


def test_small_loops_are_closed_later() -> None:
    plan, whole = bubbles(), bubbles(TorchRules())
    assert len(whole.cuts) == 8
    assert len(plan.cuts) == 14
    assert len(pairs(plan)) == 6
    metal = metal_of(plan)
    for main, last in pairs(plan):
        assert main.path is not None
        assert last.path is not None
        assert not main.path.is_closed
        assert not last.path.is_closed
        assert main.path.end == pytest.approx(last.path.start)
        assert last.path.end == pytest.approx(main.path.start)
        assert 5 <= last.path.length <= 12
        both = main.path.length + last.path.length
        assert both == pytest.approx(2 * np.pi * (12 - 0.75), rel=1e-6)
        assert last.inside == main.inside
        assert last.lead_in is not None
        assert last.lead_in.start == last.pierce_mm
        for lead in (*main.leads, *last.leads):
            assert line_of(lead).distance(metal) > plan.kerf_mm / 2 - 0.1
    assert any("6 small loops are closed later" in note.sentence for note in plan.notes)


def test_slowly_cut_or_larger_loops_are_closed_at_once() -> None:
    assert not pairs(bubbles(replace(RULES, speed_mm_min=200)))
    assert not pairs(bubbles(replace(RULES, return_mm=60)))
    few = plan_torch(plate_with(circle(60 + 60j, 12).reversed()), rules=RULES)
    assert not pairs(few)  # nothing else to cut meanwhile


@pytest.mark.parametrize("how", list(OrderHow))
def test_others_come_between(how: OrderHow) -> None:
    plan = bubbles()
    order = order_cuts(plan, rules=OrderRules(how=how))
    place = {k: n for n, k in enumerate(order.sequence)}
    assert sorted(order.sequence) == list(range(len(plan.cuts)))
    for k, cut in enumerate(plan.cuts):
        if cut.closes is not None:
            assert place[k] > place[cut.closes] + (how is not OrderHow.PLANNED)
    assert plan.cuts[order.sequence[-1]].type is CutType.BORDER
    before = waiting_for(plan)
    assert all(place[i] < place[o] for o, some in enumerate(before) for i in some)


def test_planned_lets_the_start_cool() -> None:
    plan = bubbles()
    rules = OrderRules()
    order = order_cuts(plan, rules=rules)
    (told,) = forecasts(work_of(plan, rules), [(order.sequence, order.waits_s)])
    at = {k: n for n, k in enumerate(order.sequence)}
    gaps = [
        told.begins_s[at[k]] - told.ends_s[at[cut.closes]]
        for k, cut in enumerate(plan.cuts)
        if cut.closes is not None
    ]
    assert min(gaps) > 7  # below 100 K after 7 s, below 60 K after 20 s
    assert np.median(gaps) > 20


def test_the_drop_goes_with_the_last_bit() -> None:
    """Its heat is gone only then, and all of it."""
    plan = bubbles()
    work = work_of(plan, OrderRules())
    for k, cut in enumerate(plan.cuts):
        if cut.closes is not None:
            assert len(work.tracks[cut.closes].drop) == 0
            cells = len(work.tracks[k].drop) * work.grid.cell_mm**2
            assert cells == pytest.approx(np.pi * 11.25**2, rel=0.3)


def test_all_of_it_is_cut_and_nothing_twice() -> None:
    plan, whole = bubbles(), bubbles(TorchRules())
    swath = [
        shapely.union_all([line_of(cut.path).buffer(0.75) for cut in p.cuts if cut.path])
        for p in (plan, whole)
    ]
    assert swath[0].symmetric_difference(swath[1]).area < 0.5
    ends = [cut.pierce_mm for cut in plan.cuts]
    assert min(abs(a - b) for a, b in itertools.combinations(ends, 2)) > 2
    assert CutOrder(plan, tuple(range(len(plan.cuts)))).cuts == plan.cuts
    assert {cut.kind for cut in plan.cuts} <= set(Kind)
