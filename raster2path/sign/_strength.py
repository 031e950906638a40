"""How many ties a piece needs: by the bending of one tie that carries it, and by its size."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from raster2path.material import MILD, Stock
from raster2path.model import Tie

GRAVITY = 9.81
KNOCKS = 3.0
"""A sign is carried and bumped: the load counts three times (common practice, no source)."""

LARGE_MM = 120.0
WIDE_TIES = 5.0
"""A piece longer than 120 mm, or wider than five ties, is held on two sides."""


def stress_mpa(
    *,
    area_mm2: float,
    lever_mm: float,
    width_mm: float,
    thickness_mm: float,
    stock: Stock = MILD,
) -> float:
    """Bending stress in one tie that carries an island, the sheet held flat: 6 rho A g d / (b t).

    >>> area = 300 * 300
    >>> s = stress_mpa(area_mm2=area, lever_mm=150, width_mm=6, thickness_mm=1.519)
    >>> round(s)
    684
    """
    weight_n_mm2 = stock.density_kg_mm3 * GRAVITY * thickness_mm
    return 6 * weight_n_mm2 * area_mm2 * lever_mm / (width_mm * thickness_mm**2)


@dataclass(frozen=True, slots=True)
class Load:
    """What hangs on one tie: area, middle, and the sides of the box of the piece it holds."""

    area_mm2: float
    middle: complex
    long_mm: float
    short_mm: float


def shared_stress_mpa(
    *,
    area_mm2: float,
    middle: complex,
    ties: Sequence[Tie],
    thickness_mm: float,
    stock: Stock = MILD,
) -> tuple[float, float]:
    """Bending stress in ties that carry a piece together, and the lever, the sheet held flat.

    One tie alone bends by the distance of the piece's middle from it. Two or more bend by its
    distance from the line, or the field, between them, and by half their own length, for the
    piece hangs between them as on a clamped beam; their widths add up.

    >>> a, b = (Tie((x, x, x, x), 6.0, 10.0) for x in (-150 + 0j, 150 + 0j))
    >>> area = 300 * 300
    >>> alone = shared_stress_mpa(area_mm2=area, middle=0j, ties=[a], thickness_mm=1.519)
    >>> both = shared_stress_mpa(area_mm2=area, middle=0j, ties=[a, b], thickness_mm=1.519)
    >>> [round(stress) for stress, _ in (alone, both)]
    [684, 11]
    """
    import shapely

    at = [sum(tie.corners) / len(tie.corners) for tie in ties]
    field = shapely.MultiPoint([(z.real, z.imag) for z in at]).convex_hull
    lever = float(field.distance(shapely.Point(middle.real, middle.imag)))
    if len(ties) > 1:
        lever += sum(tie.length_mm for tie in ties) / len(ties) / 2
    stress = stress_mpa(
        area_mm2=area_mm2,
        lever_mm=lever,
        width_mm=sum(tie.width_mm for tie in ties),
        thickness_mm=thickness_mm,
        stock=stock,
    )
    return stress, lever


def needs_second(
    load: Load, *, tie_at: complex, width_mm: float, thickness_mm: float, stock: Stock = MILD
) -> bool:
    """True where one tie at this place is not enough."""
    if load.long_mm > LARGE_MM or load.short_mm > WIDE_TIES * width_mm:
        return True
    stress = stress_mpa(
        area_mm2=load.area_mm2,
        lever_mm=abs(load.middle - tie_at),
        width_mm=width_mm,
        thickness_mm=thickness_mm,
        stock=stock,
    )
    return stress * KNOCKS > stock.allowed_mpa


def sides_of_box(x0: float, y0: float, x1: float, y1: float) -> tuple[float, float]:
    """Long and short side of a box."""
    a, b = x1 - x0, y1 - y0
    return max(a, b), math.copysign(min(a, b), 1.0)
