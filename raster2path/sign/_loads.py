"""What hangs on which tie: the tree of ties, and the numbers behind each of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import shapely

from raster2path.geometry import Complexes
from raster2path.model import Tie, TieLoad
from raster2path.sign._strength import (
    ALLOWED_MPA,
    KNOCKS,
    STEEL_KG_MM3,
    shared_stress_mpa,
)

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Held:
    """One tie and the two pieces that it joins."""

    tie: Tie
    a: int
    b: int
    middle: complex
    shape: shapely.Geometry


Hanging = tuple[frozenset[int], Held]
"""Pieces that hang on a tie, seen from the main piece, and that tie."""


def hanging(held: Sequence[Held]) -> list[Hanging]:
    """For each tie of the tree rooted at the main piece, what hangs on it; the farthest first."""
    near: dict[int, list[Held]] = {}
    for one in held:
        near.setdefault(one.a, []).append(one)
        near.setdefault(one.b, []).append(one)
    above: dict[int, tuple[int, Held]] = {}
    order, seen = [0], {0}
    for node in order:
        for one in near.get(node, []):
            other = one.b if one.a == node else one.a
            if other not in seen:
                seen.add(other)
                above[other] = (node, one)
                order.append(other)
    below: dict[int, set[int]] = {node: {node} for node in order}
    for node in reversed(order[1:]):
        below[above[node][0]] |= below[node]
    return [(frozenset(below[node]), above[node][1]) for node in reversed(order[1:])]


def across(held: Sequence[Held], below: frozenset[int]) -> list[Held]:
    """The ties that hold these pieces to all others."""
    return [one for one in held if (one.a in below) != (one.b in below)]


@dataclass(frozen=True, slots=True, eq=False)
class Masses:
    """Area and middle of each piece, asked for again and again."""

    area_mm2: Floats
    middle: Complexes

    @staticmethod
    def of(pieces: Sequence[shapely.Geometry]) -> Masses:
        """Of some pieces, by their numbers."""
        shapes = np.array(pieces, dtype=object)
        points = shapely.get_coordinates(shapely.centroid(shapes))
        return Masses(shapely.area(shapes), points[:, 0] + 1j * points[:, 1])

    def together(self, below: frozenset[int]) -> tuple[float, complex]:
        """Area and middle of some of them."""
        some = sorted(below)
        areas = self.area_mm2[some]
        total = float(areas.sum())
        return total, complex((areas * self.middle[some]).sum() / max(total, 1e-9))


def loaded(
    held: Sequence[Held], pieces: Sequence[shapely.Geometry], *, thickness_mm: float
) -> list[Tie]:
    """The ties with the numbers behind each: of all that hangs on it, the hardest case."""
    worst: dict[int, TieLoad] = {}
    masses = Masses.of(pieces)
    for below, _ in hanging(held):
        sharing = across(held, below)
        area, middle = masses.together(below)
        stress, lever = shared_stress_mpa(
            area_mm2=area,
            middle=middle,
            ties=[one.tie for one in sharing],
            thickness_mm=thickness_mm,
        )
        load = TieLoad(
            mass_kg=STEEL_KG_MM3 * area * thickness_mm,
            lever_mm=lever,
            n_sharing=len(sharing),
            stress_mpa=KNOCKS * stress,
            allowed_mpa=ALLOWED_MPA,
        )
        for one in sharing:
            known = worst.get(id(one))
            if known is None or known.stress_mpa < load.stress_mpa:
                worst[id(one)] = load
    return [replace(one.tie, load=worst.get(id(one))) for one in held]
