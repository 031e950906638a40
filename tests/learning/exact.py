"""Outlines straight from a made-up sign's own shapes: no picture, none of our earlier stages."""

from __future__ import annotations

import numpy as np

from raster2path.geometry import Points
from raster2path.model import Border, Dark, Outlines, Placement, Ring
from tests.learning.develop import Case, Look
from tests.learning.signs import Sign, What

STEP_PX = 1.0
NOISE_PX = 0.05


def exact(sign: Sign, seed: int) -> Case:
    """Every outline of every part as it was laid out, points a pixel apart."""
    rings, parts = [], []
    for k, part in enumerate(sign.parts):
        if part.what is What.BACKGROUND:
            continue
        for points in part.rings:
            ring = _stepped(points)
            rings.append(Ring(ring, np.zeros(len(ring), np.uint8), NOISE_PX))
            parts.append(k)
    placement = Placement(1.0, 0j, (0.0, 0.0, float(sign.width), float(sign.height)))
    outlines = Outlines(tuple(rings), (), Dark.METAL, Border.NONE, placement, 0.5)
    whats = tuple(part.what for part in sign.parts)
    groups = tuple(part.group for part in sign.parts)
    none = np.empty(0, np.int32)
    return Case(
        seed, Look.CLEAN, sign.layout, outlines, np.array(parts, np.int32), none, whats, groups
    )


def _stepped(ring: Points) -> Points:
    ends = np.vstack([ring, ring[:1]])
    along = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(ends, axis=0).T))])
    t = np.linspace(0, along[-1], max(8, int(along[-1] / STEP_PX)), endpoint=False)
    return np.column_stack([np.interp(t, along, ends[:, k]) for k in (0, 1)])
