"""Takes paper and light away: what is left is ink."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass, replace

import cv2
import numpy as np
import numpy.typing as npt

from raster2path.errors import NothingFoundError
from raster2path.job import InkRules, PaperLines, Tone
from raster2path.model import Ink, Level, Mask, Note, NoteKind, Picture, frozen
from raster2path.picture._binding import binding
from raster2path.picture._colours import (
    Colour,
    flat_colours,
    is_colourful,
    level_of_falls,
    level_of_tone,
    listed,
)
from raster2path.picture._light import full_ink, local_ink, paper_light, stretched
from raster2path.picture._pieces import Swept, mask_of
from raster2path.picture._rules import Rules, may_hold_rules, rule_light
from raster2path.picture._shrink import halved, shrunk
from raster2path.picture._stray import stray
from raster2path.picture._tonal import dark_tone, is_tonal
from raster2path.picture._tones import (
    LARGE_PX,
    SHARPEST_PHOTO_PX,
    best_grey,
    blur_of,
    edge_profiles,
    flat_tones,
    level_of_flat,
    light_of,
    linear_from_white,
    linear_light,
)

Bytes = npt.NDArray[np.uint8]
Floats = npt.NDArray[np.float32]

SHALLOWEST = (0.42, 0.55)
"""A stroke down to this share of the drawing's full ink is halved at its own height; fainter
ones (show-through, smudges) fade away. The lower share on clean paper, the higher on noisy."""

CLEAR = 6.0
"""Times the paper's noise that the shallowest stroke has to be dark."""


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
            Where nothing is said, light is ink if the picture is dark nearly all over, and a
            picture of tones without paper is parted in two.

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
    if rules.tone is None and is_tonal(picture.rgb):
        percent = dark_tone(picture.rgb)
        return _of_tones(picture, percent, _tones_note(percent))
    if rules.tone is None and _is_on_dark_ground(picture.rgb):
        with suppress(NothingFoundError):
            light = _ink_of(picture, replace(rules, tone=Tone.LIGHT))
            return replace(light, notes=(*light.notes, _LIGHT_NOTE))
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
    if not is_colourful(picture.rgb) or _blur_and_light(picture.rgb)[1] is linear_light():
        return None  # without colours; or a photograph, whose ground may have some as well
    colours = flat_colours(picture.rgb)
    if len(colours) < 3:
        return None  # ink and paper alone
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
        return _of_tones(picture, rules.falls_darker_than)
    colours = flat_colours(picture.rgb)
    numbers = tuple(int(number) for number in rules.falls or ())
    note = Note(NoteKind.PICTURE, f"colours of the picture: {listed(colours)}")
    return _of_colours(picture, colours, numbers, note)


def _tones_note(percent: float) -> Note:
    sentence = f"it looks like a picture of light and shade, parted at {percent:.0f} %"
    remedy = "say --falls-darker-than for more or less; --ink dark if it is a drawing"
    return Note(NoteKind.PICTURE, sentence, remedy=remedy)


def _of_tones(picture: Picture, percent: float, *notes: Note) -> Ink:
    """What is darker than that, of a picture of tones."""
    level = level_of_tone(picture.rgb, percent)
    ink = _of_level(picture, level, is_photograph=True, blur_px=1.0, notes=notes)
    return replace(ink, falls_below=percent)


def _of_colours(
    picture: Picture, colours: tuple[Colour, ...], numbers: tuple[int, ...], note: Note
) -> Ink:
    blur_px, light = _blur_and_light(picture.rgb)
    level = level_of_falls(picture.rgb, light, colours, numbers)
    is_photograph = light is linear_light()
    return _of_level(picture, level, is_photograph=is_photograph, blur_px=blur_px, notes=(note,))


def _blur_and_light(rgb: Bytes) -> tuple[float, Floats]:
    """How blurred edges are, and the light of each byte value: linear for a photograph."""
    plain = np.arange(256, dtype=np.float32) / np.float32(255)
    grey = np.asarray(cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY), np.uint8)
    blur_px = blur_of(edge_profiles(grey), plain)
    return blur_px, linear_light() if blur_px >= SHARPEST_PHOTO_PX else plain


def _of_level(
    picture: Picture,
    level: Level,
    *,
    is_photograph: bool,
    blur_px: float,
    notes: tuple[Note, ...] = (),
) -> Ink:
    swept = mask_of(level, picture.name)
    mask, pen_px = swept.mask, swept.pen_px
    frozen(mask)
    frozen(level)
    return Ink(mask, level, is_photograph, blur_px, pen_px, notes)


