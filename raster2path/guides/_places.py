"""Free places on the drawing: where a numeral or a legend can stand without covering a line.

Private to `guides`. Lines are painted onto a coarse raster once; where a box of some size may have
its middle is then one erosion of what lies within reach.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from raster2path.geometry import Complexes, Points, to_points

Flags = npt.NDArray[np.uint8]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]
Counts = npt.NDArray[np.int32]
Box = tuple[float, float, float, float]

HEIGHTS_MM = (8.0, 6.0, 5.0, 4.0)
"""Of digits on paper, the best first."""

STEP_MM = 0.5
MOST_CELLS = 2400
LEADER_MM = 0.7
"""Half the width that a leader line takes."""

_SHIFT = 4


@dataclass(frozen=True, slots=True)
class Wanted:
    """A numeral that wants a place.

    Attributes:
        text: what is written.
        pierce: the place that it names.
        is_on_line: True where the pierce stands on its line, so that either side will do.
        heights_mm: that its digits may have, the best first.
    """

    text: str
    pierce: complex
    is_on_line: bool
    heights_mm: tuple[float, ...] = HEIGHTS_MM


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
        x0, y0, x1, y1 = (value / self.step for value in box)
        rows = slice(max(0, math.floor(y0)), max(0, math.ceil(y1)))
        self.free[rows, max(0, math.floor(x0)) : max(0, math.ceil(x1))] = 0

    def take_leader(self, line: tuple[complex, complex] | None) -> None:
        """Nothing may come onto this thin line."""
        if line is not None:
            start, end = line
            n = math.ceil(abs(end - start)) + 1
            z = start + (end - start) * np.arange(n + 1) / n
            low, high = to_points(z - LEADER_MM * (1 + 1j)), to_points(z + LEADER_MM * (1 + 1j))
            corners = np.column_stack([np.floor(low / self.step), np.ceil(high / self.step)])
            for x0, y0, x1, y1 in np.maximum(corners, 0).astype(int).tolist():
                self.free[y0:y1, x0:x1] = 0

    def centres(
        self, width_mm: float, height_mm: float, *, near: complex = 0j, reach_mm: float = math.inf
    ) -> Complexes:
        """Where the middle of a box may lie so that the whole box is free: middles of cells.

        Only those within reach to each side of a point are asked for; row by row.
        """
        rows, cols = self._odd(height_mm), self._odd(width_mm)
        (top, bottom), (left, right) = self._window(near, reach_mm)
        y0, x0 = max(0, top - rows // 2), max(0, left - cols // 2)
        around = self.free[y0 : bottom + rows // 2, x0 : right + cols // 2]
        free = _eroded(around, rows, cols)[top - y0 : bottom - y0, left - x0 : right - x0]
        if free.size == 0:
            return np.empty(0, np.complex128)
        # a flat array of flags is searched ten times as fast as one of rows and columns
        set_ = np.flatnonzero(np.ascontiguousarray(free).view(np.bool_))
        row, col = np.divmod(set_, free.shape[1])
        at = (col + (left + 0.5)) * self.step + 1j * ((row + (top + 0.5)) * self.step)
        return np.asarray(at, np.complex128)

    def _odd(self, side_mm: float) -> int:
        return math.ceil(side_mm / self.step) + 1 | 1

    def _window(self, near: complex, reach_mm: float) -> tuple[tuple[int, int], tuple[int, int]]:
        """First and last row and column within reach."""
        rows, cols = self.free.shape
        if math.isinf(reach_mm):
            return (0, rows), (0, cols)
        row, col, reach = near.imag / self.step, near.real / self.step, reach_mm / self.step
        return (
            (min(rows, max(0, int(row - reach))), min(rows, max(0, int(row + reach)))),
            (min(cols, max(0, int(col - reach))), min(cols, max(0, int(col + reach)))),
        )

    def nearest(self, width_mm: float, height_mm: float, *, to: complex) -> complex | None:
        """The middle of the free box nearest to a point, or None."""
        for reach_mm in (REACH_MM, math.inf):
            at = self.centres(width_mm, height_mm, near=to, reach_mm=reach_mm)
            away = np.abs(at - to)
            # within a square, one beyond its inner circle need not be the nearest
            if len(at) and away.min() < max(0.0, reach_mm - self.step):
                return complex(at[int(np.argmin(away))])
        return None

    def n_taken(self) -> Counts:
        """How many cells above and left of each corner of cells are taken."""
        return np.asarray(cv2.integral(1 - self.free), np.int32)

    def has_room(self, at: Complexes, size_mm: tuple[float, float], n_taken: Counts) -> Bools:
        """True where a box with its middle in the cell of a point lies on the floor and is free."""
        rows, cols = self.cells(at)
        down, right = self._odd(size_mm[1]) // 2, self._odd(size_mm[0]) // 2
        n_rows, n_cols = self.free.shape
        is_on = (rows >= down) & (rows < n_rows - down) & (cols >= right) & (cols < n_cols - right)
        corner = ((rows - down) * (n_cols + 1) + cols - right)[is_on]
        low, across = (2 * down + 1) * (n_cols + 1), 2 * right + 1
        flat = n_taken.ravel()
        inside = flat[corner + low + across] - flat[corner + low]
        inside += flat[corner] - flat[corner + across]
        is_on[is_on] = inside == 0
        return np.asarray(is_on, np.bool_)

    def cells(self, at: Complexes) -> tuple[Ints, Ints]:
        """Row and column of the cell that each point lies in, those off the floor at its rim."""
        rows = np.clip((at.imag / self.step).astype(np.int64), 0, self.free.shape[0] - 1)
        cols = np.clip((at.real / self.step).astype(np.int64), 0, self.free.shape[1] - 1)
        return rows, cols

    def regions(self, walls: Iterable[Points]) -> npt.NDArray[np.int32]:
        """A number for each part of the drawing between the walls; 0 on the walls themselves."""
        open_ = np.ones(self.free.shape, np.uint8)
        fixed = [self._fixed(wall) for wall in walls]
        cv2.polylines(open_, fixed, False, 0, 1, cv2.LINE_8, _SHIFT)
        return np.asarray(cv2.connectedComponents(open_, connectivity=4)[1], np.int32)


def _eroded(flags: Flags, rows: int, cols: int) -> Flags:
    """Flags that are set where a whole box of so many cells round them is set."""
    kernel = np.ones((rows, cols), np.uint8)
    if flags.size == 0:
        return flags
    flags = np.ascontiguousarray(flags)
    return np.asarray(
        cv2.erode(flags, kernel, borderType=cv2.BORDER_CONSTANT, borderValue=0), np.uint8
    )


DIGIT_WIDTH = 0.9
"""Of a digit's height: the widest of the usual sans-serif faces takes 0.87."""

