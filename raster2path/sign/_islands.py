"""What hangs together: metal from its edges, its pieces, and its cores once thin necks are gone."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import shapely

from raster2path.geometry import Path
from raster2path.model import Art, Island

CRUMB_MM2 = 4.0
"""Metal under this is spatter: it is neither held nor missed."""

NECK_MM = 2.0
"""Metal that hangs by less than this counts as loose: it burns through, or bends and breaks."""


class Groups:
    """Which numbers have been joined (union-find)."""

    def __init__(self, n: int) -> None:
        self._above = list(range(n))

    def find(self, k: int) -> int:
        """The number that stands for k's group."""
        while self._above[k] != k:
            self._above[k] = self._above[self._above[k]]
            k = self._above[k]
        return k

    def join(self, a: int, b: int) -> bool:
        """Join two groups; False where they were one already."""
        a, b = self.find(a), self.find(b)
        self._above[max(a, b)] = min(a, b)
        return a != b

    def add(self) -> int:
        """A further number, in a group of its own."""
        self._above.append(len(self._above))
        return len(self._above) - 1

    def copy(self) -> Groups:
        """The same groups, to be joined on their own."""
        twin = Groups(0)
        twin._above = list(self._above)
        return twin

    def all_groups(self) -> list[list[int]]:
        """Members of each group."""
        found: dict[int, list[int]] = {}
        for k in range(len(self._above)):
            found.setdefault(self.find(k), []).append(k)
        return list(found.values())


def owner_of_edges(art: Art) -> list[int]:
    """For each edge, the edge that is the outer one of its piece of metal: itself or its parent."""
    return [
        k if edge.depth % 2 == 0 or edge.parent is None else edge.parent
        for k, edge in enumerate(art.edges)
    ]


def metal_of(paths: Iterable[Path]) -> shapely.Geometry:
    """The region that nested rings enclose: clockwise ones are outer edges, the rest openings."""
    shapes = [shapely.Polygon(path.flat()) for path in paths]
    # y grows down here and up in shapely: clockwise as seen is counter-clockwise there
    outers = [shape for shape in shapes if shape.exterior.is_ccw]
    holes = [shape for shape in shapes if not shape.exterior.is_ccw]
    tree = shapely.STRtree(outers)
    inside: list[list[shapely.Geometry]] = [[] for _ in outers]
    for hole in holes:
        point = shapely.Point(hole.exterior.coords[0])
        around = [k for k in tree.query(point).tolist() if outers[k].contains(point)]
        if around:
            inside[min(around, key=lambda k: outers[k].area)].append(hole.exterior)
    return sound(
        shapely.MultiPolygon(
            [
                shapely.Polygon(outer.exterior, rings)
                for outer, rings in zip(outers, inside, strict=True)
            ]
        )
    )


def sound(region: shapely.Geometry) -> shapely.Geometry:
    """A region that planar geometry can work with, even where edges cross or touch."""
    return region if region.is_valid else shapely.buffer(shapely.make_valid(region), 0)


def parts_of(region: shapely.Geometry) -> list[shapely.Geometry]:
    """Connected parts, largest first, crumbs left out."""
    parts = [p for p in shapely.get_parts(sound(region)) if p.area > CRUMB_MM2]
    return sorted(parts, key=lambda part: -part.area)


def cores_of(metal: shapely.Geometry, *, neck_mm: float = NECK_MM) -> list[shapely.Geometry]:
    """Parts that are left when all metal narrower than `neck_mm` is taken away, largest first."""
    # 0.05 mm less, so that a tie or stem drawn at just that width still holds
    return parts_of(shapely.buffer(metal, -(neck_mm / 2 - 0.05)))


def island_of(piece: shapely.Geometry) -> Island:
    """A piece as the maker is told about it."""
    x0, y0, x1, y1 = piece.bounds
    middle = piece.centroid
    if not piece.contains(middle):
        middle = piece.representative_point()
    return Island(complex(middle.x, middle.y), (x1 - x0, y1 - y0), float(piece.area))


def long_and_short_side(piece: shapely.Geometry) -> tuple[float, float]:
    """Sides of the smallest box, however turned, round a piece."""
    box = shapely.minimum_rotated_rectangle(piece)
    if box.geom_type != "Polygon":
        return float(box.length), 0.0
    corners = shapely.get_coordinates(box)
    sides = np.hypot(*np.diff(corners[:3], axis=0).T)
    return float(sides.max()), float(sides.min())
