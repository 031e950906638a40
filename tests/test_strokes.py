"""Centre lines: where they run, where they meet, and what the pen's slips leave."""

from __future__ import annotations

from itertools import pairwise

import cv2
import numpy as np
import numpy.typing as npt
import pytest
import scipy.ndimage
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from raster2path.errors import NothingFoundError
from raster2path.geometry import Points
from raster2path.model import Ink, Level, Mask, NoteKind, PixelNet, Read, Reading
from raster2path.picture import strokes as room
from raster2path.picture._refine import half_widths
from raster2path.picture._skeleton import Draft, Path, follow
from raster2path.picture.strokes import trace_strokes

SIZE = (240, 320)
OVER = 8


def drawn(
    *lines: npt.ArrayLike, pen_px: float = 6.0, noise: float = 0.0, shaded: Mask | None = None
) -> Reading:
    """A drawing by a round pen, by coverage; with noise also blurred as by a lens."""
    big = np.zeros((SIZE[0] * OVER, SIZE[1] * OVER), np.uint8)
    for line in lines:
        points = np.asarray(line, np.float64)
        for a, b in pairwise(points):
            ends = [tuple(np.round((p * OVER - 0.5) * 16).astype(int).tolist()) for p in (a, b)]
            cv2.line(big, ends[0], ends[1], (255,), round(pen_px * OVER), cv2.LINE_8, 4)
    small = cv2.resize(big, SIZE[::-1], interpolation=cv2.INTER_AREA)
    level: Level = np.asarray(small / 255, np.float32)
    if noise:
        rng = np.random.default_rng(1)
        soft = cv2.GaussianBlur(level, (0, 0), 1.3) + rng.normal(0, noise, SIZE)
        level = soft.astype(np.float32)
    mask = level > 0.5
    if noise:
        mask = np.asarray(scipy.ndimage.binary_opening(mask), np.bool_)
    ink = Ink(mask, level, is_photograph=noise > 0, blur_px=1.3, pen_px=pen_px)
    return Reading(ink, Read.EDGE, "it is a test", is_guessed=False, shaded=shaded)


def off_px(net: PixelNet, *lines: npt.ArrayLike) -> npt.NDArray[np.float64]:
    """Distance of all points of the net from the lines that were drawn."""
    truth = shapely.MultiLineString([np.asarray(line, np.float64) for line in lines])
    points = np.concatenate([stroke.points_px for stroke in net.strokes])
    return np.asarray(shapely.distance(truth, shapely.points(points)), np.float64)


def degrees(net: PixelNet) -> list[int]:
    ends = [node for stroke in net.strokes for node in stroke.nodes or ()]
    return sorted(np.bincount(np.array(ends, np.int64), minlength=len(net.nodes_px)).tolist())


def wave(x0: float = 30, x1: float = 290, y: float = 120) -> Points:
    x = np.linspace(x0, x1, 200)
    return np.column_stack([x, y + 40 * np.sin(x / 40)])


TURN = np.linspace(0, 2 * np.pi, 361)
CIRCLE = np.column_stack([160 + 80 * np.cos(TURN), 120 + 80 * np.sin(TURN)])


@pytest.mark.parametrize("noise", [0.0, 0.08])
def test_a_line_is_followed_in_its_middle_from_end_to_end(noise: float) -> None:
    """Independent reference: the curve that was drawn; ends count half a pen inside the ink."""
    net = trace_strokes(drawn(wave(), noise=noise))
    (stroke,) = net.strokes
    assert off_px(net, wave()).mean() < 0.15
    assert off_px(net, wave()).max() < 0.8
    ends = sorted(net.nodes_px.tolist())
    assert np.hypot(*(np.array(ends) - wave()[[0, -1]]).T).max() < 1.2
    assert stroke.width_px == pytest.approx(6, abs=0.8)


def test_strokes_start_and_end_exactly_on_their_nodes() -> None:
    net = trace_strokes(drawn(wave(), [[160, 20], [160, 220]], CIRCLE))
    for stroke in net.strokes:
        if stroke.nodes is not None:
            first, last = net.nodes_px[list(stroke.nodes)]
            assert (stroke.points_px[0] == first).all()
            assert (stroke.points_px[-1] == last).all()


