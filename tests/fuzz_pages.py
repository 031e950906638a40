"""Spoilt requests to both pages by the thousand: `python -m tests.fuzz_pages FIRST LAST`.

Each request is one that a page sends, or nearly: its JSON, bytes, address and headers have faults
put in, chosen by its number alone. It goes through the same application that a browser meets, in
this process. Whatever comes, the answer is whole, strict, one plain sentence where something is
wrong, soon there, and never our own fault; a stranger changes nothing; and the job that lies on the
bench can be saved and read again, and goes the road or says why not.
"""

from __future__ import annotations

import asyncio
import copy
import faulthandler
import json
import os
import random
import re
import resource
import signal
import sys
import tempfile
import time
import warnings
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np

import raster2path
from raster2path.bench.desk import Desk
from raster2path.bench.guard import Door, Guard
from raster2path.bench.jobs import open_job
from raster2path.bench.runner import Answer as Made
from raster2path.bench.runner import Runner, Wish
from raster2path.bench.scout import Ask, Look, Scout
from raster2path.bench.server import bench_app
from raster2path.errors import Raster2PathError
from raster2path.job import OrderHow, OrderRules
from raster2path.jobfile import read_job
from raster2path.light.board import pattern
from raster2path.light.scene import light_up
from raster2path.light.serve import Lamp, light_app
from raster2path.light.session import begin
from raster2path.pipeline import Result
from raster2path.settings import SETTINGS
from tests.fuzz import MOST_MB, VALUES, drawing, picture_seeds, spoilt_bytes
from tests.guide_scenes import STAMP, harbour

LONGEST_S = 20.0
"""Of processor time: no request, and no job that comes of one, may take longer."""

EVENING = 300
"""So many requests come to one bench and one light; then both begin anew."""

DOOR = Door(8437, "w" * 43)
SIZE_PX = (640, 400)
PLAIN = {200, 400, 404, 405, 409, 413}
REFUSED = {403, 421}

Tree = Any
"""What JSON can hold."""

ODD: tuple[Tree, ...] = (
    *(None, True, False, 0, -1, 1, 2, 0.5, -0.0, 1e308, -1e308, 5e-324, 10**19, -(10**400)),
    *(float("nan"), float("inf"), float("-inf"), "", "\0", "\ud800", "\u202e", "9" * 5000),
    *([], {}, [[]], [None], [1], [1, 2], [1, 2, 3, 4], [[1, 2]] * 3, [0.1] * 30_000),
    *("auto", "none", "../../etc/passwd", "<b>", "nan", "inf", "1e999", {"do": "set"}, [{}]),
)
"""Where numbers overflow, texts can't be written, and lists are not what they should be."""

HERE: tuple[Tree, ...] = (
    {"do": "set", "key": "width_mm", "value": "300"},
    {"do": "lettering", "mode": "all"},
    {"do": "kind", "kind": "organic", "at": [40, 36], "near_px": 8},
    {"do": "kind", "kind": "lettering", "box": [10, 10, 60, 50]},
    {"do": "kind", "kind": "geometric", "loop": [10, 10, 80, 12, 60, 55, 12, 50]},
    {"do": "ease", "ease": "looser", "loop": [5, 5, 90, 8, 70, 60]},
    {"do": "point moved", "at": [10, 10], "to": [12, 9.5], "near_px": 6},
    {"do": "point removed", "at": [86, 10], "near_px": 6},
    {"do": "kind", "kind": "geometric", "loop": [10, 10, 70, 12, 40, 60]},
    {"do": "ease", "ease": "looser", "loop": [10, 10, 70, 12, 40, 60, 20, 50]},
    {"do": "point moved", "at": [40, 36], "to": [42, 38.5], "near_px": 2},
    {"do": "point removed", "at": [40, 36], "near_px": 2},
    {"do": "face", "falls": True, "at": [40, 36], "near_px": 4},
    {"do": "ink", "stroke": [4.5, 12, 12, 50.25, 40]},
    {"do": "ink", "stroke": [-6, 60, 20, 80, 52]},
    {"do": "tie added", "at": [40, 20]},
    {"do": "tie removed", "box": [30, 10, 20, 20]},
    {"do": "tie moved", "box": [30, 10, 20, 20], "to": [56, 36], "is_mine": True},
    {"do": "tie widened", "box": [30, 10, 20, 20], "at": [40, 20], "width_mm": 9},
    {"do": "order", "places": [[40, 36], [70, 36], [10, 10]]},
    {"do": "done", "at": [40, 36], "near_px": 5, "is_done": True},
    {"do": "tie lost", "at": [40, 20], "near_px": 10, "is_lost": True},
    {"do": "strayed", "at": [50, 40], "near_px": 10, "is_so": True},
    {"do": "several", "changes": [{"do": "order", "places": []}, {"do": "several"}]},
    {"do": "several", "changes": [{"do": "lettering", "mode": "all"}, {"do": "order"}]},
)  # fmt: skip
"""Every change that the bench can ask for."""

