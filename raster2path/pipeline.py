"""The whole road, picture to cut order, one line per room. No geometry here, and no files."""

from __future__ import annotations

import contextlib
import hashlib
from collections.abc import Callable, Mapping, MutableMapping
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path as FilePath
from typing import ParamSpec, TypeVar

import numpy as np

from raster2path.check import find_faults
from raster2path.errors import NothingFoundError
from raster2path.job import Job, LetteringMode, LetteringRules
from raster2path.model import (
    Art,
    Border,
    CutOrder,
    Dark,
    Ink,
    Note,
    Outlines,
    Paths,
    Picture,
    PixelNet,
    PixelRings,
    Read,
    Reading,
    Sign,
    Stamp,
    TorchPlan,
)
from raster2path.picture.brush import brush, turn_faces
from raster2path.picture.door import place, rings_on_sheet
from raster2path.picture.ink import find_ink
from raster2path.picture.paper import square_up
from raster2path.picture.photo import open_picture
from raster2path.picture.reading import read_ink
from raster2path.picture.rings import trace_rings
from raster2path.picture.specks import without_specks
from raster2path.picture.strokes import trace_strokes
from raster2path.settings import SETTINGS, as_words, lettering_words, value_of
from raster2path.shape.areas import mark_areas
from raster2path.shape.faces import Turned, choose_border, shape_net
from raster2path.shape.fit import fit_outlines
from raster2path.shape.lettering import correct_kinds, tell_kinds
from raster2path.shape.points import move_points
from raster2path.sign.layout import lay_out
from raster2path.sign.ties import hold
from raster2path.torch.aids import add_aids
from raster2path.torch.going_on import go_on
from raster2path.torch.lines import plan_torch
from raster2path.torch.order import order_cuts

OF_KINDS = (
    "lettering_boxes_px",
    "organic_boxes_px",
    "geometric_boxes_px",
    "lettering_px",
    "organic_px",
    "geometric_px",
)
OF_AREAS = (
    "lettering_loops_px",
    "organic_loops_px",
    "geometric_loops_px",
    "looser_loops_px",
    "stricter_loops_px",
)
OF_POINTS = ("moved_points_px", "no_points_px")
OF_TIES = ("ties_px", "wide_ties_px_mm", "no_ties_px")
OF_PROGRESS = ("done_px", "lost_ties_px", "strayed_px")
"""Corrections by the stage that they concern: another stage's need not run again for them."""

P = ParamSpec("P")
T = TypeVar("T")

Progress = Callable[[str], None]
"""Called with a stage's name before it starts; whatever it raises cancels the run."""


Made = Callable[[str, str, object], None]
"""Called with a stage's name, its hash and what it made, as soon as that is there."""


def unseen(stage: str, told: str, noun: object) -> None:
    """What is made on the way is of no interest."""


def quiet(stage: str) -> None:
    """Progress that nobody watches."""


@dataclass(frozen=True, slots=True, eq=False)
class Result:
    """Every stage's noun, and a hash of what each was made from.

    Attributes:
        traced: contours where the reading is `solid`, else the net of centre lines.
        hashes: by stage; two results whose hash for a stage is the same have the same noun there.
        nouns: what every stage made, by that hash.
        faults: what the final proof found wrong; empty for a sign that can be cut.
        stamp: name, date and revision mark, for every output.
    """

    job: Job
    picture: Picture
    ink: Ink
    reading: Reading
    traced: PixelRings | PixelNet
    outlines: Outlines
    paths: Paths
    art: Art
    sign: Sign
    plan: TorchPlan
    order: CutOrder
    faults: tuple[Note, ...]
    stamp: Stamp
    hashes: Mapping[str, str]
    nouns: Mapping[str, object]

    @property
    def notes(self) -> tuple[Note, ...]:
        """What the pipeline noticed, worst first, each once."""
        groups = (
            self.picture.notes,
            self.ink.notes,
            self.reading.notes,
            self.traced.notes,
            self.sign.notes,  # with those of outlines, paths and art, where layout put them
            self.plan.notes,
            self.order.notes,
            self.faults,
        )
        once = dict.fromkeys(note for group in groups for note in group)
        return tuple(sorted(once, key=lambda note: note.kind.rank))

    @property
    def is_ready(self) -> bool:
        """True where the sign can be cut as it stands."""
        return not self.stamp.not_ready


