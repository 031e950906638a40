"""The cuts on the job sheet, one a row with a box to tick. Private to `guides`.

One wide table where it fits on the page, else two narrow ones side by side: pinned up, two pages
are better than four.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from raster2path.geometry import Kind
from raster2path.guides._aids import part_name
from raster2path.model import Cut, CutOrder, CutType

if TYPE_CHECKING:
    from reportlab.pdfgen.canvas import Canvas

ROW_MM = 10.0
HEAD_MM = 8.0
TEXT_MM, SMALL_MM = 4.3, 2.8
"""12 pt, which is read at a metre, and what one looks up from nearby."""

BOX_MM = 6.0
GUTTER_MM = 6.0

WIDE = (
    (0.0, "cut"),
    (30.0, "makes"),
    (60.0, "kind"),
    (90.0, "length"),
    (114.0, "arc on"),
    (136.0, "stand"),
    (155.0, "wait"),
)

NAMES = {
    CutType.OPENING: "opening",
    CutType.OUTSIDE: "outside",
    CutType.SLIT: "slit",
    CutType.BORDER: "border",
    CutType.PIERCE_ONLY: "pierce only",
}
KINDS = {Kind.ORGANIC: "flowing", Kind.LETTERING: "lettering", Kind.GEOMETRIC: "ruled"}


@dataclass(frozen=True, slots=True)
class Row:
    """A line of the table: one cut, with all its parts.

    Attributes:
        number: as it is painted on the steel.
        parts: such as `a to d` where the cut has rests, or nothing.
        makes: what; kind: flowing, lettering, ruled.
        length, arc_s: as they are read.
        stand: where one stands.
        wait: before the cut, or nothing.
    """

    number: str
    parts: str
    makes: str
    kind: str
    length: str
    arc_s: str
    stand: str
    wait: str
    is_done: bool


def rows_of(order: CutOrder, speed_mm_min: float) -> list[Row]:
    """A row a cut, first to last."""
    out = []
    for k, cut in enumerate(order.cuts):
        wait_s = order.waits_s[k] if order.waits_s else 0.0
        length = 0.0 if cut.path is None else cut.path.length
        arc_s = 0.5 * cut.n_starts + 60 * length / speed_mm_min
        out.append(
            Row(
                number=str(k + 1),
                parts=f"a to {part_name(0, len(cut.rests))[1:]}" if cut.rests else "",
                makes=_makes(order, cut),
                kind=KINDS[cut.kind],
                length=_long(length),
                arc_s=f"{arc_s:.0f} s",
                stand=order.stand_names[k] if order.stands else "",
                wait=f"{wait_s:.0f} s" if wait_s else "",
                is_done=order.is_done[k],
            )
        )
    return out


def _makes(order: CutOrder, cut: Cut) -> str:
    if cut.closes is None:
        return NAMES[cut.type]
    return f"closes {order.sequence.index(cut.closes) + 1}"


def _long(length_mm: float) -> str:
    if length_mm < 95:
        return f"{length_mm:.0f} mm" if length_mm else ""
    return f"{length_mm / 1000:.2f} m"


def fit_in(room_mm: float) -> int:
    """How many rows, in each column, find room in so much of a page."""
    return max(0, int((room_mm - HEAD_MM) // ROW_MM))


def draw_wide(canvas: Canvas, rows: Sequence[Row], corner_mm: complex, wide_mm: float) -> None:
    """One table over the whole width; corner: left and upper end, y up."""
    left, y = corner_mm.real, corner_mm.imag
    _head(canvas, [(left + x, word) for x, word in WIDE], y)
    y -= HEAD_MM
    for row in rows:
        _rule(canvas, left, y, wide_mm)
        words = (row.makes, row.kind, row.length, row.arc_s, row.stand, row.wait)
        base = y - 0.7 * ROW_MM
        _number(canvas, row, left, base)
        canvas.setFont("Helvetica", TEXT_MM)
        for (x, _), word in zip(WIDE[1:], words, strict=True):
            canvas.drawString(left + x, base, word)
        _box(canvas, left + wide_mm - BOX_MM, y, is_done=row.is_done)
        y -= ROW_MM
    _rule(canvas, left, y, wide_mm)


def draw_narrow(
    canvas: Canvas, rows: Sequence[Row], corner_mm: complex, wide_mm: float, n_rows: int
) -> None:
    """Two tables side by side, each of so many rows, down the left one first."""
    half = (wide_mm - GUTTER_MM) / 2
    for column in range(2):
        left, y = corner_mm.real + column * (half + GUTTER_MM), corner_mm.imag
        some = rows[column * n_rows : (column + 1) * n_rows]
        if not some:
            break
        heads = ((0.0, "cut"), (23.0, "makes"), (45.0, "length"), (73.0, "at"))
        _head(canvas, [(left + x, word) for x, word in heads], y)
        y -= HEAD_MM
        for row in some:
            _rule(canvas, left, y, half)
            base = y - 0.52 * ROW_MM
            _number(canvas, row, left, base)
            canvas.setFont("Helvetica", TEXT_MM)
            for x, word in ((23.0, row.makes), (73.0, row.stand)):
                canvas.drawString(left + x, base, word)
            canvas.drawRightString(left + 60, base, row.length)
            canvas.setFont("Helvetica", SMALL_MM)
            canvas.drawString(left + 23, y - 0.87 * ROW_MM, row.kind)
            canvas.drawRightString(left + 60, y - 0.87 * ROW_MM, f"arc on {row.arc_s}")
            if row.wait:
                canvas.setFont("Helvetica-Bold", SMALL_MM)
                canvas.drawString(left, y - 0.87 * ROW_MM, f"first wait {row.wait}")
            _box(canvas, left + half - BOX_MM, y, is_done=row.is_done)
            y -= ROW_MM
        _rule(canvas, left, y, half)


def _head(canvas: Canvas, words: Sequence[tuple[float, str]], y: float) -> None:
    canvas.setFillGray(0)
    canvas.setFont("Helvetica-Bold", TEXT_MM)
    for x, word in words:
        canvas.drawString(x, y - 5, word)


def _number(canvas: Canvas, row: Row, left: float, base: float) -> None:
    canvas.setFont("Helvetica-Bold", TEXT_MM)
    canvas.drawString(left, base, row.number)
    if row.parts:
        x = left + canvas.stringWidth(row.number, "Helvetica-Bold", TEXT_MM) + 1.2
        canvas.setFont("Helvetica", SMALL_MM)
        canvas.drawString(x, base, row.parts)


def _rule(canvas: Canvas, left: float, y: float, wide_mm: float) -> None:
    canvas.setLineWidth(0.1)
    canvas.line(left, y, left + wide_mm, y)


def _box(canvas: Canvas, x: float, y: float, *, is_done: bool) -> None:
    canvas.setLineWidth(0.3)
    low = y - 0.8 * ROW_MM
    canvas.rect(x, low, BOX_MM, BOX_MM, fill=0)
    if is_done:
        canvas.line(x, low, x + BOX_MM, low + BOX_MM)
        canvas.line(x, low + BOX_MM, x + BOX_MM, low)
