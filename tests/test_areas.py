"""What a maker says of all in a loop, and of single points, is what is fitted."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely

from raster2path.geometry import Arc, Cubic, Kind, Line, Path, to_complex, to_points
from raster2path.job import Corrections, FitRules
from raster2path.model import (
    Border,
    Dark,
    FittedRing,
    NoteKind,
    Outlines,
    Paths,
    Placement,
    Ring,
)
from raster2path.shape.areas import mark_areas
from raster2path.shape.fit import fit_outlines, fits_of
from raster2path.shape.points import move_points, nodes_of

SCALE = 0.5
UPRIGHT = np.array([[2.0, 0.0, -10.0], [0.0, 2.0, 4.0], [0.0, 0.0, 1.0]])
"""From pixels of the upright picture to those of the working picture, twice as fine here."""

PLACEMENT = Placement(SCALE, 3 + 1j, (0.0, 0.0, 300.0, 300.0))


def upright(*points_mm: complex) -> tuple[float, ...]:
    """X and y in the upright picture of some places on the sheet."""
    out = []
    for z in points_mm:
        x, y = (z - PLACEMENT.origin_mm).real / SCALE, (z - PLACEMENT.origin_mm).imag / SCALE
        out += [(x + 10) / 2, (y - 4) / 2]
    return tuple(out)


def wavy(wobble: float = 0.0) -> Ring:
    """A long round shape, and a hand's wobble on it; about one pixel a point."""
    rng = np.random.default_rng(7)
    t = np.arange(2000) / 2000 * 2 * math.pi
    waves = [(20, 3), (10, 5), (6, 9), *((wobble, k) for k in (51, 67, 84, 93))]
    r = 320 + sum(size * np.cos(k * t + rng.uniform(0, 2 * math.pi)) for size, k in waves)
    z = 500 + 500j + (r + rng.normal(0, 0.1, 2000)) * np.exp(1j * t)
    points = PLACEMENT.to_mm(to_points(z))
    return Ring(points, np.full(2000, int(Kind.ORGANIC), np.uint8), 0.05 * SCALE)


def drawn(*rings: Ring) -> Outlines:
    return Outlines(rings, (), Dark.METAL, Border.NONE, PLACEMENT, 0.5 * SCALE)


MIDDLE = complex(*PLACEMENT.to_mm(np.array([[500.0, 500.0]]))[0])
RIGHT_HALF = upright(
    MIDDLE - 200j, MIDDLE + 200 - 200j, MIDDLE + 200 + 30j, MIDDLE + 200 + 200j, MIDDLE + 200j
)


def marked(outlines: Outlines, **corrections: tuple[tuple[float, ...], ...]) -> Outlines:
    said = Corrections(**corrections)  # type: ignore[arg-type]  # by name
    return mark_areas(outlines, corrections=said, work_from_upright=UPRIGHT)


def test_all_in_a_loop_is_of_a_kind_and_the_rest_is_as_it_was() -> None:
    (ring,) = marked(drawn(wavy()), lettering_loops_px=(RIGHT_HALF,)).rings
    is_right = ring.points_mm[:, 0] > MIDDLE.real
    assert np.array_equal(ring.kinds == Kind.LETTERING, is_right)


def test_a_loop_that_finds_nothing_is_told() -> None:
    far = upright(-80 - 80j, -70 - 80j, -70 - 70j)
    out = marked(drawn(wavy()), looser_loops_px=(far,))
    assert [note.kind for note in out.notes] == [NoteKind.SETTING]
    assert "finds no edge" in out.notes[0].sentence


def gaps(outlines: Outlines) -> tuple[float, float]:
    """How far the fitted edge leaves the drawn one, in root mean square: left half, right half."""
    (ring,) = outlines.rings
    (got,) = fit_outlines(outlines, rules=FitRules()).rings
    line = shapely.LinearRing(got.path.flat(0.005))
    away = shapely.distance(line, shapely.points(ring.points_mm))
    x = ring.points_mm[:, 0] - MIDDLE.real
    left, right = away[x < -10], away[x > 10]  # beside the seams both are half and half
    return tuple(float(np.sqrt((part**2).mean())) for part in (left, right))  # type: ignore[return-value]


def halves(outlines: Outlines) -> tuple[int, int]:
    """Pieces of the fitted edge: left half, right half."""
    (got,) = fit_outlines(outlines, rules=FitRules()).rings
    x = np.array([segment.point(0.5).real - MIDDLE.real for segment in got.path])
    return int((x < 0).sum()), int((x > 0).sum())


def test_an_area_is_followed_more_loosely_and_the_rest_is_not() -> None:
    plain = drawn(wavy())
    loose = marked(plain, looser_loops_px=(RIGHT_HALF,))
    assert halves(loose)[1] < 0.7 * halves(plain)[1]
    assert halves(loose)[0] == halves(plain)[0]
    assert gaps(loose)[0] == pytest.approx(gaps(plain)[0], rel=0.1)


def test_an_area_is_followed_more_strictly_and_the_rest_is_within_its_tolerance() -> None:
    """Waves of 0.3 mm that the rules allow to be drawn smooth; common practice, no source."""
    plain = drawn(wavy(0.6))
    strict = marked(plain, stricter_loops_px=(RIGHT_HALF,))
    assert gaps(strict)[1] < 0.5 * gaps(plain)[1]
    assert halves(strict)[1] > 2 * halves(plain)[1]
    assert gaps(strict)[0] < FitRules().organic_tolerance_mm / 2


