"""The guides SVG: what is followed on the steel. What it promises: `docs/files.md`.

The torch line is the only strong stroke; edges are a pale fill without a stroke; dashes are only
for what is not cut.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import svgwrite
from svgwrite.container import Group
from svgwrite.drawing import Drawing

from raster2path.geometry import Arc, Cubic, Kind, Line, Path, Points, Segment, signed_area
from raster2path.guides._aids import arrows, clamp, fences, rests, stands
from raster2path.guides._places import HEIGHTS_MM, Floor, Numeral, Wanted, place_numerals
from raster2path.guides._scale import draw_scale
from raster2path.guides._write import at, mark_data, number, short, writable
from raster2path.guides.colours import PAPER, Palette
from raster2path.model import Cut, CutOrder, CutType, Stamp

RIM_MM = 25.0
"""Round the sign's box where no sheet is known."""

PIERCE_MM = 3.0
"""Radius of the ring at a pierce."""

LIGHT_HEIGHTS_MM = (25.0, 20.0, 16.0, 12.0)
"""Of numerals in light: where the drop is too small for 12 mm, a leader line leads outside."""

DONE_MM = "0.25"
"""Width of the line of a cut that is made already: still there, but nothing to follow."""

PUNCH_MM = 0.75
"""Radius of a punch mark's disc."""

_FLAT_MM = 0.05
_CLEAR_MM = 0.9


def guides_svg(
    order: CutOrder,
    *,
    stamp: Stamp,
    palette: Palette = PAPER,
    punched_mm: Sequence[complex] = (),
) -> str:
    """The guides as SVG 1.1 text, one user unit a millimetre.

    Args:
        order: what is cut, and what stays.
        stamp: name, date and revision.
        palette: colours for the ground that they are shown on.
        punched_mm: where a prick punch goes; none: no such layer.

    The same order and stamp give the same characters. Groups, ids and class tokens are those of
    the contract; a group with nothing in it is left out.
    """
    size = drawing_mm(order)
    flats = _Flats(order)
    floor = Floor(size)
    _take_lines(floor, order, flats)
    drawing = svgwrite.Drawing(
        size=tuple(f"{short(side)}mm" for side in size),
        viewBox=f"0 0 {short(size[0])} {short(size[1])}",
        profile="full",
        debug=False,
    )
    scale = draw_scale(
        drawing, order, floor, stamp=stamp, palette=palette, is_punched=bool(punched_mm)
    )
    for group in (
        _ground(drawing, size, palette),
        _sheet(drawing, order, palette),
        _edges(drawing, order, flats, palette),
        _slits(drawing, order, palette),
        _ties(drawing, order, palette),
        _torch(drawing, order, palette),
        _leads(drawing, order, palette),
        _pierces(drawing, order, palette),
        _punched(drawing, punched_mm, palette),
        arrows(drawing, order, palette),
        stands(drawing, order, floor, palette),
        _numerals(drawing, order, floor, flats, palette),
        rests(drawing, order, floor, palette),
        clamp(drawing, order, floor, palette),
        fences(drawing, order, floor, palette),
        scale,
    ):
        if group.elements:
            drawing.add(group)
    drawing.set_desc(writable(stamp.title), writable(_description(order, stamp)))
    text = drawing.tostring().replace("><", ">\n<")
    return f'<?xml version="1.0" encoding="utf-8"?>\n{text}\n'


def drawing_mm(order: CutOrder) -> tuple[float, float]:
    """Width and height of the drawing: the sheet, or the sign's box and a rim round it."""
    placement = order.plan.sign.art.placement
    if placement.sheet_mm is not None:
        return placement.sheet_mm
    left, top, width, height = placement.sign_mm
    return left + width + RIM_MM, top + height + RIM_MM


# ---------------------------------------------------------------- numbers and paths


def _rounded(z: complex) -> complex:
    return complex(round(z.real, 3), round(z.imag, 3))


