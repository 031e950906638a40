"""The door of every page that is served here: this machine only, this start's browser only.

Pure ASGI, so that any page of ours can stand behind it. What it promises is listed at `Guard`.
"""

from __future__ import annotations

import contextlib
import hmac
import re
import secrets
import socket
import unicodedata
from collections.abc import Awaitable, Callable, Iterable, MutableMapping
from dataclasses import dataclass, field
from http.cookies import CookieError, SimpleCookie
from typing import Any
from urllib.parse import parse_qs

from raster2path.errors import UsageError

Scope = MutableMapping[str, Any]
Message = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[Message]]
Send = Callable[[Message], Awaitable[None]]
App = Callable[[Scope, Receive, Send], Awaitable[None]]
Header = tuple[bytes, bytes]

LOOPBACK = "127.0.0.1"
MOST_UPLOAD_BYTES = 80_000_000
"""A 120-megapixel JPEG stays below; a video does not. Common practice, no source."""

MOST_BYTES = 2_000_000
"""Of any other request: corrections by hand are a few numbers, painted ink is a small picture."""

PAGE_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob:; "
    "connect-src 'self'; manifest-src 'self'; base-uri 'none'; form-action 'none'; "
    "frame-ancestors 'none'"
)
FILE_POLICY = (
    "default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'; "
    "frame-ancestors 'none'; sandbox"
)
"""For files that carry a maker's or a customer's text, such as an SVG opened by itself."""

HEADERS: tuple[Header, ...] = (
    (b"x-content-type-options", b"nosniff"),
    (b"x-frame-options", b"DENY"),
    (b"referrer-policy", b"no-referrer"),
    (b"cross-origin-opener-policy", b"same-origin"),
    (b"cross-origin-resource-policy", b"same-origin"),
    (b"permissions-policy", b"camera=(), geolocation=(), microphone=(), payment=(), usb=()"),
)
CLOSED = "This page belongs to one start of raster2path. Open the address that the terminal shows."


@dataclass(frozen=True, slots=True)
class Door:
    """Where one start of a page listens, and the word that opens it.

    Attributes:
        port: on loopback.
        token: of this start; 256 bits from the system.
    """

    port: int
    token: str = field(default_factory=lambda: secrets.token_urlsafe(32), repr=False)

    @property
    def hosts(self) -> frozenset[str]:
        """Names under which a browser on this machine may ask for us."""
        return frozenset({f"{LOOPBACK}:{self.port}", f"localhost:{self.port}"})

    @property
    def origins(self) -> frozenset[str]:
        """The same as origins."""
        return frozenset(f"http://{host}" for host in self.hosts)

    @property
    def cookie(self) -> str:
        """Name of the cookie; with the port, because a browser sends cookies to every port."""
        return f"raster2path-{self.port}"

    def address(self, path: str = "/") -> str:
        """What the browser is opened with; it trades the token for a cookie and forgets it."""
        return f"http://{LOOPBACK}:{self.port}{path}?token={self.token}"


def listen(port: int = 0) -> socket.socket:
    """A socket that listens on loopback; port 0: any free one.

    Raises:
        UsageError: the port is taken or not ours to take.
    """
    here = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    here.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        here.bind((LOOPBACK, port))
        here.listen(128)  # so that a browser may come before the server is ready
    except OSError as error:
        here.close()
        raise UsageError(
            f"port {port} can't be used ({error.strerror}); close what uses it, or leave it out"
        ) from error
    return here


def safe_name(text: str) -> str:
    """A file's name from a name that somebody else chose: never a path, never hidden, never empty.

    Letters and digits of any script, spaces, `-`, `_` and inner dots stay; at most 80 characters.
    """
    last = re.split(r"[/\\]", unicodedata.normalize("NFC", text))[-1]
    kept = re.sub(r"[^\w .-]", "", last).strip(" .")
    if len(kept) > 80:
        stem, dot, ending = kept.rpartition(".")
        kept = f"{(stem or ending)[:70].rstrip(' .')}{dot}{ending[:9]}" if dot else kept[:80]
    return kept or "picture"


class TooLargeError(Exception):
    """A request's body is longer than what its path may take."""


