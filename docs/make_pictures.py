"""Make the pictures of README and docs from the samples: `make_pictures.py` (needs cairosvg)."""

from __future__ import annotations

import tempfile
from pathlib import Path

import cairosvg
import cv2
import numpy as np
import numpy.typing as npt
import pypdfium2

from raster2path.cli import main as raster2path

HERE = Path(__file__).parent
SAMPLES = HERE.parent / "samples"
PICTURES = HERE / "pictures"
Image = npt.NDArray[np.uint8]

SIGNS: dict[str, tuple[str, ...]] = {
    "heron-sketch.jpg": ("--width", "900", "--pages", "a4"),
    "ferry-solid.png": ("--width", "900", "--dark", "opening", "--border", "rect"),
    "kelp-lines.png": ("--width", "700"),
    "boat-shed-bars.png": ("--width", "700", "--read", "bar"),
}
READINGS = {
    "edge": "heron-sketch.jpg",
    "solid": "ferry-solid.png",
    "slit": "kelp-lines.png",
    "bar": "boat-shed-bars.png",
}


def fit_into(image: Image, width: int, height: int) -> Image:
    """The whole picture, shrunk to fit, in the middle of a white one."""
    scale = min(width / image.shape[1], height / image.shape[0])
    size = (round(image.shape[1] * scale), round(image.shape[0] * scale))
    small = cv2.resize(image, size, interpolation=cv2.INTER_AREA)
    out = np.full((height, width, 3), 255, np.uint8)
    top, left = (height - size[1]) // 2, (width - size[0]) // 2
    out[top : top + size[1], left : left + size[0]] = small
    return out


def strip(images: list[Image], width: int, height: int) -> Image:
    """Pictures side by side."""
    gap = np.full((height, 12, 3), 255, np.uint8)
    parts = [part for image in images for part in (fit_into(image, width, height), gap)]
    return np.ascontiguousarray(np.hstack(parts[:-1]))


def drawn(svg: Path, width: int) -> Image:
    """The guides as a browser would draw them."""
    png = cairosvg.svg2png(url=str(svg), output_width=width, background_color="white")
    return np.asarray(cv2.imdecode(np.frombuffer(png, np.uint8), cv2.IMREAD_COLOR), np.uint8)


def read(path: Path) -> Image:
    """A picture in colour."""
    return np.asarray(cv2.imread(str(path), cv2.IMREAD_COLOR), np.uint8)


def page_of(pdf: Path, number: int, width: int) -> Image:
    """A page as a printer would show it."""
    page = pypdfium2.PdfDocument(pdf)[number]
    image = page.render(scale=width / page.get_width()).to_numpy()
    return np.ascontiguousarray(image[..., :3])


def paper(folder: Path) -> Image:
    """How the sheets lie, one of them, the job sheet, and what the customer signs."""
    wanted = (("pages.pdf", 0), ("pages.pdf", 6), ("job.pdf", 0), ("proof.pdf", 0))
    pages = [page_of(folder / name, number, 420) for name, number in wanted]
    framed = [
        cv2.copyMakeBorder(p, 2, 2, 2, 2, cv2.BORDER_CONSTANT, value=(150,) * 3) for p in pages
    ]
    return strip([np.asarray(page, np.uint8) for page in framed], 424, 600)


def main() -> None:
    """Run the main job on every sample and put the results side by side."""
    PICTURES.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory() as folder:
        jobs = {}
        for name, words in SIGNS.items():
            jobs[name] = Path(folder) / name
            raster2path(["guide", str(SAMPLES / name), *words, "-o", f"{jobs[name]}/"])
        for name, job in jobs.items():
            three = [
                read(SAMPLES / name),
                drawn(job / "guides.svg", 1400),
                read(job / "as-hung.png"),
            ]
            place = "road" if name.startswith("heron") else Path(name).stem
            cv2.imwrite(str(PICTURES / f"{place}.png"), strip(three, 560, 420), [16, 9])
            on_photo = read(job / "on-photo.png")
            cv2.imwrite(
                str(PICTURES / f"{Path(name).stem}-on-photo.jpg"),
                fit_into(on_photo, 1100, round(1100 * on_photo.shape[0] / on_photo.shape[1])),
                [cv2.IMWRITE_JPEG_QUALITY, 82],
            )
        cv2.imwrite(str(PICTURES / "paper.png"), paper(jobs["heron-sketch.jpg"]), [16, 9])
        for how, name in READINGS.items():
            two = [read(SAMPLES / name), read(jobs[name] / "as-hung.png")]
            cv2.imwrite(str(PICTURES / f"read-{how}.png"), strip(two, 150, 112), [16, 9])


if __name__ == "__main__":
    main()
