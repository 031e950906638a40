"""Spoilt pictures and jobs by the thousand, made from seeds: `python -m tests.fuzz FIRST LAST`.

Each input is a whole file (a format, or a job.toml) with a few faults put in, chosen by its number
alone. Opening it must give a picture or a job, or an error that a maker can act on: no other
exception, no crash, no hang, and no more memory than a picture of the largest size takes. Of those
that open, some go the whole road.
"""

from __future__ import annotations

import contextlib
import faulthandler
import io
import os
import random
import re
import resource
import signal
import struct
import sys
import tempfile
import time
import warnings
import zlib
from collections import Counter
from pathlib import Path

import cv2
import numpy as np
import pillow_heif
from PIL import Image, ImageCms

import raster2path
from raster2path.errors import Raster2PathError
from raster2path.job import Job, PhotoRules
from raster2path.jobfile import job_toml, read_job
from raster2path.picture.photo import open_picture
from raster2path.settings import SETTINGS, Said, with_said

LONGEST_S = 20.0
"""Of processor time: no input may take longer. The process is ended with a traceback."""

MOST_MB = 3000
"""Resident memory; the largest picture that is accepted takes about two thirds of it."""

SMALL_PX = 400
"""What is larger is not taken all the way: it is slow, and no other code."""

PNG_HEAD = b"\x89PNG\r\n\x1a\n"


def drawing() -> Image.Image:
    """A few shapes, so that what still opens holds something to cut."""
    grey = np.full((72, 96), 250, np.uint8)
    cv2.rectangle(grey, (10, 10), (86, 62), 20, -1)
    cv2.circle(grey, (40, 36), 16, 250, -1)
    cv2.line(grey, (60, 20), (80, 52), 250, 3)
    return Image.fromarray(grey)


def _saved(image: Image.Image, form: str, **options: object) -> bytes:
    stream = io.BytesIO()
    image.save(stream, form, **options)
    return stream.getvalue()


def picture_seeds() -> dict[str, bytes]:
    """Whole files, by a name that begins with the format: several kinds of each."""
    pillow_heif.register_heif_opener()
    grey = drawing()
    rgb, rgba, palette = grey.convert("RGB"), grey.convert("RGBA"), grey.convert("P")
    exif = Image.Exif()
    exif[0x0112], exif[0x010F] = 6, "heron"
    icc = ImageCms.ImageCmsProfile(ImageCms.createProfile("LAB")).tobytes()
    srgb = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    deep = Image.fromarray(np.asarray(grey).astype(np.uint16) * 257)
    fractions = Image.fromarray(np.asarray(grey).astype(np.float32) / 255)
    wide = cv2.imencode(".tif", np.asarray(rgb).astype(np.uint16) * 257)[1].tobytes()
    frames = {"save_all": True, "append_images": [rgb, rgb]}
    return {
        "jpeg": _saved(rgb, "JPEG", exif=exif),
        "jpeg-progressive": _saved(grey, "JPEG", progressive=True, icc_profile=srgb),
        "jpeg-cmyk": _saved(rgb.convert("CMYK"), "JPEG", quality=70),
        "png": _saved(rgb, "PNG", exif=exif, icc_profile=icc),
        "png-palette": _saved(palette, "PNG", transparency=0),
        "png-16": _saved(deep, "PNG"),
        "png-alpha": _saved(rgba, "PNG", dpi=(300, 300)),
        "png-frames": _saved(rgb, "PNG", **frames),
        "tiff": _saved(rgb, "TIFF", exif=exif),
        "tiff-lzw": _saved(grey, "TIFF", compression="tiff_lzw"),
        "tiff-deflate": _saved(rgba, "TIFF", compression="tiff_deflate"),
        "tiff-g4": _saved(grey.convert("1"), "TIFF", compression="group4"),
        "tiff-jpeg": _saved(rgb, "TIFF", compression="jpeg"),
        "tiff-float": _saved(fractions, "TIFF"),
        "tiff-wide": wide,
        "tiff-pages": _saved(rgb, "TIFF", **frames),
        "webp": _saved(rgb, "WEBP", exif=exif),
        "webp-lossless": _saved(rgba, "WEBP", lossless=True),
        "webp-frames": _saved(rgb, "WEBP", **frames),
        "bmp": _saved(rgb, "BMP"),
        "bmp-palette": _saved(palette, "BMP"),
        "gif-frames": _saved(palette, "GIF", **frames),
        "heic": _saved(rgb, "HEIF", quality=40, exif=exif.tobytes()),
        "heic-alpha": _saved(rgba, "HEIF", quality=40),
    }


