"""A sheet on a table is squared up true to size; anything else is left alone.

References: the homography that put the sheet on the table is known here, and OpenCV's own solver
(`getPerspectiveTransform`) made it. A4: ISO 216.
"""

from __future__ import annotations

from functools import cache
from itertools import combinations

import cv2
import numpy as np
import numpy.typing as npt
import pytest

from raster2path.errors import UsageError
from raster2path.job import PhotoRules
from raster2path.model import Picture
from raster2path.picture._lens import Lens, lens_of
from raster2path.picture.ink import find_ink
from raster2path.picture.paper import _homography, square_up

Bytes = npt.NDArray[np.uint8]
Floats = npt.NDArray[np.float64]

A4_MM = (297.0, 210.0)
PX_PER_MM = 4.0
MARKS_MM = np.array([[30, 30], [267, 30], [148.5, 105], [30, 180], [267, 180]], float)


def seen_by_a_camera() -> Floats:
    """Corners of an A4 sheet as a pinhole camera sees it, tilted by 25 and turned by 7 degrees."""
    x = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * np.array(A4_MM) / 2
    tilt, turn = np.radians([25, 7])
    flat = x @ np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    away = 480 + flat[:, 1] * np.sin(tilt)
    return np.column_stack([flat[:, 0] / away, flat[:, 1] * np.cos(tilt) / away]) * 1400 + (
        600,
        420,
    )


QUAD_PX = seen_by_a_camera()


def picture_of(rgb: Bytes) -> Picture:
    return Picture("ferry", "0", rgb, rgb.shape[1::-1], np.eye(3))


def grain(rng: np.random.Generator, shape: tuple[int, int]) -> Floats:
    return np.asarray(cv2.GaussianBlur(rng.standard_normal(shape), (0, 0), 25, sigmaY=1.5))


@cache
def on_a_table(ground: float = 0.1, turned: int = 0) -> tuple[Bytes, Floats]:
    """A photograph of an A4 sheet with five dots, and its corners, whole numbers at pixel rims."""
    rng = np.random.default_rng(4)
    table = ground * (1 + 2.5 * grain(rng, (840 * 2, 1200 * 2)))
    return np.ascontiguousarray(np.rot90(photographed(table, rng), turned)), QUAD_PX


def photographed(table: Floats, rng: np.random.Generator) -> Bytes:
    """The sheet on a table whose light is given, twice as large as the photograph gets."""
    size = (int(A4_MM[0] * PX_PER_MM), int(A4_MM[1] * PX_PER_MM))
    page = np.full(size[::-1], 0.8)
    for x, y in np.rint(MARKS_MM * PX_PER_MM * 16).astype(int):
        cv2.circle(page, (int(x) - 8, int(y) - 8), 14 * 16, 0.1, -1, cv2.LINE_AA, 4)
    page *= np.linspace(1.0, 0.6, size[0])[None]
    corners = np.array([[0, 0], [size[0], 0], [size[0], size[1]], [0, size[1]]])
    put = cv2.getPerspectiveTransform(
        (corners - 0.5).astype(np.float32), (QUAD_PX - 0.5).astype(np.float32)
    )
    fine = 2
    grow = np.array([[fine, 0, fine / 2 - 0.5], [0, fine, fine / 2 - 0.5], [0, 0, 1.0]])
    size2 = (1200 * fine, 840 * fine)
    paper = cv2.warpPerspective(page, grow @ put, size2, borderMode=cv2.BORDER_REPLICATE)
    # Falls from 1 to 0 between the last pixel's middle and the next one's: half at its rim.
    share = cv2.warpPerspective(np.ones_like(page), grow @ put, size2)
    whole = table + share * (paper - table)
    seen = np.asarray(cv2.resize(whole, (1200, 840), interpolation=cv2.INTER_AREA))
    seen = cv2.GaussianBlur(seen, (0, 0), 0.9) + rng.normal(0, 0.006, seen.shape)
    coded = np.round(255 * np.clip(seen, 0, 1)[..., None] ** (1 / 2.2) * (0.9, 0.97, 1.0))
    return np.asarray(coded, np.uint8)