def test_a_ring_that_meets_nothing_is_closed() -> None:
    net = trace_strokes(drawn(CIRCLE))
    (stroke,) = net.strokes
    assert stroke.is_closed
    assert len(net.nodes_px) == 0
    assert off_px(net, CIRCLE).max() < 0.25
    step = np.hypot(*(np.roll(stroke.points_px, -1, axis=0) - stroke.points_px).T)
    assert step == pytest.approx(np.ones(len(step)), abs=0.1)


def test_a_crossing_is_one_node_where_the_lines_cross() -> None:
    cross = ([[40.0, 40.0], [280.0, 200.0]], [[40.0, 200.0], [280.0, 40.0]])
    net = trace_strokes(drawn(*cross, noise=0.05))
    assert degrees(net) == [1, 1, 1, 1, 4]
    away = np.hypot(*(net.nodes_px - (160, 120)).T)
    assert away.min() < 0.7


def test_a_branch_meets_its_line_on_the_line() -> None:
    tee = ([[40.0, 120.0], [280.0, 120.0]], [[150.0, 120.0], [190.0, 30.0]])
    net = trace_strokes(drawn(*tee, noise=0.05))
    assert degrees(net) == [1, 1, 1, 3]
    assert np.hypot(*(net.nodes_px - (150, 120)).T).min() < 0.8
    assert off_px(net, *tee).max() < 0.9


def test_a_skip_of_the_pen_is_closed() -> None:
    whole = wave()
    net = trace_strokes(drawn(whole[:90], whole[102:]))
    assert len(net.strokes) == 1
    assert off_px(net, whole).max() < 1.6


def test_lines_that_end_apart_stay_apart() -> None:
    net = trace_strokes(drawn([[30, 60], [140, 60]], [[180, 60], [290, 60]]))
    assert len(net.strokes) == 2
    side_by_side = np.array([[[30, 60], [150, 60]], [[30, 82], [150, 82]]])
    net = trace_strokes(drawn(*side_by_side))
    assert len(net.strokes) == 2  # their ends do not point at each other


@pytest.mark.parametrize("turn", range(4))
def test_an_end_is_tied_only_to_one_that_points_back(turn: int) -> None:
    """Whichever of the two is found first in the picture."""
    lines = np.array([[[-80.0, 0.0], [0.0, 0.0]], [[18.0, 0.0], [18.0, 80.0]]])
    for _ in range(turn):
        lines = np.stack([-lines[..., 1], lines[..., 0]], axis=-1)
    net = trace_strokes(drawn(*np.add(lines, (160, 120))))
    assert degrees(net) == [1, 1, 1, 1]


def test_a_line_that_stops_just_short_of_another_is_tied_to_it() -> None:
    net = trace_strokes(drawn([[40, 120], [280, 120]], [[150.0, 20.0], [150.0, 111.5]]))
    assert degrees(net) == [1, 1, 1, 3]
    assert shapely.distance(shapely.Point(150, 120), shapely.multipoints(net.nodes_px)) < 1.0


def test_a_ring_drawn_with_a_gap_closes() -> None:
    net = trace_strokes(drawn(CIRCLE[:-12]))
    (stroke,) = net.strokes
    assert stroke.is_closed


def test_dust_is_left_out_and_dust_alone_is_nothing() -> None:
    dot = [[50.0, 200.0], [53.0, 200.0]]
    net = trace_strokes(drawn(wave(), dot))
    assert len(net.strokes) == 1
    assert [note.kind for note in net.notes] == [NoteKind.READING]
    assert "1 dot" in net.notes[0].sentence
    assert trace_strokes(drawn(wave())).notes == ()
    with pytest.raises(NothingFoundError, match="no line"):
        trace_strokes(drawn(dot))
    with pytest.raises(NothingFoundError, match="no line"):
        trace_strokes(drawn())


def test_a_picture_of_nothing_but_ink_has_no_line() -> None:
    """No pixel of it is any distance from paper."""
    full = Ink(
        np.full(SIZE, True), np.ones(SIZE, np.float32), is_photograph=False, blur_px=1.3, pen_px=6
    )
    with pytest.raises(NothingFoundError, match="from side to side"):
        trace_strokes(Reading(full, Read.EDGE, "it is a test", is_guessed=False))


