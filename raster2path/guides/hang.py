"""The template for the wall: the sign's mounting holes full size, on a level line.

A first A4 page tells distance, height and mass and shows where the holes are. Then come the holes:
on one strip as long as it takes, for a large printer; and, where that is longer than A4, each hole
on an A4 page of its own, with the distance to be taken along the line with a tape.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from raster2path.geometry import Arc, Kind
from raster2path.guides.full_size import LONGEST_MM, POINTS_PER_MM, new_canvas
from raster2path.guides.proof import FLAT_MM, length_words
from raster2path.model import Art, CutOrder, Stamp

if TYPE_CHECKING:
    from reportlab.pdfgen.canvas import Canvas

A4_MM = (297.0, 210.0)
RIM_MM = 15.0
STRIP_MM = 160.0
"""Height of the strip."""

ENDS_MM = 60.0
"""Of the strip beyond the outer holes."""

CROSS_MM = 25.0
RULE_MM = 100.0
STEEL = (0.80, 0.83, 0.86)


@dataclass(frozen=True, slots=True)
class Hanging:
    """What a sign hangs by.

    Attributes:
        holes_mm: middles of the holes, left to right, as seen from the front.
        hole_mm: their diameter.
        mass_kg: of the sign.
    """

    holes_mm: tuple[complex, ...]
    hole_mm: float
    mass_kg: float


def holes_of(art: Art, *, hole_mm: float) -> tuple[complex, ...]:
    """Middles of the mounting holes, left to right: rounds of exactly that size, ruled."""
    found = []
    for edge in art.edges:
        first = edge.path.segments[0]
        is_round = isinstance(first, Arc) and len(edge.path) == 2 and first.kind is Kind.GEOMETRIC
        if is_round and isinstance(first, Arc) and abs(2 * first.radius - hole_mm) < 1e-6:
            found.append(first.centre)
    return tuple(sorted(found, key=lambda z: z.real))


def hang_pdf(order: CutOrder, hanging: Hanging, *, stamp: Stamp) -> bytes:
    """The template, as pages of two sizes.

    Args:
        order: what is cut; the sign is shown small.
        hanging: holes, one or more, and mass.
        stamp: written on every page.
    """
    holes = hanging.holes_mm
    stream = io.BytesIO()
    canvas = new_canvas(
        stream, (A4_MM[0] * POINTS_PER_MM, A4_MM[1] * POINTS_PER_MM), stamp.title, stamp.units
    )
    _told(canvas, order, hanging, stamp)
    strip = (holes[-1].real - holes[0].real + 2 * ENDS_MM, STRIP_MM)
    is_small = strip[0] <= A4_MM[0]
    size = A4_MM if is_small else strip
    if size[0] <= LONGEST_MM:
        _template(canvas, order, hanging, stamp, size_mm=size, shown=tuple(range(len(holes))))
    if not is_small:
        for index in range(len(holes)):
            _template(canvas, order, hanging, stamp, size_mm=A4_MM, shown=(index,))
    canvas.save()
    return stream.getvalue()


def _begin(canvas: Canvas, size_mm: tuple[float, float]) -> None:
    canvas.setPageSize(tuple(side * POINTS_PER_MM for side in size_mm))
    canvas.scale(POINTS_PER_MM, POINTS_PER_MM)
    canvas.setFillGray(0)
    canvas.setStrokeGray(0)


# ---------------------------------------------------------------- the first page


def _told(canvas: Canvas, order: CutOrder, hanging: Hanging, stamp: Stamp) -> None:
    _begin(canvas, A4_MM)
    y = A4_MM[1] - RIM_MM
    canvas.setFont("Helvetica-Bold", 7)
    canvas.drawString(RIM_MM, y - 5, "To hang it")
    canvas.setFont("Helvetica", 3.6)
    canvas.drawRightString(A4_MM[0] - RIM_MM, y - 4, stamp.title)
    y -= 16
    canvas.setFont("Helvetica", 4.6)
    for line in _lines(order, hanging):
        canvas.drawString(RIM_MM, y, line)
        y -= 7
    _picture(canvas, order, hanging, y)
    canvas.showPage()


def _lines(order: CutOrder, hanging: Hanging) -> Sequence[str]:
    holes = hanging.holes_mm
    top = order.plan.sign.art.placement.sign_mm[1]
    below = f"{holes[0].imag - top:.0f} mm below the sign's top"
    carried = hanging.mass_kg / len(holes)
    if len(holes) == 1:
        first = f"One hole of {hanging.hole_mm:g} mm, {below}, straight above its middle of mass."
        each = f"The sign weighs {hanging.mass_kg:.1f} kg."
    else:
        apart = length_words(abs(holes[-1] - holes[0]))
        first = f"{len(holes)} holes of {hanging.hole_mm:g} mm, {apart} apart, {below}."
        each = f"The sign weighs {hanging.mass_kg:.1f} kg; each hole carries {carried:.1f} kg."
    return (
        first,
        each,
        "The next pages are full size: print at 100 %, measure the 100 mm rule, level the line.",
        "Screws, plugs and wall must bear four times as much: wind and hands pull, too.",
        "Nothing here knows what is in the wall: look for cables and pipes before you drill.",
    )


def _picture(canvas: Canvas, order: CutOrder, hanging: Hanging, y: float) -> None:
    left, top, width, height = order.plan.sign.art.placement.sign_mm
    room = A4_MM[0] - 2 * RIM_MM
    scale = min(room / width, (y - RIM_MM - 8) / height)
    canvas.saveState()
    canvas.translate(RIM_MM + (room - scale * width) / 2 - scale * left, y - 4 + scale * top)
    canvas.scale(scale, -scale)
    _metal(canvas, order)
    canvas.setStrokeGray(0)
    canvas.setLineWidth(0.3 / scale)
    for hole in hanging.holes_mm:
        canvas.circle(hole.real, hole.imag, 3.0 / scale, fill=0)
    level = hanging.holes_mm[0].imag
    canvas.setDash(2 / scale, 1.5 / scale)
    canvas.line(left - 6 / scale, level, left + width + 6 / scale, level)
    canvas.restoreState()


def _metal(canvas: Canvas, order: CutOrder) -> None:
    """The sign as a pale fill."""
    whole = canvas.beginPath()
    for edge in order.plan.edges:
        points = edge.path.flat(FLAT_MM).tolist()
        whole.moveTo(*points[0])
        for point in points[1:]:
            whole.lineTo(*point)
        whole.close()
    canvas.setFillColorRGB(*STEEL)
    canvas.drawPath(whole, fill=1, stroke=0, fillMode=0)
    canvas.setFillGray(0)


# ---------------------------------------------------------------- full size


def _template(
    canvas: Canvas,
    order: CutOrder,
    hanging: Hanging,
    stamp: Stamp,
    *,
    size_mm: tuple[float, float],
    shown: tuple[int, ...],
) -> None:
    """Holes on their level line, in the middle of the page, full size."""
    holes = hanging.holes_mm
    middle = (holes[shown[0]] + holes[shown[-1]]) / 2
    _begin(canvas, size_mm)
    canvas.saveState()
    canvas.translate(size_mm[0] / 2 - middle.real, size_mm[1] / 2 + middle.imag)
    canvas.scale(1, -1)
    _metal(canvas, order)
    canvas.restoreState()
    level = size_mm[1] / 2
    canvas.setLineWidth(0.35)
    canvas.line(0, level, size_mm[0], level)
    for index in shown:
        _hole(canvas, size_mm[0] / 2 + holes[index].real - middle.real, level, hanging.hole_mm)
    canvas.setFont("Helvetica", 4)
    _on_white(canvas, 6, level - 7, "level")
    if len(shown) == len(holes) and len(holes) > 1:
        words = f"{length_words(abs(holes[-1] - holes[0]))} between the holes"
        _on_white(canvas, size_mm[0] / 2, level + 4, words, is_centred=True)
    elif len(holes) > 1:
        _to_the_others(canvas, holes, shown[0], level, size_mm[0])
    _foot(canvas, hanging, stamp, size_mm)
    canvas.showPage()


def _hole(canvas: Canvas, x: float, y: float, hole_mm: float) -> None:
    canvas.setFillGray(1)
    canvas.circle(x, y, hole_mm / 2, fill=1)
    canvas.setFillGray(0)
    canvas.line(x, y - CROSS_MM, x, y + CROSS_MM)
    canvas.line(x - CROSS_MM, y, x + CROSS_MM, y)


def _to_the_others(
    canvas: Canvas, holes: tuple[complex, ...], index: int, level: float, width: float
) -> None:
    for other, hole in enumerate(holes):
        if other == index:
            continue
        apart = length_words(abs(hole - holes[index]))
        words = f"hole {other + 1}: {apart} along this line"
        x = width - 6 - canvas.stringWidth(words, "Helvetica", 4) if other > index else 6
        _on_white(canvas, x, level + 4, words)


def _on_white(canvas: Canvas, x: float, y: float, words: str, *, is_centred: bool = False) -> None:
    wide = canvas.stringWidth(words, "Helvetica", 4)
    x -= wide / 2 if is_centred else 0
    canvas.setFillGray(1)
    canvas.rect(x - 1, y - 1.5, wide + 2, 5.5, fill=1, stroke=0)
    canvas.setFillGray(0)
    canvas.setFont("Helvetica", 4)
    canvas.drawString(x, y, words)


def _foot(canvas: Canvas, hanging: Hanging, stamp: Stamp, size_mm: tuple[float, float]) -> None:
    """The check rule, and what this is."""
    y = RIM_MM
    canvas.setFillGray(1)
    canvas.rect(RIM_MM - 3, y - 7, RULE_MM + 6, 13, fill=1, stroke=0)
    canvas.setFillGray(0)
    canvas.setLineWidth(0.3)
    canvas.line(RIM_MM, y, RIM_MM + RULE_MM, y)
    for k in range(11):
        tick = 3.0 if k % 5 == 0 else 1.6
        canvas.line(RIM_MM + 10 * k, y, RIM_MM + 10 * k, y + tick)
    canvas.setFont("Helvetica", 3)
    canvas.drawString(
        RIM_MM, y - 4.5, "100 mm: if it is not, print at 100 %, not fitted to the page"
    )
    words = f"{stamp.title} · {hanging.mass_kg:.1f} kg"
    wide = canvas.stringWidth(words, "Helvetica", 3.4)
    canvas.setFillGray(1)
    canvas.rect(size_mm[0] - RIM_MM - wide - 2, y - 2, wide + 4, 6, fill=1, stroke=0)
    canvas.setFillGray(0)
    canvas.setFont("Helvetica", 3.4)
    canvas.drawRightString(size_mm[0] - RIM_MM, y, words)
