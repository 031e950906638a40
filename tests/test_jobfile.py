"""job.toml: written and read back, and every way to spoil it answered in one sentence."""

import os
from pathlib import Path

import pytest

from raster2path.errors import UnreadableError, UsageError
from raster2path.job import Job
from raster2path.jobfile import job_toml, new_job, read_job
from raster2path.model import Border, Dark
from raster2path.settings import Said, lettering_rules, with_said

SHA = "0" * 64


def written(tmp_path: Path, job: Job, guessed: dict[str, str] | None = None) -> Path:
    folder = tmp_path / "kelp-job"
    folder.mkdir(exist_ok=True)
    file = folder / "job.toml"
    file.write_text(
        job_toml(
            job,
            picture=tmp_path / "kelp bett.png",
            picture_sha256=SHA,
            folder=folder,
            guessed=guessed or {},
        ),
        encoding="utf-8",
    )
    return file


def test_a_job_comes_back_as_it_was(tmp_path: Path) -> None:
    said = Said(
        {"width_mm": 450.0, "border": Border.ROUND, "dark": Dark.OPENING},
        lettering_rules(["10,20,30,40"]),
    )
    job = with_said(Job(name="kelp", date="2026-11-24"), said)
    held = read_job(written(tmp_path, job))
    assert held.job == job
    assert held.picture == tmp_path / "kelp bett.png"
    assert held.picture_sha256 == SHA


def test_guesses_are_marked_and_guessed_again(tmp_path: Path) -> None:
    job = Job(name="kelp", date="2026-11-24")
    file = written(tmp_path, job, {"read": "slit"})
    text = file.read_text()
    assert text.index("[guessed]") < text.index('read = "slit"')
    assert read_job(file).job.reading.read is None


def test_a_new_job_is_dated_by_the_picture_not_the_clock(tmp_path: Path) -> None:
    picture = tmp_path / "ferry.png"
    picture.write_bytes(b"x")
    os.utime(picture, (86400 * 365, 86400 * 365))
    assert new_job(picture).date == "1971-01-01"
    with pytest.raises(UnreadableError, match="No such file"):
        new_job(tmp_path / "none.png")


@pytest.mark.parametrize(
    ("change", "error", "match"),
    [
        (("version = 1", "version = 9"), UnreadableError, "format version is 9"),
        (("version = 1", "version = "), UnreadableError, "not a job file"),
        (("width_mm = 450.0", "width_mm = -1"), UsageError, "is not a length"),
        (("width_mm = 450.0", "width_mm = nan"), UsageError, "is not a length"),
        (("width_mm = 450.0", "wobble = 3"), UsageError, "no setting 'wobble'"),
        (("[corrections]", "[corrections]\nties = 3"), UsageError, "no correction 'ties'"),
        (("[picture]", "[pictures]"), UnreadableError, "needs path and sha256"),
        (("margin_mm = 25.0", "margin_mm = {}"), UsageError, "makes no sense"),
    ],
)
def test_a_spoilt_job_is_one_sentence(
    tmp_path: Path, change: tuple[str, str], error: type[Exception], match: str
) -> None:
    job = with_said(Job(name="kelp", date="2026-11-24"), Said({"width_mm": 450.0}))
    file = written(tmp_path, job)
    text = file.read_text()
    assert change[0] in text
    file.write_text(text.replace(*change), encoding="utf-8")
    with pytest.raises(error, match=match):
        read_job(file)
