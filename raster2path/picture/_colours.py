"""A customer's picture in colour: its flat colours listed, and what falls out by colour or tone.

Private to the folder. Colours are told apart in CIELAB (CIE 15), where equal distances look about
equal; a pixel on the border of two is a mixture of just those, in the light domain of the picture,
so that its share says where the border runs.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from raster2path.errors import NothingFoundError, UsageError
from raster2path.model import Level, Mask
from raster2path.picture._shrink import shrunk

Bytes = npt.NDArray[np.uint8]
Floats = npt.NDArray[np.float32]

ALIKE = 14.0
"""Distance in CIELAB below which two tones are one colour: paint and JPEG are not quite even."""

LEAST_SHARE = 0.004
"""Of the picture, that a colour covers; less is a blemish."""

MOST_COLOURS = 12
"""More, and the picture is no flat artwork."""

FLAT_SHARE = 0.6
"""Of the picture's pixels that lie within areas of one colour, for flat artwork."""

_SMALL_PX = 700
_SPECK = (
    0.008  # of the long side: tone areas and holes less wide are merged with what is round them
)


@dataclass(frozen=True, slots=True)
class Colour:
    """One flat colour of a picture: its name, its sRGB value and its share of the area."""

    name: str
    rgb: tuple[int, int, int]
    share: float


def flat_colours(rgb: Bytes) -> tuple[Colour, ...]:
    """The flat colours of a picture, the largest first; none where it is no flat artwork."""
    small = np.asarray(cv2.medianBlur(shrunk(rgb, _SMALL_PX), 3), np.uint8)
    lab = _lab(small)
    steps = cv2.dilate(lab, np.ones((3, 3))) - cv2.erode(lab, np.ones((3, 3)))
    inner = np.asarray(steps).max(axis=2) < 0.6 * ALIKE
    if inner.mean() < FLAT_SHARE:
        return ()
    tones, shown = lab[inner], small[inner]
    colours: list[Colour] = []
    left = np.ones(len(tones), np.bool_)
    while len(colours) <= MOST_COLOURS and left.sum() >= LEAST_SHARE * len(tones):
        near = _around_mode(tones, left)
        share = float(near.sum() / len(tones))
        if share >= LEAST_SHARE:
            red, green, blue = (int(v) for v in np.rint(np.median(shown[near], axis=0)))
            name = _name(tuple(np.median(tones[near], axis=0)))
            colours.append(Colour(name, (red, green, blue), share))
        left &= ~near
    known = sum(colour.share for colour in colours)
    if len(colours) > MOST_COLOURS or known < 0.9:
        return ()
    return tuple(sorted(_numbered(colours), key=lambda colour: -colour.share))


