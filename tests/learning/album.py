"""Small pictures of letters and drawings, and which of them are letters the right way up."""

from __future__ import annotations

import zlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from raster2path.geometry import Complexes, Points, to_complex
from raster2path.shape._reader import HIGH, OVER, WIDE, drawn_small, small_picture
from raster2path.shape._textrows import Row, propose_rows
from tests.learning import art, letters, line_art, pictograms
from tests.learning.art import Art, Rng
from tests.learning.board import WORDS, wavered
from tests.learning.gather import Truth
from tests.learning.signs import What
from tests.learning.use import Use

Floats = npt.NDArray[np.float64]
Bytes = npt.NDArray[np.uint8]

DRAWING, WORD, LETTER = 0, 1, 2
"""Classes: a drawing, letters grown together, and from here on one letter each."""
_CASES = str.maketrans("COSVWXZKPUI0", "cosvwxzkpulo")
"""Capitals and figures that look like small letters once they are as large as fits."""
CHARACTERS = "ABDEFGHJLMNQRTYabcdefghijklmnopqrstuvwxyz123456789&?"
N_CLASSES = LETTER + len(CHARACTERS)
ANY_LETTER = -1
"""A letter of a made-up sign: which one isn't kept."""
MOST_DRAWN = 25
"""Parts of drawings that are looked at in one sign."""
UPRIGHT_RAD = 1.3
"""Words that lean more may be read from either side: which way is up isn't known."""
ONE_WAY = frozenset("ABDEFGJKLPQRTVYaefghkrty234579&?")
"""Letters that are none when upside down."""
TURNED_WEIGHT = 0.4


@dataclass(frozen=True, slots=True, eq=False)
class Album:
    """Small pictures (n, HIGH * WIDE), the class of each, and how much it counts."""

    seen: Bytes
    what: npt.NDArray[np.int8]
    weight: Floats
    group: npt.NDArray[np.int64]
    """Typeface's or drawing's number: kept together where some are left out."""

    def of(self, chosen: npt.NDArray[np.bool_]) -> Album:
        """Some of them."""
        return Album(self.seen[chosen], self.what[chosen], self.weight[chosen], self.group[chosen])


class _Pages:
    """An album that is being filled."""

    def __init__(self) -> None:
        self._seen: list[Bytes] = []
        self._told: list[tuple[int, float, int]] = []

    def add(self, picture: Bytes, what: int, weight: float, group: int) -> None:
        self._seen.append(picture)
        self._told.append((what, weight, group))

    def bound(self) -> Album:
        seen = np.array(self._seen, np.uint8).reshape(len(self._seen), HIGH * WIDE)
        told = np.array(self._told, np.float64).reshape(len(seen), 3)
        return Album(seen, told[:, 0].astype(np.int8), told[:, 1], told[:, 2].astype(np.int64))


def class_of(letter: str) -> int | None:
    """The class of a letter, None where it has none of its own."""
    at = CHARACTERS.find(letter.translate(_CASES))
    return LETTER + at if at >= 0 else None


def all_of(albums: Sequence[Album]) -> Album:
    """All of them as one."""
    return Album(
        np.vstack([a.seen for a in albums]),
        np.concatenate([a.what for a in albums]),
        np.concatenate([a.weight for a in albums]),
        np.concatenate([a.group for a in albums]),
    )


# ------------------------------------------------------------------ of made-up signs


def album_of(truth: Truth, seed: int, group: int) -> Album:
    """Small pictures of what stands in a sign, as our own stages found it."""
    rng = np.random.default_rng([seed, 11])
    pages = _Pages()
    for families in truth.families:
        for family in families:
            ways = _ways(truth, propose_rows(truth.marks, family))
            drawn = [k for k in family if not truth.whats[k].is_letter]
            drawn = [k for k in drawn if truth.whats[k] is not What.EITHER]
            if len(drawn) > MOST_DRAWN:
                drawn = rng.choice(drawn, MOST_DRAWN, replace=False).tolist()
            for k in drawn:
                pages.add(small_picture(truth.marks[k], ways.get(k, 1 + 0j)), DRAWING, 1.0, group)
            for k in family:
                if truth.whats[k].is_letter and k in ways:
                    pages.add(small_picture(truth.marks[k], ways[k]), ANY_LETTER, 1.0, group)
    return pages.bound()


