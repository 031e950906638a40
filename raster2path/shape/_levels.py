"""Which way is level for each letter, told by its line of text and then by its own straights."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from raster2path.geometry import Line, Path
from raster2path.model import TextRow

MOST_OFF_RAD = math.radians(5)
"""Straights of a letter so close to its line of text, or to square with it, tell its own way."""
LEAST_SHARE = 0.2
"""They tell the way if they are so much of its outline."""
SEEN_RAD = math.radians(1)
"""A smaller lean is not seen, and then level means level."""


def levels_of(rows: Sequence[TextRow], paths: Sequence[Path]) -> dict[int, complex]:
    """For the outer outline of each letter, the direction of its line of text, length one."""
    return {
        k: _told_by(paths[k], direction)
        for row in rows
        for k, direction in zip(row.rings, row.directions, strict=False)
    }


def _told_by(path: Path, level: complex) -> complex:
    """The direction, corrected by what the letter's own straights say."""
    sides = [line.end - line.start for line in path if isinstance(line, Line)]
    if sides and abs(level - 1) > 1e-6:
        along = np.array(sides) * np.conj(level)
        # quarter turns made one: stems and bars say the same
        off = np.angle(along**4) / 4
        length = np.where(np.abs(off) < MOST_OFF_RAD, np.abs(along), 0.0)
        if length.sum() > LEAST_SHARE * path.length:
            level *= np.exp(1j * float((off * length).sum() / length.sum()))
    return 1 + 0j if abs(level - 1) < SEEN_RAD else complex(level)
