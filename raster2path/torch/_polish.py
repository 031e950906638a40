"""An order made better by the whole simulation: cuts that start hot are moved, pauses put in.

The stand-in that orders are found with leaves out what cuts do to the way of the heat; where an
aim is missed, a few changes are tried on the simulation itself, the best of each round is kept.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from raster2path.model import Forecast
from raster2path.torch._anneal import Rules
from raster2path.torch._schedule import Work, forecasts

Waited = tuple[tuple[int, ...], tuple[float, ...]]
"""An order, and the pause before each of its cuts (none: no pause at all)."""

Tried = tuple[Waited, Forecast]
"""The same, and what is foreseen of it."""

BOW_AIM, PEAK_AIM, HOT_AIM = 0.83, 0.985, 0.46
"""Parts of the nearest order's that are aimed at; large cells know them to a hundredth or two."""

SAME = 1.01
"""Bowing that differs by less is the same: no such model knows better than to a hundredth."""

BOW_WISHED = 0.72
"""What pauses may bring the bowing down to, where the machine has to rest anyway."""

COOL_K = 5.0
"""A start that is no warmer than this is cool."""

PAUSE_S, MOST_S = 60.0, 300.0
"""One pause, to change tips or sweep up; and all of them together."""

PEAK_WEIGHT, NOT_ABOVE, RULED_OUT = 5.0, 0.997, 10.0
"""An order whose peak is above the nearest order's is not taken at all."""

PAUSE_COST, BOW_LESS = 0.004, 0.03
N_PLACES = 5
MOST_ROUNDS, N_KEPT = 5, 2


@dataclass(frozen=True, slots=True)
class Aims:
    """What an order should keep to, all against the nearest one.

    Attributes:
        most_walk_m: more walking than that is ruled out.
        spare_s: how long the machine has to rest in any case; pauses take no longer.
    """

    base: Forecast
    most_walk_m: float
    spare_s: float

    def missed(self, told: Forecast, bow_aim: float = BOW_AIM) -> float:
        """By how much aims are missed, as shares, added up; 0 where none is."""
        base = self.base
        bow = told.bow_rms / max(bow_aim * base.bow_rms, 1e-9)
        peak = told.bow_peak / max(PEAK_AIM * base.bow_peak, 1e-9)
        hot = told.hottest_start_k / max(HOT_AIM * base.hottest_start_k, COOL_K)
        over = PEAK_WEIGHT * max(0.0, peak - 1) + RULED_OUT * (peak * PEAK_AIM > NOT_ABOVE)
        return max(0.0, bow - 1) + over + max(0.0, hot - 1)

    def allow(self, told: Forecast) -> bool:
        """True where an order is better than the nearest, and in no way worse."""
        base = self.base
        gains = (
            told.bow_rms / max(base.bow_rms, 1e-9),
            told.hottest_start_k / max(base.hottest_start_k, COOL_K),
        )
        return (
            min(gains) < 1 / SAME
            and gains[0] <= SAME
            and told.bow_peak <= base.bow_peak
            and told.walk_m <= self.most_walk_m + 1e-9
        )

    def cost(self, tried: Tried) -> float:
        """Lower is better: aims first, then bowing, then time."""
        (_, waits_s), told = tried
        if told.walk_m > self.most_walk_m + 1e-9:
            return np.inf
        bow = told.bow_rms / max(self.base.bow_rms, 1e-9)
        wished = 0.5 * self.missed(told, BOW_WISHED)
        return self.missed(told) + wished + BOW_LESS * bow + PAUSE_COST * sum(waits_s) / PAUSE_S


def polished(work: Work, tried: Sequence[Tried], aims: Aims, rules: Rules) -> list[Tried]:
    """Orders near the best of those tried, made better round by round while an aim is missed.

    Args:
        work: what the cuts do.
        tried: orders with their pauses, and what is foreseen of each.
        aims: what to keep to.
        rules: what orders must keep.
    """
    best, out = min(tried, key=aims.cost), list[Tried]()
    for _ in range(MOST_ROUNDS):
        order, told = best
        if aims.missed(told) == 0:
            break
        if told.bow_peak > NOT_ABOVE * aims.base.bow_peak:
            near = _ended(order, rules)
        else:
            near = [*_moved(order, told, rules), *_paused(order, told, aims)]
        if not near:
            break
        found = sorted(zip(near, forecasts(work, near), strict=True), key=aims.cost)
        if aims.cost(found[0]) >= aims.cost(best):
            break
        best = found[0]
        out += found[:N_KEPT]
    return out


def _moved(order: Waited, told: Forecast, rules: Rules) -> list[Waited]:
    """The same order with its hottest start elsewhere; pauses stay at their places in it."""
    hot = int(np.argmax(told.starts_k))
    if not rules.first <= hot < rules.last:
        return []
    places = np.linspace(rules.first, rules.last - 1, N_PLACES).round().astype(int).tolist()
    return _allowed(order, [(hot, to) for to in places], rules)


def _ended(order: Waited, rules: Rules) -> list[Waited]:
    """The same order with one cut or another last before the border.

    A sheet bows most when its border is done; what is warm then in its middle holds against that.
    """
    n_places = 2 * N_PLACES
    places = np.linspace(rules.first, rules.last - 2, n_places).round().astype(int).tolist()
    return _allowed(order, [(at, rules.last - 1) for at in places], rules)


def _allowed(order: Waited, moves: Sequence[tuple[int, int]], rules: Rules) -> list[Waited]:
    """The orders with one cut moved from one place to another, as far as the rules allow."""
    sequence, waits = order
    out = list[list[int]]()
    for at, to in dict.fromkeys(moves):
        rest = [*sequence[:at], *sequence[at + 1 :]]
        if at != to:
            out.append([*rest[:to], sequence[at], *rest[to:]])
    if not out:
        return []
    fits = rules.allow(np.array(out)).tolist()
    return [(tuple(each), waits) for each, ok in zip(out, fits, strict=True) if ok]


def _paused(order: Waited, told: Forecast, aims: Aims) -> list[Waited]:
    """The same order with one pause more: half-way, later, or before its hottest start."""
    sequence, waits = order
    n = len(sequence)
    if sum(waits) + PAUSE_S > min(MOST_S, aims.spare_s):
        return []
    out = list[Waited]()
    hot = int(np.argmax(told.starts_k))
    for at in sorted({n // 3, n // 2, (2 * n) // 3, (5 * n) // 6, hot} - {0}):
        longer = list(waits or (0.0,) * n)
        longer[at] += PAUSE_S
        out.append((sequence, tuple(longer)))
    return out
