"""The guides on sheets of paper: full size, overlapping, each with what it takes to join them.

Every page has a 100 mm rule both ways, crosses where the corners of neighbours meet, the names of
the neighbours at its edges, a glue edge, and the job's name and revision. A first page shows how
they lie. Pages on which nothing is drawn are left out.
"""

from __future__ import annotations

import io
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from raster2path.errors import UsageError
from raster2path.guides.full_size import POINTS_PER_MM, draw_svg, drawn, new_canvas
from raster2path.model import CutOrder, Stamp
from raster2path.units import Units

if TYPE_CHECKING:
    from reportlab.pdfgen.canvas import Canvas

UNPRINTED_MM = 6.0
"""Along every edge a printer may leave so much blank."""

FOOT_MM = 13.0
"""Below the drawing: name, rule and map."""

SIDE_MM = 9.0
"""Left of the drawing: the upright rule."""

OVERLAP_MM = 10.0
"""Of neighbouring pages; glue goes there."""

RULE_MM = 101.6
"""Of the longer one, four inches."""
CROSS_MM = 5.0
MOST_PAGES = 400
GREY = 0.55
RIM_MM = 15.0


@dataclass(frozen=True, slots=True)
class Grid:
    """How a drawing is laid on pages.

    Attributes:
        page_mm: width and height of the paper, turned as it is used.
        window_mm: width and height of the drawing shown on one page, overlap included.
        n_columns, n_rows: pages side by side, and one below the other.
        size_mm: of the drawing.
        used: pages with something on them, (row, column), in reading order.
    """

    page_mm: tuple[float, float]
    window_mm: tuple[float, float]
    n_columns: int
    n_rows: int
    size_mm: tuple[float, float]
    used: tuple[tuple[int, int], ...] = ()

    @property
    def step_mm(self) -> tuple[float, float]:
        """From one page's corner to the next one's, on the drawing."""
        return self.window_mm[0] - OVERLAP_MM, self.window_mm[1] - OVERLAP_MM

    def corner_mm(self, row: int, column: int) -> tuple[float, float]:
        """Top left corner of a page's window on the drawing."""
        return column * self.step_mm[0], row * self.step_mm[1]

    def box_mm(self, row: int, column: int) -> tuple[float, float, float, float]:
        """Window of a page on the drawing: x0, y0, x1, y1."""
        x, y = self.corner_mm(row, column)
        return x, y, x + self.window_mm[0], y + self.window_mm[1]


def page_name(row: int, column: int) -> str:
    """As written on the page: row and column, from 1."""
    return f"{row + 1}-{column + 1}"


def pages_pdf(
    svg: str,
    order: CutOrder,
    *,
    size_mm: tuple[float, float],
    paper_mm: tuple[float, float],
    stamp: Stamp,
    is_under: bool = False,
) -> bytes:
    """The guides on pages of one size, after a page that shows how they lie.

    Args:
        svg: text of the guides.
        order: what is drawn; tells which pages are empty.
        size_mm: width and height of the drawing.
        paper_mm: of a sheet of paper, either way round.
        stamp: written on every page.
        is_under: True to mirror the drawing, for marking the sheet's underside.

    Raises:
        UsageError: the paper is too small, or there would be too many pages.
    """
    grid = laid_out(size_mm, paper_mm)
    grid = _without_empty(grid, order, is_under=is_under)
    stream = io.BytesIO()
    width, height = (side * POINTS_PER_MM for side in grid.page_mm)
    canvas = new_canvas(stream, (width, height), stamp.title, stamp.units)
    drawing = drawn(svg)
    # One drawing, shown through a window on every page.
    canvas.beginForm("guides", 0, 0, drawing.width, drawing.height)
    draw_svg(drawing, canvas)
    canvas.endForm()
    canvas.scale(POINTS_PER_MM, POINTS_PER_MM)
    _overview(canvas, grid, stamp, is_under=is_under)
    canvas.showPage()
    for row, column in grid.used:
        canvas.scale(POINTS_PER_MM, POINTS_PER_MM)
        _page(canvas, grid, row, column, stamp=stamp, is_under=is_under)
        canvas.showPage()
    canvas.save()
    return stream.getvalue()