@pytest.mark.parametrize("pen_px", [2.0, 4.0, 9.0, 24.0])
def test_no_pen_is_too_wide_or_narrow(pen_px: float) -> None:
    line = wave(50, 270)
    net = trace_strokes(drawn(line, pen_px=pen_px))
    assert len(net.strokes) == 1
    assert off_px(net, line).mean() < 0.12 + 0.02 * pen_px
    assert net.strokes[0].width_px == pytest.approx(pen_px, rel=0.3)


def test_a_line_round_all_is_seen() -> None:
    frame = [[20, 20], [300, 20], [300, 220], [20, 220], [20, 20]]
    assert trace_strokes(drawn(frame, wave(60, 260))).has_line_round_all
    assert not trace_strokes(drawn(wave(60, 260))).has_line_round_all
    assert not trace_strokes(
        drawn(CIRCLE / 2, np.array([[200, 200], [300, 200]]))
    ).has_line_round_all
    poking_out = [[250, 120], [318, 120]]
    assert not trace_strokes(drawn(frame, poking_out)).has_line_round_all


def test_hatching_is_not_traced_but_its_outline_is() -> None:
    box = [[60, 60], [260, 60], [260, 180], [60, 180], [60, 60]]
    hatching = [np.array([[x, 60], [x - 40, 180]]) for x in range(110, 260, 11)]
    shaded = np.zeros(SIZE, np.bool_)
    shaded[60:180, 60:260] = True
    net = trace_strokes(drawn(box, *hatching, pen_px=5, shaded=shaded))
    (stroke,) = net.strokes
    assert stroke.is_closed
    assert off_px(net, box).mean() < 0.6
    assert net.shaded is shaded


def test_the_rim_of_a_filled_area_is_where_its_ink_ends() -> None:
    """A filled stem with a short stroke close beside it: a loop, and that stroke alone."""
    stem = np.array([[150.0, y] for y in (40, 200)])
    thick = drawn(stem, pen_px=26.0).ink
    dash = [[172.0, 90.0], [172.0, 130.0]]
    thin = drawn(dash, pen_px=5.0).ink
    level = np.maximum(thick.level, thin.level)
    ink = Ink(level > 0.5, level, is_photograph=False, blur_px=1.0, pen_px=5.0)
    net = trace_strokes(Reading(ink, Read.EDGE, "it is a test", False, shaded=thick.mask))
    rim, beside = sorted(net.strokes, key=lambda stroke: not stroke.is_closed)
    assert rim.is_closed
    assert not beside.is_closed
    # The rim's middle line lies half a pen inside the ink: 13 less 2.5 from the stem's middle.
    away = shapely.distance(shapely.LineString(stem), shapely.points(rim.points_px))
    assert np.abs(away - 10.5).max() < 0.8
    assert off_px(PixelNet((beside,), net.nodes_px, 1.0, False), dash).max() < 0.6


def test_a_filled_face_gives_its_rim_pulled_in_by_half_a_pen() -> None:
    reading = drawn([[40, 40], [280, 40]], pen_px=6)
    disc = np.zeros(SIZE, np.bool_)
    rows, cols = np.indices(SIZE)
    disc[np.hypot(rows - 139.5, cols - 159.5) < 50] = True
    ink = Ink(
        reading.ink.mask | disc,
        np.maximum(reading.ink.level, disc.astype(np.float32)),
        is_photograph=False,
        blur_px=0.3,
        pen_px=6.0,
    )
    net = trace_strokes(Reading(ink, Read.EDGE, "", is_guessed=False, shaded=disc))
    closed = [stroke for stroke in net.strokes if stroke.is_closed]
    assert len(net.strokes) == 2
    radius = np.hypot(*(closed[0].points_px - (160, 140)).T)
    assert radius.mean() == pytest.approx(47, abs=0.7)
    assert radius.std() < 0.4


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 10_000))
def test_following_loses_no_loop_and_no_piece(seed: int) -> None:
    """Independent reference: pieces and holes of the mask, counted by scipy.ndimage.label."""
    rng = np.random.default_rng(seed)
    blots = scipy.ndimage.gaussian_filter(rng.normal(size=(70, 90)), 3)
    mask = np.asarray(np.abs(blots) < 0.25 * blots.std(), np.bool_)
    draft = follow(mask)
    home = list(range(len(draft.nodes)))

    def root(node: int) -> int:
        while home[node] != node:
            node = home[node]
        return node

    rings = 0
    for path in draft.paths:
        if path.nodes is None:
            rings += 1
        else:
            home[root(path.nodes[0])] = root(path.nodes[1])
    used = {root(node) for path in draft.paths for node in path.nodes or ()}
    joined = [path for path in draft.paths if path.nodes is not None]
    nodes = {node for path in joined for node in path.nodes or ()}
    loops = rings + len(joined) - len(nodes) + len(used)
    holes = scipy.ndimage.label(~np.pad(mask, 1))[1] - 1
    assert loops >= holes  # a knot of pixels may hide none, a diagonal may add one
    assert len(used) + rings <= scipy.ndimage.label(mask, np.ones((3, 3)))[1]


