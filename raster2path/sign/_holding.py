"""All pieces of metal together: a tree of ties over them, second ties where one is not enough."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import shapely

from raster2path.geometry import Path, Points, unit
from raster2path.job import TieRules
from raster2path.model import Tie
from raster2path.sign._choose import Gap, gaps, sample, swung
from raster2path.sign._islands import Groups
from raster2path.sign._strength import Load, needs_second, sides_of_box
from raster2path.sign._strips import APART_MM, Laid, NodeOf, Strictness, across, over_island
from raster2path.sign._surgery import LEAST_PIECE_MM, Ring

BAR_RATIO = 5.0
"""A tie longer than five times its width becomes a bar a fifth as wide as it is long."""

SWALLOW_FACTOR = 3.0
"""To bury a tiny piece under its tie is this much worse than to tie it."""

SWALLOW, CROWDED = 8, 9
"""Ranks of the last resorts: to bury a tiny piece; to do so where other ties are in the way."""

NEAREST_SECOND = 3.0
"""A second tie stands at least this many widths from the first."""

FAR_SIDE = 3.0
"""How much the far side is preferred for a second tie."""


@dataclass(frozen=True, slots=True)
class Held:
    """One tie and the two pieces that it joins."""

    tie: Tie
    a: int
    b: int
    middle: complex
    shape: shapely.Geometry


class Holding:
    """The edges while ties are laid: rings by number, pieces by number, what holds what.

    Attributes:
        rings: every edge as it is now.
        pieces: the pieces of metal before ties, largest first; number 0 is the main one.
        held: the ties so far.
        groups: which pieces hang together.
    """

    def __init__(
        self,
        rings: dict[int, Ring],
        node_of: dict[int, int],
        pieces: list[shapely.Geometry],
        *,
        rules: TieRules,
        slits: shapely.Geometry,
    ) -> None:
        self.rings = rings
        self.pieces = pieces
        self.held: list[Held] = []
        self.groups = Groups(len(pieces))
        self._node_of = node_of
        self._rules = rules
        self._slits = slits
        self._next = max(rings, default=-1) + 1
        self._boxes: Points = np.array([piece.bounds for piece in pieces]).reshape(-1, 4)
        self._corners: list[complex] = []
        self._short = _demands_across_gaps(rules)
        self._places = self._find_places() if len(pieces) > 1 else []

    def _find_places(self) -> list[Gap]:
        samples = sample(self.rings, lambda key: self._node_of[key])
        return gaps(samples, self._boxes, tie_mm=self._rules.tie_mm)

    def node_of(self, ring: int) -> int:
        """The group that a ring's metal belongs to."""
        return self.groups.find(self._node_of[ring])

    def lay(self, laid: Laid, a: int, b: int) -> None:
        """Make a strip part of the metal."""
        for key in laid.weld.gone:
            del self.rings[key]
        node = min(a, b)
        for ring in laid.weld.made:
            self.rings[self._next] = ring
            self._node_of[self._next] = node
            self._next += 1
        self.groups.join(a, b)
        for tie in laid.ties:
            self._corners += tie.corners
            self.held.append(Held(tie, a, b, sum(tie.corners) / len(tie.corners), shape_of(tie)))

    def is_clear(self, laid: Laid) -> bool:
        """True where a strip keeps away from slits and from other ties."""
        return all(self._tie_is_clear(tie) for tie in laid.ties)

    def _tie_is_clear(self, tie: Tie) -> bool:
        strip = shape_of(tie)
        if not self._slits.is_empty and self._slits.intersects(strip):
            return False
        if not self._corners:
            return True
        own = np.array(tie.corners)
        if np.abs(own[:, None] - np.array(self._corners)).min() < APART_MM:
            return False
        middle = complex(own.mean())
        return not any(
            strip.intersects(held.shape)
            for held in self.held
            if abs(held.middle - middle) < held.tie.length_mm + tie.length_mm + 50
        )

    # -- the first tie of every piece ---------------------------------------------------------

    def span(self, *, longest_mm: float = math.inf) -> None:
        """Tie pieces until all hang together: Kruskal's tree over places that have room."""
        places = [place for place in self._places if place.length_mm <= longest_mm]
        tries: list[tuple[float, int, Gap, Strictness | None]] = [
            (place.cost * demand.factor, rank, place, demand)
            for place in places
            for rank, demand in enumerate(self._demands(place))
        ]
        tries += [
            (place.cost * factor, rank, place, None)
            for place in places
            if self._is_tiny(place.a) or self._is_tiny(place.b)
            for rank, factor in ((SWALLOW, SWALLOW_FACTOR), (CROWDED, 2 * SWALLOW_FACTOR))
        ]
        tries.sort(key=lambda item: item[:2])
        for _, rank, place, demand in tries:
            if self.groups.find(place.a) == self.groups.find(place.b):
                continue
            if demand is None:
                laid = self._swallow(place, may_meet_ties=rank == CROWDED)
            else:
                laid = self._try(place, demand)
            if laid is not None:
                self.lay(laid, place.a, place.b)

    def add_rail(self, path: Path, *, origins: frozenset[int]) -> None:
        """A bar of metal as a further piece; the other pieces can be tied to it."""
        node = self.groups.add()
        self.pieces.append(shapely.Polygon(path.flat()))
        self._boxes = np.vstack([self._boxes, self.pieces[-1].bounds])
        self.rings[self._next] = Ring.of(path, origins)
        self._node_of[self._next] = node
        self._next += 1
        self._places += [p for p in self._find_places() if node in (p.a, p.b)]
        self._places.sort(key=lambda place: place.cost)

    def _demands(self, place: Gap) -> tuple[Strictness, ...]:
        """Ways to tie at a place, best first: in full, less square, narrower."""
        full = self._rules.tie_mm
        if place.length_mm > BAR_RATIO * full:
            wide = place.length_mm / BAR_RATIO
            return (
                Strictness(wide, 0.5, LEAST_PIECE_MM, 1.0),
                Strictness((wide + full) / 2, 0.35, 0.0, 1.7),
                Strictness(full, 0.35, 0.0, 2.5),
            )
        return self._short

    def _try(self, place: Gap, demand: Strictness) -> Laid | None:
        """A first tie at a place, between two groups."""
        # what was made upright or level stays so while there is another place to try
        is_level = min(abs(place.axis.real), abs(place.axis.imag)) == 0
        axes = swung(place)[:1] if is_level and demand.factor == 1 else swung(place)
        return self._strip(place, axes, demand, self.node_of)

    def _strip(
        self,
        place: Gap,
        axes: tuple[complex, ...],
        demand: Strictness,
        node_of: NodeOf | None,
    ) -> Laid | None:
        """The first strip along one of the axes that has room and is clear of all others."""
        for axis in axes:
            laid = across(
                self.rings,
                node_of,
                middle=place.middle,
                axis=axis,
                length_mm=place.length_mm,
                demand=demand,
            )
            if laid is not None and self.is_clear(laid):
                return laid
        return None

    def _is_tiny(self, node: int) -> bool:
        x0, y0, x1, y1 = self._boxes[node]
        return node != 0 and max(x1 - x0, y1 - y0) < 2.5 * self._rules.tie_mm

    def _swallow(self, place: Gap, *, may_meet_ties: bool) -> Laid | None:
        """A strip over the whole of the smaller piece at a place."""
        node = min((place.a, place.b), key=lambda k: self.pieces[k].area)
        axis = unit(place.end - place.start) * (1 if node == place.a else -1)
        group = self.groups.find(node)
        if sum(self.groups.find(k) == group for k in range(len(self.pieces))) > 1:
            return None
        laid = over_island(
            self.rings,
            self.node_of,
            island=self.pieces[node],
            node=group,
            axis=axis,
            length_mm=place.length_mm,
            width_mm=self._rules.least_tie_mm,
            may_meet_ties=may_meet_ties,
        )
        if laid is None or not (may_meet_ties or self.is_clear(laid)):
            return None
        allowed = {group, self.groups.find(place.b if node == place.a else place.a)}
        touched = {self.node_of(key) for key in laid.weld.gone}
        return laid if touched == allowed else None

    # -- the second ----------------------------------------------------------------------------

    def brace(self) -> list[int]:
        """Second ties where one is not enough; returns pieces that hang on one all the same."""
        tree = _Tree(self)
        weak = []
        for below, first in tree.hanging():
            if self._n_across(below) > 1 or not self._needs_second(below, first):
                continue
            if not self._brace_one(below, first):
                weak.append(max(below, key=lambda k: self.pieces[k].area))
        return weak

    def _n_across(self, below: frozenset[int]) -> int:
        return sum((held.a in below) != (held.b in below) for held in self.held)

    def _needs_second(self, below: frozenset[int], first: Held) -> bool:
        areas = np.array([self.pieces[k].area for k in sorted(below)])
        middles = np.array([_middle(self.pieces[k]) for k in sorted(below)])
        # all that the tie carries counts: a row of small pieces is one long arm
        long_mm, short_mm = sides_of_box(*self._box_of(below))
        load = Load(
            float(areas.sum()), complex((areas * middles).sum() / areas.sum()), long_mm, short_mm
        )
        return needs_second(
            load,
            tie_at=first.middle,
            width_mm=first.tie.width_mm,
            thickness_mm=self._rules.thickness_mm,
        )

    def _box_of(self, nodes: frozenset[int]) -> tuple[float, float, float, float]:
        boxes = self._boxes[sorted(nodes)]
        (x0, y0), (x1, y1) = boxes[:, :2].min(axis=0), boxes[:, 2:].max(axis=0)
        return float(x0), float(y0), float(x1), float(y1)

    def _brace_one(self, below: frozenset[int], first: Held) -> bool:
        x0, y0, x1, y1 = self._box_of(below)
        middle = complex(x0 + x1, y0 + y1) / 2
        away = unit(middle - first.middle)
        size = max(sides_of_box(x0, y0, x1, y1)[0], 1e-6)
        longest = max(3 * first.tie.length_mm, BAR_RATIO * self._rules.tie_mm)
        ranked = []
        for place in self._places:
            if (place.a in below) == (place.b in below) or place.length_mm > longest:
                continue
            ahead = (away.conjugate() * unit(place.middle - middle)).real
            apart = abs(place.middle - first.middle)
            if apart < NEAREST_SECOND * first.tie.width_mm:
                continue
            huddled = 1 + max(0.0, 1 - 2 * apart / size) * (1 if len(below) == 1 else FAR_SIDE)
            ranked.append((place.cost * (1 + FAR_SIDE * (1 - ahead) / 2) * huddled, place))
        ranked.sort(key=lambda pair: pair[0])
        for rank in (0, 1):
            for _, place in ranked[:60]:
                demands = self._demands(place)
                demand = demands[min(rank, len(demands) - 1)]
                laid = self._strip(place, swung(place), demand, None)
                if laid is not None:
                    self.lay(laid, place.a, place.b)
                    return True
        return False