def dots_px(rgb: Bytes) -> Floats:
    """Centres of the five dots, by darkness."""
    dark = (rgb[..., 1] < 0.6 * np.median(rgb[..., 1])).astype(np.uint8)
    n, _, stats, centres = cv2.connectedComponentsWithStats(dark)
    large = [k for k in range(1, n) if stats[k, cv2.CC_STAT_AREA] > 200]
    found = np.asarray(centres)[large] + 0.5
    return np.asarray(found[np.lexsort((found[:, 0], np.round(found[:, 1] / 60)))])


def test_corners_are_found_to_half_a_pixel() -> None:
    photo, quad = on_a_table()
    work = square_up(picture_of(photo), rules=PhotoRules()).work_from_upright
    rows, cols = square_up(picture_of(photo), rules=PhotoRules()).rgb.shape[:2]
    back = np.column_stack([quad, np.ones(4)]) @ work.T
    back = back[:, :2] / back[:, 2:]
    expected = np.array([[0, 0], [cols, 0], [cols, rows], [0, rows]])
    # The sheet's far sides lie somewhere in the picture's last row and column.
    assert np.abs(back - expected + (0.5, 0.5) * (expected > 0)).max() < 0.8
    assert np.abs(back[0]).max() < 0.3


def test_marks_are_true_to_size() -> None:
    photo, _ = on_a_table()
    squared = square_up(picture_of(photo), rules=PhotoRules(paper_mm=(210, 297)))
    assert squared.is_squared
    assert squared.mm_per_px is not None
    found_mm = dots_px(squared.rgb) * squared.mm_per_px
    assert len(found_mm) == 5
    assert np.hypot(*(found_mm - MARKS_MM).T).max() < 0.1  # a quarter of a pixel
    rows, cols = squared.rgb.shape[:2]
    assert cols * squared.mm_per_px == pytest.approx(297, abs=0.4)
    assert rows * squared.mm_per_px == pytest.approx(210, abs=0.4)
    assert squared.upright_size_px == (1200, 840)


@pytest.mark.parametrize("turned", [0, 1, 2, 3])
def test_scale_is_true_to_a_thousandth_both_ways(turned: int) -> None:
    """A sheet seen aslant, whichever way up: lengths along it, across it and corner to corner."""
    photo, _ = on_a_table(turned=turned)
    squared = square_up(picture_of(photo), rules=PhotoRules(paper_mm=(210, 297)))
    assert squared.mm_per_px is not None
    found_mm = dots_px(np.ascontiguousarray(np.rot90(squared.rgb, -turned))) * squared.mm_per_px
    for a, b in combinations(range(5), 2):
        true = np.hypot(*(MARKS_MM[a] - MARKS_MM[b]))
        assert np.hypot(*(found_mm[a] - found_mm[b])) == pytest.approx(true, rel=1e-3)


def test_resolution_is_about_that_of_the_photograph() -> None:
    photo, quad = on_a_table()
    squared = square_up(picture_of(photo), rules=PhotoRules())
    area = cv2.contourArea(quad.astype(np.float32))
    assert squared.rgb.shape[0] * squared.rgb.shape[1] == pytest.approx(area, rel=0.02)


def test_without_a_size_no_scale_but_the_shape_of_the_sheet() -> None:
    photo, _ = on_a_table()
    squared = square_up(picture_of(photo), rules=PhotoRules())
    assert squared.is_squared
    assert squared.mm_per_px is None
    rows, cols = squared.rgb.shape[:2]
    assert cols / rows == pytest.approx(2**0.5, rel=0.02)
    assert "squared up" in squared.notes[-1].sentence


