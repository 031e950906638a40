"""What is lettering, what is ruled, what flows: told by boxes, or by the row."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest

from raster2path.geometry import Complexes, Kind, to_complex, to_points
from raster2path.job import LetteringMode, LetteringRules
from raster2path.model import Border, Dark, Outlines, Placement, Ring, Stroke
from raster2path.shape import lettering
from raster2path.shape._marks import find_marks
from raster2path.shape._told import Verdict
from raster2path.shape.lettering import tell_kinds
from tests import glyphs

SCALE = 0.5
ORIGIN = 7 - 3j
AUTO = LetteringRules()
SAME = np.eye(3)


def outlines(
    rings: list[Complexes], strokes: list[Complexes] | None = None, border: int | None = None
) -> Outlines:
    placement = Placement(SCALE, ORIGIN, (0.0, 0.0, 500.0, 500.0))

    def to_mm(z: Complexes) -> np.ndarray[tuple[int, int], np.dtype[np.float64]]:
        return placement.to_mm(to_points(z))

    return Outlines(
        tuple(
            Ring(to_mm(z), np.zeros(len(z), np.uint8), 0.02, k == border)
            for k, z in enumerate(rings)
        ),
        tuple(
            Stroke(to_mm(z), np.zeros(len(z), np.uint8), 0.02, 2.0, is_closed=False)
            for z in strokes or []
        ),
        Dark.METAL,
        Border.NONE,
        placement,
        0.5,
    )


def words(text: str, height: float = 60.0) -> list[Complexes]:
    """Rings of a line of text, points about a pixel apart."""
    return [
        np.concatenate(
            [
                glyphs.bezier(c, np.linspace(0, 1, 2 + int(np.abs(np.diff(c)).sum()))[:-1])
                for c in map(to_complex, ring)
            ]
        )
        for ring in glyphs.text_path(text, height)
    ]


def pebble(centre: complex, radius: float, seed: int) -> Complexes:
    rng = np.random.default_rng(seed)
    k = np.arange(2, 7)
    size, phase = rng.normal(0, 0.12 / k, 5), rng.uniform(0, 6, 5)
    t = np.linspace(0, 2 * math.pi, int(6 * radius))[:-1]
    wave = (size[:, None] * np.cos(k[:, None] * t + phase[:, None])).sum(axis=0)
    return np.asarray(centre + radius * (1 + wave) * np.exp(1j * t), np.complex128)


def box(width: float, height: float, centre: complex) -> Complexes:
    w, h = width / 2, height / 2
    corners = [complex(-w, -h), complex(w, -h), complex(w, h), complex(-w, h), complex(-w, -h)]
    sides = [a + (b - a) * np.linspace(0, 1, 60)[:-1] for a, b in pairwise(corners)]
    return np.asarray(np.concatenate(sides) + centre, np.complex128)


def kinds(told: Outlines) -> list[Kind]:
    """The kind of each ring; each here has only one."""
    assert all(len(set(ring.kinds.tolist())) == 1 for ring in told.rings)
    return [Kind(int(ring.kinds[0])) for ring in told.rings]


def auto(rings: list[Complexes]) -> list[Kind]:
    return kinds(tell_kinds(outlines(rings), rules=AUTO, work_from_upright=SAME))


@pytest.mark.parametrize("text", ["HERON COVE", "Ferry Lane 17", "No. 84 Quay", "tide, kelp"])
def test_a_line_of_text_is_lettering_with_its_counters_and_dots(text: str) -> None:
    assert set(auto(words(text))) == {Kind.LETTERING}


@pytest.mark.parametrize("turn_deg", [-8, -3, 3, 8])
def test_a_line_of_text_may_slant(turn_deg: float) -> None:
    spin = complex(math.cos(math.radians(turn_deg)), math.sin(math.radians(turn_deg)))
    assert set(auto([z * spin for z in words("BOATHOUSE")])) == {Kind.LETTERING}


def test_letters_cut_out_of_a_plate_are_lettering_and_the_plate_is_ruled() -> None:
    plate = box(420, 120, 200 + 50j)
    assert auto([plate, *words("KELP")]) == [Kind.GEOMETRIC, *[Kind.LETTERING] * 5]


def test_pebbles_in_a_row_flow() -> None:
    pebbles = [pebble(60 + 70 * k + 80j, 28, k) for k in range(6)]
    assert set(auto(pebbles)) == {Kind.ORGANIC}


def test_art_beside_lettering_flows() -> None:
    art = pebble(150 + 300j, 90, 3)
    told = auto([*words("HERON"), art])
    assert told[-1] is Kind.ORGANIC
    assert set(told[:-1]) == {Kind.LETTERING}


def test_lone_ruled_figures_and_circles_are_ruled() -> None:
    ring = 300 + 300j + 50 * np.exp(1j * np.linspace(0, 2 * math.pi, 300)[:-1])
    assert auto([box(200, 90, 120 + 60j), ring]) == [Kind.GEOMETRIC] * 2


def test_a_row_of_the_same_window_is_ruled_not_lettering() -> None:
    assert set(auto([box(40, 60, 60 + 80 * k + 60j) for k in range(5)])) == {Kind.GEOMETRIC}


def test_all_and_none_mean_it() -> None:
    given = outlines([box(300, 200, 160 + 110j), *words("KELP"), pebble(90 + 90j, 20, 1)], border=0)
    every = tell_kinds(given, rules=LetteringRules(mode=LetteringMode.ALL), work_from_upright=SAME)
    assert kinds(every) == [Kind.GEOMETRIC, *[Kind.LETTERING] * 6]
    no = tell_kinds(given, rules=LetteringRules(mode=LetteringMode.NONE), work_from_upright=SAME)
    assert set(kinds(no)) == {Kind.ORGANIC}


def test_boxes_decide_whole_rings_and_split_those_across() -> None:
    inside, across, outside = (pebble(c, 20, 2) for c in (50 + 50j, 100 + 50j, 200 + 50j))
    rules = LetteringRules(boxes_px=((20.0, 20.0, 80.0, 60.0),))
    told = tell_kinds(outlines([inside, across, outside]), rules=rules, work_from_upright=SAME)
    a, b, c = (ring.kinds for ring in told.rings)
    assert set(a.tolist()) == {Kind.LETTERING}
    assert set(c.tolist()) == {Kind.ORGANIC}
    assert np.array_equal(b == Kind.LETTERING, across.real <= 100)


def test_boxes_are_in_the_upright_original() -> None:
    """The working picture here is the original at half size, moved by (10, 20)."""
    to_work = np.array([[0.5, 0, 10], [0, 0.5, 20], [0, 0, 1]])
    rules = LetteringRules(boxes_px=((80.0, 60.0, 100.0, 100.0),))
    rings = [pebble(75 + 75j, 15, 4), pebble(130 + 110j, 15, 4)]
    told = tell_kinds(outlines(rings), rules=rules, work_from_upright=to_work)
    assert kinds(told) == [Kind.LETTERING, Kind.ORGANIC]


def test_ruled_strokes_are_ruled_and_the_others_flow() -> None:
    x = np.arange(150.0)
    lines = [np.asarray(x + 1j * y, np.complex128) for y in (0 * x + 40, 9 * np.sin(x / 12))]
    told = tell_kinds(outlines([], lines), rules=AUTO, work_from_upright=SAME)
    assert [set(s.kinds.tolist()) for s in told.strokes] == [{Kind.GEOMETRIC}, {Kind.ORGANIC}]


def test_nothing_drawn_is_nothing_told() -> None:
    assert tell_kinds(outlines([]), rules=AUTO, work_from_upright=SAME).rings == ()


@pytest.mark.parametrize(("waver_px", "is_frame"), [(1.2, True), (9.0, False)])
def test_a_frame_drawn_by_hand_with_a_ruler_is_told(waver_px: float, *, is_frame: bool) -> None:
    """A pencil along a ruler strays by a hair; a free hand does not draw a frame like that."""
    frame = box(620, 430, 400 + 300j)
    frame = frame + waver_px * np.sin(np.arange(len(frame)) / 8) * (1 + 1j) / math.sqrt(2)
    (ring,) = outlines([frame]).rings
    assert lettering._is_frame(ring, pen_mm=1.0) is is_frame


def test_what_is_drawn_in_single_lines_is_judged_with_more_doubt() -> None:
    line = np.asarray(200 + 50j + np.arange(40.0) * 1j, np.complex128)
    marks = find_marks(outlines([box(60, 60, 100 + 100j)], [line]))
    verdict = lettering._wary(marks, Verdict(np.ones(len(marks), np.float64), (), ()))
    told = {bool(mark.rings): odds for mark, odds in zip(marks, verdict.odds, strict=True)}
    assert told == {True: 1.0, False: 1.0 - lettering.WARY}
