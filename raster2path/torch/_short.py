"""Straight pieces too short for a hand: left out where their neighbours can do without."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace

import numpy as np

from raster2path.geometry import Arc, Complexes, Cubic, Line, Path, Segment, cross, dot
from raster2path.torch._chain import arc_between
from raster2path.torch._refit import one_cubic

SHORTEST_LINE_MM = 1.0
"""A shorter straight piece is no help to a hand."""

NUDGES_MM = (0.0, 0.03, 0.06, 0.12, 0.2)
"""So far into the drop may a meeting point be moved so that both neighbours keep off the metal."""

MOST_ASIDE_MM = 0.25
"""A straight neighbour's end is moved sideways by no more: a letter's stem stays upright."""

MOST_ASIDE_BENT_MM = 0.5
"""The same for a bent neighbour: half the longest piece that is left out."""

SMOOTH_COS = float(np.cos(np.radians(20)))
"""A short piece is taken into a cubic that it meets at less of an angle."""

LOOKED_AT = np.linspace(0, 1, 17)

Keeps = Callable[[Complexes], bool]
"""Whether a line through points keeps its distance."""


def without_short_lines(path: Path, keeps: Keeps) -> Path:
    """The path less straight pieces under a millimetre, where neighbours can do without."""
    segments = list(path.segments)
    k = 0
    while k < len(segments) and len(segments) > 3:
        line = segments[k]
        if isinstance(line, Line) and line.length < SHORTEST_LINE_MM and not line.is_tie_side:
            a, b = segments[k - 1], segments[(k + 1) % len(segments)]
            found = next((pair for pair in _pairs(a, line, b) if _clear(pair, keeps)), None)
            if found is not None:
                segments[k - 1], segments[(k + 1) % len(segments)] = found
                del segments[k]
                continue
        k += 1
    return path if len(segments) == len(path) else Path(tuple(segments), True)


def _clear(pair: tuple[Segment, Segment], keeps: Keeps) -> bool:
    return keeps(np.concatenate([piece.points_at(LOOKED_AT) for piece in pair]))


def _pairs(a: Segment, line: Line, b: Segment) -> Iterator[tuple[Segment, Segment]]:
    """What a and b may become without the short line between them, best first."""
    if isinstance(b, Cubic) and dot(line.tangent(0), b.tangent(0)) > SMOOTH_COS:
        longer = one_cubic(line, b)
        if longer is not None:
            yield a, longer
    if isinstance(a, Cubic) and dot(a.tangent(1), line.tangent(0)) > SMOOTH_COS:
        longer = one_cubic(a, line)
        if longer is not None:
            yield longer, b
    for point in _points(a, line, b):
        if _aside(a, point - a.end) and _aside(b.reversed(), point - b.start):
            yield _ending_at(a, point), _ending_at(b.reversed(), point).reversed()


def _points(a: Segment, line: Line, b: Segment) -> Iterator[complex]:
    """Where a and b may meet instead."""
    middle = line.point(0.5)
    if isinstance(a, Line) and isinstance(b, Line):
        along, other = a.end - a.start, b.end - b.start
        across = cross(along, other)
        if abs(across) > 1e-6 * abs(along) * abs(other):
            tip = a.end + along * (cross(b.start - a.end, other) / across)
            if abs(tip - middle) < 2 * SHORTEST_LINE_MM:
                yield tip
    for nudge in NUDGES_MM:
        for point in (middle, line.start, line.end):
            yield point - 1j * line.tangent(0) * nudge


def _aside(segment: Segment, shift: complex) -> bool:
    """True where moving the segment's end so hardly turns it."""
    most = MOST_ASIDE_MM if isinstance(segment, Line) else MOST_ASIDE_BENT_MM
    return abs(cross(segment.tangent(1), shift)) < most


def _ending_at(segment: Segment, point: complex) -> Segment:
    """The segment with its end moved a little, its start and directions nearly kept."""
    if isinstance(segment, Line):
        return replace(segment, end=point)
    if isinstance(segment, Arc):
        return arc_between(segment, 0.0, 1.0, segment.start, point)
    shift = point - segment.end
    return replace(segment, control2=segment.control2 + shift, end=point)
