"""Takes paper and light away: what is left is ink."""

from __future__ import annotations

import math
from contextlib import suppress
from dataclasses import dataclass, replace
from functools import cache

import cv2
import numpy as np
import numpy.typing as npt

from raster2path.errors import NothingFoundError
from raster2path.job import InkRules, PaperLines, Tone
from raster2path.model import Ink, Level, Mask, Note, NoteKind, Picture, frozen
from raster2path.picture._colours import (
    Colour,
    flat_colours,
    is_colourful,
    level_of_falls,
    level_of_tone,
    listed,
)
from raster2path.picture._pieces import mask_of
from raster2path.picture._rules import Rules, may_hold_rules, rule_light
from raster2path.picture._shrink import halved, shrunk, small_size

Bytes = npt.NDArray[np.uint8]
Floats = npt.NDArray[np.float32]

SHARPEST_PHOTO_PX = 0.55
"""Edges less blurred than this were drawn by a computer; halving is then right in the picture's
own values. Halving a photograph there moves every edge by half a pixel; in linear light by 0.04.
Measured on lettering with known outlines: drawn by a computer 0.37 to 0.46, photographs 0.6 up."""

SMALL_PX = 480
"""Long side of the copy on which paper and light are found; light has no finer detail."""

STEEPEST_SHADOW = 0.12
"""Steps of the logarithm of light, for one pixel of the small copy; what is steeper is ink."""

DARKEST = 0.002
"""Light is never taken to be less, so that its logarithm keeps its feet on the ground."""

FAINTEST = 0.06
"""Darkening of paper that can still be told from the paper itself."""

SHALLOWEST = (0.42, 0.55)
"""A stroke down to this share of the drawing's full ink is halved at its own height; fainter
ones (show-through, smudges) fade away. The lower share on clean paper, the higher on noisy."""

CLEAR = 6.0
"""Times the paper's noise that the shallowest stroke has to be dark."""


LARGE_PX = 3e6
"""Pixels above which how dark ink is gets measured on a picture of half the size."""

BAND_PX = 48
"""Rows that are worked on at a time; so few stay near the processor."""

STRONGEST_RULE = 0.9
"""Of full ink; evenly spaced lines that are as dark as all the rest were drawn, unless they run
through from rim to rim."""

_PLAIN = InkRules()


def find_ink(picture: Picture, *, rules: InkRules = _PLAIN) -> Ink:
    """What is dark in a picture once light and paper are taken away.

    Args:
        picture: upright, squared up where that could be done.
        rules: whether light was drawn on dark instead, and whether printed lines are kept.
            Where nothing is said, light is ink if the picture is dark nearly all over.

    Returns:
        Ink whose mask is where `level` is at least 0.5, but for specks left out, pinholes filled
        and faint marks that nowhere grow dark.

    Raises:
        NothingFoundError: the picture is of one tone, or only noise.
    """
    if rules.says_falls:
        return _falls(picture, rules)
    if rules.tone is Tone.LIGHT:
        return _ink_of(picture, rules)
    ink = _of_flat_artwork(picture) or _ink_of(picture, rules)
    if rules.tone is Tone.DARK or not _is_dark_all_round(ink.mask):
        return ink
    with suppress(NothingFoundError):
        light = _ink_of(picture, replace(rules, tone=Tone.LIGHT))
        if not _is_dark_all_round(light.mask):
            return replace(light, notes=(*light.notes, _LIGHT_NOTE))
    return replace(ink, notes=(*ink.notes, _DARK_NOTE))


