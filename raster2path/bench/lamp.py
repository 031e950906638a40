"""The light of the job on the bench: the projected page, in a process of its own."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

from raster2path.errors import Raster2PathError, UsageError

ADDRESS = re.compile(r"http://127\.0\.0\.1:\d+/\S*")


class Lamp:
    """At most one projected page; a new one takes the place of the old."""

    def __init__(self) -> None:
        self._process: subprocess.Popen[str] | None = None

    def light(self, folder: Path, *, is_anyway: bool) -> str:
        """Start the light for a job folder whose job is saved; the answer is its address.

        Raises:
            UsageError: the sign is not ready to cut.
            Raster2PathError: the light does not start.
        """
        self.out()
        words = [sys.executable, "-m", "raster2path", "light", str(folder), "--no-browser"]
        words += ["--port", "0", *(["--anyway"] if is_anyway else [])]
        self._process = subprocess.Popen(  # noqa: S603 (our own program, a folder of our own)
            words, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True
        )
        said = "" if self._process.stdout is None else self._process.stdout.readline().strip()
        if (found := ADDRESS.search(said)) is not None:
            return found[0]
        self.out()
        if "NOT READY" in said:
            raise UsageError("Light to cut by is held back until the sign is ready to cut.")
        raise Raster2PathError(f"the light does not start: {said or 'it said nothing'}")

    def out(self) -> None:
        """Put it out."""
        if self._process is None:
            return
        self._process.terminate()
        try:
            self._process.wait(timeout=5)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        if self._process.stdout is not None:
            self._process.stdout.close()
        self._process = None