def _ways(truth: Truth, rows: Sequence[Row]) -> dict[int, complex]:
    """Which way the row of each mark runs: the longest that is of one word, or of drawings."""
    out: dict[int, complex] = {
        k: 1 + 0j for k, what in enumerate(truth.whats) if what is What.LONE_LETTER
    }
    for row in sorted(rows, key=lambda row: len(row.members)):
        whats = {truth.whats[k] for k in row.members}
        words = {truth.words[k] for k in row.members}
        is_word = whats == {What.LETTER} and len(words) == 1
        if is_word or not whats & {What.LETTER, What.LONE_LETTER, What.EITHER}:
            ways: Complexes = row.directions
            if not is_word or np.abs(np.angle(ways)).max() < UPRIGHT_RAD or row.centre is not None:
                out.update(zip(row.members, ways.tolist(), strict=True))
    return out


# ------------------------------------------------------------------ straight from outlines


def album_of_letters(face: str, seed: int, *, many: int) -> Album:
    """Every letter of a typeface, so many times, each drawn a little otherwise."""
    rng = np.random.default_rng([seed, 12, zlib.crc32(face.encode())])
    group = zlib.crc32(face.encode())
    pages = _Pages()
    for letter in "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789&?":
        glyph = letters.glyph(face, letter)
        what = class_of(letter)
        whole = None if glyph is None else _main_part(list(glyph.rings))
        if what is None or whole is None:
            continue
        for _ in range(many):
            pages.add(_by_chance(rng, whole, turn=0.08), what, 1.0, group)
        if letter in ONE_WAY:
            turn = np.pi if rng.random() < 0.6 else rng.uniform(1.2, 5.0)
            pages.add(_by_chance(rng, whole, turn=0.1, by=turn), DRAWING, TURNED_WEIGHT, group)
    for _ in range(4 * many):
        word = _joined_word(rng, face)
        if word is not None:
            pages.add(_by_chance(rng, word, turn=0.06), WORD, 1.0, group)
    return pages.bound()


def album_of_lines(face: str, seed: int, *, many: int) -> Album:
    """Every letter of single lines, so many times."""
    rng = np.random.default_rng([seed, 13, zlib.crc32(face.encode())])
    group = zlib.crc32(face.encode())
    pages = _Pages()
    for letter in "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789":
        lines, what = list(letters.strokes_of(face, letter)), class_of(letter)
        if not lines or what is None:
            continue
        for _ in range(many):
            pages.add(_by_chance(rng, lines, turn=0.1, is_open=True), what, 1.0, group)
        if letter in ONE_WAY:
            turned = _by_chance(rng, lines, turn=0.1, by=np.pi, is_open=True)
            pages.add(turned, DRAWING, TURNED_WEIGHT, group)
    return pages.bound()


def album_of_drawing(name: str, rings: Art, seed: int, *, many: int) -> Album:
    """Some outlines of a drawing with what is just inside them, turned a little or much."""
    group = zlib.crc32(name.encode())
    rng = np.random.default_rng([seed, 14, group])
    pages = _Pages()
    parts = list(_parts(rings))
    for part in parts if len(parts) <= many else rng.choice(len(parts), many, replace=False):
        chosen = part if isinstance(part, list) else parts[int(part)]
        turn = 0.1 if rng.random() < 0.6 else 3.0
        pages.add(_by_chance(rng, chosen, turn=turn), DRAWING, 1.0, group)
    return pages.bound()


def album_of_line_art(seed: int, n: int) -> Album:
    """Drawings of lines that don't close, whole and line by line."""
    rng = np.random.default_rng([seed, 15])
    pages = _Pages()
    for k in range(n):
        lines = line_art.draw_lines(rng)
        some = lines if rng.random() < 0.4 else [lines[int(rng.integers(len(lines)))]]
        pages.add(_by_chance(rng, some, turn=0.3, is_open=True), DRAWING, 1.0, k)
    return pages.bound()


def _by_chance(
    rng: Rng, rings: Sequence[Points], *, turn: float, by: float = 0.0, is_open: bool = False
) -> Bytes:
    """The shape as a hand may draw it, thicker or thinner, as a small picture."""
    long, tall = np.ptp(np.vstack(rings), axis=0)
    height = max(float(tall), 0.25 * float(long), 1e-6)
    much = 0.0 if rng.random() < 0.4 else rng.uniform(0.2, 1.6)
    drawn = wavered(rng, rings, height, much, is_open=is_open) if much else list(rings)
    spin = np.exp(1j * (by + rng.uniform(-turn, turn)))
    lines = [to_complex(np.asarray(p)) * spin for p in drawn]
    if not is_open:
        lines = [np.append(z, z[0]) for z in lines]
    extent = np.concatenate(lines)
    return _inked(rng, drawn_small(lines, extent, is_open=is_open))


