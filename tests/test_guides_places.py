"""Places for numerals, against plain loops over all cells and over all numerals."""

import time

import numpy as np
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from raster2path.guides._places import (
    DIGIT_WIDTH,
    Floor,
    Numeral,
    Wanted,
    place_numerals,
)


def box_of(numeral: Numeral) -> shapely.Geometry:
    half_w = len(numeral.text) * DIGIT_WIDTH * numeral.height_mm / 2
    x, y = numeral.centre.real, numeral.centre.imag
    return shapely.box(x - half_w, y - numeral.height_mm / 2, x + half_w, y + numeral.height_mm / 2)


@settings(max_examples=30, deadline=None)
@given(
    st.lists(st.tuples(st.integers(0, 60), st.integers(0, 40)), min_size=1, max_size=8),
    st.floats(1, 12),
    st.floats(1, 8),
    st.complex_numbers(max_magnitude=40),
    st.sampled_from([6.0, 15.0, 1e9]),
)
def test_middles_of_free_boxes_are_those_found_cell_by_cell(
    taken: list[tuple[int, int]], width: float, height: float, near: complex, reach: float
) -> None:
    floor = Floor((60.0, 40.0))
    for x, y in taken:
        floor.take_box((x, y, x + 3, y + 2))
    rows, cols = (int(np.ceil(side / floor.step)) + 1 | 1 for side in (height, width))
    wanted = set()
    for row in range(rows // 2, floor.free.shape[0] - rows // 2):
        for col in range(cols // 2, floor.free.shape[1] - cols // 2):
            around = floor.free[
                row - rows // 2 : row + rows // 2 + 1, col - cols // 2 : col + cols // 2 + 1
            ]
            z = complex(col + 0.5, row + 0.5) * floor.step
            if around.all():
                wanted.add(z)
    found = floor.centres(width, height, near=near, reach_mm=reach)
    off = [max(abs(z.real - near.real), abs(z.imag - near.imag)) for z in found]
    assert set(found.tolist()) <= wanted
    assert all(o <= reach + floor.step for o in off)
    inside = {
        z
        for z in wanted
        if max(abs(z.real - near.real), abs(z.imag - near.imag)) < reach - floor.step
    }
    assert inside <= set(found.tolist())
    every = floor.centres(1e-9, 1e-9)
    has_room = floor.has_room(every, (width, height), floor.n_taken())
    assert set(every[has_room].tolist()) == wanted


def test_a_crowd_of_cuts_finds_its_places_in_a_moment() -> None:
    """Work grows with the numerals and what lies near them, not with the whole drawing."""
    floor = Floor((900.0, 700.0))
    floor.take_box((150, 100, 750, 600))  # lines everywhere but in a rim
    pierces = [complex(220 + 19 * (k % 24), 170 + 14.4 * (k // 24)) for k in range(600)]
    wanted = [Wanted(str(n), pierce, is_on_line=True) for n, pierce in enumerate(pierces, 1)]
    start = time.process_time()
    numerals = place_numerals(wanted, floor, [], ring_mm=3.0)
    assert time.process_time() - start < 4.0  # a second or less; every cell for each took a minute
    boxes = [box_of(numeral) for numeral in numerals]
    assert [numeral.text for numeral in numerals] == [want.text for want in wanted]
    tree = shapely.STRtree(boxes)
    a, b = tree.query(boxes, predicate="intersects")
    assert (a == b).all()


def test_a_long_leader_line_runs_over_no_numeral_that_it_can_avoid() -> None:
    floor = Floor((500.0, 500.0))
    floor.take_box((0, 0, 500, 210))
    floor.take_box((0, 290, 500, 500))
    floor.take_box((0, 0, 300, 500))  # free is a lane from x = 300 on; pierces stand 60 mm off it
    wanted = [Wanted(str(n), complex(240, 220 + 9 * n), is_on_line=False) for n in range(1, 8)]
    numerals = place_numerals(wanted, floor, [], ring_mm=3.0)
    for numeral in numerals:
        assert numeral.leader is not None
        line = shapely.LineString([(z.real, z.imag) for z in numeral.leader])
        others = [box_of(other) for other in numerals if other is not numeral]
        assert not any(line.intersects(other) for other in others), numeral.text
