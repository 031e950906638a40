"""Ties: nothing floats. Metal counted by planar geometry and by filling a raster, independently."""

import cmath
import itertools
import math
from collections.abc import Sequence
from dataclasses import replace

import cv2
import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import ndimage

from raster2path.geometry import Kind, Line, Path, circle, cross, polygon, unit
from raster2path.job import TieMode, TieRules
from raster2path.model import (
    Art,
    Border,
    Edge,
    NoteKind,
    Placement,
    Sign,
)
from raster2path.sign._strength import stress_mpa
from raster2path.sign._strips import Strictness, across
from raster2path.sign._surgery import Ring
from raster2path.sign.ties import hold

RULES = TieRules()


def box(x0: float, y0: float, x1: float, y1: float, kind: Kind = Kind.GEOMETRIC) -> Path:
    corners = [complex(x0, y0), complex(x1, y0), complex(x1, y1), complex(x0, y1)]
    return polygon(corners, kind)


def art(*paths: Path, slits: Sequence[Path] = (), border: bool = True, size: float = 400) -> Art:
    """Nested paths as art; the first one is the border, if there is one."""
    shapes = [shapely.Polygon(path.flat()) for path in paths]
    order = sorted(range(len(paths)), key=lambda k: -shapes[k].area)
    edges: list[Edge] = []
    for k in order:
        around = [n for n, o in enumerate(order[: len(edges)]) if shapes[o].contains(shapes[k])]
        path = paths[k]
        if (path.area > 0) != (len(around) % 2 == 0):
            path = path.reversed()
        parent = max(around, key=lambda n: edges[n].depth, default=None)
        edges.append(Edge(path, border and k == 0, parent, len(around)))
    kind = Border.RECT if border else Border.NONE
    return Art(tuple(edges), tuple(slits), kind, Placement(1.0, 0, (0, 0, size, size)))


def raster_pieces(sign: Sign, *, kerf_mm: float = 0.0, px: float = 0.25) -> int:
    """Pieces over 4 mm2, counted by filling edges on a raster and labelling with scipy."""
    points = np.concatenate([edge.path.flat() for edge in sign.edges])
    low = points.min(axis=0) - 2
    cols, rows = (np.ceil((points.max(axis=0) - low + 2) / px)).astype(int)
    filled = np.zeros((rows, cols), np.uint8)
    for edge in sign.edges:
        one = np.zeros_like(filled)
        cv2.fillPoly(
            one, [np.round((edge.path.flat() - low) / px * 16).astype(np.int32)], 1, shift=4
        )
        filled ^= one
    for slit in sign.slits:
        line = np.round((slit.flat() - low) / px).astype(np.int32)
        cv2.polylines(filled, [line], slit.is_closed, 0, round(kerf_mm / px))
    labels, n = ndimage.label(filled)
    areas = ndimage.sum_labels(filled, labels, np.arange(1, n + 1)) * px * px
    return int(np.count_nonzero(np.atleast_1d(areas) > 4))


def metal(sign: Sign) -> shapely.Geometry:
    region: shapely.Geometry = shapely.Polygon()
    for edge in sorted(sign.edges, key=lambda e: -abs(e.path.area)):
        region = region.symmetric_difference(shapely.Polygon(edge.path.flat()))
    return region


def check_whole(sign: Sign, *, kerf_mm: float = 1.5) -> None:
    """One piece by geometry and by raster, edges simple and apart, ties true."""
    assert sign.loose == ()
    rings = [shapely.LinearRing(edge.path.flat()) for edge in sign.edges]
    assert all(ring.is_simple for ring in rings)
    assert not any(a.crosses(b) for k, a in enumerate(rings) for b in rings[:k])
    region = metal(sign)
    assert region.is_valid
    assert [p.area > 4 for p in shapely.get_parts(region)].count(True) == 1
    assert raster_pieces(sign, kerf_mm=kerf_mm) == 1
    eroded = shapely.get_parts(region.buffer(-0.95))
    assert sum(p.area > 4 for p in eroded) <= 1
    for tie in sign.ties:
        outline = shapely.Polygon([(z.real, z.imag) for z in tie.corners])
        # a tie's sides run exactly along the metal's edges; on a grid that is no riddle
        kept = shapely.intersection(outline, region, grid_size=1e-6)
        assert kept.area > 0.97 * outline.area
        assert tie.width_mm > RULES.least_tie_mm - 0.01
        assert all(type(z) is complex for z in tie.corners)


