"""Straight lines and circular arcs laid on an outline: the cheapest chain of them.

Candidate breaks where the outline turns, and a grid; the shortest path over lines and arcs, each
with its price (description length, Rissanen, Modeling by shortest data description, 1978,
doi:10.1016/0005-1098(78)90005-5); then once more with candidates close round the breaks found.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
import numpy.typing as npt

from raster2path.geometry import Complexes, Kind, cross, dot, unit
from raster2path.shape._sight import correlated

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

TREMOR_PX = 12.0
"""A hand's tremor is alike over about half of its wave."""
LEAST_CORRELATION_PX = 3.0
"""Noise of neighbouring points is alike over about this length, so fewer of them bear witness."""
LINE_PRICE = 8.0
ARC_PRICE = 12.0
MOST_BREAKS = 130
"""Candidates an outline; 260 gave nothing more when measured."""
LEAST_CLEAR = 11
"""A line keeps so many points at least before more is trimmed off its ends."""
LEAST_INNER_DEG = 15.0
"""Sharper than this, blur is not believed to explain an end: thin serif ends would vanish."""
RETREAT = 0.72
"""Blur pulls an apex back by this times blur over tan(half its inner angle); measured."""


@dataclass(frozen=True, slots=True)
class Sight:
    """What is known about an outline before it is fitted.

    Attributes:
        sigma: standard deviation of its noise.
        blur: standard deviation of the edge's blur.
        price: factor on the prices of pieces; less than 1 buys more pieces.
        tight: places where corners stay on the outline, because carried on they would cross.
        is_shaky: True where sigma is a hand's tremor.
        fillet: radius up to which an arc between two lines stands for a corner.
    """

    sigma: float
    blur: float
    tolerance: float
    kind: Kind
    price: float = 1.0
    tight: tuple[complex, ...] = ()
    is_shaky: bool = False
    fillet: float = 0.0

    @property
    def correlation_px(self) -> float:
        """Length over which noise is alike, so that the points within bear witness only once."""
        return TREMOR_PX if self.is_shaky else max(LEAST_CORRELATION_PX, correlated(self.sigma))

    def open_rad(self, n: float) -> float:
        """Standard deviation of the direction of a line through so many points."""
        n = max(2.0, n)
        return min(0.1, self.sigma * math.sqrt(12 * self.correlation_px / n**3) + 0.05 / n)

    @property
    def trim(self) -> int:
        """Points at either end of a piece that blur has moved."""
        return math.ceil(max(2.0, 1.5 * self.blur))

    @property
    def clear(self) -> int:
        """Points at either end of a line that blur has turned even by a hair, or more."""
        return math.ceil(max(2.0, 2.2 * self.blur))

    def retreat(self, turn_rad: float) -> float:
        """How far blur pulls a corner back that turns by so much."""
        half = max((math.pi - abs(turn_rad)) / 2, math.radians(LEAST_INNER_DEG) / 2)
        return RETREAT * self.blur / math.tan(half)


@dataclass(frozen=True, slots=True)
class Piece:
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


_Number = TypeVar("_Number", float, Floats)


def _central(n: _Number, sums: Sequence[_Number]) -> tuple[_Number, ...]:
    """Central moments from plain sums, q meaning the squared distance from the origin or mean."""
    x, y, xx, xy, yy, xq, yq, qq = sums
    m, p = x / n, y / n
    k, q = m * m + p * p, xx + yy
    uu, uv, vv = xx - m * x, xy - m * y, yy - p * y
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
    return n, m, p, uu, uv, vv, uq, vq, qq


