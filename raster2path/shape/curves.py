"""Flowing edges: the fewest smooth cubics through a contour, its tips and drawn corners kept.

Corners are found first, as the meeting places of what is drawn on both sides of them, because
blur has rounded the contour itself. Between corners a shortest path over candidate cubics weighs
closeness, measured in the contour's own noise, against the number of pieces (Rissanen 1978,
Modeling by shortest data description, doi 10.1016/0005-1098(78)90005-5); then all pieces are
polished together. Points are about one unit apart, usually one pixel.
"""

from __future__ import annotations

import cmath
import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from raster2path.geometry import (
    Complexes,
    Cubic,
    Kind,
    Line,
    Path,
    Points,
    to_complex,
    to_points,
)
from raster2path.shape import _batch, _tangle
from raster2path.shape._batch import Bools, Chain, Ends, Floats, Ints

LEAST_SIGMA = 0.08
"""A drawn picture's pixels alone move a contour by so much."""

LEAST_CORNER_RAD = math.radians(28)
"""What turns less is smooth."""

PENALTY = 25.0
"""What one more cubic costs, in half squared deviations; FINDINGS: 20 to 200."""

LINE_GAIN = 10.0
"""A straight run stays one line unless bending it gains more than this."""

TREMOR_REACH = 24
"""Points on each side over which a drawn edge is smooth and a tremor is not."""

FINE = 1e-3
"""How finely a path is flattened for the last proof that it does not cross itself."""

STEADY = 0.18
"""What is left of a steady line, pixels' noise and drawn detail together, is less."""

BATCH = 2000
"""Points fitted at once; 8000 were slower when measured: they no longer fit into fast memory."""

MOST_MENDS = 8
"""Fits of one contour with corners dropped or put back; more only wait for the last few."""

MOST_BREAKS = 100
PAD = 48
"""Points that a closed run without corners repeats at its ends, for fits across its start."""


@dataclass(frozen=True, slots=True)
class _Sight:
    """What is known of a contour, and how closely it is to be followed.

    Attributes:
        sigma: noise of its points.
        blur: of the picture.
        tolerance: farthest that a point may lie from the fit.
        step: least distance of possible breaks.
        tight: places where corners stay on the contour and runs are followed closely.
        closeness: how many times closer, there.
    """

    sigma: float
    blur: float
    tolerance: float
    step: float = 5.0
    tight: tuple[complex, ...] = ()
    closeness: int = 0

    @property
    def trim(self) -> int:
        """Points that blur spoils on each side of a corner."""
        return max(2, round(2 * self.blur + self.sigma))

    @property
    def most_retreat(self) -> float:
        """No corner is guessed farther off the contour.

        A needle's last pixels say little of how long it was.
        """
        return 3.0 + 5.0 * self.blur

    def closer(self) -> _Sight:
        """The same contour, followed more closely."""
        return replace(
            self,
            sigma=max(0.02, 0.6 * self.sigma),
            tolerance=0.7 * self.tolerance,
            step=max(2.0, 0.6 * self.step),
        )

    def closer_at(self, places: Sequence[complex]) -> _Sight:
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


@dataclass(frozen=True, slots=True, eq=False)
class _Run:
    """Points from one corner to the next.

    Attributes:
        z: all of them, both ends included.
        d0, d1: directions to be met at the ends, or None.
        is_loop: True where it comes back to its start smoothly.
        is_line: True where it is straight.
        is_firm: True where its first point stays.
        sigma: noise to reckon with.
        step: least distance of possible breaks.
        tolerance: farthest that a point may lie from the fit.
        penalty: what one more cubic costs.
    """

    z: Complexes
    sigma: float
    tolerance: float
    d0: complex | None = None
    d1: complex | None = None
    is_loop: bool = False
    is_line: bool = False
    is_firm: bool = False
    step: float = 5.0
    penalty: float = PENALTY

    def closer(self) -> _Run:
        """The same points, to be followed more closely, with as many pieces as it takes."""
        return replace(
            self,
            sigma=max(0.02, 0.6 * self.sigma),
            tolerance=0.8 * self.tolerance,
            step=max(2.0, 0.7 * self.step),
            penalty=0.7 * self.penalty,
            is_line=False,
        )

    def key(self) -> tuple[object, ...]:
        """Alike for runs that are fitted alike, as long as their ends stay."""
        return (
            self.z.tobytes(),
            self.sigma,
            self.tolerance,
            self.d0,
            self.d1,
            self.is_loop,
            self.step,
            self.penalty,
        )


@dataclass(frozen=True, slots=True, eq=False)
class _Pieces:
    """The cubics of one run, and the index in it of each break (one more than cubics)."""

    cubics: Complexes
    breaks: Ints


def _correlated(sigma: float) -> float:
    """Points per independent one: pixels smear over two or three, a hand's tremor over ten."""
    return min(12.0, 2.0 + 6.0 * sigma)


def _resampled(z: Complexes, *, is_closed: bool) -> Complexes:
    """The same line with points one unit apart; ends of an open one stay."""
    whole = np.append(z, z[0]) if is_closed else z
    whole = whole[np.concatenate([[True], np.abs(np.diff(whole)) > 1e-9])]
    if len(whole) < 2:
        return z[:1]
    along = _batch.steps(whole)
    n = max(2, round(along[-1]))
    at = np.linspace(0.0, along[-1], n + 1)
    out = np.interp(at, along, whole.real) + 1j * np.interp(at, along, whole.imag)
    return np.asarray(out[:-1] if is_closed else out, np.complex128)


# ------------------------------------------------------------------ places and directions


