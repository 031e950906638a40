"""Better and better orders: many chains side by side, each change judged by the quick stand-in.

Simulated annealing with a seed and a number of rounds, never a clock: the same plan gives the same
order. What must come before what is never broken. Published neighbours: Han and Na 1999 (torch
paths by annealing), Ramani et al. 2022 (scan order by heat).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from raster2path.torch._heat import Bools, Floats, Ints
from raster2path.torch._schedule import Work
from raster2path.torch._simple import after_of
from raster2path.torch._stands import walks
from raster2path.torch._surrogate import Surrogate, follow

N_CHAINS, N_CHAINS_LONG = 24, 12
LONG = 60
ROUNDS_A_CUT, MOST_ROUNDS, WORK_LONG = 10, 500, 15_000
N_FINE, FINE_ROUNDS = 6, 150
"""So many of the best go on with the buckling ratio itself, for so many rounds."""

HOT, FINE_HOT, COLD = 0.01, 0.004, 0.0005
"""Temperature of the annealing, first and last, in parts of the nearest order's cost."""

BOW, PREHEAT, CARRY, WALK, PEAK = 0.6, 0.4, 0.05, 0.1, 2.0
SMALL_FIRST, LEAN = 0.03, 0.03
COOL_K = 5.0
"""Starts that are no warmer than this in the nearest order are no trouble to begin with."""

WALK_MORE_MM = 700.0
"""So much more walking than the nearest order's is only dear; beyond, it is ruled out."""

CLOSE_MM, MUCH_LONGER = 120.0, 2.5
LEAN_MM, LEAN_S = 80.0, 60.0


@dataclass(frozen=True, slots=True, eq=False)
class Judge:
    """What an order costs, against the nearest one.

    Attributes:
        late: (pairs, 2) a long cut and a short one beside it, which should come first.
        leant: (pairs, 2) a cut, and one whose cutter leans over it.
        base: what the nearest order has: bow, peak, preheat, carrying, walking.
        is_exact: judge by the buckling ratio itself, not by its cheap likeness.
        most_peak: a higher peak than this, in parts of the nearest one's, is dear.
    """

    work: Work
    sur: Surrogate
    late: Ints
    leant: Ints
    base: tuple[float, float, float, float, float]
    is_exact: bool = False
    most_peak: float = 0.99

    def cost(self, orders: Ints) -> Floats:
        """The cost of each of several orders; lower is better."""
        told = follow(self.sur, orders, is_exact=self.is_exact)
        bow, peak, preheat, carry, walked = self.base
        walk = walks(self.work.stands, orders)
        place = np.argsort(orders, axis=1)
        cost = BOW * told.bow / bow + PREHEAT * told.preheat / preheat
        cost += PEAK * np.maximum(told.peak / peak - self.most_peak, 0)
        cost += CARRY * told.carry_mm / carry
        cost += WALK * np.minimum((walk - walked) / 1000, 1.0)
        cost += np.maximum(walk - walked - WALK_MORE_MM, 0) / 500
        if len(self.late):
            is_late = place[:, self.late[:, 0]] < place[:, self.late[:, 1]]
            cost += SMALL_FIRST * is_late.mean(axis=1)
        if len(self.leant):
            began = np.take_along_axis(told.begins_s, place, axis=1)
            first, then = self.leant.T
            gap = began[:, then] - began[:, first]
            cost += LEAN * ((gap > 0) & (gap < LEAN_S)).sum(axis=1) / orders.shape[1]
        return np.asarray(cost, np.float64)


def judge_for(work: Work, sur: Surrogate, near: Sequence[int], *, is_exact: bool = False) -> Judge:
    """A judge that takes the nearest order as one."""
    order = np.array([near])
    told = follow(sur, order, is_exact=is_exact)
    carry = max(float(told.carry_mm[0]), 1.0)
    walked = float(walks(work.stands, order)[0])
    base = (float(told.bow[0]), float(told.peak[0]), float(told.preheat[0]))
    bow, peak, preheat = (max(a, b) for a, b in zip(base, (1e-9, 1e-9, COOL_K), strict=True))
    return Judge(
        work, sur, _late(work), _leant(work), (bow, peak, preheat, carry, walked), is_exact
    )