SHEET = box(0, 0, 400, 400)


def test_nothing_to_tie_leaves_every_edge_itself() -> None:
    drawing = art(SHEET, circle(200 + 200j, 50))
    sign = hold(drawing, rules=RULES)
    assert sign.ties == ()
    assert [e.path for e in sign.edges] == [e.path for e in drawing.edges]
    assert all(a.path is b.path for a, b in zip(sign.edges, drawing.edges, strict=True))
    assert [e.is_border for e in sign.edges] == [True, False]
    assert sign.n_islands == 0


def test_a_small_island_gets_one_tie_of_the_width_asked_for() -> None:
    sign = hold(art(SHEET, box(100, 100, 150, 140), box(110, 110, 140, 130)), rules=RULES)
    (tie,) = sign.ties
    assert tie.width_mm == pytest.approx(6.0)
    assert tie.length_mm == pytest.approx(10.0)
    assert sign.n_islands == 1
    check_whole(sign)


def test_two_ties_on_opposite_sides_of_a_wide_island() -> None:
    """Common practice, no source: two where the island is wider than five ties."""
    sign = hold(art(SHEET, circle(200 + 200j, 60), circle(200 + 200j, 40)), rules=RULES)
    assert len(sign.ties) == 2
    middles = [sum(tie.corners) / 4 - (200 + 200j) for tie in sign.ties]
    assert abs(middles[0] + middles[1]) < 3
    check_whole(sign)


def test_a_tie_stands_square_and_keeps_off_corners() -> None:
    sign = hold(art(SHEET, box(100, 100, 150, 160), box(110, 110, 140, 150)), rules=RULES)
    for tie in sign.ties:
        axis = unit(tie.corners[1] - tie.corners[0])
        assert min(abs(axis.real), abs(axis.imag)) < 1e-9
    straights = [s for e in sign.edges for s in e.path if isinstance(s, Line)]
    assert min(s.length for s in straights) >= 1.0


@pytest.mark.parametrize(("off_mm", "has_room"), [(3.5, False), (4.5, True)])
def test_a_tie_leaves_no_straight_under_a_millimetre(off_mm: float, *, has_room: bool) -> None:
    """Half a tie is 3 mm: 3.5 mm from the corner, half a millimetre of edge would be left."""
    rings = {
        0: Ring.of(box(100, 100, 150, 160).reversed(), frozenset({0})),
        1: Ring.of(box(110, 110, 140, 150), frozenset({1})),
    }
    laid = across(
        rings,
        lambda key: key,
        middle=complex(110 + off_mm, 105),
        axis=1j,
        length_mm=10,
        demand=Strictness(6.0, 0.75, 1.0, 1.0),
    )
    assert (laid is not None) == has_room


def test_the_counter_of_a_letter_is_held_at_top_and_bottom() -> None:
    k = Kind.LETTERING
    sign = hold(art(SHEET, box(100, 100, 180, 220, k), box(115, 115, 165, 205, k)), rules=RULES)
    assert len(sign.ties) == 2
    for tie in sign.ties:
        middle = sum(tie.corners) / 4
        assert middle.real == pytest.approx(140, abs=6)
        assert min(abs(middle.imag - 107.5), abs(middle.imag - 212.5)) < 1
    check_whole(sign)


def test_segments_that_no_tie_meets_are_the_same_objects() -> None:
    drawing = art(SHEET, box(100, 100, 150, 140), box(110, 110, 140, 130))
    sign = hold(drawing, rules=RULES)
    old = {id(s) for e in drawing.edges for s in e.path}
    new = [s for e in sign.edges for s in e.path]
    assert sum(id(s) in old for s in new) == 12 - 2
    sides = [s for s in new if getattr(s, "is_tie_side", False)]
    assert len(sides) == 2
    assert all(s.kind is Kind.GEOMETRIC for s in sides)


