"""The job sheet: what a maker pins up beside the table, as one or two A4 pages.

The sign with its numbered cuts, totals, the cuts in order with a box to tick, what to look at
before lighting the torch, and the cautions. Large enough to be read at a metre.
"""

from __future__ import annotations

import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from raster2path.geometry import Kind
from raster2path.guides._aids import part_name
from raster2path.guides._heat_map import draw_heat_map
from raster2path.guides._sheet_picture import draw_sign
from raster2path.guides.full_size import POINTS_PER_MM, new_canvas
from raster2path.model import (
    ClampHow,
    Cost,
    Cut,
    CutOrder,
    CutType,
    Forecast,
    Note,
    NoteKind,
    Stamp,
    Tally,
)

if TYPE_CHECKING:
    from reportlab.pdfgen.canvas import Canvas

PAGE_MM = (210.0, 297.0)
RIM_MM = 15.0
ROW_MM = 10.0
PICTURE_MM = 165.0
MAP_MM = (58.0, 62.0)
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
    order: CutOrder,
    tally: Tally,
    *,
    stamp: Stamp,
    notes: Sequence[Note] = (),
    speed_mm_min: float,
    foreseen: Mapping[str, Forecast] | None = None,
    price: Cost | None = None,
) -> bytes:
    """The sheet, on as many pages as the cuts take.

    Args:
        order: the cuts.
        tally: what they come to.
        stamp: written on every page.
        notes: what is thin or small, worst first; the first few are told.
        speed_mm_min: of the hand, for each cut's time.
        foreseen: what the order `taken` and others by name do to the sheet, where known.
        price: line by line, with blanks where nothing is set.
    """
    stream = io.BytesIO()
    width, height = PAGE_MM
    canvas = new_canvas(
        stream, (width * POINTS_PER_MM, height * POINTS_PER_MM), stamp.title, stamp.units
    )
    canvas.scale(POINTS_PER_MM, POINTS_PER_MM)
    y = _head(canvas, stamp)
    room = width - 2 * RIM_MM
    y = draw_sign(canvas, order, complex(RIM_MM, y), (room, PICTURE_MM)) - 2
    if foreseen:
        corner = complex(width - RIM_MM - MAP_MM[0], y)
        draw_heat_map(canvas, foreseen["taken"].worst, order, corner, MAP_MM)
        room -= MAP_MM[0] + 4
    y = _lines(canvas, "On the table", _progress_lines(order), y, room_mm=room)
    y = _totals(canvas, tally, y, room)
    _lines(canvas, "The order of cuts", _order_lines(order, foreseen), y, room_mm=room)
    canvas.showPage()
    canvas.scale(POINTS_PER_MM, POINTS_PER_MM)
    y = _head(canvas, stamp)
    y = _lines(canvas, "For the hand", _hand_lines(order), y)
    y = _prices(canvas, price, y)
    y = _lines(canvas, "Before you light the torch", BEFORE, y, has_box=True)
    y = _lines(canvas, "Mind", _cautions(tally), y)
    small = [_told(note) for note in notes if note.kind in SMALL]
    y = _lines(canvas, "Thin or small", small[:5], y)
    rows = _rows(order, speed_mm_min)
    while rows:
        n = int((y - RIM_MM - 8) // ROW_MM)
        if n > 0:
            _table(canvas, rows[:n], y)
            rows = rows[n:]
        if rows:
            canvas.showPage()
            canvas.scale(POINTS_PER_MM, POINTS_PER_MM)
            y = _head(canvas, stamp)
    canvas.showPage()
    canvas.save()
    return stream.getvalue()


def _told(note: Note) -> str:
    at = note.place_mm
    where = "" if at is None else f" (at {at.real:.0f}, {at.imag:.0f} mm)"
    return f"{note.sentence.rstrip('.')}{where}"


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


def _prices(canvas: Canvas, price: Cost | None, y: float) -> float:
    """Work and goods in three columns; a rule to write on where nothing is set."""
    if price is None:
        return y
    canvas.setFont("Helvetica-Bold", TEXT_MM)
    canvas.drawString(RIM_MM, y - 4, "Time and price")
    y -= 5
    size = 0.8 * TEXT_MM
    canvas.setFont("Helvetica", size)
    canvas.setLineWidth(0.15)
    rows = [(line.what, _much(line.quantity, line.unit), line.amount) for line in price.lines]
    rows.append(("in all", _much(price.minutes, "min"), price.total))
    for what, much, amount in rows:
        y -= 1.3 * size
        canvas.drawString(RIM_MM, y, what)
        for x, word in ((70.0, much), (105.0, "" if amount is None else f"{amount:.2f}")):
            if word:
                canvas.drawRightString(RIM_MM + x, y, word)
            else:
                canvas.line(RIM_MM + x - 22, y - 0.5, RIM_MM + x, y - 0.5)
    x = RIM_MM + 115
    if price.usual_min is not None:
        canvas.drawString(x, y, f"by your last jobs: {price.usual_min / 60:.1f} h")
    canvas.drawString(x, y + 1.3 * size, "it took, in minutes: ____________")
    return y - 4


def _much(quantity: float | None, unit: str) -> str:
    if quantity is None:
        return ""
    return f"{quantity:.0f} {unit}" if unit == "min" else f"{quantity:.2f} {unit}"


def _hand_lines(order: CutOrder) -> list[str]:
    """Where the clamp goes, how many bars and compasses, which drops to hold."""
    aids, out = order.aids, []
    if aids.clamp is not None:
        at = aids.clamp.place_mm
        where = "" if at is None else f" at {at.real:.0f}, {at.imag:.0f} mm"
        out.append(f"Work clamp: {CLAMPED[aids.clamp.how].format(where)}.")
    if aids.fences:
        out.append(
            f"{len(aids.fences)} straights: clamp a bar along the dashed line, the side of the tip "
            "runs along it."
        )
    radii = sorted({round(compass.radius_mm, 1) for compass in aids.compasses})
    if radii:
        told = ", ".join(f"{radius:g}" for radius in radii[:6])
        more = " and others" if len(radii) > 6 else ""
        out.append(f"Compass: prick the crosses; radius to the middle of the tip {told}{more} mm.")
    if aids.heavy:
        some = [(drop, *drop.size_mm) for drop in aids.heavy[:6]]
        held = ", ".join(
            f"{drop.number} ({wide:.0f} × {high:.0f} mm, {drop.mass_kg:.1f} kg)"
            for drop, wide, high in some
        )
        more = f" and {len(aids.heavy) - 6} more" if len(aids.heavy) > 6 else ""
        out.append(f"Large drops: hold with a magnet, feet clear, at cuts {held}{more}.")
    return out


CLAMPED = {
    ClampHow.CLAMP: "on the metal that stays{}",
    ClampHow.MAGNET: "a magnet clamp on the metal that stays{}",
    ClampHow.OUTSIDE: "on the outside{}; machine off, and move it to the sign before the border",
    ClampHow.NONE: "no place is clear of the cuts; clamp where you can, and move it, machine off",
}


def _progress_lines(order: CutOrder) -> list[str]:
    """How far one has come, what is left, and what went wrong."""
    if order.progress is None:
        return []
    n_done = sum(order.is_done)
    metres = sum(
        cut.path.length / 1000
        for cut, is_done in zip(order.cuts, order.is_done, strict=True)
        if cut.path is not None and not is_done
    )
    out = [f"{n_done} of {len(order.cuts)} cuts are done; {metres:.1f} m to go. Numbers stay."]
    return out + [
        f"{_told(note)}: {note.remedy}" if note.remedy else _told(note)
        for note in order.progress.notes
    ]


def _order_lines(order: CutOrder, foreseen: Mapping[str, Forecast] | None) -> list[str]:
    """What the order is for, where one stands, and where one waits."""
    is_held = order.progress is not None
    out = ["Held since cutting began" if is_held else HOW.get(order.how, order.how)]
    if foreseen:
        taken, near, sweep = (foreseen[name] for name in ("taken", "nearest", "sweep"))
        less = [_less(taken.bow_rms, other.bow_rms) for other in (near, sweep)]
        out[0] += (
            f": on paper the sheet bows {less[0]} cutting the nearest next and {less[1]} cutting "
            f"left to right; no cut starts more than {taken.hottest_start_k:.0f} K above the "
            f"workshop ({near.hottest_start_k:.0f} K nearest next). That is theory, not tried "
            "on steel."
        )
        out.append(
            f"Walking {taken.walk_m:.1f} m, torch carried {taken.carry_m:.0f} m. The map: the "
            f"sheet when it bows most, minute {taken.worst.at_s / 60:.0f}."
        )
    n_stands = len(order.named_stands)
    if n_stands > 1:
        out.append(f"Stand at {', '.join(order.named_stands)}, as the picture and the table say.")
    for number, wait_s in enumerate(order.waits_s, 1):
        if wait_s:
            out.append(f"Wait {wait_s:.0f} s before cut {number}: change tips, move the clamp.")
    return out


HOW = {
    "planned": "Planned by heat",
    "near": "The nearest pierce next",
    "sweep": "Left to right",
    "small-first": "Short cuts first",
    "by hand": "As you said by hand",
}


def _less(new: float, old: float) -> str:
    share = 100 * (1 - new / max(old, 1e-9))
    if abs(share) < 0.5:
        return "as much as"
    return f"{abs(share):.0f} % {'less' if share > 0 else 'more'} than"


def _totals(canvas: Canvas, tally: Tally, y: float, room_mm: float) -> float:
    by_type = ", ".join(f"{NAMES[kind]} {metres:.1f} m" for kind, metres in tally.metres_by_type)
    sets = max(tally.sets_by_starts, tally.sets_by_time)
    arc, whole = _minutes(tally.arc_s), _minutes(tally.elapsed_s)
    sign, drops, gone = (f"{kg:.2f} kg" for kg in (tally.sign_kg, tally.drop_kg, tally.removed_kg))
    left = (
        f"{tally.metres:.1f} m with the torch ({by_type})",
        f"{tally.starts} starts; arc on {arc}, at least {whole} in all as the machine rests",
        f"sign {sign}, drops {drops}, blown away {gone}",
        f"about {100 * sets:.0f} % of a set of consumables, {tally.air_l:.0f} l of air",
        f"{tally.grinding_metres:.1f} m of edge to grind on each side",
    )
    return _lines(canvas, "In all", left, y, room_mm=room_mm)


def _minutes(seconds: float) -> str:
    return f"{max(1, round(seconds / 60))} min"


def _lines(
    canvas: Canvas,
    title: str,
    lines: Sequence[str],
    y: float,
    *,
    has_box: bool = False,
    room_mm: float = PAGE_MM[0] - 2 * RIM_MM,
) -> float:
    """A title and lines under it, broken where they are long; nothing where there are none."""
    from reportlab.lib.utils import simpleSplit

    if not lines:
        return y
    canvas.setFillGray(0)
    canvas.setFont("Helvetica-Bold", TEXT_MM)
    canvas.drawString(RIM_MM, y - 4, title)
    y -= 5
    size = 0.8 * TEXT_MM
    canvas.setFont("Helvetica", size)
    for line in lines:
        x = RIM_MM + (1.4 * size if has_box else 0.0)
        if has_box:
            canvas.setLineWidth(0.3)
            canvas.rect(RIM_MM, y - 1.25 * size - 0.4, 0.8 * size, 0.8 * size, fill=0)
        for part in simpleSplit(line, "Helvetica", size, room_mm - (x - RIM_MM)):
            y -= 1.25 * size
            canvas.drawString(x, y, part)
    return y - 4


COLUMNS = (
    (0.0, "cut"),
    (16.0, "makes"),
    (46.0, "kind"),
    (76.0, "length"),
    (100.0, "arc on"),
    (122.0, "stand"),
    (142.0, "wait"),
)


def _long(length_mm: float) -> str:
    if length_mm < 95:
        return f"{length_mm:.0f} mm" if length_mm else ""
    return f"{length_mm / 1000:.2f} m"


@dataclass(frozen=True, slots=True)
class _Row:
    """A line of the table: a cut, or a part of one between two rests."""

    words: tuple[str, ...]
    is_done: bool


def _rows(order: CutOrder, speed_mm_min: float) -> list[_Row]:
    out = []
    for k, cut in enumerate(order.cuts):
        wait_s = order.waits_s[k] if order.waits_s else 0.0
        for part, length in enumerate(cut.parts_mm):
            words = (
                part_name(k + 1, part) if cut.rests else str(k + 1),
                _makes(order, cut) if part == 0 else "after a rest",
                KINDS[cut.kind],
                _long(length),
                f"{0.5 + 60 * length / speed_mm_min:.0f} s",
                order.stand_names[k] if order.stands else "",
                f"{wait_s:.0f} s" if wait_s and part == 0 else "",
            )
            out.append(_Row(words, order.is_done[k]))
    return out


def _makes(order: CutOrder, cut: Cut) -> str:
    if cut.closes is None:
        return NAMES[cut.type]
    return f"closes {order.sequence.index(cut.closes) + 1}"


def _table(canvas: Canvas, rows: Sequence[_Row], y: float) -> None:
    canvas.setFont("Helvetica-Bold", TEXT_MM)
    for x, word in (*COLUMNS, (164.0, "done")):
        canvas.drawString(RIM_MM + x, y - 5, word)
    y -= 8
    for row in rows:
        canvas.setLineWidth(0.1)
        canvas.line(RIM_MM, y, PAGE_MM[0] - RIM_MM, y)
        for (x, _), word in zip(COLUMNS, row.words, strict=True):
            canvas.setFont("Helvetica-Bold" if x == 0 else "Helvetica", TEXT_MM)
            canvas.drawString(RIM_MM + x, y - 0.7 * ROW_MM, word)
        canvas.setLineWidth(0.3)
        x, low = RIM_MM + 166, y - 0.8 * ROW_MM
        canvas.rect(x, low, 6, 6, fill=0)
        if row.is_done:
            canvas.line(x, low, x + 6, low + 6)
            canvas.line(x, low + 6, x + 6, low)
        y -= ROW_MM