def path_data(path: Path) -> str:
    """The `d` of a path: absolute, 3 decimals, as many pieces as the path has.

    A line is `L`, `H` or `V`, an arc `A`, a cubic `C`; the line that closes a closed path is its
    `Z`. Pieces that rounding shrinks to nothing are left out.
    """
    ends = [segment.start for segment in path.segments[1:]]
    ends.append(path.start if path.is_closed else path.end)
    here = _rounded(path.start)
    parts = [f"M {at(here)}"]
    last = len(path) - 1
    for i, (segment, end) in enumerate(zip(path.segments, map(_rounded, ends), strict=True)):
        if path.is_closed and i == last and isinstance(segment, Line):
            break
        parts.append(_piece(segment, here, end))
        here = end
    if path.is_closed:
        parts.append("Z")
    return " ".join(part for part in parts if part)


def _piece(segment: Segment, start: complex, end: complex) -> str:
    if isinstance(segment, Line):
        return _line(start, end)
    if isinstance(segment, Cubic):
        controls = _rounded(segment.control1), _rounded(segment.control2)
        if all(abs(point - start) < 5e-4 for point in (*controls, end)):
            return ""
        return f"C {at(controls[0])} {at(controls[1])} {at(end)}"
    # a chord that is next to nothing can't say where the centre of a whole turn is
    if abs(segment.sweep_rad) > math.radians(350):
        halfway = _rounded(segment.point(0.5))
        first = _arc(segment.between(0, 0.5), start, halfway)
        return f"{first} {_arc(segment.between(0.5, 1), halfway, end)}"
    return _arc(segment, start, end)


def _line(start: complex, end: complex) -> str:
    is_level, is_upright = start.imag == end.imag, start.real == end.real
    if is_level and is_upright:
        return ""
    if is_level:
        return f"H {number(end.real)}"
    if is_upright:
        return f"V {number(end.imag)}"
    return f"L {at(end)}"


def _arc(arc: Arc, start: complex, end: complex) -> str:
    """One `A` through the rounded ends and the arc's true middle.

    Near a half circle the centre hangs on the radius by a square root: a radius of 50 that is
    half a thousandth too large moves it by 0.2 mm. So an arc that is a half circle within its
    rounding is written a hair too small, which readers must scale up to fit (SVG 1.1, F.6.6), and
    other radii get as many decimals as it takes.
    """
    half_chord, rise = abs(end - start) / 2, abs(arc.point(0.5) - (start + end) / 2)
    if half_chord < 5e-4 and rise < 5e-4:
        return ""
    if rise < 1e-6 * max(half_chord, 1.0):
        return _line(start, end)
    radius = (half_chord**2 + rise**2) / (2 * rise)
    off_centre = abs(rise - radius)
    is_large, is_clockwise = int(rise > half_chord), int(arc.sweep_rad > 0)
    if off_centre < 2e-3:
        text, is_large = number(math.floor(half_chord * 1000) / 1000), 0
    else:
        decimals = 3
        while decimals < 9 and 0.5 * 10**-decimals * (1 + radius / off_centre) > 1e-3:
            decimals += 1
        text = f"{radius:.{decimals}f}"
        whole, _, part = text.partition(".")
        text = f"{whole}.{part.rstrip('0').ljust(3, '0')}"
    return f"A {text} {text} 0 {is_large} {is_clockwise} {at(end)}"


# ---------------------------------------------------------------- flattened once


@dataclass(frozen=True, slots=True, init=False)
class _Flats:
    """Polylines of everything that numerals must not cover; closed ones repeat their start."""

    edges: tuple[Points, ...]
    slits: tuple[Points, ...]
    torch: tuple[Points, ...]
    others: tuple[Points, ...]

    def __init__(self, order: CutOrder) -> None:
        cuts, plan = order.plan.cuts, order.plan
        torch = (cut.path for cut in cuts if cut.path is not None)
        leads = (path for cut in cuts for path in cut.leads)
        ties = (np.array([[z.real, z.imag] for z in tie.corners]) for tie in plan.sign.ties)
        others = (*map(_polyline, leads), *(np.vstack([tie, tie[:1]]) for tie in ties))
        object.__setattr__(self, "edges", tuple(_polyline(edge.path) for edge in plan.edges))
        object.__setattr__(self, "slits", tuple(map(_polyline, plan.slits)))
        object.__setattr__(self, "torch", tuple(map(_polyline, torch)))
        object.__setattr__(self, "others", others)


