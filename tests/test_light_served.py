"""The light's pages answer only their own browser, and what one page asks the other is told."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Mapping
from typing import Any

import cv2
import httpx
import numpy as np
import pytest

from raster2path.bench.guard import Door
from raster2path.light.board import pattern
from raster2path.light.registration import Mark
from raster2path.light.scene import Scene, light_up
from raster2path.light.serve import Lamp, light_app
from raster2path.light.session import SizePx, begin
from tests.guide_scenes import STAMP, harbour
from tests.test_light_photograph import camera, photographed
from tests.test_light_registration import SIZE_PX, Projector

DOOR = Door(8478)


@pytest.fixture(scope="module")
def scene() -> Scene:
    return light_up(harbour(sheet=(1200, 800)), stamp=STAMP)


class Shelf(list[dict[SizePx, tuple[Mark, ...]]]):
    """What was kept, each time."""

    def keep(self, marks: Mapping[SizePx, tuple[Mark, ...]]) -> None:
        self.append(dict(marks))


def lamp_of(scene: Scene) -> tuple[Lamp, Shelf]:
    shelf = Shelf()
    return Lamp(begin(scene, size_px=SIZE_PX), shelf.keep, clock=lambda: 0.0), shelf


def asked(lamp: Lamp, method: str, path: str, **more: Any) -> httpx.Response:  # noqa: ANN401
    """One request of a browser that was let in."""

    async def ask() -> httpx.Response:
        transport = httpx.ASGITransport(light_app(lamp, DOOR), client=("127.0.0.1", 40000))
        async with httpx.AsyncClient(
            transport=transport,
            base_url=f"http://127.0.0.1:{DOOR.port}",
            cookies={DOOR.cookie: DOOR.token},
        ) as client:
            return await client.request(method, path, timeout=60, **more)

    return asyncio.run(ask())


def test_a_browser_without_the_token_sees_nothing(scene: Scene) -> None:
    lamp, _ = lamp_of(scene)
    for path in ("/", "/light", "/state", "/scene", "/page/light.js"):
        answer = asked(lamp, "GET", path, headers={"cookie": "other=1"})
        assert answer.status_code == 403, path


@pytest.mark.parametrize("path", ["/", "/light"])
def test_the_pages_fetch_nothing_from_elsewhere(scene: Scene, path: str) -> None:
    answer = asked(lamp_of(scene)[0], "GET", path)
    assert answer.status_code == 200
    assert "http://" not in answer.text.replace("http://www.w3.org/2000/svg", "")
    assert "https://" not in answer.text
    assert "default-src 'none'" in answer.headers["content-security-policy"]


@pytest.mark.parametrize(
    "name", ["light.js", "hand.js", "draw.js", "keys.js", "wire.js", "light.css", "icon.svg"]
)
def test_every_part_of_the_pages_is_there(scene: Scene, name: str) -> None:
    answer = asked(lamp_of(scene)[0], "GET", f"/page/{name}")
    assert answer.status_code == 200
    assert "https://" not in answer.text
    assert asked(lamp_of(scene)[0], "GET", f"/page/no-{name}").status_code == 404


def test_the_scene_is_in_millimetres(scene: Scene) -> None:
    told = asked(lamp_of(scene)[0], "GET", "/scene").json()
    assert len(told["strokes"]) == len(scene.strokes)
    first = np.array(told["strokes"][5]).reshape(-1, 2)
    assert first == pytest.approx(scene.strokes[5].points_mm, abs=6e-4)
    assert [word[0] for word in told["words"]] == [word.text for word in scene.words]


def test_an_act_changes_the_state_and_marks_are_kept(scene: Scene) -> None:
    lamp, shelf = lamp_of(scene)
    before = asked(lamp, "GET", "/state").json()
    move = {"do": "move", "mark": 0, "x": 300.25, "y": 200}
    after = asked(lamp, "POST", "/act", json=move).json()
    assert after["number"] == before["number"] + 1
    assert after["marks"][0] == {"mm": [0.0, 0.0], "px": [300.2, 200.0]}
    asked(lamp, "POST", "/act", json={"do": "view", "view": "check"})
    assert shelf[-1][SIZE_PX][0].at_px == 300.2 + 200j


def test_an_act_that_makes_no_sense_is_one_sentence(scene: Scene) -> None:
    lamp, _ = lamp_of(scene)
    answer = asked(lamp, "POST", "/act", json={"do": "view", "view": "moon"})
    assert answer.json() == {"trouble": "the page asked for a view that there is not"}
    for body in ("[1]", "{", ""):
        wrong = asked(
            lamp, "POST", "/act", content=body, headers={"content-type": "application/json"}
        )
        assert "no JSON" in wrong.json()["trouble"]
    assert "no JSON" in asked(lamp, "POST", "/act", content="{}").json()["trouble"]


def test_a_page_that_is_closed_while_it_sends_makes_no_noise(scene: Scene) -> None:
    """As uvicorn tells it: half a body, then nobody is there."""
    lamp, _ = lamp_of(scene)
    half: list[dict[str, object]] = [
        {"type": "http.request", "body": b'{"do": ', "more_body": True},
        {"type": "http.disconnect"},
    ]

    async def receive() -> dict[str, object]:
        return half.pop(0)

    async def send(_: object) -> None:
        """Nobody reads it."""

    headers = [
        (b"host", f"127.0.0.1:{DOOR.port}".encode()),
        (b"cookie", f"{DOOR.cookie}={DOOR.token}".encode()),
        (b"content-type", b"application/json"),
    ]
    scope: dict[str, Any] = {"type": "http", "method": "POST", "path": "/act", "headers": headers}
    scope |= {"query_string": b"", "client": ("127.0.0.1", 40000), "root_path": ""}
    asyncio.run(light_app(lamp, DOOR)(scope, receive, send))
    assert not half


def test_the_pattern_is_that_of_the_projector(scene: Scene) -> None:
    content = asked(lamp_of(scene)[0], "GET", "/pattern").content
    shown = cv2.imdecode(np.frombuffer(content, np.uint8), cv2.IMREAD_GRAYSCALE)
    assert shown is not None
    assert np.array_equal(shown, pattern(SIZE_PX))


def test_a_photograph_registers_the_light(scene: Scene) -> None:
    lamp, shelf = lamp_of(scene)
    projector = Projector(0.0)
    photo = photographed(projector, camera((0.08, -0.1, 0.03), 2000.0))
    content = cv2.imencode(".jpg", photo)[1].tobytes()
    told = asked(lamp, "POST", "/photo", content=content).json()
    right = projector.px(np.array([[0.0, 0], [1200, 0], [1200, 800], [0, 800]]))
    assert [mark["px"] for mark in told["marks"][:4]] == pytest.approx(right, abs=2.0)
    assert len(told["marks"]) == 8
    assert told["view"] == "check"
    assert "crossings on the sheet" in told["says"]
    assert SIZE_PX in shelf[-1]


def test_a_photograph_of_nothing_is_one_sentence(scene: Scene) -> None:
    lamp, _ = lamp_of(scene)
    grey = cv2.imencode(".png", np.full((200, 300, 3), 90, np.uint8))[1].tobytes()
    answer = asked(lamp, "POST", "/photo", content=grey)
    assert answer.json()["trouble"].startswith("only 0 crossings of the pattern")
    nothing = asked(lamp, "POST", "/photo", content=b"no picture")
    assert "is not a picture" in nothing.json()["trouble"]


def test_without_a_sheet_a_photograph_says_what_is_missing() -> None:
    lamp, _ = lamp_of(light_up(harbour(), stamp=STAMP))
    answer = asked(lamp, "POST", "/photo", content=b"x")
    assert "--sheet WxH" in answer.text


def test_everyone_who_watches_is_told(scene: Scene) -> None:
    async def watch() -> list[dict[str, Any]]:
        lamp, _ = lamp_of(scene)
        told = []
        async for line in lamp.news():
            told.append(json.loads(line.split("data: ")[1]))
            if len(told) == 1:
                lamp.ask({"do": "cut", "number": 5})
            else:
                lamp.close()
        return told

    first, second = asyncio.run(watch())
    assert (first["view"], second["view"], second["cut"]) == ("register", "next", 5)
