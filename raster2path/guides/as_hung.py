"""The finished sign as it would hang: steel before a light wall, its shadow behind it."""

from __future__ import annotations

from dataclasses import dataclass
from functools import reduce
from typing import TYPE_CHECKING

import cv2
import numpy as np
import numpy.typing as npt

from raster2path.geometry import Path, Points
from raster2path.guides._canvas import (
    Pixels,
    coverage,
    draw_ring,
    not_ready_band,
    png,
    words_width,
    wrapped,
    write,
)
from raster2path.guides.colours import PAPER, rgb
from raster2path.model import CutOrder, Stamp

if TYPE_CHECKING:
    import shapely

SIDE_PX = 1600
_OVER = 2  # pixels drawn for one that is seen, each way
_RIM = 0.06  # wall round the sign, as a share of its longer side
_WALL = np.array([234, 230, 222], np.float32)
_STEEL = np.array([134, 141, 147], np.float32)
_INK = (84, 80, 74)

Share = npt.NDArray[np.float32]


def as_hung_png(order: CutOrder, *, stamp: Stamp) -> bytes:
    """The sign after the torch, as PNG: ties and slits as they would be, drops gone.

    Inner corners of the openings are as round as the kerf makes them. Loose pieces are ringed in
    red and the picture stamped, as are all that are not ready to cut. The longer side is 1600
    pixels; the same input gives the same bytes.
    """
    view = _view(order)
    metal = _metal(view, order)
    pixels = _lit(metal, view)
    _ring_loose(pixels, view, order)
    above = not_ready_band(stamp, pixels.shape[1], SIDE_PX / 62, rgb(PAPER.alarm))
    return png(np.vstack([*above, pixels, _caption(order, stamp, pixels.shape[1])]))


@dataclass(frozen=True, slots=True)
class _View:
    """What part of the sheet is seen: its top left, pixels a millimetre, and size in pixels."""

    corner_mm: complex
    px_per_mm: float
    size_px: tuple[int, int]

    def to_px(self, points_mm: Points, *, over: int = 1) -> Points:
        """Points on the sheet, on the picture, `over` pixels for one."""
        shifted = points_mm - (self.corner_mm.real, self.corner_mm.imag)
        return np.asarray(shifted * self.px_per_mm * over, np.float64)

    def line(self, path: Path, *, over: int = 1) -> Points:
        """A path, flattened as finely as can be seen."""
        return self.to_px(path.flat(0.1 / self.px_per_mm), over=over)


def _view(order: CutOrder) -> _View:
    left, top, width, height = order.plan.sign.art.placement.sign_mm
    rim = _RIM * max(width, height)
    scale = SIDE_PX / (max(width, height) + 2 * rim)
    cols, rows = (max(1, round((side + 2 * rim) * scale)) for side in (width, height))
    return _View(complex(left - rim, top - rim), scale, (cols, rows))


# ---------------------------------------------------------------- what is metal


def _metal(view: _View, order: CutOrder) -> Share:
    """How much of each pixel is metal, 0 to 1."""
    import shapely

    gone = shapely.union_all([_drops(view, order), _slits(view, order)])
    rings = [
        np.asarray(ring.coords)
        for area in shapely.get_parts(gone)
        for ring in (area.exterior, *area.interiors)
    ]
    fine = 255 - coverage(rings, (view.size_px[0] * _OVER, view.size_px[1] * _OVER))
    small = cv2.resize(fine, view.size_px, interpolation=cv2.INTER_AREA)
    return np.asarray(small, np.float32) / np.float32(255)


def _drops(view: _View, order: CutOrder) -> shapely.Geometry:
    """All that falls away: what a disc as wide as the kerf can reach from inside the drops.

    The even-odd fill of the edges and of a frame round everything is what is not metal; opening
    that by the disc leaves corners as round as the torch leaves them. The disc is a third of a
    pixel small, so that a hole just as wide as the kerf stays.
    """
    import shapely

    far = 4 * max(view.size_px) * _OVER
    frame = shapely.box(-far, -far, far, far).exterior
    lines = [view.line(edge.path, over=_OVER) for edge in order.plan.edges]
    rings = [shapely.linearrings(line) for line in lines if len(line) > 2]
    drops = _even_odd([frame, *rings])
    radius = order.plan.kerf_mm / 2 * view.px_per_mm * _OVER - 0.3
    return drops if radius < 0.5 else drops.buffer(-radius).buffer(radius)


