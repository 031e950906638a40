"""What is lit, and how brightly, in each view of a job: the same for the page and for PDF."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from enum import Enum

from raster2path.light.scene import Role, Scene


class View(Enum):
    """What the light shows."""

    REGISTER = "register"
    PATTERN = "pattern"
    CHECK = "check"
    ALL = "all"
    MARK = "mark"
    NEXT = "next"


NEXT_PX = 3.0
DONE_PX = 1.25
PUNCH_PX = 2.5
"""Radius of a punch mark's dot, in pixels."""

OF_A_CUT = frozenset({Role.TORCH, Role.LEAD, Role.REST, Role.PIERCE, Role.ARROW})

SHOWN = {
    View.REGISTER: frozenset({Role.SHEET}),
    View.PATTERN: frozenset[Role](),
    View.CHECK: frozenset({Role.GRID, Role.RULE, Role.SHEET}),
    View.ALL: frozenset(Role) - {Role.GRID, Role.RULE},
    View.MARK: frozenset({Role.SHEET, Role.TIE, Role.TORCH, Role.PIERCE, Role.LEADER}),
    View.NEXT: OF_A_CUT | {Role.SHEET},
}


@dataclass(frozen=True, slots=True)
class LitStroke:
    """One stroke of the scene, by its index, and how it is lit."""

    index: int
    colour: str
    width_px: float
    is_dashed: bool


@dataclass(frozen=True, slots=True)
class LitWord:
    """One word of the scene, by its index, and its colour."""

    index: int
    colour: str


@dataclass(frozen=True, slots=True)
class Display:
    """Everything that is lit at one time.

    Attributes:
        strokes: in drawing order.
        is_punched: whether punch marks are lit.
        banner: a line of words at the picture's rim.
    """

    strokes: tuple[LitStroke, ...] = ()
    words: tuple[LitWord, ...] = ()
    is_punched: bool = False
    banner: str = ""


def display(scene: Scene, view: View, *, cut: int, is_punched: bool = False) -> Display:
    """What is lit in a view.

    Args:
        scene: all light of the job.
        view: which.
        cut: the next cut, from 1; those before it are done, and those of another day. One more
            than there are: all done.
        is_punched: True to light punch marks in the marking-out view.
    """
    if view is View.NEXT:
        return _next(scene, cut)
    dashed = {Role.SHEET, Role.TIE, Role.LEADER}
    strokes = tuple(
        LitStroke(i, stroke.colour, stroke.width_px, stroke.role in dashed)
        for i, stroke in enumerate(scene.strokes)
        if stroke.role in SHOWN[view]
    )
    has_words = view in (View.ALL, View.MARK)
    words = tuple(LitWord(i, scene.colours.aid) for i in range(len(scene.words)) if has_words)
    return Display(strokes, words, is_punched and view is View.MARK, _banner(scene, view))


def _banner(scene: Scene, view: View) -> str:
    if view in (View.REGISTER, View.PATTERN):
        return ""
    if view is not View.CHECK:
        return scene.title
    lengths = [f"{length:g}" for length in scene.rules_mm if length]
    told = f"rules of {' and '.join(lengths)} mm, " if lengths else ""
    return scene.units.told(f"{told}squares of {scene.units.square_mm:g} mm")


def _next(scene: Scene, cut: int) -> Display:
    """The next cut bright, done ones dim; its numeral and what is said of it."""
    told = [one for one in scene.told if one.number == cut]
    banner = f"{told[0].number} · {told[0].sentence}" if told else "all cuts are done"
    words = tuple(
        LitWord(i, scene.colours.aid) for i, word in enumerate(scene.words) if word.cut == cut
    )
    return Display(tuple(_next_strokes(scene, cut)), words, False, banner)


def _next_strokes(scene: Scene, cut: int) -> Iterator[LitStroke]:
    bright = []
    done = {one.number for one in scene.told if one.is_done or one.number < cut} - {cut}
    for i, stroke in enumerate(scene.strokes):
        if stroke.role is Role.SHEET:
            yield LitStroke(i, scene.colours.dim, stroke.width_px, True)
        elif stroke.role is Role.TORCH and stroke.cut in done:
            yield LitStroke(i, scene.colours.dim, DONE_PX, False)
        elif stroke.cut == cut and stroke.role in OF_A_CUT | {Role.LEADER}:
            width = NEXT_PX if stroke.role is Role.TORCH else stroke.width_px
            bright.append(LitStroke(i, stroke.colour, width, stroke.role is Role.LEADER))
    yield from bright
