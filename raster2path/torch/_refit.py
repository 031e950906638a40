"""Cubics beside cubics: what lies at a distance from a cubic is none, but near to one."""

from __future__ import annotations

import math
from dataclasses import dataclass
from operator import itemgetter

import numpy as np

from raster2path.geometry import Complexes, Cubic, Kind, Line, Segment
from raster2path.torch._edges import Floats, Ints, Powers, places, speeds
from raster2path.torch._moved import Moved

FIT_MM = 0.02
"""How far one cubic may lie from the true parallel curve: a hand wanders eighty times as far."""

MOST_HALVINGS = 3

N_POINTS = 33


@dataclass(frozen=True, slots=True, eq=False)
class Spans:
    """Stretches of moved lines: parameters, and exactly where the ends shall lie."""

    rows: Ints
    t0: Floats
    t1: Floats
    a: Complexes
    b: Complexes

    def of(self, which: Ints) -> Spans:
        """Some of them."""
        t0, t1, a, b = self.t0[which], self.t1[which], self.a[which], self.b[which]
        return Spans(self.rows[which], t0, t1, a, b)


def beside(moved: Moved, spans: Spans, fit_mm: float) -> list[list[Segment]]:
    """As few cubics as follow each moved line within tolerance; tangents are the edge's own.

    All are fitted at once; those that fall short are halved, and the halves fitted, three times.
    """
    # a piece is known by its span's number and the halves it lies in, so that all sort in order
    keys: list[tuple[int, ...]] = [(k,) for k in range(len(spans.rows))]
    kinds = [moved.pieces.segments[row].kind for row in spans.rows.tolist()]
    done: list[tuple[tuple[int, ...], Segment]] = []
    for depth in range(MOST_HALVINGS + 1):
        fitted = _fitted(moved, spans)
        is_near = fitted.worst <= (math.inf if depth == MOST_HALVINGS else fit_mm)
        done += [
            (keys[k], _piece(spans, fitted, k, kinds[keys[k][0]]))
            for k in np.flatnonzero(is_near).tolist()
        ]
        far = np.flatnonzero(~is_near)
        if not len(far):
            break
        spans = _halved(spans, fitted, far)
        keys = [(*keys[k], half) for k in far.tolist() for half in (0, 1)]
    out: list[list[Segment]] = [[] for _ in kinds]
    for key, piece in sorted(done, key=itemgetter(0)):
        out[key[0]].append(piece)
    return out


@dataclass(frozen=True, slots=True, eq=False)
class _Fitted:
    """Cubics' handles, how far each lies from what it stands for, and where to halve that."""

    handles: Complexes
    worst: Floats
    middle: Complexes
    middle_t: Floats


def _piece(spans: Spans, fitted: _Fitted, k: int, kind: Kind) -> Segment:
    a, b = complex(spans.a[k]), complex(spans.b[k])
    if not fitted.worst[k] < 0:
        one, two = fitted.handles[k].tolist()
        return Cubic(a, one, two, b, kind)
    return Line(a, b, kind)


def _halved(spans: Spans, fitted: _Fitted, far: Ints) -> Spans:
    """Each of the spans that fall short as two, one after the other."""
    twice, first = np.repeat(far, 2), np.tile([True, False], len(far))
    some, middle, at = spans.of(twice), fitted.middle[twice], fitted.middle_t[twice]
    return Spans(
        rows=some.rows,
        t0=np.where(first, some.t0, at),
        t1=np.where(first, at, some.t1),
        a=np.where(first, some.a, middle),
        b=np.where(first, middle, some.b),
    )


def _fitted(moved: Moved, spans: Spans) -> _Fitted:
    share = np.linspace(0, 1, N_POINTS)
    t = spans.t0[:, None] + (spans.t1 - spans.t0)[:, None] * share
    points = moved.along(spans.rows, t)
    points[:, 0], points[:, -1] = spans.a, spans.b
    along = np.cumsum(np.abs(np.diff(points, axis=1, prepend=points[:, :1])), axis=1)
    total = along[:, -1:]
    u = along / np.maximum(total, 1e-12)
    heads, tails = moved.headings(spans.rows, spans.t0), moved.headings(spans.rows, spans.t1)
    handles, worst = _handles(points, u, np.column_stack([heads, tails]))
    worst[total[:, 0] < 1e-9] = -1.0  # no length: a line, if anything
    k = np.clip(np.argmin(np.abs(along - total / 2), axis=1), 4, N_POINTS - 5)[:, None]
    middle, at = np.take_along_axis(points, k, 1), np.take_along_axis(t, k, 1)
    return _Fitted(handles, worst, middle[:, 0], at[:, 0])


