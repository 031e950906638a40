"""Where a point of the sheet lies on a projector that stands crooked, and how well that is known.

A flat sheet and a lens without bow are related by a homography (8 freedoms; four marks, no three
in line). It is found by the direct linear transformation with normalised coordinates (Hartley and
Zisserman, Multiple View Geometry, 2nd ed. 2004, algorithm 4.2) and polished so that the crosses
miss their marks by the least sum of squares, in pixels: that is where the hand errs. With six
marks or more one more number, the bow, takes in a lens that bends straight lines; with eight, how
far the lens's middle lies above or below the picture's.

Pixels: (0, 0) is the outer corner of the projector's top left pixel, x right, y down.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Self

import numpy as np

from raster2path.errors import UsageError
from raster2path.geometry import Complexes, Points, to_points
from raster2path.model import frozen

LEAST_MARKS = 4
LEAST_FOR_BOW = 6
LEAST_FOR_SHIFT = 8

HAND_PX = 0.5
"""How well a cross is put onto a mark; only the trade-off with `USUAL_BOW` hangs on it."""

USUAL_BOW = 0.01
"""Lenses of projectors push the picture's corner by about so much of its distance from the middle
(common practice, no source): keeps a few shaky marks from inventing a bow."""

USUAL_SHIFT = 0.5
"""Many lenses sit at the picture's foot: how far the bow's middle may lie above or below the
picture's, as a share of its height (common practice, no source)."""

LEAST_SPREAD = 0.02
"""Three marks whose triangle is flatter than this, as a share of its longest side, are in line."""

OFF_FACTOR = 3.0
"""One mark is told to be off where the others agree so many times better without it."""

OFF_MM = 1.0
"""Less than this is the hand's own doing, and no mark is blamed."""


@dataclass(frozen=True, slots=True)
class Mark:
    """A place on the sheet, and the pixel whose light was seen to fall on it."""

    sheet_mm: complex
    at_px: complex


@dataclass(frozen=True, slots=True)
class Bow:
    """A lens that pushes points away from its middle, by the cube of their distance from there.

    Attributes:
        share: of a point's distance that is added where the distance is `radius_px`; negative
            for a barrel, 0 for a straight picture.
        middle_px: of the lens, on the picture.
        radius_px: half of the picture's diagonal.
    """

    share: float
    middle_px: complex
    radius_px: float

    @classmethod
    def none(cls, size_px: tuple[int, int]) -> Self:
        """A lens without bow before a picture of this size."""
        return cls(0.0, complex(*size_px) / 2, math.hypot(*size_px) / 2)

    def bowed(self, points_px: Points) -> Points:
        """Pixels of a straight picture (n, 2), where the lens wants them."""
        from_middle = points_px - self._middle
        far = (from_middle**2).sum(axis=1, keepdims=True) / self.radius_px**2
        return np.asarray(self._middle + from_middle * (1 + self.share * far), np.float64)

    def straightened(self, points_px: Points) -> Points:
        """The inverse of `bowed`, by Newton's method on the radius; exact to rounding."""
        if self.share == 0:
            return np.asarray(points_px, np.float64)
        from_middle = points_px - self._middle
        far = np.sqrt((from_middle**2).sum(axis=1, keepdims=True)) / self.radius_px
        straight = far.copy()
        for _ in range(12):
            excess = straight * (1 + self.share * straight**2) - far
            straight -= excess / (1 + 3 * self.share * straight**2)
        shrunk = np.divide(straight, far, out=np.ones_like(far), where=far > 0)
        return np.asarray(self._middle + from_middle * shrunk, np.float64)

    @property
    def _middle(self) -> Points:
        return np.array([self.middle_px.real, self.middle_px.imag])