def _ink_of(picture: Picture, rules: InkRules) -> Ink:
    is_light = rules.tone is Tone.LIGHT
    rgb = np.asarray(cv2.bitwise_not(picture.rgb), np.uint8) if is_light else picture.rgb
    linear = linear_from_white() if is_light else linear_light()
    grey = best_grey(rgb, linear)
    profiles = edge_profiles(grey)
    is_photograph = blur_of(profiles, np.arange(256, dtype=np.float32)) >= SHARPEST_PHOTO_PX
    light = linear if is_photograph else np.linspace(0, 1, 256, dtype=np.float32)
    flat = flat_tones(grey)
    if flat is not None:
        found = _Found(level_of_flat(grey, light, flat))
    else:
        keeps_rules = rules.paper_lines is PaperLines.KEEP
        found = _level_of_photograph(grey, light, picture.name, keeps_rules=keeps_rules)
    level, notes = found.level, found.notes()
    swept = found.swept(picture.name, is_photograph=is_photograph)
    mask = swept.mask
    beyond, more = _beyond(level, picture) if is_photograph else (None, ())
    if beyond is not None and (mask & ~beyond).any():
        level[beyond] = 0
        swept = found.swept(picture.name, is_photograph=is_photograph)
        mask = swept.mask
        notes = (*notes, *more)
    cut_off = stray(mask) if is_photograph else None
    if cut_off is not None:
        level[cut_off], mask[cut_off] = 0, False
        notes = (*notes, _STRAY_NOTE)
    notes = (*notes, *_left_out_notes(swept))
    if is_photograph and not picture.is_squared:
        notes = (*notes, _WHOLE_NOTE)
    frozen(mask)
    frozen(level)
    blur_px = blur_of(profiles, light)
    return Ink(mask, level, is_photograph, blur_px, swept.pen_px, notes)


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

    def swept(self, name: str, *, is_photograph: bool) -> Swept:
        """See `mask_of`."""
        on_rule = None
        if self.rules is not None:
            on_rule = stretched(self.rules.light, self.level.shape) < 0.97
        return mask_of(
            self.level, name, local=self.local, on_rule=on_rule, is_photograph=is_photograph
        )

    def notes(self) -> tuple[Note, ...]:
        """What is to be said about it."""
        return () if self.rules is None else (_rules_note(self.rules.n_rules),)


def _level_of_photograph(grey: Bytes, light: Floats, name: str, *, keeps_rules: bool) -> _Found:
    """Darkening over that of the ink nearby, so that 0.5 is half-way between paper and ink."""
    half = halved(grey) if grey.size > LARGE_PX else grey
    paper = paper_light(half, light)
    dark = _darkening(half, light, paper)
    rules = None if keeps_rules else _printed_rules(dark, name)
    if rules is not None:
        dark = np.asarray(1 - (1 - dark) / rules.light, np.float32)
    full, noise = full_ink(dark, name)
    local = local_ink(dark, full, float(np.clip(CLEAR * noise / full, *SHALLOWEST)))
    # (1 - light / paper) / local, whose two grids are stretched to the whole picture.
    one = np.asarray(cv2.divide(1 / full, local), np.float32)
    shape = local.shape if rules is None else rules.light.shape
    other = np.asarray(cv2.divide(stretched(one, shape), stretched(paper, shape)), np.float32)
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
        full, _ = full_ink(rest, name)
        if rules.strength < full * (1.5 if rules.run_through else STRONGEST_RULE):
            return rules
    return None


def _rules_note(n_rules: int) -> Note:
    sentence = f"{n_rules} printed lines of the paper were taken out"
    return Note(NoteKind.PICTURE, sentence, remedy="say --paper-lines keep if they are drawn")


def _darkening(grey: Bytes, light: Floats, paper: Floats) -> Floats:
    """How much of its paper's light each pixel lacks: 0 on paper, towards 1 in black ink."""
    wide = stretched(paper, grey.shape)
    dark = cv2.divide(light_of(grey, light), wide, dst=wide)
    return np.asarray(np.subtract(np.float32(1), dark, out=dark), np.float32)


