"""Grey, light and blur of a picture; private to the rooms of this folder."""

from __future__ import annotations

from functools import cache

import cv2
import numpy as np
import numpy.typing as npt

from raster2path.model import Level
from raster2path.picture._shrink import shrunk

Bytes = npt.NDArray[np.uint8]
Floats = npt.NDArray[np.float32]

SHARPEST_PHOTO_PX = 0.55
"""Edges less blurred than this were drawn by a computer; halving is then right in the picture's
own values. Halving a photograph there moves every edge by half a pixel; in linear light by 0.04.
Measured on lettering with known outlines: drawn by a computer 0.37 to 0.46, photographs 0.6 up."""

FAINTEST = 0.06
"""Darkening of paper that can still be told from the paper itself."""

LARGE_PX = 3e6
"""Pixels above which how dark ink is gets measured on a picture of half the size."""

_SMALL_PX = 480


@cache
def linear_light() -> Floats:
    """Linear light of an sRGB byte (IEC 61966-2-1)."""
    v = np.arange(256) / 255
    return np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4).astype(np.float32)


@cache
def linear_from_white() -> Floats:
    """What a byte lacks of white light, where the picture was turned to its negative."""
    return np.asarray(1 - linear_light()[::-1], np.float32)


def best_grey(rgb: Bytes, linear: Floats) -> Bytes:
    """Grey from the mix of channels in which the ink stands out most from its paper."""
    small = shrunk(rgb, _SMALL_PX)
    light = light_of(small, linear) + np.float32(0.01)
    size = odd(0.04 * max(small.shape[:2]))
    paper = cv2.morphologyEx(cv2.blur(light, (3, 3)), cv2.MORPH_CLOSE, np.ones((size, size)))
    dark = 1 - light / paper
    most = dark.max(axis=2)
    inky = dark[most >= max(FAINTEST, float(np.quantile(most, 0.98)))]
    if len(inky) == 0:
        return np.asarray(cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY), np.uint8)
    share = np.clip(np.median(inky, axis=0), 0, None)
    # Black and grey ink darkens all channels alike; then the eye's own mix has the least noise.
    if share.min() >= 0.75 * share.max():
        return np.asarray(cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY), np.uint8)
    weights = share**2 / float((share**2).sum())
    return np.asarray(cv2.transform(rgb, weights[None].astype(np.float32)), np.uint8)


def light_of(grey: Bytes, light: Floats) -> Floats:
    return np.asarray(cv2.LUT(grey, light), np.float32)


def as_grey(image: npt.ArrayLike) -> Bytes:
    return np.asarray(image, np.uint8)


def odd(size_px: float) -> int:
    return 2 * round(size_px / 2) + 1


REACH_PX = 8
"""Half the length of the profiles across edges."""


