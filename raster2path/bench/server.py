"""The page's server: a few addresses, all behind the guard; no path of a request is ever a file."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from pathlib import Path

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, PlainTextResponse, Response, StreamingResponse
from starlette.routing import Route

from raster2path.bench.changes import number_of
from raster2path.bench.desk import Desk
from raster2path.bench.drawing import drawn_of, ink_png, picture_jpeg
from raster2path.bench.guard import FILE_POLICY, Door, Guard
from raster2path.bench.jobs import take_in
from raster2path.bench.lamp import Lamp
from raster2path.bench.served import GONE, TYPES, PageFiles, asked_json, serve_app
from raster2path.errors import Raster2PathError, UsageError
from raster2path.guides.as_hung import as_hung_png
from raster2path.habits import Finished, keep_finished
from raster2path.model import Ink, Outlines, Picture
from raster2path.outputs import (
    dxf_bytes,
    folder_files,
    on_photo_bytes,
    pages_bytes,
    pdf_bytes,
    stale_paper,
    svg_bytes,
    svg_of,
    write_files,
)
from raster2path.pipeline import Result
from raster2path.settings import PAPERS_MM
from raster2path.torch.tally import tally

Answering = Callable[[Request], Awaitable[Response]]


def bench_app(desk: Desk, door: Door) -> Guard:
    """The whole page as an ASGI app.

    Args:
        desk: what it shows.
        door: where it listens.
    """

    @asynccontextmanager
    async def life(_: Starlette) -> AsyncIterator[None]:
        desk.start(asyncio.get_running_loop())
        yield
        await run_in_threadpool(rooms.close_all)

    rooms = _Rooms(desk)
    routes = [
        Route("/", rooms.page),
        Route("/page/{name}", rooms.page_files.answer),
        Route("/news", rooms.news),
        Route("/state", rooms.state),
        Route("/picture", _told(rooms.take_picture, desk), methods=["POST"]),
        Route("/open", _told(rooms.open_recent, desk), methods=["POST"]),
        Route("/close", _told(rooms.close, desk), methods=["POST"]),
        Route("/change", _told(rooms.change, desk), methods=["POST"]),
        Route("/try", _told(rooms.try_tie, desk), methods=["POST"]),
        Route("/edges", _told(rooms.try_edges, desk), methods=["POST"]),
        Route("/points", _told(rooms.points, desk), methods=["POST"]),
        Route("/undo", _told(rooms.undo, desk), methods=["POST"]),
        Route("/redo", _told(rooms.redo, desk), methods=["POST"]),
        Route("/save", _told(rooms.save, desk), methods=["POST"]),
        Route("/light", _told(rooms.light, desk), methods=["POST"]),
        Route("/took", _told(rooms.took, desk), methods=["POST"]),
        Route("/seen/{name}", _told(rooms.seen, desk)),
        Route("/files/{name}", _told(rooms.file, desk)),
    ]
    return Guard(
        Starlette(routes=routes, lifespan=life, exception_handlers=GONE),
        door=door,
        uploads=("/picture",),
    )


def _told(room: Answering, desk: Desk) -> Answering:
    """What a maker can mend is one plain sentence, with status 409."""

    async def answer(request: Request) -> Response:
        try:
            return await room(request)
        except Raster2PathError as error:
            return PlainTextResponse(desk.told(str(error)), status_code=409)

    return answer


class _Rooms:
    """One method an address."""

    def __init__(self, desk: Desk) -> None:
        self._desk = desk
        self._lamp = Lamp()
        self.page_files = PageFiles("raster2path.bench")

    async def page(self, _: Request) -> Response:
        return self.page_files.named("index.html")

    async def news(self, _: Request) -> Response:
        return StreamingResponse(self._desk.news(), media_type="text/event-stream")

    async def state(self, _: Request) -> Response:
        return JSONResponse(self._desk.state())

    async def take_picture(self, request: Request) -> Response:
        content = await request.body()
        name = request.query_params.get("name", "")
        self._desk.put(await run_in_threadpool(take_in, self._desk.jobs, name, content))
        return JSONResponse(self._desk.state())

    async def open_recent(self, request: Request) -> Response:
        asked = await asked_json(request)
        self._desk.lay_recent(str(asked.get("number", "")))
        return JSONResponse(self._desk.state())

    async def close(self, _: Request) -> Response:
        self._desk.clear()
        return JSONResponse(self._desk.state())

    async def change(self, request: Request) -> Response:
        asked = await asked_json(request)
        merge = asked.get("merge")
        self._desk.change(asked, merge if isinstance(merge, str) else None)
        return JSONResponse(self._desk.state())

    async def try_tie(self, request: Request) -> Response:
        """Where a tie would land, while it is dragged."""
        return JSONResponse(self._desk.try_tie(await asked_json(request)))

    async def try_edges(self, request: Request) -> Response:
        """Edges at a tolerance, while it is still being chosen; they come with the news."""
        self._desk.ask_edges(await asked_json(request))
        return JSONResponse({})

    async def points(self, request: Request) -> Response:
        """Points of the edge at a place, to be dragged."""
        return JSONResponse({"points_mm": self._desk.points_near(await asked_json(request))})

    async def undo(self, _: Request) -> Response:
        self._desk.undo(-1)
        return JSONResponse(self._desk.state())

    async def redo(self, _: Request) -> Response:
        self._desk.undo(1)
        return JSONResponse(self._desk.state())

    async def save(self, request: Request) -> Response:
        """Everything that `guide job.toml` would write, in the job's folder."""
        asked = await asked_json(request)
        result, where, number = await self._desk.final()
        is_anyway = asked.get("anyway") is True

        def write() -> list[str]:
            made = folder_files(
                result, picture=where.picture, folder=where.folder, anyway=is_anyway
            )
            write_files(where.folder, made, stale=stale_paper(made))
            return list(made)

        names = await run_in_threadpool(write)
        self._desk.written(number)
        return JSONResponse({"folder": str(where.folder), "files": names})

    async def light(self, request: Request) -> Response:
        """The projected page of the job as it is now; the answer tells where it is."""
        await self.save(request)
        _, where, _ = await self._desk.final()
        asked = await asked_json(request)
        address = await run_in_threadpool(
            self._lamp.light, where.folder, is_anyway=asked.get("anyway") is True
        )
        return JSONResponse({"address": address})

    async def took(self, request: Request) -> Response:
        """The minutes that a job took in the end; next time's estimate learns from them."""
        minutes = number_of((await asked_json(request)).get("minutes"))
        if not 1 <= minutes <= 100_000:
            raise UsageError(f"{minutes:g} minutes; expected 1 to 100000")
        result, _, _ = await self._desk.final()
        job, metres = result.job, tally(result.order, rules=result.job.tally).metres
        if metres <= 0:
            raise UsageError("there is nothing to cut in this job")
        keep_finished(Finished(job.name, job.date, metres, minutes))
        return JSONResponse({"minutes": minutes})

    def close_all(self) -> None:
        """End what was started for the page."""
        self._lamp.out()
        self._desk.close()

    async def seen(self, request: Request) -> Response:
        """The pictures under the drawing, by the key that the drawing tells."""
        key, _, form = request.path_params["name"].partition(".")
        noun = self._desk.noun(key)
        if form == "jpg" and isinstance(noun, Picture):
            content = await run_in_threadpool(picture_jpeg, noun.rgb)
            return Response(content, media_type="image/jpeg")
        if form == "json" and isinstance(noun, Outlines):
            return JSONResponse(await run_in_threadpool(drawn_of, noun))
        if form == "png" and isinstance(noun, Ink):
            return Response(await run_in_threadpool(ink_png, noun.mask), media_type="image/png")
        return PlainTextResponse("That picture has been drawn anew.", status_code=404)

    async def file(self, request: Request) -> Response:
        """One file to keep, of the job as it is now."""
        name = request.path_params["name"]
        made_by = FILES.get(name) or _pages_named(name)
        if made_by is None and name not in TOGETHER:
            return PlainTextResponse("There is no file of that name.", status_code=404)
        result, where, _ = await self._desk.final()
        is_paper = name == "guides.pdf" or name.startswith("pages-")
        if is_paper and not result.is_ready and "anyway" not in request.query_params:
            raise UsageError("Paper to cut by is held back until the sign is ready to cut.")
        if made_by is None:
            made = await run_in_threadpool(
                folder_files, result, picture=where.picture, folder=where.folder
            )
            content = made[name]
        else:
            content = await run_in_threadpool(made_by, result)
        stem = "".join(c if c.isascii() and c.isalnum() else "-" for c in result.stamp.name)
        headers = {
            "content-security-policy": FILE_POLICY,
            "content-disposition": f'attachment; filename="{stem}-{name}"',
        }
        return Response(content, media_type=TYPES[Path(name).suffix], headers=headers)


