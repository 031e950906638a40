"""Hostile pictures and jobs: an answer in one line, soon, and with no more memory than it takes.

Twenty thousand inputs are tried from seeds: sixteen thousand spoilt files (`tests/fuzz.py`) and
over four thousand spoilt requests (`tests/fuzz_pages.py`); what was found by them, or thought of,
has a test of its own below.
"""

from __future__ import annotations

import io
import struct
import subprocess
import sys
import zlib
from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

import raster2path
from docs.measure import PEAK
from raster2path.cli import main
from raster2path.errors import NothingFoundError, UnreadableError, UsageError
from raster2path.job import Job, PhotoRules
from raster2path.jobfile import read_job
from raster2path.picture.photo import open_picture
from tests.fuzz import PNG_HEAD, VALUES, Fuzz, drawing, job_seed
from tests.holds import root_of

ROOT = Path(__file__).parent.parent


@pytest.mark.parametrize(
    ("module", "first", "last"),
    [
        ("tests.fuzz", 0, 8000),
        ("tests.fuzz", 8000, 16_000),
        ("tests.fuzz_pages", 0, 2100),
        ("tests.fuzz_pages", 2100, 4200),
    ],
)
def test_what_is_spoilt_is_told_or_answered(module: str, first: int, last: int) -> None:
    """Thousands a run, in a process of their own: a crash or a hang is found, too."""
    done = subprocess.run(
        [sys.executable, "-m", module, str(first), str(last)],
        capture_output=True,
        text=True,
        errors="replace",
        check=False,
        timeout=900,
        cwd=ROOT,
    )
    assert done.returncode == 0, done.stderr[-3000:]
    assert "'whole road'" in done.stdout


def test_what_an_error_quotes_can_be_shown_anywhere() -> None:
    """A name or a value may come from a stranger: no line break, no escape, no endless text."""
    told = str(UsageError("there is no '\x1b[31m\n\u202e\ud800' " + "9" * 5000 + "; leave it out"))
    assert told.isprintable()
    assert told.startswith("there is no '?[31m???'")
    assert told.endswith("; leave it out")
    assert len(told) < 620


# ---------------------------------------------------------------- what memory and time are taken

OPEN = """
import sys, time
from pathlib import Path
from raster2path.errors import Raster2PathError
from raster2path.job import PhotoRules
from raster2path.picture.photo import open_picture
before = peak_mb()
since = time.process_time()
try:
    said = str(open_picture(Path(sys.argv[1]), rules=PhotoRules()).upright_size_px)
except Raster2PathError as error:
    said = str(error)
took = time.process_time() - since
print(said, round(peak_mb() - before), took, sep="|")
"""


def opened_apart(path: Path) -> tuple[str, int, float]:
    """What is said of a picture, and the megabytes and seconds that it took."""
    done = subprocess.run(
        [sys.executable, "-c", PEAK + OPEN, path],
        capture_output=True,
        text=True,
        check=True,
        timeout=300,
    )
    said, mb, seconds = done.stdout.strip().split("|")
    return said, int(mb), float(seconds)


def png(width: int, height: int, *, rows: int = 0, chunks: bytes = b"") -> bytes:
    """A grey PNG as its header tells it, with so many rows of nothing in it (W3C PNG, 11.2.2)."""
    head = struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 0)
    packer = zlib.compressobj(9)
    packed = b"".join(packer.compress(bytes(width + 1)) for _ in range(rows)) + packer.flush()
    return PNG_HEAD + chunk(b"IHDR", head) + chunks + chunk(b"IDAT", packed) + chunk(b"IEND", b"")


def chunk(kind: bytes, data: bytes) -> bytes:
    return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))


@pytest.mark.parametrize("size", [(65_535, 65_535), (2**31 - 1, 2**31 - 1), (40_000, 4_000)])
def test_a_picture_that_unpacks_to_too_much_is_not_unpacked(
    tmp_path: Path, size: tuple[int, int]
) -> None:
    path = tmp_path / "bomb.png"
    path.write_bytes(png(*size, rows=2000 if size[0] < 10**6 else 0))
    assert path.stat().st_size < 10**6
    said, mb, seconds = opened_apart(path)
    assert "at most 120" in said
    assert mb < 100
    assert seconds < 2


