"""Reading the ink's level between pixels; private to the rooms of this folder."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from raster2path.geometry import Points
from raster2path.model import Level

Floats = npt.NDArray[np.float64]


def sampled(level: Level, points: Points) -> tuple[Floats, Points]:
    """The level at points, smoothed by a cubic B-spline, and its slope there.

    The spline's weights blur by 0.58 px, which takes the pixels' staircase out of a mask that
    knows only 0 and 1, without moving straight edges. The slope is exact for that spline.
    """
    rows, cols = level.shape
    at = points - 0.5
    whole = np.floor(at)
    weight_x, turn_x = _spline((at[:, 0] - whole[:, 0]).astype(np.float32))
    weight_y, turn_y = _spline((at[:, 1] - whole[:, 1]).astype(np.float32))
    corner = whole.astype(np.int64) - 1
    columns = [np.clip(corner[:, 0] + i, 0, cols - 1) for i in range(4)]
    flat = level.ravel()
    value, slope_x, slope_y = np.zeros((3, len(points)), np.float32)
    for j in range(4):
        row = np.clip(corner[:, 1] + j, 0, rows - 1) * cols
        near = [flat[row + column] for column in columns]
        along = sum(near[i] * weight_x[i] for i in range(4))
        value += along * weight_y[j]
        slope_y += along * turn_y[j]
        slope_x += sum(near[i] * turn_x[i] for i in range(4)) * weight_y[j]
    return value.astype(np.float64), np.column_stack([slope_x, slope_y]).astype(np.float64)


def _spline(t: Level) -> tuple[Level, Level]:
    """Weights of the four neighbours in a uniform cubic B-spline, and their slopes."""
    s = 1 - t
    square, cube = t * t, t * t * t
    last, first = cube / 6, s * s * s / 6
    second = cube / 2 - square + 2 / 3
    weight = np.stack([first, second, 1 - first - second - last, last])
    bend = 1.5 * square - 2 * t
    slope = np.stack([-s * s / 2, bend, -bend - t + 0.5, square / 2])
    return weight.astype(np.float32), slope.astype(np.float32)
