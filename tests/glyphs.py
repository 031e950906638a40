"""Pictures with a known truth: font outlines and polygons drawn with exact edges."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from raster2path.geometry import Complexes, Cubic, Line, Path, Points, to_complex

Floats = npt.NDArray[np.float64]

OVER = 16
"""Scan lines to a pixel."""


@dataclass(frozen=True)
class Truth:
    """Straight and round pieces of drawn outlines, in pixels."""

    straights: tuple[tuple[complex, complex], ...]
    corners: Complexes
    outline: Complexes
    n_pieces: int


def text_path(text: str, height: float, font: str = "DejaVu Sans") -> list[list[Points]]:
    """Rings of a line of text; each piece has 2, 3 or 4 control points; y grows down."""
    from matplotlib.font_manager import FontProperties
    from matplotlib.textpath import TextPath

    shape = TextPath((0, 0), text, size=100, prop=FontProperties(family=font, weight="bold"))
    cap = TextPath((0, 0), "H", size=100, prop=FontProperties(family=font, weight="bold"))
    scale = height / cap.get_extents().height
    turned = np.array([scale, -scale])
    low = shape.get_extents()
    move = np.array([20.3, 20.7]) - np.array([low.x0 * scale, -low.y1 * scale])
    rings: list[list[Points]] = []
    here = first = np.zeros(2)
    for vertices, code in shape.iter_segments(curves=True, simplify=False):
        points = np.asarray(vertices).reshape(-1, 2) * turned + move
        if code == 1:
            rings.append([])
            first = points[0]
        elif code == 79:
            points = np.array([first])
        if code != 1 and np.abs(points[-1] - here).max() > 1e-6:
            rings[-1].append(np.vstack([here, points]))
        here = points[-1]
    return [ring for ring in rings if ring]


def truth_of(rings: list[list[Points]], least: float) -> Truth:
    """What a fit should find: straights of at least `least`, corners of more than 30 degrees."""
    straights, corners, samples = [], [], []
    for ring in rings:
        for before, after in zip([ring[-1], *ring[:-1]], ring, strict=True):
            a, b = to_complex(before), to_complex(after)
            turn = np.angle((b[1] - b[0]) / (a[-1] - a[-2]))
            if abs(turn) > math.radians(30):
                corners.append(b[0])
            if len(b) == 2 and abs(b[1] - b[0]) >= least:
                straights.append((complex(b[0]), complex(b[1])))
            samples.append(bezier(b, np.linspace(0, 1, 3 + int(4 * np.abs(np.diff(b)).sum()))))
    n = sum(len(ring) for ring in rings)
    return Truth(tuple(straights), np.array(corners), np.concatenate(samples), n)


def bezier(control: Complexes, t: Floats) -> Complexes:
    """Points on a Bezier piece of any degree."""
    n = len(control) - 1
    weights = [math.comb(n, k) * t**k * (1 - t) ** (n - k) for k in range(n + 1)]
    return np.asarray(sum(w * c for w, c in zip(weights, control, strict=True)), np.complex128)


def coverage(rings: list[Complexes], margin: float = 20.0) -> Floats:
    """How much of each pixel lies inside rings: exact across, OVER scan lines a pixel down.

    Counters run the other way round than what is round them, as in fonts.
    """
    far = max(float(max(r.real.max(), r.imag.max())) for r in rings)
    size = math.ceil(far + margin)
    level = np.zeros((size * OVER, size + 1))
    for ring in rings:
        a, b = ring, np.roll(ring, -1)
        low, high = np.minimum(a.imag, b.imag) * OVER - 0.5, np.maximum(a.imag, b.imag) * OVER - 0.5
        first, last = np.ceil(low).astype(int), np.ceil(high).astype(int)
        n = last - first
        edge = np.repeat(np.arange(len(ring)), n)
        row = np.arange(n.sum()) - np.repeat(np.cumsum(n) - n, n) + first[edge]
        share = ((row + 0.5) / OVER - a[edge].imag) / (b[edge] - a[edge]).imag
        x = a[edge].real + share * (b[edge] - a[edge]).real
        sign = np.sign((b[edge] - a[edge]).imag)
        column = np.floor(x).astype(int)
        np.add.at(level, (row, column), sign * (column + 1 - x))
        np.add.at(level, (row, column + 1), sign * (x - column))
    covered = np.abs(level.cumsum(axis=1)[:, :size])
    return np.asarray(covered.reshape(size, OVER, size).mean(axis=1), np.float64)


def contours(
    rings: list[Complexes], blur: float, noise: float = 0.0, seed: int = 1
) -> list[Points]:
    """Closed contours at half level of the blurred and noisy picture, in pixels."""
    from scipy.ndimage import gaussian_filter
    from skimage.measure import find_contours

    level = coverage(rings)
    if blur > 0.5:
        level = gaussian_filter(level, blur)
    level += noise * np.random.default_rng(seed).standard_normal(level.shape)
    found = [c for c in find_contours(level, 0.5) if len(c) > 20]
    return [np.ascontiguousarray(c[:-1, ::-1] + 0.5) for c in found]


def lines_of(paths: list[Path]) -> list[Line]:
    """All straight pieces."""
    return [s for path in paths for s in path if isinstance(s, Line)]


def n_whole(truth: Truth, paths: list[Path]) -> int:
    """True straights that one line covers to 85 %, within half a degree."""
    whole = 0
    for a, b in truth.straights:
        along = (b - a) / abs(b - a)
        for line in lines_of(paths):
            p, q = (line.start - a) / along, (line.end - a) / along
            cover = min(max(p.real, q.real), abs(b - a)) - max(min(p.real, q.real), 0)
            slant = abs(math.degrees(math.atan2((q - p).imag, abs((q - p).real))))
            if max(abs(p.imag), abs(q.imag)) < 1.5 and cover >= 0.85 * abs(b - a) and slant < 0.5:
                whole += 1
                break
    return whole


def corners_of(paths: list[Path], least_deg: float = 25.0) -> Complexes:
    """Where closed paths turn by more than so much."""
    found = []
    for path in paths:
        for before, after in zip([path.segments[-1], *path.segments[:-1]], path, strict=True):
            turn = np.angle(after.tangent(0.0) / before.tangent(1.0))
            if abs(turn) > math.radians(least_deg):
                found.append(after.start)
    return np.array(found, np.complex128)


def off_truth(truth: Truth, paths: list[Path]) -> Floats:
    """Distances from points on the paths to the true outline."""
    from scipy.spatial import cKDTree

    flat = []
    for path in paths:
        for s in path:
            n = max(3, int(4 * s.length))
            flat.append(s.points_at(np.arange(n) / n))
    z, want = np.concatenate(flat), truth.outline
    tree = cKDTree(np.column_stack([want.real, want.imag]))
    return np.asarray(tree.query(np.column_stack([z.real, z.imag]))[0], np.float64)


def is_smooth(path: Path, least_deg: float = 0.5) -> bool:
    """True where neighbouring cubics of a closed path share their direction or form a corner."""
    pairs = zip([path.segments[-1], *path.segments[:-1]], path, strict=True)
    for before, after in pairs:
        if isinstance(before, Cubic) and isinstance(after, Cubic):
            turn = abs(math.degrees(np.angle(after.tangent(0.0) / before.tangent(1.0))))
            if least_deg < turn < 8:
                return False
    return True
