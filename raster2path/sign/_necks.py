"""Metal that hangs only by a neck: a strip is laid over the neck, or across a gap beside it."""

from __future__ import annotations

import numpy as np
import shapely

from raster2path.geometry import Points, to_points, unit
from raster2path.job import TieRules
from raster2path.sign._alike import Mirror
from raster2path.sign._islands import NECK_MM, Groups, cores_of, metal_of
from raster2path.sign._strips import Laid, Rings, over, run_on
from raster2path.sign._surgery import LEAST_PIECE_MM, Ring

N_ROUNDS = 5
ASIDE = (0.0, 0.15, -0.15, 0.3, -0.3)
"""Shifts to the side that are tried, as a share of the strip's width."""


class Necks:
    """The edges while necks are strengthened."""

    def __init__(
        self,
        rings: Rings,
        *,
        rules: TieRules,
        slits: shapely.Geometry,
        mirror: Mirror | None = None,
    ) -> None:
        self.rings = dict(rings)
        self._mirror = mirror
        self.laid: list[Laid] = []
        self._rules = rules
        self._slits = slits
        self._next = max(rings, default=-1) + 1

    def strengthen(self) -> None:
        """Lay strips until the metal is one piece even without necks, or nothing more helps."""
        for _ in range(N_ROUNDS):
            metal = metal_of(ring.path for ring in self.rings.values())
            cores = cores_of(metal)
            if len(cores) < 2 or not self._round(metal, cores):
                return

    def _round(self, metal: shapely.Geometry, cores: list[shapely.Geometry]) -> bool:
        """One strip for every core that hangs apart, shortest first; False where none could be."""
        groups = Groups(len(cores))
        shapely.prepare(metal)
        n_laid = 0
        for a, b, line in _links(cores):
            if groups.find(a) == groups.find(b):
                continue
            laid = self._over_link(metal, line)
            if laid is None:
                continue
            groups.join(a, b)
            self._lay(laid)
            n_laid += 1
            image = self._over_image(metal, line)
            if image is not None:
                self._lay(image)
        return n_laid > 0

    def _over_image(self, metal: shapely.Geometry, line: Points) -> Laid | None:
        """The strip over a neck's mirror image, in a symmetric drawing."""
        if self._mirror is None:
            return None
        ends = [self._mirror.point(complex(*point)) for point in line]
        if self._mirror.off((ends[0] + ends[-1]) / 2) < self._rules.tie_mm:
            return None
        return self._over_link(metal, to_points(np.array(ends)))

    def _lay(self, laid: Laid) -> None:
        for key in laid.weld.gone:
            del self.rings[key]
        for ring in laid.weld.made:
            self.rings[self._next] = ring
            self._next += 1
        self.laid.append(laid)

    def _over_link(self, metal: shapely.Geometry, line: Points) -> Laid | None:
        start, end = complex(*line[0]), complex(*line[-1])
        axis = unit(end - start)
        if axis == 0:
            return None
        full, least = self._rules.tie_mm, self._rules.least_tie_mm
        for width, leftover, may_meet in (
            (full, LEAST_PIECE_MM, False),
            (least, LEAST_PIECE_MM, False),
            (least, 0.0, False),
            (least, 0.0, True),
        ):
            for share in ASIDE:
                shift = 1j * axis * share * width
                a = run_on(metal, start + shift, -axis, width)
                b = run_on(metal, end + shift, axis, width)
                laid = over(
                    self.rings,
                    start=a,
                    end=b,
                    width_mm=width,
                    least_left_mm=leftover,
                    may_meet_ties=may_meet,
                )
                if laid is not None and self._is_clear(laid, a, b, width):
                    return laid
        return None

    def _is_clear(self, laid: Laid, a: complex, b: complex, width: float) -> bool:
        """True where no slit lies under the strip, and no opening of any size."""
        if any(_area(self.rings[key]) > 2 * width**2 for key in laid.weld.buried):
            return False
        line = shapely.LineString([(a.real, a.imag), (b.real, b.imag)])
        return bool(self._slits.is_empty or self._slits.distance(line) > width / 2)


def _area(ring: Ring) -> float:
    return abs(ring.path.area)


def _links(cores: list[shapely.Geometry]) -> list[tuple[int, int, Points]]:
    """Shortest lines between cores, shortest first: all to all, for there are few."""
    tree = shapely.STRtree(cores)
    found = []
    for k, core in enumerate(cores[1:], start=1):
        near = tree.query(core, predicate="dwithin", distance=_reach(core, cores, k))
        for other in near.tolist():
            if other != k:
                line = shapely.shortest_line(core, cores[other])
                found.append((line.length, k, other, shapely.get_coordinates(line)))
    found.sort(key=lambda item: (item[0], item[1], item[2]))
    return [(a, b, line) for _, a, b, line in found]


def _reach(core: shapely.Geometry, cores: list[shapely.Geometry], k: int) -> float:
    """Far enough to meet the nearest larger core, and others nearly as near."""
    _, far = shapely.STRtree(cores[:k]).query_nearest(core, return_distance=True)
    return float(far.min()) * 1.5 + NECK_MM
