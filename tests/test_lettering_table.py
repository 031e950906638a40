"""The table that tells lettering: that it is the one that was made, and what it reads."""

from __future__ import annotations

import math
import time

import numpy as np
import pytest

from raster2path.geometry import Complexes, Kind
from raster2path.job import Corrections
from raster2path.model import NoteKind, Outlines
from raster2path.shape import _letterlike
from raster2path.shape._circles import circle_through
from raster2path.shape._marks import find_marks
from raster2path.shape._reader import Looks, small_picture
from raster2path.shape._table import Table, shipped
from raster2path.shape._textrows import alone
from raster2path.shape._told import looked_over
from raster2path.shape.lettering import N_QUESTIONS, correct_kinds, tell_kinds
from tests.learning import boost, train
from tests.learning.gather import Lesson
from tests.test_lettering import AUTO, SAME, box, kinds, outlines, pebble, words


def told(rings: list[Complexes]) -> Outlines:
    return tell_kinds(outlines(rings), rules=AUTO, work_from_upright=SAME)


def on_arch(text: str, radius: float, *, is_below: bool = False) -> list[Complexes]:
    """A line of text bent onto a circle about 400 + 400j."""
    rings = words(text, 50.0)
    x = np.concatenate([r.real for r in rings])
    foot = 70.7  # where words() puts the base line
    out = []
    for ring in rings:
        # turn each letter as a whole would need its advance; bending points is near enough here
        angle = (ring.real - (x.min() + x.max()) / 2) / radius
        far = radius + (foot - ring.imag) * (-1 if is_below else 1)
        out.append(
            400
            + 400j
            + far * (1j if is_below else -1j) * np.exp(1j * angle * (-1 if is_below else 1))
        )
    return [np.asarray(z, np.complex128) for z in out]


# ------------------------------------------------------------------ the table itself


@pytest.fixture(scope="module")
def fixed() -> list[Lesson]:
    return train.fixed_lessons(shipped().reader)


def _stored(name: str) -> np.ndarray[tuple[int, ...], np.dtype[np.float32]]:
    from importlib.resources import files

    with files("raster2path.shape").joinpath("lettering.npz").open("rb") as file:
        return np.asarray(np.load(file)[name], np.float32)


def test_the_shipped_table_tells_of_the_fixed_signs_what_it_told_when_it_was_made(
    fixed: list[Lesson],
) -> None:
    """Numbers of marks and table belong together: change the one, and make the other anew."""
    off = np.abs(train.of_fixed(shipped(), fixed) - _stored("fixed_odds"))
    assert float((off < 0.01).mean()) > 0.98  # a limit may be met by a last digit of a library


def test_the_trainer_makes_of_the_fixed_signs_what_it_made_of_them_when_the_table_was_made(
    fixed: list[Lesson],
) -> None:
    small = train.small(fixed)
    odds = train.of_fixed(small, fixed)
    assert float((np.abs(odds - _stored("small_odds")) < 0.01).mean()) > 0.98
    y = np.concatenate([lesson.y for lesson in fixed])
    counts = np.concatenate([lesson.weight for lesson in fixed]) > 0
    assert float(((odds[: len(y)] > 0) == y)[counts].mean()) > 0.95
    album = train.fixed_album()
    said = small.reader.log_odds(album.seen)
    assert np.abs(said - _stored("small_said")).max() < 0.01


def test_the_reader_tells_letters_the_right_way_up_from_upside_down() -> None:
    """Capitals of one stroke direction look otherwise upside down; H, I, N, O, S, X, Z don't."""
    marks = find_marks(outlines(words("ABEFGJKLMPRTUVY", 90.0)))
    letters = [k for k, mark in enumerate(marks) if mark.parent is None]
    looks = Looks(marks, shipped().reader)
    up = looks.of(letters, np.ones(len(letters), np.complex128))
    down = looks.of(letters, -np.ones(len(letters), np.complex128))
    assert (up > down).mean() >= 0.75
    assert up.mean() > down.mean() + 1


def test_a_small_picture_is_the_same_at_any_size_and_turned_with_its_row() -> None:
    small, large = (find_marks(outlines(words("R", size)))[0] for size in (80.0, 320.0))
    spun = find_marks(outlines([z * np.exp(0.7j) for z in words("R", 320.0)]))[0]
    pictures = [
        small_picture(small, 1 + 0j).astype(float),
        small_picture(large, 1 + 0j).astype(float),
        small_picture(spun, complex(np.exp(0.7j))).astype(float),
    ]
    assert np.abs(pictures[0] - pictures[1]).mean() < 8
    assert np.abs(pictures[1] - pictures[2]).mean() < 8
    assert pictures[0].max() > 200


