"""The page that a customer signs: the sign as it will hang, its size, and what will show.

No cutting lines. What is asked: the spelling, the strips that hold the middles, steel and finish.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from typing import TYPE_CHECKING

from raster2path.geometry import Path
from raster2path.guides.full_size import POINTS_PER_MM, new_canvas
from raster2path.material import MILD, Stock
from raster2path.model import CutOrder, Stamp, Tally, Tie

if TYPE_CHECKING:
    from reportlab.pdfgen.canvas import Canvas

PAGE_MM = (210.0, 297.0)
RIM_MM = 20.0
PICTURE_MM = 135.0
STEEL = (0.36, 0.40, 0.44)
RING = (0.84, 0.37, 0.0)
FLAT_MM = 0.05
EVEN_ODD = 0
MM_PER_INCH = 25.4
LEAST_RING_MM = 2.5
"""Radius on paper, so that even a small tie's ring is seen."""

CHOICES = (
    ("Steel", ("mild", "weathering", "stainless", "another")),
    ("Finish", ("bare, will rust", "oiled or waxed", "clear coat", "painted")),
    ("It will hang", ("indoors", "outdoors")),
    ("The maker may show a picture of it", ("yes", "no")),
)


def proof_pdf(
    order: CutOrder, tally: Tally, *, stamp: Stamp, thickness_mm: float, stock: Stock = MILD
) -> bytes:
    """One A4 page.

    Args:
        order: what is cut; of it the metal that stays is shown, and its ties.
        tally: for the mass.
        stamp: name, date and revision.
        thickness_mm: of the sheet.
        stock: what it is made of.
    """
    stream = io.BytesIO()
    width, height = PAGE_MM
    canvas = new_canvas(
        stream, (width * POINTS_PER_MM, height * POINTS_PER_MM), stamp.title, stamp.units
    )
    canvas.scale(POINTS_PER_MM, POINTS_PER_MM)
    y = height - RIM_MM
    canvas.setFont("Helvetica-Bold", 7)
    canvas.drawString(RIM_MM, y - 5, "For your approval")
    canvas.setFont("Helvetica", 3.6)
    canvas.drawRightString(width - RIM_MM, y - 4, stamp.title)
    y = _picture(canvas, order, y - 14)
    y = _facts(canvas, _told(order, tally, thickness_mm, stock), y)
    y = _choices(canvas, y)
    _signature(canvas, y)
    canvas.showPage()
    canvas.save()
    return stream.getvalue()


def _picture(canvas: Canvas, order: CutOrder, y: float) -> float:
    """The sign, ties ringed, with its width and height; returns where the page goes on."""
    left, top, width, height = order.plan.sign.art.placement.sign_mm
    room = PAGE_MM[0] - 2 * RIM_MM - 14
    scale = min(room / width, PICTURE_MM / height)
    x = RIM_MM + 14 + (room - scale * width) / 2
    canvas.saveState()
    canvas.translate(x - scale * left, y + scale * top)
    canvas.scale(scale, -scale)
    _metal(canvas, [edge.path for edge in order.plan.edges], order.plan.slits, order.plan.kerf_mm)
    canvas.setStrokeColorRGB(*RING)
    canvas.setLineWidth(0.35 / scale)
    for tie in order.plan.sign.ties:
        at, radius = _middle(tie)
        canvas.circle(at.real, at.imag, max(radius, LEAST_RING_MM / scale), fill=0)
    canvas.restoreState()
    _measures(canvas, (x, y), (scale * width, scale * height), (width, height))
    return y - scale * height - 16


def _middle(tie: Tie) -> tuple[complex, float]:
    """Where a tie lies, and how far its corners are from there."""
    at = sum(tie.corners) / len(tie.corners)
    return at, max(abs(corner - at) for corner in tie.corners) * 1.15