class Guard:
    """Lets through to `app` only what a page of this start, in a browser here, can have asked.

    Refused, each in one plain sentence: clients that are not on loopback (403), a Host that is
    not ours (421; so a foreign name that resolves to this machine reads nothing), an Origin or
    Sec-Fetch-Site that is not ours (403), a missing or wrong token (403), a body longer than
    its path may take (413), anything but HTTP. Every answer carries `PAGE_POLICY`, unless it
    has a policy of its own, and is stored nowhere.

    Args:
        app: what is guarded.
        door: where it listens.
        uploads: paths whose requests may be as long as a picture.
    """

    def __init__(self, app: App, *, door: Door, uploads: Iterable[str] = ()) -> None:
        self._app = app
        self._door = door
        self._uploads = frozenset(uploads)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one connection."""
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        if scope["type"] != "http":
            await send({"type": "websocket.close", "code": 1008})
            return
        refusal = self._refusal(scope)
        if refusal is not None:
            await _answer(send, *refusal)
            return
        if (token := _token_asked(scope)) is not None:
            await self._trade(scope, send, token)
            return
        if not self._is_known(scope):
            await _answer(send, 403, CLOSED)
            return
        await self._pass(scope, receive, send)

    def _refusal(self, scope: Scope) -> tuple[int, str] | None:
        client = scope.get("client")
        if client is not None and client[0] not in (LOOPBACK, "::1"):
            return 403, "This page is for this machine only."
        hosts = _values(scope, b"host")
        if len(hosts) != 1 or hosts[0] not in self._door.hosts:
            return 421, "This is not the address of this page. Open the one the terminal shows."
        origins = _values(scope, b"origin")
        if any(origin not in self._door.origins for origin in origins):
            return 403, "Another page asked for this one. Open the address the terminal shows."
        is_reading = scope["method"] in ("GET", "HEAD")
        sites = set(_values(scope, b"sec-fetch-site"))
        # A link or a typed address may open the page; only the page itself may do anything.
        allowed = {"same-origin", "none"} if is_reading else {"same-origin"}
        if _is_opening(scope):
            allowed |= {"cross-site", "same-site"}
        if sites - allowed:
            return 403, "Another page asked for this one. Open the address the terminal shows."
        if _declared_bytes(scope) > self._most_bytes(scope):
            return 413, self._too_large(scope)
        return None

    def _is_known(self, scope: Scope) -> bool:
        jar: SimpleCookie = SimpleCookie()
        for line in _values(scope, b"cookie"):
            try:
                jar.load(line)
            except CookieError:
                continue
        morsel = jar.get(self._door.cookie)
        return morsel is not None and self._is_token(morsel.value)

    def _is_token(self, text: str) -> bool:
        return hmac.compare_digest(text.encode("utf-8", "replace"), self._door.token.encode())

    async def _trade(self, scope: Scope, send: Send, token: str) -> None:
        """The token in the address becomes a cookie, so that it stays in no history."""
        if not self._is_token(token):
            await _answer(send, 403, CLOSED)
            return
        cookie = f"{self._door.cookie}={self._door.token}; Path=/; HttpOnly; SameSite=Strict"
        path = "/" + scope["path"].lstrip("/\\")
        place = path if re.fullmatch(r"/[A-Za-z0-9/_.-]*", path) else "/"
        more = ((b"location", place.encode()), (b"set-cookie", cookie.encode()))
        await _answer(send, 303, "", more)

    async def _pass(self, scope: Scope, receive: Receive, send: Send) -> None:
        is_begun = is_too_long = False
        n_bytes = 0

        async def counted() -> Message:
            nonlocal n_bytes, is_too_long
            message = await receive()
            if message["type"] == "http.request":
                n_bytes += len(message.get("body", b""))
                if n_bytes > self._most_bytes(scope):
                    is_too_long = True
                    raise TooLargeError
            return message

        async def dressed(message: Message) -> None:
            nonlocal is_begun
            if is_too_long and not is_begun:
                return  # what the app makes of the break is not the answer
            if message["type"] == "http.response.start":
                is_begun = True
                message["headers"] = _dressed(message.get("headers", ()))
            await send(message)

        with contextlib.suppress(TooLargeError):
            await self._app(scope, counted, dressed)
        if is_too_long and not is_begun:
            await _answer(send, 413, self._too_large(scope))

    def _most_bytes(self, scope: Scope) -> int:
        return MOST_UPLOAD_BYTES if scope["path"] in self._uploads else MOST_BYTES

    def _too_large(self, scope: Scope) -> str:
        most = self._most_bytes(scope) // 1_000_000
        return f"That is over {most} MB; expected a picture below that. Save it smaller."


def _values(scope: Scope, name: bytes) -> list[str]:
    return [value.decode("latin-1") for key, value in scope["headers"] if key.lower() == name]


def _is_opening(scope: Scope) -> bool:
    """True where the page is opened as a whole, as from a link: nobody but the person sees it."""
    modes, places = _values(scope, b"sec-fetch-mode"), _values(scope, b"sec-fetch-dest")
    return scope["method"] == "GET" and modes == ["navigate"] and places == ["document"]


def _declared_bytes(scope: Scope) -> int:
    try:
        return max((int(text) for text in _values(scope, b"content-length")), default=0)
    except ValueError:
        return MOST_UPLOAD_BYTES + 1


def _token_asked(scope: Scope) -> str | None:
    """The token of an opening address, or None."""
    if scope["method"] != "GET":
        return None
    try:
        words = parse_qs(scope.get("query_string", b"").decode("latin-1"), max_num_fields=20)
    except ValueError:  # more words than any address of ours has
        return None
    return words["token"][0] if "token" in words else None


def _dressed(headers: Iterable[Header]) -> list[Header]:
    """The answer's headers with ours; a policy or a cache rule of its own stays."""
    own = [(key.lower(), value) for key, value in headers if key.lower() != b"server"]
    names = {key for key, _ in own}
    ours = [
        (b"content-security-policy", PAGE_POLICY.encode()),
        (b"cache-control", b"no-store"),
        *HEADERS,
    ]
    return own + [(key, value) for key, value in ours if key not in names]


async def _answer(send: Send, status: int, sentence: str, more: Iterable[Header] = ()) -> None:
    body = sentence.encode()
    headers = [
        (b"content-type", b"text/plain; charset=utf-8"),
        (b"content-length", str(len(body)).encode()),
        *more,
    ]
    await send({"type": "http.response.start", "status": status, "headers": _dressed(headers)})
    await send({"type": "http.response.body", "body": body})
