"""Many places on many segments at once: points and lengths, one pass for each kind of segment."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from raster2path.geometry import Arc, Complexes, Cubic, Line, Segment

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

N_NODES = 16


def points_on(segments: Sequence[Segment], which: Ints, t: Floats) -> Complexes:
    """Where parameters lie: t[k] on the segment numbered which[k]."""
    out = np.empty(len(which), np.complex128)
    own = np.array([_KINDS[type(segment)] for segment in segments])[which]
    numbers = np.array([_numbers(segment) for segment in segments], np.complex128)
    for kind, at in enumerate((_on_lines, _on_arcs, _on_cubics)):
        here = own == kind
        if here.any():
            out[here] = at(numbers[which[here]], t[here])
    return out


def lengths_of(segments: Sequence[Segment]) -> Floats:
    """Length of each segment; that of a cubic by Gauss-Legendre quadrature on 16 points."""
    out = np.array([0.0 if isinstance(s, Cubic) else s.length for s in segments])
    curved = np.array([isinstance(s, Cubic) for s in segments], bool)
    if curved.any():
        numbers = np.array([_numbers(s) for s in segments if isinstance(s, Cubic)])
        nodes, weights = np.polynomial.legendre.leggauss(N_NODES)
        t = (nodes + 1) / 2
        s = 1 - t
        a, b, c = (np.diff(numbers, axis=1)[:, k, None] for k in range(3))
        speed = np.abs(3 * (s * s * a + 2 * s * t * b + t * t * c))
        out[curved] = speed @ (weights / 2)
    return out


_KINDS = {Line: 0, Arc: 1, Cubic: 2}


def _numbers(segment: Segment) -> tuple[complex, complex, complex, complex]:
    if isinstance(segment, Line):
        return segment.start, segment.end, 0j, 0j
    if isinstance(segment, Arc):
        return segment.start, segment.centre, complex(segment.sweep_rad), 0j
    return segment.start, segment.control1, segment.control2, segment.end


def _on_lines(own: Complexes, t: Floats) -> Complexes:
    return np.asarray(own[:, 0] + t * (own[:, 1] - own[:, 0]))


def _on_arcs(own: Complexes, t: Floats) -> Complexes:
    turn = np.exp(1j * own[:, 2].real * t)
    return np.asarray(own[:, 1] + (own[:, 0] - own[:, 1]) * turn)


def _on_cubics(own: Complexes, t: Floats) -> Complexes:
    s = 1 - t
    return np.asarray(
        s**3 * own[:, 0] + 3 * s * s * t * own[:, 1] + 3 * s * t * t * own[:, 2] + t**3 * own[:, 3]
    )
