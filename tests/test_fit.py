"""Fitted paths stay on the drawing, keep their kinds, and never cross."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial import cKDTree

from raster2path.geometry import Complexes, Kind, Line, Path, Points, to_complex, to_points
from raster2path.job import FitRules
from raster2path.model import (
    Border,
    Dark,
    NoteKind,
    Outlines,
    Paths,
    Placement,
    Ring,
    Stroke,
)
from raster2path.shape import curves
from raster2path.shape._sight import resampled
from raster2path.shape.fit import fit_outlines
from raster2path.shape.straights import Drawn, fit_strict
from tests import glyphs

SCALE = 0.5
"""Millimetres to a pixel."""


def ring(z: Complexes, kind: Kind, noise: float = 0.05) -> Ring:
    """A ring of one kind; points and noise in pixels."""
    return Ring(to_points(z) * SCALE, np.full(len(z), int(kind), np.uint8), noise * SCALE)


def stroke(points: Points, kind: Kind, *, is_closed: bool = False) -> Stroke:
    kinds = np.full(len(points), int(kind), np.uint8)
    return Stroke(points * SCALE, kinds, 0.1 * SCALE, 2.0, is_closed)


def drawn(rings: tuple[Ring, ...] = (), strokes: tuple[Stroke, ...] = ()) -> Outlines:
    placement = Placement(SCALE, 0j, (0.0, 0.0, 300.0, 300.0))
    return Outlines(rings, strokes, Dark.METAL, Border.NONE, placement, 0.5 * SCALE)


def fitted(rings: tuple[Ring, ...] = (), strokes: tuple[Stroke, ...] = ()) -> Paths:
    return fit_outlines(drawn(rings, strokes), rules=FitRules())


def blob(seed: int, radius: float, centre: complex, roughness: float) -> Complexes:
    """A wavy closed outline with points about a pixel apart."""
    rng = np.random.default_rng(seed)
    k = np.arange(2, 9)
    size, phase = rng.normal(0, 1 / k, 7), rng.uniform(0, 6.28, 7)
    t = np.arange(n := max(30, int(2 * math.pi * radius))) / n * 2 * math.pi
    wave = (size[:, None] * np.cos(k[:, None] * t + phase[:, None])).sum(axis=0)
    r = radius * (1 + roughness * wave)
    return np.asarray(centre + r * np.exp(1j * t), np.complex128)


def square(side: float, centre: complex) -> Complexes:
    n = int(side)
    edge = np.arange(n) - n / 2
    sides = [edge - 1j * n / 2, n / 2 + 1j * edge, -edge + 1j * n / 2, -n / 2 - 1j * edge]
    return np.asarray(np.concatenate(sides) + centre, np.complex128)


def off(path: Path, points_mm: Points) -> float:
    """How far, at most, drawn points lie from a path."""
    flat = (
        shapely.LinearRing(path.flat(0.005))
        if path.is_closed
        else shapely.LineString(path.flat(0.005))
    )
    return float(shapely.distance(shapely.points(points_mm), flat).max())


@pytest.mark.parametrize("kind", list(Kind))
def test_every_segment_carries_its_kind_and_size(kind: Kind) -> None:
    """The figure comes back in millimetres, travelled the same way, close to what was drawn."""
    one = ring(blob(3, 70, 120 + 120j, 0.05), kind)
    (got,) = fitted((one,)).rings
    assert {s.kind for s in got.path} == {kind}
    assert got.path.is_closed
    assert off(got.path, one.points_mm) < 0.4
    assert got.path.area == pytest.approx(shapely.Polygon(one.points_mm).area, rel=3e-3)


def test_a_ruled_square_is_four_lines_in_millimetres() -> None:
    (got,) = fitted((ring(square(100, 90 + 80j), Kind.GEOMETRIC),)).rings
    assert len(got.path) == 4
    assert got.path.bounds() == pytest.approx((20, 15, 70, 65), abs=0.1)


def test_border_and_order_and_notes_are_handed_on() -> None:
    rings = (
        replace(ring(square(200, 130 + 130j), Kind.GEOMETRIC), is_border=True),
        ring(square(60, 130 + 130j), Kind.LETTERING),
    )
    paths = fitted(rings)
    assert [r.is_border for r in paths.rings] == [True, False]
    assert paths.rings[0].path.area > paths.rings[1].path.area
    assert paths.notes == ()


def _parts(
    z: Complexes,
) -> tuple[Points, np.ndarray[tuple[int], np.dtype[np.uint8]], float]:
    return to_points(z) * SCALE, np.full(len(z), int(Kind.GEOMETRIC), np.uint8), 0.05 * SCALE


def test_a_ring_of_two_kinds_gets_both_regimes() -> None:
    """A leaf grown out of a ruled post: the post's lines stay straight, the leaf flows."""
    z = square(120, 100 + 100j)
    wavy = z.copy()
    wavy[120:240] += 3 * np.sin(np.arange(120) / 6)
    kinds = np.full(len(z), int(Kind.LETTERING), np.uint8)
    kinds[120:240] = int(Kind.ORGANIC)
    one = Ring(to_points(wavy) * SCALE, kinds, 0.05 * SCALE)
    (got,) = fitted((one,)).rings
    lettered = [s for s in got.path if s.kind is Kind.LETTERING]
    assert [type(s) for s in lettered] == [Line, Line, Line]
    assert {s.kind for s in got.path} == {Kind.LETTERING, Kind.ORGANIC}
    for before, after in itertools.pairwise([*got.path, got.path.segments[0]]):
        assert before.end == after.start
    assert off(got.path, one.points_mm) < 0.4


