"""The order of cuts planned in a process of its own, which can be stopped at any moment."""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from dataclasses import replace
from multiprocessing.connection import Connection

from raster2path.bench.aside import Aside
from raster2path.errors import Raster2PathError, UsageError
from raster2path.geometry import Points
from raster2path.job import Corrections, OrderRules
from raster2path.model import CutOrder, TorchPlan

LOOK_S = 0.03
"""How often it is asked whether the answer is still wanted."""


class CancelledError(Exception):
    """Something newer is wanted."""


class Planner:
    """Stands in for `order_cuts`; the process is kept for the next plan.

    Args:
        is_stale: asked while a plan is made; True stops it.
    """

    def __init__(self, is_stale: Callable[[], bool]) -> None:
        self._is_stale = is_stale
        self._aside = Aside(work)

    def __call__(
        self,
        plan: TorchPlan,
        *,
        rules: OrderRules,
        corrections: Corrections,
        work_from_upright: Points,
    ) -> CutOrder:
        """The order of cuts, as `order_cuts` would answer.

        Raises:
            CancelledError: it became stale.
            UsageError: as `order_cuts`.
        """
        line = self._aside.line if self._aside.is_there else None
        line = line or self._aside.start()
        line.send((plan, rules, corrections, work_from_upright))
        while not line.poll(LOOK_S):
            if self._is_stale():
                self.stop()
                raise CancelledError
            if not self._aside.is_there:
                self.stop()
                raise Raster2PathError("planning the order of cuts broke off; try again")
        answer = line.recv()
        if isinstance(answer, CutOrder):
            # the sign of this process; the cuts of the other one, which turned some of them round
            return replace(answer, plan=replace(plan, cuts=answer.plan.cuts))
        raise UsageError(str(answer))

    def stop(self) -> None:
        """End the process."""
        self._aside.end()


def work(line: Connection) -> None:
    """What the process does: plan what comes down the line, until nobody is at the other end."""
    from raster2path.torch.order import order_cuts

    with contextlib.suppress(EOFError, OSError, KeyboardInterrupt):
        while True:
            plan, rules, corrections, work_from_upright = line.recv()
            try:
                answer: CutOrder | str = order_cuts(
                    plan,
                    rules=rules,
                    corrections=corrections,
                    work_from_upright=work_from_upright,
                )
            except Raster2PathError as error:
                answer = str(error)
            line.send(answer)
