"""A bank card lying on the paper, as a measure; private to the folder.

Its size is that of ISO/IEC 7810, ID-1: 85.60 x 53.98 mm, corners rounded by 3.18 mm.
"""

from __future__ import annotations

import math

import cv2
import numpy as np
import numpy.typing as npt

from raster2path.geometry import Points
from raster2path.picture._shrink import shrunk
from raster2path.picture._sides import crossing, line_through

Bytes = npt.NDArray[np.uint8]
Floats = npt.NDArray[np.float32]

CARD_MM = (85.60, 53.98)
ROUNDING_MM = 3.18

SEARCH_PX = 1200
"""Long side of the copy on which the card is sought; its sides are then measured on the whole."""

LEAST_SHARE = 0.05
"""Of the picture's long side; a smaller card would measure nothing well."""

UNLIKE = 0.06
"""Of its proportions, how far a card may be off, as the picture still has some slant."""

SHADOW_MM = 2.0
"""Round a card, that is left out with it."""


def find_card(rgb: Bytes) -> Points | None:
    """Where the card's four sides would meet, (4, 2) in order, to a part of a pixel; or None."""
    small = shrunk(rgb, SEARCH_PX)
    stretch = np.array([rgb.shape[1] / small.shape[1], rgb.shape[0] / small.shape[0]])
    best, best_score = None, 0.0
    for quad in _candidates(small):
        corners = _measured(rgb, (quad + 0.5) * stretch)
        if corners is None or not _is_card(rgb, corners):
            continue
        score = _standing_out(rgb, corners)
        if score > best_score:
            best, best_score = corners, score
    return best


def mm_per_px(corners: Points) -> float:
    """The scale of the card's area."""
    x, y = corners.T
    area = abs(float(x @ (np.roll(y, -1) - np.roll(y, 1)))) / 2
    return math.sqrt(CARD_MM[0] * CARD_MM[1] / area)


def without_card(rgb: Bytes, corners: Points) -> Bytes:
    """The picture with paper where the card lay, its shadow included, filled in from around."""
    rim_px = SHADOW_MM / mm_per_px(corners)
    middle = corners.mean(axis=0)
    away = corners - middle
    outer = middle + away * (1 + 2 * rim_px / np.hypot(*away.T).min())
    low = np.maximum(np.floor(outer.min(axis=0) - 6 * rim_px).astype(int), 0)
    size_px = (rgb.shape[1], rgb.shape[0])
    high = np.minimum(np.ceil(outer.max(axis=0) + 6 * rim_px).astype(int), size_px)
    part = (slice(low[1], high[1]), slice(low[0], high[0]))
    covered = np.zeros((high[1] - low[1], high[0] - low[0]), np.uint8)
    cv2.fillConvexPoly(covered, np.rint(outer - low).astype(np.int32), 255)
    scale = min(1.0, 120 / float((high - low).max()))
    size = (max(8, round((high[0] - low[0]) * scale)), max(8, round((high[1] - low[1]) * scale)))
    few = cv2.resize(rgb[part], size, interpolation=cv2.INTER_AREA)
    hole = (cv2.resize(covered, size, interpolation=cv2.INTER_AREA) > 0).astype(np.uint8)
    # Pen strokes round it must not be drawn on into it.
    closed = cv2.morphologyEx(few, cv2.MORPH_CLOSE, np.ones((5, 5), np.uint8))
    paper = cv2.blur(cv2.inpaint(closed, hole, 3, cv2.INPAINT_TELEA), (5, 5))
    filled = rgb.copy()
    smooth = cv2.resize(paper, covered.shape[::-1], interpolation=cv2.INTER_LINEAR)
    filled[part] = np.where(covered[..., None] > 0, smooth, rgb[part])
    return filled


# ---------------------------------------------------------------- roughly


def _candidates(small: Bytes) -> list[Points]:
    """Outlines with about the right proportions, as four corners."""
    lab = cv2.GaussianBlur(cv2.cvtColor(small, cv2.COLOR_RGB2LAB), (0, 0), 1.0)
    found: list[Points] = []
    for high in (90, 40):
        edges = np.zeros(small.shape[:2], np.uint8)
        for channel in cv2.split(lab):
            edges |= np.asarray(cv2.Canny(channel, high / 3, high), np.uint8)
        edges = np.asarray(cv2.dilate(edges, np.ones((3, 3), np.uint8)), np.uint8)
        outlines, _ = cv2.findContours(edges, cv2.RETR_CCOMP, cv2.CHAIN_APPROX_NONE)
        for outline in outlines:
            quad = _quad(outline, max(small.shape))
            if quad is not None and not any(np.abs(quad - old).max() < 6 for old in found):
                found.append(quad)
    return found


