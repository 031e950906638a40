"""Ways in which signs are laid out: words with art, arches, rings, monograms, plates and more."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from tests.learning import art, pictograms
from tests.learning.art import Art
from tests.learning.board import (
    Board,
    Part,
    What,
    fit_line,
    fitted,
    frame,
    line_of,
    moved,
    put_arch,
    put_line,
    rounded,
    rule,
    text_of,
    wavered,
)


def _lines_and_art(board: Board) -> None:
    rng, w, h = board.rng, board.width, board.height
    n = int(rng.integers(1, 4))
    top = h * rng.uniform(0.12, 0.5)
    y = top
    slant = 0.0 if rng.random() < 0.75 else rng.uniform(-0.2, 0.2)
    for _ in range(n):
        line, high = fit_line(board, text_of(rng), h * rng.uniform(0.06, 0.28), 0.86 * w)
        if y + 1.4 * high > h:
            break
        y += 1.25 * high
        put_line(board, line, at=(w / 2, y), angle=slant)
        y += 0.4 * high
    if rng.random() < 0.25 and y + 40 < h:
        rule(board, y + 15)
        y += 45
    size = min(top, 0.5 * w) * 0.85
    if size > 60:
        for x in [w / 2] if rng.random() < 0.6 else [0.27 * w, 0.73 * w]:
            board.drawing(x, top / 2, size * rng.uniform(0.6, 1))
    if h - y > 0.2 * h:
        for x in np.linspace(0.2, 0.8, int(rng.integers(1, 4))) * w:
            board.drawing(float(x), (y + h) / 2, 0.7 * min(h - y, 0.3 * w))
    if rng.random() < 0.3:
        frame(board, 12, rng.uniform(5, 24))


def _beside(board: Board) -> None:
    rng, w, h = board.rng, board.width, board.height
    left = rng.random() < 0.5
    high = h * rng.uniform(0.12, 0.4)
    line, high = fit_line(board, text_of(rng), high, 0.58 * w)
    put_line(board, line, at=((0.64 if left else 0.36) * w, h / 2 + high / 2))
    size = rng.uniform(1.0, 2.2) * high if rng.random() < 0.5 else 0.3 * w
    board.drawing((0.17 if left else 0.83) * w, h / 2, min(size, 0.28 * w, 0.9 * h))


def _arch(board: Board) -> None:
    rng, w, h = board.rng, board.width, board.height
    high = h * rng.uniform(0.07, 0.16)
    radius = w * rng.uniform(0.34, 0.9)
    line, high = fit_line(board, text_of(rng, most=16), high, min(0.84 * w, 2.4 * radius))
    middle = (w / 2, h * 0.08 + 1.3 * high + radius)
    put_arch(board, line, middle=middle, radius=radius)
    board.drawing(w / 2, 0.6 * h, 0.36 * min(w, h))
    if rng.random() < 0.5:
        line, high = fit_line(board, text_of(rng), h * rng.uniform(0.05, 0.1), 0.7 * w)
        put_line(board, line, at=(w / 2, 0.95 * h))


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
    line, _ = fit_line(board, text_of(rng, most=18), high, 2.6 * foot)
    put_arch(board, line, middle=middle, radius=foot)
    if rng.random() < 0.7:
        line, size = fit_line(board, text_of(rng, most=14), high, 2.2 * foot)
        put_arch(board, line, middle=middle, radius=foot + size, is_below=True)
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
    line = line_of(board, text, high, 0.0)
    put_line(board, line, at=(middle[0], middle[1] + high / 2), is_cut=is_cut)


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
                moved([blade], a + rng.normal(0.5, 0.1), spot), What.REPEATED, group=board.n_groups
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
        line, _ = fit_line(board, text_of(rng), 0.09 * h, 0.7 * w)
        put_line(board, line, at=(w / 2, 0.97 * h))


def _repeats(board: Board) -> None:
    rng, w, h = board.rng, board.width, board.height
    shape = pictograms.draw(rng, use=board.use, only_own=board.only_own)
    n = int(rng.integers(3, 10))
    size = min(0.9 * w / n * rng.uniform(0.6, 0.95), 0.4 * h)
    rows = int(rng.choice([1, 1, 1, 2, 3]))
    wobble = rng.choice([0.0, 0.0, 0.03])
    mirror = rng.random() < 0.2
    is_ring = rng.random() < 0.15
    is_by_hand = rng.random() < 0.4
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
            copy = fitted(here, 0, 0, grown)
            if is_by_hand:
                copy = wavered(rng, copy, grown, 0.8)
            board.add(moved(copy, angle, (x, y)), What.REPEATED, group=group)
    y = h * 0.2 + rows * 1.3 * size
    if rng.random() < 0.6 and y < 0.7 * h and not is_ring:
        line, high = fit_line(board, text_of(rng), 0.6 * (h - y), 0.8 * w)
        put_line(board, line, at=(w / 2, (y + h + high) / 2))


def _plate(board: Board) -> None:
    rng, w, h = board.rng, board.width, board.height
    radius = rng.choice([0.0, 40.0, 120.0])
    board.add([rounded(20, w, h, radius)], What.RULED)
    y = 0.1 * h
    if rng.random() < 0.5:
        board.drawing(w / 2, 0.25 * h, 0.3 * h, is_cut=True)
        y = 0.42 * h
    for _ in range(int(rng.integers(1, 3))):
        line, high = fit_line(board, text_of(rng), h * rng.uniform(0.12, 0.3), 0.8 * w)
        y += 1.2 * high
        if y > 0.93 * h:
            break
        put_line(board, line, at=(w / 2, y), is_cut=True)
        y += 0.35 * high
    if rng.random() < 0.3 and y + 40 < 0.95 * h:
        rule(board, y + 10, is_cut=True)


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
        frame(board, 12, rng.uniform(5, 24))


def _number(board: Board) -> None:
    rng, w, h = board.rng, board.width, board.height
    text = str(int(10 ** rng.uniform(0.2, 3.2))) + str(rng.choice(["", "", "", "a", "B"]))
    line, high = fit_line(board, text, rng.uniform(0.3, 0.6) * h, 0.75 * w)
    put_line(board, line, at=(w / 2, 0.42 * h + high / 2))
    if rng.random() < 0.5:
        board.drawing(w / 2, 0.84 * h, 0.26 * h)
    if rng.random() < 0.5:
        frame(board, 12, rng.uniform(8, 30))


def _turned(board: Board) -> None:
    rng, w, h = board.rng, board.width, board.height
    angle = float(rng.choice([np.pi / 2, -np.pi / 2, rng.uniform(-1.2, 1.2)]))
    line, _ = fit_line(board, text_of(rng), rng.uniform(0.08, 0.16) * h, 0.75 * h)
    x = rng.uniform(0.25, 0.45) * w if abs(angle) > 1.5 else 0.5 * w
    put_line(board, line, at=(x, h / 2), angle=angle)
    if abs(angle) > 1.5:
        board.drawing(0.75 * w, h / 2, 0.35 * min(w, h))


def _bullets(board: Board) -> None:
    rng, w, h = board.rng, board.width, board.height
    high = h * rng.uniform(0.1, 0.22)
    y = h * rng.uniform(0.25, 0.7)
    left, high = fit_line(board, text_of(rng, most=8), high, 0.4 * w)
    put_line(board, left, at=(0.27 * w, y))
    right = line_of(board, text_of(rng, most=7), high, 0.0)
    if right.length < 0.4 * w:
        put_line(board, right, at=(0.75 * w, y))
    shape = art.star(rng) if rng.random() < 0.5 else art.pebble(rng)
    if rng.random() < 0.5:
        board.add(fitted(shape, 0.5 * w, y - high / 2, 0.3 * high), What.EITHER)
    for up in (-1.6, 0.5):
        if rng.random() < 0.6:
            rule(board, y + up * high)
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
    shape = pictograms.draw(rng, use=board.use, only_own=board.only_own)
    return [shape[int(rng.integers(len(shape)))]]


def busy(board: Board) -> None:
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
            part = moved(
                fitted(shape, 0, 0, grown), turn + rng.normal(0, wobble) + bend * k, tuple(spot)
            )
            board.add(part, What.ART, is_cut=is_cut)
            if mood > 0.85:
                twin = [p * (-1, 1) + (w, 0) for p in part]
                board.add(twin, What.ART, is_cut=is_cut)
    if rng.random() < 0.35:
        line, _ = fit_line(board, text_of(rng), 0.1 * h, 0.8 * w)
        put_line(board, line, at=(w / 2, 0.98 * h))


def form(board: Board) -> None:
    """A sheet full of boxes, small words, arrows and rows of the same sign."""
    rng, w, h = board.rng, board.width, board.height
    cols, rows = int(rng.integers(2, 5)), int(rng.integers(2, 5))
    high = rng.uniform(0.2, 0.45) * h / rows
    for col in range(cols):
        for row in range(rows):
            wide = rng.uniform(0.5, 0.85) * w / cols
            x, y = (col + 0.5) * w / cols, (row + 0.6) * h / rows
            mood = rng.random()
            if mood < 0.6:
                size = high * (rng.uniform(0.3, 0.6) if mood < 0.4 else rng.uniform(0.5, 1.0))
                _words(board, x, y, size, 0.85 * wide)
            elif mood < 0.75:
                _same(board, x, y, wide)
            else:
                board.drawing(x, y, min(wide, 1.3 * high))
            if mood < 0.4:
                t = 0.5 * rng.uniform(0.9, 1.3) * high
                box = np.array([(-wide, -2 * t), (wide, -2 * t), (wide, 2 * t), (-wide, 2 * t)]) / 2
                box = wavered(rng, [box], high, 0.4)[0] + (x, y)
                board.add([box], What.RULED)
            if rng.random() < 0.3 and col + 1 < cols and board.has_lines:
                _arrow(board, (x + 0.55 * wide, y), 0.3 * w / cols)
    if rng.random() < 0.5:
        _words(board, 0.5 * w, 0.1 * h / rows, rng.uniform(0.03, 0.06) * h, 0.7 * w)


def _words(board: Board, x: float, y: float, size: float, width: float) -> None:
    n = int(board.rng.integers(1, 3))
    for k in range(n):
        line, high = fit_line(board, text_of(board.rng, most=10), size / n, width)
        put_line(board, line, at=(x, y + (k + 0.5 - 0.5 * n) * 1.5 * size / n + high / 2))


def _same(board: Board, x: float, y: float, wide: float) -> None:
    n = int(board.rng.integers(3, 7))
    shape = pictograms.draw(board.rng, use=board.use, only_own=board.only_own)
    group = board.group()
    for k in range(n):
        size = 0.75 * wide / n
        copy = wavered(board.rng, fitted(shape, 0, 0, size), size, 0.9)
        spot = (x + ((k + 0.5) / n - 0.5) * wide, y)
        board.add(moved(copy, 0.0, spot), What.REPEATED, group=group)


def _arrow(board: Board, at: tuple[float, float], long: float) -> None:
    head = 0.15 * long
    lines = [
        np.array([(0.0, 0.0), (0.5 * long, board.rng.normal(0, 0.05) * long), (long, 0.0)]),
        np.array([(long - head, -head), (long, 0.0), (long - head, head)]),
    ]
    lines = wavered(board.rng, lines, long, 0.6, is_open=True)
    rings = tuple(line + at for line in lines)
    board.parts.append(Part(rings, What.ART, board.group(), is_open=True))


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
    (busy, 0.08),
)
