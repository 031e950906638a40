"""Outlines of letters and ruled figures: straights straight, corners sharp, curves smooth.

The road, for one outline in pixels: candidate breaks where the outline turns, and a grid; the
shortest path over straight lines and circular arcs, each with its price (description length,
Rissanen, Modeling by shortest data description, 1978, doi:10.1016/0005-1098(78)90005-5); short
pieces that blur alone explains taken out; corners where neighbours, carried on, meet; curves
between corners fitted anew as smooth cubics. Whatever leaves the outline is fitted again, closer.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from raster2path.geometry import (
    Arc,
    Complexes,
    Kind,
    Line,
    Path,
    Points,
    Segment,
    cross,
    dot,
    to_complex,
    to_points,
    unit,
)
from raster2path.shape import _tangle, curves

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

LEAST_SIGMA_PX = 0.06
"""No outline is taken to be truer than this: sampling alone leaves about as much."""
LEAST_BLUR_PX = 0.5
"""A pixel is a square: even a graphic's edges are blurred by about half a pixel."""
CORRELATION_PX = 3.0
"""Noise of neighbouring points is alike over about this length, so fewer of them bear witness."""
LINE_PRICE = 8.0
ARC_PRICE = 12.0
MOST_BREAKS = 130
"""Candidates an outline; 260 gave nothing more when measured."""
SMOOTH_TURN_DEG = 14.0
"""A line and a curve that meet in less flow into each other."""
SMOOTH_ARCS_DEG = 24.0
"""Two arcs that meet in less are one curve: arcs only stand in for it until it is fitted."""
FLAT_PX = 0.25
"""A piece that bulges by less may be part of a longer line."""
FLAT_PATH_PX = 0.05
LEAST_SAGITTA_PX = 0.08
BENT_RATIO = 2.0
"""A line is the flat part of a curve where an arc leaves so many times less squared error."""
MERGE_TURN_DEG = 1.5
"""Two lines that meet in less are one, where one line fits both."""
LEAST_INNER_DEG = 15.0
"""Sharper than this, blur is not believed to explain an end: thin serif ends would vanish."""
RETREAT = 0.72
"""Blur pulls an apex back by this times blur over tan(half its inner angle); measured."""


@dataclass(frozen=True, slots=True)
class _Sight:
    """What is known about an outline before it is fitted.

    Attributes:
        sigma: standard deviation of its noise.
        blur: standard deviation of the edge's blur.
        price: factor on the prices of pieces; less than 1 buys more pieces.
        tight: places where corners stay on the outline, because carried on they would cross.
    """

    sigma: float
    blur: float
    tolerance: float
    kind: Kind
    price: float = 1.0
    tight: tuple[complex, ...] = ()

    @property
    def trim(self) -> int:
        """Points at either end of a piece that blur has moved."""
        return math.ceil(max(2.0, 1.5 * self.blur))

    def retreat(self, turn_rad: float) -> float:
        """How far blur pulls a corner back that turns by so much."""
        half = max((math.pi - abs(turn_rad)) / 2, math.radians(LEAST_INNER_DEG) / 2)
        return RETREAT * self.blur / math.tan(half)


@dataclass(frozen=True, slots=True)
class _Piece:
    """A line or arc laid on the points first to last of an outline.

    Attributes:
        anchor: a point on the line, or the arc's centre.
        direction: of travel on the line; 0 for an arc.
        radius: positive where the arc runs clockwise as seen; 0 for a line.
    """

    first: int
    last: int
    anchor: complex
    direction: complex
    radius: float

    @property
    def is_line(self) -> bool:
        return self.radius == 0

    @property
    def n(self) -> int:
        return self.last - self.first

    @property
    def sagitta(self) -> float:
        """How far it bulges from its chord, points being a pixel apart."""
        return 0.0 if self.is_line else self.n**2 / (8 * abs(self.radius))

    def on(self, at: Complexes) -> Complexes:
        """The places on it (carried on, both ways) nearest to points."""
        away = at - self.anchor
        if self.is_line:
            out = self.anchor + self.direction * (away * self.direction.conjugate()).real
        else:
            out = self.anchor + away / np.abs(away) * abs(self.radius)
        return np.asarray(out, np.complex128)

    def tangent(self, at: complex) -> complex:
        """Direction of travel at the place on it nearest to a point."""
        if self.is_line:
            return self.direction
        return unit((at - self.anchor) * 1j * self.radius)

    def project(self, at: complex) -> complex:
        """The place on it (carried on, both ways) nearest to a point."""
        if self.is_line:
            return self.anchor + self.direction * dot(self.direction, at - self.anchor)
        return self.anchor + unit(at - self.anchor) * abs(self.radius)


