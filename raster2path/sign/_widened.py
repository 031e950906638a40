"""Thin metal made wider: the flowing edges on either side move apart, smoothly and by little."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import groupby

import numpy as np
import numpy.typing as npt
import shapely

from raster2path.geometry import Arc, Complexes, Cubic, Kind, Line, Path, Segment, to_points
from raster2path.model import Art, Edge, Note, NoteKind
from raster2path.sign._islands import metal_of
from raster2path.sign._webs import thin_parts

Floats = npt.NDArray[np.float64]

N_SAMPLES = 8
"""Places on each piece of an edge at which the metal's width is measured."""

PIECE_MM = 16.0
"""An edge that moves is cut into pieces no longer than this: one cubic each."""

SLOPE = 0.2
"""An edge leaves its old place, and comes back, by so much a millimetre."""

LEAST_MM = 0.05
"""Less than this is no move."""

STRAYS_MM = 0.1
"""A moved edge is fitted so closely."""

OPEN_KERFS = 2.0
"""An opening beside a moved edge stays so many kerfs wide."""

NEAR_MM = 6.0
CORNER_COS = math.cos(math.radians(15))


def widened(art: Art, *, web_mm: float, most_mm: float, kerf_mm: float) -> Art:
    """Metal thinner than a web made as wide as that, as far as its flowing edges may move.

    Straight lines of letters, ruled edges, the border and corners stay; so do edges that would
    close an opening beside them. Every ring stays simple and none meets another.

    Args:
        art: nested edges.
        web_mm: the least web.
        most_mm: how far an edge may leave its place.
        kerf_mm: an opening stays two kerfs wide.
    """
    metal = metal_of(edge.path for edge in art.edges)
    thin = [part for _, part in thin_parts(metal, web_mm=web_mm)]
    if not thin:
        return art
    zone = shapely.union_all(np.array(thin, dtype=object)).buffer(0.3)
    near = zone.buffer(NEAR_MM)
    for region in (zone, near):
        shapely.prepare(region)
    rays = _Rays([edge.path.flat() for edge in art.edges])
    limits = (web_mm, max(most_mm - STRAYS_MM, 0.0), OPEN_KERFS * kerf_mm)
    moved: dict[int, tuple[Path, float]] = {}
    for k, edge in enumerate(art.edges):
        if not edge.is_border and near.intersects(shapely.LinearRing(edge.path.flat())):
            found = _moved(edge.path, zone, near, rays, limits)
            if found is not None:
                moved[k] = found
    moved = _sound_ones(art.edges, moved)
    edges = tuple(
        replace(edge, path=moved[k][0]) if k in moved else edge for k, edge in enumerate(art.edges)
    )
    far = max((far for _, far in moved.values()), default=0.0)
    return replace(art, edges=edges, notes=(*art.notes, *_note(thin, far)))


def _note(thin: Sequence[shapely.Geometry], far: float) -> tuple[Note, ...]:
    if far < LEAST_MM:
        return ()
    places = "1 place" if len(thin) == 1 else f"{len(thin)} places"
    point = thin[0].representative_point()
    sentence = f"Metal too thin at {places}: edges there moved apart by up to {far:.1f} mm."
    advice = "--thin tell leaves them as drawn"
    return (Note(NoteKind.DEVIATES, sentence, complex(point.x, point.y), far, advice),)


class _Rays:
    """How far it is from a place to the next edge, in a direction."""

    def __init__(self, rings: Sequence[npt.NDArray[np.float64]]) -> None:
        starts = np.concatenate(rings)
        ends = np.concatenate([np.roll(ring, -1, axis=0) for ring in rings])
        self._a = starts[:, 0] + 1j * starts[:, 1]
        self._ab = ends[:, 0] + 1j * ends[:, 1] - self._a
        self._tree = shapely.STRtree(shapely.linestrings(np.stack([starts, ends], axis=1)))

    def reach(self, at: Complexes, along: Complexes, most: float) -> Floats:
        """Distance to the next edge, the one that a place lies on left out; `most` if farther."""
        lines = shapely.linestrings(
            np.stack([to_points(at + 0.05 * along), to_points(at + most * along)], axis=1)
        )
        ray, side = self._tree.query(lines)
        out = np.full(len(at), most)
        u, ab = along[ray], self._ab[side]
        turn = (u.conj() * ab).imag
        gap = self._a[side] - at[ray]
        with np.errstate(divide="ignore", invalid="ignore"):
            s = (gap.conj() * ab).imag / turn
            t = (gap.conj() * u).imag / turn
        hit = (np.abs(turn) > 1e-12) & (s > 0.05) & (t >= 0) & (t <= 1)
        np.minimum.at(out, ray[hit], s[hit])
        return out


