"""From a net of drawn lines to edges and slits: what stays, what falls, what is one pass."""

from __future__ import annotations

from itertools import pairwise

import cv2
import numpy as np
import numpy.typing as npt
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from raster2path.geometry import Points, signed_area
from raster2path.model import (
    Border,
    Dark,
    Mask,
    NoteKind,
    Outlines,
    PixelNet,
    PixelStroke,
    Placement,
    Read,
)
from raster2path.shape._planar import Line, planar_map
from raster2path.shape.faces import choose_border, shape_net

MM_PER_PX = 0.5
PLACEMENT = Placement(MM_PER_PX, 10 + 20j, (25, 25, 150, 100))
SHAPE = (200, 300)
OUTER = (10.0, 10.0, 290.0, 190.0)


def way(*corners: tuple[float, float]) -> Points:
    """Points a pixel apart along straight lines through the corners."""
    parts = [
        np.linspace(a, b, max(2, round(float(np.hypot(*np.subtract(b, a)))) + 1))[:-1]
        for a, b in pairwise(corners)
    ]
    return np.vstack([*parts, corners[-1]])


def box(x0: float, y0: float, x1: float, y1: float) -> Points:
    return way((x0, y0), (x1, y0), (x1, y1), (x0, y1), (x0, y0))[:-1]


def net(
    *closed: Points,
    between: tuple[tuple[Points, tuple[int, int]], ...] = (),
    nodes: npt.ArrayLike = (),
    shaded: Mask | None = None,
    is_round_all: bool = False,
) -> PixelNet:
    strokes = [PixelStroke(points, 4.0, None, 0.1) for points in closed]
    strokes += [PixelStroke(points, 4.0, ends, 0.1) for points, ends in between]
    return PixelNet(
        tuple(strokes),
        np.asarray(nodes, np.float64).reshape(-1, 2),
        blur_px=1.0,
        has_line_round_all=is_round_all,
        shaded=shaded,
    )


def halves(*, shaded: Mask | None = None) -> PixelNet:
    """A box from (100, 60) to (200, 140) cut in two by an upright line at x = 150."""
    nodes = [(150, 60), (150, 140)]
    right = way((150, 60), (200, 60), (200, 140), (150, 140))
    left = way((150, 140), (100, 140), (100, 60), (150, 60))
    middle = way((150, 60), (150, 140))
    between = ((right, (0, 1)), (left, (1, 0)), (middle, (0, 1)))
    return net(between=between, nodes=nodes, shaded=shaded)


def shading(x0: int, y0: int, x1: int, y1: int) -> Mask:
    mask = np.zeros(SHAPE, np.bool_)
    mask[y0:y1, x0:x1] = True
    return mask


def shaped(
    drawing: PixelNet,
    read: Read = Read.EDGE,
    *,
    border: Border = Border.RECT,
    dark: Dark | None = None,
    web_mm: float = 5.0,
) -> Outlines:
    return shape_net(
        drawing,
        PLACEMENT,
        read=read,
        dark=dark,
        border=border,
        web_mm=web_mm,
        is_squared=False,
    )


def areas_px(outlines: Outlines) -> list[float]:
    return sorted(abs(signed_area(ring.points_mm)) / MM_PER_PX**2 for ring in outlines.rings)


NESTED = (box(50, 50, 250, 150), box(80, 70, 220, 130), box(100, 80, 200, 120))


def test_nested_lines_alternate_and_fill_by_even_odd() -> None:
    outlines = shaped(net(*NESTED))
    assert areas_px(outlines) == pytest.approx([4000, 8400, 20000])
    assert outlines.region is Dark.OPENING
    assert not any(ring.is_border for ring in outlines.rings)
    assert not outlines.strokes


def test_metal_lies_on_the_right_of_every_ring() -> None:
    """Outermost falls out, so its ring runs anticlockwise, the next clockwise, and so on."""
    outlines = shaped(net(*NESTED))
    turning = sorted(
        (signed_area(ring.points_mm) for ring in outlines.rings), key=abs, reverse=True
    )
    assert [area > 0 for area in turning] == [False, True, False]
    metal = shaped(net(*NESTED), dark=Dark.METAL)
    assert len(metal.rings) == 2  # metal inside the outermost line is metal on both its sides
    assert len(metal.strokes) == 1


