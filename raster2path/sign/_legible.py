"""Lettering that is too small to be read from where it is meant to be read."""

from __future__ import annotations

import numpy as np
import shapely

from raster2path.geometry import Kind
from raster2path.model import Edge, Note, NoteKind

READABLE, LEAST = 300.0, 360.0
"""Letters stand a 300th of the distance high; under a 360th it is told.

25 feet to an inch of plain capitals is the poorer case of a sign council's research of 1998 (seen
second-hand); 30 feet is what road signs are made for (MUTCD 2009, section 2A.13, from memory).
"""

IN_ROW = 0.5
"""Letters are in one row where they share this much of the lower one's height."""


def height_for(distance_mm: float) -> float:
    """How high capital letters stand that are read from there.

    >>> height_for(30_000)
    100.0
    """
    return distance_mm / READABLE


def too_small_to_read(
    edges: tuple[Edge, ...], *, read_from_mm: float | None, width_mm: float
) -> list[Note]:
    """A note for each row of letters that is too low, with the width of sign at which it is not."""
    if read_from_mm is None:
        return []
    letters = [
        shapely.box(*edge.path.bounds())
        for edge in edges
        if edge.path.kind is Kind.LETTERING and not edge.is_border
    ]
    notes = []
    for left, top, right, bottom in _rows(letters):
        high = bottom - top
        if high >= read_from_mm / LEAST:
            continue
        wide = width_mm * height_for(read_from_mm) / high
        sentence = (
            f"Letters {high:.0f} mm high are hard to read from {read_from_mm / 1000:g} m: "
            f"{height_for(read_from_mm):.0f} mm would do."
        )
        place = complex((left + right) / 2, (top + bottom) / 2)
        remedy = f"make the sign {_rounded_up(wide):.0f} mm wide"
        notes.append(Note(NoteKind.TOO_SMALL, sentence, place, high, remedy))
    return notes


def _rounded_up(wide_mm: float) -> float:
    return float(np.ceil(wide_mm / 10) * 10)


def _rows(boxes: list[shapely.Geometry]) -> list[tuple[float, float, float, float]]:
    """Boxes round the rows; a row is as high as its highest letter."""
    rows: list[list[float]] = []
    for x0, y0, x1, y1 in sorted((box.bounds for box in boxes), key=lambda b: b[1] - b[3]):
        for row in rows:
            common = min(y1, row[3]) - max(y0, row[1])
            if common > IN_ROW * (y1 - y0):
                row[0], row[2] = min(row[0], x0), max(row[2], x1)
                break
        else:
            rows.append([x0, y0, x1, y1])
    return [(row[0], row[1], row[2], row[3]) for row in rows]
