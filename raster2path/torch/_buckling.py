"""How near a heated sheet is to bowing: its thermal stress, seen by its lowest bending shapes.

Through a thin sheet the temperature evens out in a fifth of a second, so that it does not bend as
a bimetal does: it buckles, where hot metal is held by cold. Plane thermal stress, by Airy's stress
function, is projected on the lowest bending shapes of the free plate. The buckling ratio is the
largest eigenvalue: 1 is where the flat sheet would bow, by elastic theory (Thornton's review of
thermal buckling). Openings count only through the heat that is missing in them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from raster2path.torch._heat import Floats, Grid

POISSON = 0.3
EXPANSION_PER_K = 12e-6
"""Of mild steel."""

N_SHAPES = 10
N_LONG, N_SHORT = 36, 24
DEGREES = 12
"""Legendre polynomials each way: for the ten lowest shapes exact to four digits."""

N_BUBBLES = 10
"""Polynomials each way for the stress: twice as many change a ratio by less than 1 in 500."""


@dataclass(frozen=True, slots=True, eq=False)
class Plate:
    """The linear map from temperatures of a mesh to the stress that bending shapes feel.

    Attributes:
        gain: (shapes², elements): G = gain @ T.ravel(); positive eigenvalues drive bowing.
        shape: rows and columns of the mesh.
        size_mm: width and height of the plate.
    """

    gain: Floats
    shape: tuple[int, int]
    size_mm: tuple[float, float]

    def stress(self, warm: Floats) -> Floats:
        """G for each of several temperature fields (n, rows, cols): (n, shapes, shapes)."""
        flat = warm.reshape(len(warm), -1) @ self.gain.T
        return np.asarray(flat.reshape(-1, N_SHAPES, N_SHAPES), np.float64)

    def ratio(self, warm: Floats) -> Floats:
        """The buckling ratio for each of several temperature fields (n, rows, cols)."""
        if not len(warm):
            return np.zeros(0)
        lowest_first = np.linalg.eigvalsh(self.stress(warm))
        return np.asarray(np.maximum(lowest_first[:, -1], 0.0), np.float64)


def free_shapes(width: float, height: float) -> tuple[Floats, Floats]:
    """Bending stiffness (for D = 1 and unit mass) and coefficients of the lowest free shapes.

    Rayleigh and Ritz's method with products of Legendre polynomials; the three rigid motions are
    left out. The stiffness is the square of the circular frequency.
    """
    from numpy.polynomial import legendre

    x, w = legendre.leggauss(DEGREES + 2)
    eye = np.eye(DEGREES) * np.sqrt(np.arange(DEGREES) + 0.5)  # each of length one
    p = [np.stack([legendre.legval(x, legendre.legder(row, d)) for row in eye]) for d in range(3)]
    steep, bent, mixed = ((p[a] * w) @ p[b].T for a, b in ((1, 1), (2, 2), (0, 2)))
    mass = np.eye(DEGREES)
    sx, sy = 2 / width, 2 / height
    stiff = (
        sx**4 * np.kron(mass, bent)
        + sy**4 * np.kron(bent, mass)
        + POISSON * sx**2 * sy**2 * (np.kron(mixed, mixed.T) + np.kron(mixed.T, mixed))
        + 2 * (1 - POISSON) * sx**2 * sy**2 * np.kron(steep, steep)
    )
    down, across = np.divmod(np.arange(DEGREES**2), DEGREES)
    values, vectors = list[Floats](), list[Floats]()
    for some in (  # shapes that are even or odd each way do not mix
        np.flatnonzero((down % 2 == i) & (across % 2 == j)) for i in (0, 1) for j in (0, 1)
    ):
        found, parts = np.linalg.eigh(stiff[np.ix_(some, some)])
        whole = np.zeros((len(some), DEGREES**2))
        whole[:, some] = parts.T
        values.append(found)
        vectors.append(whole)
    every, shapes = np.concatenate(values), np.concatenate(vectors)
    chosen = np.argsort(every, kind="stable")[3 : 3 + N_SHAPES]
    scale = np.sqrt((np.arange(DEGREES) + 0.5)[:, None] * (np.arange(DEGREES) + 0.5)).ravel()
    return every[chosen], shapes[chosen] * scale * 2 / math.sqrt(width * height)


def _bubbles(x: Floats, order: int) -> Floats:
    """(N_BUBBLES, points): (1 - x²)² Pₙ(x), or their derivative of this order (-1: integral)."""
    from numpy.polynomial import legendre
    from numpy.polynomial.polynomial import polyder, polyint, polymul, polyval

    flat_ends = (1.0, 0.0, -2.0, 0.0, 1.0)
    rows = [polymul(flat_ends, legendre.leg2poly(row)) for row in np.eye(N_BUBBLES)]
    rows = [polyint(row) if order < 0 else polyder(row, order) for row in rows]
    return np.stack([polyval(x, row) for row in rows])


def _means(n: int, order: int) -> Floats:
    """(N_BUBBLES, n): the mean of that derivative over each of n equal parts of -1 to 1."""
    return np.asarray(np.diff(_bubbles(2 * np.arange(n + 1) / n - 1, order - 1)) * n / 2)


def plate_for(grid: Grid, thickness_mm: float, expansion_per_k: float = EXPANSION_PER_K) -> Plate:
    """The map for a blank, by Airy's stress function: ΔΔφ = -EαΔT, φ and its slope 0 at the rim.

    Ritz's method with polynomials: σxx = φ,yy, σyy = φ,xx, σxy = -φ,xy. Von Kármán's membrane
    term, the sum of N · ∇w ∇w over the sheet, is what the bending shapes feel of it.
    """
    from numpy.polynomial import legendre

    width, height = grid.size_mm
    shape = (N_SHORT, N_LONG) if width >= height else (N_LONG, N_SHORT)
    rows, cols = shape = min(shape[0], grid.n_rows), min(shape[1], grid.n_cols)
    sx, sy = 2 / width, 2 / height
    at, weight = legendre.leggauss(DEGREES + N_BUBBLES // 2 + 2)
    b = [_bubbles(at, order) for order in range(3)]
    none, bent, mixed = ((b[i] * weight) @ b[j].T for i, j in ((0, 0), (2, 2), (0, 2)))
    stiff = (
        sx**4 * np.kron(none, bent)
        + sy**4 * np.kron(bent, none)
        + sx**2 * sy**2 * (np.kron(mixed, mixed.T) + np.kron(mixed.T, mixed))
    ) / (sx * sy)
    load = _felt(at, weight, b, (width, height))
    answer = np.linalg.solve(stiff, load.T).T.reshape(-1, N_BUBBLES, N_BUBBLES)
    down, across = ([_means(n, order) for order in (0, 2)] for n in shape)
    swell = sx**2 * np.einsum("kji,jr,ic->krc", answer, down[0], across[1], optimize=True)
    swell += sy**2 * np.einsum("kji,jr,ic->krc", answer, down[1], across[0], optimize=True)
    area = width / cols * height / rows
    scale = expansion_per_k * area * 12 * (1 - POISSON**2) / thickness_mm**2
    gain = np.zeros((N_SHAPES, N_SHAPES, rows * cols))
    i, j = np.triu_indices(N_SHAPES)
    gain[i, j] = gain[j, i] = scale * swell.reshape(len(i), -1)
    return Plate(gain.reshape(N_SHAPES**2, -1), shape, (width, height))


def _felt(at: Floats, weight: Floats, b: list[Floats], size_mm: tuple[float, float]) -> Floats:
    """(pairs, bubbles²): what each pair of bending shapes feels of each stress function."""
    from numpy.polynomial import legendre

    values, coefs = free_shapes(*size_mm)
    c = (coefs / np.sqrt(values)[:, None]).reshape(N_SHAPES, DEGREES, DEGREES)
    eye = np.eye(DEGREES)
    p, d = (np.stack([legendre.legval(at, legendre.legder(row, k)) for row in eye]) for k in (0, 1))
    sx, sy = 2 / size_mm[0], 2 / size_mm[1]
    wx = sx * np.einsum("kji,jr,ic->krc", c, p, d, optimize=True)
    wy = sy * np.einsum("kji,jr,ic->krc", c, d, p, optimize=True)
    i, j = np.triu_indices(N_SHAPES)
    over = np.outer(weight, weight) / (sx * sy)

    def by(field: Floats, down: int, across: int) -> Floats:
        out = np.einsum("krc,jr,ic->kji", field * over, b[down], b[across], optimize=True)
        return np.asarray(out.reshape(len(i), -1), np.float64)

    felt = sy**2 * by(wx[i] * wx[j], 2, 0) + sx**2 * by(wy[i] * wy[j], 0, 2)
    return felt - sx * sy * by(wx[i] * wy[j] + wy[i] * wx[j], 1, 1)


def coarse(grid: Grid, shape: tuple[int, int]) -> tuple[Floats, Floats]:
    """Matrices that average cells into a mesh's elements: first @ cells @ second."""
    return _averages(grid.n_rows, shape[0]), _averages(grid.n_cols, shape[1]).T


def _averages(n_cells: int, n_wide: int) -> Floats:
    """(wide, cells): which share of each wide cell each cell covers."""
    ends = np.arange(n_wide + 1) / n_wide * n_cells
    cells = np.arange(n_cells)
    cover = np.minimum(ends[1:, None], cells + 1) - np.maximum(ends[:-1, None], cells)
    return np.asarray(np.maximum(cover, 0.0) * n_wide / n_cells, np.float64)
