"""What falls out: each connected stretch of drop, and the edges round it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely

from raster2path.geometry import Points
from raster2path.model import Sign
from raster2path.torch._edges import Ints, Tagged

SHEET_ROUND_MM = 20.0
"""How much sheet is taken to lie round the sign, where the blank's size is not known."""


@dataclass(frozen=True, slots=True, eq=False)
class Face:
    """One connected stretch of what falls out, and the edges round it.

    Attributes:
        opening: the edge round it, or None for what lies outside the sign.
        rings: indices of all the edges that bound it.
    """

    opening: int | None
    rings: tuple[int, ...]
    area: shapely.Polygon


def faces_of(sign: Sign, rings: Sequence[Tagged]) -> list[Face]:
    """What falls out, face by face: openings in the edges' order, the outside last."""
    areas = polygons([ring.coords for ring in rings])
    is_outer = [ring.area > 0 for ring in rings]
    openings = [k for k in range(len(rings)) if not is_outer[k]]
    within = _homes(rings, areas, openings)
    faces = []
    for k in openings:
        inner = within.get(k, [])
        area = areas[k]
        if inner:
            area = shapely.Polygon(rings[k].coords, [rings[j].coords for j in inner])
        if not area.is_valid or area.geom_type != "Polygon":
            area = _largest(areas[k].difference(shapely.union_all([areas[j] for j in inner])))
        faces.append(Face(k, (k, *inner), area))
    if within[None]:
        metal = shapely.union_all([areas[j] for j in within[None]])
        faces.append(Face(None, tuple(within[None]), _largest(_blank(sign, metal) - metal)))
    return faces


def _homes(
    rings: Sequence[Tagged], areas: Sequence[shapely.Geometry], openings: Sequence[int]
) -> dict[int | None, list[int]]:
    """The outer edges in each opening; under None, those that lie in none."""
    by_size = sorted(openings, key=lambda k: areas[k].area)
    shapely.prepare(np.array([areas[k] for k in openings], object))
    within: dict[int | None, list[int]] = {None: []}
    for k, ring in enumerate(rings):
        if ring.area > 0:
            at = shapely.Point(ring.coords[0])  # on the edge: inside may lie in an opening
            home = next((o for o in by_size if areas[o].contains(at)), None)
            within.setdefault(home, []).append(k)
    return within


def faces_by_ring(faces: Sequence[Face], n_rings: int) -> Ints:
    """For each edge, the number of the face that it bounds; beyond the last where none."""
    out = np.full(n_rings, len(faces))
    for number, face in enumerate(faces):
        out[list(face.rings)] = number
    return out


def polygons(rings: Sequence[Points]) -> list[shapely.Geometry]:
    """The areas within flattened rings (n, 2); valid even where a ring touches itself."""
    if not rings:
        return []
    which = np.repeat(np.arange(len(rings)), [len(ring) for ring in rings])
    made = shapely.polygons(shapely.linearrings(np.concatenate(rings), indices=which))
    valid = shapely.is_valid(made)
    return [
        area if is_valid else area.buffer(0) for area, is_valid in zip(made, valid, strict=True)
    ]


def _largest(area: shapely.Geometry) -> shapely.Polygon:
    parts = [p for p in shapely.get_parts(area) if isinstance(p, shapely.Polygon)]
    return max(parts, key=lambda part: part.area, default=shapely.Polygon())


def _blank(sign: Sign, metal: shapely.Geometry) -> shapely.Polygon:
    """The sheet that the sign is cut from; wide enough to hold it in any case."""
    x0, y0, x1, y1 = metal.bounds
    near = shapely.box(x0, y0, x1, y1).buffer(SHEET_ROUND_MM, join_style="mitre")
    size = sign.art.placement.sheet_mm
    if size is None:
        return near
    sheet = shapely.box(0, 0, *size)
    is_held = sheet.contains(shapely.box(x0, y0, x1, y1).buffer(0.1))
    return near.intersection(sheet) if is_held else near
