"""The door of the pages: only this machine, only this start's browser, nothing too long."""

from __future__ import annotations

import asyncio
import socket

import httpx
import pytest
from starlette.requests import Request
from starlette.responses import PlainTextResponse

from raster2path.bench.guard import (
    MOST_BYTES,
    MOST_UPLOAD_BYTES,
    Door,
    Guard,
    Receive,
    Scope,
    Send,
    listen,
    safe_name,
)
from raster2path.errors import UsageError

DOOR = Door(8437)
OPEN = {"cookie": f"{DOOR.cookie}={DOOR.token}"}


async def reader(scope: Scope, receive: Receive, send: Send) -> None:
    """An app that reads the whole body and tells how long it was."""
    body = await Request(scope, receive).body()
    await PlainTextResponse(f"read {len(body)}")(scope, receive, send)


def ask(
    method: str = "GET",
    path: str = "/",
    *,
    headers: dict[str, str] | None = None,
    content: bytes | None = None,
    client: str = "127.0.0.1",
) -> httpx.Response:
    async def go() -> httpx.Response:
        guard = Guard(reader, door=DOOR, uploads=("/picture",))
        transport = httpx.ASGITransport(app=guard, client=(client, 50000))
        address = f"http://127.0.0.1:{DOOR.port}"
        async with httpx.AsyncClient(transport=transport, base_url=address) as browser:
            return await browser.request(method, path, headers=headers, content=content)

    return asyncio.run(go())


def test_the_address_of_the_terminal_opens_it_and_leaves_no_token_behind() -> None:
    opened = ask(path=f"/?token={DOOR.token}")
    assert opened.status_code == 303
    assert opened.headers["location"] == "/"
    cookie = opened.headers["set-cookie"]
    assert "HttpOnly" in cookie
    assert "SameSite=Strict" in cookie
    assert ask(headers=OPEN).text == "read 0"
    assert DOOR.token not in repr(DOOR)


@pytest.mark.parametrize(
    "headers", [{}, {"cookie": f"{DOOR.cookie}=wrong"}, {"cookie": f"raster2path-1={DOOR.token}"}]
)
def test_without_the_token_nothing_opens(headers: dict[str, str]) -> None:
    assert ask(headers=headers).status_code == 403
    assert ask("POST", "/picture", headers=headers, content=b"x").status_code == 403


def test_a_wrong_token_in_the_address_gives_no_cookie() -> None:
    refused = ask(path="/?token=wrong")
    assert refused.status_code == 403
    assert "set-cookie" not in refused.headers


def test_an_address_of_hundreds_of_words_holds_no_token() -> None:
    assert ask(path="/?" + "a=1&" * 500, headers=OPEN).status_code == 200
    assert ask(path=f"/?{'a=1&' * 500}token={DOOR.token}").status_code == 403


def test_the_token_trade_leads_nowhere_else() -> None:
    for path in ("//elsewhere.example/", "/%5Celsewhere.example", "/a%0d%0ab"):
        place = ask(path=f"{path}?token={DOOR.token}").headers["location"]
        assert place.startswith("/")
        assert not place.startswith("//")
        assert "\\" not in place


@pytest.mark.parametrize(
    "host", ["evil.example", "evil.example:8437", "127.0.0.1", "127.0.0.1:1", "localhost.evil:8437"]
)
def test_a_foreign_host_is_refused_even_with_the_token(host: str) -> None:
    """A name of somebody else that resolves to this machine (DNS rebinding) reads nothing."""
    assert ask(headers=OPEN | {"host": host}).status_code == 421


@pytest.mark.parametrize("origin", ["https://evil.example", "null", "http://127.0.0.1:1"])
@pytest.mark.parametrize("method", ["GET", "POST"])
def test_a_foreign_origin_is_refused_even_with_the_token(method: str, origin: str) -> None:
    assert ask(method, headers=OPEN | {"origin": origin}).status_code == 403


def test_our_own_origin_is_let_in() -> None:
    own = {"origin": f"http://127.0.0.1:{DOOR.port}", "sec-fetch-site": "same-origin"}
    assert ask("POST", headers=OPEN | own, content=b"abc").text == "read 3"


@pytest.mark.parametrize("site", ["cross-site", "same-site"])
def test_what_another_site_loads_is_refused(site: str) -> None:
    """Fetch metadata: W3C, Fetch Metadata Request Headers."""
    assert ask(headers=OPEN | {"sec-fetch-site": site}).status_code == 403
    frame = {"sec-fetch-site": site, "sec-fetch-mode": "navigate", "sec-fetch-dest": "iframe"}
    assert ask(headers=OPEN | frame).status_code == 403
    link = {"sec-fetch-site": site, "sec-fetch-mode": "navigate", "sec-fetch-dest": "document"}
    assert ask(headers=OPEN | link).status_code == 200
    assert ask("POST", headers=OPEN | link).status_code == 403


def test_another_machine_is_refused() -> None:
    assert ask(headers=OPEN, client="192.0.2.7").status_code == 403


def test_a_long_body_is_refused_declared_or_not() -> None:
    long = {**OPEN, "content-length": str(MOST_UPLOAD_BYTES + 1)}
    assert ask("POST", "/picture", headers=long).status_code == 413
    assert ask("POST", "/picture", headers={**OPEN, "content-length": "x"}).status_code == 413
    too_long = b"x" * (MOST_BYTES + 1)
    assert ask("POST", "/job", headers=OPEN, content=too_long).status_code == 413
    small = {**OPEN, "content-length": "1"}  # a header that lies
    assert ask("POST", "/job", headers=small, content=too_long).status_code == 413
    assert ask("POST", "/picture", headers=OPEN, content=too_long).status_code == 200


def test_every_answer_is_strict() -> None:
    for answer in (ask(headers=OPEN), ask()):
        policy = answer.headers["content-security-policy"]
        assert "default-src 'none'" in policy
        assert "unsafe" not in policy
        assert "http" not in policy
        assert answer.headers["x-content-type-options"] == "nosniff"
        assert answer.headers["cache-control"] == "no-store"
        assert answer.headers["referrer-policy"] == "no-referrer"


def test_it_listens_on_this_machine_only() -> None:
    with listen() as here:
        assert here.getsockname()[0] == "127.0.0.1"
        with pytest.raises(UsageError, match="can't be used"):
            listen(here.getsockname()[1])
        with socket.create_connection(here.getsockname(), timeout=2):
            pass


@pytest.mark.parametrize(
    ("text", "name"),
    [
        ("heron.jpg", "heron.jpg"),
        ("../../etc/passwd", "passwd"),
        ("C:\\signs\\heron.png", "heron.png"),
        ("..", "picture"),
        ("", "picture"),
        (".hidden.png", "hidden.png"),
        ("a\0b\n.png", "ab.png"),
        ("<script>alert(1)</script>.png", "script.png"),
        ("Reiher über Schilf.jpg", "Reiher über Schilf.jpg"),
        ("x" * 300 + ".jpeg", "x" * 70 + ".jpeg"),
    ],
)
def test_a_name_from_somebody_else_is_never_a_path(text: str, name: str) -> None:
    assert safe_name(text) == name
