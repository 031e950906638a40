"""Many pictures: any number of workers, a bad one among them, one that kills its worker, resuming.

That the files are right is the other tests' matter; here they are compared with those of one
process working alone.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from concurrent.futures import Executor, ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

import raster2path
from raster2path import ExitStatus, Outcome, Said, guide_many
from raster2path.cli import main
from raster2path.errand import Errand, try_errand
from raster2path.job import Corrections, Job
from raster2path.jobfile import digest_of, job_toml, read_job
from raster2path.settings import SETTINGS, with_said

NAMES = ("ferry.png", "kelp bed.png", "Möwe.png", "лодка.png")
Files = dict[str, bytes]


def slab(path: Path, radius: int = 40) -> Path:
    """A slab of ink with a round window; small, so that a run is short."""
    image = np.full((160, 240), 255, np.uint8)
    cv2.rectangle(image, (20, 20), (220, 140), 0, -1)
    cv2.circle(image, (120, 80), radius, 255, -1, cv2.LINE_AA)
    path.write_bytes(cv2.imencode(".png", image)[1].tobytes())
    os.utime(path, (1.7e9, 1.7e9))  # a job is dated as its picture
    return path


@pytest.fixture
def quay(tmp_path: Path) -> Path:
    """A folder with four pictures, one that is none, and what is to be left alone."""
    folder = tmp_path / "quay"
    folder.mkdir()
    for k, name in enumerate(NAMES):
        slab(folder / name, 30 + 5 * k)
    (folder / "broken.png").write_bytes(b"\x89PNG\r\n\x1a\n and no more")
    (folder / "notes.txt").write_text("tide table")
    (folder / ".hidden.png").write_bytes(b"")
    return folder


def files_in(folder: Path) -> Files:
    return {
        str(file.relative_to(folder)): file.read_bytes()
        for file in sorted(folder.rglob("*"))
        if file.is_file()
    }


@pytest.fixture(scope="module")
def alone(tmp_path_factory: pytest.TempPathFactory) -> Files:
    """What one process makes of each picture, given alone on the command line."""
    folder = tmp_path_factory.mktemp("alone")
    for k, name in enumerate(NAMES):
        assert main(["guide", str(slab(folder / name, 30 + 5 * k)), "--width", "300"]) == 0
    return {name: data for name, data in files_in(folder).items() if "-job" in name}


@contextmanager
def no_executor() -> Iterator[None]:
    yield None


@contextmanager
def cluster() -> Iterator[Executor]:
    """A real cluster of two worker processes on this machine, by an existing engine."""
    from distributed import Client, LocalCluster

    with (
        LocalCluster(
            n_workers=2, threads_per_worker=1, dashboard_address=None, host="127.0.0.1"
        ) as local,
        Client(local) as client,
        client.get_executor() as executor,
    ):
        yield executor


@pytest.mark.parametrize(
    ("workers", "jobs"),
    [(no_executor, 1), (no_executor, 2), (lambda: ThreadPoolExecutor(3), 1), (cluster, 1)],
    ids=["one", "two processes", "threads", "cluster"],
)
@pytest.mark.filterwarnings("default")  # the engine's own, when it starts and stops
def test_any_workers_make_the_same_files(
    quay: Path, alone: Files, workers: object, jobs: int
) -> None:
    """Byte for byte, outcomes in the order of the pictures, the broken one told and passed over."""
    with workers() as executor:  # type: ignore[operator]
        outcomes = list(
            guide_many([quay], said=Said({"width_mm": 300.0}), jobs=jobs, executor=executor)
        )
    assert [o.source for o in outcomes] == sorted(quay / n for n in (*NAMES, "broken.png"))
    status = {o.source.name: o.status for o in outcomes}
    assert status.pop("broken.png") is ExitStatus.UNREADABLE
    assert set(status.values()) == {ExitStatus.DONE}
    made = {name: data for name, data in files_in(quay).items() if "-job" in name}
    assert made == alone


def test_pictures_are_opened_by_the_workers_alone(quay: Path) -> None:
    """The process that asks imports no OpenCV: its memory does not grow with the pictures."""
    code = (
        "import sys, raster2path\n"
        "if __name__ == '__main__':\n"
        "    done = list(raster2path.guide_many([sys.argv[1]], jobs=2))\n"
        "    print(len(done), 'cv2' in sys.modules, 'shapely' in sys.modules)\n"
    )
    script = quay / "many.py"
    script.write_text(code)
    said = subprocess.run(
        [sys.executable, script, quay], capture_output=True, text=True, check=True, timeout=120
    )
    assert said.stdout.split() == ["5", "False", "False"]


# ---------------------------------------------------------------- one line each


def test_a_folder_is_told_one_line_a_picture(
    quay: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["guide", str(quay), "--jobs", "2"]) == 4
    said = capsys.readouterr()
    out = said.out.splitlines()
    assert len(out) == 5
    for line, name in zip(out, sorted(NAMES), strict=False):
        assert line.startswith(f"{quay / name}: read as solid; 600 × ")
        assert line.endswith(f"→ {quay / name.removesuffix('.png')}-job")
    assert out[-1].startswith("5 pictures in ")
    assert out[-1].endswith(": 4 ready to cut, 1 could not be read")
    assert said.err.startswith("raster2path: broken.png is ")
    assert said.err.count("\n") == 1


def test_what_cannot_be_cut_is_told_with_the_reason(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    image = np.full((160, 240), 255, np.uint8)
    for x in (20, 130):
        cv2.rectangle(image, (x, 20), (x + 90, 140), 0, -1)
    cv2.imwrite(str(tmp_path / "pair.png"), image)
    slab(tmp_path / "one.png")
    words = ["guide", str(tmp_path), "--read", "solid", "--ties", "none"]
    for told in (
        "NOT READY TO CUT: ",
        "done before, with the same picture and settings; NOT READY",
    ):
        assert main(words) == 3
        out = capsys.readouterr().out
        assert told in out
        assert "1 ready to cut, 1 not ready to cut" in out


@pytest.mark.parametrize("jobs", ["0", "61", "-1"])
def test_jobs_out_of_range(quay: Path, capsys: pytest.CaptureFixture[str], jobs: str) -> None:
    assert main(["guide", str(quay), "--jobs", jobs]) == 2
    assert "expected 1 to 60" in capsys.readouterr().err
    with pytest.raises(ValueError, match="expected 1 to 60"):
        guide_many([quay], jobs=int(jobs))


def test_an_empty_folder_is_one_sentence(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["guide", str(tmp_path)]) == 4
    assert "is a folder without a picture" in capsys.readouterr().err


def test_two_pictures_of_one_name_do_not_share_a_folder(tmp_path: Path) -> None:
    """The first has it, whatever the number of workers; the other one is told."""
    slab(tmp_path / "ferry.png")
    slab(tmp_path / "ferry.bmp", 20)
    for jobs in (1, 2):
        outcomes = list(guide_many([tmp_path], jobs=jobs))
        assert [o.status for o in outcomes] == [ExitStatus.DONE, ExitStatus.USAGE]
        assert "rename one of them" in outcomes[1].line
    assert 'path = "../ferry.bmp"' in (tmp_path / "ferry-job" / "job.toml").read_text()


def test_one_place_for_all(quay: Path, tmp_path: Path, alone: Files) -> None:
    """With an output folder, job folders lie in it; asked by their job.toml, they stay there."""
    place = tmp_path / "to cut"
    done = list(guide_many([quay], said=Said({"width_mm": 300.0}), output=place))
    assert {o.place for o in done if o.place} == {
        place / f"{name.removesuffix('.png')}-job" for name in NAMES
    }
    same = {name for name in alone if not name.endswith("job.toml")}  # other way to the picture
    assert {name: files_in(place)[name] for name in same} == {n: alone[n] for n in same}
    again = list(guide_many(sorted(place.iterdir()), output=place))
    assert all(o.is_kept for o in again)


# ---------------------------------------------------------------- resuming


def made_again(folder: Path, *, said: Said | None = None, **ways: bool) -> set[str]:
    """Names of the pictures that a run does not take as done."""
    outcomes = list(guide_many([folder], said=said, **ways))  # type: ignore[arg-type]
    return {o.source.name for o in outcomes if o.place is not None and not o.is_kept}


def edited(file: Path, old: str, new: str) -> None:
    text = file.read_text(encoding="utf-8")
    assert old in text
    file.write_text(text.replace(old, new), encoding="utf-8")


def test_what_is_done_is_not_done_again(quay: Path) -> None:
    assert made_again(quay) == set(NAMES)
    before = files_in(quay)
    assert made_again(quay) == set()
    assert files_in(quay) == before
    (quay / "ferry-job" / "guides.svg").unlink()
    (quay / "Möwe-job" / "as-hung.png").write_bytes(b"half a pi")
    edited(quay / "kelp bed-job" / "job.toml", "kerf_mm = 1.5", "kerf_mm = 1.2")
    assert made_again(quay) == {"ferry.png", "Möwe.png", "kelp bed.png"}
    assert made_again(quay) == set()
    slab(quay / "лодка.png", 20)
    assert made_again(quay) == {"лодка.png"}


def test_other_settings_or_another_version_are_made(
    quay: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert made_again(quay) == set(NAMES)
    wider = Said({"width_mm": 320.0})
    assert made_again(quay, said=wider) == set(NAMES)
    assert made_again(quay) == set(), "an older job's settings are read first"
    assert made_again(quay, said=wider) == set()
    assert made_again(quay, anyway=True) == set(NAMES)
    assert made_again(quay, again=True) == set(NAMES)
    assert made_again(quay, fresh=True) == set(NAMES)
    monkeypatch.setattr("raster2path.jobfile.version", lambda _: "9.9")
    assert made_again(quay) == set(NAMES)


@pytest.mark.parametrize(
    "spoilt",
    [
        "[made]\nof = 3",
        "[made]\nof = 'x'\nready = true\n[made.files]\n'../../boat' = 'x'",
        "made = 3",
    ],
)
def test_a_spoilt_record_is_no_record(tmp_path: Path, spoilt: str) -> None:
    slab(tmp_path / "ferry.png")
    assert made_again(tmp_path) == {"ferry.png"}
    file = tmp_path / "ferry-job" / "job.toml"
    text = file.read_text()
    head = text[: text.index("[made]\n")]
    file.write_text(f"{spoilt}\n{head}" if spoilt == "made = 3" else head + spoilt)
    assert made_again(tmp_path) == {"ferry.png"}


def test_every_setting_survives_the_file_so_that_the_job_is_known_again(tmp_path: Path) -> None:
    words = {
        "length_mm": "123.4mm", "size_mm": "901x602", "paper_mm": "a5", "percent": "41",
        "amperes": "33", "count": "1", "share": "0.25", "sides": "left,top", "amount": "12.5",
    }  # fmt: skip
    special = {"scale": "10,20,110.5,20=300", "paper_corners_px": "1,2,3,4,5,6,7.25,8"}
    special |= {"speed_mm_min": "1234.5", "air_l_min": "171.5", "heat_j_mm": "22.5"}
    values: dict[str, object] = {}
    for setting in SETTINGS:
        kind = getattr(setting.read, "__name__", "")
        text = special.get(setting.key) or words.get(kind)
        if text is None:
            text = "1,3" if kind in {"numbers", "whole_numbers"} else _last_choice(setting.read)
        values[setting.key] = setting.read(text)
    for left_out in ("height_mm", "falls"):
        values.pop(left_out)
    values |= {"kerf_mm": 1.234, "cleanup_mm": 0.3, "blunt_mm": 1.1, "hole_mm": 7.0}
    values |= {"tie_width_mm": 7.5, "thickness_mm": 1.9, "organic_tolerance_mm": 0.7}
    values |= {"tie_fillet_mm": 2.5, "tip_radius_mm": 6.5, "clamp_throat_mm": 61.0}
    values |= {"lettering_tolerance_mm": 0.3, "read_from_mm": 9000.0, "least_web_mm": 5.5}
    job = with_said(Job(name="Möwe", date="2026-01-02"), Said(values))
    job = replace(job, corrections=Corrections(ties_px=((1.5, 2.25),)))
    file = tmp_path / "job.toml"
    told = job_toml(job, picture=tmp_path / "x.png", picture_sha256="", folder=tmp_path, guessed={})
    file.write_text(told, encoding="utf-8")
    assert read_job(file).job == job
    assert digest_of(read_job(file).job, anyway=False) == digest_of(job, anyway=False)


def _last_choice(read: object) -> str:
    """The last word of the enumeration that a reader knows, out of its own error."""
    with pytest.raises(raster2path.Raster2PathError) as told:
        read("?")  # type: ignore[operator]
    return str(told.value).split(", ")[-1].removeprefix("'?' is not one of ")


# ---------------------------------------------------------------- workers that die


def try_or_die(errand: Errand) -> Outcome:
    """As a worker whose decoder crashes, or which the system kills for want of memory."""
    if errand.source.name == NAMES[1]:
        os.kill(os.getpid(), signal.SIGKILL)
    return try_errand(errand)


def test_a_picture_that_kills_its_worker_does_not_stop_the_rest(
    quay: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("raster2path.many.try_errand", try_or_die)
    outcomes = {o.source.name: o for o in guide_many([quay], jobs=2)}
    lost = outcomes.pop(NAMES[1])
    assert lost.status is ExitStatus.OUR_FAULT
    assert "the worker that did it was lost (killed; out of memory?)" in lost.line
    assert outcomes.pop("broken.png").status is ExitStatus.UNREADABLE
    assert {o.status for o in outcomes.values()} == {ExitStatus.DONE}


def lost() -> Outcome:
    raise KeyError("node 7 is gone")


class Deaf(ThreadPoolExecutor):
    """An engine that loses one of its tasks."""

    def submit(self, fn: Any, /, *args: Any, **kwargs: Any) -> Any:  # noqa: ANN401 (as its base)
        if args[0].source.name == NAMES[0]:
            return super().submit(lost)
        return super().submit(fn, *args, **kwargs)


def test_a_task_that_an_engine_loses_is_told(quay: Path) -> None:
    with Deaf(2) as executor:
        outcomes = {o.source.name: o for o in guide_many([quay], executor=executor)}
    assert outcomes[NAMES[0]].status is ExitStatus.OUR_FAULT
    assert "KeyError: 'node 7 is gone'" in outcomes[NAMES[0]].line
    assert sum(o.status is ExitStatus.DONE for o in outcomes.values()) == 3


def test_interrupted_and_taken_up_again(quay: Path) -> None:
    """Ctrl-C after the first line: what is begun is finished, nothing is half-written."""
    for k in range(8):
        slab(quay / f"reed {k}.png", 20 + 3 * k)
    command = [sys.executable, "-m", "raster2path", "guide", str(quay), "--jobs", "2"]
    with subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, start_new_session=True
    ) as run:
        assert run.stdout is not None
        assert "read as solid" in run.stdout.readline()
        os.killpg(run.pid, signal.SIGINT)
        _, said = run.communicate(timeout=120)
        assert run.returncode == 130, said
    assert "interrupted" in said
    assert "Traceback" not in said
    assert not list(quay.rglob("*.part"))
    n_begun = len(list(quay.glob("*-job")))
    assert 1 <= n_begun < len(NAMES) + 8
    assert all((folder / "job.toml").is_file() for folder in quay.glob("*-job"))
    outcomes = list(guide_many([quay]))
    assert sum(o.is_kept for o in outcomes) == n_begun
    assert sum(o.status is ExitStatus.DONE for o in outcomes) == len(NAMES) + 8
