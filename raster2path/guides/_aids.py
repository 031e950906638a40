"""Aids beside the cuts: where one stands, rests, where a fence or a compass goes, the clamp.

Private to `guides`. All is small or dashed, so that nothing of it can be taken for a cut.
"""

from __future__ import annotations

import numpy as np
import svgwrite
from svgwrite.container import Group

from raster2path.geometry import to_complex
from raster2path.guides._places import Floor
from raster2path.guides._write import at, number, short
from raster2path.guides.colours import Palette
from raster2path.model import Cut, CutOrder

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
            x0, y0 = spot.real - size[0] / 2, spot.imag - size[1] / 2
            floor.take_box((x0, y0, x0 + size[0], y0 + size[1]))
            group.add(
                drawing.text(
                    name,
                    insert=(number(spot.real), number(spot.imag + REST_MM / 2)),
                    font_size=number(REST_MM / 0.73),
                    font_family="sans-serif",
                    fill=palette.aid,
                    stroke="none",
                )
            )
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
