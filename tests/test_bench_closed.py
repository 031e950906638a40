"""The running bench is closed to others: each door tried from outside, by plain HTTP."""

from __future__ import annotations

import io
import json
import socket
import struct
import time
import tomllib
import zlib
from collections.abc import Iterator
from pathlib import Path
from xml.etree import ElementTree as ET

import httpx
import pytest

from tests.benches import SAMPLES, Bench, bench

PICTURE = SAMPLES / "small" / "ferry-solid.png"
ADDRESSES = (
    ("GET", "/"),
    ("GET", "/page/main.js"),
    ("GET", "/news"),
    ("GET", "/state"),
    ("POST", "/picture"),
    ("POST", "/open"),
    ("POST", "/close"),
    ("POST", "/change"),
    ("POST", "/try"),
    ("POST", "/edges"),
    ("POST", "/points"),
    ("POST", "/undo"),
    ("POST", "/redo"),
    ("POST", "/save"),
    ("GET", "/seen/x.jpg"),
    ("GET", "/files/guides.svg"),
)


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bench]:
    with bench(tmp_path_factory.mktemp("closed") / "jobs") as one:
        yield one


@pytest.fixture
def maker(desk: Bench) -> Iterator[httpx.Client]:
    """A client that came in by the address on the terminal."""
    with httpx.Client(base_url=desk.origin, timeout=60) as client:
        assert client.get(desk.address.removeprefix(desk.origin)).status_code == 303
        yield client


@pytest.mark.parametrize(("method", "path"), ADDRESSES)
def test_every_address_asks_for_the_token(desk: Bench, method: str, path: str) -> None:
    answer = httpx.request(method, desk.origin + path)
    assert answer.status_code == 403
    assert "terminal" in answer.text


@pytest.mark.parametrize(("method", "path"), ADDRESSES)
@pytest.mark.parametrize(
    "header",
    [
        {"host": "evil.example"},
        {"origin": "https://evil.example"},
        {"sec-fetch-site": "cross-site"},
    ],
    ids=["host", "origin", "site"],
)
def test_every_address_refuses_another_page(
    maker: httpx.Client, method: str, path: str, header: dict[str, str]
) -> None:
    assert maker.request(method, path, headers=header).status_code in (403, 421)


