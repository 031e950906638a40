"""Filled shapes, drawn edges, single cuts and bars are told apart, and shaded areas found.

References: drawings made here, of one kind each; the shaded area is known pixel by pixel. Limits
are common practice, no source.
"""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt
import pytest

from raster2path.job import ReadingRules
from raster2path.model import Ink, Read, Reading
from raster2path.picture.reading import read_ink

Page = npt.NDArray[np.uint8]


def page() -> Page:
    return np.zeros((600, 800), np.uint8)


def ink_of(drawn: Page, *, pen_px: float, level: npt.NDArray[np.float32] | None = None) -> Ink:
    mask = drawn > 0
    values = cv2.GaussianBlur(mask.astype(np.float32), (0, 0), 0.8) if level is None else level
    return Ink(mask, np.asarray(values, np.float32), True, 1.0, pen_px)


def read(drawn: Page, pen_px: float, read_as: Read | None = None) -> Reading:
    return read_ink(ink_of(drawn, pen_px=pen_px), rules=ReadingRules(read=read_as))


def silhouette() -> Page:
    drawn = page()
    cv2.ellipse(drawn, (400, 300), (260, 150), 0, 0, 360, 1, -1)
    cv2.circle(drawn, (330, 280), 40, 0, -1)
    return drawn


def lettering() -> Page:
    drawn = page()
    for k in range(5):
        x = 60 + 140 * k
        cv2.rectangle(drawn, (x, 250), (x + 24, 370), 1, -1)
        cv2.rectangle(drawn, (x, 250), (x + 90, 272), 1, -1)
    return drawn


def outlines() -> Page:
    drawn = page()
    cv2.ellipse(drawn, (400, 300), (300, 200), 0, 0, 360, 1, 5)
    cv2.circle(drawn, (300, 280), 90, 1, 5)
    cv2.circle(drawn, (520, 320), 70, 1, 5)
    return drawn


def loose_lines() -> Page:
    drawn = page()
    for k in range(8):
        cv2.ellipse(drawn, (100 + 80 * k, 300), (60, 200), 10 * k, 20, 140, 1, 5)
    return drawn


def lattice() -> Page:
    drawn = page()
    for k in range(5):
        cv2.line(drawn, (80 + 160 * k, 60), (80 + 160 * k, 540), 1, 14)
    for k in range(4):
        cv2.line(drawn, (80, 60 + 160 * k), (720, 60 + 160 * k), 1, 14)
    return drawn


def hatched(spacing_px: int = 12) -> tuple[Page, Page]:
    """Two drawn outlines, one of them hatched, and the area that is."""
    drawn = outlines()
    area = page()
    cv2.circle(area, (300, 280), 92, 1, -1)
    strokes = page()
    for k in range(-700, 900, spacing_px):
        cv2.line(strokes, (k, 0), (k + 600, 600), 1, 4)
    drawn |= strokes & area
    return drawn, area


@pytest.mark.parametrize(
    ("drawn", "pen_px", "expected", "reason"),
    [
        (silhouette(), 60.0, Read.SOLID, "broad areas"),
        (lettering(), 24.0, Read.SOLID, "short and broad"),
        (outlines(), 5.0, Read.EDGE, "close round shapes"),
        (loose_lines(), 5.0, Read.SLIT, "end loose"),
        (lattice(), 14.0, Read.BAR, "round 12 faces"),
    ],
)
def test_each_kind_of_drawing_is_told(
    drawn: Page, pen_px: float, expected: Read, reason: str
) -> None:
    reading = read(drawn, pen_px)
    assert reading.read is expected
    assert reason in reading.reason
    assert reading.is_guessed
    assert reading.shaded is None


def test_a_single_closed_line_is_an_edge() -> None:
    drawn = page()
    cv2.ellipse(drawn, (400, 300), (300, 200), 0, 0, 360, 1, 5)
    assert read(drawn, 5.0).read is Read.EDGE


def test_a_frame_round_loose_lines_does_not_make_them_edges() -> None:
    drawn = loose_lines()
    cv2.rectangle(drawn, (10, 10), (789, 589), 1, 5)
    assert read(drawn, 5.0).read is Read.SLIT


@pytest.mark.parametrize("said", list(Read))
def test_the_maker_is_believed(said: Read) -> None:
    reading = read(silhouette(), 60.0, said)
    assert reading.read is said
    assert reading.reason == "you said so"
    assert not reading.is_guessed
    assert reading.certainty == 1


@pytest.mark.parametrize("spacing_px", [10, 12, 14])
def test_hatching_is_shaded_and_nothing_else(spacing_px: int) -> None:
    drawn, area = hatched(spacing_px)
    reading = read(drawn, 5.0)
    assert reading.read is Read.EDGE
    assert "shaded" in reading.reason
    assert reading.shaded is not None
    assert reading.shaded.shape == drawn.shape
    assert reading.shaded.dtype == np.bool_
    ring = np.ones((11, 11), np.uint8)
    assert reading.shaded[cv2.erode(area, ring) > 0].all()
    assert not reading.shaded[cv2.dilate(area, ring) == 0].any()


