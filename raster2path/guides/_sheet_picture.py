"""The sign on the job sheet: metal, cutting lines, numbers and stands, to be read at a metre.

Private to `guides`. The guides themselves shown small would have numbers of half a millimetre.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

import numpy as np

from raster2path.geometry import Path, Points
from raster2path.guides.svg import drawing_mm, numerals_of
from raster2path.model import CutOrder

if TYPE_CHECKING:
    from reportlab.pdfgen.canvas import Canvas

DIGITS_MM = (3.6, 3.0, 2.5, 2.0)
"""Height of digits on the page, the best first."""

TIES_MM = (2.0, 1.7)
"""The same for ties, t1 and so on: to be named when one is lost."""

STAND_MM = 2.8
"""Radius of the disc with a stand's letter, on the page; it needs this much rim round the sheet."""

CLAMP_MM = 3.2

METAL, TIE = (0.84, 0.85, 0.87), (0.80, 0.74, 0.58)
LINE, DONE = (0.75, 0.25, 0.0), (0.45, 0.45, 0.45)


class _Map:
    """From the sheet to the page."""

    def __init__(self, left: float, top: float, scale: float) -> None:
        self.left, self.top, self.scale = left, top, scale

    def points(self, points: Points) -> Points:
        return np.column_stack(
            [self.left + self.scale * points[:, 0], self.top - self.scale * points[:, 1]]
        )

    def at(self, z: complex) -> tuple[float, float]:
        return self.left + self.scale * z.real, self.top - self.scale * z.imag


def draw_sign(
    canvas: Canvas, order: CutOrder, corner_mm: complex, room_mm: tuple[float, float]
) -> float:
    """The sign in the middle of a box with this top left corner; the answer is its lower end.

    The canvas counts in mm, y up.
    """
    wide, high = drawing_mm(order)
    rim = 2 * STAND_MM + 1
    scale = min((room_mm[0] - 2 * rim) / wide, (room_mm[1] - 2 * rim) / high)
    left = corner_mm.real + (room_mm[0] - scale * wide) / 2
    top = corner_mm.imag - rim
    to = _Map(left, top, scale)
    canvas.saveState()
    canvas.setLineJoin(1)
    _fill(canvas, to, [edge.path.flat(0.1) for edge in order.plan.edges], METAL)
    for tie in order.plan.sign.ties:
        _fill(canvas, to, [np.array([[z.real, z.imag] for z in tie.corners])], TIE)
    _sheet(canvas, order, to, (wide, high))
    _torch(canvas, order, to)
    _mishaps(canvas, order, to)
    _numbers(canvas, order, to)
    _stands(canvas, order, to, (wide, high))
    _clamp(canvas, order, to)
    canvas.restoreState()
    return top - scale * high - rim


def _path(canvas: Canvas, points: Points, *, is_closed: bool) -> object:
    path = canvas.beginPath()
    path.moveTo(*points[0])
    for point in points[1:]:
        path.lineTo(*point)
    if is_closed:
        path.close()
    return path


def _fill(
    canvas: Canvas, to: _Map, rings: Iterable[Points], colour: tuple[float, float, float]
) -> None:
    """Even-odd fill of all rings together."""
    path = canvas.beginPath()
    for ring in rings:
        first, *rest = to.points(ring).tolist()
        path.moveTo(*first)
        for point in rest:
            path.lineTo(*point)
        path.close()
    canvas.setFillColorRGB(*colour)
    canvas.drawPath(path, stroke=0, fill=1, fillMode=0)


def _sheet(canvas: Canvas, order: CutOrder, to: _Map, size_mm: tuple[float, float]) -> None:
    if order.plan.sign.art.placement.sheet_mm is None:
        return
    canvas.setStrokeGray(0.5)
    canvas.setLineWidth(0.2)
    x, y = to.at(complex(0, size_mm[1]))
    canvas.rect(x, y, to.scale * size_mm[0], to.scale * size_mm[1], fill=0)


