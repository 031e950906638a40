"""Ink that has no clear edge: what shows through from the back, shadows, smudges.

Private to the folder. A pen's or pencil's edge is as sharp as the lens lets it be; light that has
gone through paper, a shadow or a rubbed finger leaves an edge several times as wide.
"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
import numpy.typing as npt

from raster2path.model import Level, Mask
from raster2path.picture._tones import LARGE_PX

Floats = npt.NDArray[np.float32]
Bytes = npt.NDArray[np.uint8]

SOFT = 0.45
"""Of the picture's usual sharpness; below, it is no edge of ink."""

SOFT_AND_FAINT = 0.72
"""The same where the ink is less than `FAINT`; measured on pencil: 0.73 up, shown through: 0.6."""

FAINT = 0.8
"""Of full ink."""

LEAST_SHARE = 0.004
"""Of all edges that have to be soft before any are looked at closely."""

_PARTS = 5  # of the picture, each way
_LEAST_FOCUS = 0.7  # of the whole picture's sharpness
_ALONG = 21  # points of an outline whose sharpness is taken together
_LEAST_SOFT_PENS = 4.0
_DEEP = (2.0, 3.5, 5.0)  # pixels into the ink where it is at its darkest
_AWAY = (2.0, 3.5)


def soft_ink(
    level: Level, mask: Mask, outlines: Sequence[npt.ArrayLike], pen_px: float
) -> Mask | None:
    """Ink that lies nearer to a soft edge than to a sharp one; None where there is hardly any.

    Args:
        level: of the ink, 0.5 at its edges.
        mask: the ink.
        outlines: its outermost pixels, piece by piece.
        pen_px: a shorter stretch of soft edge than a few pens lies where strokes meet.
    """
    points = [np.asarray(line).reshape(-1, 2) for line in outlines if len(np.asarray(line)) > 12]
    if not points:
        return None
    at = np.concatenate([line[:: _step(line)] for line in points])
    owner = np.repeat(np.arange(len(points)), [len(line[:: _step(line)]) for line in points])
    sharp, height = _sharpness(level, at)
    rows, cols = mask.shape
    inner = (at > 2).all(axis=1) & (at[:, 0] < cols - 3) & (at[:, 1] < rows - 3)
    if inner.sum() < 50:
        return None
    usual = float(np.quantile(sharp[inner], 0.6))
    near = _usual_near(at, sharp, inner, mask.shape, usual)
    limit = np.where(_means_along(height, owner) < FAINT, SOFT_AND_FAINT, SOFT) * near
    is_soft = (_means_along(np.minimum(sharp, 1.5 * usual), owner) < limit) & inner
    is_soft &= _means_along(is_soft, owner, round(_LEAST_SOFT_PENS * pen_px / 3)) > 0.5
    if is_soft.mean() < LEAST_SHARE:
        return None
    return _nearest_to(at, is_soft, mask)


def _nearest_to(at: npt.NDArray[np.int32], is_soft: Mask, mask: Mask) -> Mask:
    """Those pixels of the mask that lie nearer to a soft point than to any other."""
    # Labelling is slow, and which edge is nearest is much the same on every second pixel.
    step = 2 if mask.size > LARGE_PX else 1
    rows, cols = mask.shape
    at = at // step
    seeds = np.ones((-(-rows // step), -(-cols // step)), np.uint8)
    seeds[at[:, 1], at[:, 0]] = 0
    _, label = cv2.distanceTransformWithLabels(
        seeds, cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL
    )
    label = np.asarray(label)
    is_soft_label = np.zeros(int(label.max()) + 1, np.bool_)
    is_soft_label[label[at[is_soft, 1], at[is_soft, 0]]] = True
    found = is_soft_label[label].repeat(step, axis=0).repeat(step, axis=1)[:rows, :cols]
    return np.asarray(found & mask, np.bool_)


def _usual_near(
    at: npt.NDArray[np.int32], sharp: Floats, inner: Mask, shape: tuple[int, ...], usual: float
) -> Floats:
    """The usual sharpness in each point's part of the picture, where the lens may be out of focus.

    Never more than that of the whole, and not so much less that a part of shadows alone passes.
    """
    cells = (at * _PARTS // np.array(shape[1::-1])).clip(0, _PARTS - 1)
    cell = cells[:, 1] * _PARTS + cells[:, 0]
    grid = np.full(_PARTS * _PARTS, usual, np.float32)
    for k in np.unique(cell):
        own = sharp[inner & (cell == k)]
        if len(own) > 100:
            grid[k] = np.clip(np.quantile(own, 0.6), _LEAST_FOCUS * usual, usual)
    return np.asarray(grid[cell], np.float32)


def _step(line: npt.NDArray[np.generic]) -> int:
    return 1 if len(line) < 400 else 3


def _sharpness(level: Level, at: npt.NDArray[np.int32]) -> tuple[Floats, Floats]:
    """Slope of the level across an edge over its height there, and that height."""
    rows, cols = level.shape
    x, y = np.clip(at[:, 0], 1, cols - 2), np.clip(at[:, 1], 1, rows - 2)
    right = (level[y, x + 1] - level[y, x - 1]) / 2
    down = (level[y + 1, x] - level[y - 1, x]) / 2
    slope = np.maximum(np.hypot(right, down), 1e-6)
    right, down = right / slope, down / slope

    def near(step: float) -> Floats:
        column = np.clip(np.rint(x + step * right).astype(np.int64), 0, cols - 1)
        row = np.clip(np.rint(y + step * down).astype(np.int64), 0, rows - 1)
        return np.asarray(level[row, column], np.float32)

    dark = np.maximum.reduce([near(step) for step in _DEEP])
    pale = np.minimum.reduce([near(-step) for step in _AWAY])
    height = np.maximum(dark - pale, 0.2)
    return np.asarray(slope / height, np.float32), height


def _means_along(
    values: npt.NDArray[np.generic], owner: npt.NDArray[np.int64], n: int = _ALONG
) -> Floats:
    """Mean over n neighbours along the same outline."""
    half = n // 2
    sums = np.concatenate([[0.0], np.cumsum(values, dtype=np.float64)])
    index = np.arange(len(values))
    first = np.searchsorted(owner, owner)
    last = np.searchsorted(owner, owner, side="right")
    low, high = np.maximum(index - half, first), np.minimum(index + half + 1, last)
    return np.asarray((sums[high] - sums[low]) / (high - low), np.float32)