def test_metal_stays_to_the_right_of_travel() -> None:
    sign = hold(art(SHEET, circle(200 + 200j, 60), circle(200 + 200j, 40)), rules=RULES)
    region = metal(sign)
    for edge in sign.edges:
        for segment in edge.path:
            spot = segment.point(0.5) + 0.2j * segment.tangent(0.5)
            assert region.contains(shapely.Point(spot.real, spot.imag))


def test_islands_in_islands_six_deep() -> None:
    rings = [circle(200 + 200j, 180 - 25 * k) for k in range(6)]
    sign = hold(art(SHEET, *rings), rules=RULES)
    assert sign.n_islands == 3
    assert frozenset().union(*(e.origins for e in sign.edges)) == frozenset(range(7))
    check_whole(sign)


def test_loose_letters_without_a_border_are_tied_to_each_other() -> None:
    paths = [box(60 * k, 0, 60 * k + 45, 80) for k in range(5)]
    sign = hold(art(*paths, border=False), rules=RULES)
    assert sign.n_islands == 4
    assert len(sign.ties) == 8  # two for each gap: the letters are wider than five ties
    assert not any(e.is_border for e in sign.edges)
    check_whole(sign)


def test_a_gap_longer_than_five_ties_gets_a_bar_a_fifth_as_wide() -> None:
    sign = hold(art(box(0, 0, 220, 80), box(260, 0, 480, 80), border=False), rules=RULES)
    assert max(tie.width_mm for tie in sign.ties) == pytest.approx(8.0, rel=0.05)
    assert any(note.kind is NoteKind.LONG_TIE for note in sign.notes)
    check_whole(sign)


def test_words_far_apart_get_a_rail_under_the_row() -> None:
    paths = [box(x, 0, x + 45, 80) for x in (0, 60, 300, 360)]
    sign = hold(art(*paths, border=False), rules=RULES)
    lowest = max(edge.path.bounds()[3] for edge in sign.edges)
    assert 80 + 3 * 6 <= lowest <= 80 + 4 * 6 + 0.01
    assert sum("rail" in note.sentence for note in sign.notes) == 1
    assert max(tie.length_mm for tie in sign.ties) < 16
    check_whole(sign)


@pytest.mark.parametrize(("sheet_h", "n_faults"), [(90, 1), (120, 0)])
def test_the_size_told_takes_in_the_rail(sheet_h: float, n_faults: int) -> None:
    paths = [box(x, 0, x + 45, 80) for x in (0, 60, 300, 360)]
    drawn = art(*paths, border=False)
    placement = replace(drawn.placement, sign_mm=(0, 0, 405, 80), sheet_mm=(500, sheet_h))
    sign = hold(replace(drawn, placement=placement), rules=RULES)
    left, top, width, height = sign.art.placement.sign_mm
    lowest = max(edge.path.bounds()[3] for edge in sign.edges)
    assert (left, top, width) == (0, 0, 405)
    assert height == pytest.approx(lowest, abs=0.01)
    assert sum(note.kind is NoteKind.DOES_NOT_FIT for note in sign.notes) == n_faults


def test_pieces_far_apart_that_are_no_row_get_a_bar() -> None:
    sign = hold(art(box(0, 0, 80, 80), box(0, 180, 80, 260), border=False), rules=RULES)
    assert max(tie.width_mm for tie in sign.ties) == pytest.approx(20.0, rel=0.05)
    check_whole(sign)


def test_metal_that_hangs_by_a_neck_counts_as_loose() -> None:
    """A bow tie whose knot is 1 mm wide is widened to a tie's width."""
    bow = polygon([0, 50 + 39.5j, 100 + 0j, 100 + 80j, 50 + 40.5j, 80j])
    sign = hold(art(bow, border=False), rules=RULES)
    assert len(shapely.get_parts(metal(sign).buffer(-0.95))) == 1
    check_whole(sign)


def test_a_speck_is_left_out_and_told() -> None:
    sign = hold(art(SHEET, box(100, 100, 150, 140), box(120, 120, 123, 123)), rules=RULES)
    assert sign.ties == ()
    notes = [note for note in sign.notes if note.kind is NoteKind.TOO_SMALL]
    assert len(notes) == 1
    assert notes[0].place_mm == pytest.approx(121.5 + 121.5j)
    assert len(sign.edges) == 2