NEAR_MM = 6.0
REACH_MM = 40.0
"""Within this, every free place is looked at; a longer leader line goes along one of the rays."""

FAR_MM = 150.0
"""A longer leader line than this is hard to follow: it is drawn only where all else is full."""

N_RAYS = 72


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
        written.take_box(_box(numeral, LEADER_MM))
    for i, want in enumerate(wanted):
        if i not in found:
            found[i] = _far_off(want, floor, written, ring_mm)
            floor.take_box(_box(found[i]))
            floor.take_leader(found[i].leader)
            written.take_box(_box(found[i], LEADER_MM))
    return tuple(found[i] for i in range(len(wanted)))


def _size(text: str, height_mm: float) -> tuple[float, float]:
    return len(text) * DIGIT_WIDTH * height_mm, height_mm


def _box(numeral: Numeral, wider_mm: float = 0.0) -> Box:
    width, height = (side + 2 * wider_mm for side in _size(numeral.text, numeral.height_mm))
    x, y = numeral.centre.real, numeral.centre.imag
    return x - width / 2, y - height / 2, x + width / 2, y + height / 2


def _gap(offsets: Complexes, size: tuple[float, float]) -> Points:
    """How far a point at 0 lies from boxes of one size whose middles are given."""
    dx = np.maximum(np.abs(offsets.real) - size[0] / 2, 0)
    dy = np.maximum(np.abs(offsets.imag) - size[1] / 2, 0)
    return np.hypot(dx, dy)


def _share_outside(offsets: Complexes, size: tuple[float, float]) -> Points:
    """Which share of each line from 0 to the middle of such a box lies before the box."""
    dx, dy = np.maximum(np.abs(offsets.real), 1e-9), np.maximum(np.abs(offsets.imag), 1e-9)
    return np.maximum(np.maximum(1 - size[0] / 2 / dx, 1 - size[1] / 2 / dy), 0)


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


def _rooms(want: Wanted, floor: Floor) -> Iterator[tuple[float, Complexes]]:
    """Heights of a numeral, largest first, and where near its pierce such a one has room."""
    for height in want.heights_mm:
        at = floor.centres(*_size(want.text, height), near=want.pierce, reach_mm=REACH_MM)
        if not len(at) and height == want.heights_mm[0]:
            least = _size(want.text, want.heights_mm[-1])
            if not len(floor.centres(*least, near=want.pierce, reach_mm=REACH_MM)):
                return  # where not even the smallest has room, no other has
        yield height, at