def laid_out(size_mm: tuple[float, float], paper_mm: tuple[float, float]) -> Grid:
    """Pages upright or lying, whichever takes fewer; upright where both take as many.

    Raises:
        UsageError: the paper is too small, or there would be too many pages.
    """
    short, long = sorted(paper_mm)
    grids = [grid for page in ((short, long), (long, short)) if (grid := _grid(size_mm, page))]
    if not grids:
        raise UsageError(
            f"--pages {short:g}x{long:g} mm is too small for the rules; expected a5 or larger"
        )
    grid = min(grids, key=lambda g: g.n_rows * g.n_columns)
    if grid.n_rows * grid.n_columns > MOST_PAGES:
        raise UsageError(
            f"--pages {short:g}x{long:g} mm would make {grid.n_rows * grid.n_columns} pages; "
            f"expected {MOST_PAGES} at most: take larger paper"
        )
    return grid


def count_along(size_mm: float, window_mm: float, overlap_mm: float) -> int:
    """How many overlapping windows a length takes."""
    return max(1, math.ceil((size_mm - overlap_mm) / (window_mm - overlap_mm) - 1e-9))


def _grid(size_mm: tuple[float, float], page_mm: tuple[float, float]) -> Grid | None:
    window = (
        page_mm[0] - 2 * UNPRINTED_MM - SIDE_MM,
        page_mm[1] - 2 * UNPRINTED_MM - FOOT_MM,
    )
    if min(window) < RULE_MM:
        return None
    columns, rows = (
        count_along(size, side, OVERLAP_MM) for size, side in zip(size_mm, window, strict=True)
    )
    return Grid(page_mm, window, columns, rows, size_mm)


def _without_empty(grid: Grid, order: CutOrder, *, is_under: bool) -> Grid:
    """The grid with its used pages found: those on which something is cut or tied."""
    import shapely

    plan = order.plan
    paths = [*plan.slits, *(cut.path for cut in order.cuts if cut.path is not None)]
    paths += [edge.path for edge in plan.edges]
    lines = []
    for path in paths:
        flat = path.flat(0.05)
        xy = np.concatenate([flat, flat[:1]]) if path.is_closed else flat
        if is_under:
            xy = xy * (-1, 1) + (grid.size_mm[0], 0)
        lines.append(shapely.LineString(xy))
    cells = [(r, c) for r in range(grid.n_rows) for c in range(grid.n_columns)]
    boxes = shapely.box(*np.array([grid.box_mm(r, c) for r, c in cells]).T)
    hit = shapely.STRtree(lines).query(boxes, predicate="intersects")[0] if lines else []
    used = tuple(cells[k] for k in sorted(set(np.asarray(hit).tolist())))
    return Grid(grid.page_mm, grid.window_mm, grid.n_columns, grid.n_rows, grid.size_mm, used)


# ---------------------------------------------------------------- pages, in mm, y upwards


ORIGIN_MM = (UNPRINTED_MM + SIDE_MM, UNPRINTED_MM + FOOT_MM)
"""Bottom left corner of the window on the paper."""


def _page(
    canvas: Canvas, grid: Grid, row: int, column: int, *, stamp: Stamp, is_under: bool
) -> None:
    x, y = ORIGIN_MM
    width, height = grid.window_mm
    canvas.saveState()
    clip = canvas.beginPath()
    clip.rect(x, y, width, height)
    canvas.clipPath(clip, stroke=0, fill=0)
    left, top = grid.corner_mm(row, column)
    canvas.translate(x - left, y + height + top - grid.size_mm[1])
    _guides(canvas, grid, is_under=is_under)
    canvas.restoreState()
    _seams(canvas, grid, row, column)
    _rules(canvas)
    _foot(canvas, grid, row, column, stamp)