def test_flickering_kinds_don_t_break_a_ring_up() -> None:
    z = square(80, 70 + 70j)
    kinds = np.full(len(z), int(Kind.LETTERING), np.uint8)
    kinds[[10, 11, 130]] = int(Kind.ORGANIC)
    (got,) = fitted((Ring(to_points(z) * SCALE, kinds, 0.02),)).rings
    assert len(got.path) == 4


@pytest.mark.parametrize("kind", list(Kind))
def test_strokes_that_meet_still_meet_to_the_bit(kind: Kind) -> None:
    at = np.array([[61.37, 44.91]])
    arms = [
        np.vstack([at + np.arange(60)[:, None] * step, at + 60 * np.array(step)])
        for step in ([1.0, 0.1], [-0.7, 0.7], [0.0, -1.0])
    ]
    strokes = tuple(stroke(arm, kind) for arm in arms)
    paths = fitted(strokes=strokes)
    for path, one in zip(paths.slits, strokes, strict=True):
        assert not path.is_closed
        assert path.start == complex(*one.points_mm[0])
        assert path.end == complex(*one.points_mm[-1])
    assert len({path.start for path in paths.slits}) == 1


@pytest.mark.parametrize("kind", list(Kind))
def test_closed_strokes_are_closed(kind: Kind) -> None:
    one = stroke(to_points(blob(5, 40, 80 + 80j, 0.03)), kind, is_closed=True)
    (path,) = fitted(strokes=(one,)).slits
    assert path.is_closed
    assert path.segments[-1].end == pytest.approx(path.start, abs=1e-9)
    assert off(path, one.points_mm) < 0.4


@pytest.mark.parametrize("n", [7, 12])
@pytest.mark.parametrize("kind", list(Kind))
def test_tiny_rings_come_through(n: int, kind: Kind) -> None:
    z = 20 + 20j + 2.5 * np.exp(2j * math.pi * np.arange(n) / n)
    (got,) = fitted((ring(z, kind),)).rings
    assert got.path.is_closed
    assert got.path.area == pytest.approx(shapely.Polygon(to_points(z) * SCALE).area, rel=0.35)


@settings(max_examples=12, deadline=None)
@given(
    seed=st.integers(0, 10**6),
    roughness=st.floats(0.0, 0.12),
    wall=st.floats(1.5, 12),
    kinds=st.tuples(*[st.sampled_from(list(Kind))] * 3),
)
def test_rings_never_cross_themselves_or_each_other(
    seed: int, roughness: float, wall: float, kinds: tuple[Kind, Kind, Kind]
) -> None:
    """Outlines a thin wall apart, nested: whatever the kinds, the wall stays (shapely as judge)."""
    outer = blob(seed, 70, 110 + 110j, roughness)
    inside = shapely.Polygon(to_points(outer)).buffer(-wall)
    parts = [p for p in shapely.get_parts(inside) if p.area > 400]
    holes = [to_complex(p.exterior.segmentize(1.0).coords[:-1]) for p in parts]
    rings = (ring(outer, kinds[0]), *(ring(h, kinds[1 + k % 2]) for k, h in enumerate(holes)))
    paths = fitted(rings)
    loops = [shapely.LinearRing(r.path.flat(0.005)) for r in paths.rings]
    assert all(loop.is_simple for loop in loops)
    assert not any(a.intersects(b) for a, b in itertools.combinations(loops, 2))
    assert all(shapely.Polygon(loops[0]).contains(loop) for loop in loops[1:])