def _polyline(path: Path) -> Points:
    points = path.flat(_FLAT_MM)
    return np.vstack([points, points[:1]]) if path.is_closed else points


def _take_lines(floor: Floor, order: CutOrder, flats: _Flats) -> None:
    floor.take_lines(flats.torch, width_mm=2 * _CLEAR_MM + 1.0)
    thin = (*flats.edges, *flats.slits, *flats.others)
    floor.take_lines(thin, width_mm=2 * _CLEAR_MM)
    for cut in order.cuts:
        floor.take_disc(cut.pierce_mm, PIERCE_MM + _CLEAR_MM / 2)
        for rest in cut.rests:
            floor.take_disc(rest.place_mm, 1.5)
            if rest.restart is not None:
                floor.take_disc(rest.restart.start, PIERCE_MM / 2 + _CLEAR_MM / 2)
    bars = [np.array([[z.real, z.imag] for z in fence.line]) for fence in order.aids.fences]
    floor.take_lines(bars, width_mm=1.5)
    corners = (0j, complex(floor.size_mm[0]), complex(*floor.size_mm), 1j * floor.size_mm[1])
    rim = np.array([[z.real, z.imag] for z in (*corners, 0j)])
    floor.take_lines([rim], width_mm=4 * _CLEAR_MM)


# ---------------------------------------------------------------- the groups


def _ground(drawing: Drawing, size: tuple[float, float], palette: Palette) -> Group:
    """Black under lines that are thrown onto steel; white paper needs none."""
    group = drawing.g(id="ground", fill=palette.ground)
    if palette.ground != PAPER.ground:
        group.add(drawing.rect(insert=(0, 0), size=tuple(map(short, size))))
    return group


def _sheet(drawing: Drawing, order: CutOrder, palette: Palette) -> Group:
    group = drawing.g(
        id="sheet", fill="none", stroke=palette.aid, stroke_width="0.35", stroke_dasharray="6,3"
    )
    sheet = order.plan.sign.art.placement.sheet_mm
    if sheet is not None:
        group.add(
            drawing.path(d=f"M 0.000,0.000 H {number(sheet[0])} V {number(sheet[1])} H 0.000 Z")
        )
    return group


def _edges(drawing: Drawing, order: CutOrder, flats: _Flats, palette: Palette) -> Group:
    """Rings by kind; metal pale, openings in the colour of the ground, larger rings first.

    Painted so, a plain viewer shows what even-odd over the whole group means. Rings never cross,
    so a larger one is never inside a smaller one.
    """
    group = drawing.g(id="edges", fill=palette.metal, fill_rule="evenodd", stroke="none")
    areas = [signed_area(points) for points in flats.edges]
    shelves: dict[str, list[int]] = {}
    for i in sorted(range(len(areas)), key=lambda i: -abs(areas[i])):
        edge = order.plan.edges[i]
        shelves.setdefault("border" if edge.is_border else edge.path.kind.token, []).append(i)
    for token, rings in shelves.items():  # in the order of each one's largest ring
        shelf = group.add(drawing.g(id=f"edges-{token}"))
        for i in rings:
            fill = {} if areas[i] > 0 else {"fill": palette.ground}
            shelf.add(drawing.path(d=path_data(order.plan.edges[i].path), **fill))
    return group


def _slits(drawing: Drawing, order: CutOrder, palette: Palette) -> Group:
    group = drawing.g(
        id="slits",
        fill="none",
        stroke=palette.ground,
        stroke_width=number(max(order.plan.kerf_mm, 0.2)),
        stroke_linecap="round",
        stroke_linejoin="round",
    )
    for path in order.plan.slits:
        group.add(drawing.path(d=path_data(path)))
    return group


