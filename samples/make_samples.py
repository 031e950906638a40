"""Draws every sample picture from named control points: `python samples/make_samples.py`.

Nothing here is a photograph or anybody's artwork: the heron, the ferry, the kelp and the boat
shed are outlines in this file, and pencil, paper, table, light and lens are modelled. The random
numbers are seeded, so the same libraries write the same bytes again.

Outlines are written as knots, "x,y x,y! x,y": a smooth curve runs through them, and an
exclamation mark makes a knot a corner (so a run of corners is a polygon).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

import cv2
import matplotlib as mpl
import numpy as np
import numpy.typing as npt
from PIL import Image, ImageDraw, ImageFont

Complexes = npt.NDArray[np.complexfloating[Any, Any]]
Angles = npt.NDArray[np.floating[Any]]
Floats = npt.NDArray[np.float32]
Bytes = npt.NDArray[np.uint8]

HERE = Path(__file__).resolve().parent


# ---------------------------------------------------------------------------------------------
# Curves: knots to polylines


def knots(text: str) -> tuple[Complexes, npt.NDArray[np.bool_]]:
    """The knots written in `text`, and which of them are corners."""
    words = text.split()
    pairs = [word.rstrip("!").split(",") for word in words]
    return (
        np.array([complex(float(x), float(y)) for x, y in pairs]),
        np.array([word.endswith("!") for word in words]),
    )


def _velocity(theta: Angles, phi: Angles) -> Complexes:
    """Length of a control arm over the chord, for the angles at its own and the far end."""
    st, sp, ct, cp = np.sin(theta), np.sin(phi), np.cos(theta), np.cos(phi)
    top = 2 + math.sqrt(2) * (st - sp / 16) * (sp - st / 16) * (ct - cp)
    low = 1 + (math.sqrt(5) - 1) / 2 * ct + (3 - math.sqrt(5)) / 2 * cp
    return np.asarray(top / low / 3, np.complex128)


def smooth(z: Complexes, *, is_closed: bool, step: float) -> Complexes:
    """A fair curve through knots as points about `step` apart, first knot to last.

    Cubic Bezier pieces whose directions even out the (mock) curvature: J. D. Hobby, "Smooth,
    easy to compute interpolating splines", Discrete & Computational Geometry 1, 1986.
    """
    if len(z) == 2:
        n = max(2, math.ceil(abs(z[1] - z[0]) / step))
        return np.asarray(np.linspace(z[0], z[1], n + 1))
    chords = np.diff(np.append(z, z[0]) if is_closed else z)
    d, n = np.abs(chords), len(z)
    system, wanted = np.zeros((n, n)), np.zeros(n)
    turn = np.zeros(n)
    inner = range(n) if is_closed else range(1, n - 1)
    for k in inner:
        turn[k] = float(np.angle(chords[k] / chords[k - 1]))
    for k in inner:
        before, after = 1 / d[k - 1], 1 / d[k]
        system[k, k] += 2 * (before + after)
        system[k, k - 1] += before
        system[k, (k + 1) % n] += after
        wanted[k] = -2 * turn[k] * before - turn[(k + 1) % n] * after
    if not is_closed:
        system[0, :2], wanted[0] = 1, -turn[1]
        system[-1, -2:] = 1
    theta_all = np.linalg.solve(system, wanted)
    ends = np.roll(np.arange(n), -1)[: len(chords)]
    theta, phi = theta_all[: len(chords)], -turn[ends] - theta_all[ends]
    first = z[: len(chords)] + np.exp(1j * theta) * chords * _velocity(theta, phi)
    second = z[ends] - np.exp(-1j * phi) * chords * _velocity(phi, theta)
    parts = [
        _bezier(z[k], first[k], second[k], z[ends[k]], n=max(2, math.ceil(d[k] / step)))
        for k in range(len(chords))
    ]
    return np.concatenate([*parts, z[:1] if is_closed else z[-1:]])


def _bezier(a: complex, b: complex, c: complex, e: complex, *, n: int) -> Complexes:
    """Points along one cubic, its end left out."""
    t = np.arange(n) / n
    s = 1 - t
    return np.asarray(s**3 * a + 3 * s * s * t * b + 3 * s * t * t * c + t**3 * e)


def runs(text: str, *, is_closed: bool, step: float = 0.5) -> list[Complexes]:
    """The curve through knots, in pieces from corner to corner (one piece without corners)."""
    z, corners = knots(text)
    if is_closed and not corners.any():
        return [smooth(z, is_closed=True, step=step)]
    if is_closed:
        at = int(np.argmax(corners))
        z, corners = np.roll(z, -at), np.roll(corners, -at)
        z, corners = np.append(z, z[0]), np.append(corners, True)
    corners[[0, -1]] = True
    cuts = np.flatnonzero(corners)
    return [smooth(z[a : b + 1], is_closed=False, step=step) for a, b in pairwise(cuts)]


def curve(text: str, *, is_closed: bool, step: float = 0.5) -> Complexes:
    """The curve through knots as one polyline."""
    return np.concatenate(runs(text, is_closed=is_closed, step=step))


def blade(spine: str, *, width: float, root: float = 0.55) -> Complexes:
    """A leaf along a spine: `root` of its width at the foot, fullest at a third, then a tip."""
    z = curve(spine, is_closed=False, step=1.0)
    along = np.concatenate([[0], np.cumsum(np.abs(np.diff(z)))])
    t = along / along[-1]
    full = np.interp(t, [0, 0.12, 0.34, 1], [root, 0.85, 1, 0])
    full = np.where(t > 0.34, np.cos((t - 0.34) / 0.66 * math.pi / 2) ** 0.55, full)
    kernel = np.hanning(max(5, len(t) // 8) | 1)
    pad = len(kernel) // 2
    full = np.convolve(np.pad(full, pad, mode="edge"), kernel / kernel.sum(), mode="valid")
    full[-1] = 0
    tangent = np.gradient(z)
    side = 1j * tangent / np.abs(tangent) * (full * width / 2)
    return np.concatenate([z + side, (z - side)[::-1]])


def stem(spine: str, *, width: float, tip: float | None = None) -> Complexes:
    """A stalk along a spine with flat ends, `width` at the foot and `tip` at the top."""
    z = curve(spine, is_closed=False, step=1.0)
    tangent = np.gradient(z)
    half = np.linspace(width, width if tip is None else tip, len(z)) / 2
    side = 1j * tangent / np.abs(tangent) * half
    return np.concatenate([z + side, (z - side)[::-1]])


def capsule(a: complex, b: complex, *, width: float) -> Complexes:
    """A round-ended bar from a to b."""
    along = (b - a) / abs(b - a)
    arc = np.exp(1j * np.linspace(-math.pi / 2, math.pi / 2, 24)) * along * width / 2
    r = along * width / 2
    return np.concatenate([b - r + arc, a + r - arc])


def circle(centre: complex, radius: float) -> Complexes:
    """A circle."""
    return np.asarray(centre + radius * np.exp(2j * math.pi * np.arange(180) / 180))


# ---------------------------------------------------------------------------------------------
# Drawings


@dataclass(frozen=True)
class Face:
    """Something drawn with a closed line and shaded: its rings, the outer one first.

    Each ring is the list of its pieces from corner to corner, so that a hand may lift at corners.
    """

    rings: tuple[list[Complexes], ...]
    is_ruled: bool = False

    def polygons(self) -> list[Complexes]:
        """The rings as closed polylines."""
        return [np.concatenate(ring) for ring in self.rings]


@dataclass(frozen=True)
class Sketch:
    """A drawing in millimetres of the finished sign: frame, shaded faces, open lines."""

    size_mm: tuple[float, float]
    faces: tuple[Face, ...]
    lines: tuple[Complexes, ...]


HERON_SIZE_MM = (600.0, 430.0)

HERON = {
    "bill": "145,44! 110,52 74,64.5! 112,62 145,59! 143.5,51.5",
    # The white of the eye is a bay of metal that reaches in from the bill, so it needs no tie.
    "head and neck": "152,43! 165,33.5 182,31 199,37 226,52 264,77! 226,61 207,54! 212,72 "
    "209,89 198,106 191.5,121 198,136 209,145! 185,157.5! 173,144 169.5,127 175.5,109 188,91 "
    "192,79 188,69.5 176,63.5 152,60! 152,53.2! 163,52.2! 168,53.2 173.5,47.7 168,42.4 "
    "163.5,45.3! 152,47.5!",
    "breast": "179,168.5! 205,155! 205,168 212,184 224,200 242,217! 218,214 200,203 187,187",
    "scapulars": "220,146! 246,134.5 280,142.5 314,167 342,202! 305,182 268,165 219,157!",
    "coverts": "215,165! 262,173 304,192 354,225! 304,212 260,197 222,180!",
    "primaries": "231,195! 262,206 306,224 372,253! 312,245 276,234 250,216!",
    "near leg": "251,229! 273,241! 275,257 277.5,271 277.5,278 268,316! 262,316! 269.5,279 "
    "269,272 263,252",
    "far leg": "291,247! 308,252! 311,265 315,277 315,284 308.5,316! 302.5,316! 307.5,284 "
    "307,278 299,262",
}

REED_LEAVES = (
    ("434,312 428,262 408,200 372,166", 9.0),
    ("449,312 447,240 436,160 412,92", 10.0),
    ("494,312 497,230 496,140 508,44", 10.0),
    ("538,312 548,250 556,180 572,92", 10.0),
    ("553,312 562,280 574,254 586,240", 8.0),
    ("416,312 412,290 404,272 392,262", 7.0),
    ("46,312 42,250 36,190 22,132", 9.0),
    ("80,312 84,270 96,232 126,204", 8.5),
    ("30,312 26,280 20,258 14,248", 6.0),
)

# Foot to head of the stalk; the two ends of the seed head and its width; the spike above.
BULRUSHES = (
    ("470,312 471,240 466,164", (465.6 + 156j, 463 + 104j), 13.0, "462.6,97 461.6,84 460,66"),
    ("517,312 520,250 529,188", (530 + 180j, 536 + 132j), 13.0, "537,125 539,112 543,98"),
    ("62,312 60,262 63,226", (63.5 + 218j, 66 + 176j), 12.0, "66.6,169 68,158 71,146"),
)

SUN = (362 + 88j, 38.0)

HERON_LINES = (
    "170,168 171,185 180,203 197,217",
    "161,176 163,193 170,208",
    "268,46 276,39 283,45! 291,38 302,41",
    "283,98 288,93 293,97! 299,92 306,94",
    "206,325 240,329 276,326 312,330 350,325",
    "240,336 268,338.5 296,336.5 322,338.5",
    "100,320 130,324 166,320 190,323",
    "366,333 394,336 424,332",
    "430,322 470,326 510,322 560,326",
    "38,326 72,331 106,327",
)

# Block capitals 60 high, ruled, on a stroke of 13: width, then rings.
CAPITALS: dict[str, tuple[float, tuple[str, ...]]] = {
    "H": (40, ("0,0 13,0 13,23 27,23 27,0 40,0 40,60 27,60 27,37 13,37 13,60 0,60",)),
    "E": (36, ("0,0 36,0 36,13 13,13 13,23.5 30,23.5 30,36.5 13,36.5 13,47 36,47 36,60 0,60",)),
    "R": (
        41,
        (
            "0,0 30,0 40,10 40,28 32,36 41,60 27,60 18.5,38 13,38 13,60 0,60",
            "13,12.5 25,12.5 27.5,15 27.5,23 25,25.5 13,25.5",
        ),
    ),
    "O": (
        42,
        (
            "11,0 31,0 42,11 42,49 31,60 11,60 0,49 0,11",
            "16,13 26,13 29,16 29,44 26,47 16,47 13,44 13,16",
        ),
    ),
    "N": (41, ("0,0 13,0 28,34 28,0 41,0 41,60 28,60 13,26 13,60 0,60",)),
    "C": (
        40,
        (
            (
                "11,0 29,0 40,11 40,20 27,20 27,16 24,13 16,13 13,16 13,44 16,47 24,47 27,44 27,40 "
                "40,40 40,49 29,60 11,60 0,49 0,11"
            ),
        ),
    ),
    "V": (43, ("0,0 13.5,0 21.5,40 29.5,0 43,0 28,60 15,60",)),
}


def block_letters(word: str, *, middle: complex, height: float, gap: float) -> list[Face]:
    """Ruled capitals in a row whose top edge is centred on `middle`; a space is 1.5 gaps."""
    scale = height / 60
    widths = [1.5 * gap if c == " " else CAPITALS[c][0] * scale for c in word]
    x = middle.real - (sum(widths) + gap * (len(word) - 1)) / 2
    faces = []
    for letter, width in zip(word, widths, strict=True):
        if letter != " ":
            rings = tuple(
                [
                    run * scale + x + 1j * middle.imag
                    for run in runs(text.replace(" ", "! ") + "!", is_closed=True)
                ]
                for text in CAPITALS[letter][1]
            )
            faces.append(Face(rings, is_ruled=True))
        x += width + gap
    return faces


def heron_cove() -> Sketch:
    """The heron in the reeds, with the place's name below; every shaded face falls out."""
    faces = [Face((runs(text, is_closed=True),)) for text in HERON.values()]
    faces += [Face(([blade(spine, width=width)],)) for spine, width in REED_LEAVES]
    for stalk, (foot, head), width, spike in BULRUSHES:
        faces.append(Face(([stem(stalk, width=6, tip=5)],)))
        faces.append(Face(([capsule(foot, head, width=width)],)))
        faces.append(Face(([blade(spike, width=5.5, root=0.9)],)))
    faces.append(Face(([circle(*SUN)],)))
    faces += block_letters("HERON COVE", middle=300 + 348j, height=62, gap=11)
    lines = tuple(curve(text, is_closed=False) for text in HERON_LINES)
    return Sketch(HERON_SIZE_MM, tuple(faces), lines)


