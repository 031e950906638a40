"""Straight sides from points along them; private to the folder."""

from __future__ import annotations

import numpy as np

from raster2path.geometry import Points


def line_through(points: Points) -> tuple[Points, Points, Points]:
    """A point and direction of the line that most points lie on, and all points' offsets inward.

    Total least squares, reweighted by Tukey's biweight (Beaton and Tukey, 1974).
    """
    weight = np.ones(len(points))
    for _ in range(12):
        middle = weight @ points / weight.sum()
        spread = (points - middle) * np.sqrt(weight)[:, None]
        along = np.linalg.svd(spread, full_matrices=False)[2][0]
        if along @ (points[-1] - points[0]) < 0:
            along = -along
        off = (points - middle) @ np.array([-along[1], along[0]])
        scale = max(0.3, 1.4826 * float(np.median(np.abs(off))))
        weight = np.clip(1 - (off / (4.685 * scale)) ** 2, 0, None) ** 2 + 1e-9
    return middle, along, off


def crossing(one: tuple[Points, Points], other: tuple[Points, Points]) -> Points:
    """Where two lines meet, each a point and a direction."""
    (p, u), (q, v) = one, other
    t = np.linalg.solve(np.column_stack([u, -v]), q - p)[0]
    return np.asarray(p + t * u, np.float64)
