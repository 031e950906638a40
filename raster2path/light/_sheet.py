"""The sheet's sides in a photograph of the pattern on it. Private to `light`."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from raster2path.errors import NothingFoundError
from raster2path.geometry import Points, to_points
from raster2path.light.board import Grey, board_for
from raster2path.light.registration import mapped

Colour = npt.NDArray[np.uint8]

SMALL_PX = 1000

EDGE_FACTOR = 4.0
EDGE_SHARE = 0.7
STEEPEST = 0.4
CALM_FACTOR = 8.0
MOST_EDGES = 0.03
"""A side of the sheet is edge along so much of it, and so little slanted to the projector."""

N_ALONG = 80
LEAST_SHARE = 0.6
"""Of the places along a side that must lie on one line, or it is no side of a sheet."""


def sides(photo: Colour, grey: Grey, to_px: Points, size_px: tuple[int, int]) -> list[Points]:
    """Points along each of the sheet's four sides, in the photograph.

    Sides are looked for in two ways, as the first edges outward from the board and as the rim of
    what looks like the sheet; the first that holds along all four is taken.
    """
    calm = np.asarray(cv2.GaussianBlur(grey, (0, 0), 1.0), np.float64)
    seen = _as_lit(photo, to_px, size_px)
    for look in (_first_edges, _rim_of_likeness):
        corners = look(seen)
        if corners is None or not _is_calm(seen, corners):
            continue
        quad = mapped(seen.to_photo, corners)
        lines = [_along(calm, quad[k], quad[(k + 1) % 4]) for k in range(4)]
        if all(line is not None for line in lines):
            return [line for line in lines if line is not None]
    raise NothingFoundError(
        "the sheet's corners can't be made out in the photograph; expected a sheet that stands out "
        "from the table, all of it in the picture; or put the crosses by hand"
    )


def _is_calm(seen: _Lit, corners: Points) -> bool:
    """Whether there are next to no edges within the corners: slats would be table, not sheet."""
    inside = np.zeros(seen.lab.shape[:2], np.uint8)
    middle = corners.mean(axis=0)
    shrunk = middle + 0.97 * (corners - middle)
    cv2.fillConvexPoly(inside, np.round(shrunk).astype(np.int32), 1)
    asked = (inside > 0) & ~_grown(seen, 0.3)
    light = seen.lab[..., 0]
    step = np.hypot(*np.gradient(light))
    ring = _grown(seen, 0.7) & ~_grown(seen, 0.2)
    usual = float(np.median(step[ring])) + 0.25
    return bool(asked.any() and (step[asked] > CALM_FACTOR * usual).mean() < MOST_EDGES)


@dataclass(frozen=True, slots=True, eq=False)
class _Lit:
    """The photograph as the projector sees it, small: there the light is even round the board.

    Attributes:
        lab: float32 (rows, cols, 3), lightness and two colours.
        board: rows and columns of the board and a little more: top, foot, left, right.
        square: side of the board's squares.
        to_photo: homography to the photograph.
    """

    lab: npt.NDArray[np.float32]
    board: tuple[int, int, int, int]
    square: float
    to_photo: Points


def _as_lit(photo: Colour, to_px: Points, size_px: tuple[int, int]) -> _Lit:
    scale = SMALL_PX / max(size_px)
    cols, rows = (round(scale * side) for side in size_px)
    there = np.diag([scale, scale, 1.0]) @ to_px
    lit = cv2.warpPerspective(photo, there, (cols, rows), flags=cv2.INTER_AREA)
    lab = cv2.cvtColor(cv2.GaussianBlur(lit, (0, 0), 1.5), cv2.COLOR_BGR2LAB).astype(np.float32)
    board = board_for(size_px)
    more = 0.3 * board.square_px  # light creeps over the rim
    x, y = board.corner_px
    foot, right = (
        round(scale * (v + n * board.square_px + more))
        for v, n in ((y, board.n_rows), (x, board.n_columns))
    )
    area = round(scale * (y - more)), foot, round(scale * (x - more)), right
    back = np.asarray(np.linalg.inv(there), np.float64)
    return _Lit(lab, area, scale * board.square_px, back)


def _first_edges(seen: _Lit) -> Points | None:
    """The sheet's corners, from the first straight edges outward from the board on all sides."""
    top, foot, left, right = seen.board
    turned = (
        # each begins at the board; where that is, the way along it, the way outward
        (seen.lab[:top, left:right][::-1], complex(left, top), 1, -1j),
        (seen.lab[top:foot, right:].transpose(1, 0, 2), complex(right, top), 1j, 1),
        (seen.lab[foot:, left:right], complex(left, foot), 1, 1j),
        (seen.lab[top:foot, :left].transpose(1, 0, 2)[::-1], complex(left, top), 1j, -1),
    )
    lines = []
    for strip, corner, along, outward in turned:
        found = _first_edge(np.ascontiguousarray(strip))
        if found is None:
            return None
        width = strip.shape[1] - 1
        ends = corner + outward * found[0], corner + along * width + outward * found[1]
        lines.append(to_points(ends))
    corners = meeting(lines)
    return corners if np.isfinite(corners).all() else None