def _of_flat_artwork(picture: Picture) -> Ink | None:
    """Ink of flat artwork in several colours: those nearer to its darkest than to its paper."""
    colours = flat_colours(picture.rgb) if is_colourful(picture.rgb) else ()
    if len(colours) < 3 or _blur_and_light(picture.rgb)[1] is _linear():
        return None  # ink and paper alone; or a photograph, whose ground may have colours as well
    brightness = [float(np.dot(colour.rgb, (0.299, 0.587, 0.114))) for colour in colours]
    limit = (max(brightness) + min(brightness)) / 2
    dark = tuple(k for k, value in enumerate(brightness, start=1) if value < limit)
    names = ", ".join(str(k) for k in dark)
    sentence = f"colours: {listed(colours)}; {names} taken as ink, being dark"
    note = Note(NoteKind.PICTURE, sentence, remedy="say --falls N,N for those that fall out")
    return _of_colours(picture, colours, dark, note)


def _falls(picture: Picture, rules: InkRules) -> Ink:
    """What falls out by colour or by tone, as if it were ink."""
    if rules.falls_darker_than is not None:
        level = level_of_tone(picture.rgb, rules.falls_darker_than)
        return _of_level(picture, level, is_photograph=True, blur_px=1.0)
    colours = flat_colours(picture.rgb)
    numbers = tuple(int(number) for number in rules.falls or ())
    note = Note(NoteKind.PICTURE, f"colours of the picture: {listed(colours)}")
    return _of_colours(picture, colours, numbers, note)


def _of_colours(
    picture: Picture, colours: tuple[Colour, ...], numbers: tuple[int, ...], note: Note
) -> Ink:
    blur_px, light = _blur_and_light(picture.rgb)
    level = level_of_falls(picture.rgb, light, colours, numbers)
    is_photograph = light is _linear()
    return _of_level(picture, level, is_photograph=is_photograph, blur_px=blur_px, notes=(note,))


def _blur_and_light(rgb: Bytes) -> tuple[float, Floats]:
    """How blurred edges are, and the light of each byte value: linear for a photograph."""
    plain = np.arange(256, dtype=np.float32) / np.float32(255)
    grey = np.asarray(cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY), np.uint8)
    blur_px = _blur(_edge_profiles(grey), plain)
    return blur_px, _linear() if blur_px >= SHARPEST_PHOTO_PX else plain


def _of_level(
    picture: Picture,
    level: Level,
    *,
    is_photograph: bool,
    blur_px: float,
    notes: tuple[Note, ...] = (),
) -> Ink:
    mask, pen_px = mask_of(level, picture.name)
    frozen(mask)
    frozen(level)
    return Ink(mask, level, is_photograph, blur_px, pen_px, notes)


def _ink_of(picture: Picture, rules: InkRules) -> Ink:
    is_light = rules.tone is Tone.LIGHT
    rgb = np.asarray(cv2.bitwise_not(picture.rgb), np.uint8) if is_light else picture.rgb
    linear = _linear_from_white() if is_light else _linear()
    grey = _best_grey(rgb, linear)
    profiles = _edge_profiles(grey)
    is_photograph = _blur(profiles, np.arange(256, dtype=np.float32)) >= SHARPEST_PHOTO_PX
    light = linear if is_photograph else np.linspace(0, 1, 256, dtype=np.float32)
    flat = _flat_tones(grey)
    if flat is not None:
        found = _Found(_level_of_flat(grey, light, flat))
    else:
        keeps_rules = rules.paper_lines is PaperLines.KEEP
        found = _level_of_photograph(grey, light, picture.name, keeps_rules=keeps_rules)
    level, notes = found.level, found.notes()
    mask, pen_px = found.mask(picture.name, is_photograph=is_photograph)
    if is_photograph and not picture.is_squared:
        beyond = _surroundings(mask, level)
        if beyond is not None and (mask & ~beyond).any():
            level[beyond] = 0
            mask, pen_px = found.mask(picture.name, is_photograph=is_photograph)
            notes = (*notes, _SURROUNDINGS_NOTE)
    frozen(mask)
    frozen(level)
    blur_px = _blur(profiles, light)
    return Ink(mask, level, is_photograph, blur_px, pen_px, notes)


# ---------------------------------------------------------------- tones


@cache
def _linear() -> Floats:
    """Linear light of an sRGB byte (IEC 61966-2-1)."""
    v = np.arange(256) / 255
    return np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4).astype(np.float32)


