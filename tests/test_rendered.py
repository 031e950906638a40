"""What a picture makes of a fitted edge; shapely's areas and the normal law are the reference."""

from __future__ import annotations

import math
from statistics import NormalDist

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from raster2path.geometry import polygon, to_points
from raster2path.shape._rendered import coverage, rendered

BLUR = 1.2


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 10_000), st.integers(3, 14))
def test_coverage_is_the_area_in_each_pixel(seed: int, n: int) -> None:
    rng = np.random.default_rng(seed)
    turn = np.sort(rng.uniform(0, 2 * np.pi, n))
    star = (3 + 6 * rng.uniform(size=n)) * np.exp(1j * turn) + rng.uniform(-2, 14) + 7j
    shape = shapely.Polygon(to_points(star))
    x, y = np.meshgrid(np.arange(12.0), np.arange(14.0))
    pixels = shapely.box(x, y, x + 1, y + 1)
    found = coverage([np.asarray(star)], (14, 12))
    signed = 0.5 * float((star.conj() * np.roll(star, -1)).imag.sum())
    if not shape.is_valid:
        return
    truth = shapely.area(shapely.intersection(shape, pixels)) * math.copysign(1, signed)
    assert np.abs(found - truth).max() < 1e-9


def test_a_hole_is_taken_out_of_what_is_round_it() -> None:
    outer = np.array([1 + 1j, 9 + 1j, 9 + 9j, 1 + 9j])
    inner = np.array([3.5 + 3j, 3.5 + 6j, 6 + 6j, 6 + 3j])
    assert coverage([outer, inner], (10, 10)).sum() == pytest.approx(64 - 7.5)


def test_points_beside_a_straight_edge_stay_where_they_are() -> None:
    square = polygon([10.3 + 10.7j, 50.3 + 10.7j, 50.3 + 50.7j, 10.3 + 50.7j])
    off = 0.15
    z = np.concatenate(
        [
            10.3 + 8 + np.arange(24) + (10.7 + off) * 1j,
            50.3 - off + (10.7 + 8 + np.arange(24)) * 1j,
            10.3 + 32 - np.arange(24) + (50.7 - off) * 1j,
            10.3 + off + (10.7 + 32 - np.arange(24)) * 1j,
        ]
    )
    view = rendered(z, square, [], BLUR)
    assert np.abs(view.unblurred - z).reshape(4, -1)[:, 4:-4].max() < 0.03
    assert view.misfit == pytest.approx(off, abs=0.03)


def test_blur_is_taken_off_a_corner() -> None:
    """The contour of a blurred right angle lies where both edges' normal laws make a half."""
    law = NormalDist(0, BLUR)
    corner = 20.4 + 20.6j
    square = polygon([corner, corner + 40, corner + 40 + 40j, corner + 40j])
    along = np.linspace(0.9, 20, 60)
    across = np.array([law.inv_cdf(0.5 / law.cdf(s)) for s in along])
    one = corner + along[::-1] * 1j + across[::-1]
    other = corner + along + across * 1j
    z = np.concatenate([one, other])
    view = rendered(z, square, [], BLUR)
    before = np.abs(across).max()
    sharp = view.unblurred[5:-5] - corner
    after = np.minimum(np.abs(sharp.real), np.abs(sharp.imag)).max()
    assert before > 0.4
    assert after < 0.12
