"""The guides as DXF, for those who hand the cut to someone with a table.

The published drawing exchange format, release 2010, written by ezdxf: model space in millimetres, y
upwards from the drawing's foot, one layer for each group of the guides SVG. Lines stay lines, arcs
arcs; a cubic is a spline of degree 3 with its own four control points.
"""

from __future__ import annotations

import io
import math
from typing import TYPE_CHECKING

from raster2path.geometry import Arc, Cubic, Kind, Line, Path, Segment, polygon
from raster2path.model import CutOrder, CutType, Stamp

if TYPE_CHECKING:
    from ezdxf.layouts.layout import Modelspace

LAYERS = {
    # colour numbers of the format, for a screen only
    "sheet": 9,
    "edges": 8,
    "slits": 3,
    "ties": 2,
    "torch": 5,
    "leads": 4,
    "pierces": 1,
    "order": 7,
}
NUMERAL_MM = 8.0
PIERCE_MM = 3.0


def guides_dxf(order: CutOrder, *, size_mm: tuple[float, float], stamp: Stamp) -> bytes:
    """Edges, slits, ties, torch lines, leads, pierces and numerals, each on its layer.

    Args:
        order: the cuts and all that they leave.
        size_mm: width and height of the drawing; its foot is y = 0.
        stamp: name, date and revision, kept in the file's comments.
    """
    from ezdxf import units
    from ezdxf._options import options
    from ezdxf.filemanagement import new

    # Without this the file would hold the time and a number of its own.
    options.write_fixed_meta_data_for_testing = True
    document = new("R2010", setup=False)
    document.units = units.MM
    document.header.custom_vars.append("job", stamp.title)
    for reason in stamp.not_ready:
        document.header.custom_vars.append("not ready to cut", reason)
    for name, colour in LAYERS.items():
        document.layers.add(name, color=colour)
    _draw(_Sheet(document.modelspace(), size_mm[1]), order)
    stream = io.StringIO()
    document.write(stream)
    return stream.getvalue().encode()


class _Sheet:
    """Model space, told in millimetres with y downwards."""

    def __init__(self, space: Modelspace, height_mm: float) -> None:
        self._space = space
        self._height_mm = height_mm

    def _up(self, z: complex) -> tuple[float, float]:
        return z.real, self._height_mm - z.imag

    def path(self, path: Path, layer: str) -> None:
        for segment in path:
            self._segment(segment, {"layer": layer})

    def _segment(self, segment: Segment, attributes: dict[str, str]) -> None:
        if isinstance(segment, Line):
            self._space.add_line(self._up(segment.start), self._up(segment.end), attributes)
        elif isinstance(segment, Cubic):
            controls = (segment.start, segment.control1, segment.control2, segment.end)
            self._space.add_open_spline(
                [self._up(z) for z in controls], degree=3, dxfattribs=attributes
            )
        else:
            self._arc(segment, attributes)

    def _arc(self, arc: Arc, attributes: dict[str, str]) -> None:
        """Arcs run against the clock as seen, from a start to an end angle in degrees."""
        ends = [arc.start, arc.end]
        if arc.sweep_rad > 0:
            ends.reverse()
        centre = arc.centre
        first, last = (
            math.degrees(math.atan2(centre.imag - z.imag, z.real - centre.real)) for z in ends
        )
        self._space.add_arc(self._up(centre), arc.radius, first, last, dxfattribs=attributes)

    def ring(self, at: complex, radius: float, layer: str) -> None:
        self._space.add_circle(self._up(at), radius, {"layer": layer})

    def word(self, text: str, at: complex, layer: str) -> None:
        attributes = {"layer": layer, "height": NUMERAL_MM}
        self._space.add_text(text, dxfattribs=attributes).set_placement(self._up(at))


def _draw(sheet: _Sheet, order: CutOrder) -> None:
    plan = order.plan
    blank = plan.sign.art.placement.sheet_mm
    if blank is not None:
        width, height = blank
        corners = (0j, complex(width), complex(width, height), 1j * height)
        sheet.path(polygon(corners, Kind.GEOMETRIC), "sheet")
    for edge in plan.edges:
        sheet.path(edge.path, "edges")
    for slit in plan.slits:
        sheet.path(slit, "slits")
    for tie in plan.sign.ties:
        sheet.path(polygon(tie.corners, Kind.GEOMETRIC), "ties")
    for number, cut in enumerate(order.cuts, 1):
        if cut.path is not None and cut.type is not CutType.SLIT:
            sheet.path(cut.path, "torch")
        for lead in cut.leads:
            if lead is not None:
                sheet.path(lead, "leads")
        sheet.ring(cut.pierce_mm, PIERCE_MM, "pierces")
        sheet.word(str(number), cut.pierce_mm + PIERCE_MM + 1, "order")
