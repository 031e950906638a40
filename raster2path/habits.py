"""What holds for every new job of one maker: what a coupon measured, rates, times of past jobs.

One TOML file in the user's own settings folder, plain enough to be changed by hand. A job keeps
the values that it was made with; what changes here counts for new jobs only.
"""

from __future__ import annotations

import contextlib
import os
import statistics
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path

from raster2path.errors import UnreadableError, UnwritableError, UsageError
from raster2path.job import Job
from raster2path.jobfile import new_job
from raster2path.settings import BY_KEY, Said, from_toml, to_toml, with_said

FOLDER_VARIABLE = "RASTER2PATH_HOME"
"""Names another folder than the user's own, for a shop's shared one or a test."""

NAME = "habits.toml"
N_LEARNT = 5
N_FINISHED = 50
"""So many past jobs are remembered."""

HEADING = """\
# raster2path: what holds for every new job. [settings] takes the same lines as a job.toml.

"""


@dataclass(frozen=True, slots=True)
class Finished:
    """What a job took in the end: its minutes, marking out and clean-up included."""

    name: str
    date: str
    metres: float
    minutes: float

    @property
    def hours_a_metre(self) -> float:
        """Hours for each metre of cut."""
        return self.minutes / 60 / self.metres


@dataclass(frozen=True, slots=True)
class Habits:
    """What one maker's jobs have in common.

    Attributes:
        settings: values by the keys of `settings.SETTINGS`.
        finished: past jobs, oldest first.
        tables: what other parts keep here, by name: plain text, numbers, lists and tables.
    """

    settings: Mapping[str, object] = field(default_factory=dict)
    finished: tuple[Finished, ...] = ()
    tables: Mapping[str, Mapping[str, object]] = field(default_factory=dict)


def habits_file() -> Path:
    """Where they are kept."""
    if folder := os.environ.get(FOLDER_VARIABLE):
        return Path(folder) / NAME
    from platformdirs import user_config_path

    return user_config_path("raster2path", appauthor=False) / NAME


def read_habits() -> Habits:
    """The maker's habits; none where there is no file, or no way to it.

    Raises:
        UnreadableError: the file is no TOML.
        UsageError: a setting in it makes no sense.
    """
    file = habits_file()
    try:
        table = tomllib.loads(file.read_text(encoding="utf-8"))
    except OSError:
        return Habits()
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise UnreadableError(f"{file}: not TOML ({error}); mend it, or remove it") from error
    settings = table.pop("settings", {})
    finished = table.pop("finished", [])
    try:
        values = {key: _setting(key, value) for key, value in settings.items()}
        with_said(Job(name=NAME, date=""), Said(values))  # is each within its range?
        return Habits(
            settings=values,
            finished=tuple(_finished(entry) for entry in finished),
            tables={name: part for name, part in table.items() if isinstance(part, dict)},
        )
    except (UsageError, AttributeError, KeyError, TypeError, ValueError) as error:
        raise UsageError(f"{file}: {error}; mend that line, or remove it") from error


def _setting(key: str, value: object) -> object:
    if key not in BY_KEY:
        raise UsageError(f"there is no setting '{key}'")
    return from_toml(BY_KEY[key], value)


def _finished(entry: Mapping[str, object]) -> Finished:
    metres, minutes = float(str(entry["metres"])), float(str(entry["minutes"]))
    if not (0 < metres < 1e6 and 0 < minutes < 1e6):
        raise UsageError(f"a finished job of {metres:g} m in {minutes:g} minutes makes no sense")
    return Finished(str(entry["name"]), str(entry["date"]), metres, minutes)


def keep_habits(habits: Habits) -> Path:
    """Write them in place of what was there; the answer is where.

    Raises:
        UnwritableError: they can't be written; the old ones are as they were.
    """
    import tomli_w

    table: dict[str, object] = {
        "settings": {key: to_toml(value) for key, value in habits.settings.items()},
        **{name: dict(part) for name, part in habits.tables.items()},
    }
    if habits.finished:
        table["finished"] = [asdict(job) for job in habits.finished[-N_FINISHED:]]
    file = habits_file()
    beside = file.with_name(f".{NAME}.{os.getpid()}.part")
    try:
        file.parent.mkdir(parents=True, exist_ok=True)
        beside.write_text(HEADING + tomli_w.dumps(table), encoding="utf-8")
        beside.replace(file)
    except OSError as error:
        with contextlib.suppress(OSError):
            beside.unlink(missing_ok=True)
        raise UnwritableError(
            f"{file}: {error.strerror}; name a folder that can be written with {FOLDER_VARIABLE}"
        ) from error
    return file


def keep_settings(values: Mapping[str, object]) -> Path:
    """Let new jobs begin with these values, too; None takes one back."""
    habits = read_habits()
    every = {**habits.settings, **values}
    return keep_habits(
        replace(habits, settings={key: value for key, value in every.items() if value is not None})
    )


def keep_table(name: str, table: Mapping[str, object]) -> Path:
    """Keep a part's own table, in place of the one of that name; an empty one is taken out."""
    habits = read_habits()
    tables = {key: part for key, part in habits.tables.items() if key != name}
    return keep_habits(replace(habits, tables=tables | ({name: table} if table else {})))


def keep_finished(job: Finished) -> Path:
    """Remember what a job took, in place of what was said of the same job before."""
    habits = read_habits()
    others = [past for past in habits.finished if (past.name, past.date) != (job.name, job.date)]
    return keep_habits(replace(habits, finished=(*others, job)))


def usual_job(picture: Path) -> Job:
    """A new job with the maker's habits for settings, else the defaults.

    Raises:
        UnreadableError: no such picture, or habits that can't be read.
        UsageError: habits that make no sense.
    """
    job, habits = new_job(picture), read_habits()
    values = dict(habits.settings)
    if habits.finished:
        values.setdefault("hours_a_metre", _hours_a_metre(habits.finished))
    return with_said(job, Said(values)) if values else job


def _hours_a_metre(finished: Sequence[Finished]) -> float:
    """The median of the last five jobs: one that went wrong does not spoil it."""
    return round(statistics.median(job.hours_a_metre for job in finished[-N_LEARNT:]), 3)
