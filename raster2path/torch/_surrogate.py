"""A quick stand-in for the simulation: what each cut does to each later one, by the time between.

Heat as cosine waves on a whole sheet, each fading by itself, so that all is a sum over pairs of
cuts, looked up in tables. What it leaves out (cuts that keep heat on one side, drops that take
theirs along) only the simulation knows: it has the last word.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from raster2path.geometry import to_points
from raster2path.model import CutType
from raster2path.torch._buckling import N_SHAPES
from raster2path.torch._heat import Bools, Floats, Ints
from raster2path.torch._schedule import CARRY_MM_S, FLAT_MM, MOVE_S, Work

Complex64 = npt.NDArray[np.complex64]
Singles = npt.NDArray[np.float32]

N_LONG, N_SHORT = 12, 9
N_LEFT = 6
"""Numbers that stand for what a sheet still goes through after its last cut."""

MOST_WAITED_S = 600.0

N_SEEN = 10
"""Numbers that stand for the stress at one moment."""

SAMPLE_MM = 10.0
NEAR_MM = 80.0
LAG_LEAST_S, LAGS_A_DOUBLING = 6.0, 6
"""Lags between cuts are told apart so finely: by the second at first, then by eighths."""

NORM = 6
"""Of the warmth of all starts: the higher, the more the warmest counts."""

DROP_SHARE = 0.5
"""Of the heat of an opening's cut, this much stays; the rest falls out with the drop."""


@dataclass(frozen=True, slots=True, eq=False)
class Surrogate:
    """Tables for all cuts of a plan.

    Attributes:
        pair: (cuts, cuts, lags) for an earlier and a later cut: real, what both together add to
            the bow (stress squared, over all time to come); imaginary, how much warmer the
            earlier one makes the later one's start, in kelvin.
        own: what each cut adds to the bow by itself.
        left: (cuts, lags, N_LEFT): the square of their sum is the bow after the last cut.
        stress: (cuts, lags, N_SEEN): the length of their sum is the stress at one moment.
        lag_of: number of the lag by whole seconds from a cut's end to another's.
        gap_s: (cuts, cuts) from the end of one to the start of another.
        carry_mm: (cuts, cuts) the way of the torch.
        takes_s: time of each cut.
        is_last: borders.
    """

    pair: Complex64
    own: Floats
    left: Singles
    stress: Singles
    lag_of: Ints
    gap_s: Floats
    carry_mm: Floats
    takes_s: Floats
    is_last: Bools


@dataclass(frozen=True, slots=True, eq=False)
class _Waves:
    """Cosine waves over a sheet: what each cut gives to them, and what they do."""

    given: Floats
    seen: Floats
    fade: Floats
    gain: Floats
    """Stress on the bending shapes; its length (Frobenius) ranks orders as the ratio does."""


def surrogate_of(work: Work) -> Surrogate:
    """The tables for a plan's cuts."""
    sources = [_source(work, k) for k in range(len(work.starts))]
    waves = _waves(work, sources)
    gap_mm = np.abs(work.starts - work.ends[:, None])
    gap_s = MOVE_S + gap_mm / CARRY_MM_S
    longest_s = float((work.takes_s + gap_s.max(axis=0, initial=0.0)).sum())
    lags, lag_of = _lags(longest_s + MOST_WAITED_S)
    fade, given = waves.fade, waves.given
    # stress squared over all time to come: waves w and v fade together, at the sum of their rates
    both = waves.gain @ waves.gain.T / (fade[:, None] + fade)
    old = given * np.exp(-np.outer(lags, fade))[:, None, :]  # (lags, cuts, waves)
    bow = old @ (np.exp(-np.outer(work.takes_s, fade)) * (given @ both)).T
    warm = old @ waves.seen.T + _excess(work, sources, waves, lags, old)
    pair = np.ascontiguousarray((2 * bow + 1j * warm).transpose(1, 2, 0), np.complex64)
    value, vector = np.linalg.eigh(both)
    strong = vector[:, -N_LEFT:] * np.sqrt(np.maximum(value[-N_LEFT:], 0))
    stirred = np.sqrt(np.square(given).mean(axis=0))[:, None] + 1e-12
    few = np.linalg.eigh((waves.gain * stirred).T @ (waves.gain * stirred))[1][:, -N_SEEN:]
    return Surrogate(
        pair,
        np.einsum("cw,wv,cv->c", given, both, given, optimize=True),
        np.ascontiguousarray((old @ strong).transpose(1, 0, 2), np.float32),
        np.ascontiguousarray((old @ (waves.gain @ few)).transpose(1, 0, 2), np.float32),
        lag_of,
        gap_s,
        gap_mm,
        work.takes_s,
        work.is_last,
    )


