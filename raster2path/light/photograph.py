"""Registration from one photograph: the sheet, with a known pattern thrown onto it.

The pattern is a chessboard with a code in each white square (ChArUco, of OpenCV), so that a part
of it, turned any way, says which crossing is which. The sheet's corners are found where straight
lines laid along its sides meet. Both together say where the sheet lies on the projector: a start,
which the hand refines.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from raster2path.errors import NothingFoundError, UnreadableError
from raster2path.geometry import Points, to_points
from raster2path.light.registration import Mark, Registration, homography, mapped, register

Grey = npt.NDArray[np.uint8]
Colour = npt.NDArray[np.uint8]

BOARD_SHARE = 0.62
"""Of the picture's width and height that the board takes; round it the sheet is lit evenly."""

N_ACROSS = 14
SURROUND = 150
MARKER_SHARE = 0.72
LEAST_CROSSINGS = 12
LARGEST_PX = 4000
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


@dataclass(frozen=True, slots=True)
class Board:
    """The pattern on a projector.

    Attributes:
        n_columns, n_rows: of squares.
        square_px: their side, in pixels of the projector.
        corner_px: upper left corner of the board.
    """

    n_columns: int
    n_rows: int
    square_px: int
    corner_px: tuple[int, int]


def board_for(size_px: tuple[int, int]) -> Board:
    """The board in the middle of a projector's picture."""
    square = max(16, math.floor(BOARD_SHARE * size_px[0] / N_ACROSS))
    columns = math.floor(BOARD_SHARE * size_px[0] / square)
    rows = max(4, math.floor(BOARD_SHARE * size_px[1] / square))
    corner = (size_px[0] - columns * square) // 2, (size_px[1] - rows * square) // 2
    return Board(columns, rows, square, corner)


def pattern(size_px: tuple[int, int]) -> Grey:
    """What the projector shows, (rows, columns), 0 to 255."""
    board = board_for(size_px)
    picture = np.full((size_px[1], size_px[0]), SURROUND, np.uint8)
    size = board.n_columns * board.square_px, board.n_rows * board.square_px
    drawn = _charuco(board.n_columns, board.n_rows).generateImage(size, marginSize=0)
    x, y = board.corner_px
    picture[y : y + size[1], x : x + size[0]] = drawn
    return picture


@cache
def _charuco(n_columns: int, n_rows: int) -> Any:  # noqa: ANN401 (OpenCV has no types)
    codes = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_250)
    return cv2.aruco.CharucoBoard((n_columns, n_rows), 1.0, MARKER_SHARE, codes)


@dataclass(frozen=True, slots=True, eq=False)
class Sighting:
    """What a photograph tells.

    Attributes:
        registration: the map from the sheet to the projector, bow of the lens included.
        corners_photo: the sheet's corners on the photograph, (4, 2), upper left first, once the
            camera's own bow is taken out.
        n_crossings: of the pattern, on the sheet.
        off_px: how far they lie from where the answer puts them, root mean square.
    """

    registration: Registration
    corners_photo: Points
    n_crossings: int
    off_px: float


def read_photograph(content: bytes) -> Colour:
    """A photograph as BGR, turned as its camera says, at most `LARGEST_PX` along a side.

    Raises:
        UnreadableError: it is no picture.
    """
    picture = cv2.imdecode(np.frombuffer(content, np.uint8), cv2.IMREAD_COLOR)
    if picture is None:
        raise UnreadableError("that is no photograph that can be read; expected a JPEG or PNG")
    scale = LARGEST_PX / max(picture.shape[:2])
    if scale < 1:
        picture = cv2.resize(picture, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    return np.asarray(picture, np.uint8)


def sight(
    photo: Colour,
    *,
    size_px: tuple[int, int],
    sheet_mm: tuple[float, float],
    expected_px: Points,
    corners_photo: Points | None = None,
) -> Sighting:
    """Where the corners of the sheet lie on the projector, from a photograph of the pattern on it.

    Args:
        photo: BGR, (rows, columns, 3).
        size_px: of the projector.
        sheet_mm: width and height of the sheet.
        expected_px: about where its corners are thought to be on the projector (4, 2): upper
            left, upper right, lower right, lower left; says which way round the sheet lies.
        corners_photo: the sheet's corners on the photograph (4, 2) in any order, or None to find
            them.

    Raises:
        NothingFoundError: the pattern or the sheet can't be made out.
    """
    grey = np.asarray(cv2.cvtColor(photo, cv2.COLOR_BGR2GRAY), np.uint8)
    seen, shown = _crossings(grey, size_px)
    if corners_photo is None:
        lines = _sides(photo, grey, homography(seen, shown), size_px)
        bow = _camera_bow(lines, photo.shape)
        corners = _meeting([_unbowed(line, bow, photo.shape) for line in lines])
    else:
        bow, corners = 0.0, np.asarray(corners_photo, np.float64)
    flat = _unbowed(seen, bow, photo.shape)
    inside = _is_inside(flat, corners)
    if inside.sum() < LEAST_CROSSINGS:
        raise NothingFoundError(
            f"only {inside.sum()} crossings of the pattern lie on the sheet; expected "
            f"{LEAST_CROSSINGS} or more: move the sheet under the pattern, or photograph it larger"
        )
    to_px = homography(flat[inside], shown[inside])
    order = _turned_right(mapped(to_px, corners), expected_px, sheet_mm)
    width, height = sheet_mm
    on_sheet = np.array([[0, 0], [width, 0], [width, height], [0, height]], np.float64)
    places = mapped(homography(corners[order], on_sheet), flat[inside])
    marks = [Mark(complex(*mm), complex(*px)) for mm, px in zip(places, shown[inside], strict=True)]
    found = register(marks, size_px=size_px)
    off = found.to_px(places) - shown[inside]
    return Sighting(
        replace(found, marks=()),
        corners[order],
        int(inside.sum()),
        float(np.sqrt((off**2).sum(axis=1).mean())),
    )


def _crossings(grey: Grey, size_px: tuple[int, int]) -> tuple[Points, Points]:
    """The pattern's crossings on the photograph and on the projector, both (n, 2)."""
    board = board_for(size_px)
    detector = cv2.aruco.CharucoDetector(_charuco(board.n_columns, board.n_rows))
    found, names, _, _ = detector.detectBoard(grey)
    if found is None or len(found) < LEAST_CROSSINGS:
        n = 0 if found is None else len(found)
        raise NothingFoundError(
            f"only {n} crossings of the pattern can be made out in the photograph; expected "
            f"{LEAST_CROSSINGS} or more: darken the shop, hold still, and take in the whole sheet"
        )
    rough = np.asarray(found.reshape(-1, 2), np.float64)
    within = max(2, round(0.12 * _spacing(rough)))
    criteria = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 50, 1e-3)
    points = np.asarray(
        cv2.cornerSubPix(
            grey,
            np.ascontiguousarray(rough.reshape(-1, 1, 2), np.float32),
            (within, within),
            (-1, -1),
            criteria,
        ),
        np.float64,
    )
    row, column = np.divmod(names.ravel(), board.n_columns - 1)
    shown = np.column_stack([column + 1, row + 1]) * board.square_px + np.array(board.corner_px)
    # OpenCV's pixels have their middle at whole numbers, ours at halves
    return points.reshape(-1, 2) + 0.5, shown.astype(np.float64)


