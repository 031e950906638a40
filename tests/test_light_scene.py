"""What is thrown onto the steel is what is cut, in millimetres, one numeral a cut."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from raster2path.geometry import Kind, to_complex
from raster2path.guides.colours import LEAST_CONTRAST, contrast
from raster2path.light.scene import (
    LIT_STEEL,
    LONGEST_MM,
    Colours,
    KindLook,
    Role,
    Scene,
    check_lines,
    light_up,
)
from raster2path.model import CutOrder, Rest
from tests.guide_scenes import STAMP, harbour

LOOKS = {
    Kind.ORGANIC: KindLook("#000000", 2.5),
    Kind.LETTERING: KindLook("#001000", 3.0),
    Kind.GEOMETRIC: KindLook("#002000", 2.0),
}
COLOURS = Colours(LOOKS, "#FFFFFF", "#444444", "#888800")


def scene_of(order: CutOrder) -> Scene:
    return light_up(order, stamp=STAMP, colours=COLOURS)


def test_every_torch_line_is_lit_where_it_is_cut() -> None:
    order = harbour()
    lit = {s.cut: s for s in scene_of(order).strokes if s.role is Role.TORCH}
    for number, cut in enumerate(order.cuts, 1):
        if cut.path is None:
            assert number not in lit
            continue
        assert lit[number].colour == LOOKS[cut.kind].colour
        assert lit[number].width_px == LOOKS[cut.kind].width_px
        z = to_complex(lit[number].points_mm)
        assert max(cut.path.nearest(complex(p)).distance for p in z[::7]) < 1e-3
        assert np.abs(np.diff(z)).sum() == pytest.approx(cut.path.length, rel=2e-3)


def test_no_piece_is_too_long_to_bend() -> None:
    for stroke in scene_of(harbour(sheet=(900, 600))).strokes:
        assert np.hypot(*np.diff(stroke.points_mm, axis=0).T).max() <= LONGEST_MM + 1e-9


def test_each_cut_has_a_pierce_a_numeral_and_a_sentence() -> None:
    order = harbour()
    scene = scene_of(order)
    n = len(order.cuts)
    assert {s.cut for s in scene.strokes if s.role is Role.PIERCE} == set(range(1, n + 1))
    assert [w.text for w in scene.words] == [str(k) for k in range(1, n + 1)]
    assert scene.n_cuts == n
    assert scene.told[-1].sentence == "border, 2030 mm, clockwise"
    assert scene.told[0].sentence.startswith("opening, ")
    assert scene.told[0].sentence.endswith(" mm, anticlockwise")


def test_numerals_in_light_are_25_mm_and_never_under_12() -> None:
    heights = {word.height_mm for word in scene_of(harbour()).words}
    assert max(heights) == 25
    assert min(heights) >= 12


def test_an_arrow_points_the_way_of_the_torch() -> None:
    order = harbour()
    scene = scene_of(order)
    number, cut = next((n, c) for n, c in enumerate(order.cuts, 1) if c.path and len(c.path) == 4)
    assert cut.path is not None
    barbs = [s.points_mm for s in scene.strokes if s.role is Role.ARROW and s.cut == number]
    assert len(barbs) == 2
    tip = complex(*barbs[0][0])
    tails = [complex(*barb[1]) for barb in barbs]
    place = cut.path.nearest(tip)
    ahead = cut.path.segments[place.index].tangent(place.t)
    for tail in tails:
        assert ((tip - tail) * ahead.conjugate()).real > 5


def test_the_stand_is_told_by_the_sheets_side() -> None:
    order = harbour(sheet=(900, 600))
    stands = (complex(-200, 150), *[complex(300, 800)] * (len(order.cuts) - 1))
    told = scene_of(replace(order, stands=stands)).told
    assert told[0].sentence.endswith("stand A, at the left, 150 mm along")
    assert told[1].sentence.endswith("stand B, at the foot, 300 mm along")


def test_rests_are_lit_across_the_cut_and_told() -> None:
    order = harbour()
    index = next(i for i, cut in enumerate(order.plan.cuts) if cut.path and len(cut.path) == 4)
    cut = order.plan.cuts[index]
    assert cut.path is not None
    rest = Rest(cut.path.segments[1].point(0.5), cut.path.segments[0].length)
    cuts = list(order.plan.cuts)
    cuts[index] = replace(cut, rests=(rest,))
    scene = scene_of(replace(order, plan=replace(order.plan, cuts=tuple(cuts))))
    (tick,) = (stroke for stroke in scene.strokes if stroke.role is Role.REST)
    a, b = (complex(*point) for point in tick.points_mm)
    assert (a + b) / 2 == pytest.approx(rest.place_mm)
    ahead = cut.path.segments[1].tangent(0.5)
    assert ((b - a) * ahead.conjugate()).real == pytest.approx(0, abs=1e-9)
    assert "1 rest" in scene.told[tick.cut - 1].sentence


def test_the_sheet_is_lit_where_it_is_known() -> None:
    assert not [s for s in scene_of(harbour()).strokes if s.role is Role.SHEET]
    (sheet,) = (s for s in scene_of(harbour(sheet=(900, 600))).strokes if s.role is Role.SHEET)
    assert sheet.points_mm.max(axis=0) == pytest.approx([900, 600])


def test_the_rules_are_whole_hundreds() -> None:
    grid, rules = check_lines((1200.0, 800.0), 100.0)
    assert len(grid) == 13 + 9
    across, *_ = (r for r in rules if np.ptp(r[:, 0]) > 50)
    down, *_ = (r for r in rules if np.ptp(r[:, 1]) > 50)
    assert np.ptp(across[:, 0]) == pytest.approx(1100)
    assert np.ptp(down[:, 1]) == pytest.approx(700)


def test_lines_of_light_stand_out_from_unlit_steel() -> None:
    """Contrast by WCAG 2.2 against black: 3 for graphics; and 2 to 3 pixels wide."""
    for look in LIT_STEEL.kinds.values():
        assert contrast(look.colour, "#000000") >= 6
        assert 2 <= look.width_px <= 3
    for colour in (LIT_STEEL.dim, LIT_STEEL.tie, LIT_STEEL.aid):
        assert contrast(colour, "#000000") >= LEAST_CONTRAST
