"""Where a prick punch goes: marks that survive glare and heat, when chalk and ink burn off.

One on every corner, on both ends of a straight, at every pierce and where a cut turns at a tie;
along a curve one every 15 to 20 mm. None along a straight: a bar laid through its two ends finds
it. Prick-punching a layout line is shop practice; the distances are ours (common practice, no
source).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np

from raster2path.geometry import Complexes, Line, Path, Segment, dot, to_complex
from raster2path.model import CutOrder

WIDEST_MM = 20.0
"""Between two marks along a curve."""

WIDEST_TURN_RAD = math.radians(100)
"""Small rounds have marks closer, so that four show a circle."""

LEAST_STRAIGHT_MM = 8.0
"""A shorter straight piece belongs to the curve that it lies in."""

CORNER_RAD = math.radians(20)
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
        if cut.path is not None:
            along = along_line(cut.path)
            own += along
            own += _at_ties(cut.path, corners, reach, known=np.array(along))
        marks += own
    return Punch(tuple(marks))


def along_line(path: Path) -> list[complex]:
    """Marks of one line, in the order of travel."""
    runs = list(_runs(path))
    out: list[complex] = []
    for run, has_start, is_straight in runs:
        if has_start:
            out.append(run[0].start)
        if not is_straight:
            out += _inside(run, is_round=not has_start)
    if not path.is_closed:
        out.append(path.end)
    return _thinned(out)


def _runs(path: Path) -> Iterator[tuple[tuple[Segment, ...], bool, bool]]:
    """Pieces between fixed marks: the segments, whether a mark stands at their start, straight?

    Only a round without any corner or straight has no mark at its start.
    """
    segments = path.segments
    n = len(segments)
    breaks = [i for i in range(n) if _is_break(segments[i - 1], segments[i])]
    if not path.is_closed:
        breaks = sorted({0, *breaks})
    if not breaks:
        yield segments, False, False
        return
    ends = [*breaks[1:], breaks[0] + n] if path.is_closed else [*breaks[1:], n]
    for first, last in zip(breaks, ends, strict=True):
        run = tuple(segments[k % n] for k in range(first, last))
        yield run, True, all(map(_is_straight, run))


def _is_straight(segment: Segment) -> bool:
    return isinstance(segment, Line) and segment.length >= LEAST_STRAIGHT_MM


def _is_break(before: Segment, after: Segment) -> bool:
    """A corner, or a straight's end."""
    if _is_straight(before) or _is_straight(after):
        return True
    turn = dot(before.tangent(1.0), after.tangent(0.0))
    return turn < math.cos(CORNER_RAD)


def _inside(run: tuple[Segment, ...], *, is_round: bool) -> list[complex]:
    """Marks along a curve between its ends, evenly; a round also has one where it starts."""
    flat = to_complex(Path(run, is_closed=False).flat(_FLAT_MM))
    steps = np.abs(np.diff(flat))
    so_far = np.concatenate([[0.0], np.cumsum(steps)])
    turned = _turned(flat)
    n = max(
        math.ceil(so_far[-1] / WIDEST_MM - 1e-9),
        min(math.ceil(turned / WIDEST_TURN_RAD), int(so_far[-1] / CLOSE_MM)),
        1,
    )
    wanted = so_far[-1] * np.arange(0 if is_round else 1, n) / n
    at = np.interp(wanted, so_far, flat.real) + 1j * np.interp(wanted, so_far, flat.imag)
    return [complex(z) for z in at]


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


def _thinned(marks: Iterable[complex]) -> list[complex]:
    """Without a mark that has the one before it closer than a punch is wide."""
    out: list[complex] = []
    for mark in marks:
        if not out or abs(mark - out[-1]) >= CLOSE_MM / 2:
            out.append(mark)
    return out
