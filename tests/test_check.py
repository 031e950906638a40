"""The final proof finds what was planted."""

import time
from dataclasses import replace

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from raster2path.check import find_faults, metal_of
from raster2path.geometry import Kind, Path, circle, polygon
from raster2path.model import (
    Art,
    Border,
    Cut,
    CutOrder,
    CutType,
    Edge,
    Placement,
    Sign,
    SignEdge,
    TorchPlan,
)

OUTER = polygon([0, 200, 200 + 200j, 200j])
HOLE = polygon([60 + 60j, 60 + 140j, 140 + 140j, 140 + 60j])
TORCH_HOLE = polygon([60.75 + 60.75j, 60.75 + 139.25j, 139.25 + 139.25j, 139.25 + 60.75j])
TORCH_OUTER = polygon([-0.75 - 0.75j, 200.75 - 0.75j, 200.75 + 200.75j, -0.75 + 200.75j])
NONE: frozenset[int] = frozenset()
PLACEMENT = Placement(1.0, 0j, (0, 0, 200, 200))


def order(*edges: Path, slits: tuple[Path, ...] = ()) -> CutOrder:
    art = Art((Edge(OUTER, True, None, 0),), (), Border.RECT, PLACEMENT)
    sign_edges = tuple(SignEdge(edge, frozenset({0}), edge is OUTER) for edge in edges)
    sign = Sign(art, sign_edges, (), slits, (), 0, ())
    cuts = (
        Cut(CutType.OPENING, Kind.GEOMETRIC, TORCH_HOLE, 70 + 70j, inside=frozenset({1})),
        Cut(CutType.BORDER, Kind.GEOMETRIC, TORCH_OUTER, -5 - 5j),
    )
    return CutOrder(TorchPlan(sign, sign_edges, slits, cuts, 1.5), (0, 1))


def sentences(plan: CutOrder) -> str:
    return " ".join(note.sentence for note in find_faults(plan))


def test_a_sound_sign_has_no_faults() -> None:
    assert find_faults(order(OUTER, HOLE)) == ()


def test_an_island_is_found() -> None:
    island = polygon([80 + 80j, 120 + 80j, 120 + 120j, 80 + 120j])
    assert "not held by anything" in sentences(order(OUTER, HOLE, island))


def test_metal_freed_by_a_slit_is_found() -> None:
    freed = circle(30 + 100j, 20)
    assert "not held by anything" in sentences(order(OUTER, HOLE, slits=(freed,)))


def test_edges_that_cross_are_found() -> None:
    across = polygon([100 + 100j, 100 + 150j, 180 + 150j, 180 + 100j])
    assert "Two edges cross" in sentences(order(OUTER, HOLE, across))


def test_an_edge_that_crosses_itself_is_found() -> None:
    eight = polygon([10 + 10j, 50 + 50j, 10 + 50j, 50 + 10j])
    assert "crosses itself" in sentences(order(OUTER, HOLE, eight))


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        ({"path": HOLE}, "nearer than half a kerf"),
        ({"pierce_mm": 30 + 30j}, "pierce stands in metal"),
    ],
)
def test_a_wrong_cut_is_found(change: dict[str, object], sentence: str) -> None:
    good = order(OUTER, HOLE)
    first = replace(good.plan.cuts[0], **change)  # type: ignore[arg-type]  # one field a case
    bad = replace(good, plan=replace(good.plan, cuts=(first, good.plan.cuts[1])))
    assert sentence in sentences(bad)


def test_the_wrong_order_is_found() -> None:
    said = sentences(replace(order(OUTER, HOLE), sequence=(1, 0)))
    assert "after the cut round them" in said
    assert "border is not the last" in said


def test_a_cut_left_out_is_found() -> None:
    assert "leaves a cut out" in sentences(replace(order(OUTER, HOLE), sequence=(1, 1)))


def test_nothing_to_cut_is_a_fault() -> None:
    good = order(OUTER)
    none = replace(good, plan=replace(good.plan, cuts=()), sequence=())
    assert "large enough to cut" in sentences(none)


@settings(max_examples=20, deadline=None)
@given(
    st.lists(
        st.tuples(st.integers(0, 90), st.integers(0, 90), st.integers(2, 40), st.integers(2, 40)),
        min_size=1,
        max_size=9,
    )
)
def test_metal_is_what_an_odd_number_of_edges_go_round(
    boxes: list[tuple[int, int, int, int]],
) -> None:
    """Even-odd, counted cell by cell."""
    edges = tuple(
        SignEdge(
            polygon([x + 1j * y, x + w + 1j * y, x + w + 1j * (y + h), x + 1j * (y + h)]), NONE
        )
        for x, y, w, h in boxes
    )
    metal = metal_of(edges)
    x, y = np.meshgrid(np.arange(132) + 0.5, np.arange(132) + 0.5)
    n_round = sum(
        ((x > bx) & (x < bx + w) & (y > by) & (y < by + h)).astype(int) for bx, by, w, h in boxes
    )
    assert (shapely.contains_xy(metal, x, y) == (n_round % 2 == 1)).all()


def test_a_plate_with_a_thousand_openings_is_proven_in_a_moment() -> None:
    """Laid over each other one by one, they took five seconds."""
    n = 32
    holes = [
        circle(10 + 20 * i + 1j * (10 + 20 * k), 6).reversed() for i in range(n) for k in range(n)
    ]
    side = 20 * n
    outer = polygon([0, side, side + side * 1j, side * 1j])
    edges = tuple(SignEdge(path, NONE) for path in (outer, *holes))
    start = time.process_time()
    metal = metal_of(edges)
    assert time.process_time() - start < 2.0
    assert metal.area == pytest.approx(side**2 - n * n * 36 * np.pi, rel=1e-3)
