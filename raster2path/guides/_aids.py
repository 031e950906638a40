"""Aids beside the cuts: where one stands, rests, where a fence or a compass goes, the clamp.

Private to `guides`. All is small or dashed, so that nothing of it can be taken for a cut.
"""

from __future__ import annotations

import svgwrite
from svgwrite.container import Group

from raster2path.guides._places import Floor
from raster2path.guides._write import number, short
from raster2path.guides.colours import Palette
from raster2path.model import CutOrder

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
        at = floor.nearest(STAND_MM + 1, STAND_MM + 1, to=wanted)
        if at is None or abs(at - wanted) > max(wide, high) / 4:
            continue
        floor.take_disc(at, STAND_MM / 2 + 0.5)
        centre = number(at.real), number(at.imag)
        group.add(drawing.circle(center=centre, r=short(STAND_MM / 2)))
        group.add(
            drawing.text(
                name,
                insert=(number(at.real), number(at.imag + 2.5)),
                font_size="7",
                font_family="sans-serif",
                fill=palette.aid,
                stroke="none",
            )
        )
    return group
