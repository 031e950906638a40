"""What helps the hand: bars beside straights, compasses in centres, clamp, magnet, spray."""

from __future__ import annotations

import json
import re
from dataclasses import replace

import numpy as np
import pytest
import shapely

from raster2path.geometry import Kind, circle, polygon
from raster2path.guides.job_numbers import job_numbers
from raster2path.guides.svg import guides_svg
from raster2path.job import AidRules, OrderHow, OrderRules, TallyRules, TorchRules
from raster2path.material import Material
from raster2path.model import Border, ClampHow, CutOrder, NoteKind
from raster2path.torch.aids import add_aids
from raster2path.torch.lines import plan_torch
from raster2path.torch.order import order_cuts
from raster2path.torch.tally import tally
from tests.guide_scenes import STAMP, harbour
from tests.test_torch import metal_of, plate_with, rect, sign_of


def aided(order: CutOrder, **rules: float) -> CutOrder:
    return add_aids(order, rules=AidRules(**rules))  # type: ignore[arg-type]


def planned(*openings: object, **rules: float) -> CutOrder:
    plan = plan_torch(plate_with(*openings), rules=TorchRules())  # type: ignore[arg-type]
    return aided(order_cuts(plan, rules=OrderRules(how=OrderHow.SMALL_FIRST)), **rules)


def test_a_fence_lies_a_tip_radius_beside_each_long_straight_on_the_metal() -> None:
    order = planned(rect(40, 50, 100, 70), tip_radius_mm=6.0)
    own = [fence for fence in order.aids.fences if fence.number == 1]
    assert len(own) == 4
    line = order.cuts[0].path
    assert line is not None
    ring = shapely.LinearRing(line.flat())
    metal = metal_of(order.plan)
    for fence in own:
        bar = shapely.LineString([(z.real, z.imag) for z in fence.line])
        assert bar.length == pytest.approx(98.5, abs=30.1)
        assert ring.distance(bar) == pytest.approx(6.0, abs=1e-6)
        assert metal.intersection(bar).length > 0.98 * bar.length


def test_short_straights_have_no_fence() -> None:
    order = planned(rect(40, 50, 50, 40))
    assert [fence.number for fence in order.aids.fences] == [2] * 4  # the border's


def test_a_bar_does_not_lie_over_what_has_fallen() -> None:
    """A narrow web between two openings: the second one's bar lies over its own drop."""
    order = planned(rect(20, 40, 70, 20), rect(20, 65, 70, 70))
    upper = shapely.box(20, 40, 90, 60)
    for fence in order.aids.fences:
        bar = shapely.LineString([(z.real, z.imag) for z in fence.line])
        if fence.number == 2:
            assert bar.intersection(upper).length < 1


def test_a_compass_stands_in_the_middle_of_the_torch_lines_own_arc() -> None:
    order = planned(circle(100 + 100j, 40).reversed())
    compass = next(c for c in order.aids.compasses if c.number == 1)
    assert compass.centre_mm == pytest.approx(100 + 100j)
    assert compass.radius_mm == pytest.approx(40 - 0.75)
    assert not compass.is_gone
    assert not [note for note in order.notes if "compass" in note.sentence]


def test_a_centre_that_falls_before_is_told() -> None:
    """A ring of metal: its outside is cut after the hole in its middle."""
    hole = circle(100 + 100j, 20).reversed()
    sign = sign_of([(circle(100 + 100j, 60), None), (hole, 0)])
    order = aided(order_cuts(plan_torch(sign, rules=TorchRules())))
    by_number = {compass.number: compass.is_gone for compass in order.aids.compasses}
    assert by_number == {1: False, 2: True}
    (note,) = [note for note in order.notes if "compass" in note.sentence]
    assert note.kind is NoteKind.SETTING
    assert "cut 2's" in note.sentence


