"""Paper and light go, ink stays: strokes, large black areas, and edges to a part of a pixel.

References: scipy.ndimage counts pieces and does its own labelling; photographs are made here with
known light, blur and ink, so every edge is known. sRGB: IEC 61966-2-1.
"""

from __future__ import annotations

import math

import cv2
import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import ndimage

from raster2path.errors import NothingFoundError
from raster2path.job import InkRules, Tone
from raster2path.model import Ink, Picture
from raster2path.picture.ink import find_ink

Bytes = npt.NDArray[np.uint8]
Floats = npt.NDArray[np.float64]


def picture_of(image: Bytes) -> Picture:
    rgb = image if image.ndim == 3 else np.repeat(image[:, :, None], 3, axis=2)
    return Picture("reeds", "0", np.ascontiguousarray(rgb), rgb.shape[1::-1], np.eye(3))


def srgb(light: Floats) -> Bytes:
    v = np.clip(light, 0, 1)
    coded = np.where(v <= 0.0031308, 12.92 * v, 1.055 * v ** (1 / 2.4) - 0.055)
    return np.round(255 * coded).astype(np.uint8)


def photograph(
    coverage: Floats,
    *,
    ink: float | Floats = 0.85,
    blur_px: float = 1.2,
    shadow: float = 0.4,
    noise: float = 0.006,
    tint: tuple[float, float, float] = (0.86, 0.95, 1.0),
) -> Bytes:
    """Coverage 0..1 by ink, under light that falls off with a soft shadow across."""
    rows, cols = coverage.shape
    x = np.linspace(0, 1, cols)[None, :] + 0.3 * np.linspace(0, 1, rows)[:, None]
    light = (0.85 - 0.25 * x) * (1 - shadow / (1 + np.exp(-40 * (x - 0.65))))
    seen = cv2.GaussianBlur(light * (1 - coverage * ink), (0, 0), blur_px)
    seen = seen + np.random.default_rng(5).normal(0, noise, seen.shape)
    return srgb(np.clip(seen, 0, 1)[..., None] * np.array(tint))


def disc(rows: int, cols: int, x: float, y: float, radius: float) -> Floats:
    """Coverage of pixels by a disc, from an eight times finer one."""
    fine = 8
    yy, xx = np.mgrid[0 : rows * fine, 0 : cols * fine] / fine + 0.5 / fine
    inside = (np.hypot(xx - x, yy - y) < radius).astype(np.float64)
    return np.asarray(inside.reshape(rows, fine, cols, fine).mean(axis=(1, 3)), np.float64)


def radius_at_half(ink: Ink, x: float, y: float, guess: float) -> float:
    """Mean radius at which the level falls through a half, on 90 rays."""
    found = []
    for angle in np.linspace(0, 2 * math.pi, 90, endpoint=False):
        r = np.linspace(guess - 5, guess + 5, 400)
        at = np.array([y + r * math.sin(angle) - 0.5, x + r * math.cos(angle) - 0.5])
        level = ndimage.map_coordinates(ink.level.astype(float), at, order=1)
        found.append(r[np.argmax(level < 0.5)])
    return float(np.mean(found))


def test_a_photographed_edge_lies_where_it_was() -> None:
    """Halving in linear light is unbiased: a tenth of a pixel, under falling light and shadow."""
    ink = find_ink(picture_of(photograph(disc(300, 400, 200, 150, 90))))
    assert ink.is_photograph
    assert radius_at_half(ink, 200, 150, 90) == pytest.approx(90, abs=0.12)


def test_a_drawn_edge_lies_where_it_was() -> None:
    """A clean graphic is halved in its own values; linear light would move it by a fifth."""
    ink = find_ink(picture_of(np.round(255 * (1 - disc(200, 300, 150, 100, 60))).astype(np.uint8)))
    assert not ink.is_photograph
    assert radius_at_half(ink, 150, 100, 60) == pytest.approx(60, abs=0.03)


@pytest.mark.parametrize("blur_px", [0.9, 1.5, 2.2])
def test_blur_is_measured(blur_px: float) -> None:
    """Gaussian blur of known width, a fifth off at most."""
    bars = np.zeros((300, 400))
    bars[40:120, 60:180] = bars[160:260, 220:330] = 1
    ink = find_ink(picture_of(photograph(bars, blur_px=blur_px)))
    assert ink.blur_px == pytest.approx(blur_px, rel=0.2)


