"""Torch lines keep half a kerf from what stays, and pierces stand in drops.

Sampled without planar geometry: the reference is the distance between points laid densely along
edges and lines by the Bernstein and circle formulas written out here (Farin, Curves and Surfaces
for CAGD), and the even-odd rule by counting crossings of a ray.
"""

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial import cKDTree

from raster2path.geometry import Arc, Cubic, Kind, Line, Path, Segment, circle, polygon
from raster2path.job import TorchRules
from raster2path.model import Art, Border, Cut, CutType, Edge, Placement, Sign, SignEdge, TorchPlan
from raster2path.torch.lines import plan_torch

Complexes = npt.NDArray[np.complex128]

NEARER_MM = 0.02
"""How much nearer than half a kerf a line may come: the promise of the torch room."""

SPACING_MM = 0.02
"""Half of it beside half a kerf of 0.5 mm makes the nearest point 0.0001 mm too far."""


def along(piece: Segment) -> Complexes:
    """Points of a piece, at most the spacing apart, both ends included."""
    n = 2 + int(1.5 * piece.length / SPACING_MM)
    t = np.linspace(0, 1, n)
    s = 1 - t
    if isinstance(piece, Line):
        return np.asarray(s * piece.start + t * piece.end)
    if isinstance(piece, Arc):
        return np.asarray(
            piece.centre + (piece.start - piece.centre) * np.exp(1j * piece.sweep_rad * t)
        )
    controls = (piece.start, piece.control1, piece.control2, piece.end)
    weights = (s**3, 3 * s * s * t, 3 * s * t * t, t**3)
    return np.asarray(sum(w * z for w, z in zip(weights, controls, strict=True)))


def points_of(path: Path) -> Complexes:
    return np.concatenate([along(piece) for piece in path])


def tree_of(points: Complexes) -> cKDTree:
    return cKDTree(np.column_stack([points.real, points.imag]))


def is_metal(plan: TorchPlan, at: complex) -> bool:
    """Even-odd: an odd number of edges between the point and the far right."""
    n_crossings = 0
    for edge in plan.edges:
        z = points_of(edge.path) - at
        a, b = z, np.roll(z, -1)
        over = (a.imag > 0) != (b.imag > 0)
        x = a.real[over] - a.imag[over] * (b - a).real[over] / (b - a).imag[over]
        n_crossings += int((x > 0).sum())
    return n_crossings % 2 == 1


def sign_with(openings: list[Path], side_mm: float = 200.0) -> Sign:
    plate = polygon([0, side_mm, side_mm * (1 + 1j), side_mm * 1j])
    rings = [plate, *(path if path.area < 0 else path.reversed() for path in openings)]
    edges = tuple(Edge(path, k == 0, 0 if k else None, int(k > 0)) for k, path in enumerate(rings))
    art = Art(edges, (), Border.RECT, Placement(1.0, 0j, (0, 0, 1, 1), None))
    made = tuple(SignEdge(e.path, frozenset({k}), e.is_border) for k, e in enumerate(edges))
    return Sign(art, made, (), (), (), 0, ())


def check(sign: Sign, rules: TorchRules) -> None:
    plan = plan_torch(sign, rules=rules)
    metal = tree_of(np.concatenate([points_of(edge.path) for edge in plan.edges]))
    for cut in plan.cuts:
        check_pierce(plan, cut)
        if cut.type in {CutType.SLIT, CutType.PIERCE_ONLY} or cut.path is None:
            continue  # a slit runs through metal, a pierce makes its own hole
        z = points_of(cut.path)
        away = metal.query(np.column_stack([z.real, z.imag]))[0]
        assert away.min() > rules.kerf_mm / 2 - NEARER_MM


def check_pierce(plan: TorchPlan, cut: Cut) -> None:
    if cut.type is CutType.SLIT:
        assert cut.path is not None
        assert cut.pierce_mm == cut.path.start
    else:
        assert not is_metal(plan, cut.pierce_mm)


