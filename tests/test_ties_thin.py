"""Thin metal: made wider within the tolerance, or told; measured by shapely's planar geometry."""

import math
from dataclasses import replace

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from raster2path.geometry import Cubic, Kind, Path, circle
from raster2path.job import Thin, TieRules
from raster2path.model import NoteKind, Sign
from raster2path.sign.ties import hold
from tests.test_ties import art, box, check_whole, metal

WIDEN = TieRules(thin=Thin.WIDEN, least_web_mm=5.0)
TELL = replace(WIDEN, thin=Thin.TELL)
PLATE = box(0, 0, 400, 400)


def blob(centre: complex, radius: float, waves: int, swing: float, n: int = 12) -> Path:
    """A smooth wavy outline of cubics, their tangents along the wave (Hermite form)."""
    turn = np.linspace(0, 2 * math.pi, n + 1)
    r = radius * (1 + swing * np.cos(waves * turn))
    slope = -radius * swing * waves * np.sin(waves * turn)
    at = centre + r * np.exp(1j * turn)
    speed = (slope + 1j * r) * np.exp(1j * turn) * (2 * math.pi / n) / 3
    return Path(
        tuple(
            Cubic(
                complex(at[k]),
                complex(at[k] + speed[k]),
                complex(at[(k + 1) % n] - speed[(k + 1) % n]),
                complex(at[(k + 1) % n]),
                Kind.ORGANIC,
            )
            for k in range(n)
        ),
        is_closed=True,
    )


def thin_mm2(sign: Sign, web_mm: float) -> float:
    """Area that an opening by a disc takes away."""
    region = metal(sign)
    opened = region.buffer(-web_mm / 2).buffer(web_mm / 2)
    return float(region.difference(opened).area)


@pytest.mark.parametrize(("thin", "width"), [(Thin.TELL, 3.0), (Thin.WIDEN, 4.8)])
def test_a_ring_of_metal_between_two_openings_is_widened(thin: Thin, width: float) -> None:
    """3 mm wide between two round openings; each side gives 0.9 of the 1 mm that it may."""
    drawn = art(PLATE, *(circle(200 + 200j, r, Kind.ORGANIC) for r in (80, 63, 60)))
    sign = hold(drawn, rules=replace(WIDEN, thin=thin))
    check_whole(sign)
    ring = metal(sign).intersection(shapely.Point(200, 200).buffer(70))
    for tie in sign.ties:
        ring = ring.difference(shapely.Polygon([(z.real, z.imag) for z in tie.corners]).buffer(9))
    narrow = ring.buffer(-width / 2 + 0.1)
    assert narrow.area > 0
    assert ring.buffer(-width / 2 - 0.2).area < 1
    assert any("moved apart" in note.sentence for note in sign.notes) == (thin is Thin.WIDEN)


def test_letters_ruled_edges_and_the_border_stay() -> None:
    """3 mm of metal between an opening of lettering and a flowing one: only that one gives."""
    letter = box(100, 100, 160, 180, Kind.LETTERING)
    flowing = box(163, 100, 220, 180, Kind.ORGANIC)
    drawn = art(PLATE, letter, flowing)
    sign = hold(drawn, rules=WIDEN)
    kept = {id(edge.path) for edge in drawn.edges if edge.path.kind is not Kind.ORGANIC}
    assert {id(edge.path) for edge in sign.edges} & kept == kept
    (moved,) = (edge.path for edge in sign.edges if id(edge.path) not in kept)
    x0, _, _, _ = moved.bounds()
    assert x0 == pytest.approx(163, abs=0.05)  # its corners stay
    middle = min(
        (z for z in map(complex, *moved.flat().T) if abs(z.imag - 140) < 20), key=lambda z: z.real
    )
    assert middle.real == pytest.approx(163.9, abs=0.1)


def test_no_opening_is_closed_for_a_wider_web() -> None:
    """A slot 3.4 mm wide beside thin metal stays two kerfs wide."""
    drawn = art(
        PLATE,
        box(100, 100, 103.4, 200, Kind.ORGANIC),
        box(106, 100, 150, 200, Kind.ORGANIC),
        box(53, 100, 97, 200, Kind.ORGANIC),
    )
    sign = hold(drawn, rules=WIDEN)
    drop = shapely.box(99, 130, 105, 170).difference(metal(sign))
    slot = max(shapely.get_parts(drop), key=lambda part: part.area)
    x0, _, x1, _ = slot.bounds
    assert x1 - x0 > 2 * WIDEN.kerf_mm - 0.01


@settings(deadline=None, max_examples=12)
@given(
    st.floats(40, 120),
    st.integers(2, 6),
    st.floats(0.02, 0.15),
    st.floats(1.5, 4.8),
    st.floats(0.3, 2.0),
)
def test_edges_stay_sound_and_within_what_they_may_give(
    radius: float, waves: int, swing: float, wide: float, give: float
) -> None:
    inner = blob(200 + 200j, radius, waves, swing)
    outer = circle(200 + 200j, radius * (1 + swing) + wide + 30, Kind.ORGANIC)
    groove = blob(200 + 200j, radius + wide, waves, swing)
    drawn = art(PLATE, outer, groove, inner)
    told = hold(drawn, rules=replace(TELL, give_mm=give))
    sign = hold(drawn, rules=replace(WIDEN, give_mm=give))
    check_whole(sign)
    web = wide + 0.3
    assert thin_mm2(sign, web) <= 0.5 * thin_mm2(told, web) + 20
    drawn_lines = shapely.union_all([shapely.LinearRing(e.path.flat()) for e in drawn.edges])
    ties = shapely.union_all(
        [shapely.Polygon([(z.real, z.imag) for z in tie.corners]).buffer(4) for tie in sign.ties]
    )
    for edge in sign.edges:
        points = shapely.points(edge.path.flat())
        points = points[~shapely.contains(ties, points)]
        assert shapely.distance(drawn_lines, points).max(initial=0.0) <= give + 0.01
    assert sum(len(edge.path) for edge in sign.edges) < 40 * len(drawn.edges)


def test_what_is_moved_is_told_with_the_way_back() -> None:
    drawn = art(PLATE, *(circle(x + 200j, 20, Kind.ORGANIC) for x in (200, 243)))
    sign = hold(drawn, rules=WIDEN)
    (note,) = (note for note in sign.notes if note.kind is NoteKind.DEVIATES)
    assert note.size_mm is not None
    assert 0.5 < note.size_mm <= 0.9
    assert note.remedy == "--thin tell leaves them as drawn"