def test_without_a_border_the_outermost_line_is_the_edge_of_the_metal() -> None:
    outlines = shaped(net(*NESTED), border=Border.NONE)
    assert outlines.region is Dark.METAL
    assert areas_px(outlines) == pytest.approx([4000, 8400, 20000])
    largest = max(outlines.rings, key=lambda ring: abs(signed_area(ring.points_mm)))
    assert signed_area(largest.points_mm) > 0


def test_a_drawn_border_is_the_outermost_line_and_metal_is_inside_it() -> None:
    outlines = shaped(net(box(*OUTER), *NESTED), border=Border.DRAWN)
    border = [ring for ring in outlines.rings if ring.is_border]
    assert len(border) == 1
    assert signed_area(border[0].points_mm) == pytest.approx(280 * 180 * MM_PER_PX**2)
    assert len(outlines.rings) == 4
    assert outlines.region is Dark.OPENING


def test_exactly_the_shaded_faces_fall_out() -> None:
    outlines = shaped(halves(shaded=shading(102, 62, 148, 138)))
    assert areas_px(outlines) == pytest.approx([4000])
    (slit,) = outlines.strokes  # the other half's outline, with metal on both sides
    assert slit.ends == (True, True)
    ends = slit.points_mm[[0, -1]]
    (ring,) = outlines.rings
    assert {tuple(end) for end in ends} <= {tuple(point) for point in ring.points_mm}


def test_shading_that_fills_no_face_does_not_count() -> None:
    outlines = shaped(net(*NESTED, shaded=shading(110, 90, 120, 100)))
    assert areas_px(outlines) == pytest.approx([4000, 8400, 20000])


def test_lines_between_two_openings_vanish_with_a_note() -> None:
    outlines = shaped(halves())
    assert areas_px(outlines) == pytest.approx([8000])
    assert not outlines.strokes
    (note,) = outlines.notes
    assert note.kind is NoteKind.READING
    assert note.place_mm == pytest.approx(complex(10 + 75, 20 + 50))
    assert note.size_mm == pytest.approx(40)


def test_open_strokes_in_metal_are_slits() -> None:
    lone = (way((40, 100), (260, 100)), (0, 1))
    outlines = shaped(net(between=(lone,), nodes=[(40, 100), (260, 100)]))
    (slit,) = outlines.strokes
    assert slit.points_mm == pytest.approx(PLACEMENT.to_mm(lone[0]))
    assert (slit.is_closed, slit.ends) == (False, (False, False))
    assert slit.width_mm == pytest.approx(2)
    assert slit.noise_mm == pytest.approx(0.05)


def crossing() -> PixelNet:
    nodes = [(150, 100), (40, 100), (260, 100), (150, 30), (150, 170)]
    arms = tuple((way(nodes[0], nodes[k]), (0, k)) for k in range(1, 5))
    return net(between=arms, nodes=nodes)


def test_a_slit_goes_straight_on_past_a_crossing() -> None:
    outlines = shaped(crossing(), Read.SLIT)
    assert len(outlines.strokes) == 2
    lengths = sorted(shapely.LineString(slit.points_mm).length for slit in outlines.strokes)
    assert lengths == pytest.approx([70, 110])
    middle = PLACEMENT.to_mm(np.array([[150.0, 100.0]]))[0]
    for slit in outlines.strokes:
        assert (slit.points_mm == middle).all(axis=1).sum() == 1


def test_a_branch_ends_exactly_on_the_slit_that_it_meets() -> None:
    nodes = [(150, 100), (40, 100), (260, 100), (150, 30)]
    arms = tuple((way(nodes[0], nodes[k]), (0, k)) for k in range(1, 4))
    outlines = shaped(net(between=arms, nodes=nodes), Read.SLIT)
    branch, through = sorted(outlines.strokes, key=lambda slit: len(slit.points_mm))
    assert sorted(branch.ends) == [False, True]
    assert through.ends == (False, False)
    assert tuple(branch.points_mm[0]) in {tuple(point) for point in through.points_mm}


