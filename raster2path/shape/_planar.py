"""A net of lines as a planar map: which face lies on which side of each line.

Private to the folder. Each stroke is two half-edges, 2k along it and 2k + 1 against it, each with
a face on its right. Walking on at each node along the next half-edge to the right goes round one
face (common practice for planar maps, no source).
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass

import numpy as np

from raster2path.geometry import Points, signed_area

OUTSIDE = 0
"""The face that goes on for ever."""


@dataclass(frozen=True, slots=True, eq=False)
class Line:
    """A polyline between two nodes, both ends included, or a closed one on a node of its own.

    A closed one does not repeat its first point.
    """

    points: Points
    nodes: tuple[int, int]
    is_closed: bool


@dataclass(frozen=True, slots=True, eq=False)
class PlanarMap:
    """Lines and faces.

    Attributes:
        lines: as handed in.
        right: the face on the right of each half-edge; face 0 is outside everything.
        outline: each bounded face's own outer cycle, as half-edges; None for face 0.
        around: half-edges that leave each node, by angle, clockwise as seen.
    """

    lines: tuple[Line, ...]
    right: tuple[int, ...]
    outline: tuple[tuple[int, ...] | None, ...]
    around: dict[int, tuple[int, ...]]

    def start(self, half: int) -> int:
        """The node that a half-edge leaves."""
        return self.lines[half // 2].nodes[half % 2]

    def end(self, half: int) -> int:
        """The node that a half-edge comes to."""
        return self.start(half ^ 1)

    def left(self, half: int) -> int:
        """The face on the left of a half-edge."""
        return self.right[half ^ 1]

    def points(self, half: int) -> Points:
        """Points along a half-edge, without its last, which the next one starts with."""
        return _walked(self.lines, half)

    def chain(self, halves: tuple[int, ...]) -> Points:
        """Points of a closed chain; the first is not repeated."""
        return np.concatenate([self.points(half) for half in halves])

    def depths(self) -> list[int]:
        """For each face, the fewest lines crossed on the way from outside."""
        beside: dict[int, set[int]] = {}
        for half, face in enumerate(self.right):
            beside.setdefault(face, set()).add(self.left(half))
        depth = [-1] * len(self.outline)
        depth[OUTSIDE] = 0
        queue = deque([OUTSIDE])
        while queue:
            face = queue.popleft()
            for other in sorted(beside.get(face, ())):
                if depth[other] < 0:
                    depth[other] = depth[face] + 1
                    queue.append(other)
        return [max(value, 0) for value in depth]


def planar_map(lines: tuple[Line, ...], *, look: float) -> PlanarMap:
    """The faces of a net whose lines meet at nodes only.

    Args:
        lines: they must not cross.
        look: how far from a node a line's direction is taken.
    """
    around = _around(lines, look)
    following = {}
    for leaving in around.values():
        for place, half in enumerate(leaving):
            following[half ^ 1] = leaving[place - 1]  # arriving against it, turn right
    cycles = _cycles(following, 2 * len(lines))
    areas = [
        signed_area(np.concatenate([_walked(lines, half) for half in cycle])) for cycle in cycles
    ]
    piece = _pieces(lines)
    outer: dict[int, int] = {}
    for c, cycle in enumerate(cycles):
        name = piece[cycle[0] // 2]
        if name not in outer or areas[c] < areas[outer[name]]:
            outer[name] = c
    rims = set(outer.values())
    bounded = [c for c in range(len(cycles)) if c not in rims]
    face = {c: f + 1 for f, c in enumerate(bounded)}
    outline = (None, *(cycles[c] for c in bounded))
    rings = [np.concatenate([_walked(lines, half) for half in cycles[c]]) for c in bounded]
    sample = {name: lines[cycles[c][0] // 2].points[0] for name, c in outer.items()}
    owners = [piece[cycles[c][0] // 2] for c in bounded]
    homes = _homes(sample, rings, owners)
    for name, c in outer.items():
        face[c] = homes[name]
    right = [OUTSIDE] * (2 * len(lines))
    for c, cycle in enumerate(cycles):
        for half in cycle:
            right[half] = face[c]
    return PlanarMap(lines, tuple(right), outline, around)


def _walked(lines: tuple[Line, ...], half: int) -> Points:
    line = lines[half // 2]
    if not line.is_closed:
        return line.points[:-1] if half % 2 == 0 else line.points[:0:-1]
    if half % 2 == 0:
        return line.points
    return np.concatenate([line.points[:1], line.points[:0:-1]])


def _around(lines: tuple[Line, ...], look: float) -> dict[int, tuple[int, ...]]:
    """Half-edges that leave each node, sorted by the angle at which they do."""
    leaving: dict[int, list[tuple[float, int]]] = {}
    for k, line in enumerate(lines):
        points = np.vstack([line.points, line.points[:1]]) if line.is_closed else line.points
        for half, way in ((2 * k, points), (2 * k + 1, points[::-1])):
            off = np.hypot(*(way - way[0]).T)
            far = int(np.argmax(off >= look)) if (off >= look).any() else int(np.argmax(off))
            dx, dy = way[min(far, max(1, len(way) // 2))] - way[0]
            leaving.setdefault(line.nodes[half % 2], []).append((math.atan2(dy, dx), half))
    return {node: tuple(half for _, half in sorted(ways)) for node, ways in leaving.items()}


def _cycles(following: dict[int, int], n: int) -> list[tuple[int, ...]]:
    seen: set[int] = set()
    cycles = []
    for first in range(n):
        if first in seen:
            continue
        cycle = [first]
        seen.add(first)
        while (half := following[cycle[-1]]) != first:
            cycle.append(half)
            seen.add(half)
        cycles.append(tuple(cycle))
    return cycles


def _pieces(lines: tuple[Line, ...]) -> list[int]:
    """A name for the connected piece of the net that each line belongs to."""
    home: dict[int, int] = {}

    def root(node: int) -> int:
        while home.setdefault(node, node) != node:
            node = home[node]
        return node

    for line in lines:
        home[root(line.nodes[0])] = root(line.nodes[1])
    return [root(line.nodes[0]) for line in lines]


def _homes(sample: dict[int, Points], rings: list[Points], owners: list[int]) -> dict[int, int]:
    """For each piece of the net, the smallest face of another piece that it lies in.

    Args:
        sample: a point of each piece, by its name.
        rings: outline of face 1, 2 and so on.
        owners: the piece that each face belongs to.
    """
    import shapely

    names = list(sample)
    home = dict.fromkeys(names, OUTSIDE)
    if not names:
        return home
    x, y = np.array([sample[name] for name in names]).T
    for f in sorted(range(len(rings)), key=lambda f: -signed_area(rings[f])):
        # GEOS counts crossings here, so that lines walked both ways cancel out.
        inside = shapely.contains_xy(shapely.Polygon(rings[f]), x, y)
        for k in np.flatnonzero(inside).tolist():
            if names[k] != owners[f]:
                home[names[k]] = f + 1
    return home
