"""Room: fitted paths in, the same with single points dragged or taken out by hand.

The last resort, where neither ink nor a kind nor a tolerance says what is meant.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from raster2path.geometry import Arc, Cubic, Line, Path, Points, Segment, unit
from raster2path.job import Corrections
from raster2path.model import Note, NoteKind, Paths, Placement

FOUND_MM = 6.0
"""A place means the point nearest to it, no further off than this."""

FLAT_MM = 0.02
QUARTER_RAD = math.pi / 2


@dataclass(frozen=True, slots=True)
class _Found:
    """A point of a path: which path (rings, then slits), and the segment that starts there."""

    path: int
    segment: int


def move_points(paths: Paths, *, corrections: Corrections, work_from_upright: Points) -> Paths:
    """The paths, some of their points moved, then some taken out.

    The pieces beside a point follow it and keep their directions at their other ends. A path
    that would cross itself or another stays as it was; that, and a place that finds no point,
    is told in a note.
    """
    if not (corrections.moved_points_px or corrections.no_points_px):
        return paths
    lines = [*(ring.path for ring in paths.rings), *paths.slits]
    notes: list[Note] = []
    for *from_px, x, y in corrections.moved_points_px:
        at, to = (
            _on_sheet(paths.placement, place, work_from_upright) for place in (from_px, (x, y))
        )
        _try(lines, len(paths.rings), at, to, notes)
    for place in corrections.no_points_px:
        at = _on_sheet(paths.placement, place, work_from_upright)
        _try(lines, len(paths.rings), at, None, notes)
    n = len(paths.rings)
    rings = tuple(replace(r, path=p) for r, p in zip(paths.rings, lines[:n], strict=True))
    return replace(paths, rings=rings, slits=tuple(lines[n:]), notes=(*paths.notes, *notes))


def _try(
    lines: list[Path], n_rings: int, at: complex, to: complex | None, notes: list[Note]
) -> None:
    """One point moved, or taken out, in the list of paths; or a note why not."""
    what = "taken out" if to is None else "moved"
    found = _nearest(lines, at)
    if found is None:
        said = f"nothing of an edge lies where a point was {what}"
        notes.append(Note(NoteKind.SETTING, said, at, remedy="do it again, or undo it"))
        return
    before = lines[found.path]
    after = _without(before, found.segment) if to is None else _moved(before, found.segment, to)
    if after is None or not _is_apart(lines, n_rings, found.path, after):
        why = "the edge would cross itself or another" if after else "too little would be left"
        said = f"a point was not {what}: {why}"
        notes.append(Note(NoteKind.SETTING, said, at, remedy="move it elsewhere, or undo it"))
        return
    lines[found.path] = after


def _on_sheet(placement: Placement, place: Sequence[float], homography: Points) -> complex:
    x, y, w = homography @ (place[0], place[1], 1.0)
    ((u, v),) = placement.to_mm(np.array([[x / w, y / w]]))
    return complex(u, v)


def nodes_of(path: Path) -> list[complex]:
    """The points where pieces of a path meet, and the ends of an open one."""
    starts = [segment.start for segment in path.segments]
    return starts if path.is_closed else [*starts, path.segments[-1].end]


def _nearest(lines: Sequence[Path], at: complex) -> _Found | None:
    away = [
        (abs(node - at), k, j)
        for k, path in enumerate(lines)
        for j, node in enumerate(nodes_of(path))
    ]
    gap, k, j = min(away, default=(math.inf, 0, 0))
    return _Found(k, j) if gap <= FOUND_MM else None


def _moved(path: Path, node: int, to: complex) -> Path:
    segments, node = _bendable(path, node)
    n = len(segments)
    if node < n:
        segments[node] = _from(segments[node], to)
    if node > 0 or path.is_closed:
        segments[node - 1] = _until(segments[node - 1], to)
    return Path(tuple(segments), path.is_closed)


def _bendable(path: Path, node: int) -> tuple[list[Segment], int]:
    """The pieces, arcs beside a point as cubics, and the number that the point then has."""
    n = len(path.segments)
    beside = {node % n, (node - 1) % n} if path.is_closed else {node, node - 1}
    out: list[Segment] = []
    at = 0
    for k, segment in enumerate(path.segments):
        if k == node:
            at = len(out)
        out += _as_cubics(segment) if k in beside and isinstance(segment, Arc) else [segment]
    return out, len(out) if node == n else at


def _as_cubics(arc: Arc) -> list[Segment]:
    """Cubics for an arc, each a quarter circle at most: within 0.03 % of its radius."""
    n = max(1, math.ceil(abs(arc.sweep_rad) / QUARTER_RAD - 1e-9))
    each = arc.sweep_rad / n
    handle = 4 / 3 * math.tan(each / 4) * 1j
    ends = [arc.start, *(arc.point(k / n) for k in range(1, n)), arc.end]
    return [
        Cubic(a, a + handle * (a - arc.centre), b - handle * (b - arc.centre), b, arc.kind)
        for a, b in itertools.pairwise(ends)
    ]


def _from(segment: Segment, start: complex) -> Segment:
    if isinstance(segment, Cubic):
        return replace(segment, start=start, control1=segment.control1 + start - segment.start)
    return Line(start, segment.end, segment.kind)


def _until(segment: Segment, end: complex) -> Segment:
    if isinstance(segment, Cubic):
        return replace(segment, end=end, control2=segment.control2 + end - segment.end)
    return Line(segment.start, end, segment.kind)


def _without(path: Path, node: int) -> Path | None:
    """One piece in the place of the two beside a point; None where no path would be left."""
    segments = list(path.segments)
    n = len(segments)
    if n - 1 < (2 if path.is_closed else 1):
        return None
    if not path.is_closed and node in (0, n):
        return Path(tuple(segments[1:] if node == 0 else segments[:-1]), False)
    segments[node - 1] = _joined(segments[node - 1], segments[node])
    del segments[node]
    return Path(tuple(segments), path.is_closed)


def _joined(a: Segment, b: Segment) -> Segment:
    """A line for two lines; else a cubic with the outer directions, as near as it comes."""
    if isinstance(a, Line) and isinstance(b, Line):
        return Line(a.start, b.end, a.kind)
    from raster2path.geometry import to_points
    from raster2path.shape.curves import Track, fit_runs

    total = a.length + b.length
    n = max(8, min(400, math.ceil(total / 0.25)))
    n_a = max(2, round(n * a.length / max(total, 1e-9)))
    along = [a.points_at(np.arange(n_a) / n_a), b.points_at(np.linspace(0, 1, max(2, n - n_a)))]
    points = to_points(np.concatenate(along))
    first, last = unit(a.tangent(0.0)), unit(b.tangent(1.0))
    # A price that no closeness is worth: one piece.
    track = Track(points, 0.5, 1e6, first, last, a.kind, penalty=1e9)
    pieces = fit_runs([track])[0].segments
    if len(pieces) == 1:
        return replace(pieces[0], start=a.start, end=b.end)
    reach = total / 3
    return Cubic(a.start, a.start + reach * first, b.end - reach * last, b.end, a.kind)


def _is_apart(lines: Sequence[Path], n_rings: int, number: int, after: Path) -> bool:
    """True where the new path crosses neither itself nor another ring, and keeps its direction."""
    import shapely

    if number >= n_rings:  # slits may meet
        return True
    flat = after.flat(FLAT_MM)
    loop = shapely.LinearRing(flat)
    if not loop.is_simple or after.area * lines[number].area <= 0:
        return False
    others = [lines[k].flat(FLAT_MM) for k in range(n_rings) if k != number]
    return not any(loop.intersects(shapely.LinearRing(other)) for other in others)
