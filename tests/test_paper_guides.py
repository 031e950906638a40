"""Guides on paper: sizes read back by pypdf, renders by pdfium, DXF by ezdxf's own auditor.

Paper sizes: ISO 216 and ANSI/ASME Y14.1; one PDF unit is 1/72 inch (ISO 32000-1, 8.3.2.3).
"""

from __future__ import annotations

import io

import cv2
import ezdxf.recover
import numpy as np
import numpy.typing as npt
import pypdf
import pypdfium2
import pytest
from ezdxf.entities.arc import Arc as DxfArc
from ezdxf.entities.spline import Spline

from raster2path.errors import UsageError
from raster2path.guides.dxf import LAYERS, guides_dxf
from raster2path.guides.full_size import full_size_pdf
from raster2path.guides.pages import (
    ORIGIN_MM,
    OVERLAP_MM,
    count_along,
    laid_out,
    page_name,
    pages_pdf,
)
from raster2path.guides.svg import drawing_mm, guides_svg
from raster2path.model import CutOrder
from tests.guide_scenes import STAMP, harbour

PT = 72 / 25.4
A4 = (210.0, 297.0)
DARK, PALE = 0.4, 0.8
Grey = npt.NDArray[np.float64]


@pytest.fixture(scope="module")
def order() -> CutOrder:
    return harbour()


def svg_of(order: CutOrder) -> str:
    return guides_svg(order, stamp=STAMP)


def pages_of(order: CutOrder, paper: tuple[float, float] = A4, *, under: bool = False) -> bytes:
    return pages_pdf(
        svg_of(order),
        order,
        size_mm=drawing_mm(order),
        paper_mm=paper,
        stamp=STAMP,
        is_under=under,
    )


def rendered(pdf: bytes, page: int, px_per_mm: float) -> Grey:
    """Grey picture of a page, 0 to 1, first row on top."""
    document = pypdfium2.PdfDocument(pdf)
    image = document[page].render(scale=px_per_mm / PT, grayscale=True).to_numpy()
    return np.asarray(image.reshape(image.shape[:2]), np.float64) / 255


def test_the_full_size_page_is_as_large_as_the_drawing(order: CutOrder) -> None:
    size = drawing_mm(order)
    pdf = full_size_pdf(svg_of(order), size_mm=size, title=STAMP.title)
    (page,) = pypdf.PdfReader(io.BytesIO(pdf)).pages
    assert float(page.mediabox.width) / PT == pytest.approx(size[0], abs=0.01)
    assert float(page.mediabox.height) / PT == pytest.approx(size[1], abs=0.01)


def test_a_cut_lies_on_the_page_where_it_lies_on_the_sheet(order: CutOrder) -> None:
    """Darkest across the longest straight torch line, to 0.05 mm; 20 pixels a millimetre."""
    size = drawing_mm(order)
    pdf = full_size_pdf(svg_of(order), size_mm=size, title=STAMP.title)
    lines = [s for cut in order.cuts if cut.path for s in cut.path if abs(s.end - s.start) > 60]
    upright = [s for s in lines if abs((s.end - s.start).real) < 1e-6]
    line = max(upright, key=lambda s: s.length)
    at = (line.start + line.end) / 2
    scale = 20.0
    picture = rendered(pdf, 0, scale)
    row = picture[round((at.imag + 13.0) * scale)]
    x = (np.arange(len(row)) + 0.5) / scale
    near = np.abs(x - at.real) < 0.9
    dark = np.clip(np.median(row[near]) - row[near], 0, None) + 1e-9
    ink = (1 - row[near]) - (1 - row[near]).min()
    assert float((x[near] * ink**2).sum() / (ink**2).sum()) == pytest.approx(at.real, abs=0.12)
    assert dark.max() > 0.1


def test_a_drawing_longer_than_a_page_can_be_is_refused_in_one_line(order: CutOrder) -> None:
    with pytest.raises(UsageError, match="--pages"):
        full_size_pdf(svg_of(order), size_mm=(6000.0, 400.0), title="")


@pytest.mark.parametrize("paper", [A4, (215.9, 279.4), (297.0, 420.0), (279.4, 431.8)])
def test_pages_are_of_the_paper_asked_for(order: CutOrder, paper: tuple[float, float]) -> None:
    for page in pypdf.PdfReader(io.BytesIO(pages_of(order, paper))).pages:
        sides = sorted(float(side) / PT for side in page.mediabox[2:])
        assert sides == pytest.approx(sorted(paper), abs=0.02)


