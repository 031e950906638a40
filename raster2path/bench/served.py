"""What every page on this machine is served with: its files, the JSON it sends, the server."""

from __future__ import annotations

import json
import webbrowser
from collections.abc import Callable, Mapping
from importlib.resources import files
from pathlib import Path
from types import FrameType
from typing import Any

from starlette.requests import ClientDisconnect, Request
from starlette.responses import PlainTextResponse, Response

from raster2path.bench.guard import Door, Guard, listen
from raster2path.errors import UsageError

TYPES = {
    ".html": "text/html; charset=utf-8",
    ".css": "text/css; charset=utf-8",
    ".js": "text/javascript; charset=utf-8",
    ".svg": "image/svg+xml",
    ".png": "image/png",
    ".pdf": "application/pdf",
    ".dxf": "image/vnd.dxf",
}
"""Media type of each kind of file that is ever served."""


class PageFiles:
    """The files of a package's folder `page`, by name; no path of a request is ever looked up."""

    def __init__(self, package: str) -> None:
        folder = files(package) / "page"
        self._files = {entry.name: entry for entry in folder.iterdir() if entry.is_file()}

    def named(self, name: str) -> Response:
        """The file of that name, or the answer that there is none."""
        entry = self._files.get(name)
        kind = None if entry is None else TYPES.get(Path(entry.name).suffix)
        if entry is None or kind is None:
            return PlainTextResponse("There is nothing of that name.", status_code=404)
        return Response(entry.read_bytes(), media_type=kind)

    async def answer(self, request: Request) -> Response:
        """The same for a request whose address ends with the name."""
        return self.named(request.path_params["name"])


def gone(_: Request, error: Exception) -> Response:
    """The answer to a browser that went away before it had asked all of it: nobody reads it.

    Raises:
        Exception: what else went wrong.
    """
    if not isinstance(error, ClientDisconnect):
        raise error
    return PlainTextResponse("", status_code=400)


GONE: Mapping[Any, Any] = {ClientDisconnect: gone}
"""For the application: no page that is closed while it sends makes a noise in the terminal."""


async def asked_json(request: Request) -> dict[str, Any]:
    """A request's JSON object.

    Raises:
        UsageError: it is none.
    """
    if request.headers.get("content-type", "").split(";")[0].strip() != "application/json":
        raise UsageError("the page sent something that is no JSON")
    try:
        asked = json.loads(await request.body())
    except (ValueError, RecursionError) as error:
        raise UsageError("the page sent something that is no JSON") from error
    if not isinstance(asked, dict):
        raise UsageError("the page sent something that is no JSON object")
    return asked


def serve_app(
    app_for: Callable[[Door], Guard],
    *,
    port: int,
    before_end: Callable[[], None],
    say: Callable[[str], None],
    opens_browser: bool,
) -> None:
    """Serve an application on this machine until it is interrupted.

    Args:
        app_for: makes it for the door that it is entered by.
        port: on loopback; 0: any free one.
        before_end: sends home whoever still watches, or the server would wait for them in vain.
        say: told the address.
        opens_browser: whether the system's browser is opened.

    Raises:
        UsageError: the port can't be used.
    """
    import uvicorn

    class Server(uvicorn.Server):
        def handle_exit(self, sig: int, frame: FrameType | None) -> None:
            before_end()
            super().handle_exit(sig, frame)

    with listen(port) as here:
        door = Door(here.getsockname()[1])
        config = uvicorn.Config(
            app_for(door),
            log_level="warning",
            access_log=False,
            server_header=False,
            timeout_graceful_shutdown=1,
        )
        say(door.address())
        if opens_browser:
            webbrowser.open(door.address())
        Server(config).run(sockets=[here])
