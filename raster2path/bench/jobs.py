"""Jobs on disk: taking a picture in, opening a job, the recent ones, saving so nothing is lost."""

from __future__ import annotations

import contextlib
import hashlib
import tempfile
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from raster2path.bench.guard import safe_name
from raster2path.errors import NothingFoundError, Raster2PathError, UnreadableError, UnwritableError
from raster2path.habits import read_habits, usual_job
from raster2path.job import Job, PhotoRules
from raster2path.jobfile import job_toml, read_job, sha256_of
from raster2path.outputs import write_files
from raster2path.picture.photo import open_picture

N_RECENT = 12


@dataclass(frozen=True, slots=True)
class OpenJob:
    """A job that lies on the bench.

    Attributes:
        folder: where its `job.toml` and all files go.
    """

    job: Job
    picture: Path
    sha256: str
    folder: Path

    def save(self, job: Job, guessed: dict[str, str]) -> None:
        """Write `job.toml`, beside and renamed.

        Raises:
            UnwritableError: it can't be written; the old one is as it was.
        """
        text = job_toml(
            job,
            picture=self.picture,
            picture_sha256=self.sha256,
            folder=self.folder,
            guessed=guessed,
        )
        write_files(self.folder, {"job.toml": text.encode()})


def open_job(source: Path) -> OpenJob:
    """The job of a picture (its folder lies beside it), of a `job.toml`, or of a job folder.

    Raises:
        Raster2PathError: it can't be read, or the folder holds another picture's job.
    """
    if source.is_dir():
        source /= "job.toml"
    if source.suffix.lower() == ".toml":
        held = read_job(source)
        return OpenJob(held.job, held.picture, held.picture_sha256, source.parent)
    folder = source.parent / f"{source.stem}-job"
    if (folder / "job.toml").exists():
        held = read_job(folder / "job.toml")
        if held.picture.resolve() == source.resolve():
            return OpenJob(held.job, held.picture, held.picture_sha256, folder)
        raise UnreadableError(
            f"{folder} holds the job of {held.picture.name}; open that, or rename {source.name}"
        )
    return OpenJob(usual_job(source), source, sha256_of(source), folder)


def take_in(jobs: Path, name: str, content: bytes) -> OpenJob:
    """A picture that came from the page, in a job folder of its own.

    The same picture under the same name is the same job again.

    Raises:
        UnreadableError: no picture, or one that is too large.
        NothingFoundError: too small to hold a drawing.
        UnwritableError: there is no room.
    """
    kept = safe_name(name)
    _check(kept, content)
    stem = kept.rpartition(".")[0] or kept
    sha256 = hashlib.sha256(content).hexdigest()
    for number in range(1, 1000):
        folder = jobs / (f"{stem}-job" if number == 1 else f"{stem}-{number}-job")
        picture = folder / kept
        if not folder.exists():
            write_files(folder, {kept: content})
            opened = OpenJob(usual_job(picture), picture, sha256, folder)
            opened.save(opened.job, {})
            return opened
        with contextlib.suppress(Raster2PathError):
            held = open_job(folder)
            if held.sha256 == sha256 and held.picture.resolve() == picture.resolve():
                return held
    raise UnwritableError(f"{jobs} holds a thousand jobs named {stem}; rename the picture")


def _check(name: str, content: bytes) -> None:
    """Decodes it once, in a folder that goes away again, so that no bad file is ever kept."""
    with tempfile.TemporaryDirectory(prefix="raster2path-") as place:
        file = Path(place) / name
        file.write_bytes(content)
        try:
            open_picture(file, rules=PhotoRules())
        except (UnreadableError, NothingFoundError) as error:
            raise type(error)(str(error).replace(str(file), name)) from None


def took_min(job: Job) -> float | None:
    """Minutes that the job took, where that was said; habits that can't be read say nothing."""
    try:
        finished = read_habits().finished
    except Raster2PathError:
        return None
    took = [past.minutes for past in finished if (past.name, past.date) == (job.name, job.date)]
    return took[-1] if took else None


@dataclass(frozen=True, slots=True)
class Recent:
    """A job that could be opened again; `number` stands for its folder towards the page."""

    number: str
    name: str
    when: str
    folder: Path


def recent_jobs(places: tuple[Path, ...]) -> tuple[Recent, ...]:
    """Job folders in some places, the last saved first."""
    found: dict[Path, float] = {}
    for place in places:
        with contextlib.suppress(OSError):
            for file in place.glob("*/job.toml"):
                found[file.parent.resolve()] = file.stat().st_mtime
    newest = sorted(found.items(), key=lambda item: (-item[1], item[0]))[:N_RECENT]
    return tuple(
        Recent(
            hashlib.sha256(str(folder).encode()).hexdigest()[:16],
            folder.name.removesuffix("-job"),
            datetime.fromtimestamp(seconds, tz=UTC).astimezone().strftime("%Y-%m-%d %H:%M"),
            folder,
        )
        for folder, seconds in newest
    )
