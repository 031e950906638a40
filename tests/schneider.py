"""The baseline: P. J. Schneider's fit of cubics to points, written anew from its description.

"An algorithm for automatically fitting digitized curves", Graphics Gems, 1990: least squares for
the two lengths of the tangents, Newton's steps for the parameters, and where that is not close
enough, two halves, split at the farthest point.
"""

from __future__ import annotations

import itertools
import math

import numpy as np

from raster2path.geometry import Complexes, Cubic, Path
from tests.glyphs import Floats

N_STEPS = 4
WORTH_A_TRY = 4.0
"""Parameters are moved where the error is less than so many times what is allowed."""


def fit_ring(z: Complexes, error: float, corner_deg: float = 50.0, reach: int = 5) -> Path:
    """A closed outline's cubics, each within `error` of its points; split at sharp turns first."""
    turn = np.angle((np.roll(z, -reach) - z) / (z - np.roll(z, reach)))
    sharp = np.flatnonzero(np.abs(turn) > math.radians(corner_deg))
    corners = [
        int(k)
        for k in sharp
        if np.abs(turn[np.arange(k - reach, k + reach + 1) % len(z)]).max() == abs(turn[k])
    ]
    if not corners:
        heading = _unit(z[1] - z[-1])
        return Path(tuple(fit(np.append(z, z[0]), error, heading, -heading)), is_closed=True)
    z = np.roll(z, -corners[0])
    stops = [k - corners[0] for k in corners] + [len(z)]
    pieces: list[Cubic] = []
    around = np.append(z, z[0])
    for a, b in itertools.pairwise(stops):
        run = around[a : b + 1]
        near = min(3, len(run) - 1)
        pieces += fit(run, error, _unit(run[near] - run[0]), _unit(run[-1 - near] - run[-1]))
    return Path(tuple(pieces), is_closed=True)


def fit(z: Complexes, error: float, leave: complex, arrive: complex) -> list[Cubic]:
    """Cubics through an open run of points, with its end tangents, both pointing into it."""
    if len(z) == 2:
        third = abs(z[1] - z[0]) / 3
        return [_cubic(z, leave * third, arrive * third)]
    along = np.concatenate([[0.0], np.cumsum(np.abs(np.diff(z)))])
    t = along / along[-1]
    cubic = _least_squares(z, t, leave, arrive)
    gap = np.abs(cubic.points_at(t) - z)
    for _ in range(N_STEPS):
        if gap.max() <= error or gap.max() > WORTH_A_TRY * error:
            break
        t = _moved(cubic, z, t)
        cubic = _least_squares(z, t, leave, arrive)
        gap = np.abs(cubic.points_at(t) - z)
    if gap.max() <= error:
        return [cubic]
    k = min(max(int(np.argmax(gap)), 1), len(z) - 2)
    middle = _unit(z[k - 1] - z[k + 1])
    return fit(z[: k + 1], error, leave, middle) + fit(z[k:], error, -middle, arrive)


def _least_squares(z: Complexes, t: Floats, leave: complex, arrive: complex) -> Cubic:
    b1, b2 = 3 * t * (1 - t) ** 2, 3 * t**2 * (1 - t)
    early = (1 - t) ** 3 + b1
    rest = z - early * z[0] - (1 - early) * z[-1]
    basis = np.stack([b1 * leave, b2 * arrive], axis=1)
    normal = (basis.conj().T @ basis).real
    right = (basis.conj().T @ rest).real
    size = float(np.abs(z[-1] - z[0]))
    one, two = np.linalg.lstsq(normal, right, rcond=None)[0]
    if one < 1e-6 * size or two < 1e-6 * size:  # Wu and Barsky's rule of thumb
        one = two = size / 3
    return _cubic(z, leave * one, arrive * two)


def _cubic(z: Complexes, leave: complex, arrive: complex) -> Cubic:
    a, b = complex(z[0]), complex(z[-1])
    return Cubic(a, a + leave, b + arrive, b)


def _moved(cubic: Cubic, z: Complexes, t: Floats) -> Floats:
    """Parameters after one step of Newton towards the feet of the points."""
    p = np.array([cubic.start, cubic.control1, cubic.control2, cubic.end])
    d1, d2 = 3 * np.diff(p), 6 * np.diff(p, 2)
    speed = d1[0] * (1 - t) ** 2 + 2 * d1[1] * t * (1 - t) + d1[2] * t**2
    bend = d2[0] * (1 - t) + d2[1] * t
    off = cubic.points_at(t) - z
    down = (speed.conj() * speed).real + (off.conj() * bend).real
    step = (off.conj() * speed).real / np.where(np.abs(down) < 1e-12, 1.0, down)
    return np.asarray(np.clip(t - step, 0, 1), np.float64)


def _unit(z: complex) -> complex:
    return complex(z / abs(z))
