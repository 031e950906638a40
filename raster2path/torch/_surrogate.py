"""A quick stand-in for the simulation: heat as cosine waves on a whole sheet, linear in the cuts.

Each wave fades by itself, so that many orders are followed side by side. What it leaves out (cuts
that keep heat on one side, drops that take theirs along) only the simulation knows: it has the
last word.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from raster2path.geometry import to_points
from raster2path.model import CutType
from raster2path.torch._buckling import N_SHAPES
from raster2path.torch._heat import Floats, Ints
from raster2path.torch._schedule import CARRY_MM_S, FLAT_MM, MOVE_S, Work

Singles = npt.NDArray[np.float32]
Waves = Callable[[Floats, Floats], Floats]

N_LONG, N_SHORT = 12, 9
N_SHAPES_SEEN = 5
"""So many bending shapes: their stress's length (Frobenius) ranks orders best, ten rank worse."""

N_SEEN = 16
"""Numbers that stand for that stress; more change nothing."""

GAP_STEP_S = 0.1
SAMPLE_MM = 10.0

NEAR_MM, MOST_NEAR = 80.0, 6
LAGS_S = 128
"""What waves are too smooth for: a start beside one of so many cuts so near, so long after it."""

DROP_SHARE = 0.5
"""Of the heat of an opening's cut, this much stays; the rest falls out with the drop."""


@dataclass(frozen=True, slots=True, eq=False)
class Surrogate:
    """Tables for all cuts of a plan; waves are the last axis.

    Attributes:
        given: what each cut adds by its end.
        seen: value of each wave where each cut starts.
        fades: what is left of each wave after each cut's time.
        gap_fades: the same after so many steps of `GAP_STEP_S` beyond `MOVE_S`.
        gain: (waves, N_SEEN): the length of state @ gain is the stress on the bending shapes.
        whole: (waves, shapes²): that stress itself.
        gap_index: (cuts, cuts) which row of `gap_fades` the way from one to the next takes.
        carry_mm: (cuts, cuts) that way.
        takes_s: time of each cut.
        is_last: borders.
        near: (pairs, 2) a cut, and one that starts close beside it.
        near_k: (pairs, LAGS_S) how much warmer it is there than the waves say, by seconds since.
    """

    given: Singles
    seen: Singles
    fades: Singles
    gap_fades: Singles
    gain: Singles
    whole: Singles
    gap_index: Ints
    carry_mm: Floats
    takes_s: Floats
    is_last: npt.NDArray[np.bool_]
    near: Ints
    near_k: Singles


def surrogate_of(work: Work) -> Surrogate:
    """The tables for a plan's cuts."""
    grid, steel = work.grid, work.steel
    wide, high = grid.size_mm
    nx, ny = (N_LONG, N_SHORT) if wide >= high else (N_SHORT, N_LONG)
    kx, ky = np.arange(nx) * math.pi / wide, np.arange(ny) * math.pi / high
    fade = (ky[:, None] ** 2 + kx**2).ravel() * steel.alpha_mm2_s + steel.fade_per_s
    weight = np.outer(np.where(ky > 0, 2, 1), np.where(kx > 0, 2, 1)).ravel() / (wide * high)

    def waves(x: Floats, y: Floats) -> Floats:
        across = np.cos(np.outer(x - grid.left_mm, kx))
        down = np.cos(np.outer(y - grid.top_mm, ky))
        return np.asarray((down[:, :, None] * across[:, None, :]).reshape(len(x), -1), np.float64)

    sources = [_source(work, k) for k in range(len(work.starts))]
    given = np.zeros((len(work.starts), nx * ny))
    for k, (points, old_s, heat) in enumerate(sources):
        share = DROP_SHARE if work.plan.cuts[k].type is CutType.OPENING else 1.0
        here = waves(*points.T) * np.exp(-np.outer(old_s, fade))
        given[k] = share * heat * weight * here.sum(axis=0)
    seen = waves(work.starts.real, work.starts.imag)
    near = _near(work, sources)
    near_k = _excess(work, sources, near, (given, seen, fade))
    whole = _whole(work, waves)
    gap_mm = np.abs(work.starts - work.ends[:, None])
    index = np.rint(gap_mm / CARRY_MM_S / GAP_STEP_S).astype(np.int64)
    gaps_s = MOVE_S + GAP_STEP_S * np.arange(int(index.max(initial=0)) + 1)
    return Surrogate(
        given.astype(np.float32),
        seen.astype(np.float32),
        np.exp(-np.outer(work.takes_s, fade)).astype(np.float32),
        np.exp(-np.outer(gaps_s, fade)).astype(np.float32),
        _gain(whole, given).astype(np.float32),
        whole.astype(np.float32),
        index,
        gap_mm,
        work.takes_s,
        work.is_last,
        near,
        near_k.astype(np.float32),
    )


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