@dataclass(frozen=True, slots=True, eq=False)
class Registration:
    """The map from the sheet to the projector's picture.

    Attributes:
        px_from_mm: (3, 3) homography, its last number 1.
        size_px: columns and rows of the projector.
        bow: what the lens does to straight lines.
        marks: what it was found from.
    """

    px_from_mm: Points
    size_px: tuple[int, int]
    bow: Bow
    marks: tuple[Mark, ...] = ()

    def __post_init__(self) -> None:
        if self.px_from_mm.shape != (3, 3):
            raise ValueError(f"expected a homography (3, 3), not {self.px_from_mm.shape}")
        frozen(self.px_from_mm)

    def to_px(self, points_mm: Points) -> Points:
        """Where points of the sheet (n, 2) have to be drawn, in pixels."""
        return self.bow.bowed(mapped(self.px_from_mm, points_mm))

    def to_mm(self, points_px: Points) -> Points:
        """Where pixels (n, 2) fall on the sheet."""
        flat = self.bow.straightened(points_px)
        return mapped(np.linalg.inv(self.px_from_mm).astype(np.float64), flat)

    @property
    def misses_mm(self) -> Points:
        """How far from each mark its own cross falls by this map, in mm, (n,)."""
        return misses_mm(self, self.marks)

    def mm_per_px(self, points_mm: Points) -> Points:
        """The longer side of a projected pixel on the sheet at each point, in mm, (n,).

        The largest singular value of the map from pixels to millimetres there.
        """
        at = self.to_px(points_mm)
        step = 0.5
        across, down = (
            self.to_mm(at + np.array(shift)) - self.to_mm(at - np.array(shift))
            for shift in ((step, 0.0), (0.0, step))
        )
        jacobian = np.stack([across, down], axis=-1)
        return np.asarray(np.linalg.svd(jacobian, compute_uv=False)[:, 0], np.float64)


def misses_mm(registration: Registration, marks: Sequence[Mark]) -> Points:
    """How far from each of the marks its cross falls by the map, in mm, (n,)."""
    sheet, px = _as_points(marks)
    apart = registration.to_mm(px) - sheet
    return np.asarray(np.hypot(apart[:, 0], apart[:, 1]), np.float64)


def mapped(homography: Points, points: Points) -> Points:
    """The image of points (n, 2) under a homography (3, 3)."""
    xyw = np.column_stack([points, np.ones(len(points))]) @ homography.T
    return np.asarray(xyw[:, :2] / xyw[:, 2:], np.float64)


def register(
    marks: Sequence[Mark], *, size_px: tuple[int, int], has_bow: bool | None = None
) -> Registration:
    """The map that puts every cross on its mark, or misses least where there are more than four.

    Args:
        marks: four or more, no three of the first four in line.
        size_px: columns and rows of the projector.
        has_bow: True to look for a bow; None: where there are marks enough.

    Raises:
        UsageError: too few marks, marks in line, or two of them mixed up.
    """
    n = len(marks)
    if n < LEAST_MARKS:
        raise UsageError(f"{n} marks are too few to register the light; expected 4 or more")
    if has_bow and n < LEAST_FOR_BOW:
        raise UsageError(f"{n} marks can't tell a lens's bow; expected {LEAST_FOR_BOW} or more")
    sheet, px = _as_points(marks)
    _check_spread(sheet, "on the sheet")
    _check_spread(px, "in the light")
    flat = homography(sheet, px)
    _check_not_mixed_up(flat, sheet)
    is_bowed = n >= LEAST_FOR_BOW if has_bow is None else has_bow
    if n == LEAST_MARKS:
        return Registration(flat, size_px, Bow.none(size_px), tuple(marks))
    polished, bow = _polished(flat, sheet, px, Bow.none(size_px), is_bowed=is_bowed)
    return Registration(polished, size_px, bow, tuple(marks))


