"""Lines that cross themselves: where, and how they are drawn apart.

A drawn outline does not cross itself, so a fit of it that does has strayed from its points. Pieces
at fault are halved along their own points until they run clear: at worst, point by point.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from raster2path.geometry import (
    FLATNESS,
    Arc,
    Complexes,
    Cubic,
    Kind,
    Line,
    Path,
    Segment,
    to_complex,
    unit,
)
from raster2path.shape._cubics import Bools, Ends, bernstein, fit_cubics, steps

ROUNDS = 7
"""Halvings before a piece is replaced by its points; seven make 128 of one."""
FEW = 3
"""A piece of fewer points is not halved but drawn through them."""
SAMPLES = 24
"""Straight steps that stand for one piece when crossings are looked for."""
CORNER_ROUND = 2
"""From this round on a corner between two pieces at fault is put back among its points."""


def is_simple(path: Path, flatness: float = FLATNESS) -> bool:
    """True where the path does not cross or touch itself."""
    import shapely

    flat = path.flat(flatness)
    if path.is_closed:
        return len(flat) >= 3 and bool(shapely.LinearRing(flat).is_simple)
    return bool(shapely.LineString(flat).is_simple)


def crossings(path: Path, flatness: float = FLATNESS) -> Complexes:
    """Where a path crosses or touches itself; its start is not among them."""
    import shapely

    flat = path.flat(flatness)
    if len(flat) < 3:
        return np.zeros(0, np.complex128)
    line = shapely.LineString(np.concatenate([flat, flat[:1]]) if path.is_closed else flat)
    return crossings_of(line)


def crossings_of(line: object) -> Complexes:
    """Where a shapely line crosses or touches itself, sorted; its ends are not among them."""
    import shapely

    if shapely.is_simple(line):
        return np.zeros(0, np.complex128)
    parts = shapely.get_parts(shapely.node(line))
    coords, owner = shapely.get_coordinates(parts, return_index=True)
    is_end = np.diff(owner, prepend=-1, append=-1)
    ends = to_complex(coords[(is_end[:-1] != 0) | (is_end[1:] != 0)])
    whole = to_complex(shapely.get_coordinates(line)[[0, -1]])
    return np.setdiff1d(ends, whole)


@dataclass(frozen=True, slots=True, eq=False)
class Piece:
    """One cubic (four control points) or line, and the points that it stands for, in order."""

    cubic: Complexes
    points: Complexes
    is_line: bool


def drawn_apart(path: Path, z: Complexes, kind: Kind) -> Path:
    """A closed path of lines and cubics, no longer crossing itself if its outline doesn't.

    Only the pieces at fault are laid anew along the outline's points.
    """
    if any(isinstance(segment, Arc) for segment in path.segments):
        return path
    parts = zip(path.segments, _own_points(path, z), strict=True)
    pieces = [Piece(_control(s), own, isinstance(s, Line)) for s, own in parts]
    segments: list[Segment] = []
    for piece in untangled(pieces, is_closed=True):
        a, b, c, d = piece.cubic.tolist()
        segments.append(Line(a, d, kind) if piece.is_line else Cubic(a, b, c, d, kind))
    return Path(tuple(segments), True)


def _control(segment: Segment) -> Complexes:
    """Four control points."""
    a, d = segment.start, segment.end
    if isinstance(segment, Cubic):
        return np.array([a, segment.control1, segment.control2, d])
    return np.asarray(a + (d - a) * np.arange(4) / 3, np.complex128)


def _own_points(path: Path, z: Complexes) -> list[Complexes]:
    """The outline's points that belong to each segment: those between the ones at its ends."""
    nodes = np.array([segment.start for segment in path.segments])
    at = np.abs(z[None, :] - nodes[:, None]).argmin(axis=1)
    first = int(at[0])
    # Round the outline once, whatever a node far from it says.
    at = np.maximum.accumulate((at - first) % len(z))
    bounds = np.append(at, len(z))
    around = np.roll(z, -first)
    return [around[a + 1 : b] for a, b in pairwise(bounds.tolist())]


def untangled(pieces: list[Piece], *, is_closed: bool) -> list[Piece]:
    """The pieces, those that cross others or themselves laid closer to their points.

    Args:
        pieces: end to end.
        is_closed: True where the last ends at the first's start.

    Returns:
        Pieces end to end that do not cross if a line through their points doesn't. Smooth joints
        stay smooth, save where a piece had to be replaced by straight steps from point to point.
    """
    for round_ in range(ROUNDS + 1):
        at_fault = _at_fault(pieces, is_closed=is_closed)
        if not at_fault.any():
            break
        if round_ >= CORNER_ROUND:
            pieces = _corners_back(pieces, at_fault, is_closed=is_closed)
        pieces = _halved(pieces, at_fault, to_the_points=round_ == ROUNDS)
    return pieces


