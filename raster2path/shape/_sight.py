"""What is known of a contour before it is fitted: its noise, its tremor, the picture's blur."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from raster2path.geometry import Complexes
from raster2path.shape import _cubics
from raster2path.shape._cubics import Bools, Floats

LEAST_SIGMA = 0.08
"""A drawn picture's pixels alone move a contour by so much."""

TREMOR_REACH = 24
"""Points on each side over which a drawn edge is smooth and a tremor is not."""

WAVER_REACH = 12
"""The same, to tell a line drawn by hand from one that a machine or a ruler has drawn."""

RULED = 0.02
"""What a smooth line leaves of a ruled or printed one, in pixels, is less.

Measured: printed strokes, clean or photographed, leave .005 to .008; pencil and pen .05 or more.
"""

SHAKIEST = 0.0075
"""No hand strays by more than this share of the size of what it draws."""

STEADY = 0.18
"""What is left of a steady line, pixels' noise and drawn detail together, is less."""


@dataclass(frozen=True, slots=True)
class Sight:
    """What is known of a contour, and how closely it is to be followed.

    Attributes:
        sigma: noise of its points.
        blur: of the picture.
        tolerance: farthest that a point may lie from the fit.
        step: least distance of possible breaks.
        tight: places where corners stay on the contour and runs are followed closely.
        closeness: how many times closer, there.
        loose: how much smoother than measured runs between corners are drawn, 0 to 1.
    """

    sigma: float
    blur: float
    tolerance: float
    step: float = 5.0
    tight: tuple[complex, ...] = ()
    closeness: int = 0
    loose: float = 0.0

    @property
    def run_sigma(self) -> float:
        """Noise that runs between corners are taken to have: more than there is, where loose."""
        return self.sigma + self.loose * max(0.0, self.tolerance / 2 - self.sigma)

    @property
    def trim(self) -> int:
        """Points that blur spoils on each side of a corner."""
        return max(2, round(2 * self.blur + self.sigma))

    @property
    def most_retreat(self) -> float:
        """No corner is guessed farther off the contour.

        A needle's last pixels say little of how long it was.
        """
        return 5.0 + 8.0 * self.blur

    def closer(self) -> Sight:
        """The same contour, followed more closely."""
        return replace(
            self,
            sigma=max(0.02, 0.6 * self.sigma),
            tolerance=0.7 * self.tolerance,
            step=max(2.0, 0.6 * self.step),
        )

    def closer_at(self, places: Sequence[complex]) -> Sight:
        """The same contour, followed more closely at some places; all round where that is done."""
        new = self.is_tight(np.array(places, np.complex128))
        if new.all():
            return self.closer()
        return replace(
            self,
            tight=(*self.tight, *itertools.compress(places, ~new)),
            closeness=self.closeness + 2,
        )

    def is_tight(self, z: Complexes) -> Bools:
        """Which points are at a tight place."""
        if not self.tight or not len(z):
            return np.zeros(len(z), bool)
        gaps = np.abs(z[:, None] - np.array(self.tight)[None, :]).min(axis=1)
        return np.asarray(gaps < 5 * self.blur + 2)


def correlated(sigma: float) -> float:
    """Points per independent one: pixels smear over two or three, a hand's tremor over ten."""
    return min(12.0, 2.0 + 6.0 * sigma)


def resampled(z: Complexes, *, is_closed: bool) -> Complexes:
    """The same line with points one unit apart; ends of an open one stay."""
    whole = np.append(z, z[0]) if is_closed else z
    whole = whole[np.concatenate([[True], np.abs(np.diff(whole)) > 1e-9])]
    if len(whole) < 2:
        return z[:1]
    along = _cubics.steps(whole)
    n = max(2, round(along[-1]))
    at = np.linspace(0.0, along[-1], n + 1)
    out = np.interp(at, along, whole.real) + 1j * np.interp(at, along, whole.imag)
    return np.asarray(out[:-1] if is_closed else out, np.complex128)


@lru_cache
def polynomial(half: int) -> tuple[Floats, Floats]:
    """Powers over a window of so many points each way, and what fits their coefficients."""
    s = np.arange(-half, half + 1) / half
    basis = np.stack([s**k for k in range(4 if half > 2 else 3)], axis=1)
    return basis, np.asarray(np.linalg.pinv(basis), np.float64)


