"""Paper sizes by their standards, pages taped together to 0.2 mm, and colours for lit steel."""

from __future__ import annotations

import io
import math
from dataclasses import replace
from pathlib import Path

import cv2
import ezdxf.recover
import numpy as np
import numpy.typing as npt
import pypdf
import pypdfium2
import pytest
from PIL import Image, ImageDraw
from svgelements import SVG, Group
from svgelements import Rect as SvgRect

from raster2path.guides.colours import STEEL
from raster2path.guides.dxf import guides_dxf
from raster2path.guides.full_size import full_size_pdf
from raster2path.guides.pages import (
    CROSS_MM,
    FOOT_MM,
    ORIGIN_MM,
    OVERLAP_MM,
    SIDE_MM,
    UNPRINTED_MM,
    laid_out,
    page_name,
    pages_pdf,
)
from raster2path.guides.svg import drawing_mm, guides_svg
from raster2path.job import Ground, Job, PrintRules, SizeRules
from raster2path.outputs import folder_files, svg_bytes
from raster2path.pipeline import make
from raster2path.settings import PAPERS_MM
from tests.guide_scenes import STAMP, harbour

PT = 72 / 25.4
Grey = npt.NDArray[np.float64]

POINTS = {
    # width and height in PDF units of 1/72 inch: mm x 72 / 25.4, or inches x 72
    "a0": (2383.94, 3370.39),
    "a1": (1683.78, 2383.94),
    "a2": (1190.55, 1683.78),
    "a3": (841.89, 1190.55),
    "a4": (595.28, 841.89),
    "letter": (612, 792),
    "tabloid": (792, 1224),
    "ansi-c": (1224, 1584),
    "ansi-d": (1584, 2448),
    "ansi-e": (2448, 3168),
    "arch-d": (1728, 2592),
    "arch-e": (2592, 3456),
}


@pytest.mark.parametrize("name", POINTS)
def test_a_page_has_the_size_of_its_standard(name: str) -> None:
    """A0 to A4: ISO 216. Letter, tabloid and ANSI C to E: ANSI/ASME Y14.1. Read by pypdf."""
    order = harbour()
    pdf = pages_pdf(
        guides_svg(order, stamp=STAMP),
        order,
        size_mm=drawing_mm(order),
        paper_mm=PAPERS_MM[name],
        stamp=STAMP,
    )
    for page in pypdf.PdfReader(io.BytesIO(pdf)).pages:
        assert page.mediabox == page.cropbox
        sides = sorted((float(page.mediabox.width), float(page.mediabox.height)))
        assert sides == pytest.approx(POINTS[name], abs=0.05)


@pytest.mark.parametrize("n", range(6))
def test_the_a_series_follows_its_rule(n: int) -> None:
    """ISO 216: A0 has a square metre and sides as 1 to the root of 2; each next one is halved.

    Sides are rounded down to whole millimetres by halving the larger size.
    """
    long, short = 1189, 841
    for _ in range(n):
        long, short = short, long // 2
    assert PAPERS_MM[f"a{n}"] == (short, long)
    assert long / short == pytest.approx(math.sqrt(2), rel=0.006)


def n_windows(length: float, window: float) -> int:
    """Windows laid one after the other, each over the last one's end, until all is covered."""
    n, covered = 1, window
    while covered < length - 1e-9:
        n, covered = n + 1, covered + window - OVERLAP_MM
    return n


@pytest.mark.parametrize(
    ("size", "is_lying"),
    [((900.0, 600.0), False), ((520.0, 340.0), True), ((180.0, 800.0), False), ((270, 180), True)],
)
def test_pages_lie_whichever_way_takes_fewer(size: tuple[float, float], is_lying: bool) -> None:  # noqa: FBT001
    counts = {}
    for page in ((210.0, 297.0), (297.0, 210.0)):
        window = page[0] - 2 * UNPRINTED_MM - SIDE_MM, page[1] - 2 * UNPRINTED_MM - FOOT_MM
        counts[page] = n_windows(size[0], window[0]) * n_windows(size[1], window[1])
    grid = laid_out(size, (210.0, 297.0))
    assert grid.n_columns * grid.n_rows == min(counts.values()) == counts[grid.page_mm]
    assert (grid.page_mm[0] > grid.page_mm[1]) == is_lying


def rendered(pdf: bytes, page: int, px_per_mm: float) -> Grey:
    document = pypdfium2.PdfDocument(pdf)
    image = document[page].render(scale=px_per_mm / PT, grayscale=True).to_numpy()
    return np.asarray(image.reshape(image.shape[:2]), np.float64) / 255


def cross_at(page: Grey, near: complex, scale: float) -> complex:
    """The middle of a printed cross, in mm, by its dark arms beyond everything drawn inside."""
    x, y = (round(v * scale) for v in (near.real, near.imag))
    reach = round((CROSS_MM - 1) * scale)
    patch = 1 - page[y - reach : y + reach + 1, x - reach : x + reach + 1]
    # dark all along; what is drawn inside is paler, or ends sooner
    columns, rows = (np.clip(patch.min(axis=axis) - 0.4, 0, None) for axis in (0, 1))
    at = [float((line * np.arange(len(line))).sum() / line.sum()) for line in (columns, rows)]
    return complex(x - reach + at[0] + 0.5, y - reach + at[1] + 0.5) / scale