def test_slits_inside_a_drawn_border_leave_the_border_a_ring() -> None:
    arm = (way((40, 100), (260, 100)), (0, 1))
    drawing = net(box(*OUTER), between=(arm,), nodes=[(40, 100), (260, 100)])
    outlines = shaped(drawing, Read.SLIT, border=Border.DRAWN)
    (ring,) = outlines.rings
    assert ring.is_border
    assert signed_area(ring.points_mm) > 0
    assert len(outlines.strokes) == 1
    loose = shaped(drawing, Read.SLIT)
    assert (len(loose.rings), len(loose.strokes)) == (0, 2)
    assert sorted(slit.is_closed for slit in loose.strokes) == [False, True]


def test_bars_are_as_wide_as_drawn_or_as_the_least_web() -> None:
    """Independent reference: the area of a frame of a given width, its outer corners round."""
    drawing = net(box(50, 50, 250, 150))
    for web_mm, width_mm in ((1.0, 2.0), (6.0, 6.0)):
        outlines = shaped(drawing, Read.BAR, web_mm=web_mm)
        inner, outer = areas_px(outlines)
        assert outlines.region is Dark.METAL
        half = width_mm / MM_PER_PX / 2
        assert inner == pytest.approx((200 - 2 * half) * (100 - 2 * half), rel=0.002)
        round_px = (4 - np.pi) * half**2
        want = (200 + 2 * half) * (100 + 2 * half) - round_px
        assert outer == pytest.approx(want, rel=0.002)
    framed = shaped(drawing, Read.BAR, border=Border.DRAWN)
    assert framed.region is Dark.OPENING
    assert sorted(ring.is_border for ring in framed.rings) == [False, True]


def test_two_openings_that_meet_in_a_point_get_a_web() -> None:
    """A bow tie: both halves shaded; between them metal as wide as the web, or nearly."""
    nodes = [(150, 100)]
    left = way((150, 100), (100, 60), (100, 140), (150, 100))
    right = way((150, 100), (200, 140), (200, 60), (150, 100))
    mask = np.zeros(SHAPE, np.uint8)
    for loop in (left, right):
        cv2.fillPoly(mask, [loop.astype(np.int32).reshape(-1, 1, 2)], (1,))
    drawing = net(between=((left, (0, 0)), (right, (0, 0))), nodes=nodes, shaded=mask > 0)
    outlines = shaped(drawing, web_mm=6)
    lines = [shapely.LinearRing(ring.points_mm) for ring in outlines.rings]
    assert len(lines) == 2
    assert 2 < lines[0].distance(lines[1]) <= 1.2 * 6


def test_a_loop_on_a_stalk_is_a_face() -> None:
    """A dangling line bounds nothing: outside it is a slit, inside the opening it is scrap."""
    nodes = [(200, 100), (280, 100), (150, 100)]
    loop = (way((200, 100), (200, 140), (100, 140), (100, 60), (200, 60), (200, 100)), (0, 0))
    outside = (way((200, 100), (280, 100)), (0, 1))
    inside = (way((200, 100), (150, 100)), (0, 2))
    outlines = shaped(net(between=(loop, outside, inside), nodes=nodes))
    assert areas_px(outlines) == pytest.approx([8000])
    (slit,) = outlines.strokes
    assert shapely.LineString(slit.points_mm).length == pytest.approx(40)
    assert sorted(slit.ends) == [False, True]
    assert [note.size_mm for note in outlines.notes] == pytest.approx([25])


def test_border_is_drawn_where_a_line_goes_round_all_and_nothing_outside_is_shaded() -> None:
    rings = (box(20, 20, 280, 180), box(80, 70, 220, 130))
    assert choose_border(net(*rings), read=Read.EDGE) is Border.RECT
    assert choose_border(net(*rings, is_round_all=True), read=Read.SLIT) is Border.DRAWN

    def chosen(shaded: Mask) -> Border:
        return choose_border(net(*rings, is_round_all=True, shaded=shaded), read=Read.EDGE)

    assert chosen(shading(82, 72, 218, 128)) is Border.DRAWN
    assert chosen(shading(82, 72, 218, 128) | shading(0, 0, 8, 200)) is Border.RECT
    assert chosen(shading(22, 22, 278, 178)) is Border.RECT  # the line is a shaded face's rim