def _lags(longest_s: float) -> tuple[Floats, Ints]:
    """Lags that are told apart, and the number of the one that each whole second belongs to."""
    seconds = np.arange(int(longest_s) + 2) + 0.5
    number = np.rint(LAGS_A_DOUBLING * np.log2(1 + seconds / LAG_LEAST_S)).astype(np.int64)
    lag_of = np.unique(number, return_inverse=True)[1].astype(np.int64)
    return np.bincount(lag_of, seconds) / np.bincount(lag_of), lag_of


Source = tuple[Floats, Floats, float]
"""Points along a cut, how long before its end each is cut, and each one's heat over ρcd."""


def _source(work: Work, k: int) -> Source:
    cut = work.plan.cuts[k]
    points = to_points([cut.pierce_mm]) if cut.path is None else cut.path.flat(FLAT_MM)
    ring = np.vstack([points, points[:1]]) if cut.path and cut.path.is_closed else points
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(ring, axis=0).T))])
    n = max(1, math.ceil(along[-1] / SAMPLE_MM))
    share = (np.arange(n) + 0.5) / n
    at = share * along[-1]
    here = np.column_stack([np.interp(at, along, ring[:, 0]), np.interp(at, along, ring[:, 1])])
    heat = float(work.tracks[k].heat_j.sum()) / n / work.steel.store_j_mm2k
    return here, work.tail_s[k] + work.path_s[k] * (1 - share), heat


def _waves(work: Work, sources: list[Source]) -> _Waves:
    """What each cut gives to the waves by its end, and what they do to starts and to shapes."""
    grid, steel = work.grid, work.steel
    wide, high = grid.size_mm
    nx, ny = (N_LONG, N_SHORT) if wide >= high else (N_SHORT, N_LONG)
    kx, ky = np.arange(nx) * math.pi / wide, np.arange(ny) * math.pi / high
    fade = (ky[:, None] ** 2 + kx**2).ravel() * steel.alpha_mm2_s + steel.fade_per_s
    weight = np.outer(np.where(ky > 0, 2, 1), np.where(kx > 0, 2, 1)).ravel() / (wide * high)

    def at(x: Floats, y: Floats) -> Floats:
        across = np.cos(np.outer(x - grid.left_mm, kx))
        down = np.cos(np.outer(y - grid.top_mm, ky))
        return np.asarray((down[:, :, None] * across[:, None, :]).reshape(len(x), -1), np.float64)

    count = np.array([len(points) for points, _, _ in sources], np.int64)
    is_drop = [cut.type is CutType.OPENING for cut in work.plan.cuts]
    share = np.where(is_drop, DROP_SHARE, 1.0) * [heat for _, _, heat in sources]
    here = at(*np.vstack([points for points, _, _ in sources]).T)
    here *= np.exp(-np.outer(np.concatenate([old_s for _, old_s, _ in sources]), fade))
    first = np.cumsum(count) - count
    given = np.add.reduceat(here, first, axis=0) * share[:, None] * weight
    return _Waves(given, at(work.starts.real, work.starts.imag), fade, _gain(work, kx, ky))


def _gain(work: Work, kx: npt.NDArray[np.floating], ky: npt.NDArray[np.floating]) -> Floats:
    """(waves, pairs of shapes): what each wave does to the bending shapes that are seen."""
    rows, cols = work.plate.shape
    wide, high = work.grid.size_mm
    across = np.cos(np.outer(kx, (np.arange(cols) + 0.5) / cols * wide))
    down = np.cos(np.outer(ky, (np.arange(rows) + 0.5) / rows * high))
    gain = work.plate.gain.reshape(N_SHAPES**2, rows, cols)
    each = np.einsum("grc,yr,xc->yxg", gain, down, across, optimize=True)
    return np.asarray(each.reshape(len(kx) * len(ky), N_SHAPES**2), np.float64)


