"""The light lands where the sheet's marks say, from a projector that stands crooked.

The projector is OpenCV's camera model run backwards (a projector is a camera that shines), with a
radial term; the hand puts crosses onto marks to half a pixel.
"""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from raster2path.errors import UsageError
from raster2path.geometry import Points
from raster2path.light.registration import (
    Bow,
    Mark,
    Registration,
    homography,
    judge,
    mapped,
    misses_mm,
    register,
)

SIZE_PX = (2560, 1600)
SHEET_MM = (1200.0, 800.0)
CORNERS = (0j, 1200 + 0j, 1200 + 800j, 800j)
MIDDLES = (600 + 0j, 1200 + 400j, 600 + 800j, 400j)


class Projector:
    """A crooked projector over a sheet: pixel of a place, place under a pixel."""

    def __init__(self, bow: float, *, shift: float = 0.0) -> None:
        focal = 2900.0
        self.lens = np.array([[focal, 0, 1280], [0, focal, 800 + shift], [0, 0, 1.0]])
        # k1 acts on the radius in focal lengths; `bow` is its push at the picture's corner
        corner = math.hypot(*SIZE_PX) / 2 / focal
        self.radial = np.array([bow / corner**2, 0, 0, 0])
        self.turn = np.array([0.09, -0.12, 0.03])
        matrix = cv2.Rodrigues(self.turn)[0]
        # 0.6 mm a pixel in the sheet's middle
        self.move = np.array([0, 0, 0.6 * focal]) - matrix @ np.array([600.0, 400.0, 0])
        self.flat = self.lens @ np.column_stack([matrix[:, :2], self.move])

    def px(self, places: Points) -> Points:
        solid = np.column_stack([places, np.zeros(len(places))])
        seen, _ = cv2.projectPoints(solid, self.turn, self.move, self.lens, self.radial)
        return np.asarray(seen[:, 0], np.float64)

    def mm(self, pixels: Points) -> Points:
        criteria = (cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 200, 1e-12)
        straight = cv2.undistortPoints(
            pixels[:, None], self.lens, self.radial, P=self.lens, criteria=criteria
        )
        return mapped(np.linalg.inv(self.flat), np.asarray(straight[:, 0], np.float64))


def by_hand(
    projector: Projector, places: tuple[complex, ...], rng: np.random.Generator
) -> list[Mark]:
    """Crosses put onto marks, each within half a pixel of where it belongs."""
    right = projector.px(np.array([[z.real, z.imag] for z in places]))
    off = 0.5 * np.sqrt(rng.random(len(places))) * np.exp(2j * np.pi * rng.random(len(places)))
    return [
        Mark(place, complex(x, y) + shake)
        for place, (x, y), shake in zip(places, right, off, strict=True)
    ]


def landing_mm(projector: Projector, registration: Registration) -> float:
    """The largest distance between where a point belongs on the sheet and where it lights up."""
    x, y = np.meshgrid(np.linspace(0, SHEET_MM[0], 25), np.linspace(0, SHEET_MM[1], 17))
    places = np.column_stack([x.ravel(), y.ravel()])
    lit = projector.mm(registration.to_px(places))
    return float(np.hypot(*(lit - places).T).max())


# ---------------------------------------------------------------- exact cases


def test_the_worked_homography() -> None:
    """Hartley and Zisserman's map, worked by hand; the mean of the corners is not the middle."""
    square = np.array([[0, 0], [1, 0], [1, 1], [0, 1]], np.float64)
    seen = np.array([[10, 5], [210 / 1.2, 25 / 1.2], [250 / 1.3, 175 / 1.3], [50 / 1.1, 155 / 1.1]])
    found = homography(square, seen)
    assert found == pytest.approx(np.array([[200, 40, 10], [20, 150, 5], [0.2, 0.1, 1]]), rel=1e-9)
    middle, other = mapped(found, np.array([[0.5, 0.5], [0.25, 0.75]]))
    assert middle == pytest.approx([113.043478, 78.260870], abs=1e-6)
    assert other == pytest.approx([80, 108.888889], abs=1e-6)
    assert seen.mean(axis=0) == pytest.approx([105.69, 75.34], abs=0.01)