@lru_cache
def _polynomial(half: int) -> tuple[Floats, Floats]:
    """Powers over a window of so many points each way, and what fits their coefficients."""
    s = np.arange(-half, half + 1) / half
    basis = np.stack([s**k for k in range(4 if half > 2 else 3)], axis=1)
    return basis, np.asarray(np.linalg.pinv(basis), np.float64)


def _local_fits(
    z: Complexes, at: Ints, lo: Ints, hi: Ints, sigma: Floats
) -> tuple[Complexes, Complexes]:
    """Denoised place and direction of the contour at some of its points.

    A cubic polynomial over a window that grows as long as it fits within the noise.

    Args:
        z: points.
        at: index of each place asked for.
        lo: first index that each may look at.
        hi: last index that each may look at.
        sigma: noise at each place.
    """
    place, speed = z[at].copy(), z[np.minimum(at + 1, hi)] - z[np.maximum(at - 1, lo)]
    growing = np.ones(len(at), bool)
    for half in (2, 3, 5, 8, 12, 17, 24, 34):
        ok = growing & (at - half >= lo) & (at + half <= hi)
        if not ok.any():
            break
        basis, inverse = _polynomial(half)
        window = z[at[ok][:, None] + np.arange(-half, half + 1)]
        fit = window @ inverse.T
        direction = fit[:, 1] / np.maximum(np.abs(fit[:, 1]), 1e-12)
        off = (direction[:, None].conj() * (window - fit @ basis.T)).imag
        rms = np.sqrt((off**2).sum(axis=1) / (2 * half + 1 - basis.shape[1]))
        good = (rms <= 1.15 * sigma[ok]) | (half <= 3)
        spot = np.flatnonzero(ok)[good]
        place[spot], speed[spot] = fit[good, 0], fit[good, 1] / half
        growing[np.flatnonzero(ok)[~good]] = False
    return place, speed / np.maximum(np.abs(speed), 1e-12)


# ------------------------------------------------------------------ tremor


def _tremor(z: Complexes, *, is_closed: bool) -> float:
    """Standard deviation of a hand's tremor, which noise measured point by point misses.

    A cubic polynomial follows a drawn edge over about fifty points, not a tremor. What is left
    even on the calmer stretches, those without a sharp turn, is the hand's; 0 where there are
    too few of them to tell, or the line is steady.
    """
    half, n = TREMOR_REACH, len(z)
    if n < 8 * half:
        return 0.0
    basis, inverse = _polynomial(half)
    middles = np.arange(0, n, 6) if is_closed else np.arange(half, n - half, 6)
    at = middles[:, None] + np.arange(-half, half + 1)
    window = z[at % n]
    calm = _turns(z, 6, is_closed=is_closed)[at % n].max(axis=1) < math.radians(50)
    calm &= np.abs(np.angle((window[:, -1] - z[at[:, -6] % n]) / (window[:, 5] - window[:, 0]))) < 1
    if calm.mean() < 0.2:
        return 0.0
    window = window[calm]
    fit = window @ inverse.T
    heading = fit[:, 1] / np.maximum(np.abs(fit[:, 1]), 1e-12)
    off = (heading[:, None].conj() * (window - fit @ basis.T)).imag
    left = float(np.quantile(np.sqrt((off**2).mean(axis=1)), 0.3))
    # The polynomial takes a good part of a slow tremor with it.
    return 1.6 * left if left > STEADY else 0.0


# ------------------------------------------------------------------ corners


@dataclass(frozen=True, slots=True, eq=False)
class _Corners:
    """Corners of a contour.

    Attributes:
        index: the nearest point of each.
        place: where its sides meet.
        is_firm: True where it was put back onto the contour and stays there.
    """

    index: Ints
    place: Complexes
    is_firm: Bools

    def of(self, pick: Ints | Bools) -> _Corners:
        """Some of them."""
        return _Corners(self.index[pick], self.place[pick], self.is_firm[pick])


def _turns(z: Complexes, reach: int, *, is_closed: bool) -> Floats:
    """Turning (rad, unsigned) over `reach` points before and after each; 0 near open ends."""
    n = len(z)
    back, ahead = z - np.roll(z, reach), np.roll(z, -reach) - z
    turn = np.abs(np.angle(ahead * back.conj()))
    if not is_closed:
        turn[: min(n, reach)] = 0
        turn[max(0, n - reach) :] = 0
    return turn


def _peaks(turn: Floats, least: float, apart: int) -> Ints:
    """Local maxima of at least `least`, none with a larger value within `apart` points."""
    highest = turn.copy()
    for k in range(1, apart + 1):
        highest = np.maximum(highest, np.maximum(np.roll(turn, k), np.roll(turn, -k)))
    return np.flatnonzero((turn >= least) & (turn >= highest))


def _side_fits(z: Complexes, at: Ints, way: int, room: Ints, sight: _Sight) -> Complexes:
    """Parabolas through one side of each place, the blurred part left out.

    The longest stretch that a parabola follows within the noise counts. A weak spring on the
    bend keeps short stretches nearly straight, so that they can be extended.

    Returns:
        Coefficients (m, 3) of 1, s, s²; s counts points away from the place.
    """
    sigma, trim = sight.sigma, sight.trim
    noise = sigma * math.sqrt(_correlated(sigma))
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


def _find_corners(z: Complexes, sight: _Sight, *, is_closed: bool) -> _Corners:
    """Places where the drawing turns sharply, blur and noise taken into account."""
    n = len(z)
    none = _Corners(np.zeros(0, np.int64), np.zeros(0, np.complex128), np.zeros(0, bool))
    sigma, trim = sight.sigma, sight.trim
    reach = max(4, math.ceil((20 * sigma * math.sqrt(_correlated(sigma))) ** (2 / 3)))
    if n < 4 * reach:
        return none
    turn = _turns(z, reach, is_closed=is_closed)
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


