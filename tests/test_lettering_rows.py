"""Rows in which words stand: proposed whole, without the drawings beside them, and completed."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
import pytest

from raster2path.geometry import Complexes, Kind
from raster2path.model import NoteKind
from raster2path.shape import _told
from raster2path.shape._marks import Mark, find_marks
from raster2path.shape._reader import Reader
from raster2path.shape._table import shipped
from raster2path.shape._textrows import Row, companions, fits_in, propose_rows, with_more
from raster2path.shape._told import Seen, bent, completed, looked_over, without_beside
from raster2path.shape.lettering import tell_kinds
from tests.test_lettering import AUTO, SAME, box, kinds, outlines, pebble, words


def standing(text: str, at: complex, turn: complex = 1.0, height: float = 60.0) -> list[Complexes]:
    """Rings of a word, the middle of its foot at a place."""
    rings = words(text, height)
    x = np.concatenate([ring.real for ring in rings])
    foot = complex((x.min() + x.max()) / 2, 20.7 + height)
    return [(ring - foot) * turn + at for ring in rings]


def outer(marks: list[Mark]) -> list[int]:
    return [k for k, mark in enumerate(marks) if mark.parent is None]


def proposed(rings: list[Complexes]) -> list[set[int]]:
    marks = find_marks(outlines(rings))
    return [set(row.members) for row in propose_rows(marks, outer(marks))]


@pytest.mark.parametrize("gap", [1.5, 2.0, 2.4])
def test_a_line_is_proposed_whole_over_wide_word_spaces(gap: float) -> None:
    left, right = standing("EST", 0j), standing("19", 0j)
    space = max(z.real.max() for z in left) - min(z.real.min() for z in right) + 60 * gap
    rings = [*left, *(z + space for z in right)]
    marks = find_marks(outlines(rings))
    assert set(outer(marks)) in proposed(rings)


def test_letters_spaced_wide_are_one_row() -> None:
    rings = [z for k, digit in enumerate("2021") for z in standing(digit, 160.0 * k + 0j)]
    assert set(outer(find_marks(outlines(rings)))) in proposed(rings)


def on_circle(text: str, radius: float, step: float) -> list[Complexes]:
    """Letters about 500 + 500j, each upright on its place, two steps for a space."""
    out = []
    for k, letter in enumerate(text):
        turn = complex(np.exp(1j * step * (k - (len(text) - 1) / 2)))
        if letter != " ":
            out += standing(letter, 500 + 500j - 1j * radius * turn, turn, 50.0)
    return out


@pytest.mark.parametrize("text", ["quay garden", "Dog Yard", "SHED JACK", "Please ring"])
def test_an_arch_is_proposed_whole_though_letters_stand_up_and_down_of_it(text: str) -> None:
    rings = on_circle(text, 300.0, math.radians(13))
    assert set(outer(find_marks(outlines(rings)))) - dots(rings) in [
        row - dots(rings) for row in proposed(rings)
    ]


def dots(rings: list[Complexes]) -> set[int]:
    """What is lower than any letter here."""
    marks = find_marks(outlines(rings))
    return {k for k in outer(marks) if marks[k].size < 20}


@pytest.mark.parametrize("is_before", [False, True])
@pytest.mark.parametrize(
    ("width", "height"), [(70, 76), (64, 60)], ids=["higher", "of other strokes"]
)
def test_a_word_is_proposed_without_the_drawing_beside_it(
    width: float,
    height: float,
    is_before: bool,  # noqa: FBT001
) -> None:
    away = 30.0
    rings = words("HARBOR")
    x = np.concatenate([z.real for z in rings])
    middle = x.min() - away - width / 2 if is_before else x.max() + away + width / 2
    drawing = box(width, height, complex(middle, 80.7 - height / 2))
    marks = find_marks(outlines([*rings, drawing]))
    letters = {k for k in outer(marks) if k < len(rings)}
    rows = proposed([*rings, drawing])
    assert letters in rows
    assert letters | {len(rings)} in rows


def test_a_word_that_looks_level_is_proposed_on_its_arch_too() -> None:
    """A shallow arch: every letter overlaps the next one's height, so that it is a level set."""
    rings = on_circle("FERRY", 700.0, math.radians(5.5))
    marks = find_marks(outlines(rings))
    rows = [row for row in propose_rows(marks, outer(marks)) if len(row.members) == 5]
    (arch,) = [row for row in rows if row.centre is not None]
    assert [row for row in rows if row.centre is None]
    turn = np.angle(arch.directions[-1] / arch.directions[0], deg=True)
    assert turn == pytest.approx(4 * 5.5, abs=3)


