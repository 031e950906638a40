"""Results onto disk: every file is written beside its place and then renamed, or not at all."""

from __future__ import annotations

import contextlib
import hashlib
import os
import secrets
import time
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from pathlib import Path

from raster2path.errors import UnwritableError
from raster2path.guides.as_hung import as_hung_png
from raster2path.guides.colours import PAPER, STEEL, Palette
from raster2path.guides.full_size import LONGEST_MM
from raster2path.guides.on_photo import on_photo_png
from raster2path.guides.punch import punch
from raster2path.guides.svg import drawing_mm, guides_svg
from raster2path.held import held_numbers
from raster2path.job import Ground, MarkOut, Show, TorchRules
from raster2path.jobfile import Made, digest_of, job_toml
from raster2path.model import Stamp
from raster2path.pipeline import Result, guessed_settings, revision_mark
from raster2path.settings import PAPERS_MM
from raster2path.telling import worst
from raster2path.torch.cost import cost
from raster2path.torch.coupon import coupon
from raster2path.torch.lines import plan_torch
from raster2path.torch.order import compare, order_cuts
from raster2path.torch.tally import tally
from raster2path.units import Units

PALETTES = {Ground.PAPER: PAPER, Ground.STEEL: STEEL}


def svg_of(result: Result, palette: Palette = PAPER) -> str:
    """The guides; in the colours for paper, all paper is drawn from them."""
    return guides_svg(
        result.order, stamp=result.stamp, punched_mm=_punched(result), palette=palette
    )


def _punched(result: Result) -> tuple[complex, ...]:
    """Where a prick punch goes, if the maker marks out with one."""
    if result.job.print.mark_out is not MarkOut.PUNCH:
        return ()
    return punch(result.order).marks_mm


def svg_bytes(result: Result) -> bytes:
    """The guides, in the colours that were asked for."""
    return svg_of(result, PALETTES[result.job.print.colours]).encode()


def pdf_bytes(result: Result, svg: str | None = None) -> bytes:
    """The guides on one page of their own size."""
    from raster2path.guides.full_size import full_size_pdf

    size_mm = drawing_mm(result.order)
    return full_size_pdf(svg or svg_of(result), size_mm=size_mm, title=result.stamp.title)


def pages_bytes(result: Result, paper_mm: tuple[float, float], svg: str) -> bytes:
    """The guides on sheets of paper to tape together."""
    from raster2path.guides.pages import pages_pdf

    return pages_pdf(
        svg,
        result.order,
        size_mm=drawing_mm(result.order),
        paper_mm=paper_mm,
        stamp=result.stamp,
        is_under=result.job.print.show is Show.UNDER,
    )


def dxf_bytes(result: Result) -> bytes:
    """The guides for someone with a table."""
    from raster2path.guides.dxf import guides_dxf

    return guides_dxf(result.order, size_mm=drawing_mm(result.order), stamp=result.stamp)


def on_photo_bytes(result: Result) -> bytes:
    """The lines over the photograph."""
    return on_photo_png(result.picture, result.order, stamp=result.stamp, notes=worst(result.notes))


