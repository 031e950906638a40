"""The command: files, exit statuses, and one plain sentence for everything that goes wrong."""

import errno
import os
import re
import subprocess
import sys
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image

from raster2path.cli import main
from tests.holds import description_of, metal_areas_mm2, root_of

FOLDER_FILES = {
    "guides.svg",
    "guides.pdf",
    "job.pdf",
    "job.json",
    "proof.pdf",
    "on-photo.png",
    "as-hung.png",
    "job.toml",
}


def drawing(path: Path) -> Path:
    """A boat-shed sign: a slab with a round window that has a middle, and a door."""
    image = np.full((400, 600), 255, np.uint8)
    cv2.rectangle(image, (60, 60), (540, 340), 0, -1)
    cv2.circle(image, (200, 200), 80, 255, -1, cv2.LINE_AA)
    cv2.circle(image, (200, 200), 40, 0, -1, cv2.LINE_AA)
    cv2.rectangle(image, (340, 120), (460, 280), 255, -1)
    cv2.imwrite(str(path), image)
    return path


def run(*words: str | Path) -> int:
    return main([str(word) for word in words])


def test_a_picture_becomes_a_job_folder(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run("guide", drawing(tmp_path / "boat shed.png")) == 0
    folder = tmp_path / "boat shed-job"
    assert {file.name for file in folder.iterdir()} == FOLDER_FILES
    said = capsys.readouterr().out
    assert "size not given" in said.splitlines()[0]
    assert "read as solid" in said
    assert "1 loose piece held by" in said


def test_the_middle_of_the_window_is_held(tmp_path: Path) -> None:
    """One piece, counted by scipy.ndimage.label on a raster of the file."""
    svg = tmp_path / "shed.svg"
    assert run("guide", drawing(tmp_path / "shed.png"), "-o", svg) == 0
    assert len(metal_areas_mm2(svg, kerf_mm=1.5)) == 1


def test_without_ties_it_is_marked_not_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    picture = drawing(tmp_path / "shed.png")
    assert run("guide", picture, "--ties", "none", "--width", "480") == 3
    svg = tmp_path / "shed-job" / "guides.svg"
    assert len(metal_areas_mm2(svg, kerf_mm=1.5)) == 2
    told = description_of(svg)
    assert told["loose"] == ["1"]
    assert told["not ready"]
    said = capsys.readouterr().out
    assert "NOT READY TO CUT" in said
    assert re.search("8[01] × 8[01] mm", said)


@pytest.mark.parametrize(
    ("words", "width"),
    [(("--width", "480"), 480), (("--width", "24in"), 609.6), (("--height", "28cm"), 479.3)],
)
def test_the_sign_is_as_wide_as_was_asked(
    tmp_path: Path, words: tuple[str, ...], width: float
) -> None:
    svg = tmp_path / "shed.svg"
    assert run("guide", drawing(tmp_path / "shed.png"), "-o", svg, *words) == 0
    root = root_of(svg)
    told = str(root.get("width"))
    assert told.endswith("mm")
    assert float(told.removesuffix("mm")) == pytest.approx(width + 50, abs=0.1)


def test_the_same_job_gives_the_same_bytes(tmp_path: Path) -> None:
    picture = drawing(tmp_path / "shed.png")
    assert run("guide", picture, "--width", "450", "--border", "rect") == 0
    folder = tmp_path / "shed-job"
    before = {file.name: file.read_bytes() for file in folder.iterdir()}
    assert run("guide", folder / "job.toml") == 0
    assert {file.name: file.read_bytes() for file in folder.iterdir()} == before
    assert run("guide", picture) == 0  # the folder's settings are read first
    assert {file.name: file.read_bytes() for file in folder.iterdir()} == before


def test_fresh_keeps_the_old_job_aside(tmp_path: Path) -> None:
    picture = drawing(tmp_path / "shed.png")
    assert run("guide", picture, "--width", "450") == 0
    assert run("guide", picture, "--fresh") == 0
    folder = tmp_path / "shed-job"
    assert "width_mm = 450.0" in (folder / "job-1.toml").read_text()
    assert "\nwidth_mm = 450.0" not in (folder / "job.toml").read_text()


def test_several_pictures_one_of_them_bad(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    good = drawing(tmp_path / "shed.png")
    bad = tmp_path / "gone.png"
    assert run("guide", bad, good) == 4
    assert (tmp_path / "shed-job" / "guides.svg").exists()
    assert "gone.png" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (("--width", "wide"), "--width: 'wide' is not a length"),
        (("--width", "600", "--height", "300"), "one follows from the other"),
        (("--read", "dots"), "not one of solid, edge, slit, bar"),
        (("--wid", "600"), "unrecognized arguments"),
        (("-o", "x.doc"), "expected NAME.svg, .pdf, .dxf, .png or a FOLDER/"),
        (("--pages", "90x120"), "a5 or larger"),
        (("--dark", "opening", "--border", "none"), "add --border rect"),
        (("--border", "rect", "--margin", "400"), "margin"),
        (("--gauge", "3"), "gauge 3 is not in the table"),
        (("--sheet", "600"), "expected WIDTHxHEIGHT"),
    ],
)
def test_wrong_usage_is_one_sentence(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], words: tuple[str, ...], sentence: str
) -> None:
    assert run("guide", drawing(tmp_path / "shed.png"), *words) == 2
    said = capsys.readouterr().err
    assert sentence in said
    assert said.count("\n") == 1
    assert {file.name for file in tmp_path.iterdir()} == {"shed.png"}


