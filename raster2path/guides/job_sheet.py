"""The job sheet: what a maker pins up beside the table, as one or two A4 pages.

The sign with its numbered cuts, totals, the cuts in order with a box to tick, what to look at
before lighting the torch, and the cautions. Large enough to be read at a metre.
"""

from __future__ import annotations

import io
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from raster2path.guides._heat_map import draw_heat_map
from raster2path.guides._sheet_picture import draw_sign
from raster2path.guides._sheet_table import NAMES, draw_narrow, draw_wide, fit_in, rows_of
from raster2path.guides.full_size import POINTS_PER_MM, new_canvas
from raster2path.model import (
    ClampHow,
    Cost,
    CutOrder,
    Forecast,
    Note,
    NoteKind,
    Stamp,
    Tally,
)

if TYPE_CHECKING:
    from reportlab.pdfgen.canvas import Canvas

__all__ = ["NAMES", "job_sheet_pdf"]

PAGE_MM = (210.0, 297.0)
RIM_MM = 15.0
PICTURE_MM, LEAST_PICTURE_MM = 165.0, 118.0
MAP_MM = (58.0, 62.0)
PRICE_MM = 52.0
FEWEST_ROWS = 4
"""A table that goes on overleaf is begun only where so many rows fit."""

TEXT_MM = 4.3
"""12 pt, which is read at a metre."""