def test_letters_that_nearly_touch_stay_apart() -> None:
    rings = (
        ring(square(60, 60 + 60j), Kind.LETTERING),
        ring(square(60, 120.8 + 60j), Kind.LETTERING),
    )
    a, b = (shapely.Polygon(r.path.flat()) for r in fitted(rings).rings)
    assert not a.intersects(b)
    assert a.distance(b) == pytest.approx(0.4, abs=0.15)


def test_a_line_that_cannot_be_followed_is_told() -> None:
    """Lettering so shaky that no line stays near it is marked, not hidden."""
    x = np.arange(240.0)
    shaky = to_points(x + 1j * (60 + 3 * np.sin(x / 3)))
    kinds = np.full(len(x), int(Kind.LETTERING), np.uint8)
    one = Stroke(shaky * SCALE, kinds, 1.0 * SCALE, 2.0, is_closed=False)
    paths = fit_outlines(drawn(strokes=(one,)), rules=FitRules())
    found = [note for note in paths.notes if note.kind is NoteKind.DEVIATES]
    far = off(paths.slits[0], one.points_mm)
    assert bool(found) == (far > 3 * one.noise_mm)
    for note in found:
        assert note.size_mm == pytest.approx(far, abs=0.2)
        assert note.place_mm is not None
        assert cKDTree(one.points_mm).query([note.place_mm.real, note.place_mm.imag])[0] < 0.01


def test_the_tolerances_are_ceilings() -> None:
    """Independent sampling: drawn points, corners' blur apart, lie within the rules' distance."""
    rules = FitRules(organic_tolerance_mm=0.3, lettering_tolerance_mm=0.15)
    rings = (
        ring(blob(9, 80, 100 + 100j, 0.08), Kind.ORGANIC),
        ring(blob(10, 60, 300 + 100j, 0.08), Kind.LETTERING),
    )
    paths = fit_outlines(drawn(rings), rules=rules)
    assert paths.notes == ()
    assert off(paths.rings[0].path, rings[0].points_mm) <= 0.3
    assert off(paths.rings[1].path, rings[1].points_mm) <= 0.15


def test_tips_that_would_run_into_each_other_stay_apart() -> None:
    """Two blurred tips a pixel apart: carried on to their true points, they would overlap."""
    corners = np.array([100 + 80j, 40 + 65j, 40 + 95j])
    (points,) = glyphs.contours([corners], blur=1.3)
    z = to_complex(points)
    tip = z[np.argmax(z.real)]
    facing = 2 * (tip + 0.5) - z
    given = replace(
        drawn((ring(z, Kind.LETTERING), ring(facing, Kind.LETTERING))), blur_mm=1.3 * SCALE
    )
    alone = fit_outlines(replace(given, rings=given.rings[:1]), rules=FitRules())
    assert alone.rings[0].path.bounds()[2] > (tip.real + 1) * SCALE
    a, b = (
        shapely.Polygon(r.path.flat(0.005)) for r in fit_outlines(given, rules=FitRules()).rings
    )
    assert not a.intersects(b)


def test_a_stroke_that_goes_nowhere_is_no_slit() -> None:
    """A blot's middle line, a part of a pixel out and back: left out, and no crash."""
    blot = stroke(np.array([[40, 40], [40.1, 39.6], [40.1, 39.6], [40, 40]]), Kind.GEOMETRIC)
    line = stroke(np.array([[10.0, 10], [20, 10], [30, 10], [40, 10]]), Kind.ORGANIC)
    paths = fitted((), (blot, line))
    assert len(paths.slits) == 1


@pytest.mark.parametrize("kind", [Kind.GEOMETRIC, Kind.ORGANIC])
@pytest.mark.parametrize("reach", [1.5, 3.0, 6.0])
def test_a_stroke_out_and_back_keeps_its_reach(kind: Kind, reach: float) -> None:
    """A middle line that doubles back to its start: no crash, and the slit goes all the way."""
    out = np.linspace(0, reach, max(2, round(2 * reach)))
    along = 40 + np.concatenate([out, out[-2::-1]])
    line = stroke(np.column_stack([along, np.full(len(along), 40.0)]), kind)
    paths = fitted((), (line,))
    assert len(paths.slits) == 1
    x0, _, x1, _ = paths.slits[0].bounds()
    assert x1 - x0 > 0.5 * reach * SCALE


# ------------------------------------------------------------------ loose and crisp


def _wavy_ring(wave: float) -> Points:
    turn = np.linspace(0, 2 * np.pi, 1200, endpoint=False)
    radius = 120 + wave * np.sin(25 * turn)
    return np.column_stack([200 + radius * np.cos(turn), 200 + radius * np.sin(turn)])