@cache
def _linear_from_white() -> Floats:
    """What a byte lacks of white light, where the picture was turned to its negative."""
    return np.asarray(1 - _linear()[::-1], np.float32)


def _best_grey(rgb: Bytes, linear: Floats) -> Bytes:
    """Grey from the mix of channels in which the ink stands out most from its paper."""
    small = shrunk(rgb, SMALL_PX)
    light = _lit(small, linear) + np.float32(0.01)
    size = _odd(0.04 * max(small.shape[:2]))
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


def _lit(grey: Bytes, light: Floats) -> Floats:
    return np.asarray(cv2.LUT(grey, light), np.float32)


def _grey(image: npt.ArrayLike) -> Bytes:
    return np.asarray(image, np.uint8)


def _odd(size_px: float) -> int:
    return 2 * round(size_px / 2) + 1


# ---------------------------------------------------------------- blur

REACH_PX = 8
"""Half the length of the profiles across edges."""


def _edge_profiles(grey: Bytes) -> npt.NDArray[np.uint8]:
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


def _blur(profiles: npt.NDArray[np.uint8], light: Floats) -> float:
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


# ---------------------------------------------------------------- drawn by a computer


def _flat_tones(grey: Bytes) -> tuple[int, int] | None:
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


def _level_of_flat(grey: Bytes, light: Floats, tones: tuple[int, int]) -> Level:
    white, black = tones
    table = (light[white] - light) / np.float32(light[white] - light[black])
    return np.asarray(cv2.LUT(grey, np.clip(table, 0, 1).astype(np.float32)), np.float32)


# ---------------------------------------------------------------- paper and light


@dataclass(frozen=True, slots=True, eq=False)
class _Found:
    """The level of ink, and what it was made from.

    Attributes:
        level: 0.5 at edges.
        local: how dark ink is nearby, as a share of full ink, on a smaller grid.
        rules: the lines printed on the paper that were taken out.
    """

    level: Level
    local: Floats | None = None
    rules: Rules | None = None

    def mask(self, name: str, *, is_photograph: bool) -> tuple[Mask, float]:
        """See `mask_of`."""
        on_rule = None
        if self.rules is not None:
            on_rule = _stretched(self.rules.light, self.level.shape) < 0.97
        return mask_of(
            self.level, name, local=self.local, on_rule=on_rule, is_photograph=is_photograph
        )

    def notes(self) -> tuple[Note, ...]:
        """What is to be said about it."""
        return () if self.rules is None else (_rules_note(self.rules.n_rules),)


def _level_of_photograph(grey: Bytes, light: Floats, name: str, *, keeps_rules: bool) -> _Found:
    """Darkening over that of the ink nearby, so that 0.5 is half-way between paper and ink."""
    half = halved(grey) if grey.size > LARGE_PX else grey
    paper = _paper(half, light)
    dark = _darkening(half, light, paper)
    rules = None if keeps_rules else _printed_rules(dark, name)
    if rules is not None:
        dark = np.asarray(1 - (1 - dark) / rules.light, np.float32)
    full, noise = _full_ink(dark, name)
    local = _local_ink(dark, full, float(np.clip(CLEAR * noise / full, *SHALLOWEST)))
    # (1 - light / paper) / local, whose two grids are stretched to the whole picture.
    one = np.asarray(cv2.divide(1 / full, local), np.float32)
    shape = local.shape if rules is None else rules.light.shape
    other = np.asarray(cv2.divide(_stretched(one, shape), _stretched(paper, shape)), np.float32)
    if rules is not None:
        other /= rules.light
    return _Found(_level_from(grey, light, one, other), local, rules)


def _printed_rules(dark: Floats, name: str) -> Rules | None:
    """Lines printed on the paper; None where what looks like them is the drawing itself."""
    rules = rule_light(dark) if may_hold_rules(dark) else None
    if rules is None:
        return None
    with suppress(NothingFoundError):
        rest = np.asarray(1 - (1 - dark) / rules.light, np.float32)
        full, _ = _full_ink(rest, name)
        if rules.strength < full * (1.5 if rules.run_through else STRONGEST_RULE):
            return rules
    return None