@pytest.mark.parametrize("turned", [1, 2, 3])
def test_a_turned_photograph_gives_a_turned_sheet(turned: int) -> None:
    photo, _ = on_a_table(turned=turned)
    squared = square_up(picture_of(photo), rules=PhotoRules(paper_mm=A4_MM))
    assert squared.is_squared
    rows, cols = squared.rgb.shape[:2]
    assert (cols > rows) == (turned == 2)


def test_no_table_shows_at_the_rim() -> None:
    photo, _ = on_a_table()
    rgb = square_up(picture_of(photo), rules=PhotoRules(paper_mm=A4_MM)).rgb
    rim = np.concatenate([rgb[0], rgb[-1], rgb[:, 0], rgb[:, -1]])
    assert rim.min() > 120


def left_alone(rgb: Bytes) -> None:
    picture = picture_of(rgb)
    assert square_up(picture, rules=PhotoRules()) is picture


def test_a_page_that_fills_the_picture_is_left_alone() -> None:
    photo, _ = on_a_table()
    left_alone(np.ascontiguousarray(photo[170:690, 200:1000]))


def test_a_sheet_that_runs_off_the_picture_is_left_alone() -> None:
    photo, _ = on_a_table()
    left_alone(np.ascontiguousarray(photo[:650]))


def test_a_plate_drawn_by_a_computer_is_left_alone() -> None:
    plate = np.zeros((600, 800, 3), np.uint8)
    plate[80:520, 90:710] = 255
    left_alone(plate)
    left_alone(255 - plate)


def test_a_drawn_frame_on_paper_is_left_alone() -> None:
    rng = np.random.default_rng(1)
    page = np.full((600, 800), 210.0) + rng.normal(0, 4, (600, 800))
    cv2.rectangle(page, (80, 80), (720, 520), 30, 14)
    seen = cv2.GaussianBlur(page, (0, 0), 1.2)
    left_alone(np.repeat(np.clip(seen, 0, 255).astype(np.uint8)[:, :, None], 3, axis=2))


def test_a_round_table_mat_is_not_a_sheet() -> None:
    rng = np.random.default_rng(1)
    photo = np.full((600, 800), 60.0) + rng.normal(0, 6, (600, 800))
    cv2.ellipse(photo, (400, 300), (330, 240), 0, 0, 360, 220, -1)
    left_alone(np.repeat(np.clip(photo, 0, 255).astype(np.uint8)[:, :, None], 3, axis=2))


def test_where_paper_is_expected_but_not_seen_the_whole_picture_is_it() -> None:
    page = np.full((600, 800, 3), 255, np.uint8)
    page[200:300, 200:400] = 0
    whole = square_up(picture_of(page), rules=PhotoRules(paper_mm=(210, 297)))
    assert not whole.is_squared
    assert whole.mm_per_px == pytest.approx(297 / 800)
    assert whole.rgb is page
    assert "whole picture was taken as the paper" in whole.notes[0].sentence


@pytest.mark.parametrize("shape", [(16, 16, 3), (20, 400, 3)])
def test_tiny_pictures_are_left_alone(shape: tuple[int, int, int]) -> None:
    left_alone(np.random.default_rng(0).integers(0, 255, shape, np.uint8))


def test_a_homography_is_the_worked_example() -> None:
    """Unit square to (10, 5) (175, 20.83) (192.31, 134.62) (45.45, 140.91), a worked example."""
    square = np.array([[0, 0], [1, 0], [1, 1], [0, 1]], float)
    seen = np.array([[10, 5], [175, 125 / 6], [2500 / 13, 1750 / 13], [500 / 11, 1550 / 11]])
    found = _homography(square, seen)
    assert found == pytest.approx(np.array([[200, 40, 10], [20, 150, 5], [0.2, 0.1, 1]]), rel=1e-6)
    x, y, w = found @ (0.5, 0.5, 1)
    assert (x / w, y / w) == pytest.approx((130 / 1.15, 90 / 1.15))


