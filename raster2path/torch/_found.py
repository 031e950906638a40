"""Cuts and ties found again by a place, in pixels of the upright picture or on the sheet."""

from __future__ import annotations

import numpy as np

from raster2path.geometry import Path, Points, to_complex
from raster2path.model import Placement, TorchPlan

FOUND_MM = 25.0
"""A place means the cut, or the tie, nearest to it, no further off than this."""


def on_sheet(
    placement: Placement, place_px: tuple[float, float], homography: Points | None
) -> complex:
    """Where a place in the upright picture lies on the sheet."""
    turn = np.eye(3) if homography is None else homography
    u, v, w = turn @ (*place_px, 1.0)
    return complex(*placement.to_mm(np.array([[u / w, v / w]]))[0])


def in_picture(
    placement: Placement, place_mm: complex, homography: Points | None
) -> tuple[float, float]:
    """Where a place on the sheet lies in the upright picture."""
    turn = np.eye(3) if homography is None else homography
    (x, y), *_ = placement.to_px(np.array([[place_mm.real, place_mm.imag]]))
    u, v, w = np.linalg.solve(turn, (x, y, 1.0))
    return float(u / w), float(v / w)


def nearest_cut(plan: TorchPlan, at: complex) -> tuple[int, float]:
    """The cut nearest to a place, and how far off its line or its pierce is.

    Raises:
        ValueError: there are no cuts.
    """
    away = [
        min(abs(cut.pierce_mm - at), np.inf if cut.path is None else _away(cut.path, at))
        for cut in plan.cuts
    ]
    best = int(np.argmin(away))
    return best, float(away[best])


def nearest_tie(plan: TorchPlan, at: complex) -> tuple[int, float]:
    """The tie whose middle is nearest to a place, and how far off that is.

    Raises:
        ValueError: there are no ties.
    """
    away = [abs(sum(tie.corners) / len(tie.corners) - at) for tie in plan.sign.ties]
    best = int(np.argmin(away))
    return best, float(away[best])


def _away(path: Path, at: complex) -> float:
    """Least distance from a path."""
    z = to_complex(path.flat())
    a, b = (z, np.roll(z, -1)) if path.is_closed else (z[:-1], z[1:])
    leg = b - a
    share = ((at - a) * leg.conjugate()).real / np.maximum(np.abs(leg) ** 2, 1e-18)
    return float(np.abs(a + np.clip(share, 0, 1) * leg - at).min())
