"""Plane geometry: exact values, and facts true of any segment."""

import math

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from raster2path.geometry import (
    Arc,
    Cubic,
    Kind,
    Line,
    Path,
    Place,
    Segment,
    circle,
    polygon,
    signed_area,
    to_points,
    unit,
)

coordinate = st.floats(-100, 100, allow_nan=False)
point = st.builds(complex, coordinate, coordinate)
share = st.floats(0.01, 0.99)
segments = st.one_of(
    st.builds(Line, point, point),
    st.builds(Arc, point, point, st.floats(-6, 6)),
    st.builds(Cubic, point, point, point, point),
).filter(lambda s: s.length > 1)


def test_square_clockwise_as_seen_has_positive_area() -> None:
    assert signed_area(np.array([[0, 0], [2, 0], [2, 2], [0, 2]], float)) == 4.0


def test_shoelace_worked_example() -> None:
    """By the shoelace formula, (3,4)(5,11)(12,8)(9,5)(5,6) encloses 30."""
    ring = np.array([[3, 4], [5, 11], [12, 8], [9, 5], [5, 6]], float)
    assert abs(signed_area(ring)) == pytest.approx(30)


def test_circle_has_the_area_and_length_of_a_circle() -> None:
    ring = circle(10 + 20j, 50)
    assert ring.length == pytest.approx(2 * math.pi * 50)
    assert ring.area == pytest.approx(math.pi * 2500, rel=1e-3)
    assert ring.bounds() == pytest.approx((-40, -30, 60, 70), abs=0.01)


@pytest.mark.parametrize(
    ("n", "quotient"), [(3, 0.6046), (4, 0.7854), (6, 0.9069)], ids=["triangle", "square", "six"]
)
def test_regular_polygon_roundness(n: int, quotient: float) -> None:
    """By arithmetic: isoperimetric quotient 4 pi A / P^2 of regular polygons."""
    ring = polygon(complex(math.cos(a), math.sin(a)) for a in np.arange(n) * 2 * math.pi / n)
    assert 4 * math.pi * ring.area / ring.length**2 == pytest.approx(quotient, abs=1e-4)


def test_quarter_circle_by_cubic() -> None:
    """Known: k = 0.5522847498 lies outside by 2.7253e-4 at most, never inside."""
    k = 0.5522847498
    quarter = Cubic(1, 1 + k * 1j, k + 1j, 1j)
    radius = np.abs(quarter.points_at(np.linspace(0, 1, 2001)))
    assert radius.max() - 1 == pytest.approx(2.7253e-4, abs=1e-7)
    assert radius.min() >= 1 - 1e-9
    assert quarter.length == pytest.approx(math.pi / 2, rel=3e-4)


@settings(deadline=None)
@given(segments, share, share)
def test_part_of_a_segment_lies_on_it(segment: Segment, a: float, b: float) -> None:
    lo, hi = sorted((a, b))
    part = segment.between(lo, hi)
    middle = (lo + hi) / 2
    assert part.point(0.5) == pytest.approx(segment.point(middle), abs=1e-6)
    assert part.start == pytest.approx(segment.point(lo), abs=1e-9)
    assert part.end == pytest.approx(segment.point(hi), abs=1e-6)


@settings(deadline=None)
@given(segments, share)
def test_reversed_twice_is_the_same_way(segment: Segment, t: float) -> None:
    back = segment.reversed()
    assert back.point(1 - t) == pytest.approx(segment.point(t), abs=1e-6)
    assert back.reversed().point(t) == pytest.approx(segment.point(t), abs=1e-6)


@settings(deadline=None)
@given(segments, st.floats(-3, 3), point)
def test_turning_and_moving_keeps_lengths(segment: Segment, turn: float, shift: complex) -> None:
    image = segment.mapped(complex(math.cos(turn), math.sin(turn)), shift)
    assert image.length == pytest.approx(segment.length, rel=1e-6)
    assert image.point(0) == pytest.approx(
        segment.start * complex(math.cos(turn), math.sin(turn)) + shift, abs=1e-6
    )


@settings(deadline=None)
@given(segments)
def test_flattening_stays_within_its_promise(segment: Segment) -> None:
    """Against shapely as the independent ruler."""
    flatness = 0.05
    polyline = shapely.LineString(Path((segment,), is_closed=False).flat(flatness))
    dense = shapely.points(to_points(segment.points_at(np.linspace(0, 1, 97))))
    assert shapely.distance(polyline, dense).max() <= flatness * 1.01


def test_nearest_place_on_a_path() -> None:
    ring = polygon([0, 10, 10 + 10j, 10j])
    place = ring.nearest(4 - 3j)
    assert (place.index, place.distance) == (0, 3.0)
    assert place.point == pytest.approx(4)
    arc = Path((Arc(-5, 0, math.pi),), is_closed=False)
    assert arc.nearest(0 - 8j).point == pytest.approx(-5j, abs=1e-5)


def test_part_of_a_ring_runs_round_its_end() -> None:
    ring = polygon([0, 10, 10 + 10j, 10j])
    part = ring.part(Place(3, 0.5, 5j, 0), Place(0, 0.5, 5, 0))
    assert [(s.start, s.end) for s in part] == [(5j, 0), (0, 5)]
    around = ring.part(Place(0, 0.5, 5, 0), Place(0, 0.2, 2, 0))
    assert sum(s.length for s in around) == pytest.approx(37)


def test_part_of_an_open_path_does_not_run_backwards() -> None:
    path = Path((Line(0, 10), Line(10, 20)), is_closed=False)
    with pytest.raises(ValueError, match="lies before"):
        path.part(Place(1, 0.5, 15, 0), Place(0, 0.5, 5, 0))


def test_tie_sides_do_not_vote_for_the_kind() -> None:
    path = Path(
        (
            Line(0, 5, Kind.LETTERING),
            Line(5, 50, Kind.GEOMETRIC, is_tie_side=True),
            Line(50, 0, Kind.GEOMETRIC, is_tie_side=True),
        ),
        is_closed=True,
    )
    assert path.kind is Kind.LETTERING


def test_tangent_where_a_handle_sits_on_its_end() -> None:
    curve = Cubic(0, 0, 5 + 5j, 10)
    assert curve.tangent(0) == pytest.approx(unit(5 + 5j), abs=1e-2)


def test_a_path_needs_a_segment() -> None:
    with pytest.raises(ValueError, match="expected one segment or more"):
        Path((), is_closed=True)
