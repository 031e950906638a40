"""Aids beside the cuts: where one stands, rests, where a fence or a compass goes, the clamp.

Private to `guides`. All is small or dashed, so that nothing of it can be taken for a cut.
"""

from __future__ import annotations

import numpy as np
import svgwrite
from svgwrite.container import Group
from svgwrite.text import Text

from raster2path.geometry import Path, to_complex
from raster2path.guides._places import Floor
from raster2path.guides._write import at, number, short
from raster2path.guides.colours import Palette
from raster2path.model import ClampHow, Cut, CutOrder

STAND_MM = 10.0
"""Width of the disc with a stand's letter."""


def stands(drawing: svgwrite.Drawing, order: CutOrder, floor: Floor, palette: Palette) -> Group:
    """A letter for each place to stand, at the rim of the drawing nearest to it."""
    group = drawing.g(
        id="stands", fill="none", stroke=palette.aid, stroke_width="0.5", text_anchor="middle"
    )
    wide, high = floor.size_mm
    for name, place in order.named_stands.items():
        rim = STAND_MM / 2 + 1
        wanted = complex(
            min(max(place.real, rim), wide - rim), min(max(place.imag, rim), high - rim)
        )
        spot = floor.nearest(STAND_MM + 1, STAND_MM + 1, to=wanted)
        if spot is None or abs(spot - wanted) > max(wide, high) / 4:
            continue
        floor.take_disc(spot, STAND_MM / 2 + 0.5)
        centre = number(spot.real), number(spot.imag)
        group.add(drawing.circle(center=centre, r=short(STAND_MM / 2)))
        group.add(
            drawing.text(
                name,
                insert=(number(spot.real), number(spot.imag + 2.5)),
                font_size="7",
                font_family="sans-serif",
                fill=palette.aid,
                stroke="none",
            )
        )
    return group


REST_MM = 3.0
"""Height of the letters at a rest, and length of the mark across the line."""


def rests(drawing: svgwrite.Drawing, order: CutOrder, floor: Floor, palette: Palette) -> Group:
    """A short mark across the line at each rest, and the name of the part that begins there."""
    group = drawing.g(
        id="rests", fill="none", stroke=palette.aid, stroke_width="0.35", text_anchor="middle"
    )
    for n, cut in enumerate(order.cuts, 1):
        for k, rest in enumerate(cut.rests, 1):
            across = 1j * _way(cut, rest.place_mm) * REST_MM / 2
            a, b = rest.place_mm - across, rest.place_mm + across
            group.add(drawing.path(d=f"M {at(a)} L {at(b)}"))
            name = part_name(n, k)
            size = (0.62 * REST_MM * len(name) / 0.73, REST_MM)
            spot = floor.nearest(*size, to=rest.place_mm)
            if spot is None or abs(spot - rest.place_mm) > 30:
                continue
            floor.take_box(_box(spot, size))
            group.add(_word(drawing, name, spot, REST_MM, palette))
    return group


def part_name(number: int, part: int) -> str:
    """Name of a part of a cut: 14a, 14b, to 14z, then 14aa."""
    letters = ""
    part += 1
    while part:
        part, letter = divmod(part - 1, 26)
        letters = chr(ord("a") + letter) + letters
    return f"{number}{letters}"


def _way(cut: Cut, place: complex) -> complex:
    """Direction of a cut's path near a place on it."""
    if cut.path is None:
        return 1 + 0j
    z = to_complex(cut.path.flat(0.1))
    k = int(np.argmin(np.abs(z - place)))
    step = z[(k + 1) % len(z)] - z[k - 1]
    return complex(step / max(abs(step), 1e-9))


ARROW_MM = 3.0
ARROWS_APART_MM = 150.0
OFF_CORNERS_MM = 6.0