TOGETHER = ("job.pdf", "proof.pdf")
"""Files that are only made with all others."""

FILES: dict[str, Callable[[Result], bytes]] = {
    "guides.svg": svg_bytes,
    "guides.pdf": pdf_bytes,
    "guides.dxf": dxf_bytes,
    "on-photo.png": on_photo_bytes,
    "as-hung.png": lambda result: as_hung_png(result.order, stamp=result.stamp),
}


def _pages_named(name: str) -> Callable[[Result], bytes] | None:
    """`pages-a4.pdf` and the like."""
    paper = name.removeprefix("pages-").removesuffix(".pdf")
    if name != f"pages-{paper}.pdf" or paper not in PAPERS_MM:
        return None

    def made(result: Result) -> bytes:
        return pages_bytes(result, PAPERS_MM[paper], svg_of(result))

    return made


def serve(
    source: Path | None,
    *,
    jobs: Path,
    port: int,
    say: Callable[[str], None],
    opens_browser: bool,
) -> None:
    """Serve the page until it is interrupted.

    Args:
        source: a picture, a `job.toml` or a job folder to begin with, or None.
        jobs: folder for pictures that come from the page.
        port: on loopback; 0: any free one.
        say: told the address.
        opens_browser: whether the system's browser is opened.

    Raises:
        Raster2PathError: the source can't be read, or the port can't be used.
    """
    desk = Desk(jobs, () if source is None else (source.parent, source.parent.parent))
    if source is not None:
        desk.lay(source)
    serve_app(
        lambda door: bench_app(desk, door),
        port=port,
        before_end=desk.end,
        say=say,
        opens_browser=opens_browser,
    )