def test_pages_laid_by_their_printed_crosses_are_the_whole_drawing() -> None:
    """To 0.2 mm: no dark pixel of one is farther than that from a grey one of the other."""
    scale = 10.0
    order = harbour()
    size, paper = drawing_mm(order), (297.0, 420.0)
    svg = guides_svg(order, stamp=STAMP)
    whole = rendered(full_size_pdf(svg, size_mm=size, title=""), 0, scale)
    pdf = pages_pdf(svg, order, size_mm=size, paper_mm=paper, stamp=STAMP)
    texts = [page.extract_text().split("\n") for page in pypdf.PdfReader(io.BytesIO(pdf)).pages]
    grid = laid_out(size, paper)
    near = round(0.2 * scale)
    within = np.ones((2 * near + 1, 2 * near + 1), np.uint8)
    n_compared = 0
    for row in range(grid.n_rows):
        for column in range(grid.n_columns):
            (own,) = (k for k, text in enumerate(texts) if k and page_name(row, column) in text)
            page = rendered(pdf, own, scale)
            corner = complex(ORIGIN_MM[0], grid.page_mm[1] - ORIGIN_MM[1] - grid.window_mm[1])
            half = OVERLAP_MM / 2 * (1 + 1j)
            found = cross_at(page, corner + half, scale) - half
            assert abs(found - corner) < 0.05
            x0, y0 = (round(v * scale) for v in (found.real, found.imag))
            width, height = (round(scale * side) for side in grid.window_mm)
            glue = round(scale * OVERLAP_MM)
            window = page[y0 : y0 + height, x0 : x0 + width][glue:-glue, glue:-glue]
            x, y = (round(scale * v) + glue for v in grid.corner_mm(row, column))
            part = whole[y : y + window.shape[0], x : x + window.shape[1]]
            window = window[: part.shape[0], : part.shape[1]]
            for a, b in ((part, window), (window, part)):
                assert not np.any((a < 0.4) & (cv2.erode(b, within) > 0.8))
            n_compared += int((part < 0.4).sum())
    assert n_compared > 10_000


def test_a_sign_longer_than_a_pdf_page_comes_on_pages(tmp_path: Path) -> None:
    """ISO 32000-1, annex C: 14 400 units, 5080 mm."""
    picture = Image.new("L", (1100, 120), 255)
    ImageDraw.Draw(picture).rectangle((100, 40, 1000, 80), fill=0)
    picture.save(tmp_path / "rail.png")
    job = Job(name="rail", date="2026-11-25", size=SizeRules(width_mm=5200.0))
    result = make(job, tmp_path / "rail.png")
    files = folder_files(result, picture=tmp_path / "rail.png", folder=tmp_path)
    assert "guides.pdf" not in files
    pages = pypdf.PdfReader(io.BytesIO(files["pages.pdf"])).pages
    assert len(pages) > 3
    steel = replace(result, job=replace(job, print=PrintRules(colours=Ground.STEEL)))
    assert b'id="ground"' in svg_bytes(steel)
    assert b'id="ground"' not in svg_bytes(result)


def test_colours_for_steel_stand_on_black() -> None:
    """Read back by svgelements: one black rectangle of the drawing's size, below all else."""
    order = harbour()
    text = guides_svg(order, stamp=STAMP, palette=STEEL)
    tops = [e for e in SVG.parse(io.StringIO(text)) if isinstance(e, Group)]
    assert tops[0].values["id"] == "ground"
    (ground,) = (e for e in tops[0].select() if isinstance(e, SvgRect))
    assert str(ground.fill) == "#000000"
    size = drawing_mm(order)
    px_per_mm = 96 / 25.4
    assert (ground.width / px_per_mm, ground.height / px_per_mm) == pytest.approx(size, abs=0.01)


def test_layers_of_the_dxf_are_named_as_the_groups_of_the_svg() -> None:
    """Read back by ezdxf: no errors, millimetres, and the blank's outline on its own layer."""
    order = harbour(sheet=(900, 600))
    content = guides_dxf(order, size_mm=drawing_mm(order), stamp=STAMP)
    document, auditor = ezdxf.recover.read(io.BytesIO(content))
    assert not auditor.errors
    assert document.units == 4
    layers = {entity.dxf.layer for entity in document.modelspace()}
    svg = guides_svg(order, stamp=STAMP)
    groups = {e.values["id"] for e in SVG.parse(io.StringIO(svg)) if isinstance(e, Group)}
    own = {"sheet", "edges", "slits", "ties", "torch", "leads", "pierces", "order"}
    assert layers == own
    assert own <= groups
    blank = document.modelspace().query('LINE[layer=="sheet"]')
    ends = {(round(line.dxf.start.x), round(line.dxf.start.y)) for line in blank}
    assert ends == {(0, 0), (900, 0), (900, 600), (0, 600)}
