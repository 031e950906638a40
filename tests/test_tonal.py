"""Photographs of other things than drawings: told, and parted into dark and light."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt
import pytest
import skimage.data
import skimage.filters
from skimage.color import rgb2lab

from raster2path import make, new_job
from raster2path.geometry import Kind
from raster2path.job import InkRules, Tone
from raster2path.model import Border, Dark, NoteKind, Picture, Read
from raster2path.picture._tonal import dark_tone, is_tonal, middle_tone
from raster2path.picture.ink import find_ink
from tests.pencils import Light, Paper, Pencil, sketch

Bytes = npt.NDArray[np.uint8]

SAMPLES = Path(__file__).parent.parent / "samples"


def cat() -> Bytes:
    """A cat's face (CC0, scikit-image's own test picture)."""
    return np.asarray(skimage.data.chelsea(), np.uint8)


def pictured(rgb: Bytes) -> Picture:
    return Picture("cat", "0", rgb, (rgb.shape[1], rgb.shape[0]), np.eye(3))


def as_rgb(image: npt.ArrayLike) -> Bytes:
    grey = np.asarray(image, np.uint8)
    return np.ascontiguousarray(grey if grey.ndim == 3 else np.repeat(grey[..., None], 3, axis=2))


@pytest.mark.parametrize("name", ["chelsea", "coffee", "coins"])
def test_photographs_are_pictures_of_tones(name: str) -> None:
    """Test pictures of a general-purpose library, in colour and grey."""
    assert is_tonal(as_rgb(getattr(skimage.data, name)()))


@pytest.mark.parametrize("name", ["heron-sketch.jpg", "ferry-solid.png", "kelp-lines.png"])
def test_drawings_are_not(name: str) -> None:
    rgb = cv2.imread(str(SAMPLES / name))
    assert rgb is not None
    assert not is_tonal(np.ascontiguousarray(rgb[..., ::-1], np.uint8))


@pytest.mark.parametrize("paper", list(Paper))
@pytest.mark.parametrize("light", list(Light))
def test_pencil_on_any_paper_in_any_light_is_not(paper: Paper, light: Light) -> None:
    assert not is_tonal(sketch(Pencil.GRAPHITE, paper, light).rgb)


def test_noise_texture_and_one_tone_are_not() -> None:
    rng = np.random.default_rng(3)
    noise = rng.integers(0, 256, (300, 400), np.uint8)
    assert not is_tonal(as_rgb(noise))
    assert not is_tonal(as_rgb(cv2.GaussianBlur(noise, (0, 0), 3)))
    assert not is_tonal(as_rgb(np.full((300, 400), 120)))


def test_bold_art_photographed_badly_is_not() -> None:
    """Soft and noisy, more ink than ground: still two tones."""
    rng = np.random.default_rng(3)
    art = np.full((300, 400), 190, np.float32)
    cv2.ellipse(art, (200, 150), (190, 140), 0, 0, 360, 20, -1)
    cv2.ellipse(art, (200, 150), (120, 85), 0, 0, 360, 190, 14)
    soft = cv2.GaussianBlur(art, (0, 0), 4) + rng.normal(0, 9, art.shape)
    assert not is_tonal(as_rgb(np.clip(soft, 0, 255)))


def test_the_limit_is_the_one_by_otsu() -> None:
    """Against scikit-image's Otsu on scikit-image's CIELAB, to a per cent or two."""
    lightness = rgb2lab(cat())[..., 0]
    assert middle_tone(cat()) == pytest.approx(skimage.filters.threshold_otsu(lightness), abs=2)


def test_its_dark_half_falls_out_and_the_maker_is_told_how_to_change_that(tmp_path: Path) -> None:
    path = tmp_path / "cat.png"
    cv2.imwrite(str(path), cat()[..., ::-1])
    result = make(new_job(path), path)
    assert result.reading.read is Read.SOLID
    assert result.paths.region is Dark.OPENING
    assert result.paths.border is Border.RECT
    percent = f"{dark_tone(cat()):.0f} %"
    assert percent in result.reading.reason
    remedies = [n.remedy or "" for n in result.notes if n.kind is NoteKind.PICTURE]
    assert any("--falls-darker-than" in remedy for remedy in remedies)
    dark = find_ink(pictured(cat()), rules=InkRules()).mask
    assert dark[cat().max(axis=2) < 60].mean() > 0.9
    assert dark[cat().min(axis=2) > 150].mean() < 0.05
    assert 0.15 < dark.mean() < 0.3  # what stays must carry
    assert not any(ring.path.kind is Kind.LETTERING for ring in result.paths.rings)
    assert not any(note.kind is NoteKind.DOUBT for note in result.notes)


def test_the_makers_word_counts() -> None:
    drawn = find_ink(pictured(cat()), rules=InkRules(tone=Tone.DARK))
    assert drawn.falls_below is None
    limit = find_ink(pictured(cat()), rules=InkRules(falls_darker_than=30.0))
    assert limit.mask.mean() < find_ink(pictured(cat()), rules=InkRules()).mask.mean()
