"""Every step of a job, so that it can be taken back, even after the page's server has died.

Steps lie beside `job.toml`, in a file of their own that only grows; what a crash has cut short at
its end is left out. `job.toml` always wins: where it was changed otherwise, that is one more step.
"""

from __future__ import annotations

import contextlib
import json
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

from raster2path.bench.jobs import OpenJob
from raster2path.errors import Raster2PathError
from raster2path.job import Job
from raster2path.jobfile import job_of, job_toml
from raster2path.outputs import write_files

NAME = ".steps.jsonl"
MOST_STEPS = 500
N_KEPT = 100
"""So many are read again when a job is opened."""


@dataclass(slots=True)
class History:
    """Jobs, one a step; `at` is the one that counts. A step may be merged into the one before.

    Attributes:
        where: the job whose folder keeps them; None: nobody keeps them.
    """

    jobs: list[Job]
    merges: list[str | None] = field(default_factory=lambda: [None])
    at: int = 0
    where: OpenJob | None = None

    @property
    def job(self) -> Job:
        """The job as it is now."""
        return self.jobs[self.at]

    def step(self, job: Job, merge: str | None) -> None:
        """A new step; those that were taken back are gone."""
        self.take(job, merge)
        if self.where is not None:
            self._keep({"job": _text(self.where, job), "merge": merge})

    def move(self, by: int) -> bool:
        """A step back or on; False where there is none."""
        if not 0 <= self.at + by < len(self.jobs):
            return False
        self.at += by
        self._keep({"by": by})
        return True

    def take(self, job: Job, merge: str | None) -> None:
        """The same without keeping it."""
        del self.jobs[self.at + 1 :], self.merges[self.at + 1 :]
        if merge is not None and self.at > 0 and self.merges[self.at] == merge:
            self.jobs[self.at] = job
            return
        self.jobs.append(job)
        self.merges.append(merge)
        del self.jobs[:-MOST_STEPS], self.merges[:-MOST_STEPS]
        self.at = len(self.jobs) - 1

    def _keep(self, line: dict[str, object]) -> None:
        """One line more; a folder that takes none still keeps `job.toml`, or says why not."""
        if self.where is None:
            return
        file = self.where.folder / NAME
        if not file.exists():
            _rewrite(self, self.where)
            return
        with contextlib.suppress(OSError), file.open("a", encoding="utf-8") as end:
            end.write(json.dumps(line) + "\n")


def _text(where: OpenJob, job: Job) -> str:
    return job_toml(
        job,
        picture=where.picture,
        picture_sha256=where.sha256,
        folder=where.folder,
        guessed={},
    )


def history_of(where: OpenJob) -> History:
    """The steps of a job as far as they are known; they end with the job as it is."""
    history: History | None = None
    for line in _lines(where.folder / NAME):
        text, by = line.get("job"), line.get("by")
        if isinstance(text, str):
            with contextlib.suppress(Raster2PathError):
                job = job_of(text, where.folder / "job.toml").job
                merge = line.get("merge")
                if history is None:
                    history = History([job])
                else:
                    history.take(job, merge if isinstance(merge, str) else None)
        elif history is not None and by in (-1, 1):
            history.move(by)
    if history is None:
        history = History([where.job])
    elif history.job != where.job:
        history.take(where.job, None)
    first = max(0, history.at - N_KEPT)
    history.jobs, history.merges = history.jobs[first:], history.merges[first:]
    history.at, history.where = history.at - first, where
    _rewrite(history, where)
    return history


def _lines(file: Path) -> Iterator[dict[str, object]]:
    try:
        text = file.read_text(encoding="utf-8", errors="replace")
    except OSError:
        return
    for line in text.splitlines():
        with contextlib.suppress(ValueError, RecursionError):
            told = json.loads(line)
            if isinstance(told, dict):
                yield told


def _rewrite(history: History, where: OpenJob) -> None:
    """The file anew, with nothing in it that is not needed any more; a new job has none yet."""
    if not where.folder.exists():
        return
    both = zip(history.jobs, history.merges, strict=True)
    lines: list[dict[str, object]] = [
        {"job": _text(where, job), "merge": merge} for job, merge in both
    ]
    lines += [{"by": -1}] * (len(history.jobs) - 1 - history.at)
    content = "".join(json.dumps(line) + "\n" for line in lines)
    with contextlib.suppress(Raster2PathError):
        write_files(where.folder, {NAME: content.encode()})
