"""Words that are grown together with a bar, a frame or a drawing are parted; nothing else is."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
import pytest
import shapely
from shapely import affinity

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


def on_a_rim(text: str, rim: Callable[[float], float], *, is_turned: bool) -> list[BaseGeometry]:
    """A word's letters, the middle of each one's foot sunk a little into a curve."""
    letters = [p for p in shapely.get_parts(area_of(words(text, 60.0))) if p.area > 200]
    foot = min(p.bounds[3] for p in letters)  # round ones overshoot
    out = []
    for letter in letters:
        x0, _, x1, _ = letter.bounds
        x = (x0 + x1) / 2
        slope = math.atan(rim(x + 0.5) - rim(x - 0.5)) if is_turned else 0.0
        put = affinity.rotate(letter, math.degrees(slope), origin=(x, foot))
        out.append(affinity.translate(put, 0, rim(x) - foot + (1 if is_turned else 3) * SINK))
    return out


def hill(x: float) -> float:
    return 600 - math.sqrt(600**2 - (x - 190) ** 2)


def wave(x: float) -> float:
    return 7 * math.sin(x / 40)


def under(rim: Callable[[float], float], thick: float) -> BaseGeometry:
    """What lies below a curve: a hill, or a wave."""
    x = np.linspace(-60, 440, 500)
    y = np.array([rim(v) for v in x.tolist()])
    return shapely.Polygon([*zip(x, y, strict=True), *zip(x[::-1], y[::-1] + thick, strict=True)])


@pytest.mark.parametrize("is_turned", [False, True])
@pytest.mark.parametrize("rim", [hill, wave])
@pytest.mark.parametrize("text", ["HERON", "BARN"])
def test_letters_on_a_hill_or_a_wave_are_parted_from_it(
    text: str, rim: Callable[[float], float], *, is_turned: bool
) -> None:
    """What a point belongs to is known: it lies on a letter's outline, or on the drawing's."""
    letters, drawing = on_a_rim(text, rim, is_turned=is_turned), under(rim, 50)
    points, kinds = marked(told(shapely.union_all([drawing, *letters])))
    dots = shapely.points(points)
    off_letters = np.min([shapely.distance(one.boundary, dots) for one in letters], axis=0)
    off_drawing = shapely.distance(drawing.boundary, dots)
    assert (kinds[off_drawing > 3] == Kind.LETTERING).mean() > 0.99
    assert (kinds[off_letters > 3] == Kind.ORGANIC).mean() > 0.99


def test_a_word_in_an_arch_says_no_one_direction_for_the_outline_that_holds_it() -> None:
    letters = on_a_rim("HERON", hill, is_turned=True)
    (row,) = told(shapely.union_all([under(hill, 50), *letters])).rows
    assert row.rings == ()
    assert row.height_mm == pytest.approx(30, rel=0.12)


def test_a_word_on_a_branch_keeps_its_leaf_a_drawing() -> None:
    letters, branch = on_a_rim("HERON", wave, is_turned=False), under(wave, 12)
    t = np.linspace(0, math.pi, 40)
    leaf = shapely.Polygon(
        [*zip(60 * t / math.pi, 14 * np.sin(t), strict=True),
         *zip(60 * t[::-1] / math.pi, -14 * np.sin(t[::-1]), strict=True)]
    )  # fmt: skip
    leaf = affinity.translate(affinity.rotate(leaf, 60, origin=(0, 0)), 120, wave(120) + 6)
    points, kinds = marked(told(shapely.union_all([branch, leaf, *letters])))
    low = points[:, 1] > 25
    assert low.sum() > 50
    assert (kinds[low] == Kind.ORGANIC).all()
    assert (kinds == Kind.LETTERING).mean() > 0.4


def test_letters_that_have_sunk_in_below_their_counters_are_parted() -> None:
    """Thin letters, HOTEL: the ground of the O's counter lies below the rim."""
    disc = shapely.Point(90, -30).buffer(30, 64)
    stems = [shapely.box(x, -60, x + 5, 0) for x in (0, 35, 155, 200, 245)]
    beams = [(0, -33, 40), (135, -60, 45), (200, -60, 30), (200, -33, 25), (200, -5, 30)]
    bars = [shapely.box(x, y, x + wide, y + 5) for x, y, wide in (*beams, (245, -5, 28))]
    word = shapely.union_all([disc.difference(disc.buffer(-4)), *stems, *bars])
    bar = shapely.box(-60, -6, 320, 40)
    points, kinds = marked(told(word.union(bar)))
    assert (kinds[points[:, 1] < -9] == Kind.LETTERING).mean() > 0.99
    assert (kinds[points[:, 1] > 0] == Kind.GEOMETRIC).all()


def test_words_on_both_sides_of_a_bar_are_both_parted_and_nothing_is_asked() -> None:
    above, bar = standing("HERON")
    below = area_of(words("KELP", 60.0))
    x0, head, _, _ = below.bounds
    low = affinity.translate(below, bar.bounds[0] + 60 - x0, bar.bounds[3] - SINK - head)
    result = told(above.union(low))
    points, kinds = marked(result)
    off = shapely.distance(bar.boundary, shapely.points(points))
    for side in (points[:, 1] < bar.bounds[1], points[:, 1] > bar.bounds[3]):
        assert (kinds[side & (off > 3)] == Kind.LETTERING).mean() > 0.99
    assert len(result.rows) == 2
    assert result.notes == ()


@pytest.mark.parametrize("touching", [1, 3])
def test_one_letter_of_a_word_that_touches_the_bar_below_is_parted_from_it(touching: int) -> None:
    """The others stand a little above it."""
    letters = [p for p in shapely.get_parts(area_of(words("HEIMAT", 60.0))) if p.area > 200]
    foot = letters[0].bounds[3]
    bar = shapely.box(-30, foot + 5, letters[-1].bounds[2] + 30, foot + 30)
    letters[touching] = affinity.translate(letters[touching], 0, 6)
    points, kinds = marked(told(shapely.union_all([bar, *letters])))
    off = shapely.distance(bar.boundary, shapely.points(points))
    assert (kinds[(off > 3) & (points[:, 1] < foot + 2)] == Kind.LETTERING).mean() > 0.99
    assert (kinds[points[:, 1] > foot + 8] == Kind.GEOMETRIC).all()


@pytest.mark.parametrize("rim", [hill, wave])
def test_grass_reeds_and_trees_on_a_hill_stay_whole(rim: Callable[[float], float]) -> None:
    rng = np.random.default_rng(5)
    blades, reeds, trees = [], [], []
    for x in np.linspace(-30, 290, 9).tolist():
        y, high = rim(x), float(rng.uniform(40, 70))
        lean = float(rng.normal(0, 12))
        blades.append(shapely.Polygon([(x - 4, y + 4), (x + lean, y - high), (x + 4, y + 4)]))
        stem = shapely.LineString([(x, y + 4), (x + lean, y - high)]).buffer(2.5)
        reeds.append(stem.union(shapely.Point(x + lean, y - high).buffer(6)))
        trunk = shapely.box(x - 3, y - 30, x + 3, y + 4)
        trees.append(trunk.union(shapely.Point(x, y - 40).buffer(13)))
    for things in (blades, reeds, trees):
        result = told(shapely.union_all([under(rim, 50), *things]))
        assert all(len(set(ring.kinds.tolist())) == 1 for ring in result.rings)


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