@pytest.mark.parametrize("order", [(0, 1, 2, 3), (2, 0, 3, 1), (3, 2, 1, 0)])
def test_corners_that_are_given_are_taken_in_any_order(order: tuple[int, ...]) -> None:
    rgb, corners = on_a_table(ground=0.75)  # a sheet that hardly differs from its table
    said = tuple(float(v) for k in order for v in corners[k])
    picture = square_up(picture_of(rgb), rules=PhotoRules(paper_mm=A4_MM, corners_px=said))
    assert picture.is_squared
    assert picture.mm_per_px is not None
    found_mm = dots_px(picture.rgb) * picture.mm_per_px
    assert found_mm == pytest.approx(MARKS_MM, abs=0.3)


def test_a_sheet_of_unknown_size_gets_its_shape_from_the_perspective() -> None:
    """A square sheet, which no paper size explains, seen by a camera tilted twice."""
    flat = np.array([[-1, -1, 0], [1, -1, 0], [1, 1, 0], [-1, 1, 0]]) * 100.0
    turn, _ = cv2.Rodrigues(np.radians([30.0, 20.0, 5.0]))
    x, y, away = np.asarray(turn) @ flat.T + np.array([[0], [0], [480]])
    seen = np.column_stack([x / away, y / away]) * 1400 + (600, 420)
    rgb = np.full((840, 1200, 3), 200, np.uint8)
    said = tuple(float(v) for v in seen.ravel())
    found = square_up(picture_of(rgb), rules=PhotoRules(corners_px=said)).rgb
    assert found.shape[1] / found.shape[0] == pytest.approx(1.0, abs=0.03)


def test_corners_that_go_round_nothing_are_refused() -> None:
    rgb, _ = on_a_table()
    with pytest.raises(UsageError, match="not the corners"):
        square_up(picture_of(rgb), rules=PhotoRules(corners_px=(0, 0, 10, 10, 20, 20, 30, 30)))


def test_a_length_in_the_picture_gives_the_scale() -> None:
    """On the squared-up sheet, so that the slant does not count: two dots lie 237 mm apart."""
    rgb, corners = on_a_table()
    put = cv2.getPerspectiveTransform(
        (np.array([[0, 0], [297, 0], [297, 210], [0, 210]])).astype(np.float32),
        corners.astype(np.float32),
    )
    ends = cv2.perspectiveTransform(MARKS_MM[None, :2].astype(np.float64), put).ravel()
    rules = PhotoRules(scale=(*(float(v) for v in ends), 237.0))
    picture = square_up(picture_of(rgb), rules=rules)
    assert picture.is_squared
    assert picture.mm_per_px is not None
    assert picture.rgb.shape[1] * picture.mm_per_px == pytest.approx(297, rel=0.004)


def test_a_scale_in_a_picture_without_paper() -> None:
    rules = PhotoRules(scale=(10, 10, 310, 410, 1000.0))
    picture = square_up(picture_of(np.full((500, 500, 3), 200, np.uint8)), rules=rules)
    assert picture.mm_per_px == pytest.approx(2.0)
    with pytest.raises(UsageError, match="the same"):
        square_up(picture, rules=PhotoRules(scale=(5, 5, 5, 5, 100)))


@pytest.mark.parametrize("corner", range(4))
def test_a_thumb_on_a_corner_hides_it_and_no_more(corner: int) -> None:
    """Sides are fitted over the rest of their length; the corner is where they would meet."""
    rgb, corners = on_a_table(ground=0.2)
    held = rgb.copy()
    place = tuple(int(v) for v in corners[corner])
    cv2.circle(held, place, 60, (205, 150, 125), -1)
    picture = square_up(picture_of(held), rules=PhotoRules(paper_mm=A4_MM))
    assert picture.is_squared
    found = np.column_stack([corners, np.ones(4)]) @ picture.work_from_upright.T
    rows, cols = picture.rgb.shape[:2]
    flat = np.array([[0, 0], [cols, 0], [cols, rows], [0, rows]])
    assert np.hypot(*(found[:, :2] / found[:, 2:] - flat).T).max() < 1.5


