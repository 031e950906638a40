"""The light as PDF: black pages of the projector's proportions, lines where the map puts them."""

from __future__ import annotations

import io

import numpy as np
import numpy.typing as npt
import pypdf
import pypdfium2
import pytest

from raster2path.geometry import to_points
from raster2path.light.registration import Mark, Registration, register
from raster2path.light.scene import Scene, light_up
from raster2path.light.slides import light_pdf, upright
from tests.guide_scenes import STAMP, harbour

SIZE_PX = (1920, 1080)
CROOKED = {0j: 210 + 130j, 900 + 0j: 1700 + 90j, 900 + 600j: 1640 + 1010j, 600j: 250 + 960j}
Grey = npt.NDArray[np.float64]


@pytest.fixture(scope="module")
def scene() -> Scene:
    return light_up(harbour(sheet=(900, 600)), stamp=STAMP)


@pytest.fixture(scope="module")
def crooked() -> Registration:
    return register([Mark(mm, px) for mm, px in CROOKED.items()], size_px=SIZE_PX)


def shown(pdf: bytes, page: int, *, zoom: int = 2) -> Grey:
    """A page as the projector would show it, `zoom` times as large."""
    image = pypdfium2.PdfDocument(pdf)[page].render(scale=zoom / 0.75).to_numpy()
    return np.asarray(image[..., :3].max(axis=2), np.float64) / 255


def test_the_pages_have_the_projectors_proportions(scene: Scene) -> None:
    pdf = light_pdf(scene, None, size_px=SIZE_PX, is_punched=False)
    pages = pypdf.PdfReader(io.BytesIO(pdf)).pages
    assert len(pages) == 3 + scene.n_cuts
    for page in pages:
        assert float(page.mediabox.width) == pytest.approx(1920 * 0.75)
        assert float(page.mediabox.height) == pytest.approx(1080 * 0.75)


def test_the_ground_is_black(scene: Scene, crooked: Registration) -> None:
    picture = shown(light_pdf(scene, crooked, size_px=SIZE_PX, is_punched=False), 1, zoom=1)
    assert picture.shape == (1080, 1920)
    assert np.mean(picture < 0.02) > 0.9


def test_the_registration_is_baked_in(scene: Scene, crooked: Registration) -> None:
    """Where the map puts points of torch lines there is light; a few mm beside there is none."""
    picture = shown(light_pdf(scene, crooked, size_px=SIZE_PX, is_punched=False), 1)
    block = next(s for s in scene.strokes if s.role.value == "torch" and len(s.points_mm) < 30)
    for a, b in zip(block.points_mm[:-1], block.points_mm[1:], strict=True):
        middle = (a + b) / 2
        across = np.array([-(b - a)[1], (b - a)[0]]) / np.hypot(*(b - a))
        steps = np.arange(-6, 6.01, 0.1)[:, None]
        px = 2 * crooked.to_px(middle + steps * across)
        line = picture[px[:, 1].astype(int), px[:, 0].astype(int)]
        lit = steps[line > 0.5].ravel()
        assert len(lit)
        assert lit[np.abs(lit) < 2].mean() == pytest.approx(0, abs=0.3)


def test_unregistered_light_has_crosses_at_the_corners_and_a_rule(scene: Scene) -> None:
    pdf = light_pdf(scene, None, size_px=SIZE_PX, is_punched=False)
    picture = shown(pdf, 0)
    flat = upright(scene.size_mm, SIZE_PX)
    corners = 2 * flat.to_px(to_points([0j, 900 + 0j, 900 + 600j, 600j]))
    for x, y in corners.astype(int):
        assert picture[y - 1 : y + 2, x - 20 : x + 20].max(axis=0).mean() > 0.9
    assert "500 mm: move or zoom" in pypdf.PdfReader(io.BytesIO(pdf)).pages[0].extract_text()
    ends = flat.to_px(to_points([200 + 300j, 700 + 300j]))
    assert np.hypot(*(ends[1] - ends[0])) == pytest.approx(500 * 0.9 * 1080 / 600)


def test_a_page_a_cut_tells_which_it_is(scene: Scene, crooked: Registration) -> None:
    pdf = light_pdf(scene, crooked, size_px=SIZE_PX, is_punched=False)
    pages = pypdf.PdfReader(io.BytesIO(pdf)).pages
    for number in range(1, scene.n_cuts + 1):
        assert f"{number} · {scene.told[number - 1].sentence}" in pages[2 + number].extract_text()


def test_punch_marks_only_where_asked(scene: Scene, crooked: Registration) -> None:
    with_marks, without = (
        shown(light_pdf(scene, crooked, size_px=SIZE_PX, is_punched=is_punched), 1)
        for is_punched in (True, False)
    )
    assert (with_marks > without + 0.3).sum() > 5 * len(scene.punched_mm)
