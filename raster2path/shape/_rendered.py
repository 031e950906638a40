"""What a picture would make of a fitted edge, and what that says of the edge that was drawn.

Blur bends a contour near every corner, and in small letters corners are everywhere. So the fit is
rendered with the picture's own blur; where the contour of that differs from the one measured, the
drawn edge differs from the fit by as much.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from raster2path.geometry import Complexes, Path, to_complex
from raster2path.shape._cubics import Bools, Floats, Ints

BOX = 1 / 12
"""Variance that a square pixel adds to the blur of an edge."""
FINE = 2
"""Rendered pixels to one of the picture, each way: between them values are only estimated."""
FLATNESS_PX = 0.02
STEP_PX = 0.5
"""Distance on both sides of a point over which the slope of the picture is taken."""
LEAST_SLOPE = 0.05
"""Of ink per pixel; where it is flatter, nothing can be told."""


@dataclass(frozen=True, slots=True, eq=False)
class Rendered:
    """A fit as the picture would show it, beside the contour that was measured.

    Attributes:
        z: the measured contour, points in order.
        off: how far to the right of each the contour of the rendered fit lies.
        told: where that can be told.
        feet: the place of the fit nearest to each point.
    """

    z: Complexes
    off: Floats
    told: Bools
    feet: Complexes

    @property
    def misfit(self) -> float:
        """Root mean square distance between the two contours."""
        return float(np.sqrt(np.mean(np.where(self.told, self.off, 0.0) ** 2)))

    @property
    def unblurred(self) -> Complexes:
        """The contour as it would lie without the picture's blur, if the fit is nearly right.

        The fit's own places, moved by what is left between the two contours.
        """
        sharp = self.feet - _normals(self.z) * self.off
        return np.asarray(np.where(self.told, sharp, self.z), np.complex128)


def rendered(z: Complexes, path: Path, others: Sequence[Path], blur: float) -> Rendered:
    """The picture's view of a fit.

    Args:
        z: a closed contour, in order, in pixels.
        path: what was fitted to it.
        others: closed paths that lie within it, round it, or close by.
        blur: standard deviation of the blur of the edges, the pixels' own included.
    """
    margin = math.ceil(4 * blur) + 3
    low = complex(math.floor(z.real.min()), math.floor(z.imag.min())) - margin * (1 + 1j)
    high = complex(math.ceil(z.real.max()), math.ceil(z.imag.max())) + margin * (1 + 1j)
    shape = (FINE * round((high - low).imag), FINE * round((high - low).real))
    flats = [to_complex(p.flat(FLATNESS_PX)) - low for p in (path, *others)]
    ink = np.abs(coverage([FINE * flat for flat in flats], shape))
    ink = _blurred(ink, math.sqrt(max(0.0, (FINE * blur) ** 2 - BOX)))
    normal = _normals(z)
    at = z - low
    here, there, back = (_sampled(ink, FINE * (at + k * STEP_PX * normal)) for k in (0, 1, -1))
    slope = (there - back) / (2 * STEP_PX)
    told = np.abs(slope) > LEAST_SLOPE
    off = np.where(told, (0.5 - here) / np.where(told, slope, 1.0), 0.0)
    return Rendered(z, np.clip(off, -3 * blur, 3 * blur), told, _feet(at, flats[0]) + low)


def coverage(rings: Sequence[Complexes], shape: tuple[int, int]) -> Floats:
    """How much of each pixel closed polygons cover, exactly; clockwise ones count as positive.

    Pixel (0, 0) reaches from 0 to 1 both ways. Every edge is cut where it enters another pixel;
    of each part counts how far down it goes and how much of its row lies to the right of it.
    What lies outside is left out.
    """
    start = np.concatenate(rings)
    end = np.concatenate([np.roll(ring, -1) for ring in rings])
    a, b = _cut(*_cut(start, end, 1j), 1.0)
    height, width = shape
    middle = (a + b) / 2
    row, column = np.floor(middle.imag).astype(np.int64), np.floor(middle.real).astype(np.int64)
    inside = (row >= 0) & (row < height) & (column < width)
    # What lies left of the picture covers all of its row.
    left = column < 0
    share = np.where(left, 0.0, middle.real - column)
    column = np.maximum(column, 0)
    down = (a - b).imag
    at = (row * (width + 1) + column)[inside]
    size = height * (width + 1)
    table = np.bincount(at, (down * (1 - share))[inside], minlength=size)
    table += np.bincount(at + 1, (down * share)[inside], minlength=size + 1)[:size]
    return np.asarray(table.reshape(height, width + 1).cumsum(axis=1)[:, :width])


def _cut(a: Complexes, b: Complexes, axis: complex) -> tuple[Complexes, Complexes]:
    """Edges cut at whole numbers along an axis (1 or 1j)."""
    p, q = (a * axis.conjugate()).real, (b * axis.conjugate()).real
    low, high = np.floor(np.minimum(p, q)), np.ceil(np.maximum(p, q))
    n = np.maximum(1, high - low).astype(np.int64)
    owner = np.repeat(np.arange(len(a)), n)
    k = np.arange(len(owner)) - np.repeat(np.cumsum(n) - n, n)
    rises = (q >= p)[owner]
    first = np.where(rises, low[owner] + k, high[owner] - k)
    span = np.where(np.abs(q - p) > 1e-12, q - p, 1.0)[owner]
    t0 = np.clip((first - p[owner]) / span, 0.0, 1.0)
    t1 = np.clip((first + np.where(rises, 1, -1) - p[owner]) / span, 0.0, 1.0)
    t1 = np.where(k == n[owner] - 1, 1.0, t1)
    edge = (b - a)[owner]
    return a[owner] + t0 * edge, a[owner] + t1 * edge


def _blurred(ink: Floats, sigma: float) -> Floats:
    import cv2

    out = cv2.GaussianBlur(ink, (0, 0), sigma) if sigma > 0.05 else ink
    return np.asarray(out, np.float64)


def _sampled(ink: Floats, at: Complexes) -> Floats:
    """The picture between its pixels' middles."""
    import cv2

    x, y = (at.real - 0.5).astype(np.float32), (at.imag - 0.5).astype(np.float32)
    found = cv2.remap(ink.astype(np.float32), x, y, cv2.INTER_LANCZOS4)
    return np.asarray(found.ravel(), np.float64)


def _normals(z: Complexes) -> Complexes:
    """To the right of travel, length one."""
    along = np.roll(z, -2) - np.roll(z, 2)
    return np.asarray(1j * along / np.maximum(np.abs(along), 1e-12))


def _feet(z: Complexes, line: Complexes) -> Complexes:
    """The nearest place to each point on a closed polyline."""
    a, b = line[None, :], np.roll(line, -1)[None, :]
    along = b - a
    size = np.maximum(np.abs(along) ** 2, 1e-12)
    t = np.clip(((z[:, None] - a) * along.conj()).real / size, 0.0, 1.0)
    spots = a + t * along
    nearest: Ints = np.abs(spots - z[:, None]).argmin(axis=1)
    return np.asarray(spots[np.arange(len(z)), nearest], np.complex128)
