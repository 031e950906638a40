"""The whole road, on pictures whose answer is known, and on made-up ones against a raster count."""

import math
import tempfile
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import raster2path
from raster2path.errors import NothingFoundError
from raster2path.geometry import Kind
from raster2path.job import Corrections
from raster2path.model import Border, CutType, Dark, Read
from raster2path.outputs import svg_bytes
from raster2path.pipeline import Result, make
from raster2path.settings import Said, lettering_rules, with_said
from tests.holds import metal_areas_mm2

SAMPLES = Path(__file__).parent.parent / "samples" / "small"
OVER = 8


def covered(draw: Callable[[np.ndarray], object], size: int = 500) -> np.ndarray:
    """A picture with exact coverage: ink 0 on paper 255, drawn large and averaged down."""
    big = np.zeros((size * OVER, size * OVER), np.uint8)
    draw(big)
    small = cv2.resize(big, (size, size), interpolation=cv2.INTER_AREA)
    return np.asarray(255 - small, np.uint8)


def guide(picture: Path, lettering: str = "auto", **said: object) -> Result:
    job = with_said(raster2path.new_job(picture), Said(said, lettering_rules([lettering])))
    return make(job, picture)


def saved(tmp_path: Path, image: np.ndarray) -> Path:
    path = tmp_path / "picture.png"
    cv2.imwrite(str(path), image)
    return path


def test_a_disc_keeps_the_area_and_length_of_a_circle(tmp_path: Path) -> None:
    """Pi r^2 and 2 pi r; a disc of 400 px on 300 mm: the edge is true to a few hundredths."""
    centre, radius = (250 * OVER, 250 * OVER), 200 * OVER
    image = covered(lambda big: cv2.circle(big, centre, radius, 255, -1))
    result = guide(saved(tmp_path, image), width_mm=300.0, read=Read.SOLID)
    (edge,) = result.plan.edges
    assert edge.path.area == pytest.approx(math.pi * 150**2, rel=2e-3)
    assert edge.path.length == pytest.approx(math.pi * 300, rel=2e-3)
    assert len(edge.path) <= 8


@pytest.mark.parametrize("n", [3, 4, 6, 8])
def test_regular_polygons_come_out_with_their_corners(tmp_path: Path, n: int) -> None:
    """N straight pieces; area n/2 R^2 sin(2 pi/n); perimeter 2 n R sin(pi/n)."""
    angles = np.arange(n) * 2 * math.pi / n + 0.1
    corners = np.column_stack([np.cos(angles), np.sin(angles)]) * 200 * OVER + 250 * OVER
    shape = np.round(corners).astype(np.int32).reshape(-1, 1, 2)
    image = covered(lambda big: cv2.fillPoly(big, [shape], 255))
    width_px = np.ptp(corners[:, 0]) / OVER
    result = guide(saved(tmp_path, image), "all", width_mm=400.0, read=Read.SOLID)
    (edge,) = result.plan.edges
    radius_mm = 200 * 400 / width_px
    assert len(edge.path) == n
    assert edge.path.area == pytest.approx(
        n / 2 * radius_mm**2 * math.sin(2 * math.pi / n), rel=4e-3
    )
    assert edge.path.length == pytest.approx(2 * n * radius_mm * math.sin(math.pi / n), rel=2e-3)


@pytest.mark.parametrize(
    ("name", "read"),
    [
        ("ferry-solid.png", Read.SOLID),
        ("heron-sketch.jpg", Read.EDGE),
        ("kelp-lines.png", Read.SLIT),
    ],
)
def test_samples_are_read_as_what_they_are_and_hold_together(
    tmp_path: Path, name: str, read: Read
) -> None:
    """The guess, and one piece by scipy.ndimage.label on a raster of the file."""
    result = guide(SAMPLES / name, width_mm=600.0)
    assert result.reading.read is read
    assert result.is_ready, result.stamp.not_ready
    svg = tmp_path / "guides.svg"
    svg.write_bytes(svg_bytes(result))
    assert len(metal_areas_mm2(svg, kerf_mm=1.5)) == 1


def test_bars_stay_and_faces_fall(tmp_path: Path) -> None:
    result = guide(SAMPLES / "boat-shed-bars.png", width_mm=600.0, read=Read.BAR)
    assert result.is_ready, result.stamp.not_ready
    assert sum(cut.type is CutType.OPENING for cut in result.order.cuts) > 10
    svg = tmp_path / "guides.svg"
    svg.write_bytes(svg_bytes(result))
    assert len(metal_areas_mm2(svg, kerf_mm=1.5)) == 1


