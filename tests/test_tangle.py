"""Lines that cross themselves; shapely is the reference for what does."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from raster2path.geometry import Complexes, Cubic, Line, Path, polygon, to_points
from raster2path.shape._tangle import Piece, crossings, is_simple, untangled


def _outline(pieces: list[Piece]) -> Path:
    return Path(
        tuple(
            Line(complex(p.cubic[0]), complex(p.cubic[3]))
            if p.is_line
            else Cubic(*p.cubic.tolist())
            for p in pieces
        ),
        is_closed=True,
    )


def _ring(wave: float, n: int = 240) -> Complexes:
    """A star-shaped ring; it never crosses itself."""
    turn = 2 * np.pi * np.arange(n) / n
    return np.asarray((60 + wave * np.cos(7 * turn)) * np.exp(1j * turn), np.complex128)


def _pieces(z: Complexes, cuts: list[int], handle: float) -> list[Piece]:
    """Smooth pieces from cut to cut, whose handles have a length that nothing justifies."""
    n = len(z)
    out = []
    for a, b in zip(cuts, [*cuts[1:], cuts[0] + n], strict=True):
        own = z[np.arange(a, b + 1) % n]
        d0, d1 = z[(a + 1) % n] - z[(a - 1) % n], z[(b + 1) % n] - z[(b - 1) % n]
        c1 = own[0] + handle * d0 / abs(d0)
        c2 = own[-1] - handle * d1 / abs(d1)
        out.append(Piece(np.array([own[0], c1, c2, own[-1]]), own[1:-1], is_line=False))
    return out


def test_a_figure_of_eight_crosses_itself_in_its_middle() -> None:
    eight = polygon([0j, 10 + 10j, 10 + 0j, 10j])
    assert not is_simple(eight)
    assert crossings(eight) == pytest.approx([5 + 5j])


def test_a_square_does_not_cross_itself() -> None:
    square = polygon([0j, 10 + 0j, 10 + 10j, 10j])
    assert is_simple(square)
    assert len(crossings(square)) == 0


@settings(max_examples=40, deadline=None)
@given(
    wave=st.floats(0, 35),
    handle=st.floats(5, 300),
    cuts=st.lists(st.integers(0, 239), min_size=2, max_size=14, unique=True).map(sorted),
)
def test_pieces_that_cross_are_drawn_apart_and_stay_joined(
    wave: float, handle: float, cuts: list[int]
) -> None:
    apart = untangled(_pieces(_ring(wave), cuts, handle), is_closed=True)
    path = _outline(apart)
    assert shapely.LinearRing(path.flat(0.01)).is_simple
    for before, after in zip(apart, [*apart[1:], apart[0]], strict=True):
        assert abs(before.cubic[3] - after.cubic[0]) < 1e-9


def test_only_the_pieces_at_fault_are_touched() -> None:
    z = _ring(0)
    pieces = _pieces(z, [0, 40, 80, 120, 160, 200], 21)
    wild = pieces[2].cubic + np.array([0, -200j, -200j, 0])
    pieces[2] = Piece(wild, pieces[2].points, is_line=False)
    apart = untangled(pieces, is_closed=True)
    kept = [any(piece is other for other in apart) for piece in pieces]
    assert kept[5]
    assert not kept[2]
    flat = _outline(apart).flat(0.01)
    assert shapely.LinearRing(flat).is_simple
    assert shapely.LinearRing(flat).hausdorff_distance(shapely.LinearRing(to_points(z))) < 1
