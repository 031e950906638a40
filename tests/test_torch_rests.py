"""Rests in long cuts: short enough parts, on the line, run off and started again in the drop."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from raster2path.geometry import Cubic, Kind, Line, Path, polygon, to_points
from raster2path.guides._aids import part_name
from raster2path.job import TallyRules, TorchRules
from raster2path.model import Cut, CutOrder, CutType
from raster2path.torch._rests import rests_along
from raster2path.torch.lines import plan_torch
from raster2path.torch.tally import tally
from tests.test_torch import line_of, metal_of, plate_with, rect, wavy

PULL_MM = 120.0


def parts_of(cut: Cut, pull_mm: float) -> None:
    """What must hold of any cut's parts."""
    assert cut.path is not None
    assert sum(cut.parts_mm) == pytest.approx(cut.path.length)
    assert max(cut.parts_mm) <= pull_mm * 8 / 7 + 1e-6
    assert len(cut.parts_mm) == cut.n_starts
    line = line_of(cut.path)
    for rest in cut.rests:
        at = shapely.Point(rest.place_mm.real, rest.place_mm.imag)
        assert line.distance(at) < 0.05
        if rest.run_off is not None:
            assert rest.run_off.start == rest.place_mm
        if rest.restart is not None:
            assert rest.restart.end == pytest.approx(rest.place_mm)


def test_short_cuts_have_none() -> None:
    plan = plan_torch(plate_with(rect(30, 30, 40, 40)), rules=TorchRules())
    opening = next(cut for cut in plan.cuts if cut.type is CutType.OPENING)
    assert (opening.rests, opening.n_starts) == ((), 1)
    assert opening.parts_mm == pytest.approx((opening.path.length,))  # type: ignore[union-attr]


def test_a_rest_comes_at_an_outer_corner_of_the_metal_where_there_is_one() -> None:
    """A tooth of metal points into the opening half way round: the torch is off the edge there."""
    corners = [50 + 10j, 10 + 10j, 10 + 60j, 45 + 60j, 52 + 40j, 55 + 60j, 90 + 60j, 90 + 10j]
    path = polygon(corners, Kind.LETTERING)
    ((rest,),) = rests_along([path], None, 250)
    assert rest.place_mm == 52 + 40j  # not half way, and not in the inner corners beside it


def test_slits_are_stopped_on_and_started_again() -> None:
    slit = Path(
        (Cubic(10 + 50j, 90 + 20j, 150 + 80j, 190 + 50j), Line(190 + 50j, 190 + 90j)), False
    )
    plan = plan_torch(plate_with(slits=(slit,)), rules=TorchRules(pull_mm=PULL_MM))
    cut = next(cut for cut in plan.cuts if cut.type is CutType.SLIT)
    parts_of(cut, PULL_MM)
    assert cut.rests
    assert all(rest.run_off is None and rest.restart is None for rest in cut.rests)


@settings(max_examples=40, deadline=None)
@given(
    st.lists(st.floats(25, 42), min_size=5, max_size=9),
    st.integers(0, 3),
    st.sampled_from([60.0, 100.0, 160.0]),
)
def test_leads_of_rests_keep_off_the_metal(radii: list[float], kinked: int, pull_mm: float) -> None:
    plan = plan_torch(plate_with(wavy(50 + 50j, radii, kinked)), rules=TorchRules(pull_mm=pull_mm))
    metal = metal_of(plan)
    for cut in plan.cuts:
        parts_of(cut, pull_mm)
        for rest in cut.rests:
            for lead in (rest.run_off, rest.restart):
                if lead is None:
                    continue
                spots = shapely.points(to_points(lead.segments[0].points_at(np.linspace(0, 1, 40))))
                assert shapely.distance(metal, spots).min() > plan.kerf_mm / 2 - 0.1
            if rest.restart is not None:
                pierce = shapely.Point(rest.restart.start.real, rest.restart.start.imag)
                assert metal.distance(pierce) > plan.kerf_mm / 2
    roomy = [rest for cut in plan.cuts if cut.type is CutType.BORDER for rest in cut.rests]
    assert all(rest.run_off and rest.restart for rest in roomy)


def test_rests_are_starts_and_their_leads_are_travel() -> None:
    plain, rested = (
        plan_torch(plate_with(rect(20, 20, 60, 60)), rules=TorchRules(pull_mm=pull_mm))
        for pull_mm in (5000.0, 100.0)
    )
    a, b = (
        tally(CutOrder(plan, (0, 1)), rules=TallyRules(speed_mm_min=1500))
        for plan in (plain, rested)
    )
    n_rests = sum(len(cut.rests) for cut in rested.cuts)
    assert n_rests >= 4
    assert b.starts == a.starts + n_rests
    assert b.lead_metres > a.lead_metres
    travel_s = 60 * (b.lead_metres - a.lead_metres) / 1.5
    assert b.arc_s - a.arc_s == pytest.approx(0.5 * n_rests + travel_s, abs=0.5)


def test_names_of_parts() -> None:
    assert [part_name(14, k) for k in (0, 1, 25, 26)] == ["14a", "14b", "14z", "14aa"]