@dataclass(frozen=True, slots=True)
class _Joint:
    """Where two neighbouring pieces meet.

    Attributes:
        tangent: the direction shared there, or None at a corner.
        is_inside: True where two arcs are one curve, so that nothing is fixed there.
    """

    index: int
    point: complex
    tangent: complex | None
    is_inside: bool = False


def fit_strict(
    points: Points,
    *,
    sigma: float,
    blur: float,
    tolerance: float,
    kind: Kind,
    tight: tuple[complex, ...] = (),
) -> Path:
    """The closed path of lines, arcs and smooth cubics that an outline stands for.

    Args:
        points: (n, 2) in pixels, n >= 3, about a pixel apart; the first is not repeated.
        sigma: standard deviation of the outline's own noise or tremor.
        blur: standard deviation of the blur of the edge.
        tolerance: how far the path should leave the outline at most, corners apart.
        kind: given to each segment.
        tight: places near which corners are not carried on beyond the outline.

    Returns:
        A closed path, travelled the same way as the points. Each straight is one line, corners
        are where neighbours meet, curves are tangent to the straights that they flow into. It
        does not cross itself if the outline doesn't.
    """
    sight = _sight(sigma, blur, tolerance, kind)
    z = _evenly(to_complex(points), is_closed=True)
    if (whole := _circle(z, sight)) is not None:
        return whole
    sight = replace(sight, tight=tight)
    path = _closest(z, sight)
    places = _tangle.crossings(path, FLAT_PATH_PX)
    if len(places):
        path = _closest(z, replace(sight, tight=(*tight, *places.tolist())))
        if not _tangle.is_simple(path, FLAT_PATH_PX):
            return _loose(z, sight)
    return path


def _closest(z: Complexes, sight: _Sight) -> Path:
    """The fit, with more pieces where the first one leaves the outline."""
    path = _fit_closed(z, sight)
    excess = _excess(path, z, sight)
    if excess <= 0:
        return path
    other = _fit_closed(z, replace(sight, price=0.3))
    return other if _excess(other, z, sight) < excess else path


def fit_strict_run(
    points: Points,
    *,
    sigma: float,
    blur: float,
    tolerance: float,
    kind: Kind,
    start_tangent: complex | None = None,
    end_tangent: complex | None = None,
) -> tuple[Segment, ...]:
    """Lines and smooth cubics for an open run; the first and last point are kept exactly.

    Args:
        points: (n, 2), n >= 2, in pixels, about a pixel apart.
        sigma: standard deviation of the run's own noise or tremor.
        blur: standard deviation of the blur of the edge.
        tolerance: how far the result should leave the run at most, corners apart.
        kind: given to each segment.
        start_tangent: direction that a curve at the start has to take; lines go their own way.
        end_tangent: the same at the end.
    """
    sight = _sight(sigma, blur, tolerance, kind)
    given = to_complex(points)
    z = _evenly(given, is_closed=False)
    if len(z) < 4:
        return (Line(complex(given[0]), complex(given[-1]), kind),)
    pieces = _tidied(_pieces(z, sight), z, sight)
    joints = [
        _Joint(0, complex(given[0]), start_tangent),
        *_inner_joints(pieces, z, sight),
        _Joint(len(z) - 1, complex(given[-1]), end_tangent),
    ]
    return tuple(_assembled(pieces, joints, z, sight))


def _sight(sigma: float, blur: float, tolerance: float, kind: Kind) -> _Sight:
    return _Sight(max(sigma, LEAST_SIGMA_PX), max(blur, LEAST_BLUR_PX), tolerance, kind)


def _evenly(z: Complexes, *, is_closed: bool) -> Complexes:
    """The same outline with points about a pixel apart (closer where it is very small)."""
    around = np.append(z, z[0]) if is_closed else z
    along = np.concatenate([[0.0], np.cumsum(np.abs(np.diff(around)))])
    length = float(along[-1])
    n = max(math.ceil(length), 24 if is_closed else 3)
    at = np.linspace(0.0, length, n + 1)
    even = np.asarray(np.interp(at, along, around), np.complex128)
    return even[:-1] if is_closed else even


# ------------------------------------------------------------------ lines and arcs by the sums