def _near(work: Work, sources: list[Source]) -> Ints:
    """For each cut those few whose heat its start feels most directly."""
    from scipy.spatial import cKDTree

    owner = np.repeat(np.arange(len(sources)), [len(points) for points, _, _ in sources])
    tree = cKDTree(np.vstack([points for points, _, _ in sources]))
    pairs = list[tuple[int, int]]()
    for k, start in enumerate(to_points(work.starts)):
        away, who = tree.query(start, k=min(len(owner), 40), distance_upper_bound=NEAR_MM)
        found = np.atleast_1d(who)[np.isfinite(np.atleast_1d(away))]
        others = dict.fromkeys(i for i in owner[found].tolist() if i != k)
        pairs += [(i, k) for i in list(others)[:MOST_NEAR]]
    return np.array(pairs, np.int64).reshape(-1, 2)


def _excess(
    work: Work, sources: list[Source], near: Ints, waves: tuple[Floats, Floats, Floats]
) -> Floats:
    """How much warmer than the waves say a line source makes a start beside it, by the second."""
    steel = work.steel
    given, seen, fade = waves
    lags = np.arange(LAGS_S) + 0.5
    later = np.exp(-np.outer(fade, lags))
    out = np.zeros((len(near), LAGS_S))
    starts = to_points(work.starts)
    for row, (i, k) in enumerate(near.tolist()):
        points, old_s, heat = sources[i]
        spread = 4 * steel.alpha_mm2_s * (old_s[:, None] + lags)
        away = np.square(points - starts[k]).sum(axis=1)[:, None]
        grown = heat * np.exp(-away / spread) / (math.pi * spread)
        direct = grown.sum(axis=0) * np.exp(-steel.fade_per_s * lags)
        out[row] = np.maximum(direct - (given[i] * seen[k]) @ later, 0)
    return out


def _whole(work: Work, waves: Waves) -> Floats:
    """What each wave does to the bending shapes."""
    rows, cols = work.plate.shape
    wide, high = work.grid.size_mm
    x = work.grid.left_mm + (np.arange(cols) + 0.5) / cols * wide
    y = work.grid.top_mm + (np.arange(rows) + 0.5) / rows * high
    mesh_y, mesh_x = (part.ravel() for part in np.meshgrid(y, x, indexing="ij"))
    return np.asarray((work.plate.gain @ waves(mesh_x, mesh_y)).T, np.float64)


def _gain(whole: Floats, given: Floats) -> Floats:
    """The few combinations of waves that make up most of it, by what the cuts can stir."""
    few = whole.reshape(-1, N_SHAPES, N_SHAPES)[:, :N_SHAPES_SEEN, :N_SHAPES_SEEN]
    few = few.reshape(len(whole), -1)
    strong = np.sqrt((given**2).mean(axis=0)) + 1e-12
    left = np.linalg.svd((few * strong[:, None]).T, full_matrices=False)[0][:, :N_SEEN]
    return np.asarray(few @ left, np.float64)


