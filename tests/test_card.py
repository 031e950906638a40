"""A bank card lying on the paper gives the scale and is no ink.

Its size: ISO/IEC 7810, ID-1, 85.60 x 53.98 mm, corners of 3.18 mm.
"""

from __future__ import annotations

from functools import cache

import cv2
import numpy as np
import numpy.typing as npt
import pytest

from raster2path.job import PhotoRules, Scale
from raster2path.model import Picture
from raster2path.picture.ink import find_ink
from raster2path.picture.paper import square_up

Bytes = npt.NDArray[np.uint8]
PX_PER_MM = 3.3
SIZE_PX = (900, 700)
CARD = PhotoRules(scale=Scale.CARD)
FINE = 3
WITHIN = 0.006
"""Half a millimetre of a card; its shadow hides a part of its rim."""


def put_card(
    page: Bytes, colour: tuple[int, ...], at: tuple[float, float], turn_deg: float
) -> None:
    """A card with rounded corners, a stripe and a soft shadow beside it."""
    t = np.radians(np.arange(0, 91, 6))
    corner = 3.18 * np.column_stack([np.cos(t), np.sin(t)])
    half = np.array([85.60, 53.98]) / 2 - 3.18
    parts = []
    for k in range(4):
        c, s = (1, 0, -1, 0)[k], (0, 1, 0, -1)[k]
        middle = half * ((1, 1), (-1, 1), (-1, -1), (1, -1))[k]
        parts.append(corner @ np.array([[c, s], [-s, c]]) + middle)
    outline = np.concatenate(parts)
    a = np.radians(turn_deg)
    turned = outline @ np.array([[np.cos(a), np.sin(a)], [-np.sin(a), np.cos(a)]])

    def fill(points_mm: npt.NDArray[np.float64], tone: tuple[int, ...] | int, on: Bytes) -> None:
        points = (points_mm * PX_PER_MM + at) * FINE
        cv2.fillPoly(on, [np.rint(points * 16 - 8).astype(np.int32)], tone, cv2.LINE_AA, 4)

    shade = np.zeros(page.shape[:2], np.uint8)
    fill(turned + np.array((0.6, 0.6)), 80, shade)
    soft = np.asarray(cv2.GaussianBlur(shade, (0, 0), 1.5 * FINE), np.uint8)
    page[:] = (page * (1 - soft[..., None] / 255)).astype(np.uint8)
    fill(turned, colour, page)


@cache
def photograph(
    colour: tuple[int, ...] | None,
    at: tuple[float, float] = (620, 480),
    turn_deg: float = 8.0,
    *,
    decoy: bool = False,
) -> Picture:
    """A drawing on bare paper, with a card if it has a colour."""
    rng = np.random.default_rng(3)
    page = np.full((SIZE_PX[1] * FINE, SIZE_PX[0] * FINE, 3), (214, 210, 202), np.uint8)
    ring = (230 * FINE, 200 * FINE)
    cv2.ellipse(page, ring, (150 * FINE, 110 * FINE), 0, 0, 360, (60, 60, 66), 5 * FINE)
    if decoy:  # a drawn frame with the proportions of a card, but sharp corners
        cv2.rectangle(
            page, (480 * FINE, 40 * FINE), (800 * FINE, 242 * FINE), (60, 60, 66), 5 * FINE
        )
    if colour is not None:
        put_card(page, colour, at, turn_deg)
    seen = cv2.resize(page, SIZE_PX, interpolation=cv2.INTER_AREA).astype(np.float64)
    seen = cv2.GaussianBlur(seen, (0, 0), 0.8) * np.linspace(1, 0.75, SIZE_PX[0])[None, :, None]
    seen += rng.normal(0, 2, seen.shape)
    rgb = np.clip(np.rint(seen), 0, 255).astype(np.uint8)
    return Picture("ferry", "0", rgb, SIZE_PX, np.eye(3))


@pytest.mark.parametrize("colour", [(40, 70, 150), (20, 20, 22), (190, 40, 60), (245, 245, 240)])
@pytest.mark.parametrize("turn_deg", [0.0, 8.0, 75.0])
def test_a_card_gives_the_scale(colour: tuple[int, ...], turn_deg: float) -> None:
    squared = square_up(photograph(colour, turn_deg=turn_deg), rules=CARD)
    assert squared.mm_per_px is not None
    assert squared.mm_per_px == pytest.approx(1 / PX_PER_MM, rel=WITHIN)
    assert any("card" in note.sentence for note in squared.notes)


def test_a_card_is_no_ink() -> None:
    ink = find_ink(square_up(photograph((40, 70, 150)), rules=CARD))
    bare = find_ink(photograph(None))
    around = cv2.dilate(bare.mask.view(np.uint8), np.ones((3, 3), np.uint8)) > 0
    assert not (ink.mask & ~around).any()
    assert (bare.mask & ~ink.mask).mean() < 1e-3


def test_a_drawn_frame_is_no_card() -> None:
    found = square_up(photograph(None, decoy=True), rules=CARD)
    assert found.mm_per_px is None
    assert "no card was found" in found.notes[-1].sentence
    assert found.notes[-1].remedy


def test_the_card_is_told_from_a_drawn_frame() -> None:
    found = square_up(photograph((40, 70, 150), decoy=True), rules=CARD)
    assert found.mm_per_px == pytest.approx(1 / PX_PER_MM, rel=WITHIN)


def test_a_card_that_is_not_asked_for_stays() -> None:
    picture = photograph((40, 70, 150))
    assert square_up(picture, rules=PhotoRules()).mm_per_px is None
