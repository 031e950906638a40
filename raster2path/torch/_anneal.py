"""Better and better orders: many chains side by side, each change judged by the quick stand-in.

Simulated annealing with a seed and a number of rounds, never a clock: the same plan gives the same
order. What must come before what is never broken. Published neighbours: Han and Na 1999 (torch
paths by annealing), Ramani et al. 2022 (scan order by heat).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from raster2path.job import Hand
from raster2path.torch._heat import Bools, Floats, Ints
from raster2path.torch._schedule import Work
from raster2path.torch._simple import after_of
from raster2path.torch._stands import few_of, walk, walks
from raster2path.torch._surrogate import Surrogate, follow

N_CHAINS, MOST_PAIRS = 16, 300_000
"""So many chains, or fewer where that many pairs of cuts in all of them would take too long."""

ROUNDS_A_CUT, FEWEST_ROUNDS, MOST_ROUNDS, PAIRS_IN_ALL = 5, 150, 400, 20_000_000
TOGETHER = 50
"""After so many rounds the worst third of the chains goes on from the best found."""

HOT, AGAIN, COLD = 0.01, 0.006, 0.0005
"""Temperature of the annealing, first (of a second go) and last, in parts of the nearest's cost."""

BOW, PREHEAT, CARRY, WALK, PEAK = 0.6, 0.4, 0.05, 0.1, 8.0
COOLER = 0.3, 0.8
"""Weights of bowing and of warm starts where pauses take care of the bowing."""

SMALL_FIRST, LEAN = 0.03, 0.03
COOL_K = 5.0
"""Starts that are no warmer than this in the nearest order are no trouble to begin with."""

WALK_MORE_MM = 700.0
"""So much more walking than the nearest order's is only dear; beyond, it is ruled out."""

CLOSE_MM, MUCH_LONGER = 120.0, 2.5
LEAN_MM, LEAN_S = 80.0, 60.0
TOO_SOON, COOLS_S = 0.05, 20.0
"""A loop's start is below 60 K above the sheet after so long."""

SHOULDER_MM = 200.0
"""From the middle of where one stands to the shoulder of the arm that holds the torch."""


@dataclass(frozen=True, slots=True, eq=False)
class Judge:
    """What an order costs, against the nearest one.

    Attributes:
        late: (pairs, 2) a long cut and a short one beside it, which should come first.
        leant: (pairs, 2) a cut, and one whose cutter leans over it.
        closing: (pairs, 2) a loop, and its last bit, which should have time to cool.
        few: stands between which walking is reckoned.
        most_last: more stress than this at the end, in parts of the nearest one's, is dear.
        weights: of bowing, and of warm starts.
        waits_s: pauses before the cut at each place, or none.
        base: what the nearest order has: bow, at the end, preheat, carrying, walking.
    """

    work: Work
    sur: Surrogate
    late: Ints
    leant: Ints
    closing: Ints
    few: Ints
    base: tuple[float, float, float, float, float]
    most_last: float = math.inf
    weights: tuple[float, float] = (BOW, PREHEAT)
    waits_s: Floats | None = None

    def cost(self, orders: Ints) -> Floats:
        """The cost of each of several orders; lower is better."""
        told = follow(self.sur, orders, self.waits_s)
        bow, last, preheat, carry, walked = self.base
        walking = walks(self.work.stands, self.few, orders)
        place = places(orders)
        cost = self.weights[0] * told.bow / bow + self.weights[1] * told.preheat / preheat
        cost += PEAK * np.maximum(told.last / last - self.most_last, 0)
        cost += CARRY * told.carry_mm / carry
        cost += WALK * np.minimum((walking - walked) / 1000, 1.0)
        cost += np.maximum(walking - walked - WALK_MORE_MM, 0) / 500
        if len(self.late):
            is_late = place[:, self.late[:, 0]] < place[:, self.late[:, 1]]
            cost += SMALL_FIRST * is_late.mean(axis=1)
        if len(self.leant):
            began = np.take_along_axis(told.begins_s, place, axis=1)
            gap = began[:, self.leant[:, 1]] - began[:, self.leant[:, 0]]
            cost += LEAN * ((gap > 0) & (gap < LEAN_S)).sum(axis=1) / orders.shape[1]
        if len(self.closing):
            began = np.take_along_axis(told.begins_s, place, axis=1)
            done = began[:, self.closing[:, 0]] + self.work.takes_s[self.closing[:, 0]]
            short = np.maximum(COOLS_S - (began[:, self.closing[:, 1]] - done), 0)
            cost += TOO_SOON * short.sum(axis=1) / COOLS_S
        return cost


