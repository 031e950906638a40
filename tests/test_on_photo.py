"""The lines over the photograph land where they will be cut, and notes can be found.

Independent reference: colours are looked for in the decoded picture with NumPy alone, at places
worked out by hand from the placement.
"""

import io
import re
from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pytest
from PIL import Image

from raster2path.geometry import Kind
from raster2path.guides import _canvas
from raster2path.guides.colours import PAPER, rgb
from raster2path.guides.on_photo import LEAST_SIDE_PX, MOST_SIDE_PX, on_photo_png
from raster2path.model import CutOrder, Note, NoteKind, Picture, Stamp
from tests.guide_scenes import STAMP, harbour, not_ready, picture_of, plate

Pixels = npt.NDArray[np.uint8]

THIN = Note(NoteKind.THIN, "The web between the reeds is thin", 380 + 300j, 2.1, "move the edges")
LOOSE = Note(NoteKind.LOOSE, "The middle of the O would fall out", 220 + 300j, 56, "tie it")
READ = Note(NoteKind.READING, "Read as solid, because the shapes are filled")


def drawn(
    order: CutOrder, picture: Picture, *, stamp: Stamp = STAMP, notes: tuple[Note, ...] = ()
) -> Pixels:
    content = on_photo_png(picture, order, stamp=stamp, notes=notes)
    return np.asarray(Image.open(io.BytesIO(content)).convert("RGB"))


def near(pixels: Pixels, colour: str, *, within: int = 40) -> npt.NDArray[np.bool_]:
    off = np.abs(pixels.astype(int) - rgb(colour)).max(axis=2)
    return np.asarray(off <= within, np.bool_)


def roomy(order: CutOrder) -> CutOrder:
    """The same on a picture that reaches 25 mm beyond the sign on every side."""
    sign = order.plan.sign
    placement = replace(sign.art.placement, origin_mm=0j)
    art = replace(sign.art, placement=placement)
    return replace(order, plan=replace(order.plan, sign=replace(sign, art=art)))


@pytest.mark.parametrize(
    ("size", "longest"),
    [((1300, 924), LEAST_SIDE_PX), ((1800, 1300), 1800), ((4000, 3000), MOST_SIDE_PX)],
)
def test_the_picture_is_large_enough_to_read_and_small_enough_to_send(
    size: tuple[int, int], longest: int
) -> None:
    pixels = drawn(roomy(harbour()), picture_of(*size))
    assert pixels.shape[1] == longest


def test_lines_lie_where_the_placement_says() -> None:
    """The block's left torch line runs at x = 70.75 mm; a pixel is half a millimetre."""
    pixels = drawn(roomy(harbour()), picture_of(1300, 924))
    scale = 1600 / 1300
    row = round(150 / 0.5 * scale)
    found = np.flatnonzero(near(pixels, PAPER.ink(Kind.LETTERING).colour)[row])
    left = found[found < 100 / 0.5 * scale]
    assert left.mean() + 0.5 == pytest.approx(70.75 / 0.5 * scale, abs=0.5)
    assert np.ptp(left) <= 5


def test_every_kind_has_its_colour() -> None:
    pixels = drawn(roomy(harbour()), picture_of(1300, 924))
    for kind in Kind:
        assert near(pixels, PAPER.ink(kind).colour, within=12).sum() > 300


def test_a_sign_larger_than_its_picture_stands_on_paper_grey() -> None:
    pixels = drawn(plate(300, 200), picture_of(200, 100))
    dark = PAPER.ink(Kind.GEOMETRIC).colour
    cols = np.nonzero(near(pixels[: round(1600 * 200 / 300)], dark))[1]
    assert np.ptp(cols) > 0.9 * pixels.shape[1]
    assert tuple(pixels[3, 3]) == (236, 236, 236)