def test_the_clamp_is_on_metal_that_stays_and_clear_of_the_cuts() -> None:
    order = planned(rect(20, 20, 30, 30))
    told = order.aids.clamp
    assert told is not None
    assert told.how is ClampHow.MAGNET  # the border is cut all round: no edge to clamp at
    spot = shapely.Point(told.place_mm.real, told.place_mm.imag)  # type: ignore[union-attr]
    assert metal_of(order.plan).contains(spot)
    lines = [shapely.LinearRing(cut.path.flat()) for cut in order.cuts if cut.path]
    assert min(line.distance(spot) for line in lines) >= 60 - 2
    assert told.free_mm == pytest.approx(min(line.distance(spot) for line in lines), abs=2)


def test_with_the_sheets_own_edges_the_clamp_grips_one() -> None:
    sign = sign_of(
        [(rect(0, 0, 600, 400), None), (rect(300, 150, 40, 40), 0)],
        border=Border.SHEET,
        sheet_mm=(600.0, 400.0),
    )
    told = aided(order_cuts(plan_torch(sign, rules=TorchRules()))).aids.clamp
    assert told is not None
    assert told.how is ClampHow.CLAMP
    x, y = told.place_mm.real, told.place_mm.imag  # type: ignore[union-attr]
    assert min(x, 600 - x, y, 400 - y) <= 80


@pytest.mark.parametrize(("material", "kg"), [(Material.MILD, 7850), (Material.ALUMINIUM, 2680)])
def test_a_large_drop_is_told_with_its_mass(material: Material, kg: float) -> None:
    plan = plan_torch(plate_with(rect(10, 10, 170, 150), rect(185, 10, 9, 9)), rules=TorchRules())
    order = order_cuts(plan, rules=OrderRules(how=OrderHow.SMALL_FIRST))
    rules = AidRules(thickness_mm=3.0, material=material)
    heavy = add_aids(order, rules=rules).aids.heavy
    mass = 168.5 * 148.5 * 3 * kg * 1e-9
    if mass > 0.5:
        (drop,) = heavy
        assert drop.mass_kg == pytest.approx(mass, rel=1e-3)
        assert drop.number == 2
    else:
        assert not heavy


def test_spray_goes_away_from_the_good_metal_and_from_the_cutter() -> None:
    order = aided(harbour())
    assert all(abs(way) == pytest.approx(1) for way in order.aids.sprays)
    k = next(k for k, cut in enumerate(order.cuts) if cut.pierce_mm == 84 + 100j)
    assert order.aids.sprays[k] == pytest.approx(1)  # off the block's left side, at x = 70
    stood = replace(order, stands=(84 - 500j,) * len(order.cuts))  # beyond its top side
    way = aided(stood).aids.sprays[k]
    assert way.real > 0.5
    assert way.imag > 0.3


def test_aids_are_dashed_or_small_and_in_groups_of_their_own() -> None:
    order = aided(harbour())
    svg = guides_svg(order, stamp=STAMP)
    groups = re.findall(r'<g [^>]*id="([a-z-]+)"', svg)
    assert {"arrows", "fences", "clamp"} <= set(groups)
    fences = svg[svg.index('id="fences"') :]
    n_drawn = len(re.findall(r"<path", fences[: fences.index("</g>")]))
    centres = {(c.centre_mm, round(c.radius_mm, 1)) for c in order.aids.compasses}
    assert n_drawn == len(order.aids.fences) + len(centres)
    assert "r 54.2" in svg  # the O: 55 less half a kerf, rounded
    told = json.loads(job_numbers(order, tally(order, rules=TallyRules()), stamp=STAMP))["hand"]
    assert len(told["fences_mm"]) == len(order.aids.fences)
    assert told["clamp"]["how"] in {"clamp", "magnet", "outside"}


def test_arrowheads_point_along_the_cut() -> None:
    from raster2path.guides._aids import _along

    path = polygon([0, 300, 300 + 200j, 200j], Kind.GEOMETRIC)
    found = _along(path)
    assert len(found) == round(1000 / 150)
    for place, way in found:
        at = path.nearest(place)
        assert at.distance < 1e-6
        assert path.segments[at.index].tangent(at.t) == pytest.approx(way)
        corners = np.array([segment.start for segment in path])
        assert np.abs(corners - place).min() >= 6 - 1e-9


def test_nothing_to_cut_needs_no_aid() -> None:
    empty = CutOrder(plan_torch(sign_of([]), rules=TorchRules()), ())
    assert aided(empty) is empty
