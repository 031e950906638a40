"""One evening with the light: crosses, views, cuts one by one, what is remembered and told."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from raster2path.errors import UsageError
from raster2path.geometry import to_points
from raster2path.light.registration import Mark
from raster2path.light.scene import Scene, light_up
from raster2path.light.session import (
    LOOK_AGAIN_CUTS,
    LOOK_AGAIN_S,
    Session,
    act,
    as_table,
    begin,
    from_table,
    reminder,
    resolution,
    sighted,
    to_remember,
    told_cut,
    verdict,
)
from raster2path.light.views import View, display
from raster2path.model import Progress
from tests.guide_scenes import STAMP, harbour

SIZE = (1920, 1080)
CROOKED = (210 + 130j, 1700 + 90j, 1640 + 1010j, 250 + 960j)


@pytest.fixture(scope="module")
def scene() -> Scene:
    return light_up(harbour(sheet=(900, 600)), stamp=STAMP)


def do(session: Session, now_s: float = 0.0, **asked: object) -> Session:
    return act(session, asked, now_s=now_s)


def crooked(scene: Scene) -> Session:
    session = begin(scene, size_px=SIZE)
    for index, px in enumerate(CROOKED):
        session = do(session, do="move", mark=index, x=px.real, y=px.imag)
    return session


def test_it_begins_with_a_cross_on_each_corner_of_the_sheet(scene: Scene) -> None:
    session = begin(scene, size_px=SIZE)
    assert [mark.sheet_mm for mark in session.marks] == [0, 900, 900 + 600j, 600j]
    assert session.view is View.REGISTER
    assert all(0 < m.at_px.real < 1920 and 0 < m.at_px.imag < 1080 for m in session.marks)


def test_crosses_that_are_moved_register_the_light(scene: Scene) -> None:
    session = crooked(scene)
    assert session.registration is not None
    px = session.registration.to_px(to_points([0j, 900 + 600j]))
    assert px == pytest.approx(np.array([[210, 130], [1640, 1010]]))


def test_keys_move_the_chosen_cross_by_tenths_of_a_pixel(scene: Scene) -> None:
    session = do(crooked(scene), do="select", mark=2)
    for _ in range(3):
        session = do(session, do="nudge", x=0.1, y=-0.1)
    assert session.marks[2].at_px == pytest.approx(1640.3 + 1009.7j)


def test_a_cross_stays_in_the_picture(scene: Scene) -> None:
    session = do(crooked(scene), do="move", mark=0, x=-50, y=5000)
    assert session.marks[0].at_px == 1080j


def test_crosses_on_one_line_are_told_and_nothing_is_lit_wrong(scene: Scene) -> None:
    session = do(crooked(scene), do="move", mark=0, x=1700, y=90)
    assert session.registration is None
    assert "lie in one line in the light" in verdict(session)
    assert resolution(session) == ("", "")


def test_the_pedal_shows_cut_after_cut(scene: Scene) -> None:
    session = do(crooked(scene), do="view", view="mark")
    session = do(session, do="step", by=1)
    assert (session.view, session.cut) == (View.NEXT, 1)
    for number in range(2, scene.n_cuts + 1):
        session = do(session, do="step", by=1)
        assert session.cut == number
        assert told_cut(session).startswith(f"cut {number}: ")
    session = do(session, do="step", by=1)
    assert told_cut(session) == "all cuts are done"
    assert do(session, do="step", by=1).cut == session.cut
    assert do(session, do="step", by=-1).cut == scene.n_cuts


def test_a_dark_light_comes_back_where_it_was(scene: Scene) -> None:
    session = do(do(crooked(scene), do="cut", number=3), do="blank")
    assert session.is_blank
    lit = do(session, do="step", by=1)
    assert not lit.is_blank
    assert lit.cut == 3


def test_the_next_cut_is_bright_and_done_ones_dim(scene: Scene) -> None:
    lit = display(scene, View.NEXT, cut=4)
    by_cut = {scene.strokes[s.index].cut: s for s in lit.strokes if scene.strokes[s.index].cut}
    assert set(by_cut) == {1, 2, 3, 4}
    for number in (1, 2, 3):
        assert by_cut[number].colour == scene.colours.dim
    torch = [s for s in lit.strokes if scene.strokes[s.index].role.value == "torch"]
    assert torch[-1].width_px == max(s.width_px for s in torch) == 3
    assert [scene.words[w.index].text for w in lit.words] == ["4"]


def test_cuts_of_another_day_are_dim_and_passed_over() -> None:
    order = harbour(sheet=(900, 600))
    done = frozenset(order.sequence[k] for k in (0, 1, 3))  # cuts 1, 2 and 4
    scene = light_up(replace(order, progress=Progress(done)), stamp=STAMP)
    session = begin(scene, size_px=SIZE)
    assert session.cut == 3
    session = do(do(session, do="step", by=1), do="step", by=1)
    assert session.cut == 5
    assert do(session, do="step", by=-1).cut == 3
    assert do(do(session, do="step", by=-1), do="step", by=-1).cut == 3
    lit = {scene.strokes[s.index].cut: s for s in display(scene, View.NEXT, cut=3).strokes}
    assert {number for number in lit if number} == {1, 2, 3, 4}
    assert lit[4].colour == scene.colours.dim
    assert lit[3].colour != scene.colours.dim
    assert do(session, do="cut", number=2).cut == 2


def test_dashes_are_only_for_what_is_not_cut(scene: Scene) -> None:
    for view in View:
        for stroke in display(scene, view, cut=2).strokes:
            role = scene.strokes[stroke.index].role.value
            assert stroke.is_dashed == (role in {"sheet", "tie", "leader"})


def test_more_marks_can_be_asked_for_and_old_crosses_stay(scene: Scene) -> None:
    session = crooked(scene)
    mm = [[0, 0], [900, 0], [900, 600], [0, 600], [450, 0], [450, 600]]
    more = do(session, do="marks", mm=mm)
    assert [m.at_px for m in more.marks[:4]] == [m.at_px for m in session.marks]
    assert verdict(more).startswith("lands within 0.")
    with pytest.raises(UsageError, match="expected marks as X,Y"):
        do(session, do="marks", mm=[[0, 0], [900, None]])
    with pytest.raises(UsageError, match="too few"):
        do(session, do="marks", mm=[[0, 0], [900, 0], [900, 600]])
    with pytest.raises(UsageError, match="nowhere near a sheet"):
        do(session, do="marks", mm=[[0, 0], [1e9, 0], [900, 600], [0, 600]])


def test_a_photograph_puts_the_crosses(scene: Scene) -> None:
    found = crooked(scene).registration
    assert found is not None
    session = sighted(begin(scene, size_px=SIZE), found, "found")
    assert [mark.at_px for mark in session.marks[:4]] == pytest.approx(CROOKED, abs=0.06)
    assert [mark.sheet_mm for mark in session.marks[4:]] == [450, 900 + 300j, 450 + 600j, 300j]
    assert session.view is View.CHECK
    assert session.says == "found"


# ---------------------------------------------------------------- remembered


def test_crosses_are_remembered_for_their_size(scene: Scene) -> None:
    """A window that goes full screen and back finds each size's own crosses again."""
    session = crooked(scene)
    small = do(session, do="size", columns=1280, rows=720)
    assert small.marks != session.marks
    again = do(small, do="size", columns=1920, rows=1080)
    assert again.marks == session.marks
    assert "as remembered" in again.says


