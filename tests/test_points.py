"""Needle tips of metal are rounded inside the metal; corners of the drop stay sharp."""

import math

import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from raster2path.geometry import Arc, Cubic, Kind, Line, Path, polygon
from raster2path.job import TieRules
from raster2path.model import NoteKind
from raster2path.sign._points import blunted
from raster2path.sign._surgery import Ring
from raster2path.sign.ties import hold
from tests.test_ties import SHEET, art, metal

NOTHING = shapely.Polygon()


def needle(angle_deg: float, length: float = 80.0, turn_rad: float = 0.0) -> Path:
    """A clockwise triangle with its needle at 200, 200."""
    half = math.radians(angle_deg) / 2
    tip, foot = 200 + 200j, length * math.cos(half)
    up = complex(math.cos(turn_rad), math.sin(turn_rad))
    wide = length * math.sin(half)
    return polygon([tip, tip + up * complex(foot, wide), tip + up * complex(foot, -wide)][::1])


def round_one(path: Path, radius: float = 1.5) -> tuple[Path, list[complex]]:
    rings, places = blunted({0: Ring.of(path, frozenset({0}))}, radius_mm=radius, keep_off=NOTHING)
    return rings[0].path, places


def clockwise(path: Path) -> Path:
    return path if path.area > 0 else path.reversed()


@settings(deadline=None, max_examples=40)
@given(st.floats(5, 33), st.floats(0, 6.28), st.floats(0.5, 2.5))
def test_a_needle_is_rounded_smoothly_and_only_loses_metal(
    angle: float, turn: float, radius: float
) -> None:
    """The tip of an angle a goes back by r / sin(a / 2) - r, the arc meets both sides smoothly."""
    path = clockwise(needle(angle, 160, turn))
    out, places = round_one(path, radius)
    assert places == [pytest.approx(200 + 200j)]
    (arc,) = (s for s in out if isinstance(s, Arc))
    assert arc.radius == pytest.approx(radius)
    back = radius / math.sin(math.radians(angle) / 2) - radius
    assert abs(arc.point(0.5) - (200 + 200j)) == pytest.approx(back, rel=1e-3)
    k = list(out.segments).index(arc)
    before, behind = out.segments[k - 1], out.segments[(k + 1) % len(out)]
    assert abs(before.tangent(1.0) - arc.tangent(0.0)) < 1e-6
    assert abs(behind.tangent(0.0) - arc.tangent(1.0)) < 1e-6
    assert abs(before.end - arc.start) < 1e-6
    assert abs(behind.start - arc.end) < 1e-6
    old, new = shapely.Polygon(path.flat()), shapely.Polygon(out.flat())
    assert new.is_valid
    assert old.buffer(1e-3).contains(new)


def test_blunt_corners_and_corners_of_the_drop_stay_as_they_are() -> None:
    wide = clockwise(needle(50))
    assert round_one(wide) == (wide, [])
    drop = clockwise(needle(15)).reversed()
    assert round_one(drop) == (drop, [])


def test_a_needle_of_curves_is_rounded() -> None:
    """A leaf of two cubics: both its tips are sharp."""
    a, b = 100 + 100j, 220 + 100j
    leaf = Path(
        (
            Cubic(a, 140 + 88j, 180 + 88j, b, Kind.ORGANIC),
            Cubic(b, 180 + 112j, 140 + 112j, a, Kind.ORGANIC),
        ),
        is_closed=True,
    )
    out, places = round_one(clockwise(leaf))
    assert len(places) == 2
    assert sum(isinstance(s, Arc) for s in out) == 2
    new = shapely.Polygon(out.flat())
    assert new.is_valid
    assert shapely.Polygon(leaf.flat()).buffer(0.01).contains(new)


def test_sides_of_ties_are_no_needles() -> None:
    path = clockwise(needle(15))
    kept = [
        Line(s.start, s.end, s.kind, is_tie_side=True) for s in path.segments if isinstance(s, Line)
    ]
    tied = Path(tuple(kept), is_closed=True)
    assert round_one(tied) == (tied, [])


@pytest.mark.parametrize(("blunt_mm", "n_arcs"), [(1.5, 1), (0.0, 0)])
def test_the_maker_is_told_how_many_and_can_keep_them(blunt_mm: float, n_arcs: int) -> None:
    """An opening whose edge juts inwards: a needle of metal."""
    notch = [100 + 100j, 300 + 100j, 300 + 195j, 150 + 200j, 300 + 205j, 300 + 300j, 100 + 300j]
    sign = hold(art(SHEET, polygon(notch, Kind.ORGANIC)), rules=TieRules(blunt_mm=blunt_mm))
    arcs = [s for e in sign.edges for s in e.path if isinstance(s, Arc)]
    assert len(arcs) == n_arcs
    told = [n for n in sign.notes if n.kind is NoteKind.SETTING and "needle" in n.sentence]
    assert len(told) == n_arcs
    assert metal(sign).is_valid