def test_the_largest_picture_that_is_taken(tmp_path: Path) -> None:
    """A hundred and twenty million pixels in 120 kB: opened, within the memory that is stated."""
    path = tmp_path / "large.png"
    path.write_bytes(png(12_000, 10_000, rows=10_000))
    said, mb, _ = opened_apart(path)
    assert said == "(12000, 10000)"
    assert mb < 2000


@pytest.mark.parametrize(
    ("name", "size"),
    [("long.png", (65_535, 16)), ("long.jpg", (65_500, 20)), ("tall.png", (16, 65_535))],
)
def test_sides_as_long_as_a_format_allows(tmp_path: Path, name: str, size: tuple[int, int]) -> None:
    path = tmp_path / name
    Image.new("L", size, 255).save(path)
    with pytest.raises((UnreadableError, NothingFoundError), match=r"at most|too small"):
        open_picture(path, rules=PhotoRules())


def test_a_header_may_not_lie_about_the_sides(tmp_path: Path) -> None:
    """A JPEG whose frame header says 65 535 a side (ITU-T T.81, B.2.2)."""
    stream = io.BytesIO()
    Image.new("RGB", (64, 48), "white").save(stream, "JPEG")
    data = bytearray(stream.getvalue())
    at = data.index(b"\xff\xc0")
    struct.pack_into(">HH", data, at + 5, 65_535, 65_535)
    path = tmp_path / "lies.jpg"
    path.write_bytes(data)
    said, mb, seconds = opened_apart(path)
    assert "at most" in said
    assert mb < 100
    assert seconds < 2


@pytest.mark.parametrize("ending", ["gif", "tif", "png", "webp"])
def test_thousands_of_frames_cost_no_time(tmp_path: Path, ending: str) -> None:
    """The first is taken; the others are counted at most."""
    path = tmp_path / f"flag.{ending}"
    frames = [Image.new("L", (24, 24), 255 - k % 200) for k in range(2000)]
    frames[0].save(path, save_all=True, append_images=frames[1:])
    said, mb, seconds = opened_apart(path)
    assert said == "(24, 24)"
    assert mb < 200
    assert seconds < 3


def test_a_chain_of_pages_that_bites_its_tail(tmp_path: Path) -> None:
    """A TIFF whose last directory points back at the first (TIFF 6.0, section 2)."""
    stream = io.BytesIO()
    pages = [Image.new("L", (24, 24), 9), Image.new("L", (24, 24), 200)]
    pages[0].save(stream, "TIFF", save_all=True, append_images=pages[1:])
    data = bytearray(stream.getvalue())
    (first,) = struct.unpack_from("<I", data, 4)
    at, last = first, first
    while at:
        (n,) = struct.unpack_from("<H", data, at)
        last = at + 2 + 12 * n
        (at,) = struct.unpack_from("<I", data, last)
    struct.pack_into("<I", data, last, first)
    path = tmp_path / "ring.tif"
    path.write_bytes(data)
    said, _, seconds = opened_apart(path)
    assert said == "(24, 24)"
    assert seconds < 3


def test_absurd_exif_is_passed_over(tmp_path: Path) -> None:
    """A turn that is not in the table, and tags without end: the picture opens as it is."""
    exif = Image.Exif()
    exif[0x0112] = 99
    for tag in range(0x9000, 0x9F00):
        exif[tag] = "x" * 12
    Image.new("RGB", (40, 24), "white").save(tmp_path / "tags.png", exif=exif)
    assert open_picture(tmp_path / "tags.png", rules=PhotoRules()).upright_size_px == (40, 24)
    broken = b"Exif\0\0II*\0\xff\xff\xff\xff" + b"\xff" * 60_000
    Image.new("RGB", (40, 24), "white").save(tmp_path / "broken.jpg", exif=broken)
    assert open_picture(tmp_path / "broken.jpg", rules=PhotoRules()).upright_size_px == (40, 24)


