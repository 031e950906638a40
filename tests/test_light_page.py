"""The light in a real browser: crosses dragged and found again by their own light, cuts by keys.

What is on the screen is measured by image analysis and compared with what was computed.
"""

from __future__ import annotations

import contextlib
import io
import itertools
import math
import os
import re
import signal
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from PIL import Image, ImageDraw
from playwright.sync_api import Browser, BrowserContext, Page

from raster2path.geometry import to_points
from raster2path.habits import FOLDER_VARIABLE
from raster2path.light.board import pattern
from raster2path.light.command import Memory
from raster2path.light.registration import Bow, Mark, register

SIZE = (1280, 720)
GLOVE_PX = 128
"""20 mm at 160 pixels an inch, as tablets count them."""

CORNERS = (0j, 900 + 0j, 900 + 600j, 600j)
WANTED = (171 + 93j, 1130 + 61j, 1090 + 660j, 203 + 640j)
Picture = npt.NDArray[np.int32]


@pytest.fixture(scope="module")
def job(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A plate with three shapes, on a blank of 900 x 600 mm."""
    folder = tmp_path_factory.mktemp("light")
    picture = Image.new("L", (900, 600), 255)
    pen = ImageDraw.Draw(picture)
    pen.rectangle((120, 130, 330, 420), fill=0)
    pen.ellipse((430, 160, 620, 350), fill=0)
    pen.polygon([(690, 430), (790, 150), (830, 430)], fill=0)
    picture.save(folder / "plate.png")
    words = ("--width", "700", "--sheet", "900x600", "--dark", "opening", "--border", "rect")
    command = [sys.executable, "-m", "raster2path", "guide", str(folder / "plate.png"), *words]
    subprocess.run(command, check=True, capture_output=True, timeout=120)
    return folder / "plate-job"


@contextlib.contextmanager
def served(context: BrowserContext | None, job: Path, home: Path, *words: str) -> Iterator[str]:
    """The address of the light, until the block ends."""
    command = [sys.executable, "-m", "raster2path", "light", str(job), "--no-browser"]
    process = subprocess.Popen(
        [*command, "--port", "0", *words],
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        env={**os.environ, FOLDER_VARIABLE: str(home)},
    )
    assert process.stdout is not None
    found = re.search(r"http://\S+", process.stdout.readline())
    assert found
    try:
        yield found[0]
    finally:
        for page in context.pages if context is not None else ():
            page.close()
        process.send_signal(signal.SIGINT)
        try:
            process.wait(timeout=20)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
        told = process.stdout.read()
        process.stdout.close()
        assert "Traceback" not in told


@pytest.fixture
def context(chromium: Browser) -> Iterator[BrowserContext]:
    """Pages whose console must stay empty."""
    one = chromium.new_context(viewport={"width": SIZE[0], "height": SIZE[1]})
    one.set_default_timeout(20_000)
    said: list[str] = []
    one.on("console", lambda message: said.append(message.text))
    one.on("weberror", lambda error: said.append(str(error.error)))
    yield one
    for page in one.pages:
        page.close()
    one.close()
    assert not said


@pytest.fixture(scope="module")
def shared(job: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """One light for all tests that don't care what was before: `opened` sets it back."""
    with served(None, job, tmp_path_factory.mktemp("home")) as address:
        yield address


BEFORE = (
    {"do": "marks", "mm": [[0, 0], [900, 0], [900, 600], [0, 600]]},
    {"do": "cut", "number": 1},
    {"do": "view", "view": "register"},
    *(
        {"do": "move", "mark": k, "x": x, "y": y}
        for k, (x, y) in enumerate([(140, 80), (1140, 80), (1140, 640), (140, 640)])
    ),
    {"do": "select", "mark": 0},
)


def opened(context: BrowserContext, address: str) -> tuple[Page, Page]:
    """The page for the hand and the page for the projector, both as at the beginning."""
    hand = context.new_page()
    hand.goto(address)
    hand.wait_for_selector("html[data-shown]", state="attached")
    light = context.new_page()
    light.goto(address.split("?", maxsplit=1)[0] + "light")
    light.wait_for_selector("html[data-shown]", state="attached")
    settled(light, lambda state: state["size_px"] == list(SIZE))
    return hand, light


def set_back(page: Page) -> None:
    """Crosses upright, nothing cut: whatever a test before has done."""
    for act in BEFORE:
        page.evaluate(
            """(act) => fetch("/act", { method: "POST", body: JSON.stringify(act),
                headers: { "content-type": "application/json" } })""",
            act,
        )
    settled(page, lambda state: state["selected"] == 0)


def state_of(page: Page) -> dict[str, Any]:
    told: dict[str, Any] = page.evaluate("fetch('/state').then((answer) => answer.json())")
    return told


def settled(page: Page, is_so: Any = lambda _: True) -> dict[str, Any]:  # noqa: ANN401
    """The state, once it is as wanted and the page shows it."""
    for _ in range(200):
        state = state_of(page)
        if is_so(state) and page.evaluate("document.documentElement.dataset.shown") == str(
            state["number"]
        ):
            return state
        page.wait_for_timeout(50)
    raise AssertionError(f"never settled: {state}")


def seen(page: Page) -> Picture:
    """The screen, red, green and blue."""
    picture = Image.open(io.BytesIO(page.screenshot())).convert("RGB")
    return np.asarray(picture, np.int32)


def cross_seen(picture: Picture, near: complex) -> complex:
    """The crossing of two bright lines near a place: their middles, weighted by brightness."""
    x, y = round(near.real), round(near.imag)
    reach = 34
    left, top = max(0, x - reach), max(0, y - reach)
    patch = picture[top : y + reach, left : x + reach]
    bright = np.clip(patch[..., :2].min(axis=2) - 120.0, 0, None)  # white or yellow
    # arms beyond the ring and the number; each column of a level arm has a few bright pixels
    across, down = bright.sum(axis=0), bright.sum(axis=1)
    column = int(across.argmax())
    row = int(down.argmax())
    xs, ys = np.arange(column - 2, column + 3), np.arange(row - 2, row + 3)
    return complex(
        left + 0.5 + float((across[xs] * xs).sum() / across[xs].sum()),
        top + 0.5 + float((down[ys] * ys).sum() / down[ys].sum()),
    )


def drag(page: Page, start: complex, end: complex) -> None:
    page.mouse.move(start.real, start.imag)
    page.mouse.down()
    page.mouse.move((start + end).real / 2, (start + end).imag / 2)
    page.mouse.move(end.real, end.imag, steps=4)
    page.mouse.up()


def put(page: Page, wanted: tuple[complex, ...] = WANTED) -> dict[str, Any]:
    """Drag every cross to its place."""
    for index, place in enumerate(wanted):
        at = complex(*state_of(page)["marks"][index]["px"])
        drag(page, at, place)
        settled(
            page,
            lambda s, i=index, z=place: abs(complex(*s["marks"][i]["px"]) - z) < 1,
        )
    return settled(page)


def test_dragged_crosses_are_found_by_their_own_light(context: BrowserContext, shared: str) -> None:
    _, light = opened(context, shared)
    set_back(light)
    state = put(light)
    picture = seen(light)
    for mark in state["marks"]:
        computed = complex(*mark["px"])
        assert abs(cross_seen(picture, computed) - computed) < 1


def test_the_check_lines_lie_where_the_map_puts_them(context: BrowserContext, shared: str) -> None:
    """Crossings of the two rules with the sheet's 100 mm lines, measured on the screen."""
    _, light = opened(context, shared)
    set_back(light)
    state = put(light)
    light.keyboard.press("g")
    settled(light, lambda s: s["view"] == "check")
    marks = [Mark(complex(*m["mm"]), complex(*m["px"])) for m in state["marks"]]
    there = register(marks, size_px=SIZE)
    picture = seen(light)
    for mm in (100 + 300j, 400 + 100j, 700 + 100j, 100 + 500j):
        (x, y), *_ = there.to_px(to_points([mm]))
        assert abs(cross_seen(picture, complex(x, y)) - complex(x, y)) < 1


def test_a_bowed_lens_is_allowed_for_on_the_screen(
    context: BrowserContext, job: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Eight remembered marks of a lens that pushes the corners out by 3 %."""
    flat = register([Mark(z, at) for z, at in zip(CORNERS, WANTED, strict=True)], size_px=SIZE)
    bent = replace(flat, bow=Bow(0.03, 640 + 360j, math.hypot(*SIZE) / 2))
    places = [*CORNERS, 450 + 0j, 900 + 300j, 450 + 600j, 300j]
    px = bent.to_px(to_points(places))
    marks = tuple(Mark(z, complex(*at)) for z, at in zip(places, px, strict=True))
    monkeypatch.setenv(FOLDER_VARIABLE, str(tmp_path))
    Memory("projector", "table").keep({SIZE: marks})
    told = " ".join(f"{z.real:g},{z.imag:g}" for z in places)
    with served(context, job, tmp_path, "--marks", told) as address:
        _, light = opened(context, address)
        light.keyboard.press("g")
        settled(light, lambda s: s["view"] == "check")
        picture = seen(light)
        for mm in (800 + 100j, 100 + 500j):
            (x, y), *_ = bent.to_px(to_points([mm]))
            straight = flat.to_px(to_points([mm]))[0]
            assert abs(cross_seen(picture, complex(x, y)) - complex(x, y)) < 1
            assert abs(complex(*straight) - complex(x, y)) > 1.5


def test_torch_lines_are_lit_where_they_are_cut(context: BrowserContext, shared: str) -> None:
    _, light = opened(context, shared)
    set_back(light)
    state = put(light)
    light.keyboard.press("m")
    settled(light, lambda s: s["view"] == "mark")
    scene = light.evaluate("fetch('/scene').then((answer) => answer.json())")
    marks = [Mark(complex(*m["mm"]), complex(*m["px"])) for m in state["marks"]]
    there = register(marks, size_px=SIZE)
    bright = seen(light).max(axis=2) > 150
    torch = [i for i, _, thick, is_dashed in state_of(light)["lit"]["strokes"] if thick >= 2]
    assert len(torch) >= 4
    for index in torch:
        px = there.to_px(np.array(scene["strokes"][index]).reshape(-1, 2))
        hit = bright[px[:, 1].astype(int), px[:, 0].astype(int)]
        assert hit.mean() > 0.95


def test_keys_alone_register_and_step_through_all_cuts(
    context: BrowserContext, shared: str
) -> None:
    hand, light = opened(context, shared)
    set_back(light)
    before = complex(*state_of(light)["marks"][1]["px"])
    light.keyboard.press("2")
    for key in ("Control+ArrowLeft", "Shift+ArrowDown", "ArrowRight", "ArrowRight"):
        light.keyboard.press(key)
    wanted = before + (-10 + 0.2 + 1j)
    settled(light, lambda s: abs(complex(*s["marks"][1]["px"]) - wanted) < 0.06)
    light.keyboard.press("m")
    settled(light, lambda s: s["view"] == "mark")
    dark = seen(light)
    light.keyboard.press("b")
    settled(light, lambda s: s["is_blank"])
    assert seen(light).max() == 0
    light.keyboard.press("b")
    settled(light, lambda s: not s["is_blank"])
    assert np.abs(seen(light) - dark).max() == 0
    n_cuts = state_of(light)["n_cuts"]
    shown = []
    for number in range(1, n_cuts + 1):
        light.keyboard.press("PageDown" if number % 2 else "Space")
        state = settled(light, lambda s, n=number: s["view"] == "next" and s["cut"] == n)
        shown.append(seen(light))
        assert hand.locator("#told").inner_text().startswith(f"cut {number}: ")
        assert state["told_cut"].startswith(f"cut {number}: ")
    for one, other in itertools.pairwise(shown):
        assert np.abs(one - other).max() > 100
    light.keyboard.press("PageUp")
    settled(light, lambda s: s["cut"] == n_cuts - 1)
    assert np.abs(seen(light) - shown[-2]).max() == 0


def test_buttons_fit_a_glove_and_turn_pages(context: BrowserContext, shared: str) -> None:
    hand, light = opened(context, shared)
    set_back(light)
    for view in ("register", "next"):
        hand.click(f"[data-view={view}]")
        settled(light, lambda s, v=view: s["view"] == v)
        boxes = [b.bounding_box() for b in hand.locator("main button:visible").all()]
        assert len(boxes) >= 8
        for box in boxes:
            assert box is not None
            assert box["width"] >= GLOVE_PX
            assert box["height"] >= GLOVE_PX
    hand.click("[data-step='1']")
    settled(light, lambda s: s["cut"] == 2)
    hand.click("[data-do=blank]")
    settled(light, lambda s: s["is_blank"])
    hand.click("[data-do=blank]")
    settled(light, lambda s: not s["is_blank"])


def test_buttons_move_a_cross_and_set_other_marks(context: BrowserContext, shared: str) -> None:
    hand, light = opened(context, shared)
    set_back(light)
    x, y = state_of(light)["marks"][0]["px"]
    hand.click("[data-nudge='1,0']")
    hand.click("#fine")
    hand.click("[data-nudge='0,1']")
    settled(
        light,
        lambda s: abs(complex(*s["marks"][0]["px"]) - complex(x + 0.1, y + 1)) < 0.06,
    )
    hand.fill("#mm", "0,0 900,0 900,600 0,600 450,300 450,0")
    hand.click("#places button")
    settled(light, lambda s: len(s["marks"]) == 6)
    assert hand.locator("#marks button").count() == 6
    hand.fill("#mm", "0,0 900,0 nonsense")
    hand.click("#places button")
    hand.wait_for_selector("#trouble:not([hidden])")
    assert "expected marks as X,Y" in hand.locator("#trouble").inner_text()


def test_crosses_are_remembered_next_time(
    context: BrowserContext, job: Path, tmp_path: Path
) -> None:
    with served(context, job, tmp_path, "--projector", "shelf") as address:
        _, light = opened(context, address)
        held = put(light)["marks"]
        light.keyboard.press("g")
        settled(light, lambda s: s["view"] == "check")
    with served(context, job, tmp_path, "--projector", "shelf") as address:
        _, light = opened(context, address)
        assert state_of(light)["marks"] == held
    with served(context, job, tmp_path, "--projector", "another") as address:
        _, light = opened(context, address)
        assert state_of(light)["marks"] != held


def test_the_pattern_fills_the_picture(context: BrowserContext, shared: str) -> None:
    hand, light = opened(context, shared)
    set_back(light)
    hand.click("[data-view=pattern]")
    settled(light, lambda s: s["view"] == "pattern")
    light.locator("#pattern").evaluate("(picture) => picture.decode()")
    light.wait_for_timeout(100)
    assert np.abs(seen(light)[..., 0] - pattern(SIZE)).max() <= 2
