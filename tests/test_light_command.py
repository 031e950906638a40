"""`raster2path light`: its PDF, what it remembers, and what it refuses, in one line each."""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
import pypdf
import pypdfium2
import pytest
from PIL import Image, ImageDraw

from raster2path.cli import main
from raster2path.geometry import to_points
from raster2path.habits import FOLDER_VARIABLE, habits_file, keep_settings, read_habits
from raster2path.light.command import TABLE, Memory
from raster2path.light.registration import Mark, register

SIZE = (1280, 720)
CORNERS = (0j, 900 + 0j, 900 + 600j, 600j)
CROOKED = (171 + 93j, 1130 + 61j, 1090 + 660j, 203 + 640j)
MARKS = tuple(Mark(z, at) for z, at in zip(CORNERS, CROOKED, strict=True))


@pytest.fixture(scope="module")
def job(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A plate with a box cut out of a blank of 900 x 600 mm."""
    folder = tmp_path_factory.mktemp("light")
    picture = Image.new("L", (900, 600), 255)
    ImageDraw.Draw(picture).rectangle((200, 200, 700, 400), fill=0)
    picture.save(folder / "plate.png")
    words = ("--width", "700", "--sheet", "900x600", "--dark", "opening", "--border", "rect")
    assert main(["guide", str(folder / "plate.png"), *words]) == 0
    return folder / "plate-job"


@pytest.fixture(autouse=True)
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv(FOLDER_VARIABLE, str(tmp_path / "home"))
    return tmp_path / "home"


def test_crosses_are_kept_by_projector_and_table() -> None:
    keep_settings({"kerf_mm": 1.3})
    Memory("shelf", "long").keep({SIZE: MARKS})
    Memory("shelf", "short").keep({(800, 600): MARKS})
    assert Memory("shelf", "long").read() == {SIZE: MARKS}
    assert Memory("shelf", "short").read() == {(800, 600): MARKS}
    assert Memory("arm", "long").read() == {}
    assert set(read_habits().tables[TABLE]) == {"shelf above long", "shelf above short"}
    assert read_habits().settings == {"kerf_mm": 1.3}
    assert "1280x720" in habits_file().read_text(encoding="utf-8")


def test_a_remembered_registration_is_baked_into_the_pdf(
    job: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    Memory("projector", "table").keep({SIZE: MARKS})
    file = tmp_path / "light.pdf"
    assert main(["light", str(job), "-o", str(file), "--pixels", "1280x720"]) == 0
    assert "as registered for projector above table" in capsys.readouterr().out
    picture = pypdfium2.PdfDocument(str(file))[0].render(scale=1 / 0.75).to_numpy()
    there = register(MARKS, size_px=SIZE).to_px(to_points([400 + 100j, 100 + 300j]))
    for x, y in np.round(there).astype(int):
        assert picture[y - 2 : y + 3, x - 2 : x + 3].max() > 150


def test_without_one_it_says_how_to_set_up(
    job: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "light.pdf"
    assert main(["light", str(job / "job.toml"), "-o", str(file)]) == 0
    assert "not registered: set up the projector by the crosses" in capsys.readouterr().out
    page = pypdf.PdfReader(io.BytesIO(file.read_bytes())).pages[0]
    assert (page.mediabox.width, page.mediabox.height) == (1920 * 0.75, 1080 * 0.75)


def test_a_sign_that_is_not_ready_gets_no_light(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    picture = Image.new("L", (400, 300), 255)
    ImageDraw.Draw(picture).ellipse((80, 60, 320, 240), outline=0, width=40)
    picture.save(tmp_path / "ring.png")
    words = ("--width", "400", "--dark", "opening", "--border", "rect", "--ties", "none")
    assert main(["guide", str(tmp_path / "ring.png"), *words]) == 3
    file = tmp_path / "light.pdf"
    assert main(["light", str(tmp_path / "ring-job"), "-o", str(file)]) == 3
    assert "NOT READY TO CUT" in capsys.readouterr().out
    assert not file.exists()
    assert main(["light", str(tmp_path / "ring-job"), "-o", str(file), "--anyway"]) == 0
    assert file.exists()


@pytest.mark.parametrize(
    ("words", "status", "said"),
    [
        (["no-such-job"], 4, "no-such-job"),
        (["JOB", "-o", "light.svg"], 2, "expected NAME.pdf"),
        (["JOB", "--pixels", "wide"], 2, "expected WIDTHxHEIGHT"),
        (["JOB", "--pixels", "20x20"], 2, "expected 100 to 16384"),
        (["JOB", "--marks", "0,0 900"], 2, "expected X,Y on the sheet"),
        (["JOB", "--marks", "0,0 900,0 900,600", "--no-browser"], 2, "3 marks are too few"),
        (["JOB", "--marks", "0,0 9,0 18,0 0,9", "--no-browser"], 2, "lie in one line"),
        (["JOB", "--port", "seven", "--no-browser"], 2, "expected a number from 0"),
    ],
)
def test_what_makes_no_sense_is_one_line(
    job: Path, capsys: pytest.CaptureFixture[str], words: list[str], status: int, said: str
) -> None:
    assert main(["light", *(str(job) if word == "JOB" else word for word in words)]) == status
    told = capsys.readouterr().err
    assert said in told
    assert len(told.strip().splitlines()) == 1
