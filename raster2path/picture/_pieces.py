"""From the ink's level to its mask: specks, pinholes, smudges and shadows are left out.

Private to the folder. Pieces are told apart by their outlines: labelling millions of pixels takes
ten times as long.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations

import cv2
import numpy as np
import numpy.typing as npt

from raster2path.errors import NothingFoundError
from raster2path.model import Level, Mask
from raster2path.picture._soft import soft_ink

Bytes = npt.NDArray[np.uint8]
Outlines = list[cv2.typing.MatLike]

STRONG = 0.385
"""Of full ink; a mark that is nowhere as dark is a smudge, but a faint stroke may hang on it."""

FAINT = 0.3
"""Level of a stroke's faint part, where it joins two parts that are clearly ink."""

BROADEST_PEN_PX = 16.0
"""Broader strokes are shapes; their edges are looked after, not their middle lines."""

_MOST_PUNCHED = 4
_WIDE_GAP_PENS = 40.0  # round a gap that is no gap in shading

DARK = 0.7
"""The same of the level, which is 1 in the ink nearby."""


@dataclass(frozen=True, slots=True, eq=False)
class Swept:
    """Ink without dirt.

    Attributes:
        mask: the ink.
        pen_px: the width of its strokes.
        n_punched: holes punched into the paper that were left out.
        n_thumbs: thumbs in corners of the picture that were.
    """

    mask: Mask
    pen_px: float
    n_punched: int = 0
    n_thumbs: int = 0


def mask_of(
    level: Level,
    name: str,
    *,
    local: Level | None = None,
    on_rule: Mask | None = None,
    is_photograph: bool = False,
) -> Swept:
    """Level at half, without specks, pinholes and marks that are nowhere dark.

    Args:
        level: of the ink, 1 where it is full.
        name: the picture's.
        local: how dark ink is nearby, as a share of full ink, on a grid of any size.
        on_rule: where printed rules were; short marks along them are what was left.
        is_photograph: then ink without a clear edge is a shadow, or shows through.

    Raises:
        NothingFoundError: nothing is left, or nothing but noise.
    """
    half = (level >= np.float32(0.5)).view(np.uint8)
    if half.all():
        raise NothingFoundError(f"{name} is dark all over; expected ink on something paler")
    pen_px = _pen(half)
    # A third of a pen is dirt; but in a broad silhouette even an eye is less than that.
    speck_px2 = max(9.0, min(0.3 * pen_px, max(level.shape) / 250) ** 2)
    dirt = _Dirt(level, local, speck_px2, pen_px, on_rule, is_photograph)
    n_before = cv2.countNonZero(half)
    kept, n_pieces, n_kept, left_out = _swept(half, dirt)
    is_dust = n_kept < 0.5 * n_pieces and cv2.countNonZero(half) < 0.7 * n_before
    if n_pieces > 3000 and is_dust:
        raise NothingFoundError(f"{name} looks like noise; nothing drawn stands out from it")
    soft = soft_ink(level, half.view(np.bool_), kept, pen_px) if is_photograph and n_kept else None
    if soft is not None and (half.view(np.bool_) & ~soft).any():
        half[soft] = 0
        _, _, n_kept, more = _swept(half, dirt)
        left_out = (left_out[0] + more[0], left_out[1] + more[1])
        pen_px = _pen(half)
    if n_kept == 0:
        raise NothingFoundError(
            f"no ink was found in {name}; expected something darker than its paper"
        )
    if is_photograph and pen_px <= BROADEST_PEN_PX:
        half |= _bridges(half, np.asarray(level >= np.float32(FAINT)), pen_px)
    return Swept(half.view(np.bool_), pen_px, *left_out)


def _bridges(half: Bytes, low: Mask, pen_px: float) -> Bytes:
    """Short faint pieces of stroke that hang on ink at both ends (hysteresis, after Canny 1986).

    Where a faint stroke runs into a dark one, ink nearby is dark, and the faint one falls short.
    """
    around = cv2.dilate(half, np.ones((5, 5), np.uint8))
    extra = (low & (around == 0)).astype(np.uint8)
    n, labels, stats, _ = cv2.connectedComponentsWithStats(extra, connectivity=8)
    longest = stats[:, [cv2.CC_STAT_WIDTH, cv2.CC_STAT_HEIGHT]].max(axis=1)
    is_short = (longest <= 8 * pen_px) & (stats[:, cv2.CC_STAT_AREA] >= 4)
    is_short[0] = False
    if not is_short.any():
        return np.zeros_like(half)
    # Each contact with the ink is a piece of its own, where the faint piece is grown by a pixel.
    numbers = np.where(is_short, np.arange(n), 0).astype(np.float32)[labels]
    grown = np.asarray(cv2.dilate(numbers, np.ones((3, 3), np.uint8)))
    _, contacts = cv2.connectedComponents(
        ((grown > 0) & (around > 0)).astype(np.uint8), connectivity=8
    )
    at = np.asarray(contacts) > 0
    pairs = np.unique(np.column_stack([grown[at], np.asarray(contacts)[at]]), axis=0)
    ends = np.bincount(pairs[:, 0].astype(np.int64), minlength=n)
    bridges = ((ends >= 2) & is_short)[labels].astype(np.uint8)
    reach = cv2.dilate(bridges, np.ones((7, 7), np.uint8))
    return np.asarray(np.where(low, reach, 0), np.uint8)


