"""Corrections by hand: ink painted and rubbed, faces turned over, an edge's kind at a place."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt
import pytest

from raster2path import make, new_job
from raster2path.errors import UsageError
from raster2path.geometry import Kind
from raster2path.job import Corrections, Job, OrderHow, OrderRules, ReadingRules, SizeRules
from raster2path.jobfile import job_toml, read_job
from raster2path.model import Border, Dark, Ink, Read
from raster2path.picture.brush import brush, turn_faces
from raster2path.pipeline import Result
from raster2path.sign.trial import trial_of

SIZE = 200


def ink_of(mask: npt.NDArray[np.bool_]) -> Ink:
    return Ink(mask, mask.astype(np.float32), is_photograph=False, blur_px=0.0, pen_px=6.0)


def blank() -> npt.NDArray[np.bool_]:
    return np.zeros((SIZE, SIZE), np.bool_)


def test_a_stroke_paints_as_much_as_its_width_times_its_length() -> None:
    painted = brush(
        ink_of(blank()), strokes_px=((10.0, 50, 100.5, 150, 100.5),), work_from_upright=np.eye(3)
    )
    round_ends = np.pi * 5**2
    assert painted.level.sum() == pytest.approx(10 * 100 + round_ends, rel=0.1)
    assert painted.mask[100, 100]
    assert not painted.mask[90, 100]


def test_rubbing_out_takes_back_what_was_painted() -> None:
    stroke = (10.0, 50.0, 100.5, 150.0, 100.5)
    rub = (-16.0, *stroke[1:])
    both = brush(ink_of(blank()), strokes_px=(stroke, rub), work_from_upright=np.eye(3))
    assert not both.mask.any()
    other_way = brush(ink_of(blank()), strokes_px=(rub, stroke), work_from_upright=np.eye(3))
    assert other_way.mask.any()


def test_a_brush_follows_the_picture_as_it_was_squared_up() -> None:
    """Strokes are anchored in the upright original, not in what became of it."""
    half = np.diag([0.5, 0.5, 1.0])
    painted = brush(
        ink_of(blank()), strokes_px=((20.0, 200, 200, 201, 200),), work_from_upright=half
    )
    rows, cols = np.nonzero(painted.mask)
    assert rows.mean() + 0.5 == pytest.approx(100, abs=1)
    assert np.ptp(cols) + 1 == pytest.approx(11, abs=2)


def test_no_strokes_leave_the_very_ink() -> None:
    ink = ink_of(blank())
    assert brush(ink, strokes_px=(), work_from_upright=np.eye(3)) is ink
    assert (
        turn_faces(ink, falls_px=(), stays_px=(), region=Dark.METAL, work_from_upright=np.eye(3))
        is ink
    )


def test_an_area_is_turned_over_and_its_neighbour_is_not() -> None:
    mask = blank()
    mask[20:60, 20:60] = mask[20:60, 63:100] = True  # three pixels apart
    turned = turn_faces(
        ink_of(mask),
        falls_px=(),
        stays_px=((40, 40),),
        region=Dark.OPENING,
        work_from_upright=np.eye(3),
    )
    assert not turned.mask[20:60, 20:60].any()
    assert turned.mask[20:60, 63:100].all()


def test_what_is_so_already_is_left_alone() -> None:
    mask = blank()
    mask[20:60, 20:60] = True
    turned = turn_faces(
        ink_of(mask),
        falls_px=((40, 40),),
        stays_px=((100, 100), (1e6, 5)),
        region=Dark.OPENING,
        work_from_upright=np.eye(3),
    )
    assert (turned.mask == mask).all()


# ------------------------------------------------------------------ the whole road


@pytest.fixture(scope="module")
def rooms(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A frame drawn with a thin line and cut in two by another: two faces."""
    canvas = np.full((600, 800), 255, np.uint8)
    cv2.rectangle(canvas, (100, 100), (700, 500), 0, 6, cv2.LINE_AA)
    cv2.line(canvas, (400, 100), (400, 500), 0, 6, cv2.LINE_AA)
    file = tmp_path_factory.mktemp("rooms") / "rooms.png"
    cv2.imwrite(str(file), canvas)
    return file


def edge_job(picture: Path, corrections: Corrections) -> Job:
    return replace(
        new_job(picture),
        reading=ReadingRules(read=Read.EDGE),
        size=SizeRules(border=Border.RECT),
        order=OrderRules(how=OrderHow.NEAR),
        corrections=corrections,
    )


def openings(result: Result) -> int:
    return sum(edge.path.area < 0 for edge in result.sign.edges)