THERE: tuple[Tree, ...] = (
    {"do": "size", "columns": 1280, "rows": 800},
    {"do": "view", "view": "check"},
    {"do": "step", "by": 1},
    {"do": "cut", "number": 3},
    {"do": "blank"},
    {"do": "punch"},
    {"do": "select", "mark": 2},
    {"do": "move", "mark": 0, "x": 300.25, "y": 200},
    {"do": "nudge", "x": -0.1, "y": 5},
    {"do": "marks", "mm": [[0, 0], [1200, 0], [1200, 800], [0, 800], [600, 400]]},
    {"do": "looked"},
)
"""Every act that the light's pages can ask for."""


@dataclass(frozen=True, slots=True)
class Asked:
    """One request.

    Attributes:
        is_bench: to the bench, else to the light.
        pieces: of the body, as they come.
        leaves: the browser goes away instead of ending the body.
        is_stranger: it lacks what only this start's browser has.
    """

    is_bench: bool
    method: str
    path: str
    query: bytes = b""
    headers: tuple[tuple[bytes, bytes], ...] = ()
    pieces: tuple[bytes, ...] = (b"",)
    leaves: bool = False
    is_stranger: bool = False


@dataclass(slots=True)
class Answered:
    """What came back.

    Attributes:
        ends: how often the answer ended; once, if all is well.
    """

    statuses: list[int] = field(default_factory=list)
    headers: dict[str, str] = field(default_factory=dict)
    body: bytes = b""
    ends: int = 0


OWN = (
    (b"host", f"127.0.0.1:{DOOR.port}".encode()),
    (b"cookie", f"{DOOR.cookie}={DOOR.token}".encode()),
    (b"content-type", b"application/json"),
)


# ---------------------------------------------------------------- what is asked


