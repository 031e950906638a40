"""What is thrown onto the steel: polylines, rings and numerals in millimetres of the sheet.

Made once for a job; a view picks from it, a registration says where it goes. Lines are split so
finely that a crooked, bowed projector may bend them.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from enum import Enum

import numpy as np

from raster2path.geometry import Kind, Path, Points, to_complex, to_points
from raster2path.guides.colours import STEEL
from raster2path.guides.job_sheet import NAMES
from raster2path.guides.punch import punch
from raster2path.guides.svg import drawing_mm, numerals_in_light
from raster2path.model import Cut, CutOrder, Rest, Stamp, frozen
from raster2path.units import Units

FLAT_MM = 0.1
"""A sixth of a projected pixel."""

LONGEST_MM = 25.0
"""Between two points of a line: a lens's bow leaves a chord of that by nothing that is seen."""

FINE_PX = 1.25
RULE_PX = 2.0
"""Lines that are not followed by the torch, in pixels of the projector."""

PIERCE_MM = 3.0
ARROW_MM = 12.0
TICK_MM = 6.0


class Role(Enum):
    """What a stroke is; decides in which views it is lit, and how."""

    SHEET = "sheet"
    EDGE = "edge"
    TIE = "tie"
    TORCH = "torch"
    LEAD = "lead"
    REST = "rest"
    PIERCE = "pierce"
    ARROW = "arrow"
    LEADER = "leader"
    GRID = "grid"
    RULE = "rule"


@dataclass(frozen=True, slots=True)
class KindLook:
    """How the torch line of one kind is lit: `#RRGGBB`, and pixels of the projector."""

    colour: str
    width_px: float


@dataclass(frozen=True, slots=True)
class Colours:
    """What lines are lit with; colours are `#RRGGBB`.

    Attributes:
        kinds: of torch lines, for each kind.
        aid: of everything else.
        dim: of what is done, and of edges.
        tie: of ties.
    """

    kinds: Mapping[Kind, KindLook]
    aid: str
    dim: str
    tie: str


LIT_STEEL = Colours(
    kinds={
        kind: KindLook(STEEL.ink(kind).colour, width)
        for kind, width in ((Kind.ORGANIC, 2.5), (Kind.LETTERING, 3.0), (Kind.GEOMETRIC, 2.0))
    },
    aid=STEEL.aid,
    dim="#6B7075",
    tie=STEEL.alarm,
)
"""The torch's lines are 2 to 3 pixels wide: about 2 mm on the steel."""


@dataclass(frozen=True, slots=True, eq=False)
class Stroke:
    """A line of light.

    Attributes:
        points_mm: (n, 2), both ends included; a closed one repeats its first point.
        width_px: in pixels of the projector.
        cut: number of the cut that it belongs to, from 1; 0 for none.
    """

    points_mm: Points
    role: Role
    colour: str
    width_px: float
    cut: int = 0

    def __post_init__(self) -> None:
        frozen(self.points_mm)


@dataclass(frozen=True, slots=True)
class Word:
    """A numeral: its middle, its digits' height, and the cut that it names."""

    text: str
    at_mm: complex
    height_mm: float
    cut: int


@dataclass(frozen=True, slots=True)
class Told:
    """What is said of a cut where it is shown as the next one.

    Attributes:
        is_done: it was made on another day.
    """

    number: int
    sentence: str
    is_done: bool = False


@dataclass(frozen=True, slots=True)
class Scene:
    """All light of a job.

    Attributes:
        title: name, date and revision.
        size_mm: width and height of the drawing; (0, 0) is its upper left corner.
        has_sheet: True where that is the blank itself.
        strokes: in drawing order.
        words: a numeral a cut.
        told: a sentence a cut, in cutting order.
        punched_mm: where a prick punch goes.
        kerf_mm: width of a cut.
        units: what lengths are told in, and the squares of the check lines are whole ones of.
    """

    title: str
    size_mm: tuple[float, float]
    has_sheet: bool
    strokes: tuple[Stroke, ...]
    words: tuple[Word, ...]
    told: tuple[Told, ...]
    punched_mm: tuple[complex, ...]
    kerf_mm: float
    colours: Colours
    units: Units = Units.MM

    @property
    def rules_mm(self) -> tuple[float, float]:
        """Lengths of the two rules to check by."""
        return rules_mm(self.size_mm, self.units.square_mm)

    @property
    def n_cuts(self) -> int:
        """How many cuts there are."""
        return len(self.told)


