"""Surgery on edges: a strip is laid over the metal, and every segment it misses stays itself."""

import cmath
import math

import numpy as np
import pytest
import shapely
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from raster2path.geometry import Arc, Cubic, Line, Path, Segment, circle, cross, polygon
from raster2path.sign._islands import metal_of
from raster2path.sign._meetings import meetings_with
from raster2path.sign._surgery import Ring, is_inside, meetings, weld

coordinate = st.floats(-50, 50)
point = st.builds(complex, coordinate, coordinate)
segments = st.one_of(
    st.builds(Line, point, point),
    st.builds(Arc, point, point, st.floats(0.2, 6)),
    st.builds(Arc, point, point, st.floats(-6, -0.2)),
    st.builds(Cubic, point, point, point, point),
).filter(lambda s: s.length > 1)


def box(x0: float, y0: float, x1: float, y1: float) -> Path:
    return polygon([complex(x0, y0), complex(x1, y0), complex(x1, y1), complex(x0, y1)])


def rings_of(*paths: Path) -> dict[int, Ring]:
    return {k: Ring.of(path, frozenset({k})) for k, path in enumerate(paths)}


def shape_of(corners: list[complex]) -> shapely.Geometry:
    return shapely.Polygon([(z.real, z.imag) for z in corners])


FRAME = (box(0, 0, 100, 100), box(20, 20, 80, 80).reversed(), box(40, 40, 60, 60))
"""A square sheet with an opening, and an island of 20 x 20 in its middle."""


def test_a_tie_joins_the_two_edges_of_a_gap_into_one() -> None:
    """Opening and island become one edge; the six straight sides that no tie meets stay as is."""
    rings = rings_of(*FRAME)
    done = weld(rings, [47 + 62j, 47 + 18j + 0j, 53 + 18j, 53 + 62j][::1])
    assert done is None or done.buried == frozenset()
    done = weld(rings, [47 + 45j, 47 + 15j, 53 + 15j, 53 + 45j])
    assert done is not None
    assert done.gone == {1, 2}
    (ring,) = done.made
    assert ring.origins == {1, 2}
    sides = [s for s in ring.path if getattr(s, "is_tie_side", False)]
    assert sorted(s.length for s in sides) == [20.0, 20.0]
    old = [*FRAME[1].segments, *FRAME[2].segments]
    assert sum(any(s is o for o in old) for s in ring.path) == 6
    assert ring.path.area == pytest.approx(-(60 * 60 - 20 * 20 - 6 * 20))
    assert done.leftover_mm == pytest.approx(7.0)


def test_edges_of_a_tied_ring_meet_end_to_end_exactly() -> None:
    rings = rings_of(box(0, 0, 100, 100), circle(50 + 50j, 30).reversed(), circle(50 + 50j, 15))
    done = weld(rings, [47 + 45j, 47 + 15j, 53 + 15j, 53 + 45j])
    assert done is not None
    (ring,) = done.made
    for a, b in zip(ring.path.segments, [*ring.path.segments[1:], ring.path.start], strict=True):
        start = b if isinstance(b, complex) else b.start
        assert abs(a.end - start) < 1e-12 or isinstance(b, Arc)
        assert abs(a.end - start) < 1e-9


def test_a_second_tie_splits_one_edge_into_two() -> None:
    rings = rings_of(*FRAME)
    first = weld(rings, [47 + 45j, 47 + 15j, 53 + 15j, 53 + 45j])
    assert first is not None
    rings = {0: rings[0], 3: first.made[0]}
    second = weld(rings, [53 + 55j, 53 + 85j, 47 + 85j, 47 + 55j])
    assert second is not None
    assert len(second.made) == 2
    assert all(ring.origins == {1, 2} for ring in second.made)


def test_a_strip_over_a_whole_island_buries_it() -> None:
    rings = rings_of(box(0, 0, 100, 100), box(20, 20, 80, 80).reversed(), box(49, 49, 51, 51))
    done = weld(rings, [47 + 85j, 47 + 15j, 53 + 15j, 53 + 85j])
    assert done is not None
    assert done.buried == {2}
    assert len(done.made) == 2
    assert frozenset().union(*(ring.origins for ring in done.made)) == {1, 2}