@dataclass(frozen=True, slots=True, eq=False)
class _Piece:
    """A piece of an edge, the segment it is a part of, and whether it may move."""

    cubic: Segment
    origin: Segment
    may_move: bool


def _moved(
    path: Path,
    zone: shapely.Geometry,
    near: shapely.Geometry,
    rays: _Rays,
    limits: tuple[float, float, float],
) -> tuple[Path, float] | None:
    """A path with its edge moved away from thin metal, and how far; None where nothing moves."""
    pieces = [piece for segment in path.segments for piece in _pieces(segment, near)]
    if not any(piece.may_move for piece in pieces):
        return None
    t = np.arange(N_SAMPLES) / N_SAMPLES
    at = np.concatenate([piece.cubic.points_at(t) for piece in pieces])
    ahead = np.concatenate([_directions(piece.cubic, t) for piece in pieces])
    may_move = np.repeat([piece.may_move for piece in pieces], N_SAMPLES)
    free = may_move & ~_at_stops(pieces)
    is_thin = may_move & shapely.contains_xy(zone, at.real, at.imag)
    wanted, room = _wanted(at, ahead, is_thin, rays, limits)
    by = _eased(at, wanted, np.where(free, room, 0.0))
    if by.max() < LEAST_MM:
        return None
    return _rebuilt(pieces, at, ahead, by), float(by.max())


def _pieces(segment: Segment, near: shapely.Geometry) -> list[_Piece]:
    z = segment.points_at(np.linspace(0, 1, 9))
    is_near = shapely.contains_xy(near, z.real, z.imag).any()
    if segment.kind is not Kind.ORGANIC or not is_near:
        return [_Piece(segment, segment, may_move=False)]
    n = max(1, math.ceil(segment.length / PIECE_MM))
    if isinstance(segment, Arc):
        n = max(n, math.ceil(abs(segment.sweep_rad) / (math.pi / 2)))
    parts = (segment.between(k / n, (k + 1) / n) for k in range(n))
    return [_Piece(_as_cubic(part), segment, may_move=True) for part in parts]


def _as_cubic(segment: Segment) -> Cubic:
    """A line, or an arc up to a right angle, as a cubic; nowhere more than 0.03 % off the arc."""
    if isinstance(segment, Cubic):
        return segment
    a, b = segment.start, segment.end
    if isinstance(segment, Line):
        return Cubic(a, a + (b - a) / 3, b - (b - a) / 3, b, segment.kind)
    handle = 4 / 3 * math.tan(abs(segment.sweep_rad) / 4) * segment.radius
    u, v = segment.tangent(0), segment.tangent(1)
    return Cubic(a, a + handle * u, b - handle * v, b, segment.kind)


def _directions(segment: Segment, t: Floats) -> Complexes:
    ahead = segment.points_at(np.minimum(t + 1e-3, 1)) - segment.points_at(np.maximum(t - 1e-3, 0))
    return np.asarray(ahead / np.maximum(np.abs(ahead), 1e-12))


def _at_stops(pieces: Sequence[_Piece]) -> npt.NDArray[np.bool_]:
    """Samples at joints that must stay: corners, and where what may not move begins or ends."""
    out = np.zeros((len(pieces), N_SAMPLES), np.bool_)
    for k, piece in enumerate(pieces):
        before = pieces[k - 1]
        turn = (before.cubic.tangent(1).conjugate() * piece.cubic.tangent(0)).real
        out[k, 0] = turn < CORNER_COS or not (before.may_move and piece.may_move)
    return out.ravel()


def _wanted(
    at: Complexes,
    ahead: Complexes,
    is_thin: npt.NDArray[np.bool_],
    rays: _Rays,
    limits: tuple[float, float, float],
) -> tuple[Floats, Floats]:
    """How far each place should move away from the metal, and how far it may."""
    web_mm, most_mm, open_mm = limits
    inward = 1j * ahead
    wide = rays.reach(at, inward, web_mm)
    room = rays.reach(at, -inward, 2 * most_mm + open_mm)
    may = np.clip((room - open_mm) / 2, 0, most_mm)
    return np.where(is_thin, np.clip((web_mm - wide) / 2, 0, most_mm), 0.0), may


