"""The command line: words into a job, results onto disk. The only file that prints."""

from __future__ import annotations

import argparse
import io
import re
import sys
import time
from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, NoReturn, Self

from raster2path.bench.command import add_bench
from raster2path.errors import ExitStatus, Raster2PathError, UsageError
from raster2path.light.command import add_light

if TYPE_CHECKING:
    from raster2path.errand import Outcome, Place, Ways
    from raster2path.settings import Said
    from raster2path.units import Units

EXAMPLES = """\
examples:
  raster2path guide heron.jpg --width 600           a job folder heron-job/ beside the picture
  raster2path guide sketch.jpg --paper a4 --read edge --border rect
  raster2path guide ferry.png --dark opening --border rect --sheet 900x600
  raster2path guide heron-job/job.toml              make it again, from settings and corrections
  raster2path guide ferry.png -o ferry.svg          just that one file
  raster2path guide pictures/ --jobs 4              a folder of pictures, four at once

exit status: 0 done; 1 our own fault; 2 wrong usage; 3 written but not ready to cut, or nothing
found; 4 the picture can't be read; 5 the result can't be written; 130 interrupted.

Plasma cutting burns, blinds and electrocutes. The torch's own manual and local rules win over
anything that this program says.
"""

FILE_ENDINGS = (".svg", ".png", ".pdf", ".dxf")
PATIENCE_S = 1.0


