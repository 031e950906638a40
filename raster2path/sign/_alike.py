"""What is alike in a drawing: its mirror axis, and letters' counters that have the same shape."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt
import shapely

from raster2path.geometry import Complexes, Points

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

N_CELLS = 600
"""The drawing's longer side is looked at in so many cells."""

LEAST_ALIKE_MM, ALIKE_SHARE = 1.2, 0.004
"""An edge's mirror image lies so near an edge, in a drawing that is called symmetric."""

MOSTLY, NEARLY_ALL = 0.6, 0.8
"""So much of a symmetric drawing lies so near its image, and so much within three times that: an
owl drawn by hand looks symmetric, and so should its ties."""

MOST_LOOKED_AT = 4000
MOST_ALONE = 0.15
"""No more of the pieces are without a mirror image."""

NEAR_MM = 5.0
SAME_SHARE = 0.06
"""Two pieces are mirror images, or alike, where their sizes differ by less than this share."""


@dataclass(frozen=True, slots=True)
class Mirror:
    """A mirror axis, upright or level.

    Attributes:
        at_mm: x of an upright axis, y of a level one.
        is_upright: whether it is upright.
        partner: for each piece of metal the piece that is its mirror image, or -1.
    """

    at_mm: float
    is_upright: bool
    partner: tuple[int, ...]

    def point(self, z: complex) -> complex:
        """A point's mirror image."""
        return 2 * self._middle + self.direction(z)

    def direction(self, z: complex) -> complex:
        """A direction's mirror image."""
        return -z.conjugate() if self.is_upright else z.conjugate()

    def off(self, z: complex) -> float:
        """How far a point lies beside the axis."""
        return abs((z.real if self.is_upright else z.imag) - self.at_mm)

    def onto(self, z: complex) -> complex:
        """The nearest point of the axis."""
        return complex(self.at_mm, z.imag) if self.is_upright else complex(z.real, self.at_mm)

    @property
    def along(self) -> complex:
        """Direction of the axis."""
        return 1j if self.is_upright else 1 + 0j

    @property
    def _middle(self) -> complex:
        return complex(self.at_mm, 0) if self.is_upright else complex(0, self.at_mm)


def find_mirror(at: Complexes, pieces: Sequence[shapely.Geometry]) -> Mirror | None:
    """The axis about which a drawing is its own mirror image; None where it has none.

    Args:
        at: places along all drawn edges, evenly spaced; the border left out.
        pieces: the pieces of metal, the main one first.
    """
    if len(at) < 16 or len(pieces) < 2:
        return None
    field = _Field(at)
    for is_upright in (True, False):
        found = field.axis(is_upright=is_upright)
        if found is None:
            continue
        mirror = Mirror(found, is_upright, ())
        partner = _partners(mirror, pieces)
        if sum(k < 0 for k in partner) <= MOST_ALONE * len(partner):
            return Mirror(found, is_upright, partner)
    return None


