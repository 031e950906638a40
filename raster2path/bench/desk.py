"""The desk: the job that lies on it, every step back, and what the pipeline says of it.

All of the server's state is here. Everything runs in the event loop; only the runner's news comes
from its thread, and is handed over to the loop first.
"""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator
from dataclasses import dataclass, field
from pathlib import Path

from raster2path.bench.changes import Asked, box_of, changed, number_of, place_of
from raster2path.bench.drawing import Json, drawing_of, fetched_of, glimpse_of
from raster2path.bench.jobs import OpenJob, open_job, recent_jobs, took_min
from raster2path.bench.parts import EMPTY
from raster2path.bench.runner import Answer, Glimpse, Heat, News, Part, Runner, Wish
from raster2path.bench.scout import Ask, Look, Seen, Tried
from raster2path.bench.steps import History, history_of
from raster2path.errors import Raster2PathError, UsageError
from raster2path.held import held_numbers
from raster2path.job import Corrections, Job
from raster2path.jobfile import N_NUMBERS
from raster2path.pipeline import Result, guessed_settings
from raster2path.settings import SETTINGS, as_words, lettering_words, value_of
from raster2path.shape.points import nodes_of
from raster2path.sign.trial import Trial, trial_of


@dataclass(slots=True)
class Open:
    """The job on the desk, and the newest that is known of it.

    Attributes:
        drawing: what the page shows, parts of a newer answer and all.
        nouns: what the page may fetch, by key.
        rough: a first look that came before the picture.
        is_rough: True while the edges of a first look are shown.
    """

    where: OpenJob
    history: History
    result: Result | None = None
    drawing: Json | None = None
    answered: int = 0
    is_final: bool = False
    stage: str | None = None
    trouble: str | None = None
    saved: int = -1
    glimpses: dict[str, Json] = field(default_factory=dict)
    heat: Json | None = None
    trial: tuple[str, Trial] | None = None
    nouns: dict[str, object] = field(default_factory=dict)
    rough: Json | None = None
    is_rough: bool = False


