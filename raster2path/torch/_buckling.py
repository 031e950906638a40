"""How near a heated sheet is to bowing: its thermal stress, seen by its lowest bending shapes.

Through a thin sheet the temperature evens out in a fifth of a second, so that it does not bend as
a bimetal does: it buckles, where hot metal is held by cold. Plane thermal stress on a mesh of
rectangles is projected on the lowest bending shapes of the free plate. The buckling ratio is the
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
N_SHAPES = 10
N_LONG, N_SHORT = 36, 24
DEGREES = 12
"""Legendre polynomials each way: for the ten lowest shapes exact to four digits."""


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


def _slopes(coefs: Floats, shape: tuple[int, int], size_mm: tuple[float, float]) -> Floats:
    """Slopes (2, shapes, rows, cols) of the bending shapes in the middles of the elements."""
    from numpy.polynomial import legendre

    rows, cols = shape
    eye = np.eye(DEGREES)
    at = [(2 * np.arange(n) + 1) / n - 1 for n in (cols, rows)]
    (px, dx), (py, dy) = (
        [np.stack([legendre.legval(x, legendre.legder(row, d)) for row in eye]) for d in range(2)]
        for x in at
    )
    c = coefs.reshape(N_SHAPES, DEGREES, DEGREES)  # first the way down, then the way across
    across = np.einsum("kji,jr,ic->krc", c, py, dx, optimize=True) * 2 / size_mm[0]
    down = np.einsum("kji,jr,ic->krc", c, dy, px, optimize=True) * 2 / size_mm[1]
    return np.stack([across, down])


def _element(a: float, b: float) -> tuple[Floats, Floats, Floats]:
    """Stiffness (8, 8) of a rectangle a × b, its strain matrix in the middle, and elasticity."""
    elastic = np.array([[1, POISSON, 0], [POISSON, 1, 0], [0, 0, (1 - POISSON) / 2]])
    elastic /= 1 - POISSON**2
    corners = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]])

    def strain(x: float, y: float) -> Floats:
        by_x = corners[:, 0] * (1 + corners[:, 1] * y) / (2 * a)
        by_y = corners[:, 1] * (1 + corners[:, 0] * x) / (2 * b)
        out = np.zeros((3, 8))
        out[0, 0::2], out[1, 1::2] = by_x, by_y
        out[2, 0::2], out[2, 1::2] = by_y, by_x
        return out

    g = 1 / math.sqrt(3)
    spots = [(x, y) for x in (-g, g) for y in (-g, g)]
    stiff = sum((strain(*s).T @ elastic @ strain(*s) for s in spots), np.zeros((8, 8))) * a * b / 4
    return np.asarray(stiff), strain(0, 0), elastic


def plate_for(grid: Grid, thickness_mm: float) -> Plate:
    """The map for a blank: one solve backwards for each pair of bending shapes."""
    from scipy.sparse import coo_array
    from scipy.sparse.linalg import splu

    width, height = grid.size_mm
    shape = (N_SHORT, N_LONG) if width >= height else (N_LONG, N_SHORT)
    shape = min(shape[0], grid.n_rows), min(shape[1], grid.n_cols)
    rows, cols = shape
    a, b = width / cols, height / rows
    values, coefs = free_shapes(width, height)
    slope = _slopes(coefs / np.sqrt(values)[:, None], shape, (width, height)).reshape(
        2, N_SHAPES, -1
    )
    i, j = np.triu_indices(N_SHAPES)
    s = np.stack(
        [
            slope[0, i] * slope[0, j],
            slope[1, i] * slope[1, j],
            (slope[0, i] * slope[1, j] + slope[1, i] * slope[0, j]) / 2,
        ]
    )  # (3, pairs, elements)
    stiff, strain, elastic = _element(a, b)
    first = (np.arange(rows)[:, None] * (cols + 1) + np.arange(cols)).ravel()
    nodes = first[:, None] + np.array([0, 1, cols + 2, cols + 1])
    dofs = np.stack([2 * nodes, 2 * nodes + 1], axis=-1).reshape(len(first), 8)
    n = 2 * (rows + 1) * (cols + 1)
    whole = coo_array(
        (
            np.tile(stiff.ravel(), len(first)),
            (np.repeat(dofs, 8, axis=1).ravel(), np.tile(dofs, (1, 8)).ravel()),
        ),
        shape=(n, n),
    ).tocsc()
    # what a stretch of each element does to each pair's stress, and back through the mesh
    pull = np.einsum("sd,st,tpe->epd", strain, elastic, s, optimize=True) * a * b
    load = np.zeros((n, len(i)))
    np.add.at(load, dofs.T, pull.transpose(2, 0, 1))
    free = np.setdiff1d(np.arange(n), [0, 1, 2 * cols + 1])  # held so that it can't drift or turn
    back = np.zeros((n, len(i)))
    back[free] = splu(whole[free][:, free]).solve(load[free])
    hot = elastic @ np.array([1.0, 1.0, 0.0])
    by_push = np.einsum("edp,d->pe", back[dofs], strain.T @ hot, optimize=True)
    own = np.einsum("s,spe->pe", hot, s)
    scale = EXPANSION_PER_K * a * b * 12 * (1 - POISSON**2) / thickness_mm**2
    pairs = -scale * (by_push - own)
    gain = np.zeros((N_SHAPES, N_SHAPES, rows * cols))
    gain[i, j] = gain[j, i] = pairs
    return Plate(gain.reshape(N_SHAPES**2, -1), shape, (width, height))


def coarse(grid: Grid, shape: tuple[int, int]) -> tuple[Floats, Floats]:
    """Matrices that average cells into a mesh's elements: first @ cells @ second."""
    return _averages(grid.n_rows, shape[0]), _averages(grid.n_cols, shape[1]).T


def _averages(n_cells: int, n_wide: int) -> Floats:
    """(wide, cells): which share of each wide cell each cell covers."""
    ends = np.arange(n_wide + 1) / n_wide * n_cells
    cells = np.arange(n_cells)
    cover = np.minimum(ends[1:, None], cells + 1) - np.maximum(ends[:-1, None], cells)
    return np.asarray(np.maximum(cover, 0.0) * n_wide / n_cells, np.float64)