@dataclass(frozen=True, slots=True, eq=False)
class _Dirt:
    """How dirt is told from ink; see `mask_of`."""

    level: Level
    local: Level | None
    speck_px2: float
    pen_px: float
    on_rule: Mask | None
    is_photograph: bool

    def is_dirt(self, outline: cv2.typing.MatLike) -> bool:
        """True for a piece that is no ink, whatever its size."""
        is_rim = self.is_photograph and self._hugs_rim(outline)
        return is_rim or not self._is_strong(outline) or self._is_crumb(outline)

    def _is_strong(self, outline: cv2.typing.MatLike) -> bool:
        """True where there is dark ink in the box round a piece."""
        x, y, width, height = cv2.boundingRect(outline)
        step = 1 if width * height < 10_000 else 3
        box = self.level[y : y + height : step, x : x + width : step]
        is_dark = box >= DARK
        if self.local is None or not is_dark.any():
            return bool(is_dark.any())
        rows, cols = (
            own / whole for own, whole in zip(self.local.shape, self.level.shape, strict=True)
        )
        i = (np.arange(y, y + height, step) * rows).astype(np.int64)
        j = (np.arange(x, x + width, step) * cols).astype(np.int64)
        return bool((is_dark & (box * self.local[np.ix_(i, j)] >= STRONG)).any())

    def _hugs_rim(self, outline: cv2.typing.MatLike) -> bool:
        """True for a narrow strip along the picture's rim, or a crumb at it.

        The paper's end, half a printed rule, the top of a word that was cropped.
        """
        rows, cols = self.level.shape
        x, y, width, height = cv2.boundingRect(outline)
        touches = x == 0 or y == 0 or x + width == cols or y + height == rows
        if touches and max(width, height) < 0.03 * max(rows, cols):
            return True
        narrow = max(4.0, 0.012 * max(rows, cols))
        is_level = height <= narrow and width >= 4 * height and (y == 0 or y + height == rows)
        is_upright = width <= narrow and height >= 4 * width and (x == 0 or x + width == cols)
        return is_level or is_upright

    def fills_corner(self, outline: cv2.typing.MatLike) -> bool:
        """True for a thumb: it comes in at a corner, broad on both rims, and ends before long."""
        rows, cols = self.level.shape
        if not self.is_photograph:
            return False
        x, y, width, height = cv2.boundingRect(outline)
        is_level = y == 0 or y + height == rows
        is_upright = x == 0 or x + width == cols
        if not (is_level and is_upright) or width > 0.3 * cols or height > 0.3 * rows:
            return False
        at = np.asarray(outline)[:, 0]
        on_level = int(np.isin(at[:, 1], (0, rows - 1)).sum())
        on_upright = int(np.isin(at[:, 0], (0, cols - 1)).sum())
        return bool(min(on_level, on_upright) > max(2.5 * self.pen_px, 0.02 * max(rows, cols)))

    def _is_crumb(self, outline: cv2.typing.MatLike) -> bool:
        """True for a short piece, nearly all of whose rim lies on printed rules."""
        if self.on_rule is None:
            return False
        _, _, width, height = cv2.boundingRect(outline)
        size = max(self.on_rule.shape)
        # On squared paper most of a letter lies on rules, too; but it is no strip along one.
        if max(width, height) > 0.03 * size or min(width, height) > max(7.0, 0.006 * size):
            return False
        x, y = np.asarray(outline)[:, 0].T
        return bool(self.on_rule[y, x].mean() >= 0.8)


