"""Ties by hand: places where the maker wants one, and boxes that ties keep out of."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely

from raster2path.geometry import Points
from raster2path.job import Corrections
from raster2path.model import Note, NoteKind, Placement

Word = tuple[tuple[float, ...], complex]
"""A place as it stands in the job, with a width in mm where one is asked for; and on the sheet."""


@dataclass(frozen=True, slots=True, eq=False)
class ByHand:
    """Corrections on the sheet.

    Attributes:
        wanted: places of ties.
        kept_free: what no tie may meet.
    """

    wanted: tuple[Word, ...]
    kept_free: shapely.Geometry


NOTHING = ByHand((), shapely.Polygon())


def on_sheet(
    corrections: Corrections, placement: Placement, work_from_upright: Points | None
) -> ByHand:
    """The corrections, from pixels of the upright picture to millimetres on the sheet."""
    asked = (*corrections.ties_px, *corrections.wide_ties_px_mm)
    if not asked and not corrections.no_ties_px:
        return NOTHING
    homography = np.eye(3) if work_from_upright is None else work_from_upright

    def mapped(points: Sequence[tuple[float, ...]]) -> Points:
        px = np.column_stack([np.array(points, np.float64), np.ones(len(points))])
        out = px @ homography.T
        return placement.to_mm(out[:, :2] / out[:, 2:])

    wanted = [(place, complex(*mapped([place[:2]])[0])) for place in asked]
    boxes = [
        shapely.Polygon(mapped([(x, y), (x + w, y), (x + w, y + h), (x, y + h)]))
        for x, y, w, h in corrections.no_ties_px
    ]
    free = shapely.union_all(boxes) if boxes else shapely.Polygon()
    shapely.prepare(free)
    return ByHand(tuple(wanted), free)


def not_found(words: Sequence[Word]) -> list[Note]:
    """A note for each place at which no tie could be laid."""
    return [
        Note(
            NoteKind.SETTING,
            f"The tie at {place[0]:g}, {place[1]:g} of the corrections finds no gap to cross.",
            at,
            remedy="move it, or take it out of job.toml",
        )
        for place, at in words
    ]