def places(orders: Ints) -> Ints:
    """For each order, the place of each cut in it."""
    out = np.empty_like(orders)
    out[np.arange(len(orders))[:, None], orders] = np.arange(orders.shape[1])
    return out


def judge_for(work: Work, sur: Surrogate, near: Sequence[int]) -> Judge:
    """A judge that takes the nearest order as one."""
    order = np.array([near])
    told = follow(sur, order)
    base = (
        max(float(told.bow[0]), 1e-9),
        max(float(told.last[0]), 1e-9),
        max(float(told.preheat[0]), COOL_K),
        max(float(told.carry_mm[0]), 1.0),
        walk(work.stands, order[0])[0],
    )
    few = few_of(work.stands, order[0])
    closing = [(cut.closes, k) for k, cut in enumerate(work.plan.cuts) if cut.closes is not None]
    pairs = np.array(closing, np.int64).reshape(-1, 2)
    return Judge(work, sur, _late(work), _leant(work), pairs, few, base)


def _late(work: Work) -> Ints:
    """Long cuts and the short ones close beside them."""
    close = np.abs(work.starts - work.starts[:, None]) < CLOSE_MM
    longer = work.takes_s[:, None] > MUCH_LONGER * work.takes_s
    free = ~work.is_last
    return np.argwhere(close & longer & free & free[:, None])


def _leant(work: Work) -> Ints:
    """Cuts over which the arm lies while another is made from where it is easiest to make."""
    stands = work.stands
    way = stands.places[stands.cost.argmin(axis=1)] - work.starts
    side = 1j if work.hand is Hand.LEFT else -1j  # seen from the cut, with y down
    way += side * SHOULDER_MM * way / np.maximum(np.abs(way), 1.0)
    length = np.maximum(np.abs(way), 1.0)
    over = (work.starts[:, None] - work.starts) / (way / length)  # along, and beside, the arm
    hit = (np.abs(over.imag) < LEAN_MM) & (over.real > LEAN_MM) & (over.real < length)
    return np.argwhere(hit)


class Rules:
    """What must come before what, as arrays; the first cuts may be fixed, borders are last."""

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
        place = places(orders)
        return np.asarray((place[:, self.inner] < place[:, self.outer]).all(axis=1))


def search(
    judge: Judge, near: Sequence[int], *, first: Sequence[int] = (), seed: int = 1
) -> list[tuple[int, ...]]:
    """The best orders found, best first, each different.

    Args:
        judge: what they cost.
        near: the nearest order, against which others are judged.
        first: cuts whose place at the beginning is fixed.
        seed: of the changes that are tried.
    """
    rules = Rules(judge.work, len(first))
    if rules.last - rules.first < 3:
        return [tuple(near)]
    cool = coolest(judge.work, judge, first)
    n_chains, n_rounds = _effort(len(near))
    starts = np.array([near if k % 3 == 0 else cool for k in range(n_chains)])
    return _annealed(starts, judge, rules, np.random.default_rng(seed), (n_rounds, HOT))


