"""Drawing on rasters: smooth lines, words and PNG bytes. Private to `guides`.

Words are set in the face that Pillow carries, so that the same job gives the same bytes on every
machine. That face has plain Latin letters only: accents, arrows and the multiplication sign are
drawn here.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable, Iterator, Sequence
from functools import lru_cache

import cv2
import numpy as np
import numpy.typing as npt
from PIL import Image, ImageDraw, ImageFont

from raster2path.geometry import Points
from raster2path.model import Stamp

Pixels = npt.NDArray[np.uint8]
Colour = tuple[int, int, int]

_SHIFT = 4
_OVER = 3
_LINE_HEIGHT = 1.45
_BASE = 1.1
_X_HEIGHT, _CAP_HEIGHT = 0.54, 0.74
_STAND_INS = str.maketrans(
    {
        "ß": "ss",
        "æ": "ae",
        "Æ": "AE",
        "œ": "oe",
        "Œ": "OE",
        "ø": "o",
        "Ø": "O",
        "ł": "l",
        "Ł": "L",
        "ı": "i",
        "…": "...",
        "≥": ">=",
        "≤": "<=",
        "“": '"',
        "”": '"',
        "„": '"',
        "‘": "'",
        "’": "'",
        "²": "2",
        "—": "–",
        "−": "–",
        "\u00a0": " ",
        "\u202f": " ",
    }
)
_DRAWN_WIDTHS = {"×": 0.62, "→": 1.0, "–": 0.6, "·": 0.34}


def fixed(points_px: Points) -> npt.NDArray[np.int32]:
    """Points (n, 2) for OpenCV with `_SHIFT`; there a pixel's middle lies at whole numbers."""
    return np.round((points_px - 0.5) * (1 << _SHIFT)).astype(np.int32)


def draw_lines(
    pixels: Pixels, lines: Iterable[Points], colour: Colour, thick: int, *, is_closed: bool = False
) -> None:
    """Smooth polylines, in place."""
    drawn = [fixed(line) for line in lines]
    if drawn:
        cv2.polylines(pixels, drawn, is_closed, colour, thick, cv2.LINE_AA, _SHIFT)


def fill_even_odd(pixels: Pixels, rings: Iterable[Points], colour: Colour | int) -> None:
    """The even-odd fill of rings, smooth, in place."""
    drawn = [fixed(ring) for ring in rings]
    if drawn:
        cv2.fillPoly(pixels, drawn, colour, cv2.LINE_AA, _SHIFT)


def coverage(rings: Sequence[Points], size_px: tuple[int, int]) -> Pixels:
    """How much of each pixel the even-odd fill of rings covers, 0 to 255; size is (cols, rows).

    OpenCV's fill takes the boundary in, half a pixel all round. So the outside is filled as well,
    and the two meet in the middle.
    """
    cols, rows = size_px
    inside, outside = np.zeros((rows, cols), np.uint8), np.zeros((rows, cols), np.uint8)
    far = 4.0
    frame = np.array(
        [[-far, -far], [cols + far, -far], [cols + far, rows + far], [-far, rows + far]]
    )
    fill_even_odd(inside, rings, 255)
    fill_even_odd(outside, [frame, *rings], 255)
    return np.asarray(cv2.addWeighted(inside, 0.5, 255 - outside, 0.5, 0), np.uint8)


def draw_ring(
    pixels: Pixels, centre_px: complex, radius: float, colour: Colour, thick: int
) -> None:
    """A smooth circle, in place; filled where `thick` is -1."""
    x, y = fixed(np.array([[centre_px.real, centre_px.imag]]))[0]
    at, size = (int(x), int(y)), round(radius * (1 << _SHIFT))
    cv2.circle(pixels, at, size, colour, thick, cv2.LINE_AA, _SHIFT)


def png(pixels: Pixels) -> bytes:
    """The picture (rows, cols, RGB) as PNG; nothing in it but the pixels."""
    turned = cv2.cvtColor(pixels, cv2.COLOR_RGB2BGR)
    is_written, content = cv2.imencode(".png", turned, [cv2.IMWRITE_PNG_COMPRESSION, 3])
    if not is_written:
        raise ValueError(f"a picture of shape {pixels.shape} can't be written as PNG")
    return content.tobytes()


# ---------------------------------------------------------------- words


@lru_cache(maxsize=32)
def _face(size_px: int) -> ImageFont.FreeTypeFont | ImageFont.ImageFont:
    return ImageFont.load_default(size_px)


@lru_cache(maxsize=4096)
def _has_glyph(letter: str) -> bool:
    face = _face(32)
    missing = face.getmask("\uffff")
    mask = face.getmask(letter)
    return mask.size != missing.size or bytes(mask) != bytes(missing)


def _letters(text: str) -> Iterator[tuple[str, str]]:
    """Each letter that is drawn, and the accents upon it."""
    base, marks = "", ""
    for sign in unicodedata.normalize("NFD", " ".join(text.split()).translate(_STAND_INS)):
        if unicodedata.combining(sign):
            marks += sign
            continue
        if base:
            yield base, marks
        is_known = sign in _DRAWN_WIDTHS or _has_glyph(sign)
        base, marks = (sign if is_known else "?"), ""
    if base:
        yield base, marks


@lru_cache(maxsize=4096)
def _advance(letter: str) -> float:
    """Width of a letter, in type sizes."""
    return _DRAWN_WIDTHS.get(letter) or float(_face(64).getlength(letter)) / 64


def words_width(text: str, size_px: float) -> float:
    """How wide `write` makes a line of text."""
    return size_px * sum(_advance(letter) for letter, _ in _letters(text))


