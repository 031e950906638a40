"""The bench for everyone: axe-core finds nothing serious in any view; fingers find what they need.

axe-core checks WCAG 2.2 A and AA. It comes from npm (`npm install --prefix tests/npm`).
"""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, Page, expect

import raster2path
from tests.benches import DESKTOP, SAMPLES, TABLET, Bench, bench, drop, page, settled

NPM = Path(__file__).parent / "npm" / "node_modules"
PICTURE = SAMPLES / "small" / "ferry-solid.png"
LEVELS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]
LEAST_TARGET_PX = 44
"""WCAG 2.2, success criterion 2.5.5 (enhanced)."""


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bench]:
    with bench(tmp_path_factory.mktemp("for-all") / "jobs") as one:
        yield one


@pytest.fixture(scope="module")
def axe() -> str:
    file = NPM / "axe-core" / "axe.min.js"
    if not file.exists():
        pytest.skip("axe-core is not there: npm install --prefix tests/npm")
    return file.read_text(encoding="utf-8")


def faults(new: Page, axe: str) -> list[str]:
    """What axe-core finds that is serious or critical."""
    new.evaluate(axe)
    asked = f"axe.run(document, {{runOnly: {LEVELS}}}).then((r) => r.violations)"
    found: list[dict[str, Any]] = new.evaluate(asked)
    return [
        f"{one['id']}: {one['help']}: {one['nodes'][0]['html'][:160]}"
        for one in found
        if one["impact"] in ("serious", "critical")
    ]


def laid(new: Page, desk: Bench) -> None:
    """The picture on the bench, whether or not another test has laid it there."""
    new.goto(desk.address)
    new.locator(".drop, #sheet").filter(visible=True).first.wait_for()
    if new.locator(".drop").is_visible():
        drop(new, PICTURE)
    settled(new)


@pytest.mark.parametrize("light", ["light", "dark"])
@pytest.mark.parametrize("size", [DESKTOP, TABLET], ids=["desktop", "tablet"])
def test_nothing_serious_in_any_view(
    chromium: Browser, desk: Bench, axe: str, size: tuple[int, int], light: str
) -> None:
    found: dict[str, list[str]] = {}
    with page(chromium, size) as new:
        new.emulate_media(color_scheme="dark" if light == "dark" else "light")
        new.goto(desk.address)
        new.wait_for_selector(".drop, #bench:not([hidden])")
        if new.locator("#bench").is_visible():
            new.keyboard.press("?")
            new.get_by_role("button", name="another picture").click()
        expect(new.locator(".drop")).to_be_visible()
        found["start"] = faults(new, axe)
        drop(new, PICTURE)
        settled(new)
        for key, name in (("1", "drawing"), ("2", "sign"), ("3", "steel")):
            new.keyboard.press(key)
            new.wait_for_timeout(300)
            found[name] = faults(new, axe)
        new.keyboard.press("2")
        new.locator("[data-what=tie][tabindex]").first.focus()
        new.keyboard.press("Enter")
        expect(new.locator("#words")).to_be_visible()
        found["words"] = faults(new, axe)
        new.keyboard.press("Escape")
        expect(new.locator("#words")).to_be_hidden()
        new.keyboard.press("r")
        found["brush"] = faults(new, axe)
        new.keyboard.press("Escape")
        new.keyboard.press("?")
        expect(new.locator("#help")).to_be_visible()
        found["help"] = faults(new, axe)
        new.keyboard.press("Escape")
        new.keyboard.press("f")
        expect(new.locator("#finished img")).to_be_visible()
        found["finished"] = faults(new, axe)
        new.keyboard.press("Escape")
    assert {name: words for name, words in found.items() if words} == {}


def test_targets_are_large_enough_for_a_glove(chromium: Browser, desk: Bench) -> None:
    small: list[str] = []
    with page(chromium, TABLET, is_touch=True) as new:
        laid(new, desk)
        for key in "123":
            new.keyboard.press(key)
            new.wait_for_timeout(300)
            for target in new.locator("button:visible, select:visible, a:visible").all():
                box = target.bounding_box()
                words = target.get_attribute("aria-label") or target.inner_text()
                if box is not None and min(box["width"], box["height"]) < LEAST_TARGET_PX - 0.5:
                    small.append(f"{words!r}: {box['width']:.0f} x {box['height']:.0f}")
    assert small == []


def test_the_drawing_has_two_thirds_of_a_small_screen(chromium: Browser, desk: Bench) -> None:
    with page(chromium, (1024, 768)) as new:
        laid(new, desk)
        box = new.locator("#view").bounding_box()
        assert box is not None
        assert box["width"] * box["height"] >= 1024 * 768 * 2 / 3


def test_two_fingers_come_nearer_and_one_moves(chromium: Browser, desk: Bench) -> None:
    with page(chromium, TABLET, is_touch=True) as new:
        laid(new, desk)
        world = new.locator("#sheet > g")

        def scale() -> float:
            matrix = world.get_attribute("transform") or ""
            return float(matrix.removeprefix("matrix(").split()[0])

        before = scale()
        touch = new.context.new_cdp_session(new)

        def fingers(kind: str, *places: tuple[float, float]) -> None:
            points = [{"x": x, "y": y, "id": k} for k, (x, y) in enumerate(places)]
            touch.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})

        fingers("touchStart", (300, 300))
        fingers("touchStart", (300, 300), (400, 300))
        for k in range(1, 11):
            fingers("touchMove", (300 - 10 * k, 300), (400 + 10 * k, 300))
        fingers("touchEnd")
        assert scale() == pytest.approx(3 * before, rel=0.15)
        at = world.get_attribute("transform")
        fingers("touchStart", (300, 200))
        for k in range(1, 6):
            fingers("touchMove", (300 + 10 * k, 200))
        fingers("touchEnd")
        assert world.get_attribute("transform") != at
        assert scale() == pytest.approx(3 * before, rel=0.15)


def test_the_page_is_sound_by_its_types() -> None:
    """JSDoc types, checked strictly; the type checker comes from npm."""
    checker = NPM / ".bin" / "tsc"
    if not checker.exists() or shutil.which("node") is None:
        pytest.skip("typescript is not there: npm install --prefix tests/npm")
    main = Path(raster2path.__file__).parent / "bench" / "page" / "main.js"
    words = "--noEmit --allowJs --checkJs --strict --target es2022 --module es2022"
    words += " --moduleResolution bundler --lib es2023,dom,dom.iterable"
    done = subprocess.run(
        [str(checker), *words.split(), str(main)], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stdout


def test_nothing_comes_from_outside() -> None:
    """No address of another machine in anything that the browser gets, but the SVG namespace."""
    folder = Path(raster2path.__file__).parent / "bench" / "page"
    for file in folder.iterdir():
        text = file.read_text(encoding="utf-8").replace("http://www.w3.org/2000/svg", "")
        assert "http" not in text.replace("httponly", ""), file.name
        assert "url(" not in text, file.name
        assert "innerHTML" not in text, file.name