def test_nested_outlines_take_turns(tmp_path: Path) -> None:
    """Three drawn rings: border, opening, and an island that is tied."""
    image = np.full((600, 600), 255, np.uint8)
    for radius in (260, 180, 90):
        cv2.circle(image, (300, 300), radius, 30, 5, cv2.LINE_AA)
    result = guide(saved(tmp_path, image), width_mm=400.0, read=Read.EDGE)
    assert result.outlines.border is Border.DRAWN
    assert [edge.depth for edge in result.art.edges] == [0, 1, 2]
    assert result.art.edges[1].path.area == pytest.approx(
        -math.pi * (200 * 180 / 260) ** 2, rel=0.01
    )
    assert result.sign.n_islands == 1
    assert result.is_ready


def test_stages_whose_inputs_are_the_same_are_not_done_again() -> None:
    picture = SAMPLES / "ferry-solid.png"
    first = guide(picture, width_mm=600.0)
    kerf = with_said(first.job, Said({"kerf_mm": 2.0}))
    second = make(kerf, picture, previous=first)
    assert second.paths is first.paths
    assert second.plan is not first.plan
    assert second.hashes["fit"] == first.hashes["fit"]
    assert second.hashes["torch"] != first.hashes["torch"]
    wider = make(with_said(first.job, Said({"width_mm": 700.0})), picture, previous=first)
    assert wider.ink is first.ink
    assert wider.paths is not first.paths


def test_progress_can_cancel() -> None:
    class Stopped(Exception):  # noqa: N818 (it is no error)
        pass

    def stop_at_ties(stage: str) -> None:
        if stage == "ties":
            raise Stopped

    picture = SAMPLES / "ferry-solid.png"
    with pytest.raises(Stopped):
        make(raster2path.new_job(picture), picture, progress=stop_at_ties)


def test_lettering_boxes_decide(tmp_path: Path) -> None:
    image = np.full((300, 600), 255, np.uint8)
    cv2.rectangle(image, (60, 60), (240, 240), 0, -1)
    cv2.rectangle(image, (360, 60), (540, 240), 0, -1)
    result = guide(saved(tmp_path, image), "40,40,230,230", read=Read.SOLID)
    kinds = [ring.path.kind for ring in result.paths.rings]
    assert sorted(kinds) == [Kind.ORGANIC, Kind.LETTERING]


def test_corrections_by_hand_win_and_none_is_dropped(tmp_path: Path) -> None:
    """A box in picture pixels makes one square lettering; a box over nothing is told."""
    image = np.full((300, 600), 255, np.uint8)
    cv2.rectangle(image, (60, 60), (240, 240), 0, -1)
    cv2.rectangle(image, (360, 60), (540, 240), 0, -1)
    picture = saved(tmp_path, image)
    corrections = Corrections(
        lettering_boxes_px=((40.0, 40.0, 230.0, 230.0), (280.0, 10.0, 20.0, 20.0))
    )
    job = with_said(raster2path.new_job(picture), Said({}, lettering_rules(["none"])))
    result = make(replace(job, corrections=corrections), picture)
    kinds = [ring.path.kind for ring in result.paths.rings]
    assert sorted(kinds) == [Kind.ORGANIC, Kind.LETTERING]
    told = [note.sentence for note in result.notes if "finds no edge" in note.sentence]
    assert told == ["The lettering box 280, 10, 20, 20 of the corrections finds no edge."]


def test_the_mark_follows_what_is_cut() -> None:
    picture = SAMPLES / "ferry-solid.png"
    first = guide(picture, width_mm=600.0)
    assert guide(picture, width_mm=600.0).stamp.mark == first.stamp.mark
    assert guide(picture, width_mm=601.0).stamp.mark != first.stamp.mark
    assert not set(first.stamp.mark) & set("01OI")


blobs = st.lists(
    st.tuples(
        st.integers(60, 340),
        st.integers(60, 340),
        st.integers(6, 110),
        st.integers(6, 110),
        st.integers(0, 179),
        st.booleans(),
    ),
    min_size=1,
    max_size=7,
)


@settings(max_examples=12, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(blobs, st.sampled_from(Dark))
def test_whatever_is_drawn_it_holds_or_is_stamped(
    shapes: list[tuple[int, int, int, int, int, bool]], dark: Dark
) -> None:
    """Ready means one piece, counted on a raster; anything else says NOT READY."""
    image = np.full((400, 400), 255, np.uint8)
    for x, y, a, b, turn, is_ink in shapes:
        colour = 0 if is_ink else 255
        cv2.ellipse(image, (x, y), (a, b), turn, 0, 360, colour, -1, cv2.LINE_AA)
    said: dict[str, Any] = {"dark": dark, "read": Read.SOLID, "width_mm": 500.0}
    if dark is Dark.OPENING:
        said["border"] = Border.RECT
    with tempfile.TemporaryDirectory() as folder:
        picture = saved(Path(folder), image)
        try:
            result = guide(picture, **said)
        except NothingFoundError:
            assert (image < 128).mean() < 0.001 or (image < 128).mean() > 0.9
            return
        svg = Path(folder) / "guides.svg"
        svg.write_bytes(svg_bytes(result))
        n_pieces = len(metal_areas_mm2(svg, kerf_mm=1.5))
    assert n_pieces == 1 or not result.is_ready