def test_filled_faces_are_shaded_with_their_tips() -> None:
    drawn = outlines()
    leaf = page()
    cv2.fillPoly(leaf, [np.array([[450, 320], [590, 300], [590, 340]])], 1)
    drawn |= leaf
    shaded = read(drawn, 5.0, Read.EDGE).shaded
    assert shaded is not None
    assert shaded[cv2.erode(leaf, np.ones((5, 5), np.uint8)) > 0].mean() > 0.97
    assert not shaded[cv2.dilate(leaf, np.ones((15, 15), np.uint8)) == 0].any()


def stem_and_petals() -> tuple[Page, Page]:
    """A reed drawn in lines, its stem filled in, short strokes close beside it; and the stem."""
    drawn, stem = page(), page()
    for k in range(5):
        cv2.ellipse(drawn, (400, 160), (40, 130), -60 + 30 * k, 200, 500, 1, 5)
    cv2.ellipse(drawn, (320, 450), (30, 120), 10, 20, 340, 1, 5)
    cv2.fillPoly(stem, [np.array([[391, 300], [409, 300], [413, 580], [387, 580]])], 1)
    for k in range(4):
        cv2.line(drawn, (422, 340 + 60 * k), (419, 360 + 60 * k), 1, 5)
    return drawn | stem, stem


def test_what_is_filled_among_thin_lines_falls_out_and_the_lines_stay_lines() -> None:
    drawn, stem = stem_and_petals()
    reading = read(drawn, 5.0)
    assert reading.read is Read.EDGE
    assert "filled areas among thin lines" in reading.reason
    assert reading.shaded is not None
    assert reading.shaded[cv2.erode(stem, np.ones((5, 5), np.uint8)) > 0].all()
    # Nothing else, above all not the short strokes that all but touch it.
    assert not reading.shaded[cv2.dilate(stem, np.ones((7, 7), np.uint8)) == 0].any()


def test_figures_half_filled_and_half_outlined_are_cut_out_of_a_sheet() -> None:
    """Thin lines as bars of metal would not last; as slits in the sheet they do."""
    drawn = page()
    for k in range(3):
        cv2.ellipse(drawn, (160 + 240 * k, 120), (70, 26), 10 * k, 0, 360, 1, -1)
    for k in range(9):
        cv2.ellipse(drawn, (100 + 75 * k, 400), (60, 150), 8 * k, 30, 330, 1, 3)
    reading = read(drawn, 3.0)
    assert reading.read is Read.EDGE
    assert "filled areas among thin lines" in reading.reason


def test_a_silhouette_with_a_few_thin_lines_stays_solid() -> None:
    drawn = silhouette()
    for k in range(6):
        cv2.line(drawn, (60 + 20 * k, 500), (90 + 20 * k, 380), 1, 3)
    assert read(drawn, 3.0).read is Read.SOLID


def test_few_strokes_beside_each_other_are_no_hatching() -> None:
    drawn = outlines()
    for k in range(3):
        cv2.line(drawn, (270 + 11 * k, 250), (270 + 11 * k, 290), 1, 5)
    assert read(drawn, 5.0, Read.EDGE).shaded is None


def test_plain_outlines_and_crossings_hold_no_shaded_area() -> None:
    drawn = outlines()
    for k in range(6):
        cv2.line(drawn, (100 + 90 * k, 100), (700 - 90 * k, 500), 1, 5)
    assert read(outlines(), 5.0, Read.EDGE).shaded is None
    shaded = read(drawn, 5.0, Read.EDGE).shaded
    assert shaded is None or shaded.mean() < 0.02


def test_graphite_that_fills_shapes_is_shading_not_solid() -> None:
    """Grain of a tenth of full darkness and more: drawn with a pencil, so shaded faces."""
    drawn = silhouette()
    rng = np.random.default_rng(2)
    grain = cv2.GaussianBlur(rng.standard_normal(drawn.shape), (0, 0), 2.0)
    level = (drawn * (0.85 + 0.2 * grain / grain.std())).astype(np.float32)
    reading = read_ink(ink_of(drawn, pen_px=8.0, level=level), rules=ReadingRules())
    assert reading.read is Read.EDGE
    assert "pencil" in reading.reason
    assert reading.shaded is not None
    assert (reading.shaded != (drawn > 0)).mean() < 0.01


@pytest.mark.parametrize("turns", [1, 2, 3])
def test_turning_the_drawing_changes_nothing(turns: int) -> None:
    drawn, _ = hatched()
    upright, turned = read(drawn, 5.0), read(np.rot90(drawn, turns).copy(), 5.0)
    assert upright.read is turned.read
    assert upright.shaded is not None
    assert turned.shaded is not None
    assert (np.rot90(upright.shaded, turns) != turned.shaded).mean() < 5e-3
