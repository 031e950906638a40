"""The circle that a row's marks stand on, if a line won't do."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from raster2path.geometry import Complexes

Floats = npt.NDArray[np.float64]

WORTH_BENDING = 0.6
"""An arch must lie this much nearer to the marks' middles than a line does."""
STRAIGHT = 12.0
"""A radius this many times the row's length is no arch."""
NO_LESS = 1e-9 * np.eye(3)
"""Keeps the steps' equations solvable."""


def circle_through(z: Complexes) -> tuple[complex, float] | None:
    """Centre and radius of the circle nearest to points, or None where a line does as well.

    An algebraic fit (Kåsa 1976) finds whole rings but bends noisy lines; so a parabola's vertex
    circle starts as well, both are moved onto the points (Gauss and Newton), the nearer one wins.
    """
    length = float(np.abs(z[:, None] - z[None, :]).max())
    about = complex(z.mean())
    way = complex(np.exp(0.5j * np.angle(((z - about) ** 2).sum())))
    local = (z - about) / way
    x, y = local.real, local.imag
    as_line = math.sqrt(float((y**2).mean()))
    best: tuple[float, complex, float] | None = None
    for start in (_algebraic(x, y), _vertex(x, y)):
        if start is None:
            continue
        centre, radius = _nearest_circle(local, *start)
        off = math.sqrt(float(((np.abs(local - centre) - radius) ** 2).mean()))
        if radius <= STRAIGHT * length and (best is None or off < best[0]):
            best = off, centre, radius
    if best is None or best[0] > WORTH_BENDING * as_line:
        return None
    return about + way * best[1], best[2]


def _algebraic(x: Floats, y: Floats) -> tuple[complex, float] | None:
    system = np.column_stack([2 * x, 2 * y, np.ones(len(x))])
    a, b, c = np.linalg.lstsq(system, x**2 + y**2, rcond=None)[0]
    square = c + a * a + b * b
    return (complex(a, b), math.sqrt(square)) if square > 0 else None


def _vertex(x: Floats, y: Floats) -> tuple[complex, float] | None:
    """Of the parabola through points that lie along x."""
    system = np.column_stack([x**2, x, np.ones(len(x))])
    bend, slope, high = np.linalg.lstsq(system, y, rcond=None)[0]
    if abs(bend) < 1e-9:
        return None
    foot = -slope / (2 * bend)
    return complex(foot, high - slope**2 / (4 * bend) + 0.5 / bend), 0.5 / abs(bend)


def _nearest_circle(z: Complexes, centre: complex, radius: float) -> tuple[complex, float]:
    """A few steps of least squares on the distances."""
    for _ in range(4):
        out = z - centre
        far = np.maximum(np.abs(out), 1e-9)
        slopes = np.stack([-out.real / far, -out.imag / far, -np.ones(len(z))], axis=1)
        flat = slopes.T @ slopes + NO_LESS
        a, b, c = np.linalg.solve(flat, slopes.T @ (radius - far)).tolist()
        if math.hypot(a, b) > 5 * radius:
            break
        centre, radius = centre + complex(a, b), radius + c
        if abs(a) + abs(b) + abs(c) < 1e-3 * radius:
            break
    return centre, abs(radius)
