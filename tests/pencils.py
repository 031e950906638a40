"""Known strokes, seen as a phone sees them: pencils and pens on all kinds of paper.

The truth is the strokes' own coverage. What is put on top is simple physics: ink and printed
lines let a share of the light through, channel by channel; light falls off and shadows lie on it
(linear light); then blur, noise, sRGB (IEC 61966-2-1) and JPEG.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from itertools import pairwise

import cv2
import numpy as np
import numpy.typing as npt

from raster2path.model import Mask, Picture

Floats = npt.NDArray[np.float32]
Bytes = npt.NDArray[np.uint8]

SIZE = (720, 560)
FAINT_PRESS = 0.4


class Pencil(Enum):
    """Light that it takes, by channel; how rough it is; and how wide, in pixels."""

    GRAPHITE = ((0.50, 0.50, 0.49), 0.55, 5.0)
    BALLPOINT = ((0.86, 0.80, 0.45), 0.15, 4.0)
    COLOURED = ((0.10, 0.42, 0.34), 0.45, 6.0)


class Paper(Enum):
    """Its colour, and the distance of its printed lines: across only, or both ways."""

    PLAIN = ((0.80, 0.80, 0.78), 0, False)
    RULED = ((0.80, 0.80, 0.785), 60, False)
    SQUARED = ((0.80, 0.79, 0.78), 34, True)
    TINTED = ((0.66, 0.56, 0.44), 0, False)


class Light(Enum):
    """What lies over the sheet."""

    EVEN = "even"
    SHADOW = "shadow"
    SLANT = "slant"
    THROUGH = "through"


@dataclass(frozen=True, slots=True, eq=False)
class Sketch:
    """A picture and where its strokes really are."""

    rgb: Bytes
    truth: Mask

    @property
    def picture(self) -> Picture:
        """As it comes from the room that opens pictures."""
        return Picture("reeds", "0", self.rgb, self.rgb.shape[1::-1], np.eye(3))


def sketch(
    pencil: Pencil,
    paper: Paper,
    light: Light,
    seed: int = 0,
    *,
    extra: Mask | None = None,
    press_at_most: float = 1.0,
) -> Sketch:
    """Curves, ovals and boxes, some of them faint; and faint ink where `extra` is set."""
    rng = np.random.default_rng(seed)
    dark, grain, pen_px = pencil.value
    cover, press = _drawn(rng, pen_px)
    if extra is not None:
        cover, press = np.maximum(cover, extra), np.maximum(press, FAINT_PRESS * extra)
    press = np.minimum(press, press_at_most)
    if light is Light.SLANT:
        cover, press = (_slanted(layer) for layer in (cover, press))
    tooth = cv2.GaussianBlur(rng.random(cover.shape).astype(np.float32), (0, 0), 0.8)
    tooth = 1 + grain * 0.55 * (tooth - tooth.mean()) / tooth.std()
    taken = np.clip(cover * np.maximum(press, 0.35) * np.clip(tooth, 0.1, 1.5), 0, 1.15)
    seen = _sheet(paper, light) * (1 - taken[..., None] * np.array(dark, np.float32))
    if light is Light.THROUGH:
        back = cv2.GaussianBlur(cover[:, ::-1], (0, 0), 3)
        seen *= 1 - 0.15 * back[..., None]
    seen = cv2.GaussianBlur(seen * _lamp(light), (0, 0), 1.0)
    seen += rng.normal(0, 0.008, seen.shape) * np.sqrt(np.clip(seen, 0.02, 1))
    return Sketch(_jpeg(seen), cover >= 0.5)


def _drawn(rng: np.random.Generator, pen_px: float) -> tuple[Floats, Floats]:
    """Coverage by strokes, and how hard each was pressed."""
    fine = 3
    cols, rows = SIZE
    cover = np.zeros((rows * fine, cols * fine), np.float32)
    press = np.zeros((rows, cols), np.float32)
    for stroke in _strokes(rng):
        wide = max(1, round(pen_px * fine * rng.uniform(0.85, 1.15)))
        points = np.round(stroke * fine * 16).astype(np.int32)
        cv2.polylines(cover, [points], isClosed=False, color=1.0, thickness=wide, shift=4)
        hard = rng.choice([0.5, 1, 1]) * (0.8 + 0.2 * np.sin(np.linspace(0, 8, len(stroke))))
        for k in range(0, len(stroke) - 1, 8):
            part = np.round(stroke[k : k + 10]).astype(np.int32)
            cv2.polylines(press, [part], False, float(hard[k]), round(2.4 * pen_px))
    small = cv2.resize(cover, SIZE, interpolation=cv2.INTER_AREA)
    return np.asarray(small, np.float32), press


def _strokes(rng: np.random.Generator) -> list[npt.NDArray[np.float64]]:
    size = np.array(SIZE)
    found = []
    for _ in range(6):
        turn = np.cumsum(np.cumsum(rng.normal(0, 0.0009, int(rng.uniform(150, 500)))))
        way = np.exp(1j * (rng.uniform(0, 6.28) + turn - turn.mean()))
        path = np.cumsum(way)
        points = np.column_stack([path.real, path.imag])
        points -= points.mean(axis=0) - rng.uniform(0.3, 0.7, 2) * size
        found.append(points[((points > 40) & (points < size - 40)).all(axis=1)])
    for _ in range(3):
        around = np.linspace(0, 2 * np.pi, 300)
        oval = np.column_stack([np.cos(around), rng.uniform(0.7, 1.4) * np.sin(around)])
        found.append(rng.uniform(0.25, 0.75, 2) * size + rng.uniform(25, 60) * oval)
    corners = np.array([[0, 0], [1, 0.03], [1.02, 1], [-0.01, 0.98], [0, 0]])
    for _ in range(2):
        box = rng.uniform(0.15, 0.55, 2) * size + rng.uniform(60, 150, 2) * corners
        sides = [np.linspace(a, b, 100) for a, b in pairwise(box)]
        found.append(np.vstack(sides))
    return [points for points in found if len(points) > 20]


def _sheet(paper: Paper, light: Light) -> Floats:
    colour, gap, is_squared = paper.value
    cols, rows = SIZE
    y, x = np.mgrid[:rows, :cols].astype(np.float32)
    sheet = np.ones((rows, cols, 3), np.float32) * np.array(colour, np.float32)
    if not gap:
        return sheet
    across = y + 0.012 * x + 4 * np.sin(x / cols * 2.2)
    lines = np.exp(-0.5 * (((across % gap) - gap / 2) / 1.0) ** 2)
    if is_squared:
        down = x - 0.012 * y + 2 * np.sin(y / rows * 2)
        lines = np.maximum(lines, np.exp(-0.5 * (((down % gap) - gap / 2) / 1.0) ** 2))
    if light is Light.SLANT:
        lines = _slanted(lines)
    return np.asarray(sheet * (1 - lines[..., None] * np.array((0.34, 0.24, 0.12))), np.float32)


def along_rule(number: int, columns: tuple[int, int], pen_px: int) -> Mask:
    """A line drawn along one of the rules of ruled paper, from one column to another."""
    x = np.arange(*columns)
    gap = Paper.RULED.value[1]
    y = gap * (number + 0.5) - 0.012 * x - 4 * np.sin(x / SIZE[0] * 2.2)
    drawn = np.zeros(SIZE[::-1], np.uint8)
    points = np.round(np.column_stack([x, y]) * 16).astype(np.int32)
    cv2.polylines(drawn, [points], isClosed=False, color=1, thickness=pen_px, shift=4)
    return drawn > 0


def _lamp(light: Light) -> Floats:
    cols, rows = SIZE
    y, x = np.mgrid[:rows, :cols].astype(np.float32)
    lamp = 0.95 - 0.35 * x / cols - 0.1 * y / rows
    if light is Light.SHADOW:
        soft = (0.8 * x + 0.6 * y - 0.62 * cols) / 18
        hard = np.clip(((x - 0.35 * cols) + 0.3 * (y - 0.4 * rows)) / 3, -30, 30)
        lamp *= 1 - 0.55 / (1 + np.exp(-soft))
        lamp *= 1 - 0.2 / (1 + np.exp(-hard))
    return np.asarray(lamp[..., None], np.float32)


def _slanted(layer: Floats) -> Floats:
    cols, rows = SIZE
    sheet = np.array([[0, 0], [cols, 0], [cols, rows], [0, rows]], np.float32)
    seen = sheet + np.array([[50, 30], [-30, 55], [-8, -25], [20, -50]], np.float32)
    turn = cv2.getPerspectiveTransform(sheet, seen)
    return np.asarray(cv2.warpPerspective(layer, turn, SIZE), np.float32)


def _jpeg(light: Floats) -> Bytes:
    v = np.clip(light, 0, 1)
    coded = np.where(v <= 0.0031308, 12.92 * v, 1.055 * v ** (1 / 2.4) - 0.055)
    bgr = np.round(255 * coded).astype(np.uint8)[..., ::-1]
    _, content = cv2.imencode(".jpg", bgr, [cv2.IMWRITE_JPEG_QUALITY, 88])
    back = cv2.imdecode(content, cv2.IMREAD_COLOR)
    return np.ascontiguousarray(np.asarray(back, np.uint8)[..., ::-1])


def precision_and_recall(found: Mask, truth: Mask) -> tuple[float, float]:
    """Shares of the found and of the true ink that lie within a pixel of the other."""
    near = np.ones((3, 3), np.uint8)
    mine, true = found.astype(np.uint8), truth.astype(np.uint8)
    right = np.asarray(cv2.dilate(true, near))[found].mean() if found.any() else 0.0
    seen = np.asarray(cv2.dilate(mine, near))[truth].mean()
    return float(right), float(seen)


def f_score(found: Mask, truth: Mask) -> float:
    """Harmonic mean of precision and recall."""
    right, seen = precision_and_recall(found, truth)
    return 2 * right * seen / max(right + seen, 1e-9)