class _Parser(argparse.ArgumentParser):
    """argparse, but wrong usage is an exception like every other thing a maker can mend."""

    def error(self, message: str) -> NoReturn:
        raise UsageError(f"{message}; see {self.prog} --help")


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command; the answer is its exit status."""
    for stream in (sys.stdout, sys.stderr):  # a terminal that lacks × or → gets ? for it
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="backslashreplace" if stream is sys.stderr else "replace")
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


def _run(argv: list[str]) -> ExitStatus:
    words = _parser().parse_args(argv or ["--help"])
    if words.command == "coupon":
        return _coupon(words)
    if words.command == "bench":
        from raster2path.bench.command import run_bench

        run_bench(words, lambda line: print(line, flush=True))
        return ExitStatus.DONE
    if words.command == "go-on":
        return _go_on(words)
    if words.command == "light":
        from raster2path.light.command import run_light

        return run_light(words, lambda line: print(line, flush=True))
    return _guide(words)


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
    _add_go_on(commands)
    add_bench(commands)
    add_light(commands)
    guide.add_argument(
        "pictures",
        nargs="+",
        metavar="PICTURE",
        help="pictures, a job.toml, or folders of pictures",
    )
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
    guide.add_argument(
        "--jobs",
        type=int,
        default=1,
        metavar="N",
        help="of many pictures, work on N at once (default 1; each needs a processor and memory)",
    )
    guide.add_argument(
        "--again",
        action="store_true",
        help="of many pictures, make those again, too, that are done with the same settings",
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
        help="widths that the three slots came out with, narrowest first",
    )
    coupon.add_argument(
        "--units", metavar="UNIT", help="what it is told in: mm or in (default: your habit)"
    )
    for option, what in (
        ("--pull", "how far along the freehand line you came in one go"),
        ("--wander", "how far it is from the drawn line where it is worst"),
        ("--ground", "how much you ground off a letter's edge until it was clean"),
    ):
        coupon.add_argument(option, metavar="L", help=what)


def _coupon(words: argparse.Namespace) -> ExitStatus:
    from raster2path.habits import read_habits
    from raster2path.settings import BY_KEY, length_mm
    from raster2path.units import Units

    said = BY_KEY["units"].read(words.units) if words.units else None
    units = Units(said or read_habits().settings.get("units", Units.MM))
    kerf_mm = length_mm(words.kerf)
    if words.measured is None and not any((words.pull, words.wander, words.ground)):
        return _coupon_drawn(Path(words.output), kerf_mm, units)
    try:
        return _coupon_measured(words, kerf_mm, units)
    except UsageError as error:
        raise UsageError(units.told(str(error))) from error


def _coupon_measured(words: argparse.Namespace, kerf_mm: float, units: Units) -> ExitStatus:
    """What was measured on the test piece, kept for new jobs."""
    from raster2path.habits import keep_settings
    from raster2path.settings import length_mm
    from raster2path.torch.coupon import kept, measured

    texts = (words.pull, words.wander, words.ground)
    pull, wander, ground = (length_mm(text) if text else None for text in texts)
    own_kerf = None
    if words.measured is not None:
        widths = [length_mm(text) for text in re.split(r"[,;\s]+", words.measured.strip())]
        found = measured(widths, kerf_mm=kerf_mm)
        own_kerf, spread = found.kerf_mm, found.spread_mm
        agree = f"the slots agree within {spread:.1f} mm"
        print(units.told(f"your torch takes {own_kerf:.1f} mm ({agree})"))
    values = kept(kerf_mm=own_kerf, pull_mm=pull, wander_mm=wander, ground_mm=ground)
    file = keep_settings(values)
    told = ", ".join(f"{key} {value:g}" for key, value in values.items())
    print(f"new jobs begin with {told}\n  → {file}")
    return ExitStatus.DONE


def _coupon_drawn(place: Path, kerf_mm: float, units: Units) -> ExitStatus:
    from raster2path.outputs import coupon_files, write_files
    from raster2path.torch.coupon import SLOTS_MM

    files = coupon_files(kerf_mm, units)
    write_files(place, files)
    drawn = units.told(f"{', '.join(f'{width:g} mm' for width in SLOTS_MM)} wide")
    kerf = f"{kerf_mm:g}" if units.value == "mm" else units.told(f"{kerf_mm:g} mm").replace(" ", "")
    print(
        f"cut it with your usual tip, current and speed; the slots are drawn {drawn}.\n"
        f"Measure what they came out with and say: raster2path coupon --kerf {kerf} "
        "--measured W,W,W --pull L --wander L --ground L\n"
        "(a plain number is mm; say 0.24in for inches)\n"
        f"  → {place}: {', '.join(files)}"
    )
    return ExitStatus.DONE


def _add_go_on(commands: argparse._SubParsersAction[_Parser]) -> None:
    """A job on the table: what is done, what went wrong."""
    what = "a job that is half cut: what is done, what went wrong, what to do about it"
    on = commands.add_parser("go-on", help=what, description=what, allow_abbrev=False)
    on.add_argument("job", metavar="JOB", help="a job folder, or its job.toml")
    on.add_argument("--done", metavar="N-N,N", help="numbers of cuts that are made")
    on.add_argument("--undone", metavar="N-N,N", help="numbers of cuts that are not, after all")
    on.add_argument("--lost", metavar="N,N", help="numbers of ties that the torch cut through")
    on.add_argument(
        "--took", metavar="MIN", help="minutes the whole job took, for your next estimates"
    )
    on.add_argument("--welded", metavar="N,N", help="numbers of ties that are welded back")
    for option, of in (
        ("--strayed", "how far the torch came where it left its line, on the sheet"),
        ("--mended", "such a place that is welded up or ground fair"),
    ):
        on.add_argument(option, action="append", metavar="X,Y", help=f"{of} (repeat for more)")


def _go_on(words: argparse.Namespace) -> ExitStatus:
    from raster2path.going import Marks, go_on_job, ranges
    from raster2path.light.command import places_mm
    from raster2path.settings import amount

    def places(option: str, texts: list[str] | None) -> tuple[complex, ...]:
        return tuple(place for text in texts or () for place in places_mm(text, option))

    said = (words.done, words.undone, words.lost, words.welded)
    done, undone, lost, welded = (ranges(text) if text else () for text in said)
    strayed = places("--strayed", words.strayed)
    mended = places("--mended", words.mended)
    took_min = amount(words.took) if words.took else None
    marks = Marks(done, undone, lost, welded, strayed, mended, took_min)
    with _Watch() as watch:
        gone = go_on_job(Path(words.job), marks, progress=watch)
    print("\n".join(gone.told))
    return gone.status


def _add_settings(guide: argparse.ArgumentParser) -> None:
    """One option a setting, in the groups of the table."""
    from raster2path.settings import LINES, METAL, SETTINGS

    names = dict.fromkeys(setting.group for setting in SETTINGS)
    groups = {name: guide.add_argument_group(name) for name in names}
    for setting in SETTINGS:
        groups[setting.group].add_argument(
            f"--{setting.option}", dest=setting.key, metavar=setting.metavar, help=setting.help
        )
    groups[METAL].add_argument("--gauge", type=int, metavar="N", help="or its gauge number")
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
    from raster2path.material import Material, gauge_mm
    from raster2path.settings import SETTINGS, Said, lettering_rules

    values: dict[str, object] = {}
    for setting in SETTINGS:
        text = getattr(words, setting.key)
        if text is None:
            continue
        try:
            values[setting.key] = setting.read(text)
        except UsageError as error:
            raise UsageError(f"--{setting.option}: {error}") from None
    if words.gauge is not None and "thickness_mm" not in values:  # what was measured wins
        material = values.get("material", Material.MILD)
        values["thickness_mm"] = gauge_mm(words.gauge, Material(material))
    if "width_mm" in values and "height_mm" in values:
        raise UsageError("both --width and --height are given; one follows from the other")
    return Said(values, lettering_rules(words.lettering) if words.lettering else None)


def _place(text: str | None, *, n_pictures: int) -> Place:
    from raster2path.errand import Place

    if text is None:
        return Place()
    place = Path(text)
    ending = place.suffix.lower()
    if text.endswith(("/", "\\")) or place.is_dir() or not ending:
        return Place(folder=place, is_shared=n_pictures > 1)
    if ending not in FILE_ENDINGS:
        raise UsageError(f"-o {text}: expected NAME.svg, .pdf, .dxf, .png or a FOLDER/")
    if n_pictures > 1:
        raise UsageError(f"-o {text}: {n_pictures} pictures can't go into one file")
    return Place(file=place)


def _guide(words: argparse.Namespace) -> ExitStatus:
    """One picture told at length, or many, one line each."""
    from raster2path.errand import Errand, Ways, run_errand, sources_in

    said = _said(words)
    given = [Path(word) for word in words.pictures]
    is_many = len(given) > 1 or len(sources_in(given[0])) > 1
    place = _place(words.output, n_pictures=2 if is_many else 1)
    ways = Ways(words.fresh, words.anyway, again=words.again or not is_many)
    if is_many:
        return _guide_many(given, said, place, ways, jobs=words.jobs)
    with _Watch() as watch:
        outcome = run_errand(Errand(sources_in(given[0])[0], said, place, ways), watch)
    print("\n".join(outcome.told))
    return outcome.status


def _guide_many(
    given: list[Path], said: Said, place: Place, ways: Ways, *, jobs: int
) -> ExitStatus:
    from raster2path.many import MOST_JOBS, errands_for, run_errands

    if not 1 <= jobs <= MOST_JOBS:
        raise UsageError(f"--jobs is {jobs}; expected 1 to {MOST_JOBS}")
    errands = errands_for(given, said=said, place=place, ways=ways)
    with _Count(len(errands)) as count:
        for outcome in run_errands(errands, jobs=jobs, watch=count):
            count.clear()
            if outcome.place is None:
                print(f"raster2path: {outcome.line}", file=sys.stderr)
            else:
                print(f"{outcome.source}: {outcome.line} → {outcome.place}", flush=True)
    print(count.summary())
    return max(count.statuses, default=ExitStatus.DONE)


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


class _Count:
    """Counts outcomes; on a terminal, tells how many are done and how long it still takes."""

    def __init__(self, n: int) -> None:
        self.n = n
        self.statuses: list[ExitStatus] = []
        self._n_kept = 0
        self._since = time.monotonic()

    def __enter__(self) -> Self:
        return self

    def __call__(self, outcome: Outcome) -> None:
        self.statuses.append(outcome.status)
        self._n_kept += outcome.is_kept
        n_made = len(self.statuses) - self._n_kept
        if sys.stderr.isatty() and n_made:
            each_s = (time.monotonic() - self._since) / n_made
            left = _duration(each_s * (self.n - len(self.statuses)))
            told = f"\r\x1b[K{len(self.statuses)} of {self.n}, about {left} to go …"
            print(told, end="", file=sys.stderr, flush=True)

    def __exit__(self, *_: object) -> None:
        self.clear()

    def clear(self) -> None:
        """Make room for a line."""
        if sys.stderr.isatty():
            print("\r\x1b[K", end="", file=sys.stderr, flush=True)

    def summary(self) -> str:
        """How many came out how, in one line."""
        n_of = Counter(self.statuses)
        parts = [f"{n_of[status]} {words}" for status, words in ENDINGS.items() if n_of[status]]
        kept = f" ({self._n_kept} done before)" if self._n_kept else ""
        took = _duration(time.monotonic() - self._since)
        return f"{len(self.statuses)} pictures in {took}{kept}: {', '.join(parts)}"


ENDINGS = {
    ExitStatus.DONE: "ready to cut",
    ExitStatus.NOT_READY: "not ready to cut, or with nothing to cut in them",
    ExitStatus.UNREADABLE: "could not be read",
    ExitStatus.UNWRITABLE: "could not be written",
    ExitStatus.USAGE: "with settings that make no sense",
    ExitStatus.OUR_FAULT: "failed by our own fault",
}
"""What became of a picture, by its exit status, for the summary."""


def _duration(seconds: float) -> str:
    return f"{seconds:.0f} s" if seconds < 90 else f"{seconds / 60:.0f} min"