class _Tree:
    """The tree of first ties, rooted at the main piece."""

    def __init__(self, holding: Holding) -> None:
        self._near: dict[int, list[Held]] = {}
        for held in holding.held:
            self._near.setdefault(held.a, []).append(held)
            self._near.setdefault(held.b, []).append(held)

    def hanging(self) -> list[tuple[frozenset[int], Held]]:
        """For each first tie, what hangs on it seen from the main piece; the farthest first."""
        above: dict[int, tuple[int, Held]] = {}
        order, seen = [0], {0}
        for node in order:
            for held in self._near.get(node, []):
                other = held.b if held.a == node else held.a
                if other not in seen:
                    seen.add(other)
                    above[other] = (node, held)
                    order.append(other)
        below: dict[int, set[int]] = {node: {node} for node in order}
        for node in reversed(order[1:]):
            below[above[node][0]] |= below[node]
        return [(frozenset(below[node]), above[node][1]) for node in reversed(order[1:])]


def _demands_across_gaps(rules: TieRules) -> tuple[Strictness, ...]:
    full, least = rules.tie_mm, rules.least_tie_mm
    ways = [Strictness(full, 0.75, LEAST_PIECE_MM, 1.0), Strictness(full, 0.4, 0.0, 1.8)]
    if least < full - 0.1:
        ways.append(Strictness(least, 0.4, 0.0, 2.4))
    return tuple(ways)


def shape_of(tie: Tie) -> shapely.Geometry:
    """A tie as a polygon."""
    return shapely.Polygon([(z.real, z.imag) for z in tie.corners])


def _middle(piece: shapely.Geometry) -> complex:
    point = piece.centroid
    return complex(point.x, point.y)
