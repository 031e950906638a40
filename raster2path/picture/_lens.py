"""The bow that a lens gives to straight lines, from the four sides of a sheet; private here.

One-parameter radial model: a point at u from the picture's middle is seen at u (1 + k u2), the
first term of Brown, "Close-range camera calibration", 1971.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from raster2path.geometry import Points
from raster2path.picture._sides import line_through

Floats = npt.NDArray[np.float64]

SURE = 4.0
"""Times its uncertainty that each side has to bow, all to the same way: inward or outward."""

LEAST_BOW_PX = 0.4
"""Less is not worth a thought, and a sheet is never cut that straight."""

STRONGEST = 0.25
"""Of k, with distances in half diagonals; no lens that people draw by is worse."""

_CORRELATED = 6.0  # neighbours along a side that err together


@dataclass(frozen=True, slots=True)
class Lens:
    """A lens, by how it bends.

    Attributes:
        middle_px: of the picture.
        size_px: half its diagonal.
        k: below 0 where lines bow outward, as barrels do.
    """

    middle_px: tuple[float, float]
    size_px: float
    k: float

    def bent(self, points: Points) -> Points:
        """Where points of the straight picture are seen."""
        away = points - self.middle_px
        share = self.k * (away**2).sum(axis=-1, keepdims=True) / self.size_px**2
        return np.asarray(points + away * share, points.dtype)

    def straightened(self, points: Points) -> Points:
        """Where points that are seen lie in the straight picture."""
        found = points
        for _ in range(12):
            found = points - (self.bent(found) - found)
        return found


def lens_of(sides: Sequence[Points], shape: tuple[int, ...]) -> Lens | None:
    """The lens that bows four straight sides as they are seen; None where it does not.

    Args:
        sides: points along each side of a sheet, in order round it.
        shape: of the picture.
    """
    bows, scatters = np.array([_bow(side) for side in sides]).T
    is_one_way = (bows > 0).all() or (bows < 0).all()
    if not is_one_way or (np.abs(bows) < np.maximum(SURE * scatters, LEAST_BOW_PX)).any():
        return None
    rows, cols = shape[:2]
    lens = Lens((cols / 2, rows / 2), float(np.hypot(cols, rows)) / 2, 0.0)
    step = 1e-3
    for _ in range(4):
        now, more = (_bows(sides, lens, lens.k + extra) for extra in (0.0, step))
        turn = (more - now) / step
        k = lens.k - float(now @ turn / max(float(turn @ turn), 1e-12))
        lens = Lens(lens.middle_px, lens.size_px, k)
    # What four sides tell must be one story: a curled sheet bows as well.
    rest = _bows(sides, lens, lens.k)
    is_one_story = float(rest @ rest) < 0.15 * float(bows @ bows)
    return lens if is_one_story and abs(lens.k) < STRONGEST else None


def _bows(sides: Sequence[Points], lens: Lens, k: float) -> Floats:
    other = Lens(lens.middle_px, lens.size_px, k)
    return np.array([_bow(other.straightened(side))[0] for side in sides])


def _bow(points: Points) -> tuple[float, float]:
    """How far the middle of a side lies inward of its ends, by a parabola, and its uncertainty."""
    middle, along, off = line_through(points)
    at = (points - middle) @ along
    at = (2 * at - at.max() - at.min()) / (at.max() - at.min())
    basis = np.column_stack([np.ones(len(at)), at, at**2])
    weight = np.ones(len(at))
    for _ in range(10):
        root = np.sqrt(weight)
        fit = np.linalg.lstsq(basis * root[:, None], off * root, rcond=None)[0]
        rest = off - basis @ fit
        scale = max(0.1, 1.4826 * float(np.median(np.abs(rest))))
        weight = np.clip(1 - (rest / (4.685 * scale)) ** 2, 0, None) ** 2 + 1e-9
    spread = np.linalg.inv(basis.T @ (basis * weight[:, None]))[2, 2]
    return -float(fit[2]), scale * float(np.sqrt(_CORRELATED * spread))
