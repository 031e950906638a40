"""Goes the road for the newest job, in a thread of its own; older wishes are dropped."""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path

from raster2path.bench.drawing import Json
from raster2path.bench.parts import Parts
from raster2path.bench.planner import CancelledError, Planner
from raster2path.bench.scout import Scout, Seen, Tried
from raster2path.bench.shelf import Shelf
from raster2path.bench.warmup import warm_up
from raster2path.errors import Raster2PathError
from raster2path.job import Job, OrderHow, OrderRules, ReadingRules, TieMode, TieRules
from raster2path.model import CutOrder, Read
from raster2path.pipeline import Result, make
from raster2path.torch.order import foresee, order_cuts


@dataclass(frozen=True, slots=True)
class Wish:
    """A job to go the road for.

    Attributes:
        number: a higher one is newer.
        lays: counts the jobs that were laid on the desk; each begins with nothing to be seen.
    """

    number: int
    job: Job
    picture: Path
    lays: int = 0


@dataclass(frozen=True, slots=True)
class Answer:
    """What came of a wish.

    Attributes:
        is_final: False where the order of cuts is still being planned.
    """

    number: int
    result: Result
    is_final: bool


@dataclass(frozen=True, slots=True)
class Heat:
    """How warm the sheet is where each cut starts, by the model, in K above the workshop."""

    number: int
    starts_k: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Glimpse:
    """The same drawing read in one way or another, roughly, to choose from."""

    read: Read
    result: Result


@dataclass(frozen=True, slots=True)
class Part:
    """What can be drawn of a wish before its answer is there.

    Attributes:
        drawn: what the page draws anew.
        nouns: what it may fetch for that, by key.
    """

    number: int
    stage: str
    drawn: Json
    nouns: Mapping[str, object]


News = Answer | Part | Glimpse | Heat | Seen | Tried | tuple[int, str] | Raster2PathError
"""An answer or a part of one, what the scout saw, a glimpse, a wish's number and the stage it is
at, or what went wrong."""


class Runner:
    """One wish at a time, the newest; an answer as soon as the guides stand, one more when planned.

    Args:
        tell: called from the runner's thread.
    """

    def __init__(self, tell: Callable[[News], None]) -> None:
        self._tell = tell
        self._change = threading.Condition()
        self._wanted: Wish | None = None
        self._doing: Wish | None = None
        self._is_closed = False
        self._seen: object = None
        self._shelf = Shelf()
        self._shown: dict[str, str] = {}
        self._shown_of: object = None
        self.scout = Scout(tell)
        self._planner = Planner(self._is_stale)
        self._thread = threading.Thread(target=self._work, daemon=True)
        self._thread.start()

    def ask(self, wish: Wish) -> None:
        """Answer this next; what is being done for an older wish is dropped."""
        with self._change:
            self._wanted = wish
            self._change.notify()

    def close(self) -> None:
        """End the thread and its process."""
        with self._change:
            self._is_closed = True
            self._change.notify()
        self._thread.join(timeout=30)
        self.scout.close()

    def _is_stale(self) -> bool:
        return self._is_closed or self._wanted is not None

    def _work(self) -> None:
        self.scout.warm()
        warm_up(self._is_stale)
        while True:
            with self._change:
                self._change.wait_for(lambda: self._is_closed or self._wanted is not None)
                if self._is_closed:
                    break
                wish, self._wanted = self._wanted, None
            if wish is not None:
                self._answer(wish)
        self._planner.stop()

    def _answer(self, wish: Wish) -> None:
        try:
            self._go(wish)
        except CancelledError:
            return
        except Raster2PathError as error:
            self._tell(error)
        except Exception as error:  # noqa: BLE001 (the page must go on, whatever a drawing does)
            self._tell(Raster2PathError(f"our own fault ({type(error).__name__}: {error})"))

    def _go(self, wish: Wish) -> None:
        def step(stage: str) -> None:
            if self._is_stale():
                raise CancelledError
            self._tell((wish.number, stage))

        known = self._shelf
        parts = self._parts_of(wish)

        def made(stage: str, told: str, noun: object) -> None:
            new = parts.take(stage, told, noun)
            if new is not None and not self._is_stale():
                self._tell(Part(wish.number, stage, *new))

        try:
            result = make(
                wish.job,
                wish.picture,
                progress=step,
                known=known,
                order_with=_if_quick,
                made=made,
            )
        except _NeedsPlanError:
            near = replace(wish.job, order=replace(wish.job.order, how=OrderHow.NEAR))
            result = make(near, wish.picture, progress=step, known=known, made=made)
            self._tell(Answer(wish.number, result, is_final=False))
            result = make(
                wish.job, wish.picture, progress=step, known=known, order_with=self._planner
            )
        self._tell(Answer(wish.number, result, is_final=True))
        if not self._is_stale():
            forecast = foresee(result.order, rules=wish.job.order)
            self._tell(Heat(wish.number, forecast.starts_k))
        self._glance(wish)

    def _parts_of(self, wish: Wish) -> Parts:
        """What is shown of this picture is not told again; of another one nothing is shown."""
        if self._shown_of != (wish.picture, wish.lays):
            self._shown, self._shown_of = {}, (wish.picture, wish.lays)
        return Parts(wish.job, self._shown)

    def _glance(self, wish: Wish) -> None:
        """Once nothing else is to do: all four readings of the drawing."""
        seen = (wish.picture, wish.job.photo, wish.job.ink, wish.job.corrections.ink_px)
        if seen == self._seen:
            return

        def step(_: str) -> None:
            if self._is_stale():
                raise CancelledError

        for read in Read:
            job = _glimpsed(wish.job, read)
            with contextlib.suppress(Raster2PathError):  # nothing to cut, read like that
                result = make(job, wish.picture, progress=step, known=self._shelf)
                self._tell(Glimpse(read, result))
        self._seen = seen


class _NeedsPlanError(Exception):
    """The order of cuts has to be planned, which takes a while."""


def _if_quick(*args: object, rules: OrderRules, **kwargs: object) -> CutOrder:
    """The order of cuts where it is found at once."""
    if rules.how is OrderHow.PLANNED:
        raise _NeedsPlanError
    return order_cuts(*args, rules=rules, **kwargs)  # type: ignore[arg-type]  # passed on


def _glimpsed(job: Job, read: Read) -> Job:
    """As little of a job as shows how a reading looks."""
    return Job(
        name=job.name,
        date=job.date,
        photo=job.photo,
        ink=job.ink,
        reading=ReadingRules(read=read),
        ties=TieRules(mode=TieMode.NONE),
        order=OrderRules(how=OrderHow.NEAR),
        corrections=job.corrections.only("ink_px"),
    )