def _excess(work: Work, sources: list[Source], waves: _Waves, lags: Floats, old: Floats) -> Floats:
    """(lags, cuts, cuts) how much warmer a start beside a cut is than the smooth waves say."""
    steel = work.steel
    out = np.zeros((len(lags), len(sources), len(sources)))
    starts = to_points(work.starts)
    damp = np.exp(-steel.fade_per_s * lags)
    for i, (points, old_s, heat) in enumerate(sources):
        if work.is_last[i]:
            continue
        away = np.square(points[:, None] - starts).sum(axis=2)  # (points, cuts)
        near = np.flatnonzero(away.min(axis=0) < NEAR_MM**2)
        near = near[near != i]
        spread = 4 * steel.alpha_mm2_s * (old_s[:, None] + lags)  # (points, lags)
        grown = np.exp(-away[:, near, None] / spread[:, None]) / (math.pi * spread[:, None])
        direct = heat * grown.sum(axis=0).T * damp[:, None]
        out[:, i, near] = np.maximum(direct - old[:, i] @ waves.seen[near].T, 0)
    return out


@dataclass(frozen=True, slots=True, eq=False)
class Told:
    """What the stand-in tells of several orders.

    Attributes:
        bow: mean stress while the art is cut.
        last: stress when the border, or the last cut where there is none, is done.
        preheat: norm of how warm the cuts' starts are.
        carry_mm: the torch through the air.
        begins_s: (orders, cuts) when each cut begins.
    """

    bow: Floats
    last: Floats
    preheat: Floats
    carry_mm: Floats
    begins_s: Floats


@lru_cache(maxsize=8)
def _pairs_of(n: int) -> tuple[Ints, Ints]:
    """All pairs of a later and an earlier place, by the later one."""
    q, p = np.tril_indices(n, -1)
    return np.asarray(q, np.int64), np.asarray(p, np.int64)


def follow(sur: Surrogate, orders: Ints, waits_s: Floats | None = None) -> Told:
    """What several orders (n, cuts) do, side by side, with the same pauses at the same places.

    Pauses are no longer than `MOST_WAITED_S` in all.
    """
    n_orders, n = orders.shape
    first, then = orders[:, :-1], orders[:, 1:]
    ends = np.cumsum(sur.takes_s[orders], axis=1)
    ends[:, 1:] += np.cumsum(sur.gap_s[first, then], axis=1)
    if waits_s is not None:
        ends += np.cumsum(waits_s)
    begins = ends - sur.takes_s[orders]
    q, p = _pairs_of(n)
    # single precision is enough for lags in whole seconds, and twice as fast
    lag = begins.astype(np.float32).take(q, axis=1)
    lag -= ends.astype(np.float32).take(p, axis=1)
    n_lags = sur.pair.shape[2]
    at = (orders * (n * n_lags)).take(p, axis=1)
    at += (orders * n_lags).take(q, axis=1)
    at += sur.lag_of.take(lag.astype(np.int32))
    pairs = sur.pair.reshape(-1).take(at)
    warm = np.zeros((n_orders, n))
    if n > 1:
        later = np.arange(1, n)
        warm[:, 1:] = np.add.reduceat(pairs.imag, later * (later - 1) // 2, axis=1)
    m = n - int(sur.is_last.sum())
    bow = pairs.real[:, : m * (m - 1) // 2].sum(axis=1, dtype=np.float64)
    bow += sur.own[orders[:, :m]].sum(axis=1)
    if m:
        since = sur.lag_of[(ends[:, m - 1 : m] - ends[:, :m]).astype(np.int64)]
        bow -= np.square(sur.left[orders[:, :m], since].sum(axis=1)).sum(axis=1)
    since = sur.lag_of[(ends[:, -1:] - ends).astype(np.int64)]
    last = sur.stress[orders, since].sum(axis=1)
    return Told(
        np.sqrt(np.maximum(bow, 0) / np.maximum(ends[:, m - 1], 1e-9)),
        np.sqrt(np.square(last).sum(axis=1)).astype(np.float64),
        np.mean(np.maximum(warm, 0) ** NORM, axis=1) ** (1 / NORM),
        sur.carry_mm[first, then].sum(axis=1),
        begins,
    )
