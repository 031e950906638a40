"""Slits are pulled towards the cutter on thin sheet, for either hand; by hand the other way."""

from __future__ import annotations

from dataclasses import replace

import pytest

from raster2path.geometry import Kind, Line, Path
from raster2path.job import Corrections, Hand, OrderRules, TorchRules
from raster2path.model import Cut, CutOrder, CutType, TorchPlan
from raster2path.torch._pulled import pulled
from raster2path.torch.lines import plan_torch
from raster2path.torch.order import order_cuts
from tests.test_torch import cuts_of, plate_with

BELOW = 100 + 230j
"""Where one stands: at the lower edge of a plate of 200 mm."""


def order_of(a: complex, b: complex, by: Corrections | None = None) -> CutOrder:
    slit = Path((Line(a, b, Kind.ORGANIC),), False)
    plan = plan_torch(plate_with(slits=(slit,)), rules=TorchRules(pull_mm=50), corrections=by)
    sequence = tuple(range(len(plan.cuts)))
    return CutOrder(plan, sequence, stands=(BELOW,) * len(sequence))


def slit_in(plan: TorchPlan) -> Cut:
    (slit,) = cuts_of(plan, CutType.SLIT)
    return slit


def ends(order: CutOrder) -> tuple[complex, complex]:
    slit = slit_in(order.plan)
    assert slit.path is not None
    assert slit.pierce_mm == slit.path.start
    return slit.path.start, slit.path.end


@pytest.mark.parametrize("hand", list(Hand))
@pytest.mark.parametrize(("a", "b"), [(100 + 40j, 110 + 160j), (110 + 160j, 100 + 40j)])
def test_towards_the_stand(a: complex, b: complex, hand: Hand) -> None:
    order = pulled(order_of(a, b), OrderRules(hand=hand))
    assert ends(order) == (100 + 40j, 110 + 160j)
    rests = slit_in(order.plan).rests
    assert len(rests) >= 2
    assert [abs(rest.place_mm - (100 + 40j)) for rest in rests] == pytest.approx(
        [rest.along_mm for rest in rests]
    )
    assert rests == tuple(sorted(rests, key=lambda rest: rest.along_mm))


@pytest.mark.parametrize(("a", "b"), [(30 + 100j, 160 + 104j), (160 + 104j, 30 + 100j)])
def test_sideways_so_that_the_hand_trails(a: complex, b: complex) -> None:
    """One at the lower edge has the sheet's right on the right: a right hand goes to the left."""
    order = order_of(a, b)
    assert ends(pulled(order, OrderRules(hand=Hand.RIGHT)))[0] == 160 + 104j
    assert ends(pulled(order, OrderRules(hand=Hand.LEFT)))[0] == 30 + 100j


def test_thick_sheet_and_what_was_turned_by_hand() -> None:
    far, near = 100 + 40j, 110 + 160j
    for a, b in ((far, near), (near, far)):
        order = order_of(a, b)
        assert pulled(order, OrderRules(thickness_mm=3.0)) is order
        turned = order_of(a, b, Corrections(turned_px=((105.0, 100.0),)))
        assert ends(pulled(turned, OrderRules())) == (near, far)


def test_the_order_pulls() -> None:
    plan = order_of(110 + 160j, 100 + 40j).plan
    order = order_cuts(plan, rules=OrderRules())
    stand = order.stands[order.sequence.index(plan.cuts.index(slit_in(plan)))]
    start, end = ends(order)
    assert abs(start - stand) > abs(end - stand)
    assert order.plan == replace(plan, cuts=order.plan.cuts)
