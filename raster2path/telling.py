"""What a maker is told on the terminal: a few plain lines, worst news first. Prints nothing."""

from __future__ import annotations

import re
from dataclasses import replace

from raster2path.guides.on_photo import lettered
from raster2path.guides.punch import punch
from raster2path.job import MarkOut
from raster2path.model import CutType, Note, NoteKind, Read, Tie
from raster2path.pipeline import Result

N_NOTES = 12
"""More than this, and nobody reads the first."""
N_ALIKE = 3
"""Of notes that differ in their numbers alone, so many are told; the rest are counted."""


def lines(result: Result) -> list[str]:
    """How the picture was read and why, size, what is held by what, and what to look at."""
    out = [_reading_line(result), _size_line(result), *_holding_lines(result)]
    if result.job.print.mark_out is MarkOut.PUNCH:
        out.append(f"  {punch(result.order).sentence}")
    out += [f"  - {_letter_of(letter, note)}" for letter, note in lettered(worst(result.notes))]
    if result.stamp.not_ready:
        out.append("  NOT READY TO CUT")
    name, told = f"{result.job.name}: ", result.stamp.units.told
    return [name + told(out[0].removeprefix(name)), *map(told, out[1:])]


def one_line(result: Result) -> str:
    """The same for one of many pictures."""
    size = result.stamp.units.told(_size_line(result).strip())
    out = f"read as {result.reading.read.value}; {size}"
    reasons = result.stamp.not_ready
    return f"{out}; NOT READY TO CUT: {reasons[0].rstrip('.')}" if reasons else out


def worst(notes: tuple[Note, ...]) -> tuple[Note, ...]:
    """The first notes of each sort, the others of that sort counted, and at last all the rest."""
    told: list[Note] = []
    places: dict[tuple[NoteKind, str], list[int]] = {}
    n_alike: dict[int, int] = {}
    n_more = 0
    for note in notes:
        alike = places.setdefault((note.kind, re.sub(r"[\d.]+", "#", note.sentence)), [])
        if len(alike) == N_ALIKE:
            n_alike[alike[-1]] = n_alike.get(alike[-1], 0) + 1
        elif len(told) < N_NOTES or note.kind is NoteKind.DOUBT:  # a question is always asked
            alike.append(len(told))
            told.append(note)
        else:
            n_more += 1
    for k, n in n_alike.items():
        told[k] = replace(told[k], sentence=f"{told[k].sentence.rstrip('.')}, and {n} more like it")
    rest = Note(NoteKind.SETTING, f"And {_count(n_more, 'smaller note')}.")
    return (*told, rest) if n_more else tuple(told)


def _letter_of(letter: str, note: Note) -> str:
    """The note, after its letter on the picture where it asks something."""
    line = note_line(note)
    return f"{letter}: {line[:1].lower()}{line[1:]}" if note.kind is NoteKind.DOUBT else line


def note_line(note: Note) -> str:
    """A note with its place and what to do about it."""
    words = note.sentence[:1].upper() + note.sentence[1:].rstrip(".")
    if note.place_mm is not None:
        words += f" (at {note.place_mm.real:.0f}, {note.place_mm.imag:.0f} mm)"
    return f"{words}: {note.remedy}" if note.remedy else words


def _reading_line(result: Result) -> str:
    job, reading = result.job, result.reading
    head = f"{job.name}: "
    if job.size.width_mm is None and job.size.height_mm is None:
        width_mm = result.outlines.placement.sign_mm[2]
        head += f"size not given, so {width_mm:.0f} mm wide; "
    how = f"read as {reading.read.value}"
    why = "as you said"
    if reading.is_guessed:
        share = f"{100 * reading.certainty:.0f} %"
        why = f"{reading.certainty_words}, {share}, because {reading.reason}"
    what = f"; dark is {result.outlines.region.value}" if reading.read is Read.SOLID else ""
    return f"{head}{how} ({why}){what}"


def _size_line(result: Result) -> str:
    _, _, width, height = result.sign.art.placement.sign_mm
    cuts = result.order.cuts
    n_slits = sum(cut.type is CutType.SLIT for cut in cuts)
    metres = sum(cut.path.length for cut in cuts if cut.path is not None) / 1000
    parts = [f"{width:.0f} × {height:.0f} mm", _count(len(cuts), "cut")]
    if n_slits:
        parts[-1] += f" ({_count(n_slits, 'slit')})"
    parts.append(f"{metres:.1f} m with the torch")
    return f"  {', '.join(parts)}; revision {result.stamp.mark}"


def _holding_lines(result: Result) -> list[str]:
    sign = result.sign
    if sign.loose:
        out = [f"  {_count(len(sign.loose), 'piece')} would fall out:"]
        for island in sign.loose[:N_NOTES]:
            x, y = island.place_mm.real, island.place_mm.imag
            w, h = island.size_mm
            out.append(f"    at {x:.0f}, {y:.0f} mm, {w:.0f} × {h:.0f} mm")
        return out
    out = []
    if sign.ties:
        ties = f"{_count(len(sign.ties), 'tie')} of {_widths(result)} mm"
        out.append(f"  {_count(max(1, sign.n_islands), 'loose piece')} held by {ties}")
        out += _load_lines(sign.ties)
    elif sign.n_islands:
        out.append(f"  {_count(sign.n_islands, 'loose piece')} held by metal left in narrow gaps")
    if sign.gaps_mm:
        gaps = _count(len(sign.gaps_mm), "gap")
        out.append(f"  {gaps} left in slits, to hold what they would free")
    if not out and result.plan.edges:
        return ["  in one piece without ties"]
    return out


def _load_lines(ties: tuple[Tie, ...]) -> list[str]:
    """The tie that has most to carry, for what it can."""
    loads = [(tie, tie.load) for tie in ties if tie.load is not None]
    if not loads:
        return []
    tie, load = max(loads, key=lambda pair: pair[1].stress_mpa / pair[1].allowed_mpa)
    at = sum(tie.corners) / len(tie.corners)
    share = 100 * load.stress_mpa / load.allowed_mpa
    helped = "" if load.n_sharing == 1 else f" with {_count(load.n_sharing - 1, 'other')}"
    where = f"  the hardest worked, at {at.real:.0f}, {at.imag:.0f} mm,"
    much = f"{share:.0f} % of what it bears, knocks counted in"
    return [f"{where} carries {load.mass_kg:.2g} kg{helped}: {much}"]


def _widths(result: Result) -> str:
    widths = sorted(tie.width_mm for tie in result.sign.ties)
    low, high = f"{widths[0]:.0f}", f"{widths[-1]:.0f}"
    return low if low == high else f"{low} to {high}"


def _count(n: int, noun: str) -> str:
    return f"{n} {noun}{'' if n == 1 else 's'}"
