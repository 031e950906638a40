"""Letters keep straight stems, sharp corners and round bowls: measured against known outlines."""

from __future__ import annotations

import math
from functools import cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial import cKDTree

from raster2path.geometry import Arc, Kind, Line, Path, Points, Segment, to_complex, to_points
from raster2path.shape._pieces import Piece, Sight, Sums
from raster2path.shape._tidied import tidied
from raster2path.shape.straights import Drawn, fit_strict, fit_strict_run
from tests import glyphs


def strict(points: Points) -> Path:
    """The fit of a clean outline."""
    return fit_strict([Drawn(points, 0.05, 0.5, 0.5, Kind.LETTERING)])[0]


def strict_run(points: Points) -> tuple[Segment, ...]:
    """The fit of a clean open run."""
    return fit_strict_run(Drawn(points, 0.05, 0.5, 0.5, Kind.LETTERING))


def along(corners: list[complex], *, is_closed: bool = True, noise: float = 0.0) -> Points:
    """Points about a pixel apart on a polygon, with white noise."""
    ends = [*corners[1:], corners[0]] if is_closed else corners[1:]
    parts = [
        a + (b - a) * np.arange(n := max(1, round(abs(b - a)))) / n
        for a, b in zip(corners, ends, strict=False)
    ]
    z = np.concatenate([*parts, [] if is_closed else [corners[-1]]])
    rng = np.random.default_rng(4)
    return to_points(z + noise * (rng.standard_normal(len(z)) + 1j * rng.standard_normal(len(z))))


def regular(n: int, radius: float, turn: float = 0.1) -> list[complex]:
    return [150 + 130j + radius * np.exp(1j * (turn + 2 * math.pi * k / n)) for k in range(n)]


@cache
def lettering(
    text: str, height: float, blur: float, font: str
) -> tuple[glyphs.Truth, tuple[Path, ...], tuple[Points, ...]]:
    rings = glyphs.text_path(text, height, font)
    truth = glyphs.truth_of(rings, max(0.05 * height, 10))
    drawn = [
        np.concatenate([glyphs.bezier(to_complex(s), np.linspace(0, 1, 40)[:-1]) for s in ring])
        for ring in rings
    ]
    found = glyphs.contours(drawn, blur, noise=0.02 if blur > 0.5 else 0.0)
    paths = tuple(fit_strict([Drawn(c, 0.05, blur, 0.5, Kind.LETTERING) for c in found]))
    return truth, paths, tuple(found)


CASES = [
    ("HERON", 160.0, 0.4, "DejaVu Sans"),
    ("HERON", 160.0, 1.3, "DejaVu Sans"),
    ("Ferry", 140.0, 1.3, "DejaVu Serif"),
    ("KELP", 60.0, 0.4, "DejaVu Sans"),
]


@pytest.mark.parametrize("case", CASES)
def test_straights_of_letters_come_back_whole(case: tuple[str, float, float, str]) -> None:
    """Against the font's own outlines (DejaVu, carried by matplotlib)."""
    truth, paths, _ = lettering(*case)
    assert glyphs.n_whole(truth, list(paths)) >= 0.94 * len(truth.straights)


@pytest.mark.parametrize("case", CASES)
def test_corners_of_letters_are_found_and_none_made_up(case: tuple[str, float, float, str]) -> None:
    truth, paths, _ = lettering(*case)
    got = glyphs.corners_of(list(paths))
    gaps = np.abs(truth.corners[:, None] - got[None, :])
    assert (gaps.min(axis=1) < 1.5).mean() >= 0.95
    assert (gaps.min(axis=0) < 1.5).mean() >= 0.9


@pytest.mark.parametrize("case", CASES)
def test_letters_lie_on_the_true_outline(case: tuple[str, float, float, str]) -> None:
    truth, paths, _ = lettering(*case)
    off = glyphs.off_truth(truth, list(paths))
    assert off.mean() < 0.12
    assert off.max() < 3
    assert all(glyphs.is_smooth(path) for path in paths)
    assert sum(map(len, paths)) <= 1.15 * truth.n_pieces


def test_letters_beat_a_plain_polygon() -> None:
    """Ramer 1972 / Douglas & Peucker 1973, as in OpenCV's approxPolyDP, is the baseline to beat."""
    import cv2

    truth, paths, found = lettering(*CASES[1])
    polygons = []
    for points in found:
        corners = cv2.approxPolyDP(points.astype(np.float32)[:, None], 1.0, True)[:, 0]
        z = to_complex(corners)
        ends = zip(z.tolist(), np.roll(z, -1).tolist(), strict=True)
        polygons.append(Path(tuple(Line(a, b) for a, b in ends), True))
    assert glyphs.n_whole(truth, polygons) < glyphs.n_whole(truth, list(paths))
    assert (
        glyphs.off_truth(truth, polygons).mean() > 2 * glyphs.off_truth(truth, list(paths)).mean()
    )
    assert sum(map(len, polygons)) > sum(map(len, paths))