def test_pages_put_together_by_their_corners_are_the_whole_drawing(order: CutOrder) -> None:
    """Every dark pixel of one lies within a quarter of a millimetre of a grey one of the other.

    The full-size page against the windows of the pages, their glue edges left out.
    """
    scale = 4
    size = drawing_mm(order)
    whole = rendered(full_size_pdf(svg_of(order), size_mm=size, title=""), 0, scale)
    grid = laid_out(size, A4)
    pdf = pages_of(order)
    texts = [page.extract_text().split("\n") for page in pypdf.PdfReader(io.BytesIO(pdf)).pages]
    left, top = (round(scale * v) for v in (ORIGIN_MM[0], grid.page_mm[1] - ORIGIN_MM[1]))
    width, height = (round(scale * v) for v in grid.window_mm)
    glue = round(scale * OVERLAP_MM)
    n_compared = 0
    for row in range(grid.n_rows):
        for column in range(grid.n_columns):
            own = [k for k, text in enumerate(texts) if k and page_name(row, column) in text]
            if not own:
                continue
            page = rendered(pdf, own[0], scale)
            window = page[top - height : top, left : left + width][glue:-glue, glue:-glue]
            x, y = (round(scale * v) + glue for v in grid.corner_mm(row, column))
            part = whole[y : y + window.shape[0], x : x + window.shape[1]]
            window = window[: part.shape[0], : part.shape[1]]
            for a, b in ((part, window), (window, part)):
                beside = cv2.erode(b, np.ones((3, 3), np.uint8))
                assert not np.any((a < DARK) & (beside > PALE))
            n_compared += int((part < DARK).sum())
    assert n_compared > 1000


def test_both_rules_on_a_page_are_100_mm(order: CutOrder) -> None:
    scale = 10.0
    page = rendered(pages_of(order), 1, scale)
    foot = page[round((A4[1] - ORIGIN_MM[1] + 3.5) * scale)]
    side = page[:, round((ORIGIN_MM[0] - 3.5) * scale)]
    for line in (foot, side):
        dark = np.flatnonzero(line < 0.5)
        runs = np.split(dark, np.flatnonzero(np.diff(dark) > 1) + 1)
        longest = max(runs, key=len)
        assert (longest[-1] - longest[0] + 1) / scale == pytest.approx(100.0, abs=0.5)


def test_seen_from_under_the_drawing_is_mirrored(order: CutOrder) -> None:
    """Paper larger than the drawing: one page, whose window is the other's mirror image."""
    paper = (841.0, 1189.0)
    size = drawing_mm(order)
    one, other = (rendered(pages_of(order, paper, under=u), 1, 1.0) for u in (False, True))
    grid = laid_out(size, paper)
    left, top = round(ORIGIN_MM[0]), round(grid.page_mm[1] - ORIGIN_MM[1] - grid.window_mm[1])
    rows = slice(top + 12, top + round(size[1]) - 12)
    columns = slice(left + 12, left + round(size[0]) - 12)
    a, b = one[rows, columns], other[rows, columns][:, ::-1]
    assert np.mean(np.abs(a - b) > 0.4) < 0.02


def test_too_small_paper_is_refused_in_one_line(order: CutOrder) -> None:
    with pytest.raises(UsageError, match="a5 or larger"):
        pages_of(order, (90.0, 120.0))


@pytest.mark.parametrize(
    ("page", "columns", "rows"),
    [((210, 297), 6, 3), ((297, 210), 4, 4), ((420, 297), 3, 3)],
)
def test_tiles_of_the_worked_example(page: tuple[int, int], columns: int, rows: int) -> None:
    """900 x 600 mm, margins 10, overlap 15: A4 upright 18, A4 lying 16, A3 lying 9."""
    windows = (page[0] - 20, page[1] - 20)
    counts = [count_along(s, w, 15.0) for s, w in zip((900.0, 600.0), windows, strict=True)]
    assert counts == [columns, rows]


def test_paper_comes_out_the_same_each_time(order: CutOrder) -> None:
    assert pages_of(order) == pages_of(order)
    size = drawing_mm(order)
    first, second = (guides_dxf(order, size_mm=size, stamp=STAMP) for _ in range(2))
    assert first == second


def test_dxf_is_sound_and_in_millimetres(order: CutOrder) -> None:
    size = drawing_mm(order)
    content = guides_dxf(order, size_mm=size, stamp=STAMP)
    document, auditor = ezdxf.recover.read(io.BytesIO(content))
    assert not auditor.errors
    assert document.dxfversion == "AC1024"
    assert document.units == 4
    layers = {entity.dxf.layer for entity in document.modelspace()}
    assert {"edges", "torch", "pierces"} <= layers <= set(LAYERS)


def test_dxf_keeps_lines_arcs_and_curves_in_their_places(order: CutOrder) -> None:
    size = drawing_mm(order)
    content = guides_dxf(order, size_mm=size, stamp=STAMP)
    document, _ = ezdxf.recover.read(io.BytesIO(content))
    ends = []
    for entity in document.modelspace().query('*[layer=="torch"]'):
        if isinstance(entity, Spline):
            points = [entity.control_points[0], entity.control_points[-1]]
        elif isinstance(entity, DxfArc):
            points = [entity.start_point, entity.end_point]
        else:
            points = [entity.dxf.start, entity.dxf.end]
        ends.append(sorted((round(p[0], 3), round(size[1] - p[1], 3)) for p in points))
    cuts = [cut for cut in order.cuts if cut.path is not None]
    wanted = [
        sorted((round(z.real, 3), round(z.imag, 3)) for z in (s.start, s.end))
        for cut in cuts
        if cut.type.value != "slit"
        for s in cut.path or ()
    ]
    assert len(ends) == len(wanted)
    assert np.allclose(
        sorted(map(np.ravel, ends), key=tuple), sorted(map(np.ravel, wanted), key=tuple), atol=2e-3
    )
