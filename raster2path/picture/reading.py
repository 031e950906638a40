"""Tells how ink becomes metal: filled shapes, drawn edges, single cuts or bars."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from raster2path.job import ReadingRules
from raster2path.model import Ink, Mask, Read, Reading, frozen
from raster2path.picture._areas import filled, hatched
from raster2path.picture._discs import as_bytes, closed, dilated, eroded, opened, pieces_of
from raster2path.picture._guess import ROUGH, Look, guess
from raster2path.picture._shrink import resized

Bytes = npt.NDArray[np.uint8]
Floats = npt.NDArray[np.float32]

DRAFT_PX = 1200
"""Long side, at most, of the copy that is looked at; on it a pen is four pixels wide if it can."""

PEN_ON_DRAFT_PX = 4.0


def read_ink(ink: Ink, *, rules: ReadingRules) -> Reading:
    """How the ink becomes metal, as the maker says or as it looks.

    Where nothing was said, broad areas are read as solid, unless they are shaded with a pencil;
    lines that close round shapes are edges, lines that end loose are slits; thick lines that all
    hang together round many faces are bars. The limits are common practice, no source, set on
    some ninety drawings.

    Returns:
        The reading with its reason and how sure the guess is; where it is `edge`, with the areas
        that are hatched or filled, together with the outline round them.
    """
    if rules.read not in {None, Read.EDGE}:
        return Reading(ink, rules.read, "you said so", is_guessed=False)
    if rules.read is None and ink.falls_below is not None:
        parted = f"what is darker than {ink.falls_below:.0f} % falls out"
        reason = f"there is no paper, but light and shade all over: {parted}"
        return Reading(ink, Read.SOLID, reason, is_guessed=True, certainty=0.75)
    draft = _draft(ink)
    solid, strokes = _areas(draft)
    if rules.read is None:
        read, reason, certainty = guess(_look(draft, solid, strokes))
    else:
        read, reason, certainty = rules.read, "you said so", 1.0
    shaded = None
    if read is Read.EDGE:
        area = _whole(_closed_over(solid, draft), strokes, draft.pen_px)
        shaded = _at_full_size(area, ink.mask.shape)
        if shaded is not None:
            frozen(shaded)
            if rules.read is None and "shaded" not in reason and "filled" not in reason:
                reason += ", some of them shaded"
    return Reading(ink, read, reason, rules.read is None, shaded, certainty=certainty)


@dataclass(frozen=True, slots=True, eq=False)
class _Draft:
    """Ink on a smaller copy, with a bare rim round it."""

    mask: Bytes
    level: Floats
    pen_px: float


_RIM_PX = 8


def _draft(ink: Ink) -> _Draft:
    rows, cols = ink.mask.shape
    pen_px, long_side = max(ink.pen_px, 1.5), max(rows, cols)
    # Wide pens may be shrunk far, but the drawing keeps its shape: 420 px at least.
    scale = min(1.0, max(PEN_ON_DRAFT_PX / pen_px, 420 / long_side), DRAFT_PX / long_side)
    size = (max(1, round(cols * scale)), max(1, round(rows * scale)))
    mask, level = ink.mask.view(np.uint8), ink.level
    if scale < 1:
        # A little under half: thin lines must not break.
        mask = (resized(mask * np.uint8(255), size) >= 110).astype(np.uint8)
        level = resized(level, size)
    level = np.clip(level, 0, 1.2)
    return _Draft(np.pad(mask, _RIM_PX), np.pad(level, _RIM_PX), pen_px * scale)


def _look(draft: _Draft, solid: Bytes, strokes: Bytes) -> Look:
    mask, pen_px = draft.mask, draft.pen_px
    n_ink = int(mask.sum())
    if n_ink == 0:
        return Look(0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0)
    _, _, stats, _ = cv2.connectedComponentsWithStats(mask, connectivity=8)
    areas = np.asarray(stats[1:, cv2.CC_STAT_AREA], np.float64)
    sides = np.asarray(stats[1:, [cv2.CC_STAT_WIDTH, cv2.CC_STAT_HEIGHT]], np.float64).max(axis=1)
    box = cv2.boundingRect(mask)
    parting, n_faces = _parting(mask, pen_px, box)
    share = _hatched(draft, strokes)
    if share >= 0.1:  # strokes of hatching part nothing, and there are many
        outside = as_bytes(1 - eroded(strokes, 2 * pen_px))
        parting, _ = _parting(mask, pen_px, box, counted=outside)
    lines = int((mask & (1 - dilated(solid, pen_px)) & (1 - strokes)).sum())
    return Look(
        pen=pen_px / max(box[2:]),
        broad=float(opened(mask, max(2.2 * pen_px, pen_px + 2.5)).sum()) / n_ink,
        reach=float((areas * sides).sum() / areas.sum() / pen_px),
        joined=float(areas.max() / areas.sum()),
        rough=_roughness(draft),
        hatched=share,
        parting=parting,
        n_faces=n_faces,
        filled=float((solid & mask).sum()) / n_ink,
        lines=lines / n_ink,
        length=lines / pen_px / max(box[2:]),
    )


def _roughness(draft: _Draft) -> float:
    """How much darkness varies from place to place well inside filled areas."""
    pen_px = draft.pen_px
    broad = opened(closed(draft.mask, 1.5 * pen_px), 5 * pen_px)
    inside = eroded(broad, 2 * pen_px) > 0
    if inside.sum() < 0.05 * draft.mask.sum():
        return 0.0
    mean = cv2.blur(draft.level, (9, 9))
    variance = cv2.blur(draft.level * draft.level, (9, 9)) - mean * mean
    # White slits between solid shapes are not roughness: hence the calmer quarter.
    return float(np.sqrt(max(0.0, float(np.quantile(variance[inside], 0.25)))))


def _hatched(draft: _Draft, area: Bytes) -> float:
    """Share of the ink in shaded areas that are not filled, but have a closed line round them."""
    n, labels = cv2.connectedComponents(area, connectivity=4)
    mask = draft.mask
    rim = area - eroded(area, 2 * draft.pen_px)
    sizes, covered, rims, rims_covered = (
        np.bincount(labels[part > 0], minlength=n)
        for part in (area, area & mask, rim, rim & dilated(mask, 3))
    )
    is_hatched = (covered < 0.9 * sizes) & (rims_covered >= 0.85 * rims)
    is_hatched[0] = False
    return float(covered[is_hatched].sum() / mask.sum())


def _parting(
    mask: Bytes, pen_px: float, box: Sequence[int], counted: Bytes | None = None
) -> tuple[float, int]:
    """Share of the ink that parts two faces, a frame round all left out, and number of faces.

    Only the ink that lies where `counted` is set counts, if it is given.
    """
    n, labels, stats, _ = cv2.connectedComponentsWithStats(
        1 - closed(mask, 2 * pen_px), connectivity=4
    )
    is_face = np.asarray(stats[:, cv2.CC_STAT_AREA]) >= (3 * pen_px) ** 2
    is_face[0] = False
    outside = int(labels[0, 0])
    numbers = np.where(is_face, np.arange(n), 0).astype(np.float32)
    faces = numbers[labels]
    side = 2 * round(pen_px) + 5
    reach = np.ones((side, side), np.uint8)
    highest = cv2.dilate(faces, reach)
    lowest = cv2.erode(np.where(faces == 0, np.float32(n), faces), reach)
    parts = (lowest < highest) & (mask > 0)
    lines = mask > 0 if counted is None else (mask & counted) > 0
    for face in np.flatnonzero(is_face):
        if face != outside and _is_frame(stats[face], box):
            pair = sorted((int(face), outside))
            lines &= ~((lowest == pair[0]) & (highest == pair[1]))
    n_faces = int(is_face.sum()) - 1
    if lines.sum() < 0.1 * mask.sum():  # nothing but one closed line
        return 1.0, n_faces
    return float((parts & lines).sum() / lines.sum()), n_faces


def _is_frame(stat: npt.NDArray[np.integer], box: Sequence[int]) -> bool:
    size = box[2] * box[3]
    own_box = int(stat[cv2.CC_STAT_WIDTH]) * int(stat[cv2.CC_STAT_HEIGHT])
    return own_box >= 0.8 * size and int(stat[cv2.CC_STAT_AREA]) >= 0.5 * size


# ---------------------------------------------------------------- shaded areas


def _areas(draft: _Draft) -> tuple[Bytes, Bytes]:
    """Areas that are filled, and those that are hatched with their outline, on the draft."""
    solid = filled(draft.mask, draft.pen_px)
    return solid, hatched(draft.mask, draft.pen_px, solid)


def _closed_over(solid: Bytes, draft: _Draft) -> Bytes:
    """Filled areas; a pencil leaves gaps and ragged rims, which are closed over like hatching."""
    pen_px = draft.pen_px
    if not solid.any() or _roughness(draft) < ROUGH:
        return solid
    return as_bytes(opened(closed(draft.mask, 2.2 * pen_px), 2 * pen_px) & dilated(solid, pen_px))


def _whole(solid: Bytes, strokes: Bytes, pen_px: float) -> Bytes:
    """Both kinds of area together, without the gaps that are too small to be meant."""
    area = as_bytes(solid | strokes)
    if strokes.any():
        area = opened(closed(area, pen_px), pen_px)
    return as_bytes(1 - pieces_of(as_bytes(1 - area), 9 * pen_px**2))


def _at_full_size(area: Bytes, shape: tuple[int, ...]) -> Mask | None:
    """An area of the draft on the whole picture; None where it is empty."""
    if not area.any():
        return None
    inner = area[_RIM_PX:-_RIM_PX, _RIM_PX:-_RIM_PX].astype(np.float32)
    size = (shape[1], shape[0])
    return np.asarray(cv2.resize(inner, size, interpolation=cv2.INTER_LINEAR) >= 0.5, np.bool_)
