"""Time and memory of the whole road, against the floor: `measure.py [PICTURE…] [--grow]`.

The floor is what nothing can go below: import OpenCV, decode, divide the background out, Otsu's
threshold, contours; it is measured in the same run. Without a picture, a 12-megapixel photograph of
lettering is made up. With `--grow`, the road is measured on 1 to 48 megapixels of the same drawing
and on 10 to 1000 outlines of the same picture size, and the exponent of each growth is told
(1: in proportion).
"""

from __future__ import annotations

import json
import math
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt

Image = npt.NDArray[np.uint8]

PEAK = """
def peak_mb():
    import re, resource
    try:  # what getrusage tells begins with the memory of the process that started this one
        return int(re.search("VmHWM:[^0-9]*([0-9]+)", open("/proc/self/status").read())[1]) / 1024
    except OSError:
        return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
"""
"""Most resident memory of the process that runs it."""

FLOOR = """
import time; since = time.perf_counter()
import cv2, json, sys
grey = cv2.imread(sys.argv[1], cv2.IMREAD_GRAYSCALE)
small = cv2.resize(grey, None, fx=1 / 8, fy=1 / 8, interpolation=cv2.INTER_AREA)
paper = cv2.resize(cv2.medianBlur(small, 51), grey.shape[::-1])
flat = cv2.divide(grey, paper, scale=255)
_, ink = cv2.threshold(flat, 0, 255, cv2.THRESH_BINARY_INV | cv2.THRESH_OTSU)
cv2.findContours(ink, cv2.RETR_CCOMP, cv2.CHAIN_APPROX_NONE)
took = time.perf_counter() - since
told = {"wall": took, "processor": time.process_time()}
told["mb"] = peak_mb()
print(json.dumps(told))
"""

ROAD = """
import time; since = time.perf_counter()
import json, sys
from pathlib import Path
from raster2path import make, new_job
from raster2path.outputs import svg_bytes, write_files
at = [("imports", since)]
def tick(stage): at.append((stage, time.perf_counter()))
picture = Path(sys.argv[1])
result = make(new_job(picture), picture, progress=tick)
tick("guides")
write_files(Path(sys.argv[2]), {"guides.svg": svg_bytes(result)})
tick("end")
told = {"wall": time.perf_counter() - since, "processor": time.process_time()}
told["mb"] = peak_mb()
told["stages"] = [[name, until - begun] for (name, begun), (_, until) in zip(at, at[1:])]
told["outlines"] = len(result.paths.rings) + len(result.paths.slits)
print(json.dumps(told))
"""


@dataclass(frozen=True)
class Run:
    """What a process told of itself.

    Attributes:
        wall_s, processor_s: wall time, and processor time over all threads.
        peak_mb: most resident memory.
        stages_s: by name, in order.
        n_outlines: fitted rings and slits.
    """

    wall_s: float
    processor_s: float
    peak_mb: float
    stages_s: tuple[tuple[str, float], ...] = ()
    n_outlines: int = 0


def best_of(n: int, code: str, *words: str) -> Run:
    """The quickest of n runs: the others were disturbed."""
    runs = []
    for _ in range(n):
        done = subprocess.run(  # noqa: S603 (our own code)
            [sys.executable, "-c", PEAK + code, *words], capture_output=True, text=True, check=True
        )
        told = json.loads(done.stdout.splitlines()[-1])
        stages = tuple((name, seconds) for name, seconds in told.get("stages", []))
        runs.append(
            Run(told["wall"], told["processor"], told["mb"], stages, told.get("outlines", 0))
        )
    return min(runs, key=lambda run: run.wall_s)