def _level_from(grey: Bytes, light: Floats, one: Floats, other: Floats) -> Level:
    """`one` less `other` times the light, both stretched to the picture.

    Band by band, so that nothing as large as the picture is made but the level itself: new
    memory takes longer than the sums.
    """
    rows, cols = grey.shape
    one, other = (stretched(grid, (rows, grid.shape[1])) for grid in (one, other))
    level = np.empty((rows, cols), np.float32)
    for top in range(0, rows, BAND_PX):
        band = slice(top, min(top + BAND_PX, rows))
        shape = level[band].shape
        lit = cv2.multiply(light_of(grey[band], light), stretched(other[band], shape))
        cv2.subtract(stretched(one[band], shape), lit, dst=level[band])
    return level


# ---------------------------------------------------------------- what is round the paper

_SURROUNDINGS_NOTE = Note(
    NoteKind.PICTURE,
    "what looks like table, cloth or hand at the picture's rim was left out",
    remedy="crop the picture to the paper if that is wrong",
)


def _binding_note(n_holes: int) -> Note:
    what = f"a row of about {n_holes} holes along one side of the paper was left out"
    rest = "with all that lies beyond it"
    return Note(NoteKind.PICTURE, f"{what}, {rest}", remedy="crop the picture if that was drawn")


def _left_out_notes(swept: Swept) -> tuple[Note, ...]:
    """What was taken for the paper's or the hand's, and not for the drawing's."""
    told = []
    if swept.n_punched:
        told.append(f"{swept.n_punched} holes punched in the paper were left out")
    if swept.n_thumbs == 1:
        told.append("a thumb in a corner of the picture was left out")
    elif swept.n_thumbs:
        told.append(f"{swept.n_thumbs} thumbs in corners of the picture were left out")
    remedy = "crop the picture a little if that was drawn"
    return tuple(Note(NoteKind.PICTURE, sentence, remedy=remedy) for sentence in told)


_STRAY_NOTE = Note(
    NoteKind.PICTURE,
    "what the picture's rim cuts off, far from the drawing, was left out",
    remedy="photograph all of it if it belongs to the drawing",
)


def _beyond(level: Level, picture: Picture) -> tuple[Mask | None, tuple[Note, ...]]:
    """What is not of the drawing at the picture's rim, and what is said about it."""
    bound = binding(level)
    around = None if picture.is_squared else _surroundings(level)
    notes = () if bound is None else (_binding_note(bound.n_holes),)
    if around is not None:
        notes = (*notes, _SURROUNDINGS_NOTE)
    if bound is None or around is None:
        return (around if bound is None else bound.mask), notes
    return bound.mask | around, notes


def _surroundings(level: Level) -> Mask | None:
    """What lies round the paper at the picture's rim, a little wider than it looks; or None.

    Broad areas that run off the picture and are less even than ink (cloth, skin), or darker than
    all the ink (a gap beside the pad). Ink measured 0.05 and 1.0; cloth and hand 0.09 to 0.13.
    """
    step = max(1, max(level.shape) // 1600)
    few = np.ascontiguousarray(level[::step, ::step])
    small = shrunk((few >= np.float32(0.5)) * np.uint8(255), 400)
    tone = shrunk(few, 400)
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
    size = level.shape[::-1]
    return np.asarray(cv2.resize(beyond, size, interpolation=cv2.INTER_NEAREST) > 0, np.bool_)


_WHOLE_NOTE = Note(
    NoteKind.PICTURE,
    "no whole sheet of paper was seen in the photograph, so it was used as it is",
    remedy="say --paper-corners where it was taken aslant",
)
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


def _is_on_dark_ground(rgb: Bytes) -> bool:
    """True where most of the picture and its rim are near its darkest tone, as a slate is.

    Measured, from the darkest tone to the brightest: slates 0.07, photographed paper 0.43 up.
    """
    step = max(1, max(rgb.shape) // 300)
    grey = rgb[::step, ::step].mean(axis=2)
    low, high = np.quantile(grey, [0.01, 0.99])
    rim = np.concatenate([grey[0], grey[-1], grey[:, 0], grey[:, -1]])
    limit = low + 0.2 * (high - low)
    return bool(high - low > 25 and np.median(grey) < limit and np.median(rim) < limit)


def _is_dark_all_round(mask: Mask) -> bool:
    rim = np.concatenate([mask[0], mask[-1], mask[:, 0], mask[:, -1]])
    return bool(rim.mean() > 0.8 and mask.mean() > 0.5)
