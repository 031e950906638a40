"""Cubics beside cubics: what lies at a distance from a cubic is none, but near to one."""

from __future__ import annotations

import math
from dataclasses import dataclass
from operator import itemgetter

import numpy as np

from raster2path.geometry import Complexes, Cubic, Kind, Line, Segment
from raster2path.torch._edges import Bools, Floats, Ints, Powers, places, speeds
from raster2path.torch._moved import Moved

FIT_MM = 0.014
"""How much nearer to the metal one cubic may lie than the true parallel curve."""

AWAY_MM = {Kind.ORGANIC: 0.08, Kind.LETTERING: 0.03, Kind.GEOMETRIC: 0.03}
"""The same towards the drop, where it costs no metal: a hand wanders twenty times as far."""

AIM_SLOPE = 6.0
"""Such fits come to where they aim within a sixth of their length."""

MOST_STEPS = 7
MOST_PARTINGS = 5
MOST_SHIFTS = 3
NARROWEST = 3

N_POINTS = 33

TIGHT_RAD = 0.25
"""What a moved line may turn between two points at which it is looked at."""

MOST_SPREADS = 5


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

    All are fitted at once; those that fall short are parted in two, up to five times over.
    """
    # a piece is known by its span's number and the parts it lies in, so that all sort in order
    keys: list[tuple[int, ...]] = [(k,) for k in range(len(spans.rows))]
    kinds = [moved.pieces.segments[row].kind for row in spans.rows.tolist()]
    done: list[tuple[tuple[int, ...], Segment]] = []
    fitted = _fitted(moved, spans)
    for depth in range(MOST_PARTINGS + 1):
        is_near = fitted.worst <= (math.inf if depth == MOST_PARTINGS else fit_mm)
        done += [
            (keys[k], _piece(spans, fitted, k, kinds[keys[k][0]]))
            for k in np.flatnonzero(is_near).tolist()
        ]
        far = np.flatnonzero(~is_near)
        if not len(far):
            break
        spans, fitted = _parted(moved, spans.of(far), fitted.of(far), fit_mm)
        keys = [(*keys[k], part) for k in far.tolist() for part in (0, 1)]
    out: list[list[Segment]] = [[] for _ in kinds]
    for key, piece in sorted(done, key=itemgetter(0)):
        out[key[0]].append(piece)
    return out


def one_cubic(a: Segment, b: Segment) -> Cubic | None:
    """One cubic near two pieces that follow each other; None where none is near enough.

    The drop lies to the left of travel.
    """
    sizes = np.array([a.length, b.length])
    share = np.linspace(0, 1, N_POINTS) * sizes.sum()
    first = share < sizes[0]
    points = np.concatenate(
        [
            a.points_at(share[first] / sizes[0]),
            b.points_at(np.minimum(1.0, (share[~first] - sizes[0]) / sizes[1])),
        ]
    )
    tangents = np.array([[a.tangent(0), b.tangent(1)]])
    u = np.linspace(0, 1, N_POINTS)[None]
    handles, worst = _handles(points[None], u, tangents, np.array([AWAY_MM[Kind.ORGANIC]]))
    if worst[0] > FIT_MM:
        return None
    one, two = handles[0].tolist()
    return Cubic(a.start, one, two, b.end, max(a.kind, b.kind))


@dataclass(frozen=True, slots=True, eq=False)
class _Fitted:
    """Cubics' handles, how far each lies from what it stands for, and what that is.

    Attributes:
        handles: the two controls of each.
        worst: the largest distance; below 0 where there is no length.
        points, t: a row of places on each moved line, and their parameters.
        middle: which of them is halfway.
    """

    handles: Complexes
    worst: Floats
    points: Complexes
    t: Floats
    middle: Ints

    def of(self, which: Ints) -> _Fitted:
        """Some of them."""
        return _Fitted(
            self.handles[which],
            self.worst[which],
            self.points[which],
            self.t[which],
            self.middle[which],
        )


def _piece(spans: Spans, fitted: _Fitted, k: int, kind: Kind) -> Segment:
    a, b = complex(spans.a[k]), complex(spans.b[k])
    if fitted.worst[k] < 0:
        return Line(a, b, kind)
    one, two = fitted.handles[k].tolist()
    return Cubic(a, one, two, b, kind)


def _parted(moved: Moved, spans: Spans, fitted: _Fitted, fit_mm: float) -> tuple[Spans, _Fitted]:
    """Each of the spans in two, one after the other, and their fits.

    They are parted halfway, then nearer to the part that alone falls short: often two cubics
    will do where halves of halves would be three or four.
    """
    n = len(spans.rows)
    low, high, at = np.zeros(n, np.int64), np.full(n, N_POINTS - 1), fitted.middle
    parts = _at(spans, fitted, np.arange(n), at)
    fits = _fitted(moved, parts)
    best = fits.worst.reshape(-1, 2).copy()
    best_at = at.copy()
    worst, todo = best, np.arange(n)
    for _ in range(MOST_SHIFTS):
        far = worst > fit_mm
        low[todo] = np.where(far[:, 1], at, low[todo])
        high[todo] = np.where(far[:, 0], at, high[todo])
        going = (far[:, 0] != far[:, 1]) & (high[todo] - low[todo] > NARROWEST)
        todo = todo[going]
        if not len(todo):
            break
        at = (low[todo] + high[todo]) // 2
        worst = _fitted(moved, _at(spans, fitted, todo, at)).worst.reshape(-1, 2)
        better = worst.max(axis=1) < best[todo].max(axis=1)
        best[todo[better]], best_at[todo[better]] = worst[better], at[better]
    moved_on = best_at != fitted.middle
    if moved_on.any():
        parts = _at(spans, fitted, np.arange(n), best_at)
        fits = _fitted(moved, parts)
    return parts, fits


def _at(spans: Spans, fitted: _Fitted, some: Ints, at: Ints) -> Spans:
    """Some of the spans, each as two that meet at a place given by number."""
    twice, first = np.repeat(some, 2), np.tile([True, False], len(some))
    every, places_, ts = spans.of(twice), fitted.points[some, at], fitted.t[some, at]
    middle, t = np.repeat(places_, 2), np.repeat(ts, 2)
    return Spans(
        rows=every.rows,
        t0=np.where(first, every.t0, t),
        t1=np.where(first, t, every.t1),
        a=np.where(first, every.a, middle),
        b=np.where(first, middle, every.b),
    )


def _fitted(moved: Moved, spans: Spans) -> _Fitted:
    t, is_tight = _spread(moved, spans)
    points = moved.along(spans.rows, t)
    points[:, 0], points[:, -1] = spans.a, spans.b
    along = np.cumsum(np.abs(np.diff(points, axis=1, prepend=points[:, :1])), axis=1)
    total = along[:, -1:]
    u = along / np.maximum(total, 1e-12)
    heads, tails = moved.headings(spans.rows, spans.t0), moved.headings(spans.rows, spans.t1)
    away = np.array([AWAY_MM[moved.pieces.segments[row].kind] for row in spans.rows.tolist()])
    handles, worst = _handles(points, u, np.column_stack([heads, tails]), away)
    worst[total[:, 0] < 1e-9] = -1.0  # no length: a line, if anything
    middle = np.clip(np.argmin(np.abs(along - total / 2), axis=1), 4, N_POINTS - 5)
    return _Fitted(handles, worst, points, t, np.where(is_tight, N_POINTS // 2, middle))


def _spread(moved: Moved, spans: Spans) -> tuple[Floats, Bools]:
    """Parameters at which moved lines are looked at: where one bends tightly, more closely.

    A needle of metal is but a moment of its cubic, and half a circle of the moved line.
    """
    t = spans.t0[:, None] + (spans.t1 - spans.t0)[:, None] * np.linspace(0, 1, N_POINTS)
    is_tight = np.zeros(len(t), np.bool_)
    todo = np.arange(len(t))
    for _ in range(MOST_SPREADS):
        rows = np.repeat(spans.rows[todo], N_POINTS)
        headings = moved.headings(rows, t[todo].ravel()).reshape(-1, N_POINTS)
        turns = np.abs(np.angle(headings[:, 1:] * headings[:, :-1].conjugate()))
        far = turns.max(axis=1) > TIGHT_RAD
        todo, turns = todo[far], turns[far]
        if not len(todo):
            break
        sizes = np.abs(np.diff(moved.along(spans.rows[todo], t[todo]), axis=1))
        share = sizes / np.maximum(sizes.sum(axis=1, keepdims=True), 1e-12)
        share = share + turns / turns.sum(axis=1, keepdims=True)
        reached = np.cumsum(np.pad(share, ((0, 0), (1, 0))), axis=1)
        for k, measure in zip(todo.tolist(), reached, strict=True):
            even = np.linspace(0, measure[-1], N_POINTS)
            t[k] = np.interp(even, measure, t[k])
        is_tight[todo] = True
    return t, is_tight


def _handles(
    points: Complexes, u: Floats, tangents: Complexes, away: Floats
) -> tuple[Complexes, Floats]:
    """Controls of the cubics with ends and tangents given, and their worst distances.

    Distances towards the drop count less, so that `away` counts as the tolerance does. Where no
    cubic is near enough, one is looked for that runs between the tolerances of both sides.
    """
    size = np.abs(np.diff(points, axis=1)).sum(axis=1, keepdims=True)
    search = _Handles(points, tangents, away, size)
    handles = np.hstack([size / 3, size / 3])
    best, worst, u = search.improved(np.arange(len(points)), handles, u, 0.0)
    far = np.flatnonzero(worst > FIT_MM)
    if len(far):
        again, nearer, _ = search.improved(far, best[far], u[far], 0.5)
        better = nearer < worst[far]
        best[far[better]], worst[far[better]] = again[better], nearer[better]
    ends = points[:, [0, -1]]
    return ends + best * tangents * np.array([1, -1]), worst


@dataclass(frozen=True, slots=True, eq=False)
class _Handles:
    """Looks for handles' lengths: points to follow, directions at both ends, tolerance, length."""

    points: Complexes
    tangents: Complexes
    away: Floats
    size: Floats

    def improved(
        self, rows: Ints, handles: Floats, u: Floats, share: float
    ) -> tuple[Floats, Floats, Floats]:
        """Best handles, their worst distances, and the points' parameters.

        Least squares on the distance across the curve (Gauss-Newton), each point's parameter moved
        to its foot in between. One row for each cubic; those that lie close enough are done.

        Args:
            rows: the cubics.
            handles: lengths to start with.
            u: parameters to start with.
            share: 0 aims at the points, 1 at the tolerance towards the drop.
        """
        best, worst, last = handles.copy(), np.full(len(rows), np.inf), u.copy()
        todo = np.arange(len(rows))
        for _ in range(MOST_STEPS):
            some = rows[todo]
            curve = self._curve(some, handles)
            u, across, gap = _feet(curve, self.points[some], u)
            here = np.maximum(-gap.min(axis=1), gap.max(axis=1) * FIT_MM / self.away[some])
            better = here < worst[todo]
            worst[todo[better]] = here[better]
            best[todo[better]], last[todo[better]] = handles[better], u[better]
            left = here >= FIT_MM / 4
            if not left.any():
                break
            aim = share * self.away[some, None] * np.minimum(1, AIM_SLOPE * np.minimum(u, 1 - u))
            change = _changes(u, across, gap - aim, self.tangents[some])
            handles = np.clip(handles + change, 0.02 * self.size[some], 1.5 * self.size[some])
            todo, handles, u = todo[left], handles[left], u[left]
        return best, worst, last

    def _curve(self, rows: Ints, handles: Floats) -> Powers:
        a, b = self.points[rows, :1], self.points[rows, -1:]
        ahead, behind = (handles * self.tangents[rows]).T
        return _powers_of(a, a + ahead[:, None], b - behind[:, None], b)


