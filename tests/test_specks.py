"""What is too small for the torch at the sign's size is left out, and counted."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from raster2path.model import Dark, PixelRing, PixelRings
from raster2path.picture.specks import TEXTURE, without_specks


def ring(x: float, y: float, width_px: float, *, is_hole: bool = False) -> PixelRing:
    """A circle; ink lies to the right of travel."""
    t = np.linspace(0, 2 * np.pi, 60, endpoint=False) * (-1 if is_hole else 1)
    points = np.column_stack([x + width_px / 2 * np.cos(t), y + width_px / 2 * np.sin(t)])
    return PixelRing(points, 0.1)


BODY = ring(500, 500, 900)


def kept(*rings: PixelRing, mm_per_px: float = 0.5, region: Dark = Dark.METAL) -> PixelRings:
    return without_specks(
        PixelRings((BODY, *rings), 1.0),
        mm_per_px=mm_per_px,
        region=region,
        kerf_mm=1.5,
        least_metal_mm=5.0,
    )


def pins(n: int, width_px: float) -> list[PixelRing]:
    return [ring(200 + 20 * k, 500, width_px, is_hole=True) for k in range(n)]


def test_a_hole_narrower_than_the_kerf_is_closed_and_told() -> None:
    found = kept(ring(300, 300, 2.9, is_hole=True), ring(600, 300, 3.1, is_hole=True))
    assert [len(found.rings), found.rings[0]] == [2, BODY]
    assert found.notes[0].sentence == "1 pin-hole that no torch can cut was closed"


def test_few_small_holes_were_drawn_but_many_are_texture() -> None:
    assert len(kept(*pins(TEXTURE - 1, 5.5)).rings) == TEXTURE
    found = kept(*pins(TEXTURE, 5.5), ring(800, 500, 6.5, is_hole=True))
    assert len(found.rings) == 2
    assert found.notes[0].sentence == f"{TEXTURE} pin-holes were closed"


def test_dots_that_fall_out_are_no_texture() -> None:
    dots = [ring(1000 + 20 * k, 500, 5.5) for k in range(TEXTURE)]
    found = kept(*dots, region=Dark.OPENING)
    assert len(found.rings) == TEXTURE + 1
    assert not found.notes


def test_metal_that_no_tie_could_hold_goes_with_the_hole_in_it() -> None:
    found = kept(ring(1100, 100, 9.8), ring(1100, 100, 8, is_hole=True), ring(1200, 100, 10.2))
    assert len(found.rings) == 2
    assert found.notes[0].sentence == "1 speck of metal smaller than a tie left out"


def test_a_larger_sign_keeps_them() -> None:
    rings = [*pins(TEXTURE, 5.5), ring(1100, 100, 9.8)]
    assert len(kept(*rings).rings) == 1
    larger = kept(*rings, mm_per_px=1.2)
    assert len(larger.rings) == len(rings) + 1
    assert not larger.notes


@pytest.mark.parametrize("region", list(Dark))
def test_the_largest_always_stays(region: Dark) -> None:
    assert len(kept(mm_per_px=1e-4, region=region).rings) == 1


@settings(max_examples=40, deadline=None)
@given(
    st.lists(st.floats(2, 60), min_size=1, max_size=30),
    st.sampled_from(Dark),
    st.floats(0.05, 2),
)
def test_what_is_left_alternates_and_what_is_gone_is_small(
    widths: list[float], region: Dark, mm_per_px: float
) -> None:
    """Nested discs side by side: after any dropping, a hole still lies in ink that is there."""
    pieces = [ring(1200 + 80 * k, 100, w) for k, w in enumerate(widths)]
    holes = [ring(1200 + 80 * k, 100, 0.7 * w, is_hole=True) for k, w in enumerate(widths)]
    found = kept(*pieces, *holes, region=region, mm_per_px=mm_per_px)
    left = {id(r) for r in found.rings}
    for piece, hole, width in zip(pieces, holes, widths, strict=True):
        assert id(piece) in left or id(hole) not in left
        if id(piece) not in left:
            assert width * mm_per_px < max(5.0, 5 * math.sqrt(2 / math.pi)) + 0.1
