"""The guides as PDF, true to size: one page as large as the drawing.

The page is drawn from the guides SVG itself, by svglib and reportlab, so that both files show the
same lines to the last decimal. One PDF unit is 1/72 inch (ISO 32000-1, 8.3.2.3).
"""

from __future__ import annotations

import io
from typing import TYPE_CHECKING

from raster2path.errors import UsageError
from raster2path.guides._type import canvas_on
from raster2path.units import Units

if TYPE_CHECKING:
    from reportlab.graphics.shapes import Drawing
    from reportlab.pdfgen.canvas import Canvas

POINTS_PER_MM = 72 / 25.4
LONGEST_MM = 5080.0
"""No PDF page is longer: 14 400 units (ISO 32000-1, annex C)."""


def full_size_pdf(svg: str, *, size_mm: tuple[float, float], title: str) -> bytes:
    """One page of the drawing's own size.

    Args:
        svg: text of the guides.
        size_mm: width and height of the drawing.
        title: of the document.

    Raises:
        UsageError: the drawing is longer than a PDF page can be.
    """
    if max(size_mm) > LONGEST_MM:
        raise UsageError(
            f"the drawing is {max(size_mm):.0f} mm long, a PDF page at most {LONGEST_MM:.0f}; "
            "print it on pages: --pages a0"
        )
    width, height = (side * POINTS_PER_MM for side in size_mm)
    stream = io.BytesIO()
    canvas = new_canvas(stream, (width, height), title)
    draw_svg(drawn(svg), canvas)
    canvas.showPage()
    canvas.save()
    return stream.getvalue()


def new_canvas(
    stream: io.BytesIO, size_pt: tuple[float, float], title: str, units: Units = Units.MM
) -> Canvas:
    """A PDF that comes out the same, byte for byte, each time; its words are in the units."""
    canvas = canvas_on(stream, size_pt, title, units)
    canvas.setTitle(title)
    canvas.setCreator("raster2path")
    return canvas


def drawn(svg: str) -> Drawing:
    """The guides as shapes, in points, y upwards from the drawing's foot."""
    from svglib.svglib import svg2rlg

    return svg2rlg(io.BytesIO(svg.encode()))


def draw_svg(drawing: Drawing, canvas: Canvas) -> None:
    """The shapes onto a canvas, their foot at its origin."""
    from reportlab.graphics import renderPDF

    renderPDF.draw(drawing, canvas, 0, 0)