def _first_edge(strip: npt.NDArray[np.float32]) -> tuple[float, float] | None:
    """Rows at which the nearest straight edge enters and leaves a strip, board at row 0.

    An edge is where the brightness steps by far more than it does on the sheet beside the board;
    a line counts where most of it is edge.
    """
    rows, cols = strip.shape[:2]
    rim = 3
    if rows < 4 * rim or cols < 20:
        return None
    step = np.abs(np.gradient(strip, axis=0)).max(axis=2)
    usual = float(np.median(step[: max(4, rows // 8)])) + 0.25
    is_edge = (step > EDGE_FACTOR * usual).astype(np.uint8)
    is_edge[-rim:] = 0
    is_edge = cv2.dilate(is_edge, np.ones((3, 1), np.uint8))
    at = np.linspace(0, cols - 1, 80).astype(int)
    t = at / (cols - 1)
    ends = np.arange(1, rows - rim, 1.5)
    first, last = (side.ravel() for side in np.meshgrid(ends, ends, indexing="ij"))
    is_fair = np.abs(first - last) < STEEPEST * cols
    first, last = first[is_fair], last[is_fair]
    row = np.round(first[:, None] * (1 - t) + last[:, None] * t).astype(int)
    share = is_edge[row, at].mean(axis=1)
    good = share >= EDGE_SHARE
    if not good.any():
        return None
    middle = (first + last) / 2
    nearest = middle[good].min()
    near = good & (middle < nearest + 6)
    k = int(np.flatnonzero(near)[share[near].argmax()])
    return float(first[k]), float(last[k])


def _rim_of_likeness(seen: _Lit) -> Points | None:
    """The sheet's corners: what looks as it does close to the board is sheet, the rest table."""
    rows, cols = seen.lab.shape[:2]
    core = _grown(seen, 0.0)
    ring = _grown(seen, 0.7) & ~core
    sheet_colour = np.median(seen.lab[ring], axis=0)
    apart = np.linalg.norm((seen.lab - sheet_colour) * np.array([1.0, 1.4, 1.4]), axis=2)
    rim = max(3, round(0.01 * cols))
    is_asked = ~core
    for edge in (np.s_[:rim], np.s_[-rim:], np.s_[:, :rim], np.s_[:, -rim:]):
        is_asked[edge] = False
    outside = np.clip(apart[is_asked], 0, 255).astype(np.uint8)
    level, _ = cv2.threshold(outside, 0, 255, cv2.THRESH_BINARY | cv2.THRESH_OTSU)
    is_sheet = (((apart <= level) & is_asked) | core).astype(np.uint8)
    is_sheet = cv2.morphologyEx(is_sheet, cv2.MORPH_OPEN, np.ones((7, 7), np.uint8))
    _, labels = cv2.connectedComponents(is_sheet)
    own = (labels == labels[rows // 2, cols // 2]).astype(np.uint8)
    contours, _ = cv2.findContours(own, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
    return _four_corners(cv2.convexHull(max(contours, key=cv2.contourArea)))


def _grown(seen: _Lit, squares: float) -> npt.NDArray[np.bool_]:
    """The board, wider by so many squares all round."""
    more = round(squares * seen.square)
    top, foot, left, right = seen.board
    area = np.zeros(seen.lab.shape[:2], bool)
    area[max(0, top - more) : foot + more, max(0, left - more) : right + more] = True
    return area


def _four_corners(outline: npt.NDArray[Any]) -> Points | None:
    round_it = cv2.arcLength(outline, True)
    for share in np.arange(0.01, 0.12, 0.005):
        corners = cv2.approxPolyDP(outline, share * round_it, True).reshape(-1, 2)
        if len(corners) == 4:
            return np.asarray(corners, np.float64)
    return None


def _along(grey: Points, start: Points, end: Points) -> Points | None:
    """Places where brightness changes most across a side, kept where they lie on one line.

    None where too few do.
    """
    length = float(np.hypot(*(end - start)))
    way = (end - start) / length
    across = np.array([-way[1], way[0]])
    reach = max(6.0, 0.02 * length)
    kept = np.stack([start, end])
    for spread in (reach, 5.0):
        found = _on_one_line(_steepest(grey, start, way * length, across, spread))
        if found is None:
            return None
        kept = found
        # the second time from the line found, over a short reach
        direction = kept[-1] - kept[0]
        way = direction / np.hypot(*direction)
        across = np.array([-way[1], way[0]])
        middle = kept.mean(axis=0)
        start = middle + way * float(way @ (start - middle))
        length = float(way @ (end - start))
    return kept


def _steepest(grey: Points, start: Points, whole: Points, across: Points, reach: float) -> Points:
    """On lines across a side, where the brightness changes most, to a part of a pixel."""
    t = np.linspace(0.04, 0.96, N_ALONG)
    step = np.arange(-reach, reach + 0.5, 0.5)
    feet = start + t[:, None] * whole
    at = feet[:, None] + step[None, :, None] * across
    # OpenCV's pixels have their middle at whole numbers
    xy = (at - 0.5).astype(np.float32)
    profile = cv2.remap(grey.astype(np.float32), xy[..., 0], xy[..., 1], cv2.INTER_LINEAR)
    slope = np.abs(np.gradient(profile, axis=1))
    k = np.clip(slope.argmax(axis=1), 1, slope.shape[1] - 2)
    rows = np.arange(len(k))
    before, top, after = (slope[rows, k + d] for d in (-1, 0, 1))
    bend = before - 2 * top + after
    shift = np.divide(0.5 * (before - after), bend, out=np.zeros_like(bend), where=bend != 0)
    off = step[k] + 0.5 * np.clip(shift, -0.5, 0.5)
    return np.asarray(feet + off[:, None] * across, np.float64)


def _on_one_line(points: Points) -> Points | None:
    """The points that lie on the line through most of them; None where too few do."""
    best = np.zeros(len(points), bool)
    near = 1.5
    for i in range(0, len(points) - 20, 4):
        for j in range(i + 20, len(points), 4):
            way = points[j] - points[i]
            normal = np.array([-way[1], way[0]]) / np.hypot(*way)
            on = np.abs((points - points[i]) @ normal) < near
            if on.sum() > best.sum():
                best = on
    return points[best] if best.sum() >= LEAST_SHARE * len(points) else None


def meeting(lines: Sequence[Points]) -> Points:
    """Where each line meets the one before it: the corners, in the order of the lines."""
    fitted = []
    for line in lines:
        middle = line.mean(axis=0)
        normal = np.linalg.svd(line - middle)[2][1]
        fitted.append(np.append(normal, -normal @ middle))
    corners = [np.cross(fitted[k - 1], fitted[k]) for k in range(4)]
    return np.array([corner[:2] / corner[2] for corner in corners], np.float64)
