"""Corner loops: past the corner, round in the drop, back to the corner, and never into metal."""

from __future__ import annotations

import cmath
import math

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from raster2path.geometry import Arc, Kind, Path, polygon, to_points
from raster2path.job import Swirl, TorchRules
from raster2path.model import Cut, CutType, TorchPlan
from raster2path.torch.lines import plan_torch
from tests.test_torch import cuts_of, metal_of, plate_with, rect


def planned(*openings: Path, **rules: object) -> TorchPlan:
    return plan_torch(plate_with(*openings), rules=TorchRules(**rules))  # type: ignore[arg-type]


def check(plan: TorchPlan, cut: Cut) -> None:
    """Each loop begins and ends in one corner, goes on straight, and keeps off metal."""
    assert cut.path is not None
    metal, half = metal_of(plan), plan.kerf_mm / 2
    for loop in cut.loops:
        out, arc, back = loop.segments
        assert isinstance(arc, Arc)
        at = cut.path.nearest(loop.start)
        assert at.distance < 1e-6
        assert loop.end == pytest.approx(loop.start)
        k = next(k for k, part in enumerate(cut.path) if abs(part.start - loop.start) < 1e-6)
        before, after = cut.path.segments[k - 1].tangent(1), cut.path.segments[k].tangent(0)
        assert abs(cmath.phase(out.tangent(1) / before)) < 1e-6
        assert abs(cmath.phase(back.tangent(0) / after)) < 1e-6
        assert abs(cmath.phase(arc.tangent(0) / out.tangent(1))) < 1e-6  # no kink where it bends
        assert abs(cmath.phase(back.tangent(0) / arc.tangent(1))) < 1e-6
        spots = shapely.points(to_points(loop.flat(0.05).view(np.complex128).ravel()))
        assert shapely.distance(metal, spots).min() > half - 0.1


TOOTH = [20 + 20j, 20 + 120j, 80 + 120j, 80 + 70j, 120 + 70j, 120 + 120j, 180 + 120j, 180 + 20j]
"""A large opening with a block of metal standing up in it: two crisp corners in the drop."""


@pytest.mark.parametrize("swirl", list(Swirl))
def test_a_block_of_metal_in_the_drop_has_a_loop_at_each_corner(swirl: Swirl) -> None:
    plan = planned(polygon(TOOTH, Kind.LETTERING), swirl=swirl, cleanup_mm=0.0)
    (cut,) = cuts_of(plan, CutType.OPENING)
    check(plan, cut)
    corners = sorted((loop.start for loop in cut.loops), key=lambda z: z.real)
    begins = cut.path.start if cut.path else 0j
    wanted = [z for z in (80 + 70j, 120 + 70j) if abs(z - begins) > 2]
    assert [min(abs(z - w) for z in corners) < 1.5 for w in wanted] == [True] * len(wanted)
    assert len(corners) == len(wanted)


def test_flowing_corners_and_small_drops_have_none() -> None:
    (flowing,) = cuts_of(planned(polygon(TOOTH, Kind.ORGANIC)), CutType.OPENING)
    assert flowing.loops == ()
    small = [20 + 20j, 20 + 32j, 26 + 32j, 26 + 26j, 34 + 26j, 34 + 32j, 40 + 32j, 40 + 20j]
    (narrow,) = cuts_of(planned(polygon(small, Kind.LETTERING)), CutType.OPENING)
    assert narrow.loops == ()


def test_the_border_has_loops_at_its_corners_where_there_is_blank() -> None:
    plan = planned(rect(60, 60, 50, 50))
    (border,) = cuts_of(plan, CutType.BORDER)
    check(plan, border)
    assert len(border.loops) == 3  # it begins in the fourth


@settings(max_examples=30, deadline=None)
@given(st.floats(55, 125), st.floats(8, 40))
def test_any_angle(angle_deg: float, wide: float) -> None:
    """A wedge of metal of any angle, standing in a large opening."""
    rise = wide / 2 / math.tan(math.radians(angle_deg) / 2)
    if rise > 60:
        return
    wedge = [20 + 20j, 20 + 120j, complex(100 - wide / 2, 120), complex(100, 120 - rise)]
    wedge += [complex(100 + wide / 2, 120), 180 + 120j, 180 + 20j]
    plan = planned(polygon(wedge, Kind.GEOMETRIC))
    (cut,) = cuts_of(plan, CutType.OPENING)
    check(plan, cut)
