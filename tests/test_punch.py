"""Prick-punch marks: corners, ends of straights, pierces and ties; 20 mm at most along a curve."""

from __future__ import annotations

import io
import itertools
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from svgelements import SVG, Group
from svgelements import Circle as SvgCircle

from raster2path.geometry import Arc, Cubic, Kind, Line, Path, circle, polygon
from raster2path.guides.punch import WIDEST_MM, along_line, punch
from raster2path.guides.svg import guides_svg
from tests.guide_scenes import STAMP, box, harbour


def gaps_of(marks: list[complex]) -> list[float]:
    return [abs(b - a) for a, b in zip(marks, [*marks[1:], marks[0]], strict=True)]


def test_a_box_has_its_corners_only() -> None:
    assert along_line(box(0, 0, 300, 200)) == pytest.approx([0, 300, 300 + 200j, 200j])


def test_a_bar_finds_a_straight_from_its_ends() -> None:
    assert along_line(Path((Line(0j, 500 + 0j),), is_closed=False)) == [0, 500]


def test_a_circle_is_stepped_round() -> None:
    """Circumference 314.2 mm: 16 marks, 19.6 mm of arc apart."""
    marks = along_line(circle(0j, 50, Kind.GEOMETRIC))
    assert len(marks) == 16
    chord = 2 * 50 * math.sin(math.pi / 16)
    assert gaps_of(marks) == pytest.approx([chord] * 16, abs=0.05)


def test_a_small_round_has_four() -> None:
    assert len(along_line(circle(0j, 6, Kind.GEOMETRIC))) == 4


def test_a_straight_that_runs_into_a_curve_is_marked_where_it_ends() -> None:
    line, bend = Line(0j, 100 + 0j), Arc(100 + 0j, 100 + 40j, math.pi / 2)
    marks = along_line(Path((line, bend), is_closed=False))
    assert marks[:2] == [0, 100]
    assert marks[-1] == pytest.approx(140 + 40j)
    assert len(marks) == 6  # 62.8 mm of arc in four steps


def test_joints_of_a_smooth_curve_are_no_corners() -> None:
    first = Cubic(0j, 10 - 10j, 20 - 10j, 30 + 0j)
    second = Cubic(30 + 0j, 40 + 10j, 50 + 10j, 60 + 0j)
    marks = along_line(Path((first, second), is_closed=False))
    gaps = [abs(b - a) for a, b in itertools.pairwise(marks)]
    assert max(gaps) - min(gaps) < 1.5


def test_a_straight_that_is_drawn_as_a_curve_is_a_straight() -> None:
    nearly = Cubic(0j, 100 + 0.1j, 200 + 0.1j, 300 + 0j)
    assert along_line(Path((nearly,), is_closed=False)) == [0, 300]


def test_a_straight_inside_a_curve_has_no_marks() -> None:
    """An S with 200 mm of straight in its middle, all of it cubics."""
    k = 0.5523 * 40
    bend = Cubic(0j, k * 1j, 40 - k + 40j, 40 + 40j)
    middle = Cubic(40 + 40j, 100 + 40j, 180 + 40j, 240 + 40j)
    other = Cubic(240 + 40j, 240 + k + 40j, 280 + 80j - k * 1j, 280 + 80j)
    marks = along_line(Path((bend, middle, other), is_closed=False))
    assert not [z for z in marks if 65 < z.real < 215]
    assert len(marks) <= 12


@pytest.mark.parametrize("radius", [0.5, 1.5, 3.0])
def test_a_rounded_corner_is_a_corner(radius: float) -> None:
    side = Line(0j, 60 + 0j)
    bend = Arc(60 + 0j, complex(60, radius), math.pi / 2)
    end = complex(60 + radius, radius)
    marks = along_line(Path((side, bend, Line(end, end + 60j)), is_closed=False))
    assert len(marks) == (4 if radius == 3 else 3)
    assert min(abs(mark - (60 + radius)) for mark in marks) <= radius + 0.01


def test_splinters_of_a_curve_are_no_straights() -> None:
    around = [60 * complex(math.cos(a), math.sin(a)) for a in np.linspace(0, 2 * math.pi, 121)[:-1]]
    assert len(along_line(polygon(around))) == 19  # 377 mm


@given(
    radius=st.floats(5, 300),
    sweep=st.floats(0.8, 6.0),
)
def test_along_a_curve_no_gap_is_wider_than_twenty_millimetres(radius: float, sweep: float) -> None:
    bend = Arc(complex(radius), 0j, sweep)
    marks = along_line(Path((bend,), is_closed=False))
    lost = [abs(abs(mark) - radius) for mark in marks]
    assert max(lost) < 0.05
    gaps = [abs(b - a) for a, b in itertools.pairwise(marks)]
    assert max(gaps) <= WIDEST_MM + 1e-6
    if bend.length > 3 * WIDEST_MM and radius > 40:
        assert min(gaps) >= 14.5


def test_every_pierce_and_every_end_at_a_tie_is_marked() -> None:
    order = harbour()
    marks = np.array(punch(order).marks_mm)
    for cut in order.cuts:
        assert np.abs(marks - cut.pierce_mm).min() < 1e-9
    kerf = order.plan.kerf_mm
    for tie in order.plan.sign.ties:
        for corner in tie.corners:
            assert np.abs(marks - corner).min() < kerf / 2 + 4 + 4


def test_marks_lie_on_their_lines() -> None:
    order = harbour()
    marks = punch(order).marks_mm
    pierces = [cut.pierce_mm for cut in order.cuts]
    paths = [cut.path for cut in order.cuts if cut.path is not None]
    for mark in marks:
        if min(abs(mark - at) for at in pierces) > 1e-9:
            assert min(path.nearest(mark).distance for path in paths) < 0.05


def test_count_and_minutes_are_told() -> None:
    found = punch(harbour())
    n = len(found.marks_mm)
    assert found.sentence == f"{n} punch marks, about {round(n * 4 / 60)} min"


def test_the_guides_have_a_layer_of_marks_only_where_asked() -> None:
    """Read back by svgelements: one circle a mark, where the mark is."""
    order = harbour()
    marks = punch(order).marks_mm
    text = guides_svg(order, stamp=STAMP, punched_mm=marks)
    layer = [e for e in SVG.parse(io.StringIO(text)).elements() if e.values.get("id") == "punch"]
    (group,) = (e for e in layer if isinstance(e, Group))
    discs = [e for e in group.select() if isinstance(e, SvgCircle)]
    px_per_mm = 96 / 25.4
    assert [complex(d.cx, d.cy) / px_per_mm for d in discs] == pytest.approx(list(marks), abs=2e-3)
    assert "punch here" in text
    assert "punch" not in guides_svg(order, stamp=STAMP)
