"""Where a straight line meets a segment, be it a line, an arc or a cubic: exactly, in order."""

from __future__ import annotations

import math

from raster2path.geometry import Arc, Line, Segment, cross, unit


def meetings_with(segment: Segment, origin: complex, along: complex) -> list[float]:
    """Parameters at which a segment meets the infinite line through `origin`, in order, exactly.

    Line and line by ratio, line and circle by a quadratic, line and cubic by the roots of the
    cubic's distance from the line.
    """
    if isinstance(segment, Line):
        a, b = cross(along, segment.start - origin), cross(along, segment.end - origin)
        return [a / (a - b)] if a * b <= 0 and a != b else []
    if isinstance(segment, Arc):
        return _meetings_with_arc(segment, origin, along)
    control = (segment.start, segment.control1, segment.control2, segment.end)
    d0, d1, d2, d3 = (cross(along, z - origin) for z in control)
    if min(d0, d1, d2, d3) > 0 or max(d0, d1, d2, d3) < 0:
        return []
    powers = (d3 - 3 * d2 + 3 * d1 - d0, 3 * (d2 - 2 * d1 + d0), 3 * (d1 - d0), d0)
    scale = max(abs(p) for p in powers)
    if scale == 0:
        return []
    return _roots(*powers)


def _roots(a: float, b: float, c: float, d: float) -> list[float]:
    """Where a t^3 + b t^2 + c t + d is 0 for t from 0 to 1, in order.

    Between its turning points the cubic runs one way, so that there a sign tells of one root.
    """
    stops = [0.0, *_turns(3 * a, 2 * b, c), 1.0]
    values = [((a * t + b) * t + c) * t + d for t in stops]
    found: list[float] = []
    for low, high, at_low, at_high in zip(stops, stops[1:], values, values[1:], strict=False):
        if at_low * at_high > 0 or (at_low == 0 and found and found[-1] == low):
            continue
        found.append(_root_between((a, b, c, d), (low, high), (at_low, at_high)))
    return found


def _turns(a: float, b: float, c: float) -> list[float]:
    """Where a t^2 + b t + c is 0 for t between 0 and 1, in order."""
    under = b * b - 4 * a * c
    if under <= 0 and a != 0:
        return []
    q = -(b + math.copysign(math.sqrt(max(under, 0.0)), b)) / 2
    both = ([q / a] if a != 0 else []) + ([c / q] if q != 0 else [])
    return sorted(t for t in both if 0 < t < 1)


def _root_between(
    powers: tuple[float, float, float, float],
    ends: tuple[float, float],
    values: tuple[float, float],
) -> float:
    """The root of a cubic between two places of unlike sign: Newton's steps, or halving."""
    (a, b, c, d), (low, high), (at_low, at_high) = powers, ends, values
    if at_low == 0 or at_high == 0:
        return low if at_low == 0 else high
    t = low + (high - low) * at_low / (at_low - at_high)
    for _ in range(60):
        value = ((a * t + b) * t + c) * t + d
        if (value > 0) == (at_high > 0):
            high = t
        else:
            low = t
        slope = (3 * a * t + 2 * b) * t + c
        ahead = t - value / slope if slope != 0 else math.inf
        after = ahead if low < ahead < high else (low + high) / 2
        if abs(after - t) < 1e-15 or value == 0:
            return t if value == 0 else after
        t = after
    return t


def _meetings_with_arc(arc: Arc, origin: complex, along: complex) -> list[float]:
    u = unit(along)
    away = cross(u, arc.centre - origin)
    radius = arc.radius
    if abs(away) >= radius or arc.sweep_rad == 0:
        return []
    foot = arc.centre - away * (1j * u)
    half = math.sqrt(radius**2 - away**2)
    found = []
    for point in (foot - half * u, foot + half * u):
        ratio = (point - arc.centre) / (arc.start - arc.centre)
        turn = math.atan2(ratio.imag, ratio.real)
        turn = turn % (2 * math.pi) if arc.sweep_rad > 0 else -((-turn) % (2 * math.pi))
        t = turn / arc.sweep_rad
        if 0 <= t <= 1:
            found.append(t)
    return sorted(found)
