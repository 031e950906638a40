"""The command line: words into a job, results onto disk. The only file that prints."""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, NoReturn, Self

from raster2path.errors import ExitStatus, Raster2PathError, UsageError

if TYPE_CHECKING:
    from raster2path.job import Job
    from raster2path.jobfile import JobFile
    from raster2path.pipeline import Result
    from raster2path.settings import Said

EXAMPLES = """\
examples:
  raster2path guide heron.jpg --width 600           a job folder heron-job/ beside the picture
  raster2path guide sketch.jpg --paper a4 --read edge --border rect
  raster2path guide ferry.png --dark opening --border rect --sheet 900x600
  raster2path guide heron-job/job.toml              make it again, from settings and corrections
  raster2path guide ferry.png -o ferry.svg          just that one file

exit status: 0 done; 1 our own fault; 2 wrong usage; 3 written but not ready to cut, or nothing
found; 4 the picture can't be read; 5 the result can't be written; 130 interrupted.

Plasma cutting burns, blinds and electrocutes. The torch's own manual and local rules win over
anything that this program says.
"""

LATER = {
    "bench": "the page to look, correct and light",
    "light": "the projected page",
}
FILE_ENDINGS = (".svg", ".png", ".pdf", ".dxf")
PATIENCE_S = 1.0


