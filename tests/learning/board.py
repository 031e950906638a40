"""What made-up signs are laid out with: parts, words on lines and arches, frames and rules."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from enum import IntEnum

import numpy as np

from raster2path.geometry import Points
from tests.learning import letters, line_art, pictograms
from tests.learning.art import Art, Rng
from tests.learning.use import Use


class What(IntEnum):
    """What a part of a made-up sign is."""

    BACKGROUND = 0
    """A gap in what lies below."""
    LETTER = 1
    LONE_LETTER = 2
    ART = 3
    REPEATED = 4
    RULED = 5
    EITHER = 6
    """A bullet between words, or parts grown together: right either way."""

    @property
    def is_letter(self) -> bool:
        """True where it must be told as lettering."""
        return self in (What.LETTER, What.LONE_LETTER)


@dataclass(frozen=True, slots=True, eq=False)
class Part:
    """One letter or one drawing: outlines filled even-odd (or lines, if `is_open`), in pixels.

    Attributes:
        group: parts of the same word, or of the same row of repeated drawings.
        is_cut: it is taken out of what lies below it.
    """

    rings: tuple[Points, ...]
    what: What
    group: int
    is_cut: bool = False
    is_open: bool = False


@dataclass(slots=True, eq=False)
class Board:
    """A sign that is being laid out.

    Attributes:
        hand: how much its letters are written by hand, 0 where they are set.
    """

    rng: Rng
    width: int
    height: int
    use: Use
    only_own: bool
    is_single_line: bool
    has_lines: bool
    face: str
    hand: float
    parts: list[Part] = field(default_factory=list)
    n_groups: int = 0

    def add(
        self, rings: Sequence[Points], what: What, *, is_cut: bool = False, group: int | None = None
    ) -> None:
        """One more part; a group of its own unless said otherwise."""
        if group is None:
            group = self.group()
        open_too = self.is_single_line and what.is_letter
        self.parts.append(Part(tuple(rings), what, group, is_cut, open_too))

    def group(self) -> int:
        """A new group."""
        self.n_groups += 1
        return self.n_groups

    def drawing(
        self, x: float, y: float, size: float, *, what: What = What.ART, is_cut: bool = False
    ) -> None:
        """A drawing by chance, its box's longer side `size`, its middle at x, y."""
        rng = self.rng
        if self.has_lines and rng.random() < 0.45:
            rings = tuple(fitted(line_art.draw_lines(rng), x, y, size))
            self.parts.append(Part(rings, what, self.group(), is_open=True))
            return
        shape = pictograms.draw(rng, use=self.use, only_own=self.only_own)
        self.add(fitted(shape, x, y, size), what, is_cut=is_cut)
        if not (is_cut or self.has_lines) and rng.random() < 0.2:
            bands = [p * size + (x, y) for p in line_art.gaps(rng)]
            self.add(bands, What.BACKGROUND, is_cut=True)


def fitted(shape: Art, x: float, y: float, size: float) -> Art:
    points = np.vstack(shape)
    low, high = points.min(axis=0), points.max(axis=0)
    scale = size / float(max(high - low))
    return [(p - (low + high) / 2) * scale + (x, y) for p in shape]


def moved(rings: Sequence[Points], angle: float, to: tuple[float, float]) -> Art:
    c, s = np.cos(angle), np.sin(angle)
    return [p @ np.array([[c, s], [-s, c]]) + to for p in rings]


# ------------------------------------------------------------------ words

WORDS = (
    "heron cove ferry lane kelp tide harbour boathouse reeds mill quay tin shed pier marsh "
    "net loft gull wharf bakery welcome office garden kitchen family forge orchard cedar farm "
    "barn lodge cabin lake river stone north field hill cellar stable coffee bread honey fish "
    "smoke house rest inn tavern anchor bay dune sand salt wind mühle gasthof café am see "
    "über grüße straße hof garten hütte fähre möwe open closed private parking please ring "
    "bell no entry beware of the dog joy hope peace home sweet moor fen island point view "
    "rock tower light maple willow aspen fir oak elm birch ash hazel ivy fern moss jack anna "
    "tom lily max ruth olaf ida kai quince zinc wax jug vow plum yard keg "
).split()