def _accepted(z: Complexes, at: Ints, place: Complexes, jump: Floats, sight: _Sight) -> _Corners:
    """Of possible corners, those that blur explains; the sharper one of two close ones."""
    retreat = np.abs(place - z[at])
    half = np.maximum((math.pi - jump) / 2, 0.03)
    # Blur pulls an apex back until the wedge is about 1.44 blurs wide; where it is much wider,
    # the tip was drawn blunt or round. Pixels and noise add their own.
    limit = (0.72 * sight.blur + 0.45 + sight.sigma) / np.tan(half) + 0.3
    ok = (jump >= LEAST_CORNER_RAD) & (retreat <= limit)
    most = sight.most_retreat
    toward = (place - z[at]) / np.maximum(retreat, 1e-12)
    place = np.where(retreat > most, z[at] + toward * most, place)
    kept: list[int] = []
    for k in np.argsort(-jump, kind="stable"):
        if ok[k] and all(_apart(at[k], at[m], len(z)) >= 3 for m in kept):
            kept.append(int(k))
    return _Corners(at, place, np.zeros(len(at), bool)).of(np.array(sorted(kept), np.int64))


def _apart(i: int, j: int, n: int) -> int:
    gap = abs(int(i) - int(j))
    return min(gap, n - gap)


# ------------------------------------------------------------------ runs


def _split(z: Complexes, corners: _Corners, sight: _Sight, *, is_closed: bool) -> list[_Run]:
    """Runs from corner to corner, the blurred points beside corners left out."""
    n = len(z)
    if not len(corners.index):
        return [
            _Run(
                np.append(z, z[0]) if is_closed else z,
                sight.sigma,
                sight.tolerance,
                is_loop=is_closed,
                step=sight.step,
            )
        ]
    cuts = np.where(corners.is_firm, 1, sight.trim).tolist()
    stops = list(zip(corners.index.tolist(), corners.place.tolist(), cuts, strict=True))
    if is_closed:
        i, p, cut = stops[0]
        stops.append((i + n, p, cut))
    else:
        stops = [(0, complex(z[0]), 0), *stops, (n - 1, complex(z[-1]), 0)]
    runs = []
    for (i, p, cut), (j, q, cut_next) in itertools.pairwise(stops):
        share = min(1.0, (j - i) / (2 * (cut + cut_next) + 1))
        first, last = i + max(1, round(cut * share)), j - max(1, round(cut_next * share))
        inner = z[np.arange(first, last + 1) % n]
        track = np.concatenate([[p], inner, [q]])
        runs.append(_Run(track, sight.sigma, sight.tolerance, step=sight.step))
    firm = corners.is_firm if is_closed else [False, *corners.is_firm]
    return [replace(run, is_firm=bool(is_firm)) for run, is_firm in zip(runs, firm, strict=True)]


def _is_straight(z: Complexes, sigma: float, tolerance: float) -> bool:
    """True where points lie on one line as far as their noise tells."""
    if len(z) < 3:
        return True
    middle = z.mean()
    spread = z - middle
    axis = cmath.sqrt(complex((spread * spread).sum()))
    axis = axis / abs(axis) if abs(axis) > 1e-12 else 1 + 0j
    local = spread * axis.conjugate()
    off = local.imag
    rms = math.sqrt(float((off**2).mean()))
    if rms > 2 * sigma or float(np.abs(off).max()) > min(max(4.5 * sigma, 0.25), tolerance):
        return False
    if len(z) < 6:
        return True
    s = local.real / max(float(np.abs(local.real).max()), 1e-12)
    if float(np.ptp(local.real)) < 0.9 * float(np.abs(np.diff(z)).sum()):
        return False
    basis = np.stack([s**0, s, s**2, s**3], axis=1)
    rest = off - basis @ np.linalg.lstsq(basis, off, rcond=None)[0]
    gain = float((off**2).sum() - (rest**2).sum()) / (2 * _correlated(sigma) * sigma**2)
    return gain < LINE_GAIN


def _with_lines(runs: list[_Run], corners: _Corners, sight: _Sight) -> list[_Run]:
    """Straight runs marked, and corners between two of them moved to where the lines meet."""
    straight = [_is_straight(r.z[1:-1], r.sigma, sight.tolerance) for r in runs]
    moved = corners.place.copy()
    n = len(runs)
    for k in np.flatnonzero(~corners.is_firm).tolist():
        before, after = runs[k - 1], runs[k]
        if n > 1 and straight[k - 1] and straight[k] and min(len(before.z), len(after.z)) >= 6:
            meet = _crossing(before.z[1:-1], after.z[1:-1])
            if meet is not None and abs(meet - corners.place[k]) <= 1.0 + sight.blur:
                moved[k] = meet
    out = []
    for k, run in enumerate(runs):
        z = run.z.copy()
        z[0], z[-1] = moved[k], moved[(k + 1) % n]
        out.append(replace(run, z=z, is_line=straight[k]))
    return out


def _crossing(a: Complexes, b: Complexes) -> complex | None:
    """Where the lines through two sets of points cross; None if nearly parallel."""
    lines = []
    for z in (a, b):
        spread = z - z.mean()
        axis = cmath.sqrt(complex((spread * spread).sum()))
        lines.append((complex(z.mean()), axis / max(abs(axis), 1e-12)))
    (p, u), (q, v) = lines
    det = (u.conjugate() * v).imag
    if abs(det) < 0.2:
        return None
    return p + u * (((q - p).conjugate() * v).imag / det)


# ------------------------------------------------------------------ the shortest path


