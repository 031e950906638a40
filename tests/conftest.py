"""Hypothesis: the same examples on every run; `--hypothesis-profile search` looks further.

No test sees the habits of whoever runs it, nor those that another test has kept.
"""

import atexit
import os
import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from hypothesis import settings

if TYPE_CHECKING:
    from playwright.sync_api import Browser

HOME = tempfile.mkdtemp(prefix="raster2path-")
atexit.register(shutil.rmtree, HOME, ignore_errors=True)
os.environ["RASTER2PATH_HOME"] = HOME

settings.register_profile("steady", deadline=None, derandomize=True)
settings.register_profile("search", deadline=None, max_examples=500)
settings.load_profile("steady")


@pytest.fixture(autouse=True)
def _no_habits(monkeypatch: pytest.MonkeyPatch, tmp_path_factory: pytest.TempPathFactory) -> None:
    home = Path(tempfile.mktemp(prefix="habits-", dir=tmp_path_factory.getbasetemp()))  # noqa: S306 (a name, nothing is made)
    monkeypatch.setenv("RASTER2PATH_HOME", str(home))


@pytest.fixture(scope="module")
def chromium() -> "Iterator[Browser]":
    """The system's browser, started once for a file of tests; without one they are skipped."""
    from tests.benches import browser

    with browser() as one:
        yield one
