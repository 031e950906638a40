"""Runs and their cubics as one chain, polished, and followed more closely where it takes that."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from raster2path.geometry import Complexes, Cubic, Kind, Line
from raster2path.shape import _cubics, _polish
from raster2path.shape._cubics import Bools, Floats, Ints
from raster2path.shape._polish import Chain
from raster2path.shape._runs import Known, Pieces, Run, learn
from raster2path.shape._sight import correlated

ROUNDS = 3
"""Joint steps at most; the third changes little."""
TRIES = 4
"""How often a run that leaves its points too far is followed more closely."""


@dataclass(frozen=True, slots=True, eq=False)
class Fit:
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


def _chain(runs: Sequence[Run], pieces: Sequence[Pieces], hold: Floats, *, is_closed: bool) -> Fit:
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
    begin, after, rank = _polish.order_of(n, is_closed=is_closed)
    chain = Chain(
        begin,
        after,
        np.zeros(n, np.int64),
        rank,
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
    return Fit(chain, *_assigned(runs, pieces, first), first)


def _assigned(
    runs: Sequence[Run], pieces: Sequence[Pieces], first: Ints
) -> tuple[Complexes, Ints, Floats]:
    """Every point of the runs (their ends left out), its piece and about where on it."""
    q, piece, t = [], [], []
    for run, own, start in zip(runs, pieces, first[:-1], strict=True):
        begin = 0 if run.is_loop else 1
        index = np.arange(begin, len(run.z) - 1)
        along = _cubics.steps(run.z)
        k = np.searchsorted(own.breaks, index, side="right") - 1
        a, b = along[own.breaks[k]], along[own.breaks[k + 1]]
        q.append(run.z[index])
        piece.append(start + k)
        t.append((along[index] - a) / np.maximum(b - a, 1e-9))
    return np.concatenate(q), np.concatenate(piece), np.concatenate(t)


def _started(runs: Sequence[Run], known: Known, *, is_closed: bool) -> Fit:
    """Runs fitted with the fewest cubics each, not yet polished."""
    pieces = [_straight(run) if run.is_line else known.pieces[run.key()] for run in runs]
    sigma = float(np.median([run.sigma for run in runs]))
    soft = correlated(sigma) * sigma**2 / 0.3**2
    hold = np.array([np.inf if run.is_firm else soft for run in runs])
    return _chain(runs, pieces, hold, is_closed=is_closed)


def _solved(runs: Sequence[Run], known: Known, *, is_closed: bool) -> Fit:
    """Runs fitted with the fewest cubics and polished together."""
    learn(runs, known)
    fit = _started(runs, known, is_closed=is_closed)
    if not len(fit.q):
        return fit
    chain = _polish.polished(fit.chain, fit.q, fit.piece, fit.t, ROUNDS)
    return replace(fit, chain=chain)


def _each_solved(runs: Sequence[Run], known: Known) -> list[Fit]:
    """Open runs that have nothing to do with each other: each as if alone, all at once."""
    learn(runs, known)
    fits = [_started([run], known, is_closed=False) for run in runs]
    counts = np.array([len(fit.chain.is_line) for fit in fits])
    offsets = np.cumsum(counts) - counts
    chain = _polish.polished(
        _polish.joined([fit.chain for fit in fits]),
        np.concatenate([fit.q for fit in fits]),
        np.concatenate([fit.piece + k for fit, k in zip(fits, offsets, strict=True)]),
        np.concatenate([fit.t for fit in fits]),
        ROUNDS,
    )
    parts = _polish.parted(chain)
    return [replace(fit, chain=own) for fit, own in zip(fits, parts, strict=True)]


def _straight(run: Run) -> Pieces:
    a, b = run.z[0], run.z[-1]
    cubic = np.array([[a, a + (b - a) / 3, b - (b - a) / 3, b]])
    return Pieces(cubic, np.array([0, len(run.z) - 1]))


def _gaps(fit: Fit) -> tuple[Floats, Complexes]:
    """Largest distance of each run's points to its pieces, and the point that is so far off."""
    worst, place = np.zeros(len(fit.first) - 1), np.zeros(len(fit.first) - 1, np.complex128)
    if not len(fit.q):
        return worst, place
    cubics = fit.chain.cubics
    t = _polish.feet(cubics, fit.q, fit.piece, fit.t, 3)
    own = cubics[fit.piece]
    weights = _cubics.bernstein(t)
    gap = np.abs(sum(weights[k] * own[:, k] for k in range(4)) - fit.q)
    run = np.searchsorted(fit.first, fit.piece, side="right") - 1
    rising = np.argsort(gap, kind="stable")  # of those put in one place, the last stays
    worst[run[rising]], place[run[rising]] = gap[rising], fit.q[rising]
    return worst, place


def segments(fit: Fit, kind: Kind) -> tuple[Line | Cubic, ...]:
    """The chain's pieces; neighbours share their ends to the last bit."""
    return drawn(fit.chain.cubics, fit.chain.is_line, kind)


def drawn(cubics: Complexes, is_line: Bools, kind: Kind) -> tuple[Line | Cubic, ...]:
    """Segments with control points (m, 4)."""
    return tuple(
        Line(a, d, kind) if straight else Cubic(a, b, c, d, kind)
        for (a, b, c, d), straight in zip(cubics.tolist(), is_line.tolist(), strict=True)
    )


def within(
    runs: list[Run], tolerance: float, known: Known, *, is_closed: bool
) -> tuple[Fit, Floats, Complexes]:
    """Runs fitted so that no point is farther than the tolerance, if splitting can do it.

    Only the runs at fault are fitted anew.

    Returns:
        The fit, how far the farthest point of each run is, and that point.
    """
    fit = _solved(runs, known, is_closed=is_closed)
    gaps, places = _gaps(fit)
    futile = 0
    for _ in range(TRIES):
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


def each_within(runs: Sequence[Run], known: Known) -> list[tuple[Fit, float]]:
    """Open runs, each fitted within its own tolerance if splitting can do it.

    Returns:
        For each run its fit, and how far its farthest point is from it.
    """
    if not runs:
        return []
    best = [(fit, float(_gaps(fit)[0].max())) for fit in _each_solved(runs, known)]
    tried, futile = list(runs), [0] * len(runs)
    for _ in range(TRIES):
        late = [k for k, (_, gap) in enumerate(best) if gap > runs[k].tolerance and futile[k] < 2]
        if not late:
            break
        for k in late:
            tried[k] = tried[k].closer()
        for k, fit in zip(late, _each_solved([tried[k] for k in late], known), strict=True):
            gap = float(_gaps(fit)[0].max())
            futile[k] = 0 if gap < best[k][1] else futile[k] + 1
            if gap < best[k][1]:
                best[k] = fit, gap
    return best
