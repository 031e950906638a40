"""Samples: the script still draws what is committed, and each picture is what it claims to be.

References: OpenCV's own connected components and shapely's distances, not the script's words.
"""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

import cv2
import numpy as np
import numpy.typing as npt
import pytest
import shapely
from PIL import Image

FOLDER = Path(__file__).resolve().parent.parent / "samples"

SIZES = {
    "heron-sketch.jpg": (4000, 3000),
    "ferry-solid.png": (2000, 1240),
    "kelp-lines.png": (2000, 1500),
    "boat-shed-bars.png": (1800, 1420),
}

LEAST_WEB_MM = 6.0


@pytest.fixture(scope="module")
def script() -> ModuleType:
    """samples/make_samples.py as a module."""
    spec = importlib.util.spec_from_file_location("make_samples", FOLDER / "make_samples.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module  # dataclasses look their module up there
    spec.loader.exec_module(module)
    return module


def pixels(path: Path) -> npt.NDArray[np.uint8]:
    """A picture's decoded pixels."""
    with Image.open(path) as image:
        return np.asarray(image, np.uint8)


@pytest.mark.parametrize("name", SIZES)
def test_picture_has_the_size_and_format_that_it_claims(name: str) -> None:
    with Image.open(FOLDER / name) as image:
        assert image.size == SIZES[name]
        assert image.format == ("JPEG" if name.endswith(".jpg") else "PNG")
        assert image.mode == ("RGB" if name == "heron-sketch.jpg" else "L")


@pytest.mark.parametrize("name", SIZES)
def test_files_stay_small(name: str) -> None:
    assert (FOLDER / name).stat().st_size < 1_600_000
    assert (FOLDER / "small" / name).stat().st_size < 80_000
    with Image.open(FOLDER / "small" / name) as image:
        assert max(image.size) <= 700


def test_script_names_every_sample(script: ModuleType) -> None:
    assert set(script.SAMPLES) == set(SIZES)


@pytest.mark.parametrize("name", ["ferry-solid.png", "boat-shed-bars.png"])
def test_script_still_draws_what_is_committed(script: ModuleType, name: str) -> None:
    """Other versions of the libraries may round otherwise, but not draw otherwise."""
    drawn = script.SAMPLES[name]().astype(np.int16)
    kept = pixels(FOLDER / name).astype(np.int16)
    assert drawn.shape == kept.shape
    assert np.abs(drawn - kept).mean() < 1


@pytest.mark.parametrize("name", SIZES)
def test_small_copy_shows_the_same(name: str) -> None:
    small = pixels(FOLDER / "small" / name).astype(np.float32)
    large = pixels(FOLDER / name)
    shrunk = cv2.resize(large, small.shape[1::-1], interpolation=cv2.INTER_AREA)
    assert np.abs(small - shrunk).mean() < 2


def test_ferry_is_black_and_white_but_for_its_rims() -> None:
    tones = pixels(FOLDER / "ferry-solid.png")
    between = (tones > 8) & (tones < 247)
    assert between.mean() < 0.01
    assert between.any()
    # One ferry with its wave, the second wave, eleven letters and figures.
    n_black, _ = cv2.connectedComponents((tones < 128).astype(np.uint8))
    assert n_black - 1 == 1 + 1 + 11


def test_boat_shed_is_one_lattice() -> None:
    ink = (pixels(FOLDER / "boat-shed-bars.png") < 128).astype(np.uint8)
    n_black, _ = cv2.connectedComponents(ink)
    assert n_black - 1 == 1
    n_white, _, stats, _ = cv2.connectedComponentsWithStats(1 - ink, connectivity=4)
    faces = stats[1:, cv2.CC_STAT_AREA]
    assert n_white - 1 > 20
    assert faces.min() > 400  # no faces that only a slip of the pen closed


def test_kelp_is_lines_of_one_width_and_frees_nothing() -> None:
    ink = (pixels(FOLDER / "kelp-lines.png") < 128).astype(np.uint8)
    depth = cv2.distanceTransform(ink, cv2.DIST_L2, 5)
    ridge = depth[(depth >= cv2.dilate(depth, np.ones((3, 3)))) & (depth > 1.5)]
    assert np.quantile(ridge, 0.95) < 1.5 * np.median(ridge)
    # Paper outside the frame and inside it; no line encloses anything else.
    n_white, _ = cv2.connectedComponents(1 - ink, connectivity=4)
    assert n_white - 1 == 2


def faces_of(script: ModuleType) -> list[shapely.Polygon]:
    """The heron sketch's shaded faces, in millimetres of the sign."""
    faces = []
    for face in script.heron_cove().faces:
        outer, *inner = (np.column_stack([z.real, z.imag]) for z in face.polygons())
        faces.append(shapely.Polygon(outer, inner))
    return faces


def test_heron_is_a_sheet_with_openings(script: ModuleType) -> None:
    """Between any two shaded faces, and between faces and frame, a web of metal stays."""
    faces = faces_of(script)
    assert all(face.is_valid for face in faces)
    width_mm, height_mm = script.HERON_SIZE_MM
    frame = shapely.box(0, 0, width_mm, height_mm).exterior
    for k, face in enumerate(faces):
        assert face.distance(frame) >= LEAST_WEB_MM
        assert shapely.distance(face, faces[k + 1 :]).min(initial=np.inf) >= LEAST_WEB_MM
    # R, O and O have middles that would fall out: something to tie.
    assert sum(len(face.interiors) for face in faces) == 3


def test_open_lines_of_the_heron_keep_off_its_faces(script: ModuleType) -> None:
    faces = faces_of(script)
    lines = [np.column_stack([z.real, z.imag]) for z in script.heron_cove().lines]
    for line in lines:
        assert shapely.distance(shapely.LineString(line), faces).min() >= LEAST_WEB_MM


def test_heron_photograph_is_a_pale_sheet_on_a_brown_table() -> None:
    photo = pixels(FOLDER / "heron-sketch.jpg").astype(np.int16)
    paper, table = photo[1400:1500, 1150:1250], photo[150:230, 500:3500]
    spread = np.ptp(paper.reshape(-1, 3).mean(axis=0))
    assert paper.mean() > 180
    assert spread < 25
    assert table[..., 0].mean() - table[..., 2].mean() > 40
    # Graphite is grey, never black.
    assert photo[400:2300, 600:3300].min() > 20


def test_smooth_curve_runs_through_its_knots(script: ModuleType) -> None:
    z = script.curve("0,0 10,10 20,0 30,8!", is_closed=False, step=0.1)
    for knot in (0, 10 + 10j, 20, 30 + 8j):
        assert np.abs(z - knot).min() < 1e-9


def test_four_knots_make_a_circle(script: ModuleType) -> None:
    """Four curves through the corners of a square are a circle to 0.1 %, as Hobby promises."""
    z = script.curve("10,0 0,10 -10,0 0,-10", is_closed=True, step=0.1)
    assert np.abs(np.abs(z) - 10).max() < 0.01


def test_corner_knots_alone_make_a_polygon(script: ModuleType) -> None:
    z = script.curve("0,0! 8,0! 8,6! 0,6!", is_closed=True, step=0.5)
    on_rim = (np.abs(z.real * (z.real - 8)) < 1e-9) | (np.abs(z.imag * (z.imag - 6)) < 1e-9)
    assert on_rim.all()