def _close_by(
    want: Wanted, floor: Floor, regions: npt.NDArray[np.int32], ring_mm: float
) -> Numeral | None:
    home = _home(want, floor, regions)
    if not len(home):
        return None
    best: tuple[float, Numeral] | None = None
    for height, at in _rooms(want, floor):
        size = _size(want.text, height)
        smaller = 1.5 * (
            want.heights_mm[0] - height
        )  # a smaller numeral is worth that many mm less
        if best is not None and smaller >= best[0]:
            break
        offsets = at[np.isin(regions[floor.cells(at)], home)] - want.pierce
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
    """Off with a leader line: the nearest place whose line runs over as few numerals as may be."""
    crossing: tuple[int, complex, float] | None = None
    for found in (_nearby(want, floor, written), _on_rays(want, floor, written)):
        for hits, offset, height in found:
            if hits == 0:
                return _numeral(want, offset, height, ring_mm, is_near=False)
            if crossing is None or hits < crossing[0]:
                crossing = hits, offset, height
    if crossing is not None:
        return _numeral(want, crossing[1], crossing[2], ring_mm, is_near=False)
    # nothing is free anywhere: on the pierce, where it at least names the right cut
    return _numeral(want, 0j, want.heights_mm[-1], ring_mm, is_near=True)


Spot = tuple[int, complex, float]
"""How much of a leader line would run over numerals, where it leads from the pierce, the height."""


def _nearby(want: Wanted, floor: Floor, written: Floor) -> Iterator[Spot]:
    """The best place of all those near the pierce, for each height of numerals."""
    for height, at in _rooms(want, floor):
        size = _size(want.text, height)
        offsets = at - want.pierce
        offsets = offsets[np.argsort(_gap(offsets, size), kind="stable")]
        # every so many: neighbours in the list are nearly the same place
        offsets = offsets[:: max(1, len(offsets) // 400)]
        if len(offsets):
            hits = _hits(want.pierce, offsets, size, written)
            k = int(np.argmin(hits))  # the nearest of those that cross least
            yield int(hits[k]), complex(offsets[k]), height


def _hits(pierce: complex, offsets: Complexes, size: tuple[float, float], written: Floor) -> Ints:
    """For each place, how much of its leader line from the pierce would run over numerals."""
    t = np.linspace(0, 1, 65)
    at = pierce + (offsets * _share_outside(offsets, size))[:, None] * t
    return np.asarray((written.free[written.cells(at)] == 0).sum(axis=1), np.int64)


def _on_rays(want: Wanted, floor: Floor, written: Floor) -> Iterator[Spot]:
    """The best place on straight rays from the pierce, for each height of numerals.

    What a leader line crosses on its way out along a ray is counted once for all its places.
    """
    n_taken = floor.n_taken()
    turns = np.exp(2j * np.pi * np.arange(N_RAYS) / N_RAYS)
    for reach, step in ((FAR_MM, 1.0), (math.hypot(*floor.size_mm), 2.0)):
        at = want.pierce + turns[:, None] * np.arange(step, reach, step)
        # where not even the smallest has room, no larger one has
        row, col = np.nonzero(floor.has_room(at, _size(want.text, want.heights_mm[-1]), n_taken))
        if not len(row):
            continue
        crossed = np.cumsum(written.free[written.cells(at)] == 0, axis=1)
        offsets = at[row, col] - want.pierce
        for height in want.heights_mm:
            size = _size(want.text, height)
            has_room = floor.has_room(at[row, col], size, n_taken)
            if not has_room.any():
                continue
            roomy = offsets[has_room]
            before = ((col[has_room] + 1) * _share_outside(roomy, size)).astype(np.int64)
            hits = crossed[row[has_room], np.maximum(0, before - 1)]
            k = int(np.lexsort((_gap(roomy, size), hits))[0])
            yield int(hits[k]), complex(roomy[k]), height
        return


def _numeral(
    want: Wanted, offset: complex, height_mm: float, ring_mm: float, *, is_near: bool
) -> Numeral:
    leader = None
    if not is_near:
        t = float(_share_outside(np.array([offset]), _size(want.text, height_mm))[0])
        end = offset * max(0.0, t - 0.6 / max(abs(offset), 0.6))  # a hair outside
        start = offset / abs(offset) * min(ring_mm, abs(end))
        leader = (want.pierce + start, want.pierce + end)
    return Numeral(want.text, want.pierce + offset, height_mm, leader)
