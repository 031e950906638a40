"""Second ties, and wider ones, where one is not enough: by what hangs on each of them."""

from __future__ import annotations

import itertools
import math

import numpy as np
import shapely

from raster2path.geometry import Complexes, to_points, unit
from raster2path.model import Tie
from raster2path.sign._choose import Floats, Gap
from raster2path.sign._holding import BAR_RATIO, OWN_IMAGE_MM, Holding, axes_at
from raster2path.sign._loads import Held, hanging, heart, loaded
from raster2path.sign._loads import across as ties_across
from raster2path.sign._strength import (
    KNOCKS,
    Load,
    needs_second,
    shared_stress_mpa,
    sides_of_box,
    stress_mpa,
)
from raster2path.sign._strips import Laid, Strictness, across

NEAREST_SECOND = 3.0
"""A second tie stands at least this many widths from the first."""

MOST_SHARING = 4
"""No more ties than this are added where others are too weak."""

WIDE, WIDEST, WIDEST_SHARE = 2.0, 4.0, 0.5
"""A weak tie is made twice as wide; where that is not enough, and another tie beside it is not,
four times; never wider than this share of its piece's short side."""

TOO_WEAK = 1.001
"""Stress over what is allowed that is told."""

N_SECONDS = 60
"""So many places are tried for a second tie."""

MOST_EXCESS = 4.0
"""A place that relieves the other ties too little is at most so much worse."""

FAR_SIDE = 3.0
"""How much the far side is preferred for a second tie."""