class _Sums:
    """Running sums over an outline, from which any run's line and circle follow at once.

    Extended precision: the circle needs sums of fourth powers, and small differences of those.
    """

    def __init__(self, z: Complexes) -> None:
        self.middle = complex(z.mean())
        x, y = (z - self.middle).real, (z - self.middle).imag
        x, y = x.astype(np.longdouble), y.astype(np.longdouble)
        q = x * x + y * y
        rows = np.stack([x, y, x * x, x * y, y * y, x * q, y * q, q * q])
        self.table = np.concatenate([np.zeros((8, 1), np.longdouble), rows.cumsum(axis=1)], axis=1)

    def moments(self, first: Ints, last: Ints) -> tuple[Floats, ...]:
        """Count, means and central moments n, x, y, uu, uv, vv, uq, vq, qq of points first..last.

        q stands for u * u + v * v, u and v for the distance from the mean.
        """
        n = (last - first + 1).astype(np.longdouble)
        x, y, xx, xy, yy, xq, yq, qq = self.table[:, last + 1] - self.table[:, first]
        m, p = x / n, y / n
        k, q = m * m + p * p, xx + yy
        uu, uv, vv = xx - n * m * m, xy - n * m * p, yy - n * p * p
        # sum of u (or v, or itself) times q - 2 m x - 2 p y + k
        sum_q = uu + vv
        uq = xq - 2 * m * xx - 2 * p * xy + k * x - m * sum_q
        vq = yq - 2 * m * xy - 2 * p * yy + k * y - p * sum_q
        qq = (
            qq
            + 4 * (m * m * xx + p * p * yy + 2 * m * p * xy)
            + k * k * n
            + 2 * k * q
            - 4 * (m * xq + p * yq + m * k * x + p * k * y)
        )
        return tuple(np.asarray(a, np.float64) for a in (n, m, p, uu, uv, vv, uq, vq, qq))

    def errors(self, first: Ints, last: Ints) -> tuple[Floats, Floats, Floats]:
        """Squared distances from each run's best line, from its circle, and that one's radius.

        The line by total least squares. The circle after Kåsa, A circle fitting procedure and
        its error analysis, 1976, doi:10.1109/TIM.1976.6312298: the squares' error, divided by
        4 r^2, stands for the squared distances.
        """
        n, _, _, uu, uv, vv, uq, vq, qq = self.moments(first, last)
        line = np.maximum(0, (uu + vv - np.hypot(uu - vv, 2 * uv)) / 2)
        det = uu * vv - uv * uv
        with np.errstate(divide="ignore", invalid="ignore"):
            a, b = (vv * uq - uv * vq) / (2 * det), (uu * vq - uv * uq) / (2 * det)
            mean_q = (uu + vv) / n
            r2 = a * a + b * b + mean_q
            sse = np.maximum(0, qq - n * mean_q**2 - 2 * (a * uq + b * vq)) / (4 * r2)
        bad = ~np.isfinite(sse) | (n < 4)
        return line, np.where(bad, np.inf, sse), np.sqrt(np.where(bad, 1.0, r2))

    def line(self, first: int, last: int) -> tuple[complex, complex]:
        """Mean and direction (either way) of the best line."""
        _, m, p, uu, uv, vv, *_ = self.moments(np.array(first), np.array(last))
        turn = 0.5 * math.atan2(2 * float(uv), float(uu - vv))
        return self.middle + complex(m, p), complex(math.cos(turn), math.sin(turn))

    def circle(self, first: int, last: int) -> tuple[complex, float]:
        """Centre and radius of Kåsa's circle; radius inf where the points lie on a line."""
        n, m, p, uu, uv, vv, uq, vq, _ = self.moments(np.array(first), np.array(last))
        det = float(uu * vv - uv * uv)
        if det <= 1e-12 * float(uu + vv) ** 2:
            return 0j, math.inf
        a, b = float(vv * uq - uv * vq) / (2 * det), float(uu * vq - uv * uq) / (2 * det)
        radius = math.sqrt(a * a + b * b + float((uu + vv) / n))
        return self.middle + complex(m + a, p + b), radius


def _turning(z: Complexes, reach: int, *, is_closed: bool) -> Floats:
    """How far the outline turns at each point, between chords of `reach` points."""
    if is_closed:
        before, after = z - np.roll(z, reach), np.roll(z, -reach) - z
        return np.abs(np.angle(after * before.conj()))
    turns = np.zeros(len(z))
    if len(z) > 2 * reach:
        ahead = z[reach:] - z[:-reach]
        turns[reach:-reach] = np.abs(np.angle(ahead[reach:] * ahead[:-reach].conj()))
    return turns


def _peaks(turns: Floats, least: float, apart: int) -> Ints:
    """Indices where the turning is greatest within `apart` points and at least `least`."""
    padded = np.pad(turns, apart, mode="edge")
    top = np.lib.stride_tricks.sliding_window_view(padded, 2 * apart + 1).max(axis=1)
    found = np.flatnonzero((turns >= top) & (turns >= least))
    return np.asarray(found[np.diff(found, prepend=-apart) > 1], np.int64)


