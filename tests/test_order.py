"""The order of cuts: inside before outside, the border last, short ways between."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from raster2path.geometry import Kind, circle, polygon
from raster2path.model import Art, Border, Cut, CutType, Placement, Sign, TorchPlan
from raster2path.torch.order import order_cuts


def cut(at: complex, *inside: int, what: CutType = CutType.OPENING) -> Cut:
    return Cut(what, Kind.ORGANIC, circle(at, 5), at, inside=frozenset(inside))


def plan_of(*cuts: Cut) -> TorchPlan:
    placement = Placement(1.0, 0j, (0, 0, 1, 1))
    sign = Sign(Art((), (), Border.RECT, placement), (), (), (), (), 0, ())
    return TorchPlan(sign, (), (), cuts, 1.5)


def test_inside_before_outside() -> None:
    plan = plan_of(cut(10, 2), cut(90, 2), cut(0, what=CutType.OUTSIDE))
    assert order_cuts(plan).sequence == (0, 1, 2)


def test_nearest_pierce_next() -> None:
    plan = plan_of(cut(50), cut(10), cut(30), cut(90))
    assert order_cuts(plan).sequence == (1, 2, 0, 3)


def test_border_is_last_even_where_nothing_says_so() -> None:
    plan = plan_of(cut(0, what=CutType.BORDER), cut(500), cut(400, what=CutType.OUTSIDE))
    assert order_cuts(plan).sequence[-1] == 0


def test_an_eye_in_an_island_in_an_opening() -> None:
    plan = plan_of(
        cut(0, what=CutType.BORDER), cut(5, 0), cut(6, 0, 1, what=CutType.OUTSIDE), cut(7, 0, 1, 2)
    )
    assert order_cuts(plan).sequence == (3, 2, 1, 0)


def test_no_cuts() -> None:
    assert order_cuts(plan_of()).sequence == ()


def test_going_round_each_other_is_a_mistake() -> None:
    with pytest.raises(ValueError, match="in a circle"):
        order_cuts(plan_of(cut(0, 1), cut(1, 0)))


def test_a_path_need_not_be_there() -> None:
    small = Cut(CutType.PIERCE_ONLY, Kind.ORGANIC, None, 3 + 0j, inside=frozenset({1}))
    outline = polygon([0, 9, 9 + 9j, 9j])
    border = Cut(CutType.BORDER, Kind.ORGANIC, outline, 0j)
    assert order_cuts(plan_of(small, border)).sequence == (0, 1)


@settings(max_examples=50, deadline=None)
@given(st.data())
def test_a_permutation_that_keeps_every_precedence(data: st.DataObject) -> None:
    n = data.draw(st.integers(1, 12))
    cuts = []
    for k in range(n):
        outer = data.draw(st.sets(st.integers(k + 1, n), max_size=3)) - {n}
        at = complex(data.draw(st.integers(0, 9)), data.draw(st.integers(0, 9)))
        cuts.append(cut(at, *outer))
    cuts.append(cut(0, what=CutType.BORDER))
    order = order_cuts(plan_of(*cuts))
    assert sorted(order.sequence) == list(range(n + 1))
    place = {index: k for k, index in enumerate(order.sequence)}
    assert all(place[k] < place[outer] for k, c in enumerate(cuts) for outer in c.inside)
    assert order.sequence[-1] == n
    assert order_cuts(plan_of(*cuts)).sequence == order.sequence
    assert order.cuts == tuple(cuts[k] for k in order.sequence)
