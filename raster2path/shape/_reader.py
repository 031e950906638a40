"""How much a mark looks like a letter the right way up: a small picture of it through a small net.

The net has three layers that look at small windows and two that look at all of it (LeCun and
others 1998), was learnt by `tests.learning` from made-up letters and drawings, and is read with
NumPy alone. It tells letters from drawings, joined letters too, and the right way up from upside
down. What it says of one mark is weak; of a row, much.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from raster2path.geometry import Complexes
from raster2path.shape._marks import Mark

Floats = npt.NDArray[np.float64]
Singles = npt.NDArray[np.float32]
Bytes = npt.NDArray[np.uint8]

HIGH, WIDE = 24, 48
"""Pixels of the small picture: wide enough for letters that are grown together."""
SQUEEZE = 2.0
"""What is wider still is drawn narrower, by so much at most."""
OVER = 2
"""Subpixels to a pixel."""
PEN_PX = 2
"""Width of the pen with which single lines are drawn into it."""
WAY_RAD = math.radians(6)
"""Small pictures are drawn at whole multiples of this turn."""
MOST = 8.0
"""What it says is no surer than this."""
AT_ONCE = 256
"""So many small pictures are looked at together, to be kind to memory."""


@dataclass(frozen=True, slots=True, eq=False)
class Reader:
    """The net's numbers.

    Attributes:
        windows: of each layer of windows, (channels before * side * side, channels).
        window_at: of each, (channels,).
        into, into_at: (all that the last of them says, hidden), (hidden,).
        out, out_at: (hidden, classes), (classes,); class 0 is a drawing, every other a letter.
    """

    windows: tuple[Singles, ...]
    window_at: tuple[Singles, ...]
    into: Singles
    into_at: Singles
    out: Singles
    out_at: Singles

    def log_odds(self, pictures: Bytes) -> Floats:
        """Of each small picture (n, HIGH * WIDE), that it is a letter the right way up: (n,)."""
        said = [self._log_odds(pictures[k : k + AT_ONCE]) for k in range(0, len(pictures), AT_ONCE)]
        return np.concatenate(said) if said else np.empty(0)

    def _log_odds(self, pictures: Bytes) -> Floats:
        seen = np.asarray(pictures.reshape(-1, HIGH, WIDE, 1), np.float32) / np.float32(255)
        for window, at in zip(self.windows, self.window_at, strict=True):
            flat, shape = patches(seen, len(window) // seen.shape[3])
            seen = np.maximum(flat @ window + at, 0).reshape(*shape, -1)
        hidden = np.maximum(seen.reshape(len(seen), -1) @ self.into + self.into_at, 0)
        classes = np.asarray(hidden @ self.out + self.out_at, np.float64)
        return np.clip(log_sum(classes[:, 1:]) - classes[:, 0], -MOST, MOST)


def log_sum(values: Floats) -> Floats:
    """Logarithm of the sum of exponentials along the last axis, without overflow."""
    most = values.max(axis=-1)
    return np.asarray(most + np.log(np.exp(values - most[..., None]).sum(axis=-1)), np.float64)


def patches(seen: Singles, area: int) -> tuple[Singles, tuple[int, int, int]]:
    """Windows of an odd side, two pixels apart, blank beyond the rim.

    Args:
        seen: (n, rows, columns, channels), rows and columns even or odd.
        area: pixels of a window.

    Returns:
        (n * rows' * columns', channels * area), and those three.
    """
    side = math.isqrt(area)
    rim = side // 2
    padded = np.pad(seen, ((0, 0), (rim, rim), (rim, rim), (0, 0)))
    views = np.lib.stride_tricks.sliding_window_view(padded, (side, side), (1, 2))[:, ::2, ::2]
    n, rows, columns = views.shape[:3]
    return views.reshape(n * rows * columns, -1), (n, rows, columns)


def small_picture(mark: Mark, way: complex) -> Bytes:
    """The mark with its row's direction level, as large as fits, counters open: (HIGH * WIDE,)."""
    lines = [line / way for line in (*mark.drawn, *mark.tails)]
    return drawn_small(lines, mark.hull / way, is_open=bool(mark.strokes or mark.tails))


def drawn_small(lines: Sequence[Complexes], extent: Complexes, *, is_open: bool) -> Bytes:
    """Lines as large as fits: closed ones filled even-odd, or open ones drawn with a pen.

    Args:
        lines: y down.
        extent: points whose box is what shall fit.
        is_open: True where a pen draws.

    Returns:
        (HIGH * WIDE,), 255 where there is ink.
    """
    import cv2

    low = complex(extent.real.min(), extent.imag.min())
    high = complex(extent.real.max(), extent.imag.max())
    tall, long = max(high.imag - low.imag, 1e-9), max(high.real - low.real, 1e-9)
    down = min((HIGH - 2) / tall, SQUEEZE * (WIDE - 2) / long) * OVER
    right = min(down, (WIDE - 2) / long * OVER)
    middle = (low + high) / 2
    fixed = []
    for line in lines:
        z = line - middle
        x, y = z.real * right + WIDE * OVER / 2, z.imag * down + HIGH * OVER / 2
        # a pixel's middle is its whole number there
        fixed.append((np.column_stack([x, y]) * 16 - 8).round().astype(np.int32))
    level = np.zeros((HIGH * OVER, WIDE * OVER), np.uint8)
    if is_open:
        cv2.polylines(level, fixed, False, 255, PEN_PX * OVER, cv2.LINE_8, 4)
    else:
        cv2.fillPoly(level, fixed, 255, cv2.LINE_8, 4)
    small = cv2.resize(level, (WIDE, HIGH), interpolation=cv2.INTER_AREA)
    return np.asarray(small, np.uint8).ravel()


class Looks:
    """What the reader says of marks turned any way; each is looked at once."""

    def __init__(self, marks: Sequence[Mark], reader: Reader) -> None:
        self._marks = marks
        self._reader = reader
        self._said: dict[tuple[int, int], float] = {}

    def of(self, members: Sequence[int], ways: Complexes) -> Floats:
        """Log odds of each mark, its row's direction given, that it is a letter (n,)."""
        turns = np.round(np.angle(ways) / WAY_RAD).astype(int) % round(2 * math.pi / WAY_RAD)
        keys = list(zip(members, turns.tolist(), strict=True))
        new = [key for key in dict.fromkeys(keys) if key not in self._said]
        if new:
            seen = np.stack(
                [small_picture(self._marks[k], complex(np.exp(1j * WAY_RAD * t))) for k, t in new]
            )
            self._said.update(zip(new, self._reader.log_odds(seen).tolist(), strict=True))
        return np.array([self._said[key] for key in keys])