@pytest.mark.parametrize("n", [3, 4, 5, 6, 8, 12])
def test_regular_polygons_come_back_side_by_side(n: int) -> None:
    corners = regular(n, 80)
    path = strict(along(corners, noise=0.03))
    assert len(path) == n
    assert all(isinstance(s, Line) and s.kind is Kind.LETTERING for s in path)
    got = np.array([s.start for s in path])
    assert np.abs(np.array(corners)[:, None] - got).min(axis=1).max() < 0.25
    assert path.area == pytest.approx(n / 2 * 80**2 * math.sin(2 * math.pi / n), rel=2e-3)


@settings(max_examples=25, deadline=None)
@given(
    width=st.floats(14, 150),
    height=st.floats(14, 150),
    turn=st.floats(0, math.pi / 2),
    shift=st.floats(0, 1),
)
def test_turned_rectangles_come_back_as_four_lines(
    width: float, height: float, turn: float, shift: float
) -> None:
    """Whatever way a stem leans, it is straight, and its corners are where they were drawn."""
    spin = complex(math.cos(turn), math.sin(turn))
    box = [0j, width + 0j, complex(width, height), complex(0, height)]
    corners = [170 + shift + 160j + spin * (c - complex(width, height) / 2) for c in box]
    (points,) = glyphs.contours([np.array(corners)], blur=1.0)
    path = fit_strict([Drawn(points, 0.04, 1.0, 0.5, Kind.GEOMETRIC)])[0]
    assert len(path) == 4
    assert all(isinstance(s, Line) for s in path)
    got = np.array([s.start for s in path])
    assert np.abs(np.array(corners)[:, None] - got).min(axis=1).max() < 0.5


def test_travel_keeps_its_direction() -> None:
    points = along(regular(5, 60))
    assert strict(points).area > 0
    assert strict(points[::-1].copy()).area < 0


def test_a_stadium_is_two_lines_that_flow_into_its_ends() -> None:
    t = np.linspace(0, math.pi, 96)[1:-1]
    right, left = (
        200 + 100j + 30 * np.exp(1j * (t - math.pi / 2)),
        80 + 100j - 30 * np.exp(1j * (t - math.pi / 2)),
    )
    top, bottom = np.arange(80, 200) + 70j, np.arange(200, 80, -1) + 130j
    z = np.concatenate([top, right, bottom, left])
    path = strict(to_points(z))
    lines = glyphs.lines_of([path])
    assert len(lines) == 2
    for line in lines:
        assert abs(line.end - line.start) == pytest.approx(120, abs=8)
        assert abs((line.end - line.start).imag) < 0.3
    assert len(glyphs.corners_of([path], 2.0)) == 0
    assert path.area == pytest.approx(120 * 60 + math.pi * 900, rel=2e-3)


def test_a_circle_is_two_half_circles() -> None:
    z = 90 + 80j + 40 * np.exp(1j * np.linspace(0, 2 * math.pi, 252)[:-1])
    path = strict(to_points(z))
    assert [type(s) for s in path] == [Arc, Arc]
    assert path.area == pytest.approx(math.pi * 1600, rel=2e-3)
    assert strict(to_points(z[::-1])).area < 0


def test_small_marks_keep_their_corners() -> None:
    """The dot of an i, twelve pixels wide, blurred as by a lens."""
    corners = [20 + 20j, 32 + 20j, 32 + 33j, 20 + 33j]
    (points,) = glyphs.contours([np.array(corners)], blur=1.2)
    path = fit_strict([Drawn(points, 0.04, 1.2, 0.5, Kind.LETTERING)])[0]
    got = np.array([s.start for s in path])
    assert len(path) == 4
    assert np.abs(np.array(corners)[:, None] - got).min(axis=1).max() < 0.5


@pytest.mark.parametrize("inner_deg", [30, 45, 60, 90, 120])
def test_blur_does_not_shorten_a_tip(inner_deg: float) -> None:
    """The apex is where the sides meet, not where blur has pulled it back to."""
    half = math.radians(inner_deg) / 2
    reach = complex(70 * math.cos(half), 70 * math.sin(half))
    corners = [120 + 90j, 120 + 90j - reach.conjugate(), 120 + 90j - reach]
    (points,) = glyphs.contours([np.array(corners)], blur=1.3)
    path = fit_strict([Drawn(points, 0.05, 1.3, 0.5, Kind.LETTERING)])[0]
    drawn_gap = float(np.abs(to_complex(points) - corners[0]).min())
    gap = min(abs(s.start - corners[0]) for s in path)
    assert gap < max(0.35, 0.25 * drawn_gap)


