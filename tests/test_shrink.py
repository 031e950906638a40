"""Smaller copies hold the mean of what each pixel covers; numpy's own means are the reference."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from raster2path.picture._shrink import halved, resized, shrunk
from raster2path.picture.rings import _blurred_near  # the tiles it works on must not show


@pytest.mark.parametrize("factor", [2, 4, 8])
def test_a_whole_share_is_the_mean_of_blocks(factor: int) -> None:
    """Quick halves on the way change nothing."""
    image = np.random.default_rng(factor).random((factor * 20, factor * 30)).astype(np.float32)
    means = image.reshape(20, factor, 30, factor).mean(axis=(1, 3))
    assert np.allclose(shrunk(image, 30), means, atol=1e-5)
    assert np.allclose(resized(image, (30, 20)), means, atol=1e-5)


def test_a_small_image_is_left_alone() -> None:
    """Nothing grows, and what is one pixel wide stays so."""
    image = np.arange(12, dtype=np.uint8).reshape(3, 4)
    assert shrunk(image, 100) is image
    assert halved(image[:1]).shape == (1, 2)


@pytest.mark.parametrize("sigma_px", [0.55, 0.9])
@pytest.mark.parametrize("shape", [(517, 333), (64, 65), (30, 200)])
def test_blur_near_points_is_the_whole_blur(shape: tuple[int, int], sigma_px: float) -> None:
    """Within reach of a point, tiles blur as the whole does (OpenCV's Gaussian)."""
    rng = np.random.default_rng(3)
    level = rng.random(shape).astype(np.float32)
    points = rng.random((12, 2)) * shape[::-1]
    near = np.zeros(shape, np.bool_)
    for x, y in points:
        near[max(0, int(y) - 5) : int(y) + 6, max(0, int(x) - 5) : int(x) + 6] = True
    found = _blurred_near(level, points, sigma_px)
    whole = cv2.GaussianBlur(level, (0, 0), sigma_px)
    assert np.abs(found - whole)[near].max() < 1e-6