def job_seed() -> str:
    """A job with every setting and correction in it that go together."""
    unlike = ("paper_corners_px", "paper_mm", "falls", "falls_darker_than", "ink", "height_mm")
    job = Job(name="kelp", date="2026-11-24")
    for setting in SETTINGS:
        for text in ("10,20,60,20=200", "1", "300", "900x600", "left", "auto"):
            with contextlib.suppress(Raster2PathError):
                if setting.key not in unlike:  # they would not open this picture
                    job = with_said(job, Said({setting.key: setting.read(text)}))
                break
    text = job_toml(
        job, picture=Path("ferry.png"), picture_sha256="0" * 64, folder=Path(), guessed={}
    )
    boxes = "lettering_boxes_px = [[1, 2, 30, 40]]\nties_px = [[5, 6.5]]\nno_ties_px = [[1,2,3,4]]"
    return text.replace("[corrections]", f"[corrections]\n{boxes}") + MADE


MADE = '\n[made]\nof = "0123456789ab"\nready = true\n[made.files]\n"guides.svg" = "00"\n'

NUMBERS = (0, 1, 2, 3, 7, 8, 15, 16, 127, 128, 255, 256, 32767, 32768, 65535, 65536, 0x7FFFFFFF,
           0x80000000, 0xFFFFFFFF)  # fmt: skip
"""Where lengths and counts overflow, or stop being small."""

VALUES = (
    *("nan", "inf", "-inf", "-0.0", "1e308", "-1e308", "1e-320", "1e9999", "-1", "0", "9" * 400),
    *("9" * 5000, "true", "[]", "[[]]", "{}", "[nan, nan]", "[[nan, inf, 1e308, -1]]", '""'),
    *('"\\u0000"', '"../../../../etc/passwd"', "'nan'", "'inf mm'", "'1e9in'", "2026-11-24"),
    *("2026-11-24T07:00:00Z", "[" * 90 + "]" * 90, '"\\ud7ff"', "'''\n'''", "0x7fff_ffff_ffff"),
    *(
        "'9999999999999999999999m'",
        "'auto'",
        "'0,0,0,0'",
        "'-5,-5,nan,1'",
        "'1e999'",
        "'" + "9" * 5000 + "'",
    ),
)


def spoilt_bytes(whole: bytes, rng: random.Random, other: bytes) -> bytes:
    """The file with one to six faults in it."""
    out = bytearray(whole)
    for _ in range(rng.choice((1, 1, 1, 2, 4))):
        # faults in the head hurt most
        at = rng.randrange(min(len(out), rng.choice((32, 200, len(out))))) if out else 0
        kind = rng.randrange(9)
        if kind == 0 and out:
            out[at] ^= 1 << rng.randrange(8)
        elif kind == 1 and out:
            out[at] = rng.choice((0, 1, 0x7F, 0x80, 0xFE, 0xFF, rng.randrange(256)))
        elif kind in (2, 3):
            form = rng.choice(("<H", ">H", "<I", ">I"))
            size = struct.calcsize(form)
            number = rng.choice(NUMBERS) & (256**size - 1)
            out[at : at + size] = struct.pack(form, number)
        elif kind == 4:
            del out[at : at + rng.choice((1, 4, 50, 4000))]
        elif kind == 5:
            out[at:at] = rng.randbytes(rng.choice((1, 4, 30)))
        elif kind == 6:
            length = rng.choice((4, 30, 300))
            out[at:at] = out[at : at + length] * rng.choice((1, 2, 20))
        elif kind == 7:
            del out[rng.randrange(len(out) + 1) :]
        else:
            out[at:] = other[rng.randrange(len(other)) :]
    if rng.random() < 0.6:
        out = _with_checksums(out)
    return bytes(out)


def _with_checksums(png: bytearray) -> bytearray:
    """A PNG whose chunks' checksums are right, so that faults are not found by them alone."""
    at = 8
    while png.startswith(PNG_HEAD) and at + 12 <= len(png):
        (length,) = struct.unpack_from(">I", png, at)
        end = at + 8 + length
        if end + 4 > len(png):
            break
        struct.pack_into(">I", png, end, zlib.crc32(png[at + 4 : end]))
        at = end + 4
    return png