def homography(source: Points, target: Points) -> Points:
    """The homography that takes source points to target points, both (n, 2), n >= 4.

    Exact for four; for more, the least algebraic error by normalised coordinates.
    """
    (a, to_a), (b, to_b) = _normalised(source), _normalised(target)
    x, y = a[:, 0], a[:, 1]
    u, v = b[:, 0], b[:, 1]
    one, none = np.ones(len(a)), np.zeros(len(a))
    upper = np.column_stack([x, y, one, none, none, none, -u * x, -u * y, -u])
    lower = np.column_stack([none, none, none, x, y, one, -v * x, -v * y, -v])
    _, _, rows = np.linalg.svd(np.concatenate([upper, lower]))
    found = np.linalg.inv(to_b) @ rows[-1].reshape(3, 3) @ to_a
    return np.asarray(found / found[2, 2], np.float64)


def _normalised(points: Points) -> tuple[Points, Points]:
    """Points moved to the origin, on average sqrt(2) away from it, and what moved them."""
    middle = points.mean(axis=0)
    scale = math.sqrt(2) / float(np.hypot(*(points - middle).T).mean())
    matrix = np.array([[scale, 0, -scale * middle[0]], [0, scale, -scale * middle[1]], [0, 0, 1]])
    return (points - middle) * scale, matrix


def _polished(
    start: Points, sheet: Points, px: Points, straight: Bow, *, is_bowed: bool
) -> tuple[Points, Bow]:
    """Homography and bow with the least sum of squared misses, in pixels."""
    from scipy.optimize import least_squares

    (a, to_a), (_, to_b) = _normalised(sheet), _normalised(px)
    back = np.linalg.inv(to_b)
    first = to_b @ start @ np.linalg.inv(to_a)
    first /= first[2, 2]

    def matrix(values: Points) -> Points:
        return np.asarray(back @ np.append(values[:8], 1.0).reshape(3, 3), np.float64)

    def lens(values: Points) -> Bow:
        if not is_bowed:
            return straight
        height = 2 * straight.middle_px.imag
        shift = float(values[9]) * USUAL_SHIFT * height if len(values) > 9 else 0.0
        middle = straight.middle_px + 1j * shift
        return Bow(float(values[8]) * USUAL_BOW, middle, straight.radius_px)

    def misses(values: Points) -> Points:
        apart = lens(values).bowed(mapped(matrix(values), a)) - px
        return np.append(apart.ravel() / HAND_PX, values[8:])

    n_more = is_bowed + (is_bowed and len(sheet) >= LEAST_FOR_SHIFT)
    values = np.append(first.ravel()[:8], np.zeros(n_more))
    best = least_squares(misses, values, method="lm", x_scale="jac").x
    found = matrix(best) @ to_a
    return np.asarray(found / found[2, 2], np.float64), lens(best)


def _as_points(marks: Sequence[Mark]) -> tuple[Points, Points]:
    return (
        to_points([mark.sheet_mm for mark in marks]),
        to_points([mark.at_px for mark in marks]),
    )


def _check_spread(points: Points, where: str) -> None:
    """Four marks of which no three are in line, somewhere among all of them."""
    z = points[:, 0] + 1j * points[:, 1]
    if len(z) == LEAST_MARKS:
        for trio in itertools.combinations(range(LEAST_MARKS), 3):
            if _is_in_line(z[list(trio)]):
                names = ", ".join(str(i + 1) for i in trio[:2])
                raise UsageError(
                    f"marks {names} and {trio[2] + 1} lie in one line {where}; expected four "
                    "marks of which no three do: take the corners of a square"
                )
        return
    fours = itertools.combinations(range(len(z)), LEAST_MARKS)
    good = (
        four
        for four in fours
        if not any(_is_in_line(z[list(trio)]) for trio in itertools.combinations(four, 3))
    )
    if next(good, None) is None:
        raise UsageError(
            f"of the {len(z)} marks {where} no four span an area; expected four of which no "
            "three lie in one line"
        )


def _is_in_line(z: Complexes) -> bool:
    a, b, c = (complex(value) for value in z)
    longest = max(abs(a - b), abs(b - c), abs(c - a))
    twice_area = abs(((b - a).conjugate() * (c - a)).imag)
    return twice_area <= LEAST_SPREAD * longest**2