def _ties(drawing: Drawing, order: CutOrder, palette: Palette) -> Group:
    group = drawing.g(
        id="ties",
        fill=palette.tie,
        stroke=palette.aid,
        stroke_width="0.3",
        stroke_dasharray="1.5,1",
    )
    for n, tie in enumerate(order.plan.sign.ties, 1):
        data = "M " + " L ".join(at(corner) for corner in tie.corners) + " Z"
        group.add(drawing.path(d=data, id=f"tie-{n:03d}"))
    return group


def _torch(drawing: Drawing, order: CutOrder, palette: Palette) -> Group:
    group = drawing.g(id="torch", fill="none", stroke_linecap="round", stroke_linejoin="round")
    final = {index: n for n, index in enumerate(order.sequence, 1)}
    for n, (cut, is_done) in enumerate(zip(order.cuts, order.is_done, strict=True), 1):
        around = sorted(final[index] for index in cut.inside)
        tokens = [cut.type.value, cut.kind.token, *(f"in-{other:03d}" for other in around)]
        ink = palette.ink(cut.kind)
        stroke = {"stroke": ink.colour, "stroke_width": short(ink.width_mm)}
        if cut.is_from_edge:
            tokens.append("edge-start")
        if cut.closes is not None:
            tokens.append("finish")
        if is_done:
            tokens.append("done")
            stroke = {"stroke": palette.aid, "stroke_width": DONE_MM}
        is_hole = cut.path is None or cut.type is CutType.PIERCE_ONLY
        data = f"M {at(cut.pierce_mm)} z" if is_hole or cut.path is None else path_data(cut.path)
        group.add(
            drawing.path(
                d=data,
                id=f"cut-{n:03d}",
                class_=" ".join(tokens),
                **stroke,
            )
        )
    return group


def _leads(drawing: Drawing, order: CutOrder, palette: Palette) -> Group:
    group = drawing.g(id="leads", fill="none", stroke_width="0.35", stroke_linecap="round")
    for n, cut in enumerate(order.cuts, 1):
        for word, path in (("lead", cut.lead_in), ("past", cut.run_past)):
            if path is not None:
                colour = palette.ink(cut.kind).colour
                name = f"{word}-{n:03d}"
                group.add(drawing.path(d=path_data(path), id=name, stroke=colour))
        for k, path in enumerate(cut.loops, 1):
            colour = palette.ink(cut.kind).colour
            name = f"loop-{n:03d}-{k}"
            group.add(drawing.path(d=path_data(path), id=name, stroke=colour))
        for k, rest in enumerate(cut.rests, 1):
            for word, path in (("rest", rest.run_off), ("lead", rest.restart)):
                if path is not None:
                    colour = palette.ink(cut.kind).colour
                    name = f"{word}-{n:03d}-{k}"
                    group.add(drawing.path(d=path_data(path), id=name, stroke=colour))
    return group


def _pierces(drawing: Drawing, order: CutOrder, palette: Palette) -> Group:
    group = drawing.g(id="pierces", fill="none", stroke_width="0.35")
    for n, cut in enumerate(order.cuts, 1):
        colour = palette.ink(cut.kind).colour
        centre = (number(cut.pierce_mm.real), number(cut.pierce_mm.imag))
        if not cut.is_from_edge:
            ring = drawing.circle(center=centre, r=short(PIERCE_MM), stroke=colour)
            ring["id"] = f"pierce-{n:03d}"
            group.add(ring)
        for k, rest in enumerate(cut.rests, 1):
            if rest.restart is not None:
                z = rest.restart.start
                small = drawing.circle(
                    center=(number(z.real), number(z.imag)), r=short(PIERCE_MM / 2), stroke=colour
                )
                small["id"] = f"pierce-{n:03d}-{k}"
                group.add(small)
    return group


def _punched(drawing: Drawing, marks_mm: Sequence[complex], palette: Palette) -> Group:
    """A disc a mark, with an eye where the punch's tip goes."""
    group = drawing.g(id="punch", fill=palette.ground, stroke=palette.aid, stroke_width="0.5")
    for z in marks_mm:
        centre = (number(z.real), number(z.imag))
        group.add(drawing.circle(center=centre, r=short(PUNCH_MM)))
    return group


