"""Part of another drawing that the picture's rim cuts off; private to the folder."""

from __future__ import annotations

import cv2
import numpy as np

from raster2path.model import Mask
from raster2path.picture._shrink import shrunk

LONG_PX = 240
"""Long side of the copy that is looked at."""

APART = 0.12
"""Of the picture's long side, that it lies away from the drawing all round."""

LEAST_RATIO = 3.0
"""Times as much ink as in it that the drawing has to have, and itself touch no rim."""


def stray(mask: Mask) -> Mask | None:
    """The place of what is cut off by the rim, far from a drawing that is not; or None."""
    step = max(1, max(mask.shape) // 1500)
    few = np.ascontiguousarray(mask[::step, ::step]).view(np.uint8)
    wide = cv2.dilate(few, np.ones((5, 5), np.uint8))
    ink = (shrunk(np.asarray(wide * np.uint8(255), np.uint8), LONG_PX) > 60).astype(np.uint8)
    # What comes within `APART` of each other is one drawing.
    size = 2 * round(APART * max(ink.shape) / 2) + 1
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size))
    n, groups = cv2.connectedComponents(np.asarray(cv2.dilate(ink, disc), np.uint8))
    groups = np.asarray(groups)
    amount = np.bincount(groups[ink > 0], minlength=n)
    rim = np.ones(ink.shape, np.bool_)
    rim[2:-2, 2:-2] = False
    is_cut = np.bincount(groups[(ink > 0) & rim], minlength=n) > 0
    main = int(amount.argmax())
    is_stray = is_cut & (amount * LEAST_RATIO < amount[main])
    if is_cut[main] or not is_stray.any():
        return None
    place = is_stray[groups].astype(np.uint8)
    size_px = (mask.shape[1], mask.shape[0])
    return np.asarray(cv2.resize(place, size_px, interpolation=cv2.INTER_NEAREST) > 0, np.bool_)