def test_an_outline_asked_for_alone_is_fitted_as_among_the_others() -> None:
    small = Ring(wavy().points_mm * 0.4 + 152, wavy().kinds, 0.05 * SCALE)
    outlines = drawn(wavy(), small)
    whole = fit_outlines(outlines, rules=FitRules())
    fit = fits_of(outlines)
    for k, ring in enumerate(whole.rings):
        assert np.allclose(fit(k, FitRules()).flat(0.05), ring.path.flat(0.05), atol=1e-6)


# ------------------------------------------------------------------ single points

SQUARE = (0j, 40 + 0j, 40 + 40j, 40j)


def square(*, by: complex = 60 + 60j, side: float = 1.0) -> Path:
    corners = [z * side + by for z in SQUARE]
    ends = [*corners[1:], corners[0]]
    lines = zip(corners, ends, strict=True)
    return Path(tuple(Line(a, b, Kind.LETTERING) for a, b in lines), True)


def round_one() -> Path:
    """A circle of two arcs, radius 20 about 160, 80."""
    arcs = (Arc(180 + 80j, 160 + 80j, math.pi), Arc(140 + 80j, 160 + 80j, math.pi))
    return Path(arcs, True)


def paths(*rings: Path) -> Paths:
    fitted = tuple(FittedRing(ring) for ring in rings)
    return Paths(fitted, (), Dark.METAL, Border.NONE, PLACEMENT)


def corrected(given: Paths, **corrections: tuple[tuple[float, ...], ...]) -> Paths:
    said = Corrections(**corrections)  # type: ignore[arg-type]  # by name
    return move_points(given, corrections=said, work_from_upright=UPRIGHT)


def test_a_corner_is_dragged_and_its_lines_follow() -> None:
    out = corrected(paths(square()), moved_points_px=(upright(100 + 61j, 110 + 55j),))
    (got,) = out.rings
    nodes = nodes_of(got.path)
    assert abs(nodes[1] - (110 + 55j)) < 1e-9
    assert [abs(nodes[k] - nodes_of(square())[k]) for k in (0, 2, 3)] == [0, 0, 0]
    assert all(isinstance(s, Line) and s.kind is Kind.LETTERING for s in got.path)
    assert not out.notes


def test_a_point_of_a_circle_is_dragged_and_the_far_side_stays() -> None:
    """The published quarter-circle handle leaves a circle by 0.0273 % at most (Goldapp 1991)."""
    out = corrected(paths(round_one()), moved_points_px=(upright(180 + 80j, 186 + 80j),))
    (got,) = out.rings
    assert abs(nodes_of(got.path)[0] - (186 + 80j)) < 1e-9
    z = to_complex(got.path.flat(0.005))
    off = np.abs(np.abs(z - (160 + 80j)) - 20)
    assert off[z.real < 160].max() < 20 * 0.000273 + 1e-3
    for a, b in zip(got.path.segments, got.path.segments[1:], strict=False):
        assert abs(a.end - b.start) < 1e-9


def test_a_corner_is_taken_out() -> None:
    out = corrected(paths(square()), no_points_px=(upright(100 + 60j),))
    (got,) = out.rings
    assert len(got.path) == 3
    assert shapely.Polygon(got.path.flat()).area == pytest.approx(800)


def test_a_point_within_a_curve_is_taken_out_and_the_curve_stays_near() -> None:
    big = (
        Arc(180 + 80j, 160 + 80j, math.pi / 4),
        Arc(160 + 80j + 20 * np.exp(0.25j * math.pi), 160 + 80j, math.pi / 4),
        Arc(160 + 100j, 160 + 80j, 1.5 * math.pi),
    )
    middle = big[1].start
    out = corrected(paths(Path(big, True)), no_points_px=(upright(middle),))
    (got,) = out.rings
    assert len(got.path) == 2
    assert isinstance(got.path.segments[0], Cubic)
    z = got.path.segments[0].points_at(np.linspace(0, 1, 50))
    assert np.abs(np.abs(z - (160 + 80j)) - 20).max() < 0.1


def test_a_point_dragged_across_another_edge_stays_and_is_told() -> None:
    given = paths(square(), square(by=70 + 70j, side=0.5))
    out = corrected(given, moved_points_px=(upright(60 + 60j, 80 + 80j),))
    assert out.rings == given.rings
    assert "cross" in out.notes[0].sentence


def test_a_place_without_a_point_is_told() -> None:
    out = corrected(paths(square()), no_points_px=(upright(80 + 60j),))
    assert len(out.rings[0].path) == 4
    assert out.notes[0].kind is NoteKind.SETTING


def test_a_triangle_keeps_its_corners() -> None:
    lines = (Line(0j, 40 + 0j), Line(40 + 0j, 20 + 30j))
    two = Path((*lines[:1], Line(40 + 0j, 0j)), True)
    out = corrected(paths(two), no_points_px=(upright(0j),))
    assert len(out.rings[0].path) == 2
    assert "too little" in out.notes[0].sentence
