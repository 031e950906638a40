"""Room: leaves out of the rings what is too small for the torch at the sign's size."""

from __future__ import annotations

import math
from dataclasses import replace

import cv2
import numpy as np
import numpy.typing as npt

from raster2path.geometry import Points
from raster2path.model import Dark, Note, NoteKind, PixelRings

Mask = npt.NDArray[np.bool_]
Floats = npt.NDArray[np.float64]

TEXTURE = 12
"""From so many on, small holes are the texture of a dry brush or of paper; fewer were drawn: an
eye, a buckle. Common practice, no source."""


def without_specks(
    rings: PixelRings, *, mm_per_px: float, region: Dark, kerf_mm: float, least_metal_mm: float
) -> PixelRings:
    """The rings that a torch can make something of.

    Args:
        rings: contours of the ink.
        mm_per_px: the scale that the sign gets.
        region: what ink is.
        kerf_mm: a hole with less area than a circle as wide can't be cut; nor, among many, one
            with less than a circle twice as wide, which is about what a pierce leaves.
        least_metal_mm: metal that is nowhere as long, or has less than half the area of a square
            with that side, can't be held.

    Returns:
        The same rings without those, and what lay in them; a note says how many. The largest
        ring always stays.
    """
    areas = np.array([_area(ring.points_px) for ring in rings.rings]) * mm_per_px**2
    is_hole = (areas < 0) == (region is Dark.METAL)
    size = np.abs(areas)
    is_pin = is_hole & (size < math.pi / 4 * (2 * kerf_mm) ** 2)
    if is_pin.sum() < TEXTURE or region is Dark.OPENING:
        is_pin = is_hole & (size < math.pi / 4 * kerf_mm**2)
    is_speck = ~is_hole & (size < least_metal_mm**2 / 2)
    small = np.flatnonzero(~is_hole & ~is_speck & (size < least_metal_mm**2))
    for k in small:
        _, sides, _ = cv2.minAreaRect(rings.rings[k].points_px.astype(np.float32))
        is_speck[k] = max(sides) * mm_per_px < least_metal_mm
    gone = is_pin | is_speck
    gone[size.argmax()] = False
    if not gone.any():
        return rings
    gone |= _inside(rings, np.flatnonzero(gone), size)
    kept = tuple(ring for ring, is_gone in zip(rings.rings, gone, strict=True) if not is_gone)
    note = _note(int((gone & is_pin).sum()), int((gone & is_speck).sum()))
    return replace(rings, rings=kept, notes=(*rings.notes, note))


def _area(points: Points) -> float:
    x, y = points.T
    return float(x @ (np.roll(y, -1) - np.roll(y, 1))) / 2


def _inside(rings: PixelRings, outer: npt.NDArray[np.intp], size: Floats) -> Mask:
    """Rings that lie in one of some others; rings never cross, so one point tells."""
    first = np.array([ring.points_px[0] for ring in rings.rings])
    found = np.zeros(len(first), np.bool_)
    for k in outer:
        points = rings.rings[k].points_px
        near = ((first > points.min(axis=0)) & (first < points.max(axis=0))).all(axis=1)
        for j in np.flatnonzero(near & (size < size[k])):
            place = (float(first[j, 0]), float(first[j, 1]))
            found[j] |= cv2.pointPolygonTest(points.astype(np.float32), place, False) > 0
    return found


def _note(n_pins: int, n_specks: int) -> Note:
    parts = []
    if n_pins:
        holes = "pin-hole that no torch can cut was" if n_pins == 1 else "pin-holes were"
        parts.append(f"{n_pins} {holes} closed")
    if n_specks:
        specks = "speck of metal" if n_specks == 1 else "specks of metal"
        parts.append(f"{n_specks} {specks} smaller than a tie left out")
    return Note(
        NoteKind.TOO_SMALL, ", ".join(parts), remedy="make the sign larger if they are to stay"
    )