class Requests:
    """Makes requests by their number; `keys` are what the bench names its pictures by."""

    def __init__(self, keys: list[str]) -> None:
        self._pictures = picture_seeds()
        self._names = sorted(self._pictures)
        seen = [f"/seen/{key}.{ending}" for key in keys for ending in ("jpg", "png", "json")]
        names = (
            "guides.svg",
            "guides.pdf",
            "on-photo.png",
            "pages-a4.pdf",
            "proof.pdf",
            "as-hung.png",
        )
        self._looks = (
            *("/", "/state", "/news", "/page/bench.js", "/page/..%2fserver.py", "/nothing"),
            *seen,
            *(f"/files/{name}" for name in names),
        )  # fmt: skip
        self._light_looks = (
            "/",
            "/light",
            "/state",
            "/news",
            "/scene",
            "/pattern",
            "/page/keys.js",
        )
        shown = cv2.cvtColor(pattern(SIZE_PX), cv2.COLOR_GRAY2BGR)
        self._photos = {
            "pattern": cv2.imencode(".jpg", shown)[1].tobytes(),
            **{name: self._pictures[name] for name in ("jpeg", "png-16", "tiff", "webp", "bmp")},
        }

    def make(self, number: int) -> Asked:
        """The request of a number."""
        rng = random.Random(number)
        is_bench = rng.random() < 0.65
        chance = rng.random()
        if chance < 0.15:
            one = Asked(is_bench, "GET", rng.choice(self._looks if is_bench else self._light_looks))
        elif chance < 0.25:
            one = self._upload(rng, is_bench=is_bench)
        else:
            one = self._asking(rng, is_bench=is_bench)
        return (
            _misheaded(one, rng) if rng.random() < 0.3 else replace(one, headers=one.headers or OWN)
        )

    def _upload(self, rng: random.Random, *, is_bench: bool) -> Asked:
        held = self._pictures if is_bench else self._photos
        name = rng.choice(sorted(held))
        content = held[name]
        if rng.random() < 0.8:
            content = spoilt_bytes(content, rng, self._pictures[rng.choice(self._names)])
        called = rng.choice((f"{name}.jpg", "../../kelp.png", "", "%00", "%ff%fe.png", "k" * 3000))
        query = f"name={called}".encode()
        path = "/picture" if is_bench else "/photo"
        return Asked(is_bench, "POST", path, query, OWN, _in_pieces(content, rng))

    def _asking(self, rng: random.Random, *, is_bench: bool) -> Asked:
        path, tree = _sensible(rng, is_bench=is_bench)
        for _ in range(rng.choice((0, 1, 1, 1, 2, 4))):
            tree = _spoilt(tree, rng)
        body = json.dumps(tree).encode()
        if rng.random() < 0.15:
            body = spoilt_bytes(body, rng, b'[[[[{"do":"several","changes":[' * 50)
        elif rng.random() < 0.02:
            body = b"[" * 200_000
        leaves = rng.random() < 0.02
        return Asked(is_bench, "POST", path, b"", (), _in_pieces(body, rng), leaves=leaves)


def _sensible(rng: random.Random, *, is_bench: bool) -> tuple[str, Tree]:
    """An address and what a page sends there."""
    if not is_bench:
        return "/act", copy.deepcopy(rng.choice(THERE))
    other: tuple[tuple[str, Tree], ...] = (
        ("/undo", {}), ("/redo", {}), ("/save", {"anyway": True}), ("/took", {"minutes": 95}),
        ("/points", {"at": [200, 60]}),
        ("/edges", {"key": "organic_tolerance_mm", "value": "2", "view": [0, 0, 99, 99], "ask": 3}),
        ("/open", {"number": "0123456789abcdef"}), ("/try", {"at": [150, 80], "width_mm": 6}),
        ("/try", {"at": [200, 60], "width_mm": 12}), ("/redo", {}), ("/points", {"at": [150, 80]}),
        ("/edges", {"key": "organic_tolerance_mm", "value": "1.2", "view": [0, 0, 9, 9], "ask": 3}),
        ("/close", {}),
    )  # fmt: skip
    if rng.random() < 0.2:
        return copy.deepcopy(rng.choice(other if rng.random() < 0.3 else other[:-1]))
    if rng.random() < 0.3:
        key = rng.choice(SETTINGS).key
        words = (
            *VALUES,
            "1",
            "300",
            "900x600",
            "0.3",
            "12in",
            "left",
            "planned",
            "a4",
            "2026-01-02",
        )
        value = rng.choice(words).strip("'\"")
        return "/change", {"do": "set", "key": key, "value": value, "merge": key}
    return "/change", copy.deepcopy(rng.choice(HERE))


def _spoilt(tree: Tree, rng: random.Random) -> Tree:
    """The same with one fault in it, anywhere."""
    if isinstance(tree, dict) and tree and rng.random() < 0.9:
        key = rng.choice(sorted(tree))
        chance = rng.random()
        if chance < 0.1:
            del tree[key]
        elif chance < 0.2:
            tree[rng.choice(("at", "box", "do", "key", "mm", "\ud800"))] = tree[key]
        else:
            tree[key] = _spoilt(tree[key], rng)
        return tree
    if isinstance(tree, list) and tree and rng.random() < 0.7:
        at = rng.randrange(len(tree))
        chance = rng.random()
        if chance < 0.15:
            del tree[at]
        elif chance < 0.3:
            tree[at:at] = tree * rng.choice((1, 3, 300))
        else:
            tree[at] = _spoilt(tree[at], rng)
        return tree
    if isinstance(tree, (int, float)) and abs(tree) < 1e9 and rng.random() < 0.5:
        return rng.choice((-tree, tree * 10, tree + 0.5, tree * 1e5, str(tree), [tree]))
    return copy.deepcopy(rng.choice(ODD))