def _even_odd(rings: list[shapely.LinearRing]) -> shapely.Geometry:
    """The even-odd fill of rings; quick as long as none cross, and right if they do."""
    import shapely

    if shapely.is_simple(shapely.multilinestrings(rings)):
        return shapely.build_area(shapely.geometrycollections(rings))
    areas = shapely.make_valid(shapely.polygons(rings))
    return reduce(shapely.symmetric_difference, areas)


def _slits(view: _View, order: CutOrder) -> shapely.Geometry:
    """What the kerf takes along the slits; never less than 0.2 mm, so that one sees where."""
    import shapely

    lines = [shapely.LineString(_chain(path, view)) for path in order.plan.slits]
    width = max(order.plan.kerf_mm, 0.2) * view.px_per_mm * _OVER
    return shapely.union_all(shapely.buffer(lines, width / 2))


def _chain(path: Path, view: _View) -> Points:
    points = view.line(path, over=_OVER)
    return np.vstack([points, points[:1]]) if path.is_closed else points


# ---------------------------------------------------------------- light


def _lit(metal: Share, view: _View) -> Pixels:
    """Steel before the wall, with light from the upper left."""
    side = max(view.size_px)
    wall = _wall(metal, side)
    steel = _steel(metal)
    lit = wall + (steel - wall) * metal[:, :, None]
    return np.clip(np.round(lit), 0, 255).astype(np.uint8)


def _wall(metal: Share, side: int) -> Share:
    rows, cols = metal.shape
    away = round(0.009 * side)
    shift = np.array([[1, 0, away], [0, 1, 1.4 * away]], np.float32)
    thrown = cv2.warpAffine(metal, shift, (cols, rows))
    # a soft shadow and a wider, fainter one: lamps in a room are not points
    near = cv2.GaussianBlur(thrown, (0, 0), 0.004 * side)
    quarter = cv2.resize(
        thrown, (max(1, cols // 4), max(1, rows // 4)), interpolation=cv2.INTER_AREA
    )
    far = cv2.resize(cv2.GaussianBlur(quarter, (0, 0), 0.0035 * side), (cols, rows))
    dark = 1 - 0.34 * near - 0.16 * far
    dark *= np.linspace(1.03, 0.96, rows, dtype=np.float32)[:, None]
    return np.asarray(dark[:, :, None] * _WALL, np.float32)


def _steel(metal: Share) -> Share:
    rows, cols = metal.shape
    grain = np.random.default_rng(7).standard_normal((rows, cols), np.float32)
    brushed = cv2.blur(grain, (max(3, cols // 12), 1)) * np.float32(np.sqrt(cols / 12))
    sheen = 13 * np.cos(
        np.linspace(-0.6, 2.6, cols, dtype=np.float32)[None, :]
        + np.linspace(-0.4, 1.2, rows, dtype=np.float32)[:, None]
    )
    soft = cv2.GaussianBlur(metal, (0, 0), 1.3)
    rim = cv2.Sobel(soft, cv2.CV_32F, 1, 0) + cv2.Sobel(soft, cv2.CV_32F, 0, 1)
    tone = 2.6 * brushed + sheen + 14 * np.clip(rim, -2, 2)
    return np.asarray(tone[:, :, None] + _STEEL, np.float32)


# ---------------------------------------------------------------- words


def _ring_loose(pixels: Pixels, view: _View, order: CutOrder) -> None:
    for island in order.plan.sign.loose:
        x, y = view.to_px(np.array([[island.place_mm.real, island.place_mm.imag]]))[0]
        radius = float(np.hypot(*island.size_mm)) / 2 * view.px_per_mm + 10
        draw_ring(pixels, complex(x, y), radius, (255, 255, 255), 9)
        draw_ring(pixels, complex(x, y), radius, rgb(PAPER.alarm), 5)


def _caption(order: CutOrder, stamp: Stamp, cols: int) -> Pixels:
    """What it is, and how large."""
    width, height = order.plan.sign.art.placement.sign_mm[2:]
    size = stamp.units.told(f"{width:.0f} × {height:.0f} mm")
    em = SIDE_PX / 62
    across = words_width(size, em)
    lines = wrapped(stamp.title, em, max(cols - across - 4 * em, 8 * em))
    is_beside = max(words_width(line, em) for line in lines) + across + 3 * em <= cols
    strip = np.full((round((len(lines) + 1 - is_beside) * 1.5 * em + em), cols, 3), 250, np.uint8)
    for n, line in enumerate(lines):
        write(strip, line, (em, (0.5 + 1.5 * n) * em), em, _INK)
    right = (cols - across - em, 0.5 * em) if is_beside else (em, (0.5 + 1.5 * len(lines)) * em)
    write(strip, size, right, em, _INK)
    return strip
