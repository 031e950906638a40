"""Makes `docs/pictures/light.png`: the light on a crooked projector, in four views."""

from __future__ import annotations

import tempfile
from dataclasses import replace
from pathlib import Path

import numpy as np
import pypdfium2
from PIL import Image

import raster2path
from raster2path.light.registration import Mark, register
from raster2path.light.scene import light_up
from raster2path.light.slides import light_pdf

HERE = Path(__file__).parent
SIZE_PX = (1920, 1080)
SHEET_MM = (1200.0, 800.0)
CROOKED = (230 + 70j, 1720 + 130j, 1620 + 1010j, 330 + 960j)
NEXT = 29


def main() -> None:
    """The sample sketch, as thrown onto a sheet from the side."""
    picture = HERE.parent / "samples" / "heron-sketch.jpg"
    job = raster2path.new_job(picture)
    job = replace(job, size=replace(job.size, width_mm=900.0, sheet_mm=SHEET_MM))
    result = raster2path.make(job, picture)
    corners = (0j, complex(SHEET_MM[0]), complex(*SHEET_MM), 1j * SHEET_MM[1])
    marks = [Mark(mm, px) for mm, px in zip(corners, CROOKED, strict=True)]
    scene = light_up(result.order, stamp=result.stamp)
    found = register(marks, size_px=SIZE_PX)
    pdf = light_pdf(scene, found, size_px=SIZE_PX, is_punched=True)
    with tempfile.NamedTemporaryFile(suffix=".pdf") as file:
        file.write(pdf)
        file.flush()
        document = pypdfium2.PdfDocument(file.name)
        shown = [document[page].render(scale=1 / 0.75).to_numpy() for page in (0, 1, 2, 2 + NEXT)]
    rows = [np.hstack(shown[k : k + 2]) for k in (0, 2)]
    whole = Image.fromarray(np.vstack(rows)[..., 2::-1])
    whole.resize((1600, 900), Image.Resampling.LANCZOS).quantize(160).save(
        HERE / "pictures" / "light.png", optimize=True
    )


if __name__ == "__main__":
    main()
