"""The pattern that is photographed: a chessboard with a code in each white square (ChArUco)."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

Grey = npt.NDArray[np.uint8]

BOARD_SHARE = 0.62
"""Of the picture's width and height that the board takes; round it the sheet is lit evenly."""

N_ACROSS = 14
LEAST_ROWS = 4
N_CODES = 250
"""In the dictionary of codes; every second square takes one."""

SURROUND = 150
MARKER_SHARE = 0.72


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
    high = size_px[1] / LEAST_ROWS  # counts on a screen that is all width
    square = max(16, math.floor(BOARD_SHARE * min(size_px[0] / N_ACROSS, high)))
    columns = min(math.floor(BOARD_SHARE * size_px[0] / square), 2 * N_CODES // LEAST_ROWS)
    rows = max(LEAST_ROWS, math.floor(BOARD_SHARE * size_px[1] / square))
    rows = min(rows, 2 * N_CODES // columns)
    corner = (size_px[0] - columns * square) // 2, (size_px[1] - rows * square) // 2
    return Board(columns, rows, square, corner)


def pattern(size_px: tuple[int, int]) -> Grey:
    """What the projector shows, (rows, columns), 0 to 255."""
    board = board_for(size_px)
    picture = np.full((size_px[1], size_px[0]), SURROUND, np.uint8)
    size = board.n_columns * board.square_px, board.n_rows * board.square_px
    drawn = charuco(board.n_columns, board.n_rows).generateImage(size, marginSize=0)
    x, y = board.corner_px
    picture[y : y + size[1], x : x + size[0]] = drawn
    return picture


@cache
def charuco(n_columns: int, n_rows: int) -> Any:  # noqa: ANN401 (OpenCV has no types)
    """The board as OpenCV knows it, squares of side 1."""
    codes = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_250)
    return cv2.aruco.CharucoBoard((n_columns, n_rows), 1.0, MARKER_SHARE, codes)