def test_only_crosses_that_somebody_put_are_remembered(scene: Scene) -> None:
    assert to_remember(begin(scene, size_px=SIZE)) == {}
    assert to_remember(crooked(scene)) == {SIZE: crooked(scene).marks}


def test_what_is_remembered_can_be_written_as_numbers(scene: Scene) -> None:
    held = to_remember(crooked(scene))
    assert from_table(as_table(held)) == held


@pytest.mark.parametrize(
    "table",
    [
        None,
        {"1920x1080": "x"},
        {"tall": [[0, 0, 0, 0]]},
        {"1920x1080": [[0, 0, 0, 0]] * 4},
        {"1920x1080": [["a", 0, 0, 0]] * 4},
    ],
)
def test_nonsense_is_forgotten(table: object) -> None:
    assert from_table(table) == {}


def test_another_sheets_corners_are_reckoned_from_what_is_remembered(scene: Scene) -> None:
    held = to_remember(crooked(scene))
    session = begin(scene, size_px=SIZE, wanted_mm=[0, 450, 450 + 300j, 300j], remembered=held)
    registered = crooked(scene).registration
    assert registered is not None
    px = registered.to_px(to_points([450 + 300j]))[0]
    assert session.marks[2].at_px == pytest.approx(complex(*px))
    assert session.registration is not None
    assert session.registration.to_px(np.array([[900.0, 600]])) == pytest.approx(
        np.array([[1640, 1010]]), abs=1e-3
    )