def test_a_thumb_on_a_side_does_not_bend_it() -> None:
    rgb, corners = on_a_table(ground=0.2)
    held = rgb.copy()
    x, y = corners[[0, 1]].mean(axis=0)
    cv2.ellipse(held, (int(x), int(y) - 20), (35, 70), 0, 0, 360, (205, 150, 125), -1)
    picture = square_up(picture_of(held), rules=PhotoRules(paper_mm=A4_MM))
    assert picture.mm_per_px is not None
    found_mm = dots_px(picture.rgb)[-3:] * picture.mm_per_px
    assert found_mm == pytest.approx(MARKS_MM[-3:], abs=0.3)


def bowed(rgb: Bytes, k: float) -> Bytes:
    """The picture as a lens would show it that moves a point at u to u (1 + k u2).

    Reference: OpenCV's own camera model, k1 alone.
    """
    rows, cols = rgb.shape[:2]
    size = float(np.hypot(rows, cols)) / 2
    camera = np.array([[size, 0, cols / 2 - 0.5], [0, size, rows / 2 - 0.5], [0, 0, 1]])
    y, x = np.mgrid[:rows, :cols].astype(np.float64)
    seen = np.stack([x.ravel(), y.ravel()], axis=-1)[:, None]
    straight = cv2.undistortPoints(seen, camera, np.array([k, 0, 0, 0]), P=camera)
    back = np.asarray(straight, np.float32).reshape(rows, cols, 2)
    edge = cv2.BORDER_REPLICATE
    bent = cv2.remap(rgb, back[..., 0], back[..., 1], cv2.INTER_CUBIC, borderMode=edge)
    return np.asarray(bent, np.uint8)


@pytest.mark.parametrize("k", [-0.03, 0.02, -0.012])
def test_the_bow_of_the_lens_is_taken_out(k: float) -> None:
    rgb, _ = on_a_table()
    squared = square_up(picture_of(bowed(rgb, k)), rules=PhotoRules(paper_mm=A4_MM))
    assert squared.mm_per_px is not None
    off_mm = dots_px(squared.rgb) * squared.mm_per_px - MARKS_MM
    assert np.abs(off_mm).max() < 0.1  # 0.17 to 0.41 with the bow left in
    assert "bow of the lens" in squared.notes[-1].sentence


def test_sides_that_are_straight_show_no_lens() -> None:
    rgb, _ = on_a_table()
    squared = square_up(picture_of(rgb), rules=PhotoRules(paper_mm=A4_MM))
    assert "lens" not in squared.notes[-1].sentence


def side(a: Floats, b: Floats, bow_px: float) -> Floats:
    """Points of a bowed side, going clockwise as seen, so that inward is to the right."""
    t = np.linspace(-1, 1, 200)[:, None]
    along = (b - a) / np.hypot(*(b - a))
    inward = np.array([-along[1], along[0]])
    rng = np.random.default_rng(7)
    noise = rng.normal(0, 0.2, t.shape)
    return np.asarray((a + b) / 2 + t * (b - a) / 2 + ((1 - t**2) * bow_px + noise) * inward)


BOX = np.array([[200.0, 150], [1000, 150], [1000, 690], [200, 690]])


@pytest.mark.parametrize(
    ("bows", "is_lens"),
    [
        ((0, 0, 0, 0), False),
        ((3, -3, 3, -3), False),  # a sheet that curls, seen from the side
        ((4, 0, 4, 0), False),
        ((4, 3, -4, 3), False),
        ((-4.0, -3.6, -4.0, -3.6), True),
        ((0.3, 0.3, 0.3, 0.3), False),
    ],
)
def test_only_four_sides_bowed_one_way_are_a_lens(
    bows: tuple[float, ...], *, is_lens: bool
) -> None:
    ends = zip(BOX, np.roll(BOX, -1, axis=0), bows, strict=True)
    lens = lens_of([side(a, b, bow) for a, b, bow in ends], (840, 1200))
    assert (lens is not None) == is_lens