# ---------------------------------------------------------------------------------------------
# Noise


def grain(rng: np.random.Generator, shape: tuple[int, int], size: tuple[float, float]) -> Floats:
    """Smooth noise, mean 0 and deviation 1, whose lumps are `size` (across, down) pixels."""
    rows, cols = shape
    coarse = rng.standard_normal(
        (math.ceil(rows / size[1]) + 2, math.ceil(cols / size[0]) + 2), np.float32
    )
    wide = (max(cols, coarse.shape[1]), max(rows, coarse.shape[0]))
    out = cv2.resize(coarse, wide, interpolation=cv2.INTER_CUBIC)[:rows, :cols]
    return np.asarray((out - out.mean()) / out.std(), np.float32)


def wander(rng: np.random.Generator, n: int, *, step: float, length: float) -> Complexes:
    """A hand's tremor along a line of n points: two-dimensional, deviation about 1."""
    knots_at = np.arange(-1, n * step / length + 3)
    sway = rng.standard_normal((2, len(knots_at)))
    at = np.arange(n) * step / length + rng.uniform(0, 1)
    # Cosine steps between knots keep the tremor free of kinks.
    low = np.floor(at).astype(int)
    mix = (1 - np.cos(math.pi * (at - low))) / 2
    x, y = (row[low + 1] * (1 - mix) + row[low + 2] * mix for row in sway)
    return np.asarray(x + 1j * y)


