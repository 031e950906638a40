"""What is true of the metal in the end: ties that are free on both sides, small loose bits gone."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import shapely

from raster2path.model import Tie
from raster2path.sign._islands import metal_of, parts_of
from raster2path.sign._surgery import Ring

SHARP_MM = 0.02
"""A side is free where the metal's edge runs along it, this near."""

LEAST_FREE_MM = 0.1


def free_ties(ties: Sequence[Tie], metal: shapely.Geometry, *, kerf_mm: float) -> tuple[Tie, ...]:
    """The ties that still are strips: two free sides, a tie's width apart.

    A later strip may have joined an earlier one from the side, or the gap beside a tie is
    narrower than the kerf and stays metal for want of room for the torch. Then there is one
    plate of metal, wider than a tie, and no strip is left to be listed.
    """
    shapely.prepare(metal)
    return tuple(tie for tie in ties if _is_free(tie, metal, kerf_mm))


def _is_free(tie: Tie, metal: shapely.Geometry, kerf_mm: float) -> bool:
    outline = shapely.Polygon([(z.real, z.imag) for z in tie.corners])
    if not outline.is_valid:
        return False
    x0, y0, x1, y1 = outline.bounds
    by = 3 * kerf_mm + 3
    near = shapely.clip_by_rect(metal, x0 - by, y0 - by, x1 + by, y1 + by)
    # less a hair, so that a gap of just the kerf counts as cut
    half = 0.49 * kerf_mm
    closed = near.buffer(half).buffer(-half) if half > 0 else near
    return _has_free_sides(tie, outline, near.boundary) and _has_free_sides(
        tie, outline, closed.boundary
    )


def _has_free_sides(tie: Tie, outline: shapely.Geometry, edges: shapely.Geometry) -> bool:
    x0, y0, x1, y1 = outline.bounds
    near = shapely.clip_by_rect(edges, x0 - 1, y0 - 1, x1 + 1, y1 + 1)
    free = shapely.line_merge(outline.exterior.intersection(near.buffer(SHARP_MM)))
    sides = [part for part in shapely.get_parts(free) if part.length > LEAST_FREE_MM]
    sides.sort(key=lambda part: -part.length)
    return len(sides) >= 2 and bool(sides[0].distance(sides[1]) > tie.width_mm - 2.5 * SHARP_MM)


def without_small_loose(
    rings: Mapping[int, Ring], *, least_mm2: float
) -> tuple[dict[int, Ring], list[shapely.Geometry]]:
    """The edges less those of loose pieces under `least_mm2`, and the shapes of these."""
    parts = parts_of(metal_of(ring.path for ring in rings.values()))
    small = [part for part in parts[1:] if part.area < least_mm2]
    gone = set()
    for part in small:
        hull = shapely.Polygon(part.exterior).buffer(1e-6)
        for key, ring in rings.items():
            start = ring.path.start
            if hull.covers(shapely.Point(start.real, start.imag)):
                gone.add(key)
    return {key: ring for key, ring in rings.items() if key not in gone}, small
