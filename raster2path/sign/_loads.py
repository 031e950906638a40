"""What hangs on which tie: the tree of ties, and the numbers behind each of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import shapely

from raster2path.geometry import Complexes
from raster2path.material import MILD, Stock
from raster2path.model import Tie, TieLoad
from raster2path.sign._strength import (
    KNOCKS,
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
"""Pieces that hang on a tie, seen from the piece that is held, and that tie."""


def hanging(held: Sequence[Held], root: int = 0) -> list[Hanging]:
    """For each tie of the tree that starts at the root, what hangs on it; the farthest first."""
    order, above = _tree(held, root)
    below: dict[int, set[int]] = {node: {node} for node in order}
    for node in reversed(order[1:]):
        below[above[node][0]] |= below[node]
    return [(frozenset(below[node]), above[node][1]) for node in reversed(order[1:])]


def _tree(held: Sequence[Held], root: int) -> tuple[list[int], dict[int, tuple[int, Held]]]:
    """Pieces in order of their steps from the root; for each the one before it, and the tie."""
    near: dict[int, list[Held]] = {}
    for one in held:
        near.setdefault(one.a, []).append(one)
        near.setdefault(one.b, []).append(one)
    above: dict[int, tuple[int, Held]] = {}
    order, seen = [root], {root}
    for node in order:
        for one in near.get(node, []):
            other = one.b if one.a == node else one.a
            if other not in seen:
                seen.add(other)
                above[other] = (node, one)
                order.append(other)
    return order, above


def heart(held: Sequence[Held], masses: Masses) -> int:
    """The piece on no side of which more than half of the metal hangs.

    Without a sheet round it, a sign is held by its heavier side: each tie bears the lighter one.
    """
    node, order, above = 0, *_tree(held, 0)
    total = {k: float(masses.area_mm2[k]) for k in order}
    for k in reversed(order[1:]):
        total[above[k][0]] += total[k]
    while True:
        heavy = [k for k in order[1:] if above[k][0] == node and 2 * total[k] > total[0]]
        if not heavy:
            return node
        node = heavy[0]


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
    held: Sequence[Held], masses: Masses, *, root: int, thickness_mm: float, stock: Stock = MILD
) -> list[Tie]:
    """The ties with the numbers behind each: of all that hangs on it, the hardest case."""
    worst: dict[int, TieLoad] = {}
    for below, _ in hanging(held, root):
        sharing = across(held, below)
        area, middle = masses.together(below)
        stress, lever = shared_stress_mpa(
            area_mm2=area,
            middle=middle,
            ties=[one.tie for one in sharing],
            thickness_mm=thickness_mm,
            stock=stock,
        )
        load = TieLoad(
            mass_kg=stock.density_kg_mm3 * area * thickness_mm,
            lever_mm=lever,
            n_sharing=len(sharing),
            stress_mpa=KNOCKS * stress,
            allowed_mpa=stock.allowed_mpa,
        )
        for one in sharing:
            known = worst.get(id(one))
            if known is None or known.stress_mpa < load.stress_mpa:
                worst[id(one)] = load
    return [replace(one.tie, load=worst.get(id(one))) for one in held]