def _swept(half: Bytes, dirt: _Dirt) -> tuple[Outlines, int, int, tuple[int, int]]:
    """Takes dirt out of `half` and fills pinholes.

    Returns:
        The outlines that are left, how many pieces there were, and how many are left; how many
        of those that are not were punched holes, and how many thumbs.
    """
    outlines, tree = cv2.findContours(half, cv2.RETR_CCOMP, cv2.CHAIN_APPROX_NONE)
    gone: list[int] = []
    pinholes: Outlines = []
    thumbs: Outlines = []
    n_pieces = n_punched = 0
    for k, outline in enumerate(outlines):
        is_hole = tree[0, k, 3] >= 0
        # Pixels of a piece, from the polygon through the middles of its rim's (Pick's theorem);
        # a hole's polygon runs through the ink round it.
        rim = (len(outline) / 2 - 1) * (1 if is_hole else -1)
        is_large = len(outline) > 4 * dirt.speck_px2
        size = math.inf if is_large else cv2.contourArea(outline) - rim
        if is_hole:
            if size < dirt.speck_px2:
                pinholes.append(outline)
            continue
        n_pieces += 1
        if dirt.fills_corner(outline):
            thumbs.append(cv2.convexHull(outline))
        if size < dirt.speck_px2 or dirt.is_dirt(outline):
            gone += [k, *_holes_of(k, tree[0])]
    if dirt.is_photograph:
        lost = set(gone)
        # A punched hole is dark all over; an O is not.
        pieces = [
            k
            for k in range(len(outlines))
            if tree[0, k, 3] < 0
            and k not in lost
            and sum(cv2.contourArea(outlines[hole]) for hole in _holes_of(k, tree[0]))
            < 0.1 * cv2.contourArea(outlines[k])
        ]
        punched = _punched(outlines, pieces, dirt)
        n_punched = len(punched)
        gone += punched
    cv2.drawContours(half, [outlines[k] for k in gone], -1, 0, cv2.FILLED)
    cv2.drawContours(half, pinholes, -1, 1, cv2.FILLED)
    cv2.drawContours(half, thumbs, -1, 0, cv2.FILLED)  # with what lies between them and the rims
    lost = set(gone)
    # Gaps left by a pencil's shading are soft all round, but the shading is ink.
    kept = [
        outline
        for k, outline in enumerate(outlines)
        if k not in lost and (tree[0, k, 3] < 0 or len(outline) > _WIDE_GAP_PENS * dirt.pen_px)
    ]
    n_left = n_pieces - sum(tree[0, k, 3] < 0 for k in lost)
    return kept, n_pieces, n_left, (n_punched, len(thumbs))


def _punched(outlines: Sequence[cv2.typing.MatLike], pieces: list[int], dirt: _Dirt) -> list[int]:
    """Pieces that are a pair of holes punched beside a side of the paper.

    Round, 6 mm wide, 80 mm apart on a line along the side (ISO 838). Where more than four discs are
    as wide, they are drawn.
    """
    rows, cols = dirt.level.shape
    discs: list[tuple[int, float, float, float]] = []
    for k in pieces:
        left, top, width, height = cv2.boundingRect(outlines[k])
        wide = (width + height) / 2
        if (
            abs(width - height) < 0.3 * wide
            and wide > 0.008 * max(rows, cols)
            and _is_disc(outlines[k])
        ):
            discs.append((k, left + width / 2, top + height / 2, wide))
    widths = np.sort([disc[3] for disc in discs])
    found: list[int] = []
    for (k, x, y, wide), (j, u, v, other) in combinations(discs, 2):
        ratio = math.hypot(u - x, v - y) / ((wide + other) / 2)
        is_pair = 11 < ratio < 17 and max(wide, other) < 1.3 * min(wide, other)
        upright = abs(u - x) < 0.12 * abs(v - y) and _is_at_side(x, u, cols)
        level = abs(v - y) < 0.12 * abs(u - x) and _is_at_side(y, v, rows)
        if is_pair and (upright or level):
            n_alike = np.searchsorted(widths, 1.4 * wide) - np.searchsorted(widths, 0.7 * wide)
            found += [k, j] if n_alike <= _MOST_PUNCHED else []
    return sorted(set(found))


def _is_disc(outline: cv2.typing.MatLike) -> bool:
    """True for a full ellipse, a little ragged perhaps; a letter fills its hull less, or more."""
    hull = cv2.convexHull(outline)
    width, height = cv2.minAreaRect(hull)[1]
    area = float(cv2.contourArea(outline))
    is_full = area > 0.9 * cv2.contourArea(hull)
    return bool(is_full and abs(area / max(width * height, 1.0) - math.pi / 4) < 0.1)


def _is_at_side(one: float, other: float, size: int) -> bool:
    return max(one, other) < 0.15 * size or min(one, other) > 0.85 * size


def _holes_of(piece: int, tree: cv2.typing.MatLike) -> Iterator[int]:
    hole = int(tree[piece, 2])
    while hole >= 0:
        yield hole
        hole = int(tree[hole, 0])


def _pen(half: Bytes) -> float:
    """Median width of the strokes, in pixels."""
    if half.size > 4e6:
        rough_px = _pen_by(half, 4)
        # Broad strokes are seen well enough on every fourth pixel.
        return rough_px if rough_px > 30 else _pen_by(half, 2)
    return _pen_by(half, 1)


def _pen_by(half: Bytes, step: int) -> float:
    inside = cv2.copyMakeBorder(
        np.ascontiguousarray(half[::step, ::step]), 1, 1, 1, 1, cv2.BORDER_REPLICATE
    )
    depth = cv2.distanceTransform(inside, cv2.DIST_L2, 5)
    ridge = depth[(depth >= cv2.dilate(depth, np.ones((3, 3)))) & (depth > 1)]
    width_px = 2 * float(np.median(ridge)) - 1 if len(ridge) else 1.0
    if width_px < 3:
        # Ragged thin lines have ridges everywhere; then by their area and the length of rims.
        bare = cv2.erode(inside, cv2.getStructuringElement(cv2.MORPH_CROSS, (3, 3)))
        rim_px = int(np.count_nonzero(inside)) - int(np.count_nonzero(bare))
        width_px = max(width_px, 2 * np.count_nonzero(inside) / max(rim_px, 1))
    return step * float(width_px)
