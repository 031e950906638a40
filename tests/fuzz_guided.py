"""Spoilt pictures and jobs, led by coverage: `python -m tests.fuzz_guided -max_total_time=600`.

Needs `pip install atheris`, which is not among the test dependencies as it runs on few systems.
The first byte tells whether the rest is a job or a picture. An input that makes something else than
a picture, a job or an error for a maker is a finding, and atheris writes it beside.
"""

from __future__ import annotations

import contextlib
import sys
import tempfile
import warnings
from pathlib import Path

import atheris

with atheris.instrument_imports(include=["raster2path", "PIL", "tomllib"]):
    import PIL.Image
    import PIL.TiffImagePlugin

    from raster2path.errors import Raster2PathError
    from raster2path.job import PhotoRules
    from raster2path.jobfile import read_job
    from raster2path.picture.photo import open_picture

from tests.fuzz import job_seed, picture_seeds

warnings.simplefilter("ignore")
PIL.Image.init()
FOLDER = Path(tempfile.mkdtemp())


def one_input(data: bytes) -> None:
    """Open what the bytes are."""
    file = FOLDER / ("job.toml" if data[:1] == b"j" else "picture.bin")
    file.write_bytes(data[1:])
    with contextlib.suppress(Raster2PathError):
        if data[:1] == b"j":
            read_job(file)
        else:
            open_picture(file, rules=PhotoRules())


if __name__ == "__main__":
    corpus = FOLDER / "corpus"
    corpus.mkdir()
    (corpus / "job").write_bytes(b"j" + job_seed().encode())
    for name, content in picture_seeds().items():
        (corpus / name).write_bytes(b"p" + content)
    atheris.Setup([*sys.argv, str(corpus), "-timeout=30", "-rss_limit_mb=3000"], one_input)
    atheris.Fuzz()
