"""Room: outlines in, the same with what a maker said of all that lies in a loop.

A loop is drawn round a word, or round a stretch of an edge: what lies in it is of one kind, or is
followed more loosely or more strictly than the rest.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TypeVar

import numpy as np
import numpy.typing as npt

from raster2path.geometry import Kind, Points
from raster2path.job import Corrections
from raster2path.model import Note, NoteKind, Outlines, Ring, Stroke

Bools = npt.NDArray[np.bool_]

Line = TypeVar("Line", Ring, Stroke)

WHOLE_SHARE = 0.95
"""An edge of which more lies in a loop is meant as a whole."""
LEAST_POINTS = 12
"""A loop that touches less of an edge has only brushed it."""

KINDS = (
    ("lettering_loops_px", Kind.LETTERING),
    ("organic_loops_px", Kind.ORGANIC),
    ("geometric_loops_px", Kind.GEOMETRIC),
)
EASES = (("looser_loops_px", 1), ("stricter_loops_px", -1))


def mark_areas(
    outlines: Outlines, *, corrections: Corrections, work_from_upright: Points
) -> Outlines:
    """The outlines, with kinds and eases as said by hand for all in a loop; later loops win.

    A loop that finds nothing is told in a note, never dropped.
    """
    for key, kind in KINDS:
        for loop in getattr(corrections, key):
            outlines = _marked(outlines, key, loop, work_from_upright, kind=kind)
    for key, ease in EASES:
        for loop in getattr(corrections, key):
            outlines = _marked(outlines, key, loop, work_from_upright, ease=ease)
    return outlines


def _marked(
    outlines: Outlines,
    key: str,
    loop_px: tuple[float, ...],
    homography: Points,
    *,
    kind: Kind | None = None,
    ease: int = 0,
) -> Outlines:
    loop = _on_sheet(outlines, loop_px, homography)
    n_found = 0

    def marked(line: Line) -> Line:
        nonlocal n_found
        inside = _inside(line.points_mm, loop)
        n_found += int(inside.sum())
        if not inside.any():
            return line
        if kind is not None:
            return replace(line, kinds=np.where(inside, int(kind), line.kinds).astype(np.uint8))
        had = np.zeros(len(inside), np.int8) if line.eases is None else line.eases
        return replace(line, eases=np.where(inside, ease, had).astype(np.int8))

    rings = tuple(marked(ring) for ring in outlines.rings)
    strokes = tuple(marked(stroke) for stroke in outlines.strokes)
    if n_found:
        return replace(outlines, rings=rings, strokes=strokes)
    word = key.removesuffix("_loops_px")
    note = Note(
        NoteKind.SETTING,
        f"a loop round what is to be {word} finds no edge",
        complex(*loop.mean(axis=0)),
        remedy="draw it again, or take it out of job.toml",
    )
    return replace(outlines, notes=(*outlines.notes, note))


def _on_sheet(outlines: Outlines, loop_px: tuple[float, ...], homography: Points) -> Points:
    points = np.array(loop_px).reshape(-1, 2)
    out = np.column_stack([points, np.ones(len(points))]) @ homography.T
    return outlines.placement.to_mm(np.asarray(out[:, :2] / out[:, 2:], np.float64))


def _inside(points: Points, loop: Points) -> Bools:
    """Which points lie in the loop; nearly all is all, a few are none."""
    import shapely

    area = shapely.Polygon(loop)
    inside = np.asarray(shapely.contains_xy(shapely.make_valid(area), points), np.bool_)
    if inside.mean() >= WHOLE_SHARE:
        return np.full(len(inside), fill_value=True)
    return inside if inside.sum() >= LEAST_POINTS else np.zeros(len(inside), np.bool_)