def _powers_of(p0: Complexes, p1: Complexes, p2: Complexes, p3: Complexes) -> Powers:
    return p0, 3 * (p1 - p0), 3 * (p0 - 2 * p1 + p2), p3 - p0 + 3 * (p1 - p2)


def _changes(u: Floats, across: Complexes, gap: Floats, tangents: Complexes) -> Floats:
    """By how much longer both handles should be: one Gauss-Newton step."""
    s = 1 - u
    one = 3 * s * s * u * (across.conjugate() * tangents[:, :1]).real
    two = -3 * s * u * u * (across.conjugate() * tangents[:, 1:]).real
    # a straight stretch leaves the lengths open: the damping keeps them where they are
    g11 = (one * one).sum(axis=1) + 1e-6
    g22 = (two * two).sum(axis=1) + 1e-6
    g12 = (one * two).sum(axis=1)
    r1, r2 = (one * gap).sum(axis=1), (two * gap).sum(axis=1)
    det = g11 * g22 - g12 * g12
    return np.column_stack([(r1 * g22 - r2 * g12) / det, (r2 * g11 - r1 * g12) / det])


def _feet(curve: Powers, points: Complexes, u: Floats) -> tuple[Floats, Complexes, Floats]:
    """Feet of each row's points, the way to the metal there, and how far that way they lie."""
    for _ in range(2):
        off = points - places(curve, u)
        speed = speeds(curve, u)
        step = (speed.conjugate() * off).real / np.maximum(np.abs(speed) ** 2, 1e-12)
        u = np.clip(u + np.clip(step, -0.2, 0.2), 0.0, 1.0)
    u[:, 0], u[:, -1] = 0.0, 1.0
    speed = speeds(curve, u)
    across = 1j * speed / np.maximum(np.abs(speed), 1e-12)
    gap = (across.conjugate() * (points - places(curve, u))).real
    return u, across, gap