def _candidates(z: Complexes, sight: _Sight) -> Ints:
    """Where pieces may begin and end: both ends, turning peaks, and a grid between them."""
    n = len(z)
    reach = max(3, math.ceil(2 * sight.blur))
    least = max(math.radians(8), 5 * sight.sigma / reach)
    peaks = _peaks(_turning(z, reach, is_closed=False), least, max(1, reach // 2))
    room = max(20, MOST_BREAKS - 2 - len(peaks))
    grid = np.linspace(0, n - 1, min(room, max(3, n // 3)) + 1).round().astype(np.int64)
    both = np.unique(np.concatenate([peaks, grid, [0, n - 1]]))
    # a grid point right beside a peak would only tell the path twice
    near = np.zeros(n, bool)
    for step in (-1, 1):
        near[np.clip(peaks + step, 1, n - 2)] = True
    near[peaks] = False
    near[[0, n - 1]] = False
    return np.asarray(both[~near[both]], np.int64)


def _prices(
    sums: _Sums, at: Ints, sight: _Sight, group: Ints
) -> tuple[Floats, npt.NDArray[np.bool_]]:
    """What a piece costs from each candidate to each later one, and whether it is a line.

    Pieces over more than two groups' bounds are not looked at; neighbours always are.
    """
    m = len(at)
    a, b = np.triu_indices(m, 1)
    near = (group[b] - group[a] <= 2) | (b - a == 1)
    a, b = a[near], b[near]
    n = at[b] - at[a]
    trim = np.clip((n - 3) // 2, 0, sight.trim)
    first, last = at[a] + trim, at[b] - trim
    scale = 1 / (2 * CORRELATION_PX * sight.sigma**2)
    straight, round_, radius = sums.errors(first, last)
    line = straight * scale + LINE_PRICE * sight.price
    arc = round_ * scale + ARC_PRICE * sight.price
    arc[(n > 1.2 * math.pi * radius) | (radius < 1.5) | (n < 5)] = np.inf
    table = np.full((m, m), np.inf)
    table[a, b] = np.minimum(line, arc)
    is_line = np.zeros((m, m), bool)
    is_line[a, b] = line <= arc
    return table, is_line


def _shortest(sums: _Sums, at: Ints, sight: _Sight, group: Ints) -> list[tuple[int, int, bool]]:
    """The cheapest chain of pieces from the first candidate to the last."""
    table, is_line = _prices(sums, at, sight, group)
    m = len(at)
    cost = np.full(m, np.inf)
    cost[0] = 0.0
    come = np.zeros(m, np.int64)
    for j in range(1, m):
        via = cost[:j] + table[:j, j]
        come[j] = int(np.argmin(via))
        cost[j] = via[come[j]]
    out = []
    j = m - 1
    while j > 0:
        i = int(come[j])
        out.append((int(at[i]), int(at[j]), bool(is_line[i, j])))
        j = i
    return out[::-1]


def _finer(breaks: Sequence[int], n: int, gap: int) -> Ints:
    """Candidates close round the breaks found, and the breaks themselves."""
    each = max(2, MOST_BREAKS // max(1, len(breaks)) // 2)
    steps = np.unique(np.round(np.linspace(-1, 1, 2 * each + 1) * gap).astype(np.int64))
    around = (np.asarray(breaks, np.int64)[:, None] + steps).ravel()
    inside = around[(around > 0) & (around < n - 1)]
    return np.unique(np.concatenate([inside, [0, n - 1]]))


def _pieces(z: Complexes, sight: _Sight) -> list[_Piece]:
    """The lines and arcs of an open track, in order, first to last point."""
    sums = _Sums(z)
    at = _candidates(z, sight)
    rough = _shortest(sums, at, sight, np.zeros(len(at), np.int64))
    gap = max(2, int(np.max(np.diff(at))))
    breaks = [b for _, b, _ in rough]
    at = _finer(breaks[:-1], len(z), gap)
    # a break may move or go, so a piece may reach to the candidates of the next but one
    middles = (np.array([0, *breaks[:-1]]) + np.array(breaks)) / 2
    fine = _shortest(sums, at, sight, np.searchsorted(middles, at).astype(np.int64))
    return [_laid(sums, z, a, b, sight, is_line=is_line) for a, b, is_line in fine]


def _laid(
    sums: _Sums, z: Complexes, first: int, last: int, sight: _Sight, *, is_line: bool
) -> _Piece:
    """The line or arc through points first to last, blur's zone at both ends left out."""
    trim = max(0, min(sight.trim, (last - first - 3) // 2))
    a, b = first + trim, last - trim
    if not is_line:
        centre, radius = sums.circle(a, b)
        if radius < 1e5:
            chord = z[last] - z[first]
            middle = z[(first + last) // 2] - (z[first] + z[last]) / 2
            # the arc bulges away from its centre; to the left of travel it runs clockwise
            side = cross(chord, middle)
            return _Piece(first, last, centre, 0j, math.copysign(radius, -side))
    anchor, direction = sums.line(a, b)
    if dot(direction, complex(z[last] - z[first])) < 0:
        direction = -direction
    return _Piece(first, last, anchor, direction, 0.0)


# ------------------------------------------------------------------------------- corners


def _meetings(a: _Piece, b: _Piece) -> list[complex]:
    """Where two pieces, carried on, meet: none, one or two places."""
    if a.is_line and b.is_line:
        sine = cross(a.direction, b.direction)
        if abs(sine) < 1e-6:
            return []
        return [a.anchor + a.direction * cross(b.anchor - a.anchor, b.direction) / sine]
    if a.is_line or b.is_line:
        line, arc = (a, b) if a.is_line else (b, a)
        foot = line.project(arc.anchor)
        half2 = arc.radius**2 - abs(foot - arc.anchor) ** 2
        if half2 < 0:
            return []
        return [foot + line.direction * s * math.sqrt(half2) for s in (-1, 1)]
    apart = abs(b.anchor - a.anchor)
    if apart < 1e-9:
        return []
    along = (a.radius**2 - b.radius**2 + apart**2) / (2 * apart)
    half2 = a.radius**2 - along**2
    if half2 < 0:
        return []
    towards = unit(b.anchor - a.anchor)
    return [a.anchor + towards * (along + 1j * s * math.sqrt(half2)) for s in (-1, 1)]


def _turn_at(a: _Piece, b: _Piece, at: complex) -> float:
    """Turning from a to b at a place, in radians, to the right positive."""
    before, after = a.tangent(at), b.tangent(at)
    return math.atan2(cross(before, after), dot(before, after))


def _near(z: Complexes, index: int, reach: int) -> Complexes:
    """Points of a closed outline within `reach` of an index."""
    return z[np.arange(index - reach, index + reach + 1) % len(z)]


def _corner(a: _Piece, b: _Piece, z: Complexes, index: int, sight: _Sight) -> complex | None:
    """Where two pieces meet, if blur explains how far that is from the outline."""
    reach = max(2, min(max(a.n, b.n) // 2, math.ceil(6 * sight.blur) + 4))
    around = _near(z, index, reach)
    best: tuple[float, complex] | None = None
    for at in _meetings(a, b):
        gap = float(np.min(np.abs(around - at)))
        if gap <= _limit(_turn_at(a, b, at), sight) and (best is None or gap < best[0]):
            best = gap, at
    return None if best is None else best[1]


def _limit(turn_rad: float, sight: _Sight) -> float:
    """How far from the outline a corner may lie."""
    return 1.4 * sight.retreat(turn_rad) + 0.6 + 3 * sight.sigma


def _without_slivers(pieces: list[_Piece], z: Complexes, sight: _Sight) -> list[_Piece]:
    """The pieces, less the short ones that stand only for a corner rounded by blur."""
    sums = _Sums(z)
    longest = 6 * sight.blur + 3
    k = 0
    while k < len(pieces):
        for span in (2, 1):
            ends = k + span
            inner = k > 0 and ends < len(pieces)
            if not inner or sum(p.n for p in pieces[k:ends]) > longest:
                continue
            a, b = pieces[k - 1], pieces[ends]
            at = _apex(a, b, z, (pieces[k].first, pieces[ends - 1].last), sight)
            if at is None:
                continue
            pieces[k - 1 : ends + 1] = [
                _laid(sums, z, a.first, at, sight, is_line=a.is_line),
                _laid(sums, z, at, b.last, sight, is_line=b.is_line),
            ]
            k = max(0, k - 2)
            break
        k += 1
    return pieces


def _apex(
    a: _Piece, b: _Piece, z: Complexes, between: tuple[int, int], sight: _Sight
) -> int | None:
    """Index of the outline's point nearest to where a and b meet, if blur explains the rest."""
    first, last = between
    if min(a.n, b.n) < last - first:
        return None
    run = z[first : last + 1]
    for at in _meetings(a, b):
        turn = _turn_at(a, b, at)
        ahead = dot(a.tangent(at), at - complex(run[0])) > -1
        behind = dot(b.tangent(at), complex(run[-1]) - at) > -1
        if math.pi - abs(turn) < math.radians(LEAST_INNER_DEG) or not (ahead and behind):
            continue
        gaps = np.abs(run - at)
        if float(gaps.min()) <= 1.25 * sight.retreat(turn) + 0.25:
            return first + int(np.argmin(gaps))
    return None


def _tidied(pieces: list[_Piece], z: Complexes, sight: _Sight) -> list[_Piece]:
    """The pieces without slivers and needless breaks, short lines turned to their fellows."""
    pieces = _without_slivers(pieces, z, sight)
    return _turned(_bent(_merged(pieces, z, sight), z, sight), sight)


def _merged(pieces: list[_Piece], z: Complexes, sight: _Sight) -> list[_Piece]:
    """Neighbours that are one line within the noise made one."""
    sums = _Sums(z)
    out = pieces[:1]
    for piece in pieces[1:]:
        before = out[-1]
        if before.sagitta < FLAT_PX and piece.sagitta < FLAT_PX:
            whole = _laid(sums, z, before.first, piece.last, sight, is_line=True)
            ends = abs(math.degrees(_turn_at(before, piece, complex(z[piece.first]))))
            run = z[whole.first + sight.trim : whole.last - sight.trim + 1]
            if ends < MERGE_TURN_DEG and len(run) > 2:
                off = np.abs(((run - whole.anchor) * whole.direction.conjugate()).imag)
                if float(np.sqrt(np.mean(off**2))) < max(2.5 * sight.sigma, 0.15):
                    out[-1] = whole
                    continue
        out.append(piece)
    return out


def _bent(pieces: list[_Piece], z: Complexes, sight: _Sight) -> list[_Piece]:
    """The pieces, with lines that are only the flat part of a curve made arcs.

    Such a line flows into a curve that bends the way its own points do.
    """
    sums = _Sums(z)
    out = list(pieces)
    for k, piece in enumerate(pieces):
        beside = [
            other
            for other in (*pieces[max(0, k - 1) : k], *pieces[k + 1 : k + 2])
            if not other.is_line and _flows(other, piece, z)
        ]
        if not piece.is_line or not beside:
            continue
        arc = _laid(sums, z, piece.first, piece.last, sight, is_line=False)
        alike = all(arc.radius * other.radius > 0 for other in beside)
        if arc.is_line or not alike or arc.sagitta < LEAST_SAGITTA_PX:
            continue
        trim = max(0, min(sight.trim, (piece.n - 3) // 2))
        run = z[piece.first + trim : piece.last - trim + 1]
        straight = float(np.mean(np.abs(run - piece.on(run)) ** 2))
        round_ = float(np.mean(np.abs(run - arc.on(run)) ** 2))
        tightest = min(abs(other.radius) for other in beside)
        if straight > BENT_RATIO * round_ and abs(arc.radius) < 12 * tightest:
            out[k] = arc
    return out


def _flows(a: _Piece, b: _Piece, z: Complexes) -> bool:
    """True where two neighbours, in either order, meet without a corner."""
    at = complex(z[max(a.first, b.first)])
    return abs(math.degrees(_turn_at(a, b, at))) < SMOOTH_TURN_DEG


def _turned(pieces: list[_Piece], sight: _Sight) -> list[_Piece]:
    """Lines whose own points don't tell their direction well given that of longer ones.

    Only those that are parallel or square to them within what their own points leave open; a
    serif's end is ten points long and wavers by a degree, the stem beside it doesn't.
    """
    lines = [k for k, p in enumerate(pieces) if p.is_line]
    if len(lines) < 2:
        return pieces
    angle = np.array(
        [math.atan2(pieces[k].direction.imag, pieces[k].direction.real) for k in lines]
    )
    n = np.array([max(2.0, pieces[k].n - 2 * sight.trim) for k in lines])
    open_rad = np.minimum(0.1, sight.sigma * np.sqrt(12 * CORRELATION_PX / n**3) + 0.05 / n)
    quarter = np.pi / 2
    away = angle[:, None] - angle[None, :]
    away -= quarter * np.round(away / quarter)
    better = open_rad[None, :] < 0.6 * open_rad[:, None]
    alike = np.abs(away) < np.minimum(2.5 * open_rad[:, None] + 0.003, math.radians(4))
    weight = np.where(better & alike, 1 / open_rad[None, :] ** 2, 0.0)
    total = weight.sum(axis=1)
    turn = (weight * away).sum(axis=1) / np.maximum(total, 1e-12)
    out = list(pieces)
    for k, by, sure in zip(lines, turn, total, strict=True):
        if sure > 0:
            direction = pieces[k].direction * complex(math.cos(by), -math.sin(by))
            out[k] = replace(pieces[k], direction=direction)
    return out


def _joint(a: _Piece, b: _Piece, z: Complexes, sight: _Sight) -> _Joint:
    """How piece a goes over into piece b."""
    index = b.first
    here = complex(z[index])
    turn = abs(math.degrees(_turn_at(a, b, here)))
    if not (a.is_line or b.is_line) and turn < _smooth_arcs_deg(a, b, sight):
        return _Joint(index, here, unit(a.tangent(here) + b.tangent(here)), is_inside=True)
    if a.is_line != b.is_line and turn < SMOOTH_TURN_DEG:
        line = a if a.is_line else b
        return _Joint(index, line.project(here), line.direction)
    at = None if _is_tight(here, sight) else _corner(a, b, z, index, sight)
    if at is None:
        at = _notch(a, b, z, index, sight)
    return _Joint(index, at, None)


def _is_tight(at: complex, sight: _Sight) -> bool:
    return any(abs(at - place) < 5 * sight.blur + 2 for place in sight.tight)


def _smooth_arcs_deg(a: _Piece, b: _Piece, sight: _Sight) -> float:
    """Turning up to which two arcs are one curve; tight ones turn within the trimmed points."""
    return SMOOTH_ARCS_DEG + math.degrees(
        0.6 * sight.trim * (1 / abs(a.radius) + 1 / abs(b.radius))
    )


def _notch(a: _Piece, b: _Piece, z: Complexes, index: int, sight: _Sight) -> complex:
    """Where two pieces that don't meet nearby go over: where the outline turns most."""
    reach = max(3, math.ceil(2 * sight.blur))
    around = _near(z, index, 3 * reach)
    turns = _turning(around, reach, is_closed=False)
    turns[: 2 * reach] = turns[-2 * reach :] = 0
    at = complex(around[int(np.argmax(turns))])
    if a.is_line and b.is_line:
        return (a.project(at) + b.project(at)) / 2
    if a.is_line or b.is_line:
        return (a if a.is_line else b).project(at)
    return at


def _inner_joints(pieces: list[_Piece], z: Complexes, sight: _Sight) -> list[_Joint]:
    return [_joint(a, b, z, sight) for a, b in pairwise(pieces)]


# ------------------------------------------------------------------------------- assembly


def _assembled(
    pieces: list[_Piece], joints: list[_Joint], z: Complexes, sight: _Sight
) -> list[Segment]:
    """The segments: lines from joint to joint, curves fitted over whole runs of arcs."""
    out: list[Segment] = []
    k = 0
    while k < len(pieces):
        start = joints[k]
        if pieces[k].is_line:
            out.append(Line(start.point, joints[k + 1].point, sight.kind))
            k += 1
            continue
        first = k
        while k + 1 < len(pieces) and joints[k + 1].is_inside and not pieces[k + 1].is_line:
            k += 1
        out += _curve(pieces[first : k + 1], start, joints[k + 1], z, sight)
        k += 1
    return [s for s in out if s.length > 1e-6]


def _curve(
    arcs: list[_Piece], start: _Joint, end: _Joint, z: Complexes, sight: _Sight
) -> tuple[Segment, ...]:
    """Smooth cubics over a run of arcs; near a corner the arc tells where the edge ran."""
    first, last = arcs[0].first, arcs[-1].last
    skip = max(0, min(sight.trim, (last - first - 4) // 2))
    a = skip if start.tangent is None else min(1, skip)
    b = skip if end.tangent is None else min(1, skip)
    run = z[first + a : last - b + 1]
    head = _carried(arcs[0], start.point, complex(run[0])) if a > 1 else np.zeros(0, complex)
    tail = _carried(arcs[-1], complex(run[-1]), end.point) if b > 1 else np.zeros(0, complex)
    track = np.concatenate([[start.point], head, run, tail, [end.point]])
    return curves.fit_run(
        to_points(_forward(track)),
        sigma=sight.sigma,
        tolerance=sight.tolerance,
        start_tangent=start.tangent,
        end_tangent=end.tangent,
        kind=sight.kind,
    )


def _carried(arc: _Piece, start: complex, end: complex) -> Complexes:
    """Points about a pixel apart on an arc, between two places near it, ends left out."""
    n = int(abs(end - start))
    between = start + (end - start) * np.arange(1, n) / max(n, 1)
    out = between - arc.anchor
    return np.asarray(arc.anchor + out / np.abs(out) * abs(arc.radius), np.complex128)


def _forward(track: Complexes) -> Complexes:
    """The track without points that repeat the one before."""
    keep = np.abs(np.diff(track)) > 1e-3
    keep[-1] = True
    out = track[np.concatenate([[True], keep])]
    if len(out) > 2 and abs(out[-1] - out[-2]) <= 1e-3:
        out = np.delete(out, -2)
    return np.asarray(out, np.complex128)


# ------------------------------------------------------------------------------- closed outlines


def _circle(z: Complexes, sight: _Sight) -> Path | None:
    """Two half circles, where the whole outline is one within its noise."""
    centre, radius = _Sums(z).circle(0, len(z) - 1)
    if not math.isfinite(radius):
        return None
    off = np.abs(np.abs(z - centre) - radius)
    if float(off.max()) > max(4 * sight.sigma, 0.2) or float(off.mean()) > 1.5 * sight.sigma:
        return None
    sweep = math.copysign(
        math.pi, float(np.sum(np.angle((np.roll(z, -1) - centre) / (z - centre))))
    )
    west, east = centre - radius, centre + radius
    return Path((Arc(west, centre, sweep, sight.kind), Arc(east, centre, sweep, sight.kind)), True)


def _fit_closed(z: Complexes, sight: _Sight) -> Path:
    """One attempt at a closed outline."""
    reach = max(3, math.ceil(2 * sight.blur))
    turns = _turning(z, reach, is_closed=True)
    sharpest = int(np.argmax(turns))
    z = np.roll(z, -sharpest)
    pieces = _pieces(np.append(z, z[0]), sight)
    if turns[sharpest] < math.radians(40) and len(pieces) > 1:
        # no corner to start from: start again where the first attempt found a break
        middle = pieces[len(pieces) // 2].first
        z = np.roll(z, -middle)
        pieces = _pieces(np.append(z, z[0]), sight)
    track = np.append(z, z[0])
    pieces = _tidied(pieces, track, sight)
    if len(pieces) == 1:
        return _loose(z, sight)
    seam = _joint(pieces[-1], pieces[0], z, sight)
    joints = [seam, *_inner_joints(pieces, z, sight)]
    if all(joint.is_inside for joint in joints):
        return _loose(z, sight)
    # start where something is fixed, so that no run of arcs goes over the seam
    k = next(i for i, joint in enumerate(joints) if not joint.is_inside)
    shift = pieces[k].first
    n = len(z)
    order = [*range(k, len(pieces)), *range(k)]
    moved = [
        replace(
            pieces[i],
            first=(pieces[i].first - shift) % n,
            last=(pieces[i].last - shift - 1) % n + 1,
        )
        for i in order
    ]
    around = [*(joints[i] for i in order), joints[k]]
    rolled = np.roll(z, -shift)
    segments = _assembled(moved, around, np.append(rolled, rolled[0]), sight)
    return Path(tuple(segments), True) if segments else _loose(z, sight)


def _loose(z: Complexes, sight: _Sight) -> Path:
    """Smooth cubics all round, as for flowing art, as close as the noise allows."""
    return curves.fit_closed(
        to_points(z), sigma=sight.sigma, tolerance=sight.tolerance, kind=sight.kind
    )


def _excess(path: Path, z: Complexes, sight: _Sight) -> float:
    """How far the path leaves the outline beyond what blur and noise explain; <= 0 is well."""
    from scipy.spatial import cKDTree

    flat = _sampled(path)
    allowed = max(sight.tolerance, 4 * sight.sigma, 0.5)
    tips = cKDTree(to_points(np.array([s.start for s in path])))
    there = cKDTree(to_points(z)).query(to_points(flat))[0]
    back = cKDTree(to_points(flat)).query(to_points(z))[0]
    at_tip = tips.query(to_points(flat))[0] < 8 * sight.blur
    by_tip = tips.query(to_points(z))[0] < 3 * sight.blur
    # right at a corner the fit lies outside by the retreat, which the corner's limit has checked
    out = float(np.max(there - np.where(at_tip, 9.6 * sight.blur, 0.0)))
    home = float(np.max(back - np.where(by_tip, 1.6 * sight.blur, 0.0)))
    return max(out, home) - allowed - 0.5


def _sampled(path: Path) -> Complexes:
    """Points on the path, at most half a pixel apart."""
    parts = [
        s.points_at(np.arange(n := max(2, math.ceil(2 * s.length))) / n) for s in path.segments
    ]
    return np.asarray(np.concatenate(parts), np.complex128)