def text_of(rng: Rng, *, most: int = 12) -> str:
    kind = rng.random()
    if kind < 0.12:
        return str(
            rng.choice(
                [
                    "No. 17",
                    "EST. 1908",
                    "Est. 2019",
                    "No 4",
                    "1887",
                    "84 B",
                    "km 3",
                    "2-6 pm",
                    "No. 68",
                ]
            )
        )
    if kind < 0.22:
        return str(int(10 ** rng.uniform(0.9, 3.9)))
    n = int(rng.choice([1, 1, 1, 2]))
    words = " ".join(rng.choice(WORDS, n))
    if kind < 0.28:
        words = f"{words} {rng.choice(['&', '-', '+'])} {rng.choice(WORDS)}"
    case = rng.random()
    words = words.upper() if case < 0.5 else words.title() if case < 0.85 else words
    if len(words) > most and " " in words:
        words = words.split()[0]
    return words.replace("ẞ", "SS")


@dataclass(frozen=True, slots=True, eq=False)
class TextLine:
    """A line of text: its letters' outlines, each one's middle along the line, and its length."""

    letters: list[Art]
    middles: list[float]
    length: float


def line_of(board: Board, text: str, height: float, spread: float) -> TextLine:
    if board.is_single_line:
        return _single_line(board, text, height, spread)
    cap = letters.glyph(board.face, "H")
    assert cap is not None
    scale = height / float(np.ptp(np.vstack(cap.rings)[:, 1]))
    x, out, middles = 0.0, [], []
    for letter in text:
        glyph = letters.glyph(board.face, letter)
        if glyph is None:
            continue
        if glyph.rings:
            out.append([p * scale + (x, 0.0) for p in glyph.rings])
            middles.append(x + glyph.advance * scale / 2)
        x += glyph.advance * scale + spread * height * (1.0 if glyph.rings else 1.5)
    out = [by_hand(board, rings, height) for rings in out]
    return TextLine(out, middles, x - spread * height)


def by_hand(board: Board, rings: Sequence[Points], height: float) -> Art:
    """A letter as a hand writes it: no two quite alike, none quite on the line."""
    if not board.hand or not rings:
        return list(rings)
    return wavered(board.rng, rings, height, board.hand, is_open=board.is_single_line)


def wavered(
    rng: Rng, rings: Sequence[Points], height: float, much: float, *, is_open: bool = False
) -> Art:
    """The same shape drawn once more by hand: sheared, turned, moved and bent a little."""
    drawn = [_stepped(ring, height / 20, is_open=is_open) for ring in rings]
    middle = np.vstack(drawn).mean(axis=0)
    lean, grow = rng.normal(0, 0.05 * much, 2)
    turn = rng.normal(0, 0.035 * much)
    bend = np.array([[1.0, 0.0], [lean, np.exp(grow)]]) * np.exp(rng.normal(0, 0.05 * much))
    waves = rng.normal(0, 0.02 * much * height, (3, 2))
    ways, starts = rng.normal(0, 3.0 / height, (3, 2)), rng.uniform(0, 6, 3)
    shift = rng.normal(0, (0.03 * much * height, 0.03 * much * height))
    foot = (middle[0], 0.0)
    out = []
    for p in drawn:
        q = p + np.sin(p @ ways.T + starts) @ waves
        out.append(moved([(q - foot) @ bend], turn, (foot[0] + shift[0], shift[1]))[0])
    return out


def _stepped(ring: Points, step: float, *, is_open: bool) -> Points:
    ends = ring if is_open else np.vstack([ring, ring[:1]])
    along = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(ends, axis=0).T))])
    t = np.unique(np.concatenate([along, np.arange(0, along[-1], step)]))
    line = np.column_stack([np.interp(t, along, ends[:, k]) for k in (0, 1)])
    return line if is_open else line[:-1]