# ---------------------------------------------------------------- told


def test_the_resolution_is_told_across_the_sheet(scene: Scene) -> None:
    """900 mm over 1490 to 1390 pixels, 600 mm over 830 to 920; the long side of a pixel counts."""
    told, warning = resolution(crooked(replace(scene, kerf_mm=1.8)))
    low, high = (float(part) for part in told.split(" mm")[0].split(" is ")[1].split(" to "))
    assert 0.55 < low < 0.68 < high < 0.80
    assert warning == ""


def test_a_kerf_under_two_pixels_is_told(scene: Scene) -> None:
    coarse = begin(replace(scene, kerf_mm=1.5), size_px=(800, 600))
    told, warning = resolution(coarse)
    assert told == "a projected pixel is 1.25 mm on the sheet"
    assert warning.startswith("the kerf of 1.5 mm is under two pixels")
    assert resolution(begin(replace(scene, kerf_mm=2.6), size_px=(800, 600)))[1] == ""


def test_a_warm_sheet_is_to_be_looked_at_again(scene: Scene) -> None:
    """900 mm x 11.5e-6 / K x 100 K = 1.035 mm."""
    session = do(crooked(scene), do="cut", number=2)
    assert reminder(session, now_s=LOOK_AGAIN_S - 1) == ""
    told = reminder(session, now_s=LOOK_AGAIN_S + 1)
    assert "900 mm of steel grow by 1.0 mm for every 100 K" in told
    looked = do(session, LOOK_AGAIN_S + 1, do="view", view="check")
    assert reminder(looked, now_s=LOOK_AGAIN_S + 2) == ""


def test_so_is_one_that_was_cut_often(scene: Scene) -> None:
    session = do(crooked(scene), do="cut", number=1)
    for _ in range(LOOK_AGAIN_CUTS):
        assert reminder(session, now_s=1) == ""
        session = do(session, do="step", by=1)
    assert reminder(session, now_s=1)


@pytest.mark.parametrize(
    "asked",
    [
        {"do": "dance"},
        {},
        {"do": "view", "view": "moon"},
        {"do": "move", "mark": 9, "x": 1, "y": 1},
        {"do": "move", "mark": 0, "x": "1", "y": 1},
        {"do": "move", "mark": 0, "x": True, "y": 1},
        {"do": "move", "mark": 0, "x": float("nan"), "y": 1},
        {"do": "cut", "number": 0},
        {"do": "size", "columns": 10, "rows": 10},
        {"do": "marks", "mm": "0,0"},
        {"do": "nudge", "x": 10**400, "y": 0},
        {"do": "marks", "mm": [[0, 0], [900, 0], [900, 600], [0, 10**400]]},
    ],
)
def test_nonsense_is_refused(scene: Scene, asked: dict[str, object]) -> None:
    with pytest.raises(UsageError):
        act(begin(scene, size_px=SIZE), asked, now_s=0)


def test_a_mark_off_its_place_is_told(scene: Scene) -> None:
    session = crooked(scene)
    mm = [[0, 0], [900, 0], [900, 600], [0, 600], [450, 0], [450, 600], [0, 300], [900, 300]]
    eight = do(session, do="marks", mm=mm)
    wrong = eight.marks[5]
    off = do(eight, do="move", mark=5, x=wrong.at_px.real + 6, y=wrong.at_px.imag)
    assert "; mark 6 is off by 4 mm" in verdict(off)
    assert isinstance(off.marks[5], Mark)
