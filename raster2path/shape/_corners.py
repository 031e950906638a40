"""Corners of a contour: the meeting places of what is drawn on both sides of them.

Blur has rounded the contour itself, so that its sharpest point is not the corner.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from raster2path.geometry import Complexes
from raster2path.shape._cubics import Bools, Floats, Ints
from raster2path.shape._sight import Sight, correlated, turns

LEAST_CORNER_RAD = math.radians(28)
"""What turns less is smooth."""


@dataclass(frozen=True, slots=True, eq=False)
class Corners:
    """Corners of a contour.

    Attributes:
        index: the nearest point of each.
        place: where its sides meet.
        is_firm: True where it was put back onto the contour and stays there.
    """

    index: Ints
    place: Complexes
    is_firm: Bools

    def of(self, pick: Ints | Bools) -> Corners:
        """Some of them."""
        return Corners(self.index[pick], self.place[pick], self.is_firm[pick])


def _peaks(turn: Floats, least: float, apart: int) -> Ints:
    """Local maxima of at least `least`, none with a larger value within `apart` points."""
    highest = turn.copy()
    for k in range(1, apart + 1):
        highest = np.maximum(highest, np.maximum(np.roll(turn, k), np.roll(turn, -k)))
    return np.flatnonzero((turn >= least) & (turn >= highest))


def _side_fits(z: Complexes, at: Ints, way: int, room: Ints, sight: Sight) -> Complexes:
    """Parabolas through one side of each place, the blurred part left out.

    The longest stretch that a parabola follows within the noise counts. A weak spring on the
    bend keeps short stretches nearly straight, so that they can be extended.

    Returns:
        Coefficients (m, 3) of 1, s, s²; s counts points away from the place.
    """
    sigma, trim = sight.sigma, sight.trim
    noise = sigma * math.sqrt(correlated(sigma))
    shortest = max(4, math.ceil((40 * noise) ** (2 / 3)))
    fits = np.zeros((len(at), 3), np.complex128)
    growing = np.ones(len(at), bool)
    for k in range(7):
        length = round(shortest * 1.4**k)
        ok = growing & ((room >= trim + length) | (k == 0))
        if not ok.any():
            break
        s = trim + np.arange(length + 1.0)
        middle = trim + length / 2
        basis = np.stack([s**0, s - middle, (s - middle) ** 2], axis=1)
        spring = np.diag([0.0, 0.0, (noise / 0.04) ** 2])
        inverse = np.linalg.solve(basis.T @ basis + spring, basis.T)
        window = z[(at[ok][:, None] + way * s.astype(np.int64)) % len(z)]
        fit = window @ inverse.T
        heading = fit[:, 1] / np.maximum(np.abs(fit[:, 1]), 1e-12)
        off = (heading[:, None].conj() * (window - fit @ basis.T)).imag
        good = (np.sqrt((off**2).mean(axis=1)) <= 1.3 * sigma) | (k == 0)
        spot = np.flatnonzero(ok)[good]
        a0, a1, a2 = (fit[good, c] for c in range(3))
        fits[spot] = np.stack([a0 - a1 * middle + a2 * middle**2, a1 - 2 * a2 * middle, a2], axis=1)
        growing[np.flatnonzero(ok)[~good]] = False
    return fits


def _meetings(
    left: Complexes, right: Complexes, trim: float
) -> tuple[Complexes, Complexes, Complexes, Bools]:
    """Where two sides meet when extended: place, directions of travel in and out, and whether."""
    reach = 12.0
    a, b = np.zeros(len(left)), np.zeros(len(left))
    for _ in range(6):
        gap = (right[:, 0] + a * (right[:, 1] + a * right[:, 2])) - (
            left[:, 0] + b * (left[:, 1] + b * left[:, 2])
        )
        u, v = right[:, 1] + 2 * a * right[:, 2], left[:, 1] + 2 * b * left[:, 2]
        det = (u.conj() * v).imag
        safe = np.where(np.abs(det) > 1e-3, det, 1e-3)
        a = np.clip(a - (gap.conj() * v).imag / safe, -reach, trim + 1)
        b = np.clip(b - (gap.conj() * u).imag / safe, -reach, trim + 1)
    place_a = right[:, 0] + a * (right[:, 1] + a * right[:, 2])
    place_b = left[:, 0] + b * (left[:, 1] + b * left[:, 2])
    out = right[:, 1] + 2 * a * right[:, 2]
    into = -(left[:, 1] + 2 * b * left[:, 2])
    ok = np.abs(place_a - place_b) < 0.05
    return (place_a + place_b) / 2, into, out, ok


def find_corners(z: Complexes, sight: Sight, *, is_closed: bool) -> Corners:
    """Places where the drawing turns sharply, blur and noise taken into account."""
    n = len(z)
    none = Corners(np.zeros(0, np.int64), np.zeros(0, np.complex128), np.zeros(0, bool))
    sigma, trim = sight.sigma, sight.trim
    reach = max(4, math.ceil((20 * sigma * math.sqrt(correlated(sigma))) ** (2 / 3)))
    if n < 4 * reach:
        return none
    turn = turns(z, reach, is_closed=is_closed)
    at = _peaks(turn, 0.8 * LEAST_CORNER_RAD, max(2, reach // 2))
    if not is_closed:
        at = at[(at >= reach + trim) & (at < n - reach - trim)]
    if not len(at):
        return none
    far = np.full(len(at), n // 3)
    before, after = (far, far) if is_closed else (at, n - 1 - at)
    left = _side_fits(z, at, -1, before, sight)
    right = _side_fits(z, at, 1, after, sight)
    place, into, out, ok = _meetings(left, right, trim)
    jump = np.where(ok, np.abs(np.angle(out * into.conj())), 0.0)
    return _accepted(z, at, place, jump, sight)


def _accepted(z: Complexes, at: Ints, place: Complexes, jump: Floats, sight: Sight) -> Corners:
    """Of possible corners, those that blur explains; the sharper one of two close ones."""
    retreat = np.abs(place - z[at])
    half = np.maximum((math.pi - jump) / 2, 0.03)
    # Blur pulls an apex back until the wedge is about so wide as it and a pixel together. Where it
    # is much wider, the tip was drawn blunt or round. Noise adds its own. (Measured on drawn tips
    # of known shape: of 1600 true ones 97 in 100 are narrower, of 600 round ones 1 in 20.)
    limit = (0.35 + 0.465 * sight.blur + sight.sigma) / np.tan(half) + 0.5
    ok = (jump >= LEAST_CORNER_RAD) & (retreat <= limit)
    most = sight.most_retreat
    toward = (place - z[at]) / np.maximum(retreat, 1e-12)
    place = np.where(retreat > most, z[at] + toward * most, place)
    kept: list[int] = []
    for k in np.argsort(-jump, kind="stable"):
        if ok[k] and all(_apart(at[k], at[m], len(z)) >= 3 for m in kept):
            kept.append(int(k))
    return Corners(at, place, np.zeros(len(at), bool)).of(np.array(sorted(kept), np.int64))


def _apart(i: int, j: int, n: int) -> int:
    gap = abs(int(i) - int(j))
    return min(gap, n - gap)
