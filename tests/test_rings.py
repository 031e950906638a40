"""Rings of ink: where they run, how they nest, and that they never cross."""

from __future__ import annotations

import math

import cv2
import numpy as np
import numpy.typing as npt
import pytest
import scipy.ndimage
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from raster2path.geometry import Points, signed_area
from raster2path.model import Ink, Level
from raster2path.picture import rings as room
from raster2path.picture.rings import trace_rings

Bools = npt.NDArray[np.bool_]


def two_tone(mask: Bools) -> Ink:
    return Ink(mask, mask.astype(np.float32), is_photograph=False, blur_px=0.3, pen_px=5.0)


def covered(outline: Points, *, shape: tuple[int, int], over: int = 16) -> Level:
    """How much of each pixel a polygon covers: the mean of a drawing with its rim and one without.

    OpenCV fills every fine pixel that the rim touches, half a fine pixel too much.
    """
    ring = [np.round((outline * over - 0.5) * 64).astype(np.int32).reshape(-1, 1, 2)]
    fat = np.zeros((shape[0] * over, shape[1] * over), np.uint8)
    cv2.fillPoly(fat, ring, (255,), shift=6)
    rim = np.zeros_like(fat)
    cv2.polylines(rim, ring, isClosed=True, color=(255,), thickness=1, shift=6)
    both = [cv2.resize(f, shape[::-1], interpolation=cv2.INTER_AREA) for f in (fat, fat - rim)]
    return np.asarray((both[0].astype(np.float32) + both[1]) / 510, np.float32)


def photographed(level: Level, *, noise: float = 0.03) -> Ink:
    rng = np.random.default_rng(7)
    grey = cv2.GaussianBlur(level, (0, 0), 1.3) + rng.normal(0, noise, level.shape)
    soft = grey.astype(np.float32)
    return Ink(soft > 0.5, soft, is_photograph=True, blur_px=1.3, pen_px=5.0)


def drawn(level: Level) -> Ink:
    return Ink(level > 0.5, level, is_photograph=False, blur_px=0.3, pen_px=5.0)


def distance_px(points: Points, outline: Points) -> npt.NDArray[np.float64]:
    line = shapely.LinearRing(outline)
    return np.asarray(shapely.distance(line, shapely.points(points)), np.float64)


TURN = np.linspace(0, 2 * np.pi, 720, endpoint=False)
CIRCLE = np.column_stack([60.3 + 40 * np.cos(TURN), 58.7 + 40 * np.sin(TURN)])
PENTAGON = np.array([[20.2, 30], [110, 22.4], [118.6, 100], [60, 80.5], [22, 110.1]])


@pytest.mark.parametrize("outline", [CIRCLE, PENTAGON], ids=["circle", "pentagon"])
def test_an_edge_lies_where_it_was_drawn(outline: Points) -> None:
    """Independent reference: the analytic outline, drawn by exact coverage."""
    level = covered(outline, shape=(130, 130))
    (clean,) = trace_rings(drawn(level)).rings
    (photo,) = trace_rings(photographed(level)).rings
    assert distance_px(clean.points_px, outline).mean() < 0.05
    assert distance_px(photo.points_px, outline).mean() < 0.065
    assert distance_px(photo.points_px, outline).max() < 1.1  # a corner, rounded by the blur


def test_the_level_is_measured_in_the_middle_of_the_pixels() -> None:
    """Ink of 10 x 8 pixels from (4, 3): 4 to 14 across, 3 to 11 down, corners rounded."""
    mask = np.zeros((16, 20), np.bool_)
    mask[3:11, 4:14] = True
    (ring,) = trace_rings(two_tone(mask)).rings
    box = [*ring.points_px.min(axis=0), *ring.points_px.max(axis=0)]
    assert box == pytest.approx([4, 3, 14, 11], abs=0.12)
    assert signed_area(ring.points_px) == pytest.approx(80, abs=6)


def test_a_two_tone_circle_has_its_area() -> None:
    mask = covered(CIRCLE, shape=(130, 130)) > 0.5
    (ring,) = trace_rings(two_tone(mask)).rings
    assert signed_area(ring.points_px) == pytest.approx(math.pi * 1600, rel=0.003)
    assert distance_px(ring.points_px, CIRCLE).mean() < 0.2


def test_ink_is_on_the_right_and_holes_turn_the_other_way() -> None:
    level = covered(CIRCLE, shape=(130, 130))
    level = level - covered((CIRCLE - (60.3, 58.7)) / 2 + (60.3, 58.7), shape=(130, 130))
    outer, hole = sorted(trace_rings(drawn(level)).rings, key=lambda r: -len(r.points_px))
    assert signed_area(outer.points_px) == pytest.approx(math.pi * 1600, rel=0.003)
    assert signed_area(hole.points_px) == pytest.approx(-math.pi * 400, rel=0.005)


def test_points_are_a_pixel_apart_and_the_first_is_not_repeated() -> None:
    (ring,) = trace_rings(photographed(covered(PENTAGON, shape=(130, 130)))).rings
    step = np.hypot(*(np.roll(ring.points_px, -1, axis=0) - ring.points_px).T)
    assert step.min() > 0.5
    assert step.max() < 1.1


def test_ink_at_the_rim_is_closed_along_the_rim() -> None:
    mask = np.ones((20, 30), np.bool_)
    (ring,) = trace_rings(two_tone(mask)).rings
    assert signed_area(ring.points_px) == pytest.approx(600, abs=3)
    box = [*ring.points_px.min(axis=0), *ring.points_px.max(axis=0)]
    assert box == pytest.approx([0, 0, 30, 20], abs=0.01)