def test_an_island_narrower_than_its_tie_is_still_held() -> None:
    sign = hold(art(SHEET, box(100, 100, 150, 140), box(122, 117, 126, 123)), rules=RULES)
    assert sign.n_islands == 1
    check_whole(sign)


def test_ties_none_lists_what_would_fall_out() -> None:
    drawing = art(SHEET, box(100, 100, 160, 140), box(110, 110, 150, 130))
    sign = hold(drawing, rules=TieRules(mode=TieMode.NONE))
    (island,) = sign.loose
    assert island.place_mm == pytest.approx(130 + 120j)
    assert island.size_mm == pytest.approx((40, 20))
    assert island.area_mm2 == pytest.approx(800)
    assert sign.ties == ()
    assert sign.n_islands == 1
    (note,) = [note for note in sign.notes if note.kind is NoteKind.LOOSE]
    assert "40 × 20 mm" in note.sentence
    assert note.place_mm == pytest.approx(130 + 120j)


def test_a_closed_slit_gets_a_gap() -> None:
    sign = hold(art(SHEET, slits=[circle(200 + 200j, 30)]), rules=RULES)
    assert len(sign.gaps_mm) == 1
    (slit,) = sign.slits
    assert not slit.is_closed
    assert slit.length == pytest.approx(2 * math.pi * 30 - 7.5, abs=0.01)
    assert abs(slit.start - slit.end) == pytest.approx(7.5, abs=0.1)
    check_whole(sign)


def test_a_large_closed_slit_gets_two_gaps() -> None:
    sign = hold(art(SHEET, slits=[circle(200 + 200j, 80)]), rules=RULES)
    assert len(sign.slits) == len(sign.gaps_mm) == 2
    a, b = (gap - (200 + 200j) for gap in sign.gaps_mm)
    assert abs(a + b) < 60
    check_whole(sign)


def test_slits_that_free_a_piece_together_with_an_edge() -> None:
    """Two slits from the edge of the sheet that meet inside cut a corner off."""
    corner = 60 + 60j
    slits = [
        Path((Line(-2 + 60j, corner),), is_closed=False),
        Path((Line(corner, 60 - 2j),), is_closed=False),
    ]
    sign = hold(art(SHEET, slits=slits), rules=RULES)
    assert len(sign.gaps_mm) == 1
    check_whole(sign)


def test_slits_that_free_nothing_stay_themselves() -> None:
    slit = Path((Line(100 + 100j, 200 + 100j),), is_closed=False)
    sign = hold(art(SHEET, slits=[slit]), rules=RULES)
    assert sign.slits[0] is slit
    assert sign.gaps_mm == ()


def test_thin_metal_between_two_cuts_is_told() -> None:
    sign = hold(art(SHEET, box(100, 100, 150, 200), box(153, 100, 200, 200)), rules=RULES)
    thin = [note for note in sign.notes if note.kind is NoteKind.THIN]
    assert len(thin) == 1
    assert thin[0].size_mm == pytest.approx(3.0, abs=0.1)
    assert thin[0].place_mm is not None
    assert thin[0].place_mm.real == pytest.approx(151.5, abs=1)


def test_stress_of_a_tie_by_the_worked_example() -> None:
    """Beam formula, 6 M / (b t^2): 300 x 300 on one 6 mm tie, 684 MPa; 60 x 120 on 5 mm, 26.3."""
    one = stress_mpa(area_mm2=9e4, lever_mm=150, width_mm=6, thickness_mm=1.519)
    assert one == pytest.approx(684, abs=1)
    counter = stress_mpa(area_mm2=7200, lever_mm=60, width_mm=5, thickness_mm=1.519)
    assert counter == pytest.approx(26.3, abs=0.05)


def test_the_same_drawing_gives_the_same_sign() -> None:
    drawing = art(SHEET, circle(200 + 200j, 60), circle(200 + 200j, 40))
    a, b = hold(drawing, rules=RULES), hold(drawing, rules=RULES)
    assert a.edges == b.edges
    assert a.ties == b.ties


blobs = st.lists(
    st.tuples(
        st.floats(30, 370), st.floats(30, 370), st.floats(4, 60), st.integers(3, 9), st.floats(0, 6)
    ),
    min_size=1,
    max_size=9,
)