def test_a_word_on_an_arch_whose_middle_is_read_as_level_is_completed_along_the_arch() -> None:
    marks = find_marks(outlines(on_circle("HARBOURFARM", 300.0, math.radians(13))))
    seen = looked_over(marks, [False] * len(marks), shipped().reader)
    letters = outer(marks)
    level = max(
        (row for row in propose_rows(marks, letters) if row.centre is None),
        key=lambda row: len(row.members),
    )
    assert 4 <= len(level.members) <= 7
    odds = np.full(len(marks), np.nan)
    odds[list(level.members)] = 4.0
    row, new = bent(seen, shipped(), level, odds)
    assert row.centre is not None
    assert abs(row.centre - (500 + 500j)) < 40
    assert set(new) == set(letters) - set(level.members)


def test_a_stroke_that_crosses_another_is_one_mark_with_it() -> None:
    """A t written as a stem and a bar: no end of either is near the other."""
    t = np.linspace(0, 80, 81)
    stem, bar, other = 100 + 1j * t, 80 + 25j + t / 2, 160 + 1j * t
    marks = find_marks(outlines([], [np.array(z, np.complex128) for z in (stem, bar, other)]))
    assert sorted(mark.strokes for mark in marks) == [(0, 1), (2,)]


def test_a_word_is_completed_with_the_letter_that_was_left_out() -> None:
    rings = words("HARBOUR")
    marks = find_marks(outlines(rings))
    seen = looked_over(marks, [False] * len(marks), shipped().reader)
    letters = sorted(outer(marks), key=lambda k: marks[k].middle.real)
    (whole,) = [row for row in propose_rows(marks, letters) if len(row.members) == 7]
    part = whole.only([1, 2, 3, 5, 6])
    odds = np.full(len(marks), np.nan)
    odds[list(part.members)] = 4.0
    row, new = completed(seen, shipped(), part, odds)
    assert set(new) == {letters[0], letters[4]}
    assert row.members == whole.members


def test_dots_and_dashes_belong_to_a_word_but_not_what_stands_beside_it() -> None:
    rings = words("Mill-quay.")
    end = max(z.real.max() for z in rings)
    panes = [box(12, 12, end + 45 + x + 1j * y) for x in (0, 25) for y in (40, 62)]
    marks = find_marks(outlines([*rings, *panes]))
    tall = [k for k in outer(marks) if k < len(rings) and marks[k].size > 30]
    (row,) = [r for r in propose_rows(marks, tall) if len(r.members) == len(tall)]
    small = {k for k in outer(marks) if k < len(rings)} - set(tall)
    assert len(small) == 3  # the dot of the i, the hyphen, the full stop
    assert {k for k in companions(marks, row) if marks[k].parent is None} == small


@pytest.mark.parametrize("turn_deg", [0.0, 35.0])
def test_more_marks_on_a_line_keep_its_order_and_place(turn_deg: float) -> None:
    spin = complex(np.exp(1j * math.radians(turn_deg)))
    rings = [z * spin for z in words("KELP")]
    marks = find_marks(outlines(rings))
    (whole,) = [row for row in propose_rows(marks, outer(marks)) if len(row.members) == 4]
    again = with_more(marks, whole.only([1, 3]), [whole.members[2], whole.members[0]])
    assert again.members == whole.members
    assert np.allclose(again.feet, whole.feet, atol=1.5)


def test_a_drawing_at_the_end_of_a_word_is_not_taken_into_it() -> None:
    rings = words("HARBOUR")
    end = max(z.real.max() for z in rings)
    t = np.linspace(0, 2 * math.pi, 400)[:-1]
    splash = end + 60 + 51j + (22 + 8 * np.cos(9 * t)) * np.exp(1j * t)
    marks = find_marks(outlines([*rings, splash]))
    seen = looked_over(marks, [False] * len(marks), shipped().reader)
    letters = [k for k in outer(marks) if k < len(rings)]
    (whole,) = [row for row in propose_rows(marks, letters) if len(row.members) == 7]
    odds = np.full(len(marks), np.nan)
    odds[letters] = 4.0
    assert fits_in(marks, whole, len(rings), beyond=2.0)
    assert completed(seen, shipped(), whole, odds)[1] == []


# ------------------------------------------------------------------ drawings beside words


def star(middle: complex, size: float) -> Complexes:
    t = np.linspace(0, 2 * np.pi, 11)[:-1]
    far = np.where(np.arange(10) % 2 == 0, size, 0.4 * size)
    corners = middle + far * np.exp(1j * (t - np.pi / 2))
    steps = np.linspace(0, 1, 12, endpoint=False)
    between = corners[:, None] + (np.roll(corners, -1) - corners)[:, None] * steps[None, :]
    return np.asarray(between.ravel(), np.complex128)