def test_nothing_is_written_over_a_picture(tmp_path: Path) -> None:
    picture = drawing(tmp_path / "shed.png")
    before = picture.read_bytes()
    assert run("guide", picture, "-o", picture) == 2
    assert picture.read_bytes() == before


def spoilt(tmp_path: Path, name: str) -> Path:
    """A picture that can't be used."""
    path = tmp_path / f"{name}.png"
    rng = np.random.default_rng(1)
    if name == "white":
        Image.new("L", (300, 200), 255).save(path)
    elif name == "black":
        Image.new("L", (300, 200), 0).save(path)
    elif name == "one-pixel":
        Image.new("L", (1, 1), 0).save(path)
    elif name == "noise":
        Image.fromarray(rng.integers(0, 256, (300, 300), dtype=np.uint8)).save(path)
    elif name == "empty":
        path.write_bytes(b"")
    elif name == "text":
        path.write_text("tide table")
    elif name == "truncated":
        whole = drawing(tmp_path / "whole.png").read_bytes()
        path.write_bytes(whole[: len(whole) // 2])
    elif name == "folder":
        path.mkdir()
    return path


@pytest.mark.parametrize(
    ("name", "status"),
    [
        ("white", 3),
        ("black", 3),
        ("one-pixel", 3),
        ("noise", 3),
        ("empty", 4),
        ("text", 4),
        ("truncated", 4),
        ("folder", 4),
        ("missing", 4),
    ],
)
def test_bad_pictures_are_one_sentence(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], name: str, status: int
) -> None:
    path = spoilt(tmp_path, name)
    assert run("guide", path) == status
    said = capsys.readouterr()
    assert path.stem in said.err
    assert said.err.count("\n") == 1
    assert not (tmp_path / f"{path.stem}-job").exists()


def test_a_place_that_cannot_be_written(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A file stands where the folder should be; nothing half-written stays behind."""
    (tmp_path / "kelp").write_text("in the way")
    assert run("guide", drawing(tmp_path / "shed.png"), "-o", f"{tmp_path / 'kelp'}/out/") == 5
    assert "nothing was changed" in capsys.readouterr().err
    assert {file.name for file in tmp_path.iterdir()} == {"kelp", "shed.png"}


def test_a_full_disk_leaves_the_old_files(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The last file of a folder does not fit: the old files stay as they were."""
    picture = drawing(tmp_path / "shed.png")
    assert run("guide", picture) == 0
    folder = tmp_path / "shed-job"
    before = {file.name: file.read_bytes() for file in folder.iterdir()}
    room = [3]

    def fsync(_: int) -> None:
        room[0] -= 1
        if room[0] < 0:
            raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(os, "fsync", fsync)
    assert run("guide", picture, "--width", "300") == 5
    assert "No space left" in capsys.readouterr().err
    assert {file.name: file.read_bytes() for file in folder.iterdir()} == before


def test_our_own_fault_is_one_line_too(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def broken(*_: object, **__: object) -> None:
        raise ZeroDivisionError("tide went out")

    monkeypatch.setattr("raster2path.pipeline.make", broken)
    assert run("guide", drawing(tmp_path / "shed.png")) == 1
    said = capsys.readouterr().err
    assert "our own fault, ZeroDivisionError at test_cli.py:" in said
    assert said.count("\n") == 1
    assert not (tmp_path / "shed-job").exists()


def test_help_is_quick_and_has_examples() -> None:
    """Nothing heavy is imported for --help: no numpy, no OpenCV."""
    code = (
        "import sys; from raster2path.cli import main\n"
        "try: main(['guide', '--help'])\n"
        "except SystemExit: pass\n"
        "print('HEAVY', {'cv2', 'shapely', 'skimage', 'scipy'} & set(sys.modules))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=60
    )
    assert "examples:" in done.stdout
    assert "HEAVY set()" in done.stdout


# ---------------------------------------------------------------- paper


def test_pages_and_the_whole_are_written_full_size(tmp_path: Path) -> None:
    assert run("guide", drawing(tmp_path / "shed.png"), "--pages", "a4") == 0
    folder = tmp_path / "shed-job"
    assert {file.name for file in folder.iterdir()} == {*FOLDER_FILES, "pages.pdf"}
    first = (folder / "pages.pdf").read_bytes()
    assert run("guide", folder / "job.toml") == 0
    assert (folder / "pages.pdf").read_bytes() == first


@pytest.mark.parametrize("ending", ["pdf", "dxf"])
def test_one_file_for_paper_or_for_a_table(tmp_path: Path, ending: str) -> None:
    place = tmp_path / f"shed.{ending}"
    assert run("guide", drawing(tmp_path / "shed.png"), "-o", place) == 0
    head = place.read_bytes()[:400]
    assert head.startswith(b"%PDF-1.") if ending == "pdf" else b"SECTION" in head


def test_paper_to_cut_by_is_held_back_until_the_sign_is_ready(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    picture = drawing(tmp_path / "shed.png")
    folder = tmp_path / "shed-job"
    assert run("guide", picture, "--ties", "none", "--pages", "a4") == 3
    assert "held back" in capsys.readouterr().out
    assert {file.name for file in folder.glob("*.pdf")} == {"job.pdf", "proof.pdf"}
    assert run("guide", picture, "--ties", "none", "--pages", "a4", "--anyway") == 3
    assert {"guides.pdf", "pages.pdf"} < {file.name for file in folder.glob("*.pdf")}
    assert run("guide", folder / "job.toml") == 3
    assert not (folder / "pages.pdf").exists(), "paper of another revision is taken away"