def _eased(at: Complexes, wanted: Floats, room: Floats) -> Floats:
    """Moves that change slowly along a closed edge: as far as wanted, never beyond the room."""
    step = SLOPE * np.abs(np.roll(at, -1) - at)
    high, low = wanted.copy(), room.copy()
    n = len(at)
    for order in (range(2 * n), range(2 * n, 0, -1)):
        for k in order:
            here, there = (k % n, (k + 1) % n) if order.step > 0 else (k % n, (k - 1) % n)
            by = step[here] if order.step > 0 else step[there]
            high[there] = max(high[there], high[here] - by)
            low[there] = min(low[there], low[here] + by)
    by_mm = np.minimum(high, low)
    for _ in range(4):  # rounds the kinks of the slopes off
        by_mm = (np.roll(by_mm, 1) + 2 * by_mm + np.roll(by_mm, -1)) / 4
    return np.where(room > 0, np.minimum(by_mm, low), 0.0)


def _rebuilt(pieces: Sequence[_Piece], at: Complexes, ahead: Complexes, by: Floats) -> Path:
    """The edge through the moved places; what did not move is the same object as before."""
    outward = -1j * ahead
    moved = at + outward * by
    run = np.abs(np.roll(at, -1) - np.roll(at, 1))
    slope = (np.roll(by, -1) - np.roll(by, 1)) / np.maximum(run, 1e-9)
    turned = ahead + outward * slope
    turned /= np.maximum(np.abs(turned), 1e-12)
    n, out, first = N_SAMPLES, list[Segment](), 0
    for _, group in groupby(pieces, key=lambda piece: id(piece.origin)):
        own = list(group)
        last = first + len(own)
        if by[np.arange(first * n, last * n + 1) % len(by)].max() < LEAST_MM:
            out.append(own[0].origin)
            first = last
            continue
        for k, piece in enumerate(own, start=first):
            here = np.arange(k * n, (k + 1) * n + 1) % len(by)
            along = turned[here]
            for end in (0, -1):
                if by[here[end]] < LEAST_MM:
                    along[end] = piece.cubic.tangent(-float(end))
            out += _curve(moved[here], along, piece.origin.kind)
        first = last
    return Path(_joined(out), is_closed=True)


def _curve(through: Complexes, along: Complexes, kind: Kind) -> list[Segment]:
    """A cubic through places, its ends in given directions; two where one strays from them."""
    one = _cubic_through(through, complex(along[0]), complex(along[-1]), kind)
    strays = np.abs(one.points_at(np.linspace(0, 1, len(through))) - through).max()
    half = len(through) // 2
    if strays < STRAYS_MM or half < 2:
        return [one]
    return [
        *_curve(through[: half + 1], along[: half + 1], kind),
        *_curve(through[half:], along[half:], kind),
    ]


def _cubic_through(through: Complexes, u: complex, v: complex, kind: Kind) -> Cubic:
    """The cubic with given ends and directions that lies nearest to places between them."""
    a, b = complex(through[0]), complex(through[-1])
    t = np.linspace(0, 1, len(through))
    s = 1 - t
    rest = through - (s**3 + 3 * s * s * t) * a - (t**3 + 3 * s * t * t) * b
    one, other = 3 * s * s * t * u, -3 * s * t * t * v
    matrix = np.array([[np.vdot(p, q).real for q in (one, other)] for p in (one, other)])
    right = np.array([np.vdot(p, rest).real for p in (one, other)])
    chord = abs(b - a) / 3
    handles = np.linalg.lstsq(matrix, right, rcond=None)[0]
    first, last = (float(h) for h in np.clip(handles, 0.3 * chord, 2.0 * chord))
    return Cubic(a, a + first * u, b - last * v, b, kind)


def _joined(segments: list[Segment]) -> tuple[Segment, ...]:
    """Segments end to end exactly: a moved one starts where the one before it ends."""
    out = list(segments)
    for k, segment in enumerate(out):
        if isinstance(segment, Cubic) and segment.start != out[k - 1].end:
            out[k] = replace(segment, start=out[k - 1].end)
    return tuple(out)


def _sound_ones(
    edges: tuple[Edge, ...], moved: dict[int, tuple[Path, float]]
) -> dict[int, tuple[Path, float]]:
    """Those moved edges that stay simple and clear of all others."""
    out = dict(moved)
    while out:
        rings = [
            shapely.LinearRing((out[k][0] if k in out else edge.path).flat())
            for k, edge in enumerate(edges)
        ]
        bad = {k for k in out if not rings[k].is_simple}
        one, other = shapely.STRtree(rings).query(rings, predicate="intersects")
        bad |= {int(k) for k, o in zip(one, other, strict=True) if k != o and int(k) in out}
        if not bad:
            return out
        out = {k: found for k, found in out.items() if k not in bad}
    return out
