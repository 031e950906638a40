"""Runs that are killed at random moments: `python -m tests.kills N SEED` says what was found.

A run is forked from a process that has imported everything, so that the moment of the kill falls
into the road and the writing, not into imports. After each kill, every file in the job folder must
be the old one or the new one, whole; and at the end, the run can be repeated.
"""

from __future__ import annotations

import os
import random
import shutil
import signal
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np

from raster2path.cli import main as raster2path

Files = dict[str, bytes]


def draw(path: Path) -> Path:
    """A slab of ink with a window."""
    image = np.full((120, 180), 255, np.uint8)
    cv2.rectangle(image, (15, 15), (165, 105), 0, -1)
    cv2.circle(image, (90, 60), 25, 255, -1, cv2.LINE_AA)
    cv2.imwrite(str(path), image)
    os.utime(path, (1.7e9, 1.7e9))
    return path


def files_in(folder: Path) -> Files:
    """Every file by name, hidden ones, too."""
    return {file.name: file.read_bytes() for file in folder.iterdir()} if folder.is_dir() else {}


def forked(work: Callable[[], int]) -> int:
    """The process id of a child that does the work, silently."""
    pid = os.fork()
    if pid:
        return pid
    quiet = os.open(os.devnull, os.O_WRONLY)
    os.dup2(quiet, 1)
    os.dup2(quiet, 2)
    os._exit(work())


def whole(picture: Path, width: int) -> Files:
    """What a run that nobody kills leaves in the folder."""
    _, status = os.waitpid(forked(lambda: guide(picture, width)), 0)
    if status:
        raise AssertionError(f"the whole run answered {status}")
    return files_in(job_folder(picture))


def job_folder(picture: Path) -> Path:
    """Where the files of a picture go."""
    return picture.parent / f"{picture.stem}-job"


def guide(picture: Path, width: int) -> int:
    """One run of the command."""
    return raster2path(["guide", str(picture), "--width", str(width)])


def killed_runs(n: int, seed: int) -> dict[str, int]:
    """Kill n runs that change the width to and fro; count what was found in the folder.

    Raises:
        AssertionError: a file was neither the old one nor the new one, or a run could not be
            repeated.
    """
    rng = random.Random(seed)
    found = {"old": 0, "new": 0, "mixed": 0, "left parts": 0}
    with tempfile.TemporaryDirectory() as place:
        picture = draw(Path(place) / "ferry.png")
        folder = job_folder(picture)
        sets = {width: whole(picture, width) for width in (300, 330)}
        since = time.monotonic()
        whole(picture, 300)
        longest_s = time.monotonic() - since
        old, new = 300, 330
        for k in range(n):
            # half of the kills fall into the last part of the run, where the files are written
            low = 0.0 if k % 2 else 0.85 * longest_s
            pid = forked(lambda width=new: guide(picture, width))  # type: ignore[misc]
            time.sleep(rng.uniform(low, 1.05 * longest_s))
            os.kill(pid, signal.SIGKILL)
            os.waitpid(pid, 0)
            left = files_in(folder)
            found[state_of(left, sets[old], sets[new])] += 1
            found["left parts"] += any(name.endswith(".part") for name in left)
            if k % 4 == 3 or n - k == 1:
                if whole(picture, new) != sets[new]:
                    raise AssertionError("the run that was killed could not be repeated")
                old, new = new, old
        shutil.rmtree(folder)
    return found


def state_of(left: Files, old: Files, new: Files) -> str:
    """Whether the files are the old ones, the new ones, or some of each.

    Raises:
        AssertionError: one is neither, or is missing.
    """
    kept = {name: data for name, data in left.items() if not name.endswith(".part")}
    if set(kept) != set(new):
        raise AssertionError(f"expected {sorted(new)}, found {sorted(kept)}")
    for name, data in kept.items():
        if data not in (old[name], new[name]):
            raise AssertionError(f"{name} is neither the old one nor the new one")
    if kept == old:
        return "old"
    return "new" if kept == new else "mixed"


if __name__ == "__main__":
    sys.stdout.write(f"{killed_runs(int(sys.argv[1]), int(sys.argv[2]))}\n")