def _spacing(points: Points) -> float:
    z = points[:, 0] + 1j * points[:, 1]
    apart = np.abs(z[:, None] - z)
    np.fill_diagonal(apart, np.inf)
    return float(np.median(apart.min(axis=1)))


# ---------------------------------------------------------------- the sheet in the photograph


def _sides(photo: Colour, grey: Grey, to_px: Points, size_px: tuple[int, int]) -> list[Points]:
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
    corners = _meeting(lines)
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


def _camera_bow(lines: Sequence[Points], shape: tuple[int, ...]) -> float:
    """The camera's bow that makes the sheet's sides straightest."""
    from scipy.optimize import minimize_scalar

    def crookedness(bow: float) -> float:
        total = 0.0
        for line in lines:
            flat = _unbowed(line, bow, shape)
            total += float(np.linalg.svd(flat - flat.mean(axis=0), compute_uv=False)[1]) ** 2
        # as many pixels as a phone's own correction leaves; keeps noise from inventing more
        return total + len(lines) * (bow / 0.01) ** 2

    return float(minimize_scalar(crookedness, bounds=(-0.1, 0.1), method="bounded").x)


def _unbowed(points: Points, bow: float, shape: tuple[int, ...]) -> Points:
    middle = np.array([shape[1], shape[0]]) / 2
    from_middle = points - middle
    share = (from_middle**2).sum(axis=1, keepdims=True) / (middle**2).sum()
    return np.asarray(middle + from_middle * (1 + bow * share), np.float64)


def _meeting(lines: Sequence[Points]) -> Points:
    """Where each line meets the one before it: the corners, in the order of the lines."""
    fitted = []
    for line in lines:
        middle = line.mean(axis=0)
        normal = np.linalg.svd(line - middle)[2][1]
        fitted.append(np.append(normal, -normal @ middle))
    corners = [np.cross(fitted[k - 1], fitted[k]) for k in range(4)]
    return np.array([corner[:2] / corner[2] for corner in corners], np.float64)


def _is_inside(points: Points, corners: Points) -> npt.NDArray[np.bool_]:
    """Which points lie well within a quadrilateral; light beyond the sheet falls deeper."""
    middle = corners.mean(axis=0)
    shrunk = (middle + 0.985 * (corners - middle)).astype(np.float32)
    return np.array(
        [cv2.pointPolygonTest(shrunk, (float(x), float(y)), False) > 0 for x, y in points], bool
    )


def _turned_right(
    corners_px: Points, expected_px: Points, sheet_mm: tuple[float, float]
) -> list[int]:
    """Which corner is which: the way round and the turn that come nearest to what is expected.

    A turn by a quarter is left out where the sheet's proportions speak against it.
    """
    z = corners_px[:, 0] + 1j * corners_px[:, 1]
    wanted = expected_px[:, 0] + 1j * expected_px[:, 1]
    scale = float(np.abs(wanted - wanted.mean()).mean())
    best: tuple[float, list[int]] | None = None
    for way in (1, -1):
        for first in range(4):
            order = [(first + way * k) % 4 for k in range(4)]
            sides = np.abs(np.roll(z[order], -1) - z[order])
            tall = (sides[1] + sides[3]) / (sides[0] + sides[2])
            proportions = abs(math.log(tall * sheet_mm[0] / sheet_mm[1]))
            cost = float(np.abs(z[order] - wanted).mean()) / scale + proportions
            if best is None or cost < best[0]:
                best = cost, order
    return best[1] if best is not None else [0, 1, 2, 3]
