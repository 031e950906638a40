"""Spoilt files and requests, led by coverage: `python -m tests.fuzz_guided -max_total_time=600`.

Needs `pip install atheris`, which is not among the test dependencies as it runs on few systems.
The first byte tells what the rest is: a job, a picture, or what the bench or the light is asked. An
input that makes something else than a picture, a job, a light or an error for a maker is a finding,
and atheris writes it beside.
"""

from __future__ import annotations

import contextlib
import json
import sys
import tempfile
import warnings
from pathlib import Path

import atheris

with atheris.instrument_imports(include=["raster2path", "PIL", "tomllib"]):
    import PIL.Image
    import PIL.TiffImagePlugin

    from raster2path.bench.changes import changed
    from raster2path.errors import Raster2PathError
    from raster2path.job import Job, PhotoRules
    from raster2path.jobfile import job_toml, read_job
    from raster2path.light.scene import light_up
    from raster2path.light.session import act, begin, verdict
    from raster2path.picture.photo import open_picture

from tests.fuzz import job_seed, picture_seeds
from tests.fuzz_pages import HERE, SIZE_PX, THERE
from tests.guide_scenes import STAMP, harbour

warnings.simplefilter("ignore")
PIL.Image.init()
FOLDER = Path(tempfile.mkdtemp())


JOB = Job(name="kelp", date="2026-11-24")
LIGHT = begin(light_up(harbour(sheet=(1200, 800)), stamp=STAMP), size_px=SIZE_PX)


def one_input(data: bytes) -> None:
    """Open what the bytes are, or do what they ask."""
    kind, rest = data[:1], data[1:]
    with contextlib.suppress(Raster2PathError):
        if kind in (b"c", b"a"):
            asked(rest, of_bench=kind == b"c")
            return
        file = FOLDER / ("job.toml" if kind == b"j" else "picture.bin")
        file.write_bytes(rest)
        if kind == b"j":
            read_job(file)
        else:
            open_picture(file, rules=PhotoRules())


def asked(body: bytes, *, of_bench: bool) -> None:
    """Several requests, one after the other; each job that comes of them is saved and read."""
    try:
        several = json.loads(body)
    except (ValueError, RecursionError):
        return
    job, light = JOB, LIGHT
    for one in several if isinstance(several, list) else [several]:
        if not isinstance(one, dict):
            continue
        with contextlib.suppress(Raster2PathError):
            if not of_bench:
                light = act(light, one, now_s=0.0)
                verdict(light)
                continue
            job = changed(job, one)
            file = FOLDER / "changed.toml"
            place = FOLDER / "ferry.png"
            told = job_toml(job, picture=place, picture_sha256="0", folder=FOLDER, guessed={})
            file.write_text(told, encoding="utf-8")
            if read_job(file).job != job:
                raise AssertionError("the job was read otherwise than it was saved")


if __name__ == "__main__":
    corpus = FOLDER / "corpus"
    corpus.mkdir()
    (corpus / "job").write_bytes(b"j" + job_seed().encode())
    for name, content in picture_seeds().items():
        (corpus / name).write_bytes(b"p" + content)
    for k, one in enumerate(HERE):
        (corpus / f"change-{k}").write_bytes(b"c" + json.dumps([one]).encode())
    for k, one in enumerate(THERE):
        (corpus / f"act-{k}").write_bytes(b"a" + json.dumps([one]).encode())
    (corpus / "changes").write_bytes(b"c" + json.dumps(HERE).encode())
    (corpus / "acts").write_bytes(b"a" + json.dumps(THERE).encode())
    atheris.Setup([*sys.argv, str(corpus), "-timeout=30", "-rss_limit_mb=3000"], one_input)
    atheris.Fuzz()