# ---------------------------------------------------------------------------------------------
# Pencil and pen on paper


@dataclass
class Page:
    """A sheet of paper that is drawn on: how much graphite lies where, 0 to 1."""

    px_per_mm: float
    graphite: Floats
    rng: np.random.Generator

    @classmethod
    def blank(cls, size_mm: tuple[float, float], *, px_per_mm: float, seed: int) -> Page:
        """An empty sheet."""
        cols, rows = (round(side * px_per_mm) for side in size_mm)
        return cls(px_per_mm, np.zeros((rows, cols), np.float32), np.random.default_rng(seed))

    def stroke(
        self, z_mm: Complexes, *, width_mm: float, pressure: npt.NDArray[np.float64]
    ) -> None:
        """Draw one line, its pressure given at each point; lines laid over others darken."""
        z = z_mm * self.px_per_mm
        thick = max(1, round(width_mm * self.px_per_mm))
        pad = thick + 3
        c0, r0 = (max(0, math.floor(v) - pad) for v in (z.real.min(), z.imag.min()))
        c1, r1 = (math.ceil(v) + pad for v in (z.real.max(), z.imag.max()))
        roi = self.graphite[r0:r1, c0:c1]
        if not roi.size:
            return
        layer = np.zeros(roi.shape, np.uint8)
        spots = fixed_point(z - complex(c0, r0))
        for a, b, p in zip(spots[:-1], spots[1:], pressure[1:], strict=True):
            cv2.line(layer, a.tolist(), b.tolist(), float(255 * p), thick, cv2.LINE_AA, SHIFT)
        roi += (1 - roi) * layer.astype(np.float32) / 255

    def draw(self, z_mm: Complexes, hand: Hand) -> None:
        """Draw one line by hand: it trembles a little and is pressed unevenly."""
        step = hand.sway_mm / 7
        z = resample(z_mm, step=step)
        shake = wander(self.rng, len(z), step=step, length=hand.sway_mm)
        drift = wander(self.rng, len(z), step=step, length=4.5 * hand.sway_mm)
        z = z + hand.tremor_mm * (0.45 * shake + 0.8 * drift)
        push = wander(self.rng, len(z), step=step, length=2.2 * hand.sway_mm).real
        pressure = np.clip(hand.pressure * (1 + hand.uneven * push), 0, 1)
        self.stroke(z, width_mm=hand.width_mm, pressure=pressure)


@dataclass(frozen=True)
class Hand:
    """A drawing tool in a hand: the line's width, how hard it is pressed, how it trembles.

    Attributes:
        pressure: 1 leaves full ink or graphite.
        tremor_mm: deviation of the line across itself.
        sway_mm: length of the shortest tremble.
        uneven: deviation of the pressure, as a share.
    """

    width_mm: float
    pressure: float
    tremor_mm: float
    sway_mm: float = 4.0
    uneven: float = 0.11