def edge_profiles(grey: Bytes) -> npt.NDArray[np.uint8]:
    """Profiles (n, 17) across strong edges, along rows and columns, rising."""
    rows, cols = (max(1, size // 250) for size in grey.shape)
    across = _profiles_along_rows(np.ascontiguousarray(grey[::rows]))
    return np.concatenate([across, _profiles_along_rows(np.ascontiguousarray(grey[:, ::cols].T))])


def _profiles_along_rows(rows: Bytes) -> npt.NDArray[np.uint8]:
    r = REACH_PX
    if rows.shape[1] < 4 * r:
        return np.zeros((0, 2 * r + 1), np.uint8)
    line = np.ones((1, 2 * r + 1), np.uint8)
    span = cv2.subtract(cv2.dilate(rows, line), cv2.erode(rows, line))
    steep = cv2.absdiff(rows[:, 2:], rows[:, :-2])
    strong = max(24.0, 0.5 * float(np.percentile(span[:, ::4], 99.5)))
    middle = span[:, 1:-1]
    # A peak of steepness, and a good part of the local span of tones in one go.
    is_edge = (steep == cv2.dilate(steep, np.ones((1, 7), np.uint8))) & (middle >= strong)
    is_edge &= steep >= 0.12 * middle
    is_edge[:, :r] = is_edge[:, -r:] = False
    i, j = np.nonzero(is_edge)
    if len(i) > 4000:
        chosen = np.linspace(0, len(i) - 1, 4000).astype(int)
        i, j = i[chosen], j[chosen]
    profiles = rows[i[:, None], (j + 1)[:, None] + np.arange(-r, r + 1)]
    falls = profiles[:, r - 1] > profiles[:, r + 1]
    profiles[falls] = profiles[falls, ::-1]
    return np.asarray(profiles, np.uint8)


def blur_of(profiles: npt.NDArray[np.uint8], light: Floats) -> float:
    """Standard deviation of the edges' blur, in pixels; 1 where there are too few edges.

    Half of an edge lies within 1.349 standard deviations of a Gaussian blur. Most edges are
    crossed aslant and look wider, so a low quantile is taken.
    """
    p, r = light[profiles], REACH_PX
    if len(p) < 20:
        return 1.0
    rise = np.diff(p, axis=1)
    flat = np.float32(-0.006 * float(light.max()))
    up = np.logical_and.accumulate(rise[:, r:] > flat, axis=1)
    down = np.logical_and.accumulate(rise[:, :r][:, ::-1] > flat, axis=1)
    high = p[:, r] + (rise[:, r:] * up).sum(axis=1)
    low = p[:, r] - (rise[:, :r][:, ::-1] * down).sum(axis=1)
    share = (p - low[:, None]) / np.maximum(high - low, 1e-6)[:, None]
    width = _crossing(share, 0.75) - _crossing(share, 0.25)
    width = width[np.isfinite(width) & (width > 0)]
    return float(np.quantile(width, 0.25)) / 1.349 if len(width) >= 20 else 1.0


def _crossing(share: Floats, value: float) -> Floats:
    """Where each row rises through a value, nearest to the middle; NaN where it does not."""
    a, b = share[:, :-1], share[:, 1:]
    at = np.arange(share.shape[1] - 1) + (value - a) / np.where(b > a, b - a, 1)
    at = np.where((a < value) & (b >= value), at - REACH_PX, np.inf)
    nearest = at[np.arange(len(at)), np.abs(at).argmin(axis=1)]
    return np.where(np.isfinite(nearest), nearest, np.nan).astype(np.float32)


def flat_tones(grey: Bytes) -> tuple[int, int] | None:
    """The one tone of the paper and that of the ink, where the paper is the same all over."""
    sample = grey[:: 1 if grey.size < LARGE_PX else 3]
    counts = cv2.calcHist([sample], [0], None, [256], [0, 256]).ravel() / sample.size
    near = counts + np.roll(counts, 1) + np.roll(counts, -1)
    white = int(np.argmax(np.where(np.arange(256) >= 128, near, 0)))
    if near[white] < 0.02 or white < 128:
        return None
    black = int(np.argmax(np.where(np.arange(256) < white - 60, near, 0)))
    if near[white] + near[black] < 0.4 or near[black] == 0:
        return None
    # The brightest of each block is paper, or ink where a block is all ink: nothing between.
    side = max(8, max(grey.shape) // 48)
    rows, cols = (size // side * side for size in grey.shape)
    blocks = grey[:rows, :cols].reshape(rows // side, side, cols // side, side)
    brightest = blocks.max(axis=1).max(axis=2)
    between = (brightest < white - 4) & (brightest > black + 0.3 * (white - black))
    return (white, black) if between.mean() <= 0.01 else None


def level_of_flat(grey: Bytes, light: Floats, tones: tuple[int, int]) -> Level:
    white, black = tones
    table = (light[white] - light) / np.float32(light[white] - light[black])
    return np.asarray(cv2.LUT(grey, np.clip(table, 0, 1).astype(np.float32)), np.float32)