class _Road:
    """Walks the stages: tells progress, keeps the hash of each stage's inputs, reuses nouns."""

    def __init__(
        self, seed: str, progress: Progress, known: MutableMapping[str, object], made: Made
    ) -> None:
        self.seed = seed
        self.progress = progress
        self.made = made
        self.hashes: dict[str, str] = {}
        self.nouns: dict[str, object] = {}
        self._known: dict[int, str] = {}
        self._alive: list[object] = []  # so that an id stands for one noun only
        self._shelf = known

    def stage(self, name: str, room: Callable[P, T], *args: P.args, **kwargs: P.kwargs) -> T:
        self.progress(name)
        parts = [self._known.get(id(arg)) or repr(arg) for arg in (*args, *kwargs.values())]
        told = hashlib.sha256("\n".join([self.seed, name, *parts]).encode()).hexdigest()
        self.hashes[name] = told
        noun: T = self._shelf[told] if told in self._shelf else room(*args, **kwargs)  # type: ignore[assignment]  # the same hash is the same stage
        self.nouns[told] = self._shelf[told] = noun
        self.made(name, told, noun)
        # A stage that had nothing to change hands on what it got: that stays what it was, so that
        # the stages after it need not run again.
        self._known.setdefault(id(noun), told)
        self._alive.append(noun)
        return noun

    def by_content(self, noun: T) -> T:
        """The noun, known by its own text: made from something else, it may still be the same."""
        self._known[id(noun)] = hashlib.sha256(repr(noun).encode()).hexdigest()
        return noun

    def part(self, part: T, *, of: object) -> T:
        """A part of a noun, known by the noun: its own text would not tell large arrays apart."""
        told = hashlib.sha256(f"{self._known[id(of)]} {type(part).__name__}".encode()).hexdigest()
        self._known.setdefault(id(part), told)
        self._alive.append(part)
        return part


def _seed(picture_file: FilePath) -> str:
    """Tells one state of a file from another without reading it."""
    parts = [repr(picture_file.absolute())]
    with contextlib.suppress(OSError):  # that it can't be read is told when it is
        told = picture_file.stat()
        parts += [str(told.st_mtime_ns), str(told.st_size)]
    return hashlib.sha256("\n".join(parts).encode()).hexdigest()