FREE = Hand(width_mm=0.55, pressure=0.87, tremor_mm=0.09)
RULED = Hand(width_mm=0.52, pressure=0.88, tremor_mm=0.035)
GUIDE = Hand(width_mm=0.35, pressure=0.08, tremor_mm=0.04)
PEN = Hand(width_mm=3.5, pressure=0.985, tremor_mm=0.4, sway_mm=20, uneven=0.012)
MARKER = Hand(width_mm=11, pressure=0.98, tremor_mm=0.7, sway_mm=34, uneven=0.02)


SHIFT = 5
"""Fractional bits of the coordinates that OpenCV draws with."""


def fixed_point(z: Complexes) -> npt.NDArray[np.int32]:
    """Points as OpenCV's fixed-point integers; whole numbers plus a half are pixel centres."""
    xy = np.column_stack([z.real, z.imag]) - 0.5
    return np.asarray(np.round(xy * (1 << SHIFT)), np.int32)


def resample(z: Complexes, *, step: float) -> Complexes:
    """The same line with points `step` apart."""
    along = np.concatenate([[0], np.cumsum(np.abs(np.diff(z)))])
    at = np.linspace(0, along[-1], max(3, math.ceil(along[-1] / step) + 1))
    return np.asarray(np.interp(at, along, z.real) + 1j * np.interp(at, along, z.imag))


def hatch_lines(rings: Sequence[Complexes], *, angle: float, gap: float) -> list[Complexes]:
    """Parallel lines `gap` apart that fill the even-odd inside of rings, as two-point lines."""
    turn = np.exp(-1j * angle)
    sides = [(ring * turn, np.roll(ring * turn, -1)) for ring in rings]
    a, b = (np.concatenate(part) for part in zip(*sides, strict=True))
    levels = np.arange(a.imag.min() + gap / 2, a.imag.max(), gap)
    lines = []
    for level in levels:
        crosses = (a.imag <= level) != (b.imag <= level)
        p, q = a[crosses], b[crosses]
        x = np.sort(p.real + (level - p.imag) / (q.imag - p.imag) * (q.real - p.real))
        lines += [
            np.array([x0 + 1j * level, x1 + 1j * level]) / turn
            for x0, x1 in zip(x[::2], x[1::2], strict=True)
        ]
    return lines


def shade(page: Page, rings: Sequence[Complexes]) -> None:
    """Fill with graphite: a rubbed tone, close hatching, and a looser second layer across."""
    rng, px = page.rng, page.px_per_mm
    tone = np.zeros(page.graphite.shape, np.uint8)
    cv2.fillPoly(tone, [fixed_point(ring * px) for ring in rings], 255, cv2.LINE_AA, SHIFT)
    soft = cv2.GaussianBlur(tone, (0, 0), 0.22 * px).astype(np.float32) / 255
    page.graphite += (1 - page.graphite) * 0.30 * soft
    lean = -math.radians(58 + rng.uniform(-7, 7))
    for angle, gap, pressure in ((lean, 0.62, 0.60), (lean + 0.5, 1.5, 0.40)):
        for exact in hatch_lines(rings, angle=angle, gap=gap):
            length = abs(exact[1] - exact[0])
            if length < 0.5:
                continue
            along = (exact[1] - exact[0]) / length
            ends = exact + along * rng.normal(0, 0.10, 2) + np.array([0.1, -0.12]) * along
            t = np.linspace(0, 1, max(3, math.ceil(length / 1.2)))
            bow = 1j * along * rng.normal(0.012, 0.008) * length * 4 * t * (1 - t)
            z = ends[0] + (ends[1] - ends[0]) * t + bow + 1j * along * rng.normal(0, 0.09)
            fade = pressure * rng.uniform(0.8, 1.15) * (1 - 0.35 * t**2)
            page.stroke(z, width_mm=rng.choice([0.42, 0.5, 0.5, 0.58]), pressure=fade)


def pencil_page(sketch: Sketch, *, paper_mm: tuple[float, float], seed: int) -> Page:
    """The sketch in pencil, as large as fits the paper with a margin."""
    page = Page.blank(paper_mm, px_per_mm=14, seed=seed)
    scale = 258 / sketch.size_mm[0]
    corner = complex(*paper_mm) / 2 - complex(*sketch.size_mm) * scale / 2
    w, h = sketch.size_mm
    for face in sketch.faces:
        shade(page, [z * scale + corner for z in face.polygons()])
    for face in sketch.faces:
        for ring in face.rings:
            outline(page, [z * scale + corner for z in ring], is_ruled=face.is_ruled)
    for line in sketch.lines:
        page.draw(line * scale + corner, FREE)
    frame = [
        np.array(side) for side in ((0, w), (w, w + 1j * h), (w + 1j * h, 1j * h), (1j * h, 0))
    ]
    outline(page, [side * scale + corner for side in frame], is_ruled=True)
    rub(page, sketch, scale=scale, corner=corner)
    return page


def outline(page: Page, pieces: Sequence[Complexes], *, is_ruled: bool) -> None:
    """One closed line: ruled side by side with a hair of overshoot, or in one steady go."""
    if not is_ruled:
        ring = np.concatenate([*pieces, pieces[0][:1]])
        page.draw(ring, FREE)
        return
    for piece in pieces:
        along = (piece[-1] - piece[0]) / abs(piece[-1] - piece[0])
        over = page.rng.uniform(0.05, 0.35, 2) * along
        side = np.array([piece[0] - over[0], piece[-1] + over[1]])
        page.draw(side, RULED)


def rub(page: Page, sketch: Sketch, *, scale: float, corner: complex) -> None:
    """Leave what a sketch has besides its lines: faint guide lines and the heel of a hand."""
    for y in (348.0, 410.0):
        line = np.array([30 + 1j * y, sketch.size_mm[0] - 26 + 1j * y]) * scale + corner
        page.draw(line, GUIDE)
    rows, cols = page.graphite.shape
    smear = cv2.GaussianBlur(page.graphite, (0, 0), 60, sigmaY=22)
    patch = np.clip(grain(page.rng, (rows, cols), (cols / 5, rows / 4)) - 0.2, 0, 1)
    page.graphite += (1 - page.graphite) * 0.10 * smear * patch


