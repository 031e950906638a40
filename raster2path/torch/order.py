"""Room: cuts in no order in, cuts in an order that keeps hold of what is not yet cut out."""

from __future__ import annotations

import numpy as np

from raster2path.model import Cut, CutOrder, CutType, TorchPlan


def order_cuts(plan: TorchPlan) -> CutOrder:
    """The order of cuts: inside before outside, the border last, else the nearest pierce next.

    The first cut is the one nearest to the sheet's top left corner among those that are free.

    Returns:
        A permutation; every cut comes before those that go round it (`Cut.inside`), and all
        others before the border.

    Raises:
        ValueError: cuts go round each other in a circle.
    """
    cuts = plan.cuts
    waits = [len(waiting) for waiting in _waiting_for(cuts)]
    pierces = np.array([cut.pierce_mm for cut in cuts], np.complex128)
    is_free = np.array([n == 0 for n in waits], np.bool_)
    here, sequence = 0j, list[int]()
    while len(sequence) < len(cuts):
        if not is_free.any():
            raise ValueError("expected nested cuts, but some go round each other in a circle")
        away = np.where(is_free, np.abs(pierces - here), np.inf)
        best = int(np.argmin(away))
        sequence.append(best)
        is_free[best] = False
        here = complex(pierces[best])
        for outer in _after(cuts, best):
            waits[outer] -= 1
            is_free[outer] = waits[outer] == 0
    return CutOrder(plan=plan, sequence=tuple(sequence))


def _after(cuts: tuple[Cut, ...], index: int) -> frozenset[int]:
    """Cuts that must come after this one."""
    outer = cuts[index].inside
    borders = frozenset(k for k, cut in enumerate(cuts) if cut.type is CutType.BORDER)
    return outer & borders if index in borders else outer | borders


def _waiting_for(cuts: tuple[Cut, ...]) -> list[set[int]]:
    """For each cut, those that must come before it."""
    before = [set[int]() for _ in cuts]
    for index in range(len(cuts)):
        for outer in _after(cuts, index):
            before[outer].add(index)
    return before