def _told(result: Result) -> dict[str, bytes]:
    """What is pinned up, its numbers for another program, and what the customer signs."""
    from raster2path.guides.hang import Hanging, hang_pdf, holes_of
    from raster2path.guides.job_numbers import job_numbers
    from raster2path.guides.job_sheet import job_sheet_pdf
    from raster2path.guides.proof import proof_pdf

    order, stamp, rules = result.order, result.stamp, result.job.tally
    foreseen = compare(order, rules=result.job.order, is_quick=True)
    span_s = max(foreseen["taken"].ends_s, default=0.0)
    counted = tally(order, rules=rules, span_s=span_s)
    blank = order.plan.sign.art.placement.sheet_mm
    blank_kg = None if blank is None else blank[0] * blank[1] * result.job.aids.kg_mm2
    price = cost(counted, rules=result.job.cost, blank_kg=blank_kg)
    sheet = job_sheet_pdf(
        order,
        counted,
        stamp=stamp,
        notes=worst(result.notes),
        speed_mm_min=rules.speed_mm_min,
        foreseen=foreseen,
        price=price,
    )
    numbers = job_numbers(order, counted, stamp=stamp, foreseen=foreseen, price=price)
    held_by = Hanging(
        holes_of(order.plan.sign.art, hole_mm=result.job.size.hole_mm),
        result.job.size.hole_mm,
        counted.sign_kg,
    )
    hang: dict[str, bytes] = {}
    if result.job.size.n_holes and held_by.holes_mm:
        hang["hang.pdf"] = hang_pdf(order, held_by, stamp=stamp)
    return {
        "job.pdf": sheet,
        "job.json": numbers.encode(),
        "proof.pdf": proof_pdf(
            order,
            counted,
            stamp=stamp,
            thickness_mm=rules.thickness_mm,
            stock=rules.material.stock,
        ),
        **hang,
    }


PAPER_NAMES = ("guides.pdf", "pages.pdf", "hang.pdf")

FILE_BYTES: dict[str, Callable[[Result], bytes]] = {
    ".svg": svg_bytes,
    ".png": on_photo_bytes,
    ".pdf": pdf_bytes,
    ".dxf": dxf_bytes,
}
"""What a single file is made by, from its ending."""


def folder_files(
    result: Result, *, picture: Path, folder: Path, anyway: bool = False
) -> dict[str, bytes]:
    """Every file of a job folder, by name, in the order in which one looks at them.

    Paper to cut by is held back while the sign is not ready, unless it is wanted `anyway`.
    """
    svg = svg_of(result)
    is_paper = result.job.print.colours is Ground.PAPER
    paper: dict[str, bytes] = {}
    if result.is_ready or anyway:
        if max(drawing_mm(result.order)) <= LONGEST_MM:
            paper["guides.pdf"] = pdf_bytes(result, svg)
        pages_mm = result.job.print.pages_mm
        if pages_mm is None and "guides.pdf" not in paper:  # longer than a PDF page can be
            pages_mm = PAPERS_MM["a0"]
        if pages_mm is not None:
            paper["pages.pdf"] = pages_bytes(result, pages_mm, svg)
    files = {
        "guides.svg": svg.encode() if is_paper else svg_bytes(result),
        **paper,
        **_told(result),
        "on-photo.png": on_photo_bytes(result),
        "as-hung.png": as_hung_png(result.order, stamp=result.stamp),
    }
    job = held_numbers(result.job, result)
    sha256 = {name: hashlib.sha256(content).hexdigest() for name, content in files.items()}
    toml = job_toml(
        job,
        picture=picture,
        picture_sha256=result.picture.sha256,
        folder=folder,
        guessed=guessed_settings(result.job, result.reading, result.outlines),
        made=Made(digest_of(job, anyway=anyway), result.is_ready, sha256),
    )
    return {**files, "job.toml": toml.encode()}


def coupon_files(kerf_mm: float, units: Units = Units.MM) -> dict[str, bytes]:
    """Guides of the test piece, by name; their words and rules are in the units."""
    from raster2path.guides.full_size import full_size_pdf

    rules = TorchRules(kerf_mm=kerf_mm, cleanup_mm=0.0)
    order = order_cuts(plan_torch(coupon(), rules=rules))
    kerf = units.told(f"kerf {kerf_mm:g} mm")
    stamp = Stamp("coupon", kerf, revision_mark(order), units=units)
    svg = guides_svg(order, stamp=stamp)
    pdf = full_size_pdf(svg, size_mm=drawing_mm(order), title=stamp.title)
    return {"coupon.svg": svg.encode(), "coupon.pdf": pdf}


