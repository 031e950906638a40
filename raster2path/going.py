"""A job that is half cut: what is done, what went wrong, kept in its `job.toml`, and told.

The maker says numbers, as they are painted on the steel; the job keeps places in the picture, so
that they are found again whatever else changes. From the first mark on the numbers are held.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

from raster2path.errors import ExitStatus, UsageError
from raster2path.held import Places, held_numbers, rounded
from raster2path.job import Job
from raster2path.jobfile import JobFile, read_job
from raster2path.model import CutOrder
from raster2path.pipeline import Progress, Result, make, quiet
from raster2path.torch._found import FOUND_MM, in_picture, nearest_cut, nearest_tie, on_sheet
from raster2path.units import MM_PER_INCH, Units


@dataclass(frozen=True, slots=True)
class Marks:
    """What a maker says of a job on the table.

    Attributes:
        done, undone: numbers of cuts.
        lost, welded: numbers of ties.
        took_min: minutes that the whole job took, marking out and clean-up included.
        strayed, mended: places on the sheet in mm, where the torch came to off its line.
    """

    done: tuple[int, ...] = ()
    undone: tuple[int, ...] = ()
    lost: tuple[int, ...] = ()
    welded: tuple[int, ...] = ()
    strayed: tuple[complex, ...] = ()
    mended: tuple[complex, ...] = ()
    took_min: float | None = None


def ranges(text: str) -> tuple[int, ...]:
    """Numbers such as `1-12,14`.

    Raises:
        UsageError: neither numbers nor ranges.
    """
    out = list[int]()
    for part in text.replace(" ", "").split(","):
        first, dash, last = part.partition("-")
        if not first.isdigit() or (dash and not last.isdigit()):
            raise UsageError(f"'{text}' is not a list of numbers such as 1-12,14")
        out += range(int(first), int(last or first) + 1)
        if len(out) > 10_000:
            raise UsageError(f"'{text}' names more cuts than any job has")
    return tuple(out)


def marked(job: Job, result: Result, marks: Marks) -> Job:
    """The job with these marks.

    Raises:
        UsageError: a number that no cut, or no tie, has.
    """
    plan, turn = result.plan, result.picture.work_from_upright
    cuts, ties = result.order.cuts, plan.sign.ties

    def place(at: complex) -> tuple[float, float]:
        return rounded([in_picture(plan.sign.art.placement, at, turn)])[0]

    def cut_of(at_px: tuple[float, float]) -> int:
        k, away = nearest_cut(plan, on_sheet(plan.sign.art.placement, at_px, turn))
        return result.order.sequence.index(k) + 1 if away <= FOUND_MM else 0

    def tie_of(at_px: tuple[float, float]) -> int:
        k, away = (
            nearest_tie(plan, on_sheet(plan.sign.art.placement, at_px, turn))
            if ties
            else (0, 2 * FOUND_MM)
        )
        return k + 1 if away <= FOUND_MM else 0

    for what, numbers, n in (
        ("cut", (*marks.done, *marks.undone), len(cuts)),
        ("tie", (*marks.lost, *marks.welded), len(ties)),
    ):
        wrong = [number for number in numbers if not 1 <= number <= n]
        if wrong:
            raise UsageError(f"there is no {what} {wrong[0]}; the job has {n} of them")
    by_hand = job.corrections
    done = _kept(by_hand.done_px, cut_of, {*marks.done, *marks.undone})
    done += tuple(place(cuts[k - 1].pierce_mm) for k in sorted({*marks.done} - {*marks.undone}))
    lost = _kept(by_hand.lost_ties_px, tie_of, {*marks.lost, *marks.welded})
    middles = {k: sum(tie.corners) / len(tie.corners) for k, tie in enumerate(ties, 1)}
    lost += tuple(place(middles[k]) for k in sorted({*marks.lost} - {*marks.welded}))
    strayed = tuple(
        was
        for was in by_hand.strayed_px
        if all(
            abs(on_sheet(plan.sign.art.placement, was, turn) - at) > FOUND_MM for at in marks.mended
        )
    )
    strayed += tuple(place(at) for at in marks.strayed)
    changed = replace(by_hand, done_px=done, lost_ties_px=lost, strayed_px=strayed)
    return held_numbers(replace(job, corrections=changed), result)


def _kept(
    places: Places, number_of: Callable[[tuple[float, float]], int], without: set[int]
) -> Places:
    return tuple(place for place in places if number_of(place) not in without)


@dataclass(frozen=True, slots=True)
class Gone:
    """What became of it: lines for the terminal, and the exit status."""

    told: tuple[str, ...]
    status: ExitStatus


def go_on_job(place: Path, marks: Marks, *, progress: Progress = quiet) -> Gone:
    """Marks a job folder's job, makes its files again, and tells how it stands.

    Raises:
        Raster2PathError: the job or its picture can't be read, a number that no cut has.
    """
    from raster2path.outputs import folder_files, stale_paper, write_files

    file = place / "job.toml" if place.is_dir() else place
    held = read_job(file)
    result = make(held.job, held.picture, progress=progress)
    job = marked(held.job, result, marks)
    if job != held.job:
        result = make(job, held.picture, previous=result, progress=progress)
        files = folder_files(result, picture=held.picture, folder=file.parent)
        write_files(file.parent, files, stale=stale_paper(files))
    status = ExitStatus.DONE if result.is_ready else ExitStatus.NOT_READY
    told = [*_how_it_stands(held, result), f"  → {file.parent}/"]
    if marks.took_min is not None:
        told.insert(1, _learnt(result, marks.took_min))
    return Gone(tuple(told), status)


def _learnt(result: Result, minutes: float) -> str:
    """Keeps what a job took, for the next estimate."""
    from raster2path.habits import Finished, keep_finished
    from raster2path.torch.tally import tally

    if not 0 < minutes < 1e6:
        raise UsageError(f"--took is {minutes:g} minutes; expected more than none")
    job = result.job
    metres = tally(result.order, rules=job.tally).metres
    done = Finished(job.name, job.date, round(metres, 3), minutes)
    file = keep_finished(done)
    each = f"{done.hours_a_metre:.2f} h a metre"
    if job.print.units is Units.INCH:
        each = f"{done.hours_a_metre * MM_PER_INCH * 12 / 1000:.2f} h a foot"
    return f"  {minutes:g} minutes, {each}: kept in {file}"


def _how_it_stands(held: JobFile, result: Result) -> list[str]:
    from raster2path.telling import note_line

    order, told = result.order, result.stamp.units.told
    out = [f"{held.job.name}, revision {result.stamp.mark}: {told(to_go(order))}"]
    own = () if order.progress is None else order.progress.notes
    out += [f"  - {told(note_line(note))}" for note in own]
    if not result.is_ready:
        out.append("  NOT READY TO CUT: paper is held back until this is mended and marked so")
    return out


def to_go(order: CutOrder) -> str:
    """How many cuts are done, what is left, and which is next."""
    left = [n for n, is_done in enumerate(order.is_done) if not is_done]
    cuts = order.cuts
    if not left:
        return f"all {len(cuts)} cuts are done"
    paths = [cuts[n].path for n in left]
    metres = sum(path.length for path in paths if path is not None) / 1000
    out = f"{len(cuts) - len(left)} of {len(cuts)} cuts are done, {metres:.1f} m to go"
    stand = f", from {order.stand_names[left[0]]}" if order.stands else ""
    return f"{out}; next is cut {left[0] + 1}, {cuts[left[0]].type.value}{stand}"
