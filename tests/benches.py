"""A bench as a maker starts it, in its own process, and the system's browser in front of it."""

from __future__ import annotations

import base64
import contextlib
import os
import re
import shutil
import signal
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, Page, expect, sync_playwright

SAMPLES = Path(__file__).parent.parent / "samples"
BROWSERS = ("chromium", "chromium-browser", "google-chrome")
PATIENCE_MS = 120_000
"""A loaded machine with two cores takes its time over a 12-megapixel photograph."""

DESKTOP = (1280, 800)
TABLET = (768, 1024)

expect.set_options(timeout=PATIENCE_MS)


@dataclass
class Bench:
    """A running bench.

    Attributes:
        jobs: where pictures from the page go.
    """

    process: subprocess.Popen[str]
    address: str
    jobs: Path

    @property
    def origin(self) -> str:
        """Its address without the token."""
        return self.address.partition("/?")[0]

    @property
    def port(self) -> int:
        """Where it listens."""
        return int(self.origin.rpartition(":")[2])

    def toml(self) -> dict[str, Any]:
        """The job that was saved last."""
        (file,) = self.jobs.glob("*/job.toml")
        return tomllib.loads(file.read_text(encoding="utf-8"))

    def kill(self) -> None:
        """As in a power cut."""
        self.process.kill()
        self.process.wait()


@contextlib.contextmanager
def bench(jobs: Path, *words: str, port: int = 0) -> Iterator[Bench]:
    """Start a bench and wait for its address."""
    command = [sys.executable, "-m", "raster2path", "bench", "--no-browser", "-o", str(jobs)]
    process = subprocess.Popen(
        [*command, "--port", str(port), *words],
        stdout=subprocess.PIPE,
        text=True,
        env={**os.environ, "RASTER2PATH_HOME": str(jobs.parent / "habits")},
    )
    assert process.stdout is not None
    line = process.stdout.readline()
    found = re.search(r"http://\S+", line)
    assert found, f"the bench said {line!r}"
    try:
        yield Bench(process, found[0], jobs)
    finally:
        if process.poll() is None:
            process.send_signal(signal.SIGINT)
            try:
                process.wait(timeout=20)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()
        process.stdout.close()


@contextlib.contextmanager
def browser() -> Iterator[Browser]:
    """The system's browser; a machine without one skips."""
    found = next((path for name in BROWSERS if (path := shutil.which(name))), None)
    if found is None:
        pytest.skip("no Chromium on this machine")
    with sync_playwright() as play:
        one = play.chromium.launch(executable_path=found, args=["--no-sandbox"])
        yield one
        one.close()


@contextlib.contextmanager
def page(
    one: Browser, size: tuple[int, int] = DESKTOP, *, is_touch: bool = False
) -> Iterator[Page]:
    """A page whose every error fails the test."""
    width, height = size
    context = one.new_context(
        viewport={"width": width, "height": height},
        has_touch=is_touch,
        accept_downloads=True,
    )
    context.set_default_timeout(PATIENCE_MS)
    new = context.new_page()
    errors = list[str]()
    new.on("pageerror", lambda error: errors.append(str(error)))
    new.on("console", lambda m: errors.append(m.text) if "Content Security" in m.text else None)
    yield new
    context.close()
    assert not errors


def drop(new: Page, picture: Path, name: str | None = None) -> None:
    """Let a picture fall onto the page, as from a file manager."""
    content = base64.b64encode(picture.read_bytes()).decode()
    new.locator(".drop, #bench:not([hidden])").first.evaluate(
        """(place, [content, name]) => {
            const bytes = Uint8Array.from(atob(content), (c) => c.charCodeAt(0));
            const dataTransfer = new DataTransfer();
            dataTransfer.items.add(new File([bytes], name));
            const having = { dataTransfer, bubbles: true, cancelable: true };
            place.dispatchEvent(new DragEvent("dragover", having));
            place.dispatchEvent(new DragEvent("drop", having));
        }""",
        [content, name or picture.name],
    )


def settled(new: Page) -> None:
    """Until the newest change is answered, order of cuts and all."""
    new.wait_for_selector("html[data-settled='yes']", state="attached")


@contextlib.contextmanager
def one_step(new: Page) -> Iterator[None]:
    """What is done inside is one step; waits until the page shows what came of it."""
    root = new.locator("html")
    before = int(root.get_attribute("data-number") or 0)
    yield
    expect(root).to_have_attribute("data-answered", str(before + 1))
