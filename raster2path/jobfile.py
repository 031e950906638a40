"""`job.toml`: a job on disk, and back. Plain text that a maker can read and change."""

from __future__ import annotations

import hashlib
import math
import os
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path

from raster2path.errors import UnreadableError, UsageError
from raster2path.job import Corrections, Job
from raster2path.settings import (
    BY_KEY,
    SETTINGS,
    Said,
    from_toml,
    lettering_rules,
    lettering_words,
    to_toml,
    value_of,
    with_said,
)

FORMAT_VERSION = 1
N_NUMBERS = {
    "lettering_boxes_px": 4,
    "organic_boxes_px": 4,
    "geometric_boxes_px": 4,
    "lettering_px": 2,
    "organic_px": 2,
    "geometric_px": 2,
    "falls_px": 2,
    "stays_px": 2,
    "ink_px": 0,
    "order_px": 2,
    "ties_px": 2,
    "wide_ties_px_mm": 3,
    "no_ties_px": 4,
    "done_px": 2,
    "lost_ties_px": 2,
    "strayed_px": 2,
    "turned_px": 2,
    "lettering_loops_px": -1,
    "organic_loops_px": -1,
    "geometric_loops_px": -1,
    "looser_loops_px": -1,
    "stricter_loops_px": -1,
    "moved_points_px": 4,
    "no_points_px": 2,
}
"""Corrections by hand, and how many numbers each entry has: a box, a place, a place and a width;
0 is a brush's stroke and -1 a loop, as many as it takes."""

FORMS = {
    -1: "loops [x, y, x, y, x, y, …]",
    0: "strokes [width, x, y, x, y, …]",
    2: "places [x, y]",
    3: "places and widths [x, y, width in mm]",
    4: "boxes [x, y, width, height]",
}

LARGEST_BYTES = 4_000_000

HEADING = """\
# raster2path job. [settings] is what was said, or our defaults; [guessed] is what the picture
# decided and is decided again on every run: move a line to [settings] to hold it.
# Corrections are anchored in pixels of the upright picture. [made] tells what lies beside.

"""


@dataclass(frozen=True, slots=True)
class Made:
    """What was written by the run that wrote the job, so that it need not be made again.

    Attributes:
        of: `digest_of` the job.
        is_ready: False where it was stamped NOT READY TO CUT.
        files: SHA-256 by name; `job.toml` itself is not among them.
    """

    of: str
    is_ready: bool
    files: Mapping[str, str]


@dataclass(frozen=True, slots=True)
class JobFile:
    """A job as it lies in its folder.

    Attributes:
        job: every decision.
        picture: where the picture is, as found from the folder.
        picture_sha256: what the picture's bytes were when the job was made.
        made: None where nobody knows.
    """

    job: Job
    picture: Path
    picture_sha256: str
    made: Made | None = None


def new_job(picture: Path) -> Job:
    """A job with every setting at its default, named after the picture and dated as its file.

    The date is the picture's, not the clock's: the same picture gives the same guides tomorrow.

    Raises:
        UnreadableError: there is no such file, or its name is no text.
    """
    try:
        seconds = picture.stat().st_mtime
    except OSError as error:
        reason = error.strerror or "it can't be opened"
        raise UnreadableError(f"{picture}: {reason}; check the name and the folder") from error
    date = datetime.fromtimestamp(seconds, tz=UTC).date().isoformat()
    return Job(name=_title(_text_of(picture.stem, of=picture)), date=date)


LONGEST_NAME = 120


def _title(name: str) -> str:
    """A name as it may stand in any file and on a terminal: one line, no control characters."""
    plain = " ".join("".join(c if c.isprintable() else " " for c in name).split())
    return plain[:LONGEST_NAME] or "sign"


def _date(told: object, file: Path) -> str:
    """The job's day, from text or from TOML's own kind of date; empty where there is none."""
    if told is None:
        return ""
    try:
        return datetime.fromisoformat(str(told)).date().isoformat()
    except ValueError:
        raise UsageError(f"{file}: date is {str(told)[:40]!r}; expected as 2026-11-24") from None


def _text_of(path: str, *, of: Path) -> str:
    """A name as text, whatever language the system was set to."""
    try:
        return os.fsencode(path).decode("utf-8")
    except UnicodeDecodeError:
        raise UnreadableError(f"{of}: its name is not text in UTF-8; rename it") from None


def read_job(file: Path) -> JobFile:
    """The job in a `job.toml`.

    Raises:
        UnreadableError: no such file, or not a job.
        UsageError: a setting in it makes no sense.
    """
    return _job_in(_load(file), file)


def job_of(text: str, file: Path) -> JobFile:
    """The job in the text of a `job.toml`, as it would lie in that file.

    Raises:
        UnreadableError: not a job.
        UsageError: a setting in it makes no sense.
    """
    try:
        return _job_in(tomllib.loads(text), file)
    except ValueError as error:
        raise UnreadableError(f"{file}: not a job file ({error})") from error


def _job_in(table: dict[str, object], file: Path) -> JobFile:
    form = table.get("version")
    if form != FORMAT_VERSION:
        raise UnreadableError(
            f"{file}: format version is {form!r}; this raster2path reads {FORMAT_VERSION}"
        )
    settings = _section(table, "settings", file)
    picture = _section(table, "picture", file)
    path, sha256 = picture.get("path"), picture.get("sha256")
    if not isinstance(path, str) or not isinstance(sha256, str):
        raise UnreadableError(f"{file}: [picture] needs path and sha256, both text")
    name, date = _title(str(table.get("name", file.parent.name))), _date(table.get("date"), file)
    try:
        job = with_said(Job(name=name, date=date), _said(settings))
    except UsageError as error:
        raise UsageError(f"{file}: {error}") from error
    corrections = _corrections(_section(table, "corrections", file), file)
    where = Path(os.path.normpath(file.parent / os.fsdecode(path.encode())))
    return JobFile(replace(job, corrections=corrections), where, sha256, _made(table.get("made")))