def _in_pieces(body: bytes, rng: random.Random) -> tuple[bytes, ...]:
    if rng.random() < 0.8:
        return (body,)
    cut = rng.randrange(len(body) + 1)
    return body[:cut], b"", body[cut:]


def _misheaded(one: Asked, rng: random.Random) -> Asked:
    """With a header, the method or the query spoilt; known for a stranger's where it must be."""
    headers = dict(one.headers or OWN)
    kind = rng.randrange(9)
    is_stranger = False
    if kind == 0:
        headers[b"content-type"] = rng.choice((b"", b"text/plain", b"application/json; q=\xff"))
    elif kind == 1:
        headers[b"content-length"] = rng.choice((b"-1", b"x", b"9" * 30, b"0", b"1e3", b"\xb2"))
    elif kind == 2:
        return replace(
            one,
            headers=tuple(headers.items()),
            method=rng.choice(("HEAD", "PUT", "OPTIONS", "GET", "POST", "\xe9")),
        )
    elif kind == 3:
        query = rng.choice(
            (b"token=" + b"v" * 43, b"%ff=%", b"&" * 500, b"token", b"anyway=1", b"\xff")
        )
        return replace(one, headers=tuple(headers.items()), query=query)
    elif kind == 4:
        is_stranger = True
        name, value = rng.choice(FOREIGN)
        headers[name] = value
    elif kind == 5:
        is_stranger = True
        del headers[rng.choice((b"cookie", b"host"))]
    elif kind == 6:
        is_stranger = True
        headers[b"cookie"] = bytes(spoilt_token(rng))
    elif kind == 7:
        headers[b"x-" + rng.randbytes(3).hex().encode()] = rng.randbytes(40)
    else:
        headers[b"accept-encoding"] = headers[b"range"] = rng.choice((b"bytes=0-", b"gzip", b"\0"))
    return replace(one, headers=tuple(headers.items()), is_stranger=is_stranger)


FOREIGN = (
    (b"host", b"elsewhere.example"), (b"host", b"127.0.0.1:1"), (b"host", b""),
    (b"host", b"127.0.0.1:8437.elsewhere.example"), (b"origin", b"null"),
    (b"origin", b"https://elsewhere.example"), (b"origin", b"http://127.0.0.1:84370"),
    (b"sec-fetch-site", b"cross-site"), (b"sec-fetch-site", b"same-site"),
)  # fmt: skip


def spoilt_token(rng: random.Random) -> bytes:
    """A cookie that is not ours, or that can't be read."""
    right = f"{DOOR.cookie}={DOOR.token}".encode()
    return rng.choice((
        right[:-1], right + b"w", right.upper(), right.replace(b"8437", b"8438"), b"=",
        b"\xff" * 90, DOOR.cookie.encode() + b'="\\', right.replace(b"=", b"=="), b";" * 4000,
    ))  # fmt: skip


# ---------------------------------------------------------------- what is answered


async def answered(app: Guard, one: Asked) -> Answered:
    """Ask the application as a server would.

    Raises:
        Exception: whatever the application lets through: a finding.
    """
    out = Answered()
    pieces = list(one.pieces)
    is_told = asyncio.Event()

    async def receive() -> dict[str, object]:
        if pieces:
            body = pieces.pop(0)
            if one.leaves and not pieces:
                return {"type": "http.disconnect"}
            return {"type": "http.request", "body": body, "more_body": bool(pieces)}
        await is_told.wait()
        return {"type": "http.disconnect"}

    async def send(message: Any) -> None:  # noqa: ANN401 (as ASGI has it)
        if message["type"] == "http.response.start":
            out.statuses.append(message["status"])
            out.headers |= {k.decode("latin-1"): v.decode("latin-1") for k, v in message["headers"]}
            return
        out.body += message.get("body", b"")
        out.ends += not message.get("more_body", False)
        if out.ends or "event-stream" in out.headers.get("content-type", ""):
            is_told.set()  # of a stream without end, one piece is enough

    scope = {
        "type": "http", "asgi": {"version": "3.0", "spec_version": "2.3"}, "http_version": "1.1",
        "method": one.method, "scheme": "http", "path": one.path, "raw_path": one.path.encode(),
        "root_path": "", "query_string": one.query, "headers": list(one.headers),
        "client": ("127.0.0.1", 50_000), "server": ("127.0.0.1", DOOR.port),
    }  # fmt: skip
    await app(scope, receive, send)
    return out