def write_files(folder: Path, files: Mapping[str, bytes], *, stale: Collection[str] = ()) -> None:
    """Write all files of a folder: all beside their places first, then all renamed, in order.

    Runs on one folder wait for each other here. What a killed run left beside is swept away.

    Args:
        folder: made, with its parents, where it is not there.
        files: content by name.
        stale: names to take away, where they are there: paper of an older revision that is not
            written anew, by which nobody should cut.

    Raises:
        UnwritableError: one could not be written; unless it says otherwise, the old ones are as
            they were.
    """
    made = [parent for parent in (folder, *folder.parents) if not parent.exists()]
    waiting: dict[Path, Path] = {}
    changed: list[str] = []
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with _alone_in(folder) as is_alone:
            _sweep(folder, older_than_s=0.0 if is_alone else OLD_S)
            for name, content in files.items():
                beside = folder / f"{PART}{secrets.token_hex(6)}.part"
                waiting[beside] = folder / name
                _write_through(beside, content)
            for name in stale:
                (folder / name).unlink(missing_ok=True)
            for beside, place in waiting.items():
                beside.replace(place)
                changed.append(place.name)
    except OSError as error:
        reason = error.strerror or str(error)
        where = Path(error.filename2 or error.filename or folder).name
        if where.startswith(PART):
            where = waiting.get(Path(error.filename), folder).name
        what = f"only {', '.join(changed)} changed" if changed else "nothing was changed"
        raise UnwritableError(
            f"{folder}: {reason} ({where}); {what}. Make room or choose another place with -o"
        ) from error
    finally:
        if len(changed) < len(files):
            _tidy(waiting, made)


PART = ".raster2path-"
"""How the names of files begin that are being written; they end in .part."""

OLD_S = 3600.0
"""A part as old as this has been left by a run that was killed, whoever made it."""


@contextlib.contextmanager
def _alone_in(folder: Path) -> Iterator[bool]:
    """No other run of ours writes in the folder meanwhile; False where nothing can see to that.

    The lock is on the folder itself and goes with the process, so nothing is left to clear away.
    """
    try:
        import fcntl
    except ImportError:  # Windows: each file is still the old one or the new one
        yield False
        return
    handle = os.open(folder, os.O_RDONLY)
    is_alone = False
    try:
        with contextlib.suppress(OSError):  # some network folders know no locks
            fcntl.flock(handle, fcntl.LOCK_EX)
            is_alone = True
        yield is_alone
        with contextlib.suppress(OSError):
            os.fsync(handle)
    finally:
        os.close(handle)


def _sweep(folder: Path, *, older_than_s: float) -> None:
    """Take away what a killed run left."""
    for part in folder.glob(f"{PART}*.part"):
        with contextlib.suppress(OSError):
            if time.time() - part.stat().st_mtime >= older_than_s:
                part.unlink()


def _tidy(waiting: Iterable[Path], made: Iterable[Path]) -> None:
    """Undo what was begun: parts, and folders that were made for them."""
    for beside in waiting:
        with contextlib.suppress(OSError):
            beside.unlink(missing_ok=True)
    for parent in made:
        with contextlib.suppress(OSError):
            parent.rmdir()


def _write_through(file: Path, content: bytes) -> None:
    with file.open("wb") as stream:
        stream.write(content)
        stream.flush()
        os.fsync(stream.fileno())


def stale_paper(names: Collection[str]) -> tuple[str, ...]:
    """Paper that is not among the names: it would be of an older revision."""
    return tuple(name for name in PAPER_NAMES if name not in names)


def old_job(job_toml_file: Path) -> dict[str, bytes]:
    """A `job.toml`, if there is one, under the first free name: job-1.toml, job-2.toml.

    Raises:
        UnwritableError: it can't be read.
    """
    number = 1
    while (place := job_toml_file.with_name(f"job-{number}.toml")).exists():
        number += 1
    try:
        return {place.name: job_toml_file.read_bytes()}
    except FileNotFoundError:
        return {}
    except OSError as error:
        raise UnwritableError(f"{job_toml_file}: {error.strerror}; can't be kept aside") from error
