"""The sheet at its warmest, as a small map for the job sheet. Private to `guides`.

Darker is warmer, with the numbers beside, so that it reads in black and white, too.
"""

from __future__ import annotations

import itertools
from typing import TYPE_CHECKING

import numpy as np

from raster2path.model import CutOrder, HeatMap

if TYPE_CHECKING:
    from reportlab.pdfgen.canvas import Canvas

COOL, WARM = (0.96, 0.94, 0.88), (0.62, 0.10, 0.02)
"""Red, green and blue: paper, and a dark red that prints dark grey."""

BAR_MM = 4.0
TEXT_MM = 3.0


def draw_heat_map(
    canvas: Canvas, heat: HeatMap, order: CutOrder, corner_mm: complex, size_mm: tuple[float, float]
) -> float:
    """The map, the sign's outline over it and a scale under it; the answer is the lower end.

    Args:
        canvas: in mm, y up.
        heat: what is shown.
        order: whose edges are drawn over it.
        corner_mm: top left corner on the page.
        size_mm: the most room that it may take.
    """
    left, top, wide, high = heat.box_mm
    scale = min(size_mm[0] / wide, (size_mm[1] - BAR_MM - 2 * TEXT_MM) / high)
    most = max(float(heat.warm_k.max()), 1.0)
    rows, cols = heat.warm_k.shape
    x0, y0 = corner_mm.real, corner_mm.imag
    canvas.setLineWidth(0)
    for (i, j), warm in np.ndenumerate(heat.warm_k):
        _fill(canvas, float(warm) / most)
        x, y = x0 + scale * wide * j / cols, y0 - scale * high * (i + 1) / rows
        canvas.rect(x, y, scale * wide / cols + 0.05, scale * high / rows + 0.05, stroke=0, fill=1)
    canvas.setStrokeGray(0)
    canvas.setLineWidth(0.1)
    for edge in order.plan.edges:
        points = edge.path.flat(0.5)
        at = np.column_stack(
            [x0 + scale * (points[:, 0] - left), y0 - scale * (points[:, 1] - top)]
        )
        for a, b in itertools.pairwise([*at.tolist(), at[0].tolist()]):
            canvas.line(*a, *b)
    y = y0 - scale * high - BAR_MM - 1
    for k in range(20):
        _fill(canvas, (k + 0.5) / 20)
        canvas.rect(x0 + scale * wide * k / 20, y, scale * wide / 20 + 0.05, BAR_MM, 0, 1)
    canvas.setFillGray(0)
    canvas.setFont("Helvetica", TEXT_MM)
    canvas.drawString(x0, y - TEXT_MM, "0")
    canvas.drawRightString(x0 + scale * wide, y - TEXT_MM, f"{most:.0f} K above the workshop")
    return y - 2 * TEXT_MM


def _fill(canvas: Canvas, share: float) -> None:
    canvas.setFillColorRGB(*(a + share * (b - a) for a, b in zip(COOL, WARM, strict=True)))
