"""The template for the wall, full size and level, read back by pypdf and rendered by pdfium."""

from __future__ import annotations

import io
from dataclasses import replace

import numpy as np
import pypdf
import pypdfium2
import pytest

from raster2path.geometry import circle
from raster2path.guides.hang import A4_MM, Hanging, hang_pdf, holes_of
from raster2path.model import Art, CutOrder, Edge
from tests.guide_scenes import STAMP, harbour

PT = 72 / 25.4
FAR = Hanging((100 + 60j, 550 + 60j), 6.0, 4.2)
NEAR = Hanging((250 + 60j, 400 + 60j), 6.0, 4.2)
ONE = Hanging((325 + 60j,), 6.0, 4.2)


@pytest.fixture(scope="module")
def order() -> CutOrder:
    return harbour()


def pages(pdf: bytes) -> list[pypdf.PageObject]:
    return list(pypdf.PdfReader(io.BytesIO(pdf)).pages)


def size_mm(page: pypdf.PageObject) -> tuple[float, float]:
    return float(page.mediabox.width) / PT, float(page.mediabox.height) / PT


def test_holes_are_told_from_other_rounds(order: CutOrder) -> None:
    art = order.plan.sign.art
    more = [Edge(circle(z, r), False, 0, 1) for z, r in ((500 + 60j, 3), (100 + 60j, 3), (9j, 4))]
    bored: Art = replace(art, edges=(*art.edges, *more))
    assert holes_of(bored, hole_mm=6.0) == pytest.approx((100 + 60j, 500 + 60j))
    assert holes_of(art, hole_mm=6.0) == ()


def test_holes_far_apart_get_a_strip_and_a_page_each(order: CutOrder) -> None:
    told, strip, *each = pages(hang_pdf(order, FAR, stamp=STAMP))
    assert size_mm(told) == pytest.approx(A4_MM, abs=0.01)
    assert size_mm(strip) == pytest.approx((450 + 120, 160), abs=0.01)
    assert [size_mm(page) for page in each] == [pytest.approx(A4_MM, abs=0.01)] * 2
    assert "450 mm (17.7 in) between the holes" in strip.extract_text()
    assert "hole 2: 450 mm (17.7 in) along this line" in each[0].extract_text()
    assert "hole 1: 450 mm (17.7 in) along this line" in each[1].extract_text()


def test_holes_close_together_fit_on_one_page(order: CutOrder) -> None:
    assert [size_mm(p) for p in pages(hang_pdf(order, NEAR, stamp=STAMP))] == [
        pytest.approx(A4_MM, abs=0.01)
    ] * 2
    assert len(pages(hang_pdf(order, ONE, stamp=STAMP))) == 2


def test_distance_height_mass_and_caution_are_told(order: CutOrder) -> None:
    told = pages(hang_pdf(order, FAR, stamp=STAMP))[0].extract_text()
    assert "2 holes of 6 mm, 450 mm (17.7 in) apart, 35 mm below the sign's top." in told
    assert "The sign weighs 4.2 kg; each hole carries 2.1 kg." in told
    assert "cables and pipes" in told
    assert STAMP.mark in told


@pytest.mark.parametrize("hanging", [FAR, NEAR])
def test_holes_stand_at_their_distance_on_a_level_line(order: CutOrder, hanging: Hanging) -> None:
    """Upright lines of the crosses, 20 mm above the level line, to 0.05 mm; 20 pixels a mm."""
    page = pypdfium2.PdfDocument(hang_pdf(order, hanging, stamp=STAMP))[1]
    image = page.render(scale=20 / PT, grayscale=True).to_numpy()
    grey = image.reshape(image.shape[:2]) / 255.0
    height = grey.shape[0] / 20
    row = grey[round((height / 2 - 20) * 20)]
    dark = np.flatnonzero(row < 0.3)
    groups = np.split(dark, np.flatnonzero(np.diff(dark) > 1) + 1)
    left, right = (group.mean() / 20 for group in groups)
    apart = abs(hanging.holes_mm[1] - hanging.holes_mm[0])
    assert right - left == pytest.approx(apart, abs=0.05)
    level = np.flatnonzero(grey[:, 20] < 0.3).mean() / 20
    assert level == pytest.approx(height / 2, abs=0.05)
