"""Edges moved into the drop: pieces keep their kind, their number and their distance."""

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
    circle,
    polygon,
)
from raster2path.torch._edges import tagged
from raster2path.torch._offset import Eroded, erode


def eroded(path: Path, distance_mm: float) -> Eroded:
    ring = tagged(path)
    return erode([ring], shapely.Polygon(ring.coords), distance_mm)


def opening(*corners: complex) -> Path:
    """An opening with straight edges: anticlockwise as seen, whatever way it is written."""
    path = polygon(corners)
    return path if path.area < 0 else path.reversed()


def blob(radii: list[float]) -> Path:
    """A smooth opening through points at the radii given, one cubic between two points."""
    n = len(radii)
    at = [r * np.exp(-2j * np.pi * k / n) for k, r in enumerate(radii)]
    pieces = []
    for k in range(n):
        a, b = at[k], at[(k + 1) % n]
        into, out_of = (b - at[k - 1]) / 6, (at[(k + 2) % n] - a) / 6
        pieces.append(Cubic(complex(a), complex(a + into), complex(b - out_of), complex(b)))
    return Path(tuple(pieces), is_closed=True)


def test_twelve_millimetre_slot() -> None:
    """By arithmetic: kerf 1.6 in a 12 mm slot gives torch lines 10.4 mm apart."""
    (ring,) = eroded(opening(0, 100, 100 + 12j, 12j), 0.8).rings
    assert len(ring.path) == 4
    assert all(isinstance(piece, Line) for piece in ring.path)
    x0, y0, x1, y1 = ring.path.bounds()
    assert y1 - y0 == pytest.approx(10.4, abs=1e-9)
    assert x1 - x0 == pytest.approx(98.4, abs=1e-9)
    assert ring.path.area < 0


def test_circle_stays_two_arcs() -> None:
    (ring,) = eroded(circle(3 + 4j, 20).reversed(), 0.75).rings
    assert len(ring.path) == 2
    for piece in ring.path:
        assert isinstance(piece, Arc)
        assert piece.radius == pytest.approx(19.25, abs=1e-6)
        assert abs(piece.centre - (3 + 4j)) < 1e-6
        assert piece.sweep_rad == pytest.approx(-math.pi, abs=1e-6)


def test_round_plate_grows() -> None:
    """The outside of a disc of metal: the drop is round it, the circle wider."""
    ring = tagged(circle(0, 20))
    face = shapely.box(-60, -60, 60, 60) - shapely.Polygon(ring.coords)
    (found,) = erode([ring], face, 0.75).rings
    assert found.is_inner
    assert found.path.area > 0
    assert [type(piece) for piece in found.path] == [Arc, Arc]
    assert found.path.segments[0].length == pytest.approx(math.pi * 20.75, abs=1e-6)


def test_corners_of_a_star_stay_crisp() -> None:
    """Five tips of metal are run past, five tips of the drop are met: ten lines, no arc."""
    tips = [(20 if k % 2 else 8) * np.exp(-2j * np.pi * k / 10) for k in range(10)]
    (ring,) = eroded(polygon([complex(z) for z in tips]), 0.8).rings
    assert [type(piece) for piece in ring.path] == [Line] * 10


def test_needle_of_metal_gets_an_arc() -> None:
    """Running past a corner of 10 degrees would be eleven distances long: go round it."""
    needle = opening(0, 30, 30 + 20j, 16 + 20j, 15 + 8j, 14 + 20j, 20j)
    (ring,) = eroded(needle, 1.0).rings
    arcs = [piece for piece in ring.path if isinstance(piece, Arc)]
    assert len(arcs) == 1
    assert abs(arcs[0].centre - (15 + 8j)) < 1e-9
    assert arcs[0].radius == pytest.approx(1.0)


def test_waist_breaks_the_line_in_two() -> None:
    dumbbell = opening(
        *(0, 20, 20 + 9.5j, 40 + 9.5j, 40, 60, 60 + 20j, 40 + 20j, 40 + 10.5j),
        *(20 + 10.5j, 20 + 20j, 20j),
    )
    rings = eroded(dumbbell, 0.8).rings
    assert [ring.part for ring in rings] == [0, 1]
    assert all(ring.path.area < 0 for ring in rings)
    # each end: a square of 20 less 0.8 all round, plus the bulge into the waist
    assert abs(rings[0].path.area) == pytest.approx(18.4**2, rel=0.001)


def test_narrower_than_the_distance_is_nothing() -> None:
    assert not eroded(opening(0, 50, 50 + 1.5j, 1.5j), 0.75).rings


def test_kinds_and_tie_sides_are_carried_on() -> None:
    sides = (
        Line(0, 20j, Kind.LETTERING),
        Line(20j, 20 + 20j, is_tie_side=True),
        Line(20 + 20j, 20, Kind.GEOMETRIC),
        Line(20, 0),
    )
    (ring,) = eroded(Path(sides, is_closed=True), 1.0).rings
    told = {(piece.kind, getattr(piece, "is_tie_side", None)) for piece in ring.path}
    assert told == {
        (Kind.LETTERING, False),
        (Kind.ORGANIC, True),
        (Kind.GEOMETRIC, False),
        (Kind.ORGANIC, False),
    }