def _rules_note(n_rules: int) -> Note:
    sentence = f"{n_rules} printed lines of the paper were taken out"
    return Note(NoteKind.PICTURE, sentence, remedy="say --paper-lines keep if they are drawn")


def _darkening(grey: Bytes, light: Floats, paper: Floats) -> Floats:
    """How much of its paper's light each pixel lacks: 0 on paper, towards 1 in black ink."""
    wide = _stretched(paper, grey.shape)
    dark = cv2.divide(_lit(grey, light), wide, dst=wide)
    return np.asarray(np.subtract(np.float32(1), dark, out=dark), np.float32)


def _stretched(grid: Floats, shape: tuple[int, ...]) -> Floats:
    size = (shape[1], shape[0])
    return np.asarray(cv2.resize(grid, size, interpolation=cv2.INTER_LINEAR), np.float32)


def _level_from(grey: Bytes, light: Floats, one: Floats, other: Floats) -> Level:
    """`one` less `other` times the light, both stretched to the picture.

    Band by band, so that nothing as large as the picture is made but the level itself: new
    memory takes longer than the sums.
    """
    rows, cols = grey.shape
    one, other = (_stretched(grid, (rows, grid.shape[1])) for grid in (one, other))
    level = np.empty((rows, cols), np.float32)
    for top in range(0, rows, BAND_PX):
        band = slice(top, min(top + BAND_PX, rows))
        shape = level[band].shape
        lit = cv2.multiply(_lit(grey[band], light), _stretched(other[band], shape))
        cv2.subtract(_stretched(one[band], shape), lit, dst=level[band])
    return level