def graphite_on_paper(page: Page) -> Floats:
    """How much light the sheet sends back, linear: graphite takes on the tooth of the paper."""
    rng, shape = page.rng, page.graphite.shape
    tooth = 0.75 * grain(rng, shape, (2.6, 2.6)) + 0.5 * grain(rng, shape, (6, 6))
    bite = np.clip(0.5 + (page.graphite * 2.2 - 1.05 - 0.46 * tooth) * 0.9, 0, 1)
    bite *= np.clip(page.graphite * 3, 0, 1)  # clean paper stays clean
    cover = np.clip(0.62 * bite + 0.38 * page.graphite, 0, 1)
    fibre = 1 + 0.006 * tooth + 0.006 * grain(rng, shape, (90, 70))
    return np.asarray(0.80 * fibre * (1 - 0.87 * cover), np.float32)


# ---------------------------------------------------------------------------------------------
# The kitchen table and the phone


@dataclass(frozen=True)
class Scene:
    """Where things lie in the picture: the paper's corners in pixels, and the table round it.

    Attributes:
        corners_px: where the paper's corners appear, clockwise from its top left.
        apron_mm: how much of the table is modelled round the paper.
        front_mm: the table's front edge, y at the left and right end of what is modelled.
    """

    size_px: tuple[int, int]
    paper_mm: tuple[float, float]
    corners_px: tuple[tuple[float, float], ...]
    apron_mm: float = 60.0
    front_mm: tuple[float, float] = (233.0, 226.0)
    table_px_per_mm: float = 9.0

    def homography(self, px_per_mm: float, *, apron_mm: float = 0.0) -> npt.NDArray[np.float64]:
        """From pixels of a flat texture to pixels of the picture."""
        w, h = self.paper_mm
        flat = np.array([(0, 0), (w, 0), (w, h), (0, h)]) + apron_mm
        return np.asarray(
            cv2.getPerspectiveTransform(
                (flat * px_per_mm).astype(np.float32), np.array(self.corners_px, np.float32)
            )
        )


KITCHEN = Scene(
    size_px=(4000, 3000),
    paper_mm=(297.0, 210.0),
    corners_px=((372, 262), (3596, 318), (3742, 2668), (206, 2594)),
)


def wood(rng: np.random.Generator, shape: tuple[int, int], px_per_mm: float) -> Floats:
    """Oak boards, linear RGB: growth rings run along x, with fibres, pores and joints."""
    rows, cols = shape
    y = np.arange(rows, dtype=np.float32)[:, None] / px_per_mm
    board = (y / 118 + 0.35).astype(int)
    offset = rng.uniform(0, 90, int(board.max()) + 1).astype(np.float32)[board]
    warp = 9 * grain(rng, shape, (cols / 2.2, rows / 4)) + 1.6 * grain(rng, shape, (cols / 8, 90))
    rings = (y + offset + warp) / 6.5
    phase = rings - np.floor(rings)
    late = phase**3 * (1 - phase) * 6
    fibre = grain(rng, shape, (160, 2.2))
    pore = np.clip(grain(rng, shape, (55, 3)) - 1.35, 0, 1)
    tone = grain(rng, shape, (cols / 3, rows / 3)) * 0.04
    shade_of = rng.normal(0, 0.07, int(board.max()) + 1).astype(np.float32)[board]
    light = 1 + tone + shade_of - 0.26 * late + 0.045 * fibre - 0.36 * pore
    joint = np.abs((y / 118 + 0.35) % 1 - 0.002) * 118
    light = light * (1 - 0.75 * np.exp(-((joint / 0.35) ** 2)))
    colour = np.array([0.47, 0.285, 0.145], np.float32)
    power = np.array([1.0, 1.22, 1.5], np.float32)
    return np.asarray(colour * np.clip(light, 0.05, 2)[..., None] ** power, np.float32)


def lay_pencil(table: Floats, *, px_per_mm: float, tip: complex, end: complex) -> None:
    """Put a six-sided pencil on the table: three painted faces, a cone of wood, the lead."""
    along = (tip - end) / abs(tip - end)
    side = 1j * along * 3.6
    cone, lead = tip - along * 19, tip - along * 4.5

    def fill(target: Floats, corners: Sequence[complex], colour: Sequence[float]) -> None:
        spots = fixed_point(np.array(corners, np.complex128) * px_per_mm)
        cv2.fillPoly(target, [spots], tuple(colour), cv2.LINE_AA, SHIFT)

    shadow = np.ones(table.shape[:2], np.float32)
    drop = 2.4 + 2.6j
    fill(
        shadow,
        [
            end + side + drop,
            end - side + drop,
            cone - side + drop,
            tip + drop * 0.4,
            cone + side + drop,
        ],
        (0.30,),
    )
    table *= cv2.GaussianBlur(shadow, (0, 0), 1.5 * px_per_mm)[..., None]
    for k, (low, high) in enumerate(((-1, -0.42), (-0.42, 0.42), (0.42, 1))):
        paint = np.array([0.035, 0.13, 0.085]) * (0.55, 1.0, 1.75)[k]
        bulge = along * 2.2
        fill(
            table,
            [
                end + side * low,
                cone + side * low - bulge,
                cone + side * (low + high) / 2 + bulge,
                cone + side * high - bulge,
                end + side * high,
            ],
            paint.tolist(),
        )
        bare = np.array([0.62, 0.42, 0.24]) * (0.7, 1.0, 1.2)[k]
        fill(
            table,
            [
                cone + side * low - bulge,
                cone + side * (low + high) / 2 + bulge,
                cone + side * high - bulge,
                lead + side * high * 0.24,
                lead + side * low * 0.24,
            ],
            bare.tolist(),
        )
    fill(table, [lead + side * 0.25, tip, lead - side * 0.25], (0.05, 0.05, 0.055))


