"""A small drawing taken down the road and thrown away, so that the first real one need not wait.

Libraries are loaded where they are first used; that takes longer than a small drawing does.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np

from raster2path.errors import Raster2PathError
from raster2path.job import Job, OrderHow, OrderRules
from raster2path.pipeline import make

SIDE_PX = 320


class _EnoughError(Exception):
    """Somebody wants something real."""


def warm_up(is_wanted: Callable[[], bool]) -> None:
    """Take a made-up drawing down the road, unless something else is wanted meanwhile."""

    def step(_: str) -> None:
        if is_wanted():
            raise _EnoughError

    job = Job(name="warm", date="", order=OrderRules(how=OrderHow.NEAR))
    with TemporaryDirectory(prefix="raster2path-") as place:
        file = Path(place) / "warm.png"
        _draw(file)
        with contextlib.suppress(_EnoughError, Raster2PathError):
            make(job, file, progress=step)


def _draw(file: Path) -> None:
    """A ring and a post, drawn with a pen."""
    import cv2

    picture = np.full((SIDE_PX, SIDE_PX), 235, np.uint8)
    middle = SIDE_PX // 2
    cv2.circle(picture, (middle, middle), 110, 40, 5)
    cv2.circle(picture, (middle, middle), 50, 40, 5)
    cv2.rectangle(picture, (middle - 15, middle - 20), (middle + 15, middle + 20), 40, 5)
    cv2.imwrite(str(file), picture)