def light_up(
    order: CutOrder,
    *,
    stamp: Stamp,
    colours: Colours = LIT_STEEL,
) -> Scene:
    """The light of a job.

    Args:
        order: the cuts, where one stands for them, and which are made already.
        stamp: name, date and revision.
        colours: for lit steel.
    """
    size_mm = drawing_mm(order)
    numerals = numerals_in_light(order)
    plan = order.plan
    has_sheet = plan.sign.art.placement.sheet_mm is not None
    strokes = [Stroke(_frame(size_mm), Role.SHEET, colours.aid, FINE_PX)] if has_sheet else []
    strokes += [Stroke(_fine(edge.path), Role.EDGE, colours.dim, FINE_PX) for edge in plan.edges]
    for tie in plan.sign.ties:
        ring = to_points([*tie.corners, tie.corners[0]])
        strokes.append(Stroke(_split(ring), Role.TIE, colours.tie, FINE_PX))
    for number, cut in enumerate(order.cuts, 1):
        strokes += _cut(number, cut, colours.kinds[cut.kind])
    for number, numeral in enumerate(numerals, 1):
        if numeral.leader is not None:
            leader = _split(to_points(numeral.leader))
            strokes.append(Stroke(leader, Role.LEADER, colours.aid, FINE_PX, number))
    grid, rules = check_lines(size_mm, stamp.units.square_mm)
    strokes += [Stroke(line, Role.GRID, colours.dim, FINE_PX) for line in grid]
    strokes += [Stroke(line, Role.RULE, colours.aid, RULE_PX) for line in rules]
    words = tuple(Word(n.text, n.centre, n.height_mm, i) for i, n in enumerate(numerals, 1))
    stands = _stands(order, size_mm)
    told = tuple(
        Told(number, stamp.units.told(", ".join([*_facts(cut), *stand])), is_done)
        for number, (cut, stand, is_done) in enumerate(
            zip(order.cuts, stands, order.is_done, strict=True), 1
        )
    )
    return Scene(
        title=stamp.title,
        size_mm=size_mm,
        has_sheet=has_sheet,
        strokes=tuple(strokes),
        words=words,
        told=told,
        punched_mm=punch(order).marks_mm,
        kerf_mm=plan.kerf_mm,
        colours=colours,
        units=stamp.units,
    )


def _cut(number: int, cut: Cut, look: KindLook) -> list[Stroke]:
    out = []
    colour, width = look.colour, look.width_px
    if cut.path is not None:
        out.append(Stroke(_fine(cut.path), Role.TORCH, colour, width, number))
        if cut.path.length > 2 * ARROW_MM:
            barbs = _arrow(cut.path)
            out += [Stroke(one, Role.ARROW, colour, RULE_PX, number) for one in barbs]
    out += [Stroke(_fine(lead), Role.LEAD, colour, FINE_PX, number) for lead in cut.leads]
    out += [Stroke(_tick(rest, cut), Role.REST, colour, RULE_PX, number) for rest in cut.rests]
    marks = _pierce(cut.pierce_mm, cut.kind)
    out += [Stroke(one, Role.PIERCE, colour, FINE_PX, number) for one in marks]
    return out


def _tick(rest: Rest, cut: Cut) -> Points:
    """A short line across the cut where one rests."""
    at = rest.place_mm
    if cut.path is None:
        return to_points([at - TICK_MM, at + TICK_MM])
    place = cut.path.nearest(at)
    across = 1j * cut.path.segments[place.index].tangent(place.t) * TICK_MM
    return to_points([at - across, at + across])


def _pierce(at: complex, kind: Kind) -> list[Points]:
    """A ring, and in it the kind's own mark: upright cross, slanted cross, or square and dot."""
    turn = np.exp(2j * np.pi * np.arange(25) / 24)
    ring = at + PIERCE_MM * turn
    if kind is Kind.GEOMETRIC:
        square = at + 0.55 * PIERCE_MM * np.array([-1 - 1j, 1 - 1j, 1 + 1j, -1 + 1j, -1 - 1j])
        dot = at + 0.15 * PIERCE_MM * turn[::4]
        return [to_points(z) for z in (ring, square, dot)]
    arm = PIERCE_MM * (1 if kind is Kind.ORGANIC else 1j**0.5)
    arms = ([at - a, at + a] for a in (arm, arm * 1j))
    return [to_points(ring), *map(to_points, arms)]