def test_open_runs_keep_their_ends_to_the_bit() -> None:
    corners = [10.25 + 20.5j, 90 + 22j, 100 + 80j]
    points = along(corners, is_closed=False, noise=0.05)
    segments = strict_run(points)
    assert [type(s) for s in segments] == [Line, Line]
    assert segments[0].start == complex(*points[0])
    assert segments[-1].end == complex(*points[-1])
    assert segments[0].end == segments[1].start
    assert abs(segments[0].end - corners[1]) < 0.3


@pytest.mark.parametrize("n", [2, 3, 4, 6])
def test_shortest_runs_are_one_line(n: int) -> None:
    points = to_points(np.linspace(3 + 4j, 5 + 6j, n))
    segments = strict_run(points)
    assert segments[0].start == 3 + 4j
    assert segments[-1].end == 5 + 6j
    assert all(isinstance(s, Line) for s in segments)


def test_lines_a_hair_out_of_true_are_made_one() -> None:
    """A long stem that wavers by a sixth of a pixel is one stem."""
    x = np.arange(300.0)
    z = x + 1j * (0.08 * np.sin(x / 40) + 0.0002 * x)
    segments = strict_run(to_points(z))
    assert len(segments) == 1


def test_a_fit_never_strays_from_its_outline() -> None:
    """Noise of many shapes: no spike, whatever the pieces do."""
    rng = np.random.default_rng(8)
    for _ in range(6):
        k = np.arange(1, 9)
        size, phase = rng.normal(0, 1 / k, 8), rng.uniform(0, 6, 8)
        t = np.linspace(0, 2 * math.pi, 500)[:-1]
        radius = 60 + 7 * (size[:, None] * np.cos(k[:, None] * t + phase[:, None])).sum(axis=0)
        z = 100 + 100j + radius * np.exp(1j * t)
        path = strict(to_points(z))
        flat = path.flat(0.05)
        assert cKDTree(to_points(z)).query(flat)[0].max() < 2.5
        assert path.area == pytest.approx(
            0.5 * float(np.imag(np.sum(z.conj() * np.roll(z, -1)))), rel=3e-3
        )


@pytest.mark.parametrize(("bulge", "lines"), [(0.3, 4), (3.0, 3)])
def test_a_side_that_bulges_by_a_hair_is_straight(bulge: float, lines: int) -> None:
    """Grain in a photograph bends a foot of 60 pixels by so much; a real bow is kept."""
    points = along([0j, 60 + 0j, 60 + 40j, 40j])
    top = points[:, 1] < 0.5
    points[top, 1] += bulge * (1 - ((points[top, 0] - 30) / 30) ** 2)
    path = strict(points)
    assert sum(isinstance(s, Line) and s.length > 20 for s in path.segments) == lines


@pytest.mark.parametrize("width", [4.5, 5.5, 6.5])
@pytest.mark.parametrize("is_flat", [True, False])
def test_blur_does_not_make_a_flat_end_round_nor_a_round_one_flat(
    width: float, *, is_flat: bool
) -> None:
    """A bar that ends flat on the left, and flat or round on the right, as a lens shows it."""
    half, end = width / 2, 90.0
    cap = [end + half * np.exp(1j * turn) for turn in np.linspace(-math.pi / 2, math.pi / 2, 40)]
    right = [end - half * 1j, end + half * 1j] if is_flat else cap
    bar = np.array([20 - half * 1j, *right, 20 + half * 1j]) + 30j
    (contour,) = glyphs.contours([bar], 1.3, noise=0.0)
    (path,) = fit_strict([Drawn(contour, 0.05, 1.3, 0.5, Kind.LETTERING)])
    ends = [s for s in path.segments if isinstance(s, Line) and abs(s.tangent(0.5).imag) > 0.5]
    assert len(ends) == 1 + is_flat
    at = sorted(s.point(0.5).real for s in ends)
    assert np.abs(np.array(at) - [20.0, end][: len(at)]).max() < 0.2
    assert path.flat(0.02)[:, 0].max() == pytest.approx(end if is_flat else end + half, abs=0.9)


def test_lines_that_meet_off_the_outline_keep_their_directions() -> None:
    """A corner drawn with a radius of 14 pixels, that two lines have shared among them."""
    turn = np.linspace(-math.pi / 2, 0, 23)[1:-1]
    z = np.concatenate(
        [np.arange(0.0, 60), 60 + 14j + 14 * np.exp(1j * turn), 74 + 1j * np.arange(14.0, 80)]
    )
    sums, sight = Sums(z), Sight(0.05, 0.5, 0.5, Kind.LETTERING)
    a = Piece(0, 70, 0j, 1 + 0j, 0.0)
    b = Piece(70, len(z) - 1, 74 + 0j, 1j, 0.0)
    before, bend, after = tidied([a, b], sums, sight)
    assert (before.direction, after.direction) == (a.direction, b.direction)
    assert abs(bend.radius) == pytest.approx(14, abs=0.5)
    assert bend.first == before.last == pytest.approx(59, abs=4)
    assert bend.last == after.first == pytest.approx(81, abs=4)
