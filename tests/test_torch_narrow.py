"""Slots between a kerf and a kerf and 3.2 mm: told, and cut in one pass where that is asked for."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapely

from raster2path.geometry import Arc, Kind, Line, Path, polygon
from raster2path.job import Narrow, TorchRules
from raster2path.model import CutType, NoteKind, Tie, TorchPlan
from raster2path.torch.lines import plan_torch
from tests.test_torch import cuts_of, metal_of, plate_with, rect


def planned(opening: Path, narrow: Narrow = Narrow.ONE_PASS) -> TorchPlan:
    return plan_torch(plate_with(opening), rules=TorchRules(narrow=narrow))


@pytest.mark.parametrize(("wide", "is_slot"), [(1.8, True), (3.0, True), (4.5, True), (4.9, False)])
def test_one_pass_up_to_the_kerf_and_3_2_mm(wide: float, *, is_slot: bool) -> None:
    plan = planned(rect(50, 50, 80, wide))
    assert len(cuts_of(plan, CutType.SLIT)) == is_slot
    assert len(cuts_of(plan, CutType.OPENING)) == (not is_slot)
    if is_slot:
        (slit,) = cuts_of(plan, CutType.SLIT)
        assert slit.path is not None
        line = shapely.LineString(slit.path.flat())
        assert line.bounds == pytest.approx((50.75, 50 + wide / 2, 129.25, 50 + wide / 2), abs=0.15)
        assert len(plan.slits) == 1
        assert len(plan.edges) == 1  # the plate's own
        assert any("cut in one pass" in note.sentence for note in plan.notes)


def test_two_passes_unless_asked_but_told() -> None:
    plan = planned(rect(50, 50, 80, 3.0), Narrow.TWO_PASSES)
    assert not cuts_of(plan, CutType.SLIT)
    (note,) = [note for note in plan.notes if "sliver" in note.sentence]
    assert note.kind is NoteKind.NARROW
    assert "--narrow one-pass" in (note.remedy or "")


def test_a_bent_slot_is_one_bent_pass() -> None:
    inner, outer = 40.0, 43.0
    a, b = 100 + 60j, 100 + 60j
    arc = Arc(a + outer, a, 2.0, Kind.ORGANIC)
    back = Arc(b + inner, b, 2.0, Kind.ORGANIC).reversed()
    ring = Path((arc, Line(arc.end, back.start), back, Line(back.end, arc.start)), True)
    (slit,) = cuts_of(planned(ring), CutType.SLIT)
    assert slit.path is not None
    away = np.array([abs(abs(complex(x, y) - a) - 41.5) for x, y in slit.path.flat()])
    assert np.sort(away)[:-2].max() < 0.2  # but for its ends
    assert away.max() < 1.0


def test_what_branches_is_no_slot() -> None:
    """An E of thin strokes: one line would not cover it."""
    e = [50 + 50j, 50 + 90j, 75 + 90j, 75 + 87j, 53 + 87j, 53 + 72j, 70 + 72j, 70 + 69j, 53 + 69j]
    e += [53 + 53j, 75 + 53j, 75 + 50j]
    plan = planned(polygon(e, Kind.LETTERING))
    assert not cuts_of(plan, CutType.SLIT)
    assert cuts_of(plan, CutType.OPENING)


def test_the_pass_takes_no_more_than_the_slot() -> None:
    plan = planned(rect(50, 50, 80, 3.0))
    (slit,) = cuts_of(plan, CutType.SLIT)
    assert slit.path is not None
    swath = shapely.LineString(slit.path.flat()).buffer(plan.kerf_mm / 2)
    assert shapely.box(50, 50, 130, 53).buffer(0.1).contains(swath)
    assert metal_of(plan).area == pytest.approx(200 * 200)


@pytest.mark.parametrize("kerf", [1.0, 1.5, 2.5])
def test_opened_to_where_no_sliver_melts(kerf: float) -> None:
    """A slot of 3 mm comes out 5 mm wide, or 3.5 mm wider than a wide kerf; straights stay one."""
    wide = max(5.0, kerf + 3.5)
    rules = TorchRules(narrow=Narrow.OPEN, kerf_mm=kerf)
    plan = plan_torch(plate_with(rect(50, 50, 80, 3.0)), rules=rules)
    by = (wide - 3) / 2
    opening = plan.edges[1].path
    assert opening.bounds() == pytest.approx((50 - by, 50 - by, 130 + by, 53 + by), abs=0.01)
    assert [type(piece) for piece in opening] == [Line] * 4
    assert opening.area < 0
    assert len(cuts_of(plan, CutType.OPENING)) == 1
    assert not cuts_of(plan, CutType.SLIT)
    (note,) = [note for note in plan.notes if note.kind is NoteKind.NARROW]
    assert "1 narrow opening is opened to" in note.sentence


def test_a_bent_slot_opened_is_the_annulus_that_it_should_be() -> None:
    a = 100 + 60j
    arc, back = Arc(a + 43, a, 2.0, Kind.ORGANIC), Arc(a + 40, a, 2.0, Kind.ORGANIC).reversed()
    ring = Path((arc, Line(arc.end, back.start), back, Line(back.end, arc.start)), True)
    opening = planned(ring, Narrow.OPEN).edges[1].path
    radii = sorted(piece.radius for piece in opening if isinstance(piece, Arc))
    assert radii == pytest.approx([39, 44], abs=0.02)
    width = (
        2
        * shapely.maximum_inscribed_circle(
            shapely.Polygon(opening.flat(0.001)), tolerance=0.005
        ).length
    )
    assert width == pytest.approx(5.0, abs=0.05)


def test_no_slot_is_opened_into_its_neighbour() -> None:
    """Six millimetres of metal between two slots: one may have its millimetre, not both."""
    plan = plan_torch(
        plate_with(rect(50, 50, 80, 3.0), rect(50, 59, 80, 3.0), rect(50, 150, 80, 3.0)),
        rules=TorchRules(narrow=Narrow.OPEN),
    )
    tops = sorted(edge.path.bounds()[1] for edge in plan.edges[1:])
    assert tops == pytest.approx([49, 59, 149], abs=0.01)
    told = {note.sentence for note in plan.notes}
    assert any(sentence.startswith("2 narrow openings are opened") for sentence in told)
    assert any("1 narrow opening has no metal" in sentence for sentence in told)


def test_what_branches_is_opened_all_over() -> None:
    """Strokes of 3 mm come out 5 mm wide: each edge a millimetre further out, corners as sharp."""
    e = [50 + 50j, 50 + 90j, 75 + 90j, 75 + 87j, 53 + 87j, 53 + 72j, 70 + 72j, 70 + 69j, 53 + 69j]
    e += [53 + 53j, 75 + 53j, 75 + 50j]
    plan = planned(polygon(e, Kind.LETTERING), Narrow.OPEN)
    opening = plan.edges[1].path
    wanted = shapely.Polygon([(z.real, z.imag) for z in e]).buffer(1, join_style="mitre")
    assert shapely.Polygon(opening.flat()).symmetric_difference(wanted).area < 0.01
    assert len(opening) == 12


def test_a_slot_opened_leaves_its_ties_alone() -> None:
    """Two slots in a row with a tie of 6 mm between them: it stays 6 mm."""
    left, right = rect(40, 50, 50, 3.0), rect(96, 50, 50, 3.0)
    tied = [
        Path(
            tuple(
                replace(piece, is_tie_side=True)
                if isinstance(piece, Line)
                and abs(piece.start.real - x) < 1e-9
                and abs(piece.end.real - x) < 1e-9
                else piece
                for piece in path
            ),
            True,
        )
        for path, x in ((left, 90.0), (right, 96.0))
    ]
    sign = replace(
        plate_with(*tied),
        ties=(Tie((90 + 50j, 96 + 50j, 96 + 53j, 90 + 53j), 6.0, 3.0),),
    )
    plan = plan_torch(sign, rules=TorchRules(narrow=Narrow.OPEN))
    (_, top, edge, low), (start, *_) = (e.path.bounds() for e in plan.edges[1:])
    assert (top, low) == pytest.approx((49, 54), abs=0.01)
    assert (edge, start) == pytest.approx((90, 96), abs=0.01)