def test_trees_find_what_no_single_column_tells() -> None:
    """Exclusive or: neither column alone says anything."""
    rng = np.random.default_rng(5)
    x = rng.uniform(-1, 1, (4000, 3))
    y = (x[:, 0] > 0.1) != (x[:, 1] > -0.2)
    plan = boost.Plan(n_trees=40, depth=3, columns_share=1.0)
    table = boost.grow(x[:3000], y[:3000], np.ones(3000), plan)
    assert float(((table.log_odds(x[3000:]) > 0) == y[3000:]).mean()) > 0.97


def test_odds_are_the_sum_of_one_leaf_a_tree() -> None:
    """By hand: two trees of depth two."""
    feature = np.array([[0, 1, 1], [1, 0, 0]], np.int16)
    limit = np.array([[0.5, 0.0, 2.0], [1.0, 0.0, 3.0]], np.float32)
    leaf = np.array([[1, 2, 3, 4], [10, 20, 30, 40]], np.float32)
    x = np.array([[0.0, -1.0], [1.0, 1.5], [4.0, 9.0]])
    odds = Table(feature, limit, leaf, 0.25).log_odds(x)
    assert odds.tolist() == [1 + 10 + 0.25, 3 + 30 + 0.25, 4 + 40 + 0.25]


def test_a_mark_alone_has_the_same_numbers_one_by_one_and_in_one_go() -> None:
    marks = find_marks(outlines([*words("No. 84 & tide"), pebble(500 + 300j, 60, 3)]))
    seen = looked_over(marks, [False] * len(marks), shipped().reader)
    family = [k for k, mark in enumerate(marks) if mark.parent is None]
    one_by_one = [
        _letterlike.of_row(marks, alone(marks, k), seen.by_itself, seen.twins, seen.looks)
        for k in family
    ]
    in_one_go = _letterlike.of_lone_marks(marks, family, seen.by_itself, seen.looks)
    assert in_one_go.shape == (len(family), len(_letterlike.NAMES))
    assert np.allclose(np.vstack(one_by_one), in_one_go)


# ------------------------------------------------------------------ what it reads


@pytest.mark.parametrize("turn_deg", [-90, -50, 30, 90])
def test_a_line_of_text_may_run_any_way(turn_deg: float) -> None:
    spin = complex(math.cos(math.radians(turn_deg)), math.sin(math.radians(turn_deg)))
    result = told([z * spin for z in words("BOATHOUSE")])
    assert set(kinds(result)) == {Kind.LETTERING}
    (row,) = result.rows
    off = np.angle(np.array(row.directions) / spin, deg=True)
    if abs(turn_deg) == 90:  # an upright row may be read from either side
        off = (off + 90) % 180 - 90
    assert np.all(np.abs(off) < 1)


@pytest.mark.parametrize("is_below", [False, True])
def test_a_line_of_text_may_stand_on_an_arch(is_below: bool) -> None:  # noqa: FBT001
    rings = words("HERON COVE", 50.0)
    span_px = (np.ptp(rings[-1].real) - np.ptp(rings[0].real)) / 2  # from middle to middle
    span_px += rings[-1].real.min() - rings[0].real.min()
    result = told(on_arch("HERON COVE", 260, is_below=is_below))
    assert set(kinds(result)) == {Kind.LETTERING}
    (row,) = result.rows
    assert len(row.rings) == 9
    first, last = row.directions[0], row.directions[-1]
    turn = abs(float(np.angle(last / first)))
    assert turn == pytest.approx(span_px / 260, abs=0.08)  # as bent letters lean
    assert all(d.real > 0 for d in row.directions)


@pytest.mark.parametrize("span", [0.9, 2.0, 4.0, 5.8])
def test_an_arch_is_found_through_letters_that_stand_up_and_down_of_it(span: float) -> None:
    """Nine middles off a circle by a hundredth of its radius."""
    rng = np.random.default_rng(4)
    t = np.linspace(0, span, 9) + 0.3
    z = 50 + 70j + (300 + rng.normal(0, 2.5, 9)) * np.exp(1j * t)
    found = circle_through(z)
    assert found is not None
    assert found[1] == pytest.approx(300, rel=0.08)
    assert abs(found[0] - (50 + 70j)) < 40


def test_a_straight_line_of_letters_is_no_arch() -> None:
    rng = np.random.default_rng(4)
    z = (np.linspace(0, 500, 9) + 1j * rng.normal(0, 6, 9)) * np.exp(0.5j)
    assert circle_through(z) is None


def test_the_base_line_is_a_result_with_place_height_and_certainty() -> None:
    result = told(words("FERRY LANE", 60.0))
    (row,) = result.rows
    assert row.height_mm == pytest.approx(30, rel=0.03)  # half a millimetre to the pixel
    assert len(row.rings) == 9
    assert row.certainty > 0.9
    assert all(abs(d - 1) < 0.01 for d in row.directions)


