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

import cv2
import numpy as np
import numpy.typing as npt

from raster2path.errors import NothingFoundError
from raster2path.geometry import Points
from raster2path.light._sheet import Colour, meeting, sides
from raster2path.light.board import Grey, board_for, charuco
from raster2path.light.registration import Mark, Registration, homography, mapped, register
from raster2path.picture.photo import decoded

LEAST_CROSSINGS = 12
LARGEST_PX = 4000


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

    Args:
        content: of the file, in any format that a picture to cut may have.

    Raises:
        UnreadableError: it is no picture, or too large a one.
        NothingFoundError: it is too small to show anything.
    """
    rgb, _ = decoded(content, "the photograph")
    picture = cv2.cvtColor(rgb, cv2.COLOR_RGB2BGR)
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
        lines = sides(photo, grey, homography(seen, shown), size_px)
        bow = _camera_bow(lines, photo.shape)
        corners = meeting([_unbowed(line, bow, photo.shape) for line in lines])
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
    detector = cv2.aruco.CharucoDetector(charuco(board.n_columns, board.n_rows))
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


# ---------------------------------------------------------------- camera and corners


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