def test_a_face_stays_or_falls_as_said(rooms: Path) -> None:
    drawn = make(edge_job(rooms, Corrections()), rooms)
    assert openings(drawn) == 1  # both halves fall out as one
    stays = make(edge_job(rooms, Corrections(stays_px=((250, 300),))), rooms, previous=drawn)
    area = sum(edge.path.area for edge in stays.sign.edges)
    assert area > sum(edge.path.area for edge in drawn.sign.edges) * 1.3
    both = Corrections(stays_px=((250, 300), (550, 300)))
    assert openings(make(edge_job(rooms, both), rooms, previous=drawn)) == 0


def test_an_edge_is_the_kind_that_is_said_at_a_place(rooms: Path) -> None:
    for kind, said in (
        (Kind.ORGANIC, Corrections(organic_px=((100, 300),))),
        (Kind.LETTERING, Corrections(lettering_px=((100, 300),))),
        (Kind.GEOMETRIC, Corrections(geometric_px=((100, 300),))),
    ):
        result = make(edge_job(rooms, said), rooms)
        kinds = {int(k) for ring in result.outlines.rings for k in ring.kinds}
        assert kinds == {int(kind)}


def test_a_place_that_finds_no_edge_is_told(rooms: Path) -> None:
    result = make(edge_job(rooms, Corrections(lettering_px=((250, 300),))), rooms)
    assert any("finds no edge" in note.sentence for note in result.notes)


def test_every_correction_comes_back_from_job_toml(tmp_path: Path, rooms: Path) -> None:
    said = Corrections(
        ink_px=((8.0, 1.0, 2.0, 3.0, 4.0), (-8.0, 1.0, 2.0)),
        falls_px=((1.0, 2.0),),
        stays_px=((3.0, 4.0),),
        lettering_px=((5.0, 6.0),),
        geometric_boxes_px=((1.0, 2.0, 3.0, 4.0),),
        wide_ties_px_mm=((1.0, 2.0, 9.0),),
        done_px=((7.0, 8.0),),
        lost_ties_px=((9.0, 8.0),),
    )
    text = job_toml(
        replace(new_job(rooms), corrections=said),
        picture=rooms,
        picture_sha256="",
        folder=tmp_path,
        guessed={},
    )
    file = tmp_path / "job.toml"
    file.write_text(text, encoding="utf-8")
    assert read_job(file).job.corrections == said


@pytest.mark.parametrize("entry", ["[4.0, 1.0]", "[]", "[4.0, 1.0, 2.0, 3.0]", "[1.0, nan, 2.0]"])
def test_a_stroke_of_a_wrong_form_is_told(tmp_path: Path, rooms: Path, entry: str) -> None:
    text = job_toml(new_job(rooms), picture=rooms, picture_sha256="", folder=tmp_path, guessed={})
    file = tmp_path / "job.toml"
    file.write_text(text.replace("[corrections]", f"[corrections]\nink_px = [{entry}]"))
    with pytest.raises(UsageError, match="ink_px holds strokes"):
        read_job(file)


# ------------------------------------------------------------------ ties


@pytest.fixture(scope="module")
def target(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A black ring round a black disc: the disc floats."""
    canvas = np.full((600, 600), 255, np.uint8)
    cv2.circle(canvas, (300, 300), 250, 0, 80, cv2.LINE_AA)
    cv2.circle(canvas, (300, 300), 120, 0, -1, cv2.LINE_AA)
    file = tmp_path_factory.mktemp("target") / "target.png"
    cv2.imwrite(str(file), canvas)
    return file


def tied(target: Path, corrections: Corrections, previous: Result | None = None) -> Result:
    job = replace(
        new_job(target),
        order=OrderRules(how=OrderHow.NEAR),
        size=SizeRules(width_mm=300.0),
        corrections=corrections,
    )
    return make(job, target, previous=previous)


IN_THE_GAP = (300.0, 465.0)


def test_a_tie_is_as_wide_as_said(target: Path) -> None:
    plain = tied(target, Corrections(ties_px=(IN_THE_GAP,)))
    wide = tied(target, Corrections(wide_ties_px_mm=((*IN_THE_GAP, 17.0),)), plain)
    assert plain.sign.ties[0].width_mm == pytest.approx(6.0, abs=0.5)
    assert wide.sign.ties[0].width_mm == pytest.approx(17.0, abs=0.1)


def test_a_tie_on_trial_lies_where_it_will_be_laid(target: Path) -> None:
    laid = tied(target, Corrections(wide_ties_px_mm=((*IN_THE_GAP, 17.0),)))
    at = laid.art.placement.to_mm(np.array([IN_THE_GAP]))[0]
    trial = trial_of(laid.art, rules=laid.job.ties)
    found = trial.tie_at(complex(*at), 17.0)
    assert found is not None
    assert np.allclose(found.corners, laid.sign.ties[0].corners)
    assert trial.tie_at(complex(laid.sign.art.placement.sign_mm[2], 0) * 10) is None
