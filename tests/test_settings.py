"""Settings: words in, values out, and one sentence where that fails."""

import pytest

from raster2path.errors import UsageError
from raster2path.job import Job, LetteringMode
from raster2path.material import Material, gauge_mm
from raster2path.model import Border, Read
from raster2path.settings import (
    BY_KEY,
    SETTINGS,
    Said,
    from_toml,
    length_mm,
    lettering_rules,
    lettering_words,
    paper_mm,
    size_mm,
    to_toml,
    value_of,
    with_said,
)

JOB = Job(name="heron", date="2026-11-24")


@pytest.mark.parametrize(
    ("text", "mm"),
    [("600", 600), ("60cm", 600), ("24in", 609.6), (" 1.5 mm ", 1.5), ("2ft", 609.6), (".5", 0.5)],
)
def test_lengths(text: str, mm: float) -> None:
    assert length_mm(text) == pytest.approx(mm)


@pytest.mark.parametrize("text", ["", "wide", "-5", "6 0", "nan", "1e3", "5 yd"])
def test_what_is_no_length_is_said(text: str) -> None:
    with pytest.raises(UsageError, match="expected a number such as"):
        length_mm(text)


def test_sizes_share_a_unit() -> None:
    assert size_mm("900x600") == (900, 600)
    assert size_mm("36x24in") == pytest.approx((914.4, 609.6))
    with pytest.raises(UsageError, match="expected WIDTHxHEIGHT"):
        size_mm("900")


@pytest.mark.parametrize(
    ("name", "size"), [("a4", (210, 297)), ("A3", (297, 420)), ("letter", (215.9, 279.4))]
)
def test_paper_sizes(name: str, size: tuple[float, float]) -> None:
    """ISO 216 and ANSI/ASME Y14.1."""
    assert paper_mm(name) == pytest.approx(size)
    with pytest.raises(UsageError, match="expected a0, a1"):
        paper_mm("napkin")


@pytest.mark.parametrize(("gauge", "mm"), [(16, 1.51892), (18, 1.214), (7, 4.554), (26, 0.455)])
def test_gauges(gauge: int, mm: float) -> None:
    """Manufacturers' Standard Gauge: pounds a square foot (15 U.S.C. 206) by 41.82.

    Inches are rounded to four places first.
    """
    assert gauge_mm(gauge) == pytest.approx(mm, abs=6e-4)


@pytest.mark.parametrize(
    ("gauge", "material", "mm"),
    [
        (16, Material.GALVANISED, 1.613),
        (24, Material.GALVANISED, 0.701),
        (8, Material.GALVANISED, 4.270),
        (16, Material.STAINLESS, 1.5875),
        (7, Material.STAINLESS, 4.763),
        (16, Material.ALUMINIUM, 1.29032),
        (14, Material.ALUMINIUM, 1.628),
    ],
)
def test_gauges_of_other_metals(gauge: int, material: Material, mm: float) -> None:
    """ASTM A924 (galvanised), 15 U.S.C. 206 (stainless), ASTM B258 (its formula from memory)."""
    assert gauge_mm(gauge, material) == pytest.approx(mm, abs=6e-4)


def test_unknown_gauge() -> None:
    with pytest.raises(UsageError, match="gauge 99"):
        gauge_mm(99)
    with pytest.raises(UsageError, match="expected 8 to 26"):
        gauge_mm(7, Material.GALVANISED)


def test_lettering_words() -> None:
    assert lettering_rules(["all"]).mode is LetteringMode.ALL
    boxes = lettering_rules(["10,20,300,80", "1,2,3,4"])
    assert boxes.boxes_px == ((10, 20, 300, 80), (1, 2, 3, 4))
    assert lettering_words(boxes) == ["10,20,300,80", "1,2,3,4"]
    with pytest.raises(UsageError, match="no area"):
        lettering_rules(["1,2,0,4"])
    with pytest.raises(UsageError, match="not auto, all, none or a box"):
        lettering_rules(["some"])


def test_width_replaces_height_and_back() -> None:
    tall = with_said(JOB, Said({"height_mm": 300.0}))
    wide = with_said(tall, Said({"width_mm": 500.0}))
    assert (wide.size.width_mm, wide.size.height_mm) == (500.0, None)
    with pytest.raises(UsageError, match="one follows from the other"):
        with_said(JOB, Said({"height_mm": 300.0, "width_mm": 500.0}))


def test_kerf_reaches_the_ties() -> None:
    assert with_said(JOB, Said({"kerf_mm": 2.0})).ties.kerf_mm == 2.0


def test_every_setting_survives_toml() -> None:
    said = {
        "width_mm": 450.0,
        "border": Border.RECT,
        "sheet_mm": (900.0, 600.0),
        "paper_mm": (210.0, 297.0),
        "read": Read.EDGE,
        "least_web_mm": 4.0,
        "cleanup_mm": 0.3,
    }
    job = with_said(JOB, Said(said))
    for setting in SETTINGS:
        value = value_of(job, setting)
        if value is not None:
            assert from_toml(setting, to_toml(value)) == value, setting.key


def test_toml_of_the_wrong_kind() -> None:
    with pytest.raises(UsageError, match="makes no sense"):
        from_toml(BY_KEY["width_mm"], {"a": 1})


def test_out_of_range_says_both_values() -> None:
    with pytest.raises(UsageError, match=r"--width is 1 mm; expected 10 to 20000 mm"):
        with_said(JOB, Said({"width_mm": 1.0}))


def test_border_sheet_needs_a_sheet() -> None:
    with pytest.raises(UsageError, match="add --sheet WxH"):
        with_said(JOB, Said({"border": Border.SHEET}))


def test_a_length_in_the_picture() -> None:
    """Two points and a length with its unit; job.toml holds five numbers."""
    setting = BY_KEY["scale"]
    said = setting.read("10,20 310,420=24in")
    assert said == pytest.approx((10, 20, 310, 420, 609.6))
    assert from_toml(setting, to_toml(said)) == pytest.approx(said)
    with pytest.raises(UsageError, match="two points and a length"):
        with_said(JOB, Said({"scale": setting.read("10,20=300")}))


def test_corners_of_the_paper() -> None:
    setting = BY_KEY["paper_corners_px"]
    said = setting.read("1,2 30,2; 30,40 1,40")
    assert said == (1, 2, 30, 2, 30, 40, 1, 40)
    assert from_toml(setting, to_toml(said)) == said
    with pytest.raises(UsageError, match="has 3 numbers"):
        with_said(JOB, Said({"paper_corners_px": setting.read("1,2,3")}))
    with pytest.raises(UsageError, match="list of numbers"):
        setting.read("left, top")


def test_colours_that_fall_are_whole_numbers() -> None:
    read = next(setting.read for setting in SETTINGS if setting.key == "falls")
    assert read("2,3") == (2, 3)
    for text in ("x", "2.5", ""):
        with pytest.raises(UsageError, match=r"not a list of numbers such as 2,3"):
            read(text)


def test_numbers_of_colours_come_back_from_the_file_and_are_whole() -> None:
    falls = next(setting for setting in SETTINGS if setting.key == "falls")
    assert from_toml(falls, to_toml(falls.read("2,3"))) == (2.0, 3.0)
    for wrong in ("2.5", "-1", "0", "red", "nan", "inf"):
        with pytest.raises(UsageError, match="list of numbers such as 2,3"):
            falls.read(wrong)
