"""The job sheet: what a maker pins up beside the table, as one or two A4 pages.

The sign with its numbered cuts, totals, the cuts in order with a box to tick, what to look at
before lighting the torch, and the cautions. Large enough to be read at a metre.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from typing import TYPE_CHECKING

from raster2path.geometry import Kind
from raster2path.guides.full_size import POINTS_PER_MM, draw_svg, drawn, new_canvas
from raster2path.model import Cut, CutOrder, CutType, Note, NoteKind, Stamp, Tally

if TYPE_CHECKING:
    from reportlab.pdfgen.canvas import Canvas

PAGE_MM = (210.0, 297.0)
RIM_MM = 15.0
ROW_MM = 10.0
PICTURE_MM = 105.0
TEXT_MM = 4.3
"""12 pt, which is read at a metre."""

NAMES = {
    CutType.OPENING: "opening",
    CutType.OUTSIDE: "outside",
    CutType.SLIT: "slit",
    CutType.BORDER: "border",
    CutType.PIERCE_ONLY: "pierce only",
}

SMALL = {NoteKind.THIN, NoteKind.TOO_SMALL, NoteKind.NARROW, NoteKind.LONG_TIE}
KINDS = {Kind.ORGANIC: "flowing", Kind.LETTERING: "lettering", Kind.GEOMETRIC: "ruled"}

BEFORE = (
    "air dry, at pressure; tip and electrode fit the current",
    "clamp on clean metal that stays, never on a piece that drops",
    "dry run: every cut within reach, hose free, nothing to trip over",
    "look under and behind the cut; no closed drum or tank as a table",
    "nothing that burns within 10 m; water or extinguisher at hand",
    "leather and cotton, no cuffs, no lighter in the pocket",
    "others screened from the arc; a pacemaker: read the torch's manual",
    "machine off before you touch the tip or move the clamp",
)
CAUTIONS = (
    "Never clean with chlorinated solvent: with the arc it makes a deadly gas.",
    "Galvanised, painted, coated: strip it, or breathe none of it. Cut with fresh air or a mask.",
    "Watch for fire for half an hour after the last cut. Drops and edges stay hot.",
    "Grinding and wire wheel: goggles and a face shield over them.",
    "The torch's own manual and the rules where you work come before this sheet.",
)


def job_sheet_pdf(
    svg: str,
    order: CutOrder,
    tally: Tally,
    *,
    stamp: Stamp,
    notes: Sequence[Note] = (),
    speed_mm_min: float,
) -> bytes:
    """The sheet, on as many pages as the cuts take.

    Args:
        svg: text of the guides; shown small.
        order: the cuts.
        tally: what they come to.
        stamp: written on every page.
        notes: what is thin or small, worst first; the first few are told.
        speed_mm_min: of the hand, for each cut's time.
    """
    stream = io.BytesIO()
    width, height = PAGE_MM
    canvas = new_canvas(stream, (width * POINTS_PER_MM, height * POINTS_PER_MM), stamp.title)
    canvas.scale(POINTS_PER_MM, POINTS_PER_MM)
    y = _head(canvas, stamp)
    y = _picture(canvas, svg, y)
    y = _totals(canvas, tally, y)
    small = [_told(note) for note in notes if note.kind in SMALL]
    y = _lines(canvas, "Thin or small", small[:5], y)
    y = _lines(canvas, "Before you light the torch", BEFORE, y, has_box=True)
    _lines(canvas, "Mind", _cautions(tally), y)
    canvas.showPage()
    rows = int((height - 2 * RIM_MM - 26) // ROW_MM)
    cuts = list(enumerate(order.cuts, 1))
    for first in range(0, len(cuts), rows):
        canvas.scale(POINTS_PER_MM, POINTS_PER_MM)
        _table(canvas, cuts[first : first + rows], _head(canvas, stamp), speed_mm_min)
        canvas.showPage()
    canvas.save()
    return stream.getvalue()


def _told(note: Note) -> str:
    at = note.place_mm
    where = "" if at is None else f" (at {at.real:.0f}, {at.imag:.0f} mm)"
    return f"{note.sentence}{where}"


def _cautions(tally: Tally) -> tuple[str, ...]:
    shade = (
        f"Shade {tally.shade} at least, darker if the maker of your torch or helmet says so; "
        "screens for bystanders."
    )
    return (shade, *CAUTIONS)


def _head(canvas: Canvas, stamp: Stamp) -> float:
    """Job, date, revision; returns where the page goes on."""
    y = PAGE_MM[1] - RIM_MM
    canvas.setFillGray(0)
    canvas.setFont("Helvetica-Bold", 6)
    canvas.drawString(RIM_MM, y - 5, stamp.title)
    if stamp.not_ready:
        canvas.setFont("Helvetica-Bold", TEXT_MM)
        canvas.drawRightString(PAGE_MM[0] - RIM_MM, y - 5, "NOT READY TO CUT")
    canvas.setLineWidth(0.3)
    canvas.line(RIM_MM, y - 8, PAGE_MM[0] - RIM_MM, y - 8)
    return y - 11


def _picture(canvas: Canvas, svg: str, y: float) -> float:
    drawing = drawn(svg)
    room = PAGE_MM[0] - 2 * RIM_MM
    scale = min(room / drawing.width, PICTURE_MM / drawing.height)
    canvas.saveState()
    canvas.translate(RIM_MM + (room - scale * drawing.width) / 2, y - scale * drawing.height)
    canvas.scale(scale, scale)
    draw_svg(drawing, canvas)
    canvas.restoreState()
    return float(y - scale * drawing.height - 6)


def _totals(canvas: Canvas, tally: Tally, y: float) -> float:
    by_type = ", ".join(f"{NAMES[kind]} {metres:.1f} m" for kind, metres in tally.metres_by_type)
    sets = max(tally.sets_by_starts, tally.sets_by_time)
    arc, whole = _minutes(tally.arc_s), _minutes(tally.elapsed_s)
    sign, drops, gone = (f"{kg:.2f} kg" for kg in (tally.sign_kg, tally.drop_kg, tally.removed_kg))
    left = (
        f"{tally.metres:.1f} m with the torch ({by_type})",
        f"{tally.starts} starts; arc on {arc}, at least {whole} in all as the machine rests",
        f"sign {sign}, drops {drops}, blown away {gone}",
        f"about {100 * sets:.0f} % of a set of consumables, {tally.air_l:.0f} l of air",
    )
    return _lines(canvas, "In all", left, y)


def _minutes(seconds: float) -> str:
    return f"{max(1, round(seconds / 60))} min"


def _lines(
    canvas: Canvas, title: str, lines: Sequence[str], y: float, *, has_box: bool = False
) -> float:
    """A title and short lines under it; nothing where there are none."""
    if not lines:
        return y
    canvas.setFillGray(0)
    canvas.setFont("Helvetica-Bold", TEXT_MM)
    canvas.drawString(RIM_MM, y - 4, title)
    y -= 5
    size = 0.8 * TEXT_MM
    for line in lines:
        y -= 1.25 * size
        x = RIM_MM
        if has_box:
            canvas.rect(x, y - 0.4, 0.8 * size, 0.8 * size, fill=0)
            x += 1.4 * size
        canvas.setFont("Helvetica", _fitting(canvas, line, PAGE_MM[0] - RIM_MM - x, size))
        canvas.drawString(x, y, line)
    return y - 4


def _fitting(canvas: Canvas, line: str, room_mm: float, size: float) -> float:
    """The size at which a line fits."""
    width = canvas.stringWidth(line, "Helvetica", size)
    return size if width <= room_mm else size * room_mm / width


def _table(canvas: Canvas, cuts: Sequence[tuple[int, Cut]], y: float, speed_mm_min: float) -> None:
    columns = ((0.0, "cut"), (20.0, "makes"), (62.0, "kind"), (104.0, "length"), (134.0, "arc on"))
    canvas.setFont("Helvetica-Bold", TEXT_MM)
    for x, word in (*columns, (164.0, "done")):
        canvas.drawString(RIM_MM + x, y - 5, word)
    y -= 8
    for number, cut in cuts:
        length = cut.path.length if cut.path else 0.0
        seconds = 0.5 + 60 * length / speed_mm_min
        words = (
            str(number),
            NAMES[cut.type],
            KINDS[cut.kind],
            f"{length / 1000:.2f} m" if length else "",
            f"{seconds:.0f} s",
        )
        canvas.setLineWidth(0.1)
        canvas.line(RIM_MM, y, PAGE_MM[0] - RIM_MM, y)
        for (x, _), word in zip(columns, words, strict=True):
            canvas.setFont("Helvetica-Bold" if x == 0 else "Helvetica", TEXT_MM)
            canvas.drawString(RIM_MM + x, y - 0.7 * ROW_MM, word)
        canvas.setLineWidth(0.3)
        canvas.rect(RIM_MM + 166, y - 0.8 * ROW_MM, 6, 6, fill=0)
        y -= ROW_MM