def faults_of(one: Asked, out: Answered) -> Iterator[str]:
    """What is wrong with an answer."""
    if one.leaves:
        return
    status = out.statuses[0] if out.statuses else 0
    if len(out.statuses) != 1 or (
        out.ends != 1 and "event-stream" not in out.headers["content-type"]
    ):
        yield f"the answer is not whole: {out.statuses}, {out.ends} ends"
    if status not in (REFUSED if one.is_stranger else PLAIN | REFUSED):
        yield f"the answer is {status}"
    for name in ("content-security-policy", "x-content-type-options", "cache-control"):
        if name not in out.headers:
            yield f"the answer has no {name}"
    kind = out.headers.get("content-type", "")
    if kind == "application/json":
        json.loads(out.body, parse_constant=_no_number)
    elif status in REFUSED | {404, 409, 413}:
        said = out.body.decode()
        if one.method != "HEAD" and not (said.strip() and said.isprintable() and len(said) < 600):
            yield f"no plain sentence: {said[:300]!r}"


def _no_number(word: str) -> None:
    raise ValueError(f"{word} is no JSON")


# ---------------------------------------------------------------- who answers


class AtOnce(Runner):
    """Answers every wish with the drawing that there is; the road is gone elsewhere."""

    def __init__(self, desk: Desk, result: Result) -> None:
        self._desk, self._result = desk, result
        self.scout = _Deaf()  # type: ignore[assignment]  # no process of its own is started here
        self.scout = _Blind(desk._from_thread)
        desk._loop = _Here()  # type: ignore[assignment]  # all that the desk asks of a loop

    def ask(self, wish: Wish) -> None:
        """Final already."""
        made = Made(wish.number, replace(self._result, job=wish.job), is_final=True)
        self._desk._from_thread(made)

    def close(self) -> None:
        """There is nothing to end."""


class _Blind(Scout):
    """Looks at nothing, and starts no process."""

    def _send(self, message: Look | Ask) -> bool:  # noqa: ARG002 (nobody hears it)
        return False


class _Deaf:
    """Takes what is asked of it, and does nothing."""

    def ask(self, _: object) -> None:
        pass

    look = ask

    def close(self) -> None:
        pass


class _Here:
    """A loop that does at once what it is handed."""

    def is_closed(self) -> bool:
        return False

    def call_soon_threadsafe(self, do: Callable[..., None], *args: object) -> None:
        do(*args)


class Evening:
    """A bench with a job on it, and a light."""

    def __init__(self, folder: Path, result: Result) -> None:
        picture = folder / "ferry.png"
        drawing().save(picture)
        self.desk = Desk(folder / "jobs")
        self.desk._runner = AtOnce(self.desk, result)
        self.desk._lay(open_job(picture))
        self.lamp = Lamp(
            begin(light_up(harbour(sheet=(1200, 800)), stamp=STAMP), size_px=SIZE_PX),
            lambda _: None,
            clock=lambda: 0.0,
        )
        self.apps = {True: bench_app(self.desk, DOOR), False: light_app(self.lamp, DOOR)}
        self._checked = 0

    def told(self) -> str:
        """All that both pages would show; a new job on the bench is saved and read again.

        Raises:
            ValueError: it is no JSON, or it is not read again as it was.
        """
        held = self.desk._open
        if held is not None and held.trouble is None and self._checked != self.desk._number:
            self._checked = self.desk._number
            if read_job(held.where.folder / "job.toml").job != held.history.job:
                raise ValueError("the job was read otherwise than it was saved")
        return json.dumps([self.desk.state(), self.lamp.state()], allow_nan=False)


