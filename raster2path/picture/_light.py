"""The light that bare paper would give, and how dark ink is on it; private to this folder."""

from __future__ import annotations

import math

import cv2
import numpy as np
import numpy.typing as npt

from raster2path.errors import NothingFoundError
from raster2path.model import Mask
from raster2path.picture._shrink import halved, shrunk
from raster2path.picture._tones import FAINTEST, as_grey, light_of, odd

Bytes = npt.NDArray[np.uint8]
Floats = npt.NDArray[np.float32]

SMALL_PX = 480
"""Long side of the copy on which paper and light are found; light has no finer detail."""

STEEPEST_SHADOW = 0.12
"""Steps of the logarithm of light, for one pixel of the small copy; what is steeper is ink."""

DARKEST = 0.002
"""Light is never taken to be less, so that its logarithm keeps its feet on the ground."""


def stretched(grid: Floats, shape: tuple[int, ...]) -> Floats:
    size = (shape[1], shape[0])
    return np.asarray(cv2.resize(grid, size, interpolation=cv2.INTER_LINEAR), np.float32)


def paper_light(grey: Bytes, light: Floats) -> Floats:
    """The light that bare paper would give, on a small copy.

    Thin strokes are closed over. Then steep steps are taken out of the logarithm and the rest is
    put together again (after Horn, "Determining lightness from an image", 1974, doi
    10.1016/0146-664X(74)90022-7), so that a soft shadow is light and a large black area is ink.
    What comes out paper-like is smoothed; below ink it is filled in from around.
    """
    # Several pixels go into one, or grain and noise would look steep.
    small_px = min(SMALL_PX, max(120, max(grey.shape) // 3))
    middle = shrunk(grey, 2 * small_px)
    size = odd(0.02 * max(middle.shape))
    closed = cv2.morphologyEx(cv2.blur(middle, (3, 3)), cv2.MORPH_CLOSE, np.ones((size, size)))
    tone = np.log(np.maximum(light_of(shrunk(as_grey(closed), small_px), light), DARKEST))
    shade, gentle = _without_steps(tone)
    rest = tone - shade
    top = _upper_mode(rest)
    # The steps taken out bend the rest a little, so paper is sought well below its brightest.
    drop = float(np.clip(0.3 * (top - np.quantile(rest, 0.02)), 0.12, 0.4))
    is_paper = _spread(rest > top - drop, gentle & (rest > top - 3 * drop))
    coarse_px = max(tone.shape) / 4
    paper = shade + _filled(rest, is_paper, finest_px=9, coarsest_px=coarse_px)
    tone = np.log(np.maximum(shrunk(light_of(middle, light), small_px), DARKEST))
    for _ in range(2):
        rest = tone - paper
        is_paper = cv2.erode((np.abs(rest) < 0.12).astype(np.uint8), np.ones((3, 3))) > 0
        if is_paper.mean() > 0.02:
            paper = paper + _filled(rest, is_paper, finest_px=4, coarsest_px=max(tone.shape) / 16)
    return np.asarray(np.exp(paper), np.float32)


def _without_steps(tone: Floats) -> tuple[Floats, Mask]:
    """The surface with the slopes of `tone` but for the steep ones, and where they are gentle."""
    slope_x = np.diff(tone, axis=1, append=tone[:, -1:])
    slope_y = np.diff(tone, axis=0, append=tone[-1:])
    slope = np.hypot(slope_x, slope_y)
    steepest = max(STEEPEST_SHADOW, 6 * float(np.median(slope)))
    steep = (slope > steepest).astype(np.uint8)
    gentle = np.asarray(cv2.dilate(steep, np.ones((3, 3), np.uint8)) == 0, np.bool_)
    slope_x *= gentle
    slope_y *= gentle
    bend = slope_x + slope_y
    bend[:, 1:] -= slope_x[:, :-1]
    bend[1:] -= slope_y[:-1]
    return _surface(bend), gentle


def _surface(bend: Floats) -> Floats:
    """The surface with this Laplacian and level rims, by cosines (mean zero)."""
    # OpenCV's transform takes even sizes; scipy's takes any, but half a second to import.
    rows, cols = bend.shape
    even = cv2.copyMakeBorder(bend, 0, rows % 2, 0, cols % 2, cv2.BORDER_CONSTANT, value=0)
    angle_y, angle_x = (np.pi * np.arange(n) / n for n in even.shape)
    wave = 2 * np.cos(angle_y)[:, None] + 2 * np.cos(angle_x) - 4
    wave[0, 0] = 1
    spectrum = cv2.dct(even.astype(np.float32)) / wave.astype(np.float32)
    spectrum[0, 0] = 0
    return np.asarray(cv2.dct(spectrum, flags=cv2.DCT_INVERSE)[:rows, :cols], np.float32)


def _spread(sure: Mask, ground: Mask) -> Mask:
    """What is sure, and all ground that hangs together with enough of it over gentle slopes."""
    n, labels = cv2.connectedComponents(ground.astype(np.uint8), connectivity=4)
    all_px = np.bincount(labels.ravel(), minlength=n)
    sure_px = np.bincount(labels[sure], minlength=n)
    is_one = sure_px >= 0.1 * all_px
    is_one[0] = False
    return np.asarray(sure | is_one[labels], np.bool_)


def _upper_mode(rest: Floats) -> float:
    """The brightest tone that a good part of the picture has: the paper's."""
    low, high = float(np.quantile(rest, 0.002)), float(np.quantile(rest, 0.998))
    counts, edges = np.histogram(rest, bins=160, range=(low - 0.1, high + 0.1))
    width = float(edges[1] - edges[0])
    smooth = cv2.GaussianBlur(counts.astype(np.float32)[:, None], (1, 0), 0.03 / width + 0.6)[:, 0]
    is_peak = (smooth >= np.roll(smooth, 1)) & (smooth >= np.roll(smooth, -1))
    return float(edges[np.nonzero(is_peak & (smooth >= 0.2 * smooth.max()))[0][-1]]) + width / 2


def _filled(values: Floats, known: Mask, *, finest_px: float, coarsest_px: float) -> Floats:
    """Smoothed values where they are known, and a smooth guess from around elsewhere."""
    weight = known.astype(np.float32)
    weighted = values * weight
    guess = np.full_like(values, float(np.median(values[known])) if known.any() else 0.0)
    size_px = coarsest_px
    while size_px >= finest_px:
        total = _soft(weight, size_px)
        guess = (_soft(weighted, size_px) + np.float32(0.02) * guess) / (total + np.float32(0.02))
        size_px /= 2.5
    return guess


def _soft(values: Floats, size_px: float) -> Floats:
    """Three box blurs: a Gaussian, near enough; large ones on a smaller copy."""
    shape, factor = values.shape, 2 ** max(0, int(math.log2(max(size_px, 1) / 5)))
    values = shrunk(values, max(shape) // factor)
    side = odd(size_px * 2 / factor)
    for _ in range(3):
        values = np.asarray(
            cv2.blur(values, (side, side), borderType=cv2.BORDER_REFLECT_101), np.float32
        )
    return stretched(values, shape) if factor > 1 else values


# ---------------------------------------------------------------- how dark is ink


def full_ink(dark: Floats, name: str) -> tuple[float, float]:
    """Darkening by the drawing's stronger strokes, and the paper's noise."""
    sample = dark[::4, ::4]
    paper = sample[sample < np.median(sample) + 0.1]
    noise = 1.4826 * float(np.median(np.abs(paper - np.median(paper))))
    smooth = cv2.blur(dark, (3, 3))
    ridge = smooth[
        (smooth >= cv2.dilate(smooth, np.ones((3, 3)))) & (smooth > FAINTEST + 3 * noise)
    ]
    if len(ridge) < 30:
        raise NothingFoundError(
            f"no ink was found in {name}; expected something darker than its paper"
        )
    core = ridge[ridge > 0.6 * float(np.quantile(ridge, 0.9))]
    full = float(np.median(core))
    if full < 4 * noise:
        raise NothingFoundError(f"{name} looks like noise; nothing drawn stands out from it")
    return full, noise


def local_ink(dark: Floats, full: float, shallowest: float) -> Floats:
    """Darkening by the strokes nearby, as a share of `full`: 1, or less where they are fainter."""
    share = np.clip(dark / np.float32(full), 0, 1.2)
    fourth = share * share
    fourth *= fourth
    share *= fourth
    share, fourth = _about(share, 2 * SMALL_PX), _about(fourth, 2 * SMALL_PX)
    size_px = 0.005 * max(share.shape)
    local = _soft(share, size_px) / (_soft(fourth, size_px) + np.float32(1e-6))
    # Full ink down to 0.85, so that grain does not move edges; then down to a stroke's own.
    eased = np.interp(local, [0, shallowest, 0.7, 0.85], [shallowest, shallowest, 0.7, 1])
    return np.asarray(eased, np.float32)


def _about(values: Floats, long_side_px: int) -> Floats:
    """Shrunk to about this long a side: by halves where that comes near, which is quicker."""
    while max(values.shape) >= 1.9 * long_side_px:
        values = halved(values)
    return values if max(values.shape) <= 1.1 * long_side_px else shrunk(values, long_side_px)
