"""Which way letters stand: told by their line of text, then by their own straights."""

from __future__ import annotations

import cmath
import math

import pytest

from raster2path.geometry import Kind, Path, circle, polygon
from raster2path.model import TextRow
from raster2path.shape._levels import levels_of


def turned(path: Path, degrees: float) -> Path:
    return path.mapped(cmath.rect(1, math.radians(degrees)), 300 + 200j)


def row(*degrees: float) -> TextRow:
    directions = tuple(cmath.rect(1, math.radians(each)) for each in degrees)
    return TextRow(tuple(range(len(degrees))), (), directions, 300 + 200j, 50.0, 0.95)


def degrees(direction: complex) -> float:
    return math.degrees(cmath.phase(direction))


STEM = polygon([0j, 12 + 0j, 12 + 50j, 50j], Kind.LETTERING)
ROUND = circle(0, 25, Kind.LETTERING)


@pytest.mark.parametrize("angle", [-140.0, -30.0, 20.0, 75.0])
def test_a_letters_own_straights_say_it_exactly(angle: float) -> None:
    levels = levels_of([row(angle + 2.5)], [turned(STEM, angle)])
    assert degrees(levels[0]) == pytest.approx(angle, abs=0.01)


def test_a_round_letter_stands_as_its_line_of_text() -> None:
    levels = levels_of([row(31.0)], [turned(ROUND, 0)])
    assert degrees(levels[0]) == pytest.approx(31.0)


def test_a_lean_that_nobody_sees_is_level() -> None:
    assert levels_of([row(0.8)], [turned(STEM, 0.6)])[0] == 1


def test_what_leans_further_is_italic_and_not_a_turn() -> None:
    slanted = polygon([0j, 12 + 0j, 26 + 50j, 14 + 50j], Kind.LETTERING)
    levels = levels_of([row(20.0)], [turned(slanted, 20)])
    assert degrees(levels[0]) == pytest.approx(20.0, abs=0.01)