def _check_not_mixed_up(matrix: Points, sheet: Points) -> None:
    """All marks lie in front of the projector, or two crosses stand on each other's marks."""
    depth = sheet @ matrix[2, :2] + matrix[2, 2]
    if depth.min() * depth.max() <= 0:
        raise UsageError(
            "the crosses can't all be right: two of them seem to stand on each other's marks; "
            "expected cross 1 on mark 1, and so on round the sheet"
        )


# ---------------------------------------------------------------- how well it is known


@dataclass(frozen=True, slots=True)
class Verdict:
    """How well the light lands.

    Attributes:
        within_mm: the largest miss to be expected, or None where four marks leave nothing over
            to check by.
        off: a mark that seems to be wrong (from 1) and by how much, or None.
        sentence: the same, for the maker.
    """

    within_mm: float | None
    off: tuple[int, float] | None
    sentence: str


def judge(registration: Registration) -> Verdict:
    """What the marks say about each other.

    The largest miss is widened for the freedoms that the fit has used up. One mark is blamed
    where the others agree far better without it; five marks can't tell which one that is.
    """
    marks = registration.marks
    if len(marks) <= LEAST_MARKS:
        return Verdict(
            None,
            None,
            f"set by {len(marks)} marks, with none left to check by: measure the rules and the "
            "grid on the steel",
        )
    wrong = _wrong_mark(registration)
    if wrong is not None:
        index, off_mm, rest = wrong
        within = _within_mm(rest)
        return Verdict(
            within,
            (index + 1, off_mm),
            f"lands within {_tenths(within)} mm; mark {index + 1} is off by {_whole(off_mm)} mm",
        )
    within = _within_mm(registration)
    if within > OFF_MM * OFF_FACTOR:
        sentence = f"the marks disagree by {_tenths(within)} mm: place them again, or add marks"
    else:
        sentence = f"lands within {_tenths(within)} mm"
    return Verdict(within, None, sentence)


def _within_mm(registration: Registration) -> float:
    n_told = 2 * len(registration.marks)
    n_used = 9 if registration.bow.share else 8
    spare = max(1, n_told - n_used)
    return float(registration.misses_mm.max()) * math.sqrt(n_told / spare)


def _wrong_mark(registration: Registration) -> tuple[int, float, Registration] | None:
    """The mark without which the others agree far better, how far it is off, and their map."""
    marks = registration.marks
    if len(marks) < LEAST_FOR_BOW:
        return None
    tried = []
    for index in range(len(marks)):
        others = (*marks[:index], *marks[index + 1 :])
        try:
            rest = register(others, size_px=registration.size_px)
        except UsageError:
            continue
        off = float(misses_mm(rest, [marks[index]])[0])
        tried.append((_within_mm(rest), index, off, rest))
    tried.sort(key=lambda one: one[0])
    within, index, off, rest = tried[0]
    others_best = tried[1][0] if len(tried) > 1 else math.inf
    is_clear = min(_within_mm(registration), others_best) > OFF_FACTOR / 2 * within
    if off < max(OFF_MM, OFF_FACTOR * within) or not is_clear:
        return None
    return index, off, rest


def _tenths(mm: float) -> str:
    """Rounded up: a promise is not made smaller by writing it down."""
    return f"{math.ceil(10 * mm - 1e-6) / 10:.1f}"


def _whole(mm: float) -> str:
    return f"{mm:.0f}" if mm >= 1.5 else f"{mm:.1f}"


# ---------------------------------------------------------------- nudging by hand


def moved(registration: Registration, index: int, at_px: complex) -> Registration:
    """Registered anew with one cross (from 0) somewhere else."""
    marks = list(registration.marks)
    marks[index] = replace(marks[index], at_px=at_px)
    return register(marks, size_px=registration.size_px)