def _handles(points: Complexes, u: Floats, tangents: Complexes) -> tuple[Complexes, Floats]:
    """Controls of the cubics with ends and tangents given, and their worst distances.

    Least squares for the two handles' lengths on the distance across the curve (Gauss-Newton),
    each point's parameter moved to its foot in between. One row for each cubic; those that lie
    close enough are done.
    """
    a, b, head, tail = points[:, :1], points[:, -1:], tangents[:, :1], tangents[:, 1:]
    size = np.abs(np.diff(points, axis=1)).sum(axis=1, keepdims=True)
    h1 = h2 = size / 3
    controls = np.hstack([a + h1 * head, b - h2 * tail])
    best = np.full(len(points), np.inf)
    open_ = np.arange(len(points))
    for _ in range(7):
        curve = _powers_of(a, a + h1 * head, b - h2 * tail, b)
        worst, u, speed, off = _feet(curve, points, u)
        better = worst < best[open_]
        best[open_[better]] = worst[better]
        controls[open_[better]] = np.hstack([a + h1 * head, b - h2 * tail])[better]
        left = worst >= FIT_MM / 4
        if not left.any():
            break
        across = 1j * speed / np.maximum(np.abs(speed), 1e-12)
        gap = (across.conjugate() * off).real
        change1, change2 = _changes(u, across, gap, (head, tail))
        h1 = np.clip(h1 + change1, 0.02 * size, 1.5 * size)
        h2 = np.clip(h2 + change2, 0.02 * size, 1.5 * size)
        open_, points, u, h1, h2 = open_[left], points[left], u[left], h1[left], h2[left]
        a, b, head, tail, size = a[left], b[left], head[left], tail[left], size[left]
    return controls, best


def _powers_of(p0: Complexes, p1: Complexes, p2: Complexes, p3: Complexes) -> Powers:
    return p0, 3 * (p1 - p0), 3 * (p0 - 2 * p1 + p2), p3 - p0 + 3 * (p1 - p2)


def _changes(
    u: Floats, across: Complexes, gap: Floats, tangents: tuple[Complexes, Complexes]
) -> tuple[Floats, Floats]:
    """By how much longer both handles should be: one Gauss-Newton step."""
    s = 1 - u
    one = 3 * s * s * u * (across.conjugate() * tangents[0]).real
    two = -3 * s * u * u * (across.conjugate() * tangents[1]).real
    # a straight stretch leaves the lengths open: the damping keeps them where they are
    g11 = (one * one).sum(axis=1, keepdims=True) + 1e-6
    g22 = (two * two).sum(axis=1, keepdims=True) + 1e-6
    g12 = (one * two).sum(axis=1, keepdims=True)
    r1, r2 = (one * gap).sum(axis=1, keepdims=True), (two * gap).sum(axis=1, keepdims=True)
    det = g11 * g22 - g12 * g12
    return (r1 * g22 - r2 * g12) / det, (r2 * g11 - r1 * g12) / det


def _feet(
    curve: Powers, points: Complexes, u: Floats
) -> tuple[Floats, Floats, Complexes, Complexes]:
    """Largest distance of each row's points, their feet, and there the speed and the offset."""
    for _ in range(2):
        off = points - places(curve, u)
        speed = speeds(curve, u)
        step = (speed.conjugate() * off).real / np.maximum(np.abs(speed) ** 2, 1e-12)
        u = np.clip(u + np.clip(step, -0.2, 0.2), 0.0, 1.0)
    u[:, 0], u[:, -1] = 0.0, 1.0
    off = points - places(curve, u)
    return np.abs(off).max(axis=1), u, speeds(curve, u), off