def _candidates(n: int, least_step: float) -> Ints:
    """Indices of possible breaks inside a run of n points, without its ends."""
    if n < 9:
        return np.zeros(0, np.int64)
    step = max(least_step, n / MOST_BREAKS)
    count = max(1, round((n - 1) / step) - 1)
    return np.rint(np.linspace(0, n - 1, count + 2)).astype(np.int64)[1:-1]


@dataclass(frozen=True, slots=True, eq=False)
class _Breaks:
    """Possible breaks of many runs, one after the other in arrays."""

    spot: Ints
    place: Complexes
    heading: Complexes
    free: Bools
    begin: Ints


def _gathered(runs: Sequence[_Run]) -> tuple[Complexes, _Breaks]:
    """All points of the runs in one array, and the possible breaks in them."""
    parts, spots, los, his, begin = [], [], [], [], [0]
    offset = 0
    for run in runs:
        n = len(run.z)
        pad = min(PAD, n - 2) if run.is_loop else 0
        z = run.z
        if pad:
            z = np.concatenate([z[-1 - pad : -1], z, z[1 : 1 + pad]])
        spot = offset + pad + np.concatenate([[0], _candidates(n, run.step), [n - 1]])
        parts.append(z)
        spots.append(spot)
        inset = 0 if run.is_loop else 1
        los.append(np.full(len(spot), offset + inset))
        his.append(np.full(len(spot), offset + len(z) - 1 - inset))
        begin.append(begin[-1] + len(spot))
        offset += len(z)
    z, spot = np.concatenate(parts), np.concatenate(spots)
    counts = np.diff(begin)
    sigma = np.repeat([run.sigma for run in runs], counts)
    place, heading = _local_fits(z, spot, np.concatenate(los), np.concatenate(his), sigma)
    free = np.zeros(len(spot), bool)
    for run, a, b in zip(runs, begin[:-1], np.array(begin[1:]) - 1, strict=True):
        if run.is_loop:
            place[b], heading[b] = place[a], heading[a]
            continue
        place[a], place[b] = run.z[0], run.z[-1]
        look = max(1, min(6, len(run.z) // 3))
        free[a], free[b] = run.d0 is None, run.d1 is None
        heading[a] = run.d0 if run.d0 is not None else _unit(run.z[look] - run.z[0])
        heading[b] = run.d1 if run.d1 is not None else _unit(run.z[-1] - run.z[-1 - look])
    return z, _Breaks(spot, place, heading, free, np.array(begin))


def _unit(v: complex) -> complex:
    return v / abs(v) if abs(v) > 1e-12 else 1 + 0j


def _fewest(runs: Sequence[_Run]) -> list[_Pieces]:
    """For each run the cubics that say most with least: one batched fit, one path a run."""
    z, breaks = _gathered(runs)
    along = _batch.steps(z)
    pairs_i, pairs_j, owner = [], [], []
    for k, a in enumerate(breaks.begin[:-1]):
        heading = breaks.heading[a : breaks.begin[k + 1]]
        turned = np.concatenate([[0.0], np.cumsum(np.abs(np.angle(heading[1:] / heading[:-1])))])
        i, j = _batch.spans(len(heading), turned)
        pairs_i.append(i)
        pairs_j.append(j)
        owner.append(np.full(len(i), k))
    start = breaks.begin[np.concatenate(owner)]
    i, j = np.concatenate(pairs_i) + start, np.concatenate(pairs_j) + start
    ends = Ends(
        breaks.place[i],
        breaks.place[j],
        breaks.heading[i],
        breaks.heading[j],
        breaks.free[i],
        breaks.free[j],
    )
    first, last, who = breaks.spot[i], breaks.spot[j], np.concatenate(owner)
    sigma = np.array([run.sigma for run in runs])
    scale = (2 * np.array([_correlated(s) for s in sigma]) * sigma**2)[who]
    penalty = np.array([run.penalty for run in runs])[who]
    tolerance = np.array([run.tolerance for run in runs])[who]
    # A quick look rules out most: a span that costs far more than its parts can't be on the way.
    _, squares, _ = _batch.fit_cubics(z, along, first, last, ends, n_rounds=1, n_samples=7)
    keep = (squares / scale < penalty * np.minimum(4.0, j - i)) | (j - i == 1)
    i, j, who, scale = i[keep], j[keep], who[keep], scale[keep]
    penalty, tolerance = penalty[keep], tolerance[keep]
    cubics, squares, worst = _batch.fit_cubics(z, along, first[keep], last[keep], ends.of(keep))
    # An overshoot weighs like the few points that would have shown it.
    over = _batch.overshoot(cubics, along[last[keep]] - along[first[keep]])
    squares += 6 * over**2
    cost = squares / scale + penalty
    cost += 300 * np.maximum(0.0, np.maximum(worst, over) / tolerance - 1)
    out = []
    bounds = np.searchsorted(who, np.arange(len(runs) + 1))
    for k, a in enumerate(breaks.begin[:-1]):
        part = slice(bounds[k], bounds[k + 1])
        n = int(breaks.begin[k + 1] - a)
        chosen = bounds[k] + _batch.cheapest(n, i[part] - a, j[part] - a, cost[part])
        way = np.append(i[chosen], j[chosen[-1]])
        out.append(_Pieces(cubics[chosen], breaks.spot[way] - breaks.spot[a]))
    return out


@dataclass(frozen=True, slots=True, eq=False)
class Known:
    """What has been found already: of a long ring few runs are tried again.

    Attributes:
        pieces: by the run's key.
        corners: by the contour's points and how it is seen.
    """

    pieces: dict[tuple[object, ...], _Pieces] = field(default_factory=dict)
    corners: dict[tuple[bytes, _Sight], _Corners] = field(default_factory=dict)


# ------------------------------------------------------------------ chains


@dataclass(frozen=True, slots=True, eq=False)
class _Fit:
    """A chain and the points it was fitted to.

    Attributes:
        q, piece: points and the piece each belongs to.
        first: index of each run's first piece, and one more.
    """

    chain: Chain
    q: Complexes
    piece: Ints
    t: Floats
    first: Ints


def _chain(
    runs: Sequence[_Run], pieces: Sequence[_Pieces], hold: Floats, *, is_closed: bool
) -> _Fit:
    """Runs and their cubics as one chain; corners are held by `hold`, open ends fixed."""
    cubics = np.concatenate([p.cubics for p in pieces])
    first = np.concatenate([[0], np.cumsum([len(p.cubics) for p in pieces])])
    is_line = np.repeat([run.is_line for run in runs], np.diff(first))
    n = len(cubics)
    out, into = cubics[:, 1] - cubics[:, 0], cubics[:, 3] - cubics[:, 2]
    m = n if is_closed else n + 1
    nodes = np.append(cubics[:, 0], cubics[-1, 3])[:m]
    leave, arrive = np.append(out, into[-1])[:m], np.roll(np.append(into, out[0])[:m], 1)
    if not is_closed:
        arrive[0] = out[0]
    smooth = np.ones(m, bool)
    smooth[first[:-1]] = [run.is_loop for run in runs]
    holds = np.zeros(m)
    holds[first[:-1]] = hold
    holds[smooth] = 0.0
    keeps_out, keeps_in = np.zeros(m, bool), np.zeros(m, bool)
    if not is_closed:
        smooth[-1] = False
        holds[[0, -1]] = np.inf
        keeps_out[0], keeps_in[-1] = runs[0].d0 is not None, runs[-1].d1 is not None
        keeps_in[0] = keeps_out[-1] = True
    h_out, h_in = np.abs(leave), np.abs(arrive)
    d_out, d_in = leave / np.maximum(h_out, 1e-12), arrive / np.maximum(h_in, 1e-12)
    chain = Chain(
        nodes,
        d_out,
        np.where(smooth, d_out, d_in),
        h_out,
        h_in,
        smooth,
        is_line,
        holds,
        keeps_out,
        keeps_in,
    )
    return _Fit(chain, *_assigned(runs, pieces, first), first)


def _assigned(
    runs: Sequence[_Run], pieces: Sequence[_Pieces], first: Ints
) -> tuple[Complexes, Ints, Floats]:
    """Every point of the runs (their ends left out), its piece and about where on it."""
    q, piece, t = [], [], []
    for run, own, start in zip(runs, pieces, first[:-1], strict=True):
        begin = 0 if run.is_loop else 1
        index = np.arange(begin, len(run.z) - 1)
        along = _batch.steps(run.z)
        k = np.searchsorted(own.breaks, index, side="right") - 1
        a, b = along[own.breaks[k]], along[own.breaks[k + 1]]
        q.append(run.z[index])
        piece.append(start + k)
        t.append((along[index] - a) / np.maximum(b - a, 1e-9))
    return np.concatenate(q), np.concatenate(piece), np.concatenate(t)


def _solved(runs: Sequence[_Run], known: Known, *, is_closed: bool, n_rounds: int = 3) -> _Fit:
    """Runs fitted with the fewest cubics and polished together."""
    _learn(runs, known)
    pieces = [_straight(run) if run.is_line else known.pieces[run.key()] for run in runs]
    sigma = float(np.median([run.sigma for run in runs]))
    soft = _correlated(sigma) * sigma**2 / 0.3**2
    hold = np.array([np.inf if run.is_firm else soft for run in runs])
    fit = _chain(runs, pieces, hold, is_closed=is_closed)
    if not len(fit.q):
        return fit
    chain = _batch.polished(fit.chain, fit.q, fit.piece, fit.t, n_rounds)
    return _Fit(chain, fit.q, fit.piece, fit.t, fit.first)


def _learn(runs: Sequence[_Run], known: Known) -> None:
    """Fit those runs that are not known yet, all at once."""
    new = {run.key(): run for run in runs if not run.is_line}
    new = {key: run for key, run in new.items() if key not in known.pieces}
    if new:
        known.pieces.update(zip(new, _fewest(list(new.values())), strict=True))


def _straight(run: _Run) -> _Pieces:
    a, b = run.z[0], run.z[-1]
    cubic = np.array([[a, a + (b - a) / 3, b - (b - a) / 3, b]])
    return _Pieces(cubic, np.array([0, len(run.z) - 1]))


def _gaps(fit: _Fit) -> tuple[Floats, Complexes]:
    """Largest distance of each run's points to its pieces, and the point that is so far off."""
    worst, place = np.zeros(len(fit.first) - 1), np.zeros(len(fit.first) - 1, np.complex128)
    if not len(fit.q):
        return worst, place
    cubics = fit.chain.cubics
    t = _batch.feet(cubics, fit.q, fit.piece, fit.t, 3)
    own = cubics[fit.piece]
    weights = _batch.bernstein(t)
    gap = np.abs(sum(weights[k] * own[:, k] for k in range(4)) - fit.q)
    run = np.searchsorted(fit.first, fit.piece, side="right") - 1
    rising = np.argsort(gap, kind="stable")  # of those put in one place, the last stays
    worst[run[rising]], place[run[rising]] = gap[rising], fit.q[rising]
    return worst, place


def _segments(fit: _Fit, kind: Kind) -> tuple[Line | Cubic, ...]:
    """The chain's pieces; neighbours share their ends to the last bit."""
    return _drawn(fit.chain.cubics, fit.chain.is_line, kind)


def _drawn(cubics: Complexes, is_line: Bools, kind: Kind) -> tuple[Line | Cubic, ...]:
    return tuple(
        Line(a, d, kind) if straight else Cubic(a, b, c, d, kind)
        for (a, b, c, d), straight in zip(cubics.tolist(), is_line.tolist(), strict=True)
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Try:
    """A fit of a whole contour.

    Attributes:
        gap: how far the farthest point is from it, those beside corners excepted.
        far: points that are farther from it than the tolerance, one a run.
    """

    path: Path
    gap: float
    far: tuple[complex, ...]


def _within(
    runs: list[_Run], tolerance: float, known: Known, *, is_closed: bool
) -> tuple[_Fit, Floats, Complexes]:
    """Runs fitted so that no point is farther than the tolerance, if splitting can do it.

    Only the runs at fault are fitted anew.

    Returns:
        The fit, how far the farthest point of each run is, and that point.
    """
    fit = _solved(runs, known, is_closed=is_closed)
    gaps, places = _gaps(fit)
    futile = 0
    for _ in range(4):
        if gaps.max() <= tolerance or futile == 2:
            break
        runs = [
            run.closer() if gap > tolerance else run for run, gap in zip(runs, gaps, strict=True)
        ]
        again = _solved(runs, known, is_closed=is_closed)
        gaps_again, places_again = _gaps(again)
        futile += 1
        if gaps_again.max() < gaps.max():
            fit, gaps, places, futile = again, gaps_again, places_again, 0
    return fit, gaps, places


# ------------------------------------------------------------------ the three doors


def _check(points: Points, least: int) -> Complexes:
    xy = np.asarray(points, np.float64)
    if xy.ndim != 2 or xy.shape[1] != 2:
        raise ValueError(f"expected points of shape (n, 2), not {xy.shape}")
    if len(xy) < least:
        raise ValueError(f"expected {least} points or more, not {len(xy)}")
    return np.asarray(to_complex(xy), np.complex128)


def fit_run(
    points: Points,
    *,
    sigma: float,
    tolerance: float,
    start_tangent: complex | None = None,
    end_tangent: complex | None = None,
    kind: Kind = Kind.ORGANIC,
    penalty: float | None = None,
) -> tuple[Line | Cubic, ...]:
    """The fewest cubics, smoothly joined, through an open run without corners.

    Args:
        points: (n, 2), about one unit apart (the first and last step may be longer), n >= 2.
        sigma: standard deviation of their noise.
        tolerance: farthest that a point may lie from the result.
        start_tangent: direction of travel at the start, length one; None: free.
        end_tangent: the same at the end.
        kind: put on every piece.
        penalty: what one more cubic costs; None: the house's.

    Returns:
        One piece or more. The first starts at the first point, the last ends at the last, to
        the bit; neighbours share end and direction; given directions are met. A run that is
        straight within its noise is one `Line`, unless a given direction forbids it.
    """
    z = _check(points, 2)
    sigma = max(sigma, LEAST_SIGMA)
    if len(z) == 2 and start_tangent is None and end_tangent is None:
        return (Line(complex(z[0]), complex(z[-1]), kind),)
    if len(z) < 4:
        z = _resampled_to(z, 4)
    chord = _unit(z[-1] - z[0])
    fits = all(d is None or abs(d - chord) < 1e-6 for d in (start_tangent, end_tangent))
    run = _Run(z, sigma, tolerance, start_tangent, end_tangent, penalty=penalty or PENALTY)
    if fits and _is_chord(z, sigma, tolerance):
        return (Line(complex(z[0]), complex(z[-1]), kind),)
    return _segments(_within([run], tolerance, Known(), is_closed=False)[0], kind)


def _resampled_to(z: Complexes, n: int) -> Complexes:
    along = _batch.steps(z)
    at = np.linspace(0, along[-1], n)
    out = np.interp(at, along, z.real) + 1j * np.interp(at, along, z.imag)
    out[0], out[-1] = z[0], z[-1]
    return np.asarray(out, np.complex128)


def _is_chord(z: Complexes, sigma: float, tolerance: float) -> bool:
    """True where the points lie on the straight line from the first to the last."""
    chord = z[-1] - z[0]
    if abs(chord) < 1e-9 or not _is_straight(z[1:-1], sigma, tolerance):
        return False
    off = ((z[1:-1] - z[0]) * chord.conjugate()).imag / abs(chord)
    rms = math.sqrt(float((off**2).mean()))
    # The ends carry noise of their own and tilt the chord, so it may be a little farther off.
    return rms <= 2.5 * sigma and float(np.abs(off).max()) <= min(tolerance, max(6 * sigma, 0.3))


def fit_closed(
    points: Points,
    *,
    sigma: float,
    tolerance: float,
    kind: Kind = Kind.ORGANIC,
    blur: float = 1.0,
    tight: Sequence[complex] = (),
    closeness: int = 0,
    known: Known | None = None,
) -> Path:
    """A closed path of the fewest cubics and lines through a ring, tips and corners kept.

    Args:
        points: (n, 2), about one unit apart, the first not repeated, n >= 3.
        sigma: standard deviation of their noise or tremor.
        tolerance: farthest that a point may lie from the result, the blurred points beside
            corners excepted.
        kind: put on every piece.
        blur: standard deviation of the picture's blur.
        tight: places where something else runs close by: corners there stay on the ring.
        closeness: how many times more closely than elsewhere the ring is followed there.
        known: what was `foreseen`, if anything; what is found on the way is added.

    Returns:
        A path in the same direction. It is smooth except at corners and never crosses itself.
    """
    ring = _check(points, 3)
    z = _resampled(ring, is_closed=True)
    sight = replace(
        _seen(z, sigma, tolerance, blur, is_closed=True),
        tight=tuple(tight),
        closeness=closeness,
    )
    known = known or Known()
    best: _Try | None = None
    for _ in range(4 if len(z) >= 16 else 0):
        one = _attempt(z, sight, kind, known, is_closed=True)
        is_simple = _tangle.is_simple(one.path, FINE)
        if is_simple and (best is None or one.gap < best.gap):
            best = one
            if one.gap <= tolerance:
                break
        sight = sight.closer_at(one.far if is_simple else _tangle.crossings(one.path).tolist())
    if best is not None and best.gap <= 2 * tolerance:
        return best.path
    return _plain(ring, tolerance, kind)


def _seen(z: Complexes, sigma: float, tolerance: float, blur: float, *, is_closed: bool) -> _Sight:
    """What is known of a contour: its noise is the larger of what was told and its tremor."""
    tremor = min(_tremor(z, is_closed=is_closed), tolerance / 2)
    return _Sight(max(sigma, tremor, LEAST_SIGMA), blur, tolerance)


@dataclass(frozen=True, slots=True, eq=False)
class Contour:
    """A line that `fit_closed` or `fit_open` will be asked for, as they are told of it."""

    points: Points
    sigma: float
    tolerance: float
    blur: float
    is_closed: bool


def foreseen(contours: Sequence[Contour]) -> Known:
    """What the first try at many contours needs, fitted in few large batches.

    The contours' own fits come out the same without it, but later.
    """
    known = Known()
    waiting: list[_Run] = []
    for contour in contours:
        is_closed = contour.is_closed
        z = _resampled(_check(contour.points, 2), is_closed=is_closed)
        if len(z) < (16 if is_closed else 5):
            continue
        sight = _seen(z, contour.sigma, contour.tolerance, contour.blur, is_closed=is_closed)
        corners = _corners(z, sight, known, is_closed=is_closed)
        waiting += _ready(z, corners, sight, is_closed=is_closed)[1]
        if sum(len(run.z) for run in waiting) > BATCH:
            _learn(waiting, known)
            waiting = []
    _learn(waiting, known)
    return known


def fit_open(
    points: Points,
    *,
    sigma: float,
    tolerance: float,
    kind: Kind = Kind.ORGANIC,
    blur: float = 1.0,
    known: Known | None = None,
) -> Path:
    """The same for an open line; it keeps its first and last point exactly.

    Args:
        points: (n, 2), about one unit apart, n >= 2.
        sigma: standard deviation of their noise or tremor.
        tolerance: farthest that a point may lie from the result, the blurred points beside
            corners excepted.
        kind: put on every piece.
        blur: standard deviation of the picture's blur.
        known: what was `foreseen`, if anything.
    """
    known = known or Known()
    line = _check(points, 2)
    z = _resampled(line, is_closed=False)
    if len(z) < 5:
        return Path((Line(complex(line[0]), complex(line[-1]), kind),), is_closed=False)
    sight = _seen(z, sigma, tolerance, blur, is_closed=False)
    one = _attempt(z, sight, kind, known, is_closed=False)
    if one.gap <= tolerance and (_tangle.is_simple(one.path) or not _is_simple_line(z)):
        return one.path
    other = _attempt(z, sight.closer().closer(), kind, known, is_closed=False)
    return one.path if other.gap > one.gap and _tangle.is_simple(one.path) else other.path


def _attempt(z: Complexes, sight: _Sight, kind: Kind, known: Known, *, is_closed: bool) -> _Try:
    """One fit of a resampled contour; corners that turn out wrong are put back or dropped."""
    corners = _corners(z, sight, known, is_closed=is_closed)
    for _ in range(MOST_MENDS):
        z, runs = _ready(z, corners, sight, is_closed=is_closed)
        fit, gaps, places = _within(runs, sight.tolerance, known, is_closed=is_closed)
        path = Path(_segments(fit, kind), is_closed)
        better = _mended(z, corners, fit, path)
        if better is None:
            break
        corners = better
    if is_closed and not _tangle.is_simple(path, FINE):
        path = _untangled(fit, kind)
    far = places[gaps > sight.tolerance]
    return _Try(path, float(gaps.max()), tuple(far.tolist()))


def _untangled(fit: _Fit, kind: Kind) -> Path:
    """The closed path of a fit, drawn apart where it crosses itself."""
    chain = fit.chain
    order = np.argsort(fit.piece, kind="stable")
    bounds = np.searchsorted(fit.piece[order], np.arange(1, len(chain.is_line)))
    points = np.split(fit.q[order], bounds)
    parts = zip(chain.cubics, points, chain.is_line.tolist(), strict=True)
    pieces = [_tangle.Piece(cubic, own, is_line) for cubic, own, is_line in parts]
    apart = _tangle.untangled(pieces, is_closed=True)
    cubics = np.stack([piece.cubic for piece in apart])
    cubics[:, 3] = np.roll(cubics[:, 0], -1)
    return Path(_drawn(cubics, np.array([piece.is_line for piece in apart]), kind), True)


def _corners(z: Complexes, sight: _Sight, known: Known, *, is_closed: bool) -> _Corners:
    key = (z.tobytes(), sight)
    if key not in known.corners:
        found = _find_corners(z, sight, is_closed=is_closed)
        known.corners[key] = _on_tight(z, found, sight)
    return known.corners[key]


def _ready(
    z: Complexes, corners: _Corners, sight: _Sight, *, is_closed: bool
) -> tuple[Complexes, list[_Run]]:
    """The contour, started where it is calm if it has no corner, and its runs, lines marked."""
    n = len(corners.index)
    if is_closed and not n:
        calm = int(np.argmin(_turns(z, min(8, len(z) // 4), is_closed=True)))
        z = np.roll(z, -calm)
    runs = _split(z, corners, sight, is_closed=is_closed)
    if is_closed and n:
        runs = _with_lines(runs, corners, sight)
    elif not is_closed:
        runs = _open_lines(runs, sight.tolerance)
    return z, [_closer_at_tight(run, sight) for run in runs]


def _on_tight(z: Complexes, corners: _Corners, sight: _Sight) -> _Corners:
    """The corners, those at tight places put back onto the contour."""
    is_firm = sight.is_tight(corners.place)
    return _Corners(corners.index, np.where(is_firm, z[corners.index], corners.place), is_firm)


def _closer_at_tight(run: _Run, sight: _Sight) -> _Run:
    if sight.closeness and sight.is_tight(run.z).any():
        for _ in range(sight.closeness):
            run = run.closer()
    return run


def _mended(z: Complexes, corners: _Corners, fit: _Fit, path: Path) -> _Corners | None:
    """Corners without those that are none, those beside a crossing put back; None: all well."""
    if not len(corners.index):
        return None
    node = fit.first[:-1] if path.is_closed else fit.first[1:-1]
    chain = fit.chain
    straight = chain.cubics[:, 3] - chain.cubics[:, 0]
    into = np.where(chain.is_line[node - 1], straight[node - 1], chain.d_in[node])
    out = np.where(chain.is_line[node], straight[node], chain.d_out[node])
    is_flat = np.abs(np.angle(out * into.conj())) < LEAST_CORNER_RAD - math.radians(3)
    if is_flat.any():
        return corners.of(~is_flat)
    if _tangle.is_simple(path):
        return None
    places = np.append(_tangle.crossings(path), path.start)  # it may touch itself there, too
    far = np.min(np.abs(corners.place[:, None] - places[None, :]), axis=1)
    at_fault = far < np.abs(corners.place - z[corners.index]) * 2 + 3
    if not at_fault.any():
        return None
    place = np.where(at_fault, z[corners.index], corners.place)
    put_back = _Corners(corners.index, place, corners.is_firm | at_fault)
    return put_back.of(~(at_fault & corners.is_firm))


def _open_lines(runs: list[_Run], tolerance: float) -> list[_Run]:
    return [replace(run, is_line=_is_chord(run.z, run.sigma, tolerance)) for run in runs]


# ------------------------------------------------------------------ proof


def _is_simple_line(z: Complexes) -> bool:
    import shapely

    return bool(shapely.LineString(to_points(z)).is_simple)


def _plain(ring: Complexes, tolerance: float, kind: Kind) -> Path:
    """Last resort: a smooth curve through the corners of a simplified ring (Ramer 1972)."""
    import cv2

    path = None
    for share in (0.5, 0.25, 0.1):
        xy = to_points(ring).astype(np.float32)
        few = cv2.approxPolyDP(xy, share * min(tolerance, 1.5), True)[:, 0].astype(np.float64)
        nodes = to_complex(few) if len(few) >= 3 else ring
        for pull in (1 / 6, 1 / 12, 1 / 40):
            path = _through(nodes, kind, pull)
            if _tangle.is_simple(path, FINE):
                return path
    return path if path is not None else _through(ring, kind, 1 / 40)


def _through(nodes: Complexes, kind: Kind, pull: float) -> Path:
    """A closed smooth path through nodes; handles are `pull` of the neighbours' distance."""
    heading = np.roll(nodes, -1) - np.roll(nodes, 1)
    heading /= np.maximum(np.abs(heading), 1e-12)
    reach = np.abs(np.roll(nodes, -1) - nodes) * pull * 2
    ends, out = np.roll(nodes, -1), np.roll(heading, -1)
    controls = zip(nodes, nodes + reach * heading, ends - reach * out, ends, strict=True)
    return Path(
        tuple(
            Cubic(complex(a), complex(b), complex(c), complex(d), kind) for a, b, c, d in controls
        ),
        is_closed=True,
    )


def deviation(path: Path, points: Points) -> float:
    """The largest distance between a path and the polyline through points, both ways.

    The polyline is closed if the path is.
    """
    flat, other = path.flat(1e-3), np.asarray(points, np.float64)
    there = _distances(other, flat, is_closed=path.is_closed)
    step = _dense(flat, is_closed=path.is_closed)
    back = _distances(step, other, is_closed=path.is_closed)
    return float(max(there.max(), back.max()))


def _dense(line: npt.NDArray[np.float64], *, is_closed: bool) -> Points:
    """A polyline with a vertex at least every half unit."""
    whole = np.concatenate([line, line[:1]]) if is_closed else line
    gaps = np.maximum(1, np.ceil(np.hypot(*np.diff(whole, axis=0).T) / 0.5)).astype(np.int64)
    k = np.repeat(np.arange(len(gaps)), gaps)
    share = (np.arange(len(k)) - np.repeat(np.cumsum(gaps) - gaps, gaps)) / gaps[k]
    out = whole[k] + share[:, None] * (whole[k + 1] - whole[k])
    return out if is_closed else np.concatenate([out, whole[-1:]])


def _distances(points: Points, line: Points, *, is_closed: bool) -> Floats:
    """Distance of each point to a polyline: nearest of its dense vertices, then their pieces."""
    from scipy.spatial import cKDTree

    dense = to_complex(_dense(line, is_closed=is_closed))
    near = cKDTree(to_points(dense)).query(points)[1]
    z = to_complex(points)
    best = np.abs(dense[near] - z)
    n = len(dense)
    for step in (-1, 1):
        other = (near + step) % n if is_closed else np.clip(near + step, 0, n - 1)
        along = dense[other] - dense[near]
        size = np.maximum(np.abs(along) ** 2, 1e-18)
        t = np.clip((along.conj() * (z - dense[near])).real / size, 0, 1)
        best = np.minimum(best, np.abs(dense[near] + t * along - z))
    return np.asarray(best, np.float64)
