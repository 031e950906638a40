"""Made-up drawings by the thousand through the whole road: `python -m tests.sweep FIRST LAST`.

Each drawing, its reading and its settings follow from its number alone. What comes out must be
guides that pass `tests.sound`, or be stamped NOT READY TO CUT with the reason, or an error saying
that there is nothing to cut: never guides that look ready and are wrong.
"""

from __future__ import annotations

import faulthandler
import signal
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt

import raster2path
from raster2path.errors import NothingFoundError, UsageError
from raster2path.job import Job, OrderHow
from raster2path.model import Border, Dark, Read
from raster2path.outputs import svg_bytes
from raster2path.settings import Said, with_said
from tests.sound import unsound

Image = npt.NDArray[np.uint8]
Rng = np.random.Generator

LONGEST_S = 120.0
"""Of processor time: one drawing may not take longer. The process is ended with a traceback."""


def _paper(rng: Rng) -> Image:
    rows, cols = rng.integers(140, 230, 2)
    return np.full((rows, cols), 255, np.uint8)


def _at(image: Image, rng: Rng, margin: int = 20) -> tuple[int, int]:
    rows, cols = image.shape
    return int(rng.integers(margin, cols - margin)), int(rng.integers(margin, rows - margin))


def blobs(rng: Rng) -> Image:
    """Ellipses of ink, and of paper upon them."""
    image = _paper(rng)
    for k in range(rng.integers(1, 9)):
        axes = int(rng.integers(4, 70)), int(rng.integers(4, 70))
        colour = 0 if k < 2 or rng.random() < 0.6 else 255
        turn = int(rng.integers(180))
        cv2.ellipse(image, _at(image, rng), axes, turn, 0, 360, colour, -1, cv2.LINE_AA)
    return image


def rings(rng: Rng) -> Image:
    """Rounds and squares nested in each other, some touching."""
    image = _paper(rng)
    rows, cols = image.shape
    x, y, half = cols // 2, rows // 2, min(rows, cols) // 2 - 8
    is_filled = rng.random() < 0.5
    for k in range(rng.integers(2, 8)):
        if half < 6:
            break
        width = -1 if is_filled else int(rng.integers(1, 7))
        colour = 255 if is_filled and k % 2 else 0
        if rng.random() < 0.6:
            cv2.circle(image, (x, y), half, colour, width, cv2.LINE_AA)
        else:
            cv2.rectangle(image, (x - half, y - half), (x + half, y + half), colour, width)
        half -= int(rng.integers(3, 30))
        x, y = x + int(rng.integers(-3, 4)), y + int(rng.integers(-3, 4))
    return image


def comb(rng: Rng) -> Image:
    """A back with long teeth, some of them as thin as a hair."""
    image = _paper(rng)
    rows, cols = image.shape
    cv2.rectangle(image, (10, 10), (cols - 10, int(rng.integers(14, 50))), 0, -1)
    x = 12
    while x < cols - 14:
        width, end = int(rng.integers(1, 12)), int(rng.integers(60, rows - 10))
        cv2.rectangle(image, (x, 10), (x + width, end), 0, -1)
        x += width + int(rng.integers(1, 14))
    if rng.random() < 0.3:
        image = np.asarray(255 - image, np.uint8)
    return image


def hair(rng: Rng) -> Image:
    """Thin wandering lines that cross, and some that close."""
    image = _paper(rng)
    for _ in range(rng.integers(2, 25)):
        steps = rng.normal(0, 1, (int(rng.integers(10, 60)), 2)).cumsum(axis=0).cumsum(axis=0)
        line = np.array(_at(image, rng)) + steps * rng.uniform(0.2, 1.5)
        points = np.round(line).astype(np.int32).reshape(-1, 1, 2)
        thickness = int(rng.integers(1, 4))
        cv2.polylines(image, [points], bool(rng.random() < 0.2), 0, thickness, cv2.LINE_AA)
    return image


