"""The door from pixels to millimetres: size and place of the finished sign."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from raster2path.errors import NothingFoundError, UsageError
from raster2path.geometry import Points
from raster2path.job import SizeRules
from raster2path.model import Border, Dark, PixelRing, PixelRings, Placement
from raster2path.picture.door import place, rings_on_sheet

BOX = np.array([[100.0, 50.0], [300.0, 50.0], [300.0, 150.0], [100.0, 150.0]])


def box_mm(placement: Placement, points_px: Points) -> list[float]:
    points = placement.to_mm(points_px)
    return [*points.min(axis=0).tolist(), *points.max(axis=0).tolist()]


def test_without_a_border_the_art_is_the_sign() -> None:
    placement = place(BOX, border=Border.NONE, rules=SizeRules(width_mm=400), mm_per_px=None)
    assert placement.mm_per_px == pytest.approx(2)
    assert placement.sign_mm == pytest.approx((25, 25, 400, 200))
    assert box_mm(placement, BOX) == pytest.approx([25, 25, 425, 225])


def test_the_margin_is_counted_in_on_both_sides() -> None:
    rules = SizeRules(width_mm=450, margin_mm=25)
    placement = place(BOX, border=Border.RECT, rules=rules, mm_per_px=None)
    assert placement.sign_mm == pytest.approx((25, 25, 450, 250))
    assert box_mm(placement, BOX) == pytest.approx([50, 50, 450, 250])


def test_height_sets_the_scale_where_it_is_given() -> None:
    rules = SizeRules(height_mm=250, margin_mm=25)
    placement = place(BOX, border=Border.RECT, rules=rules, mm_per_px=0.1)
    assert placement.sign_mm[2:] == pytest.approx((450, 250))


def test_a_drawn_border_takes_no_margin_but_bars_take_their_width() -> None:
    rules = SizeRules(width_mm=410, margin_mm=25)
    placement = place(BOX, border=Border.DRAWN, rules=rules, mm_per_px=None, widen_mm=5)
    assert placement.mm_per_px == pytest.approx(2)
    assert box_mm(placement, BOX) == pytest.approx([30, 30, 430, 230])


def test_a_round_border_goes_round_the_smallest_circle() -> None:
    """An equilateral triangle: its smallest circle is its circumcircle, not its box's."""
    turn = np.radians([90, 210, 330])
    triangle = np.column_stack([np.cos(turn), np.sin(turn)]) * 100 + 500
    rules = SizeRules(width_mm=450, margin_mm=25)
    placement = place(triangle, border=Border.ROUND, rules=rules, mm_per_px=None)
    assert placement.mm_per_px == pytest.approx(2, rel=1e-4)
    assert placement.sign_mm == pytest.approx((25, 25, 450, 450), rel=1e-6)
    away = np.hypot(*(placement.to_mm(triangle) - 250).T)
    assert away == pytest.approx([200, 200, 200], rel=1e-4)


def test_an_oval_border_holds_the_corners_of_the_box() -> None:
    """The smallest ellipse of a box's own proportions round it has axes sqrt 2 times as long."""
    rules = SizeRules(width_mm=50 + 400 * 2**0.5, margin_mm=25)
    placement = place(BOX, border=Border.OVAL, rules=rules, mm_per_px=None)
    assert placement.mm_per_px == pytest.approx(2)
    assert placement.sign_mm[3] == pytest.approx(50 + 200 * 2**0.5)


def test_a_sheet_as_border_is_filled_within_its_margin() -> None:
    rules = SizeRules(border=Border.SHEET, sheet_mm=(500, 300), margin_mm=20)
    placement = place(BOX, border=Border.SHEET, rules=rules, mm_per_px=0.3)
    assert placement.sign_mm == (0, 0, 500, 300)
    assert box_mm(placement, BOX) == pytest.approx([20, 35, 480, 265])


def test_on_a_sheet_the_sign_lies_in_the_middle() -> None:
    rules = SizeRules(width_mm=400, sheet_mm=(1000, 500))
    placement = place(BOX, border=Border.NONE, rules=rules, mm_per_px=None)
    assert placement.sign_mm == pytest.approx((300, 150, 400, 200))
    assert box_mm(placement, BOX) == pytest.approx([300, 150, 700, 350])


