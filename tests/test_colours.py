"""Lines must stand out on their ground, to every eye, and on a black-and-white print."""

from itertools import combinations

import pytest

from raster2path.geometry import Kind
from raster2path.guides.colours import (
    LEAST_CONTRAST,
    OKABE_ITO,
    PAPER,
    STEEL,
    Palette,
    contrast,
    luminance,
    rgb,
)

# Worked by hand from the WCAG 2.2 formula: relative luminance, on black, on white
WORKED = {
    "black": (0.0, 1.0, 21.0),
    "orange": (0.4162, 9.32, 2.25),
    "sky blue": (0.4050, 9.10, 2.31),
    "bluish green": (0.2569, 6.14, 3.42),
    "yellow": (0.7441, 15.88, 1.32),
    "blue": (0.1525, 4.05, 5.19),
    "vermillion": (0.2215, 5.43, 3.87),
    "reddish purple": (0.2930, 6.86, 3.06),
}


@pytest.mark.parametrize("name", WORKED)
def test_contrast_follows_the_published_formula(name: str) -> None:
    worked = WORKED[name]
    colour = OKABE_ITO[name]
    assert luminance(colour) == pytest.approx(worked[0], abs=6e-5)
    assert contrast(colour, "#000000") == pytest.approx(worked[1], abs=6e-3)
    assert contrast("#FFFFFF", colour) == pytest.approx(worked[2], abs=6e-3)


def test_vermillion_vanishes_on_mid_grey_steel() -> None:
    """So paper's colours can't be projected (by WCAG 2.2: 1.02 and 2.99)."""
    assert contrast(OKABE_ITO["vermillion"], "#808080") == pytest.approx(1.02, abs=5e-3)
    assert contrast(OKABE_ITO["yellow"], "#808080") == pytest.approx(2.99, abs=6e-3)


@pytest.mark.parametrize("palette", [PAPER, STEEL])
def test_torch_lines_stand_out_on_ground_and_metal(palette: Palette) -> None:
    for kind in Kind:
        ink = palette.ink(kind)
        assert contrast(ink.colour, palette.ground) >= LEAST_CONTRAST
        assert contrast(ink.colour, palette.metal) >= LEAST_CONTRAST
    assert contrast(palette.aid, palette.ground) >= 4.5
    assert contrast(palette.aid, palette.metal) >= 4.5
    assert contrast(palette.aid, palette.tie) >= 4.5
    assert contrast(palette.alarm, palette.ground) >= LEAST_CONTRAST


@pytest.mark.parametrize("palette", [PAPER, STEEL])
def test_kinds_differ_in_more_than_colour(palette: Palette) -> None:
    for a, b in combinations((palette.ink(kind) for kind in Kind), 2):
        assert a.mark is not b.mark
        assert abs(a.width_mm - b.width_mm) >= 0.19
        assert a.word != b.word
        assert a.colour != b.colour


@pytest.mark.parametrize("palette", [PAPER, STEEL])
def test_kinds_come_from_the_colour_vision_safe_set(palette: Palette) -> None:
    safe = {*OKABE_ITO.values(), "#FFFFFF"}
    assert {palette.ink(kind).colour for kind in Kind} <= safe


def test_rgb_reads_and_refuses() -> None:
    assert rgb("#0072B2") == (0, 114, 178)
    with pytest.raises(ValueError, match="expected a colour such as #0072B2, not '0072B2'"):
        rgb("0072B2")
    with pytest.raises(ValueError, match="expected a colour"):
        rgb("#FFF")
