"""Lines that don't close, and gaps that cut a drawing into pieces."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from raster2path.geometry import Points, to_points
from tests.learning.art import Art, Floats, Rng, circle, leaf_of, turned


def gaps(rng: Rng) -> Art:
    """Bands that cut a drawing into pieces, as feathers and stencils have."""
    out = []
    lean = rng.uniform(0, np.pi)
    for _ in range(int(rng.integers(1, 6))):
        band = leaf_of(1.6, rng.uniform(0.008, 0.02), rng.normal(0, 0.15)) - (0.8, 0)
        out.append(turned(band, lean + rng.normal(0, 0.4)) + rng.normal(0, 0.25, 2))
    return out


def _path(turn: Floats, long: float) -> Points:
    return to_points(np.cumsum(np.exp(1j * turn)) / len(turn) * long)


def tendril(rng: Rng) -> Art:
    t = np.linspace(0, 1, 50)
    return [_path(rng.uniform(-8, 8) * t**2 + rng.uniform(0, 6), 1.0)]


def twig(rng: Rng) -> Art:
    t = np.linspace(0, 1, 40)
    spine = _path(-1.5 + rng.normal(0, 0.4) * t, 1.0)
    out = [spine]
    for at in range(5, 38, int(rng.integers(4, 9))):
        side = 1 if at % 2 else -1
        out.append(_path(-1.5 + side * (0.8 + 0.3 * t), rng.uniform(0.1, 0.4)) + spine[at])
    return out


def hatching(rng: Rng) -> Art:
    lean, n = rng.uniform(0, np.pi), int(rng.integers(4, 14))
    line = turned(np.array([(-0.2, 0), (0.0, rng.normal(0, 0.02)), (0.2, 0)]), lean)
    across = turned(np.array([(0.0, 1.0)]), lean)[0]
    return [
        line * rng.uniform(0.7, 1.1) + across * (k / n - 0.5) * 0.8 + rng.normal(0, 0.01, 2)
        for k in range(n)
    ]


def ripples(rng: Rng) -> Art:
    x = np.linspace(-0.5, 0.5, 60)
    return [
        np.column_stack(
            [x * rng.uniform(0.5, 1), 0.04 * np.sin(rng.uniform(10, 30) * x) + 0.13 * k]
        )
        for k in range(int(rng.integers(1, 6)))
    ]


def net(rng: Rng) -> Art:
    """A table or a grid: ruled lines that cross."""
    n, m = rng.integers(2, 6, 2)
    high = rng.uniform(0.4, 1.0)
    down = [np.array([(x, 0.0), (x, high)]) for x in np.linspace(0, 1, n)]
    return down + [np.array([(0.0, y), (1.0, y)]) for y in np.linspace(0, high, m)]


def doodle(rng: Rng) -> Art:
    """Strokes of any bend and length, strewn."""
    t = np.linspace(0, 1, 40)
    return [
        _path(
            rng.normal(0, 2.5) * t + rng.normal(0, 3) * t**2 + rng.uniform(0, 6),
            rng.uniform(0.1, 0.7),
        )
        + rng.uniform(-0.5, 0.5, 2)
        for _ in range(int(rng.integers(3, 16)))
    ]


def figure(rng: Rng) -> Art:
    """A man of sticks."""
    j = rng.normal(0, 0.04, (8, 2))
    hip, neck = np.array((0, 0.1)) + j[0], np.array((0, -0.22)) + j[1]
    limbs = [np.vstack([hip, (s * 0.13, 0.3), (s * 0.15, 0.5)]) + j[2 + s] for s in (-1, 1)]
    limbs += [
        np.vstack([neck, (s * 0.15, -0.08), (s * 0.25, -0.16 * s)]) + j[5 + s] for s in (-1, 1)
    ]
    return [
        *limbs,
        np.vstack([hip, neck]),
        np.vstack([circle(float(neck[0]), float(neck[1]) - 0.13, 0.12), neck - (-0.12, 0.13)]),
    ]


LINE_KINDS: tuple[Callable[[Rng], Art], ...] = (
    tendril,
    twig,
    hatching,
    ripples,
    net,
    doodle,
    figure,
)


def draw_lines(rng: Rng) -> Art:
    """A drawing of lines that don't close, by chance."""
    return LINE_KINDS[int(rng.integers(len(LINE_KINDS)))](rng)
