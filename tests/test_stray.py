"""What the rim of a photograph cuts off, far from the drawing, belongs to another one."""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt
import pytest

from raster2path.model import Picture
from raster2path.picture._stray import stray
from raster2path.picture.ink import find_ink

Mask = npt.NDArray[np.bool_]
SIZE_PX = (800, 600)


def drawn(*lines: tuple[tuple[int, int], tuple[int, int]]) -> Mask:
    """A leaf in the middle and some lines."""
    page = np.zeros(SIZE_PX[::-1], np.uint8)
    cv2.ellipse(page, (480, 300), (180, 160), 0, 0, 360, 1, 6)
    cv2.line(page, (320, 300), (640, 300), 1, 6)
    for a, b in lines:
        cv2.line(page, a, b, 1, 6)
    return page > 0


CUT_OFF = ((0, 200), (90, 260))


def test_what_is_cut_off_far_away_is_stray_with_what_lies_near_it() -> None:
    page = drawn(CUT_OFF, ((110, 280), (120, 330)))
    found = stray(page)
    assert found is not None
    assert ((page & ~found) == drawn()).all()


@pytest.mark.parametrize(
    "lines",
    [
        (),
        (((60, 200), (120, 260)),),  # small and far away, but whole
        (((0, 300), (290, 300)),),  # cut off, but it leads to the drawing
        (CUT_OFF, ((660, 300), (799, 300))),  # the drawing itself is cut off
        tuple(((0, y), (120, y + 40)) for y in range(20, 560, 22)),  # as much as the drawing
    ],
)
def test_all_else_is_kept(lines: tuple[tuple[tuple[int, int], tuple[int, int]], ...]) -> None:
    assert stray(drawn(*lines)) is None


def test_bare_paper_has_none() -> None:
    assert stray(np.zeros((300, 200), np.bool_)) is None


def test_it_is_left_out_of_the_ink_and_told() -> None:
    rng = np.random.default_rng(2)
    light = np.linspace(0.8, 0.55, SIZE_PX[0])[None] * (1 - 0.85 * drawn(CUT_OFF))
    seen = cv2.GaussianBlur(light, (0, 0), 0.9) + rng.normal(0, 0.005, light.shape)
    tone = np.round(255 * np.clip(seen, 0, 1) ** (1 / 2.2)).astype(np.uint8)
    rgb = np.repeat(tone[..., None], 3, axis=2)
    ink = find_ink(Picture("leaf", "0", rgb, SIZE_PX, np.eye(3)))
    assert not ink.mask[:, :150].any()
    assert (ink.mask != drawn()).mean() < 0.01
    assert any("cuts off" in note.sentence for note in ink.notes)