def checks(rng: Rng) -> Image:
    """Squares that meet at their corners, some left out."""
    image = _paper(rng)
    rows, cols = image.shape
    side = int(rng.integers(9, 45))
    for j in range(10, rows - side, side):
        for i in range(10, cols - side, side):
            if (i // side + j // side) % 2 and rng.random() < 0.9:
                cv2.rectangle(image, (i, j), (i + side - 1, j + side - 1), 0, -1)
    return image


def spiral(rng: Rng) -> Image:
    """One or two spirals, arms from touching to far apart."""
    image = _paper(rng)
    for _ in range(rng.integers(1, 3)):
        t = np.linspace(0, rng.uniform(2, 7) * 2 * np.pi, 500)
        arm = rng.uniform(0.5, 3.0) * t
        xy = np.column_stack([np.cos(t), np.sin(t)]) * arm[:, None] + _at(image, rng, 60)
        points = np.round(xy * 8).astype(np.int32).reshape(-1, 1, 2)
        width = int(rng.integers(1, 9))
        cv2.polylines(image, [points], isClosed=False, color=0, thickness=width, shift=3)
    return image


def noise(rng: Rng) -> Image:
    """Clouds cut off at a level: lakes, islands, necks and specks of every size."""
    image = _paper(rng)
    cloud = cv2.GaussianBlur(rng.normal(0, 1, image.shape), (0, 0), rng.uniform(2.5, 14))
    level = np.quantile(cloud, rng.uniform(0.3, 0.8))
    spread = (cloud - level) / cloud.std()
    return np.asarray(np.clip(128 + spread * 600, 0, 255), np.uint8)


def text(rng: Rng) -> Image:
    """Words, some in a frame."""
    image = _paper(rng)
    letters = list("ABDEGHKOPQRS&0468aeg%@B8")
    for row in range(rng.integers(1, 4)):
        word = "".join(rng.choice(letters, rng.integers(1, 7)))
        face = int(rng.choice([cv2.FONT_HERSHEY_DUPLEX, cv2.FONT_HERSHEY_TRIPLEX]))
        size = float(rng.uniform(0.6, 2.6))
        at = (int(rng.integers(5, 60)), 50 + 65 * row)
        cv2.putText(image, word, at, face, size, 0, int(rng.integers(1, 9)), cv2.LINE_AA)
    if rng.random() < 0.4:
        rows, cols = image.shape
        cv2.rectangle(image, (4, 4), (cols - 5, rows - 5), 0, int(rng.integers(1, 5)))
    return image


def tangle(rng: Rng) -> Image:
    """Polygons drawn over each other, outlined or filled, corners sharp as needles."""
    image = _paper(rng)
    for _ in range(rng.integers(1, 6)):
        corners = np.array([_at(image, rng, 6) for _ in range(rng.integers(3, 8))], np.int32)
        if rng.random() < 0.4:
            cv2.fillPoly(image, [corners.reshape(-1, 1, 2)], int(rng.choice([0, 0, 255, 120])))
        width = int(rng.integers(1, 6))
        cv2.polylines(image, [corners.reshape(-1, 1, 2)], isClosed=True, color=0, thickness=width)
    return image


DRAWINGS: tuple[Callable[[Rng], Image], ...] = (
    blobs, rings, comb, hair, checks, spiral, noise, text, tangle,
)  # fmt: skip

WAYS: tuple[dict[str, object], ...] = (
    {},
    {"read": Read.SOLID},
    {"read": Read.SOLID, "dark": Dark.OPENING, "border": Border.RECT},
    {"read": Read.EDGE},
    {"read": Read.EDGE, "border": Border.ROUND},
    {"read": Read.SLIT},
    {"read": Read.BAR},
    {"read": Read.SOLID, "dark": Dark.METAL, "border": Border.OVAL},
)


def drawing(number: int) -> tuple[str, Image, Said]:
    """The kind of a drawing, the picture, and the settings, by its number."""
    rng = np.random.default_rng(number)
    draw = DRAWINGS[number % len(DRAWINGS)]
    image = draw(rng)
    if rng.random() < 0.4:
        image = np.asarray(cv2.GaussianBlur(image, (0, 0), rng.uniform(0.5, 1.6)), np.uint8)
    if rng.random() < 0.3:
        grain = rng.normal(0, rng.uniform(1, 8), image.shape)
        image = np.asarray(np.clip(image * rng.uniform(0.7, 1) + grain, 0, 255), np.uint8)
    said = dict(WAYS[number // len(DRAWINGS) % len(WAYS)])
    said["width_mm"] = float(rng.integers(120, 900))
    said["kerf_mm"] = float(rng.choice([0.0, 1.0, 1.5, 1.5, 2.5]))
    said["order"] = OrderHow.PLANNED if rng.random() < 0.05 else OrderHow.NEAR
    if rng.random() < 0.2:
        said["n_holes"] = int(rng.integers(1, 3))
    return draw.__name__, image, Said(said)


def attempt(number: int, folder: Path) -> str:
    """What came of a drawing: ready, not ready, nothing found.

    Raises:
        AssertionError: guides that look ready and are wrong, or are not ready without a reason.
        Exception: anything that is not meant for a maker.
    """
    name, image, said = drawing(number)
    picture = folder / f"{name}.png"
    cv2.imwrite(str(picture), image)
    try:
        result = raster2path.make(with_said(Job(name=name, date="2026-01-01"), said), picture)
    except NothingFoundError:
        return "nothing found"
    except UsageError as error:  # such as a border that is narrower than its margin
        if "border" not in str(error) and "margin" not in str(error):
            raise
        return "settings do not fit"
    svg = folder / "guides.svg"
    svg.write_bytes(svg_bytes(result))
    faults = unsound(svg, kerf_mm=result.plan.kerf_mm)
    if result.is_ready:
        if faults:
            raise AssertionError(f"drawing {number} ({name}) looks ready: {'; '.join(faults)}")
        return "ready"
    if not all(reason.strip() for reason in result.stamp.not_ready):
        raise AssertionError(f"drawing {number} ({name}) is not ready without a reason")
    if b"not ready:" not in svg.read_bytes():
        raise AssertionError(f"drawing {number} ({name}): the guides do not say why")
    return "not ready"


def run(first: int, last: int, *, keep_on: bool = False) -> Counter[str]:
    """Try the drawings with these numbers; with `keep_on`, print findings instead of stopping."""
    seen: Counter[str] = Counter()
    faulthandler.register(signal.SIGPROF, chain=True)
    try:
        with tempfile.TemporaryDirectory() as place:
            for number in range(first, last):
                signal.setitimer(signal.ITIMER_PROF, LONGEST_S)
                seen[_one(number, Path(place), keep_on=keep_on)] += 1
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0)
    return seen


def _one(number: int, folder: Path, *, keep_on: bool) -> str:
    """What came of a drawing; a finding is told, or raised."""
    since = time.process_time()
    try:
        came = attempt(number, folder)
    except Exception as error:
        if not keep_on:
            raise
        at = error.__traceback__
        while at is not None and at.tb_next is not None:
            at = at.tb_next
        where = "" if at is None else f"{at.tb_frame.f_code.co_filename}:{at.tb_lineno}"
        came = "found"
        _say(f"{number} {type(error).__name__}: {error} {where}")
    if (took := time.process_time() - since) > SLOW_S:
        _say(f"{number} took {took:.0f} s")
    return came


SLOW_S = 15.0


def _say(line: str) -> None:
    sys.stdout.write(f"{line}\n")
    sys.stdout.flush()


if __name__ == "__main__":
    sys.stdout.write(f"{dict(run(int(sys.argv[1]), int(sys.argv[2]), keep_on=True))}\n")