def _late(work: Work) -> Ints:
    """Long cuts and the short ones close beside them."""
    close = np.abs(work.starts - work.starts[:, None]) < CLOSE_MM
    longer = work.takes_s[:, None] > MUCH_LONGER * work.takes_s
    free = ~work.is_last
    return np.argwhere(close & longer & free & free[:, None])


def _leant(work: Work) -> Ints:
    """Cuts over which the arm lies while another is made from where it is easiest to make."""
    stands = work.stands
    at = stands.places[stands.cost.argmin(axis=1)]
    way = at - work.starts
    length = np.maximum(np.abs(way), 1.0)
    over = (work.starts[:, None] - work.starts) / (way / length)  # along, and beside, the arm
    hit = (np.abs(over.imag) < LEAN_MM) & (over.real > LEAN_MM) & (over.real < length)
    return np.argwhere(hit)


class _Rules:
    """What must come before what, as arrays."""

    def __init__(self, work: Work, n_fixed: int) -> None:
        pairs = [
            (inner, outer)
            for outer, some in enumerate(work.before)
            if not work.is_last[outer]
            for inner in sorted(some)
        ]
        self.inner, self.outer = np.array(pairs, np.int64).reshape(-1, 2).T
        self.first = n_fixed
        self.last = len(work.before) - int(work.is_last.sum())

    def allow(self, orders: Ints) -> Bools:
        if not len(self.inner):
            return np.ones(len(orders), np.bool_)
        place = np.argsort(orders, axis=1)
        return np.asarray((place[:, self.inner] < place[:, self.outer]).all(axis=1))


