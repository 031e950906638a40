"""Millimetres or inches, in words and on rules; everything is reckoned in millimetres."""

from __future__ import annotations

import re
from enum import Enum

MM_PER_INCH = 25.4
"""Exactly, by the international yard and pound agreement of 1959."""

KG_PER_POUND = 0.45359237
"""Exactly, by the same."""

_NUMBER = r"\d+(?:\.\d+)?"
_CHAIN = rf"(?:{_NUMBER}(?: mm)?(?: × | x | to | and | or |–))*{_NUMBER}"
_IN_BOTH = r"(?! \([\d.]+ in\))"
_PLACE = re.compile(rf"(?<=\bat )({_NUMBER}, {_NUMBER}) mm\b{_IN_BOTH}")
_BARE = re.compile(rf"({_NUMBER})(?= (?:from the left|below the top))")
_LENGTHS = re.compile(rf"(?<![\w.,])({_CHAIN}) (mm²|mm/min|mm|m|kg)(?![\w²/]){_IN_BOTH}")
_EACH = re.compile(rf"({_NUMBER})(?: mm)?")


class Units(Enum):
    """What lengths and masses are told in."""

    MM = "mm"
    INCH = "in"

    def told(self, text: str) -> str:
        """A sentence whose lengths and masses are in millimetres, metres and kilograms, in these.

        What is told in both already, as `600 mm (23.6 in)`, stays as it is.
        """
        if self is Units.MM:
            return text
        text = _PLACE.sub(lambda found: f"{_each(found[1], 1 / MM_PER_INCH)} in", text)
        text = _BARE.sub(lambda found: _each(found[1], 1 / MM_PER_INCH), text)
        return _LENGTHS.sub(_in_inches, text)

    @property
    def rules(self) -> tuple[tuple[float, str, int], ...]:
        """Rules to check the scale by, longest first: mm, the words at it, how many parts.

        Every fifth tick of a metric rule and every fourth of the other is a long one.
        """
        if self is Units.MM:
            return tuple((float(mm), f"{mm} mm", mm // 10) for mm in (100, 50, 20))
        return tuple((inch * MM_PER_INCH, f"{inch} in", 4 * inch) for inch in (4, 2, 1))

    @property
    def square_mm(self) -> float:
        """Side of a grid's squares on a sheet, by which it is checked: 100 mm or 4 in."""
        return 100.0 if self is Units.MM else 4 * MM_PER_INCH

    @property
    def ticks_to_long(self) -> int:
        """Every how many ticks of a rule one is long."""
        return 5 if self is Units.MM else 4


_FACTORS = {
    "mm": (1 / MM_PER_INCH, "in"),
    "mm/min": (1 / MM_PER_INCH, "in/min"),
    "mm²": (1 / MM_PER_INCH**2, "in²"),
    "m": (1000 / MM_PER_INCH / 12, "ft"),
    "kg": (1 / KG_PER_POUND, "lb"),
}


def _in_inches(found: re.Match[str]) -> str:
    factor, unit = _FACTORS[found[2]]
    return f"{_each(found[1], factor)} {unit}"


def _each(numbers: str, factor: float) -> str:
    return _EACH.sub(lambda one: _short(float(one[1]) * factor), numbers)


def _short(value: float) -> str:
    """To a hundredth, small ones to a thousandth; to a tenth from ten, as those were whole mm."""
    if value == 0:
        return "0"
    digits = 1 if value >= 10 else 2 if value >= 0.2 else 3
    return f"{value:.{digits}f}"