class _Field:
    """Distance to the nearest drawn edge, on a grid."""

    def __init__(self, at: Complexes) -> None:
        self._at = at[:: max(1, len(at) // MOST_LOOKED_AT)]
        x0, x1, y0, y1 = at.real.min(), at.real.max(), at.imag.min(), at.imag.max()
        self._size = float(max(x1 - x0, y1 - y0, 1e-6))
        self._cell = self._size / N_CELLS
        self._low = complex(x0, y0) - (1 + 1j) * 10 * self._cell
        self._centre = complex(x0 + x1, y0 + y1) / 2
        shape = tuple(int((high - low) / self._cell) + 21 for low, high in ((y0, y1), (x0, x1)))
        seen = np.full(shape, 255, np.uint8)
        cells = np.round(((at - self._low) / self._cell).view(np.float64).reshape(-1, 2)).astype(
            int
        )
        seen[cells[:, 1], cells[:, 0]] = 0
        self._far = np.asarray(cv2.distanceTransform(seen, cv2.DIST_L2, 5), np.float32)

    def _distances(self, z: Complexes) -> Floats:
        cells = (z - self._low) / self._cell
        rows, cols = self._far.shape
        x = np.clip(np.round(cells.real).astype(int), 0, cols - 1)
        y = np.clip(np.round(cells.imag).astype(int), 0, rows - 1)
        return np.asarray(self._far[y, x] * self._cell, np.float64)

    def axis(self, *, is_upright: bool) -> float | None:
        """Where the axis lies, or None."""
        close = max(LEAST_ALIKE_MM, ALIKE_SHARE * self._size)
        middle = self._centre.real if is_upright else self._centre.imag
        tries = middle + np.arange(-20, 21) * 0.25 * close
        means = []
        for c in tries:
            far = self._distances(self._mirrored(float(c), is_upright=is_upright))
            means.append(float(np.minimum(far, 4 * close).mean()))
        best = min(range(len(tries)), key=lambda k: means[k])
        far = self._distances(self._mirrored(float(tries[best]), is_upright=is_upright))
        if np.mean(far < close) < MOSTLY or np.mean(far < 3 * close) < NEARLY_ALL:
            return None
        return float(tries[best]) + _vertex(means, best) * 0.25 * close

    def _mirrored(self, c: float, *, is_upright: bool) -> Complexes:
        z = self._at
        if is_upright:
            return np.asarray(complex(2 * c, 0) - z.conj(), np.complex128)
        return np.asarray(complex(0, 2 * c) + z.conj(), np.complex128)


def _vertex(means: list[float], k: int) -> float:
    """Where between its neighbours the lowest value lies, by a parabola through three."""
    if k in (0, len(means) - 1):
        return 0.0
    a, b, c = (means[n] for n in (k - 1, k, k + 1))
    bend = a - 2 * b + c
    return float(np.clip((a - c) / (2 * bend), -0.5, 0.5)) if bend > 1e-12 else 0.0


def _partners(mirror: Mirror, pieces: Sequence[shapely.Geometry]) -> tuple[int, ...]:
    middles = _middles(pieces)
    areas = shapely.area(np.array(pieces, dtype=object))
    boxes = shapely.bounds(np.array(pieces, dtype=object))
    sizes = np.hypot(boxes[:, 2] - boxes[:, 0], boxes[:, 3] - boxes[:, 1])
    images = np.array([mirror.point(complex(z)) for z in middles])
    out = list[int]()
    for k in range(len(pieces)):
        apart = np.abs(middles - images[k])
        is_like = np.abs(areas - areas[k]) < 2 * SAME_SHARE * areas[k] + 4.0
        apart = np.where(is_like, apart, np.inf)
        best = int(np.argmin(apart))
        out.append(best if apart[best] < max(NEAR_MM, SAME_SHARE * sizes[k]) else -1)
    out[0] = max(out[0], 0)
    # an image of an image is the piece itself, or there is no image
    return tuple(p if p >= 0 and out[p] == k else -1 for k, p in enumerate(out))


def alike_pieces(pieces: Sequence[shapely.Geometry], letters: Sequence[int]) -> list[list[int]]:
    """Those of `letters` that have one shape, in groups of two or more.

    Args:
        pieces: all pieces of metal.
        letters: numbers of those that are parts of letters.
    """
    groups: list[list[int]] = []
    for k in letters:
        for group in groups:
            if _is_alike(pieces[group[0]], pieces[k]):
                group.append(k)
                break
        else:
            groups.append([k])
    return [group for group in groups if len(group) > 1]


def _is_alike(a: shapely.Geometry, b: shapely.Geometry) -> bool:
    if abs(a.area - b.area) > 2 * SAME_SHARE * a.area:
        return False
    box_a, box_b = np.array(a.bounds), np.array(b.bounds)
    size_a, size_b = box_a[2:] - box_a[:2], box_b[2:] - box_b[:2]
    if (np.abs(size_a - size_b) > SAME_SHARE * size_a).any():
        return False
    shift = (box_b[:2] + box_b[2:] - box_a[:2] - box_a[2:]) / 2
    moved = shapely.transform(a, lambda points: points + shift)
    return bool(shapely.symmetric_difference(moved, b).area < 2 * SAME_SHARE * a.area)


def _middles(pieces: Sequence[shapely.Geometry]) -> Complexes:
    points: Points = shapely.get_coordinates(shapely.centroid(np.array(pieces, dtype=object)))
    return np.asarray(points[:, 0] + 1j * points[:, 1], np.complex128)