def _made(table: object) -> Made | None:
    """What is told of the files; a table that was tampered with tells nothing."""
    if not isinstance(table, dict):
        return None
    of, is_ready, files = table.get("of"), table.get("ready"), table.get("files")
    if not (isinstance(of, str) and isinstance(is_ready, bool) and isinstance(files, dict)):
        return None
    if not files or any(Path(name).name != name for name in files):
        return None
    return Made(of, is_ready, {name: str(sha256) for name, sha256 in files.items()})


def digest_of(job: Job, *, anyway: bool) -> str:
    """Twelve hex digits that change with any decision, and with the program's version."""
    told = f"{version('raster2path')} {anyway} {job!r}"
    return hashlib.sha256(told.encode()).hexdigest()[:12]


def _load(file: Path) -> dict[str, object]:
    try:
        if file.stat().st_size > LARGEST_BYTES:
            raise UnreadableError(f"{file}: over 4 MB; a job is a few lines of text")
        return tomllib.loads(file.read_text(encoding="utf-8"))
    except OSError as error:
        reason = error.strerror or "it can't be opened"
        raise UnreadableError(f"{file}: {reason}; check the name and the folder") from error
    except (ValueError, RecursionError) as error:  # of TOML, of its text, or of a number in it
        why = str(error).partition("; use ")[0]
        raise UnreadableError(f"{file}: not a job file ({why})") from error


def _section(table: dict[str, object], name: str, file: Path) -> dict[str, object]:
    section = table.get(name, {})
    if not isinstance(section, dict):
        raise UnreadableError(f"{file}: [{name}] should be a section")
    return section


def _said(settings: dict[str, object]) -> Said:
    values = {}
    lettering = None
    for key, value in settings.items():
        if key == "lettering":
            words = [value] if isinstance(value, str) else value
            if not isinstance(words, list):
                raise UsageError(f"lettering = {value!r} makes no sense there")
            lettering = lettering_rules([str(word) for word in words])
        elif key in BY_KEY:
            values[key] = from_toml(BY_KEY[key], value)
        else:
            raise UsageError(f"there is no setting '{key}'; expected {', '.join(BY_KEY)}")
    return Said(values, lettering)


def _corrections(table: dict[str, object], file: Path) -> Corrections:
    said: dict[str, tuple[tuple[float, ...], ...]] = {}
    for key, value in table.items():
        if key not in N_NUMBERS or not isinstance(value, list):
            raise UsageError(f"{file}: there is no correction '{key}' of that form")
        try:
            said[key] = tuple(tuple(float(number) for number in entry) for entry in value)
        except (TypeError, ValueError):
            said[key] = ((),)
        if not all(has_form(key, entry) for entry in said[key]):
            form = "moves [x, y, to x, to y]" if key == "moved_points_px" else FORMS[N_NUMBERS[key]]
            raise UsageError(f"{file}: {key} holds {form}")
    return Corrections(**said)  # type: ignore[arg-type]  # lengths were counted


def has_form(key: str, entry: tuple[float, ...]) -> bool:
    """True where a correction's entry has as many numbers as it should, all of them finite."""
    n = N_NUMBERS[key]
    is_stroke = len(entry) >= 3 and len(entry) % 2 == 1
    is_loop = len(entry) >= 6 and len(entry) % 2 == 0
    is_right = {0: is_stroke, -1: is_loop}.get(n, len(entry) == n)
    return is_right and all(math.isfinite(number) for number in entry)


def job_toml(
    job: Job,
    *,
    picture: Path,
    picture_sha256: str,
    folder: Path,
    guessed: dict[str, str],
    made: Made | None = None,
) -> str:
    """The text of `job.toml` for a job whose results lie in `folder`."""
    import tomli_w

    settings: dict[str, object] = {
        setting.key: to_toml(value)
        for setting in SETTINGS
        if (value := value_of(job, setting)) is not None
    }
    settings["lettering"] = lettering_words(job.lettering)
    corrections = {
        name: [list(box) for box in boxes]
        for name in N_NUMBERS
        if (boxes := getattr(job.corrections, name))
    }
    table: dict[str, object] = {
        "version": FORMAT_VERSION,
        "name": job.name,
        "date": job.date,
        "picture": {
            "path": _relative(picture, folder),
            "sha256": picture_sha256,
        },
        "settings": settings,
        "guessed": guessed,
        "corrections": corrections,
    }
    if made is not None:
        table["made"] = {"of": made.of, "ready": made.is_ready, "files": dict(made.files)}
    return HEADING + tomli_w.dumps(table)


def _relative(picture: Path, folder: Path) -> str:
    """The way from the folder to the picture, with slashes on every system."""
    try:
        way = Path(os.path.relpath(picture.resolve(), folder.resolve())).as_posix()
    except ValueError:  # another drive: there is no way from here to there
        way = picture.resolve().as_posix()
    return _text_of(way, of=picture)


def sha256_of(file: Path) -> str:
    """Hash of a file's bytes.

    Raises:
        UnreadableError: it can't be read.
    """
    try:
        return hashlib.sha256(file.read_bytes()).hexdigest()
    except OSError as error:
        reason = error.strerror or "it can't be opened"
        raise UnreadableError(f"{file}: {reason}; check the name and the folder") from error