def test_no_ink_gives_no_rings() -> None:
    assert trace_rings(two_tone(np.zeros((9, 9), np.bool_))).rings == ()


def test_dust_is_left_out() -> None:
    mask = np.zeros((30, 30), np.bool_)
    mask[2:5, 2:5] = True
    mask[10:20, 10:20] = True
    assert len(trace_rings(two_tone(mask)).rings) == 1
    assert len(trace_rings(two_tone(mask), least_area_px=3).rings) == 2


def test_a_line_one_pixel_wide_is_one_ring() -> None:
    mask = np.zeros((12, 40), np.bool_)
    mask[6, 3:35] = True
    (ring,) = trace_rings(two_tone(mask), least_area_px=0).rings
    assert shapely.Polygon(ring.points_px).is_valid
    assert signed_area(ring.points_px) > 10


@settings(max_examples=60, deadline=None)
@given(hnp.arrays(np.bool_, st.tuples(st.integers(1, 14), st.integers(1, 14))))
def test_pixel_boundaries_hold_as_many_pieces_as_there_are(mask: Bools) -> None:
    """Independent reference: pieces and holes counted by scipy.ndimage.label."""
    cracks = room._pixel_boundaries(mask)
    pieces = scipy.ndimage.label(mask, np.ones((3, 3)))[1]
    holes = scipy.ndimage.label(~np.pad(mask, 1))[1] - 1
    areas = cracks.areas()
    assert int((areas > 0).sum()) == pieces
    assert int((areas < 0).sum()) == holes
    inside = mask & np.roll(np.pad(mask, 1), 1, axis=0)[1:-1, 1:-1]
    sides = 4 * mask.sum() - 2 * inside.sum() - 2 * (mask[:, 1:] & mask[:, :-1]).sum()
    assert len(cracks.points) == sides  # every side between ink and paper, once


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 10_000), st.sampled_from([0.6, 1.0, 2.0]), st.booleans())
def test_rings_never_cross(seed: int, grain_px: float, is_photograph: bool) -> None:  # noqa: FBT001 (hypothesis fills it in)
    """Whatever the blots, each ring is simple and none touches another."""
    rng = np.random.default_rng(seed)
    blots = scipy.ndimage.gaussian_filter(rng.normal(size=(60, 70)), grain_px)
    level = np.clip(0.5 + blots / blots.std() / 2, 0, 1).astype(np.float32)
    ink = Ink(level > 0.5, level, is_photograph=is_photograph, blur_px=1.0, pen_px=3.0)
    rings = trace_rings(ink, least_area_px=2.0).rings
    lines = [shapely.LinearRing(ring.points_px) for ring in rings]
    assert all(shapely.Polygon(line).is_valid for line in lines)
    one, _ = shapely.STRtree(lines).query(lines, predicate="intersects")
    assert len(one) == len(lines)  # each meets only itself


@settings(max_examples=15, deadline=None)
@given(st.integers(0, 10_000))
def test_mirroring_the_picture_mirrors_the_rings(seed: int) -> None:
    rng = np.random.default_rng(seed)
    blots = scipy.ndimage.gaussian_filter(rng.normal(size=(50, 50)), 4)
    level = np.clip(0.5 + blots / blots.std(), 0, 1).astype(np.float32)
    plain = trace_rings(drawn(level)).rings
    mirrored = trace_rings(drawn(level[:, ::-1].copy())).rings
    want = sorted((signed_area(r.points_px), _length(r.points_px)) for r in plain)
    got = sorted(signed_area(ring.points_px) for ring in mirrored)
    assert len(got) == len(want)
    for area, (mirror, length) in zip(got, want, strict=True):
        assert abs(area - mirror) < 0.01 * length  # edges within a hundredth of a pixel


def _length(points: np.ndarray) -> float:
    return float(np.linalg.norm(points - np.roll(points, 1, axis=0), axis=1).sum())


def test_noise_is_measured() -> None:
    """Points scattered by a known amount, on a circle and on a square with its corners."""
    rng = np.random.default_rng(3)
    square = np.array([[x, 0.0] for x in range(100)])
    sides = [square, square[:, ::-1] + (100, 0), (100, 100) - square, (0, 100) - square[:, ::-1]]
    big = np.linspace(0, 2 * np.pi, 600, endpoint=False)
    circle = np.column_stack([np.cos(big), np.sin(big)]) * 95
    for outline in (np.concatenate(sides), circle):
        points = outline + rng.normal(0, 0.3, outline.shape)
        sizes = np.array([len(points)])
        (noise,) = room._noise(room._Chains(points, np.array([0]), sizes))
        assert noise == pytest.approx(0.3, rel=0.15)


def test_noise_grows_with_the_picture() -> None:
    level = covered(CIRCLE, shape=(130, 130))
    quiet = trace_rings(photographed(level, noise=0.01)).rings[0].noise_px
    loud = trace_rings(photographed(level, noise=0.06)).rings[0].noise_px
    assert 0 < quiet < 0.03 < loud < 0.2


def test_edges_in_whole_pixels_are_not_believed_too_far() -> None:
    """A disc without greys; its edge is known to a pixel's quantisation error, 1 / sqrt(12)."""
    y, x = np.mgrid[0:300, 0:300] + 0.5
    inside = (x - 150) ** 2 + (y - 150) ** 2 < 100**2
    (ring,) = trace_rings(two_tone(inside)).rings
    off = np.abs(np.hypot(*(ring.points_px - 150).T) - 100)
    assert 0.2 < ring.noise_px < 0.3
    assert float(np.sqrt((off**2).mean())) < ring.noise_px