def test_words_on_a_plate_are_lettering_whatever_lies_round_them() -> None:
    plate = box(700, 200, 320 + 60j)
    frame = box(680, 180, 320 + 60j)
    result = told([plate, frame, *words("KELP & CO")])
    assert kinds(result)[:2] == [Kind.GEOMETRIC] * 2
    assert set(kinds(result)[2:]) == {Kind.LETTERING}


def test_the_same_leaf_in_a_row_is_a_drawing() -> None:
    t = np.linspace(0, 1, 150)[:-1]
    leaf = 60 * np.concatenate([t + 0.22j * np.sin(np.pi * t), (1 - t) - 0.22j * np.sin(np.pi * t)])
    assert Kind.LETTERING not in kinds(told([leaf + 80 * k + 50j for k in range(7)]))


def test_certainty_is_a_half_at_least() -> None:
    result = told([*words("HERON"), pebble(150 + 300j, 90, 3)])
    assert all(0.5 <= ring.certainty <= 1 for ring in result.rings)


# ------------------------------------------------------------------ questions


def test_a_single_large_letter_is_right_or_asked() -> None:
    for letter in "AEGKMRS":
        result = told(words(letter, 300.0))
        asked = [note for note in result.notes if note.kind is NoteKind.DOUBT]
        assert asked or set(kinds(result)) == {Kind.LETTERING}, letter


def test_a_box_answers_a_question_and_three_are_asked_at_most() -> None:
    rings = [z for k in range(5) for z in [w + 700 * k for w in words("S", 300.0)]]
    asked = told(rings)
    doubts = [note for note in asked.notes if note.kind is NoteKind.DOUBT]
    few = correct_kinds(asked, corrections=Corrections(), work_from_upright=SAME)
    assert len([n for n in few.notes if n.kind is NoteKind.DOUBT]) == min(N_QUESTIONS, len(doubts))
    everything = Corrections(lettering_boxes_px=((-50.0, -50.0, 5000.0, 900.0),))
    answered = correct_kinds(asked, corrections=everything, work_from_upright=SAME)
    assert not [n for n in answered.notes if n.kind is NoteKind.DOUBT]
    assert set(kinds(answered)) == {Kind.LETTERING}


def test_the_box_that_a_question_names_holds_what_it_is_about() -> None:
    """In pixels of the upright original: here the working picture is half as large, and moved."""
    to_work = np.array([[0.5, 0, 10], [0, 0.5, 20], [0, 0, 1]])
    for letter in "SOCVXIJLU":
        result = tell_kinds(outlines(words(letter, 300.0)), rules=AUTO, work_from_upright=to_work)
        doubts = [note for note in result.notes if note.kind is NoteKind.DOUBT]
        if doubts and Kind.LETTERING not in kinds(result):
            break
    assert doubts
    assert doubts[0].remedy is not None
    numbers = doubts[0].remedy.split("[[")[1].split("]]")[0]
    box_px = tuple(float(word) for word in numbers.split(","))
    said = Corrections(lettering_boxes_px=((box_px[0], box_px[1], box_px[2], box_px[3]),))
    done = correct_kinds(result, corrections=said, work_from_upright=to_work)
    assert set(kinds(done)) == {Kind.LETTERING}


# ------------------------------------------------------------------ cost


def test_sixty_outlines_of_a_large_picture_take_a_moment() -> None:
    """Twelve megapixels: 60 outlines of some 900 points; 0.12 s is the aim, here twice that."""
    lines = [
        w + 160j * k
        for k, text in enumerate(["HERON COVE", "FERRY LANE", "BOATHOUSE"] * 2)
        for w in words(text, 110.0)
    ]
    given = outlines(lines[:60])
    best = math.inf
    for _ in range(3):
        began = time.process_time()
        tell_kinds(given, rules=AUTO, work_from_upright=SAME)
        best = min(best, time.process_time() - began)
    assert best < 0.24


def test_thousands_of_specks_leave_lettering_what_it_is() -> None:
    """Each is looked at with each other, so only the largest are."""
    rng = np.random.default_rng(2)
    corner = np.array([0, 9, 9 + 9j, 9j])
    speck = np.repeat(corner, 3) + np.tile([0, 0.1, 0.2], 4)
    specks = [speck + complex(*rng.uniform((0, 200), (4000, 3000))) for _ in range(2500)]
    result = told([*specks, *words("HERON COVE", 90.0)])
    letters = kinds(result)[len(specks) :]
    assert set(letters) == {Kind.LETTERING}
    assert (np.array(kinds(result)[: len(specks)]) == Kind.LETTERING).mean() < 0.01