class Bracing(Holding):
    """The edges once all pieces hang together, while they are made to hang well."""

    def brace(self) -> list[int]:
        """More ties, then wider ones, where one is not enough; returns pieces still too weak."""
        for below, first in hanging(self.held, self._root()):
            if len(ties_across(self.held, below)) == 1 and self._needs_second(below, first):
                self._brace_one(below, first)
        for most in (WIDE, WIDEST):
            for below, first in hanging(self.held, self._root()):
                if self._excess(below) > 1:
                    self._widen(below, most * self._rules.tie_mm)
                if self._excess(below) > 1 and len(ties_across(self.held, below)) < MOST_SHARING:
                    self._brace_one(below, first)
        weak = [
            max(below, key=lambda k: self.pieces[k].area)
            for below, first in hanging(self.held, self._root())
            if self._excess(below) > TOO_WEAK
            or (len(ties_across(self.held, below)) == 1 and self._needs_second(below, first))
        ]
        return list(dict.fromkeys(weak))

    def _excess(self, below: frozenset[int]) -> float:
        """Stress in the ties of some pieces, as a share of what is allowed."""
        ties = [one.tie for one in ties_across(self.held, below)]
        area, middle = self._masses.together(below)
        thickness_mm = self._rules.thickness_mm
        stress, _ = shared_stress_mpa(
            area_mm2=area, middle=middle, ties=ties, thickness_mm=thickness_mm, stock=self._stock
        )
        return stress * KNOCKS / self._stock.allowed_mpa

    def _widen(self, below: frozenset[int], widest_mm: float) -> None:
        """Wider ties for some pieces, as far as there is room."""
        for share in (1.0, 0.6):
            for one in ties_across(self.held, below):
                if not any(held is one for held in self.held):
                    continue  # widened just now, as another one's image
                excess = self._excess(below)
                if excess <= 1:
                    return
                sides = [sides_of_box(*self._frames.boxes[k])[1] for k in (one.a, one.b)]
                most = min(widest_mm, WIDEST_SHARE * min(sides))
                wide = min(one.tie.width_mm * (1 + (1.05 * excess - 1) * share), most)
                if wide > 1.05 * one.tie.width_mm:
                    image = self._image_of(one)
                    self._widen_one(one, wide)
                    if image is not None and image.tie.width_mm < wide:
                        self._widen_one(image, wide)

    def _image_of(self, one: Held) -> Held | None:
        """The tie that stands where a tie has its mirror image."""
        if self.mirror is None or self.mirror.off(one.middle) < OWN_IMAGE_MM:
            return None
        at = self.mirror.point(one.middle)
        near = min(self.held, key=lambda other: abs(other.middle - at))
        return near if near is not one and abs(near.middle - at) < self._rules.tie_mm else None

    def _widen_one(self, one: Held, width_mm: float) -> None:
        a, b, c, d = one.tie.corners
        place = (a + d) / 2, (b + c) / 2
        k = next(n for n, held in enumerate(self.held) if held is one)
        kept = self._kept()
        corners = self._corners
        del self.held[k]
        self._corners = corners[~np.isin(corners, one.tie.corners)]
        laid = across(
            self.rings,
            None,
            middle=sum(place) / 2,
            axis=unit(place[1] - place[0]),
            length_mm=one.tie.length_mm,
            demand=Strictness(width_mm, 0.5, 0.0, 1.0),
        )
        if laid is not None and self.is_clear(laid):
            self.lay(laid, one.a, one.b)
            self.held.insert(k, self.held.pop())
        else:
            self.held.insert(k, one)
            self._corners = corners
            self._go_back(kept)

    def ties(self) -> list[Tie]:
        """All ties, with the numbers behind each."""
        return loaded(
            self.held,
            self._masses,
            root=self._root(),
            thickness_mm=self._rules.thickness_mm,
            stock=self._stock,
        )

    def _root(self) -> int:
        """The piece that holds all others: the sheet; without one, the heart of them all."""
        return 0 if self._has_sheet else heart(self.held, self._masses)

    def _needs_second(self, below: frozenset[int], first: Held) -> bool:
        area, middle = self._masses.together(below)
        # all that the tie carries counts: a row of small pieces is one long arm
        long_mm, short_mm = sides_of_box(*self._box_of(below))
        return needs_second(
            Load(area, middle, long_mm, short_mm),
            tie_at=first.middle,
            width_mm=first.tie.width_mm,
            thickness_mm=self._rules.thickness_mm,
            stock=self._stock,
        )

    def _box_of(self, nodes: frozenset[int]) -> tuple[float, float, float, float]:
        boxes = self._frames.boxes[sorted(nodes)]
        (x0, y0), (x1, y1) = boxes[:, :2].min(axis=0), boxes[:, 2:].max(axis=0)
        return float(x0), float(y0), float(x1), float(y1)

    def _brace_one(self, below: frozenset[int], first: Held) -> bool:
        ranked = self._seconds(below, first)
        for rank, is_mirrored in itertools.product((0, 1), (True, False)):
            if is_mirrored and self.mirror is None:
                continue
            for _, place in ranked[:N_SECONDS]:
                demands = self._demands(place)
                demand = demands[min(rank, len(demands) - 1)]
                if self._second_at(place, demand, is_mirrored=is_mirrored):
                    return True
        return any(
            self._second_at(place, None, is_mirrored=is_mirrored)
            for is_mirrored in ((True, False) if self.mirror is not None else (False,))
            for _, place in ranked[:N_SECONDS]
        )

    def _seconds(self, below: frozenset[int], first: Held) -> list[tuple[float, Gap]]:
        """Places for a further tie, the best first: far from the others, where it relieves them."""
        x0, y0, x1, y1 = self._box_of(below)
        middle = complex(x0 + x1, y0 + y1) / 2
        away = unit(middle - first.middle)
        size = max(sides_of_box(x0, y0, x1, y1)[0], 1e-6)
        longest = max(3 * first.tie.length_mm, BAR_RATIO * self._rules.tie_mm)
        sharing = [one.middle for one in ties_across(self.held, below)]
        places = [
            place
            for place in self._places
            if (place.a in below) != (place.b in below) and place.length_mm <= longest
        ]
        at = np.array([place.middle for place in places], np.complex128)
        apart = np.abs(at[:, None] - np.array(sharing)[None]).min(axis=1, initial=math.inf)
        off = at - middle
        ahead = (away.conjugate() * off / np.maximum(np.abs(off), 1e-12)).real
        huddled = 1 + np.maximum(0.0, 1 - 2 * apart / size) * (1 if len(below) == 1 else FAR_SIDE)
        factors = (1 + FAR_SIDE * (1 - ahead) / 2) * huddled * (1 + self._excesses(below, at))
        ranked = [
            (self._pair_factor(place) * place.cost * float(factor), place)
            for place, factor, far in zip(places, factors, apart, strict=True)
            if far >= NEAREST_SECOND * first.tie.width_mm
        ]
        ranked.sort(key=lambda pair: pair[0])
        return ranked

    def _excesses(self, below: frozenset[int], at: Complexes) -> Floats:
        """How much too high the stress stays if a further tie stood at each of some places."""
        sharing = [one.middle for one in ties_across(self.held, below)]
        area, middle = self._masses.together(below)
        known = np.broadcast_to(np.array(sharing), (len(at), len(sharing)))
        stands = np.concatenate([known, at[:, None]], axis=1)
        fields = shapely.convex_hull(
            shapely.multipoints(
                to_points(stands.ravel()), indices=np.repeat(np.arange(len(at)), len(sharing) + 1)
            )
        )
        levers_mm = shapely.distance(fields, shapely.Point(middle.real, middle.imag))
        by_lever = stress_mpa(
            area_mm2=area,
            lever_mm=1.0,
            width_mm=(len(sharing) + 1) * self._rules.tie_mm,
            thickness_mm=self._rules.thickness_mm,
            stock=self._stock,
        )
        excesses = levers_mm * by_lever * KNOCKS / self._stock.allowed_mpa - 1
        return np.asarray(np.clip(excesses, 0, MOST_EXCESS), np.float64)

    def _second_at(self, place: Gap, demand: Strictness | None, *, is_mirrored: bool) -> bool:
        """A further tie at a place, with its mirror image where one is asked for."""
        laid = self._again_at(place, demand)
        if laid is None:
            return False
        image = self._image(place) if is_mirrored else None
        if image is not None:
            return self._lay_both(laid, place, image, demand)
        self.lay(laid, place.a, place.b)
        for twin in self._twins(place):
            again = self._again_at(twin, demand)
            if again is not None:
                self.lay(again, twin.a, twin.b)
        return True

    def _again_at(self, place: Gap, demand: Strictness | None) -> Laid | None:
        """A strip between pieces that hang together already."""
        if demand is None:
            return self._bridge(place, is_first=False)
        return self._strip(place, axes_at(place, demand), demand, None)
