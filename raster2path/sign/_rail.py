"""A backing rail: one long bar under a row of pieces that stand far apart."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import shapely

from raster2path.geometry import Kind, Path, Points, polygon
from raster2path.model import Art, NoteKind
from raster2path.sign._fits import fit_notes

LEAST_OVERLAP = 0.3
"""Groups are a row where at least this share of the lowest one's height is common to all."""

WIDEST_TIES = 3.0
"""A rail is two to three ties wide, so that it stays within the margin round the sign."""


def rail_under(
    groups: Sequence[Sequence[int]], pieces: Sequence[shapely.Geometry], *, tie_mm: float
) -> Path | None:
    """A level bar, one tie's width under the row and a fifth of its widest gap high.

    None where there is one group only, or the groups do not stand in a row.
    """
    if len(groups) < 2:
        return None
    boxes = np.array([shapely.total_bounds([pieces[k] for k in group]) for group in groups])
    gap = _widest_gap_of_row(boxes)
    if gap is None:
        return None
    bottom = float(boxes[:, 3].max())
    left, right = float(boxes[:, 0].min()), float(boxes[:, 2].max())
    # it ends a little inside the row: nothing sticks out beyond the art
    inset = min(tie_mm, (right - left) / 10)
    top = bottom + tie_mm
    high = float(np.clip(gap / 5, 2 * tie_mm, WIDEST_TIES * tie_mm))
    corners = (
        complex(left + inset, top),
        complex(right - inset, top),
        complex(right - inset, top + high),
        complex(left + inset, top + high),
    )
    return polygon(corners, Kind.GEOMETRIC)


def with_rail(art: Art, rail: Path) -> Art:
    """The art whose sign's box takes in the rail as well: it is what the maker has to fit."""
    left, top, width, height = art.placement.sign_mm
    x0, y0, x1, y1 = rail.bounds()
    x0, y0 = min(left, x0), min(top, y0)
    x1, y1 = max(left + width, x1), max(top + height, y1)
    placement = replace(art.placement, sign_mm=(x0, y0, x1 - x0, y1 - y0))
    notes = [note for note in art.notes if note.kind is not NoteKind.DOES_NOT_FIT]
    return replace(art, placement=placement, notes=(*notes, *fit_notes(placement)))


def _widest_gap_of_row(boxes: Points) -> float | None:
    """The widest gap between neighbours in a row; None where boxes do not stand in one."""
    common = boxes[:, 3].min() - boxes[:, 1].max()
    if common < LEAST_OVERLAP * (boxes[:, 3] - boxes[:, 1]).min():
        return None
    ordered = boxes[np.argsort(boxes[:, 0])]
    between = ordered[1:, 0] - np.maximum.accumulate(ordered[:-1, 2])
    return float(between.max()) if between.max() > 0 else None
