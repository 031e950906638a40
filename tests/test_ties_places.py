"""Neighbours and parts, against scipy's triangulation and a point-by-point look."""

import subprocess
import sys
import time

import numpy as np
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial import Delaunay

from raster2path.geometry import Complexes, to_points
from raster2path.sign._choose import Ints, Samples, neighbours
from raster2path.sign._slits import Parts


def samples_at(at: Complexes, node: Ints) -> Samples:
    none = np.zeros(len(at))
    ahead = np.ones(len(at), np.complex128)
    return Samples(at, ahead, node, none, none.astype(np.int64), none.astype(np.bool_))


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 10**6), st.integers(4, 300), st.floats(1, 2000))
def test_neighbours_are_those_of_another_triangulation(seed: int, n: int, size: float) -> None:
    rng = np.random.default_rng(seed)
    at = np.asarray(size * (rng.random(n) + 1j * rng.random(n)) + 300, np.complex128)
    node = rng.integers(0, 3, n)
    i, j = neighbours(samples_at(at, node))
    ours = set(zip(i.tolist(), j.tolist(), strict=True))
    triangles = Delaunay(to_points(at)).simplices
    edges = np.sort(np.concatenate([triangles[:, [0, 1]], triangles[:, 1:], triangles[:, ::2]]))
    theirs = {(a, b) for a, b in edges.tolist() if node[a] != node[b]}
    hull = set(Delaunay(to_points(at)).convex_hull.ravel().tolist())
    # OpenCV puts the far corners at a finite distance, so that a sliver at the rim may differ
    assert all(a in hull and b in hull for a, b in ours ^ theirs)
    assert len(ours ^ theirs) <= 0.02 * len(theirs) + 1


def test_points_in_a_row_or_on_one_spot_have_neighbours_all_the_same() -> None:
    row = np.arange(6).astype(np.complex128)
    i, j = neighbours(samples_at(row, np.arange(6)))
    assert {(a, a + 1) for a in range(5)} <= set(zip(i.tolist(), j.tolist(), strict=True))
    spot = np.array([0, 0, 0, 5 + 5j, 5, 5j], np.complex128)
    i, j = neighbours(samples_at(spot, np.array([0, 0, 0, 1, 1, 1])))
    assert len(i) > 0


def test_holding_a_sign_imports_no_scipy() -> None:
    """It alone took a quarter of a second, more than all else about the ties of a page."""
    code = """
import sys
from raster2path.geometry import polygon
from raster2path.job import TieRules
from raster2path.model import Art, Border, Edge, Placement
from raster2path.sign.ties import hold
box = lambda a, b: polygon([a + a * 1j, b + a * 1j, b + b * 1j, a + b * 1j])
rings = box(0, 300), box(100, 200).reversed(), box(120, 180)
edges = tuple(Edge(r, k == 0, k - 1 if k else None, k) for k, r in enumerate(rings))
sign = hold(Art(edges, (), Border.RECT, Placement(1, 0, (0, 0, 300, 300))), rules=TieRules())
assert sign.ties and not sign.loose
assert not [name for name in sys.modules if name.split('.')[0] == 'scipy']
"""
    subprocess.run([sys.executable, "-c", code], check=True)


def plate_with_holes(n: int) -> shapely.Geometry:
    discs = [shapely.Point(10 + 20 * i, 10 + 20 * k).buffer(6) for i in range(n) for k in range(n)]
    return shapely.difference(shapely.box(0, 0, 20 * n, 20 * n), shapely.union_all(discs))


@settings(max_examples=15, deadline=None)
@given(st.integers(0, 10**6))
def test_parts_tell_which_of_them_a_point_lies_in(seed: int) -> None:
    rng = np.random.default_rng(seed)
    parts = [plate_with_holes(3), *(shapely.Point(10, 10 + 20 * k).buffer(3) for k in range(3))]
    at = 80 * (rng.random(80) + 1j * rng.random(80)) - 10 - 10j
    expected = [
        next(
            (k for k, part in enumerate(parts) if part.contains(shapely.Point(z.real, z.imag))), -1
        )
        for z in at
    ]
    assert Parts(parts).at(at).tolist() == expected


def test_places_beside_a_long_edge_are_told_in_a_moment() -> None:
    """Each question must not walk along the whole edge: these 40 000 took half a minute."""
    turn = 2 * np.pi * np.arange(100_000) / 100_000
    wavy = (300 + 20 * np.cos(400 * turn)) * np.exp(1j * turn)
    plate = shapely.Polygon(to_points(wavy))
    rng = np.random.default_rng(5)
    at = 700 * (rng.random(40_000) + 1j * rng.random(40_000)) - 350 - 350j
    start = time.process_time()
    parts = Parts([plate])
    found = np.concatenate([parts.at(run) for run in np.split(at, 20)])
    assert time.process_time() - start < 3.0
    inside = np.abs(at) < 300 + 20 * np.cos(400 * np.angle(at))
    assert np.mean((found == 0) == inside) > 0.999
