"""The words of `raster2path light`, and what is done with them. Starts no library until it runs."""

from __future__ import annotations

import argparse
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from raster2path.bench.listening import add_listening, port_of
from raster2path.errors import ExitStatus, UnreadableError, UsageError

if TYPE_CHECKING:
    from raster2path.light.registration import Mark
    from raster2path.light.scene import Scene
    from raster2path.light.session import Session, SizePx
    from raster2path.pipeline import Result

PORT = 8478
PIXELS = (1920, 1080)
TABLE = "light"
"""Where marks are kept among the maker's habits."""


def add_light(commands: Any) -> None:  # noqa: ANN401 (argparse has no public name for it)
    """The words."""
    what = "the guides in light, true to scale on the sheet, from a projector that stands crooked"
    light = commands.add_parser("light", help=what, description=what, allow_abbrev=False)
    light.add_argument(
        "source", metavar="JOB", help="a job folder, a job.toml, or a picture that has a job"
    )
    light.add_argument(
        "-o",
        dest="output",
        metavar="NAME.pdf",
        help="write the light as PDF instead, for a tablet at the projector",
    )
    light.add_argument(
        "--marks",
        metavar='"X,Y X,Y …"',
        help="four places or more on the sheet, in mm from its upper left corner (default: the "
        "corners)",
    )
    light.add_argument(
        "--projector", default="projector", metavar="NAME", help="whose crosses are remembered"
    )
    light.add_argument(
        "--table", default="table", metavar="NAME", help="above which table it stands"
    )
    light.add_argument(
        "--pixels",
        metavar="WxH",
        help=f"of the projector, for the PDF (default {PIXELS[0]}x{PIXELS[1]})",
    )
    light.add_argument("--anyway", action="store_true", help="though the sign is not ready to cut")
    add_listening(light, PORT)


def run_light(words: argparse.Namespace, say: Callable[[str], None]) -> ExitStatus:
    """Serve the light until interrupted, or write it as PDF.

    Raises:
        Raster2PathError: the job can't be read, or an option makes no sense.
    """
    marks = places_mm(words.marks or "", "--marks")
    size = PIXELS if words.pixels is None else _pixels(words.pixels)
    result = _made(Path(words.source))
    if not result.is_ready and not words.anyway:
        say(f"{result.job.name} is NOT READY TO CUT: {'; '.join(result.stamp.not_ready)}")
        say("  light to cut by is held back until it is ready; --anyway shows it")
        return ExitStatus.NOT_READY
    memory = Memory(words.projector, words.table)
    if words.output is not None:
        _write(result, Path(words.output), size, memory, say)
    else:
        _check_libraries()
        from raster2path.light.session import begin

        session = begin(scene_of(result), size_px=size, wanted_mm=marks, remembered=memory.read())
        _serve(session, memory, words, say)
    return ExitStatus.DONE


@dataclass(frozen=True, slots=True)
class Memory:
    """Crosses of one projector above one table, among the maker's habits.

    Attributes:
        projector, table: their names.
    """

    projector: str
    table: str

    @property
    def name(self) -> str:
        """The key that they are kept under."""
        return f"{self.projector} above {self.table}"

    def read(self) -> dict[SizePx, tuple[Mark, ...]]:
        """Marks by size of the picture."""
        from raster2path.habits import read_habits
        from raster2path.light.session import from_table

        return from_table(read_habits().tables.get(TABLE, {}).get(self.name))

    def keep(self, marks: Mapping[SizePx, tuple[Mark, ...]]) -> None:
        """Marks for next time, beside those of other projectors and tables."""
        from raster2path.habits import keep_table, read_habits
        from raster2path.light.session import as_table

        held = dict(read_habits().tables.get(TABLE, {}))
        keep_table(TABLE, {**held, self.name: as_table(marks)})


def _made(source: Path) -> Result:
    """The job, all the way."""
    from raster2path.habits import usual_job
    from raster2path.jobfile import read_job
    from raster2path.pipeline import make

    if source.is_dir():
        source = source / "job.toml"
    beside = source.parent / f"{source.stem}-job" / "job.toml"
    if source.suffix.lower() == ".toml":
        held = read_job(source)
    elif beside.is_file():
        held = read_job(beside)
    elif not source.exists():
        raise UnreadableError(f"{source}: no such job; expected a job folder or a job.toml")
    else:
        return make(usual_job(source), source)
    return make(held.job, held.picture)


def scene_of(result: Result) -> Scene:
    """The light of a finished job."""
    from raster2path.light.scene import light_up

    return light_up(result.order, stamp=result.stamp)


def _write(
    result: Result, file: Path, size: SizePx, memory: Memory, say: Callable[[str], None]
) -> None:
    from raster2path.job import MarkOut
    from raster2path.light.registration import judge, register
    from raster2path.light.slides import light_pdf
    from raster2path.outputs import write_files

    if file.suffix.lower() != ".pdf":
        raise UsageError(f"-o {file}: expected NAME.pdf")
    kept = memory.read().get(size)
    found = None if kept is None else register(kept, size_px=size)
    is_punched = result.job.print.mark_out is MarkOut.PUNCH
    content = light_pdf(scene_of(result), found, size_px=size, is_punched=is_punched)
    write_files(file.parent, {file.name: content})
    shown = f"{size[0]} x {size[1]} pixels"
    if found is None:
        say(f"{shown}, not registered: set up the projector by the crosses and the rule")
    else:
        lands = result.stamp.units.told(judge(found).sentence)
        say(f"{shown}, as registered for {memory.name}: {lands}")
    say(f"  → {file}")


def _check_libraries() -> None:
    try:
        import starlette  # noqa: F401 (only asked whether it is there)
        import uvicorn  # noqa: F401
    except ImportError as error:
        raise UsageError(
            f"the light needs two more libraries ({error.name} is missing); "
            "pip install 'raster2path[bench]'"
        ) from error


def _serve(
    session: Session, memory: Memory, words: argparse.Namespace, say: Callable[[str], None]
) -> None:
    from raster2path.light.serve import serve

    serve(
        session,
        keep=memory.keep,
        port=port_of(words, PORT),
        say=lambda address: say(
            f"the light is at {address}\nCtrl-C ends it; crosses are remembered for {memory.name}"
        ),
        opens_browser=not words.no_browser,
    )


def places_mm(text: str, option: str) -> tuple[complex, ...]:
    """Places on the sheet such as `0,0 1200,0` or `10in,4in`.

    Raises:
        UsageError: they are none; it names the option.
    """
    from raster2path.settings import length_mm

    try:
        pairs = [[length_mm(part) for part in pair.split(",")] for pair in text.split()]
        return tuple(complex(x, y) for x, y in pairs)
    except (UsageError, ValueError):
        raise UsageError(
            f"{option} '{text}': expected X,Y on the sheet, in mm or as 12in,4in"
        ) from None


def _pixels(text: str) -> SizePx:
    columns, _, rows = text.lower().partition("x")
    if not (columns.isdecimal() and rows.isdecimal()):
        raise UsageError(f"--pixels {text}: expected WIDTHxHEIGHT, such as 1920x1080")
    size = int(columns), int(rows)
    if not all(100 <= side <= 16384 for side in size):
        raise UsageError(f"--pixels {text}: expected 100 to 16384 either way")
    return size
