"""What is too narrow for the kerf: openings that are one pass, and edges that close up."""

from __future__ import annotations

import cmath
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely

from raster2path.geometry import (
    Arc,
    Complexes,
    Cubic,
    Kind,
    Line,
    Path,
    Place,
    Segment,
    joined,
    to_complex,
    unit,
)
from raster2path.torch._edges import Tagged
from raster2path.torch._offset import Eroded, OffsetRing, Touch

N_AROUND = 96
"""Points round an opening from which its middle line is found; even."""

SLIT_FIT_MM = 0.1

BITTEN = 0.01
"""Such a share of a single pass may lie beside its slot: a middle line ends a little askew."""

FULL = 0.95
SLIVER_MM = 3.2
"""Metal between two passes that is narrower melts. Common practice, no source."""


def middle_line(opening: Tagged, kerf_mm: float, kind: Kind) -> Path:
    """One pass down the middle of a narrow opening, as a straight or as few cubics.

    The outline is cut in two at the pair of ends that leaves the two sides closest together;
    the line runs halfway between them, and stops so that the kerf's round ends fill the tips.
    """
    z = _evenly(opening.points, N_AROUND)
    half = N_AROUND // 2
    best, at = math.inf, 0
    for k in range(half):
        turned = np.roll(z, -k)
        gap = float(np.abs(turned[1:half] - turned[:-half:-1]).mean())
        if gap < best:
            best, at = gap, k
    turned = np.roll(z, -at)
    middle = np.concatenate(
        [turned[:1], (turned[1:half] + turned[:-half:-1]) / 2, turned[half : half + 1]]
    )
    return _fitted(_shortened(middle, kerf_mm / 2), kind)


def _evenly(points: Complexes, n: int) -> Complexes:
    closed = np.append(points, points[0])
    along = np.concatenate([[0.0], np.cumsum(np.abs(np.diff(closed)))])
    return np.asarray(np.interp(np.arange(n) * along[-1] / n, along, closed))


def _shortened(line: Complexes, by: float) -> Complexes:
    along = np.concatenate([[0.0], np.cumsum(np.abs(np.diff(line)))])
    by = min(by, 0.4 * float(along[-1]))
    return np.asarray(np.interp(np.linspace(by, along[-1] - by, 33), along, line))


def _fitted(points: Complexes, kind: Kind, depth: int = 3) -> Path:
    a, b = complex(points[0]), complex(points[-1])
    across = np.abs(((points - a) * unit(b - a).conjugate()).imag)
    if float(across.max()) < SLIT_FIT_MM or len(points) < 6:
        return Path((Line(a, b, kind),), is_closed=False)
    along = np.concatenate([[0.0], np.cumsum(np.abs(np.diff(points)))])
    u = along / along[-1]
    s = 1 - u
    basis = np.column_stack([3 * s * s * u, 3 * s * u * u])
    rest = points - s**3 * a - u**3 * b
    handles = np.linalg.lstsq(basis, rest, rcond=None)[0]
    cubic = Cubic(a, complex(handles[0]), complex(handles[1]), b, kind)
    if depth == 0 or float(np.abs(cubic.points_at(u) - points).max()) < SLIT_FIT_MM:
        return Path((cubic,), is_closed=False)
    k = len(points) // 2
    first, second = _fitted(points[: k + 1], kind, depth - 1), _fitted(points[k:], kind, depth - 1)
    return Path(first.segments + second.segments, is_closed=False)


@dataclass(frozen=True, slots=True)
class Lost:
    """Part of a drop that the kerf does not reach, so that metal stays there.

    Attributes:
        is_waist: True where the torch comes from two sides and can't get through.
        size_mm: a waist's width; how much of a tip is lost.
    """

    place_mm: complex
    is_waist: bool
    size_mm: float


