"""A process that runs ahead: a first look at a new picture, and edges as they would be fitted.

What it tells is true as far as it goes, and is replaced by what the whole road makes: the first
look is at the picture made smaller; an edge is fitted by itself, before anybody has looked
whether it crosses another. It is a process of its own so that neither the page nor the road is
held up.
"""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from multiprocessing.connection import Connection
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from raster2path.bench.aside import Aside
from raster2path.errors import Raster2PathError
from raster2path.job import FitRules, Job, OrderHow, OrderRules
from raster2path.model import Outlines, Placement, Ring, Stroke

Box = tuple[float, float, float, float]
Json = dict[str, Any]

LOOK_PX = 1_500_000
"""A picture of so many pixels shows the same outlines, and goes the road in about a second."""


@dataclass(frozen=True, slots=True)
class Look:
    """Ask for a first look at a picture."""

    number: int
    job: Job
    picture: Path


@dataclass(frozen=True, slots=True)
class Ask:
    """Ask for edges, those in view first.

    Attributes:
        number: of the asking; a newer one ends this.
        key: names the outlines.
        outlines: None where they were sent with an earlier asking of that key.
        placement: where the sign lies now; it may differ from the outlines' by a trifle.
        view_mm: what the page shows: left, top, width, height.
        is_flowing: whether flowing edges are wanted, or lettering and ruled ones.
    """

    number: int
    key: str
    outlines: Outlines | None
    placement: Placement
    rules: FitRules
    view_mm: Box
    is_flowing: bool


@dataclass(frozen=True, slots=True)
class Seen:
    """A first look: what the page can draw of it."""

    number: int
    drawn: Json


@dataclass(frozen=True, slots=True)
class Tried:
    """Edges fitted for an asking.

    Attributes:
        edges: `number`, `d` and `kind` of each.
        is_all: True with the last of them.
    """

    number: int
    edges: list[Json]
    is_all: bool


class Scout:
    """Keeps the process; asked from anywhere, it tells from a thread of its own.

    Args:
        tell: called with what it has seen or tried.
    """

    def __init__(self, tell: Callable[[Seen | Tried], None]) -> None:
        self._tell = tell
        self._asking = threading.Lock()
        self._aside = Aside(work)
        self._sent = ""
        self._is_closed = False

    def warm(self) -> None:
        """Start the process now, so that nothing need wait for it."""
        with self._asking:
            self._ready()

    def look(self, look: Look) -> None:
        """A first look, unless the process is not to be had: it is only a foretaste."""
        self._send(look)

    def ask(self, ask: Ask) -> None:
        """Edges at a tolerance; what is still fitted for an earlier asking is dropped."""
        known = self._sent == ask.key
        if self._send(replace(ask, outlines=None) if known else ask):
            self._sent = ask.key

    def close(self) -> None:
        """End the process."""
        with self._asking:
            self._is_closed = True
            self._aside.end()

    def _send(self, message: Look | Ask) -> bool:
        with self._asking, contextlib.suppress(OSError):
            line = self._ready()
            if line is not None:
                line.send(message)
                return True
        return False

    def _ready(self) -> Connection | None:
        if not self._is_closed and not self._aside.is_there:
            self._sent = ""
            line = self._aside.start()
            threading.Thread(target=self._listen, args=(line,), daemon=True).start()
        return self._aside.line

    def _listen(self, line: Connection) -> None:
        with contextlib.suppress(EOFError, OSError):
            while True:
                self._tell(line.recv())


# ------------------------------------------------------------------ in the process


def work(line: Connection) -> None:
    """Answer the newest asking, until nobody is at the other end."""
    from raster2path.bench.warmup import warm_up

    ready = _Ready()
    with contextlib.suppress(EOFError, OSError, KeyboardInterrupt):
        warm_up(line.poll)
        while True:
            for message in _newest(line):
                if isinstance(message, Look):
                    _look(message, line)
                else:
                    _answer(message, ready, line)


def _newest(line: Connection) -> Iterator[Look | Ask]:
    """What was asked: every look, but of askings only the newest."""
    asked = [line.recv()]
    while line.poll():
        asked.append(line.recv())
    looks = [one for one in asked if isinstance(one, Look)]
    asks = [one for one in asked if isinstance(one, Ask)]
    yield from looks[-1:]
    if asks:  # the newest may lack what an older one brought
        brought = next((a.outlines for a in reversed(asks) if a.outlines is not None), None)
        yield replace(asks[-1], outlines=asks[-1].outlines or brought)


