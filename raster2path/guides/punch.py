"""Where a prick punch goes: marks that survive glare and heat, when chalk and ink burn off.

One on every corner, on both ends of a straight, at every pierce and rest, and where a cut turns at
a tie;
along a curve one every 15 to 20 mm. None along a straight: a bar laid through its two ends finds
it. Prick-punching a layout line is shop practice; the distances are ours (common practice, no
source).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Self

import numpy as np
import numpy.typing as npt

from raster2path.geometry import Complexes, Line, Path, Segment, dot, to_complex
from raster2path.model import CutOrder

Floats = npt.NDArray[np.float64]

WIDEST_MM = 20.0
"""Between two marks along a curve."""

WIDEST_TURN_RAD = math.radians(100)
"""Small rounds have marks closer, so that four show a circle."""

LEAST_STRAIGHT_MM = 8.0
"""A shorter straight piece belongs to the curve that it lies in."""

BAR_MM = 60.0
BAR_OFF_MM = 0.15
"""A line as long as this that leaves its chord by no more is a straight, however it is drawn."""

CORNER_RAD = math.radians(20)
BEND_MM = 4.0
BEND_RAD = math.radians(50)
BEND_STEP_MM = 0.25
"""A line that turns so far within so little is a corner, however it is rounded."""

CLOSE_MM = 4.0
"""Nearer than this, two marks on one line are one."""

TIE_REACH_MM = 4.0
"""Beyond half the kerf: where a tie's corner has its torch line."""

SECONDS_A_MARK = 4.0
"""Find, set, tap, next (common practice, no source)."""

_FLAT_MM = 0.02


@dataclass(frozen=True, slots=True)
class Punch:
    """All marks of a job.

    Attributes:
        marks_mm: where the punch goes, cut by cut in cutting order, along each line.
    """

    marks_mm: tuple[complex, ...]

    @property
    def minutes(self) -> float:
        """How long a hand takes, about."""
        return len(self.marks_mm) * SECONDS_A_MARK / 60

    @property
    def sentence(self) -> str:
        """Count and time, told before anyone begins."""
        n = len(self.marks_mm)
        return f"{n} punch marks, about {max(1, round(self.minutes))} min"


def punch(order: CutOrder) -> Punch:
    """The marks for every torch line of a job, slits included, and for every pierce."""
    corners = np.array([z for tie in order.plan.sign.ties for z in tie.corners], np.complex128)
    reach = order.plan.kerf_mm / 2 + TIE_REACH_MM
    marks: list[complex] = []
    for cut in order.cuts:
        own = [cut.pierce_mm]
        for rest in cut.rests:
            own.append(rest.place_mm)
            own += [rest.restart.start] if rest.restart is not None else []
        if cut.path is not None:
            along = along_line(cut.path)
            own += along
            own += _at_ties(cut.path, corners, reach, known=np.array(along))
        marks += own
    return Punch(tuple(marks))


def along_line(path: Path) -> list[complex]:
    """Marks of one line, in the order of travel."""
    line = _Line.of(path)
    fixed = _fixed(path, line)
    if not len(fixed):
        round_mm = _stepped(line, 0.0, line.length)
        return [line.at(s) for s in round_mm[:-1]]
    ends = np.append(fixed[1:], fixed[0] + line.length) if path.is_closed else fixed[1:]
    out = []
    for first, last in zip(fixed, ends, strict=False):
        out += [line.at(s) for s in _without_straights(line, _stepped(line, first, last))[:-1]]
    if not path.is_closed:
        out.append(path.end)
    return out


@dataclass(frozen=True, slots=True, eq=False)
class _Line:
    """A line flattened: points, and how far along each lies; a closed one goes round twice."""

    z: Complexes
    so_far_mm: Floats
    length: float

    @classmethod
    def of(cls, path: Path) -> Self:
        z = to_complex(path.flat(_FLAT_MM))
        if path.is_closed:
            z = np.concatenate([z, z, z[:1]])
        so_far = np.concatenate([[0.0], np.cumsum(np.abs(np.diff(z)))])
        return cls(z, so_far, float(so_far[-1]) / (2 if path.is_closed else 1))

    def at(self, s: float) -> complex:
        x, y = (np.interp(s, self.so_far_mm, part) for part in (self.z.real, self.z.imag))
        return complex(float(x), float(y))

    def between(self, a: float, b: float) -> Complexes:
        inside = (self.so_far_mm > a) & (self.so_far_mm < b)
        return np.concatenate([[self.at(a)], self.z[inside], [self.at(b)]])


def _fixed(path: Path, line: _Line) -> Floats:
    """How far along the line its corners and the ends of its straights lie, rising."""
    segments = path.segments
    steps = np.array([segment.n_steps(_FLAT_MM) for segment in segments])
    begins = line.so_far_mm[np.cumsum(steps) - steps]
    breaks = [i for i in range(len(segments)) if _is_break(segments[i - 1], segments[i])]
    hard = _merged(begins[breaks], line.length)
    if not path.is_closed:
        inner = hard[(hard > CLOSE_MM) & (hard < line.length - CLOSE_MM)]
        hard = np.array([0.0, *inner, line.length])
    soft = [
        s
        for s in _tight_bends(line, is_closed=path.is_closed)
        if _apart(s, hard, line.length) > CLOSE_MM
    ]
    return np.sort(np.append(hard, soft))


