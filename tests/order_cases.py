"""Six layouts of a harbour town's signs, cut by cut, for the order of cuts; and their table.

`python -m tests.order_cases` prints it. Everything is drawn here with shapely. What it tells is
computed by the program's own conduction and buckling model, an elastic theory: it was never tried
on steel.
"""

from __future__ import annotations

import itertools
import math
import sys
import time
from collections.abc import Callable, Sequence

import numpy as np
import shapely
from shapely import affinity

from raster2path.geometry import Kind, Line, Path, joined, polygon
from raster2path.job import OrderRules
from raster2path.model import (
    Art,
    Border,
    Cut,
    CutType,
    Placement,
    Sign,
    SignEdge,
    TorchPlan,
)
from raster2path.torch.order import compare, order_cuts

KERF_MM = 1.5


def plan_of(
    openings: Sequence[shapely.Polygon],
    slits: Sequence[shapely.LineString] = (),
    *,
    size_mm: tuple[float, float],
    margin_mm: float = 20.0,
) -> TorchPlan:
    """Openings and slits in a plate with a border that is cut, on a blank a little larger."""
    wide, high = size_mm
    blank = (wide + 2 * margin_mm, high + 2 * margin_mm)
    border = shapely.box(margin_mm, margin_mm, wide + margin_mm, high + margin_mm)
    moved = [affinity.translate(part, margin_mm, margin_mm) for part in openings]
    assert all(border.buffer(-10).contains(part) for part in moved)
    assert all(a.distance(b) > 4 for k, a in enumerate(moved) for b in moved[:k])
    last = len(moved) + len(slits)
    cuts = [_opening(part, {last}) for part in moved]
    cuts += [_slit(affinity.translate(line, margin_mm, margin_mm), {last}) for line in slits]
    line = _ring(border.buffer(KERF_MM / 2, join_style="mitre"))
    cuts.append(Cut(CutType.BORDER, Kind.GEOMETRIC, line, line.start - 4 - 4j))
    edges = [SignEdge(_ring(border), frozenset({0}), is_border=True)]
    edges += [SignEdge(_ring(part).reversed(), frozenset({k + 1})) for k, part in enumerate(moved)]
    placement = Placement(1.0, 0j, (margin_mm, margin_mm, wide, high), blank)
    sign = Sign(Art((), (), Border.RECT, placement), tuple(edges), (), (), (), 0, ())
    return TorchPlan(sign, tuple(edges), (), tuple(cuts), KERF_MM)


def _ring(part: shapely.Polygon) -> Path:
    xy = np.asarray(shapely.orient_polygons(part).exterior.coords)[:-1]
    return polygon([complex(x, y) for x, y in xy])


def _opening(part: shapely.Polygon, inside: set[int]) -> Cut:
    line = _ring(part.buffer(-KERF_MM / 2)).reversed()
    inner = part.buffer(-min(5.0, 0.7 * KERF_MM))
    spot = shapely.point_on_surface(inner if not inner.is_empty else part)
    xy = shapely.shortest_line(part.exterior, spot).coords[0]
    near = line.nearest(complex(*xy))
    k = near.index
    turned = Path(line.segments[k:] + line.segments[:k], is_closed=True)
    pierce = turned.start + _towards(turned.start, complex(spot.x, spot.y), 5.0)
    lead = Path((Line(pierce, turned.start, Kind.ORGANIC),), is_closed=False)
    return Cut(CutType.OPENING, Kind.ORGANIC, turned, pierce, lead, inside=frozenset(inside))


def _towards(a: complex, b: complex, most: float) -> complex:
    gap = b - a
    return gap * min(1.0, most / max(abs(gap), 1e-9))


def _slit(line: shapely.LineString, inside: set[int]) -> Cut:
    z = [complex(x, y) for x, y in line.coords]
    path = joined([Line(a, b, Kind.ORGANIC) for a, b in itertools.pairwise(z)], is_closed=False)
    return Cut(CutType.SLIT, Kind.ORGANIC, path, path.start, inside=frozenset(inside))


