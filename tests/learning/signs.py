"""Made-up signs by number: words and drawings as they are laid out, and what each part is."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from enum import IntEnum

import numpy as np

from raster2path.geometry import Points
from tests.learning import art, letters, pictograms
from tests.learning.art import Art, Rng


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
    """A sign that is being laid out."""

    rng: Rng
    width: int
    height: int
    held: bool
    only_own: bool
    is_single_line: bool
    has_lines: bool
    face: str
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
            rings = tuple(_fitted(art.draw_lines(rng), x, y, size))
            self.parts.append(Part(rings, what, self.group(), is_open=True))
            return
        shape = pictograms.draw(rng, held=self.held, only_own=self.only_own)
        self.add(_fitted(shape, x, y, size), what, is_cut=is_cut)
        if not (is_cut or self.has_lines) and rng.random() < 0.2:
            bands = [p * size + (x, y) for p in art.gaps(rng)]
            self.add(bands, What.BACKGROUND, is_cut=True)


def _fitted(shape: Art, x: float, y: float, size: float) -> Art:
    points = np.vstack(shape)
    low, high = points.min(axis=0), points.max(axis=0)
    scale = size / float(max(high - low))
    return [(p - (low + high) / 2) * scale + (x, y) for p in shape]


def _moved(rings: Sequence[Points], angle: float, to: tuple[float, float]) -> Art:
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


def _text(rng: Rng, *, most: int = 12) -> str:
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
class _Line:
    """A line of text: its letters' outlines, each one's middle along the line, and its length."""

    letters: list[Art]
    middles: list[float]
    length: float


def _line(board: Board, text: str, height: float, spread: float) -> _Line:
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
    return _Line(out, middles, x - spread * height)


def _single_line(board: Board, text: str, height: float, spread: float) -> _Line:
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
    return _Line(out, middles, x)


def _put_line(
    board: Board, line: _Line, *, at: tuple[float, float], angle: float = 0.0, is_cut: bool = False
) -> None:
    """The line, its foot's middle at a place, turned."""
    group = board.group()
    what = What.LONE_LETTER if len(line.letters) == 1 else What.LETTER
    for rings in line.letters:
        board.add(
            _moved([p - (line.length / 2, 0) for p in rings], angle, at),
            what,
            is_cut=is_cut,
            group=group,
        )


def _put_arch(
    board: Board,
    line: _Line,
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
            _moved([p - (along, 0) for p in rings], angle, spot),
            What.LETTER,
            is_cut=is_cut,
            group=group,
        )


def _fit_line(board: Board, text: str, height: float, width: float) -> tuple[_Line, float]:
    """The line, made smaller where it would be longer than that; and its height."""
    spread = float(board.rng.choice([-0.01, 0.0, 0.03, 0.08, 0.2], p=[0.1, 0.4, 0.25, 0.15, 0.1]))
    line = _line(board, text, height, spread)
    if line.length > width:
        height *= width / line.length
        line = _line(board, text, height, spread)
    return line, height


# ------------------------------------------------------------------ frames


def _frame(board: Board, inset: float, thick: float) -> None:
    w, h = board.width, board.height
    radius = 0.0 if board.rng.random() < 0.5 else board.rng.uniform(20, 80)
    board.add(
        [_rounded(inset, w, h, radius), _rounded(inset + thick, w, h, max(0.0, radius - thick))],
        What.RULED,
    )


def _rounded(inset: float, w: int, h: int, radius: float) -> Points:
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
        corners += _moved([arc], k * np.pi / 2, (x, y))
    return np.vstack(corners)


def _rule(board: Board, y: float, *, is_cut: bool = False) -> None:
    half = board.width * board.rng.uniform(0.15, 0.42)
    thick = board.rng.uniform(6, 22)
    x = board.width / 2
    board.add(
        [np.array([[x - half, y], [x + half, y], [x + half, y + thick], [x - half, y + thick]])],
        What.RULED,
        is_cut=is_cut,
    )


