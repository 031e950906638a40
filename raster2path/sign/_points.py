"""Needle tips of metal, blunted: they melt back under the arc, and cut people afterwards."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

import shapely

from raster2path.geometry import Arc, Line, Path, Segment, cross, dot
from raster2path.model import Note, NoteKind
from raster2path.sign._surgery import Ring

NEEDLE_DEG, LEAST_DEG = 35.0, 2.0
"""Metal that ends in a sharper corner than this is a needle; under the second it is no corner but
a line drawn there and back."""

MOST_OF_SEGMENT = 0.8
"""So much of a segment may go; a tip that needs more is blunted less."""

SHARES = (1.0, 0.7, 0.45)
"""Radii that are tried in turn, as shares of the one asked for."""

NEAR_TIE_MM = 3.0


def blunted(
    rings: Mapping[int, Ring], *, radius_mm: float, keep_off: shapely.Geometry
) -> tuple[dict[int, Ring], list[complex]]:
    """The edges with needle tips of metal rounded, and where those tips were.

    Corners of the drop stay sharp. A tip is rounded by an arc that leaves both its edges
    smoothly, inside the metal: so no edge can meet another that it did not meet before.

    Args:
        rings: closed edges, metal to the right of travel.
        radius_mm: of a tip; 0 leaves all as they are.
        keep_off: what is left alone, such as ties.
    """
    if radius_mm <= 0:
        return dict(rings), []
    out, places = {}, list[complex]()
    for key, ring in rings.items():
        path, found = _blunted_path(ring.path, radius_mm, keep_off)
        places += found
        out[key] = Ring.of(path, ring.origins, is_border=ring.is_border) if found else ring
    return out, places


def _blunted_path(
    path: Path, radius_mm: float, keep_off: shapely.Geometry
) -> tuple[Path, list[complex]]:
    segments = list(path.segments)
    n = len(segments)
    first, last = [0.0] * n, [1.0] * n
    arcs: dict[int, Arc] = {}
    for k in range(n):
        after = (k + 1) % n
        if n < 2 or not is_needle(segments[k], segments[after]):
            continue
        tip = segments[k].end
        if keep_off.distance(shapely.Point(tip.real, tip.imag)) < NEAR_TIE_MM:
            continue
        for share in SHARES:
            fit = rounded(segments[k], segments[after], share * radius_mm)
            if fit is not None:
                last[k], first[after], arcs[k] = fit
                break
    if not arcs:
        return path, []
    places = [segments[k].end for k in arcs]
    made: list[Segment] = []
    for k, segment in enumerate(segments):
        if first[k] >= last[k]:  # two tips at one short segment would meet
            return path, []
        whole = first[k] == 0.0 and last[k] == 1.0
        made.append(segment if whole else segment.between(first[k], last[k]))
        if k in arcs:
            made.append(arcs[k])
    return Path(closed_up(made), is_closed=True), places


def is_needle(before: Segment, behind: Segment) -> bool:
    """True where metal ends in a sharp tip between two segments."""
    if _is_side(before) or _is_side(behind):
        return False
    coming, leaving = before.tangent(1.0), behind.tangent(0.0)
    # metal lies right of travel: at a tip of metal the edge turns right, nearly back on itself
    inside_deg = 180 - math.degrees(math.acos(max(-1.0, min(1.0, dot(coming, leaving)))))
    return cross(coming, leaving) > 0 and LEAST_DEG < inside_deg < NEEDLE_DEG


def _is_side(segment: Segment) -> bool:
    return isinstance(segment, Line) and segment.is_tie_side


def rounded(before: Segment, behind: Segment, radius: float) -> tuple[float, float, Arc] | None:
    """Where an arc leaves the one edge and meets the other; None where they are too short."""
    half = math.acos(max(-1.0, min(1.0, -dot(before.tangent(1.0), behind.tangent(0.0))))) / 2
    back = radius / math.tan(half)
    t = 1 - min(back / max(before.length, 1e-9), MOST_OF_SEGMENT)
    u = min(back / max(behind.length, 1e-9), MOST_OF_SEGMENT)
    for _ in range(30):
        here = before.point(t) + 1j * radius * before.tangent(t)
        there = behind.point(u) + 1j * radius * behind.tangent(u)
        off = here - there
        if abs(off) < 1e-9:
            break
        step = _newton((before, behind), (t, u), radius, off)
        if step is None:
            return None
        t, u = t - step[0], u - step[1]
        if not (1 - MOST_OF_SEGMENT <= t < 1 and 0 < u <= MOST_OF_SEGMENT):
            return None
    else:
        return None
    start, end = before.point(t), behind.point(u)
    centre = start + 1j * radius * before.tangent(t)
    turn = (end - centre) / (start - centre)
    sweep = math.atan2(turn.imag, turn.real) % (2 * math.pi)
    return t, u, Arc(start, centre, sweep, before.kind)


def _newton(
    sides: tuple[Segment, Segment], at: tuple[float, float], radius: float, off: complex
) -> tuple[float, float] | None:
    (before, behind), (t, u), step = sides, at, 1e-6

    def centre(segment: Segment, at: float) -> complex:
        return segment.point(at) + 1j * radius * segment.tangent(at)

    by_t = (centre(before, t + step) - centre(before, t - step)) / (2 * step)
    by_u = -(centre(behind, u + step) - centre(behind, u - step)) / (2 * step)
    under = cross(by_t, by_u)
    if abs(under) < 1e-12:
        return None
    return cross(off, by_u) / under, cross(by_t, off) / under


def closed_up(segments: Sequence[Segment]) -> tuple[Segment, ...]:
    """The same segments, each arc's neighbour starting exactly where the arc ends."""
    out = list(segments)
    for k, segment in enumerate(out):
        if isinstance(segment, Arc):
            after = (k + 1) % len(out)
            gap = abs(out[after].start - segment.end)
            if 0 < gap < 1e-6:
                out[after] = _starting(out[after], segment.end)
    return tuple(out)


def _starting(segment: Segment, start: complex) -> Segment:
    if isinstance(segment, Arc):  # its end would move: the hair's width is left
        return segment
    return replace(segment, start=start)


def blunt_note(places: Sequence[complex], radius_mm: float) -> list[Note]:
    """One note on how many tips were blunted."""
    if not places:
        return []
    n = len(places)
    tips = "1 needle tip of metal is" if n == 1 else f"{n} needle tips of metal are"
    sentence = f"{tips} blunted to {radius_mm:g} mm, so that they do not melt back or cut anyone."
    return [Note(NoteKind.SETTING, sentence, places[0], radius_mm, "as drawn with --blunt 0")]
