"""Inches: 25.4 mm and 0.45359237 kg exactly (international yard and pound agreement, 1959)."""

from __future__ import annotations

import io
import json
import re
from pathlib import Path

import numpy as np
import pytest
from pypdf import PdfReader
from svgelements import SVG
from svgelements import Path as SvgPath

from raster2path.cli import main
from raster2path.jobfile import read_job
from raster2path.light.command import scene_of
from raster2path.light.scene import Role
from raster2path.light.serve import Lamp
from raster2path.light.session import begin
from raster2path.pipeline import make
from raster2path.units import Units
from tests.holds import root_of

FERRY = Path(__file__).parent.parent / "samples" / "small" / "ferry-solid.png"


@pytest.mark.parametrize(
    ("mm", "inches"),
    [
        ("600 × 380 mm, 27 cuts, 8.4 m long", "23.6 × 15.0 in, 27 cuts, 27.6 ft long"),
        ("16 ties of 6 to 14 mm", "16 ties of 0.24 to 0.55 in"),
        ("at 318, 300 mm, carries 0.22 kg", "at 12.5, 11.8 in, carries 0.49 lb"),
        ("1.8 mm wide, 5 mm along", "0.071 in wide, 0.197 in along"),
        ("thin (at 90, 313 mm)", "thin (at 3.54, 12.3 in)"),
        ("leaves it by 0.3 mm (at 9, 8 mm)", "leaves it by 0.012 in (at 0.35, 0.31 in)"),
        ("16 mm below the top, 49 from the left", "0.63 in below the top, 1.93 from the left"),
        ("in cuts 3, 14 mm apart", "in cuts 3, 0.55 in apart"),
        ("600 mm (23.6 in)", "600 mm (23.6 in)"),
        ("12 m/min and 30 A for 5 min", "12 m/min and 30 A for 5 min"),
        ("1500 mm/min", "59.1 in/min"),
        ("645.16 mm² of it", "1.00 in² of it"),
        ("A4MM, 3 mmx, 20 %", "A4MM, 3 mmx, 20 %"),
        ("heron-2 mm", "heron-0.079 in"),
        ("1016 mm wide", "40.0 in wide"),
    ],
)  # fmt: skip
def test_sentences(mm: str, inches: str) -> None:
    assert Units.INCH.told(mm) == inches
    assert Units.MM.told(mm) == mm


