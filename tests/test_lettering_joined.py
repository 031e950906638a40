"""Words that are grown together with a bar or a frame are parted along it; nothing else is."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest
import shapely

from raster2path.geometry import Complexes, Kind, Points, to_complex
from raster2path.job import FitRules
from raster2path.model import Outlines
from raster2path.shape.fit import fit_outlines
from raster2path.shape.lettering import tell_kinds
from tests.test_lettering import AUTO, SAME, outlines, words

if TYPE_CHECKING:
    from collections.abc import Callable

    from shapely.geometry.base import BaseGeometry

SINK = 3.0
"""Pixels by which letters sink into what they stand on."""


def area_of(rings: list[Complexes]) -> BaseGeometry:
    """Even-odd fill."""
    out: BaseGeometry = shapely.Polygon()
    for z in rings:
        own = shapely.make_valid(shapely.Polygon(np.column_stack([z.real, z.imag])))
        out = out.symmetric_difference(own)
    return out


def rings_of(area: BaseGeometry) -> list[Complexes]:
    """Its outlines, points a pixel apart."""
    lines = [line for part in shapely.get_parts(area) for line in (part.exterior, *part.interiors)]
    return [to_complex(shapely.get_coordinates(shapely.segmentize(r, 1.0))[:-1]) for r in lines]


def told(area: BaseGeometry) -> Outlines:
    return tell_kinds(outlines(rings_of(area)), rules=AUTO, work_from_upright=SAME)


def standing(text: str) -> tuple[BaseGeometry, BaseGeometry]:
    """A word without descenders on a bar, and the bar alone."""
    word = area_of(words(text, 60.0))
    x0, _, x1, foot = word.bounds
    bar = shapely.box(x0 - 30, foot - SINK, x1 + 30, foot + 25)
    return word.union(bar), bar


def hanging(text: str) -> tuple[BaseGeometry, BaseGeometry]:
    word = area_of(words(text, 60.0))
    x0, head, x1, _ = word.bounds
    bar = shapely.box(x0 - 30, head - 25, x1 + 30, head + SINK)
    return word.union(bar), bar


def framed(text: str) -> tuple[BaseGeometry, BaseGeometry]:
    """A word that stands on the inside of a frame."""
    word = area_of(words(text, 60.0))
    x0, head, x1, foot = word.bounds
    inside = shapely.box(x0 - 40, head - 50, x1 + 40, foot - SINK)
    frame = inside.buffer(25, join_style="mitre").difference(inside)
    return word.union(frame), frame


def marked(result: Outlines) -> tuple[Points, np.ndarray[tuple[int], np.dtype[np.uint8]]]:
    """All points in pixels, and each one's kind."""
    points = [result.placement.to_px(ring.points_mm) for ring in result.rings]
    return np.concatenate(points), np.concatenate([ring.kinds for ring in result.rings])


@pytest.mark.parametrize("make", [standing, hanging, framed])
@pytest.mark.parametrize("text", ["HERON", "BOATHOUSE", "KELP 17"])
def test_letters_on_a_bar_and_the_bar_each_have_their_own_kind(
    make: Callable[[str], tuple[BaseGeometry, BaseGeometry]], text: str
) -> None:
    """What a point belongs to is known: it lies on the bar's own outline, or off it."""
    area, bar = make(text)
    points, kinds = marked(told(area))
    away = shapely.distance(bar.boundary, shapely.points(points))
    assert (kinds[away > 3] == Kind.LETTERING).mean() > 0.99
    long = shapely.distance(area_of(words(text, 60.0)), shapely.points(points)) > 3
    assert (kinds[(away < 0.01) & long] == Kind.GEOMETRIC).mean() > 0.99


def test_the_joint_is_a_corner_that_both_share() -> None:
    """Where the left stem of an H meets the rim, at a right angle, both fits end in one point."""
    area, bar = standing("HERON")
    result = told(area)
    word = area_of(words("HERON", 60.0))
    paths = fit_outlines(result, rules=FitRules())
    x0, rim = word.bounds[0], bar.bounds[1]
    corner = result.placement.to_mm(np.array([[x0, rim]]))[0]
    ends = np.array([s.start for ring in paths.rings for s in ring.path.segments])
    assert np.abs(ends - complex(*corner)).min() < 0.5  # a pixel


def test_the_row_of_a_parted_word_is_a_result() -> None:
    result = told(standing("HERON")[0])
    (row,) = result.rows
    assert row.certainty > 0.85
    assert abs(row.directions[0] - 1) < 0.02
    assert row.height_mm == pytest.approx(30, rel=0.12)  # half a millimetre to the pixel


@pytest.mark.parametrize("n", [5, 9])
def test_a_fence_or_a_comb_is_left_whole(n: int) -> None:
    posts = shapely.union_all(
        [shapely.box(40 * k, 0, 40 * k + 18, 80) for k in range(n)]
        + [shapely.box(-20, 60, 40 * n, 72)]
    )
    _, kinds = marked(told(posts))
    assert not (kinds == Kind.LETTERING).any()


def test_battlements_and_a_stair_are_left_whole() -> None:
    wall = shapely.box(0, 60, 400, 200)
    teeth = [shapely.box(50 * k, 30, 50 * k + 25, 61) for k in range(8)]
    _, kinds = marked(told(shapely.union_all([wall, *teeth])))
    assert not (kinds == Kind.LETTERING).any()
