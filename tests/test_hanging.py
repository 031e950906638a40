"""Mounting holes and legible letters, by lever rule and by published heights."""

import math

import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from raster2path.errors import UsageError
from raster2path.geometry import Kind, Path, polygon
from raster2path.job import SizeRules
from raster2path.model import Art, Border, Dark, FittedRing, NoteKind, Paths, Placement
from raster2path.sign._hanging import strain
from raster2path.sign._legible import height_for
from raster2path.sign.layout import lay_out


def box(x0: float, y0: float, x1: float, y1: float, kind: Kind = Kind.ORGANIC) -> Path:
    return polygon([complex(x0, y0), complex(x1, y0), complex(x1, y1), complex(x0, y1)], kind)


def laid(*paths: Path, size: tuple[float, float] = (600, 400), **rules: float | None) -> Art:
    width, high = size
    placement = Placement(1.0, 0j, (0, 0, width, high))
    rings = tuple(FittedRing(path) for path in paths)
    drawn = Paths(rings, (), Dark.OPENING, Border.RECT, placement)
    return lay_out(drawn, rules=SizeRules(**rules))  # type: ignore[arg-type]  # one of its fields


def holes_in(art: Art, diameter: float) -> list[complex]:
    found = []
    for edge in art.edges:
        x0, y0, x1, y1 = edge.path.bounds()
        if abs(x1 - x0 - diameter) < 0.1 and abs(y1 - y0 - diameter) < 0.1:
            found.append(complex(x0 + x1, y0 + y1) / 2)
    return sorted(found, key=lambda z: z.real)


@settings(deadline=None, max_examples=30)
@given(st.floats(40, 380), st.floats(60, 180), st.floats(40, 160), st.floats(60, 160))
def test_a_sign_hangs_level_from_two_holes(x: float, y: float, wide: float, high: float) -> None:
    """The lever rule: with the middle of mass half way between them, each carries half."""
    art = laid(box(x, y, x + wide, y + high), n_holes=2)
    a, b = holes_in(art, 6.0)
    steel = shapely.box(0, 0, 600, 400).difference(shapely.box(x, y, x + wide, y + high))
    assert a.imag == pytest.approx(b.imag)
    assert (a.real + b.real) / 2 == pytest.approx(steel.centroid.x, abs=0.1)
    assert a.imag < steel.centroid.y
    for hole in (a, b):
        rim = steel.boundary.distance(shapely.Point(hole.real, hole.imag)) - 3
        assert rim >= 1.5 * 6 - 1e-6
        assert steel.contains(shapely.Point(hole.real, hole.imag))


def test_one_hole_stands_straight_above_the_middle_of_mass() -> None:
    art = laid(box(350, 100, 550, 300), n_holes=1, hole_mm=8.0)
    (hole,) = holes_in(art, 8.0)
    steel = shapely.box(0, 0, 600, 400).difference(shapely.box(350, 100, 550, 300))
    assert hole.real == pytest.approx(steel.centroid.x, abs=0.1)
    assert hole.imag < 60


def test_holes_are_edges_of_openings_and_are_told_with_weight() -> None:
    art = laid(box(200, 100, 400, 300), n_holes=2)
    holes = [edge for edge in art.edges if edge.path.bounds()[2] - edge.path.bounds()[0] < 7]
    assert all(edge.depth == 1 and edge.path.area < 0 for edge in holes)
    (note,) = [note for note in art.notes if "hangs level" in note.sentence]
    kilograms = (600 * 400 - 200 * 200) * 1.5 * 7850e-9
    assert f"{kilograms:.1f} kg" in note.sentence


def test_no_room_for_holes_is_told() -> None:
    art = laid(box(10, 10, 590, 390), n_holes=2)
    assert holes_in(art, 6.0) == []
    assert any(note.kind is NoteKind.TOO_SMALL and "holes" in note.sentence for note in art.notes)


def test_without_asking_there_are_no_holes() -> None:
    assert len(laid(box(200, 100, 400, 300)).edges) == 2


def test_bearing_and_net_section() -> None:
    """Ordinary formulas: 63.2 N on a 6 mm bolt in 1.5 mm, 9 mm of rim on either side."""
    bearing, net = strain(load_n=63.2, hole_mm=6, rim_mm=9, thickness_mm=1.5)
    assert bearing == pytest.approx(63.2 / 9)
    assert net == pytest.approx(63.2 / 27)


def test_letter_height_by_the_worked_example() -> None:
    """The rule of a 300th of the distance: read from 30 m, D/300 is 100 mm."""
    assert height_for(30_000) == pytest.approx(100)


@pytest.mark.parametrize(("read_from_m", "is_told"), [(None, False), (25.0, False), (30.0, True)])
def test_letters_too_small_to_read_are_told_with_the_width_that_would_do(
    read_from_m: float | None, *, is_told: bool
) -> None:
    letters = [box(100 + 60 * k, 150, 140 + 60 * k, 220, Kind.LETTERING) for k in range(4)]
    asked = None if read_from_m is None else read_from_m * 1000
    notes = [n for n in laid(*letters, read_from_mm=asked).notes if "read from" in n.sentence]
    assert len(notes) == is_told
    if notes:
        assert notes[0].remedy is not None
        assert f"{math.ceil(600 * 100 / 70 / 10) * 10} mm wide" in notes[0].remedy


def test_more_than_two_holes_are_refused() -> None:
    with pytest.raises(UsageError, match="holes"):
        SizeRules(n_holes=3)