def _quad(outline: cv2.typing.MatLike, size_px: int) -> Points | None:
    if len(outline) < 2 * LEAST_SHARE * size_px:
        return None
    hull = cv2.convexHull(outline)
    _, (width, height), _ = cv2.minAreaRect(hull)
    long, short = max(width, height), min(width, height)
    is_alike = abs(long / max(short, 1.0) / (CARD_MM[0] / CARD_MM[1]) - 1) < 2 * UNLIKE
    area = cv2.contourArea(hull)
    is_full = cv2.contourArea(outline) > 0.95 * area > 0.85 * long * short
    if not is_alike or not is_full or long < LEAST_SHARE * size_px:
        return None
    for share in np.linspace(0.02, 0.08, 7):
        corners = cv2.approxPolyDP(hull, share * cv2.arcLength(hull, closed=True), closed=True)
        if len(corners) == 4:
            return np.asarray(corners[:, 0], np.float64)
    return np.asarray(cv2.boxPoints(cv2.minAreaRect(hull)), np.float64)


# ---------------------------------------------------------------- exactly


def _measured(rgb: Bytes, rough: Points) -> Points | None:
    """The corners with each side fitted over its length; None where a side is no line."""
    quad = rough
    reach = max(6.0, 0.03 * float(np.hypot(*(rough - np.roll(rough, 1, axis=0)).T).max()))
    for reach_px in (reach, max(5.0, reach / 2)):
        lines = []
        for a, b in zip(quad, np.roll(quad, -1, axis=0), strict=True):
            at = _steps(rgb, a, b, reach_px)
            middle, along, off = line_through(at)
            near = max(1.0, 0.004 * float(np.hypot(*(b - a))))
            if (np.abs(off) < near).mean() < 0.7:
                return None
            lines.append((middle, along))
        quad = np.array([crossing(lines[k - 1], lines[k]) for k in range(4)])
    return quad


def _steps(rgb: Bytes, a: Points, b: Points, reach_px: float) -> Points:
    """Where colour changes at one side, point by point; to a part of a pixel."""
    along = (b - a) / np.hypot(*(b - a))
    outward = np.array([along[1], -along[0]])
    at = a + np.linspace(0.12, 0.88, 80)[:, None] * (b - a)
    steps = np.arange(-math.ceil(reach_px), math.ceil(reach_px) + 1)
    change = _change(_across(rgb, at, outward, steps))
    # The innermost clear step: what comes after it on the way out is the card's shadow.
    peak = change >= 0.4 * change.max(axis=1, keepdims=True)
    peak[:, 1:-1] &= (change[:, 1:-1] >= change[:, :-2]) & (change[:, 1:-1] >= change[:, 2:])
    k = np.clip(peak.argmax(axis=1), 1, change.shape[1] - 2)
    row = np.arange(len(k))
    before, here, after = (change[row, k + step] for step in (-1, 0, 1))
    offset = 0.5 * (before - after) / np.minimum(before - 2 * here + after, -1e-6)
    step_px = steps[0] + 0.5 + k + np.clip(offset, -0.5, 0.5)
    return np.asarray(at + step_px[:, None] * outward, np.float64)


def _across(rgb: Bytes, at: Points, way: Points, steps: npt.NDArray[np.integer]) -> Floats:
    places = (at[:, None, :] + steps[:, None] * way - 0.5).astype(np.float32)
    seen = cv2.remap(
        rgb, places[..., 0], places[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    )
    return np.asarray(cv2.blur(seen, (3, 5)), np.float32)


def _change(profile: Floats) -> Floats:
    return np.asarray(np.abs(np.diff(profile, axis=1)).sum(axis=2), np.float32)


def _is_card(rgb: Bytes, corners: Points) -> bool:
    """True for the proportions of a card, whole in the picture, with its rounded corners."""
    sides = np.hypot(*(np.roll(corners, -1, axis=0) - corners).T)
    one, other = sides[0] + sides[2], sides[1] + sides[3]
    ratio = max(one, other) / min(one, other)
    inside = (corners > -1).all() and (corners < (rgb.shape[1] + 1, rgb.shape[0] + 1)).all()
    if not inside or abs(ratio / (CARD_MM[0] / CARD_MM[1]) - 1) > UNLIKE:
        return False
    # A rounded corner keeps this far away from where its sides would meet.
    expected = ROUNDING_MM * (math.sqrt(2) - 1) / mm_per_px(corners)
    middle = corners.mean(axis=0)
    short = 0
    for corner in corners:
        inward = (middle - corner) / np.hypot(*(middle - corner))
        across = np.array([-inward[1], inward[0]])
        at = corner + np.linspace(-0.4, 0.4, 5)[:, None] * expected * across
        steps = np.arange(-math.ceil(2 * expected), math.ceil(5 * expected) + 1)
        change = _change(_across(rgb, at, inward, steps)).mean(axis=0)
        is_clear = change >= 0.5 * change.max()
        short += bool(0.45 * expected < steps[0] + 0.5 + int(is_clear.argmax()) < 2.2 * expected)
    return short >= 3


def _standing_out(rgb: Bytes, corners: Points) -> float:
    """How unlike its surroundings it is: a drawn frame is like them."""
    middle = corners.mean(axis=0)
    inner, outer = (
        _across(rgb, middle + share * (corners - middle), np.zeros(2), np.arange(1))
        for share in (0.86, 1.12)
    )
    return 1.0 + float(np.abs(np.median(inner, axis=0) - np.median(outer, axis=0)).sum())