def told_kinds(rings: list[Complexes]) -> list[Kind]:
    return kinds(tell_kinds(outlines(rings), rules=AUTO, work_from_upright=SAME))


def seen_row(word: list[Complexes], beside: list[Complexes]) -> tuple[Seen, Row, list[int]]:
    """The row of a word with marks beside it, and which those are."""
    marks = find_marks(outlines([*word, *beside]))
    seen = looked_over(marks, [False] * len(marks), shipped().reader)
    letters = [k for k in outer(marks) if k < len(word)]
    whole = max(propose_rows(marks, letters), key=lambda row: len(row.members))
    others = [k for k in outer(marks) if k >= len(word)]
    return seen, with_more(marks, whole, others), others


@pytest.mark.parametrize("n_stars", [1, 4])
@pytest.mark.parametrize("side", [-1, 1])
def test_stars_that_stand_off_a_word_are_no_part_of_it(n_stars: int, side: int) -> None:
    word = words("HARBOUR", 70.0)
    end = max(side * z.real.max() if side > 0 else -z.real.min() for z in word)
    stars = [star(side * (end + 95 + 90 * k) + 55j, 34) for k in range(n_stars)]
    seen, row, others = seen_row(word, stars)
    kept, left_out = without_beside(seen, row)
    assert sorted(left_out) == others
    assert len(kept.members) == 7


def test_letters_that_stand_off_stay_in_their_word() -> None:
    word = words("HARBOUR", 70.0)
    number = [z + max(r.real.max() for r in word) + 60 for z in words("17", 70.0)]
    seen, row, _ = seen_row(word, number)
    assert without_beside(seen, row)[1] == []


def test_a_row_in_which_nothing_reads_is_no_word() -> None:
    """Seven splashes, none like another, as high as letters and on one line; and a word."""
    rng = np.random.default_rng(7)
    t = np.linspace(0, 2 * np.pi, 300)[:-1]
    blots = []
    for k in range(7):
        wave = sum(rng.normal(0, 4) * np.cos(n * t + rng.uniform(0, 6)) for n in (3, 5, 7))
        blots.append(np.asarray(100 * k + (30 + wave) * np.exp(1j * t), np.complex128))
    seen, row, _ = seen_row(blots, [])
    assert _told._most(seen, row) < 0
    seen, row, _ = seen_row(words("HARBOUR"), [])
    assert _told._most(seen, row) == _told.MOST_ODDS


def test_words_choose_first_then_letters_alone_then_what_is_neither() -> None:
    turns = [
        _told._turn(0.1, 2),
        _told._turn(4.9, 1),
        _told._turn(0.1, 1),
        _told._turn(-0.1, 9),
        _told._turn(-0.1, 1),
    ]
    assert turns == sorted(turns, reverse=True)


@pytest.mark.parametrize("letter", ["E", "R", "K", "5"])
def test_a_single_letter_among_drawings_is_not_lost_to_a_row_of_them(letter: str) -> None:
    own = words(letter, 160.0)
    high = float(np.ptp(own[0].imag))
    foot, right = own[0].imag.max(), own[0].real.max()
    blots = [pebble(right + 170 + 210 * k + 1j * (foot - high / 2), high / 2, k) for k in range(3)]
    result = tell_kinds(outlines([*own, *blots]), rules=AUTO, work_from_upright=SAME)
    asked = [note for note in result.notes if note.kind is NoteKind.DOUBT]
    at = complex(*result.rings[0].points_mm.mean(axis=0))
    is_asked = any(
        n.place_mm is not None and abs(n.place_mm - at) < (n.size_mm or 0) / 2 for n in asked
    )
    assert kinds(result)[0] is Kind.LETTERING or is_asked
    assert Kind.LETTERING not in kinds(result)[len(own) :]


def test_all_marks_are_looked_at_in_one_go(monkeypatch: pytest.MonkeyPatch) -> None:
    """What rows ask for later is known by then: the net is read once for each depth."""
    counts: list[int] = []
    log_odds = Reader.log_odds

    def counted(self: Reader, pictures: npt.NDArray[np.uint8]) -> npt.NDArray[np.float64]:
        counts.append(len(pictures))
        return log_odds(self, pictures)

    monkeypatch.setattr(Reader, "log_odds", counted)
    told_kinds([z + 200j * k for k in range(3) for z in words("HERON COVE", 60.0)])
    assert counts[0] > 25
    assert sum(counts[1:]) < 0.2 * counts[0]