def _guides(canvas: Canvas, grid: Grid, *, is_under: bool) -> None:
    if is_under:
        canvas.translate(grid.size_mm[0], 0)
        canvas.scale(-1, 1)
    canvas.scale(1 / POINTS_PER_MM, 1 / POINTS_PER_MM)
    canvas.doForm("guides")


def _seams(canvas: Canvas, grid: Grid, row: int, column: int) -> None:
    """Crosses where the pages' corners meet, glue edges, and the neighbours' names."""
    x, y = ORIGIN_MM
    width, height = grid.window_mm
    canvas.setLineWidth(0.2)
    canvas.setStrokeGray(0)
    middle = OVERLAP_MM / 2
    for cx in (x + middle, x + width - middle):
        for cy in (y + middle, y + height - middle):
            canvas.line(cx - CROSS_MM, cy, cx + CROSS_MM, cy)
            canvas.line(cx, cy - CROSS_MM, cx, cy + CROSS_MM)
    canvas.setStrokeGray(GREY)
    canvas.setDash(1, 2)
    canvas.setFillGray(GREY)
    canvas.setFont("Helvetica", 3.2)
    beside = {
        (0, 1): (x + width - middle, y + height / 2, 90),
        (0, -1): (x + middle, y + height / 2, 90),
        (1, 0): (x + width / 2, y + middle - 1, 0),
        (-1, 0): (x + width / 2, y + height - middle - 1, 0),
    }
    for (down, right), (tx, ty, turn) in beside.items():
        other = (row + down, column + right)
        if other not in grid.used:
            continue
        is_next = down + right > 0
        canvas.saveState()
        canvas.translate(tx, ty)
        canvas.rotate(turn)
        name = page_name(*other)
        canvas.drawCentredString(0, 0, f"glue: {name} on top" if is_next else f"on top of {name}")
        canvas.restoreState()
        _seam_line(canvas, grid, down, right)
    canvas.setDash()
    canvas.setFillGray(0)


def _seam_line(canvas: Canvas, grid: Grid, down: int, right: int) -> None:
    x, y = ORIGIN_MM
    width, height = grid.window_mm
    if right:
        at = x + width - OVERLAP_MM if right > 0 else x + OVERLAP_MM
        canvas.line(at, y, at, y + height)
    else:
        at = y + OVERLAP_MM if down > 0 else y + height - OVERLAP_MM
        canvas.line(x, at, x + width, at)


def _rules(canvas: Canvas) -> None:
    """In x and y: the only proof that the printer kept the size."""
    x, y = ORIGIN_MM
    units = canvas.units
    canvas.setStrokeGray(0)
    canvas.setLineWidth(0.3)
    foot, side = y - 3.5, x - 3.5
    length, told, n_parts = units.rules[0]
    canvas.line(x, foot, x + length, foot)
    canvas.line(side, y, side, y + length)
    for k in range(n_parts + 1):
        tick = 2.5 if k % units.ticks_to_long == 0 else 1.4
        along = length * k / n_parts
        canvas.line(x + along, foot - tick / 2, x + along, foot + tick / 2)
        canvas.line(side - tick / 2, y + along, side + tick / 2, y + along)
    canvas.setFont("Helvetica", 2.8)
    words = f"{told}: if it is not, print at 100 %, not fitted to the page"
    canvas.drawString(x, foot - 4.4, words)
    canvas.saveState()
    canvas.translate(side - 2.2, y)
    canvas.rotate(90)
    canvas.drawString(0, 0, told)
    canvas.restoreState()


def _foot(canvas: Canvas, grid: Grid, row: int, column: int, stamp: Stamp) -> None:
    x, y = ORIGIN_MM
    right = x + grid.window_mm[0]
    cell = min(3.0, 10.0 / grid.n_rows)
    _map(canvas, grid, (right - cell * grid.n_columns, y - 2.0), cell, here=(row, column))
    canvas.setFillGray(0)
    canvas.setFont("Helvetica-Bold", 5.0)
    canvas.drawRightString(right - cell * grid.n_columns - 3, y - 6.0, page_name(row, column))
    canvas.setFont("Helvetica", 2.8)
    canvas.drawRightString(right - cell * grid.n_columns - 3, y - 10.5, stamp.title)