def _single_line(board: Board, text: str, height: float, spread: float) -> TextLine:
    scale, x, out, middles = height / 21, 0.0, [], []
    for letter in text:
        lines = letters.strokes_of(board.face, letter) if letter.isascii() else ()
        if not lines:
            x += 0.5 * height
            continue
        points = np.vstack(lines)
        left, right = points[:, 0].min() * scale, points[:, 0].max() * scale
        out.append([p * scale + (x - left, 0.0) for p in lines])
        middles.append(x + (right - left) / 2)
        x += right - left + (0.28 + spread) * height
    return TextLine([by_hand(board, lines, height) for lines in out], middles, x)


def put_line(
    board: Board,
    line: TextLine,
    *,
    at: tuple[float, float],
    angle: float = 0.0,
    is_cut: bool = False,
) -> None:
    """The line, its foot's middle at a place, turned."""
    group = board.group()
    what = What.LONE_LETTER if len(line.letters) == 1 else What.LETTER
    for rings in line.letters:
        board.add(
            moved([p - (line.length / 2, 0) for p in rings], angle, at),
            what,
            is_cut=is_cut,
            group=group,
        )


def put_arch(
    board: Board,
    line: TextLine,
    *,
    middle: tuple[float, float],
    radius: float,
    is_below: bool = False,
    is_cut: bool = False,
) -> None:
    """The line on a circle, upright at its top; or at its bottom, read from inside."""
    group = board.group()
    for rings, along in zip(line.letters, line.middles, strict=True):
        angle = (along - line.length / 2) / radius
        if is_below:
            angle = -angle
            spot = (middle[0] - radius * np.sin(angle), middle[1] + radius * np.cos(angle))
        else:
            spot = (middle[0] + radius * np.sin(angle), middle[1] - radius * np.cos(angle))
        board.add(
            moved([p - (along, 0) for p in rings], angle, spot),
            What.LETTER,
            is_cut=is_cut,
            group=group,
        )


def fit_line(board: Board, text: str, height: float, width: float) -> tuple[TextLine, float]:
    """The line, made smaller where it would be longer than that; and its height."""
    spread = float(board.rng.choice([-0.01, 0.0, 0.03, 0.08, 0.2], p=[0.1, 0.4, 0.25, 0.15, 0.1]))
    line = line_of(board, text, height, spread)
    if line.length > width:
        height *= width / line.length
        line = line_of(board, text, height, spread)
    return line, height


# ------------------------------------------------------------------ frames


def frame(board: Board, inset: float, thick: float) -> None:
    w, h = board.width, board.height
    radius = 0.0 if board.rng.random() < 0.5 else board.rng.uniform(20, 80)
    board.add(
        [rounded(inset, w, h, radius), rounded(inset + thick, w, h, max(0.0, radius - thick))],
        What.RULED,
    )


def rounded(inset: float, w: int, h: int, radius: float) -> Points:
    x0, y0, x1, y1 = inset, inset, w - inset, h - inset
    t = np.linspace(0, np.pi / 2, 12)
    arc = np.column_stack([np.cos(t), np.sin(t)]) * radius
    corners = []
    for k, (x, y) in enumerate(
        [
            (x1 - radius, y1 - radius),
            (x0 + radius, y1 - radius),
            (x0 + radius, y0 + radius),
            (x1 - radius, y0 + radius),
        ]
    ):
        corners += moved([arc], k * np.pi / 2, (x, y))
    return np.vstack(corners)


def rule(board: Board, y: float, *, is_cut: bool = False) -> None:
    half = board.width * board.rng.uniform(0.15, 0.42)
    thick = board.rng.uniform(6, 22)
    x = board.width / 2
    board.add(
        [np.array([[x - half, y], [x + half, y], [x + half, y + thick], [x - half, y + thick]])],
        What.RULED,
        is_cut=is_cut,
    )
