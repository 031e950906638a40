"""Lines on the photograph: what the torch will do, over the picture it came from, with notes."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import cv2
import numpy as np

from raster2path.geometry import Kind, Path, Points, to_points
from raster2path.guides._canvas import (
    Colour,
    Pixels,
    draw_lines,
    draw_ring,
    fill_even_odd,
    not_ready_band,
    png,
    words_width,
    wrapped,
    write,
)
from raster2path.guides.colours import PAPER, Palette, rgb
from raster2path.model import CutOrder, Note, Picture, Placement, Stamp

LEAST_SIDE_PX, MOST_SIDE_PX = 1600, 2000
_PAPER_GREY = 236
_FADE = 0.4  # towards white, so that lines read on ink and paper alike
_WHITE: Colour = (255, 255, 255)


def on_photo_png(
    picture: Picture, order: CutOrder, *, stamp: Stamp, notes: tuple[Note, ...]
) -> bytes:
    """The working picture, paled, with every line over it and the notes below it, as PNG.

    Notes with a place are ringed and lettered A, B, C …, worst first; the strip below says each in
    its sentence. Where the sign reaches beyond the picture there is paper grey. The longer side of
    the picture is 1600 to 2000 pixels. The same input gives the same bytes.
    """
    board = _board(picture, order.plan.sign.art.placement)
    _draw_order(board, order, PAPER)
    by_letter = lettered(notes)
    tags: list[complex] = []
    for letter, note in by_letter:
        if letter:
            tags.append(_draw_note(board, letter, note, tags, PAPER))
    above = not_ready_band(stamp, board.pixels.shape[1], board.em, rgb(PAPER.alarm))
    strip = _strip(board, order, stamp, by_letter, PAPER)
    return png(np.vstack([*above, board.pixels, strip]))


@dataclass(frozen=True, slots=True)
class _Board:
    """The picture on its canvas, and how millimetres get there.

    Attributes:
        scale, shift: canvas pixels = working pixels * scale + shift, for x and y.
    """

    pixels: Pixels
    scale: tuple[float, float]
    shift: tuple[int, int]
    placement: Placement

    @property
    def em(self) -> float:
        """Type size for words on this canvas."""
        return float(max(self.pixels.shape[:2])) / 66

    def to_px(self, points_mm: Points) -> Points:
        """Points on the sheet, on the canvas."""
        return np.asarray(self.placement.to_px(points_mm) * self.scale + self.shift, np.float64)

    def at(self, place_mm: complex) -> complex:
        """One point on the sheet, on the canvas."""
        x, y = self.to_px(np.array([[place_mm.real, place_mm.imag]]))[0]
        return complex(x, y)

    def line(self, path: Path) -> Points:
        """A path flattened as finely as can be seen; a closed one repeats its start."""
        flatness = 0.15 * self.placement.mm_per_px / max(self.scale)
        points = self.to_px(path.flat(flatness))
        return np.vstack([points, points[:1]]) if path.is_closed else points


def _board(picture: Picture, placement: Placement) -> _Board:
    rows, cols = picture.rgb.shape[:2]
    left, top, width, height = placement.sign_mm
    sign = placement.to_px(np.array([[left, top], [left + width, top + height]]))
    pad = 0.02 * float(np.max(sign[1] - sign[0]))
    low = np.minimum(0, sign[0] - pad)
    high = np.maximum((cols, rows), sign[1] + pad)
    longest = float(np.max(high - low))
    scale = min(max(longest, LEAST_SIDE_PX), MOST_SIDE_PX) / longest
    canvas_px = np.maximum(1, np.round((high - low) * scale)).astype(int)
    pixels = np.full((canvas_px[1], canvas_px[0], 3), _PAPER_GREY, np.uint8)
    inner = (max(1, round(cols * scale)), max(1, round(rows * scale)))
    shift = round(float(-low[0]) * scale), round(float(-low[1]) * scale)
    shrinks = scale < 1
    how = cv2.INTER_AREA if shrinks else cv2.INTER_CUBIC
    scaled = cv2.resize(picture.rgb, inner, interpolation=how)
    pale = cv2.addWeighted(scaled, 1 - _FADE, np.full_like(scaled, 255), _FADE, 0)
    patch = pixels[shift[1] : shift[1] + inner[1], shift[0] : shift[0] + inner[0]]
    patch[...] = pale[: patch.shape[0], : patch.shape[1]]
    return _Board(pixels, (inner[0] / cols, inner[1] / rows), shift, placement)


# ---------------------------------------------------------------- lines


def _draw_order(board: _Board, order: CutOrder, palette: Palette) -> None:
    plan, unit = order.plan, max(board.pixels.shape[:2]) / 1600
    aid = rgb(palette.aid)
    ties = [
        board.to_px(np.array([[z.real, z.imag] for z in tie.corners])) for tie in plan.sign.ties
    ]
    for tie in ties:
        fill_even_odd(board.pixels, [tie], rgb(palette.tie))
    draw_lines(board.pixels, ties, aid, 1, is_closed=True)
    thin = [board.line(edge.path) for edge in plan.edges] + [board.line(s) for s in plan.slits]
    draw_lines(board.pixels, thin, aid, 1)
    by_kind: dict[Kind, list[Points]] = {kind: [] for kind in Kind}
    leads: dict[Kind, list[Points]] = {kind: [] for kind in Kind}
    for cut in order.cuts:
        if cut.path is not None:
            by_kind[cut.kind].append(board.line(cut.path))
        for path in cut.leads:
            if path is not None:
                leads[cut.kind].append(board.line(path))
    thick = {kind: max(2, round(3 * unit * palette.ink(kind).width_mm)) for kind in Kind}
    for kind in Kind:  # a white seam first, so that lines read on dark ink as well
        draw_lines(board.pixels, by_kind[kind], _WHITE, thick[kind] + 2)
    for kind in Kind:
        colour = rgb(palette.ink(kind).colour)
        draw_lines(board.pixels, leads[kind], colour, max(1, round(unit)))
        draw_lines(board.pixels, by_kind[kind], colour, thick[kind])
    for cut in order.cuts:
        colour = rgb(palette.ink(cut.kind).colour)
        at = board.at(cut.pierce_mm)
        draw_ring(board.pixels, at, 4.5 * unit, _WHITE, -1)
        draw_ring(board.pixels, at, 4.5 * unit, colour, max(1, round(1.5 * unit)))


# ---------------------------------------------------------------- notes


def lettered(notes: Iterable[Note]) -> list[tuple[str, Note]]:
    """Notes, worst first, with a letter for each that has a place and none for the others."""
    out, n = [], 0
    for note in sorted(notes, key=lambda note: note.kind.rank):
        letter = ""
        if note.place_mm is not None:
            letter, n = _letter(n), n + 1
        out.append((letter, note))
    return out


def _letter(n: int) -> str:
    """A to Z, then AA, AB …: bijective base 26."""
    text, n = "", n + 1
    while n:
        n, rest = divmod(n - 1, 26)
        text = chr(ord("A") + rest) + text
    return text


def _draw_note(
    board: _Board, letter: str, note: Note, tags: list[complex], palette: Palette
) -> complex:
    """A ring round the note's place and its letter on it, clear of the tags before it.

    A word, or whatever else is long, gets an oblong ring.
    """
    unit = max(board.pixels.shape[:2]) / 1600
    rows, cols = board.pixels.shape[:2]
    at = board.at(note.place_mm or 0j)
    at = complex(min(max(at.real, 0), cols), min(max(at.imag, 0), rows))
    px_per_mm = max(board.scale) / board.placement.mm_per_px
    wide, high = (px_per_mm * side for side in note.spread_mm or (note.size_mm or 0,) * 2)
    half = complex(min(wide, cols) / 2, min(high, rows) / 2) + 8 * unit * (1 + 1j)
    radius = min(max(14 * unit, min(half.real, half.imag)), min(rows, cols) / 2)
    arms = complex(max(0.0, half.real - radius), max(0.0, half.imag - radius))
    colour = rgb(palette.alarm if note.kind.is_fault else palette.aid)
    ring = [_oblong(at, arms, radius)]
    draw_lines(board.pixels, ring, _WHITE, max(3, round(5 * unit)), is_closed=True)
    draw_lines(board.pixels, ring, colour, max(2, round(2.5 * unit)), is_closed=True)
    tag = 0.85 * board.em
    free = [
        place
        for away in (0, 2.2, 4.4)
        for turn in range(8)
        if _is_on(place := _beside(at, arms, radius + (0.6 + away) * tag, turn), board, tag)
        and all(abs(place - other) > 2.1 * tag for other in tags)
    ]
    place = free[0] if free else complex(min(at.real, cols - tag), min(at.imag, rows - tag))
    _tag(board.pixels, place, letter, tag, colour)
    return place


def _oblong(at: complex, arms: complex, radius: float) -> Points:
    """A circle drawn out sideways, or up and down."""
    way = np.exp(1j * np.linspace(0, 2 * np.pi, 120, endpoint=False))
    ring = at + radius * way + np.sign(way.real) * arms.real + 1j * np.sign(way.imag) * arms.imag
    return to_points(ring)


def _beside(at: complex, arms: complex, away: float, turn: int) -> complex:
    """A place outside an oblong ring, in one of eight directions, up and to the right first."""
    way = 1j ** (turn / 2 - 0.5)
    return complex(at + away * way + round(way.real) * arms.real + 1j * round(way.imag) * arms.imag)


def _is_on(place: complex, board: _Board, size: float) -> bool:
    rows, cols = board.pixels.shape[:2]
    return bool(size <= place.real <= cols - size and size <= place.imag <= rows - size)


def _tag(pixels: Pixels, place: complex, letter: str, size: float, colour: Colour) -> None:
    """A letter in a filled disc."""
    type_px = size * (1.1 if len(letter) == 1 else 0.85)
    draw_ring(pixels, place, size + 2, _WHITE, -1)
    draw_ring(pixels, place, size, colour, -1)
    x = place.real - words_width(letter, type_px) / 2
    write(pixels, letter, (x, place.imag - 0.74 * type_px), type_px, _WHITE)


# ---------------------------------------------------------------- words round the picture


def _strip(
    board: _Board,
    order: CutOrder,
    stamp: Stamp,
    lettered: list[tuple[str, Note]],
    palette: Palette,
) -> Pixels:
    """Job, legend and the notes in words."""
    em, cols = board.em, board.pixels.shape[1]
    texts = [wrapped(stamp.units.told(_sentence(note)), em, cols - 5 * em) for _, note in lettered]
    heading = wrapped(stamp.title, 1.1 * em, cols - 2 * em)
    rows = sum(len(lines) * 1.45 + 0.4 for lines in texts) + 1.6 * len(heading) + 3.6
    strip = np.full((round(rows * em), cols, 3), 255, np.uint8)
    dark = rgb(palette.aid)
    y = 0.5 * em
    for line in heading:
        write(strip, line, (em, y), 1.1 * em, dark)
        y += 1.6 * em
    _legend(strip, order, y, em, palette)
    y += 2.1 * em
    for (letter, note), lines in zip(lettered, texts, strict=True):
        colour = rgb(palette.alarm) if note.kind.is_fault else dark
        if letter:
            _tag(strip, complex(1.9 * em, y + 0.72 * em), letter, 0.75 * em, colour)
        else:
            draw_ring(strip, complex(1.9 * em, y + 0.75 * em), 0.15 * em, colour, -1)
        for line in lines:
            write(strip, line, (3.4 * em, y), em, dark)
            y += 1.45 * em
        y += 0.4 * em
    return strip


def _legend(strip: Pixels, order: CutOrder, y: float, em: float, palette: Palette) -> None:
    x = em
    for kind in sorted({cut.kind for cut in order.cuts}):
        ink = palette.ink(kind)
        sample = np.array([[x, y + 0.75 * em], [x + 2 * em, y + 0.75 * em]])
        thick = max(2, round(em / 8 * ink.width_mm))
        draw_lines(strip, [sample], rgb(ink.colour), thick)
        write(strip, ink.word, (x + 2.4 * em, y), 0.9 * em, rgb(palette.aid))
        x += 4 * em + words_width(ink.word, 0.9 * em)
    if order.plan.sign.ties:
        box = np.array([[0, 0.4], [2, 0.4], [2, 1.1], [0, 1.1]]) * em + (x, y)
        fill_even_odd(strip, [box], rgb(palette.tie))
        draw_lines(strip, [box], rgb(palette.aid), 1, is_closed=True)
        write(strip, "tie", (x + 2.4 * em, y), 0.9 * em, rgb(palette.aid))


def _sentence(note: Note) -> str:
    """The note in words: what, where, what to do."""
    text = note.sentence[:1].upper() + note.sentence[1:]
    if note.place_mm is not None:
        place = f"at {note.place_mm.real:.0f}, {note.place_mm.imag:.0f} mm"
        text = f"{text.rstrip('.')} ({place})"
    return f"{text} → {note.remedy}" if note.remedy else text