def _map(
    canvas: Canvas,
    grid: Grid,
    at: tuple[float, float],
    cell: float,
    here: tuple[int, int] | None = None,
) -> None:
    """Small squares, one a page, from a top left corner; empty pages have a thin rim only."""
    used = set(grid.used)
    for r in range(grid.n_rows):
        for c in range(grid.n_columns):
            canvas.setFillGray(0.0 if (r, c) == here else 0.8 if (r, c) in used else 1.0)
            canvas.setStrokeGray(GREY)
            canvas.setLineWidth(0.1)
            canvas.rect(at[0] + c * cell, at[1] - (r + 1) * cell, cell, cell, fill=1)


def _overview(canvas: Canvas, grid: Grid, stamp: Stamp, *, is_under: bool) -> None:
    """The first page: the whole drawing, small, with the pages on it, and what to do."""
    width, height = grid.page_mm
    canvas.setFont("Helvetica-Bold", 6)
    canvas.drawString(RIM_MM, height - 18, stamp.title)
    lines = _what_to_do(grid, is_under=is_under, units=stamp.units)
    canvas.setFont("Helvetica", 3.8)
    for k, line in enumerate(lines):
        canvas.drawString(RIM_MM, height - 27 - 5.5 * k, line)
    top = height - 27 - 5.5 * len(lines) - 4
    whole = (
        grid.step_mm[0] * grid.n_columns + OVERLAP_MM,
        grid.step_mm[1] * grid.n_rows + OVERLAP_MM,
    )
    scale = min((width - 2 * RIM_MM) / whole[0], (top - RIM_MM) / whole[1])
    canvas.saveState()
    canvas.translate(RIM_MM, top)
    canvas.scale(scale, scale)
    canvas.saveState()
    canvas.translate(0, -grid.size_mm[1])
    _guides(canvas, grid, is_under=is_under)
    canvas.restoreState()
    for row in range(grid.n_rows):
        for column in range(grid.n_columns):
            _cell(canvas, grid, row, column)
    canvas.restoreState()


def _cell(canvas: Canvas, grid: Grid, row: int, column: int) -> None:
    """One page on the overview, in millimetres of the drawing, y upwards from its top."""
    (x, y), (w, h) = grid.corner_mm(row, column), grid.step_mm
    is_used = (row, column) in grid.used
    canvas.setStrokeGray(GREY)
    canvas.setLineWidth(1.0)
    canvas.setDash()
    canvas.rect(x, -y - h, w, h, fill=0)
    canvas.setFillGray(0.15 if is_used else GREY)
    canvas.setFont("Helvetica-Bold" if is_used else "Helvetica", 0.15 * min(w, h))
    words = page_name(row, column) if is_used else "empty"
    canvas.drawCentredString(x + w / 2, -y - h / 2, words)


def _what_to_do(grid: Grid, *, is_under: bool, units: Units) -> Sequence[str]:
    n = len(grid.used)
    sheets = "1 page" if n == 1 else f"{n} pages"
    rows = f"{grid.n_rows} high, {grid.n_columns} wide"
    rule = units.rules[0][1]
    lines = [
        f"{sheets}, full size ({rows}; {grid.size_mm[0]:.0f} x {grid.size_mm[1]:.0f} mm in all).",
        f"Print at 100 %, not fitted to the page. Measure both {rule} rules before you tape.",
        "Put the crosses of neighbours on each other; the later page lies on top, on its glue.",
        "Lay out by the rules and crosses, not by the paper's edges.",
    ]
    if is_under:
        lines.append("Mirrored: for the underside of the sheet.")
    return lines
