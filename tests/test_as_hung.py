"""The picture for the customer shows what will hang: ties whole, drops gone, corners as cut.

Independent reference: the share of metal is counted in pixels and held against areas worked out by
hand and by shapely.
"""

import io
import math
from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pytest
import shapely
from PIL import Image

from raster2path.geometry import Line, Path, polygon
from raster2path.guides.as_hung import (
    SIDE_PX,
    _metal,
    _View,
    _view,
    as_hung_png,
)
from raster2path.guides.colours import PAPER, rgb
from raster2path.model import CutOrder
from tests.guide_scenes import STAMP, box, crowd, harbour, not_ready, order_of, placed, plate


def seen(content: bytes) -> npt.NDArray[np.uint8]:
    return np.asarray(Image.open(io.BytesIO(content)).convert("RGB"))


def metal_of(order: CutOrder) -> tuple[_View, npt.NDArray[np.float32]]:
    view = _view(order)
    return view, _metal(view, order)


def at(view: _View, share: npt.NDArray[np.float32], place: complex) -> float:
    x, y = view.to_px(np.array([[place.real, place.imag]]))[0]
    return float(share[int(y), int(x)])


def with_kerf(order: CutOrder, kerf_mm: float) -> CutOrder:
    return replace(order, plan=replace(order.plan, kerf_mm=kerf_mm))


def test_metal_has_the_area_that_it_should() -> None:
    view, share = metal_of(with_kerf(harbour(), 0))
    area = sum(edge.path.area for edge in harbour().plan.edges)  # openings count negative
    slit = harbour().plan.slits[0].length * 0.2  # drawn that wide at least
    assert float(share.sum()) / view.px_per_mm**2 == pytest.approx(area - slit, rel=4e-4)


def test_ties_hold_and_drops_are_gone() -> None:
    view, share = metal_of(harbour())
    centre = 220 + 300j
    assert at(view, share, centre) == 1  # the middle of the O
    assert at(view, share, centre + 41) == 1  # a tie
    assert at(view, share, centre + 41j) == 0  # what fell out
    assert at(view, share, 100 + 150j) == 0
    assert at(view, share, 590 + 60j) < 0.5  # the hole that is only a pierce
    assert at(view, share, 20 + 20j) == 0  # the wall


def test_a_slit_is_as_wide_as_the_kerf() -> None:
    slit = Path((Line(100 + 100j, 300 + 100j),), False)
    order = order_of([(box(25, 25, 400, 200), True)], [], slits=[slit], placement=placed(400, 200))
    for kerf in (1.5, 4.0):
        view, share = metal_of(with_kerf(order, kerf))
        col = int(view.to_px(np.array([[200.0, 0.0]]))[0, 0])
        rows = view.to_px(np.array([[0.0, 80.0], [0.0, 120.0]]))[:, 1].astype(int)
        gone = float((1 - share[rows[0] : rows[1], col]).sum()) / view.px_per_mm
        assert gone == pytest.approx(kerf, abs=0.1)


@pytest.mark.parametrize("kerf", [2.0, 6.0, 10.0])
def test_corners_of_openings_are_as_round_as_the_kerf(kerf: float) -> None:
    """A square corner keeps (1 - pi/4) r^2 of metal: within a pixel of the right radius."""
    order = order_of(
        [(box(25, 25, 120, 120), True), (box(55, 55, 60, 60).reversed(), False)],
        [],
        placement=placed(120, 120),
    )
    view, sharp = metal_of(with_kerf(order, 0))
    _, rounded = metal_of(with_kerf(order, kerf))
    kept = float((rounded - sharp).sum()) / view.px_per_mm**2
    radius = math.sqrt(kept / (4 * (1 - math.pi / 4)))
    assert radius == pytest.approx(kerf / 2, abs=1 / view.px_per_mm)


def test_rounding_agrees_with_shapely() -> None:
    order = with_kerf(harbour(), 5.0)
    bare = replace(order, plan=replace(order.plan, slits=()))
    view, share = metal_of(bare)
    rings = [shapely.Polygon(edge.path.flat()) for edge in bare.plan.edges]
    drops = shapely.union_all(rings[1:])
    cut = drops.buffer(-2.5, quad_segs=32).buffer(2.5, quad_segs=32)
    area = rings[0].area - cut.area
    assert float(share.sum()) / view.px_per_mm**2 == pytest.approx(area, rel=2e-4)