def _at_fault(pieces: list[Piece], *, is_closed: bool) -> Bools:
    """Which pieces cross another one or themselves, or touch one that is not next to them."""
    import shapely

    t = np.linspace(0.0, 1.0, SAMPLES + 1)
    cubics = np.stack([piece.cubic for piece in pieces])
    z = cubics @ np.stack(bernstein(t))
    z[:, 0], z[:, -1] = cubics[:, 0], cubics[:, 3]
    lines = shapely.linestrings(np.stack([z.real, z.imag], axis=-1))
    out = ~shapely.is_simple(lines)
    n = len(pieces)
    a, b = shapely.STRtree(lines).query(lines, predicate="intersects")
    one = a < b
    a, b = a[one], b[one]
    beside = (b - a == 1) | (is_closed & (a == 0) & (b == n - 1))
    # Neighbours share one end (two where they are all there is), and nothing else.
    shared = shapely.intersection(lines[a[beside]], lines[b[beside]])
    allowed = 2 if is_closed and n == 2 else 1
    kinds = shapely.get_type_id(shared)
    is_point = (kinds == 0) | (kinds == 4)
    bad = np.ones(len(a), bool)
    bad[beside] = ~(is_point & (shapely.get_num_geometries(shared) <= allowed))
    out[a[bad]] = out[b[bad]] = True
    return np.asarray(out, np.bool_)


def _corners_back(pieces: list[Piece], at_fault: Bools, *, is_closed: bool) -> list[Piece]:
    """The pieces, with the corners beside those at fault moved back among the points."""
    out = list(pieces)
    n = len(pieces)
    for k in range(n if is_closed else n - 1):
        m = (k + 1) % n
        a, b = out[k], out[m]
        into, leave = a.cubic[3] - a.cubic[2], b.cubic[1] - b.cubic[0]
        is_smooth = abs((into.conjugate() * leave).imag) <= 1e-9 * abs(into) * abs(leave)
        if is_smooth or not (at_fault[k] or at_fault[m]) or not (len(a.points) and len(b.points)):
            continue
        node = (a.points[-1] + b.points[0]) / 2
        out[k] = Piece(np.append(a.cubic[:3], node), a.points, a.is_line)
        out[m] = Piece(np.append(node, b.cubic[1:]), b.points, b.is_line)
    return out


def _halved(pieces: list[Piece], at_fault: Bools, *, to_the_points: bool) -> list[Piece]:
    """The pieces, those at fault in two halves each, or as steps through their points."""
    bad = [pieces[k] for k in np.flatnonzero(at_fault)]
    halves = iter(_halves([p for p in bad if not (to_the_points or len(p.points) < FEW)]))
    out: list[Piece] = []
    for piece, is_bad in zip(pieces, at_fault, strict=True):
        if not is_bad:
            out.append(piece)
        elif to_the_points or len(piece.points) < FEW:
            out += _stepwise(piece)
        else:
            out += next(halves)
    return out


def _stepwise(piece: Piece) -> list[Piece]:
    """Straight steps from point to point."""
    nodes = np.concatenate([piece.cubic[:1], piece.points, piece.cubic[3:]])
    nodes = nodes[np.concatenate([[True], np.abs(np.diff(nodes)) > 1e-9])]
    none = np.zeros(0, np.complex128)
    return [Piece(a + (b - a) * np.arange(4) / 3, none, is_line=True) for a, b in pairwise(nodes)]


def _halves(pieces: list[Piece]) -> list[tuple[Piece, Piece]]:
    """Each piece as two, joined smoothly at the middle one of its points; one batched fit."""
    if not pieces:
        return []
    z = np.concatenate([np.concatenate([p.cubic[:1], p.points, p.cubic[3:]]) for p in pieces])
    counts = np.array([len(p.points) + 2 for p in pieces])
    start = np.cumsum(counts) - counts
    middle = start + counts // 2
    ahead = z[np.minimum(middle + 2, start + counts - 1)] - z[np.maximum(middle - 2, start)]
    heading = ahead / np.maximum(np.abs(ahead), 1e-12)
    d0 = np.array([unit(complex(p.cubic[1] - p.cubic[0])) for p in pieces])
    d1 = np.array([unit(complex(p.cubic[3] - p.cubic[2])) for p in pieces])
    first = np.stack([start, middle], axis=1).ravel()
    last = np.stack([middle, start + counts - 1], axis=1).ravel()
    fixed = np.zeros(len(first), bool)
    ends = Ends(
        z[first],
        z[last],
        np.stack([d0, heading], axis=1).ravel(),
        np.stack([heading, d1], axis=1).ravel(),
        fixed,
        fixed,
    )
    cubics, _, _ = fit_cubics(z, steps(z), first, last, ends)
    out = []
    for k, piece in enumerate(pieces):
        cut = counts[k] // 2 - 1
        own = piece.points
        out.append(
            (
                Piece(cubics[2 * k], own[:cut], is_line=False),
                Piece(cubics[2 * k + 1], own[cut + 1 :], is_line=False),
            )
        )
    return out
