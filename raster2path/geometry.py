"""Plane geometry on points and fitted paths; knows nothing of ink, signs or torches.

One point is a complex number x + iy, many points are a float64 array of shape (n, 2). y grows
**down**, as on the picture, on the sheet and in SVG; so a quarter turn to the right, as seen, is
multiplication by +1j, and a ring with positive area runs clockwise, as seen. Lengths are in
whatever unit the points are in; nearly always that is millimetres.
"""

from __future__ import annotations

import cmath
import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from enum import IntEnum

import numpy as np
import numpy.typing as npt

Points = npt.NDArray[np.float64]
Complexes = npt.NDArray[np.complex128]

FLATNESS = 0.01
"""How far, at most, a flattened path lies from the curve, in the path's unit."""


class Kind(IntEnum):
    """What a piece of edge is, and so how strictly it is fitted."""

    ORGANIC = 0
    LETTERING = 1
    GEOMETRIC = 2

    @property
    def token(self) -> str:
        """The class token in files."""
        return self.name.lower()


def to_complex(points: npt.ArrayLike) -> Complexes:
    """Points (n, 2) as n complex numbers."""
    xy = np.asarray(points, np.float64)
    return xy[:, 0] + 1j * xy[:, 1]


def to_points(numbers: npt.ArrayLike) -> Points:
    """Complex numbers as points (n, 2)."""
    z = np.asarray(numbers, np.complex128)
    return np.column_stack([z.real, z.imag])


def unit(z: complex) -> complex:
    """A number of length one in the same direction; 0 for 0."""
    size = abs(z)
    return z / size if size > 1e-12 else 0j


def cross(a: complex, b: complex) -> float:
    """Z component of a x b: positive where b lies to the right of a, as seen."""
    return (a.conjugate() * b).imag


def dot(a: complex, b: complex) -> float:
    """Inner product of two directions."""
    return (a.conjugate() * b).real


@dataclass(frozen=True, slots=True)
class Line:
    """A straight piece from `start` to `end`."""

    start: complex
    end: complex
    kind: Kind = Kind.ORGANIC
    is_tie_side: bool = False

    def point(self, t: float) -> complex:
        """Where parameter t (0 to 1) lies."""
        return self.start + t * (self.end - self.start)

    def points_at(self, t: npt.ArrayLike) -> Complexes:
        """Where many parameters lie."""
        return np.asarray(self.start + np.asarray(t) * (self.end - self.start), np.complex128)

    def tangent(self, t: float) -> complex:  # noqa: ARG002 (a line has one direction)
        """Direction of travel, length one."""
        return unit(self.end - self.start)

    @property
    def length(self) -> float:
        """Length along the piece."""
        return abs(self.end - self.start)

    def n_steps(self, flatness: float) -> int:  # noqa: ARG002 (one step is exact)
        """Steps in which a polyline stays within `flatness`."""
        return 1

    def between(self, t0: float, t1: float) -> Line:
        """The part from t0 to t1."""
        return replace(self, start=self.point(t0), end=self.point(t1))

    def reversed(self) -> Line:
        """The same piece, travelled the other way."""
        return replace(self, start=self.end, end=self.start)

    def mapped(self, scale: complex, shift: complex) -> Line:
        """The image under z -> scale * z + shift."""
        return replace(self, start=self.start * scale + shift, end=self.end * scale + shift)


