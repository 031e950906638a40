"""Masks grown, shrunk, opened and closed by discs; private to the folder.

By distances, whose cost does not grow with the disc's size.
"""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt

Bytes = npt.NDArray[np.uint8]


def eroded(mask: Bytes, size_px: float) -> Bytes:
    """Shrunk by a disc of the size given (its diameter); what lies beyond the rim is like it."""
    if not (mask == 0).any():
        return mask
    return as_bytes(cv2.distanceTransform(mask, cv2.DIST_L2, 5) > max(size_px - 1, 0) / 2 + 0.1)


def dilated(mask: Bytes, size_px: float) -> Bytes:
    """Grown by a disc."""
    return as_bytes(1 - eroded(as_bytes(1 - mask), size_px))


def opened(mask: Bytes, size_px: float) -> Bytes:
    """Without what is narrower than the disc."""
    return dilated(eroded(mask, size_px), size_px)


def closed(mask: Bytes, size_px: float) -> Bytes:
    """With gaps narrower than the disc filled."""
    return eroded(dilated(mask, size_px), size_px)


def as_bytes(mask: npt.ArrayLike) -> Bytes:
    return np.asarray(mask, np.uint8)


def pieces_of(
    mask: Bytes, least_px2: float, ink: Bytes | None = None, *, least_share: float = 0.0
) -> Bytes:
    """Connected pieces that are large enough and, where ink is given, well covered by it."""
    n, labels, stats, _ = cv2.connectedComponentsWithStats(mask, connectivity=4)
    sizes = np.asarray(stats[:, cv2.CC_STAT_AREA], np.float64)
    keep = sizes >= least_px2
    if ink is not None:
        covered = np.bincount(labels[ink > 0], minlength=n)
        keep &= covered >= least_share * sizes
    keep[0] = False
    return as_bytes(keep[labels])
