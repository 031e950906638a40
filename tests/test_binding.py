"""A pad's spiral or row of holes along one side is no drawing; rows that were drawn stay."""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt
import pytest

from raster2path.model import Picture
from raster2path.picture._binding import binding
from raster2path.picture.ink import find_ink

Bytes = npt.NDArray[np.uint8]
Page = npt.NDArray[np.float32]
SIZE_PX = (900, 700)


def drawing() -> Page:
    """Ink, 0 to 1: a hull, a mast and some grass, well away from the rims."""
    page = np.zeros(SIZE_PX[::-1], np.float32)
    cv2.ellipse(page, (480, 400), (250, 120), 0, 0, 180, 1, 5)
    cv2.line(page, (230, 400), (730, 400), 1, 5)
    cv2.line(page, (480, 400), (480, 130), 1, 5)
    for k in range(18):
        cv2.line(page, (260 + 24 * k, 620), (268 + 24 * k, 560 + 7 * (k * 5 % 9)), 1, 4)
    return page


def with_spiral(page: Page, pitch_px: float = 24.0, aslant: float = 0.02) -> Page:
    """Holes along the left side, a pale wire from each out to the rim, dark table beside."""
    seen = page.copy()
    seen[:, :34] = 0.85
    for y in np.arange(8, SIZE_PX[1], pitch_px):
        x = 64 + aslant * y
        cv2.line(seen, (0, round(y + 7)), (round(x), round(y)), 0.05, 5)
        cv2.circle(seen, (round(x), round(y)), round(pitch_px / 4), 0.95, -1)
    return seen


def photograph(page: Page) -> Picture:
    rng = np.random.default_rng(5)
    light = np.linspace(0.8, 0.6, SIZE_PX[0])[None] * (1 - 0.85 * page)
    seen = cv2.GaussianBlur(light, (0, 0), 0.9) + rng.normal(0, 0.005, page.shape)
    tone = np.round(255 * np.clip(seen, 0, 1) ** (1 / 2.2)).astype(np.uint8)
    return Picture("pad", "0", np.repeat(tone[..., None], 3, axis=2), page.shape[::-1], np.eye(3))


@pytest.mark.parametrize("pitch_px", [16.0, 24.0, 33.0])
def test_a_spiral_is_left_out_and_nothing_of_the_drawing(pitch_px: float) -> None:
    ink = find_ink(photograph(with_spiral(drawing(), pitch_px)))
    bare = find_ink(photograph(drawing()))
    assert not ink.mask[:, :110].any()
    assert (ink.mask[:, 110:] != bare.mask[:, 110:]).mean() < 0.003
    assert any("holes along one side" in note.sentence for note in ink.notes)


@pytest.mark.parametrize("turns", [0, 1, 2, 3])
def test_it_may_be_at_any_side(turns: int) -> None:
    found = binding(np.ascontiguousarray(np.rot90(with_spiral(drawing()), turns)))
    assert found is not None
    upright = np.rot90(found.mask, -turns)
    assert found.n_holes == pytest.approx(SIZE_PX[1] / 24, rel=0.15)
    assert upright[:, :60].all()
    assert not upright[:, 100:].any()


def waves(x: float) -> Page:
    """A drawn row of scallops along the left, bare paper beyond."""
    page = drawing()
    for y in range(0, SIZE_PX[1], 24):
        cv2.ellipse(page, (round(x), y + 12), (12, 12), 0, -90, 90, 1, 5)
    return page


def picket_fence() -> Page:
    page = drawing()
    for y in range(150, 500, 24):
        cv2.line(page, (10, y), (90, y), 1, 8)
    return page


def listed(size: float, left: int, spacing: int) -> Page:
    """A column of short words near the left side, line by line."""
    names = ("reeds", "kelp", "ferry", "heron", "boat", "shed", "gull", "tide", "oar", "buoy")
    words = np.zeros(SIZE_PX[::-1], np.uint8)
    for k, y in enumerate(range(spacing, SIZE_PX[1], spacing)):
        word = names[k * 7 % 10]
        cv2.putText(words, word, (left, y), cv2.FONT_HERSHEY_SIMPLEX, size, 255, 3)
    return np.maximum(drawing(), np.asarray(words / np.float32(255), np.float32))


def bullets() -> Page:
    page = drawing()
    for y in range(20, SIZE_PX[1], 34):
        cv2.circle(page, (60, y), 7, 1, -1)
    return page


@pytest.mark.parametrize(
    "page",
    [
        drawing(),
        waves(60),
        picket_fence(),
        bullets(),
        listed(1.0, 8, 40),
        listed(1.0, 40, 34),
        listed(0.7, 4, 26),
    ],
)
def test_what_is_drawn_stays(page: Page) -> None:
    assert binding(page) is None


@pytest.mark.parametrize("shape", [(16, 16), (300, 20), (130, 500)])
def test_tiny_pictures_have_none(shape: tuple[int, int]) -> None:
    assert binding(np.zeros(shape, np.float32)) is None
