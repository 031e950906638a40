"""Room: ink in, ink corrected by hand out: painted in, rubbed out, whole faces turned over."""

from __future__ import annotations

import itertools
from dataclasses import replace

import cv2
import numpy as np

from raster2path.geometry import Points
from raster2path.model import Dark, Ink, Level, Mask, frozen

Place = tuple[float, float]
LINE = 0.5
"""Of the level: an edge lies there."""

FINE = 4
"""A stroke is drawn so many times finer and then averaged, so that its rim is soft."""


def brush(ink: Ink, *, strokes_px: tuple[tuple[float, ...], ...], work_from_upright: Points) -> Ink:
    """The ink after strokes of a brush, first to last.

    Args:
        ink: as found.
        strokes_px: width, above 0 to paint and below 0 to rub out, then x and y of each point, in
            pixels of the upright original picture.
        work_from_upright: see `Picture`.

    Returns:
        The same ink where there are no strokes. A stroke's rim is soft by about a pixel, so that
        an edge traced along it is smooth.
    """
    if not strokes_px:
        return ink
    level = ink.level.copy()
    for width, *numbers in strokes_px:
        points = np.array(numbers, np.float64).reshape(-1, 2)
        scale = _scale_at(work_from_upright, points.mean(axis=0))
        soft = _stroke(_mapped(points, work_from_upright), abs(width) * scale, level.shape)
        if width > 0:
            np.maximum(level, soft, out=level)
        else:
            np.minimum(level, 1 - soft, out=level)
    return _with_level(ink, level, level != ink.level)


def turn_faces(
    ink: Ink,
    *,
    falls_px: tuple[Place, ...],
    stays_px: tuple[Place, ...],
    region: Dark,
    work_from_upright: Points,
) -> Ink:
    """The ink with whole areas turned over, where dark areas are shapes.

    Args:
        ink: as found and brushed.
        falls_px: places in areas that fall out.
        stays_px: places in areas that stay metal.
        region: what dark areas are; the area round a place is painted in or rubbed out so that
            it becomes what is asked for, and is left alone where it is that already.
        work_from_upright: see `Picture`.
    """
    if not falls_px and not stays_px:
        return ink
    level = ink.level.copy()
    wanted = [(place, region is Dark.OPENING) for place in falls_px]
    wanted += [(place, region is Dark.METAL) for place in stays_px]
    changed = np.zeros(level.shape, np.bool_)
    for place, becomes_ink in wanted:
        mask = np.where(changed, level > LINE, ink.mask)
        x, y = np.floor(_mapped(np.array([place]), work_from_upright)[0]).astype(int)
        rows, cols = mask.shape
        if 0 <= x < cols and 0 <= y < rows and bool(mask[y, x]) != becomes_ink:
            area = _area_at(mask, int(x), int(y), reach_px=2 * ink.blur_px)
            level[area] = 1 if becomes_ink else 0
            changed |= area
    return _with_level(ink, level, changed)


def _area_at(mask: Mask, x: int, y: int, *, reach_px: float) -> Mask:
    """The area of ink, or of none, at a pixel, and as much round it as its rim is blurred."""
    rows, cols = mask.shape
    found = np.zeros((rows + 2, cols + 2), np.uint8)
    flags = 4 | cv2.FLOODFILL_MASK_ONLY | (1 << 8)
    cv2.floodFill(mask.astype(np.uint8), found, (x, y), 1, flags=flags)
    area = found[1:-1, 1:-1]
    size = 2 * int(np.ceil(reach_px)) + 3
    rim = cv2.dilate(area, np.ones((size, size), np.uint8)) > 0
    return np.asarray((area > 0) | (rim & (mask != mask[y, x])))


def _stroke(points_px: Points, width_px: float, shape: tuple[int, ...]) -> Level:
    """How much of each pixel a stroke covers."""
    level = np.zeros(shape, np.float32)
    low = np.floor(points_px.min(axis=0) - width_px / 2 - 1).astype(int).clip(0, shape[::-1])
    high = np.ceil(points_px.max(axis=0) + width_px / 2 + 1).astype(int).clip(0, shape[::-1])
    if (high <= low).any():
        return level
    cols, rows = high - low
    fine = np.zeros((rows * FINE, cols * FINE), np.uint8)
    corners = np.round((points_px - low) * FINE - 0.5).astype(np.int32)
    radius = max(1, round(width_px * FINE / 2 - 0.5))
    for x, y in corners:
        cv2.circle(fine, (int(x), int(y)), radius, 255, -1)
    for a, b in itertools.pairwise(corners):
        way = (b - a) / max(float(np.hypot(*(b - a))), 1e-9) * radius
        side = np.array([-way[1], way[0]])
        quad = np.round([a + side, b + side, b - side, a - side]).astype(np.int32)
        cv2.fillConvexPoly(fine, quad, 255)
    part = cv2.resize(fine, (int(cols), int(rows)), interpolation=cv2.INTER_AREA)
    level[low[1] : high[1], low[0] : high[0]] = part.astype(np.float32) / np.float32(255)
    return level


def _scale_at(homography: Points, point: Points) -> float:
    """Pixels of the working picture for one of the upright one, near a point."""
    square = point + np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]])
    a, b, c = _mapped(square, homography)
    return float(np.sqrt(abs(np.linalg.det(np.array([b - a, c - a])))))


def _mapped(points: Points, homography: Points) -> Points:
    out = np.column_stack([points, np.ones(len(points))]) @ homography.T
    return np.asarray(out[:, :2] / out[:, 2:], np.float64)


def _with_level(ink: Ink, level: Level, changed: Mask) -> Ink:
    mask = np.where(changed, level > LINE, ink.mask)
    frozen(mask)
    frozen(level)
    return replace(ink, mask=mask, level=level)
