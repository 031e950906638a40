"""Room: fitted paths in, what is metal out: border added, width made exact, rings nested."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import shapely

from raster2path.errors import UsageError
from raster2path.geometry import Cubic, Kind, Path, circle, polygon
from raster2path.job import SizeRules
from raster2path.material import MILD, Stock
from raster2path.model import (
    Art,
    Border,
    Dark,
    Edge,
    FittedRing,
    Note,
    NoteKind,
    Paths,
    Placement,
)
from raster2path.sign._fits import fit_notes
from raster2path.sign._hanging import holes_for
from raster2path.sign._legible import too_small_to_read

LARGEST_CORRECTION = 0.005
"""The door set the scale; a fit moves the outer edge by less than this, or something is wrong."""

QUARTER_CIRCLE = 4 / 3 * (math.sqrt(2) - 1)
"""Handle length of a cubic quarter circle of radius one; at most 0.0273 % outside."""

FRAME_SHARE = 0.5
"""Width of a frame round loose metal, as a share of the margin; the rest is the gap to the art."""


@dataclass(frozen=True, slots=True)
class _Ring:
    path: Path
    is_border: bool
    shape: shapely.Polygon
    level: complex | None


def lay_out(
    paths: Paths, *, rules: SizeRules, thickness_mm: float = 1.5, stock: Stock = MILD
) -> Art:
    """What is metal: the art with its border, true to the width, every ring with its parent.

    Args:
        paths: fitted outlines.
        rules: size, border, mounting holes, and from where the lettering is to be read.
        thickness_mm: of the sheet, for the weight that hangs on the holes.
        stock: what it is made of.

    Returns:
        Art whose even-odd fill is the metal. A parent comes before its children; outer edges
        run clockwise, openings anticlockwise, so that metal is always to the right.

    Raises:
        UsageError: openings without any border: there would be no sheet round them.
    """
    paths = _true_to_size(_with_drawn_border(paths), rules)
    rings = list(paths.rings)
    if paths.border in (Border.RECT, Border.ROUND, Border.OVAL, Border.SHEET):
        rings += _border(paths, rules)
    elif paths.region is Dark.OPENING and rings and not any(ring.is_border for ring in rings):
        raise UsageError(
            "dark areas fall out, but there is no border: no sheet would be left round them; "
            "add --border rect, or say --dark metal"
        )
    edges = _nested(rings)
    holes, hole_notes = holes_for(
        edges, paths.slits, rules=rules, thickness_mm=thickness_mm, stock=stock
    )
    if holes:
        edges = _nested([*rings, *(FittedRing(hole) for hole in holes)])
    small = too_small_to_read(
        edges, read_from_mm=rules.read_from_mm, width_mm=paths.placement.sign_mm[2]
    )
    return Art(
        edges=edges,
        slits=paths.slits,
        border=paths.border,
        placement=paths.placement,
        notes=(*paths.notes, *fit_notes(paths.placement), *_bare_notes(edges), *hole_notes, *small),
    )


def _with_drawn_border(paths: Paths) -> Paths:
    """The outermost line made the border, where the maker asked for that on a solid picture.

    Where dark areas fall out, a drawn frame is a line: its outer edge is the border, and its
    inner edge is no edge at all, so the strip between them stays metal.
    """
    if paths.border is not Border.DRAWN or any(ring.is_border for ring in paths.rings):
        return paths
    shapes = [shapely.Polygon(ring.path.flat()) for ring in paths.rings]
    order = sorted(range(len(shapes)), key=lambda k: -shapes[k].area)
    outer, inner = order[0], order[1:]
    if not all(shapes[outer].contains(shapes[k]) for k in inner):
        raise UsageError("no drawn line goes round everything; say --border rect instead")
    is_frame = paths.region is Dark.OPENING and bool(inner)
    rings = [
        replace(ring, is_border=k == outer)
        for k, ring in enumerate(paths.rings)
        if not (is_frame and k == inner[0])
    ]
    return replace(paths, rings=tuple(rings))


def _true_to_size(paths: Paths, rules: SizeRules) -> Paths:
    """Correct scale and place so that the art's own box is exactly the sign's, where it is that."""
    if paths.border not in (Border.NONE, Border.DRAWN) or not paths.rings:
        return paths
    boxes = np.array([ring.path.bounds() for ring in paths.rings])
    x0, y0 = boxes[:, :2].min(axis=0)
    x1, y1 = boxes[:, 2:].max(axis=0)
    left, top, width, height = paths.placement.sign_mm
    asked_height = rules.height_mm is not None
    scale = height / (y1 - y0) if asked_height else width / (x1 - x0)
    if abs(scale - 1) > LARGEST_CORRECTION:
        return paths
    shift = complex(left, top) - scale * complex(x0, y0)
    placement = replace(
        paths.placement,
        mm_per_px=paths.placement.mm_per_px * scale,
        origin_mm=paths.placement.origin_mm * scale + shift,
        sign_mm=(left, top, float(x1 - x0) * scale, float(y1 - y0) * scale),
    )
    return replace(
        paths,
        rings=tuple(replace(r, path=r.path.mapped(scale, shift)) for r in paths.rings),
        slits=tuple(slit.mapped(scale, shift) for slit in paths.slits),
        placement=placement,
        notes=tuple(_moved(note, scale, shift) for note in paths.notes),
    )


def _moved(note: Note, scale: float, shift: complex) -> Note:
    if note.place_mm is None:
        return note
    return replace(note, place_mm=note.place_mm * scale + shift)


def _border(paths: Paths, rules: SizeRules) -> list[FittedRing]:
    """The outer edge; round loose metal also the inner edge of a frame that can carry it."""
    outer = [FittedRing(_outline(paths.border, paths.placement, inset_mm=0), is_border=True)]
    if paths.region is Dark.OPENING:
        return outer
    inset_mm = rules.margin_mm * FRAME_SHARE
    return [*outer, FittedRing(_outline(paths.border, paths.placement, inset_mm=inset_mm))]


def _outline(border: Border, placement: Placement, *, inset_mm: float) -> Path:
    if border is Border.SHEET and placement.sheet_mm is not None:
        left, top, (width, height) = 0.0, 0.0, placement.sheet_mm
    else:
        left, top, width, height = placement.sign_mm
    half_w, half_h = width / 2 - inset_mm, height / 2 - inset_mm
    centre = complex(left + width / 2, top + height / 2)
    if border is Border.ROUND:
        return circle(centre, min(half_w, half_h))
    if border is Border.OVAL:
        return ellipse(centre, half_w, half_h)
    corners = ((-1, -1), (1, -1), (1, 1), (-1, 1))
    return polygon(centre + complex(x * half_w, y * half_h) for x, y in corners)


def ellipse(centre: complex, half_width: float, half_height: float) -> Path:
    """Four cubics, clockwise as seen; nowhere more than 0.03 % outside the true ellipse."""
    k = QUARTER_CIRCLE

    def at(x: float, y: float) -> complex:
        return centre + complex(x * half_width, y * half_height)

    quarters = []
    for x, y in ((-1, 0), (0, -1), (1, 0), (0, 1)):
        to_x, to_y = -y, x  # a quarter turn clockwise, as seen
        quarters.append(
            Cubic(
                at(x, y),
                at(x + k * to_x, y + k * to_y),
                at(to_x + k * x, to_y + k * y),
                at(to_x, to_y),
                Kind.GEOMETRIC,
            )
        )
    return Path(tuple(quarters), is_closed=True)


def _nested(rings: list[FittedRing]) -> tuple[Edge, ...]:
    """Rings with parent and depth, largest first, each turned so that metal is on its right."""
    if not rings:
        return ()
    shaped = [_Ring(r.path, r.is_border, shapely.Polygon(r.path.flat()), r.level) for r in rings]
    # the border goes first even where an opening runs over it: the proof will say so
    shaped.sort(key=lambda ring: (not ring.is_border, -ring.shape.area))
    inside = _containing(shaped)
    edges: list[Edge] = []
    for ring, around in zip(shaped, inside, strict=True):
        depth = len(around)
        parent = max(around, key=lambda k: edges[k].depth, default=None)
        is_clockwise = ring.path.area > 0
        path = ring.path if is_clockwise == (depth % 2 == 0) else ring.path.reversed()
        level = ring.level
        if level is None and parent is not None and path.kind is Kind.LETTERING:
            level = edges[parent].level
        edges.append(Edge(path, ring.is_border, parent, depth, level))
    return tuple(edges)


def _containing(rings: list[_Ring]) -> list[list[int]]:
    """For each ring the earlier ones that go round it, tested at a point just inside it."""
    points = [shapely.Point(ring.shape.exterior.coords[0]) for ring in rings]
    tree = shapely.STRtree([ring.shape for ring in rings])
    around: list[list[int]] = [[] for _ in rings]
    inner, outer = tree.query(points, predicate="within")
    for i, o in zip(inner.tolist(), outer.tolist(), strict=True):
        if o < i:
            around[i].append(o)
    return around


def _bare_notes(edges: tuple[Edge, ...]) -> tuple[Note, ...]:
    if edges:
        return ()
    sentence = "Slits alone, without a border: whether they free a piece was not proven."
    return (Note(NoteKind.SETTING, sentence, remedy="add --border rect, or sheet with --sheet"),)
