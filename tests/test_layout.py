"""Layout: borders, exact size, nesting, and what does not fit."""

import math
from dataclasses import replace

import pytest
import shapely

from raster2path.errors import UsageError
from raster2path.geometry import Line, Path, circle, polygon
from raster2path.job import SizeRules
from raster2path.model import Art, Border, Dark, FittedRing, NoteKind, Paths, Placement
from raster2path.sign.layout import ellipse, lay_out

PLACEMENT = Placement(mm_per_px=0.5, origin_mm=25 + 25j, sign_mm=(25, 25, 600, 400))
SQUARE = polygon([200 + 200j, 300 + 200j, 300 + 300j, 200 + 300j])

OUTER_BOX = ((25, 25), (625, 25), (625, 425), (25, 425))
INNER_BOX = ((35, 35), (615, 35), (615, 415), (35, 415))


def paths(
    *rings: Path,
    region: Dark = Dark.OPENING,
    border: Border = Border.RECT,
    placement: Placement = PLACEMENT,
) -> Paths:
    return Paths(tuple(FittedRing(ring) for ring in rings), (), region, border, placement)


def metal_area(art: Art) -> float:
    return sum(edge.path.area for edge in art.edges)


def test_openings_in_a_rectangle() -> None:
    art = lay_out(paths(SQUARE), rules=SizeRules())
    assert [(edge.is_border, edge.parent, edge.depth) for edge in art.edges] == [
        (True, None, 0),
        (False, 0, 1),
    ]
    assert metal_area(art) == pytest.approx(600 * 400 - 100 * 100)


def test_metal_lies_to_the_right_whichever_way_rings_came() -> None:
    art = lay_out(paths(SQUARE, SQUARE.reversed().mapped(0.5, 125 + 125j)), rules=SizeRules())
    assert [edge.path.area > 0 for edge in art.edges] == [True, False, True]


@pytest.mark.parametrize(
    ("border", "area"),
    [(Border.ROUND, math.pi * 200**2), (Border.OVAL, math.pi * 300 * 200)],
)
def test_round_borders(border: Border, area: float) -> None:
    art = lay_out(paths(SQUARE, border=border), rules=SizeRules())
    assert art.edges[0].path.area == pytest.approx(area, rel=1e-3)


def test_ellipse_is_true() -> None:
    """Against the formula of the ellipse; by that constant, at most 2.7e-4 outside."""
    points = ellipse(0, 300, 200).flat(0.001)
    radius = ((points / (300, 200)) ** 2).sum(axis=1) ** 0.5
    assert abs(radius - 1).max() < 3e-4
    assert ellipse(0, 300, 200).area > 0


def test_loose_metal_in_a_border_gets_a_frame() -> None:
    art = lay_out(paths(SQUARE, region=Dark.METAL), rules=SizeRules(margin_mm=40))
    assert [edge.depth for edge in art.edges] == [0, 1, 2]
    frame = 600 * 400 - 560 * 360
    assert metal_area(art) == pytest.approx(frame + 100 * 100)


def test_width_is_made_exact() -> None:
    """The fit moved the outer edge by a pixel; the sign is as wide as was asked all the same."""
    ring = polygon([25 + 25j, 624 + 25j, 624 + 425j, 25 + 425j])
    art = lay_out(paths(ring, region=Dark.METAL, border=Border.NONE), rules=SizeRules(width_mm=600))
    x0, _, x1, _ = art.edges[0].path.bounds()
    assert x1 - x0 == pytest.approx(600, abs=1e-6)
    assert art.placement.mm_per_px == pytest.approx(0.5 * 600 / 599)


def test_openings_need_a_sheet_round_them() -> None:
    with pytest.raises(UsageError, match="add --border rect"):
        lay_out(paths(SQUARE, border=Border.NONE), rules=SizeRules())


def test_the_drawn_frame_of_a_solid_picture_becomes_the_border() -> None:
    """Dark falls out, but the frame's own strip stays: two nested frame edges give one border."""
    frame = [polygon([x + y * 1j for x, y in box]) for box in (OUTER_BOX, INNER_BOX)]
    art = lay_out(paths(*frame, SQUARE, border=Border.DRAWN), rules=SizeRules())
    assert [(edge.is_border, edge.depth) for edge in art.edges] == [(True, 0), (False, 1)]
    assert metal_area(art) == pytest.approx(600 * 400 - 100 * 100)


def test_no_drawn_line_goes_round_everything() -> None:
    beside = SQUARE.mapped(1, 200)
    with pytest.raises(UsageError, match="no drawn line goes round everything"):
        lay_out(paths(SQUARE, beside, border=Border.DRAWN), rules=SizeRules())


def test_slits_without_a_border_are_laid_out_and_told() -> None:
    slit = Path((Line(200 + 200j, 300 + 200j),), is_closed=False)
    art = lay_out(replace(paths(border=Border.NONE), slits=(slit,)), rules=SizeRules())
    assert art.edges == ()
    assert art.slits == (slit,)
    assert "not proven" in art.notes[0].sentence


def test_a_blank_that_is_too_small_is_a_fault() -> None:
    placement = Placement(0.5, 0j, (-6, 20, 612, 400), (600.0, 440.0))
    art = lay_out(paths(SQUARE, placement=placement), rules=SizeRules(sheet_mm=(600, 440)))
    (note,) = art.notes
    assert note.kind is NoteKind.DOES_NOT_FIT
    assert "612 × 400 mm; your sheet is 600 × 440" in note.sentence


def test_six_rings_deep() -> None:
    """Nesting against shapely's own containment."""
    rings = [circle(325 + 225j, radius) for radius in (20, 140, 60, 180, 100)]
    art = lay_out(paths(*rings), rules=SizeRules())
    assert [edge.depth for edge in art.edges] == [0, 1, 2, 3, 4, 5]
    for edge in art.edges[1:]:
        assert edge.parent is not None
        outer = shapely.Polygon(art.edges[edge.parent].path.flat())
        assert outer.contains(shapely.Polygon(edge.path.flat()))
    assert art.ancestors(3) == {0, 1, 2}