def wrapped(text: str, size_px: float, width_px: float) -> list[str]:
    """The text in lines no wider than this, broken between words; one long word stays whole."""
    lines = [""]
    for word in text.split():
        longer = f"{lines[-1]} {word}".strip()
        if lines[-1] and words_width(longer, size_px) > width_px:
            lines.append(word)
        else:
            lines[-1] = longer
    return lines


def write(
    pixels: Pixels, text: str, place: tuple[float, float], size_px: float, colour: Colour
) -> None:
    """A line of text with its box's top left at `place` (x, y), in place; cut off at the rim."""
    mask = _words(text, max(6, round(size_px)))
    x, y = round(place[0]), round(place[1])
    rows, cols = pixels.shape[:2]
    mask = mask[max(0, -y) : max(0, rows - y), max(0, -x) : max(0, cols - x)]
    if mask.size:
        x, y = max(0, x), max(0, y)
        patch = pixels[y : y + mask.shape[0], x : x + mask.shape[1]]
        share = mask[:, :, None].astype(np.float32) / 255
        patch[...] = np.round(patch + (np.array(colour, np.float32) - patch) * share)


def _words(text: str, size: int) -> Pixels:
    """Coverage of one line of text, 0 to 255; drawn larger and averaged down, so it is smooth."""
    big = size * _OVER
    cols = int(words_width(text, big)) + big // 2
    sheet = Image.new("L", (cols, int(big * _LINE_HEIGHT)), 0)
    pen = ImageDraw.Draw(sheet)
    face, x, base = _face(big), 0.0, _BASE * big
    for letter, marks in _letters(text):
        if letter in _DRAWN_WIDTHS:
            _draw_sign(pen, letter, x, base, big)
        else:
            stem = "ı" if letter == "i" and marks and _has_glyph("ı") else letter
            pen.text((x, base), stem, fill=255, font=face, anchor="ls")
        top = base - (_CAP_HEIGHT if letter.isupper() or letter in "bdfhklt" else _X_HEIGHT) * big
        for mark in marks:
            _draw_mark(pen, mark, x + _advance(letter) * big / 2, (top, base), big)
        x += _advance(letter) * big
    small = (max(1, cols // _OVER), max(1, int(big * _LINE_HEIGHT) // _OVER))
    return np.asarray(cv2.resize(np.asarray(sheet), small, interpolation=cv2.INTER_AREA), np.uint8)


def _draw_sign(pen: ImageDraw.ImageDraw, sign: str, x: float, base: float, em: float) -> None:
    """A sign that the face lacks."""
    width, thick, y = _DRAWN_WIDTHS[sign] * em, max(1, round(0.075 * em)), base - 0.26 * em
    left, right = x + 0.1 * em, x + width - 0.1 * em
    half = (right - left) / 2
    if sign == "×":
        pen.line((left, y - half, right, y + half), 255, thick)
        pen.line((left, y + half, right, y - half), 255, thick)
    elif sign == "·":
        dot = 0.06 * em
        pen.ellipse((x + width / 2 - dot, y - dot, x + width / 2 + dot, y + dot), 255)
    else:
        pen.line((left, y, right, y), 255, thick)
    if sign == "→":
        pen.line((right - 0.22 * em, y - 0.22 * em, right, y), 255, thick)
        pen.line((right - 0.22 * em, y + 0.22 * em, right, y), 255, thick)


def _draw_mark(
    pen: ImageDraw.ImageDraw, mark: str, x: float, heights: tuple[float, float], em: float
) -> None:
    """An accent over the middle x of a letter that reaches from the first height to the second."""
    top, base = heights
    y, thick = top - 0.13 * em, max(1, round(0.065 * em))
    wide, tall, dot = 0.13 * em, 0.06 * em, 0.05 * em
    if mark == "\u0308":  # diaeresis
        for side in (x - wide, x + wide):
            pen.ellipse((side - dot, y - dot, side + dot, y + dot), 255)
    elif mark == "\u030a":  # ring
        size = 0.095 * em
        pen.ellipse((x - size, y - size, x + size, y + size), None, 255, thick)
    elif mark in "\u0327\u0328":  # cedilla, ogonek
        pen.line((x, base, x - 0.3 * wide, base + 0.16 * em), 255, thick)
    else:
        strokes = {
            "\u0301": ((-0.5, 1), (0.6, -1)),
            "\u0300": ((-0.6, -1), (0.5, 1)),
            "\u0302": ((-1, 1), (0, -1), (1, 1)),
            "\u030c": ((-1, -1), (0, 1), (1, -1)),
            "\u0303": ((-1, 0.6), (-0.4, -0.4), (0.4, 0.4), (1, -0.6)),
            "\u0304": ((-1, 0), (1, 0)),
        }.get(mark, ())
        pen.line([(x + dx * wide, y + dy * tall) for dx, dy in strokes] or [(x, y)], 255, thick)


def not_ready_band(stamp: Stamp, cols: int, em: float, colour: Colour) -> list[Pixels]:
    """A band over a picture that can't be overlooked, with the reasons; none where all is well."""
    if not stamp.not_ready:
        return []
    white = (255, 255, 255)
    lines = [line for reason in stamp.not_ready for line in wrapped(reason, em, cols - 2 * em)]
    band = np.full((round((3.8 + 1.45 * len(lines)) * em), cols, 3), colour, np.uint8)
    large = min(2.2 * em, (cols - 2 * em) / words_width("NOT READY TO CUT", 1))
    write(band, "NOT READY TO CUT", (em, 0.3 * em), large, white)
    for n, line in enumerate(lines):
        write(band, line, (em, (3.2 + 1.45 * n) * em), em, white)
    return [band]