def _leaf(x: float, y: float, long: float, wide: float, turn_deg: float) -> shapely.Polygon:
    radius = (long**2 / wide + wide) / 4
    off = radius - wide / 2
    both = (
        shapely.Point(0, -off)
        .buffer(radius, 32)
        .intersection(shapely.Point(0, off).buffer(radius, 32))
    )
    return affinity.translate(affinity.rotate(both, turn_deg, origin=(0, 0)), x, y)


def _oval(x: float, y: float, wide: float, high: float, turn_deg: float = 0) -> shapely.Polygon:
    disc = affinity.scale(shapely.Point(0, 0).buffer(1, 12), wide / 2, high / 2)
    return affinity.translate(affinity.rotate(disc, turn_deg, origin=(0, 0)), x, y)


def _glyph(rows: str, x: float, y: float, cell: float) -> list[shapely.Polygon]:
    """Stencil letters from little squares: each connected part is an opening."""
    cells = [
        shapely.box(x + c * cell, y + r * cell, x + (c + 1) * cell, y + (r + 1) * cell)
        for r, row in enumerate(rows.split("/"))
        for c, mark in enumerate(row)
        if mark == "#"
    ]
    return [p.buffer(-0.3, join_style="mitre") for p in shapely.get_parts(shapely.union_all(cells))]


LETTERS = {
    "T": "###/.#./.#./.#./.#.",
    "H": "#.#/#.#/###/#.#/#.#",
    "E": "###/#../##./#../###",
    "Y": "#.#/#.#/###/.#./.#.",
    "S": "###/#../###/..#/###",
}


def heron_in_reeds() -> TorchPlan:
    """A heron of five large openings among tall reeds, and water below."""
    reeds = [
        _leaf(60 + 27 * k, 190 + 30 * math.sin(2.1 * k), 230, 13, 86 + 5 * math.sin(1.7 * k))
        for k in range(26)
        if not 9 <= k <= 15
    ]
    heron = [
        _leaf(400, 250, 150, 60, 25),
        _leaf(440, 150, 110, 16, 70),
        _leaf(470, 85, 60, 16, 10),
        _leaf(385, 340, 70, 9, 90),
        _leaf(415, 345, 70, 9, 90),
    ]
    water = [_leaf(80 + 105 * k, 430 + 16 * (k % 2), 90, 11, 0) for k in range(7)]
    water += [_leaf(130 + 105 * k, 470 + 12 * (k % 2), 70, 9, 0) for k in range(6)]
    return plan_of(reeds + heron + water, size_mm=(800, 520))


def ferry_windows() -> TorchPlan:
    """A ferry's side: two rows of windows, a long name, waves."""
    windows = [shapely.box(60 + 62 * k, 90, 100 + 62 * k, 130) for k in range(13)]
    windows += [shapely.box(60 + 62 * k, 160, 100 + 62 * k, 200) for k in range(13)]
    name = [
        part
        for k, letter in enumerate("THETYS")
        for part in _glyph(LETTERS[letter], 270 + 70 * k, 240, 17)
    ]
    waves = [_leaf(75 + 86 * k, 390 + 10 * (k % 2), 76, 16, 4) for k in range(10)]
    return plan_of(windows + name + waves, size_mm=(900, 450))


def kelp_round() -> TorchPlan:
    """Kelp fronds all round a plate, a ring of bubbles within."""
    fronds = []
    for k in range(24):
        a = 2 * math.pi * k / 24
        fronds.append(
            _leaf(310 + 225 * math.cos(a), 310 + 225 * math.sin(a), 120, 22, math.degrees(a) + 12)
        )
    bubbles = [
        _oval(310 + 130 * math.cos(a), 310 + 130 * math.sin(a), 22, 22)
        for a in np.arange(12) * math.pi / 6
    ]
    bubbles += [
        _oval(310 + 60 * math.cos(a), 310 + 60 * math.sin(a), 34, 34)
        for a in np.arange(6) * math.pi / 3
    ]
    return plan_of(fronds + bubbles, size_mm=(620, 620))


