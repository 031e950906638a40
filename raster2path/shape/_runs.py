"""Runs from corner to corner, and the fewest cubics through each of them.

A shortest path over candidate cubics weighs closeness, measured in the contour's own noise, against
the number of pieces (Rissanen 1978, Modeling by shortest data description,
doi 10.1016/0005-1098(78)90005-5). Many runs are fitted at once.
"""

from __future__ import annotations

import cmath
import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from raster2path.geometry import Complexes, unit
from raster2path.shape import _cubics
from raster2path.shape._corners import Corners
from raster2path.shape._cubics import Bools, Ends, Floats, Ints
from raster2path.shape._sight import Sight, correlated, polynomial

PENALTY = 25.0
"""What one more cubic costs, in half squared deviations. Measured: 20 to 200 do."""

LINE_GAIN = 10.0
"""A straight run stays one line unless bending it gains more than this."""

BATCH = 1000
"""Points fitted at once; 2000 took a quarter longer: they no longer fit into fast memory."""

MOST_BREAKS = 100
PAD = 48
"""Points that a closed run without corners repeats at its ends, for fits across its start."""


@dataclass(frozen=True, slots=True, eq=False)
class Run:
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

    def closer(self) -> Run:
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
class Pieces:
    """The cubics of one run, and the index in it of each break (one more than cubics)."""

    cubics: Complexes
    breaks: Ints


def split(z: Complexes, corners: Corners, sight: Sight, *, is_closed: bool) -> list[Run]:
    """Runs from corner to corner, the blurred points beside corners left out."""
    n = len(z)
    if not len(corners.index):
        return [
            Run(
                np.append(z, z[0]) if is_closed else z,
                sight.run_sigma,
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
        runs.append(Run(track, sight.run_sigma, sight.tolerance, step=sight.step))
    firm = corners.is_firm if is_closed else [False, *corners.is_firm]
    return [replace(run, is_firm=bool(is_firm)) for run, is_firm in zip(runs, firm, strict=True)]


def is_straight(z: Complexes, sigma: float, tolerance: float) -> bool:
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
    gain = float((off**2).sum() - (rest**2).sum()) / (2 * correlated(sigma) * sigma**2)
    return gain < LINE_GAIN


def with_lines(runs: list[Run], corners: Corners, sight: Sight) -> list[Run]:
    """Straight runs marked, and corners between two of them moved to where the lines meet."""
    straight = [is_straight(r.z[1:-1], r.sigma, sight.tolerance) for r in runs]
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
        basis, inverse = polynomial(half)
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


def _gathered(runs: Sequence[Run]) -> tuple[Complexes, _Breaks]:
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
        heading[a] = run.d0 if run.d0 is not None else unit(run.z[look] - run.z[0])
        heading[b] = run.d1 if run.d1 is not None else unit(run.z[-1] - run.z[-1 - look])
    return z, _Breaks(spot, place, heading, free, np.array(begin))


def _fewest(runs: Sequence[Run]) -> list[Pieces]:
    """For each run the cubics that say most with least: one batched fit, one path a run."""
    z, breaks = _gathered(runs)
    along = _cubics.steps(z)
    pairs_i, pairs_j, owner = [], [], []
    for k, a in enumerate(breaks.begin[:-1]):
        heading = breaks.heading[a : breaks.begin[k + 1]]
        turned = np.concatenate(
            [[0.0], np.cumsum(np.abs(np.angle(heading[1:] * heading[:-1].conj())))]
        )
        i, j = _cubics.spans(len(heading), turned)
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
    scale = (2 * np.array([correlated(s) for s in sigma]) * sigma**2)[who]
    penalty = np.array([run.penalty for run in runs])[who]
    tolerance = np.array([run.tolerance for run in runs])[who]
    # A quick look rules out most: a span that costs far more than its parts can't be on the way.
    _, squares, _ = _cubics.fit_cubics(z, along, first, last, ends, n_rounds=1, n_samples=7)
    keep = (squares / scale < penalty * np.minimum(4.0, j - i)) | (j - i == 1)
    i, j, who, scale = i[keep], j[keep], who[keep], scale[keep]
    penalty, tolerance = penalty[keep], tolerance[keep]
    cubics, squares, worst = _cubics.fit_cubics(z, along, first[keep], last[keep], ends.of(keep))
    # An overshoot weighs like the few points that would have shown it.
    over = _cubics.overshoot(cubics, along[last[keep]] - along[first[keep]])
    squares += 6 * over**2
    cost = squares / scale + penalty
    cost += 300 * np.maximum(0.0, np.maximum(worst, over) / tolerance - 1)
    out = []
    bounds = np.searchsorted(who, np.arange(len(runs) + 1))
    for k, a in enumerate(breaks.begin[:-1]):
        part = slice(bounds[k], bounds[k + 1])
        n = int(breaks.begin[k + 1] - a)
        chosen = bounds[k] + _cubics.cheapest(n, i[part] - a, j[part] - a, cost[part])
        way = np.append(i[chosen], j[chosen[-1]])
        out.append(Pieces(cubics[chosen], breaks.spot[way] - breaks.spot[a]))
    return out


@dataclass(frozen=True, slots=True, eq=False)
class Known:
    """What has been found already: of a long ring few runs are tried again.

    Attributes:
        pieces: by the run's key.
        corners: by the contour's points and how it is seen.
    """

    pieces: dict[tuple[object, ...], Pieces] = field(default_factory=dict)
    corners: dict[tuple[bytes, Sight], Corners] = field(default_factory=dict)


def learn(runs: Sequence[Run], known: Known) -> None:
    """Fit those runs that are not known yet, many at once."""
    new = {run.key(): run for run in runs if not run.is_line}
    waiting = [(key, run) for key, run in new.items() if key not in known.pieces]
    size = np.cumsum([len(run.z) for _, run in waiting])
    cuts = np.flatnonzero(np.diff(size // BATCH)) + 1
    for a, b in itertools.pairwise([0, *cuts.tolist(), len(waiting)]):
        if b > a:
            found = _fewest([run for _, run in waiting[a:b]])
            known.pieces.update(zip((key for key, _ in waiting[a:b]), found, strict=True))