@settings(deadline=None, max_examples=25)
@given(drawn=blobs, has_border=st.booleans())
def test_whatever_is_drawn_the_sign_can_be_lifted(
    drawn: list[tuple[float, float, float, int, float]], *, has_border: bool
) -> None:
    """Nested and scattered polygons and circles; those that touch one another are left out."""
    paths: list[Path] = [SHEET] if has_border else []
    shapes = [shapely.Polygon(path.flat()).exterior for path in paths]
    for x, y, size, n, turn in drawn:
        middle = complex(x, y)
        corners = [
            middle
            + size
            * complex(math.cos(turn + 2 * math.pi * k / n), math.sin(turn + 2 * math.pi * k / n))
            for k in range(n)
        ]
        path = circle(middle, size) if n > 7 else polygon(corners, Kind.ORGANIC)
        line = shapely.Polygon(path.flat()).exterior
        if all(line.distance(other) > 1.0 for other in shapes):
            paths.append(path)
            shapes.append(line)
    if not paths:
        return
    check_whole(hold(art(*paths, border=has_border), rules=RULES))


def test_two_hundred_islands_come_out_whole() -> None:
    rings = []
    for row in range(10):
        for col in range(20):
            middle = complex(20 + 19 * col, 25 + 38 * row)
            rings += [circle(middle, 9), circle(middle, 5)]
    sign = hold(art(SHEET, *rings), rules=RULES)
    assert sign.n_islands == 200
    assert len(sign.ties) == 200
    check_whole(sign)


def test_turned_drawing_gives_as_many_ties() -> None:
    """A quarter turn changes no length, so it changes no count."""
    paths = (SHEET, box(100, 100, 190, 140), box(110, 110, 180, 130), circle(300 + 300j, 50))
    turned = tuple(path.mapped(1j, 400 + 0j) for path in paths)
    straight = hold(art(*paths), rules=RULES)
    quarter = hold(art(*turned), rules=RULES)
    assert len(straight.ties) == len(quarter.ties)
    assert cross(1, 1j) == 1


@pytest.mark.parametrize(("gap_mm", "n_ties"), [(0.9, 0), (2.5, 1)])
def test_a_tie_is_listed_where_the_torch_leaves_it_two_free_sides(
    gap_mm: float, n_ties: int
) -> None:
    """A gap narrower than the kerf stays metal all along; a strip across it is no strip."""
    island = box(110 + gap_mm, 110 + gap_mm, 140 - gap_mm, 130 - gap_mm)
    sign = hold(art(SHEET, box(110, 110, 140, 130), island), rules=RULES)
    assert len(sign.ties) == n_ties
    check_whole(sign)


def slit(*points: complex, is_closed: bool = False) -> Path:
    ends = [*points, points[0]] if is_closed else points
    lines = [Line(a, b, Kind.ORGANIC) for a, b in itertools.pairwise(ends)]
    return Path(tuple(lines), is_closed=is_closed)


@settings(max_examples=25, deadline=None)
@given(st.integers(3, 6), st.floats(3.0, 12.0), st.floats(0, 6.3), st.integers(0, 1))
def test_no_loop_of_slits_comes_loose(n: int, radius: float, turn_rad: float, closed: int) -> None:
    """Independent count: the sheet less a band along what is left of the slits."""
    corners = [200 + 200j + cmath.rect(radius, turn_rad + 2 * math.pi * k / n) for k in range(n)]
    sides = [slit(a, b) for a, b in itertools.pairwise([*corners, corners[0]])]
    tail = slit(corners[0], 320 + 210j)
    slits = [slit(*corners, is_closed=True)] if closed else [*sides, tail]
    sign = hold(art(SHEET, slits=slits), rules=RULES)
    assert sign.loose == ()
    lines = [shapely.LineString(path.flat()) for path in sign.slits]
    rest = metal(sign).difference(shapely.union_all([line.buffer(0.75) for line in lines]))
    assert sum(part.area > 4 for part in shapely.get_parts(rest)) == 1