def boat_shed() -> TorchPlan:
    """Planks as long slots, a door in four, a roof of two rows of shingles."""
    planks = [shapely.box(60 + 45 * k, 260, 72 + 45 * k, 440) for k in range(16) if k not in (7, 8)]
    door = [
        shapely.box(372 + 42 * i, 260 + 96 * j, 404 + 42 * i, 340 + 96 * j)
        for i in range(2)
        for j in range(2)
    ]
    roof = [
        _leaf(80 + 58 * k + 29 * (r % 2), 90 + 48 * r, 50, 22, 0)
        for r in range(3)
        for k in range(12 - (r % 2))
    ]
    return plan_of(planks + door + roof, size_mm=(820, 490))


def net_of_fish() -> TorchPlan:
    """Fish in a shoal, each with an eye of its own and a slit for the gill."""
    fish, slits = [], []
    for r in range(5):
        for k in range(5):
            x, y = 105 + 150 * k + 40 * (r % 2), 80 + 90 * r
            fish.append(_leaf(x, y, 100, 34, 8 * math.sin(r + k)))
            if (r + k) % 2:
                slits.append(shapely.LineString([(x + 62, y - 14), (x + 70, y), (x + 62, y + 14)]))
    return plan_of(fish, slits, size_mm=(860, 520))


def harbour_lights() -> TorchPlan:
    """A lighthouse's beams, large windows, and a sky full of stars small and large."""
    beams = [
        _leaf(
            450 + 190 * math.cos(a),
            140 + 190 * math.sin(a) * 0.45,
            170,
            15,
            math.degrees(math.atan2(0.45 * math.sin(a), math.cos(a))),
        )
        for a in (0.0, 0.45, -0.45, math.pi, math.pi - 0.45, math.pi + 0.45)
    ]
    tower = [shapely.box(430, 200 + 62 * k, 470, 240 + 62 * k) for k in range(4)]
    rng = np.random.default_rng(7)
    stars: list[shapely.Polygon] = []
    while len(stars) < 38:
        x, y = rng.uniform(40, 860), rng.uniform(40, 520)
        wide = float(rng.choice([10, 14, 24, 40]))
        star = _oval(x, y, wide, wide * rng.uniform(0.7, 1.0), rng.uniform(0, 180))
        if all(star.distance(other) > 12 for other in (*beams, *tower, *stars)):
            stars.append(star)
    return plan_of(beams + tower + stars, size_mm=(900, 560))


LAYOUTS: tuple[Callable[[], TorchPlan], ...] = (
    heron_in_reeds,
    ferry_windows,
    kelp_round,
    boat_shed,
    net_of_fish,
    harbour_lights,
)


def table() -> list[str]:
    """What the planned order gains on each layout, a line each."""
    rules = OrderRules()
    out = [
        "On paper, by the model; parts of the nearest order's (bow of left to right in brackets).",
        f"{'layout':16} cuts  bow rms      peak   hottest start  walk m       carry m     CPU s",
    ]
    for layout in LAYOUTS:
        plan = layout()
        began = time.process_time()
        order = order_cuts(plan, rules=rules)
        took = time.process_time() - began
        told = compare(order, rules=rules)
        new, near, sweep = told["taken"], told["nearest"], told["sweep"]
        out.append(
            f"{layout.__name__:16} {len(plan.cuts):4}"
            f"  {new.bow_rms / near.bow_rms:.2f} ({new.bow_rms / sweep.bow_rms:.2f})"
            f"  {new.bow_peak / near.bow_peak:.2f}"
            f"  {new.hottest_start_k / near.hottest_start_k:.2f} ({near.hottest_start_k:3.0f} K)"
            f"  {near.walk_m:.1f} -> {new.walk_m:.1f}   {near.carry_m:4.1f} -> {new.carry_m:4.1f}"
            f"  {took:.1f}"
        )
    return out


if __name__ == "__main__":
    sys.stdout.write("\n".join(table()) + "\n")
