"""Numbers, places and marks as SVG text. Private to `guides`."""

from __future__ import annotations

import re

from raster2path.guides.colours import Mark

_UNWRITABLE = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def writable(text: str) -> str:
    """The text without characters that XML cannot carry."""
    return _UNWRITABLE.sub(" ", text)


def number(value: float) -> str:
    """Three decimals, and never a negative zero."""
    text = f"{value:.3f}"
    return "0.000" if text == "-0.000" else text


def short(value: float) -> str:
    """As `number`, without the zeros at the end."""
    return number(value).rstrip("0").rstrip(".")


def at(z: complex) -> str:
    """A point as `x,y`."""
    return f"{number(z.real)},{number(z.imag)}"


def text_width(text: str, font_mm: float) -> float:
    """How wide a line of sans-serif text is at most, in mm: a wide face's average letter."""
    return 0.6 * font_mm * len(text)


def mark_data(mark: Mark, centre: complex, radius_mm: float) -> str:
    """A kind's mark as path data, inside a ring of this radius; all of them show the middle."""
    if mark is Mark.SQUARE:
        half = 0.55 * radius_mm
        corners = [centre + half * z for z in (-1 - 1j, 1 - 1j, 1 + 1j, -1 + 1j)]
        dot = 0.12 * radius_mm
        square = "M " + " L ".join(map(at, corners)) + " Z"
        return f"{square} M {at(centre - dot)} H {number(centre.real + dot)}"
    arm = radius_mm * (1 if mark is Mark.PLUS else 1j**0.5)
    ends = [centre + arm * turn for turn in (1, -1, 1j, -1j)]
    return f"M {at(ends[0])} L {at(ends[1])} M {at(ends[2])} L {at(ends[3])}"