@pytest.mark.parametrize("pen_px", [3, 6, 11])
def test_pen_is_measured(pen_px: int) -> None:
    page = np.full((300, 400), 255, np.uint8)
    page[50 : 50 + pen_px, 40:360] = 0
    page[150 : 150 + pen_px, 40:360] = 0
    page[60:280, 200 : 200 + pen_px] = 0
    assert find_ink(picture_of(page)).pen_px == pytest.approx(pen_px, abs=1.01)


def test_a_soft_shadow_is_not_ink_and_a_black_area_not_hollow() -> None:
    shape = np.zeros((420, 600))
    cv2.fillPoly(shape, [np.array([[90, 60], [430, 40], [480, 330], [120, 380]])], 1.0)
    ink = find_ink(picture_of(photograph(shape, shadow=0.5)))
    wrong = ink.mask != (shape > 0.5)
    band = cv2.dilate(shape, np.ones((5, 5))) != cv2.erode(shape, np.ones((5, 5)))
    assert not (wrong & ~band).any()


@pytest.mark.parametrize("pen_px", [4, 9, 24])
def test_dark_paper_in_deep_shadow_is_still_paper(pen_px: int) -> None:
    strokes = np.zeros((400, 560))
    for k in range(6):
        cv2.line(strokes, (40, 60 + 55 * k), (520, 40 + 60 * k), 1.0, pen_px)
    ink = find_ink(picture_of(photograph(strokes, shadow=0.7, ink=0.7, noise=0.003)))
    assert ndimage.label(ink.mask, np.ones((3, 3)))[1] == 6
    assert not (ink.mask & (cv2.dilate(strokes, np.ones((5, 5))) == 0)).any()


def test_faint_strokes_are_kept_and_fainter_rules_are_not() -> None:
    """Strokes of half the full darkness count; printed rules of a sixth do not."""
    darkness = np.zeros((400, 560))
    for k, value in enumerate([0.6, 0.6, 0.3, 0.6]):
        cv2.line(darkness, (40, 60 + 80 * k), (520, 60 + 80 * k), value, 5)
    for k in range(4):
        cv2.line(darkness, (40, 100 + 80 * k), (520, 100 + 80 * k), 0.1, 3)
    ink = find_ink(picture_of(photograph(darkness, ink=1.0, shadow=0.2, noise=0.003)))
    assert ink.mask[60::80, 100:500].mean(axis=1)[:4] == pytest.approx(1)
    assert not ink.mask[100::80].any()


def test_coloured_pencil_is_found_by_its_own_channels() -> None:
    """Pink on grey paper darkens green and blue, red hardly at all."""
    line = np.zeros((300, 400))
    cv2.ellipse(line, (200, 150), (140, 90), 0, 0, 360, 1.0, 4)
    light = 0.6 * (1 - line[..., None] * np.array([0.02, 0.3, 0.25]))
    seen = cv2.GaussianBlur(light, (0, 0), 0.9)
    seen += np.random.default_rng(2).normal(0, 0.008, seen.shape)
    ink = find_ink(picture_of(srgb(seen)))
    assert ndimage.label(ink.mask, np.ones((3, 3)))[1] == 1
    assert ndimage.label(~ink.mask)[1] == 2
    assert ink.mask.sum() == pytest.approx(line.sum(), rel=0.15)


def test_specks_go_and_pinholes_are_filled() -> None:
    page = np.full((200, 300), 255, np.uint8)
    page[60:140, 60:240] = 0
    page[100:102, 100:102] = 255
    page[20:22, 20:22] = 0
    page[30, 200] = 0
    mask = find_ink(picture_of(page)).mask
    expected = np.zeros((200, 300), bool)
    expected[60:140, 60:240] = True
    assert (mask == expected).all()


def test_a_hole_and_what_lies_in_it_stay() -> None:
    page = np.full((200, 200), 255, np.uint8)
    cv2.circle(page, (100, 100), 80, 0, 12)
    cv2.circle(page, (100, 100), 40, 0, 12)
    cv2.circle(page, (100, 100), 8, 0, -1)
    mask = find_ink(picture_of(page)).mask
    assert (mask == (page < 128)).all()