@dataclass(frozen=True, slots=True)
class Arc:
    """A circular piece: from `start` round `centre` by `sweep_rad`, positive clockwise as seen."""

    start: complex
    centre: complex
    sweep_rad: float
    kind: Kind = Kind.ORGANIC

    @property
    def end(self) -> complex:
        """Where the arc ends."""
        return self.point(1.0)

    @property
    def radius(self) -> float:
        """Radius of the circle."""
        return abs(self.start - self.centre)

    def point(self, t: float) -> complex:
        """Where parameter t (0 to 1) lies."""
        return self.centre + (self.start - self.centre) * cmath.exp(1j * self.sweep_rad * t)

    def points_at(self, t: npt.ArrayLike) -> Complexes:
        """Where many parameters lie."""
        turn = np.exp(1j * self.sweep_rad * np.asarray(t))
        return np.asarray(self.centre + (self.start - self.centre) * turn, np.complex128)

    def tangent(self, t: float) -> complex:
        """Direction of travel, length one."""
        return unit((self.point(t) - self.centre) * 1j * math.copysign(1.0, self.sweep_rad))

    @property
    def length(self) -> float:
        """Length along the piece."""
        return self.radius * abs(self.sweep_rad)

    def n_steps(self, flatness: float) -> int:
        """Steps in which a polyline stays within `flatness`."""
        least = 2 * math.acos(max(-1.0, 1 - min(1.0, flatness / max(self.radius, 1e-12))))
        return max(2, math.ceil(abs(self.sweep_rad) / max(least, 1e-3)))

    def between(self, t0: float, t1: float) -> Arc:
        """The part from t0 to t1."""
        return replace(self, start=self.point(t0), sweep_rad=self.sweep_rad * (t1 - t0))

    def reversed(self) -> Arc:
        """The same piece, travelled the other way."""
        return replace(self, start=self.end, sweep_rad=-self.sweep_rad)

    def mapped(self, scale: complex, shift: complex) -> Arc:
        """The image under z -> scale * z + shift."""
        return replace(self, start=self.start * scale + shift, centre=self.centre * scale + shift)


@dataclass(frozen=True, slots=True)
class Cubic:
    """A cubic Bezier piece from `start` to `end`."""

    start: complex
    control1: complex
    control2: complex
    end: complex
    kind: Kind = Kind.ORGANIC

    def point(self, t: float) -> complex:
        """Where parameter t (0 to 1) lies."""
        s = 1 - t
        return (
            s**3 * self.start
            + 3 * s * s * t * self.control1
            + 3 * s * t * t * self.control2
            + t**3 * self.end
        )

    def points_at(self, t: npt.ArrayLike) -> Complexes:
        """Where many parameters lie."""
        u = np.asarray(t, np.float64)
        s = 1 - u
        return np.asarray(
            s**3 * self.start
            + 3 * s * s * u * self.control1
            + 3 * s * u * u * self.control2
            + u**3 * self.end,
            np.complex128,
        )

    def velocity(self, t: float) -> complex:
        """First derivative by t."""
        s = 1 - t
        return 3 * (
            s * s * (self.control1 - self.start)
            + 2 * s * t * (self.control2 - self.control1)
            + t * t * (self.end - self.control2)
        )

    def tangent(self, t: float) -> complex:
        """Direction of travel, length one; looks past a control point that sits on its end."""
        v = self.velocity(t)
        size = abs(self.end - self.start) + abs(self.control1 - self.start)
        if abs(v) > 1e-9 * max(size, 1e-9):
            return unit(v)
        ahead = self.point(min(1.0, t + 1e-3)) - self.point(max(0.0, t - 1e-3))
        return unit(ahead)

    @property
    def length(self) -> float:
        """Length along the piece, by Gauss-Legendre quadrature on 16 points."""
        t, weight = _GAUSS
        s = 1 - t
        v = 3 * (
            s * s * (self.control1 - self.start)
            + 2 * s * t * (self.control2 - self.control1)
            + t * t * (self.end - self.control2)
        )
        return float(np.abs(v) @ weight)

    def n_steps(self, flatness: float) -> int:
        """Steps in which a polyline stays within `flatness` (bound on the second derivative)."""
        bend = 6 * max(
            abs(self.start - 2 * self.control1 + self.control2),
            abs(self.control1 - 2 * self.control2 + self.end),
        )
        return max(2, math.ceil(math.sqrt(bend / (8 * flatness))))

    def between(self, t0: float, t1: float) -> Cubic:
        """The part from t0 to t1, exactly (its control points follow from position and speed)."""
        a, b, third = self.point(t0), self.point(t1), (t1 - t0) / 3
        return replace(
            self,
            start=a,
            control1=a + self.velocity(t0) * third,
            control2=b - self.velocity(t1) * third,
            end=b,
        )

    def reversed(self) -> Cubic:
        """The same piece, travelled the other way."""
        return replace(
            self, start=self.end, control1=self.control2, control2=self.control1, end=self.start
        )

    def mapped(self, scale: complex, shift: complex) -> Cubic:
        """The image under z -> scale * z + shift."""
        return replace(
            self,
            start=self.start * scale + shift,
            control1=self.control1 * scale + shift,
            control2=self.control2 * scale + shift,
            end=self.end * scale + shift,
        )


