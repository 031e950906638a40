"""Slots so narrow that the sliver between two passes melts, made wider where there is metal."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely

from raster2path.geometry import Complexes, Line, Path, Segment, to_points, unit
from raster2path.job import TorchRules
from raster2path.model import Note, NoteKind, Sign
from raster2path.torch._edges import FLATNESS_MM, Tagged, tagged
from raster2path.torch._faces import Face, faces_of
from raster2path.torch._narrow import SLIVER_MM, one_pass
from raster2path.torch._offset import erode

OPENED_MM = 5.0
"""Slots are opened to this width, or a little beyond where the sliver melts with a wide kerf."""

LEFT_MM = 5.0
"""Metal beside an opened slot stays so wide. Common practice, no source."""

SLACK_MM = 0.05
CLEARLY_MM = 0.3
AT_CORNERS = 0.8
"""In a right-angled corner of a stroke lies a disc 1.17 times as wide as it, in a branch 1.25."""

CORNER_MM2 = 3.0
"""A corner of metal loses less to a disc that opens it; more is a strip."""

BITE_MM2 = 0.05
LOOKED_AT = np.linspace(0, 1, 65)


def narrow_slots(
    sign: Sign, rings: Sequence[Tagged], faces: Sequence[Face], kerf_mm: float
) -> dict[int, Path]:
    """By number of the face: openings in which a sliver would melt, and the one pass of each."""
    out = dict[int, Path]()
    if kerf_mm == 0:
        return out
    for k, face in enumerate(faces):
        if face.opening is None or len(face.rings) > 1 or _is_broad(face.area, kerf_mm):
            continue
        if face.area.buffer(-kerf_mm / 2 - 0.05).is_empty:
            continue
        kind = sign.edges[face.opening].path.kind
        line = one_pass(rings[face.opening], face.area, kerf_mm, kind)
        if line is not None:
            out[k] = line
    return out


@dataclass(frozen=True, slots=True)
class Opened:
    """A sign whose narrow slots are wider, as far as there was metal beside them.

    Attributes:
        notes: how many were opened, how many could not be, and where the first is.
    """

    sign: Sign
    notes: tuple[Note, ...]


def open_slots(sign: Sign, rules: TorchRules) -> Opened:
    """Narrow slots moved apart on all sides but at ties, one after the other.

    A slot is left as it is where metal beside it would get narrower than 5 mm or a tie shorter
    of metal. Straight pieces stay straight, arcs arcs.
    """
    rings = [tagged(edge.path) for edge in sign.edges]
    faces = faces_of(sign, rings)
    wide = max(OPENED_MM, rules.kerf_mm + SLIVER_MM + CLEARLY_MM)
    edges, places = list(sign.edges), list[complex]()
    left = list[complex]()
    for face in faces:
        number = face.opening
        if number is None or not _is_narrow(face, rules.kerf_mm):
            continue
        path = wider(edges[number].path, wide)
        others = [edge.path for n, edge in enumerate(edges) if n != number]
        if path is not None and _has_room(path, [*others, *sign.slits], sign):
            edges[number] = replace(edges[number], path=path)
            places.append(path.start)
        else:
            left.append(edges[number].path.start)
    return Opened(replace(sign, edges=tuple(edges)), tuple(_told(places, left, wide)))


def _is_broad(area: shapely.Polygon, kerf_mm: float) -> bool:
    """True where it is plain that no sliver melts, or there is nothing.

    The largest disc in a shape is at least twice its area over its perimeter wide.
    """
    return bool(area.is_empty or 2 * area.area > (kerf_mm + SLIVER_MM) * area.length)


def _is_narrow(face: Face, kerf_mm: float) -> bool:
    """True where the torch gets round an opening, but a sliver is all that would fall."""
    if len(face.rings) > 1 or _is_broad(face.area, kerf_mm):
        return False
    is_passed = not face.area.buffer(-kerf_mm / 2 - 0.05).is_empty
    return is_passed and bool(face.area.buffer(-(kerf_mm + SLIVER_MM) / 2).is_empty)


def _told(places: Sequence[complex], left: Sequence[complex], wide_mm: float) -> Iterator[Note]:
    if places:
        words = "1 narrow opening is" if len(places) == 1 else f"{len(places)} narrow openings are"
        sentence = f"{words} opened to {wide_mm:g} mm, so that no sliver melts between two passes"
        yield Note(NoteKind.NARROW, sentence, places[0], wide_mm)
    if left:
        words = "1 narrow opening has" if len(left) == 1 else f"{len(left)} narrow openings have"
        yield Note(
            NoteKind.NARROW,
            f"{words} no metal to spare beside: the sliver between two passes melts there",
            left[0],
            remedy="--narrow one-pass cuts slots as wide as the kerf, in one",
        )


def wider(opening: Path, wide_mm: float) -> Path | None:
    """The opening with its edges so far apart as a stroke; at ties it ends as before.

    None where it is as wide already, or its edges can't be moved.
    """
    area = shapely.Polygon(opening.flat(FLATNESS_MM))
    if not area.is_valid:
        return None
    by = (wide_mm - _width_mm(area)) / 2
    if by <= 0:
        return opening
    island = _short_of_ties(opening.reversed(), by)
    if island is None:
        return None
    ring = tagged(island)
    around = shapely.box(*area.bounds).buffer(4 * wide_mm, join_style="mitre")
    moved = erode([ring], around - shapely.Polygon(ring.coords), by).rings
    if len(moved) != 1:
        return None
    out = moved[0].path.reversed()
    is_wider = shapely.Polygon(out.flat(0.02)).buffer(SLACK_MM).contains(area)
    return out if is_wider else None


def _width_mm(area: shapely.Polygon) -> float:
    """How wide a stroke is: at its widest, less what a corner or a branch adds to that."""
    widest = 2 * float(shapely.maximum_inscribed_circle(area, tolerance=0.01).length)
    root = area.length**2 - 16 * area.area  # a strip of area A and perimeter P, solved for width
    strip = (area.length - math.sqrt(root)) / 4 if root > 0 else widest
    return min(widest, max(strip, AT_CORNERS * widest))


def _short_of_ties(path: Path, by: float) -> Path | None:
    """The path with each side of a tie moved in by so much, and its neighbours cut back to it."""
    segments = list(path.segments)
    for k, line in enumerate(segments):
        if not (isinstance(line, Line) and line.is_tie_side):
            continue
        across = 1j * unit(line.end - line.start)  # the drop lies right of this travel
        before, after = segments[k - 1], segments[(k + 1) % len(segments)]
        t0, t1 = _reaches(before.reversed(), line, across * by), _reaches(after, line, across * by)
        if t0 is None or t1 is None:
            return None
        shorter, later = before.between(0.0, 1 - t0), after.between(t1, 1.0)
        segments[k - 1] = shorter
        segments[k] = replace(line, start=shorter.end, end=later.start)
        segments[(k + 1) % len(segments)] = later
    return Path(tuple(segments), True)


def _reaches(segment: Segment, line: Line, off: complex) -> float | None:
    """Where a segment that leaves a line is this far from it."""

    def away(points: Complexes) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
        return np.asarray(((points - line.start) * off.conjugate()).real / abs(off) - abs(off))

    beyond = np.flatnonzero(away(segment.points_at(LOOKED_AT)) >= 0)
    if not len(beyond) or beyond[0] == 0 or beyond[0] == len(LOOKED_AT) - 1:
        return None
    low, high = LOOKED_AT[beyond[0] - 1], LOOKED_AT[beyond[0]]
    for _ in range(40):
        t = (low + high) / 2
        low, high = (t, high) if away(segment.points_at([t]))[0] < 0 else (low, t)
    return float(high)


def _has_room(path: Path, others: Sequence[Path], sign: Sign) -> bool:
    """True where enough metal is left round an opening, and between its own arms, and of ties."""
    area = shapely.Polygon(path.flat(0.02))
    if not area.is_valid:
        return False
    ties = [shapely.Polygon(to_points(tie.corners)) for tie in sign.ties]
    if any(tie.is_valid and tie.intersection(area).area > BITE_MM2 for tie in ties):
        return False
    free = shapely.union_all([tie.buffer(0.1) for tie in ties])
    near = area.buffer(LEFT_MM - SLACK_MM).difference(free)
    for other in others:
        flat = other.flat(0.05)
        line = shapely.LineString(np.vstack([flat, flat[:1]]) if other.is_closed else flat)
        if near.intersects(line.difference(free)):
            return False
    blank = shapely.box(*area.bounds).buffer(4 * LEFT_MM) - area
    half = (LEFT_MM - SLACK_MM) / 2
    kept = blank.buffer(-half).buffer(half + 0.01)
    lost = shapely.get_parts(blank.difference(kept))
    return all(part.area < CORNER_MM2 for part in lost)
