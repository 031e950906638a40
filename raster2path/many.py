"""Many pictures: each is one errand for a worker; a bad one never stops the rest."""

from __future__ import annotations

import multiprocessing
import os
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Executor, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from dataclasses import replace
from pathlib import Path

from raster2path._worker import settle
from raster2path.errand import Errand, Outcome, Place, Ways, sources_in, try_errand
from raster2path.errors import ExitStatus, Raster2PathError
from raster2path.settings import Said

MOST_JOBS = 60
"""Windows can wait for 61 processes at once."""

Watch = Callable[[Outcome], None]


def guide_many(
    pictures: Iterable[Path | str],
    *,
    said: Said | None = None,
    output: Path | str | None = None,
    jobs: int = 1,
    executor: Executor | None = None,
    fresh: bool = False,
    anyway: bool = False,
    again: bool = False,
    watch: Watch | None = None,
) -> Iterator[Outcome]:
    """Make the guides of many pictures, several at once.

    Pictures are opened by the workers alone, so memory grows with their number, not with that of
    the pictures. Files are the same, byte for byte, with any number of workers. What is done
    already, with the same picture and settings, is left as it is.

    Args:
        pictures: pictures, job.toml files, and folders of either.
        said: settings for all of them; they win over those of an older job.
        output: a folder that holds the job folders; None: each beside its picture.
        jobs: worker processes, 1 to 60; 1 is this process itself. They import the main module
            anew, so a script that asks for more than one needs `if __name__ == "__main__":`.
        executor: anything of the kind of `concurrent.futures.Executor`, a cluster's too, in the
            place of our own processes; its workers must see the same files under the same
            (absolute) names. It is not shut down.
        fresh: forget the settings of older jobs.
        anyway: write paper to cut by though a sign is not ready.
        again: make what is done, too.
        watch: called in this process with every outcome as it comes.

    Yields:
        An outcome for each picture, in the order of the pictures (those of a folder by name).

    Raises:
        ValueError: `jobs` is out of range.
    """
    if not 1 <= jobs <= MOST_JOBS:
        raise ValueError(f"jobs is {jobs}; expected 1 to {MOST_JOBS}")
    place = Place(folder=None if output is None else Path(output), is_shared=output is not None)
    ways = Ways(fresh=fresh, anyway=anyway, again=again)
    errands = errands_for([Path(p) for p in pictures], said=said or Said(), place=place, ways=ways)
    return run_errands(errands, jobs=jobs, executor=executor, watch=watch)


def errands_for(
    places: Sequence[Path], *, said: Said, place: Place, ways: Ways
) -> list[Errand | Outcome]:
    """An errand for each picture; an outcome where it is known beforehand that it can't be done.

    No two errands write into one folder: the first picture of a name has it.
    """
    out: list[Errand | Outcome] = []
    taken: dict[str, Path] = {}
    for given in places:
        try:
            errands = [Errand(source, said, place, ways) for source in sources_in(given)]
            folders = [errand.folder() for errand in errands]
        except Raster2PathError as error:
            out.append(Outcome(given, ExitStatus(error.exit_status), str(error)))
            continue
        for errand, folder in zip(errands, folders, strict=True):
            source = errand.source
            first = taken.setdefault(os.path.normcase(folder.resolve()), source)
            if first is source:
                out.append(errand)
            elif first.resolve() != source.resolve():
                line = (
                    f"{source}: its folder {folder} is that of {first}; rename one of them, or "
                    "give it another place with -o"
                )
                out.append(Outcome(source, ExitStatus.USAGE, line))
    return out


def run_errands(
    errands: Sequence[Errand | Outcome],
    *,
    jobs: int = 1,
    executor: Executor | None = None,
    watch: Watch | None = None,
) -> Iterator[Outcome]:
    """The outcomes of errands, in their order, whatever order they are done in."""
    if executor is not None:
        coming = _through(executor, errands)
    elif jobs == 1 or len(errands) < 2:
        coming = (
            (at, try_errand(one) if isinstance(one, Errand) else one)
            for at, one in enumerate(errands)
        )
    else:
        coming = _in_processes(errands, jobs)
    waiting: dict[int, Outcome] = {}
    turn = 0
    for at, outcome in coming:
        if watch is not None:
            watch(outcome)
        waiting[at] = outcome
        while turn in waiting:
            yield waiting.pop(turn)
            turn += 1