Segment = Line | Arc | Cubic

_nodes, _weights = np.polynomial.legendre.leggauss(16)
_GAUSS = ((_nodes + 1) / 2, _weights / 2)


@dataclass(frozen=True, slots=True)
class Place:
    """A place on a path: which segment, where on it, and how far it is from what was asked."""

    index: int
    t: float
    point: complex
    distance: float


def _flattened(segments: Sequence[Segment], flatness: float) -> Complexes:
    """Points along segments, `n_steps` on each, its end left to the next; cubics all at once."""
    counts = np.array([segment.n_steps(flatness) for segment in segments])
    begin = np.cumsum(counts) - counts
    out = np.empty(int(counts.sum()), np.complex128)
    curved: list[int] = []
    controls: list[tuple[complex, complex, complex, complex]] = []
    for k, segment in enumerate(segments):
        if isinstance(segment, Cubic):
            curved.append(k)
            controls.append((segment.start, segment.control1, segment.control2, segment.end))
        elif counts[k] == 1:
            out[begin[k]] = segment.start
        else:
            out[begin[k] : begin[k] + counts[k]] = segment.points_at(
                np.arange(counts[k]) / counts[k]
            )
    if curved:
        n = counts[curved]
        step = np.arange(int(n.sum())) - np.repeat(np.cumsum(n) - n, n)
        t = step / np.repeat(n, n)
        u = 1 - t
        own = np.repeat(np.array(controls), n, axis=0)
        out[np.repeat(begin[curved], n) + step] = (
            u**3 * own[:, 0]
            + 3 * u * u * t * own[:, 1]
            + 3 * u * t * t * own[:, 2]
            + t**3 * own[:, 3]
        )
    return out