def is_colourful(rgb: Bytes) -> bool:
    """A quick look: True where more than a touch of the picture has a clear colour."""
    step = max(1, max(rgb.shape) // 300)
    small = rgb[::step, ::step].astype(np.int16)
    return bool((small.max(axis=2) - small.min(axis=2) > 60).mean() > 0.03)


def _lab(rgb: Bytes) -> Floats:
    scaled = rgb.astype(np.float32) / np.float32(255)
    return np.asarray(cv2.cvtColor(scaled, cv2.COLOR_RGB2LAB), np.float32)


def _around_mode(tones: Floats, left: Mask) -> Mask:
    """Those of the tones left that lie near the commonest one."""
    cells = np.floor((tones[left] + (0, 128, 128)) / 6).astype(np.int64)
    keys = (cells[:, 0] * 64 + cells[:, 1]) * 64 + cells[:, 2]
    values, counts = np.unique(keys, return_counts=True)
    middle = tones[left][keys == values[counts.argmax()]].mean(axis=0)
    for _ in range(3):
        near = left & (np.square(tones - middle).sum(axis=1) < ALIKE**2)
        middle = np.median(tones[near], axis=0)
    return np.asarray(near, np.bool_)


def _name(lab: tuple[float, ...]) -> str:
    """A colour in a maker's words."""
    lightness, a, b = lab
    chroma, hue = math.hypot(a, b), math.degrees(math.atan2(b, a)) % 360
    if chroma < 10:
        limits = ((12, "black"), (38, "dark grey"), (68, "grey"), (92, "pale grey"))
        return next((name for limit, name in limits if lightness < limit), "white")
    hues = (
        (20, "pink" if lightness > 55 else "crimson"),
        (48, "red"),
        (75, "orange" if lightness > 50 else "brown"),
        (108, "yellow" if lightness > 60 else "olive"),
        (170, "green"),
        (225, "teal"),
        (275, "blue" if chroma > 25 or lightness < 70 else "pale blue"),
        (310, "blue"),
        (335, "violet"),
        (361, "pink"),
    )
    name = next(name for limit, name in hues if hue < limit)
    if name in {"red", "green", "teal", "blue", "violet"} and not 28 <= lightness <= 78:
        name = f"{'dark' if lightness < 28 else 'pale'} {name}"
    return name


def _numbered(colours: list[Colour]) -> list[Colour]:
    """The same, a second grey called `grey 2`."""
    seen: dict[str, int] = {}
    out = []
    for colour in colours:
        seen[colour.name] = seen.get(colour.name, 0) + 1
        n = seen[colour.name]
        name = colour.name if n == 1 else f"{colour.name} {n}"
        out.append(Colour(name, colour.rgb, colour.share))
    return out


def listed(colours: tuple[Colour, ...]) -> str:
    """Numbers, names and shares for a line of text."""
    words = (f"{k} {c.name} {100 * c.share:.0f} %" for k, c in enumerate(colours, start=1))
    return ", ".join(words)


# ---------------------------------------------------------------- what falls out


def level_of_falls(
    rgb: Bytes, light: Floats, colours: tuple[Colour, ...], falls: tuple[int, ...]
) -> Level:
    """1 where a colour falls out, 0 where one stays, and the share of a mixture between.

    Args:
        rgb: the picture.
        light: of each byte value, in the domain in which its borders mix.
        colours: as found.
        falls: numbers of the colours that fall out, from 1.

    Raises:
        UsageError: there is no such colour, or all of them or none fall.
    """
    if not colours:
        raise UsageError(
            "--falls: the picture has no flat colours; say --falls-darker-than PERCENT instead"
        )
    chosen = [1 <= k + 1 <= len(colours) and k + 1 in falls for k in range(len(colours))]
    wrong = [k for k in falls if not 1 <= k <= len(colours)]
    if wrong or not any(chosen) or all(chosen):
        what = f"there is no colour {wrong[0]}" if wrong else "some colours must fall, some stay"
        raise UsageError(f"--falls: {what}; the picture has {listed(colours)}")
    places = np.asarray(cv2.LUT(rgb, light), np.float32)
    away = [_distance(places, light[np.array(colour.rgb)]) for colour in colours]
    nearest = np.argmin(away, axis=0).astype(np.uint8)
    window = np.ones((3, 3), np.uint8)
    inner = np.asarray(cv2.dilate(nearest, window)) == np.asarray(cv2.erode(nearest, window))
    best = [np.full(rgb.shape[:2], np.inf, np.float32) for _ in range(2)]
    for k, distance in enumerate(away):
        # Only colours that lie next to a pixel can be mixed in it: a border of black and white
        # passes through grey, which is no border of grey.
        beside = np.asarray(cv2.dilate(((nearest == k) & inner).astype(np.uint8), np.ones((7, 7))))
        side = best[int(chosen[k])]
        np.minimum(side, np.where(beside > 0, distance, np.inf), out=side)
    stays, goes = best
    total = stays + goes
    plain = np.where(np.isfinite(goes) | ~np.isfinite(stays), 1.0, 0.0)
    plain = np.where(np.isinf(stays) & np.isinf(goes), np.array(chosen)[nearest], plain)
    with np.errstate(invalid="ignore", divide="ignore"):
        mixed = stays / total
    return np.asarray(np.where(np.isfinite(total) & (total > 0), mixed, plain), np.float32)


def _distance(places: Floats, colour: Floats) -> Floats:
    return np.asarray(np.sqrt(np.square(places - colour).sum(axis=2)), np.float32)


def lightness(rgb: Bytes) -> Floats:
    """CIE L*, 0 to 100, of each pixel."""
    return np.ascontiguousarray(_lab(rgb)[..., 0])


def level_of_tone(rgb: Bytes, darker_than: float) -> Level:
    """1 where a tone picture is clearly darker than a lightness (CIE L*, 0 to 100), 0 where not.

    Fur, grain and whatever is too small for a torch are smoothed over.

    Raises:
        NothingFoundError: nothing is darker, or everything.
    """
    long_px = max(rgb.shape[:2])
    tones = lightness(rgb)
    soft = cv2.GaussianBlur(tones, (0, 0), max(1.0, long_px / 500))
    level: Level = np.clip(0.5 + (darker_than - np.asarray(soft)) / 12, 0, 1).astype(np.float32)
    dark = (level >= 0.5).astype(np.uint8)
    if dark.all() or not dark.any():
        low, high = (float(v) for v in np.quantile(tones, [0.02, 0.98]))
        raise NothingFoundError(
            f"nothing is left to tell apart at {darker_than:g} %; "
            f"the picture's tones lie between {low:.0f} and {high:.0f} %"
        )
    least_px2 = (_SPECK * long_px) ** 2
    for tone in (1, 0):
        n, labels, stats, _ = cv2.connectedComponentsWithStats(
            (dark == tone).astype(np.uint8), connectivity=4
        )
        is_small = stats[:, cv2.CC_STAT_AREA] < least_px2
        is_small[0] = False
        small = is_small[np.asarray(labels)] if n > 1 else np.zeros(dark.shape, np.bool_)
        dark[small] = 1 - tone
        around = np.asarray(cv2.dilate(small.astype(np.uint8), np.ones((5, 5), np.uint8))) > 0
        level[around] = dark[around]
    return level
