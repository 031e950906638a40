"""Fillets at ties: smooth, only more metal, nowhere more than there is room for."""

import math
from dataclasses import replace

import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from raster2path.geometry import Arc, Kind, circle
from raster2path.model import Sign
from raster2path.sign.ties import hold
from tests.test_ties import RULES, SHEET, art, box, check_whole, metal

FILLET = replace(RULES, fillet_mm=1.5)
FLAT_MM = 0.02
"""Twice what a flattened curve may lie off."""


def breaks_deg(sign: Sign) -> list[float]:
    """Turn of the edge, in degrees, at both ends of every fillet."""
    out = []
    for edge in sign.edges:
        own = edge.path.segments
        for k, segment in enumerate(own):
            if isinstance(segment, Arc) and segment.radius < 2 and segment.kind is Kind.GEOMETRIC:
                for a, b in ((own[k - 1], segment), (segment, own[(k + 1) % len(own)])):
                    cosine = (a.tangent(1).conjugate() * b.tangent(0)).real
                    out.append(math.degrees(math.acos(min(1.0, cosine))))
    return out


def test_a_tie_has_four_fillets_of_the_radius_asked_for() -> None:
    drawn = art(SHEET, box(100, 100, 180, 180), box(120, 120, 160, 160))
    sharp, sign = hold(drawn, rules=RULES), hold(drawn, rules=FILLET)
    check_whole(sign)
    turns = breaks_deg(sign)
    assert len(turns) == 8 * len(sign.ties)
    assert max(turns) < 0.1
    # a square corner of radius r: r^2 (1 - pi / 4) more metal
    more = metal(sign).area - metal(sharp).area
    assert more == pytest.approx(4 * len(sign.ties) * 1.5**2 * (1 - math.pi / 4), rel=0.05)
    assert metal(sharp).difference(metal(sign).buffer(FLAT_MM)).area < 0.01
    assert [t.corners for t in sign.ties] == [t.corners for t in sharp.ties]


def test_without_asking_corners_stay_sharp() -> None:
    sign = hold(art(SHEET, circle(200 + 200j, 60), circle(200 + 200j, 40)), rules=RULES)
    assert breaks_deg(sign) == []


@settings(deadline=None, max_examples=15)
@given(st.floats(8, 120), st.floats(1.6, 30), st.floats(0.3, 8))
def test_fillets_keep_the_metal_sound(radius: float, gap: float, fillet: float) -> None:
    drawn = art(
        SHEET,
        circle(200 + 200j, radius + gap, Kind.ORGANIC),
        circle(200 + 200j, radius, Kind.ORGANIC),
    )
    sharp = hold(drawn, rules=RULES)
    sign = hold(drawn, rules=replace(RULES, fillet_mm=fillet))
    check_whole(sign)
    assert metal(sharp).difference(metal(sign).buffer(FLAT_MM)).area < 0.01
    grown = shapely.union_all(
        [shapely.Polygon([(z.real, z.imag) for z in t.corners]) for t in sharp.ties]
    ).buffer(2 * fillet + 0.5)
    more = metal(sign).difference(metal(sharp).buffer(FLAT_MM))
    assert more.difference(grown).area < 0.01