class _Parser(argparse.ArgumentParser):
    """argparse, but wrong usage is an exception like every other thing a maker can mend."""

    def error(self, message: str) -> NoReturn:
        raise UsageError(f"{message}; see raster2path {self.prog.split()[-1]} --help")


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command; the answer is its exit status."""
    try:
        return int(_run(sys.argv[1:] if argv is None else list(argv)))
    except Raster2PathError as error:
        print(f"raster2path: {error}", file=sys.stderr)
        return int(error.exit_status)
    except KeyboardInterrupt:
        print("raster2path: interrupted; nothing half-written", file=sys.stderr)
        return int(ExitStatus.INTERRUPTED)
    except MemoryError:
        print("raster2path: out of memory; try a smaller picture", file=sys.stderr)
        return int(ExitStatus.OUR_FAULT)
    except BrokenPipeError:  # whoever read our lines has gone; the files are written
        sys.stderr.close()
        return int(ExitStatus.DONE)


def _our_fault(error: Exception, picture: str) -> Raster2PathError:
    """One line for a mistake of ours, with the place where it happened."""
    import traceback

    last = traceback.extract_tb(error.__traceback__)[-1]
    where = f"{Path(last.filename).name}:{last.lineno}"
    return Raster2PathError(
        f"{picture}: our own fault, {type(error).__name__} at {where} ({error}); nothing was "
        "written. Please report it, with the picture"
    )


def _run(argv: list[str]) -> ExitStatus:
    words = _parser().parse_args(argv or ["--help"])
    if words.command == "coupon":
        return _coupon(words.output, words.kerf, words.measured)
    if words.command in LATER:
        raise UsageError(f"'{words.command}' ({LATER[words.command]}) is not here yet")
    said = _said(words)
    output = _output(words.output, n_pictures=len(words.pictures))
    status = ExitStatus.DONE
    for picture in words.pictures:
        try:
            one = _guarded(picture, said, output, _Ways(words.fresh, words.anyway))
        except Raster2PathError as error:
            if len(words.pictures) == 1:
                raise
            print(f"raster2path: {error}", file=sys.stderr)
            one = error.exit_status
        status = max(status, one)
    return status


def _parser() -> argparse.ArgumentParser:
    top = _Parser(
        prog="raster2path",
        description="From a photographed sketch or a picture to lines a hand can follow with a "
        "plasma torch.",
        epilog=EXAMPLES,
        formatter_class=argparse.RawDescriptionHelpFormatter,
        allow_abbrev=False,
    )
    top.add_argument("--version", action="version", version=f"%(prog)s {_version()}")
    commands = top.add_subparsers(dest="command", required=True, metavar="COMMAND")
    guide = commands.add_parser(
        "guide",
        help="the main job: pictures in, guides out",
        epilog=EXAMPLES,
        formatter_class=argparse.RawDescriptionHelpFormatter,
        allow_abbrev=False,
    )
    _add_coupon(commands)
    for name, what in LATER.items():
        later = commands.add_parser(name, help=f"{what} (not yet)", allow_abbrev=False)
        later.add_argument("rest", nargs="*", help=argparse.SUPPRESS)
    guide.add_argument("pictures", nargs="+", metavar="PICTURE", help="pictures, or a job.toml")
    guide.add_argument(
        "-o",
        dest="output",
        metavar="PLACE",
        help="NAME.svg or NAME.pdf (guides, full size), NAME.dxf, NAME.png (lines on the "
        "photograph) or a FOLDER/; default: NAME-job/ beside the picture",
    )
    guide.add_argument(
        "--anyway",
        action="store_true",
        help="write paper to cut by even though the sign is not ready to cut",
    )
    guide.add_argument(
        "--fresh",
        action="store_true",
        help="forget the job folder's settings; the old job.toml is kept as job-1.toml",
    )
    _add_settings(guide)
    return top


def _add_coupon(commands: argparse._SubParsersAction[_Parser]) -> None:
    """The test piece: written, or what was measured on it turned into a kerf."""
    what = "a test piece to cut; what you measure on it gives your torch's kerf"
    coupon = commands.add_parser("coupon", help=what, description=what, allow_abbrev=False)
    coupon.add_argument(
        "-o", dest="output", metavar="FOLDER", default=".", help="where coupon.svg and .pdf go"
    )
    coupon.add_argument(
        "--kerf", metavar="MM", default="1.5", help="kerf that is allowed for (default 1.5)"
    )
    coupon.add_argument(
        "--measured",
        metavar="W,W,W",
        help="widths that the three slots came out with, narrowest first, in mm",
    )


def _coupon(place: str, kerf: str, widths: str | None) -> ExitStatus:
    from raster2path.settings import length_mm, numbers
    from raster2path.torch.coupon import SLOTS_MM, measured

    kerf_mm = length_mm(kerf)
    if widths is not None:
        found = measured(numbers(widths), kerf_mm=kerf_mm)
        print(
            f"your torch takes {found.kerf_mm:.1f} mm (the slots agree within "
            f"{found.spread_mm:.1f} mm): raster2path guide PICTURE --kerf {found.kerf_mm:.1f}"
        )
        return ExitStatus.DONE
    from raster2path.outputs import coupon_files, write_files

    files = coupon_files(kerf_mm)
    write_files(Path(place), files)
    drawn = ", ".join(f"{width:g}" for width in SLOTS_MM)
    print(
        f"cut it with your usual tip, current and speed; the slots are drawn {drawn} mm wide.\n"
        f"Measure what they came out with and say: raster2path coupon --kerf {kerf_mm:g} "
        f"--measured W,W,W\n  → {place}: {', '.join(files)}"
    )
    return ExitStatus.DONE


def _add_settings(guide: argparse.ArgumentParser) -> None:
    """One option a setting, in the groups of the table."""
    from raster2path.settings import LINES, METAL, SETTINGS

    names = dict.fromkeys(setting.group for setting in SETTINGS)
    groups = {name: guide.add_argument_group(name) for name in names}
    for setting in SETTINGS:
        groups[setting.group].add_argument(
            f"--{setting.option}", dest=setting.key, metavar=setting.metavar, help=setting.help
        )
    groups[METAL].add_argument(
        "--gauge", type=int, metavar="N", help="or its gauge number, for plain steel"
    )
    groups[LINES].add_argument(
        "--lettering",
        action="append",
        metavar="WHICH",
        help="auto, all, none, or a box X,Y,W,H in picture pixels (repeat for more boxes)",
    )


def _version() -> str:
    from importlib.metadata import version

    return version("raster2path")


def _said(words: argparse.Namespace) -> Said:
    """Options into settings; the error names the option."""
    from raster2path.settings import SETTINGS, Said, gauge_mm, lettering_rules

    values: dict[str, object] = {}
    for setting in SETTINGS:
        text = getattr(words, setting.key)
        if text is None:
            continue
        try:
            values[setting.key] = setting.read(text)
        except UsageError as error:
            raise UsageError(f"--{setting.option}: {error}") from None
    if words.gauge is not None:
        if "thickness_mm" in values:
            raise UsageError("both --gauge and --thickness are given; a measured thickness wins")
        values["thickness_mm"] = gauge_mm(words.gauge)
    if "width_mm" in values and "height_mm" in values:
        raise UsageError("both --width and --height are given; one follows from the other")
    return Said(values, lettering_rules(words.lettering) if words.lettering else None)


@dataclass(frozen=True, slots=True)
class _Output:
    """Where results go: one file, a folder, or (both None) a job folder beside the picture."""

    file: Path | None = None
    folder: Path | None = None
    is_shared: bool = False

    def folder_for(self, picture: Path) -> Path:
        """The job folder of one of the pictures."""
        if self.folder is None:
            return picture.parent / f"{picture.stem}-job"
        return self.folder / f"{picture.stem}-job" if self.is_shared else self.folder


@dataclass(frozen=True, slots=True)
class _Ways:
    """What is asked of one run and kept in no job.

    Attributes:
        fresh: forget the folder's settings.
        anyway: write paper to cut by though the sign is not ready.
    """

    fresh: bool
    anyway: bool


def _output(text: str | None, *, n_pictures: int) -> _Output:
    if text is None:
        return _Output()
    place = Path(text)
    ending = place.suffix.lower()
    if text.endswith(("/", "\\")) or place.is_dir() or not ending:
        return _Output(folder=place, is_shared=n_pictures > 1)
    if ending not in FILE_ENDINGS:
        raise UsageError(f"-o {text}: expected NAME.svg, .pdf, .dxf, .png or a FOLDER/")
    if n_pictures > 1:
        raise UsageError(f"-o {text}: {n_pictures} pictures can't go into one file")
    return _Output(file=place)


def _guarded(picture: str, said: Said, output: _Output, ways: _Ways) -> ExitStatus:
    """`_guide`, but a mistake of ours is one line too: the other pictures still get their turn."""
    try:
        return _guide(Path(picture), said, output, ways)
    except (Raster2PathError, BrokenPipeError, MemoryError):
        raise
    except Exception as error:
        raise _our_fault(error, picture) from error


def _guide(source: Path, said: Said, output: _Output, ways: _Ways) -> ExitStatus:
    """One picture, or one job.toml, all the way; prints what a maker should know."""
    from raster2path.settings import with_said

    held, folder = _held(source, output, fresh=ways.fresh)
    job = with_said(held.job, said)
    if output.file is not None and _is_same(output.file, held.picture):
        raise UsageError(
            f"-o {output.file} is the picture itself; nothing is written over a picture"
        )
    result = _road(job, held.picture)
    if held.picture_sha256 not in ("", result.picture.sha256):
        print(f"{held.picture.name} has changed since its job was made; its settings were kept")
    names = _write(result, held.picture, output.file, folder, ways)
    print("\n".join(_told(result, output.file or folder, names)))
    return ExitStatus.DONE if result.is_ready else ExitStatus.NOT_READY


def _held(source: Path, output: _Output, *, fresh: bool) -> tuple[JobFile, Path]:
    """The job to start from, and the folder it lives in: an existing job.toml is read first."""
    from raster2path.jobfile import JobFile, new_job, read_job

    if source.suffix.lower() == ".toml":
        held = read_job(source)
        return held, output.folder_for(held.picture) if output.folder else source.parent
    folder = output.folder_for(source)
    kept = folder / "job.toml"
    if output.file is not None or fresh or not kept.exists():
        return JobFile(new_job(source), source, ""), folder
    held = read_job(kept)
    if not _is_same(held.picture, source):
        raise UsageError(
            f"{folder} holds the job of {held.picture.name}; give {source.name} another place "
            "with -o, or say --fresh"
        )
    return held, folder


def _is_same(a: Path, b: Path) -> bool:
    return a.resolve() == b.resolve()


def _road(job: Job, picture: Path) -> Result:
    try:
        from raster2path.pipeline import make
    except ImportError as error:
        raise _missing_library(error) from error
    with _Watch() as watch:
        return make(job, picture, progress=watch)


def _missing_library(error: ImportError) -> Raster2PathError:
    """OpenCV's wheel leaves two system libraries to the system; bare servers lack them."""
    return Raster2PathError(
        f"a library can't start ({error}); on a bare Linux, install what OpenCV needs: "
        "apt-get install libgl1 libglib2.0-0"
    )