# ------------------------------------------------------------------ layouts


def _lines_and_art(board: Board) -> None:
    rng, w, h = board.rng, board.width, board.height
    n = int(rng.integers(1, 4))
    top = h * rng.uniform(0.12, 0.5)
    y = top
    slant = 0.0 if rng.random() < 0.75 else rng.uniform(-0.2, 0.2)
    for _ in range(n):
        line, high = _fit_line(board, _text(rng), h * rng.uniform(0.06, 0.28), 0.86 * w)
        if y + 1.4 * high > h:
            break
        y += 1.25 * high
        _put_line(board, line, at=(w / 2, y), angle=slant)
        y += 0.4 * high
    if rng.random() < 0.25 and y + 40 < h:
        _rule(board, y + 15)
        y += 45
    size = min(top, 0.5 * w) * 0.85
    if size > 60:
        for x in [w / 2] if rng.random() < 0.6 else [0.27 * w, 0.73 * w]:
            board.drawing(x, top / 2, size * rng.uniform(0.6, 1))
    if h - y > 0.2 * h:
        for x in np.linspace(0.2, 0.8, int(rng.integers(1, 4))) * w:
            board.drawing(float(x), (y + h) / 2, 0.7 * min(h - y, 0.3 * w))
    if rng.random() < 0.3:
        _frame(board, 12, rng.uniform(5, 24))


def _beside(board: Board) -> None:
    rng, w, h = board.rng, board.width, board.height
    left = rng.random() < 0.5
    high = h * rng.uniform(0.12, 0.4)
    line, high = _fit_line(board, _text(rng), high, 0.58 * w)
    _put_line(board, line, at=((0.64 if left else 0.36) * w, h / 2 + high / 2))
    size = rng.uniform(1.0, 2.2) * high if rng.random() < 0.5 else 0.3 * w
    board.drawing((0.17 if left else 0.83) * w, h / 2, min(size, 0.28 * w, 0.9 * h))


def _arch(board: Board) -> None:
    rng, w, h = board.rng, board.width, board.height
    high = h * rng.uniform(0.07, 0.16)
    radius = w * rng.uniform(0.34, 0.9)
    line, high = _fit_line(board, _text(rng, most=16), high, min(0.84 * w, 2.4 * radius))
    middle = (w / 2, h * 0.08 + 1.3 * high + radius)
    _put_arch(board, line, middle=middle, radius=radius)
    board.drawing(w / 2, 0.6 * h, 0.36 * min(w, h))
    if rng.random() < 0.5:
        line, high = _fit_line(board, _text(rng), h * rng.uniform(0.05, 0.1), 0.7 * w)
        _put_line(board, line, at=(w / 2, 0.95 * h))


def _ring(board: Board) -> None:
    rng, w, h = board.rng, board.width, board.height
    middle, r = (w / 2, h / 2), 0.46 * min(w, h)
    high = r * rng.uniform(0.14, 0.24)
    t = np.arange(240) / 240 * 2 * np.pi
    unit = np.column_stack([np.cos(t), np.sin(t)])
    for radius in [r, r - 2.0 * high][: int(rng.integers(0, 3))]:
        board.add(
            [unit * radius + middle, unit * (radius - rng.uniform(5, 14)) + middle], What.RULED
        )
    foot = r - 1.55 * high
    line, _ = _fit_line(board, _text(rng, most=18), high, 2.6 * foot)
    _put_arch(board, line, middle=middle, radius=foot)
    if rng.random() < 0.7:
        line, size = _fit_line(board, _text(rng, most=14), high, 2.2 * foot)
        _put_arch(board, line, middle=middle, radius=foot + size, is_below=True)
    else:
        board.drawing(w / 2, h / 2 + foot + 0.5 * high, 0.9 * high)
    if rng.random() < 0.2:
        _lone(board, middle, 0.9 * foot)
    else:
        board.drawing(*middle, 1.1 * foot)