def _metal(canvas: Canvas, edges: Sequence[Path], slits: Sequence[Path], kerf_mm: float) -> None:
    whole = canvas.beginPath()
    for path in edges:
        points = path.flat(FLAT_MM).tolist()
        whole.moveTo(*points[0])
        for point in points[1:]:
            whole.lineTo(*point)
        whole.close()
    canvas.setFillColorRGB(*STEEL)
    canvas.drawPath(whole, fill=1, stroke=0, fillMode=EVEN_ODD)
    canvas.setStrokeGray(1)
    canvas.setLineWidth(kerf_mm)
    canvas.setLineCap(1)
    for slit in slits:
        line = canvas.beginPath()
        points = slit.flat(FLAT_MM).tolist()
        line.moveTo(*points[0])
        for point in points[1:]:
            line.lineTo(*point)
        canvas.drawPath(line, fill=0, stroke=1)


def _measures(
    canvas: Canvas,
    corner: tuple[float, float],
    on_paper: tuple[float, float],
    size_mm: tuple[float, float],
) -> None:
    """Width under the sign, height left of it."""
    (x, y), (w, h) = corner, on_paper
    canvas.setStrokeGray(0)
    canvas.setFillGray(0)
    canvas.setLineWidth(0.25)
    canvas.setFont("Helvetica", 3.8)
    below, beside = y - h - 4, x - 4
    canvas.line(x, below, x + w, below)
    canvas.line(beside, y - h, beside, y)
    for at in (x, x + w):
        canvas.line(at, below - 1.5, at, below + 1.5)
    for at in (y - h, y):
        canvas.line(beside - 1.5, at, beside + 1.5, at)
    canvas.drawCentredString(x + w / 2, below - 5, length_words(size_mm[0]))
    canvas.saveState()
    canvas.translate(beside - 2, y - h / 2)
    canvas.rotate(90)
    canvas.drawCentredString(0, 0, length_words(size_mm[1]))
    canvas.restoreState()


def length_words(mm: float) -> str:
    """A length in both units, as a customer reads it."""
    return f"{mm:.0f} mm ({mm / MM_PER_INCH:.1f} in)"


def _told(order: CutOrder, tally: Tally, thickness_mm: float, stock: Stock) -> list[str]:
    ties = len(order.plan.sign.ties)
    facts = [f"{stock.name.capitalize()} {thickness_mm:g} mm thick, about {tally.sign_kg:.1f} kg."]
    if ties == 1:
        facts.append("The small strip that is ringed holds a middle and will show.")
    elif ties:
        facts.append(f"The {ties} small strips that are ringed hold the middles and will show.")
    facts.append("Cut by hand: edges are true to about 2 mm, and each sign is a little its own.")
    return [*facts, "Please check the spelling."]


def _facts(canvas: Canvas, lines: Sequence[str], y: float) -> float:
    canvas.setFillGray(0)
    canvas.setFont("Helvetica", 4.2)
    for line in lines:
        canvas.drawString(RIM_MM, y, line)
        y -= 6
    return y - 2


def _choices(canvas: Canvas, y: float) -> float:
    canvas.setStrokeGray(0)
    canvas.setLineWidth(0.25)
    canvas.setFont("Helvetica", 3.8)
    for question, answers in CHOICES:
        canvas.drawString(RIM_MM, y, question)
        x = RIM_MM + 62
        for answer in answers:
            canvas.rect(x, y - 0.3, 3, 3, fill=0)
            canvas.drawString(x + 4, y, answer)
            x += 8 + canvas.stringWidth(answer, "Helvetica", 3.8)
        y -= 6.5
    return y - 3


def _signature(canvas: Canvas, y: float) -> None:
    """Lines to write on; the price is the maker's to fill in."""
    canvas.setFont("Helvetica", 3.8)
    for x, width, word in ((0, 45, "price"), (55, 35, "date"), (100, 70, "signature")):
        canvas.line(RIM_MM + x, y - 10, RIM_MM + x + width, y - 10)
        canvas.drawString(RIM_MM + x, y - 14, word)