class _Watch:
    """Tells the stage on a terminal, once a run has taken longer than a second."""

    def __init__(self) -> None:
        self._since = time.monotonic()
        self._is_shown = False

    def __enter__(self) -> Self:
        return self

    def __call__(self, stage: str) -> None:
        if sys.stderr.isatty() and time.monotonic() - self._since > PATIENCE_S:
            print(f"\r\x1b[K{stage} …", end="", file=sys.stderr, flush=True)
            self._is_shown = True

    def __exit__(self, *_: object) -> None:
        if self._is_shown:
            print("\r\x1b[K", end="", file=sys.stderr, flush=True)


def _write(
    result: Result, picture: Path, file: Path | None, folder: Path, ways: _Ways
) -> tuple[str, ...]:
    """Writes what was asked for; returns the names of the files."""
    from raster2path.outputs import (
        FILE_BYTES,
        folder_files,
        old_job,
        stale_paper,
        write_files,
    )

    if file is not None:
        write_files(file.parent, {file.name: FILE_BYTES[file.suffix.lower()](result)})
        return (file.name,)
    files = folder_files(result, picture=picture, folder=folder, anyway=ways.anyway)
    kept = old_job(folder / "job.toml") if ways.fresh else {}
    write_files(folder, {**kept, **files}, stale=stale_paper(files))
    return tuple(files)


def _told(result: Result, place: Path, names: tuple[str, ...]) -> list[str]:
    from raster2path.telling import lines

    out = lines(result)
    if place.name == names[0]:
        return [*out, f"  → {place}"]
    if "guides.pdf" not in names and not result.is_ready:
        out.append("  paper to cut by is held back until it is ready; --anyway prints it")
    return [*out, f"  → {place}/: {', '.join(names)}"]
