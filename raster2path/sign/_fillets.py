"""Small fillets where a tie meets an edge: gentler on the tie's root, and on the grinder."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import shapely

from raster2path.geometry import Arc, Kind, Line, Path, Segment, cross, dot
from raster2path.sign._points import closed_up, rounded
from raster2path.sign._surgery import Ring

SHARES = (1.0, 0.7, 0.45, 0.25)
"""Radii that are tried in turn, as shares of the one asked for."""

MOST_OF_SIDE = 0.4
"""A fillet takes no more than this of a tie's side, or of the edge beside it: two fit there."""

BLUNTEST_COS = 0.94
"""A side that meets the edge flatter than this needs no fillet."""


def filleted(rings: Mapping[int, Ring], *, radius_mm: float) -> dict[int, Ring]:
    """The edges with the corners of ties rounded, by no more than there is room for.

    A fillet only adds metal, in the corner of the drop beside a tie. An edge that would cross
    itself or another for it stays as it is.
    """
    if radius_mm <= 0:
        return dict(rings)
    changed = {}
    for key, ring in rings.items():
        path = _filleted_path(ring.path, radius_mm)
        if path is not None:
            changed[key] = Ring.of(path, ring.origins, is_border=ring.is_border)
    while True:
        now = {key: changed.get(key, ring) for key, ring in rings.items()}
        bad = _crossing(now) & changed.keys()
        if not bad:
            return now
        changed = {key: ring for key, ring in changed.items() if key not in bad}


def _crossing(rings: Mapping[int, Ring]) -> set[int]:
    """Rings that cross themselves or another."""
    keys = list(rings)
    lines = [shapely.LinearRing(rings[key].path.flat()) for key in keys]
    bad = {key for key, line in zip(keys, lines, strict=True) if not line.is_simple}
    one, other = shapely.STRtree(lines).query(lines, predicate="intersects")
    return bad | {keys[k] for k, o in zip(one.tolist(), other.tolist(), strict=True) if k != o}


def _filleted_path(path: Path, radius_mm: float) -> Path | None:
    segments, n = path.segments, len(path.segments)
    first, last = [0.0] * n, [1.0] * n
    arcs: dict[int, Arc] = {}
    for k in range(n):
        after = (k + 1) % n
        if not _is_root(segments[k], segments[after]):
            continue
        for share in SHARES:
            # the same corner the other way round turns right, as a needle's tip does
            fit = rounded(segments[after].reversed(), segments[k].reversed(), share * radius_mm)
            if fit is None:
                continue
            ends = 1 - fit[1], 1 - fit[0]
            if max(1 - ends[0], ends[1]) <= MOST_OF_SIDE:
                last[k], first[after] = ends
                arcs[k] = replace(fit[2], kind=Kind.GEOMETRIC).reversed()
                break
    if not arcs or any(a >= b for a, b in zip(first, last, strict=True)):
        return None
    made: list[Segment] = []
    for k, segment in enumerate(segments):
        whole = first[k] == 0.0 and last[k] == 1.0
        made.append(segment if whole else segment.between(first[k], last[k]))
        if k in arcs:
            made.append(arcs[k])
    return Path(closed_up(made), is_closed=True)


def _is_root(before: Segment, behind: Segment) -> bool:
    """True at a corner of the drop between a tie's side and an edge."""
    if _is_side(before) == _is_side(behind):
        return False
    coming, leaving = before.tangent(1.0), behind.tangent(0.0)
    return cross(coming, leaving) < 0 and dot(coming, leaving) < BLUNTEST_COS


def _is_side(segment: Segment) -> bool:
    return isinstance(segment, Line) and segment.is_tie_side