Numbered = Iterator[tuple[int, Outcome]]


def _through(executor: Executor, errands: Sequence[Errand | Outcome]) -> Numbered:
    """By somebody else's workers: all is handed over at once, for who knows how many they are."""
    futures: dict[Future[Outcome], int] = {}
    for at, one in enumerate(errands):
        if isinstance(one, Outcome):
            yield at, one
        else:
            futures[executor.submit(try_errand, _absolute(one))] = at
    pending = set(futures)
    try:
        while pending:
            done, pending = wait(pending, return_when=FIRST_COMPLETED)
            for future in done:
                yield futures[future], _outcome(future, errands[futures.pop(future)])
    finally:
        for future in pending:
            future.cancel()


def _absolute(errand: Errand) -> Errand:
    """The same errand for a worker whose current folder is another one."""
    folder = errand.place.folder
    place = replace(errand.place, folder=None if folder is None else folder.absolute())
    return replace(errand, source=errand.source.absolute(), place=place)


def _outcome(future: Future[Outcome], errand: Errand | Outcome) -> Outcome:
    try:
        return replace(future.result(), source=errand.source)
    except Exception as error:  # noqa: BLE001 (a cluster's engine may raise anything of its own)
        return _lost(errand, f"{type(error).__name__}: {error}")


def _lost(errand: Errand | Outcome, why: str) -> Outcome:
    line = f"{errand.source}: the worker that did it was lost ({why}); what it had is as before"
    return Outcome(errand.source, ExitStatus.OUR_FAULT, line)


def _in_processes(errands: Sequence[Errand | Outcome], jobs: int) -> Numbered:
    """By our own processes. A worker that dies takes the pool with it, so that is made anew.

    Those that were being worked on then are tried once more, each alone: one of them is at fault.
    """
    todo = [(at, one) for at, one in enumerate(errands) if isinstance(one, Errand)]
    yield from ((at, one) for at, one in enumerate(errands) if isinstance(one, Outcome))
    todo.reverse()
    while todo:
        suspects: list[tuple[int, Errand]] = []
        yield from _until_one_dies(todo, suspects, jobs)
        for at, errand in suspects:
            yield at, _alone(errand)


def _until_one_dies(
    todo: list[tuple[int, Errand]], suspects: list[tuple[int, Errand]], jobs: int
) -> Numbered:
    """Takes errands from the end of `todo`; leaves in `suspects` what a dead worker left undone."""
    flying: dict[Future[Outcome], tuple[int, Errand]] = {}
    with _pool(jobs) as pool:
        try:
            while todo or flying:
                while todo and len(flying) <= jobs:  # one waits, so that no worker does
                    flying[pool.submit(try_errand, todo[-1][1])] = todo[-1]
                    todo.pop()
                done, _ = wait(flying, return_when=FIRST_COMPLETED)
                for future in done:
                    outcome = future.result()
                    at, _ = flying.pop(future)
                    yield at, outcome
        except BrokenProcessPool:
            suspects += flying.values()
        except BaseException:
            pool.shutdown(wait=False, cancel_futures=True)
            raise


def _alone(errand: Errand) -> Outcome:
    """By a process that does nothing else."""
    with _pool(1) as pool:
        try:
            return pool.submit(try_errand, errand).result()
        except BrokenProcessPool:
            return _lost(errand, "killed; out of memory?")


def _pool(jobs: int) -> ProcessPoolExecutor:
    """Processes that are started afresh: one forked from a process with threads may hang."""
    context = multiprocessing.get_context("spawn")
    return ProcessPoolExecutor(jobs, mp_context=context, initializer=settle)