def _lone(board: Board, middle: tuple[float, float], high: float, *, is_cut: bool = False) -> None:
    text = str(board.rng.choice(list("ABCDEFGHJKLMNOPRSTUVWXYZ0123456789")))
    if board.rng.random() < 0.2:
        text = text.lower()
    line = _line(board, text, high, 0.0)
    _put_line(board, line, at=(middle[0], middle[1] + high / 2), is_cut=is_cut)


def _monogram(board: Board) -> None:
    rng, w, h = board.rng, board.width, board.height
    high = rng.uniform(0.25, 0.6) * h
    _lone(board, (w / 2, h / 2), high)
    kind = rng.random()
    r = 0.62 * high + 40
    if kind < 0.35:
        n = int(rng.integers(10, 26))
        blade = art.leaf(rng)[0] * rng.uniform(0.2, 0.35) * high
        t0 = rng.uniform(0.4, 1.2)
        for a in np.linspace(t0, 2 * np.pi - t0, n):
            spot = (w / 2 + r * np.sin(a), h / 2 - r * np.cos(a))
            board.add(
                _moved([blade], a + rng.normal(0.5, 0.1), spot), What.REPEATED, group=board.n_groups
            )
    elif kind < 0.55:
        t = np.arange(240) / 240 * 2 * np.pi
        unit = np.column_stack([np.cos(t), np.sin(t)])
        board.add(
            [
                unit * r * 1.1 + (w / 2, h / 2),
                unit * (1.1 * r - rng.uniform(6, 20)) + (w / 2, h / 2),
            ],
            What.RULED,
        )
    elif kind < 0.75:
        for x in (0.14, 0.86):
            board.drawing(x * w, h / 2, 0.22 * w)
    if rng.random() < 0.3:
        line, _ = _fit_line(board, _text(rng), 0.09 * h, 0.7 * w)
        _put_line(board, line, at=(w / 2, 0.97 * h))


def _repeats(board: Board) -> None:
    rng, w, h = board.rng, board.width, board.height
    shape = pictograms.draw(rng, held=board.held, only_own=board.only_own)
    n = int(rng.integers(3, 10))
    size = min(0.9 * w / n * rng.uniform(0.6, 0.95), 0.4 * h)
    rows = int(rng.choice([1, 1, 1, 2, 3]))
    wobble = rng.choice([0.0, 0.0, 0.03])
    mirror = rng.random() < 0.2
    is_ring = rng.random() < 0.15
    for row in range(rows):
        group = board.group()
        for k in range(n):
            x, y = (k + 0.7) * w / (n + 0.4), h * 0.2 + row * 1.3 * size
            angle = rng.normal(0, wobble * 3)
            if is_ring:
                a = 2 * np.pi * k / n
                x, y, angle = (
                    w / 2 + 0.35 * h * np.sin(a),
                    h / 2 - (0.35 * h - row * size) * np.cos(a),
                    a,
                )
            here = [p * (-1, 1) for p in shape] if mirror and k % 2 else shape
            grown = size * (1 + rng.normal(0, wobble))
            board.add(_moved(_fitted(here, 0, 0, grown), angle, (x, y)), What.REPEATED, group=group)
    y = h * 0.2 + rows * 1.3 * size
    if rng.random() < 0.6 and y < 0.7 * h and not is_ring:
        line, high = _fit_line(board, _text(rng), 0.6 * (h - y), 0.8 * w)
        _put_line(board, line, at=(w / 2, (y + h + high) / 2))


def _plate(board: Board) -> None:
    rng, w, h = board.rng, board.width, board.height
    radius = rng.choice([0.0, 40.0, 120.0])
    board.add([_rounded(20, w, h, radius)], What.RULED)
    y = 0.1 * h
    if rng.random() < 0.5:
        board.drawing(w / 2, 0.25 * h, 0.3 * h, is_cut=True)
        y = 0.42 * h
    for _ in range(int(rng.integers(1, 3))):
        line, high = _fit_line(board, _text(rng), h * rng.uniform(0.12, 0.3), 0.8 * w)
        y += 1.2 * high
        if y > 0.93 * h:
            break
        _put_line(board, line, at=(w / 2, y), is_cut=True)
        y += 0.35 * high
    if rng.random() < 0.3 and y + 40 < 0.95 * h:
        _rule(board, y + 10, is_cut=True)