def test_it_is_opencvs_homography() -> None:
    rng = np.random.default_rng(5)
    sheet = np.array([[z.real, z.imag] for z in (*CORNERS, *MIDDLES)])
    px = Projector(0.0).px(sheet) + rng.normal(0, 0.4, (8, 2))
    theirs = np.asarray(cv2.findHomography(sheet, px, 0)[0], np.float64)
    marks = [Mark(complex(*a), complex(*b)) for a, b in zip(sheet, px, strict=True)]
    ours = register(marks, size_px=SIZE_PX, has_bow=False)
    assert ours.to_px(sheet) == pytest.approx(mapped(theirs, sheet), abs=0.01)


@given(
    bow=st.floats(-0.05, 0.05),
    x=st.floats(0, SIZE_PX[0]),
    y=st.floats(0, SIZE_PX[1]),
)
def test_a_lens_can_be_undone(bow: float, x: float, y: float) -> None:
    points = np.array([[x, y]])
    lens = Bow(bow, 1280 + 1500j, math.hypot(*SIZE_PX) / 2)
    assert lens.straightened(lens.bowed(points)) == pytest.approx(points, abs=1e-6)


def test_four_marks_are_met_exactly() -> None:
    marks = by_hand(Projector(0.003), CORNERS, np.random.default_rng(1))
    found = register(marks, size_px=SIZE_PX)
    assert found.misses_mm == pytest.approx(np.zeros(4), abs=1e-9)
    assert judge(found).within_mm is None
    assert "measure" in judge(found).sentence


def test_the_way_back_leads_back() -> None:
    marks = by_hand(Projector(0.01), (*CORNERS, *MIDDLES), np.random.default_rng(2))
    found = register(marks, size_px=SIZE_PX)
    places = np.array([[10.0, 20.0], [600, 400], [1190, 30]])
    assert found.bow.share != 0
    assert found.to_mm(found.to_px(places)) == pytest.approx(places, abs=1e-6)


def test_a_pixels_size_is_told() -> None:
    """Straight above, 1920 pixels over 1200 mm: 0.625 mm each."""
    marks = [Mark(z, z * 1920 / 1200) for z in CORNERS]
    found = register(marks, size_px=(1920, 1280))
    sizes = found.mm_per_px(np.array([[0.0, 0.0], [600, 400]]))
    assert sizes == pytest.approx([0.625, 0.625], rel=1e-6)


def test_the_longer_side_of_a_slanted_pixel_counts() -> None:
    marks = [Mark(z, complex(2 * z.real, z.imag)) for z in CORNERS]
    assert register(marks, size_px=SIZE_PX).mm_per_px(np.array([[5.0, 5.0]])) == pytest.approx([1])


# ---------------------------------------------------------------- the projector and the hand


@pytest.mark.parametrize("bow", [-0.003, 0.0, 0.003])
def test_four_marks_land_within_a_millimetre(bow: float) -> None:
    projector = Projector(bow)
    for seed in range(60):
        found = register(by_hand(projector, CORNERS, np.random.default_rng(seed)), size_px=SIZE_PX)
        assert landing_mm(projector, found) <= 1.0


@pytest.mark.parametrize("bow", [-0.012, 0.0, 0.003, 0.012])
def test_eight_marks_land_within_six_tenths(bow: float) -> None:
    projector = Projector(bow)
    for seed in range(40):
        marks = by_hand(projector, (*CORNERS, *MIDDLES), np.random.default_rng(seed))
        found = register(marks, size_px=SIZE_PX)
        assert landing_mm(projector, found) <= 0.6