@pytest.mark.parametrize(("side", "gap"), [(3.3, 0.0), (3.75, 1.6)])
def test_bits_between_slits_hang_by_more_than_a_hair_or_fall_out(side: float, gap: float) -> None:
    """Left over, they were pieces to any count but our own: under a crumb, or by a hair's width."""
    a, b = 50 + 50j, 50 + side + 50j
    c, d = b + 1j * side, a + 1j * side
    corners = (a, b, c, d, a + 1j * gap)
    slits = [slit(p, q) for p, q in itertools.pairwise(corners)]
    sign = hold(art(box(0, 0, 120, 120), slits=slits), rules=RULES)
    for kerf in (RULES.kerf_mm, RULES.kerf_mm + 0.25):
        lines = [shapely.LineString(path.flat()) for path in sign.slits]
        left = metal(sign).difference(shapely.union_all([line.buffer(kerf / 2) for line in lines]))
        assert len([part for part in shapely.get_parts(left) if part.area > 2]) == 1
    assert any("loop" in note.sentence for note in sign.notes)


def test_many_small_loops_make_one_note_and_keep_what_is_far_from_them() -> None:
    loops = [
        slit(at, at + 6.5, at + 6.5 + 6.5j, at + 6.5j, at)
        for at in (complex(50 + 40 * k, 100) for k in range(5))
    ]
    sides = [slit(a.start, a.end) for loop in loops for a in loop.segments]
    far = slit(50 + 300j, 350 + 300j)
    sign = hold(art(SHEET, slits=[*sides, far]), rules=RULES)
    assert sign.loose == ()
    assert far in sign.slits
    (note,) = (n for n in sign.notes if n.kind is NoteKind.TOO_SMALL)
    assert note.sentence.startswith("5 loops")
    assert len(sign.slits) == 1 + 3 * 5
    assert len(sign.gaps_mm) == 5


def test_a_row_of_small_pieces_is_held_at_both_ends() -> None:
    """A row tied together and hung by one end is one long arm (common practice, no source)."""
    middles = [complex(110 + 30 * k, 200) for k in range(7)]
    sign = hold(
        art(SHEET, box(60, 140, 340, 260), *(circle(at, 11) for at in middles)), rules=RULES
    )
    sides = shapely.box(60, 140, 340, 260).exterior
    anchored = [
        tie
        for tie in sign.ties
        if sides.distance(shapely.Polygon([(z.real, z.imag) for z in tie.corners])) < 0.1
    ]
    xs = [(sum(tie.corners) / len(tie.corners)).real for tie in anchored]
    assert min(xs) < 160
    assert max(xs) > 240
    check_whole(sign)


def test_counters_of_a_row_of_letters_are_held_alike_and_upright() -> None:
    letters = [
        path
        for x in (40.0, 130.0, 220.0, 310.0)
        for path in (
            box(x, 150, x + 50, 250, Kind.LETTERING),
            box(x + 15, 165, x + 35, 235, Kind.LETTERING),
        )
    ]
    sign = hold(art(SHEET, *letters), rules=RULES)
    axes = [tie.corners[1] - tie.corners[0] for tie in sign.ties]
    places = {(sum(tie.corners) / 4).imag for tie in sign.ties}
    assert len(sign.ties) == 4 * len(places)
    assert min(places) == pytest.approx(157.5)
    assert all(abs(axis.real) < 1e-9 for axis in axes)


@pytest.mark.parametrize("turn_deg", [-50, -20, 0, 35, 90])
def test_letters_on_an_arch_are_held_at_their_own_top(turn_deg: float) -> None:
    """A tie straight up and down the sheet looks like a slip where the letter leans."""
    turn, middle = cmath.rect(1, math.radians(turn_deg)), 150 + 170j
    ring, counter = (
        circle(0, radius, Kind.LETTERING).mapped(turn, middle) for radius in (60.0, 42.0)
    )
    leaf = polygon([280 + 60j, 300 + 90j, 290 + 150j])
    bare = art(SHEET, ring, counter, leaf)
    edges = tuple(replace(edge, level=None if edge.is_border else turn) for edge in bare.edges)
    sign = hold(replace(bare, edges=edges), rules=RULES)
    assert sign.ties
    for tie in sign.ties:
        own = (sum(tie.corners) / 4 - middle) * turn.conjugate()
        assert abs(own.real) < 3  # places are tried every 2 mm
    assert min(((sum(t.corners) / 4 - middle) * turn.conjugate()).imag for t in sign.ties) < -50