def turns(z: Complexes, reach: int, *, is_closed: bool) -> Floats:
    """Turning (rad, unsigned) over `reach` points before and after each; 0 near open ends."""
    n = len(z)
    back, ahead = z - np.roll(z, reach), np.roll(z, -reach) - z
    turn = np.abs(np.angle(ahead * back.conj()))
    if not is_closed:
        turn[: min(n, reach)] = 0
        turn[max(0, n - reach) :] = 0
    return turn


def tremor_of(z: Complexes, *, is_closed: bool, half: int = TREMOR_REACH) -> float:
    """Standard deviation of a hand's tremor, which noise measured point by point misses.

    0 where there are too few calm stretches to tell, or the line is steady.
    """
    left = _left(z, half, is_closed=is_closed)
    # The polynomial takes a good part of a slow tremor with it.
    return 1.6 * left if left is not None and left > STEADY else 0.0


def is_by_hand(lines: Sequence[Complexes], *, is_closed: Sequence[bool]) -> bool:
    """True where most lines of a drawing waver by more than pixels do; they need not tremble."""
    left = [_left(z, WAVER_REACH, is_closed=c) for z, c in zip(lines, is_closed, strict=True)]
    told = [each for each in left if each is not None]
    return bool(told) and float(np.median(told)) > RULED


def _left(z: Complexes, half: int, *, is_closed: bool) -> float | None:
    """What a smooth line leaves even on the calmer stretches, those without a sharp turn.

    A cubic polynomial follows a drawn edge over `half` points each way, not a tremor. None where
    there are too few calm stretches to tell.
    """
    n = len(z)
    if n < 8 * half:
        return None
    basis, inverse = polynomial(half)
    middles = np.arange(0, n, 6) if is_closed else np.arange(half, n - half, 6)
    at = middles[:, None] + np.arange(-half, half + 1)
    window = z[at % n]
    calm = turns(z, 6, is_closed=is_closed)[at % n].max(axis=1) < math.radians(50)
    calm &= np.abs(np.angle((window[:, -1] - z[at[:, -6] % n]) / (window[:, 5] - window[:, 0]))) < 1
    if calm.mean() < 0.2:
        return None
    window = window[calm]
    fit = window @ inverse.T
    heading = fit[:, 1] / np.maximum(np.abs(fit[:, 1]), 1e-12)
    off = (heading[:, None].conj() * (window - fit @ basis.T)).imag
    return float(np.quantile(np.sqrt((off**2).mean(axis=1)), 0.3))


def tremors_of(lines: Sequence[Complexes], *, is_closed: Sequence[bool]) -> list[float]:
    """A hand's tremor of each of many lines by the same hand; 0 where one is steady.

    Longer stretches say more of it, where a line has any that are calm; one that has none is
    taken to be as shaky as the others.
    """
    found = [tremor_of(z, is_closed=c) for z, c in zip(lines, is_closed, strict=True)]
    most = [SHAKIEST * float(np.hypot(np.ptp(z.real), np.ptp(z.imag))) for z in lines]
    # What strays further was meant: small letters are all bends.
    short = [tremor if tremor < top else 0.0 for tremor, top in zip(found, most, strict=True)]
    long = [
        tremor_of(z, is_closed=c, half=2 * TREMOR_REACH) if tremor else 0.0
        for z, c, tremor in zip(lines, is_closed, short, strict=True)
    ]
    known = [tremor for tremor in long if tremor] or [tremor for tremor in short if tremor]
    if not known:
        return [0.0] * len(lines)
    usual = float(np.median(known))
    can_tell = [len(z) >= 8 * TREMOR_REACH for z in lines]
    is_shaky = 2 * sum(map(bool, short)) > sum(can_tell)
    return [
        max(tremor, usual) if tremor or (is_shaky and not told) else 0.0
        for tremor, told in zip(short, can_tell, strict=True)
    ]


def seen(z: Complexes, sigma: float, tolerance: float, blur: float, *, is_closed: bool) -> Sight:
    """What is known of a contour: its noise is the larger of what was told and its tremor."""
    tremor = min(tremor_of(z, is_closed=is_closed), tolerance / 2)
    return Sight(max(sigma, tremor, LEAST_SIGMA), blur, tolerance)
