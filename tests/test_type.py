"""Names in any of Europe's scripts on PDF pages, read back by pypdf and pdfium."""

from __future__ import annotations

import io
from dataclasses import replace

import numpy as np
import pypdf
import pypdfium2
import pytest
from reportlab.pdfbase.ttfonts import TTFontFile

from raster2path.guides._type import FILES, FONTS, face_for, is_western
from raster2path.guides.full_size import full_size_pdf
from raster2path.guides.pages import pages_pdf
from raster2path.guides.proof import proof_pdf
from raster2path.guides.svg import drawing_mm, guides_svg
from raster2path.job import TallyRules
from raster2path.torch.tally import tally
from tests.guide_scenes import STAMP, harbour

NAMES = (
    "Grüße vom Bootshaus",  # Western
    "Łódź żaglowa",
    "Ψαράς και καΐκι",
    "Цапля у причала",
    "Đò ở bến sông",
)


@pytest.mark.parametrize("name", NAMES)
def test_a_name_is_on_every_page(name: str) -> None:
    stamp = replace(STAMP, name=name)
    order = harbour()
    size = drawing_mm(order)
    svg = guides_svg(order, stamp=stamp)
    counted = tally(order, rules=TallyRules())
    pdfs = (
        full_size_pdf(svg, size_mm=size, title=stamp.title),
        pages_pdf(svg, order, size_mm=size, paper_mm=(297, 420), stamp=stamp),
        proof_pdf(order, counted, stamp=stamp, thickness_mm=1.5),
    )
    for pdf in pdfs:
        for page in pypdf.PdfReader(io.BytesIO(pdf)).pages:
            assert name in page.extract_text()


def test_letters_are_drawn_and_not_boxes() -> None:
    """Two different Greek words of one length make different pictures."""
    seen = []
    for name in ("αβγ", "δεζ", "\u4e00\u4e01\u4e02", "\u4e03\u4e04\u4e05"):
        order = harbour()
        pdf = proof_pdf(
            order,
            tally(order, rules=TallyRules()),
            stamp=replace(STAMP, name=name),
            thickness_mm=1.5,
        )
        seen.append(pypdfium2.PdfDocument(pdf)[0].render(scale=2).to_numpy()[:200].copy())
    assert np.abs(seen[0].astype(int) - seen[1]).max() > 100
    assert np.abs(seen[2].astype(int) - seen[3]).max() == 0  # what no face knows: boxes


def test_the_same_name_gives_the_same_bytes() -> None:
    order = harbour()
    svg = guides_svg(order, stamp=replace(STAMP, name=NAMES[3]))
    size = drawing_mm(order)
    one, two = (full_size_pdf(svg, size_mm=size, title=NAMES[3]) for _ in range(2))
    assert one == two


def test_western_words_keep_the_faces_that_every_viewer_has() -> None:
    assert is_western("Grüße · 600 × 400 mm – “fern”")
    assert face_for("Grüße", "Helvetica-Bold") == "Helvetica-Bold"
    assert face_for("Цапля", "Helvetica-Bold") == "DejaVuSans-Bold"
    assert face_for("Цапля", "Helvetica") == "DejaVuSans"


@pytest.mark.parametrize("file", FILES.values())
def test_the_carried_faces_know_the_letters_of_europe(file: str) -> None:
    """Basic Latin to Latin Extended-A, Greek and Cyrillic letters, by Unicode's blocks."""
    known = set(TTFontFile(str(FONTS / file)).charToGlyph)
    assert set(range(0x20, 0x7F)) | set(range(0xA0, 0x180)) <= known
    assert {*range(0x391, 0x3A2), *range(0x3A3, 0x3CF)} <= known
    assert set(range(0x400, 0x460)) <= known
    assert (FONTS / "LICENSE_DEJAVU").exists()
