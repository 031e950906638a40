"""The final proof finds what was planted."""

from dataclasses import replace

import pytest

from raster2path.check import find_faults
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