def lettering_page(path: Path, *, width: int = 4000) -> None:
    """A 4:3 photograph of six rows of lettering: light, blur, noise, sRGB, JPEG."""
    rng = np.random.default_rng(7)
    scale = width / 4000
    ink = np.zeros((3000, 4000), np.uint8)
    rows = ("HERON COVE", "FERRY LANE", "KELP & CO", "BOAT SHED", "TIDE 17", "REEDS END")
    for k, row in enumerate(rows):
        at = (250, 480 + 450 * k)
        cv2.putText(ink, row, at, cv2.FONT_HERSHEY_DUPLEX, 11, 255, 60, cv2.LINE_AA)
    how = cv2.INTER_AREA if scale < 1 else cv2.INTER_CUBIC
    ink = np.asarray(cv2.resize(ink, (width, width * 3 // 4), interpolation=how), np.uint8)
    _photographed(path, ink, rng)


def scattered_page(path: Path, *, n: int) -> None:
    """A 12-megapixel photograph of n flowing outlines in rows; all together as long for any n."""
    rng = np.random.default_rng(7)
    ink = np.zeros((3000, 4000), np.uint8)
    columns = math.ceil(math.sqrt(n * 4 / 3))
    cell = 3600 / columns
    turn = np.linspace(0, 2 * np.pi, 120, endpoint=False)
    for k in range(n):
        middle = 200 + cell * (k % columns + 0.5), 200 + cell * (k // columns + 0.5)
        much, shift = rng.uniform(-0.16, 0.16, 3), rng.uniform(0, 6, 3)
        waves = much @ np.cos(np.outer((2, 3, 4), turn) + shift[:, None])
        radius = 0.3 * cell * (1 + waves)
        blob = np.column_stack([np.cos(turn), np.sin(turn)]) * radius[:, None] + middle
        cv2.fillPoly(ink, [np.round(blob * 8).astype(np.int32)], 255, cv2.LINE_AA, shift=3)
    _photographed(path, ink, rng)


def _photographed(path: Path, ink: Image, rng: np.random.Generator) -> None:
    light = 0.75 - 0.25 * np.linspace(0, 1, ink.shape[1], dtype=np.float32)[None, :]
    linear = light * (1 - 0.92 * cv2.GaussianBlur(ink, (0, 0), 1.3).astype(np.float32) / 255)
    linear += rng.normal(0, 0.008, linear.shape).astype(np.float32)
    srgb = np.clip(np.maximum(linear, 0) ** (1 / 2.2) * 255, 0, 255).astype(np.uint8)
    cv2.imwrite(str(path), cv2.cvtColor(srgb, cv2.COLOR_GRAY2BGR), [cv2.IMWRITE_JPEG_QUALITY, 88])


def measured(picture: Path, folder: Path, *, n: int = 2) -> tuple[Run, Run]:
    """The floor and the road, in turn."""
    return best_of(n, FLOOR, str(picture)), best_of(n, ROAD, str(picture), str(folder))


def tell(picture: Path, folder: Path) -> None:
    """Floor, road, ratios, memory and stages of one picture."""
    floor, road = measured(picture, folder)
    print(
        f"{picture.name}: floor {floor.wall_s:.2f} s ({floor.processor_s:.2f} s of processor), "
        f"{floor.peak_mb:.0f} MB; road {road.wall_s:.2f} s ({road.processor_s:.2f} s), "
        f"{road.peak_mb:.0f} MB = {road.wall_s / floor.wall_s:.1f} x the floor "
        f"({road.processor_s / floor.processor_s:.1f} x by processor), {road.n_outlines} outlines"
    )
    for stage, seconds in road.stages_s:
        print(f"  {stage:10} {1000 * seconds:7.0f} ms  {seconds / floor.wall_s:5.2f} x")


def growth(sizes: list[float], seconds: list[float]) -> float:
    """The exponent of a power law through the points, by least squares of the logarithms."""
    return float(np.polyfit(np.log(sizes), np.log(seconds), 1)[0])


def tell_growth(folder: Path) -> None:
    """The road on more and more pixels, then on more and more outlines."""
    sizes, took = [], []
    for mpx in (1, 3, 12, 24, 48):
        page = folder / f"page-{mpx}.jpg"
        lettering_page(page, width=round(math.sqrt(mpx * 1e6 * 4 / 3)) // 8 * 8)
        floor, road = measured(page, folder, n=1)
        sizes.append(float(mpx))
        took.append(road.processor_s)
        print(
            f"{mpx:4d} Mpx: {road.wall_s:6.2f} s, {road.processor_s:6.2f} s of processor, "
            f"{road.peak_mb:5.0f} MB, {road.wall_s / floor.wall_s:4.1f} x the floor",
            flush=True,
        )
    print(f"grows as pixels to the power of {growth(sizes, took):.2f}")
    counts, took = [], []
    for n in (10, 30, 100, 300, 1000):
        page = folder / f"blobs-{n}.jpg"
        scattered_page(page, n=n)
        road = best_of(1, ROAD, str(page), str(folder))
        counts.append(float(road.n_outlines))
        took.append(road.processor_s)
        slowest = sorted(road.stages_s, key=lambda stage: -stage[1])[:3]
        told = ", ".join(f"{name} {seconds:.1f} s" for name, seconds in slowest)
        print(
            f"{road.n_outlines:5d} outlines: {road.wall_s:6.2f} s, {road.processor_s:6.2f} s of "
            f"processor, {road.peak_mb:5.0f} MB; {told}",
            flush=True,
        )
    print(f"grows as outlines to the power of {growth(counts, took):.2f}")


def main() -> None:
    """Print what was measured."""
    words = [word for word in sys.argv[1:] if word != "--grow"]
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        if not words:
            lettering_page(folder / "page.jpg")
        for picture in [Path(word) for word in words] or [folder / "page.jpg"]:
            tell(picture, folder)
        if "--grow" in sys.argv:
            tell_growth(folder)


if __name__ == "__main__":
    main()
