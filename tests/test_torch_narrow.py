"""Slots between a kerf and a kerf and 3.2 mm: told, and cut in one pass where that is asked for."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from raster2path.geometry import Arc, Kind, Line, Path, polygon
from raster2path.job import Narrow, TorchRules
from raster2path.model import CutType, NoteKind, TorchPlan
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