radii = st.lists(st.floats(12, 30), min_size=5, max_size=9)


@settings(max_examples=25, deadline=None)
@given(radii, st.floats(0.4, 1.5))
def test_smooth_openings_against_planar_geometry(wide: list[float], distance_mm: float) -> None:
    """Area and distance against shapely's own buffer of the flattened edge (the reference)."""
    path = blob(wide)
    truth = shapely.Polygon(path.flat(0.001))
    reference = truth.buffer(-distance_mm, quad_segs=64)
    rings = eroded(path, distance_mm).rings
    area = sum(shapely.Polygon(ring.path.flat(0.001)).area for ring in rings)
    length = sum(ring.path.length for ring in rings)
    # a line may lie further into the drop than it may come nearer to the metal
    assert -0.016 * length < reference.area - area < 0.05 * length
    for ring in rings:
        flat = ring.path.flat(0.001)
        line = shapely.LinearRing(flat)
        assert shapely.Polygon(flat).is_valid
        assert truth.exterior.distance(line) > distance_mm - 0.02
        assert abs(ring.path.end - ring.path.start) < 1e-9


def test_each_cubic_gives_about_one_cubic() -> None:
    """A hand follows few pieces: over many openings, no more than 1.3 for each of the edge's."""
    rng = np.random.default_rng(8)
    openings = [blob(list(rng.uniform(20, 30, n))) for n in rng.integers(6, 10, 40)]
    n_torch = sum(len(ring.path) for path in openings for ring in eroded(path, 0.75).rings)
    assert n_torch <= 1.3 * sum(len(path) for path in openings)


def test_a_tip_within_a_cubic_takes_few_pieces() -> None:
    """A spike of metal whose one cubic turns back within a hair: two flanks and the round."""
    spike = Cubic(60 + 0j, 20 + 31j, 20 + 29j, 60 + 60j)
    sides = (Line(60, 0), Line(0, 60j), Line(60j, 60 + 60j))
    path = Path((*sides, spike.reversed()), is_closed=True)
    assert path.area < 0
    (ring,) = eroded(path, 0.75).rings
    assert not any(isinstance(piece, Line) and piece.length < 1 for piece in ring.path)
    assert len(ring.path) <= len(path) + 3
    line = shapely.LinearRing(ring.path.flat(0.001))
    assert shapely.LinearRing(path.flat(0.001)).distance(line) > 0.75 - 0.02


def test_a_short_straight_goes_into_the_curve_behind_it() -> None:
    """Half a millimetre before a curve that goes on in its direction is no piece of its own."""
    bend = Cubic(40.5, 60, 70 - 10j, 70 - 30j)
    sides = (Line(40, 40.5), bend, Line(70 - 30j, 40 - 30j), Line(40 - 30j, 40))
    path = Path(sides, is_closed=True)
    (ring,) = eroded(path if path.area < 0 else path.reversed(), 0.2).rings
    assert len(ring.path) == 3
    assert all(piece.length > 1 for piece in ring.path)


@settings(max_examples=25, deadline=None)
@given(st.lists(st.tuples(st.floats(8, 30), st.floats(0, 0.8)), min_size=4, max_size=11))
def test_straight_openings_stay_straight(tips: list[tuple[float, float]]) -> None:
    n = len(tips)
    corners = [r * np.exp(-2j * np.pi * (k + turn) / n) for k, (r, turn) in enumerate(tips)]
    path = polygon([complex(z) for z in corners])
    truth = shapely.Polygon(path.flat())
    for ring in eroded(path, 0.75).rings:
        assert not any(isinstance(piece, Cubic) for piece in ring.path)
        line = shapely.LinearRing(ring.path.flat(0.001))
        assert truth.exterior.distance(line) > 0.75 - 0.02
        straights = [piece for piece in ring.path if isinstance(piece, Line) and piece.length > 1]
        for piece in straights:
            heading = (piece.end - piece.start) / piece.length
            sides = [side.tangent(0) for side in path]
            assert min(abs(heading - side) for side in sides) < 0.1


@pytest.mark.parametrize("turn_deg", [0, 17, 90, 211])
def test_turning_the_edge_turns_the_line(turn_deg: float) -> None:
    path = blob([20, 25, 18, 24, 22])
    turn = complex(np.exp(1j * np.radians(turn_deg)))
    (one,) = eroded(path, 0.75).rings
    (two,) = eroded(path.mapped(turn, 5 + 7j), 0.75).rings
    gap = shapely.hausdorff_distance(
        shapely.LinearRing(one.path.mapped(turn, 5 + 7j).flat()),
        shapely.LinearRing(two.path.flat()),
    )
    assert gap < 0.05
    assert len(one.path) == len(two.path)


def test_doing_it_in_two_steps_is_the_same() -> None:
    (once,) = eroded(blob([20, 25, 18, 24, 22]), 2.0).rings
    (half,) = eroded(blob([20, 25, 18, 24, 22]), 1.0).rings
    (twice,) = eroded(half.path, 1.0).rings
    middles = [shapely.Polygon(ring.path.flat()).centroid for ring in (once, twice)]
    assert middles[0].distance(middles[1]) < 0.02
    assert abs(twice.path.area - once.path.area) < 0.03 * once.path.length
