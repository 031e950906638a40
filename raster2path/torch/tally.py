"""What a job comes to: metres, starts, minutes, kilograms, and the shade of the helmet's filter.

Densities come with the material. Hand speed, time of a pierce, duty, air and the life of
consumables are common practice, no source: measure your own.
"""

from __future__ import annotations

from raster2path.geometry import signed_area
from raster2path.job import TallyRules
from raster2path.model import CutOrder, CutType, Tally

PIERCE_S = 0.5
STARTS_A_SET = 225
ARC_S_A_SET = 9000.0
AIR_L_MIN = ((60.0, 170.0), (1000.0, 235.0))
"""Free air up to a current, by what makers of torches print for 30 to 45 A (127 to 170 l/min) and
for 80 to 120 A (up to 235): weak, and the upper end of both."""

SHADES = ((300.0, 8), (400.0, 9), (800.0, 10))
"""Least shade below a current in amperes, 29 CFR 1910.133(a)(5); on a boundary the darker one."""


def tally(order: CutOrder, *, rules: TallyRules, span_s: float = 0.0) -> Tally:
    """Adds up a job's cuts.

    Args:
        order: the cuts.
        rules: thickness, speed of the hand, current.
        span_s: from the first start to the end, moves and pauses counted in, where foreseen.
    """
    plan = order.plan
    metres = dict.fromkeys(CutType, 0.0)
    leads = 0.0
    for cut in order.cuts:
        if cut.path is not None:
            metres[cut.type] += cut.path.length / 1000
        leads += sum(path.length for path in cut.leads) / 1000
    starts = sum(cut.n_starts for cut in order.cuts)
    travel_mm = 1000 * (sum(metres.values()) + leads)
    arc_s = 60 * travel_mm / rules.speed_mm_min + PIERCE_S * (
        starts - sum(cut.is_from_edge for cut in order.cuts)
    )
    by_area = rules.thickness_mm * rules.material.stock.density_kg_mm3
    areas = [signed_area(edge.path.flat()) for edge in plan.edges]
    slit_mm = 1000 * metres[CutType.SLIT]
    kerf_mm2 = plan.kerf_mm * travel_mm
    openings_mm2 = -sum(area for area in areas if area < 0)
    blown_mm2 = plan.kerf_mm * 1000 * (metres[CutType.OPENING] + leads)
    return Tally(
        metres_by_type=tuple((kind, length) for kind, length in metres.items() if length),
        lead_metres=leads,
        starts=starts,
        arc_s=arc_s,
        elapsed_s=max(100 * arc_s / rules.duty_percent, span_s),
        sign_kg=max(0.0, sum(areas) - plan.kerf_mm * slit_mm) * by_area,
        drop_kg=max(0.0, openings_mm2 - blown_mm2) * by_area,
        removed_kg=kerf_mm2 * by_area,
        sets_by_starts=starts / STARTS_A_SET,
        sets_by_time=arc_s / ARC_S_A_SET,
        air_l=air_l_min(rules) * arc_s / 60,
        shade=least_shade(rules.amps),
    )


def air_l_min(rules: TallyRules) -> float:
    """Free air that the torch takes: what the maker said, or by its current."""
    if rules.air_l_min is not None:
        return rules.air_l_min
    return next((air for most, air in AIR_L_MIN if rules.amps <= most), AIR_L_MIN[-1][1])


def least_shade(amps: float) -> int:
    """Darkness of the filter that the rule asks at least for; 8 up to 300 A."""
    return next((shade for below, shade in SHADES if amps < below), SHADES[-1][1])
