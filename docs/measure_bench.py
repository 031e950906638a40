"""How fast the bench answers, in the browser: `measure_bench.py [PICTURE]`, with Chromium here.

Without a picture: the heron, 12 megapixels, some 50 outlines. The machine's load is told beside
the figures; on a machine that does something else they say little.
"""

from __future__ import annotations

import os
import re
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from playwright.sync_api import Page, sync_playwright

HERON = Path(__file__).parent.parent / "samples" / "heron-sketch.jpg"
PATIENCE_MS = 600_000
N_MOVES = 40


def until(page: Page, number: int) -> None:
    """Until the page shows what came of a step."""
    page.wait_for_selector(f"html[data-answered='{number}']", state="attached")


def timed(page: Page, what: str, act: Callable[[], object]) -> None:
    """Do something that is one step, and say how long its answer took."""
    page.wait_for_selector("html[data-settled='yes']", state="attached")

    number = int(page.locator("html").get_attribute("data-number") or 0)
    since = time.perf_counter()
    act()
    until(page, number + 1)
    print(f"{what}: {time.perf_counter() - since:.2f} s")


def drag_a_tie(page: Page) -> None:
    """Drag a tie to and fro; say how soon it is shown where it would land, then drop it."""
    box = page.locator("[data-what=tie]").first.bounding_box()
    assert box is not None
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    page.mouse.move(x, y)
    page.mouse.down()
    for k in range(N_MOVES):
        page.mouse.move(x + 12 + k % 7, y + k % 5)
        page.wait_for_timeout(120)
    tell(page, "where a dragged tie lands", "tie tried")
    timed(page, "a tie dropped", page.mouse.up)


def tell(page: Page, what: str, name: str) -> None:
    """What the page has measured under a name."""
    told = page.evaluate(
        "(name) => performance.getEntriesByName(name).map((e) => e.duration)", name
    )
    took = sorted(told) or [float("nan")]
    slow = took[int(0.95 * (len(took) - 1))]
    print(f"{what}: {statistics.median(took):.0f} ms, 95 % in {slow:.0f} ms")


def drag_a_slider(page: Page) -> None:
    """Drag the tolerance of flowing edges; say how soon the first true edge is there, then all."""
    slider = page.get_by_label("Flowing edges may leave")
    slider.scroll_into_view_if_needed()
    box = slider.bounding_box()
    assert box is not None
    y = box["y"] + box["height"] / 2
    page.mouse.move(box["x"] + box["width"] / 2, y)
    page.mouse.down()
    for k in range(16):
        page.mouse.move(box["x"] + (0.5 + 0.03 * (k % 8)) * box["width"], y)
        page.wait_for_timeout(300 if k < 12 else 4000)
    tell(page, "tolerance moved, the first edge", "edge tried")
    tell(page, "tolerance moved, all edges", "all edges tried")
    timed(page, "tolerance let go, all of it proven", page.mouse.up)


def measure(page: Page, picture: Path) -> None:
    """All of it."""
    page.wait_for_selector(".drop")
    page.wait_for_timeout(6000)  # as somebody takes to find the picture
    since = time.perf_counter()
    page.set_input_files("input[data-camera=no]", picture)
    page.wait_for_selector("#waiting:not([hidden])", state="attached")
    print(f"the picture on the screen: {time.perf_counter() - since:.2f} s")
    page.locator("#sheet .thin").first.wait_for(state="attached")
    print(f"its first cutting lines: {time.perf_counter() - since:.2f} s")
    page.wait_for_selector("html[data-answered='1']", state="attached")
    print(f"its guides on the screen: {time.perf_counter() - since:.2f} s")
    page.wait_for_selector("html[data-settled='yes']", state="attached")
    print(f"the order of cuts planned: {time.perf_counter() - since:.2f} s")
    page.keyboard.press("2")
    page.wait_for_timeout(20_000)
    drag_a_tie(page)
    page.keyboard.press("1")
    drag_a_slider(page)
    page.keyboard.press("3")
    kerf = page.get_by_label("kerf, in")
    kerf.fill("1.4")
    timed(page, "another kerf", lambda: kerf.press("Enter"))


def main() -> None:
    """Start a bench and a browser, measure, end them."""
    picture = Path(sys.argv[1]) if len(sys.argv) > 1 else HERON
    print(f"load of the machine: {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores")
    with tempfile.TemporaryDirectory() as place, sync_playwright() as play:
        words = [sys.executable, "-m", "raster2path", "bench", "--no-browser", "--port", "0"]
        bench = subprocess.Popen(  # noqa: S603 (our own program)
            [*words, "-o", place], stdout=subprocess.PIPE, text=True
        )
        assert bench.stdout is not None
        found = re.search(r"http://\S+", bench.stdout.readline())
        assert found is not None
        try:
            browser = shutil.which("chromium") or shutil.which("google-chrome")
            chromium = play.chromium.launch(executable_path=browser, args=["--no-sandbox"])
            page = chromium.new_page(viewport={"width": 1280, "height": 800})
            page.set_default_timeout(PATIENCE_MS)
            page.goto(found[0])
            measure(page, picture)
            chromium.close()
        finally:
            bench.terminate()
            bench.wait()


if __name__ == "__main__":
    main()