class Sums:
    """Running sums over an outline, from which any run's line and circle follow at once.

    Extended precision: the circle needs sums of fourth powers, and small differences of those.
    """

    def __init__(self, z: Complexes) -> None:
        self.z = z
        self.middle = complex(z.mean())
        x, y = (z - self.middle).real, (z - self.middle).imag
        x, y = x.astype(np.longdouble), y.astype(np.longdouble)
        q = x * x + y * y
        each = np.stack([x, y, x * x, x * y, y * y, x * q, y * q, q * q], axis=1)
        self.table = np.concatenate([np.zeros((1, 8), np.longdouble), each.cumsum(axis=0)])

    def moments(self, first: Ints, last: Ints) -> tuple[Floats, ...]:
        """Count, means and central moments n, x, y, uu, uv, vv, uq, vq, qq of points first..last.

        q stands for u * u + v * v, u and v for the distance from the mean.
        """
        sums = self.table.take(last + 1, axis=0) - self.table.take(first, axis=0)
        # Only the sums of a whole outline need the extended precision, not those of its runs.
        n = np.asarray(last - first + 1, np.float64)
        return _central(n, tuple(np.ascontiguousarray(sums.T, np.float64)))

    def moments_of_one(self, first: int, last: int) -> tuple[float, ...]:
        """The same for one run."""
        sums = (self.table[last + 1] - self.table[first]).astype(np.float64).tolist()
        return _central(float(last - first + 1), sums)

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
        _, m, p, uu, uv, vv, *_ = self.moments_of_one(first, last)
        turn = 0.5 * math.atan2(2 * float(uv), float(uu - vv))
        return self.middle + complex(m, p), complex(math.cos(turn), math.sin(turn))

    def circle(self, first: int, last: int) -> tuple[complex, float]:
        """Centre and radius of Kåsa's circle; radius inf where the points lie on a line."""
        n, m, p, uu, uv, vv, uq, vq, _ = self.moments_of_one(first, last)
        det = float(uu * vv - uv * uv)
        if det <= 1e-12 * float(uu + vv) ** 2:
            return 0j, math.inf
        a, b = float(vv * uq - uv * vq) / (2 * det), float(uu * vq - uv * uq) / (2 * det)
        radius = math.sqrt(a * a + b * b + float((uu + vv) / n))
        return self.middle + complex(m + a, p + b), radius


def turning(z: Complexes, reach: int, *, is_closed: bool) -> Floats:
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


def _candidates(z: Complexes, sight: Sight) -> Ints:
    """Where pieces may begin and end: both ends, turning peaks, and a grid between them."""
    n = len(z)
    reach = max(3, math.ceil(2 * sight.blur))
    least = max(math.radians(8), 5 * sight.sigma / reach)
    peaks = _peaks(turning(z, reach, is_closed=False), least, max(1, reach // 2))
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
    sums: Sums, at: Ints, sight: Sight, group: Ints
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
    scale = 1 / (2 * sight.correlation_px * sight.sigma**2)
    straight, round_, radius = sums.errors(first, last)
    line = straight * scale + LINE_PRICE * sight.price
    arc = round_ * scale + ARC_PRICE * sight.price
    arc[(n > 1.2 * math.pi * radius) | (radius < 1.5) | (n < 5)] = np.inf
    table = np.full((m, m), np.inf)
    table[a, b] = np.minimum(line, arc)
    is_line = np.zeros((m, m), bool)
    is_line[a, b] = line <= arc
    return table, is_line


def _shortest(sums: Sums, at: Ints, sight: Sight, group: Ints) -> list[tuple[int, int, bool]]:
    """The cheapest chain of pieces from the first candidate to the last."""
    table, is_line = _prices(sums, at, sight, group)
    to = np.ascontiguousarray(table.T)
    m = len(at)
    cost = np.full(m, np.inf)
    cost[0] = 0.0
    come = [0] * m
    for j in range(1, m):
        via = to[j, :j] + cost[:j]
        come[j] = i = int(via.argmin())
        cost[j] = via[i]
    out = []
    j = m - 1
    while j > 0:
        i = come[j]
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


def pieces_of(sums: Sums, sight: Sight) -> list[Piece]:
    """The lines and arcs of an open track, in order, first to last point."""
    z = sums.z
    at = _candidates(z, sight)
    rough = _shortest(sums, at, sight, np.zeros(len(at), np.int64))
    gap = max(2, int(np.max(np.diff(at))))
    breaks = [b for _, b, _ in rough]
    at = _finer(breaks[:-1], len(z), gap)
    # a break may move or go, so a piece may reach to the candidates of the next but one
    middles = (np.array([0, *breaks[:-1]]) + np.array(breaks)) / 2
    fine = _shortest(sums, at, sight, np.searchsorted(middles, at).astype(np.int64))
    return [laid(sums, a, b, sight, is_line=is_line) for a, b, is_line in fine]


def laid(sums: Sums, first: int, last: int, sight: Sight, *, is_line: bool) -> Piece:
    """The line or arc through points first to last, blur's zone at both ends left out."""
    z = sums.z
    trim = max(0, min(sight.trim, (last - first - 3) // 2))
    a, b = first + trim, last - trim
    if not is_line:
        centre, radius = sums.circle(a, b)
        if radius < 1e5:
            chord = z[last] - z[first]
            middle = z[(first + last) // 2] - (z[first] + z[last]) / 2
            # the arc bulges away from its centre; to the left of travel it runs clockwise
            side = cross(chord, middle)
            return Piece(first, last, centre, 0j, math.copysign(radius, -side))
    trim = max(trim, min(sight.clear, (last - first - LEAST_CLEAR) // 2))
    anchor, direction = sums.line(first + trim, last - trim)
    if dot(direction, complex(z[last] - z[first])) < 0:
        direction = -direction
    return Piece(first, last, anchor, direction, 0.0)