@settings(max_examples=8, deadline=None)
@given(st.floats(0, np.pi), st.floats(-0.4, 0.4))
def test_a_fork_is_found_however_it_is_turned(turn: float, shift: float) -> None:
    ways = turn + np.array([0, 2.2, 4.1])
    middle = np.array([160 + shift, 120 - shift])
    lines = [np.array([middle, middle + 90 * np.array([np.cos(way), np.sin(way)])]) for way in ways]
    net = trace_strokes(drawn(*lines, noise=0.04))
    assert degrees(net) == [1, 1, 1, 3]
    assert np.hypot(*(net.nodes_px - middle).T).min() < 1.0


def test_an_opened_ring_is_split_where_a_line_touches_it() -> None:
    ring = Path(CIRCLE[:-1], None)
    tail = Path(np.array([[250.0, 120.0], [260.0, 120.0]]), (0, 1))
    draft = Draft(np.array([[242.0, 120.0], [270.0, 120.0]]), (ring, tail))
    split = room._split(draft, {0: [(90, 0), (0, 1)]})
    ends = [path.nodes for path in split.paths]
    assert None not in ends
    assert split.degrees().tolist() == [2, 2, 3, 3]


def test_a_path_without_points_of_its_own_has_a_width() -> None:
    """A line cut right beside its end leaves nothing between two nodes."""
    nodes = np.array([[2.0, 2.0], [3.0, 2.0]])
    draft = Draft(nodes, (Path(np.zeros((0, 2)), (0, 1)),))
    assert half_widths(draft, np.full((5, 5), 1.5, np.float32)).tolist() == [1.5]


@pytest.mark.parametrize("apart", [4.0, 9.0, 11.0])
def test_a_line_drawn_twice_is_one_line_between_the_two(apart: float) -> None:
    """Two strokes that part by less than a pen and come together again at both ends."""
    x = np.linspace(30, 290, 200)
    part = apart / 2 * np.sin(np.pi * (x - 30) / 260)
    lines = [np.column_stack([x, 120 + sign * part]) for sign in (-1, 1)]
    net = trace_strokes(drawn(*lines))
    assert len(net.strokes) == 1
    assert off_px(net, np.column_stack([x, np.full(200, 120.0)])).max() < 1.0


def test_small_loops_of_writing_are_no_line_drawn_twice() -> None:
    """A round counter as wide as one and a half pens stays a loop."""
    ring = np.column_stack([160 + 9 * np.cos(TURN), 120 + 9 * np.sin(TURN)])
    net = trace_strokes(drawn(ring))
    assert [stroke.is_closed for stroke in net.strokes] == [True]


def test_a_dash_is_not_tied_to_what_it_points_at() -> None:
    """A nose that points at a mouth, two pens away."""
    mouth = wave(y=150)
    net = trace_strokes(drawn(mouth, [(160, 90), (160, 102)], pen_px=6.0))
    assert degrees(net) == [1, 1, 1, 1]


def test_with_a_broad_pen_a_short_mark_is_an_eye_and_no_dust() -> None:
    eyes = [[(120, 60), (120, 78)], [(200, 60), (200, 78)]]
    net = trace_strokes(drawn(wave(y=150), *eyes, pen_px=12.0))
    assert len(net.strokes) == 3