def test_lines_lie_true_on_a_picture_smaller_than_its_sign() -> None:
    """The opening's rim, 49.25 mm round the middle of the sign, wherever the picture ends."""
    pixels = drawn(plate(300, 200), picture_of(500, 300))
    rows, cols = np.nonzero(near(pixels, PAPER.ink(Kind.GEOMETRIC).colour))
    long_mm = (pixels.shape[1]) / 1600 * (300 + 2 * 0.02 * 300)
    scale = 1600 / long_mm
    middle = complex(6 + 150, 6 + 100) * scale
    radii = np.abs(cols + 0.5 + 1j * (rows + 0.5) - middle)
    rim = radii[(radii > 40 * scale) & (radii < 49.7 * scale) & (cols > middle.real)]
    assert len(rim) > 300
    assert np.median(rim) == pytest.approx(49.25 * scale, abs=1)


def test_lines_stay_readable_on_black_ink() -> None:
    """A white seam parts a blue line from black."""
    black = replace(picture_of(1300, 924), rgb=np.zeros((924, 1300, 3), np.uint8))
    pixels = drawn(roomy(harbour()), black)
    row = pixels[round(300 / 0.5 * 1600 / 1300)]
    blue = np.flatnonzero(np.abs(row.astype(int) - (0, 114, 178)).max(axis=1) < 12)
    reeds = blue[blue > 320 / 0.5 * 1600 / 1300]
    assert len(reeds) > 5
    beside = [row[x - 6 : x + 7].min(axis=1).max() for x in reeds]
    assert min(beside) > 180


def test_notes_are_ringed_where_they_are_and_told_below() -> None:
    order, picture = roomy(harbour()), picture_of(1300, 924)
    plain = drawn(order, picture)
    told = drawn(order, picture, notes=(READ, THIN, LOOSE))
    rows = round(924 * 1600 / 1300)
    assert told.shape[0] > plain.shape[0] + 3 * 20
    changed = np.argwhere((told[:rows] != plain[:rows]).any(axis=2)) / (1600 / 1300) * 0.5
    at = np.array([[300, 220], [300, 380]])  # y, x
    gaps = np.linalg.norm(changed[:, None, :] - at, axis=2).min(axis=1)
    assert gaps.max() < 55
    assert (np.linalg.norm(changed - at[1], axis=1) < 20).any()
    assert (np.linalg.norm(changed - at[0], axis=1) < 45).any()


def test_a_word_gets_an_oblong_ring() -> None:
    """A circle round a long word would say that half the sign is asked about."""
    order, picture = roomy(harbour()), picture_of(1300, 924)
    word = Note(NoteKind.DOUBT, "Is this a word?", 320 + 240j, 302, spread_mm=(300, 40))
    plain = drawn(order, picture)
    rows = round(924 * 1600 / 1300)
    told = drawn(order, picture, notes=(word,))[:rows]
    changed = np.argwhere((told != plain[:rows]).any(axis=2)) / (1600 / 1300) * 0.5
    low, high = changed.min(axis=0), changed.max(axis=0)
    assert low[1] == pytest.approx(320 - 150, abs=12)
    assert high[1] == pytest.approx(320 + 150, abs=25)  # its letter sits there
    assert high[0] == pytest.approx(240 + 20, abs=12)
    assert low[0] > 240 - 20 - 25


