"""Tongues of metal: deflection by the beam formulas, and which members are told."""

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from raster2path.material import ALUMINIUM, MILD
from raster2path.model import NoteKind
from raster2path.sign._flimsy import deflections, flimsy_notes, tongues

PLATE = shapely.box(0, 0, 200, 200)


def with_tongue(length: float, width: float) -> shapely.Geometry:
    return PLATE.union(shapely.box(199, 100 - width / 2, 200 + length, 100 + width / 2))


def test_the_worked_strip_springs_as_published() -> None:
    """Cantilever, F L^3 / (3 E I): strip 20 x 1.5 x 100, 10 N at the tip: 2.963 mm."""
    spring, _ = deflections(np.full(400, 20.0), 100.0, thickness_mm=1.5, push_n=10)
    assert spring == pytest.approx(2.963, rel=1e-3)


@settings(deadline=None, max_examples=30)
@given(st.floats(5, 40), st.floats(20, 400), st.floats(0.5, 6))
def test_an_even_strip_bends_by_the_textbook(width: float, length: float, thick: float) -> None:
    """F L^3 / (3 E I) at the tip; q L^4 / (8 E I) by its own weight."""
    spring, sag = deflections(np.full(300, width), length, thickness_mm=thick, push_n=10)
    stiff = MILD.young_mpa * width * thick**3 / 12
    weight = 7850e-9 * 9.81 * width * thick
    assert spring == pytest.approx(10 * length**3 / (3 * stiff), rel=1e-3)
    assert sag == pytest.approx(weight * length**4 / (8 * stiff), rel=1e-2)


def test_a_wedge_bends_by_its_own_formula() -> None:
    """Width falling straight to nothing: F L^3 / (2 E I0), half as much again as an even strip."""
    n = 2000
    widths = 20.0 * (1 - (np.arange(n) + 0.5) / n)
    spring, _ = deflections(widths, 100.0, thickness_mm=1.5, push_n=10)
    assert spring == pytest.approx(10 * 1e6 / (2 * MILD.young_mpa * 20 * 1.5**3 / 12), rel=1e-3)


@pytest.mark.parametrize(
    ("length", "width", "is_told"), [(180, 8, True), (60, 8, False), (30, 8, False)]
)
def test_a_long_tongue_is_told_at_its_tip(length: float, width: float, *, is_told: bool) -> None:
    notes = flimsy_notes(with_tongue(length, width), web_mm=5.0, thickness_mm=1.5)
    assert len(notes) == is_told
    if notes:
        assert notes[0].kind is NoteKind.THIN
        assert notes[0].place_mm is not None
        assert notes[0].place_mm.real == pytest.approx(200 + length, abs=0.5)
        assert notes[0].size_mm == pytest.approx(length, rel=0.05)


def test_a_strut_held_at_both_ends_is_no_tongue() -> None:
    frame = shapely.box(0, 0, 400, 200).difference(shapely.box(60, 30, 340, 170))
    strut = frame.union(shapely.box(59, 96, 341, 104))
    assert tongues(strut, web_mm=5.0, thickness_mm=1.5) == []


def test_thicker_sheet_springs_less() -> None:
    drawn = with_tongue(150, 12)
    thin = tongues(drawn, web_mm=5.0, thickness_mm=1.0)
    thick = tongues(drawn, web_mm=5.0, thickness_mm=2.0)
    assert thin[0].spring_mm == pytest.approx(8 * thick[0].spring_mm, rel=1e-6)


def test_aluminium_springs_as_much_more_as_it_is_less_stiff() -> None:
    """Young's modulus of 5052: 70.3 GPa against steel's 200 (data sheets)."""
    drawn = with_tongue(150, 12)
    steel = tongues(drawn, web_mm=5.0, thickness_mm=1.5)[0]
    other = tongues(drawn, web_mm=5.0, thickness_mm=1.5, stock=ALUMINIUM)[0]
    assert other.spring_mm / steel.spring_mm == pytest.approx(200 / 70.3, rel=1e-6)
    assert other.sag_mm / steel.sag_mm == pytest.approx(200 / 70.3 * 2680 / 7850, rel=1e-6)
