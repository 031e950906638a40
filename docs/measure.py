"""Time of each stage as a multiple of the floor, in one run: `measure.py [PICTURE…]`.

The floor is what nothing can go below: import OpenCV, decode, divide the background out, Otsu's
threshold, contours. Without a picture, a 12-megapixel photograph of lettering is made up.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
from pathlib import Path

import cv2
import numpy as np

FLOOR = """
import time; since = time.perf_counter()
import cv2, sys
grey = cv2.imread(sys.argv[1], cv2.IMREAD_GRAYSCALE)
small = cv2.resize(grey, None, fx=1 / 8, fy=1 / 8, interpolation=cv2.INTER_AREA)
paper = cv2.resize(cv2.medianBlur(small, 51), grey.shape[::-1])
flat = cv2.divide(grey, paper, scale=255)
_, ink = cv2.threshold(flat, 0, 255, cv2.THRESH_BINARY_INV | cv2.THRESH_OTSU)
cv2.findContours(ink, cv2.RETR_CCOMP, cv2.CHAIN_APPROX_NONE)
print(time.perf_counter() - since)
"""

ROAD = """
import time; since = time.perf_counter()
import sys
from raster2path.cli import main
status = main(["guide", sys.argv[1], "-o", sys.argv[2], *sys.argv[3:]])
print(time.perf_counter() - since)
"""

STAGES = """
import sys, time
from pathlib import Path
from raster2path import make, new_job
at = [("", time.perf_counter())]
def tick(stage): at.append((stage, time.perf_counter()))
make(new_job(Path(sys.argv[1])), Path(sys.argv[1]), progress=tick)
tick("end")
for (stage, since), (_, until) in zip(at[1:], at[2:]):
    print(f"  {stage:10} {1000 * (until - since):7.0f} ms")
"""


def lettering_page(path: Path) -> None:
    """A 4000 x 3000 photograph of six rows of lettering: light, blur, noise, sRGB, JPEG."""
    rng = np.random.default_rng(7)
    ink = np.zeros((3000, 4000), np.uint8)
    rows = ("HERON COVE", "FERRY LANE", "KELP & CO", "BOAT SHED", "TIDE 17", "REEDS END")
    for k, row in enumerate(rows):
        at = (250, 480 + 450 * k)
        cv2.putText(ink, row, at, cv2.FONT_HERSHEY_DUPLEX, 11, 255, 60, cv2.LINE_AA)
    light = 0.75 - 0.25 * np.linspace(0, 1, 4000, dtype=np.float32)[None, :]
    linear = light * (1 - 0.92 * cv2.GaussianBlur(ink, (0, 0), 1.3).astype(np.float32) / 255)
    linear += rng.normal(0, 0.008, linear.shape).astype(np.float32)
    srgb = np.clip(np.maximum(linear, 0) ** (1 / 2.2) * 255, 0, 255).astype(np.uint8)
    cv2.imwrite(str(path), cv2.cvtColor(srgb, cv2.COLOR_GRAY2BGR), [cv2.IMWRITE_JPEG_QUALITY, 88])


def as_installed() -> dict[str, str]:
    """This environment, but compiled modules are kept, as pip does where it installs a package."""
    return {k: v for k, v in os.environ.items() if k != "PYTHONDONTWRITEBYTECODE"}


def best_of(n: int, code: str, *words: str) -> float:
    """Least wall time in seconds that the code prints about itself, over n runs."""
    runs = [
        subprocess.run(  # noqa: S603 (our own code)
            [sys.executable, "-c", code, *words],
            capture_output=True,
            text=True,
            check=True,
            env=as_installed(),
        )
        for _ in range(n)
    ]
    return min(float(run.stdout.strip().splitlines()[-1]) for run in runs)


def main() -> None:
    """Print floor, road, ratio and stages for each picture."""
    with tempfile.TemporaryDirectory() as folder:
        made = Path(folder) / "page.jpg"
        pictures = [Path(word) for word in sys.argv[1:]] or [made]
        if pictures == [made]:
            lettering_page(made)
        for picture in pictures:
            floor = best_of(3, FLOOR, str(picture))
            road = best_of(2, ROAD, str(picture), str(Path(folder) / "guides.svg"))
            print(f"{picture.name}: floor {floor:.2f} s, road {road:.2f} s = {road / floor:.1f} x")
            done = subprocess.run(  # noqa: S603
                [sys.executable, "-c", STAGES, str(picture)],
                capture_output=True,
                text=True,
                check=True,
                env=as_installed(),
            )
            print(done.stdout, end="")


if __name__ == "__main__":
    main()
