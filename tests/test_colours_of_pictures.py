"""Flat artwork is split into its colours; a tone picture by its lightness.

References: the artwork is drawn here, so areas and edges are known; scikit-image's CIELAB (CIE 15)
says which tones look alike.
"""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt
import pytest
from skimage.color import rgb2lab

from raster2path.errors import NothingFoundError, UsageError
from raster2path.job import InkRules
from raster2path.model import Picture
from raster2path.picture._colours import flat_colours
from raster2path.picture.ink import find_ink

Bytes = npt.NDArray[np.uint8]
WHITE, BLUE, ORANGE, BLACK = (255, 255, 255), (20, 60, 150), (240, 140, 20), (10, 10, 10)


def picture_of(rgb: Bytes) -> Picture:
    return Picture("ferry", "0", rgb, rgb.shape[1::-1], np.eye(3))


def artwork(fine: int = 8) -> Bytes:
    """A blue hull with an orange funnel and a black line, borders mixed as a computer does."""
    page = np.full((300 * fine, 400 * fine, 3), 255, np.float32)
    cv2.circle(page, (200 * fine, 150 * fine), 110 * fine, BLUE, -1)
    cv2.circle(page, (200 * fine, 150 * fine), 50 * fine, ORANGE, -1)
    cv2.rectangle(page, (40 * fine, 275 * fine), (360 * fine - 1, 285 * fine - 1), BLACK, -1)
    small = page.reshape(300, fine, 400, fine, 3).mean(axis=(1, 3))
    return np.asarray(np.round(small), np.uint8)


def test_colours_are_listed_with_names_and_shares() -> None:
    """Each drawn colour once, by area; the mixtures at borders are no colours."""
    found = flat_colours(artwork())
    assert [c.name for c in found] == ["white", "blue", "orange", "black"]
    true = np.pi * np.array([110**2 - 50**2, 50**2]) / (300 * 400)
    assert [c.share for c in found[1:3]] == pytest.approx(true, abs=0.01)
    for colour, drawn in zip(found, (WHITE, BLUE, ORANGE, BLACK), strict=True):
        one, other = (rgb2lab(np.array([[c]]) / 255)[0, 0] for c in (colour.rgb, drawn))
        assert np.hypot.reduce(one - other) < 2


def test_colours_survive_jpeg() -> None:
    _, content = cv2.imencode(".jpg", artwork(), [cv2.IMWRITE_JPEG_QUALITY, 75])
    again = np.asarray(cv2.imdecode(content, cv2.IMREAD_COLOR), np.uint8)
    assert [c.name for c in flat_colours(again)] == ["white", "blue", "orange", "black"]


@pytest.mark.parametrize(("falls", "radius"), [((3.0,), 50.0), ((2.0, 3.0), 110.0)])
def test_edges_of_what_falls_out_are_sub_pixel(falls: tuple[float, ...], radius: float) -> None:
    """Area of level, and where it passes a half: within a twentieth of a pixel of the circle."""
    ink = find_ink(picture_of(artwork()), rules=InkRules(falls=falls))
    assert not ink.mask[280, 200]
    assert ink.mask[150, 200]
    inner = ink.level[: 150 + 120]
    assert np.sqrt(inner.sum() / np.pi) == pytest.approx(radius, abs=0.05)


def test_black_against_white_passes_no_grey() -> None:
    """A grey area elsewhere does not move the edge of a black one on white."""
    rgb = np.repeat(artwork().mean(axis=2, keepdims=True), 3, axis=2).astype(np.uint8)
    rgb[:40, :80] = 128
    numbers = {c.name: k for k, c in enumerate(flat_colours(rgb), start=1)}
    ink = find_ink(picture_of(rgb), rules=InkRules(falls=(float(numbers["black"]),)))
    assert ink.level[270:290].sum() == pytest.approx(320 * 10, rel=0.002)


def test_colours_that_are_not_there_are_refused_with_the_list() -> None:
    with pytest.raises(UsageError, match="there is no colour 7; the picture has 1 white"):
        find_ink(picture_of(artwork()), rules=InkRules(falls=(7.0,)))
    with pytest.raises(UsageError, match="some colours must"):
        find_ink(picture_of(artwork()), rules=InkRules(falls=(1.0, 2.0, 3.0, 4.0)))


def test_what_was_guessed_is_said() -> None:
    """Blue and black are nearer to the darkest than to the paper, orange is not."""
    ink = find_ink(picture_of(artwork()))
    assert any("2, 4 taken as ink" in note.sentence for note in ink.notes)
    assert ink.mask.sum() == pytest.approx(np.pi * (110**2 - 50**2) + 3200, rel=0.005)


def tones() -> Bytes:
    """A pale animal with a dark head on a middling ground, with fur."""
    page = np.full((300, 400), 0.45)
    cv2.ellipse(page, (220, 190), (120, 70), 0, 0, 360, 0.8, -1)
    cv2.circle(page, (110, 120), 50, 0.08, -1)
    fur = cv2.GaussianBlur(np.random.default_rng(3).normal(0, 1, page.shape), (0, 0), 1.2)
    coded = np.clip(page * (1 + 0.35 * fur / fur.std() * 0.4), 0, 1) ** (1 / 2.2)
    return np.repeat(np.round(255 * coded).astype(np.uint8)[..., None], 3, axis=2)


def test_a_tone_picture_falls_by_lightness() -> None:
    """L* of 0.08 is 34, of 0.45 is 73: the head alone falls at 50, without fur's crumbs."""
    ink = find_ink(picture_of(tones()), rules=InkRules(falls_darker_than=50.0))
    n, _ = cv2.connectedComponents(ink.mask.astype(np.uint8))
    assert n == 2
    assert ink.mask.sum() == pytest.approx(np.pi * 50**2, rel=0.02)


def test_a_tone_that_is_nowhere_is_told_with_the_picture_s_tones() -> None:
    with pytest.raises(NothingFoundError, match="tones lie between"):
        find_ink(picture_of(tones()), rules=InkRules(falls_darker_than=5.0))


def test_a_photograph_has_no_flat_colours() -> None:
    x = np.linspace(0, 255, 400)[None, :, None] * np.ones((300, 1, 1))
    y = np.linspace(255, 0, 300)[:, None, None] * np.ones((1, 400, 1))
    rgb = np.concatenate([x, y, (x + y) / 2], axis=2).astype(np.uint8)
    with pytest.raises(UsageError, match="falls-darker-than"):
        find_ink(picture_of(rgb), rules=InkRules(falls=(1.0,)))


def test_one_way_of_saying_what_falls() -> None:
    with pytest.raises(UsageError, match="expected one"):
        InkRules(falls=(1.0,), falls_darker_than=40.0)