def make(
    job: Job,
    picture_file: FilePath,
    *,
    progress: Progress = quiet,
    previous: Result | None = None,
    known: MutableMapping[str, object] | None = None,
    order_with: Callable[..., CutOrder] = order_cuts,
    made: Made = unseen,
) -> Result:
    """Go the whole road from a picture to cuts in order.

    Args:
        job: every decision of the maker.
        picture_file: JPEG, PNG, TIFF, WebP, BMP or HEIC.
        progress: called before each stage; raise from it to cancel.
        previous: an earlier result; stages whose inputs are the same are not done again.
        known: nouns of any number of earlier runs by hash, instead of one result's; this run adds
            its own as it goes, so that a cancelled one is not lost.
        order_with: what plans the order, with the arguments of `order_cuts`; a page hands in
            one that works in a process of its own and can be stopped.
        made: called after each stage, for whoever shows what is there already.

    Returns:
        Every stage's noun. A sign that can't be cut is returned, too; its `stamp.not_ready`
        says why.

    Raises:
        UnreadableError: the picture can't be read.
        NothingFoundError: there is nothing in it to cut.
        UsageError: settings that exclude each other.
    """
    if known is None:
        known = {} if previous is None else dict(previous.nouns)
    road = _Road(_seed(picture_file), progress, known, made)
    photo = road.stage("photo", open_picture, picture_file, rules=job.photo)
    road.seed = photo.sha256
    picture = road.stage("paper", square_up, photo, rules=job.photo)
    ink = road.stage("ink", find_ink, picture, rules=job.ink)
    by_hand, turn = job.corrections, picture.work_from_upright
    ink = road.stage("brush", brush, ink, strokes_px=by_hand.ink_px, work_from_upright=turn)
    meant = _with_falls(job)
    reading = road.stage("reading", read_ink, ink, rules=meant.reading)
    walk = _solid if reading.read is Read.SOLID else _lines
    traced, outlines = walk(road, meant, picture, reading)
    outlines = road.stage(
        "lettering",
        tell_kinds,
        outlines,
        rules=_told_in(ink, job.lettering),
        work_from_upright=turn,
    )
    outlines = road.stage(
        "kinds",
        correct_kinds,
        outlines,
        corrections=by_hand.only(*OF_KINDS),
        work_from_upright=turn,
    )
    outlines = road.stage(
        "areas",
        mark_areas,
        outlines,
        corrections=by_hand.only(*OF_AREAS),
        work_from_upright=turn,
    )
    paths = road.by_content(road.stage("fit", fit_outlines, outlines, rules=job.fit))
    paths = road.stage(
        "points",
        move_points,
        paths,
        corrections=by_hand.only(*OF_POINTS),
        work_from_upright=turn,
    )
    art = road.stage(
        "layout",
        lay_out,
        paths,
        rules=job.size,
        thickness_mm=job.ties.thickness_mm,
        stock=job.ties.material.stock,
    )
    sign = road.stage(
        "ties",
        hold,
        art,
        rules=job.ties,
        corrections=by_hand.only(*OF_TIES),
        work_from_upright=turn,
    )
    plan = road.stage(
        "torch",
        plan_torch,
        sign,
        rules=job.torch,
        corrections=by_hand.only("turned_px"),
        work_from_upright=turn,
    )
    order = road.stage(
        "order",
        order_with,
        plan,
        rules=job.order,
        corrections=by_hand.only("order_px"),
        work_from_upright=turn,
    )
    order = road.stage("aids", add_aids, order, rules=job.aids)
    order = road.stage(
        "progress",
        go_on,
        order,
        corrections=by_hand.only(*OF_PROGRESS),
        least_mm=job.ties.least_tie_mm,
        work_from_upright=turn,
    )
    faults = road.stage("proof", find_faults, order)
    return Result(
        job=job,
        picture=picture,
        ink=ink,
        reading=reading,
        traced=traced,
        outlines=outlines,
        paths=paths,
        art=art,
        sign=sign,
        plan=plan,
        order=order,
        faults=faults,
        stamp=_stamp(job, reading, outlines, order, faults),
        hashes=road.hashes,
        nouns=road.nouns,
    )


def _told_in(ink: Ink, rules: LetteringRules) -> LetteringRules:
    """How lettering is told; in light and shade there is none, unless the maker says so."""
    if ink.falls_below is None or rules.mode is not LetteringMode.AUTO:
        return rules
    return replace(rules, mode=LetteringMode.NONE)


def _with_falls(job: Job) -> Job:
    """The job; where it says what falls out, areas are openings, unless it says otherwise."""
    if not job.ink.says_falls:
        return job
    said = job.reading
    rules = replace(said, read=said.read or Read.SOLID, dark=said.dark or Dark.OPENING)
    return replace(job, reading=rules)


def _solid(
    road: _Road, job: Job, picture: Picture, reading: Reading
) -> tuple[PixelRings, Outlines]:
    """Dark areas are shapes: contours of the ink."""
    asked = job.size.border
    no_border = asked in (None, Border.NONE) and reading.ink.falls_below is None
    region = job.reading.dark or (Dark.METAL if no_border else Dark.OPENING)
    ink = road.stage(
        "turned",
        turn_faces,
        road.part(reading.ink, of=reading),
        falls_px=job.corrections.falls_px,
        stays_px=job.corrections.stays_px,
        region=region,
        work_from_upright=picture.work_from_upright,
    )
    rings = road.stage("tracing", trace_rings, ink)
    if not rings.rings:
        raise NothingFoundError(f"{picture.name} holds only specks; nothing in it could be cut")
    border = asked or (Border.NONE if region is Dark.METAL else Border.RECT)
    points_px = np.concatenate([ring.points_px for ring in rings.rings])
    placement = place(points_px, border=border, rules=job.size, mm_per_px=picture.mm_per_px)
    leave_out = partial(
        without_specks,
        mm_per_px=placement.mm_per_px,
        region=region,
        kerf_mm=job.torch.kerf_mm,
        least_metal_mm=job.ties.least_tie_mm,
    )
    kept = leave_out(rings)
    if kept is not rings:  # else they keep their hash, and another kerf changes nothing
        kept = road.stage("specks", without_specks, rings, **leave_out.keywords)
    # What was left out must not count in the sign's size.
    points_px = np.concatenate([ring.points_px for ring in kept.rings])
    placement = place(points_px, border=border, rules=job.size, mm_per_px=picture.mm_per_px)
    outlines = road.stage(
        "door",
        rings_on_sheet,
        kept,
        placement=placement,
        region=region,
        border=border,
        is_squared=picture.is_squared,
    )
    return rings, outlines