def test_loose_smooths_small_waves_and_keeps_to_the_ceiling() -> None:
    """Flowing edges only; the waves are a third as high as the tolerance."""
    points = _wavy_ring(0.3)
    as_drawn, loose = (
        curves.fit_closed(points, sigma=0.05, tolerance=1.0, loose=share) for share in (0.0, 1.0)
    )
    assert len(loose) < len(as_drawn) / 2
    assert curves.deviation(loose, points) < 1.3
    assert abs(loose.area) == pytest.approx(np.pi * 120**2, rel=0.005)


def _rounded_box(radius: float) -> Points:
    box = shapely.box(50, 50, 250, 180).buffer(-radius).buffer(radius, quad_segs=32)
    line = box.exterior
    return np.array([line.interpolate(s).coords[0] for s in np.arange(0, line.length, 1.0)])


@pytest.mark.parametrize(("fillet", "n_curves"), [(6.0, 0), (0.0, 4)])
def test_small_fillets_of_letters_are_corners_or_kept(fillet: float, n_curves: int) -> None:
    drawn = Drawn(_rounded_box(5.0), 0.06, 0.5, 0.5, Kind.LETTERING, fillet=fillet)
    (path,) = fit_strict([drawn])
    lines = [s for s in path if isinstance(s, Line)]
    assert len(lines) == 4
    assert len(path) - len(lines) >= n_curves
    if not n_curves:
        assert len(path) == 4
        assert abs(path.area) == pytest.approx(200 * 130, rel=0.002)


def test_a_large_fillet_stays_even_where_corners_are_crisp() -> None:
    drawn = Drawn(_rounded_box(25.0), 0.06, 0.5, 0.5, Kind.LETTERING, fillet=6.0)
    (path,) = fit_strict([drawn])
    assert sum(not isinstance(s, Line) for s in path) >= 4


def test_letters_drawn_as_outlines_with_a_pencil_get_straight_sides() -> None:
    """The middle of a pencil line is smooth, and still wavers by less than the line is wide."""
    z = square(200, 150 + 150j)
    waver = np.where(np.abs(np.sin(np.arange(len(z)) * 2 * math.pi / 200)) > 0.2, 1.0, 0.0)
    z = z + 0.7 * waver * np.exp(1j * np.angle(z - 150 - 150j)) * np.sin(np.arange(len(z)) / 9)
    edges = drawn((ring(z, Kind.LETTERING),))
    of_ink = fit_outlines(edges, rules=FitRules()).rings[0].path
    rules = FitRules(lettering_tolerance_mm=0.6)
    of_pencil = fit_outlines(replace(edges, pen_mm=6 * SCALE), rules=rules)
    sides = of_pencil.rings[0].path.segments
    assert len(of_ink.segments) > 8
    assert len(sides) == 4
    assert all(isinstance(side, Line) for side in sides)
    assert {note.kind for note in of_pencil.notes} <= {NoteKind.STRAIGHTENED}


def test_flowing_edges_drawn_with_a_pencil_are_fair_and_printed_ones_exact() -> None:
    """What wavers was drawn by hand: it is smoothed by a tenth of the pen, tips and all kept."""
    t = np.linspace(0, 2 * math.pi, 2000, endpoint=False)
    leaf = 150 + 150j + 110 * np.cos(t) + 45j * np.sin(t) * np.abs(np.sin(t))
    meant = resampled(leaf, is_closed=True)
    soft = np.exp(-((np.arange(-9, 10) / 3) ** 2) / 2)
    waver = np.convolve(np.random.default_rng(1).normal(0, 1, len(meant)), soft, "same")
    z = meant + 0.25 * waver / waver.std() * np.exp(1j * np.angle(meant - 150 - 150j))
    lines = [replace(drawn((ring(line, Kind.ORGANIC),)), pen_mm=6 * SCALE) for line in (z, meant)]
    by_hand, printed = (fit_outlines(line, rules=FitRules()) for line in lines)
    (followed,) = fitted((ring(z, Kind.ORGANIC),)).rings
    tips = to_points(np.array([40 + 150j, 260 + 150j])) * SCALE
    assert len(by_hand.rings[0].path) < len(followed.path) / 2
    assert off(by_hand.rings[0].path, to_points(meant) * SCALE) < 0.6 * SCALE
    assert off(by_hand.rings[0].path, tips) < 0.6 * SCALE
    assert off(printed.rings[0].path, to_points(meant) * SCALE) < 0.1 * SCALE