def test_only_loopback_is_bound(desk: Bench) -> None:
    """Every other address of this machine is refused."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        probe.connect(("192.0.2.1", 9))  # sends nothing; tells our own address (RFC 5737 net)
        own = probe.getsockname()[0]
    assert own != "127.0.0.1"
    with pytest.raises(OSError, match=r"refused|timed out"):
        socket.create_connection((own, desk.port), timeout=2)


@pytest.mark.parametrize(
    "path",
    [
        "/page/../guard.py",
        "/page/%2e%2e/guard.py",
        "/page/..%2fguard.py",
        "/page/%2fetc%2fpasswd",
        "/seen/..%2f..%2fjob.toml",
        "/files/job.toml",
        "/files/..%2f..%2fetc%2fpasswd",
        "/files/pages-..%2fx.pdf",
        "//etc/passwd",
        "/docs",
        "/openapi.json",
    ],
)
def test_no_path_of_a_request_is_a_file(desk: Bench, maker: httpx.Client, path: str) -> None:
    request = maker.build_request("GET", desk.origin)
    request.url = request.url.copy_with(raw_path=path.encode())
    answer = maker.send(request)
    assert answer.status_code in (404, 409)
    assert "root:" not in answer.text
    assert "def " not in answer.text


def bomb() -> bytes:
    """A PNG of a hundred bytes that says it is 60000 pixels wide and high."""

    def chunk(kind: bytes, body: bytes) -> bytes:
        crc = struct.pack(">I", zlib.crc32(kind + body))
        return struct.pack(">I", len(body)) + kind + body + crc

    header = struct.pack(">IIBBBBB", 60000, 60000, 8, 0, 0, 0, 0)
    data = zlib.compress(b"\0" * 1000)
    parts = chunk(b"IHDR", header) + chunk(b"IDAT", data) + chunk(b"IEND", b"")
    return b"\x89PNG\r\n\x1a\n" + parts


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"not a picture",
        b"<svg xmlns='http://www.w3.org/2000/svg' onload='alert(1)'/>",
        bomb(),
        PICTURE.read_bytes()[:2000],
    ],
    ids=["empty", "text", "svg", "bomb", "cut short"],
)
def test_a_hostile_upload_is_refused_and_leaves_nothing(
    desk: Bench, maker: httpx.Client, content: bytes
) -> None:
    before = sorted(desk.jobs.rglob("*"))
    answer = maker.post("/picture", params={"name": "hostile.png"}, content=content)
    assert answer.status_code == 409
    assert len(answer.text.splitlines()) == 1
    assert "raster2path-" not in answer.text  # no path of this machine is told
    assert sorted(desk.jobs.rglob("*")) == before


def test_an_upload_that_is_too_long_is_refused(maker: httpx.Client) -> None:
    too_long = (b"x" * 1_000_000 for _ in range(90))  # not even declared
    assert maker.post("/picture", content=too_long).status_code == 413
    long = json.dumps({"do": "ink", "stroke": [1.0] * 700_000}).encode()
    head = {"content-type": "application/json"}
    assert maker.post("/change", headers=head, content=long).status_code == 413


@pytest.mark.parametrize(
    "name", ["../../../escaped.png", "/etc/escaped.png", "..\\escaped.png", "a/../../escaped.png"]
)
def test_a_name_never_leaves_the_jobs_folder(desk: Bench, maker: httpx.Client, name: str) -> None:
    answer = maker.post("/picture", params={"name": name}, content=PICTURE.read_bytes())
    assert answer.status_code == 200
    (kept,) = desk.jobs.rglob("escaped.png")
    assert kept.parent == desk.jobs / "escaped-job"


@pytest.mark.parametrize("number", ["../../etc", "/etc/passwd", "0", ""])
def test_a_recent_job_is_opened_by_its_number_only(maker: httpx.Client, number: str) -> None:
    assert maker.post("/open", json={"number": number}).status_code == 409


WRONG: tuple[object, ...] = (
    {},
    {"do": "no such thing"},
    {"do": ["set"]},
    {"do": "set", "key": "no_such_key", "value": "1"},
    {"do": "set", "key": "width_mm", "value": "-5"},
    {"do": "set", "key": "width_mm", "value": 600},
    {"do": "set", "key": "width_mm", "value": "9" * 500},
    {"do": "ink", "stroke": [1, "x", 2]},
    {"do": "ink", "stroke": [0, 1, 2]},
    {"do": "ink", "stroke": [5, 1]},
    {"do": "ink", "stroke": [5, 1e300, 2]},
    {"do": "tie removed", "box": [1, 2, -3, 4]},
    {"do": "tie removed", "box": [1, 2, True, 4]},
    {"do": "kind", "kind": "organic'", "at": [1, 2], "near_px": 1},
    {"do": "several", "changes": [{"do": "several", "changes": []}]},
    {"do": "order", "places": [[1]]},
    [1, 2],
    "set",
    None,
)


@pytest.mark.parametrize("asked", WRONG, ids=str)
def test_a_change_that_makes_no_sense_changes_nothing(
    desk: Bench, maker: httpx.Client, asked: object
) -> None:
    maker.post("/picture", params={"name": "plain.png"}, content=PICTURE.read_bytes())
    before = _said_in(desk.jobs / "plain-job" / "job.toml")
    answer = maker.post("/change", json=asked)
    assert answer.status_code == 409
    assert len(answer.text.splitlines()) == 1
    assert _said_in(desk.jobs / "plain-job" / "job.toml") == before


def _said_in(file: Path) -> tuple[object, object]:
    """Settings and corrections; what is guessed may come in at any moment."""
    told = tomllib.loads(file.read_text(encoding="utf-8"))
    return told["settings"], told["corrections"]


@pytest.mark.parametrize(
    "content", [b"{", b'{"do": NaN', b'{"do":"ink","stroke":[5,NaN,1]}', b"[" * 100_000]
)
def test_what_is_no_json_is_refused(maker: httpx.Client, content: bytes) -> None:
    head = {"content-type": "application/json"}
    assert maker.post("/change", headers=head, content=content).status_code == 409
    assert maker.get("/state").status_code == 200


def test_a_form_of_another_page_is_no_request(maker: httpx.Client) -> None:
    """A form can be sent across sites without asking first, JSON can't (Fetch standard, CORS)."""
    answer = maker.post("/change", data={"do": "set"})
    assert answer.status_code == 409


def test_a_name_with_markup_stays_text(desk: Bench, maker: httpx.Client) -> None:
    """In the guides, too: they are opened in browsers."""
    name = "<script>alert(1)</script>&\"'.png"
    maker.post("/picture", params={"name": name}, content=PICTURE.read_bytes())
    toml = next(desk.jobs.glob("*script*/job.toml"))
    toml.write_text(
        toml.read_text().replace('name = "', 'name = "</title><script>alert(1)</script>'),
        encoding="utf-8",
    )
    jobs = maker.post("/close", json={}).json()["recent"]
    number = next(job["number"] for job in jobs if "script" in job["name"])
    assert maker.post("/open", json={"number": number}).status_code == 200
    answer = maker.get("/files/guides.svg", timeout=120)
    assert answer.status_code == 200, answer.text
    assert "sandbox" in answer.headers["content-security-policy"]
    assert "attachment" in answer.headers["content-disposition"]
    assert "<" not in answer.headers["content-disposition"]
    root = ET.parse(io.BytesIO(answer.content)).getroot()  # noqa: S314 (our own file)
    assert not [e for e in root.iter() if e.tag.endswith("script")]


def test_a_page_that_goes_away_is_forgotten(maker: httpx.Client) -> None:
    for _ in range(20):
        with maker.stream("GET", "/news") as news:
            assert next(news.iter_lines()) == "event: state"
    since = time.monotonic()
    assert maker.get("/state").status_code == 200
    assert time.monotonic() - since < 5


def test_the_jobs_folder_is_not_made_before_it_is_needed(tmp_path: Path) -> None:
    with bench(tmp_path / "later") as one:
        httpx.get(one.address)
        assert not one.jobs.exists()