def test_straight_edges_are_where_they_were() -> None:
    view, sharp = metal_of(with_kerf(plate(300, 200), 0))
    _, rounded = metal_of(plate(300, 200))
    row = int(view.to_px(np.array([[0.0, 40.0]]))[0, 1])
    assert np.abs(sharp[row] - rounded[row]).max() < 0.02


def test_the_picture_is_1600_pixels_and_captioned() -> None:
    pixels = seen(as_hung_png(harbour(), stamp=STAMP))
    assert pixels.shape[1] == SIDE_PX
    picture = _view(harbour()).size_px[1]
    below = pixels[picture:]
    assert 30 < below.shape[0] < 120
    dark = below.min(axis=2) < 130
    assert dark[:, :600].any()  # the title on the left
    assert dark[:, -300:].any()  # the size on the right


def test_steel_is_darker_than_the_wall_and_throws_a_shadow() -> None:
    pixels = seen(as_hung_png(plate(300, 200), stamp=STAMP)).mean(axis=2)
    view = _view(plate(300, 200))

    def tone(place: complex) -> float:
        x, y = view.to_px(np.array([[place.real, place.imag]]))[0]
        return float(pixels[int(y) - 2 : int(y) + 3, int(x) - 2 : int(x) + 3].mean())

    wall, steel = tone(12 + 12j), tone(40 + 40j)
    below_edge = tone(175 + 229j)
    assert wall > steel + 50
    assert below_edge < wall - 40


def test_loose_pieces_are_ringed_and_the_picture_says_it_is_not_ready() -> None:
    order, stamp = not_ready()
    pixels = seen(as_hung_png(order, stamp=stamp)).astype(int)
    alarm = np.abs(pixels - rgb(PAPER.alarm)).max(axis=2) <= 3
    assert alarm[:10].all()
    band = int(np.argmin(alarm[:, 0]))
    view = _view(order)
    x, y = view.to_px(np.array([[220.0, 300.0]]))[0]
    rows, cols = np.nonzero(alarm[band:])
    radii = np.hypot(cols + 0.5 - x, rows + 0.5 - y)
    expected = math.hypot(56, 56) / 2 * view.px_per_mm + 10
    assert radii.min() == pytest.approx(expected, abs=4)
    assert radii.max() == pytest.approx(expected, abs=4)
    ready = seen(as_hung_png(harbour(), stamp=STAMP)).astype(int)
    assert not (np.abs(ready - rgb(PAPER.alarm)).max(axis=2) <= 3).any()


@pytest.mark.parametrize("order", [plate(10, 10), plate(30, 900), plate(900, 30), crowd(3, 2)])
def test_the_same_input_gives_the_same_bytes(order: CutOrder) -> None:
    one = as_hung_png(order, stamp=STAMP)
    assert one == as_hung_png(order, stamp=STAMP)
    assert not any(chunk in one for chunk in (b"tIME", b"tEXt", b"eXIf"))


def test_nothing_but_a_wall_is_still_a_picture() -> None:
    assert as_hung_png(order_of([], [], placement=placed(100, 50)), stamp=STAMP)


def test_edges_that_cross_are_shown_as_they_are() -> None:
    """A sign that is broken is marked, not refused; shown is the even-odd fill."""
    bow = polygon([50 + 50j, 150 + 150j, 150 + 50j, 50 + 150j])
    over_it = box(100, 100, 100, 80).reversed()
    edges = [(box(25, 25, 300, 200), True), (bow, False), (over_it, False)]
    order = with_kerf(order_of(edges, [], placement=placed(300, 200)), 0)
    view, share = metal_of(order)
    assert [at(view, share, place) for place in (60 + 100j, 140 + 75j, 100 + 60j)] == [0, 0, 1]
    assert at(view, share, 180 + 160j) == 0
    assert at(view, share, 145 + 125j) == 1  # in both openings


def test_rings_without_an_area_are_passed_over() -> None:
    dot, hair = polygon([50 + 50j] * 3), polygon([50 + 50j, 60 + 50j])
    edges = [(box(25, 25, 100, 80), True), (dot, False), (hair, False)]
    view, share = metal_of(order_of(edges, [], placement=placed(100, 80)))
    assert float(share.sum()) / view.px_per_mm**2 == pytest.approx(8000, rel=1e-3)
