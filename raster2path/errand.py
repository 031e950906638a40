"""One picture all the way onto disk, in any process, and what is told of it. Prints nothing."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from importlib import import_module
from pathlib import Path
from threading import Thread
from typing import TYPE_CHECKING

from raster2path.errors import (
    ExitStatus,
    NothingFoundError,
    Raster2PathError,
    UnreadableError,
    UsageError,
)
from raster2path.settings import Said, with_said
from raster2path.units import Units

if TYPE_CHECKING:
    from raster2path.job import Job
    from raster2path.jobfile import JobFile
    from raster2path.pipeline import Result

Progress = Callable[[str], None]

PICTURE_ENDINGS = frozenset(
    (".jpg", ".jpeg", ".jpe", ".png", ".tif", ".tiff", ".webp", ".bmp", ".gif", ".heic", ".heif")
)
"""What is taken for a picture in a folder; a file that is named is always tried."""


@dataclass(frozen=True, slots=True)
class Place:
    """Where results go: one file, a folder, or (both None) a job folder beside the picture.

    Attributes:
        is_shared: the folder holds a job folder for each of several pictures.
    """

    file: Path | None = None
    folder: Path | None = None
    is_shared: bool = False

    def folder_for(self, picture: Path) -> Path:
        """The job folder of one of the pictures."""
        if self.folder is None:
            return picture.parent / f"{picture.stem}-job"
        return self.folder / f"{picture.stem}-job" if self.is_shared else self.folder


@dataclass(frozen=True, slots=True)
class Ways:
    """What is asked of one run and kept in no job.

    Attributes:
        fresh: forget the folder's settings.
        anyway: write paper to cut by though the sign is not ready.
        again: make it again, even though it is done with the same picture and settings.
    """

    fresh: bool = False
    anyway: bool = False
    again: bool = True


@dataclass(frozen=True, slots=True)
class Errand:
    """One picture, or one `job.toml`, and what is wanted from it.

    Attributes:
        said: settings that win over those of the job folder.
    """

    source: Path
    said: Said = field(default_factory=Said)
    place: Place = field(default_factory=Place)
    ways: Ways = field(default_factory=Ways)

    def folder(self) -> Path:
        """Where its job folder is, or will be.

        Raises:
            Raster2PathError: it is a `job.toml` that can't be read.
        """
        if self.source.suffix.lower() != ".toml":
            return self.place.folder_for(self.source)
        if self.place.folder is None:
            return self.source.parent
        from raster2path.jobfile import read_job

        return self.place.folder_for(read_job(self.source).picture)


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of an errand; small, so that thousands fit into memory.

    Attributes:
        status: as the command would answer for this picture alone.
        line: all of it in one line, without the picture's name where it went well.
        told: the lines for a maker; empty where it failed.
        place: the file or folder that was written, or None.
        is_kept: True where it was done before with the same picture and settings.
    """

    source: Path
    status: ExitStatus
    line: str
    told: tuple[str, ...] = ()
    place: Path | None = None
    is_kept: bool = False


def run_errand(errand: Errand, progress: Progress | None = None) -> Outcome:
    """Go the whole road for one picture and write its files.

    Raises:
        Raster2PathError: what a maker can mend, or a mistake of ours in one line.
    """
    try:
        return _run(errand, progress)
    except (Raster2PathError, BrokenPipeError, MemoryError):
        raise
    except Exception as error:
        raise _our_fault(error, errand.source) from error


def try_errand(errand: Errand) -> Outcome:
    """The same, but what goes wrong is an outcome, too: the other pictures get their turn."""
    try:
        return run_errand(errand)
    except Raster2PathError as error:
        return Outcome(errand.source, ExitStatus(error.exit_status), str(error))
    except MemoryError:
        line = f"{errand.source}: out of memory; try a smaller picture, or fewer --jobs"
        return Outcome(errand.source, ExitStatus.OUR_FAULT, line)


def sources_in(place: Path) -> list[Path]:
    """The pictures in a folder by name, or the one `job.toml` of a job folder; a file is itself.

    Raises:
        UnreadableError: a folder that can't be listed, or that holds no picture.
    """
    if not place.is_dir():
        return [place]
    if (place / "job.toml").is_file():
        return [place / "job.toml"]
    try:
        found = sorted(
            file
            for file in place.iterdir()
            if file.suffix.lower() in PICTURE_ENDINGS
            and not file.name.startswith(".")
            and file.is_file()
        )
    except OSError as error:
        raise UnreadableError(f"{place}: {error.strerror}; check the folder") from error
    if not found:
        raise UnreadableError(f"{place} is a folder without a picture; name a picture in it")
    return found


