"""A process of our own beside the bench's, and the line to it."""

from __future__ import annotations

import multiprocessing
from collections.abc import Callable
from multiprocessing.connection import Connection
from multiprocessing.context import SpawnProcess


class Aside:
    """One process at a time, started when it is wanted.

    Args:
        work: what it does, given its end of the line; a function of a module.
    """

    def __init__(self, work: Callable[[Connection], None]) -> None:
        self._work = work
        self._process: SpawnProcess | None = None
        self.line: Connection | None = None

    @property
    def is_there(self) -> bool:
        """Whether it runs."""
        return self.line is not None and self._process is not None and self._process.is_alive()

    def start(self) -> Connection:
        """Start it, in place of one that may be there still; our end of the line."""
        self.end()
        spawn = multiprocessing.get_context("spawn")
        self.line, theirs = spawn.Pipe()
        self._process = spawn.Process(target=self._work, args=(theirs,), daemon=True)
        self._process.start()
        theirs.close()
        return self.line

    def end(self) -> None:
        """End the process, whatever it does."""
        if self._process is not None:
            self._process.kill()
            self._process.join()
        if self.line is not None:
            self.line.close()
        self._process = self.line = None