def search(
    work: Work, sur: Surrogate, near: Sequence[int], *, first: Sequence[int] = (), seed: int = 1
) -> list[tuple[int, ...]]:
    """The best orders found, best first, each different.

    Args:
        work: all cuts.
        sur: their stand-in.
        near: the nearest order, against which others are judged.
        first: cuts whose place at the beginning is fixed.
        seed: of the changes that are tried.
    """
    n = len(work.before)
    rules = _Rules(work, len(first))
    if rules.last - rules.first < 3:
        return [tuple(near)]
    rng = np.random.default_rng(seed)
    judge = judge_for(work, sur, near)
    cool = coolest(work, sur, judge, first)
    n_chains = N_CHAINS if n <= LONG else N_CHAINS_LONG
    starts = np.array([near if k % 3 == 0 else cool for k in range(n_chains)])
    n_rounds = min(ROUNDS_A_CUT * n, MOST_ROUNDS) if n <= LONG else max(40, WORK_LONG // n)
    best = _annealed(starts, judge, rules, rng, (n_rounds, HOT, COLD))
    if n <= LONG:
        judge = judge_for(work, sur, near, is_exact=True)
        best = _annealed(
            best[:N_FINE], judge, rules, rng, (min(4 * n, FINE_ROUNDS), FINE_HOT, COLD)
        )
    return list(dict.fromkeys(tuple(row) for row in best.tolist()))


def refine(
    work: Work,
    sur: Surrogate,
    near: Sequence[int],
    found: Sequence[Sequence[int]],
    *,
    first: Sequence[int],
    most_peak: float,
) -> list[tuple[int, ...]]:
    """Orders near to those found, whose peak is lower, as the stand-in tells it; best first."""
    judge = replace(judge_for(work, sur, near, is_exact=True), most_peak=most_peak)
    starts = np.array([found[k % len(found)] for k in range(N_FINE)])
    rounds = (min(4 * len(near), FINE_ROUNDS), FINE_HOT, COLD)
    rng = np.random.default_rng(2)
    best = _annealed(starts, judge, _Rules(work, len(first)), rng, rounds)
    return list(dict.fromkeys(tuple(row) for row in best.tolist()))


def peaks(sur: Surrogate, orders: Sequence[Sequence[int]]) -> Floats:
    """The highest buckling ratio of each order, as the stand-in tells it."""
    return follow(sur, np.array(orders), is_exact=True).peak


def _annealed(
    orders: Ints,
    judge: Judge,
    rules: _Rules,
    rng: np.random.Generator,
    course: tuple[int, float, float],
) -> Ints:
    """The best order that each chain came by, best first; course: rounds, hot and cold."""
    n_rounds, hot, cold = course
    n_chains = len(orders)
    orders = orders.copy()
    cost = judge.cost(orders)
    best, best_cost = orders.copy(), cost.copy()
    for turn in range(n_rounds):
        share = turn / n_rounds
        heat = hot * (cold / hot) ** share
        tried = _changed(orders, rules, rng, share)
        new = np.where(rules.allow(tried), judge.cost(tried), np.inf)
        taken = rng.random(n_chains) < np.exp(np.minimum((cost - new) / heat, 0))
        orders[taken], cost[taken] = tried[taken], new[taken]
        better = cost < best_cost
        best[better], best_cost[better] = orders[better], cost[better]
        if turn % 60 == 59:  # the worst third goes on from the best found
            rank = np.argsort(cost, kind="stable")
            third = n_chains // 3
            lead = np.argsort(best_cost, kind="stable")[:third]
            orders[rank[n_chains - third :]] = best[lead]
            cost[rank[n_chains - third :]] = best_cost[lead]
    return best[np.argsort(best_cost, kind="stable")]


def _changed(orders: Ints, rules: _Rules, rng: np.random.Generator, share: float) -> Ints:
    """Each order with two cuts exchanged, one moved elsewhere, or a run turned round or moved."""
    out = orders.copy()
    low, high = rules.first, rules.last
    kinds = rng.random(len(orders))
    spots = rng.integers(low, high, (len(orders), 2))
    span = max(3, round((high - low) * (1 - 0.7 * share)))
    runs = rng.integers(2, max(3, min(9, high - low)), len(orders))
    for row, kind, (i, j), run in zip(out, kinds, spots.tolist(), runs.tolist(), strict=True):
        to = low + (i - low + (j - low) % span) % (high - low)
        a, b = min(i, to), max(i, to)
        if kind < 0.35:
            row[i], row[to] = row[to], row[i]
        elif kind < 0.75:
            row[a : b + 1] = np.roll(row[a : b + 1], 1 if kind < 0.55 else -1)
        elif kind < 0.85:
            end = min(a + run, high)
            row[a:end] = row[a:end][::-1].copy()
        else:
            row[a : b + 1] = np.roll(row[a : b + 1], min(run, b - a))
    return out


def coolest(work: Work, sur: Surrogate, judge: Judge, first: Sequence[int] = ()) -> tuple[int, ...]:
    """An order step by step: what bows the sheet least and starts coolest comes next."""
    waits, after = [len(some) for some in work.before], after_of(work.before)
    is_free = np.array([n == 0 for n in waits], np.bool_)
    state = np.zeros(sur.given.shape[1], np.float32)
    sequence = list[int]()
    bow, _, preheat, carry, _ = judge.base
    n = len(waits)
    while len(sequence) < n:
        some = np.flatnonzero(is_free)
        if sequence:
            last = sequence[-1]
            begin = state * sur.gap_fades[sur.gap_index[last, some]]
            far = sur.carry_mm[last, some] * n / carry
        else:
            begin, far = np.zeros((len(some), len(state)), np.float32), np.abs(work.starts[some])
            far = far / max(float(far.max()), 1.0)
        end = begin * sur.fades[some] + sur.given[some]
        stress = np.sqrt(np.square(end @ sur.gain).sum(axis=1))
        warm = np.einsum("cw,cw->c", begin, sur.seen[some])
        cost = BOW * stress / bow + PREHEAT * warm / preheat + 0.3 * CARRY * far
        pick = first[len(sequence)] if len(sequence) < len(first) else int(some[cost.argmin()])
        state = end[np.flatnonzero(some == pick)[0]]
        sequence.append(pick)
        is_free[pick] = False
        for outer in after[pick]:
            waits[outer] -= 1
            is_free[outer] = waits[outer] == 0
    return tuple(sequence)