def closed_up(
    rings: Sequence[Tagged],
    face: shapely.Polygon,
    eroded: Eroded,
    distance_mm: float,
    spare_mm: float,
    *,
    is_outside: bool,
) -> tuple[list[tuple[Path, frozenset[int]]] | None, list[Lost]]:
    """The edges as the torch leaves them, where it can't follow them into waists and tips.

    Args:
        rings: all edges, as the torch lines know them.
        face: the drop.
        eroded: the torch lines at `distance_mm`.
        distance_mm: from torch line to edge.
        spare_mm: metal left on this far from the edge is of no account.
        is_outside: True where the drop is what lies round the sign.

    Returns:
        New closed edges, each with the rings it is made from, or None where the edges may stay
        as they are; and what is lost, largest first.
    """
    follows_edge = all(touch.is_next for ring in eroded.rings for touch in ring.touches)
    if follows_edge or eroded.area is None:
        return None, []
    lost = face.difference(eroded.area.buffer(distance_mm + 0.01, quad_segs=32))
    pieces = [piece for piece in shapely.get_parts(lost) if piece.area > 0.02]
    if not pieces:
        return None, []
    tree = shapely.STRtree(pieces)
    found: dict[int, list[tuple[int, int]]] = {}
    for number, ring in enumerate(eroded.rings):
        for k, (touch, following) in enumerate(_pairs(ring)):
            arc = None if touch.is_next else _closing(rings, touch, following, Kind.ORGANIC)
            if arc is not None:
                middle = arc.point(0.5)
                near = tree.query(
                    shapely.Point(middle.real, middle.imag), predicate="dwithin", distance=0.05
                )
                for piece in near[:1]:
                    found.setdefault(int(piece), []).append((number, k))
    metal = face.boundary.buffer(spare_mm)
    closings = _passed_by(rings, eroded)
    told = []
    for number, joints in found.items():
        piece = pieces[number]
        is_waist = len(joints) > 1
        if is_waist or piece.difference(metal).area > 0.3:
            closings.update(joints)
            told.append(_lost(piece, is_waist=is_waist))
    if not closings:
        return None, []
    told.sort(key=lambda each: -each.size_mm)
    made = _rebuilt(rings, eroded, closings)
    cut = eroded.area.buffer(0.9 * distance_mm)
    blank = shapely.Polygon(face.exterior) if is_outside else None
    return (made if _is_sound(made, face, cut, blank) else None), told


def _pairs(ring: OffsetRing) -> list[tuple[Touch, Touch]]:
    touches = ring.touches
    return list(zip(touches, (*touches[1:], touches[0]), strict=True))


def _lost(piece: shapely.Polygon, *, is_waist: bool) -> Lost:
    at = piece.representative_point()
    if is_waist:
        size = 2 * shapely.maximum_inscribed_circle(piece, tolerance=0.05).length
    else:
        box = shapely.get_coordinates(shapely.minimum_rotated_rectangle(piece))
        size = float(np.hypot(*np.diff(box, axis=0).T).max())
    return Lost(complex(at.x, at.y), is_waist, float(size))


def _closing(rings: Sequence[Tagged], a: Touch, b: Touch, kind: Kind) -> Arc | None:
    """The arc that the kerf leaves between the ends of two stretches of edge."""
    start = rings[a.ring].path.segments[a.index].point(a.t1)
    end = rings[b.ring].path.segments[b.index].point(b.t0)
    chord = end - start
    if abs(chord) < 0.01:
        return None
    middle, across = (start + end) / 2, 1j * unit(chord)
    centre = middle + across * ((a.meeting - middle) * across.conjugate()).real
    # the drop, and so the centre, lies to the left of travel: anticlockwise as seen
    sweep = -((-cmath.phase((end - centre) / (start - centre))) % (2 * math.pi))
    return Arc(start, centre, sweep, kind)


def _passed_by(rings: Sequence[Tagged], eroded: Eroded) -> set[tuple[int, int]]:
    """Joints where the torch line leaves out a stretch of edge that another line follows."""
    middles: dict[int, list[float]] = {}
    for ring in eroded.rings:
        for touch in ring.touches:
            if touch.t1 > touch.t0:
                middle = touch.index + (touch.t0 + touch.t1) / 2
                middles.setdefault(touch.ring, []).append(middle)
    out = set()
    for number, ring in enumerate(eroded.rings):
        for k, (a, b) in enumerate(_pairs(ring)):
            if a.is_next or a.ring != b.ring:
                continue
            n = len(rings[a.ring].path)
            left_out = (b.index + b.t0 - a.index - a.t1) % n
            ahead = np.mod(np.array(middles.get(a.ring, [])) - a.index - a.t1, n)
            if bool(((ahead > 1e-6) & (ahead < left_out - 1e-6)).any()):
                out.add((number, k))
    return out