def _only_art(board: Board) -> None:
    rng, w, h = board.rng, board.width, board.height
    n = int(rng.choice([1, 1, 1, 2, 3, 4, 6, 8]))
    if n == 1:
        board.drawing(w / 2, h / 2, 0.85 * min(w, h))
    else:
        cols = int(np.ceil(np.sqrt(n * w / h)))
        rows = int(np.ceil(n / cols))
        even = rng.random() < 0.4
        for k in range(n):
            x, y = (k % cols + 0.5) * w / cols, (k // cols + 0.5) * h / rows
            size = min(w / cols, h / rows) * (0.8 if even else rng.uniform(0.4, 0.9))
            board.drawing(x, y, size)
    if rng.random() < 0.25:
        _frame(board, 12, rng.uniform(5, 24))


def _number(board: Board) -> None:
    rng, w, h = board.rng, board.width, board.height
    text = str(int(10 ** rng.uniform(0.2, 3.2))) + str(rng.choice(["", "", "", "a", "B"]))
    line, high = _fit_line(board, text, rng.uniform(0.3, 0.6) * h, 0.75 * w)
    _put_line(board, line, at=(w / 2, 0.42 * h + high / 2))
    if rng.random() < 0.5:
        board.drawing(w / 2, 0.84 * h, 0.26 * h)
    if rng.random() < 0.5:
        _frame(board, 12, rng.uniform(8, 30))


def _turned(board: Board) -> None:
    rng, w, h = board.rng, board.width, board.height
    angle = float(rng.choice([np.pi / 2, -np.pi / 2, rng.uniform(-1.2, 1.2)]))
    line, _ = _fit_line(board, _text(rng), rng.uniform(0.08, 0.16) * h, 0.75 * h)
    x = rng.uniform(0.25, 0.45) * w if abs(angle) > 1.5 else 0.5 * w
    _put_line(board, line, at=(x, h / 2), angle=angle)
    if abs(angle) > 1.5:
        board.drawing(0.75 * w, h / 2, 0.35 * min(w, h))


def _bullets(board: Board) -> None:
    rng, w, h = board.rng, board.width, board.height
    high = h * rng.uniform(0.1, 0.22)
    y = h * rng.uniform(0.25, 0.7)
    left, high = _fit_line(board, _text(rng, most=8), high, 0.4 * w)
    _put_line(board, left, at=(0.27 * w, y))
    right = _line(board, _text(rng, most=7), high, 0.0)
    if right.length < 0.4 * w:
        _put_line(board, right, at=(0.75 * w, y))
    shape = art.star(rng) if rng.random() < 0.5 else art.pebble(rng)
    if rng.random() < 0.5:
        board.add(_fitted(shape, 0.5 * w, y - high / 2, 0.3 * high), What.EITHER)
    for up in (-1.6, 0.5):
        if rng.random() < 0.6:
            _rule(board, y + up * high)
    if rng.random() < 0.6:
        board.drawing(0.5 * w, 0.86 * h, 0.2 * h)


def _piece(board: Board) -> Art:
    """One outline, such as a part of a drawing may be."""
    rng = board.rng
    kind = rng.random()
    if kind < 0.3:
        return [art.leaf(rng)[0]]
    if kind < 0.45:
        return [art.pebble(rng)[0] if rng.random() < 0.5 else art.splash(rng)[0]]
    if kind < 0.55:
        w, h = rng.uniform(0.1, 1, 2)
        return [np.array([(0, 0), (w, 0), (w, h), (0, h)])]
    shape = pictograms.draw(rng, held=board.held, only_own=board.only_own)
    return [shape[int(rng.integers(len(shape)))]]


def _busy(board: Board) -> None:
    """One drawing of many parts: strewn, along lines and arches, in mirrored pairs."""
    rng, w, h = board.rng, board.width, board.height
    is_cut = rng.random() < 0.5
    if is_cut:
        board.drawing(w / 2, 0.45 * h, 0.85 * min(w, 0.9 * h))
    for _ in range(int(rng.integers(1, 5))):
        n, size = int(rng.integers(2, 12)), rng.uniform(0.03, 0.14) * h
        shape, turn = _piece(board), rng.uniform(0, 2 * np.pi)
        mood, wobble = rng.random(), rng.choice([0.02, 0.2, 0.5])
        start, bend = rng.uniform(0.2, 0.7, 2) * (w, 0.8 * h), rng.normal(0, 0.25)
        way = rng.uniform(0, 2 * np.pi)
        for k in range(n):
            if mood < 0.4:
                shape = _piece(board)
            if mood < 0.25:
                spot = rng.uniform(0.1, 0.85, 2) * (w, 0.85 * h)
            else:
                spot = start + size * rng.normal(0, wobble, 2)
                start = start + 1.3 * size * np.array([np.cos(way), np.sin(way)])
                way += bend
            grown = size * float(np.exp(rng.normal(0, wobble)))
            part = _moved(
                _fitted(shape, 0, 0, grown), turn + rng.normal(0, wobble) + bend * k, tuple(spot)
            )
            board.add(part, What.ART, is_cut=is_cut)
            if mood > 0.85:
                twin = [p * (-1, 1) + (w, 0) for p in part]
                board.add(twin, What.ART, is_cut=is_cut)
    if rng.random() < 0.35:
        line, _ = _fit_line(board, _text(rng), 0.1 * h, 0.8 * w)
        _put_line(board, line, at=(w / 2, 0.98 * h))


LAYOUTS: tuple[tuple[Callable[[Board], None], float], ...] = (
    (_lines_and_art, 0.24),
    (_beside, 0.08),
    (_arch, 0.09),
    (_ring, 0.08),
    (_monogram, 0.08),
    (_repeats, 0.1),
    (_plate, 0.08),
    (_only_art, 0.2),
    (_number, 0.04),
    (_turned, 0.04),
    (_bullets, 0.04),
)


@dataclass(frozen=True, slots=True, eq=False)
class Sign:
    """A made-up sign: parts in the order in which they are painted."""

    parts: tuple[Part, ...]
    width: int
    height: int
    layout: str


def make_sign(
    seed: int,
    *,
    held: bool,
    only_carried: bool = False,
    is_single_line: bool = False,
    has_lines: bool = False,
    layout: str | None = None,
) -> Sign:
    """The sign with a number; the same number is the same sign.

    Args:
        seed: the number.
        held: with typefaces and drawings that are held out from training.
        only_carried: only what matplotlib carries and our own geometry.
        is_single_line: letters are lines, to be cut in one pass.
        has_lines: some drawings are of lines that don't close.
        layout: one of `LAYOUTS` by name; by chance if not said.
    """
    rng = np.random.default_rng([seed, int(held)])
    if is_single_line:
        names = tuple(letters.HELD_SINGLE_LINE if held else letters.SINGLE_LINE)
    else:
        names = letters.faces(held=held, only_carried=only_carried)
    short = int(rng.integers(700, 1300))
    size = (int(short * rng.uniform(1.0, 1.7)), short)
    board = Board(rng, *size, held, only_carried, is_single_line, has_lines, str(rng.choice(names)))
    odds = np.array([share for _, share in LAYOUTS])
    by_chance = int(rng.choice(len(LAYOUTS), p=odds / odds.sum()))
    lay_out = LAYOUTS[by_chance][0]
    if layout is not None:
        lay_out = next(
            lay for lay in (*(lay for lay, _ in LAYOUTS), _busy) if lay.__name__ == f"_{layout}"
        )
    lay_out(board)
    return Sign(tuple(board.parts), *size, lay_out.__name__.strip("_"))
