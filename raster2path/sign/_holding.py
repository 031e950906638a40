"""All pieces of metal together: a tree of ties over them, second ties where one is not enough."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely

from raster2path.geometry import Kind, Path, unit
from raster2path.job import TieRules
from raster2path.model import Tie
from raster2path.sign._alike import Mirror, alike_pieces, find_mirror
from raster2path.sign._byhand import NOTHING, ByHand, Word
from raster2path.sign._choose import (
    NO_PAIRS,
    Frames,
    Gap,
    Samples,
    gaps,
    image_of,
    sample,
    snapped,
    swung,
    with_facing,
)
from raster2path.sign._islands import Groups
from raster2path.sign._loads import Held, Masses
from raster2path.sign._strips import (
    APART_MM,
    Laid,
    NodeOf,
    Strictness,
    across,
    buried,
    over,
    over_island,
)
from raster2path.sign._surgery import LEAST_PIECE_MM, Crossing, Ring
from raster2path.sign._wanted import demands_across_gaps, tie_by_hand

BAR_RATIO = 5.0
"""A tie longer than five times its width becomes a bar a fifth as wide as it is long."""

SWALLOW_FACTOR = 3.0
"""To bury a tiny piece under its tie is this much worse than to tie it."""

TEETH, SWALLOW, CROWDED = 7, 8, 9
"""Ranks of the last resorts: a strip over whatever lies between, such as teeth; to bury a tiny
piece; to do so where other ties are in the way."""

PAIR_FACTOR = 1.6
"""How much worse a place beside a mirror axis is: its image makes it two ties."""

OWN_IMAGE_MM = 0.5


@dataclass(frozen=True, slots=True)
class _Kept:
    """The state before a strip was laid, to go back to."""

    rings: dict[int, Ring]
    node_of: dict[int, int]
    groups: Groups
    n_held: int
    n_corners: int
    next_ring: int


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
        levels: Sequence[complex],
        rules: TieRules,
        slits: shapely.Geometry,
        by_hand: ByHand = NOTHING,
    ) -> None:
        self.rings = rings
        self._by_hand = by_hand
        self.pieces = pieces
        self.held: list[Held] = []
        self.groups = Groups(len(pieces))
        self._node_of = node_of
        self._rules = rules
        self._stock = rules.material.stock
        self._slits = slits
        self._next = max(rings, default=-1) + 1
        self._located = shapely.STRtree(pieces)
        self._masses = Masses.of(pieces)
        self._has_sheet = any(ring.is_border for ring in rings.values())
        self._frames = Frames.of(pieces, levels)
        self._corners = np.zeros(0, np.complex128)
        self._short = demands_across_gaps(rules)
        self._alike = self._find_alike()
        self.mirror: Mirror | None = None
        self._places: list[Gap] = []
        if len(pieces) > 1:
            samples = sample(rings, lambda key: node_of[key])
            self.mirror = find_mirror(samples.at[~samples.is_border], pieces)
            self._places = self._find_places(samples)

    def _find_places(self, samples: Samples) -> list[Gap]:
        mirror, facing = self.mirror, NO_PAIRS
        if mirror is not None:
            samples, facing = with_facing(
                samples, self.rings, lambda key: self._node_of[key], mirror
            )
        found = gaps(samples, self._frames, tie_mm=self._rules.tie_mm, on_axis=facing)
        free = self._by_hand.kept_free
        if not free.is_empty:
            middles = np.array([place.middle for place in found])
            inside = shapely.contains_xy(free, middles.real, middles.imag)
            found = [place for place, is_in in zip(found, inside, strict=True) if not is_in]
        return found if mirror is None else [snapped(place, mirror) for place in found]

    def _find_alike(self) -> dict[int, list[int]]:
        """For each counter of a letter, those that have the same shape."""
        letters = {
            self._node_of[key]
            for key, ring in self.rings.items()
            if ring.path.kind is Kind.LETTERING and self._node_of[key] != 0
        }
        groups = alike_pieces(self.pieces, sorted(letters))
        return {k: group for group in groups for k in group}

    def node_of(self, ring: int) -> int:
        """The group that a ring's metal belongs to."""
        return self.groups.find(self._node_of[ring])

    def lay(self, laid: Laid, a: int, b: int) -> None:
        """Make a strip part of the metal; `a` and `b` are the pieces it was meant to join."""
        self.groups.join(a, b)
        for key in laid.weld.gone:
            self.groups.join(a, self._node_of[key])
            del self.rings[key]
        node = min(a, b)
        for ring in laid.weld.made:
            self.rings[self._next] = ring
            self._node_of[self._next] = node
            self._next += 1
        for tie in laid.ties:
            z = tie.corners
            self._corners = np.concatenate([self._corners, z])
            first, last = self._piece_at((z[0] + z[3]) / 2), self._piece_at((z[1] + z[2]) / 2)
            if first is None or last is None or first == last:
                first, last = a, b
            self.held.append(Held(tie, first, last, sum(z) / len(z), shape_of(tie)))

    def is_clear(self, laid: Laid) -> bool:
        """True where a strip keeps away from slits and from other ties."""
        return all(self._tie_is_clear(tie) for tie in laid.ties)

    def _tie_is_clear(self, tie: Tie) -> bool:
        strip = shape_of(tie)
        if not self._slits.is_empty and self._slits.intersects(strip):
            return False
        if not self._by_hand.kept_free.is_empty and self._by_hand.kept_free.intersects(strip):
            return False
        if not len(self._corners):
            return True
        own = np.array(tie.corners)
        if np.abs(own[:, None] - self._corners).min() < APART_MM:
            return False
        middle = complex(own.mean())
        return not any(
            strip.intersects(held.shape)
            for held in self.held
            if abs(held.middle - middle) < held.tie.length_mm + tie.length_mm + 50
        )

    # -- by hand --------------------------------------------------------------------------------

    def lay_wanted(self) -> list[Word]:
        """Ties at the places that the maker named; returns those at which there is no gap."""
        missed = []
        for word in self._by_hand.wanted:
            laid = tie_by_hand(self.rings, word, rules=self._rules, is_clear=self.is_clear)
            if laid is None:
                missed.append(word)
                continue
            groups = sorted({self._node_of[c.ring] for c in laid.weld.crossings})
            self.lay(laid, groups[0], groups[-1])
        return missed

    # -- the first tie of every piece ---------------------------------------------------------

    def span(self, *, longest_mm: float = math.inf) -> None:
        """Tie pieces until all hang together: Kruskal's tree over places that have room.

        In a symmetric drawing a tie comes with its mirror image, while there is room for both;
        only what is still loose then is tied without.
        """
        for is_mirrored in (True, False) if self.mirror is not None else (False,):
            if len(self.groups.all_groups()) == 1:
                return
            for _, rank, place, demand in self._tries(longest_mm, is_mirrored=is_mirrored):
                if self.groups.find(place.a) == self.groups.find(place.b):
                    continue
                if demand is not None or rank == TEETH:
                    self._tie(place, demand, is_mirrored=is_mirrored)
                    continue
                laid = self._swallow(place, may_meet_ties=rank == CROWDED)
                if laid is not None:
                    self.lay(laid, place.a, place.b)

    def _tries(
        self, longest_mm: float, *, is_mirrored: bool
    ) -> list[tuple[float, int, Gap, Strictness | None]]:
        """Places and ways to tie there, the gentlest first."""
        places = [place for place in self._places if place.length_mm <= longest_mm]
        factors = [self._pair_factor(place) for place in places]
        tries: list[tuple[float, int, Gap, Strictness | None]] = [
            (place.cost * demand.factor * factor, rank, place, demand)
            for place, factor in zip(places, factors, strict=True)
            for rank, demand in enumerate(self._demands(place))
        ]
        if not is_mirrored:
            tries += [
                (place.cost * factor, rank, place, None)
                for place in places
                if self._is_tiny(place.a) or self._is_tiny(place.b)
                for rank, factor in ((SWALLOW, SWALLOW_FACTOR), (CROWDED, 2 * SWALLOW_FACTOR))
            ]
        tries += [(place.cost * self._pair_factor(place), TEETH, place, None) for place in places]
        # over teeth only what nothing else holds: such a tie ends on the flank of one
        tries.sort(key=lambda item: (item[1] == TEETH, *item[:2]))
        return tries

    def _pair_factor(self, place: Gap) -> float:
        """How much worse a place is that asks for a second tie, its mirror image."""
        if self.mirror is None or self._is_own_image(place):
            return 1.0
        pair = {self.mirror.partner[place.a], self.mirror.partner[place.b]}
        return PAIR_FACTOR if pair == {place.a, place.b} else 1.0

    def _is_own_image(self, place: Gap) -> bool:
        mirror = self.mirror
        return mirror is not None and mirror.off(place.middle) < OWN_IMAGE_MM

    def _tie(self, place: Gap, demand: Strictness | None, *, is_mirrored: bool) -> bool:
        """A tie at a place, with its mirror image and in letters alike; False where none went."""
        laid = self._first_at(place, demand)
        if laid is None:
            return False
        image = self._image(place) if is_mirrored else None
        if image is None:
            self.lay(laid, place.a, place.b)
        elif not self._lay_both(laid, place, image, demand):
            return False
        for twin in self._twins(place):
            again = self._first_at(twin, demand)
            if again is not None and self.groups.find(twin.a) != self.groups.find(twin.b):
                self.lay(again, twin.a, twin.b)
        return True

    def _image(self, place: Gap) -> Gap | None:
        """Where a tie at a place has its mirror image; None where it is its own, or has none.

        Letters are held alike rather than mirrored.
        """
        is_letter = place.a in self._alike or place.b in self._alike
        if self.mirror is None or is_letter or self._is_own_image(place):
            return None
        return image_of(place, self.mirror)

    def _first_at(self, place: Gap, demand: Strictness | None) -> Laid | None:
        """A strip between two groups, with a demand across a clear gap, without over teeth."""
        if demand is None:
            return self._bridge(place, is_first=True)
        return self._try(place, demand)

    def _lay_both(self, laid: Laid, place: Gap, image: Gap, demand: Strictness | None) -> bool:
        """A strip and its mirror image, or neither."""
        kept = self._kept()
        self.lay(laid, place.a, place.b)
        is_apart = self.groups.find(image.a) != self.groups.find(image.b)
        if demand is None:
            other = self._bridge(image, is_first=is_apart)
        else:
            node_of = self.node_of if is_apart else None
            other = self._strip(image, swung(image), demand, node_of)
        if other is None:
            self._go_back(kept)
            return False
        self.lay(other, image.a, image.b)
        return True

    def _kept(self) -> _Kept:
        return _Kept(
            dict(self.rings),
            dict(self._node_of),
            self.groups.copy(),
            len(self.held),
            len(self._corners),
            self._next,
        )

    def _go_back(self, kept: _Kept) -> None:
        self.rings, self._node_of, self.groups = kept.rings, kept.node_of, kept.groups
        del self.held[kept.n_held :]
        self._corners = self._corners[: kept.n_corners]
        self._next = kept.next_ring

    def _twins(self, place: Gap) -> list[Gap]:
        """The same place at letters' counters of the same shape."""
        if self._alike.get(place.a) and self._alike.get(place.b):
            return []
        own = place.a if place.a in self._alike else place.b
        out = []
        x0, y0, x1, y1 = self._frames.boxes[own]
        for k in self._alike.get(own, []):
            if k == own:
                continue
            left, top, right, bottom = self._frames.boxes[k]
            shift = complex(left + right - x0 - x1, top + bottom - y0 - y1) / 2
            start, end = place.start + shift, place.end + shift
            other = self._piece_at(end if own == place.a else start)
            if other is not None and other != k:
                a, b = (k, other) if own == place.a else (other, k)
                out.append(replace(place, a=a, b=b, start=start, end=end))
        return out

    def _piece_at(self, point: complex) -> int | None:
        """The piece of metal whose edge runs by a point."""
        at = shapely.Point(point.real, point.imag)
        near = self._located.query(at, predicate="dwithin", distance=self._rules.tie_mm / 2)
        return min(near.tolist(), key=lambda k: self.pieces[k].distance(at), default=None)

    def add_rail(self, path: Path, *, origins: frozenset[int]) -> None:
        """A bar of metal as a further piece; the other pieces can be tied to it."""
        node = self.groups.add()
        self.pieces.append(shapely.Polygon(path.flat()))
        self._located = shapely.STRtree(self.pieces)
        self._masses = Masses.of(self.pieces)
        self._frames = Frames.of(self.pieces, [*self._frames.level.tolist(), 1 + 0j])
        self.rings[self._next] = Ring.of(path, origins)
        self._node_of[self._next] = node
        self._next += 1
        if self.mirror is not None:
            x0, y0, x1, y1 = path.bounds()
            is_own = self.mirror.off(complex(x0 + x1, y0 + y1) / 2) < OWN_IMAGE_MM
            partner = (*self.mirror.partner, node if is_own else -1)
            self.mirror = replace(self.mirror, partner=partner)
        samples = sample(self.rings, lambda key: self._node_of[key])
        self._places += [p for p in self._find_places(samples) if node in (p.a, p.b)]
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
        return self._strip(place, axes_at(place, demand), demand, self.node_of)

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
                is_clear=self._tie_is_clear,
            )
            if laid is None:
                continue
            if node_of is None or self._touched(laid) == self._groups_at(place):
                return laid
        return None

    def _touched(self, laid: Laid) -> set[int]:
        return {self.node_of(key) for key in laid.weld.gone}

    def _groups_at(self, place: Gap) -> set[int]:
        return {self.groups.find(place.a), self.groups.find(place.b)}

    def _bridge(self, place: Gap, *, is_first: bool) -> Laid | None:
        """A strip from piece to piece over the edges between, where they have teeth."""
        width, groups = self._rules.tie_mm, self._groups_at(place)
        if len(groups) != 1 + is_first:
            return None

        def is_wanted(found: Sequence[Crossing], ties: tuple[Tie, ...]) -> bool:
            touched = {self.node_of(crossing.ring) for crossing in found}
            return bool(ties) and touched == groups and all(map(self._tie_is_clear, ties))

        for axis in swung(place):
            ends = (
                buried(self.pieces[place.a], place.start, -axis, width),
                buried(self.pieces[place.b], place.end, axis, width),
            )
            if ends[0] is None or ends[1] is None:
                continue
            laid = over(self.rings, start=ends[0], end=ends[1], width_mm=width, is_wanted=is_wanted)
            if laid is not None and not laid.weld.buried:
                return laid
        return None

    def _is_tiny(self, node: int) -> bool:
        x0, y0, x1, y1 = self._frames.boxes[node]
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
        return laid if self._touched(laid) == allowed else None


def axes_at(place: Gap, demand: Strictness) -> tuple[complex, ...]:
    """Axes to try: what was made upright or level stays so while there is another place to try."""
    is_level = min(abs(place.axis.real), abs(place.axis.imag)) == 0
    return swung(place)[:1] if is_level and demand.factor == 1 else swung(place)


def shape_of(tie: Tie) -> shapely.Geometry:
    """A tie as a polygon."""
    return shapely.Polygon([(z.real, z.imag) for z in tie.corners])
