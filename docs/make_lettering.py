"""One sign at three tolerances, flowing and lettering: `python -m docs.make_lettering`.

Writes docs/pictures/lettering-tolerances.png, and prints how many pieces each fit has.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path as FilePath

import cv2
import numpy as np
import numpy.typing as npt
from PIL import Image as Coloured

from raster2path.geometry import Path, Points
from raster2path.guides.colours import PAPER, rgb
from raster2path.job import FitRules, Job, LetteringMode, LetteringRules, SizeRules
from raster2path.model import Placement
from raster2path.pipeline import Result, make

HERE = FilePath(__file__).parent
SIGN = HERE.parent / "samples" / "heron-sketch.jpg"
Image = npt.NDArray[np.uint8]

WIDE, HIGH = 520, 300
"""Of one crop, in its own pixels."""
HEAD = 30
FITS = (
    ("close", FitRules(organic_tolerance_mm=0.3, lettering_tolerance_mm=0.2)),
    ("as usual", FitRules()),
    ("loose", FitRules(organic_tolerance_mm=4.0, lettering_tolerance_mm=1.0, looseness=1.0)),
)
COLOURS = 48


@dataclass(frozen=True)
class Part:
    """What is looked at: its middle and width in the squared picture, how it is told, a title."""

    title: str
    middle_share: tuple[float, float]
    width_share: float
    mode: LetteringMode


PARTS = (
    Part("the heron, flowing", (0.50, 0.40), 0.30, LetteringMode.AUTO),
    Part("its name, told as lettering", (0.36, 0.86), 0.22, LetteringMode.AUTO),
    Part("its name, told as flowing", (0.36, 0.86), 0.22, LetteringMode.NONE),
)


def fitted(fit: FitRules, mode: LetteringMode, like: Result | None) -> Result:
    """The sign made with a fit."""
    job = Job(
        name="heron",
        date="2026-01-01",
        size=SizeRules(width_mm=900.0),
        fit=fit,
        lettering=LetteringRules(mode=mode),
    )
    return make(job, SIGN, previous=like)


def crop(result: Result, part: Part, title: str) -> tuple[Image, int]:
    """The picture there with the fit over it; and the pieces that lie in it."""
    rows, cols = result.picture.rgb.shape[:2]
    zoom = WIDE / (part.width_share * cols)
    middle = np.array(part.middle_share) * (cols, rows)
    shift = np.array([WIDE, HIGH]) / 2 - zoom * middle
    onto = np.array([[zoom, 0, shift[0]], [0, zoom, shift[1]]])
    image = cv2.warpAffine(result.picture.rgb[..., ::-1], onto, (WIDE, HIGH), flags=cv2.INTER_AREA)
    image = np.asarray(255 - (255 - image.astype(np.float32)) * 0.5, np.uint8)
    placement = result.outlines.placement
    paths = [ring.path for ring in result.paths.rings if not ring.is_border]
    n = sum(drawn(image, path, placement, zoom, shift) for path in (*paths, *result.paths.slits))
    return captioned(np.asarray(image, np.uint8), f"{title}: {n} pieces"), n


def drawn(image: Image, path: Path, placement: Placement, zoom: float, shift: Points) -> int:
    """Draw a path and a dot where its pieces meet; tell how many start in the crop."""

    def place(points: Points) -> Points:
        return placement.to_px(points) * zoom + shift

    colour = rgb(PAPER.ink(path.kind).colour)[::-1]
    flat = place(path.flat(0.05))
    line = np.round(flat * 16).astype(np.int32).reshape(-1, 1, 2)
    cv2.polylines(image, [line], path.is_closed, colour, 2, cv2.LINE_AA, 4)
    starts = place(np.array([[piece.start.real, piece.start.imag] for piece in path]))
    inside = np.all((starts >= 0) & (starts < (WIDE, HIGH)), axis=1)
    for x, y in np.round(starts[inside]).astype(int).tolist():
        cv2.circle(image, (x, y), 4, (255, 255, 255), -1, cv2.LINE_AA)
        cv2.circle(image, (x, y), 4, (0, 0, 0), 1, cv2.LINE_AA)
    return int(inside.sum())


def captioned(image: Image, words: str) -> Image:
    """The picture under a line of words."""
    head = np.full((HEAD, WIDE, 3), 255, np.uint8)
    cv2.putText(head, words, (6, 21), cv2.FONT_HERSHEY_SIMPLEX, 0.55, (0, 0, 0), 1, cv2.LINE_AA)
    return np.vstack([head, image])


def side_by_side(rows: Sequence[Sequence[Image]]) -> Image:
    """Pictures of one size as a table with white between."""
    gap = np.full((HEAD + HIGH, 8, 3), 255, np.uint8)
    return np.vstack([np.hstack([part for image in row for part in (image, gap)]) for row in rows])


def main() -> None:
    """Write the picture."""
    table = []
    result: Result | None = None
    for part in PARTS:
        row = []
        for name, fit in FITS:
            result = fitted(fit, part.mode, result)
            image, n = crop(result, part, f"{part.title}, {name}")
            print(f"{part.title}, {name}: {n} pieces")
            row.append(image)
        table.append(row)
    whole = side_by_side(table)[..., ::-1]
    few = Coloured.fromarray(whole).quantize(COLOURS, dither=Coloured.Dither.NONE)
    few.save(HERE / "pictures" / "lettering-tolerances.png", optimize=True)


if __name__ == "__main__":
    main()
