"""What is true of the metal in the end: ties that are free on both sides, small loose bits gone."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import numpy.typing as npt
import shapely

from raster2path.geometry import Complexes
from raster2path.model import Tie
from raster2path.sign._islands import metal_of, parts_of
from raster2path.sign._surgery import Ring

SHARP_MM = 0.02
"""A hair's breadth."""

N_ALONG = 24
"""Along each side of a tie, at so many places it is asked whether the torch has room there."""


def free_ties(ties: Sequence[Tie], metal: shapely.Geometry, *, kerf_mm: float) -> tuple[Tie, ...]:
    """The ties that still are strips: two free sides, a tie's width apart.

    A later strip may have joined an earlier one from the side, or the gap beside a tie is
    narrower than the kerf and stays metal for want of room for the torch. Then there is one
    plate of metal, wider than a tie, and no strip is left to be listed.
    """
    if not ties:
        return ()
    half = max(0.49 * kerf_mm, SHARP_MM)  # less a hair, so that a gap of just the kerf counts
    at = (np.arange(N_ALONG) + 0.5) / N_ALONG
    corners = np.array([tie.corners for tie in ties])
    is_free = np.ones(len(ties), np.bool_)
    for first, last in ((0, 1), (2, 3)):
        start, end = corners[:, first, None], corners[:, last, None]
        along = (end - start) / np.maximum(np.abs(end - start), 1e-12)
        # a tie's corners run clockwise, so that the drop lies to the left of its sides
        torch = start + at * (end - start) - 1j * along * (half + SHARP_MM)
        is_free &= ~_meets(metal, torch, half).all(axis=1)
    return tuple(tie for tie, is_one in zip(ties, is_free.tolist(), strict=True) if is_one)


def _meets(metal: shapely.Geometry, at: Complexes, radius: float) -> npt.NDArray[np.bool_]:
    """Whether a disc round each place meets the metal."""
    shapely.prepare(metal)
    discs = shapely.points(np.stack([at.real, at.imag], axis=-1))
    return np.asarray(shapely.dwithin(metal, discs, radius), np.bool_)


def without_small_loose(
    rings: Mapping[int, Ring], *, least_mm2: float
) -> tuple[dict[int, Ring], list[shapely.Geometry]]:
    """The edges less those of loose pieces under `least_mm2`, and the shapes of these."""
    parts = parts_of(metal_of(ring.path for ring in rings.values()))
    small = [part for part in parts[1:] if part.area < least_mm2]
    gone = set()
    for part in small:
        hull = shapely.Polygon(part.exterior).buffer(1e-6)
        for key, ring in rings.items():
            start = ring.path.start
            if hull.covers(shapely.Point(start.real, start.imag)):
                gone.add(key)
    return {key: ring for key, ring in rings.items() if key not in gone}, small
