"""The words of `raster2path bench`, and what is done with them. Starts no library until it runs."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from pathlib import Path
from typing import Any

from raster2path.bench.listening import add_listening, port_of
from raster2path.errors import UsageError

PORT = 8477
"""The same at every start, so that a page that is still open finds the bench again."""

JOBS = "raster2path-jobs"


def add_bench(commands: Any) -> None:  # noqa: ANN401 (argparse has no public name for it)
    """The words."""
    what = "the page to look, correct and follow: on this machine only, in your browser"
    bench = commands.add_parser("bench", help=what, description=what, allow_abbrev=False)
    bench.add_argument(
        "source",
        nargs="?",
        metavar="PICTURE|JOB",
        help="a picture, a job.toml or a job folder to begin with (default: choose in the page)",
    )
    bench.add_argument(
        "-o",
        dest="output",
        metavar="FOLDER",
        help=f"where pictures from the page get their job folders (default: {JOBS} in your home)",
    )
    add_listening(bench, PORT)


def run_bench(words: argparse.Namespace, say: Callable[[str], None]) -> None:
    """Serve the page until it is interrupted.

    Raises:
        UsageError: the libraries are missing, or the port makes no sense.
        Raster2PathError: the picture or the job can't be read.
    """
    try:
        import starlette  # noqa: F401 (only asked whether it is there)
        import uvicorn  # noqa: F401
    except ImportError as error:
        raise UsageError(
            f"the page needs two more libraries ({error.name} is missing); "
            "pip install 'raster2path[bench]'"
        ) from error
    from raster2path.bench.server import serve

    serve(
        None if words.source is None else Path(words.source).absolute(),
        jobs=Path(words.output).absolute() if words.output else Path.home() / JOBS,
        port=port_of(words, PORT),
        say=lambda address: say(f"the bench is at {address}\nCtrl-C ends it; every step is saved"),
        opens_browser=not words.no_browser,
    )