def _arrow(path: Path) -> list[Points]:
    """Two barbs a little after the start: which way the torch goes."""
    z = to_complex(path.flat(FLAT_MM))
    so_far = np.concatenate([[0.0], np.cumsum(np.abs(np.diff(z)))])
    along = min(2 * ARROW_MM, 0.5 * float(so_far[-1]))
    tip, back = (
        complex(np.interp(s, so_far, z.real), np.interp(s, so_far, z.imag))
        for s in (along, max(0.0, along - 2.0))
    )
    away = (back - tip) / max(abs(back - tip), 1e-9) * 0.7 * ARROW_MM
    return [to_points([tip, tip + away * np.exp(1j * side * math.radians(28))]) for side in (1, -1)]


def _frame(size_mm: tuple[float, float]) -> Points:
    width, height = size_mm
    return _split(np.array([[0, 0], [width, 0], [width, height], [0, height], [0, 0]], np.float64))


def _fine(path: Path) -> Points:
    points = path.flat(FLAT_MM)
    return _split(np.concatenate([points, points[:1]]) if path.is_closed else points)


def _split(points: Points) -> Points:
    """The same polyline with no piece longer than `LONGEST_MM`."""
    lengths = np.hypot(*np.diff(points, axis=0).T)
    n = np.maximum(1, np.ceil(lengths / LONGEST_MM).astype(int))
    step = np.concatenate([np.arange(k) / k for k in n] or [np.empty(0)])
    start = np.repeat(np.arange(len(n)), n)
    inner = points[start] + step[:, None] * (points[start + 1] - points[start])
    return np.concatenate([inner, points[-1:]])


def _facts(cut: Cut) -> list[str]:
    """What a cut makes, how long it is, which way it goes and how often one rests."""
    parts = [NAMES[cut.type]]
    if cut.path is not None:
        parts.append(f"{cut.path.length:.0f} mm")
        if cut.path.is_closed:
            parts.append("clockwise" if cut.path.area > 0 else "anticlockwise")
    if cut.rests:
        parts.append("1 rest" if len(cut.rests) == 1 else f"{len(cut.rests)} rests")
    return parts


def _stands(order: CutOrder, size_mm: tuple[float, float]) -> list[list[str]]:
    """Where to stand for each cut, in words; nothing where that is not known."""
    if not order.stands:
        return [[] for _ in order.cuts]
    return [
        [f"stand {name}, {_side(place, size_mm)}"]
        for name, place in zip(order.stand_names, order.stands, strict=True)
    ]


def _side(stand: complex, size_mm: tuple[float, float]) -> str:
    """Where a stand is, from the drawing's own upright."""
    width, height = size_mm
    beyond = {
        "at the left": -stand.real,
        "at the right": stand.real - width,
        "at the top": -stand.imag,
        "at the foot": stand.imag - height,
    }
    side = max(beyond, key=lambda name: beyond[name])
    along, whole = (
        (stand.imag, height)
        if side in ("at the left", "at the right")
        else (
            stand.real,
            width,
        )
    )
    return f"{side}, {min(max(along, 0.0), whole):.0f} mm along"


def rules_mm(size_mm: tuple[float, float], square_mm: float) -> tuple[float, float]:
    """How long the two rules are: whole squares along x and along y; 0 where there is no room."""
    corner = _rule_corner(size_mm, square_mm)
    width, height = (
        math.floor((room - start) / square_mm + 1e-9) * square_mm
        for room, start in zip(size_mm, corner, strict=True)
    )
    return width, height


def _rule_corner(size_mm: tuple[float, float], square_mm: float) -> tuple[float, float]:
    return min(square_mm, size_mm[0] / 4), min(square_mm, size_mm[1] / 4)


def check_lines(
    size_mm: tuple[float, float], square_mm: float
) -> tuple[list[Points], list[Points]]:
    """A grid of squares and, heavier, two rules from the grid's first crossing.

    The rules are as long as `rules_mm` says, with a tick every square.
    """
    width, height = size_mm
    xs = np.arange(0, width + 1e-6, square_mm)
    ys = np.arange(0, height + 1e-6, square_mm)
    grid = [_split(np.array([[x, 0.0], [x, height]])) for x in xs]
    grid += [_split(np.array([[0.0, y], [width, y]])) for y in ys]
    corner = np.array(_rule_corner(size_mm, square_mm))
    rules = []
    for axis, length in enumerate(rules_mm(size_mm, square_mm)):
        if length < square_mm:
            continue
        along, across = np.eye(2)[axis], np.eye(2)[1 - axis]
        rules.append(_split(np.array([corner, corner + length * along])))
        for s in np.arange(0, length + 1e-6, square_mm):
            at = corner + s * along
            rules.append(np.array([at - 8 * across, at + 8 * across]))
    return grid, rules
