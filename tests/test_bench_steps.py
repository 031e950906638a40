"""What the page asks becomes a job, each step is kept, and edges come in a sensible order."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from raster2path.bench.changes import changed
from raster2path.bench.jobs import OpenJob, open_job
from raster2path.bench.parts import Parts
from raster2path.bench.scout import in_turn
from raster2path.bench.steps import NAME, history_of
from raster2path.errors import UsageError
from raster2path.geometry import Kind
from raster2path.job import Job
from raster2path.model import Border, Dark, Outlines, Placement, Ring
from raster2path.pipeline import make

JOB = Job(name="kelp", date="2026-11-28")
SQUARE = [0.0, 0.0, 100.0, 0.0, 100.0, 100.0, 0.0, 100.0]
INNER = [10.0, 10.0, 90.0, 10.0, 90.0, 90.0]


def with_width(job: Job, width_mm: float) -> Job:
    return changed(job, {"do": "set", "key": "width_mm", "value": str(width_mm)})


@pytest.fixture
def opened(tmp_path: Path) -> OpenJob:
    picture = tmp_path / "kelp.png"
    Image.new("L", (40, 40), 255).save(picture)
    one = open_job(picture)
    one.save(one.job, {})
    return one


def again(opened: OpenJob, job: Job) -> OpenJob:
    """As after a crash: the job is in its file, everything else is forgotten."""
    opened.save(job, {})
    return open_job(opened.folder)


def test_steps_outlive_the_program(opened: OpenJob) -> None:
    history = history_of(opened)
    for width in (500.0, 510.0, 520.0):
        history.step(with_width(history.job, width), None)
    history.move(-1)
    later = history_of(again(opened, history.job))
    assert [job.size.width_mm for job in later.jobs] == [None, 500, 510, 520]
    assert later.job.size.width_mm == 510
    assert later.move(1)
    assert later.job.size.width_mm == 520
    assert not later.move(1)


def test_steps_with_one_word_are_one_step_after_a_crash_too(opened: OpenJob) -> None:
    history = history_of(opened)
    for width in (500.0, 510.0, 520.0):
        history.step(with_width(history.job, width), "width")
    later = history_of(again(opened, history.job))
    assert [job.size.width_mm for job in later.jobs] == [None, 520]


def test_a_line_cut_short_by_a_crash_is_left_out(opened: OpenJob) -> None:
    history = history_of(opened)
    history.step(with_width(history.job, 500), None)
    history.step(with_width(history.job, 510), None)
    file = opened.folder / NAME
    file.write_bytes(file.read_bytes()[:-40])
    later = history_of(again(opened, history.job))
    assert [job.size.width_mm for job in later.jobs] == [None, 500, 510]


def test_a_job_changed_elsewhere_is_one_more_step(opened: OpenJob) -> None:
    history = history_of(opened)
    history.step(with_width(history.job, 500), None)
    later = history_of(again(opened, with_width(history.job, 777)))
    assert [job.size.width_mm for job in later.jobs] == [None, 500, 777]


@pytest.mark.parametrize("text", ["", "no json", '{"job": 3}\n{"by": 9}\n[]\n', '{"by": -1}\n'])
def test_a_spoilt_file_of_steps_loses_no_job(opened: OpenJob, text: str) -> None:
    (opened.folder / NAME).write_text(text)
    assert history_of(opened).job == opened.job


# ------------------------------------------------------------------ what the page asks


def test_a_loop_answers_those_that_lie_in_it() -> None:
    job = changed(JOB, {"do": "kind", "kind": "lettering", "loop": INNER})
    job = changed(job, {"do": "kind", "kind": "organic", "at": [50, 50], "near_px": 3})
    job = changed(job, {"do": "kind", "kind": "organic", "loop": SQUARE})
    said = job.corrections
    assert (said.lettering_loops_px, said.organic_px) == ((), ())
    assert said.organic_loops_px == (tuple(SQUARE),)


def test_a_smaller_loop_leaves_the_larger_one() -> None:
    job = changed(JOB, {"do": "ease", "ease": "looser", "loop": SQUARE})
    job = changed(job, {"do": "ease", "ease": "stricter", "loop": INNER})
    assert job.corrections.looser_loops_px == (tuple(SQUARE),)
    assert job.corrections.stricter_loops_px == (tuple(INNER),)


def test_a_point_dragged_twice_is_one_move() -> None:
    job = changed(JOB, {"do": "point moved", "at": [10, 10], "to": [20, 20], "near_px": 2})
    job = changed(job, {"do": "point moved", "at": [20.5, 20], "to": [30, 31], "near_px": 2})
    assert job.corrections.moved_points_px == ((10, 10, 30, 31),)
    job = changed(job, {"do": "point removed", "at": [30, 31], "near_px": 2})
    assert job.corrections.moved_points_px == ()
    assert job.corrections.no_points_px == ((10, 10),)


@pytest.mark.parametrize(
    "asked",
    [
        {"do": "kind", "kind": "lettering", "loop": [1, 2, 3]},
        {"do": "kind", "kind": "lettering", "loop": [1, 2, 3, 4]},
        {"do": "kind", "kind": "lettering", "loop": [1.0] * 5000},
        {"do": "kind", "kind": "lettering", "loop": [1, 2, 3, 4, 5, float("nan")]},
        {"do": "ease", "ease": "faster", "loop": SQUARE},
        {"do": "ease", "ease": "looser"},
        {"do": "point moved", "at": [1, 2], "to": "there", "near_px": 1},
        {"do": "point removed", "at": [1, 2]},
    ],
)
def test_what_makes_no_sense_changes_nothing(asked: dict[str, object]) -> None:
    with pytest.raises(UsageError):
        changed(JOB, asked)


# ------------------------------------------------------------------ what is shown first


def ring(x: float, size: float, n: int, kind: Kind = Kind.ORGANIC) -> Ring:
    t = np.arange(n) / n * 2 * np.pi
    points = np.column_stack([x + size * np.cos(t), 50 + size * np.sin(t)])
    return Ring(points, np.full(n, int(kind), np.uint8), 0.05)


def test_edges_in_view_come_first_and_short_ones_before_long_ones() -> None:
    rings = (ring(900, 5, 40), ring(50, 40, 2000), ring(60, 5, 60), ring(40, 5, 50, Kind.LETTERING))
    placement = Placement(0.5, 0j, (0.0, 0.0, 1000.0, 100.0))
    outlines = Outlines(rings, (), Dark.METAL, Border.NONE, placement, 0.2)
    assert in_turn(outlines, (0.0, 0.0, 100.0, 100.0), is_flowing=True) == [2, 1, 0]
    assert in_turn(outlines, (0.0, 0.0, 100.0, 100.0), is_flowing=False) == [3]


def test_what_is_shown_already_is_not_told_again(tmp_path: Path) -> None:
    picture = tmp_path / "kelp.png"
    pixels = np.full((200, 300), 255, np.uint8)
    pixels[40:160, 60:240] = 0
    pixels[80:120, 110:190] = 255
    pixels[90:110, 130:170] = 0
    Image.fromarray(pixels).save(picture)
    shown: dict[str, str] = {}
    known: dict[str, object] = {}

    def stages(job: Job) -> list[str]:
        parts, told = Parts(job, shown), list[str]()

        def made(stage: str, hashed: str, noun: object) -> None:
            if parts.take(stage, hashed, noun) is not None:
                told.append(stage)

        make(job, picture, known=known, made=made)
        return told

    job = replace(JOB, name="kelp")
    assert stages(job) == ["paper", "brush", "reading", "areas", "points", "ties"]
    assert stages(job) == []
    assert stages(with_width(job, 321)) == ["ties"]
