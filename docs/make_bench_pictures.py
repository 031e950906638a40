"""Make the pictures of `bench.md`: `make_bench_pictures.py`, with Chromium on the machine."""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

from PIL import Image
from playwright.sync_api import Page, sync_playwright

HERE = Path(__file__).parent
PICTURES = HERE / "pictures"
HERON = HERE.parent / "samples" / "heron-sketch.jpg"
PATIENCE_MS = 300_000
DESKTOP = {"width": 1280, "height": 800}
TABLET = {"width": 768, "height": 1024}
PHONE = {"width": 390, "height": 844}


PHOTOGRAPHS = ("drawing", "words", "corners", "finished", "tablet-dark", "phone-dark")


def settled(page: Page) -> None:
    """Until the newest change is answered, and glimpses and heat are there."""
    page.wait_for_selector("html[data-settled='yes']", state="attached", timeout=PATIENCE_MS)
    page.wait_for_timeout(400)


def shoot(page: Page, name: str) -> None:
    """A picture of the page; where it shows the photograph, as JPEG."""
    file = PICTURES / f"bench-{name}.png"
    page.screenshot(path=file)
    with Image.open(file) as picture:
        if name in PHOTOGRAPHS:
            picture.convert("RGB").save(file.with_suffix(".jpg"), quality=88, optimize=True)
            file.unlink()
        else:
            picture.convert("RGB").save(file, optimize=True)
    print(file.name)


def scroll(page: Page, to_px: int) -> None:
    """Scroll the place's own column."""
    page.locator("#place").evaluate("(box, top) => { box.scrollTop = top; }", to_px)
    page.wait_for_timeout(200)


def drawing(page: Page) -> None:
    """The first place, its words beside an edge, and the brush."""
    page.keyboard.press("1")
    page.wait_for_selector(".four button:nth-child(4) path", state="attached", timeout=PATIENCE_MS)
    scroll(page, 270)
    shoot(page, "drawing")
    page.locator("[data-what=edge]").nth(5).focus()
    page.keyboard.press("Enter")
    page.wait_for_timeout(200)
    shoot(page, "words")
    page.keyboard.press("Escape")
    page.get_by_role("button", name="move its corners").click()
    page.wait_for_timeout(800)
    handle = page.get_by_role("button", name="corner 3 of the paper").bounding_box()
    assert handle is not None
    x, y = handle["x"] + handle["width"] / 2, handle["y"] + handle["height"] / 2
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x - 6, y - 4)
    page.wait_for_timeout(300)
    shoot(page, "corners")
    page.mouse.up()
    page.keyboard.press("Escape")


def sign(page: Page) -> None:
    """The second place: as it is, with loose pieces, and the finished sign."""
    page.keyboard.press("2")
    page.wait_for_timeout(300)
    shoot(page, "sign")
    page.get_by_label("how ties are laid").select_option("none")
    page.wait_for_selector("#notes li.fault", timeout=PATIENCE_MS)
    page.wait_for_timeout(300)
    shoot(page, "loose")
    page.keyboard.press("Escape")
    page.get_by_role("button", name="take back").click()
    page.wait_for_selector("#notes .free", timeout=PATIENCE_MS)
    settled(page)
    page.get_by_role("button", name="the finished sign").click()
    page.locator("#finished img").evaluate("(img) => img.decode()")
    shoot(page, "finished")
    page.keyboard.press("Escape")


def steel(page: Page) -> None:
    """The third place, walking through the order."""
    page.keyboard.press("3")
    page.wait_for_timeout(300)
    for number in (1, 2, 3):
        page.get_by_label(f"cut {number} is done").check()
    settled(page)
    scroll(page, 300)
    shoot(page, "steel")


def main() -> None:
    """All pictures, from one job in a folder that goes away."""
    browser = shutil.which("chromium") or shutil.which("google-chrome")
    with tempfile.TemporaryDirectory() as place, sync_playwright() as play:
        words = [sys.executable, "-m", "raster2path", "bench", "--no-browser", "--port", "0"]
        bench = subprocess.Popen([*words, "-o", place], stdout=subprocess.PIPE, text=True)  # noqa: S603 (our own program)
        assert bench.stdout is not None
        found = re.search(r"http://\S+", bench.stdout.readline())
        assert found is not None
        try:
            chromium = play.chromium.launch(executable_path=browser, args=["--no-sandbox"])
            page = chromium.new_page(viewport=DESKTOP)
            page.set_default_timeout(PATIENCE_MS)
            page.goto(found[0])
            page.wait_for_selector(".drop")
            page.set_input_files("input[data-camera=no]", HERON)
            page.wait_for_selector(".hit", state="attached")
            settled(page)
            drawing(page)
            sign(page)
            steel(page)
            page.keyboard.press("?")
            page.get_by_role("button", name="dark page").click()
            page.keyboard.press("Escape")
            page.set_viewport_size(TABLET)
            page.keyboard.press("1")
            page.wait_for_timeout(600)
            shoot(page, "tablet-dark")
            page.set_viewport_size(PHONE)
            page.wait_for_timeout(600)
            page.get_by_role("button", name=re.compile("note")).first.click()
            page.wait_for_timeout(300)
            shoot(page, "phone-dark")
            chromium.close()
        finally:
            bench.terminate()
            bench.wait()


if __name__ == "__main__":
    main()