SMALL = {NoteKind.THIN, NoteKind.TOO_SMALL, NoteKind.NARROW, NoteKind.LONG_TIE}
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
    small = [_told(note) for note in notes if note.kind in SMALL]
    y = _front(canvas, order, tally, stamp=stamp, foreseen=foreseen)
    y = _in_two(
        canvas,
        stamp,
        y,
        [("Before you light the torch", BEFORE, True), ("Mind", _cautions(tally), False)],
    )
    y = _in_two(
        canvas,
        stamp,
        y,
        [("For the hand", _hand_lines(order), False), ("Thin or small", small[:5], False)],
    )
    if price is not None:
        y = _or_new_page(canvas, stamp, y, PRICE_MM)
        y = _prices(canvas, price, y)
    rows, room = rows_of(order, speed_mm_min), width - 2 * RIM_MM
    while rows:
        n = fit_in(y - RIM_MM)
        if len(rows) > n < FEWEST_ROWS:
            y = _new_page(canvas, stamp)
            continue
        corner = complex(RIM_MM, y)
        if len(rows) <= n:
            draw_wide(canvas, rows, corner, room)
            break
        even = min(n, -(-len(rows) // 2))
        draw_narrow(canvas, rows, corner, room, even)
        rows = rows[2 * even :]
        y = _new_page(canvas, stamp) if rows else y
    canvas.showPage()
    canvas.save()
    return stream.getvalue()


def _front(
    canvas: Canvas,
    order: CutOrder,
    tally: Tally,
    *,
    stamp: Stamp,
    foreseen: Mapping[str, Forecast] | None,
) -> float:
    """The picture, what it comes to, what the order is for, the map; returns the lower end."""
    room = PAGE_MM[0] - 2 * RIM_MM
    y = _head(canvas, stamp)
    needed = MAP_MM[1] if foreseen else 0.0
    told = sum(
        _height_mm(lines, room - (MAP_MM[0] + 4 if foreseen else 0))
        for lines in (_progress_lines(order), _total_lines(tally), _order_lines(order, foreseen))
    )
    high = y - RIM_MM - max(told, needed) - 2
    checks = max(
        _height_mm(BEFORE, room / 2 - 4, has_box=True), _height_mm(_cautions(tally), room / 2 - 4)
    )
    if high - checks >= LEAST_PICTURE_MM:  # the checks fit on this page, too
        high -= checks
    size = room, min(PICTURE_MM, high)
    y = draw_sign(canvas, order, complex(RIM_MM, y), size) - 2
    low = y
    if foreseen:
        corner = complex(PAGE_MM[0] - RIM_MM - MAP_MM[0], y)
        low = draw_heat_map(canvas, foreseen["taken"].worst, order, corner, MAP_MM) - 3
        room -= MAP_MM[0] + 4
    y = _lines(canvas, "On the table", _progress_lines(order), y, room_mm=room)
    y = _lines(canvas, "In all", _total_lines(tally), y, room_mm=room)
    y = _lines(canvas, "The order of cuts", _order_lines(order, foreseen), y, room_mm=room)
    return min(y, low)


Block = tuple[str, Sequence[str], bool]
"""A title, the lines under it, and whether each has a box to tick."""


def _in_two(canvas: Canvas, stamp: Stamp, y: float, blocks: Sequence[Block]) -> float:
    """Two blocks side by side, on a new page where they find no room."""
    half = (PAGE_MM[0] - 2 * RIM_MM - 8) / 2
    some = [block for block in blocks if block[1]]
    if len(some) == 1:
        half = PAGE_MM[0] - 2 * RIM_MM
    highs = [_height_mm(lines, half, has_box=has_box) for _, lines, has_box in some]
    y = _or_new_page(canvas, stamp, y, max(highs, default=0.0))
    ends = [
        _lines(
            canvas, title, lines, y, has_box=has_box, room_mm=half, left_mm=RIM_MM + k * (half + 8)
        )
        for k, (title, lines, has_box) in enumerate(some)
    ]
    return min(ends, default=y)


def _or_new_page(canvas: Canvas, stamp: Stamp, y: float, needed_mm: float) -> float:
    return y if y - needed_mm >= RIM_MM else _new_page(canvas, stamp)


def _new_page(canvas: Canvas, stamp: Stamp) -> float:
    canvas.showPage()
    canvas.scale(POINTS_PER_MM, POINTS_PER_MM)
    return _head(canvas, stamp)


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
    canvas.setFont("Helvetica", 0.8 * size)
    for x, word in ((70.0, "how much"), (105.0, "in your money")):
        canvas.drawRightString(RIM_MM + x, y + 1, word)
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
            f"{drop.number} ({wide:.0f} × {high:.0f} mm, {drop.mass_kg:.2f} kg)"
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
        hot = f"no cut starts more than {taken.hottest_start_k:.0f} K above the workshop"
        if order.how == "near":
            out[0] += f": on paper the sheet bows {less[1]} cutting left to right, and {hot}."
        else:
            out[0] += (
                f": on paper the sheet bows {less[0]} cutting the nearest next and {less[1]} "
                f"cutting left to right; {hot} ({near.hottest_start_k:.0f} K nearest next)."
            )
        out[0] += " That is theory, not tried on steel."
        out.append(
            f"Walking {taken.walk_m:.1f} m, torch carried {taken.carry_m:.0f} m. The map: the "
            f"sheet when it bows most, minute {taken.worst.at_s / 60:.0f}."
        )
    n_stands = len(order.named_stands)
    if n_stands > 1:
        out.append(f"Stand at {', '.join(order.named_stands)}, as the picture and the table say.")
    by_wait: dict[float, list[str]] = {}
    for number, wait_s in enumerate(order.waits_s, 1):
        if wait_s:
            by_wait.setdefault(wait_s, []).append(str(number))
    if by_wait:
        told = "; ".join(
            f"{wait_s:.0f} s before cut {_and(numbers)}" for wait_s, numbers in by_wait.items()
        )
        out.append(
            f"Wait {told}. Change tips, sweep up, move the clamp: the machine has to rest anyway."
        )
    return out


HOW = {
    "planned": "Planned by heat",
    "near": "The nearest pierce next",
    "sweep": "Left to right",
    "small-first": "Short cuts first",
    "by hand": "As you said by hand",
}


def _and(words: Sequence[str]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"


def _less(new: float, old: float) -> str:
    share = 100 * (1 - new / max(old, 1e-9))
    if abs(share) < 0.5:
        return "as much as"
    return f"{abs(share):.0f} % {'less' if share > 0 else 'more'} than"


def _total_lines(tally: Tally) -> list[str]:
    by_type = ", ".join(f"{NAMES[kind]} {metres:.1f} m" for kind, metres in tally.metres_by_type)
    sets = max(tally.sets_by_starts, tally.sets_by_time)
    arc, whole = _minutes(tally.arc_s), _minutes(tally.elapsed_s)
    sign, drops, gone = (f"{kg:.2f} kg" for kg in (tally.sign_kg, tally.drop_kg, tally.removed_kg))
    return [
        f"{tally.metres:.1f} m with the torch ({by_type})",
        f"{tally.starts} starts; arc on {arc}, at least {whole} in all as the machine rests",
        f"sign {sign}, drops {drops}, blown away {gone}",
        f"about {100 * sets:.0f} % of a set of consumables, {tally.air_l:.0f} l of air",
        f"{tally.grinding_metres:.1f} m of edge to grind on each side",
    ]


def _minutes(seconds: float) -> str:
    return f"{max(1, round(seconds / 60))} min"


def _height_mm(lines: Sequence[str], room_mm: float, *, has_box: bool = False) -> float:
    """What a block takes, its title and the gap behind it counted in."""
    size = 0.8 * TEXT_MM
    n = sum(len(_broken(line, size, room_mm - (1.4 * size if has_box else 0))) for line in lines)
    return 9 + 1.25 * size * n if lines else 0.0


def _broken(line: str, size: float, room_mm: float) -> list[str]:
    from reportlab.lib.utils import simpleSplit

    return list(simpleSplit(line, "Helvetica", size, room_mm))


def _lines(
    canvas: Canvas,
    title: str,
    lines: Sequence[str],
    y: float,
    *,
    has_box: bool = False,
    room_mm: float = PAGE_MM[0] - 2 * RIM_MM,
    left_mm: float = RIM_MM,
) -> float:
    """A title and lines under it, broken where they are long; nothing where there are none."""
    if not lines:
        return y
    canvas.setFillGray(0)
    canvas.setFont("Helvetica-Bold", TEXT_MM)
    canvas.drawString(left_mm, y - 4, title)
    y -= 5
    size = 0.8 * TEXT_MM
    canvas.setFont("Helvetica", size)
    for line in lines:
        x = left_mm + (1.4 * size if has_box else 0.0)
        if has_box:
            canvas.setLineWidth(0.3)
            canvas.rect(left_mm, y - 1.25 * size - 0.4, 0.8 * size, 0.8 * size, fill=0)
        for part in _broken(line, size, room_mm - (x - left_mm)):
            y -= 1.25 * size
            canvas.drawString(x, y, part)
    return y - 4