def _lines(road: _Road, job: Job, picture: Picture, reading: Reading) -> tuple[PixelNet, Outlines]:
    """Drawn lines are edges, slits or bars: centre lines of the ink."""
    net = road.stage("tracing", trace_strokes, reading)
    border = job.size.border or road.stage("border", choose_border, net, read=reading.read)
    points_px = np.concatenate([stroke.points_px for stroke in net.strokes])
    widen_mm = job.ties.web_mm / 2 if reading.read is Read.BAR else 0.0
    placement = place(
        points_px,
        border=border,
        rules=job.size,
        mm_per_px=picture.mm_per_px,
        widen_mm=widen_mm,
    )
    outlines = road.stage(
        "door",
        shape_net,
        net,
        placement,
        read=reading.read,
        dark=job.reading.dark,
        border=border,
        web_mm=job.ties.web_mm,
        is_squared=picture.is_squared,
        turned=Turned(
            job.corrections.falls_px, job.corrections.stays_px, picture.work_from_upright
        ),
    )
    return net, outlines


MARK_LETTERS = "23456789ABCDEFGHJKLMNPQRSTUVWXYZ"
"""No 0, O, 1 or I: a mark is read aloud and painted on steel."""


def _stamp(
    job: Job, reading: Reading, outlines: Outlines, order: CutOrder, faults: tuple[Note, ...]
) -> Stamp:
    notes = (*order.plan.sign.notes, *order.plan.notes, *order.notes, *faults)
    reasons = dict.fromkeys(note.sentence for note in notes if note.kind.is_fault)
    return Stamp(
        name=job.name,
        date=job.date,
        mark=revision_mark(order),
        settings=tuple(used_settings(job, reading, outlines).items()),
        not_ready=tuple(map(job.print.units.told, reasons)),
        units=job.print.units,
    )


def revision_mark(order: CutOrder) -> str:
    """Four characters from what matters on the steel: edges, slits, ties, cuts and their order."""
    digest = hashlib.sha256()
    closed = [edge.path.flat(0.05) for edge in order.plan.edges]
    cuts = [cut.path.flat(0.05) for cut in order.cuts if cut.path is not None]
    slits = [slit.flat(0.05) for slit in order.plan.slits]
    for points in (*closed, *slits, *cuts):
        digest.update((np.round(points, 2) + 0.0).astype("<f8").tobytes())
        digest.update(b"|")
    for cut in order.cuts:
        digest.update(f"{cut.pierce_mm.real:.2f},{cut.pierce_mm.imag:.2f};".encode())
    number = int.from_bytes(digest.digest()[:4], "big")
    return "".join(MARK_LETTERS[(number >> (5 * k)) & 31] for k in range(4))


def used_settings(job: Job, reading: Reading, outlines: Outlines) -> dict[str, str]:
    """Every setting as it was used, said, guessed or by default, as text by key."""
    words = {
        setting.key: as_words(value)
        for setting in SETTINGS
        if (value := value_of(job, setting)) is not None
    }
    words |= guessed_settings(job, reading, outlines)
    words["lettering"] = " ".join(lettering_words(job.lettering))
    return dict(sorted(words.items()))


def guessed_settings(job: Job, reading: Reading, outlines: Outlines) -> dict[str, str]:
    """What the maker did not say and the picture decided, as text by key."""
    guessed: dict[str, str] = {}
    if job.reading.read is None:
        guessed["read"] = reading.read.value
    if job.reading.dark is None and reading.read is Read.SOLID:
        guessed["dark"] = outlines.region.value
    if job.size.border is None:
        guessed["border"] = outlines.border.value
    if job.size.width_mm is None and job.size.height_mm is None:
        guessed["width_mm"] = f"{outlines.placement.sign_mm[2]:.2f}"
    return guessed