def test_worst_notes_get_the_first_letters_and_places_only_get_one(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    said: list[str] = []
    write = _canvas.write

    def listening(
        pixels: Pixels, text: str, place: tuple[float, float], size: float, colour: _canvas.Colour
    ) -> None:
        said.append(text)
        write(pixels, text, place, size, colour)

    monkeypatch.setattr("raster2path.guides.on_photo.write", listening)
    drawn(roomy(harbour()), picture_of(1300, 924), notes=(READ, THIN, LOOSE))
    lines = [text for text in said if len(text) == 1 or re.search(r"reeds|fall out|solid", text)]
    assert lines == [
        *("A", "B"),  # on the picture
        *("A", "The middle of the O would fall out (at 220, 300 mm) → tie it"),
        *("B", "The web between the reeds is thin (at 380, 300 mm) → move the edges"),
        "Read as solid, because the shapes are filled",
    ]
    assert STAMP.title in said


def test_notes_at_one_place_keep_their_letters_apart(monkeypatch: pytest.MonkeyPatch) -> None:
    places: list[complex] = []
    monkeypatch.setattr(
        "raster2path.guides.on_photo._tag", lambda _, place, *__: places.append(place)
    )
    drawn(roomy(harbour()), picture_of(1300, 924), notes=(THIN,) * 12)
    on_picture = np.array(places[:12])
    gaps = np.abs(on_picture[:, None] - on_picture) + 1e9 * np.eye(12)
    assert gaps.min() > 40


def test_a_sentence_is_one_with_its_place() -> None:
    from raster2path.guides.on_photo import _sentence

    note = replace(THIN, sentence="the web is thin.", remedy=None)
    assert _sentence(note) == "The web is thin (at 380, 300 mm)"
    assert _sentence(replace(note, place_mm=None)) == "The web is thin."


def test_letters_go_on_after_z() -> None:
    notes = tuple(replace(THIN, place_mm=complex(30 + 20 * k, 100)) for k in range(28))
    from raster2path.guides.on_photo import lettered

    letters = [letter for letter, _ in lettered(notes)]
    assert letters[:2] + letters[25:] == ["A", "B", "Z", "AA", "AB"]


def test_what_is_not_ready_says_so_in_the_alarm_colour() -> None:
    order, stamp = not_ready()
    pixels = drawn(roomy(order), picture_of(1300, 924), stamp=stamp)
    assert near(pixels[:10], PAPER.alarm, within=3).all()
    assert not near(drawn(roomy(order), picture_of(1300, 924))[:10], PAPER.alarm).any()


def test_the_same_input_gives_the_same_bytes_and_nothing_but_pixels() -> None:
    order, picture = harbour(), picture_of(400, 300)
    one = on_photo_png(picture, order, stamp=STAMP, notes=(LOOSE,))
    assert one == on_photo_png(picture, order, stamp=STAMP, notes=(LOOSE,))
    chunks = set(re.findall(rb"(tIME|tEXt|zTXt|iTXt|eXIf)", one[:2000]))
    assert not chunks


@pytest.mark.parametrize("size", [(1, 1), (3, 900), (5000, 2)])
def test_odd_pictures_still_give_a_picture(size: tuple[int, int]) -> None:
    assert drawn(plate(50, 40), picture_of(*size), notes=(READ, LOOSE)).size


# ---------------------------------------------------------------- words


@pytest.mark.parametrize(
    ("text", "like"),
    [("straße", "strasse"), ("Ærø", "AEro"), ("“so”", '"so"'), ("漢", "?"), ("a\u00a0b", "a b")],
)
def test_letters_that_the_face_lacks_are_written_with_those_it_has(text: str, like: str) -> None:
    assert (_canvas._words(text, 24) == _canvas._words(like, 24)).all()


@pytest.mark.parametrize("letter", [*"äöüÄÖÜéèêñčåçíī", "×", "→", "–", "·"])
def test_accents_and_signs_are_drawn(letter: str) -> None:
    mask = _canvas._words(letter, 24)
    assert mask.max() > 150
    bare = {"ä": "a", "Ä": "A", "é": "e", "ç": "c", "í": "i", "×": "?", "·": "?"}.get(letter)
    if bare is not None:
        other = _canvas._words(bare, 24)
        assert other.shape != mask.shape or (other != mask).any()


def test_a_diaeresis_stands_over_its_letter() -> None:
    plain, dotted = (_canvas._words(letter, 60).astype(int) for letter in "oö")
    rows = np.flatnonzero((dotted > plain + 60).any(axis=1))
    assert rows.max() < np.flatnonzero((plain > 60).any(axis=1)).min()


def test_words_are_wrapped_between_words() -> None:
    lines = _canvas.wrapped("the middle of the O would fall out", 20, 160)
    assert " ".join(lines) == "the middle of the O would fall out"
    assert len(lines) > 1
    assert all(_canvas.words_width(line, 20) <= 160 for line in lines)
    assert _canvas.wrapped("incomprehensibilities", 20, 10) == ["incomprehensibilities"]
