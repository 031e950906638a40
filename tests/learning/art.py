"""Drawings that are not letters, of our own geometry.

Every drawing is a list of closed outlines in a box about one unit wide, y down, filled even-odd;
parts that lie apart are parts of the drawing. Each use has kinds of its own.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.typing as npt

from raster2path.geometry import Points, to_points
from tests.learning.use import Use

Rng = np.random.Generator
Floats = npt.NDArray[np.float64]
Art = list[Points]


def fair(knots: Points, *, n: int = 24) -> Points:
    """A smooth closed curve through knots (Catmull and Rom 1974)."""
    p0, p1, p2, p3 = (np.roll(knots, k, axis=0)[:, None, :] for k in (1, 0, -1, -2))
    t = (np.arange(n) / n)[None, :, None]
    curve = 0.5 * (
        2 * p1
        + (p2 - p0) * t
        + (2 * p0 - 5 * p1 + 4 * p2 - p3) * t**2
        + (3 * p1 - p0 - 3 * p2 + p3) * t**3
    )
    return np.asarray(curve.reshape(-1, 2), np.float64)


def _round(n: int = 80) -> Floats:
    return np.arange(n) / n * 2 * np.pi


def circle(x: float, y: float, r: float) -> Points:
    t = _round()
    return np.column_stack([x + r * np.cos(t), y + r * np.sin(t)])


def _box(x: float, y: float, w: float, h: float) -> Points:
    return np.array([[x, y], [x + w, y], [x + w, y + h], [x, y + h]])


def turned(points: Points, angle: float) -> Points:
    c, s = np.cos(angle), np.sin(angle)
    return np.asarray(points @ np.array([[c, s], [-s, c]]), np.float64)


def leaf_of(length: float, width: float, bend: float = 0.0) -> Points:
    t = np.linspace(0, 1, 40)
    half = width * np.sin(np.pi * t**0.8) ** 0.9
    mid = bend * np.sin(np.pi * t)
    there = np.column_stack([t * length, mid - half])
    back = np.column_stack([t * length, mid + half])[::-1]
    return np.vstack([there, back[1:-1]])


def pebble(rng: Rng) -> Art:
    t, k = _round(), np.arange(2, 7)
    wave = (
        rng.normal(0, 0.15 / k)[:, None] * np.cos(k[:, None] * t + rng.uniform(0, 6, (5, 1)))
    ).sum(0)
    r = 0.5 * (1 + wave)
    return [np.column_stack([r * np.cos(t), r * np.sin(t) * rng.uniform(0.5, 1)])]


def splash(rng: Rng) -> Art:
    n = int(rng.integers(6, 14))
    t = np.sort(rng.uniform(0, 2 * np.pi, n))
    r = rng.uniform(0.2, 0.5, n)
    return [fair(np.column_stack([r * np.cos(t), r * np.sin(t)]))]


def leaf(rng: Rng) -> Art:
    blade = leaf_of(1.0, rng.uniform(0.12, 0.3), rng.uniform(-0.15, 0.15))
    out = [blade]
    if rng.random() < 0.4:
        out += [turned(leaf_of(0.3, 0.012), a) + (x, 0) for x in (0.3, 0.5) for a in (0.6, -0.6)]
    return out


def fern(rng: Rng) -> Art:
    n, out = int(rng.integers(4, 9)), []
    size = rng.uniform(0.25, 0.4)
    for k in range(n):
        x = 0.1 + 0.8 * k / n
        for side in (-1, 1):
            blade = leaf_of(size * (1 - 0.6 * k / n), 0.05, 0.02)
            out.append(turned(blade, side * rng.uniform(0.7, 1.0)) + (x, 0.03 * side))
    return [*out, leaf_of(1.0, 0.018)]


def flower(rng: Rng) -> Art:
    n = int(rng.integers(5, 12))
    petal = leaf_of(0.38, rng.uniform(0.06, 0.13))
    apart = rng.uniform(0.1, 0.16)
    petals = [turned(petal + (apart, 0), 2 * np.pi * k / n) for k in range(n)]
    return [*petals, circle(0, 0, 0.7 * apart)]


def fish(rng: Rng) -> Art:
    h = rng.uniform(0.12, 0.28)
    knots = [
        (-0.5, 0),
        (-0.25, -h),
        (0.1, -0.8 * h),
        (0.3, -0.05),
        (0.5, -0.2),
        (0.45, 0),
        (0.5, 0.2),
        (0.3, 0.05),
        (0.1, 0.8 * h),
        (-0.25, h),
    ]
    body = fair(np.array(knots) + rng.normal(0, 0.012, (10, 2)))
    out = [body, circle(-0.34, -0.3 * h, 0.03)]
    if rng.random() < 0.5:
        out += [
            fair(np.array([(x, -0.5 * h), (x + 0.06, 0), (x, 0.5 * h), (x + 0.03, 0)]))
            for x in (-0.15, 0, 0.12)
        ]
    return out


def gull(rng: Rng) -> Art:
    s = rng.uniform(0.1, 0.3)
    up = [
        (-0.5, 0.1 * s),
        (-0.28, -s),
        (-0.03, -0.05),
        (0, 0),
        (0.03, -0.05),
        (0.28, -s),
        (0.5, 0.1 * s),
    ]
    low = [(0.28, -s + 0.1), (0.04, 0.1), (0, 0.13), (-0.04, 0.1), (-0.28, -s + 0.1)]
    return [fair(np.array(up + low) + rng.normal(0, 0.008, (12, 2)))]


def bird(rng: Rng) -> Art:
    knots = np.array(
        [
            (-0.5, -0.12),
            (-0.38, -0.2),
            (-0.28, -0.14),
            (-0.05, -0.1),
            (0.15, -0.4),
            (0.28, -0.42),
            (0.2, -0.1),
            (0.5, 0.02),
            (0.47, 0.1),
            (0.15, 0.12),
            (-0.1, 0.16),
            (-0.3, 0.05),
        ]
    )
    out = [fair(knots + rng.normal(0, 0.02, knots.shape)), circle(-0.36, -0.13, 0.018)]
    if rng.random() < 0.5:
        out += [_box(x, 0.16, 0.02, 0.2) for x in (-0.08, 0.05)]
    return out


def heron(rng: Rng) -> Art:
    knots = np.array(
        [
            (-0.5, -0.43),
            (-0.3, -0.5),
            (-0.2, -0.46),
            (-0.22, -0.3),
            (-0.16, -0.18),
            (0.05, -0.15),
            (0.3, 0.0),
            (0.42, 0.14),
            (0.2, 0.12),
            (-0.05, 0.1),
            (-0.2, -0.08),
            (-0.29, -0.25),
            (-0.28, -0.4),
        ]
    )
    body = fair(knots + rng.normal(0, 0.012, knots.shape))
    legs = [_box(x, 0.1, 0.02, 0.4) for x in (0.02, 0.14)]
    barbs = [
        turned(leaf_of(0.22, 0.02, 0.02), 0.4) + (x, -0.08 + 0.4 * x) for x in (-0.02, 0.06, 0.14)
    ]
    return [body, *legs, *barbs]


def waves(rng: Rng) -> Art:
    n, out = int(rng.integers(1, 4)), []
    x = np.linspace(-0.5, 0.5, 90)
    for k in range(n):
        y = 0.05 * np.sin(2 * np.pi * (x * rng.uniform(2, 5) + rng.random())) + 0.16 * k
        half = 0.02 + 0.02 * np.cos(np.pi * x)
        out.append(
            np.vstack([np.column_stack([x, y - half]), np.column_stack([x, y + half])[::-1]])
        )
    return out


def reeds(rng: Rng) -> Art:
    out = []
    for x in np.linspace(-0.4, 0.4, int(rng.integers(3, 8))):
        high = rng.uniform(0.6, 1.0)
        out.append(
            turned(leaf_of(high, 0.02, rng.uniform(-0.08, 0.08)), -np.pi / 2)
            + (x + rng.normal(0, 0.02), 0.5)
        )
        if rng.random() < 0.5:
            out.append(turned(leaf_of(0.2, 0.035), -np.pi / 2) + (x + 0.06, 0.5 - 0.7 * high))
    return out


def star(rng: Rng) -> Art:
    n = int(rng.choice([4, 5, 5, 6, 8]))
    t = _round(2 * n)
    r = np.where(np.arange(2 * n) % 2 == 0, 0.5, rng.uniform(0.18, 0.3))
    return [np.column_stack([r * np.sin(t), -r * np.cos(t)])]


def heart(rng: Rng) -> Art:
    t = _round()
    x, y = (
        16 * np.sin(t) ** 3,
        13 * np.cos(t) - 5 * np.cos(2 * t) - 2 * np.cos(3 * t) - np.cos(4 * t),
    )
    return [np.column_stack([x, -y]) / 34 * rng.uniform(0.9, 1.1, 2)]


def sun(rng: Rng) -> Art:
    n = int(rng.integers(8, 20))
    ray = np.array([(0.26, -0.03), (0.5, -0.01), (0.5, 0.01), (0.26, 0.03)])
    if rng.random() < 0.5:
        ray = leaf_of(0.25, 0.035) + (0.26, 0)
    return [circle(0, 0, 0.2), *(turned(ray, 2 * np.pi * k / n) for k in range(n))]


def moon(rng: Rng) -> Art:
    t = np.linspace(0.6, 2 * np.pi - 0.6, 60)
    outer = np.column_stack([np.cos(t), np.sin(t)]) * 0.5
    inner = np.column_stack([0.55 * np.cos(t) + rng.uniform(0.2, 0.4), 0.75 * np.sin(t)]) * 0.5
    return [np.vstack([outer, inner[::-1]])]


def ridge(rng: Rng) -> Art:
    n = int(rng.integers(4, 9))
    x = np.linspace(-0.5, 0.5, n)
    y = np.where(np.arange(n) % 2, -rng.uniform(0.15, 0.45, n), -rng.uniform(0, 0.1, n))
    return [np.vstack([np.column_stack([x, y]), [(0.5, 0.15), (-0.5, 0.15)]])]


def house(rng: Rng) -> Art:
    n = int(rng.integers(2, 5))
    out = [np.array([(-0.5, 0.4), (-0.5, -0.1), (0, -0.45), (0.5, -0.1), (0.5, 0.4)])]
    w = 0.5 / n
    out += [_box(-0.4 + k * 0.85 / n, -0.02, w, w * 1.3) for k in range(n)]
    return [*out, _box(-0.08, 0.22, 0.14, 0.15)] if rng.random() < 0.5 else out


def boat(rng: Rng) -> Art:
    hull = np.array([(-0.5, 0.1), (0.5, 0.1), (0.36, 0.3), (-0.36, 0.3)])
    out = [fair(hull) if rng.random() < 0.4 else hull]
    if rng.random() < 0.5:
        return [
            *out,
            np.array([(-0.02, 0.06), (-0.02, -0.5), (-0.42, 0.06)]),
            np.array([(0.02, 0.06), (0.02, -0.4), (0.3, 0.06)]),
        ]
    cabin = _box(-0.3, -0.12, 0.5, 0.2)
    return [
        *out,
        cabin,
        *(_box(-0.26 + 0.12 * k, -0.08, 0.07, 0.08) for k in range(4)),
        _box(0.05, -0.4, 0.1, 0.26),
    ]


def fence(rng: Rng) -> Art:
    n = int(rng.integers(4, 9))
    w = 0.6 / n
    tip = rng.uniform(0, 0.08)
    return [
        np.array([(x, 0.3), (x, -0.2), (x + w / 2, -0.2 - tip), (x + w, -0.2), (x + w, 0.3)])
        for x in np.linspace(-0.5, 0.45, n)
    ]


def bricks(rng: Rng) -> Art:
    out, rows = [], int(rng.integers(2, 5))
    for row in range(rows):
        for x in np.linspace(-0.5, 0.3, 4):
            out.append(_box(x + 0.1 * (row % 2) + rng.normal(0, 0.004), 0.14 * row, 0.18, 0.11))
    return out


def scales(rng: Rng) -> Art:
    out = []
    for row in range(int(rng.integers(2, 5))):
        for k in range(5):
            centre = (0.2 * k - 0.45 + 0.1 * (row % 2), 0.14 * row)
            t = np.linspace(0, np.pi, 20)
            arc = np.column_stack([np.cos(t), np.sin(t)])
            out.append(np.vstack([arc * 0.09, arc[::-1] * 0.06 - (0, 0.01)]) + centre)
    return out


def flock(rng: Rng) -> Art:
    out = []
    for _ in range(int(rng.integers(3, 8))):
        out += [p * rng.uniform(0.15, 0.3) + rng.uniform(-0.5, 0.5, 2) for p in gull(rng)]
    return out


def spots(rng: Rng) -> Art:
    return [
        p * rng.uniform(0.08, 0.2) + rng.uniform(-0.5, 0.5, 2)
        for _ in range(int(rng.integers(4, 15)))
        for p in pebble(rng)
    ]


def stripes(rng: Rng) -> Art:
    out = []
    for y in np.linspace(-0.4, 0.4, int(rng.integers(3, 8))):
        out.append(
            turned(
                leaf_of(rng.uniform(0.4, 0.9), rng.uniform(0.02, 0.05), rng.uniform(-0.1, 0.1)),
                rng.normal(0, 0.1),
            )
            + (-0.4, y)
        )
    return out


def interlace(rng: Rng) -> Art:
    n = int(rng.integers(2, 5))
    out, step = [], 1.0 / n
    soft = rng.uniform(0.5, 0.8)
    for i in range(n):
        for k in range(n):
            diamond = np.array([(0, -soft), (soft, 0), (0, soft), (-soft, 0)]) * 0.42 * step
            out.append(
                (fair(diamond) if rng.random() < 0.7 else diamond)
                + ((i + 0.5) * step, (k + 0.5) * step)
            )
    return out


def eyes_and_folds(rng: Rng) -> Art:
    """A big soft outline with cuts in it, as a woodcut has."""
    body = splash(rng)[0] if rng.random() < 0.5 else pebble(rng)[0]
    cuts = []
    lean, size = rng.uniform(0, 2 * np.pi), rng.uniform(0.06, 0.2)
    for _ in range(int(rng.integers(4, 24))):
        cut = turned(
            leaf_of(
                size * rng.uniform(0.4, 1.2),
                size * rng.uniform(0.05, 0.2),
                size * rng.normal(0, 0.15),
            ),
            lean + rng.normal(0, 0.5),
        )
        r, a = 0.3 * np.sqrt(rng.random()), rng.uniform(0, 2 * np.pi)
        cuts.append(cut + (r * np.cos(a) - size / 2, r * np.sin(a)))
    return [body * 1.6, *cuts]


def dashes(rng: Rng) -> Art:
    """Strokes of a brush, side by side or strewn."""
    n, out = int(rng.integers(4, 16)), []
    lean, is_even = rng.uniform(0, np.pi), rng.random() < 0.5
    for k in range(n):
        long = rng.uniform(0.08, 0.3)
        blade = turned(
            leaf_of(long, long * rng.uniform(0.06, 0.2), long * rng.normal(0, 0.15)),
            lean + rng.normal(0, 0.08 if is_even else 0.7),
        )
        spot = (k / n - 0.5, rng.normal(0, 0.03)) if is_even else rng.uniform(-0.5, 0.5, 2)
        out.append(blade + spot)
    return out


def curls(rng: Rng) -> Art:
    """Soft bands that wind, like smoke or tendrils."""
    out = []
    for _ in range(int(rng.integers(1, 6))):
        t = np.linspace(0, 1, 60)
        turn = (
            rng.uniform(-9, 9) * t
            + rng.uniform(0, 6)
            + rng.uniform(-2, 2) * np.sin(rng.uniform(3, 9) * t)
        )
        z = np.cumsum(np.exp(1j * turn)) / 60 * rng.uniform(0.5, 1.2)
        side = 1j * np.exp(1j * turn) * 0.03 * np.sin(np.pi * t) ** 0.6 * rng.uniform(0.5, 1.5)
        band = np.concatenate([z + side, (z - side)[::-1]])
        out.append(to_points(band) + rng.uniform(-0.5, 0.5, 2))
    return out


def train(rng: Rng) -> Art:
    """Wheels, windows and a funnel: what is ruled, in rows."""
    n = int(rng.integers(3, 6))
    out = [_box(-0.5, -0.2, 1.0, 0.3)]
    out += [_box(-0.46 + 0.92 * k / n, -0.15, 0.6 / n, 0.12) for k in range(n)]
    out += [circle(-0.4 + 0.8 * k / (n - 1), 0.2, 0.3 / n) for k in range(n)]
    out += [circle(-0.4 + 0.8 * k / (n - 1), 0.2, 0.18 / n) for k in range(n)]
    return [*out, _box(0.3, -0.4, 0.08, 0.18)] if rng.random() < 0.6 else out


def grille(rng: Rng) -> Art:
    """Bars side by side that grow and lean, as a grille, a ladder or teeth do seen aslant."""
    n, lean = int(rng.integers(5, 14)), rng.normal(0, 0.15)
    grow, bend, fill = rng.uniform(-0.4, 0.4), rng.normal(0, 0.15), rng.uniform(0.35, 0.8)
    is_round, notch, out = rng.random() < 0.6, rng.uniform(0, 0.5), []
    x = -0.5
    for k in range(n):
        t = k / n
        w, h = fill / n * (1 + grow * (t - 0.5)), 0.3 * (1 + 2 * grow * (t - 0.5))
        h *= 1 + rng.normal(0, 0.08)
        bar = np.array([(0, h), (0, 0), (w, 0), (w, h)], np.float64)
        if rng.random() < notch:
            bar = np.array([(0, h), (0, 0), (w, 0), (w, 0.4 * h), (0.5 * w, 0.6 * h), (1.2 * w, h)])
        if is_round:
            bar = fair(np.vstack([bar, [(0.5 * w, 1.1 * h)]]), n=6)
        out.append(bar @ np.array([[1, 0], [lean, 1]]) + (x, bend * np.sin(np.pi * t)))
        x += (1 / n) * (1 + grow * (t - 0.5))
    return out


# to judge by, not learnt from


def kelp(rng: Rng) -> Art:
    out = []
    for x in np.linspace(-0.35, 0.35, int(rng.integers(2, 5))):
        y = np.linspace(0.5, -0.5, 60)
        mid = x + 0.05 * np.sin(6 * y + rng.uniform(0, 6))
        half = 0.012 + 0.02 * np.abs(np.sin(9 * y)) * (0.5 - y)
        out.append(
            np.vstack([np.column_stack([mid - half, y]), np.column_stack([mid + half, y])[::-1]])
        )
    return out


def wheel(rng: Rng) -> Art:
    n = int(rng.integers(5, 10))
    t = np.linspace(0.12, 2 * np.pi / n - 0.12, 12)
    arc = np.column_stack([np.cos(t), np.sin(t)])
    pane = np.vstack([arc * 0.36, arc[::-1] * 0.14])
    return [circle(0, 0, 0.5), *(turned(pane, 2 * np.pi * k / n) for k in range(n))]


def feather(rng: Rng) -> Art:
    cuts = rng.uniform(0.2, 0.8, 3)
    slits = [
        turned(leaf_of(0.2, 0.012), 0.7 * side) + (x, 0.02 * side) for x in cuts for side in (-1, 1)
    ]
    return [leaf_of(1.0, 0.16, 0.06), *slits]


def crab(rng: Rng) -> Art:
    legs = []
    for side in (-1, 1):
        for k in range(3):
            legs.append(
                turned(leaf_of(0.22, 0.02, 0.06), 0.3 * (k - 1)) * (side, 1)
                + (side * 0.27, 0.05 * (k - 1))
            )
        legs.append(turned(leaf_of(0.26, 0.07, 0.08), -1.0) * (side, 1) + (side * 0.22, -0.14))
    return [
        *legs,
        fair(
            np.array(
                [(-0.24, 0), (-0.14, -0.13), (0.14, -0.13), (0.24, 0), (0.12, 0.14), (-0.12, 0.14)]
            )
            * rng.uniform(0.9, 1.1, 2)
        ),
    ]


def shed(rng: Rng) -> Art:
    planks = [_box(x, -0.08, 0.07, 0.5) for x in np.linspace(-0.4, 0.3, int(rng.integers(5, 9)))]
    return [np.array([(-0.5, -0.12), (0, -0.42), (0.5, -0.12)]), *planks]


def hills(rng: Rng) -> Art:
    x = np.linspace(-0.5, 0.5, 80)
    y = -0.15 * np.cos(2 * np.pi * x * rng.uniform(1, 2) + rng.uniform(0, 6))
    return [
        np.vstack([np.column_stack([x, y]), [(0.5, 0.3), (-0.5, 0.3)]]),
        *(p * 0.2 + (0.2, -0.35) for p in sun(rng)),
    ]


LEARN_KINDS: tuple[Callable[[Rng], Art], ...] = (
    pebble, splash, leaf, fern, flower, fish, gull, bird, heron, waves, reeds, star,
    sun, moon, ridge, house, fence, bricks, scales, flock, spots, interlace,
    eyes_and_folds, dashes, train, grille,
)  # fmt: skip
TUNE_KINDS: tuple[Callable[[Rng], Art], ...] = (heart, boat, stripes, curls)
JUDGE_KINDS: tuple[Callable[[Rng], Art], ...] = (kelp, wheel, feather, crab, shed, hills)


def kinds_for(use: Use) -> tuple[Callable[[Rng], Art], ...]:
    """What is drawn for a use."""
    return {Use.LEARN: LEARN_KINDS, Use.TUNE: TUNE_KINDS, Use.JUDGE: JUDGE_KINDS}[use]
