"""The one door from pixels to millimetres: scale and position are set here, and nowhere else."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from raster2path.errors import NothingFoundError, UsageError
from raster2path.geometry import Points
from raster2path.job import SizeRules
from raster2path.model import Border, Dark, Outlines, PixelRings, Placement, Ring

DEFAULT_WIDTH_MM = 600.0
"""Where neither size nor paper says otherwise (`--width`)."""

EMPTY_MM = 25.0
"""Left empty round the sign where there is no sheet."""


@dataclass(frozen=True, slots=True)
class _Body:
    """What is scaled: the middle and half the width and height of what the border goes round."""

    middle_px: tuple[float, float]
    half_px: tuple[float, float]


def place(
    points_px: Points,
    *,
    border: Border,
    rules: SizeRules,
    mm_per_px: float | None,
    widen_mm: float = 0.0,
) -> Placement:
    """Where the picture lies on the sheet, so that the finished sign has the size asked for.

    Args:
        points_px: (n, 2), everything that will be an edge or a slit.
        border: the sign's outer edge; all but none and drawn lie `rules.margin_mm` outside
            the art: a rectangle round its box, a circle round its smallest circle, an ellipse
            with its box's proportions round all of it.
        rules: size asked for, margin and blank.
        mm_per_px: the scale of the paper, where it is known; used if no size is asked for.
        widen_mm: how far the metal reaches beyond the points, on each side.

    Returns:
        One scale and one shift. The sign's box starts 25 mm from the corner, or lies in the
        middle of the sheet where there is one; a border `sheet` is the sheet.

    Raises:
        NothingFoundError: there are no points.
        UsageError: the margins leave no room for the art, or it has no extent to be scaled.
    """
    if not len(points_px):
        raise NothingFoundError("there is nothing in the picture to cut")
    body = _body(points_px, border)
    has_margin = border not in (Border.NONE, Border.DRAWN)
    around_mm = widen_mm + (rules.margin_mm if has_margin else 0.0)
    if border is Border.SHEET and rules.sheet_mm is not None:
        scale = _fitted(body, rules.sheet_mm, around_mm)
        return _placed(body, scale, rules.sheet_mm, rules.sheet_mm)
    scale = _scale(body, rules, mm_per_px, around_mm)
    width, height = (2 * (half * scale + around_mm) for half in body.half_px)
    return _placed(body, scale, (width, height), rules.sheet_mm)


def rings_on_sheet(
    rings: PixelRings,
    *,
    placement: Placement,
    region: Dark,
    border: Border,
    is_squared: bool = False,
) -> Outlines:
    """The same rings in millimetres; ink, their even-odd fill, is the `region`.

    Args:
        rings: contours of the ink.
        placement: from `place`.
        region: what dark areas are.
        border: as decided.
        is_squared: see `Picture`.

    Returns:
        As many rings, in the same order and direction, all of the kind organic, no strokes.
    """
    return Outlines(
        rings=tuple(
            Ring(
                points_mm=placement.to_mm(ring.points_px),
                kinds=np.zeros(len(ring.points_px), np.uint8),
                noise_mm=ring.noise_px * placement.mm_per_px,
            )
            for ring in rings.rings
        ),
        strokes=(),
        region=region,
        border=border,
        placement=placement,
        blur_mm=rings.blur_px * placement.mm_per_px,
        is_squared=is_squared,
        notes=rings.notes,
    )


def _body(points_px: Points, border: Border) -> _Body:
    low, high = points_px.min(axis=0), points_px.max(axis=0)
    middle, half = (low + high) / 2, (high - low) / 2
    if border is Border.ROUND:
        (x, y), _ = cv2.minEnclosingCircle(points_px.astype(np.float32))
        middle = np.array([x, y])
        # OpenCV answers in single precision; the farthest point says it exactly.
        half = np.full(2, np.hypot(*(points_px - middle).T).max())
    elif border is Border.OVAL:
        safe = np.maximum(half, 1e-9)
        half = half * np.hypot(*((points_px - middle) / safe).T).max()
    return _Body((float(middle[0]), float(middle[1])), (float(half[0]), float(half[1])))


def _scale(body: _Body, rules: SizeRules, mm_per_px: float | None, around_mm: float) -> float:
    """Millimetres for a pixel."""
    half_x, half_y = body.half_px
    if rules.height_mm is not None:
        return _stretched(half_y, rules.height_mm, around_mm, "high", "--height")
    if rules.width_mm is not None:
        return _stretched(half_x, rules.width_mm, around_mm, "wide", "--width")
    if mm_per_px is not None:
        return mm_per_px
    # A lone upright line has no width to go by.
    return _stretched(max(half_x, half_y / 20), DEFAULT_WIDTH_MM, around_mm, "wide", "--width")


def _stretched(half_px: float, size_mm: float, around_mm: float, way: str, option: str) -> float:
    room_mm = size_mm - 2 * around_mm
    if room_mm <= 0:
        raise UsageError(
            f"{around_mm:g} mm of margin on either side leave no room in a sign {size_mm:g} mm "
            f"{way}; give less than {size_mm / 2:g} mm of --margin or a larger {option}"
        )
    if half_px < 0.5:
        other = "--height" if option == "--width" else "--width"
        raise UsageError(f"the drawing is a line that is not {way}; give its {other} instead")
    return room_mm / (2 * half_px)


def _fitted(body: _Body, sheet_mm: tuple[float, float], around_mm: float) -> float:
    """The largest scale at which the art lies inside the sheet's margins."""
    room_mm = min(sheet_mm) - 2 * around_mm
    if room_mm <= 0:
        raise UsageError(
            f"{around_mm:g} mm of margin on either side leave no room on a sheet "
            f"{sheet_mm[0]:g} x {sheet_mm[1]:g} mm; give less than {min(sheet_mm) / 2:g} mm "
            "of --margin or a larger --sheet"
        )
    return min(
        (side - 2 * around_mm) / (2 * max(half, 0.5))
        for side, half in zip(sheet_mm, body.half_px, strict=True)
    )


def _placed(
    body: _Body,
    scale: float,
    sign_mm: tuple[float, float],
    sheet_mm: tuple[float, float] | None,
) -> Placement:
    width, height = sign_mm
    left, top = EMPTY_MM, EMPTY_MM
    if sheet_mm is not None:
        left, top = (sheet_mm[0] - width) / 2, (sheet_mm[1] - height) / 2
    middle_mm = complex(left + width / 2, top + height / 2)
    return Placement(
        mm_per_px=scale,
        origin_mm=middle_mm - scale * complex(*body.middle_px),
        sign_mm=(left, top, width, height),
        sheet_mm=sheet_mm,
    )