def test_a_bow_is_found() -> None:
    projector = Projector(0.012)
    marks = by_hand(projector, (*CORNERS, *MIDDLES), np.random.default_rng(3))
    assert register(marks, size_px=SIZE_PX).bow.share == pytest.approx(0.012, abs=0.003)
    flat = register(marks, size_px=SIZE_PX, has_bow=False)
    assert landing_mm(projector, flat) > 1.0


def test_no_mark_is_blamed_without_cause() -> None:
    projector = Projector(0.006)
    for seed in range(40):
        marks = by_hand(projector, (*CORNERS, *MIDDLES), np.random.default_rng(seed))
        verdict = judge(register(marks, size_px=SIZE_PX))
        assert verdict.off is None
        assert verdict.within_mm is not None
        assert verdict.within_mm <= 1.0
        assert verdict.sentence.startswith("lands within ")


@pytest.mark.parametrize("places", [(*CORNERS, *MIDDLES), (*CORNERS, *MIDDLES[:3])])
def test_the_wrong_mark_is_named(places: tuple[complex, ...]) -> None:
    """A mark punched 4 mm beside its place on the drawing."""
    projector = Projector(0.003)
    for wrong in range(len(places)):
        marks = by_hand(projector, places, np.random.default_rng(wrong))
        marks[wrong] = Mark(marks[wrong].sheet_mm + 4 * np.exp(1j * wrong), marks[wrong].at_px)
        verdict = judge(register(marks, size_px=SIZE_PX))
        assert verdict.off is not None
        assert verdict.off[0] == wrong + 1
        assert verdict.off[1] == pytest.approx(4, abs=1.2)
        assert f"mark {wrong + 1} is off by" in verdict.sentence


def test_five_marks_that_disagree_blame_none() -> None:
    marks = by_hand(Projector(0.0), (*CORNERS, 500 + 400j), np.random.default_rng(4))
    marks[4] = Mark(508 + 400j, marks[4].at_px)
    verdict = judge(register(marks, size_px=SIZE_PX))
    assert verdict.off is None
    assert verdict.sentence.startswith("the marks disagree by ")


def test_a_miss_is_that_of_the_other_map() -> None:
    found = register([Mark(z, 2 * z) for z in CORNERS], size_px=SIZE_PX)
    assert misses_mm(found, [Mark(100 + 100j, 206 + 200j)]) == pytest.approx([3])


# ---------------------------------------------------------------- what can't be


def test_three_marks_are_too_few() -> None:
    with pytest.raises(UsageError, match="3 marks are too few"):
        register([Mark(z, z) for z in CORNERS[:3]], size_px=SIZE_PX)


def test_marks_in_line_are_told() -> None:
    marks = [Mark(z, z) for z in (0j, 100 + 0j, 200 + 0j, 100 + 100j)]
    with pytest.raises(UsageError, match="marks 1, 2 and 3 lie in one line on the sheet"):
        register(marks, size_px=SIZE_PX)


def test_many_marks_on_one_line_are_told() -> None:
    marks = [Mark(complex(100 * k, 0), complex(100 * k, 0)) for k in range(5)]
    with pytest.raises(UsageError, match="no four span an area"):
        register([*marks, Mark(50 + 90j, 50 + 90j)], size_px=SIZE_PX)


def test_crosses_on_each_others_marks_are_told() -> None:
    px = (0j, 1200 + 800j, 1200 + 0j, 800j)
    marks = [Mark(z, at) for z, at in zip(CORNERS, px, strict=True)]
    with pytest.raises(UsageError, match="each other's marks"):
        register(marks, size_px=SIZE_PX)


def test_five_marks_can_not_tell_a_bow() -> None:
    marks = [Mark(z, z) for z in (*CORNERS, 500 + 400j)]
    with pytest.raises(UsageError, match="can't tell a lens's bow"):
        register(marks, size_px=SIZE_PX, has_bow=True)
