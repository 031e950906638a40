"""Orders that need no heat: the nearest pierce next, left to right, small before large."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from raster2path.geometry import Complexes
from raster2path.torch._heat import Floats

Before = Sequence[frozenset[int]]
Closes = Sequence[int | None]


def after_of(before: Before) -> list[list[int]]:
    """For each cut, those that wait for it."""
    after = [list[int]() for _ in before]
    for outer, inner in enumerate(before):
        for k in sorted(inner):
            after[k].append(outer)
    return after


MEANWHILE = 2
"""So many other cuts come between a loop and its last bit, where there are any."""


def nearest(
    starts: Complexes, before: Before, first: Sequence[int] = (), closes: Closes = ()
) -> tuple[int, ...]:
    """The nearest pierce next among those that are free, from the top left corner on.

    Args:
        starts: where each cut's arc strikes.
        before: for each cut, those that must come before it.
        first: what comes first, in its order; it must be allowed.
        closes: for each cut, the loop whose last bit it is, or None; it has time to cool.

    Raises:
        ValueError: cuts wait for each other in a circle.
    """
    here = complex(starts[first[-1]]) if first else 0j
    return _choose(before, first, closes, (here, starts), lambda at: np.abs(starts - at))


def by_rank(
    rank: Floats, before: Before, first: Sequence[int] = (), closes: Closes = ()
) -> tuple[int, ...]:
    """The lowest rank next among those that are free."""
    starts = np.zeros(len(rank), np.complex128)
    return _choose(before, first, closes, (0j, starts), lambda _: rank)


def _choose(
    before: Before,
    first: Sequence[int],
    closes: Closes,
    places: tuple[complex, Complexes],
    dear: Callable[[complex], Floats],
) -> tuple[int, ...]:
    here, starts = places
    waits, after = [len(some) for some in before], after_of(before)
    is_free = np.array([n == 0 for n in waits], np.bool_)
    sequence = list[int]()
    while len(sequence) < len(before):
        if not is_free.any():
            raise ValueError("expected nested cuts, but some go round each other in a circle")
        if len(sequence) < len(first):
            best = first[len(sequence)]
        else:
            can = is_free.copy()
            for k, loop in enumerate(closes):
                can[k] &= loop is None or loop not in sequence[-MEANWHILE:]
            best = int(np.argmin(np.where(can if can.any() else is_free, dear(here), np.inf)))
        sequence.append(best)
        is_free[best] = False
        here = complex(starts[best])
        for outer in after[best]:
            waits[outer] -= 1
            is_free[outer] = waits[outer] == 0
    return tuple(sequence)