def _numerals(
    drawing: Drawing, order: CutOrder, floor: Floor, flats: _Flats, palette: Palette
) -> Group:
    """The numerals, one text a cut, in cutting order; marks and leader lines in groups below."""
    numerals = _placed(order, floor, flats, HEIGHTS_MM)
    group = drawing.g(id="order", fill=palette.aid, font_family="sans-serif", text_anchor="middle")
    for child in (*_marks(drawing, order.cuts, palette), _leaders(drawing, numerals, palette)):
        if child.elements:
            group.add(child)
    for numeral in numerals:
        x, y = numeral.centre.real, numeral.centre.imag + numeral.height_mm / 2
        size = number(numeral.height_mm / 0.73)  # a digit is about 0.73 of the type size
        group.add(drawing.text(numeral.text, insert=(number(x), number(y)), font_size=size))
    return group


def _placed(
    order: CutOrder,
    floor: Floor,
    flats: _Flats,
    heights_mm: tuple[float, ...],
    tie_heights_mm: tuple[float, ...] = (),
) -> tuple[Numeral, ...]:
    wanted = [
        Wanted(str(n), cut.pierce_mm, cut.type is CutType.SLIT, heights_mm)
        for n, cut in enumerate(order.cuts, 1)
    ]
    if tie_heights_mm:
        wanted += [
            Wanted(f"t{n}", sum(tie.corners) / len(tie.corners), True, tie_heights_mm)
            for n, tie in enumerate(order.plan.sign.ties, 1)
        ]
    walls = (*flats.torch, *flats.edges, *flats.slits)
    return place_numerals(wanted, floor, walls, ring_mm=PIERCE_MM)


def numerals_in_light(order: CutOrder) -> tuple[Numeral, ...]:
    """A numeral a cut, in cutting order, large enough to be read in light across a table."""
    return numerals_of(order, LIGHT_HEIGHTS_MM)


def numerals_of(
    order: CutOrder, heights_mm: tuple[float, ...], tie_heights_mm: tuple[float, ...] = ()
) -> tuple[Numeral, ...]:
    """A numeral a cut, in cutting order; its digits have one of these heights, the best first.

    Where heights for them are given, ties follow, as t1, t2 and so on.
    """
    flats = _Flats(order)
    floor = Floor(drawing_mm(order))
    _take_lines(floor, order, flats)
    return _placed(order, floor, flats, heights_mm, tie_heights_mm)


def _leaders(drawing: Drawing, numerals: Iterable[Numeral], palette: Palette) -> Group:
    group = drawing.g(fill="none", stroke=palette.aid, stroke_width="0.25")
    lines = [numeral.leader for numeral in numerals if numeral.leader is not None]
    for a, b in lines:
        group.add(drawing.path(d=f"M {at(a)} L {at(b)}"))
    return group


def _marks(drawing: Drawing, cuts: Iterable[Cut], palette: Palette) -> list[Group]:
    """The marks in the pierce rings, a group for each kind."""
    groups = {
        kind: drawing.g(fill="none", stroke=palette.ink(kind).colour, stroke_width="0.35")
        for kind in Kind
    }
    for cut in cuts:
        mark = mark_data(palette.ink(cut.kind).mark, cut.pierce_mm, PIERCE_MM)
        groups[cut.kind].add(drawing.path(d=mark))
    return list(groups.values())


# ---------------------------------------------------------------- title and settings


def _description(order: CutOrder, stamp: Stamp) -> str:
    """Settings and faults, one `key: value` a line."""
    sign = order.plan.sign
    lines = list(stamp.settings)
    if sign.loose:
        lines.append(("loose", str(len(sign.loose))))
    lines += [("gap", f"{number(z.real)}, {number(z.imag)}") for z in sign.gaps_mm]
    lines += [("not ready", reason) for reason in stamp.not_ready]
    return "\n".join(f"{key}: {' '.join(value.split())}" for key, value in lines)