def _is_sound(
    made: list[tuple[Path, frozenset[int]]],
    face: shapely.Polygon,
    cut: shapely.Geometry,
    blank: shapely.Polygon | None,
) -> bool:
    """The new edges lie in the old drop, do not cross, and what the kerf removes is within.

    They cross where a waist is a hair narrower than the kerf: there the rounds that the kerf
    leaves from both sides meet, so that it is open after all.
    """
    area: shapely.Geometry = shapely.Polygon()
    if any(len(path.flat()) < 3 for path, _ in made):
        return False  # out and back on itself: nothing is left of it
    polygons = [shapely.Polygon(path.flat()) for path, _ in made]
    tree = shapely.STRtree([polygon.exterior for polygon in polygons])
    for k, polygon in enumerate(polygons):
        met = tree.query(polygon.exterior, predicate="intersects")
        if not polygon.is_valid or any(int(other) != k for other in met):
            return False
        area = area.symmetric_difference(polygon)
    if blank is not None:
        area = blank.difference(area)
    wrong = (*shapely.get_parts(cut.difference(area)), *shapely.get_parts(area.difference(face)))
    return all(part.area < 0.5 for part in wrong)


def _rebuilt(
    rings: Sequence[Tagged], eroded: Eroded, closings: set[tuple[int, int]]
) -> list[tuple[Path, frozenset[int]]]:
    out = []
    for number, ring in enumerate(eroded.rings):
        pairs = _pairs(ring)
        stops = [k for k, (a, b) in enumerate(pairs) if (number, k) in closings or a.ring != b.ring]
        touched = frozenset(touch.ring for touch in ring.touches)
        if not stops:
            only = next(iter(touched))
            out.append((rings[only].path, touched))
            continue
        segments: list[Segment] = []
        for j, stop in enumerate(stops):
            first, last = pairs[stops[j - 1]][1], pairs[stop][0]
            path = rings[first.ring].path
            segments += _stretch(path, first, last)
            closing = _closing(rings, *pairs[stop], path.segments[last.index].kind)
            segments.append(closing or _bridge(rings, *pairs[stop]))
        path = joined(segments, is_closed=True, gap=1e-6)
        out.append((path, touched))
    return out


def _bridge(rings: Sequence[Tagged], a: Touch, b: Touch) -> Line:
    """A hair's breadth between two stretches that all but meet."""
    start = rings[a.ring].path.segments[a.index].point(a.t1)
    end = rings[b.ring].path.segments[b.index].point(b.t0)
    return Line(start, end, rings[a.ring].path.segments[a.index].kind)


def _stretch(path: Path, first: Touch, last: Touch) -> tuple[Segment, ...]:
    if first is last and first.t0 >= first.t1:
        return ()
    start = Place(first.index, first.t0, 0j, 0.0)
    return path.part(start, Place(last.index, last.t1, 0j, 0.0))


def one_pass(opening: Tagged, area: shapely.Polygon, kerf_mm: float, kind: Kind) -> Path | None:
    """The one pass of a slot so narrow that two would melt the sliver between them, or None.

    A slot is what a single line, as wide as the slot at its widest, covers all over.
    """
    widest = kerf_mm + SLIVER_MM
    if not area.buffer(-widest / 2).is_empty:
        return None
    line = _axis(area, kerf_mm, kind) or middle_line(opening, kerf_mm, kind)
    swath = shapely.LineString(line.flat())
    band = swath.buffer(kerf_mm / 2)
    fits = band.difference(area).area <= BITTEN * band.area
    return line if fits and swath.buffer(widest / 2 + 0.5).contains(area) else None


def _axis(area: shapely.Polygon, kerf_mm: float, kind: Kind) -> Path | None:
    """The axis of a slot that nearly fills its box, however that is turned; else None."""
    box = shapely.minimum_rotated_rectangle(area)
    if box.geom_type != "Polygon" or area.area < FULL * box.area:
        return None
    a, b, c, d = to_complex(shapely.get_coordinates(box)[:4]).tolist()
    if abs(b - a) > abs(c - b):
        a, b, c, d = b, c, d, a
    start, end = (a + b) / 2, (c + d) / 2
    way = unit(end - start) * kerf_mm / 2
    if abs(end - start) <= kerf_mm:
        return None
    return Path((Line(start + way, end - way, kind),), is_closed=False)


def is_clear(shape: shapely.Geometry, others: shapely.STRtree, own: int) -> bool:
    """True where the shape meets no edge but its own."""
    hits = others.query(shape, predicate="intersects")
    return all(int(hit) == own for hit in hits)


def middle_of(area: shapely.Polygon) -> complex:
    """A point inside; the centroid where that is."""
    at = area.centroid if area.contains(area.centroid) else area.representative_point()
    return complex(to_complex([[at.x, at.y]])[0])