def _inked(rng: Rng, picture: Bytes) -> Bytes:
    """Ink that ran, or paper that ate it: half the pictures as they are."""
    import cv2

    kind = rng.random()
    if kind < 0.5:
        return picture
    seen = picture.reshape(HIGH, WIDE)
    large = cv2.resize(seen, (WIDE * OVER, HIGH * OVER), interpolation=cv2.INTER_LINEAR)
    change = cv2.dilate if kind < 0.75 else cv2.erode
    large = change(large, np.ones((2, 2), np.uint8))
    small = cv2.resize(large, (WIDE, HIGH), interpolation=cv2.INTER_AREA)
    return np.asarray(small, np.uint8).ravel()


def _parts(rings: Art) -> Iterator[Art]:
    """Each ring with those just inside it, as marks are."""
    import shapely

    areas = [shapely.Polygon(ring).buffer(0) for ring in rings]
    sizes = np.array([area.area for area in areas])
    inside = [
        [n for n in range(len(rings)) if sizes[n] < sizes[k] and areas[k].contains(areas[n])]
        for k in range(len(rings))
    ]
    for k, own in enumerate(inside):
        if sizes[k] > 0:
            deeper = {n for m in own for n in inside[m]}
            yield [rings[k], *(rings[n] for n in own if n not in deeper)]


def _main_part(rings: Art) -> Art | None:
    """The largest part of a letter; None where a letter is of many, as a stencil's."""
    import shapely

    parts = sorted(_parts(rings), key=lambda part: -shapely.Polygon(part[0]).area)
    if not parts:
        return None
    outer = [shapely.Polygon(part[0]).buffer(0) for part in parts]
    free = [a.area for a in outer[1:] if not outer[0].contains(a)]
    return parts[0] if sum(free) < 0.35 * outer[0].area else None


def _joined_word(rng: Rng, face: str) -> Art | None:
    """Two letters to six that are grown together, the largest part of them."""
    import shapely

    text = str(rng.choice(WORDS))[: int(rng.integers(2, 7))]
    text = text.upper() if rng.random() < 0.3 else text.title() if rng.random() < 0.5 else text
    close = 0.0 if rng.random() < 0.3 else rng.uniform(0.06, 0.16) * letters.SIZE
    x, areas = 0.0, []
    for letter in text:
        glyph = letters.glyph(face, letter)
        if glyph is None or not glyph.rings:
            return None
        whole = shapely.Polygon()
        for ring in glyph.rings:
            whole = whole.symmetric_difference(shapely.Polygon(ring + (x, 0)).buffer(0))
        areas.append(whole)
        x += glyph.advance - close
    joined = shapely.unary_union(areas)
    best = max(shapely.get_parts(joined), key=lambda area: area.area)
    n_in = sum(area.intersection(best).area > 0.5 * area.area for area in areas)
    return list(letters.rings_of(best)) if n_in >= 2 else None


# ------------------------------------------------------------------ all there is to learn from


def drawings(*, use: Use) -> Iterator[tuple[str, Art]]:
    """All drawings at hand, each with its name."""
    for name in pictograms.pictograms(use=use):
        yield name.split("-")[0], list(pictograms.pictogram(name, use=use))
    for face, number in pictograms.glyphs() if use is Use.LEARN else ():
        yield f"{face} {number}", pictograms.drawn_glyph(face, number)
    for kind in art.kinds_for(use):
        for k in range(40):
            yield f"{kind.__name__}", kind(np.random.default_rng([k, 16]))


def album_of_all(*, use: Use, many: int) -> Album:
    """Letters of every typeface and every drawing, straight from their outlines."""
    faces = [*letters.faces(use=use), *(letters.more_faces() if use is Use.LEARN else ())]
    albums = [album_of_letters(face, 0, many=many) for face in faces]
    albums += [
        album_of_lines(face, 0, many=3 * many) for face in dict.fromkeys(letters.line_faces(use))
    ]
    albums += [
        album_of_drawing(name, rings, k, many=4 * many)
        for k, (name, rings) in enumerate(drawings(use=use))
    ]
    return all_of([*albums, album_of_line_art(0, 1500 * many)])
