"""The light's two pages on this machine: one for the projector, one for the hand beside the table.

Both show one session; what either asks changes it, and both are told. Nothing here ever reaches
the torch.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import time
from collections.abc import AsyncIterator, Callable, Mapping
from contextlib import asynccontextmanager
from typing import Any

import numpy as np
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, Response, StreamingResponse
from starlette.routing import Route

from raster2path.bench.guard import Door, Guard
from raster2path.bench.served import GONE, PageFiles, asked_json, serve_app
from raster2path.errors import Raster2PathError, UsageError
from raster2path.geometry import to_points
from raster2path.light import session as acts
from raster2path.light.board import pattern
from raster2path.light.photograph import read_photograph, sight
from raster2path.light.registration import Mark, Registration
from raster2path.light.scene import Scene
from raster2path.light.session import Json, Session, SizePx
from raster2path.light.slides import upright
from raster2path.light.views import display

AGAIN_S = 15.0
"""So often a page is told all of it again: a reminder comes with time alone."""

Keep = Callable[[Mapping[SizePx, tuple[Mark, ...]]], None]


class Lamp:
    """The one session, who watches it, and where its marks are kept.

    Args:
        session: to begin with.
        keep: remembers marks for next time.
        clock: seconds that do not run back.
    """

    def __init__(
        self, session: Session, keep: Keep, clock: Callable[[], float] = time.monotonic
    ) -> None:
        self.session = session
        self._keep = keep
        self._clock = clock
        self._kept = acts.to_remember(session)
        self._number = 0
        self._watchers: set[asyncio.Queue[None]] = set()
        self.is_open = True
        self.loop: asyncio.AbstractEventLoop | None = None

    def ask(self, asked: Mapping[str, object]) -> None:
        """Do one act and tell everyone.

        Raises:
            UsageError: it makes no sense; all is as it was.
        """
        self.put(acts.act(self.session, asked, now_s=self._clock()))
        if asked.get("do") not in ("move", "nudge"):
            self.save()

    def put(self, session: Session) -> None:
        """Another session in place of this one; tells everyone."""
        self.session = session
        self._number += 1
        self._tell()

    def save(self) -> None:
        """Keep the marks, if they have changed."""
        now = acts.to_remember(self.session)
        if now != self._kept:
            self._keep(now)
            self._kept = now

    def close(self) -> None:
        """The last word: marks are kept, watchers sent home."""
        if self.is_open:
            self.save()
            self.is_open = False
            self._tell()

    def close_soon(self) -> None:
        """The same from anywhere, such as the handler of a signal."""
        if self.loop is not None:
            self.loop.call_soon_threadsafe(self.close)

    def _tell(self) -> None:
        for watcher in self._watchers:
            watcher.put_nowait(None)

    async def news(self) -> AsyncIterator[str]:
        """The state now, and again whenever it changes, as server-sent events."""
        watcher: asyncio.Queue[None] = asyncio.Queue()
        self._watchers.add(watcher)
        try:
            while self.is_open:
                yield f"event: state\ndata: {json.dumps(self.state())}\n\n"
                with contextlib.suppress(TimeoutError):
                    await asyncio.wait_for(watcher.get(), AGAIN_S)
                while not watcher.empty():
                    watcher.get_nowait()
        finally:
            self._watchers.discard(watcher)

    def state(self) -> Json:
        """Everything that the pages show, but the scene."""
        now, units = self.session, self.session.scene.units
        told, warning = acts.resolution(now)
        return {
            "number": self._number,
            "title": now.scene.title,
            "view": now.view.value,
            "cut": now.cut,
            "n_cuts": now.scene.n_cuts,
            "told_cut": acts.told_cut(now),
            "is_blank": now.is_blank,
            "is_punched": now.is_punched,
            "n_punched": len(now.scene.punched_mm),
            "size_px": now.size_px,
            "marks": [_mark(mark) for mark in now.marks],
            "selected": now.selected,
            "units": units.value,
            "verdict": units.told(acts.verdict(now)),
            "resolution": units.told(told),
            "warning": units.told(warning),
            "reminder": units.told(acts.reminder(now, now_s=self._clock())),
            "says": units.told(now.says),
            "map": _map(now),
            "lit": _lit(now),
        }


def _mark(mark: Mark) -> Json:
    return {
        "mm": [mark.sheet_mm.real, mark.sheet_mm.imag],
        "px": [mark.at_px.real, mark.at_px.imag],
    }


def _map(session: Session) -> Json | None:
    found = session.registration
    if found is None:
        return None
    return {
        "matrix": found.px_from_mm.ravel().tolist(),
        "bow": [
            found.bow.share,
            found.bow.middle_px.real,
            found.bow.middle_px.imag,
            found.bow.radius_px,
        ],
    }


def _lit(session: Session) -> Json:
    if session.is_blank:
        return {"strokes": [], "words": [], "is_punched": False, "banner": ""}
    lit = display(session.scene, session.view, cut=session.cut, is_punched=session.is_punched)
    return {
        "strokes": [[s.index, s.colour, s.width_px, s.is_dashed] for s in lit.strokes],
        "words": [[word.index, word.colour] for word in lit.words],
        "is_punched": lit.is_punched,
        "banner": lit.banner,
    }


def scene_json(scene: Scene) -> Json:
    """The scene for the page, in mm with three decimals."""
    return {
        "strokes": [np.round(stroke.points_mm, 3).ravel().tolist() for stroke in scene.strokes],
        "words": [[w.text, w.at_mm.real, w.at_mm.imag, w.height_mm] for w in scene.words],
        "punched": np.round(_points(scene.punched_mm), 3).ravel().tolist(),
        "aid": scene.colours.aid,
    }


def _points(marks: tuple[complex, ...]) -> Any:  # noqa: ANN401 (an array, or an empty one)
    return to_points(marks) if marks else np.empty((0, 2))


def light_app(lamp: Lamp, door: Door) -> Guard:
    """Both pages as an ASGI app, behind the guard."""

    @asynccontextmanager
    async def life(_: Starlette) -> AsyncIterator[None]:
        lamp.loop = asyncio.get_running_loop()
        yield
        lamp.close()

    rooms = _Rooms(lamp)
    routes = [
        Route("/", rooms.hand),
        Route("/light", rooms.light),
        Route("/page/{name}", rooms.page_files.answer),
        Route("/news", rooms.news),
        Route("/state", rooms.state),
        Route("/scene", rooms.scene),
        Route("/pattern", rooms.pattern),
        Route("/act", rooms.act, methods=["POST"]),
        Route("/photo", rooms.photo, methods=["POST"]),
    ]
    return Guard(
        Starlette(routes=routes, lifespan=life, exception_handlers=GONE),
        door=door,
        uploads=("/photo",),
    )


class _Rooms:
    """One method an address."""

    def __init__(self, lamp: Lamp) -> None:
        self._lamp = lamp
        self.page_files = PageFiles("raster2path.light")

    async def hand(self, _: Request) -> Response:
        return self.page_files.named("hand.html")

    async def light(self, _: Request) -> Response:
        return self.page_files.named("light.html")

    async def news(self, _: Request) -> Response:
        return StreamingResponse(self._lamp.news(), media_type="text/event-stream")

    async def state(self, _: Request) -> Response:
        return JSONResponse(self._lamp.state())

    async def scene(self, _: Request) -> Response:
        return JSONResponse(scene_json(self._lamp.session.scene))

    async def pattern(self, _: Request) -> Response:
        import cv2

        _is_done, content = cv2.imencode(".png", pattern(self._lamp.session.size_px))
        return Response(content.tobytes(), media_type="image/png")

    async def act(self, request: Request) -> Response:
        try:
            self._lamp.ask(await asked_json(request))
        except Raster2PathError as error:
            return self._trouble(error)
        return JSONResponse(self._lamp.state())

    async def photo(self, request: Request) -> Response:
        """A photograph of the pattern on the sheet; the crosses go where it shows the corners."""
        content = await request.body()
        session = self._lamp.session
        try:
            found, sentence = await run_in_threadpool(_sighted, session, content)
            self._lamp.put(acts.sighted(self._lamp.session, found, sentence))
            self._lamp.save()
        except Raster2PathError as error:
            return self._trouble(error)
        return JSONResponse(self._lamp.state())

    def _trouble(self, error: Raster2PathError) -> Response:
        """What a maker can mend: no fault of the page, so its console stays empty."""
        return JSONResponse({"trouble": self._lamp.session.scene.units.told(str(error))})


def _sighted(session: Session, content: bytes) -> tuple[Registration, str]:
    if not session.scene.has_sheet:
        raise UsageError(
            "a photograph can register the light only where the sheet's size is known: "
            "make the job with --sheet WxH"
        )
    corners = to_points(acts.corners_of(session.scene))
    where = session.registration or upright(session.scene.size_mm, session.size_px)
    found = sight(
        read_photograph(content),
        size_px=session.size_px,
        sheet_mm=session.scene.size_mm,
        expected_px=where.to_px(corners),
    )
    sentence = (
        f"found from {found.n_crossings} crossings on the sheet: look at the check lines, then "
        "move the crosses by hand where they miss"
    )
    return found.registration, sentence


def serve(
    session: Session, *, keep: Keep, port: int, say: Callable[[str], None], opens_browser: bool
) -> None:
    """Serve both pages until interrupted.

    Args:
        session: to begin with.
        keep: remembers marks for next time.
        port: on loopback; 0: any free one.
        say: told the address.
        opens_browser: whether the system's browser is opened.

    Raises:
        UsageError: the port can't be used.
    """
    lamp = Lamp(session, keep)
    serve_app(
        lambda door: light_app(lamp, door),
        port=port,
        before_end=lamp.close_soon,
        say=say,
        opens_browser=opens_browser,
    )