def kitchen_table(scene: Scene, rng: np.random.Generator) -> Floats:
    """The table round the paper, flat, linear RGB: wood, its front edge, the floor beyond."""
    px, apron = scene.table_px_per_mm, scene.apron_mm
    cols, rows = (round((side + 2 * apron) * px) for side in scene.paper_mm)
    table = wood(rng, (rows, cols), px)
    lay_pencil(
        table,
        px_per_mm=px,
        tip=complex(apron + 312, apron + 176),
        end=complex(apron + 306, apron + 12),
    )
    y = np.arange(rows, dtype=np.float32)[:, None] / px - apron
    front = np.linspace(*scene.front_mm, cols, dtype=np.float32)[None, :]
    past = y - front
    round_off = 1 + 0.35 * np.exp(-(((past + 2.2) / 1.0) ** 2)) - 0.45 * np.clip(past + 1.2, 0, 1.2)
    table *= round_off[..., None]
    floor = (
        np.array([0.045, 0.042, 0.040], np.float32)
        * (1 + 0.25 * grain(rng, (rows, cols), (cols / 6, rows / 6)))[..., None]
    )
    beyond = np.clip(past / 0.5, 0, 1)[..., None]
    table = table * (1 - beyond) + floor * beyond
    sheet = np.zeros((rows, cols), np.float32)
    w, h = scene.paper_mm
    at = np.array([0, w, w + 1j * h, 1j * h]) + complex(apron + 0.9, apron + 1.3)
    cv2.fillPoly(sheet, [fixed_point(at * px)], 1, cv2.LINE_AA, SHIFT)
    under = cv2.GaussianBlur(sheet, (0, 0), 1.1 * px)
    return np.asarray(table * (1 - 0.62 * under)[..., None], np.float32)