def test_a_lens_straightens_what_it_bends() -> None:
    lens = Lens((600.0, 420.0), 732.0, -0.08)
    points = np.random.default_rng(1).uniform(0, 800, (50, 2))
    assert np.abs(lens.straightened(lens.bent(points)) - points).max() < 1e-4


def cloth(tones: tuple[float, float], wide_px: float, *, checked: bool = False) -> Floats:
    """Stripes or checks, under the same lamp as the paper."""
    y, x = np.mgrid[: 840 * 2, : 1200 * 2] / 2
    stripe = np.floor((x + 0.3 * y) / wide_px) % 2
    if checked:
        stripe = (np.floor(x / wide_px) + np.floor(y / wide_px)) % 2
    lamp = np.linspace(1, 0.6, 2400)[None]
    return np.asarray((tones[0] + (tones[1] - tones[0]) * stripe) * lamp)


@pytest.mark.parametrize("light", [0.3, 0.45, 0.55])
def test_a_sheet_on_a_pale_table_under_a_lamp_is_found(light: float) -> None:
    """Paper gives 0.8 of the lamp's light, its far end 0.48: darker than the table near by."""
    rng = np.random.default_rng(6)
    table = light * (1 + 0.3 * grain(rng, (1680, 2400))) * np.linspace(1, 0.6, 2400)[None]
    squared = square_up(picture_of(photographed(table, rng)), rules=PhotoRules(paper_mm=A4_MM))
    assert squared.is_squared
    assert squared.mm_per_px is not None
    assert np.abs(dots_px(squared.rgb) * squared.mm_per_px - MARKS_MM).max() < 0.35


@pytest.mark.parametrize(
    "table",
    [
        cloth((0.1, 0.8), 40),
        cloth((0.3, 0.78), 25),
        cloth((0.15, 0.75), 30, checked=True),
        cloth((0.72, 0.72), 30),
    ],
)
@pytest.mark.parametrize("paper_mm", [None, A4_MM])
def test_on_a_cloth_as_pale_as_paper_it_is_found_or_the_picture_used_whole(
    table: Floats, paper_mm: tuple[float, float] | None
) -> None:
    rgb = photographed(table, np.random.default_rng(6))
    squared = square_up(picture_of(rgb), rules=PhotoRules(paper_mm=paper_mm))
    if squared.is_squared:
        width, height = squared.rgb.shape[1::-1]
        flat = np.array([[0, width, width, 0], [0, 0, height, height], [1, 1, 1, 1]], float)
        seen = np.linalg.inv(squared.work_from_upright) @ flat
        assert np.abs((seen[:2] / seen[2]).T - QUAD_PX).max() < 3
    else:
        assert squared.rgb is rgb
        said = (*squared.notes, *find_ink(squared).notes)
        assert any("no whole sheet" in note.sentence for note in said)


@pytest.mark.parametrize(
    "rules",
    [
        PhotoRules(corners_px=(10, 10, 1500, 0, 1500, 830, 10, 830)),
        PhotoRules(corners_px=(10, -200, 1190, 0, 1190, 830, 10, 830)),
        PhotoRules(scale=(10, 10, 1e9, 10, 100)),
        PhotoRules(scale=(10, 10, float("nan"), 10, 100)),
    ],
)
def test_places_outside_the_picture_are_told(rules: PhotoRules) -> None:
    photo, _ = on_a_table()
    with pytest.raises(UsageError, match="outside the picture, which is 1200 × 840 pixels"):
        square_up(picture_of(photo), rules=rules)


def test_a_corner_that_was_cut_off_may_lie_a_little_outside() -> None:
    photo, _ = on_a_table()
    rules = PhotoRules(corners_px=(-20, -15, 1190, 0, 1215, 830, 10, 850))
    assert square_up(picture_of(photo), rules=rules).is_squared