def spoilt_text(whole: str, rng: random.Random) -> bytes:
    """The job with values that make no sense, lines away or twice, or bytes spoilt."""
    lines = whole.splitlines()
    for _ in range(rng.choice((1, 1, 2, 4))):
        at = rng.randrange(len(lines))
        kind = rng.randrange(8)
        if kind < 4 and "=" in lines[at]:
            lines[at] = re.sub(r"=.*", lambda _: f"= {rng.choice(VALUES)}", lines[at])
        elif kind == 4:
            del lines[at]
            lines = lines or [""]
        elif kind == 5:
            lines.insert(rng.randrange(len(lines)), lines[at])
        elif kind == 6 and "=" in lines[at]:
            lines[at] = f"{rng.choice(SETTINGS).key} = {rng.choice(VALUES)}"
        else:
            lines[at] = lines[at].replace(rng.choice('="[]_.'), rng.choice(('"', "]", "", "x")))
    out = "\n".join(lines).encode()
    return out if rng.random() < 0.8 else spoilt_bytes(out, rng, out)


class Fuzz:
    """Makes and tries inputs; an input is known by its number."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.pictures = picture_seeds()
        self.names = sorted(self.pictures)
        self.job = job_seed()
        (folder / "ferry.png").write_bytes(self.pictures["png-alpha"])
        self.seen: Counter[str] = Counter()

    def make(self, number: int) -> tuple[str, bytes]:
        """Its name and its bytes."""
        rng = random.Random(number)
        if number % 5 == 0:
            return "job.toml", spoilt_text(self.job, rng)
        name = self.names[number % len(self.names)]
        other = self.pictures[rng.choice(self.names)]
        return f"{name}.bin", spoilt_bytes(self.pictures[name], rng, other)

    def attempt(self, number: int) -> None:
        """Open it, and go the whole road with some.

        Raises:
            Exception: whatever is not meant for a maker: a finding.
        """
        name, content = self.make(number)
        file = self.folder / name
        file.write_bytes(content)
        try:
            if name == "job.toml":
                self._try_job(file, number)
            else:
                self._try_picture(file, number)
        except Raster2PathError as error:
            if "\n" in error.args[0] or not error.args[0]:
                raise ValueError(f"not one sentence: {error!r}") from error
            self.seen["told"] += 1

    def _try_picture(self, file: Path, number: int) -> None:
        picture = open_picture(file, rules=PhotoRules())
        self.seen["opened"] += 1
        if number % 307 == 0 and max(picture.upright_size_px) <= SMALL_PX:
            self.seen["whole road"] += 1
            raster2path.make(Job(name="spoilt", date="2026-11-24"), file)

    def _try_job(self, file: Path, number: int) -> None:
        held = read_job(file)
        self.seen["job read"] += 1
        if number % 195 == 0:
            self.seen["whole road"] += 1
            result = raster2path.make(held.job, self.folder / "ferry.png")
            raster2path.folder_files(result, picture=held.picture, folder=self.folder)


def run(first: int, last: int) -> Counter[str]:
    """Try the inputs with these numbers.

    Raises:
        AssertionError: what was found, with the number that makes it again.
    """
    most = (MOST_MB + 3000) << 20
    resource.setrlimit(resource.RLIMIT_AS, (most, most))
    faulthandler.register(signal.SIGPROF, chain=True)
    with tempfile.TemporaryDirectory() as place, warnings.catch_warnings():
        warnings.simplefilter("ignore")
        fuzz = Fuzz(Path(place))
        slowest = (0.0, 0)
        for number in range(first, last):
            signal.setitimer(signal.ITIMER_PROF, LONGEST_S)
            os.write(2, f"\r{number}".encode())
            since = time.process_time()
            try:
                fuzz.attempt(number)
            except Exception as error:
                name = fuzz.make(number)[0]
                raise AssertionError(f"input {number} ({name}): {error!r}") from error
            slowest = max(slowest, (time.process_time() - since, number))
        signal.setitimer(signal.ITIMER_PROF, 0)
        peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024
        if peak_mb > MOST_MB:
            raise AssertionError(f"{peak_mb} MB were needed, expected at most {MOST_MB}")
        sys.stdout.write(f"slowest {slowest[0]:.1f} s (input {slowest[1]}), {peak_mb} MB\n")
        return fuzz.seen


if __name__ == "__main__":
    sys.stdout.write(f"{dict(run(int(sys.argv[1]), int(sys.argv[2])))}\n")