def test_rings_that_cross_are_not_both_kept() -> None:
    outlines = shaped(net(box(50, 50, 150, 150), box(100, 80, 250, 120)))
    assert len(outlines.rings) == 1
    assert any("crosses" in note.sentence for note in outlines.notes)


def grid_net(n_cols: int, n_rows: int) -> tuple[PixelNet, int]:
    step = 30.0
    nodes = [(20 + step * c, 20 + step * r) for r in range(n_rows + 1) for c in range(n_cols + 1)]
    pairs = [(k, k + 1) for k in range(len(nodes)) if (k + 1) % (n_cols + 1)]
    pairs += [(k, k + n_cols + 1) for k in range(len(nodes) - n_cols - 1)]
    between = tuple((way(nodes[a], nodes[b]), (a, b)) for a, b in pairs)
    return net(between=between, nodes=nodes), len(pairs) - len(nodes) + 1


@settings(max_examples=20, deadline=None)
@given(st.integers(1, 8), st.integers(1, 5), st.data())
def test_faces_are_as_many_as_the_formula_says(
    n_cols: int, n_rows: int, data: st.DataObject
) -> None:
    """Independent reference: Euler's formula, and faces found by shapely's polygonize."""
    drawing, _ = grid_net(n_cols, n_rows)
    drop = data.draw(st.sets(st.integers(0, len(drawing.strokes) - 1), max_size=6))
    kept = [stroke for k, stroke in enumerate(drawing.strokes) if k not in drop]
    if not kept:
        return
    lines = tuple(Line(s.points_px, s.nodes or (0, 0), is_closed=False) for s in kept)
    faces = planar_map(lines, look=3.0)
    found = [
        abs(signed_area(faces.chain(outline))) for outline in faces.outline if outline is not None
    ]
    want = shapely.get_parts(shapely.polygonize([shapely.LineString(s.points_px) for s in kept]))
    assert sorted(found) == pytest.approx(sorted(shapely.Polygon(p.exterior).area for p in want))


@settings(max_examples=20, deadline=None)
@given(st.integers(1, 6), st.integers(1, 5), st.integers(0, 10_000))
def test_the_rings_fill_is_what_is_shaded(n_cols: int, n_rows: int, seed: int) -> None:
    """Whatever cells are shaded, the even-odd fill of the rings is those, less cut corners."""
    drawing, _ = grid_net(n_cols, n_rows)
    rng = np.random.default_rng(seed)
    chosen = rng.random((n_rows, n_cols)) < 0.5
    chosen[0, 0] = True
    shaded = np.zeros(SHAPE, np.bool_)
    for row, col in zip(*np.nonzero(chosen), strict=True):
        shaded[22 + 30 * row : 48 + 30 * row, 22 + 30 * col : 48 + 30 * col] = True
    outlines = shaped(
        net(
            between=tuple((s.points_px, s.nodes or (0, 0)) for s in drawing.strokes),
            nodes=drawing.nodes_px,
            shaded=shaded,
        ),
        web_mm=2.0,
    )
    fill = shapely.Polygon()
    for ring in outlines.rings:
        fill = fill.symmetric_difference(shapely.Polygon(ring.points_mm))
    x, y = np.meshgrid(35 + 30 * np.arange(n_cols), 35 + 30 * np.arange(n_rows))
    middles = PLACEMENT.to_mm(np.column_stack([x.ravel(), y.ravel()]).astype(np.float64))
    inside = shapely.contains_xy(fill, middles[:, 0], middles[:, 1])
    assert inside.tolist() == chosen.ravel().tolist()
    assert fill.area / MM_PER_PX**2 == pytest.approx(900 * chosen.sum(), rel=0.05, abs=1)