class Desk:
    """One bench.

    Args:
        jobs: the folder in which pictures from the page get their job folders.
        places: more folders whose jobs are recent jobs.
    """

    def __init__(self, jobs: Path, places: tuple[Path, ...] = ()) -> None:
        self.jobs = jobs
        self._places = tuple(dict.fromkeys((jobs, *places)))
        self._open: Open | None = None
        self._number = 0
        self._lays = 0
        self._pages: set[asyncio.Queue[str | None]] = set()
        self._answered = asyncio.Event()
        self._loop: asyncio.AbstractEventLoop | None = None
        self._runner: Runner | None = None

    def start(self, loop: asyncio.AbstractEventLoop) -> None:
        """Ready the runner; called once, by the loop that serves."""
        self._loop = loop
        self._runner = Runner(self._from_thread)
        if self._open is not None:
            self._wish()
            self._look()

    def close(self) -> None:
        """End the runner."""
        if self._runner is not None:
            self._runner.close()

    def end(self) -> None:
        """Let every page go, so that the server can end; may be called from a signal."""

        def let_go() -> None:
            for queue in self._pages:
                queue.put_nowait(None)

        if self._loop is not None:
            self._loop.call_soon_threadsafe(let_go)

    # -- what the page asks --------------------------------------------------------------------

    def lay(self, source: Path) -> None:
        """Put the job of a picture or a `job.toml` on the desk.

        Raises:
            Raster2PathError: it can't be read.
        """
        self._lay(open_job(source))

    def put(self, opened: OpenJob) -> None:
        """Put a job that is read already on the desk."""
        self._lay(opened)

    def lay_recent(self, number: str) -> None:
        """Put a recent job on the desk, by the number that the page was told."""
        for recent in recent_jobs(self._places):
            if recent.number == number:
                self._lay(open_job(recent.folder))
                return
        raise UsageError("that job is gone from its folder; choose another one")

    def clear(self) -> None:
        """Take the job off the desk; it is saved already."""
        self._open = None
        self._tell("state", self.state())

    def change(self, asked: Asked, merge: str | None) -> None:
        """One step on.

        Raises:
            UsageError: it makes no sense; nothing was changed.
        """
        held = self._held()
        job = changed(held.history.job, asked)
        if job != held.history.job and held.result is not None:
            # The numbers are those that were shown: they may be painted on the steel.
            job = held_numbers(job, held.result)
        if job != held.history.job:
            held.history.step(job, merge)
            self._changed()

    def ask_edges(self, asked: Asked) -> None:
        """Edges at a tolerance that is still being chosen; they come as news, one by one.

        `key` and `value` as of a setting, `view` on the sheet in mm, `ask` numbers the asking.

        Raises:
            UsageError: it makes no sense, or there is no drawing.
        """
        result, key = self.result, asked.get("key")
        job = changed(result.job, {**asked, "do": "set"})
        view, number = box_of(asked.get("view")), number_of(asked.get("ask"))
        if self._runner is not None:
            ask = Ask(
                int(number),
                result.hashes["areas"],
                result.outlines,
                result.sign.art.placement,
                job.fit,
                view,
                is_flowing=key != "lettering_tolerance_mm",
            )
            self._runner.scout.ask(ask)

    def points_near(self, asked: Asked) -> list[list[float]]:
        """Points of the fitted edge nearest to `at`, a place on the sheet in mm.

        Raises:
            UsageError: there is no drawing, or no such place.
        """
        result, at = self.result, complex(*place_of(asked.get("at")))
        paths, now = result.paths, result.sign.art.placement
        turn = now.mm_per_px / paths.placement.mm_per_px
        shift = now.origin_mm - turn * paths.placement.origin_mm
        lines = [*(ring.path for ring in paths.rings), *paths.slits]
        if not lines:
            raise UsageError("there is no edge yet")
        nearest = min(lines, key=lambda path: path.nearest((at - shift) / turn).distance)
        nodes = [node * turn + shift for node in nodes_of(nearest)]
        return [[node.real, node.imag] for node in nodes]

    def told(self, sentence: str) -> str:
        """A sentence with its lengths in the units of the job on the desk."""
        held = self._open
        return sentence if held is None else held.history.job.print.units.told(sentence)

    def noun(self, key: str) -> object:
        """What the page may fetch under a key that a drawing told, or None."""
        return None if self._open is None else self._open.nouns.get(key)

    def undo(self, by: int) -> None:
        """A step back (-1) or on again (1), where there is one."""
        if self._held().history.move(by):
            self._changed()

    def state(self) -> Json:
        """Everything the page shows that is not drawn."""
        held = self._open
        if held is None:
            recent = recent_jobs(self._places)
            return {
                "open": None,
                "jobs": str(self.jobs),
                "recent": [{"number": r.number, "name": r.name, "when": r.when} for r in recent],
            }
        history, job = held.history, held.history.job
        return {
            "open": {
                "number": self._number,
                "name": job.name,
                "folder": str(held.where.folder),
                "settings": _settings(job),
                "lettering": lettering_words(job.lettering),
                "corrections": {key: getattr(job.corrections, key) for key in N_NUMBERS},
                "n_corrections": sum(len(getattr(job.corrections, key)) for key in N_NUMBERS),
                "can_undo": history.at > 0,
                "can_redo": history.at + 1 < len(history.jobs),
                "stage": held.stage,
                "trouble": held.trouble,
                "is_written": held.saved == self._number,
                "took_min": took_min(job),
            }
        }

    def drawing(self) -> Json | None:
        """The newest drawing, if any."""
        return None if self._open is None else self._open.drawing

    def try_tie(self, asked: Asked) -> Json:
        """The tie that a place would get, `at` on the sheet and `width_mm`; nothing where none.

        Raises:
            UsageError: there is no drawing, or no such place.
        """
        result, held = self.result, self._held()
        at, width_mm = place_of(asked.get("at")), number_of(asked.get("width_mm"))
        told = result.hashes["layout"]
        if held.trial is None or held.trial[0] != told:
            held.trial = (told, trial_of(result.art, rules=result.job.ties))
        tie = held.trial[1].tie_at(complex(*at), width_mm)
        if tie is None:
            return {"corners_mm": None}
        corners = [[z.real, z.imag] for z in tie.corners]
        return {"corners_mm": corners, "width_mm": tie.width_mm, "length_mm": tie.length_mm}

    @property
    def result(self) -> Result:
        """The newest result, final or not.

        Raises:
            UsageError: there is none yet.
        """
        if self._open is None or self._open.result is None:
            raise UsageError("there is no drawing yet; open a picture and wait a moment")
        return self._open.result

    async def final(self) -> tuple[Result, OpenJob, int]:
        """The result of the job as it is now, order of cuts and all, once it is there.

        Raises:
            UsageError: no job, or one that gives no result.
        """
        while True:
            held = self._held()
            if held.is_final and held.answered == self._number and held.result is not None:
                return held.result, held.where, self._number
            if held.trouble is not None:
                raise UsageError(held.trouble)
            self._answered.clear()
            await self._answered.wait()

    def written(self, number: int) -> None:
        """All files of a wish's result are in the folder."""
        if self._open is not None:
            self._open.saved = number
        self._tell("state", self.state())

    async def news(self) -> AsyncIterator[str]:
        """Server-sent events for one page: what is known now, then whatever changes."""
        queue: asyncio.Queue[str | None] = asyncio.Queue()
        self._pages.add(queue)
        try:
            yield _event("state", self.state())
            if (drawing := self.drawing()) is not None:
                yield _event("drawing", drawing)
            if self._open is not None:
                yield _event("glimpses", self._open.glimpses)
                if self._open.heat is not None:
                    yield _event("heat", self._open.heat)
            while True:
                try:
                    text = await asyncio.wait_for(queue.get(), timeout=15)
                except TimeoutError:
                    text = ": still here\n\n"
                if text is None:
                    return
                yield text
        finally:
            self._pages.discard(queue)

    # -- inside --------------------------------------------------------------------------------

    def _held(self) -> Open:
        if self._open is None:
            raise UsageError("no job lies on the bench; open a picture first")
        return self._open

    def _lay(self, opened: OpenJob) -> None:
        self._open = Open(opened, history_of(opened))
        self._lays += 1
        self._changed()
        self._look()

    def _changed(self) -> None:
        """A new wish, saved before anything else is done with it."""
        held = self._held()
        self._number += 1
        held.trouble = None
        self._save(held)
        self._wish()
        self._tell("state", self.state())

    def _look(self) -> None:
        """A first look, unless places in the picture were said: it is made smaller for that."""
        held = self._held()
        job = held.history.job
        says_places = job.corrections != Corrections() or job.lettering.boxes_px
        if self._runner is not None and not says_places and job.photo.corners_px is None:
            self._runner.scout.look(Look(self._number, job, held.where.picture))

    def _save(self, held: Open) -> None:
        guessed: dict[str, str] = {}
        if held.result is not None:
            told = held.result
            guessed = guessed_settings(held.history.job, told.reading, told.outlines)
        try:
            held.where.save(held.history.job, guessed)
        except Raster2PathError as error:
            held.trouble = self.told(str(error))

    def _wish(self) -> None:
        held = self._held()
        if self._runner is not None:
            wish = Wish(self._number, held.history.job, held.where.picture, self._lays)
            self._runner.ask(wish)

    def _from_thread(self, news: News) -> None:
        """Runs in the runner's thread: draws there, so that the loop is not held up."""
        drawing: Json | None = None
        if isinstance(news, Answer):
            drawing = drawing_of(news.result, number=news.number, is_final=news.is_final)
        elif isinstance(news, Glimpse):
            drawing = glimpse_of(news.result)
        if self._loop is not None and not self._loop.is_closed():
            self._loop.call_soon_threadsafe(self._take, news, drawing)

    def _take(self, news: News, drawing: Json | None) -> None:
        held = self._open
        if held is None:
            return
        if isinstance(news, Answer):
            self._take_answer(held, news, drawing)
        elif isinstance(news, Part):
            self._take_part(held, news)
        elif isinstance(news, Seen):
            self._take_look(held, news)
        elif isinstance(news, Tried):
            told = {"number": news.number, "edges": news.edges, "is_all": news.is_all}
            self._tell("tried", told)
        elif isinstance(news, Glimpse):
            held.glimpses[news.read.value] = drawing or {}
            self._tell("glimpses", held.glimpses)
        elif isinstance(news, Heat):
            held.heat = {"number": news.number, "starts_k": [round(k) for k in news.starts_k]}
            self._tell("heat", held.heat)
        elif isinstance(news, Raster2PathError):
            held.trouble, held.stage = self.told(str(news)), None
            if held.result is None:
                held.drawing = None
            self._tell("state", self.state())
        else:
            number, held.stage = news
            self._tell("stage", {"number": number, "stage": held.stage})
        self._answered.set()

    def _take_answer(self, held: Open, answer: Answer, drawing: Json | None) -> None:
        if answer.number < held.answered or answer.number > self._number:
            return
        held.result, held.drawing = answer.result, drawing
        held.nouns, held.rough, held.is_rough = fetched_of(answer.result), None, False
        held.answered, held.is_final = answer.number, answer.is_final
        held.stage = None if answer.is_final else "order"
        self._tell("drawing", drawing or {})
        if answer.is_final and answer.number == self._number and held.saved != self._number:
            self._save(held)  # with what the picture decided

    def _take_part(self, held: Open, part: Part) -> None:
        if part.number != self._number:
            return
        had = held.drawing or EMPTY
        drawn = dict(part.drawn)
        if held.is_rough and part.stage in ("paper", "brush"):
            place = {"box_mm": had["picture"]["box_mm"]}
            drawn = {"picture": {**drawn["picture"], **place}}
        held.is_rough &= part.stage not in ("points", "ties")
        held.nouns |= part.nouns
        held.drawing = {**had, **drawn, "is_rough": held.is_rough}
        if held.rough is not None and part.stage == "paper":
            look, held.rough = held.rough, None
            self._show_look(held, look)
        self._tell("drawing", held.drawing)

    def _take_look(self, held: Open, look: Seen) -> None:
        if look.number != self._number or held.result is not None:
            return
        if held.drawing is None:
            held.rough = look.drawn
        elif held.is_rough or not held.drawing["edges"]:
            self._show_look(held, look.drawn)
            self._tell("drawing", held.drawing or {})

    def _show_look(self, held: Open, look: Json) -> None:
        had = held.drawing or EMPTY
        drawn = dict(look)
        place = drawn.pop("box_mm")
        picture = {**had["picture"], "box_mm": place}
        held.is_rough = True
        held.drawing = {**had, **drawn, "picture": picture, "is_rough": True}

    def _tell(self, what: str, told: Json) -> None:
        text = _event(what, told)
        for queue in self._pages:
            queue.put_nowait(text)


def _event(what: str, told: Json) -> str:
    return f"event: {what}\ndata: {json.dumps(told, separators=(',', ':'))}\n\n"


def _settings(job: Job) -> dict[str, str]:
    return {
        setting.key: as_words(value)
        for setting in SETTINGS
        if (value := value_of(job, setting)) is not None
    }
