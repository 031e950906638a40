"""How much a mark looks like a letter the right way up: a small picture of it through a small net.

The net has one hidden layer (Rumelhart, Hinton, Williams 1986), was learnt by `tests.learning`
from made-up signs, and is read with NumPy alone. It reads no words: it tells letters from drawings,
and the right way up from upside down. What it says of one mark is weak; of a row, much.
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
Bytes = npt.NDArray[np.uint8]

SIDE = 16
"""Pixels of the small picture, each way."""
OVER = 3
"""Subpixels to a pixel."""
PEN_SHARE = 0.09
"""Width of the pen, of the picture's side, with which single lines are drawn into it."""
WAY_RAD = math.radians(6)
"""Small pictures are drawn at whole multiples of this turn."""
MOST = 6.0
"""What it says is no surer than this."""


@dataclass(frozen=True, slots=True, eq=False)
class Reader:
    """The net's numbers: (SIDE ** 2, hidden), (hidden,), (hidden,), and one."""

    into: npt.NDArray[np.float32]
    into_at: npt.NDArray[np.float32]
    out: npt.NDArray[np.float32]
    out_at: float

    def log_odds(self, pictures: Bytes) -> Floats:
        """Of each small picture (n, SIDE ** 2), that it is a letter the right way up: (n,)."""
        seen = pictures.astype(np.float32) / 255
        hidden = np.maximum(seen @ self.into + self.into_at, 0)
        return np.clip(np.asarray(hidden @ self.out + self.out_at, np.float64), -MOST, MOST)


def small_picture(mark: Mark, way: complex) -> Bytes:
    """The mark with its row's direction level, as large as fits, counters open: (SIDE ** 2,)."""
    import cv2

    lines = [line / way for line in (*mark.drawn, *mark.tails)]
    outer = mark.hull / way
    low = complex(outer.real.min(), outer.imag.min())
    high = complex(outer.real.max(), outer.imag.max())
    n = SIDE * OVER
    room = n - 2 * OVER
    scale = room / max(high.real - low.real, high.imag - low.imag, 1e-9)
    middle = (low + high) / 2
    fixed = []
    for line in lines:
        z = (line - middle) * (16 * scale) + complex(8 * n, 8 * n)
        fixed.append(np.column_stack([z.real, z.imag]).round().astype(np.int32))
    level = np.zeros((n, n), np.uint8)
    if mark.strokes or mark.tails:
        pen = max(1, round(PEN_SHARE * n))
        cv2.polylines(level, fixed, False, 255, pen, cv2.LINE_8, 4)
    else:
        cv2.fillPoly(level, fixed, 255, cv2.LINE_8, 4)
    small = cv2.resize(level, (SIDE, SIDE), interpolation=cv2.INTER_AREA)
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