def test_mask_is_level_at_half() -> None:
    shape = disc(240, 320, 160, 120, 70)
    ink = find_ink(picture_of(photograph(shape)))
    assert (ink.mask != (ink.level >= 0.5)).mean() < 1e-3
    assert ink.level.dtype == np.float32
    assert ink.mask.dtype == np.bool_
    assert not ink.mask.flags.writeable


@pytest.mark.parametrize("tone", [255, 0, 128, 250])
def test_one_tone_holds_no_ink(tone: int) -> None:
    with pytest.raises(NothingFoundError, match="reeds"):
        find_ink(picture_of(np.full((200, 300), tone, np.uint8)))


@pytest.mark.parametrize("spread", [10, 40, 255])
@pytest.mark.parametrize("size", [(200, 300), (900, 1200)])
def test_noise_holds_no_ink(size: tuple[int, int], spread: int) -> None:
    noise = np.random.default_rng(3).integers(0, spread + 1, (*size, 3)) + (255 - spread) // 2
    with pytest.raises(NothingFoundError, match="reeds"):
        find_ink(picture_of(noise.astype(np.uint8)))


def test_plain_paper_photographed_holds_no_ink() -> None:
    with pytest.raises(NothingFoundError, match="reeds"):
        find_ink(picture_of(photograph(np.zeros((400, 600)))))


def test_light_on_dark_is_ink_unless_said_otherwise() -> None:
    """What is drawn is what stands out; `--ink dark` takes the ground instead."""
    page = np.zeros((200, 300), np.uint8)
    cv2.circle(page, (150, 100), 60, 255, -1)
    ink = find_ink(picture_of(page))
    assert ink.mask[100, 150]
    assert not ink.mask[5, 5]
    assert "light" in ink.notes[0].sentence
    dark = find_ink(picture_of(page), rules=InkRules(tone=Tone.DARK))
    assert not dark.mask[100, 150]
    assert dark.mask[5, 5]


def test_chalk_lies_where_it_was_drawn() -> None:
    """A light disc on dark, photographed: its edge to a tenth of a pixel, by linear light."""
    light = disc(300, 400, 200, 150, 90) * 0.6 + 0.06
    x = np.linspace(0, 1, 400)
    seen = cv2.GaussianBlur(light * (0.9 - 0.3 * x), (0, 0), 1.2)
    noise = np.random.default_rng(5).normal(0, 0.003, light.shape)
    ink = find_ink(picture_of(srgb(np.asarray(seen, np.float64) + noise)))
    assert ink.is_photograph
    assert radius_at_half(ink, 200, 150, 90) == pytest.approx(90, abs=0.12)


@settings(max_examples=15, deadline=None)
@given(st.integers(0, 10_000))
def test_as_many_pieces_as_scipy_labels(seed: int) -> None:
    """Any clean drawing comes through unchanged, piece by piece."""
    rng = np.random.default_rng(seed)
    page = np.full((160, 220), 255, np.uint8)
    for _ in range(5):
        x, y, r = rng.integers(30, 190), rng.integers(30, 130), rng.integers(5, 25)
        cv2.circle(page, (int(x), int(y)), int(r), 0, int(rng.choice([-1, 5])))
    ink = find_ink(picture_of(page))
    eight = np.ones((3, 3))
    assert ndimage.label(ink.mask, eight)[1] == ndimage.label(page < 128, eight)[1]


@settings(max_examples=6, deadline=None)
@given(st.integers(0, 3), st.booleans())
def test_turning_the_picture_turns_the_ink(turns: int, is_flipped: bool) -> None:  # noqa: FBT001 (hypothesis draws by position)
    shape = disc(200, 300, 120, 90, 60)
    image = photograph(shape)
    turned = np.rot90(image[:, ::-1] if is_flipped else image, turns)
    expected = find_ink(picture_of(image)).mask
    expected = np.rot90(expected[:, ::-1] if is_flipped else expected, turns)
    assert (find_ink(picture_of(turned)).mask != expected).mean() < 2e-3


