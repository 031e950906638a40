"""Free places on the drawing: where a numeral or a legend can stand without covering a line.

Private to `guides`. Lines are painted onto a coarse raster once; where a box of some size may have
its middle is then one erosion, so asking for one more numeral costs next to nothing.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from raster2path.geometry import Points

Flags = npt.NDArray[np.uint8]
Box = tuple[float, float, float, float]

STEP_MM = 0.5
MOST_CELLS = 2400
_SHIFT = 4


@dataclass(frozen=True, slots=True)
class Wanted:
    """A numeral that wants a place.

    Attributes:
        text: what is written.
        pierce: the place that it names.
        is_on_line: True where the pierce stands on its line, so that either side will do.
    """

    text: str
    pierce: complex
    is_on_line: bool


@dataclass(frozen=True, slots=True)
class Numeral:
    """A numeral and where it stands.

    Attributes:
        centre: the middle of its digits.
        height_mm: height of a digit.
        leader: a line from the pierce's ring to the numeral, or None where it stands close.
    """

    text: str
    centre: complex
    height_mm: float
    leader: tuple[complex, complex] | None


class Floor:
    """What of the drawing is still free; gets fuller as boxes are taken."""

    def __init__(self, size_mm: tuple[float, float], *, like: Floor | None = None) -> None:
        self.size_mm = size_mm
        self.step = max(STEP_MM, max(size_mm) / MOST_CELLS)
        shape = (math.ceil(size_mm[1] / self.step), math.ceil(size_mm[0] / self.step))
        self.free: Flags = np.ones(shape, np.uint8) if like is None else like.free.copy()
        self._centres: dict[tuple[int, int], Flags] = {}

    def _fixed(self, points: Points) -> npt.NDArray[np.int32]:
        # a cell's middle lies at whole numbers for OpenCV, at halves for us
        return np.round((points / self.step - 0.5) * (1 << _SHIFT)).astype(np.int32)

    def take_lines(self, lines: Iterable[Points], *, width_mm: float) -> None:
        """Nothing may come within half of `width_mm` of these polylines."""
        thick = max(1, math.ceil(width_mm / self.step))
        fixed = [self._fixed(line) for line in lines]
        cv2.polylines(self.free, fixed, False, 0, thick, cv2.LINE_8, _SHIFT)

    def take_disc(self, centre: complex, radius_mm: float) -> None:
        """Nothing may come within this circle."""
        at = self._fixed(np.array([[centre.real, centre.imag]]))[0]
        radius = round(radius_mm / self.step * (1 << _SHIFT))
        cv2.circle(self.free, (int(at[0]), int(at[1])), radius, 0, -1, cv2.LINE_8, _SHIFT)

    def take_box(self, box: Box) -> None:
        """Nothing may come into this box: x0, y0, x1, y1."""
        _clear(self.free, self._cells(box), 0, 0)
        for (rows, cols), centres in self._centres.items():
            _clear(centres, self._cells(box), rows // 2, cols // 2)

    def take_leader(self, line: tuple[complex, complex] | None) -> None:
        """Nothing may come onto this thin line."""
        if line is not None:
            start, end = line
            n = math.ceil(abs(end - start)) + 1
            for z in (start + (end - start) * k / n for k in range(n + 1)):
                self.take_box((z.real - 0.7, z.imag - 0.7, z.real + 0.7, z.imag + 0.7))

    def _cells(self, box: Box) -> tuple[int, int, int, int]:
        x0, y0, x1, y1 = (value / self.step for value in box)
        return math.floor(x0), math.floor(y0), math.ceil(x1), math.ceil(y1)

    def centres(self, width_mm: float, height_mm: float) -> Flags:
        """Cells in which the middle of a box may lie so that the whole box is free."""
        rows = math.ceil(height_mm / self.step) + 1 | 1
        cols = math.ceil(width_mm / self.step) + 1 | 1
        if (rows, cols) not in self._centres:
            kernel = np.ones((rows, cols), np.uint8)
            self._centres[rows, cols] = np.asarray(
                cv2.erode(self.free, kernel, borderType=cv2.BORDER_CONSTANT, borderValue=0),
                np.uint8,
            )
        return self._centres[rows, cols]

    def nearest(self, width_mm: float, height_mm: float, *, to: complex) -> complex | None:
        """The middle of the free box nearest to a point, or None."""
        rows, cols = np.nonzero(self.centres(width_mm, height_mm))
        if not len(rows):
            return None
        at = (cols + 0.5) * self.step + 1j * (rows + 0.5) * self.step
        return complex(at[int(np.argmin(np.abs(at - to)))])

    def regions(self, walls: Iterable[Points]) -> npt.NDArray[np.int32]:
        """A number for each part of the drawing between the walls; 0 on the walls themselves."""
        open_ = np.ones(self.free.shape, np.uint8)
        fixed = [self._fixed(wall) for wall in walls]
        cv2.polylines(open_, fixed, False, 0, 1, cv2.LINE_8, _SHIFT)
        return np.asarray(cv2.connectedComponents(open_, connectivity=4)[1], np.int32)


def _clear(flags: Flags, cells: tuple[int, int, int, int], more_rows: int, more_cols: int) -> None:
    x0, y0, x1, y1 = cells
    rows = slice(max(0, y0 - more_rows), max(0, y1 + more_rows))
    cols = slice(max(0, x0 - more_cols), max(0, x1 + more_cols))
    flags[rows, cols] = 0


DIGIT_WIDTH = 0.9
"""Of a digit's height: the widest of the usual sans-serif faces takes 0.87."""

