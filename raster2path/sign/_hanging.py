"""Mounting holes: where the sign hangs level, in metal that can carry it."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import shapely

from raster2path.geometry import Kind, Path, circle
from raster2path.job import SizeRules
from raster2path.material import MILD, Stock
from raster2path.model import Edge, Note, NoteKind
from raster2path.sign._islands import metal_of

LEAST_RIM = 1.5
"""Metal round a hole, in diameters: less tears out (common practice, no source)."""

STEP_MM = 4.0
WIDEST_SHARE = 0.45
"""Two holes stand at most so far from the middle, as a share of the sign's width: nearer the
corners a sheet flaps (common practice, no source)."""

LOW_COST = 1.2
"""How much a hole that lies lower is disliked, against one that stands nearer the middle."""

GRAVITY = 9.81
KNOCKS = 3.0


def holes_for(
    edges: tuple[Edge, ...],
    slits: Sequence[Path],
    *,
    rules: SizeRules,
    thickness_mm: float,
    stock: Stock = MILD,
) -> tuple[list[Path], list[Note]]:
    """Holes that a sign hangs level by, and what the maker should know about them.

    One hole stands straight above the middle of mass; two stand at one height, as far from it on
    either side, so that each carries half. All metal counts, as tied or not.
    """
    if not rules.n_holes or not edges:
        return [], []
    metal = metal_of(edge.path for edge in edges)
    heart = metal.centroid
    found = _places(metal, slits, heart, rules)
    if not found:
        return [], [_no_room(rules)]
    paths = [circle(at, rules.hole_mm / 2, Kind.GEOMETRIC) for at in found]
    return paths, [_advice(found, metal, heart, rules, (thickness_mm, stock))]


def _places(
    metal: shapely.Geometry,
    slits: Sequence[Path],
    heart: shapely.Geometry,
    rules: SizeRules,
) -> list[complex]:
    """The best level places; none where no metal is wide enough."""
    around = rules.hole_mm / 2 + LEAST_RIM * rules.hole_mm
    # what is loose before ties carries nothing: the piece with the most metal does
    parts = shapely.get_parts(metal)
    main = parts[int(np.argmax(shapely.area(parts)))]
    room = shapely.buffer(main, -around)
    lines = [shapely.LineString(slit.flat()) for slit in slits if slit.length > 0]
    if lines:
        room = shapely.difference(room, shapely.buffer(shapely.union_all(lines), around))
    if room.is_empty:
        return []
    shapely.prepare(room)
    x0, y0, x1, _ = metal.bounds
    rows = np.arange(y0 + around, heart.y, STEP_MM)
    if rules.n_holes == 1:
        high = rows[shapely.contains_xy(room, np.full(len(rows), heart.x), rows)]
        return [complex(heart.x, float(high[0]))] if len(high) else []
    widest = min(WIDEST_SHARE * (x1 - x0), heart.x - x0, x1 - heart.x)
    asides = np.arange(widest, 2 * around, -STEP_MM)
    if not len(asides) or not len(rows):
        return []
    y, aside = np.meshgrid(rows, asides, indexing="ij")
    fits = shapely.contains_xy(room, heart.x - aside, y) & shapely.contains_xy(
        room, heart.x + aside, y
    )
    if not fits.any():
        return []
    worth = np.where(fits, aside - LOW_COST * (y - y0), -np.inf)
    row, col = np.unravel_index(int(np.argmax(worth)), worth.shape)
    level, wide = float(rows[row]), float(asides[col])
    return [complex(heart.x - wide, level), complex(heart.x + wide, level)]


def strain(
    *, load_n: float, hole_mm: float, rim_mm: float, thickness_mm: float
) -> tuple[float, float]:
    """Bearing stress at a bolt and tension in the metal beside and beyond it, in MPa.

    Bearing is load / (d t). The metal left round the hole, a rim on either side, carries the
    rest: load / (2 rim t). Ordinary net-section formulas; the sheet hangs in its own plane.

    >>> strain(load_n=63.2, hole_mm=6, rim_mm=9, thickness_mm=1.5)
    (7.022222222222222, 2.340740740740741)
    """
    return load_n / (hole_mm * thickness_mm), load_n / (2 * rim_mm * thickness_mm)


def _advice(
    places: list[complex],
    metal: shapely.Geometry,
    heart: shapely.Geometry,
    rules: SizeRules,
    sheet: tuple[float, Stock],
) -> Note:
    thickness_mm, stock = sheet
    kilograms = float(metal.area) * thickness_mm * stock.density_kg_mm3
    load = kilograms * GRAVITY * KNOCKS / len(places)
    rim = min(
        float(metal.boundary.distance(shapely.Point(z.real, z.imag))) - rules.hole_mm / 2
        for z in places
    )
    worst = max(strain(load_n=load, hole_mm=rules.hole_mm, rim_mm=rim, thickness_mm=thickness_mm))
    holes = "1 hole" if len(places) == 1 else f"{len(places)} holes"
    left, top = metal.bounds[0], metal.bounds[1]
    at = " and ".join(f"{z.real - left:.0f} from the left" for z in places)
    sentence = (
        f"{holes} of {rules.hole_mm:g} mm, {places[0].imag - top:.0f} mm below the top, {at}: the "
        f"sign weighs {kilograms:.1f} kg and hangs level; its middle of mass lies "
        f"{heart.x - left:.0f} from the left, {heart.y - top:.0f} below the top. The holes take "
        f"{math.ceil(worst)} of {stock.allowed_mpa:.0f} MPa, knocks counted in."
    )
    too_much = worst > stock.allowed_mpa
    return Note(
        NoteKind.THIN if too_much else NoteKind.SETTING,
        sentence,
        places[0],
        rules.hole_mm,
        "make the holes larger, or the metal round them wider" if too_much else None,
    )


def _no_room(rules: SizeRules) -> Note:
    wide = rules.hole_mm * (1 + 2 * LEAST_RIM)
    return Note(
        NoteKind.TOO_SMALL,
        f"No metal above the middle is {wide:.0f} mm wide on both sides, so there are no holes.",
        remedy="ask for smaller ones with --hole-size, for one with --holes 1, or add a border",
    )