def test_a_small_eye_in_a_broad_silhouette_stays() -> None:
    page = np.full((900, 1000), 255, np.uint8)
    cv2.circle(page, (500, 450), 380, 0, -1)
    cv2.circle(page, (600, 300), 8, 255, -1)
    assert (find_ink(picture_of(page)).mask == (page < 128)).all()


def test_cloth_beyond_the_paper_is_left_out_and_a_solid_shape_at_the_rim_is_not() -> None:
    strokes = np.zeros((400, 560))
    cv2.ellipse(strokes, (280, 170), (150, 90), 0, 0, 360, 1.0, 6)
    solid = strokes.copy()
    solid[330:] = 1.0
    folds = 0.65 + 0.3 * np.sin(np.linspace(0, 25, 560))
    for ground, is_cloth in ((np.ones(560), False), (folds, True)):
        darkness = solid.copy()
        darkness[330:] = ground
        ink = find_ink(picture_of(photograph(darkness, shadow=0.2)))
        assert ink.mask[strokes > 0.9].mean() > 0.98
        assert (not ink.mask[345:].any()) == is_cloth
        assert any("cloth" in note.sentence for note in ink.notes) == is_cloth


def test_a_thumb_in_the_corner_and_half_a_line_at_the_rim_are_no_ink() -> None:
    """What comes in at a corner on both rims, or runs along a rim, is not drawn; the rest is."""
    strokes = np.zeros((400, 560))
    cv2.ellipse(strokes, (300, 220), (120, 90), 0, 0, 360, 1.0, 5)
    drawn = strokes > 0
    cv2.circle(strokes, (0, 0), 60, 1.0, -1)
    strokes[-3:, 200:500] = 1.0
    ink = find_ink(picture_of(photograph(strokes)))
    assert not ink.mask[:80, :80].any()
    assert not ink.mask[-4:].any()
    assert any(note.sentence.startswith("a thumb") for note in ink.notes)
    assert ink.mask[drawn].mean() > 0.95


def test_a_shape_that_runs_off_one_rim_stays() -> None:
    shape = np.zeros((400, 560))
    cv2.rectangle(shape, (200, 0), (330, 250), 1.0, -1)
    ink = find_ink(picture_of(photograph(shape)))
    assert ink.mask[2:245, 210:320].all()


def test_punched_holes_are_no_ink_and_two_eyes_are() -> None:
    """Holes 6 mm wide and 80 mm apart near a side (ISO 838); eyes lie closer and elsewhere."""
    strokes = np.zeros((560, 420))
    cv2.ellipse(strokes, (260, 250), (110, 90), 0, 0, 360, 1.0, 5)
    for y in (170, 370):
        cv2.circle(strokes, (25, y), 8, 1.0, -1)
    for x in (230, 290):
        cv2.circle(strokes, (x, 230), 8, 1.0, -1)
    ink = find_ink(picture_of(photograph(strokes)))
    assert not ink.mask[150:390, :45].any()
    assert ink.mask[230, [230, 290]].all()
    assert any(note.sentence.startswith("2 holes punched") for note in ink.notes)


def test_letters_at_the_rim_are_no_punched_holes() -> None:
    """Two H, as wide as high and fourteen times that apart, beside the upper rim."""
    strokes = np.zeros((700, 900))
    for x in (100, 744):
        strokes[30:76, x : x + 14] = strokes[30:76, x + 32 : x + 46] = 1
        strokes[46:60, x : x + 46] = 1
    cv2.ellipse(strokes, (450, 400), (110, 90), 0, 0, 360, 1.0, 5)
    ink = find_ink(picture_of(photograph(strokes)))
    assert ink.mask[35:70, [106, 138, 750, 782]].all()


def test_a_row_of_dots_along_the_rim_is_drawn() -> None:
    """Five as wide as punched holes and as far from each other."""
    strokes = np.zeros((560, 1100))
    cv2.ellipse(strokes, (550, 280), (110, 90), 0, 0, 360, 1.0, 5)
    for x in range(100, 1001, 200):
        cv2.circle(strokes, (x, 25), 8, 1.0, -1)
    ink = find_ink(picture_of(photograph(strokes)))
    assert ink.mask[25, 100:1001:200].all()
    assert not any("punched" in note.sentence for note in ink.notes)
