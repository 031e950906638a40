"""Hypothesis: the same examples on every run; `--hypothesis-profile search` looks further.

No test sees the habits of whoever runs it, nor those that another test has kept.
"""

import os
import tempfile
from pathlib import Path

import pytest
from hypothesis import settings

os.environ["RASTER2PATH_HOME"] = tempfile.mkdtemp(prefix="raster2path-")

settings.register_profile("steady", deadline=None, derandomize=True)
settings.register_profile("search", deadline=None, max_examples=500)
settings.load_profile("steady")


@pytest.fixture(autouse=True)
def _no_habits(monkeypatch: pytest.MonkeyPatch, tmp_path_factory: pytest.TempPathFactory) -> None:
    home = Path(tempfile.mktemp(prefix="habits-", dir=tmp_path_factory.getbasetemp()))  # noqa: S306 (a name, nothing is made)
    monkeypatch.setenv("RASTER2PATH_HOME", str(home))