@dataclass(frozen=True, slots=True)
class Path:
    """Segments end to end; where `is_closed`, the last ends exactly where the first starts."""

    segments: tuple[Segment, ...]
    is_closed: bool
    _flats: dict[float, Points] = field(default_factory=dict, init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        if not self.segments:
            raise ValueError("expected one segment or more, not none")

    def __iter__(self) -> Iterator[Segment]:
        return iter(self.segments)

    def __len__(self) -> int:
        return len(self.segments)

    @property
    def start(self) -> complex:
        """Where the path starts."""
        return self.segments[0].start

    @property
    def end(self) -> complex:
        """Where the path ends."""
        return self.segments[-1].end

    @property
    def length(self) -> float:
        """Length along the path."""
        return sum(segment.length for segment in self.segments)

    def flat(self, flatness: float = FLATNESS) -> Points:
        """A polyline (n, 2) within `flatness` of the path, not to be written to.

        The first point of a closed path is not repeated at the end; an open path has both ends.
        """
        if flatness not in self._flats:
            z = _flattened(self.segments, flatness)
            flat = to_points(z if self.is_closed else np.append(z, self.end))
            flat.setflags(write=False)
            self._flats[flatness] = flat
        return self._flats[flatness]

    @property
    def area(self) -> float:
        """Signed area of a closed path: positive where it runs clockwise, as seen."""
        return signed_area(self.flat())

    @property
    def kind(self) -> Kind:
        """The kind with more of the length; tie sides do not vote."""
        votes = dict.fromkeys(Kind, 0.0)
        for segment in self.segments:
            if not getattr(segment, "is_tie_side", False):
                votes[segment.kind] += segment.length
        return max(Kind, key=lambda kind: votes[kind])

    def bounds(self) -> tuple[float, float, float, float]:
        """Smallest box round the path: x0, y0, x1, y1 (to flattening accuracy)."""
        x0, y0, x1, y1 = bounds_of(self.flat(FLATNESS / 10))
        return x0, y0, x1, y1

    def reversed(self) -> Path:
        """The same path, travelled the other way."""
        return Path(tuple(s.reversed() for s in reversed(self.segments)), self.is_closed)

    def mapped(self, scale: complex = 1, shift: complex = 0) -> Path:
        """The image under z -> scale * z + shift."""
        return Path(tuple(s.mapped(scale, shift) for s in self.segments), self.is_closed)

    def nearest(self, point: complex) -> Place:
        """The place on the path nearest to a point, to about 1e-6 of the segment's length."""
        places = (_nearest_on(s, i, point) for i, s in enumerate(self.segments))
        return min(places, key=lambda place: place.distance)

    def part(self, a: Place, b: Place) -> tuple[Segment, ...]:
        """The segments travelled from place a on to place b (round the end, if closed)."""
        if a.index == b.index and a.t <= b.t:
            return (self.segments[a.index].between(a.t, b.t),)
        if not self.is_closed and (a.index, a.t) > (b.index, b.t):
            raise ValueError(f"place {b} lies before place {a} on an open path")
        n = len(self.segments)
        whole = [(a.index + k) % n for k in range(1, (b.index - a.index) % n or n)]
        out = [self.segments[a.index].between(a.t, 1.0)] if a.t < 1 else []
        out += [self.segments[k] for k in whole]
        if b.t > 0:
            out.append(self.segments[b.index].between(0.0, b.t))
        return tuple(out)


def _nearest_on(segment: Segment, index: int, point: complex) -> Place:
    if isinstance(segment, Line):
        along = segment.end - segment.start
        size = abs(along) ** 2
        t = min(1.0, max(0.0, dot(along, point - segment.start) / size)) if size > 0 else 0.0
        at = segment.point(t)
        return Place(index, t, at, abs(at - point))
    lo, hi = 0.0, 1.0
    t = 0.0
    for n in (25, 9, 9, 9, 9, 9, 9, 9):  # each round narrows by four, or twelve at first
        ts = np.linspace(lo, hi, n)
        gaps = np.abs(segment.points_at(ts) - point)
        k = int(np.argmin(gaps))
        t, lo, hi = float(ts[k]), float(ts[max(0, k - 1)]), float(ts[min(n - 1, k + 1)])
    at = segment.point(t)
    return Place(index, t, at, abs(at - point))


def signed_area(points: Points) -> float:
    """Area of a ring (n, 2) by the shoelace formula: positive where it runs clockwise, as seen."""
    x, y = points[:, 0], points[:, 1]
    return 0.5 * float(np.dot(x, np.roll(y, -1)) - np.dot(np.roll(x, -1), y))


def bounds_of(points: Points) -> tuple[float, float, float, float]:
    """Smallest box round points (n, 2): x0, y0, x1, y1."""
    (x0, y0), (x1, y1) = points.min(axis=0), points.max(axis=0)
    return float(x0), float(y0), float(x1), float(y1)


def polygon(points: Iterable[complex], kind: Kind = Kind.GEOMETRIC) -> Path:
    """A closed path of straight pieces through the corners given."""
    corners = list(points)
    ends = [*corners[1:], corners[0]]
    return Path(tuple(Line(a, b, kind) for a, b in zip(corners, ends, strict=True)), True)


def circle(centre: complex, radius: float, kind: Kind = Kind.GEOMETRIC) -> Path:
    """A closed path of two half circles, clockwise as seen."""
    west, east = centre - radius, centre + radius
    return Path((Arc(west, centre, math.pi, kind), Arc(east, centre, math.pi, kind)), True)


def joined(segments: Sequence[Segment], *, is_closed: bool, gap: float = 1e-9) -> Path:
    """A path of the segments, those shorter than `gap` left out."""
    kept = tuple(s for s in segments if s.length > gap)
    return Path(kept or tuple(segments[:1]), is_closed)