class _Ready:
    """The outlines that were sent last, ready to be fitted one by one."""

    def __init__(self) -> None:
        self.key = ""
        self.outlines: Outlines | None = None
        self.fit: Callable[[int, FitRules], Any] | None = None

    def take(self, key: str, outlines: Outlines) -> None:
        from raster2path.shape.fit import fits_of

        self.key, self.outlines, self.fit = key, outlines, fits_of(outlines)


def _answer(ask: Ask, ready: _Ready, line: Connection) -> None:
    from raster2path.guides.svg import path_data

    if ask.outlines is not None and ask.key != ready.key:
        ready.take(ask.key, ask.outlines)
    if ready.fit is None or ready.outlines is None or ready.key != ask.key:
        return
    turn = ask.placement.mm_per_px / ready.outlines.placement.mm_per_px
    shift = ask.placement.origin_mm - turn * ready.outlines.placement.origin_mm
    numbers = in_turn(ready.outlines, ask.view_mm, is_flowing=ask.is_flowing)
    for k, number in enumerate(numbers):
        path = ready.fit(number, ask.rules).mapped(turn, shift)
        edge = {"number": number, "d": path_data(path), "kind": path.kind.token}
        line.send(Tried(ask.number, [edge], is_all=k + 1 == len(numbers)))
        if line.poll():
            return
    if not numbers:
        line.send(Tried(ask.number, [], is_all=True))


def in_turn(outlines: Outlines, view_mm: Box, *, is_flowing: bool) -> list[int]:
    """Numbers of the outlines that a tolerance concerns: in view, short and near first."""
    import numpy as np

    from raster2path.geometry import Kind

    x, y, width, height = view_mm
    middle = np.array([x + width / 2, y + height / 2])
    rated = []
    lines: list[Ring | Stroke] = [*outlines.rings, *outlines.strokes]
    for number, one in enumerate(lines):
        flows = one.kinds == Kind.ORGANIC
        if not (flows.any() if is_flowing else (~flows).any()) or len(one.points_mm) < 2:
            continue
        low, high = one.points_mm.min(axis=0), one.points_mm.max(axis=0)
        is_seen = bool((high >= (x, y)).all() and (low <= (x + width, y + height)).all())
        away = float(np.hypot(*((low + high) / 2 - middle))) / max(width, height, 1e-9)
        rated.append((not is_seen, len(one.points_mm) * (0.2 + away), number))
    return [number for *_, number in sorted(rated)]


def _look(look: Look, line: Connection) -> None:
    """The road with a smaller picture, as far as the ties; silent where that goes wrong."""
    from raster2path.bench.parts import rough_of
    from raster2path.pipeline import make

    near = replace(look.job, order=OrderRules(how=OrderHow.NEAR))
    with TemporaryDirectory(prefix="raster2path-") as place, contextlib.suppress(Exception):
        small, by = _smaller(look.picture, Path(place))
        if small is None:
            return
        nouns: dict[str, Any] = {}

        def made(stage: str, _: str, noun: object) -> None:
            nouns[stage] = noun
            if stage in ("areas", "points", "ties") and not line.poll():
                line.send(Seen(look.number, rough_of(nouns, near, by)))
            if stage == "ties":
                raise _EnoughError

        with contextlib.suppress(_EnoughError, Raster2PathError):
            make(near, small, made=made)


class _EnoughError(Exception):
    """The first look goes no further."""


def _smaller(picture: Path, place: Path) -> tuple[Path | None, float]:
    """The picture with about `LOOK_PX` pixels, and how many times as large it is itself.

    None where it is hardly larger than that.
    """
    import cv2

    half = cv2.imread(str(picture), cv2.IMREAD_REDUCED_COLOR_2)
    if half is None:
        return None, 1.0
    scale = (LOOK_PX / (half.shape[0] * half.shape[1])) ** 0.5
    if scale > 0.8:  # half the size would show it hardly sooner
        return None, 1.0
    small = cv2.resize(half, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    out = place / "look.png"
    cv2.imwrite(str(out), small, [cv2.IMWRITE_PNG_COMPRESSION, 0])
    return out, 2 / scale