HEIGHTS_MM = (8.0, 6.0, 5.0, 4.0)
NEAR_MM = 6.0
_REACH_MM = (40.0, 150.0, math.inf)


def place_numerals(
    wanted: Sequence[Wanted], floor: Floor, walls: Sequence[Points], *, ring_mm: float
) -> tuple[Numeral, ...]:
    """A place for each numeral: in its own drop if there is room, else off with a leader line.

    None covers a line that `floor` knows, nor another numeral, as long as anything is free at all.

    Args:
        wanted: what is to be placed, the most important first.
        floor: what is free; it is filled while numerals find their places.
        walls: lines that part one drop from the next.
        ring_mm: radius of the ring at a pierce; leader lines start there.
    """
    regions = floor.regions(walls)
    found: dict[int, Numeral] = {}
    for i, want in enumerate(wanted):
        if (numeral := _close_by(want, floor, regions, ring_mm)) is not None:
            found[i] = numeral
            floor.take_box(_box(numeral))
    written = Floor(floor.size_mm)
    for numeral in found.values():
        written.take_box(_box(numeral))
    for i, want in enumerate(wanted):
        if i not in found:
            found[i] = _far_off(want, floor, written, ring_mm)
            floor.take_box(_box(found[i]))
            floor.take_leader(found[i].leader)
            written.take_box(_box(found[i]))
    return tuple(found[i] for i in range(len(wanted)))


def _size(text: str, height_mm: float) -> tuple[float, float]:
    return len(text) * DIGIT_WIDTH * height_mm, height_mm


def _box(numeral: Numeral) -> Box:
    width, height = _size(numeral.text, numeral.height_mm)
    x, y = numeral.centre.real, numeral.centre.imag
    return x - width / 2, y - height / 2, x + width / 2, y + height / 2


def _gap(offsets: npt.NDArray[np.complex128], size: tuple[float, float]) -> Points:
    """How far a point at 0 lies from boxes of one size whose middles are given."""
    dx = np.maximum(np.abs(offsets.real) - size[0] / 2, 0)
    dy = np.maximum(np.abs(offsets.imag) - size[1] / 2, 0)
    return np.hypot(dx, dy)


def _window(
    floor: Floor, centre: complex, reach_mm: float, flags: Flags
) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.intp]]:
    """Rows and columns of the cells set in `flags` within reach of a point."""
    rows, cols = flags.shape
    top = left = 0
    if not math.isinf(reach_mm):
        row, col = centre.imag / floor.step, centre.real / floor.step
        reach = reach_mm / floor.step
        top, left = max(0, int(row - reach)), max(0, int(col - reach))
        rows, cols = max(0, int(row + reach)), max(0, int(col + reach))
    r, c = np.nonzero(flags[top:rows, left:cols])
    return r + top, c + left


def _home(want: Wanted, floor: Floor, regions: npt.NDArray[np.int32]) -> npt.NDArray[np.int32]:
    """The regions in which this numeral is at home."""
    row, col = int(want.pierce.imag / floor.step), int(want.pierce.real / floor.step)
    around = round(1.5 / floor.step) if want.is_on_line else 0
    patch = regions[
        max(0, row - around) : max(0, row + around + 1),
        max(0, col - around) : max(0, col + around + 1),
    ]
    labels = np.unique(patch)
    return np.asarray(labels[labels > 0], np.int32)


