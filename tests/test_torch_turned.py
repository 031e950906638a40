"""Cuts travelled the other way round: the drop on the other side, all leads still in it."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from raster2path.geometry import Kind, Line, Path, signed_area, to_points
from raster2path.job import Corrections, Swirl, TorchRules
from raster2path.model import Cut, CutType, TorchPlan
from raster2path.torch.lines import plan_torch
from tests.test_torch import cuts_of, metal_of, plate_with, rect, sign_of, wavy


def ways(plan: TorchPlan) -> dict[CutType, list[bool]]:
    """For each type of cut, whether each runs clockwise, as seen."""
    out: dict[CutType, list[bool]] = {}
    for cut in plan.cuts:
        if cut.path is not None and cut.path.is_closed:
            out.setdefault(cut.type, []).append(signed_area(cut.path.flat()) > 0)
    return out


def test_openings_run_anticlockwise_and_outsides_clockwise_and_a_left_swirl_turns_both() -> None:
    sign = plate_with(rect(30, 30, 60, 60))
    right = plan_torch(sign, rules=TorchRules())
    assert ways(right) == {CutType.OPENING: [False], CutType.BORDER: [True]}
    left = plan_torch(sign, rules=TorchRules(swirl=Swirl.LEFT))
    assert ways(left) == {CutType.OPENING: [True], CutType.BORDER: [False]}
    for a, b in zip(right.cuts, left.cuts, strict=True):
        assert a.pierce_mm == b.pierce_mm


def test_one_is_turned_by_hand() -> None:
    sign = plate_with(rect(30, 30, 60, 60), rect(120, 30, 60, 60))
    plan = plan_torch(sign, rules=TorchRules(), corrections=Corrections(turned_px=((150.0, 31.0),)))
    by_place = {cut.pierce_mm.real > 100: cut for cut in cuts_of(plan, CutType.OPENING)}
    assert signed_area(by_place[True].path.flat()) > 0  # type: ignore[union-attr]
    assert signed_area(by_place[False].path.flat()) < 0  # type: ignore[union-attr]


def test_a_slit_is_turned_by_hand() -> None:
    slit = Path((Line(40 + 50j, 150 + 50j, Kind.ORGANIC),), False)
    plain, turned = (
        cuts_of(plan_torch(plate_with(slits=(slit,)), rules=TorchRules(), corrections=by), kind)[0]
        for by, kind in (
            (None, CutType.SLIT),
            (Corrections(turned_px=((100.0, 50.0),)), CutType.SLIT),
        )
    )
    assert turned.path is not None
    assert plain.path is not None
    assert turned.path.start == pytest.approx(plain.path.end)
    assert turned.pierce_mm == turned.path.start


def leads_keep_off(cut: Cut, metal: shapely.Geometry, half: float) -> None:
    for lead in cut.leads:
        spots = shapely.points(to_points(lead.segments[0].points_at(np.linspace(0, 1, 40))))
        assert shapely.distance(metal, spots).min() > half - 0.1


@settings(max_examples=30, deadline=None)
@given(st.lists(st.floats(25, 42), min_size=5, max_size=9), st.integers(0, 3))
def test_turned_round_all_leads_lie_in_the_drop(radii: list[float], kinked: int) -> None:
    sign = plate_with(wavy(50 + 50j, radii, kinked))
    rules = TorchRules(pull_mm=100, swirl=Swirl.LEFT)
    plan = plan_torch(sign, rules=rules)
    metal = metal_of(plan)
    for cut in plan.cuts:
        leads_keep_off(cut, metal, plan.kerf_mm / 2)
    plain = plan_torch(sign, rules=TorchRules(pull_mm=100))
    n_tails = [sum(cut.run_past is not None for cut in p.cuts) for p in (plan, plain)]
    assert n_tails[0] == n_tails[1]


def test_a_border_near_the_blanks_edge_begins_there() -> None:
    rings = [(rect(20, 30, 200, 200), None), (rect(60, 60, 50, 50), 0)]
    plan = plan_torch(sign_of(rings, sheet_mm=(240.0, 260.0)), rules=TorchRules())
    (border,) = cuts_of(plan, CutType.BORDER)
    (opening,) = cuts_of(plan, CutType.OPENING)
    assert border.is_from_edge
    assert not opening.is_from_edge
    at = border.pierce_mm
    assert min(at.real, at.imag, 240 - at.real, 260 - at.imag) == pytest.approx(0)
    assert border.lead_in is not None
    assert border.path is not None
    assert (border.lead_in.start, border.lead_in.end) == (at, border.path.start)
    leads_keep_off(border, metal_of(plan), plan.kerf_mm / 2)
    unknown = plan_torch(sign_of(rings), rules=TorchRules())
    assert not any(cut.is_from_edge for cut in unknown.cuts)


def test_a_border_far_inside_the_blank_is_pierced() -> None:
    sign = sign_of([(rect(200, 200, 200, 200), None)], sheet_mm=(600.0, 600.0))
    (border,) = plan_torch(sign, rules=TorchRules()).cuts
    assert not border.is_from_edge