def refine(
    judge: Judge,
    found: Sequence[Sequence[int]],
    *,
    most_last: float,
    first: Sequence[int],
    waits_s: Sequence[float] = (),
) -> list[tuple[int, ...]]:
    """Orders near to those found, with no more stress at the end than said; best first.

    With pauses, these see to the bowing: warm starts count for more.
    """
    rules = Rules(judge.work, len(first))
    n_chains, n_rounds = _effort(len(found[0]))
    starts = np.array([found[k % len(found)] for k in range(n_chains)])
    kept = replace(judge, most_last=most_last)
    if waits_s:
        kept = replace(kept, weights=COOLER, waits_s=np.array(waits_s, np.float64))
    return _annealed(starts, kept, rules, np.random.default_rng(2), (n_rounds // 2, AGAIN))


def last_stress(judge: Judge, order: Sequence[int]) -> float:
    """Stress when an order's last cut is done, in parts of the nearest one's."""
    return float(follow(judge.sur, np.array([order])).last[0]) / judge.base[1]


def _effort(n: int) -> tuple[int, int]:
    """Chains and rounds for so many cuts."""
    n_chains = max(4, min(N_CHAINS, 2 * MOST_PAIRS // n**2))
    most = max(40, 2 * PAIRS_IN_ALL // n**2 // n_chains)
    return n_chains, min(max(ROUNDS_A_CUT * n, FEWEST_ROUNDS), MOST_ROUNDS, most)


def _annealed(
    orders: Ints,
    judge: Judge,
    rules: Rules,
    rng: np.random.Generator,
    course: tuple[int, float],
) -> list[tuple[int, ...]]:
    """The best orders that the chains came by, best first; course: rounds, first temperature."""
    n_rounds, hot = course
    n_chains = len(orders)
    orders = orders.copy()
    cost = judge.cost(orders)
    best, best_cost = orders.copy(), cost.copy()
    for turn in range(n_rounds):
        share = turn / n_rounds
        heat = hot * (COLD / hot) ** share
        tried = _changed(orders, rules, rng, share)
        new = np.where(rules.allow(tried), judge.cost(tried), np.inf)
        taken = rng.random(n_chains) < np.exp(np.minimum((cost - new) / heat, 0))
        orders[taken], cost[taken] = tried[taken], new[taken]
        better = cost < best_cost
        best[better], best_cost[better] = orders[better], cost[better]
        if turn % TOGETHER == TOGETHER - 1:
            rank = np.argsort(cost, kind="stable")
            third = n_chains // 3
            lead = np.argsort(best_cost, kind="stable")[:third]
            orders[rank[n_chains - third :]] = best[lead]
            cost[rank[n_chains - third :]] = best_cost[lead]
    ranked = best[np.argsort(best_cost, kind="stable")]
    return list(dict.fromkeys(tuple(row) for row in ranked.tolist()))


def _changed(orders: Ints, rules: Rules, rng: np.random.Generator, share: float) -> Ints:
    """Each order with two cuts exchanged, one moved elsewhere, or a run turned round or moved."""
    low, high = rules.first, rules.last
    kind = rng.random((len(orders), 1))
    i, j = rng.integers(low, high, (2, len(orders), 1))
    run = rng.integers(2, max(3, min(9, high - low)), (len(orders), 1))
    span = max(3, round((high - low) * (1 - 0.7 * share)))
    to = low + (i - low + (j - low) % span) % (high - low)
    a, b = np.minimum(i, to), np.maximum(i, to)
    swaps, turns = kind < 0.35, (kind >= 0.75) & (kind < 0.85)
    b = np.where(turns, np.minimum(a + run, high) - 1, b)
    by = np.where(kind < 0.55, -1, np.where(kind < 0.75, 1, -run))
    at = np.arange(orders.shape[1])
    source = np.where((at >= a) & (at <= b), a + (at - a + by) % (b - a + 1), at)
    source = np.where(swaps, np.where(at == a, b, np.where(at == b, a, at)), source)
    source = np.where(turns & (at >= a) & (at <= b), a + b - at, source)
    return np.asarray(np.take_along_axis(orders, source, axis=1), np.int64)


def coolest(work: Work, judge: Judge, first: Sequence[int] = ()) -> tuple[int, ...]:
    """An order step by step: what bows the sheet least and starts coolest comes next."""
    sur = judge.sur
    waits, after = [len(some) for some in work.before], after_of(work.before)
    is_free = np.array([n == 0 for n in waits], np.bool_)
    sequence, ends = list[int](), list[float]()
    bow, _, preheat, carry, _ = judge.base
    n = len(waits)
    all_bow = max(bow**2 * float(sur.takes_s.sum() + n * sur.gap_s.mean()) / n, 1e-9)
    while len(sequence) < n:
        some = np.flatnonzero(is_free)
        if sequence:
            begins = ends[-1] + sur.gap_s[sequence[-1], some]
            lag = sur.lag_of[(begins - np.array(ends)[:, None]).astype(np.int64)]
            added = sur.pair[np.array(sequence)[:, None], some, lag].sum(axis=0)
            far = sur.carry_mm[sequence[-1], some] * n / carry
        else:
            begins, added = np.zeros(len(some)), np.zeros(len(some), np.complex64)
            far = np.abs(work.starts[some])
            far = far / max(float(far.max()), 1.0)
        cost = BOW * added.real / all_bow / 2 + PREHEAT * added.imag / preheat + 0.3 * CARRY * far
        pick = first[len(sequence)] if len(sequence) < len(first) else int(some[cost.argmin()])
        sequence.append(pick)
        ends.append(float(begins[some == pick][0] + sur.takes_s[pick]))
        is_free[pick] = False
        for outer in after[pick]:
            waits[outer] -= 1
            is_free[outer] = waits[outer] == 0
    return tuple(sequence)