def arrows(drawing: svgwrite.Drawing, order: CutOrder, palette: Palette) -> Group:
    """Chevrons on the lines, the way the torch goes; an arrow at each pierce, where spray may."""
    group = drawing.g(id="arrows", fill="none", stroke=palette.aid, stroke_width="0.35")
    for k, cut in enumerate(order.cuts):
        if cut.path is not None and cut.path.length > 2 * ARROW_MM:
            for place, way in _along(cut.path):
                barbs = [place - ARROW_MM * way * np.exp(s * 0.5j) for s in (1, -1)]
                group.add(drawing.path(d=f"M {at(barbs[0])} L {at(place)} L {at(barbs[1])}"))
        if order.aids.sprays and not order.is_done[k]:
            way = order.aids.sprays[k]
            tail, tip = cut.pierce_mm + 3.5 * way, cut.pierce_mm + 9 * way
            barbs = [tip - 2 * way * np.exp(s * 0.5j) for s in (1, -1)]
            shaft = f"M {at(tail)} L {at(tip)}"
            group.add(
                drawing.path(
                    d=f"{shaft} M {at(barbs[0])} L {at(tip)} L {at(barbs[1])}",
                    stroke_dasharray="1,0.6",
                )
            )
    return group


def _along(path: Path) -> list[tuple[complex, complex]]:
    """Places on a path, about 150 mm apart and off its corners, and the direction there."""
    lengths = [segment.length for segment in path]
    ends = np.cumsum(lengths)
    n = max(1, round(float(ends[-1]) / ARROWS_APART_MM))
    out = []
    for s in (np.arange(n) + 0.5) / n * ends[-1]:
        k = min(int(np.searchsorted(ends, s, side="right")), len(lengths) - 1)
        room = min(OFF_CORNERS_MM, lengths[k] / 2) / max(lengths[k], 1e-9)
        t = min(max((s - ends[k] + lengths[k]) / max(lengths[k], 1e-9), room), 1 - room)
        segment = path.segments[k]
        out.append((segment.point(float(t)), segment.tangent(float(t)) or 1 + 0j))
    return out


def fences(drawing: svgwrite.Drawing, order: CutOrder, floor: Floor, palette: Palette) -> Group:
    """Dashed lines for a bar, crosses and radii for a compass."""
    group = drawing.g(
        id="fences",
        fill="none",
        stroke=palette.aid,
        stroke_width="0.25",
        stroke_dasharray="4,2",
        text_anchor="middle",
    )
    for fence in order.aids.fences:
        a, b = fence.line
        group.add(drawing.path(d=f"M {at(a)} L {at(b)}"))
    once = {(at(c.centre_mm), round(c.radius_mm, 1)): c for c in order.aids.compasses}
    for compass in once.values():
        z = compass.centre_mm
        cross = "".join(f"M {at(z - 2.5 * way)} L {at(z + 2.5 * way)} " for way in (1, 1j))
        group.add(drawing.path(d=cross.strip(), stroke_dasharray="none"))
        words = f"r {compass.radius_mm:.1f}"
        size = (0.62 * REST_MM * len(words) / 0.73, REST_MM)
        spot = floor.nearest(*size, to=z + 4j)
        if spot is None or abs(spot - z) > 30:
            continue
        floor.take_box(_box(spot, size))
        group.add(_word(drawing, words, spot, REST_MM, palette))
    return group


def clamp(drawing: svgwrite.Drawing, order: CutOrder, floor: Floor, palette: Palette) -> Group:
    """A square with a word where the work clamp goes."""
    group = drawing.g(
        id="clamp", fill="none", stroke=palette.aid, stroke_width="0.5", text_anchor="middle"
    )
    told = order.aids.clamp
    if told is None or told.place_mm is None:
        return group
    words = "magnet clamp" if told.how is ClampHow.MAGNET else "work clamp"
    spot = floor.nearest(26, 12, to=told.place_mm)
    if spot is None or abs(spot - told.place_mm) > 40:
        return group
    floor.take_box(_box(spot, (26, 12)))
    corner = spot - 4 - 6j
    group.add(
        drawing.rect(
            insert=(number(corner.real), number(corner.imag)),
            size=("8", "7"),
            stroke_dasharray="1.5,1",
        )
    )
    group.add(_word(drawing, words, spot + 4j, 2.6, palette))
    return group


def _box(centre: complex, size: tuple[float, float]) -> tuple[float, float, float, float]:
    x0, y0 = centre.real - size[0] / 2, centre.imag - size[1] / 2
    return x0, y0, x0 + size[0], y0 + size[1]


def _word(
    drawing: svgwrite.Drawing, words: str, centre: complex, height_mm: float, palette: Palette
) -> Text:
    """Small letters round a middle."""
    return drawing.text(
        words,
        insert=(number(centre.real), number(centre.imag + height_mm / 2)),
        font_size=number(height_mm / 0.73),
        font_family="sans-serif",
        fill=palette.aid,
        stroke="none",
    )
