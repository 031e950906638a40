"""What letters that are grown together with something are parted from, and how it is told."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from raster2path.geometry import Kind, Points, to_complex, to_points
from raster2path.model import Outlines, Ring
from raster2path.shape._marks import Mark

if TYPE_CHECKING:
    import shapely

Bools = npt.NDArray[np.bool_]

BAR_PX, BAR_SHARE = 1.5, 0.003
"""How far, in pixels and of its size, a bar's outline may stray from a rectangle."""


@dataclass(frozen=True, slots=True, eq=False)
class Joined:
    """A word that is grown into something.

    Attributes:
        rings: indices of the outlines that hold parts of it.
        lettered: of each, which points are letters'.
        level: the outline that most of it is in, and the direction of its base line, length one;
            None where that isn't straight.
        middle: of it, in pixels.
        height: of its letters, in pixels.
        odds: log odds that it is one.
        is_ruled: what it stands on is a bar or a frame.
    """

    rings: tuple[int, ...]
    lettered: tuple[Bools, ...]
    level: tuple[int, complex] | None
    middle: complex
    height: float
    odds: float
    is_ruled: bool


def part(rings: list[Ring], words: Sequence[Joined]) -> None:
    """Give letters and what they stand on their own kinds, in the outlines that hold both."""
    lettered: dict[int, Bools] = {}
    rest: dict[int, Kind] = {}
    for word in words:
        drawing = Kind.GEOMETRIC if word.is_ruled else Kind(int(rings[word.rings[0]].kinds[0]))
        for k, points in zip(word.rings, word.lettered, strict=True):
            if points.any():
                lettered[k] = lettered.get(k, False) | points
                rest.setdefault(k, drawing)
    for k, points in lettered.items():
        kinds = np.where(points, int(Kind.LETTERING), int(rest[k])).astype(np.uint8)
        rings[k] = replace(rings[k], kinds=kinds)


def solid_of(
    outlines: Outlines, marks: Sequence[Mark], k: int
) -> tuple[shapely.Geometry, list[int]]:
    """What lies in an outline without what is cut out of it; and the rings that bound it."""
    import shapely

    def area(ring: int) -> shapely.Geometry:
        points = outlines.placement.to_px(outlines.rings[ring].points_mm)
        return shapely.make_valid(shapely.Polygon(points))

    inside = [m for m in range(len(outlines.rings)) if marks[m].parent == k]
    return area(k).difference(shapely.union_all([area(m) for m in inside])), [k, *inside]


def size_of(area: shapely.Geometry) -> float:
    x0, y0, x1, y1 = area.bounds
    return float(max(x1 - x0, y1 - y0))


def is_bar(points: Points, mark: Mark) -> bool:
    """True where all that a word stands on is a rectangle: a bar, or the inside of a frame."""
    import cv2
    import shapely

    if len(points) < len(mark.drawn[0]):
        return False
    corners = cv2.boxPoints(cv2.minAreaRect(points.astype(np.float32)))
    off = shapely.distance(shapely.LinearRing(corners), shapely.points(points))
    return bool(np.quantile(off, 0.99) <= max(BAR_PX, 3 * mark.noise, BAR_SHARE * mark.size))


@dataclass(frozen=True, slots=True)
class Move:
    """A turn about the origin, then a shift, in pixels."""

    turn: complex = 1 + 0j
    shift: complex = 0j

    def of(self, points: Points) -> Points:
        """Points (n, 2) after it."""
        return to_points(to_complex(points) * self.turn + self.shift)


STAY = Move()


def as_outlines(
    outlines: Outlines,
    pieces: Sequence[shapely.Geometry],
    moves: Sequence[Move] = (),
    loose: Sequence[tuple[int, Move]] = (),
) -> Outlines:
    """Pieces as rings, outer ones first, then what is cut out of them, then other rings.

    Each is moved, if it is said how.
    """
    import shapely

    noise = float(np.median([ring.noise_mm for ring in outlines.rings]))
    lines = [p.exterior for p in pieces] + [i for p in pieces for i in p.interiors]
    moved = [moves[k] if moves else STAY for k in owners_of(pieces)]
    drawn = [shapely.get_coordinates(line)[:-1] for line in lines]
    drawn += [outlines.placement.to_px(outlines.rings[k].points_mm) for k, _ in loose]
    rings = []
    for points, move in zip(drawn, [*moved, *(m for _, m in loose)], strict=True):
        at = outlines.placement.to_mm(move.of(points))
        rings.append(Ring(at, np.zeros(len(at), np.uint8), noise))
    return replace(outlines, rings=tuple(rings), strokes=(), notes=(), rows=())


def owners_of(pieces: Sequence[shapely.Geometry]) -> list[int]:
    """The piece that each ring of `as_outlines` belongs to."""
    return [*range(len(pieces)), *(k for k, p in enumerate(pieces) for _ in p.interiors)]
