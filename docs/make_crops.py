"""Enlarged crops: a picture, the edge fitted to it, and where its pieces meet.

`python -m docs.make_crops` from the repository's root writes eight into docs/pictures.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path as FilePath

import cv2
import numpy as np
import numpy.typing as npt
from PIL import Image as Coloured

from raster2path.geometry import Line, Path, Points, Segment
from tests.edge_cases import Case, all_cases, run

PICTURES = FilePath(__file__).parent / "pictures"
Image = npt.NDArray[np.uint8]

SIDE = 560
"""Of a crop, in its own pixels."""
SHIFT = 6
"""OpenCV draws to a 64th of a pixel."""
GREYS = 24
COLOURS = 64
"""So many are enough to see a pixel by, and keep a crop small."""
STRAIGHT, ROUND, CORNER, JOINT = (178, 114, 0), (0, 94, 213), (0, 0, 0), (255, 255, 255)
"""Okabe & Ito's blue and vermilion, as OpenCV orders them."""
CORNER_DEG = 20.0


@dataclass(frozen=True)
class Crop:
    """Part of a case: name of the file, the case's name, middle and width in drawn pixels."""

    file: str
    case: str
    middle: complex
    width: float


CROPS = (
    Crop("crop-letter-r", "HERON cmss10 300 photo", 735 + 205j, 72),
    Crop("crop-letter-y", "FERRY cmb10 300 photo", 545 + 90j, 110),
    Crop("crop-letter-ampersand", "g & B 3 8 cmb10 300 photo", 590 + 290j, 90),
    Crop("crop-letter-shaky", "FERRY cmb10 300 pencil 0.6", 100 + 80j, 120),
    Crop("crop-leaf-tip", "leaf x1 photo", 420 + 155j, 64),
    Crop("crop-heron-beak", "heron x1 photo", 95 + 75j, 130),
    Crop("crop-reeds", "reeds x1 clean", 215 + 400j, 100),
    Crop("crop-kelp", "kelp x1 photo", 240 + 110j, 140),
)


def enlarged(grey: Image, crop: Crop) -> Image:
    """The drawn pixels of a crop as squares, paled so that lines over them show."""
    zoom, low = SIDE / crop.width, crop.middle - crop.width / 2 * (1 + 1j)
    onto = np.array([[zoom, 0, -zoom * low.real], [0, zoom, -zoom * low.imag]])
    onto[:, 2] += (zoom - 1) / 2  # from the middles of pixels to their corners
    big = cv2.warpAffine(grey, onto, (SIDE, SIDE), flags=cv2.INTER_NEAREST, borderValue=255)
    pale = 255 - (255 - big.astype(np.float32)) * 0.55
    step = 255 / GREYS
    return np.asarray(cv2.cvtColor((np.round(pale / step) * step).astype(np.uint8), 8), np.uint8)


def sharp(points: Points) -> npt.NDArray[np.int32]:
    """Points as OpenCV's drawing takes them; a pixel's middle has whole numbers there."""
    return np.round((points - 0.5) * (1 << SHIFT)).astype(np.int32).reshape(-1, 1, 2)


def joints(path: Path) -> Iterable[tuple[Segment, Segment]]:
    """Neighbouring pieces of a closed path."""
    return zip((path.segments[-1], *path.segments[:-1]), path.segments, strict=True)


def with_edges(image: Image, paths: Sequence[Path], crop: Crop) -> Image:
    """Straight pieces blue, curves red; joints as dots, corners as squares."""
    zoom, low = SIDE / crop.width, crop.middle - crop.width / 2 * (1 + 1j)
    out = image.copy()
    moved = [path.mapped(zoom, -zoom * low) for path in paths]
    for path in moved:
        for piece in path:
            colour = STRAIGHT if isinstance(piece, Line) else ROUND
            flat = sharp(Path((piece,), is_closed=False).flat(0.05))
            cv2.polylines(out, [flat], False, colour, 2, cv2.LINE_AA, SHIFT)
    for path in moved:
        for before, after in joints(path):
            turn = abs(np.degrees(np.angle(after.tangent(0.0) / before.tangent(1.0))))
            mark(out, after.start, is_corner=bool(turn > CORNER_DEG))
    return out


def mark(image: Image, at: complex, *, is_corner: bool) -> None:
    """A square or a dot, where it lies in the picture."""
    if not (0 <= at.real < SIDE and 0 <= at.imag < SIDE):
        return
    x, y = round(at.real), round(at.imag)
    if is_corner:
        cv2.rectangle(image, (x - 5, y - 5), (x + 5, y + 5), CORNER, 2)
    else:
        cv2.circle(image, (x, y), 5, JOINT, -1, cv2.LINE_AA)
        cv2.circle(image, (x, y), 5, CORNER, 1, cv2.LINE_AA)


def cropped(crop: Crop, case: Case) -> Image:
    """One crop."""
    drawing, fitted = run(case)
    return with_edges(enlarged(case.picture(drawing), crop), fitted.paths, crop)


def main() -> None:
    """Write all crops."""
    cases = {case.name: case for case in all_cases()}
    for crop in CROPS:
        image = cropped(crop, cases[crop.case])
        few = Coloured.fromarray(image[:, :, ::-1]).quantize(COLOURS, dither=Coloured.Dither.NONE)
        few.save(PICTURES / f"{crop.file}.png", optimize=True)


if __name__ == "__main__":
    main()
