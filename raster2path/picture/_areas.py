"""Which areas of a line drawing are filled or hatched; private to the folder.

What is filled ends where its ink ends. Hatching is closed over, and asks for more: that it is
wide, or has a line round it, so that a few strokes beside each other stay strokes. All sizes are
in pen widths; they are common practice, no source.
"""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt

from raster2path.picture._discs import Bytes, as_bytes, closed, dilated, eroded, opened, pieces_of

CORE_PENS = 2.8
"""Ink as broad as this is filled in; a line that was drawn twice, or a crossing, is narrower."""

TIP_PENS = 1.7
"""A filled area runs on into tips as broad as this; what is narrower is a line."""

HATCHED_PENS = 7.5
"""Hatching as wide as this is an area, whatever goes round it; several strokes lie in it."""

SMALL_HATCHED_PENS = 4.5
"""Hatching that is only so wide must be dense, and have a line all round it."""


NARROW_PENS = 2.2
"""Paper narrower than this between two parts of an area is closed over: metal as narrow as that,
and held at one end, would not last."""


LEAST_GAPS = 6
"""Spots of paper that show through such hatching; fewer lie between a few strokes."""


def filled(mask: Bytes, pen_px: float) -> Bytes:
    """Areas filled with ink, as far as that goes; narrow gaps in them closed."""
    core = opened(mask, CORE_PENS * pen_px)
    if not core.any():
        return core
    near = opened(mask, TIP_PENS * pen_px) & dilated(core, 5 * pen_px)
    return closed(pieces_of(as_bytes(near), 30 * pen_px**2), NARROW_PENS * pen_px)


def hatched(mask: Bytes, pen_px: float, solid: Bytes) -> Bytes:
    """Areas of close strokes, with the line round them; not what is filled already.

    Args:
        mask: the ink.
        pen_px: width of its lines.
        solid: what is filled; the corners that closing adds beside it are no hatching.
    """
    rest = as_bytes(closed(mask, NARROW_PENS * pen_px) & (1 - solid))
    around = opened(rest, 2 * pen_px)
    found = np.zeros_like(mask)
    for width_pens, is_small in ((HATCHED_PENS, False), (SMALL_HATCHED_PENS, True)):
        core = opened(rest, width_pens * pen_px)
        area = as_bytes(around & dilated(core, 6 * pen_px))
        if is_small:
            area = _framed(area & (1 - found), mask, pen_px, solid)
        found |= pieces_of(area, 20 * pen_px**2, mask, least_share=0.5)
    return found


def _framed(area: Bytes, mask: Bytes, pen_px: float, solid: Bytes) -> Bytes:
    """Pieces that are dense, have a line round them, and do not lie along something filled."""
    n, labels = cv2.connectedComponents(as_bytes(area), connectivity=4)
    rim = as_bytes(area & (1 - eroded(as_bytes(area), 2 * pen_px)))
    parts = (area, area & mask, rim, rim & dilated(mask, 3), rim & dilated(solid, 2 * pen_px))
    whole, covered, rims, lined, beside = (
        np.bincount(labels[part > 0], minlength=n) for part in parts
    )
    keep = (covered >= 0.7 * whole) & (lined >= 0.85 * rims) & (beside <= 0.1 * rims)
    keep &= _n_gaps(np.asarray(labels, np.int64), area & (1 - mask), n) >= LEAST_GAPS
    keep[0] = False
    return as_bytes(keep[labels])


def _n_gaps(labels: npt.NDArray[np.int64], paper: Bytes, n: int) -> npt.NDArray[np.int64]:
    """By label, how many pieces of paper lie in an area."""
    n_pieces, pieces = cv2.connectedComponents(as_bytes(paper), connectivity=4)
    home = np.zeros(n_pieces, np.int64)
    home[np.asarray(pieces).ravel()] = labels.ravel()
    return np.bincount(home[1:], minlength=n)
