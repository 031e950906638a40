"""Openings too small to cut: told with the width of sign at which all of them can be."""

import re
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from raster2path.geometry import Kind, Path, circle
from raster2path.job import TieRules
from raster2path.model import Art, Border, Note, Placement
from raster2path.sign._small import least_hole_mm, small_notes
from tests.test_ties import RULES, art, box


def told(*paths: Path, size: float = 400) -> Note | None:
    notes = small_notes(art(box(0, 0, size, size), *paths, size=size), [], rules=RULES)
    return notes[0] if notes else None


def wide_told(note: Note | None) -> float:
    assert note is not None
    found = re.search(r"make the sign (\d+) mm wide", note.remedy or "")
    assert found is not None
    return float(found[1])


def test_the_smallest_hole_by_hand() -> None:
    """The larger of two thicknesses and 10 mm: common practice, no source."""
    assert [least_hole_mm(t) for t in (0.8, 1.5, 5.0, 8.0)] == [10, 10, 10, 16]


def test_what_can_be_cut_is_not_told() -> None:
    assert told(circle(200 + 200j, 5.1), box(50, 50, 90, 53)) is None


@pytest.mark.parametrize(
    ("hole", "wide"),
    [
        (circle(104 + 200j, 4), 450),  # 400 + 200 * (10 / 8 - 1)
        (box(100, 150, 101.5, 190), 430),  # kerf 1.5, 1.15 kerfs are needed: 400 + 200 * 0.15
    ],
)
def test_only_the_art_within_the_border_grows(hole: Path, wide: float) -> None:
    """Art 200 mm wide in a sign of 400."""
    assert wide_told(told(hole, box(260, 100, 300, 300))) == wide


@settings(deadline=None, max_examples=30)
@given(st.lists(st.floats(2.6, 9.5), min_size=1, max_size=6))
def test_at_the_width_told_all_can_be_cut(sizes: list[float]) -> None:
    """Drawn again at that width, without a border, nothing is too small."""
    tiles = [box(0, 100 * k, 80, 100 * k + 80, Kind.ORGANIC) for k in range(len(sizes))]
    holes = [circle(complex(40, 100 * k + 40), size / 2) for k, size in enumerate(sizes)]
    drawn = art(*tiles, *holes, border=False, size=80)
    note = small_notes(drawn, [], rules=RULES)[0]
    scale = wide_told(note) / 80
    grown = tuple(replace(edge, path=edge.path.mapped(scale)) for edge in drawn.edges)
    larger = Art(grown, (), Border.NONE, Placement(1.0, 0, (0, 0, 80 * scale, 80 * scale)))
    assert small_notes(larger, [], rules=RULES) == ()


def test_dust_asks_for_no_larger_sign() -> None:
    note = told(circle(200 + 200j, 0.9))
    assert note is not None
    assert note.remedy == "leave them out, or draw them larger"


def test_a_thick_sheet_asks_for_larger_holes() -> None:
    drawn = art(box(0, 0, 400, 400), circle(200 + 200j, 7))
    assert small_notes(drawn, [], rules=RULES) == ()
    assert small_notes(drawn, [], rules=TieRules(thickness_mm=10)) != ()