def test_without_a_size_the_paper_or_600_mm_decides() -> None:
    on_paper = place(BOX, border=Border.NONE, rules=SizeRules(), mm_per_px=0.25)
    unknown = place(BOX, border=Border.RECT, rules=SizeRules(), mm_per_px=None)
    assert on_paper.sign_mm[2:] == pytest.approx((50, 25))
    assert unknown.sign_mm[2] == pytest.approx(600)


@pytest.mark.parametrize("margin", [30.0, 40.0])
def test_margins_without_room_are_refused_in_numbers(margin: float) -> None:
    rules = SizeRules(width_mm=60, margin_mm=margin)
    with pytest.raises(UsageError, match=rf"{margin:g} mm of margin .* 60 mm wide.*than 30 mm"):
        place(BOX, border=Border.RECT, rules=rules, mm_per_px=None)


def test_margins_without_room_on_a_sheet_are_refused_in_numbers() -> None:
    rules = SizeRules(sheet_mm=(500, 80), margin_mm=40)
    with pytest.raises(UsageError, match=r"40 mm .* 500 x 80 mm"):
        place(BOX, border=Border.SHEET, rules=rules, mm_per_px=None)


def test_an_upright_line_is_not_scaled_by_its_width() -> None:
    line = np.array([[10.0, 0.0], [10.0, 100.0]])
    with pytest.raises(UsageError, match="not wide; give its --height"):
        place(line, border=Border.RECT, rules=SizeRules(width_mm=300), mm_per_px=None)
    rules = SizeRules(height_mm=300, margin_mm=50)
    assert place(line, border=Border.RECT, rules=rules, mm_per_px=None).sign_mm[2] == 100


def test_no_points_are_nothing_to_cut() -> None:
    with pytest.raises(NothingFoundError, match="nothing"):
        place(np.zeros((0, 2)), border=Border.NONE, rules=SizeRules(), mm_per_px=None)


def test_rings_come_out_in_millimetres() -> None:
    ring = PixelRing(BOX, noise_px=0.1)
    placement = place(BOX, border=Border.NONE, rules=SizeRules(width_mm=400), mm_per_px=None)
    outlines = rings_on_sheet(
        PixelRings((ring, ring), blur_px=1.5),
        placement=placement,
        region=Dark.OPENING,
        border=Border.RECT,
        is_squared=True,
    )
    assert len(outlines.rings) == 2
    assert outlines.rings[0].points_mm == pytest.approx(placement.to_mm(BOX))
    assert outlines.rings[0].noise_mm == pytest.approx(0.2)
    assert outlines.rings[0].kinds.tolist() == [0, 0, 0, 0]
    assert outlines.blur_mm == pytest.approx(3)
    assert (outlines.region, outlines.border) == (Dark.OPENING, Border.RECT)
    assert outlines.is_squared


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.tuples(st.floats(0, 4000), st.floats(0, 3000)), min_size=3, max_size=30),
    st.sampled_from([Border.NONE, Border.RECT, Border.ROUND, Border.OVAL, Border.DRAWN]),
    st.floats(100, 2000),
    st.floats(0, 40),
)
def test_all_art_lies_inside_the_sign(
    corners: list[tuple[float, float]], border: Border, width_mm: float, margin_mm: float
) -> None:
    """Whatever is drawn, the sign has the width asked for and the art its margin."""
    points = np.array([*corners, (0.0, 0.0), (10.0, 10.0)])
    rules = SizeRules(width_mm=width_mm, margin_mm=margin_mm)
    placement = place(points, border=border, rules=rules, mm_per_px=None)
    left, top, width, height = placement.sign_mm
    margin = margin_mm if border in (Border.RECT, Border.ROUND, Border.OVAL) else 0
    art = box_mm(placement, points)
    slack = 1e-6 * width
    assert width == pytest.approx(width_mm)
    assert art[0] >= left + margin - slack
    assert art[1] >= top + margin - slack
    assert art[2] <= left + width - margin + slack
    assert art[3] <= top + height - margin + slack
    assert placement.to_px(placement.to_mm(points)) == pytest.approx(points, abs=1e-6)