class FuzzPages:
    """Asks by numbers, one evening after the other."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        picture = folder / "ferry.png"
        drawing().save(picture)
        self._result = raster2path.make(raster2path.new_job(picture), picture)
        first = folder / "first"
        first.mkdir()
        told = asyncio.run(_first_news(Evening(first, self._result).desk))
        self._requests = Requests(sorted(set(re.findall(r'"([0-9a-f]{16})"', told))))
        self.seen: Counter[str] = Counter()

    def make(self, number: int) -> Asked:
        """The request of a number."""
        return self._requests.make(number)

    def spend(self, first: int, last: int) -> None:
        """One evening of requests, and the job that came of it through the whole road.

        Raises:
            AssertionError: what was found, with the numbers that make it again.
        """
        place = self._folder / str(first)
        place.mkdir()
        evening = Evening(place, self._result)
        for number in range(first, last):
            signal.setitimer(signal.ITIMER_PROF, LONGEST_S)
            one = self.make(number)
            try:
                asyncio.run(self._one(evening, one))
            except Exception as error:
                where = f"request {number} of {first} to {last}"
                raise AssertionError(f"{where}: {error!r}\n{_shown(one)}") from error
        signal.setitimer(signal.ITIMER_PROF, LONGEST_S)
        self._whole_road(evening)

    async def _one(self, evening: Evening, one: Asked) -> None:
        before = evening.told() if one.is_stranger else ""
        out = await answered(evening.apps[one.is_bench], one)
        if faults := list(faults_of(one, out)):
            raise ValueError("; ".join(faults))
        after = evening.told()
        if one.is_stranger and before != after:
            raise ValueError("a stranger changed something")
        self.seen["left" if one.leaves else str(out.statuses[0])] += 1
        self.seen["a stranger"] += one.is_stranger

    def _whole_road(self, evening: Evening) -> None:
        held = evening.desk._open
        if held is None:
            return
        job = replace(held.history.job, order=OrderRules(how=OrderHow.NEAR))
        try:
            raster2path.make(job, held.where.picture)
            self.seen["whole road"] += 1
        except Raster2PathError as error:
            if "\n" in error.args[0]:
                raise ValueError(f"not one sentence: {error!r}") from error
            self.seen["told by the road"] += 1


async def _first_news(desk: Desk) -> str:
    """What a page is told when it opens: the state, and the drawing."""
    news = desk.news()
    return "".join([await anext(news) for _ in range(2)])


def _not_flushed(fd: object) -> None:
    del fd


def _shown(one: Asked) -> str:
    return f"{one.method} {one.path} {one.query[:80]!r} {dict(one.headers)} {one.pieces[0][:400]!r}"


def run(first: int, last: int) -> Counter[str]:
    """Ask the requests with these numbers; an evening begins at each multiple of its length.

    Raises:
        AssertionError: what was found.
    """
    faulthandler.register(signal.SIGPROF, chain=True)
    os.fsync = _not_flushed  # whether a disk keeps what it was given is not the matter here
    with tempfile.TemporaryDirectory() as place, warnings.catch_warnings():
        warnings.simplefilter("ignore")
        os.environ["RASTER2PATH_HOME"] = f"{place}/habits"
        fuzz = FuzzPages(Path(place))
        since = time.process_time()
        for start in range(first - first % EVENING, last, EVENING):
            os.write(2, f"\r{start}".encode())
            fuzz.spend(start, min(start + EVENING, last))
        signal.setitimer(signal.ITIMER_PROF, 0)
        took_s = time.process_time() - since
        peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024
        if peak_mb > MOST_MB:
            raise AssertionError(f"{peak_mb} MB were needed, expected at most {MOST_MB}")
        sys.stdout.write(f"{took_s:.0f} s of processor, {peak_mb} MB\n")
        return fuzz.seen


if __name__ == "__main__":
    np.seterr(all="ignore")
    sys.stdout.write(f"{dict(run(int(sys.argv[1]), int(sys.argv[2])))}\n")
