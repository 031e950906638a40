"""Smaller copies of a picture, quickly; private to the rooms of this folder."""

from __future__ import annotations

from typing import TypeVar, cast

import cv2
import numpy as np
import numpy.typing as npt

Tones = TypeVar("Tones", npt.NDArray[np.uint8], npt.NDArray[np.float32])


def small_size(image: npt.NDArray[np.generic], long_side_px: int) -> tuple[int, int]:
    """Width and height with a long side of no more than asked for."""
    rows, cols = image.shape[:2]
    scale = min(1.0, long_side_px / max(rows, cols))
    return max(1, round(cols * scale)), max(1, round(rows * scale))


def shrunk(image: Tones, long_side_px: int) -> Tones:
    """The image with a long side of no more than this, each pixel the mean of what it covers."""
    return resized(image, small_size(image, long_side_px))


def resized(image: Tones, size: tuple[int, int]) -> Tones:
    """The image with this width and height, which are no larger than its own."""
    # Halving pixels two by two takes a quarter of the time of any other share. Where the rest is
    # no whole share, a pixel then holds a little of its neighbours.
    while min(image.shape[1] / size[0], image.shape[0] / size[1]) >= 2:
        if image.shape[0] % 2 or image.shape[1] % 2:
            break
        image = halved(image)
    if size == image.shape[1::-1]:
        return image
    return cast("Tones", cv2.resize(image, size, interpolation=cv2.INTER_AREA))


def halved(image: Tones) -> Tones:
    """Half as wide and high; exactly so where both are even."""
    rows, cols = image.shape[:2]
    size = (max(1, cols // 2), max(1, rows // 2))
    return cast("Tones", cv2.resize(image, size, interpolation=cv2.INTER_AREA))