def _close_by(
    want: Wanted, floor: Floor, regions: npt.NDArray[np.int32], ring_mm: float
) -> Numeral | None:
    home = _home(want, floor, regions)
    if not len(home):
        return None
    best: tuple[float, Numeral] | None = None
    for height in HEIGHTS_MM:
        size = _size(want.text, height)
        smaller = 1.5 * (HEIGHTS_MM[0] - height)  # a smaller numeral is worth that many mm less
        if best is not None and smaller >= best[0]:
            break
        rows, cols = _window(floor, want.pierce, _REACH_MM[0], floor.centres(*size))
        is_home = np.isin(regions[rows, cols], home)
        offsets = (cols + 0.5) * floor.step + 1j * (rows + 0.5) * floor.step - want.pierce
        offsets = offsets[is_home]
        if not len(offsets):
            continue
        gaps = _gap(offsets, size)
        k = int(np.argmin(gaps + 1e-3 * np.abs(offsets)))
        cost = max(0.0, float(gaps[k]) - NEAR_MM) + smaller
        if best is None or cost < best[0]:
            is_near = gaps[k] <= NEAR_MM
            best = cost, _numeral(want, complex(offsets[k]), height, ring_mm, is_near=bool(is_near))
    return best[1] if best is not None else None


def _far_off(want: Wanted, floor: Floor, written: Floor, ring_mm: float) -> Numeral:
    crossing: tuple[int, complex, float] | None = None
    for reach in _REACH_MM:
        for height in HEIGHTS_MM:
            size = _size(want.text, height)
            rows, cols = _window(floor, want.pierce, reach, floor.centres(*size))
            offsets = (cols + 0.5) * floor.step + 1j * (rows + 0.5) * floor.step - want.pierce
            offsets = offsets[np.argsort(_gap(offsets, size), kind="stable")]
            # every so many: neighbours in the list are nearly the same place
            offsets = offsets[:: max(1, len(offsets) // 400)]
            if not len(offsets):
                continue
            hits = _hits(want.pierce, offsets, size, written)
            k = int(np.argmin(hits))  # the nearest of those that cross least
            if hits[k] == 0:
                return _numeral(want, complex(offsets[k]), height, ring_mm, is_near=False)
            if crossing is None or hits[k] < crossing[0]:
                crossing = int(hits[k]), complex(offsets[k]), height
    if crossing is not None:
        return _numeral(want, crossing[1], crossing[2], ring_mm, is_near=False)
    # nothing is free anywhere: on the pierce, where it at least names the right cut
    return _numeral(want, 0j, HEIGHTS_MM[-1], ring_mm, is_near=True)


def _hits(
    pierce: complex, offsets: npt.NDArray[np.complex128], size: tuple[float, float], written: Floor
) -> npt.NDArray[np.intp]:
    """For each place, how much of its leader line from the pierce would run over numerals."""
    t = np.linspace(0, 1, 65)
    short = 1 - np.hypot(*size) / 2 / np.maximum(np.abs(offsets), 1e-9)
    at = pierce + (offsets * np.maximum(short, 0))[:, None] * t
    rows = np.clip((at.imag / written.step).astype(int), 0, written.free.shape[0] - 1)
    cols = np.clip((at.real / written.step).astype(int), 0, written.free.shape[1] - 1)
    return np.asarray((written.free[rows, cols] == 0).sum(axis=1), np.intp)


def _numeral(
    want: Wanted, offset: complex, height_mm: float, ring_mm: float, *, is_near: bool
) -> Numeral:
    leader = None
    if not is_near:
        width, height = _size(want.text, height_mm)
        # where the line from the pierce meets the numeral's box, a hair outside
        t = max(
            (abs(offset.real) - width / 2) / max(abs(offset.real), 1e-9),
            (abs(offset.imag) - height / 2) / max(abs(offset.imag), 1e-9),
        )
        end = offset * max(0.0, t - 0.6 / max(abs(offset), 0.6))
        start = offset / abs(offset) * min(ring_mm, abs(end))
        leader = (want.pierce + start, want.pierce + end)
    return Numeral(want.text, want.pierce + offset, height_mm, leader)
