"""Colours that a colour-blind maker can tell apart, and how strongly they stand out.

The set is Okabe & Ito, "Color Universal Design (CUD): How to make figures and presentations that
are friendly to colorblind people", 2008. Contrast is that of WCAG 2.2 (relative luminance and
contrast ratio); 3.0 is asked of graphics there, 4.5 of text.

Colour is never the only code: each kind also has its own weight and its own mark at the pierce.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

from raster2path.geometry import Kind

OKABE_ITO = {
    "black": "#000000",
    "orange": "#E69F00",
    "sky blue": "#56B4E9",
    "bluish green": "#009E73",
    "yellow": "#F0E442",
    "blue": "#0072B2",
    "vermillion": "#D55E00",
    "reddish purple": "#CC79A7",
}

LEAST_CONTRAST = 3.0
"""What WCAG 2.2 (success criterion 1.4.11) asks of graphics."""


class Mark(Enum):
    """What stands in the ring at the pierce, so that kinds read without colour."""

    PLUS = "plus"
    TIMES = "times"
    SQUARE = "square"


@dataclass(frozen=True, slots=True)
class Ink:
    """How the torch line of one kind is drawn."""

    colour: str
    width_mm: float
    mark: Mark
    word: str


@dataclass(frozen=True, slots=True)
class Palette:
    """One set of colours for one ground.

    Attributes:
        ground: what everything is drawn on.
        metal: the pale fill of what stays.
        kinds: one ink for each `Kind`.
        aid: numerals, rules, legend and whatever is not cut.
        tie: fill of a tie.
        alarm: what keeps the sign from being cut.
    """

    ground: str
    metal: str
    kinds: tuple[Ink, Ink, Ink]
    aid: str
    tie: str
    alarm: str

    def ink(self, kind: Kind) -> Ink:
        """The ink of a kind."""
        return self.kinds[kind]


def rgb(colour: str) -> tuple[int, int, int]:
    """Red, green and blue, 0 to 255, of a colour written `#RRGGBB`."""
    if len(colour) != 7 or not colour.startswith("#"):
        raise ValueError(f"expected a colour such as #0072B2, not {colour!r}")
    red, green, blue = bytes.fromhex(colour[1:])
    return red, green, blue


def luminance(colour: str) -> float:
    """Relative luminance by WCAG 2.2: 0 for black, 1 for white."""

    def linear(level: int) -> float:
        c = level / 255
        return c / 12.92 if c <= 0.04045 else float(((c + 0.055) / 1.055) ** 2.4)

    red, green, blue = (linear(level) for level in rgb(colour))
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    """Contrast ratio by WCAG 2.2, 1 (the same) to 21 (black on white), either way round."""
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


# Flowing lines are the most, so they are 0.7 mm, as wide as a marking pen's; lettering is the
# strictest and so the heaviest; ruled lines are fine and black, as drawn with an instrument.
PAPER = Palette(
    ground="#FFFFFF",
    metal="#DFE5EA",
    kinds=(
        Ink(OKABE_ITO["blue"], 0.7, Mark.PLUS, "flowing"),
        Ink(OKABE_ITO["vermillion"], 1.0, Mark.TIMES, "lettering"),
        Ink(OKABE_ITO["black"], 0.5, Mark.SQUARE, "ruled"),
    ),
    aid="#333333",
    tie="#F5DFA8",
    alarm=OKABE_ITO["vermillion"],
)
"""For files: white paper."""

# A projector adds light: its black is the unlit steel, and what must stand out from that is its own
# light. Blue and vermillion are dim there and vermillion on a lit mid-grey is invisible (1.02).
STEEL = Palette(
    ground="#000000",
    metal="#26292C",
    kinds=(
        Ink(OKABE_ITO["sky blue"], 2.0, Mark.PLUS, "flowing"),
        Ink(OKABE_ITO["yellow"], 2.5, Mark.TIMES, "lettering"),
        Ink("#FFFFFF", 1.5, Mark.SQUARE, "ruled"),
    ),
    aid="#FFFFFF",
    tie="#5A4A1E",
    alarm=OKABE_ITO["orange"],
)
"""For light: a projector on grey steel, where black is what it leaves unlit."""