@dataclass(frozen=True, slots=True, eq=False)
class Told:
    """What the stand-in tells of several orders.

    Attributes:
        bow: mean stress while the art is cut.
        peak: the largest one.
        preheat: 4-norm of how warm the cuts' starts are; hottest: the largest.
        carry_mm: the torch through the air.
        begins_s: (orders, cuts) when each cut begins.
    """

    bow: Floats
    peak: Floats
    preheat: Floats
    hottest: Floats
    carry_mm: Floats
    begins_s: Floats


def follow(sur: Surrogate, orders: Ints, *, is_exact: bool = False) -> Told:
    """What several orders (n, cuts) do, side by side.

    Args:
        sur: the tables.
        orders: permutations of the cuts.
        is_exact: stress by the buckling ratio itself, at several times the cost.
    """
    n_orders, n = orders.shape
    n_waves = sur.given.shape[1]
    states = np.empty((2 * n, n_orders, n_waves), np.float32)
    warm = np.zeros((n, n_orders), np.float32)
    rows = sur.gap_index[orders[:, :-1], orders[:, 1:]]
    state = np.zeros((n_orders, n_waves), np.float32)
    for k in range(n):
        cut = orders[:, k]
        begin, end = states[2 * k], states[2 * k + 1]
        if k:
            np.multiply(state, sur.gap_fades[rows[:, k - 1]], out=begin)
        else:
            begin[:] = 0
        warm[k] = np.einsum("cw,cw->c", begin, sur.seen[cut])
        np.multiply(begin, sur.fades[cut], out=end)
        end += sur.given[cut]
        state = end
    # one small product after the other: a large one would wake threads that cost more than they do
    if is_exact:
        shapes = (states @ sur.whole).reshape(2 * n, n_orders, N_SHAPES, N_SHAPES)
        stress = np.square(np.maximum(np.linalg.eigvalsh(shapes)[..., -1], 0))
    else:
        stress = np.square(states @ sur.gain).sum(axis=2)
    cuts_s = sur.takes_s[orders]
    gaps_s = MOVE_S + GAP_STEP_S * rows
    art = ~sur.is_last[orders]
    within = ((stress[0::2] + stress[1::2]).T / 2 * cuts_s * art).sum(axis=1)
    between = ((stress[1:-1:2] + stress[2::2]).T / 2 * gaps_s * art[:, 1:]).sum(axis=1)
    span = (cuts_s * art).sum(axis=1) + (gaps_s * art[:, 1:]).sum(axis=1)
    begins = np.zeros(orders.shape)
    begins[:, 1:] = np.cumsum(cuts_s[:, :-1] + gaps_s, axis=1)
    at_start = np.maximum(warm.T, 0) + _beside(sur, orders, begins)
    return Told(
        np.sqrt((within + between) / np.maximum(span, 1e-9)),
        np.sqrt(stress.max(axis=0)).astype(np.float64),
        np.mean(at_start**4, axis=1) ** 0.25,
        at_start.max(axis=1),
        sur.carry_mm[orders[:, :-1], orders[:, 1:]].sum(axis=1),
        begins,
    )


def _beside(sur: Surrogate, orders: Ints, begins: Floats) -> Floats:
    """How much warmer each start is for the cuts just beside it (orders, cuts)."""
    out = np.zeros(orders.shape)
    if not len(sur.near):
        return out
    place = np.argsort(orders, axis=1)
    i, k = sur.near.T
    began = np.take_along_axis(begins, place, axis=1)
    lag = (began[:, k] - began[:, i] - sur.takes_s[i]).astype(np.int64)
    some = (lag >= 0) & (lag < LAGS_S)
    excess = np.where(some, sur.near_k[np.arange(len(i)), np.clip(lag, 0, LAGS_S - 1)], 0)
    rows = np.arange(len(orders))[:, None]
    np.add.at(out, (rows, place[:, k]), excess)
    return out