def _torch(canvas: Canvas, order: CutOrder, to: _Map) -> None:
    for cut, is_done in zip(order.cuts, order.is_done, strict=True):
        canvas.setStrokeColorRGB(*(DONE if is_done else LINE))
        canvas.setFillColorRGB(*(DONE if is_done else LINE))
        canvas.setLineWidth(0.15 if is_done else 0.35)
        lines: tuple[Path | None, ...] = (cut.path, cut.lead_in)
        for path in lines:
            if path is not None:
                points = to.points(path.flat(0.1))
                canvas.drawPath(_path(canvas, points, is_closed=path.is_closed))
        canvas.circle(*to.at(cut.pierce_mm), 0.45, stroke=0, fill=1)


def _mishaps(canvas: Canvas, order: CutOrder, to: _Map) -> None:
    """A cross where a tie is lost, a ring where the torch strayed."""
    if order.progress is None:
        return
    canvas.setStrokeColorRGB(0.8, 0, 0)
    canvas.setLineWidth(0.6)
    for k in order.progress.lost_ties:
        corners = order.plan.sign.ties[k].corners
        x, y = to.at(sum(corners) / len(corners))
        canvas.line(x - 1.6, y - 1.6, x + 1.6, y + 1.6)
        canvas.line(x - 1.6, y + 1.6, x + 1.6, y - 1.6)
    for each in order.progress.strayed:
        canvas.circle(*to.at(each.place_mm), 1.8, stroke=1, fill=0)


def _numbers(canvas: Canvas, order: CutOrder, to: _Map) -> None:
    canvas.setFillGray(0)
    canvas.setStrokeGray(0.3)
    canvas.setLineWidth(0.12)
    digits, ties = (tuple(size / to.scale for size in some) for some in (DIGITS_MM, TIES_MM))
    for numeral in numerals_of(order, digits, ties):
        is_tie = numeral.text.startswith("t")
        canvas.setFillGray(0.35 if is_tie else 0.0)
        if numeral.leader is not None:
            (a, b), (c, d) = (to.at(z) for z in numeral.leader)
            canvas.line(a, b, c, d)
        size = numeral.height_mm * to.scale
        x, y = to.at(numeral.centre)
        canvas.setFont("Helvetica" if is_tie else "Helvetica-Bold", size / 0.72)
        canvas.drawCentredString(x, y - size / 2, numeral.text)


def _stands(canvas: Canvas, order: CutOrder, to: _Map, size_mm: tuple[float, float]) -> None:
    """Letters just outside the sheet, where one stands."""
    canvas.setStrokeGray(0)
    canvas.setFillGray(0)
    canvas.setLineWidth(0.3)
    canvas.setFont("Helvetica-Bold", 1.3 * STAND_MM)
    wide, high = size_mm
    off = (STAND_MM + 0.5) / to.scale
    for name, place in order.named_stands.items():
        x = min(max(place.real, -off), wide + off)
        y = min(max(place.imag, -off), high + off)
        if 0 < x < wide and 0 < y < high:  # a blank larger than it was drawn
            x = -off if x < wide / 2 else wide + off
        at = to.at(complex(x, y))
        canvas.circle(*at, STAND_MM, stroke=1, fill=0)
        canvas.drawCentredString(at[0], at[1] - 0.45 * STAND_MM, name)


def _clamp(canvas: Canvas, order: CutOrder, to: _Map) -> None:
    """A square where the work clamp goes."""
    clamp = order.aids.clamp
    if clamp is None or clamp.place_mm is None:
        return
    x, y = to.at(clamp.place_mm)
    canvas.setStrokeGray(0)
    canvas.setFillGray(0)
    canvas.setLineWidth(0.3)
    canvas.setDash(0.8, 0.5)
    canvas.rect(x - CLAMP_MM / 2, y - CLAMP_MM / 2, CLAMP_MM, CLAMP_MM, fill=0)
    canvas.setDash()
    canvas.setFont("Helvetica", 2.6)
    canvas.drawCentredString(x, y - CLAMP_MM / 2 - 2.4, "clamp")