def _run(errand: Errand, progress: Progress | None) -> Outcome:
    held, folder = _held(errand)
    with _told_in(Units(errand.said.values.get("units", held.job.print.units))):
        job = with_said(held.job, errand.said)
    file = errand.place.file
    if file is not None and file.resolve() == held.picture.resolve():
        raise UsageError(f"-o {file} is the picture itself; nothing is written over a picture")
    if not errand.ways.again and file is None and _is_done(held, job, folder, errand.ways):
        return _as_before(errand.source, held, folder)
    with _told_in(job.print.units):
        result = _road(job, held.picture, progress)
    told = []
    if held.picture_sha256 not in ("", result.picture.sha256):
        told.append(
            f"{held.picture.name} has changed since its job was made; its settings were kept"
        )
    names = _write(result, held.picture, file, folder, errand.ways)
    told += _told(result, file or folder, names)
    from raster2path.telling import one_line

    status = ExitStatus.DONE if result.is_ready else ExitStatus.NOT_READY
    return Outcome(errand.source, status, one_line(result), tuple(told), file or folder)


@contextlib.contextmanager
def _told_in(units: Units) -> Iterator[None]:
    """What is wrong with the settings, or the drawing, is told in the maker's own units."""
    try:
        yield
    except (UsageError, NothingFoundError) as error:
        raise type(error)(units.told(str(error))) from error


def _held(errand: Errand) -> tuple[JobFile, Path]:
    """The job to start from, and the folder it lives in: an existing job.toml is read first."""
    from raster2path.habits import usual_job
    from raster2path.jobfile import JobFile, read_job

    source, place = errand.source, errand.place
    if source.suffix.lower() == ".toml":
        held = read_job(source)
        return held, place.folder_for(held.picture) if place.folder else source.parent
    folder = place.folder_for(source)
    kept = folder / "job.toml"
    if place.file is not None or errand.ways.fresh or not kept.exists():
        return JobFile(usual_job(source), source, ""), folder
    held = read_job(kept)
    if held.picture.resolve() != source.resolve():
        raise UsageError(
            f"{folder} holds the job of {held.picture.name}; give {source.name} another place "
            "with -o, or say --fresh"
        )
    return held, folder


def _is_done(held: JobFile, job: Job, folder: Path, ways: Ways) -> bool:
    """True where the folder's files are what this job, picture and program would make again."""
    from raster2path.jobfile import digest_of, sha256_of

    made = held.made
    if made is None or made.of != digest_of(job, anyway=ways.anyway):
        return False
    if sha256_of(held.picture) != held.picture_sha256:
        return False
    try:
        return all(sha256_of(folder / name) == sha256 for name, sha256 in made.files.items())
    except UnreadableError:  # one is gone
        return False


def _as_before(source: Path, held: JobFile, folder: Path) -> Outcome:
    is_ready = held.made is not None and held.made.is_ready
    line = "done before, with the same picture and settings"
    told = [f"{source}: {line}", f"  → {folder}/"]
    if not is_ready:
        line += "; NOT READY TO CUT"
        told.insert(1, "  NOT READY TO CUT")
    status = ExitStatus.DONE if is_ready else ExitStatus.NOT_READY
    return Outcome(source, status, line, tuple(told), folder, is_kept=True)


def _road(job: Job, picture: Path, progress: Progress | None) -> Result:
    try:
        from raster2path.pipeline import make, quiet
    except ImportError as error:
        # OpenCV's wheel leaves two system libraries to the system; bare servers lack them.
        raise Raster2PathError(
            f"a library can't start ({error}); on a bare Linux, install what OpenCV needs: "
            "apt-get install libgl1 libglib2.0-0"
        ) from error
    # What writes the files loads while OpenCV, which needs no Python for it, reads the picture.
    Thread(target=import_module, args=("raster2path.outputs",), daemon=True).start()
    return make(job, picture, progress=progress or quiet)


def _write(
    result: Result, picture: Path, file: Path | None, folder: Path, ways: Ways
) -> tuple[str, ...]:
    """Writes what was asked for; returns the names of the files."""
    from raster2path.outputs import FILE_BYTES, folder_files, old_job, stale_paper, write_files

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


def _our_fault(error: Exception, source: Path) -> Raster2PathError:
    """One line for a mistake of ours, with the place where it happened."""
    import traceback

    last = traceback.extract_tb(error.__traceback__)[-1]
    where = f"{Path(last.filename).name}:{last.lineno}"
    said = " ".join(str(error).split())
    return Raster2PathError(
        f"{source}: our own fault, {type(error).__name__} at {where} ({said}); nothing was "
        "written. Please report it, with the picture"
    )
