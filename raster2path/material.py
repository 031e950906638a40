"""What the sheet is made of: how heavy, how stiff, how strong, and how thick by its gauge.

| | density, kg/m³ | Young's modulus, GPa | yields at, MPa |
|---|---|---|---|
| mild steel, galvanised or not | 7850 (a) | 200 (b) | 235 (c) |
| stainless 304 | 8000 (d) | 193 (d) | 205 (e) |
| aluminium 5052 | 2680 (f) | 70.3 (f) | 90, annealed (g) |

(a) EN 1993-1-2, 3.2.2, from memory; (b) data sheet of AISI 1018; (c) EN 10025-2, S235, from memory;
(d) data sheet of AISI 304; (e) ASTM A240, from memory; (f) Aluminum Association's data of 5052-H32;
(g) the same of 5052-O, from memory.

| | conductivity, W/mK | specific heat, J/kgK | expansion, 1e-6/K |
|---|---|---|---|
| mild steel | 48 (h) | 520 (h) | 12 (b) |
| stainless 304 | 17.7 (i) | 500 (d) | 17.3 (d) |
| aluminium 5052 | 138 (j) | 880 (f) | 23.8 (f) |

(h) EN 1993-1-2, 3.4.1, at 180 °C; (i) between the data sheet's 16.2 (0 to 100 °C) and 21.5
(500 °C); (j) a supplier's data sheet, weak.

Aluminium counts as annealed: what is left between two cuts has been hot. Allowed is 0.72 of the
yield strength, as 170 MPa is for mild steel (common practice, no source).
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

from raster2path.errors import UsageError


@dataclass(frozen=True, slots=True)
class Stock:
    """Numbers of a material.

    Attributes:
        name: in the maker's words.
        density_kg_mm3: as weighed.
        young_mpa: stiffness.
        allowed_mpa: bending stress that a tie may bear.
        k_w_mk, c_j_kgk: how well it leads heat, and how much it holds.
        expansion_per_k: how much it grows with warmth.
    """

    name: str
    density_kg_mm3: float
    young_mpa: float
    allowed_mpa: float
    k_w_mk: float = 48.0
    c_j_kgk: float = 520.0
    expansion_per_k: float = 12e-6


MILD = Stock("mild steel", 7850e-9, 200_000.0, 170.0)
GALVANISED = Stock("galvanised steel", 7850e-9, 200_000.0, 170.0)
STAINLESS = Stock("stainless steel", 8000e-9, 193_000.0, 148.0, 17.7, 500.0, 17.3e-6)
ALUMINIUM = Stock("aluminium", 2680e-9, 70_300.0, 65.0, 138.0, 880.0, 23.8e-6)


class Material(Enum):
    """What a sheet is made of."""

    MILD = "mild"
    GALVANISED = "galvanised"
    STAINLESS = "stainless"
    ALUMINIUM = "aluminium"

    @property
    def stock(self) -> Stock:
        """Its numbers."""
        return _STOCK[self]


_STOCK = {
    Material.MILD: MILD,
    Material.GALVANISED: GALVANISED,
    Material.STAINLESS: STAINLESS,
    Material.ALUMINIUM: ALUMINIUM,
}

_WEIGHTS_LB_FT2 = {
    # statutory weights of 15 U.S.C. 206
    **dict(zip(range(7, 15), (7.5, 6.875, 6.25, 5.625, 5, 4.375, 3.75, 3.125), strict=True)),
    **dict(zip(range(15, 21), (2.8125, 2.5, 2.25, 2, 1.75, 1.5), strict=True)),
    **dict(zip(range(21, 27), (1.375, 1.25, 1.125, 1, 0.875, 0.75), strict=True)),
}

_ZINC_LB_FT2 = 2.5 / 16
"""What the coating adds to the statutory weight of galvanised sheet, both faces."""


def gauge_mm(gauge: int, material: Material = Material.MILD) -> float:
    """Thickness of sheet by its gauge, inches rounded to 1e-4.

    Uncoated steel: Manufacturers' Standard Gauge, inch = weight / 41.82; galvanised: 2.5 oz/ft²
    more, from 8 gauge on (table after ASTM A924). Stainless: US Standard Gauge, weight / 40
    (15 U.S.C. 206). Aluminium: 0.005 * 92^((36 - n) / 39) inch (ASTM B258, from memory).

    Raises:
        UsageError: a gauge that the table does not have.

    >>> gauge_mm(16), gauge_mm(16, Material.STAINLESS), gauge_mm(14, Material.ALUMINIUM)
    (1.5189, 1.5875, 1.6281)
    """
    first = 8 if material is Material.GALVANISED else 7
    if gauge not in _WEIGHTS_LB_FT2 or gauge < first:
        raise UsageError(
            f"gauge {gauge} is not in the table; expected {first} to 26, or --thickness"
        )
    weight = _WEIGHTS_LB_FT2[gauge]
    inches = {
        Material.MILD: weight / 41.82,
        Material.GALVANISED: (weight + _ZINC_LB_FT2) / 41.82,
        Material.STAINLESS: weight / 40,
        Material.ALUMINIUM: 0.005 * 92 ** ((36 - gauge) / 39),
    }[material]
    return float(round(round(inches, 4) * 25.4, 4))
