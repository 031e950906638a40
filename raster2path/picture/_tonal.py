"""Pictures of tones, a pet's photograph say: told from drawings; private to this folder."""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt

from raster2path.errors import NothingFoundError
from raster2path.picture._colours import lightness
from raster2path.picture._light import full_ink, paper_light, stretched
from raster2path.picture._shrink import shrunk
from raster2path.picture._tones import as_grey, best_grey, light_of, linear_light, odd

Bytes = npt.NDArray[np.uint8]
Floats = npt.NDArray[np.float32]

# Measured on forty drawings, photographed, scanned or drawn by a computer, and on a dozen
# photographs of other things: a third of the picture lies between these limits.
LEAST_BARE, BARE = 0.45, 0.12
"""Of a drawing so much is bare paper: darker than the brightest nearby by less than so much."""
LEAST_PLAIN, PLAIN = 0.7, 0.15
"""The same once the light is taken off."""
NOISIEST = 0.05
"""Paper is more even than this."""
LEAST_MASSES = 16.0
"""Lightness (CIE L*) between its large dark and its large light parts."""
MOST_TWO_TONE = 0.8
"""Of the variance of lightness, two tones explain less."""
MOST_FALLS = 0.25
"""No more of it falls out, unless the maker says so. Common practice, no source."""
FIRST_PX, SECOND_PX = 320, 640


def is_tonal(rgb: Bytes) -> bool:
    """True where hardly any of a picture is bare paper, and no one ink stands out from it.

    Noise and mere texture are none: a picture has masses of light and shade.
    """
    small = shrunk(rgb, FIRST_PX)
    grey = np.asarray(cv2.cvtColor(small, cv2.COLOR_RGB2GRAY), np.uint8)
    light = light_of(as_grey(cv2.medianBlur(grey, 3)), linear_light()) + np.float32(0.01)
    size = odd(0.12 * max(light.shape))
    bright = cv2.morphologyEx(light, cv2.MORPH_CLOSE, np.ones((size, size), np.uint8))
    dark = 1 - light / cv2.blur(bright, (size, size))
    most = max(0.1, float(np.quantile(dark, 0.995)))
    if (dark < BARE * most).mean() >= LEAST_BARE:
        return False
    return _has_masses(small) and not _is_two_tone(small) and not _has_ink(rgb)


def _is_two_tone(rgb: Bytes) -> bool:
    """True where two tones explain most of it: ink, however soft and noisy, on its ground."""
    tones = lightness(rgb).ravel()
    dark = tones < middle_tone(rgb)
    share = float(dark.mean())
    if not 0 < share < 1:
        return True
    apart = float(tones[~dark].mean() - tones[dark].mean())
    return share * (1 - share) * apart**2 > MOST_TWO_TONE * float(tones.var())


def _has_masses(rgb: Bytes) -> bool:
    soft = cv2.GaussianBlur(lightness(rgb), (0, 0), max(rgb.shape) / 40)
    low, high = np.quantile(soft, [0.1, 0.9])
    return bool(high - low >= LEAST_MASSES)


def _has_ink(rgb: Bytes) -> bool:
    """True where something drawn stands out from even paper, by the light that falls on it."""
    grey = best_grey(shrunk(rgb, SECOND_PX), linear_light())
    paper = stretched(paper_light(grey, linear_light()), grey.shape)
    dark = np.asarray(1 - light_of(grey, linear_light()) / paper, np.float32)
    try:
        full, noise = full_ink(dark, "")
    except NothingFoundError:
        return False
    plain = (cv2.medianBlur(dark, 3) < PLAIN * full).mean()
    return bool(noise < NOISIEST or plain > LEAST_PLAIN)


def dark_tone(rgb: Bytes) -> float:
    """The lightness (CIE L*, whole per cent) below which a picture of tones falls out.

    Where dark and light part best, but for so much that what is left carries the picture.
    """
    most = float(np.quantile(lightness(shrunk(rgb, SECOND_PX)), MOST_FALLS))
    return float(np.clip(round(min(most, middle_tone(rgb))), 10, 90))


def middle_tone(rgb: Bytes) -> float:
    """The lightness (CIE L*, whole per cent) that parts a picture best into dark and light.

    N. Otsu, "A threshold selection method from gray-level histograms", IEEE Trans. SMC 9, 1979.
    """
    tones = np.round(lightness(shrunk(rgb, SECOND_PX))).astype(np.uint8)
    limit, _ = cv2.threshold(tones, 0, 255, cv2.THRESH_BINARY | cv2.THRESH_OTSU)
    return float(limit + 1)