def _merged(places: Floats, length: float) -> Floats:
    """Rising places along a line; two that are close are one, midway: a small fillet's ends."""
    out: list[float] = []
    for s in places:
        if out and s - out[-1] < CLOSE_MM:
            out[-1] = (out[-1] + float(s)) / 2
        else:
            out.append(float(s))
    if len(out) > 1 and out[0] + length - out[-1] < CLOSE_MM:
        out[0] = (out[0] + out.pop() - length) / 2 % length
    return np.array(sorted(out))


def _apart(s: float, others: Floats, length: float) -> float:
    gaps = np.abs(others - s)
    return float(np.minimum(gaps, np.abs(length - gaps)).min(initial=np.inf))


def _is_straight(segment: Segment) -> bool:
    return isinstance(segment, Line) and segment.length >= LEAST_STRAIGHT_MM


def _is_break(before: Segment, after: Segment) -> bool:
    """A corner, or a straight's end."""
    if _is_straight(before) or _is_straight(after):
        return True
    turn = dot(before.tangent(1.0), after.tangent(0.0))
    return turn < math.cos(CORNER_RAD)


def _tight_bends(line: _Line, *, is_closed: bool) -> list[float]:
    """Corners that are rounded by less than a hand can follow: where the line turns most."""
    n = math.ceil(line.length / BEND_STEP_MM)
    reach = round(BEND_MM / 2 / BEND_STEP_MM)
    if n < 4 * reach:
        return []
    s = line.length * np.arange(n) / n
    z = np.interp(s, line.so_far_mm, line.z.real) + 1j * np.interp(s, line.so_far_mm, line.z.imag)
    turn = np.abs(np.angle((np.roll(z, -reach) - z) * np.conj(z - np.roll(z, reach))))
    if not is_closed:
        turn[:reach] = turn[-reach:] = 0.0
    turn[np.abs(np.roll(z, -reach) - z) < 1e-9] = 0.0
    out: list[float] = []
    for k in np.argsort(-turn, kind="stable"):
        if turn[k] < BEND_RAD:
            break
        if _apart(float(s[k]), np.array(out), line.length) > BEND_MM:
            out.append(float(s[k]))
    return out


def _stepped(line: _Line, first: float, last: float) -> Floats:
    """Places along a piece of line, both ends included, evenly and close enough for a curve."""
    length = last - first
    turned = _turned(line.between(first, last))
    n = max(
        math.ceil(length / WIDEST_MM - 1e-6),
        min(math.ceil(turned / WIDEST_TURN_RAD - 1e-3), int(length / CLOSE_MM)),
        1,
    )
    return np.asarray(np.linspace(first, last, n + 1), np.float64)


def _without_straights(line: _Line, places: Floats) -> list[float]:
    """The places less those that a bar would find, longest bars first; both ends stay."""
    if _is_bar(line, places[0], places[-1], 0.0):
        return [float(places[0]), float(places[-1])]
    last = len(places) - 1
    for n_steps in range(last - 1, 1, -1):
        for k in range(last - n_steps + 1):
            if _is_bar(line, places[k], places[k + n_steps], BAR_MM):
                before = _without_straights(line, places[: k + 1]) if k else [float(places[0])]
                rest = places[k + n_steps :]
                after = _without_straights(line, rest) if len(rest) > 1 else [float(rest[0])]
                return before + after
        if (n_steps - 1) * (places[1] - places[0]) < BAR_MM:
            break
    return [float(s) for s in places]


def _is_bar(line: _Line, a: float, b: float, least_mm: float) -> bool:
    """Whether a straight bar from a to b covers the line between them."""
    if b - a < least_mm:
        return False
    trim = min(CLOSE_MM / 2, (b - a) / 8)  # a corner's own fillet does not bend a straight
    a, b = a + trim, b - trim
    z = line.between(a, b)
    chord = z[-1] - z[0]
    if abs(chord) < 0.99 * (b - a):
        return False
    off = np.abs(((z - z[0]) * np.conj(chord)).imag) / abs(chord)
    return bool(off.max() <= BAR_OFF_MM)


def _turned(flat: Complexes) -> float:
    """How far a polyline turns in all, in radians."""
    steps = np.diff(flat)
    steps = steps[np.abs(steps) > 1e-9]
    return float(np.abs(np.angle(steps[1:] / steps[:-1])).sum())


def _at_ties(path: Path, corners: Complexes, reach: float, *, known: Complexes) -> list[complex]:
    """The line's places beside the corners of ties, where there is no mark yet."""
    flat = to_complex(path.flat(_FLAT_MM))
    low = complex(flat.real.min(), flat.imag.min()) - reach * (1 + 1j)
    high = complex(flat.real.max(), flat.imag.max()) + reach * (1 + 1j)
    near = corners[
        (corners.real > low.real)
        & (corners.imag > low.imag)
        & (corners.real < high.real)
        & (corners.imag < high.imag)
    ]
    out: list[complex] = []
    for corner in near:
        place = path.nearest(complex(corner))
        others = np.append(known, out)
        if place.distance <= reach and np.abs(others - place.point).min(initial=np.inf) > CLOSE_MM:
            out.append(place.point)
    return out