def daylight(scene: Scene, rng: np.random.Generator) -> Floats:
    """Light on every pixel, linear RGB: a window at the upper left, a head's soft shadow."""
    cols, rows = scene.size_px
    x = np.linspace(0, 1, cols, dtype=np.float32)[None, :]
    y = np.linspace(0, 1, rows, dtype=np.float32)[:, None]
    fall = 1.06 - 0.20 * x - 0.16 * y + 0.05 * x * y
    small = np.zeros((rows // 8, cols // 8), np.float32)
    head = np.array(
        [0.60 + 1.06j, 0.66 + 0.70j, 0.75 + 0.52j, 0.88 + 0.50j, 1.1 + 0.66j, 1.1 + 1.1j]
    )
    spots = fixed_point(head.real * small.shape[1] + 1j * head.imag * small.shape[0])
    cv2.fillPoly(small, [spots], 1, cv2.LINE_AA, SHIFT)
    soft = cv2.GaussianBlur(small, (0, 0), 26)
    shadow = cv2.resize(soft, (cols, rows), interpolation=cv2.INTER_CUBIC)
    r2 = (x - 0.5) ** 2 * (cols / rows) ** 2 + (y - 0.5) ** 2
    vignette = 1 / (1 + 0.30 * r2) ** 2
    uneven = 1 + 0.012 * grain(rng, (rows, cols), (cols / 3, rows / 3))
    sun = np.array([1.0, 0.972, 0.905], np.float32)
    sky = np.array([0.94, 0.965, 0.97], np.float32)
    level = (fall * vignette * uneven)[..., None]
    return np.asarray(level * (sun - (0.30 * shadow)[..., None] * (2 * sun - sky)), np.float32)


def photograph(page: Page, scene: Scene, *, seed: int) -> Bytes:
    """A phone's picture of the page on the kitchen table, sRGB, 8 bits."""
    rng = np.random.default_rng(seed)
    table = kitchen_table(scene, rng)
    at_table = scene.homography(scene.table_px_per_mm, apron_mm=scene.apron_mm)
    picture = cv2.warpPerspective(table, at_table, scene.size_px, flags=cv2.INTER_AREA)
    sheet = graphite_on_paper(page)
    at_paper = scene.homography(page.px_per_mm)
    lit = cv2.warpPerspective(sheet, at_paper, scene.size_px, flags=cv2.INTER_LINEAR)
    inside = cv2.warpPerspective(
        np.ones_like(sheet), at_paper, scene.size_px, flags=cv2.INTER_LINEAR
    )[..., None]
    tint = np.array([1.0, 0.992, 0.968], np.float32)
    picture = picture * (1 - inside) + lit[..., None] * tint
    picture = cv2.GaussianBlur(picture * daylight(scene, rng), (0, 0), 1.05)
    rows, cols = picture.shape[:2]
    # What is left of the sensor's noise once the phone has smoothed it.
    shot = grain(rng, (rows, cols), (1.7, 1.7))[..., None] * 0.009 * np.sqrt(picture + 0.02)
    return srgb(picture * 1.02 + shot)


def srgb(linear: Floats) -> Bytes:
    """Linear light as 8-bit sRGB (IEC 61966-2-1)."""
    v = np.clip(linear, 0, 1)
    encoded = np.where(v <= 0.0031308, 12.92 * v, 1.055 * np.power(v, 1 / 2.4) - 0.055)
    return np.asarray(np.round(encoded * 255), np.uint8)


def scan(page: Page, *, seed: int, skew_deg: float) -> Bytes:
    """A flatbed's grey picture of a page: a little askew and soft, the paper's white clipped."""
    rng = np.random.default_rng(seed)
    rows, cols = page.graphite.shape
    turn = cv2.getRotationMatrix2D((cols / 2, rows / 2), skew_deg, 1)
    ink = cv2.warpAffine(page.graphite, turn, (cols, rows), flags=cv2.INTER_LINEAR)
    patchy = 1 - 0.05 * np.clip(grain(rng, (rows, cols), (9, 9)), 0, 2)
    ink = cv2.GaussianBlur(ink * patchy, (0, 0), 0.9)
    paper = 1.012 + 0.010 * grain(rng, (rows, cols), (cols / 4, rows / 4))
    # The lid's shadow along the left edge, and noise where the grey isn't clipped.
    paper -= 0.10 * np.exp(-np.arange(cols, dtype=np.float32) / 14)[None, :]
    noise = 0.006 * grain(rng, (rows, cols), (1.5, 1.5)) * (0.15 + ink)
    return np.asarray(np.round(255 * np.clip(paper * (1 - 0.90 * ink) + noise, 0, 1)), np.uint8)


# ---------------------------------------------------------------------------------------------
# The ferry: a customer's solid black picture

FERRY_SIZE = (1000, 620)

FERRY_BLACK = (
    # hull, with raked ends; superstructure; wheelhouse; funnels; mast and yard; raised ramps
    "96,262! 904,262! 880,322 830,388! 170,388! 120,322",
    "196,266! 196,190! 212,176! 788,176! 804,190! 804,266!",
    "318,180! 318,118! 330,106! 670,106! 682,118! 682,180!",
    "430,110! 440,62! 560,62! 570,110!",
    "352,110! 358,58! 396,58! 402,110!",
    "598,110! 604,58! 642,58! 648,110!",
    "495,66! 495,14! 505,14! 505,66!",
    "466,34! 534,34! 534,42! 466,42!",
    "106,290! 56,182! 70,175! 134,290!",
    "894,290! 944,182! 930,175! 866,290!",
    # waves: the hull lies in the first, the second stands alone
    (
        "60,366! 120,384 180,366 240,384 300,366 360,384 420,366 480,384 540,366 600,384 660,366 "
        "720,384 780,366 840,384 900,366 940,378! 940,404! 900,392 840,410 780,392 720,410 660,392 "
        "600,410 540,392 480,410 420,392 360,410 300,392 240,410 180,392 120,410 60,392!"
    ),
    (
        "150,436! 200,450 260,432 320,450 380,432 440,450 500,432 560,450 620,432 680,450 740,432 "
        "800,450 850,436! 850,458! 800,472 740,454 680,472 620,454 560,472 500,454 440,472 380,454 "
        "320,472 260,454 200,472 150,458!"
    ),
)

FERRY_FONT = "DejaVuSans-Bold.ttf"
FERRY_TRACKING = 5
"""Added between letters, so that there is metal or air between any two of them."""


def ferry_windows() -> list[Complexes]:
    """What is white in the ferry: car deck, saloon and wheelhouse windows, a rubbing strake."""
    white = [capsule(complex(x, 221), complex(x + 52, 221), width=40) for x in range(224, 760, 72)]
    white += [capsule(complex(x, 144), complex(x + 26, 144), width=26) for x in range(344, 650, 47)]
    white += [
        curve(text, is_closed=True)
        for text in (
            "448,96! 453,74! 480,74! 480,96!",
            "490,96! 490,74! 510,74! 510,96!",
            "520,96! 520,74! 547,74! 552,96!",
            "134,292! 866,292! 862,300! 138,300!",
        )
    ]
    return white


def ferry() -> Bytes:
    """Ferry, waves and lettering, black on white with smooth edges; nothing else."""
    scale, finer = 2, 4
    cols, rows = (side * scale * finer for side in FERRY_SIZE)
    big = np.full((rows, cols), 255, np.uint8)
    for text in FERRY_BLACK:
        cv2.fillPoly(
            big, [fixed_point(curve(text, is_closed=True) * scale * finer)], 0, cv2.LINE_8, SHIFT
        )
    for hole in ferry_windows():
        cv2.fillPoly(big, [fixed_point(hole * scale * finer)], 255, cv2.LINE_8, SHIFT)
    image = Image.fromarray(big)
    face = Path(mpl.get_data_path()) / "fonts" / "ttf" / FERRY_FONT
    font = ImageFont.truetype(str(face), 97 * scale * finer)
    draw, words = ImageDraw.Draw(image), "FERRY LANE 17"
    widths = [font.getlength(letter) + FERRY_TRACKING * scale * finer for letter in words]
    x = (cols - sum(widths)) / 2
    for letter, width in zip(words, widths, strict=True):
        draw.text((x + width / 2, 576 * scale * finer), letter, fill=0, font=font, anchor="ms")
        x += width
    return np.asarray(image.resize((cols // finer, rows // finer), Image.Resampling.BOX), np.uint8)


# ---------------------------------------------------------------------------------------------
# Kelp and fish: single pen lines

# Spine from the bed up, number of leaves, length of a leaf, side of the first leaf.
KELP_STIPES = (
    ("150,640 170,560 146,470 168,380 148,290 164,210 150,130", 8, 96.0, -1),
    ("312,652 298,600 314,545 298,490 310,446", 3, 84.0, 1),
    ("842,640 822,550 848,460 826,370 848,280 832,190 844,112", 9, 96.0, 1),
    ("690,654 704,604 688,550 702,500 692,462", 3, 80.0, -1),
)

KELP_BED = (
    "96,668 150,650 220,664 300,660 372,672",
    "404,664 470,652 540,664 602,656",
    "632,668 700,660 780,656 850,648 906,664",
    "430,690 446,676 468,678 480,692",
    "236,694 262,686 290,692",
    "750,690 776,680 806,690",
)

FISH = (
    # back, belly, tail, gill, fins and eye of a fish that swims to the left, 210 long
    "4,-6 40,-36 96,-44 156,-13",
    "6,10 42,36 98,42 156,13",
    "172,-10 192,-24 218,-44! 200,0 218,44! 192,24 172,10",
    "50,-26 61,-2 54,24",
    "74,-56 98,-66 134,-50",
    "96,55 112,61 136,45",
    "80,-2! 118,7! 88,17!",
    "26,-10 33,-14 38,-7",
)

FISH_AT = ((334 + 300j, 1.2, -7.0), (430 + 486j, 0.95, 5.0), (552 + 152j, 0.8, -12.0))

BUBBLES = ((312 + 236j, 13.0), (294 + 196j, 9.0), (310 + 158j, 12.0), (404 + 440j, 9.0))


def frond(spine: str, *, n_leaves: int, length: float, first_side: int) -> list[Complexes]:
    """A kelp's stipe and its leaves, side by side in turn, the last one on top.

    A leaf is one line: it leaves the stipe, runs to its tip, and turns back but stops short of
    the stipe, so that as a slit it frees nothing.
    """
    stipe = curve(spine, is_closed=False, step=2.0)
    lines = [stipe]
    for k in range(n_leaves):
        t = 0.14 + 0.72 * k / (n_leaves - 1)
        at = int(t * (len(stipe) - 1))
        side = first_side * (-1) ** k
        lean = math.radians(62 - 22 * t)
        out = -1j * np.exp(1j * side * lean)
        up = -1j * side * out
        size = length * (1.08 - 0.35 * t)
        back = LEAF_BACK if k % 3 else LEAF_BACK_CURLED
        front, rear = (
            np.array([stipe[at] + size * (a * out + b * up) for a, b in half])
            for half in (LEAF_FRONT, back)
        )
        parts = [smooth(half, is_closed=False, step=2.0) for half in (front, rear)]
        lines.append(np.concatenate(parts))
    return lines


# A leaf along its own length (1 = tip) and across, from the stipe to the tip, and back again.
LEAF_FRONT = ((0, 0), (0.28, 0.13), (0.62, 0.16), (0.86, 0.10), (1.0, 0.14))
LEAF_BACK = ((1.0, 0.14), (0.84, -0.05), (0.58, -0.12), (0.34, -0.13), (0.19, -0.10))
LEAF_BACK_CURLED = ((1.0, 0.14), (0.80, -0.08), (0.62, -0.09), (0.42, -0.15), (0.21, -0.11))


def kelp_lines() -> list[Complexes]:
    """Every pen line of the kelp drawing but its frame, 1000 units wide."""
    lines = [
        z
        for spine, n, size, side in KELP_STIPES
        for z in frond(spine, n_leaves=n, length=size, first_side=side)
    ]
    lines += [curve(text, is_closed=False) for text in KELP_BED]
    for place, size, tilt_deg in FISH_AT:
        turn = size * np.exp(1j * math.radians(tilt_deg))
        lines += [curve(text, is_closed=False) * turn + place for text in FISH]
    arc = np.exp(1j * np.radians(np.linspace(-60, 230, 60)))
    return lines + [centre + radius * arc for centre, radius in BUBBLES]


def kelp() -> Bytes:
    """Kelp and fish in an even pen, in a drawn frame, scanned."""
    page = Page.blank((1000, 750), px_per_mm=2, seed=3)
    for line in kelp_lines():
        page.draw(line, PEN)
    page.draw(rounded_box(36 + 36j, 964 + 714j, radius=40), PEN)
    return scan(page, seed=4, skew_deg=0.5)


def rounded_box(a: complex, b: complex, *, radius: float) -> Complexes:
    """A closed box with quarter circles at its corners."""
    middles = (
        complex(b.real - radius, a.imag + radius),
        complex(b.real - radius, b.imag - radius),
        complex(a.real + radius, b.imag - radius),
        complex(a.real + radius, a.imag + radius),
    )
    quarter = np.radians(np.linspace(-90, 0, 24))
    parts = [m + radius * np.exp(1j * (quarter + k * math.pi / 2)) for k, m in enumerate(middles)]
    return np.concatenate([*parts, parts[0][:1]])


# ---------------------------------------------------------------------------------------------
# The boat shed: marker lines that stay as bars

SHED_BARS = (
    # ground, water, walls and piles
    "50,610! 850,610!",
    "70,672 160,660 250,674 340,662 450,674 560,662 650,674 740,660 830,672",
    "150,358! 150,610!",
    "750,358! 750,610!",
    "104,610! 104,666!",
    "796,610! 796,666!",
    # roof: two rafters a side, the tails between them, collar beam, king post, pennant
    "450,84! 80,340!",
    "450,84! 820,340!",
    "450,150! 150,358! ",
    "450,150! 750,358!",
    "80,340! 116,381! 150,358!",
    "820,340! 784,381! 750,358!",
    "150,358! 750,358!",
    "450,24! 450,196!",
    "450,272! 450,358!",
    "450,28! 530,46! 450,66!",
    "300,254! 300,358!",
    "600,254! 600,358!",
    # doors swung open, braced
    "272,358! 272,610!",
    "628,358! 628,610!",
    "150,484! 272,484!",
    "628,484! 750,484!",
    "150,484! 272,358!",
    "628,358! 750,484!",
    "150,610! 272,484!",
    "628,484! 750,610!",
    # the boat, bow on: stem, gunwales, hull, strakes, cradle, mooring lines
    "450,404! 450,610!",
    "318,458! 382,446 450,420! 518,446 582,458!",
    "318,458! 332,508 380,560 450,588! 520,560 568,508 582,458!",
    "331,506! 392,494 450,474! 508,494 569,506!",
    "366,550! 408,543 450,530! 492,543 534,550!",
    "362,549! 346,610!",
    "538,549! 554,610!",
    "272,420! 318,458!",
    "628,420! 582,458!",
    # the slip
    "400,610! 366,664!",
    "500,610! 534,664!",
)


def boat_shed() -> Bytes:
    """A boat shed's front in broad marker lines, scanned; every line is joined to the rest."""
    page = Page.blank((900, 710), px_per_mm=2, seed=5)
    for text in SHED_BARS:
        page.draw(curve(text, is_closed=False), MARKER)
    page.draw(np.append(circle(450 + 234j, 40), 490 + 234j), MARKER)
    return scan(page, seed=6, skew_deg=-0.3)


# ---------------------------------------------------------------------------------------------
# Files


def heron_photograph() -> Bytes:
    """The heron in pencil on A4, on the kitchen table."""
    page = pencil_page(heron_cove(), paper_mm=KITCHEN.paper_mm, seed=1)
    return photograph(page, KITCHEN, seed=2)


SAMPLES: dict[str, Callable[[], Bytes]] = {
    "heron-sketch.jpg": heron_photograph,
    "ferry-solid.png": ferry,
    "kelp-lines.png": kelp,
    "boat-shed-bars.png": boat_shed,
}
"""Every sample's file name and what draws it."""

SMALL_WIDTH_PX = 640


def save(picture: Bytes, path: Path, *, quality: int) -> None:
    """Write one picture in the format that its name says."""
    image = Image.fromarray(picture)
    if path.suffix == ".jpg":
        image.save(path, quality=quality)
    else:
        image.save(path, optimize=True)


def small(picture: Bytes) -> Bytes:
    """The picture shrunk for tests."""
    rows = round(picture.shape[0] * SMALL_WIDTH_PX / picture.shape[1])
    return np.asarray(
        cv2.resize(picture, (SMALL_WIDTH_PX, rows), interpolation=cv2.INTER_AREA), np.uint8
    )


def write_all(folder: Path = HERE) -> None:
    """Write every sample into a folder, and a small copy of each into its `small`."""
    (folder / "small").mkdir(parents=True, exist_ok=True)
    for name, draw in SAMPLES.items():
        picture = draw()
        save(picture, folder / name, quality=85)
        save(small(picture), folder / "small" / name, quality=88)


if __name__ == "__main__":
    write_all()