@pytest.mark.parametrize("kind", [b"zTXt", b"iCCP", b"iTXt"])
def test_text_and_profiles_that_unpack_to_too_much(tmp_path: Path, kind: bytes) -> None:
    """Three hundred megabytes of nothing in a side chunk (W3C PNG, 11.3.3)."""
    packed = zlib.compress(bytes(300_000_000), 9)
    head = b"k\0\1\0\0\0" if kind == b"iTXt" else b"k\0\0"
    path = tmp_path / "text.png"
    path.write_bytes(png(32, 32, rows=32, chunks=chunk(kind, head + packed)))
    _, mb, seconds = opened_apart(path)
    assert mb < 400
    assert seconds < 3


def test_pages_whose_count_is_damaged(tmp_path: Path) -> None:
    """Found by spoilt files: the first page is whole, the second has no size."""
    stream = io.BytesIO()
    pages = [Image.new("L", (24, 24), 9), Image.new("L", (24, 24), 200)]
    pages[0].save(stream, "TIFF", save_all=True, append_images=pages[1:])
    data = bytearray(stream.getvalue())
    (first,) = struct.unpack_from("<I", data, 4)
    (n,) = struct.unpack_from("<H", data, first)
    (second,) = struct.unpack_from("<I", data, first + 2 + 12 * n)
    struct.pack_into("<H", data, second + 2, 0x7777)  # its width's tag is another one
    path = tmp_path / "second.tif"
    path.write_bytes(data)
    picture = open_picture(path, rules=PhotoRules())
    assert picture.upright_size_px == (24, 24)
    assert int(np.median(picture.rgb)) == 9


# ---------------------------------------------------------------- job.toml


@pytest.mark.parametrize("value", VALUES)
@pytest.mark.parametrize(
    "key",
    [
        *("height_mm", "n_holes", "scale", "sheet_mm", "kerf_mm", "order", "lettering", "ties_px"),
        *("path", "version", "walls", "looseness", "date", "name"),
    ],
)
def test_any_value_anywhere_is_read_or_told(tmp_path: Path, key: str, value: str) -> None:
    """NaN, infinity, numbers of 5 000 digits, dates, empty and nested lists, foreign text."""
    lines = [
        f"{key} = {value}" if line.startswith(f"{key} =") else line
        for line in job_seed().replace("[\n", "[").replace(",\n", ",").splitlines()
    ]
    file = tmp_path / "job.toml"
    file.write_text("\n".join(lines), encoding="utf-8")
    try:
        held = read_job(file)
    except (UnreadableError, UsageError) as error:
        assert error.args[0].count("\n") == 0  # noqa: PT017 (either is right)
        return
    told = repr(replace(held.job, name=""))
    assert "nan" not in told
    assert "inf" not in told
    assert held.job.name.isprintable()
    assert date.fromisoformat(held.job.date)


@pytest.mark.parametrize("name", ["tide\x01\x1b[31m", "two\nlines", "k" * 250, "\u2028\u202e"])
def test_a_name_of_odd_characters_makes_sound_files(tmp_path: Path, name: str) -> None:
    """XML 1.0 forbids control characters, a terminal obeys them; a file's name may hold them."""
    picture = tmp_path / f"{name}.png"
    drawing().save(picture)
    assert main(["guide", str(picture), "-o", str(tmp_path / "guides.svg")]) == 0
    assert "mm" in str(root_of(tmp_path / "guides.svg").get("width"))
    assert main(["guide", str(picture), "-o", str(tmp_path / "job/")]) == 0
    assert read_job(tmp_path / "job" / "job.toml").job.name.isprintable()


def test_an_image_of_a_tie_is_not_widened_twice(tmp_path: Path) -> None:
    """Found by spoilt files: a tie that had been widened as the mirror image of another one."""
    name, content = Fuzz(tmp_path).make(12_688)
    (tmp_path / name).write_bytes(content)
    assert raster2path.make(Job(name="spoilt", date="2026-11-24"), tmp_path / name).order.cuts