def test_a_side_through_a_corner_decides_nothing() -> None:
    rings = rings_of(*FRAME)
    assert weld(rings, [40 + 45j, 40 + 15j, 46 + 15j, 46 + 45j]) is None


def test_a_border_stays_a_border() -> None:
    outer = Ring.of(box(0, 0, 40, 40), frozenset({0}), is_border=True)
    other = Ring.of(box(50, 0, 90, 40), frozenset({1}))
    done = weld({0: outer, 1: other}, [35 + 17j, 55 + 17j, 55 + 23j, 35 + 23j])
    assert done is not None
    assert [ring.is_border for ring in done.made] == [True]


def test_meetings_tell_where_a_line_enters_metal() -> None:
    met = meetings(rings_of(*FRAME), 50 + 30j, 1j, reach_mm=40)
    assert [round(m.s) for m in met] == [-30, -10, 10, 30]
    assert [m.sine > 0 for m in met] == [True, False, True, False]


@settings(deadline=None, max_examples=150)
@given(segments, point, st.floats(0, 6.28))
def test_meetings_are_all_of_them_and_exact(segment: Segment, origin: complex, turn: float) -> None:
    """Brute force: as many sign changes of the distance from the line on 4000 steps."""
    along = cmath.exp(1j * turn)
    found = meetings_with(segment, origin, along)
    for t in found:
        assert abs(cross(along, segment.point(t) - origin)) < 1e-5
    z = segment.points_at(np.linspace(0, 1, 4001))
    away = (np.conj(along) * (z - origin)).imag
    assume(np.abs(away[[0, -1]]).min() > 1e-3)
    turns = np.flatnonzero((away[1:-1] - away[:-2]) * (away[2:] - away[1:-1]) < 0) + 1
    assume(not len(turns) or np.abs(away[turns]).min() > 1e-2)
    side = away >= 0  # a step that lands on the line to the bit counts for one side
    assert len(found) == int(np.count_nonzero(side[:-1] != side[1:]))


@settings(deadline=None, max_examples=80)
@given(
    st.floats(-20, 120),
    st.floats(-20, 120),
    st.floats(0, 2 * math.pi),
    st.floats(5, 120),
    st.floats(1, 15),
)
def test_laying_a_strip_is_the_union_of_metal_and_strip(
    x: float, y: float, turn: float, length: float, width: float
) -> None:
    """Shapely's union of the flattened shapes is the independent reference."""
    paths = (
        box(0, 0, 100, 100),
        circle(50 + 50j, 35).reversed(),
        Path(
            (
                Cubic(30 + 50j, 30 + 35j, 70 + 35j, 70 + 50j),
                Cubic(70 + 50j, 70 + 75j, 30 + 75j, 30 + 50j),
            ),
            is_closed=True,
        ),
        circle(50 + 52j, 8).reversed(),
        box(110, 20, 130, 80),
    )
    axis = cmath.exp(1j * turn)
    a, b, half = complex(x, y), complex(x, y) + length * axis, 0.5j * width * axis
    strip = [a - half, b - half, b + half, a + half]
    rings = rings_of(*paths)
    done = weld(rings, strip)
    if done is None:  # the strip misses all edges, or runs through a joint
        boundary = metal_of(paths).boundary
        outline = shape_of(strip).exterior
        joints = shapely.points([(s.start.real, s.start.imag) for p in paths for s in p])
        is_doubtful = shapely.distance(joints, outline).min() < 1e-3
        corners = shapely.points([(z.real, z.imag) for z in strip])
        is_doubtful |= shapely.distance(corners, boundary).min() < 1e-3
        assert is_doubtful or not boundary.crosses(outline)
        return
    after = [ring for key, ring in rings.items() if key not in done.gone] + list(done.made)
    got = metal_of(ring.path for ring in after)
    want = metal_of(paths).union(shape_of(strip))
    assert got.is_valid
    assert got.symmetric_difference(want).area < 0.02 * 200
    assert all(ring.path.is_closed for ring in after)


@given(point, point, point, point)
def test_inside_agrees_with_shapely(a: complex, b: complex, c: complex, z: complex) -> None:
    triangle = shape_of([a, b, c])
    assume(triangle.area > 1)
    spot = shapely.Point(z.real, z.imag)
    assume(triangle.exterior.distance(spot) > 1e-6)
    assert is_inside([a, b, c], z) == triangle.contains(spot)