@pytest.fixture(scope="module")
def job(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("inches") / "job"
    words = ["--units", "in", "--width", "24in", "--pages", "letter", "--order", "near"]
    assert main(["guide", str(FERRY), "-o", f"{folder}/", *words]) == 0
    return folder


def words_of(pdf: Path) -> str:
    pages = PdfReader(io.BytesIO(pdf.read_bytes())).pages
    return "\n".join(page.extract_text() for page in pages)


LENGTH = re.compile(r"\d ?mm\b")


@pytest.mark.parametrize("name", ["guides.pdf", "pages.pdf", "job.pdf"])
def test_paper_speaks_inches_only(job: Path, name: str) -> None:
    text = words_of(job / name)
    assert LENGTH.findall(text) == []
    assert re.search(r"\d in\b", text)


def test_the_customer_reads_both(job: Path) -> None:
    assert re.search(r"610 mm \(24\.0 in\)", words_of(job / "proof.pdf"))


def test_the_terminal_speaks_inches(job: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """And the job remembers."""
    assert main(["guide", str(job / "job.toml")]) == 0
    said = capsys.readouterr().out
    assert re.search(
        r"^  24\.0 × [\d.]+ in, \d+ cuts, [\d.]+ ft with the torch", said, re.MULTILINE
    )
    assert LENGTH.findall(said) == []
    assert read_job(job / "job.toml").job.print.units is Units.INCH


def test_the_rule_of_the_guides_is_four_inches(job: Path) -> None:
    """101.6 mm, a tick every quarter of an inch; the file itself stays in millimetres."""
    svg = job / "guides.svg"
    assert "4 in" in svg.read_text(encoding="utf-8")
    assert "100 mm" not in svg.read_text(encoding="utf-8")
    widths = [
        round(shape.bbox()[2] - shape.bbox()[0], 2)
        for shape in SVG.parse(str(svg), reify=True, ppi=25.4).elements()
        if isinstance(shape, SvgPath)
    ]
    assert 101.6 in widths
    assert str(root_of(svg).get("width")).endswith("mm")


def test_a_job_on_the_table_is_told_in_inches(
    job: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    main(["go-on", str(job), "--done", "1-2", "--strayed", "4in,3in", "--took", "95"])
    said = capsys.readouterr().out
    assert re.search(r"2 of \d+ cuts are done, [\d.]+ ft to go", said)
    assert re.search(r"95 minutes, [\d.]+ h a foot", said)
    assert LENGTH.findall(said) == []
    (strayed,) = read_job(job / "job.toml").job.corrections.strayed_px
    main(["go-on", str(job), "--mended", "4in,3in", "--strayed", "101.6,76.2"])
    (again,) = read_job(job / "job.toml").job.corrections.strayed_px
    assert again == strayed


def test_mistakes_are_told_in_inches(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Where the option says so, and where the job does."""
    svg = str(tmp_path / "guides.svg")
    for words in (["--tie-width", "9in"], ["--border", "rect", "--width", "1in"]):
        assert main(["guide", str(FERRY), "-o", svg, "--units", "in", *words]) == 2
        said = capsys.readouterr().err
        assert re.search(r"\d in\b", said)
        assert LENGTH.findall(said) == []


def test_the_coupon_speaks_inches(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Slots drawn 4, 6 and 10 mm; those measured are 0.3 mm wider than a kerf of 1.5 mm leaves."""
    assert main(["coupon", "--units", "in", "-o", str(tmp_path)]) == 0
    said = capsys.readouterr().out
    assert "drawn 0.157 in, 0.24 in, 0.39 in wide" in said
    assert LENGTH.findall(said) == []
    svg = (tmp_path / "coupon.svg").read_text(encoding="utf-8")
    assert "kerf 0.059 in" in svg
    assert "100 mm" not in svg
    widths = "0.1693in,0.248in,0.4055in"
    assert main(["coupon", "--units", "in", "--measured", widths]) == 0
    said = capsys.readouterr().out
    assert "your torch takes 0.071 in" in said
    assert "kerf_mm 1.8" in said  # as habits.toml has it
    assert main(["coupon", "--units", "in", "--wander", "4in"]) == 2
    assert "--wander is 4.00 in; expected 0 to 0.39 in" in capsys.readouterr().err


def test_the_light_speaks_inches(job: Path) -> None:
    """Squares of 4 in to check by; what the hand's page shows has no millimetre in it."""
    held = read_job(job / "job.toml")
    scene = scene_of(make(held.job, held.picture))
    lamp = Lamp(begin(scene, size_px=(1920, 1080)), lambda _: None, clock=lambda: 0.0)
    for number in range(1, scene.n_cuts + 1):
        lamp.ask({"do": "cut", "number": number})
        assert LENGTH.findall(json.dumps(lamp.state())) == []
    lamp.ask({"do": "view", "view": "check"})
    told = lamp.state()
    assert told["units"] == "in"
    assert "squares of 4.00 in" in json.dumps(told)
    grid = [s.points_mm for s in scene.strokes if s.role is Role.GRID]
    xs = sorted({round(float(line[0, 0]), 4) for line in grid if np.ptp(line[:, 0]) < 1e-9})
    assert np.diff(xs) == pytest.approx(4 * 25.4)


def test_millimetres_without_being_asked(tmp_path: Path) -> None:
    assert main(["guide", str(FERRY), "-o", str(tmp_path / "guides.svg"), "--order", "near"]) == 0
    assert "100 mm" in (tmp_path / "guides.svg").read_text(encoding="utf-8")