def bent(centre: complex, radii: list[float], corners: int, kind: Kind) -> Path:
    """An opening of cubics through points at the radii given; bits of `corners` say which bend."""
    n = len(radii)
    at = [centre + r * np.exp(-2j * np.pi * k / n) for k, r in enumerate(radii)]
    pieces = []
    for k in range(n):
        a, b = at[k], at[(k + 1) % n]
        into, out_of = (b - at[k - 1]) / 5, (at[(k + 2) % n] - a) / 5
        into = (b - a) / 3 if corners >> k & 1 else into
        out_of = (b - a) / 3 if corners >> (k + 1) % n & 1 else out_of
        controls = complex(a + into), complex(b - out_of)
        pieces.append(Cubic(complex(a), *controls, complex(b), kind))
    return Path(tuple(pieces), is_closed=True)


def is_simple(path: Path) -> bool:
    """True where the path crosses itself nowhere, by all pairs of short chords."""
    z = np.concatenate([piece.points_at(np.arange(16) / 16) for piece in path])
    a, b = z, np.roll(z, -1)
    side = ((b - a)[:, None].conjugate() * (a[None, :] - a[:, None])).imag > 0
    other = ((b - a)[:, None].conjugate() * (b[None, :] - a[:, None])).imag > 0
    parts = side != other
    return not np.triu(parts & parts.T, 2)[:, : len(z) - 1].any()


KERFS = st.sampled_from([1.0, 1.5, 2.5])
radii_lists = st.lists(st.floats(2.0, 40.0), min_size=5, max_size=10)


@settings(max_examples=40, deadline=None)
@given(radii_lists, st.integers(0, 1023), KERFS, st.sampled_from(list(Kind)))
def test_bent_openings(radii: list[float], corners: int, kerf_mm: float, kind: Kind) -> None:
    path = bent(100 + 100j, radii, corners, kind)
    if not is_simple(path):
        path = circle(100 + 100j, min(radii))
    check(sign_with([path]), TorchRules(kerf_mm=kerf_mm))


@settings(max_examples=40, deadline=None)
@given(radii_lists, KERFS, st.sampled_from(list(Kind)), st.sampled_from([None, 0.0, 0.7]))
def test_straight_openings(
    radii: list[float], kerf_mm: float, kind: Kind, cleanup_mm: float | None
) -> None:
    n = len(radii)
    tips = [100 + 100j + r * np.exp(-2j * np.pi * k / n) for k, r in enumerate(radii)]
    path = polygon([complex(z) for z in tips], kind)
    check(sign_with([path]), TorchRules(kerf_mm=kerf_mm, cleanup_mm=cleanup_mm))


@settings(max_examples=25, deadline=None)
@given(
    st.lists(st.floats(0.3, 4.0), min_size=3, max_size=8),
    st.floats(-0.6, 0.6),
    KERFS,
)
def test_waists_and_slots(widths: list[float], bend: float, kerf_mm: float) -> None:
    """A slot that is now wider and now narrower than the kerf, straight or bent."""
    n = len(widths)
    spine = [40 + 15 * k + 1j * (100 + bend * 15 * k * (n - 1 - k) / n) for k in range(n)]
    upper = [z - 0.5j * w for z, w in zip(spine, widths, strict=True)]
    lower = [z + 0.5j * w for z, w in zip(spine, widths, strict=True)]
    path = polygon([*upper, *lower[::-1]], Kind.ORGANIC)
    check(sign_with([path]), TorchRules(kerf_mm=kerf_mm))


@pytest.mark.parametrize("web_mm", [0.4, 1.0, 1.4])
def test_two_openings_with_a_thin_web(web_mm: float) -> None:
    """Each is followed beside its own edges, however near the other's are."""
    left = polygon([40 + 60j, 100 + 60j, 100 + 140j, 40 + 140j])
    right = left.mapped(1, 60 + web_mm)
    check(sign_with([left, right]), TorchRules(kerf_mm=1.5))
