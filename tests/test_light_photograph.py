"""One photograph of a lit sheet registers the light to 1.5 mm.

The photograph is made pixel by pixel from a projector (OpenCV's camera model run backwards), a
sheet on a table, and a camera: falling light, blur, noise, JPEG.
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
import numpy.typing as npt
import pytest

from raster2path.errors import NothingFoundError, UnreadableError
from raster2path.geometry import Points, to_points
from raster2path.light.board import board_for, pattern
from raster2path.light.photograph import (
    LEAST_CROSSINGS,
    read_photograph,
    sight,
)
from raster2path.light.registration import mapped
from tests.test_hostile import png
from tests.test_light_registration import CORNERS, SHEET_MM, SIZE_PX, Projector, landing_mm

Colour = npt.NDArray[np.uint8]
PHOTO_PX = (1600, 1200)
EXPECTED = np.array([[200, 120], [2360, 120], [2360, 1480], [200, 1480]], np.float64)


def camera(turn: tuple[float, float, float], tall_mm: float = 1750.0) -> Points:
    """Homography from the sheet to a photograph taken from above, a little aslant."""
    focal = 1200.0
    lens = np.array([[focal, 0, PHOTO_PX[0] / 2], [0, focal, PHOTO_PX[1] / 2], [0, 0, 1.0]])
    matrix = cv2.Rodrigues(np.array(turn))[0]
    move = np.array([0, 0, tall_mm]) - matrix @ np.array([600.0, 400.0, 0])
    return np.asarray(lens @ np.column_stack([matrix[:, :2], move]), np.float64)


def photographed(
    projector: Projector,
    seen_from: Points,
    *,
    steel: float = 0.42,
    table: float = 0.14,
    bow: float = 0.0,
    clutter: float = 0.0,
) -> Colour:
    """The lit sheet, as a phone would see it; BGR."""
    rng = np.random.default_rng(1)
    cols, rows = PHOTO_PX
    x, y = np.meshgrid(np.arange(cols) + 0.5, np.arange(rows) + 0.5)
    px = np.column_stack([x.ravel(), y.ravel()])
    middle = np.array(PHOTO_PX) / 2
    share = ((px - middle) ** 2).sum(axis=1, keepdims=True) / (middle**2).sum()
    straight = middle + (px - middle) * (1 + bow * share)
    mm = mapped(np.asarray(np.linalg.inv(seen_from), np.float64), straight)
    lit_at = projector.px(mm).reshape(rows, cols, 2)
    shown = cv2.GaussianBlur(pattern(SIZE_PX).astype(np.float32) / 255, (0, 0), 0.7)
    light = cv2.remap(
        (0.03 + 0.97 * shown**2.2).astype(np.float32),
        (lit_at[..., 0] - 0.5).astype(np.float32),
        (lit_at[..., 1] - 0.5).astype(np.float32),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_CONSTANT,
        borderValue=0.0,
    )
    far = np.hypot(lit_at[..., 0] - 1280, lit_at[..., 1] - 800) / 1500
    light = light * (1 - 0.35 * far**2) + 0.05
    mm = mm.reshape(rows, cols, 2)
    is_sheet = np.all((mm >= 0) & (mm <= np.array(SHEET_MM)), axis=2)
    grain = cv2.GaussianBlur(rng.standard_normal((rows, cols)), (0, 0), 3)
    matt = np.where(is_sheet, steel, table) * (1 + 0.25 * grain)
    if clutter:
        matt = matt * _clutter(mm, is_sheet, clutter, rng)
    linear = cv2.GaussianBlur(light * matt * 1.6, (0, 0), 0.9)
    linear = linear + rng.normal(0, 0.006, linear.shape)
    grey = (255 * np.clip(linear, 0, 1) ** (1 / 2.2)).astype(np.uint8)
    tint = np.stack([grey, grey, grey], axis=-1)
    _, jpeg = cv2.imencode(".jpg", tint, [cv2.IMWRITE_JPEG_QUALITY, 88])
    return read_photograph(jpeg.tobytes())


def _clutter(
    mm: Points,
    is_sheet: Any,  # noqa: ANN401 (flags, as NumPy makes them)
    share: float,
    rng: np.random.Generator,
) -> Points:
    """Slats of a cutting table every 90 mm, a bar across it, and rust in clouds on the sheet."""
    slats = np.where(mm[..., 0] % 90 < 12, 1 + share, 1 - share)
    bar = np.where(np.abs(mm[..., 1] + 0.2 * mm[..., 0] + 60) < 25, 1 + 2 * share, 1.0)
    rust = cv2.GaussianBlur(rng.standard_normal(is_sheet.shape), (0, 0), 25) * 30 * share
    return np.asarray(np.where(is_sheet, 1 - np.clip(rust, 0, share), slats * bar), np.float64)


CASES: dict[str, tuple[tuple[float, float, float], dict[str, float]]] = {
    "from above": ((0.02, -0.03, 0.01), {}),
    "aslant": ((0.28, -0.22, 0.10), {}),
    "from the other side": ((0.10, 0.12, 3.05), {}),
    "bright table": ((0.12, 0.10, -0.06), {"steel": 0.30, "table": 0.55}),
    "slats and rust": ((0.12, -0.10, 0.05), {"clutter": 0.3}),
    "a phone's bow": ((0.10, -0.15, 0.02), {"bow": 0.008}),
}


@pytest.mark.parametrize("name", CASES)
def test_one_photograph_lands_within_a_millimetre_and_a_half(name: str) -> None:
    turn, more = CASES[name]
    projector = Projector(0.006)
    photo = photographed(projector, camera(turn, 2000.0), **more)
    found = sight(photo, size_px=SIZE_PX, sheet_mm=SHEET_MM, expected_px=EXPECTED)
    assert landing_mm(projector, found.registration) <= 1.5
    assert found.n_crossings >= 60
    assert found.off_px < 1.0


def test_corners_shown_by_hand_do_as_well() -> None:
    projector = Projector(0.0)
    seen_from = camera((0.1, -0.1, 0.0), 2000.0)
    photo = photographed(projector, seen_from)
    corners = mapped(seen_from, to_points(CORNERS))
    found = sight(
        photo,
        size_px=SIZE_PX,
        sheet_mm=SHEET_MM,
        expected_px=EXPECTED,
        corners_photo=np.roll(corners, 2, axis=0),
    )
    assert landing_mm(projector, found.registration) <= 1.0


def test_a_sheet_like_its_table_is_told() -> None:
    photo = photographed(Projector(0.0), camera((0.0, 0.0, 0.0), 2000.0), steel=0.3, table=0.3)
    with pytest.raises(NothingFoundError, match="corners can't be made out"):
        sight(photo, size_px=SIZE_PX, sheet_mm=SHEET_MM, expected_px=EXPECTED)


def test_no_pattern_is_told() -> None:
    photo = np.full((600, 800, 3), 90, np.uint8)
    with pytest.raises(NothingFoundError, match="only 0 crossings"):
        sight(photo, size_px=SIZE_PX, sheet_mm=SHEET_MM, expected_px=EXPECTED)


def test_no_photograph_is_told() -> None:
    for content in (b"not a picture", b""):
        with pytest.raises(UnreadableError, match="the photograph is not a picture"):
            read_photograph(content)


def test_a_photograph_that_unpacks_to_too_much_is_not_unpacked() -> None:
    """Nine hundred million pixels by its header, as `picture` refuses them, too."""
    with pytest.raises(UnreadableError, match="at most 120"):
        read_photograph(png(30_000, 30_000))


def test_the_pattern_is_drawn_on_any_screen() -> None:
    """No more codes are asked for than the dictionary has, however high a screen is told."""
    for size in ((100, 16_384), (16_384, 100), (100, 100), (3840, 2160)):
        assert pattern(size).shape == size[::-1]


@pytest.mark.parametrize("size", [(2560, 1600), (1920, 1080), (1280, 720), (800, 600), (600, 800)])
def test_the_pattern_fits_every_projector(size: tuple[int, int]) -> None:
    board = board_for(size)
    shown = pattern(size)
    assert shown.shape == (size[1], size[0])
    assert (board.n_columns - 1) * (board.n_rows - 1) > LEAST_CROSSINGS
    assert board.n_columns * board.square_px < size[0]
    assert board.n_rows * board.square_px < size[1]
    assert board.n_columns * board.n_rows // 2 <= 250