def _paper(grey: Bytes, light: Floats) -> Floats:
    """The light that bare paper would give, on a small copy.

    Thin strokes are closed over. Then steep steps are taken out of the logarithm and the rest is
    put together again (after Horn, "Determining lightness from an image", 1974, doi
    10.1016/0146-664X(74)90022-7), so that a soft shadow is light and a large black area is ink.
    What comes out paper-like is smoothed; below ink it is filled in from around.
    """
    # Several pixels go into one, or grain and noise would look steep.
    small_px = min(SMALL_PX, max(120, max(grey.shape) // 3))
    middle = shrunk(grey, 2 * small_px)
    size = _odd(0.02 * max(middle.shape))
    closed = cv2.morphologyEx(cv2.blur(middle, (3, 3)), cv2.MORPH_CLOSE, np.ones((size, size)))
    tone = np.log(np.maximum(_lit(shrunk(_grey(closed), small_px), light), DARKEST))
    shade, gentle = _without_steps(tone)
    rest = tone - shade
    top = _upper_mode(rest)
    # The steps taken out bend the rest a little, so paper is sought well below its brightest.
    drop = float(np.clip(0.3 * (top - np.quantile(rest, 0.02)), 0.12, 0.4))
    is_paper = _spread(rest > top - drop, gentle & (rest > top - 3 * drop))
    coarse_px = max(tone.shape) / 4
    paper = shade + _filled(rest, is_paper, finest_px=9, coarsest_px=coarse_px)
    tone = np.log(np.maximum(shrunk(_lit(middle, light), small_px), DARKEST))
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
    side = _odd(size_px * 2 / factor)
    for _ in range(3):
        values = np.asarray(
            cv2.blur(values, (side, side), borderType=cv2.BORDER_REFLECT_101), np.float32
        )
    return _stretched(values, shape) if factor > 1 else values


# ---------------------------------------------------------------- how dark is ink


def _full_ink(dark: Floats, name: str) -> tuple[float, float]:
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


def _local_ink(dark: Floats, full: float, shallowest: float) -> Floats:
    """Darkening by the strokes nearby, as a share of `full`: 1, or less where they are fainter."""
    share = np.clip(dark / np.float32(full), 0, 1.2)
    fourth = share * share
    fourth *= fourth
    share *= fourth
    share, fourth = _about(share, 2 * SMALL_PX), _about(fourth, 2 * SMALL_PX)
    size_px = 0.006 * max(share.shape)
    local = _soft(share, size_px) / (_soft(fourth, size_px) + np.float32(1e-6))
    # Full ink down to 0.85, so that grain does not move edges; then down to a stroke's own.
    eased = np.interp(local, [0, shallowest, 0.7, 0.85], [shallowest, shallowest, 0.7, 1])
    return np.asarray(eased, np.float32)


def _about(values: Floats, long_side_px: int) -> Floats:
    """Shrunk to about this long a side: by halves where that comes near, which is quicker."""
    while max(values.shape) >= 1.9 * long_side_px:
        values = halved(values)
    return values if max(values.shape) <= 1.1 * long_side_px else shrunk(values, long_side_px)


# ---------------------------------------------------------------- what is round the paper

_SURROUNDINGS_NOTE = Note(
    NoteKind.PICTURE,
    "what looks like table, cloth or hand at the picture's rim was left out",
    remedy="crop the picture to the paper if that is wrong",
)


def _surroundings(mask: Mask, level: Level) -> Mask | None:
    """What lies round the paper at the picture's rim, a little wider than it looks; or None.

    Broad areas that run off the picture and are less even than ink (cloth, skin), or darker than
    all the ink (a gap beside the pad). Ink measured 0.05 and 1.0; cloth and hand 0.09 to 0.13.
    """
    small = cv2.resize(
        mask.astype(np.uint8) * np.uint8(255), small_size(mask, 400), interpolation=cv2.INTER_AREA
    )
    tone = shrunk(level, 400)
    # Continued beyond the rim, so that a corner is as broad as it will look.
    padded = np.pad((np.asarray(small) > 127).astype(np.uint8), 20, mode="edge")
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (15, 15))
    broad = np.asarray(cv2.morphologyEx(padded, cv2.MORPH_OPEN, disc))[20:-20, 20:-20]
    n, labels = cv2.connectedComponents(broad)
    inner = cv2.erode(broad, np.ones((5, 5), np.uint8)) > 0
    groups: dict[int, list[npt.NDArray[np.intp]]] = {}
    for k in range(1, n):
        area = labels == k
        contacts = [int(rim.sum()) for rim in (area[0], area[-1], area[:, 0], area[:, -1])]
        tones = tone[area & inner]
        is_odd = len(tones) > 40 and (tones.std() > 0.08 or tones.mean() > 1.15)
        if is_odd and max(contacts) > 8:
            groups.setdefault(int(np.argmax(contacts)), []).append(np.argwhere(area)[:, ::-1])
    if not groups:
        return None
    beyond = np.zeros(broad.shape, np.uint8)
    for parts in groups.values():  # what lies between two folds is cloth, too
        hull = cv2.convexHull(np.concatenate(parts).astype(np.int32))
        cv2.fillConvexPoly(beyond, hull, 1)
    around = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (19, 19))
    beyond = np.asarray(cv2.dilate(beyond, around), np.uint8)
    size = mask.shape[::-1]
    return np.asarray(cv2.resize(beyond, size, interpolation=cv2.INTER_NEAREST) > 0, np.bool_)


_DARK_NOTE = Note(
    NoteKind.PICTURE,
    "most of the picture is dark, its rim too; dark was taken as ink all the same",
    remedy="say --ink light if light is drawn",
)
_LIGHT_NOTE = Note(
    NoteKind.PICTURE,
    "the picture is light on dark, so light was taken as ink",
    remedy="say --ink dark if that is wrong",
)


def _is_dark_all_round(mask: Mask) -> bool:
    rim = np.concatenate([mask[0], mask[-1], mask[:, 0], mask[:, -1]])
    return bool(rim.mean() > 0.8 and mask.mean() > 0.5)
