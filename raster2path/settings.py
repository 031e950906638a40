"""Every setting once: its option, its key in job.toml, its place in the `Job`, how it is read.

The command line, `job.toml` and the `<desc>` of the guides are all made from this table.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from enum import Enum
from typing import TypeVar

from raster2path.errors import UsageError
from raster2path.job import (
    Ground,
    Hand,
    Job,
    LetterCorners,
    LetteringMode,
    LetteringRules,
    MarkOut,
    Narrow,
    OrderHow,
    PaperLines,
    Scale,
    Show,
    Side,
    Swirl,
    Thin,
    TieMode,
    Tone,
)
from raster2path.material import Material
from raster2path.model import Border, Dark, Read
from raster2path.units import Units

TomlValue = str | float | list[float] | list[list[float]]
Box = tuple[float, float, float, float]
E = TypeVar("E", bound=Enum)

MM_PER_UNIT = {"": 1.0, "mm": 1.0, "cm": 10.0, "m": 1000.0, "in": 25.4, '"': 25.4, "ft": 304.8}
_LENGTH = re.compile(r'\s*([0-9]*\.?[0-9]+)\s*(mm|cm|m|in|ft|"|)\s*')

PAPERS_MM = {
    # A series: ISO 216; letter, legal and tabloid: ANSI/ASME Y14.1 sizes in inches
    "a0": (841.0, 1189.0),
    "a1": (594.0, 841.0),
    "a2": (420.0, 594.0),
    "a3": (297.0, 420.0),
    "a4": (210.0, 297.0),
    "a5": (148.0, 210.0),
    "letter": (215.9, 279.4),
    "legal": (215.9, 355.6),
    "tabloid": (279.4, 431.8),
    # large formats of ANSI/ASME Y14.1, and architects' sheets
    "ansi-c": (431.8, 558.8),
    "ansi-d": (558.8, 863.6),
    "ansi-e": (863.6, 1117.6),
    "arch-d": (609.6, 914.4),
    "arch-e": (914.4, 1219.2),
}


def length_mm(text: str) -> float:
    """A length such as `600`, `60cm` or `24in`, in mm."""
    match = _LENGTH.fullmatch(text)
    if not match:
        raise UsageError(f"'{text}' is not a length; expected a number such as 600, 60cm or 24in")
    return float(match[1]) * MM_PER_UNIT[match[2]]


def size_mm(text: str) -> tuple[float, float]:
    """Two lengths such as `900x600` or `36x24in` (one unit for both will do), in mm."""
    parts = re.split(r"[x×*]", text.strip().lower())
    if len(parts) != 2:
        raise UsageError(
            f"'{text}' is not a size; expected WIDTHxHEIGHT such as 900x600 or 36x24in"
        )
    unit_of = [match[2] if (match := _LENGTH.fullmatch(part)) else "" for part in parts]
    if not unit_of[0]:
        parts[0] += unit_of[1]
    return length_mm(parts[0]), length_mm(parts[1])


def paper_mm(text: str) -> tuple[float, float]:
    """A paper's name or its WxH, in mm."""
    if (named := PAPERS_MM.get(text.strip().lower())) is not None:
        return named
    try:
        return size_mm(text)
    except UsageError:
        names = ", ".join(PAPERS_MM)
        raise UsageError(f"'{text}' is not a paper size; expected {names} or WxH in mm") from None


def numbers(text: str) -> tuple[float, ...]:
    """Numbers with commas or spaces between them, such as `120,80 2040,95`."""
    try:
        return tuple(float(part) for part in re.split(r"[,;\s]+", text.strip()))
    except ValueError:
        raise UsageError(f"'{text}' is not a list of numbers such as 120,80,2040,95") from None


def whole_numbers(text: str) -> tuple[float, ...]:
    """Numbers from a list that was shown, such as `2,3`."""
    try:
        found = tuple(float(part) for part in re.split(r"[,;\s]+", text.strip()))
    except ValueError:
        found = (math.nan,)
    if not all(number.is_integer() and number >= 1 for number in found):
        raise UsageError(f"'{text}' is not a list of numbers such as 2,3")
    return found


def percent(text: str) -> float:
    """A share such as `40` or `40 %`."""
    try:
        return float(text.strip().removesuffix("%"))
    except ValueError:
        raise UsageError(f"'{text}' is not a number of percent such as 40") from None


def amperes(text: str) -> float:
    """A current such as `30` or `30A`."""
    try:
        return float(text.strip().removesuffix("A").removesuffix("a"))
    except ValueError:
        raise UsageError(f"'{text}' is not a current; expected a number such as 30") from None


def amount(text: str) -> float:
    """A plain number such as `42.50`."""
    try:
        return float(text.strip().replace(",", "."))
    except ValueError:
        raise UsageError(f"'{text}' is not a number such as 42.50") from None


def count(text: str) -> int:
    """A whole number such as 2."""
    try:
        number = float(text)
    except ValueError:
        number = 0.5
    if not number.is_integer():  # nor is it for infinity and what is no number
        raise UsageError(f"'{text}' is not a whole number such as 2")
    return int(number)


def share(text: str) -> float:
    """A share of the whole such as `0.3`."""
    try:
        return float(text)
    except ValueError:
        raise UsageError(
            f"'{text}' is not a number; expected one from 0 to 1 such as 0.3"
        ) from None


def scale_px_mm(text: str) -> tuple[float, ...] | Scale:
    """Two points in pixels and the length between them, `x1,y1,x2,y2=300mm`; or `card`."""
    if text.strip().lower() == Scale.CARD.value:
        return Scale.CARD
    points, sign, length = text.partition("=")
    if not sign:  # as job.toml holds it
        return numbers(text)
    return (*numbers(points), length_mm(length))


def choice(kind: type[E]) -> Callable[[str], E]:
    """A reader of one word of an enumeration; its error lists the words in declared order."""

    def read(text: str) -> E:
        try:
            return kind(text.strip().lower())
        except ValueError:
            words = ", ".join(str(member.value) for member in kind)
            raise UsageError(f"'{text}' is not one of {words}") from None

    return read


def sides(text: str) -> tuple[Side, ...]:
    """Sides of the table such as `left,top`."""
    return tuple(choice(Side)(word) for word in re.split(r"[,;\s]+", text.strip()) if word)


def lettering_rules(words: list[str]) -> LetteringRules:
    """`auto`, `all`, `none`, or boxes `X,Y,W,H` in picture pixels.

    Raises:
        UsageError: words that are neither, or a box without an area.
    """
    if len(words) == 1 and words[0].strip().lower() in {mode.value for mode in LetteringMode}:
        return LetteringRules(mode=LetteringMode(words[0].strip().lower()))
    return LetteringRules(mode=LetteringMode.NONE, boxes_px=tuple(_box(word) for word in words))


def _box(text: str) -> Box:
    try:
        x, y, width, height = (float(part) for part in text.split(","))
    except ValueError:
        raise UsageError(
            f"--lettering '{text}' is not auto, all, none or a box X,Y,W,H in picture pixels"
        ) from None
    if not (width > 0 and height > 0):
        raise UsageError(f"--lettering box {text} has no area; expected W and H above 0")
    return x, y, width, height


@dataclass(frozen=True, slots=True, kw_only=True)
class Setting:
    """One thing the maker may decide.

    Attributes:
        key: in job.toml, unit last.
        option: on the command line, without dashes.
        place: room and field in the `Job`.
        read: text of the command line to value.
        group, metavar, help: for `--help`.
    """

    key: str
    option: str
    place: tuple[str, str]
    read: Callable[[str], object]
    group: str
    metavar: str
    help: str


SIZE, PICTURE, LINES, METAL, TORCH, PAPER, COST = (
    "size and outer edge",
    "the picture and how it is read",
    "how true the lines are",
    "holding it together",
    "the torch",
    "full size on paper",
    "what it costs (best kept in your habits.toml)",
)

SETTINGS = (
    Setting(
        key="width_mm",
        option="width",
        place=("size", "width_mm"),
        read=length_mm,
        group=SIZE,
        metavar="MM",
        help="width of the finished sign, border included: 600, 60cm, 24in (default 600)",
    ),
    Setting(
        key="height_mm",
        option="height",
        place=("size", "height_mm"),
        read=length_mm,
        group=SIZE,
        metavar="MM",
        help="or its height",
    ),
    Setting(
        key="border",
        option="border",
        place=("size", "border"),
        read=choice(Border),
        group=SIZE,
        metavar="EDGE",
        help="none, rect, round, oval, drawn (a line of the drawing) or sheet",
    ),
    Setting(
        key="margin_mm",
        option="margin",
        place=("size", "margin_mm"),
        read=length_mm,
        group=SIZE,
        metavar="MM",
        help="from the art to the border (default 25)",
    ),
    Setting(
        key="sheet_mm",
        option="sheet",
        place=("size", "sheet_mm"),
        read=size_mm,
        group=SIZE,
        metavar="WxH",
        help="the blank on the table",
    ),
    Setting(
        key="paper_mm",
        option="paper",
        place=("photo", "paper_mm"),
        read=paper_mm,
        group=PICTURE,
        metavar="SIZE",
        help="a whole sheet of paper is in the picture (a4, letter, … or WxH): square it up, "
        "take the scale from it",
    ),
    Setting(
        key="paper_corners_px",
        option="paper-corners",
        place=("photo", "corners_px"),
        read=numbers,
        group=PICTURE,
        metavar="X,Y,…",
        help="the sheet's four corners in picture pixels, where it was not found by itself",
    ),
    Setting(
        key="scale",
        option="scale",
        place=("photo", "scale"),
        read=scale_px_mm,
        group=PICTURE,
        metavar="X1,Y1,X2,Y2=LENGTH",
        help="two points in picture pixels and the length between them; or card: a bank card lies "
        "on the paper",
    ),
    Setting(
        key="ink",
        option="ink",
        place=("ink", "tone"),
        read=choice(Tone),
        group=PICTURE,
        metavar="TONE",
        help="what was drawn with: dark, or light on a dark ground (default: guessed)",
    ),
    Setting(
        key="paper_lines",
        option="paper-lines",
        place=("ink", "paper_lines"),
        read=choice(PaperLines),
        group=PICTURE,
        metavar="HOW",
        help="ruled or squared lines of the paper: auto takes them out, keep does not",
    ),
    Setting(
        key="falls",
        option="falls",
        place=("ink", "falls"),
        read=whole_numbers,
        group=PICTURE,
        metavar="N,N,…",
        help="numbers of the flat colours that fall out, as listed below the first line",
    ),
    Setting(
        key="falls_darker_than",
        option="falls-darker-than",
        place=("ink", "falls_darker_than"),
        read=percent,
        group=PICTURE,
        metavar="PERCENT",
        help="what is darker than this falls out, for a picture of many tones (0 black, 100 white)",
    ),
    Setting(
        key="read",
        option="read",
        place=("reading", "read"),
        read=choice(Read),
        group=PICTURE,
        metavar="HOW",
        help="solid, edge, slit or bar (default: guessed, the reason is printed)",
    ),
    Setting(
        key="dark",
        option="dark",
        place=("reading", "dark"),
        read=choice(Dark),
        group=PICTURE,
        metavar="WHAT",
        help="what dark areas are: metal or opening",
    ),
    Setting(
        key="organic_tolerance_mm",
        option="organic-tolerance",
        place=("fit", "organic_tolerance_mm"),
        read=length_mm,
        group=LINES,
        metavar="MM",
        help="how far a flowing edge may leave the drawn one (default 1.0: a ceiling, no target)",
    ),
    Setting(
        key="lettering_tolerance_mm",
        option="lettering-tolerance",
        place=("fit", "lettering_tolerance_mm"),
        read=length_mm,
        group=LINES,
        metavar="MM",
        help="the same for letters and ruled edges (default 0.25)",
    ),
    Setting(
        key="looseness",
        option="loose",
        place=("fit", "looseness"),
        read=share,
        group=LINES,
        metavar="0..1",
        help="draw flowing edges smoother than they were drawn (default 0: as drawn)",
    ),
    Setting(
        key="letter_corners",
        option="letter-corners",
        place=("fit", "letter_corners"),
        read=choice(LetterCorners),
        group=LINES,
        metavar="HOW",
        help="crisp, or eased: keep small fillets in the corners of letters",
    ),
    Setting(
        key="ties",
        option="ties",
        place=("ties", "mode"),
        read=choice(TieMode),
        group=METAL,
        metavar="HOW",
        help="auto, or none: leave islands loose, mark them, and stamp it NOT READY TO CUT",
    ),
    Setting(
        key="tie_width_mm",
        option="tie-width",
        place=("ties", "width_mm"),
        read=length_mm,
        group=METAL,
        metavar="MM",
        help="as drawn (default 6; never under 5 or twice the sheet's thickness)",
    ),
    Setting(
        key="tie_fillet_mm",
        option="tie-fillet",
        place=("ties", "fillet_mm"),
        read=length_mm,
        group=METAL,
        metavar="MM",
        help="radius where a tie meets an edge (default 0: a sharp corner)",
    ),
    Setting(
        key="least_web_mm",
        option="least-web",
        place=("ties", "least_web_mm"),
        read=length_mm,
        group=METAL,
        metavar="MM",
        help="narrowest metal between two cuts (default 5 or three thicknesses)",
    ),
    Setting(
        key="thin",
        option="thin",
        place=("ties", "thin"),
        read=choice(Thin),
        group=METAL,
        metavar="HOW",
        help="metal thinner than that: tell, or widen: move flowing edges apart, by no more than "
        "--organic-tolerance",
    ),
    Setting(
        key="thickness_mm",
        option="thickness",
        place=("ties", "thickness_mm"),
        read=length_mm,
        group=METAL,
        metavar="MM",
        help="of the sheet (default 1.5)",
    ),
    Setting(
        key="material",
        option="material",
        place=("ties", "material"),
        read=choice(Material),
        group=METAL,
        metavar="WHAT",
        help="of the sheet: mild (default), galvanised, stainless or aluminium: for gauge, "
        "strength, weight and heat",
    ),
    Setting(
        key="blunt_mm",
        option="blunt",
        place=("ties", "blunt_mm"),
        read=length_mm,
        group=METAL,
        metavar="MM",
        help="radius of needle tips of metal (default 1.5; 0 leaves them as drawn)",
    ),
    Setting(
        key="n_holes",
        option="holes",
        place=("size", "n_holes"),
        read=count,
        group=METAL,
        metavar="N",
        help="mounting holes, 1 or 2, where the sign hangs level (default none)",
    ),
    Setting(
        key="hole_mm",
        option="hole-size",
        place=("size", "hole_mm"),
        read=length_mm,
        group=METAL,
        metavar="MM",
        help="diameter of a mounting hole (default 6)",
    ),
    Setting(
        key="read_from_mm",
        option="read-from",
        place=("size", "read_from_mm"),
        read=length_mm,
        group=METAL,
        metavar="DISTANCE",
        help="how far away the lettering is to be read, such as 12m: told where it is too small",
    ),
    Setting(
        key="kerf_mm",
        option="kerf",
        place=("torch", "kerf_mm"),
        read=length_mm,
        group=TORCH,
        metavar="MM",
        help="width that the arc removes (default 1.5; measure your own); 0: torch line = edge",
    ),
    Setting(
        key="cleanup_mm",
        option="cleanup",
        place=("torch", "cleanup_mm"),
        read=length_mm,
        group=TORCH,
        metavar="MM",
        help="left on to be ground away (default: lettering 0.5 in openings over 12 mm, else 0)",
    ),
    Setting(
        key="pull_mm",
        option="pull",
        place=("torch", "pull_mm"),
        read=length_mm,
        group=TORCH,
        metavar="MM",
        help="how long a cut you make in one go; longer ones get rests (default 400)",
    ),
    Setting(
        key="narrow",
        option="narrow",
        place=("torch", "narrow"),
        read=choice(Narrow),
        group=TORCH,
        metavar="HOW",
        help="slots less than 3.2 mm wider than the kerf: two-passes (default; the sliver melts), "
        "one-pass (as wide as the kerf), or open (5 mm wide, where there is metal to spare)",
    ),
    Setting(
        key="return_mm",
        option="return",
        place=("torch", "return_mm"),
        read=length_mm,
        group=TORCH,
        metavar="MM",
        help="loops shorter than this whose start is still hot are left open by a bit, and closed "
        "later as a cut of their own; 100 does for most (default 0: none)",
    ),
    Setting(
        key="swirl",
        option="swirl",
        place=("torch", "swirl"),
        read=choice(Swirl),
        group=TORCH,
        metavar="SIDE",
        help="where your torch leaves the square edge: right of its travel (default), or left",
    ),
    Setting(
        key="tip_radius_mm",
        option="tip-radius",
        place=("aids", "tip_radius_mm"),
        read=length_mm,
        group=TORCH,
        metavar="MM",
        help="from the middle of the arc to the side of the tip that runs along a bar (default 5)",
    ),
    Setting(
        key="clamp_throat_mm",
        option="clamp-throat",
        place=("aids", "clamp_throat_mm"),
        read=length_mm,
        group=TORCH,
        metavar="MM",
        help="how far in from an edge the work clamp reaches (default 50)",
    ),
    Setting(
        key="order",
        option="order",
        place=("order", "how"),
        read=choice(OrderHow),
        group=TORCH,
        metavar="HOW",
        help="planned (by heat: the sheet should bow less, on paper), near, sweep or small-first",
    ),
    Setting(
        key="reach_mm",
        option="reach",
        place=("order", "reach_mm"),
        read=length_mm,
        group=TORCH,
        metavar="MM",
        help="how far the torch goes from where one stands (default 600)",
    ),
    Setting(
        key="hand",
        option="hand",
        place=("order", "hand"),
        read=choice(Hand),
        group=TORCH,
        metavar="SIDE",
        help="the hand that holds the torch, right (default) or left: which way slits are pulled, "
        "where the arm lies",
    ),
    Setting(
        key="table_mm",
        option="table",
        place=("order", "table_mm"),
        read=size_mm,
        group=TORCH,
        metavar="WxH",
        help="the table, the blank in its middle (default: one stands at the blank itself)",
    ),
    Setting(
        key="walls",
        option="walls",
        place=("order", "walls"),
        read=sides,
        group=TORCH,
        metavar="SIDE,…",
        help="sides of the table where nobody can stand: left, top, right, bottom",
    ),
    Setting(
        key="amps",
        option="amps",
        place=("tally", "amps"),
        read=amperes,
        group=TORCH,
        metavar="A",
        help="current of the torch, for the job sheet (default 30)",
    ),
    Setting(
        key="speed_mm_min",
        option="speed",
        place=("order", "speed_mm_min"),
        read=amount,
        group=TORCH,
        metavar="MM/MIN",
        help="how fast your hand goes: time and heat follow from it (default 1500)",
    ),
    Setting(
        key="heat_j_mm",
        option="heat",
        place=("order", "heat_j_mm"),
        read=amount,
        group=TORCH,
        metavar="J/MM",
        help="heat that each mm of cut leaves in the sheet (default 13.3 for each mm of thickness; "
        "an estimate, half as much or half more)",
    ),
    Setting(
        key="duty_percent",
        option="duty",
        place=("tally", "duty_percent"),
        read=percent,
        group=TORCH,
        metavar="%",
        help="how much of ten minutes your machine may run at that current (default 35)",
    ),
    Setting(
        key="air_l_min",
        option="air",
        place=("tally", "air_l_min"),
        read=amount,
        group=TORCH,
        metavar="L/MIN",
        help="free air that your torch takes, as its manual says (default 170, from 60 A on 235)",
    ),
    Setting(
        key="pages_mm",
        option="pages",
        place=("print", "pages_mm"),
        read=paper_mm,
        group=PAPER,
        metavar="SIZE",
        help="pages.pdf: full size on sheets of paper to tape together (a4, letter, a3, …, WxH)",
    ),
    Setting(
        key="units",
        option="units",
        place=("print", "units"),
        read=choice(Units),
        group=PAPER,
        metavar="UNIT",
        help="what words, pages and rules are in: mm or in (a plain number that you give is mm "
        "all the same; say 24in)",
    ),
    Setting(
        key="show",
        option="show",
        place=("print", "show"),
        read=choice(Show),
        group=PAPER,
        metavar="SIDE",
        help="top, or under: pages mirrored, to mark the underside",
    ),
    Setting(
        key="mark_out",
        option="mark-out",
        place=("print", "mark_out"),
        read=choice(MarkOut),
        group=PAPER,
        metavar="HOW",
        help="pen, or punch: show where a prick punch goes, and tell count and minutes",
    ),
    Setting(
        key="colours",
        option="colours",
        place=("print", "colours"),
        read=choice(Ground),
        group=PAPER,
        metavar="GROUND",
        help="of guides.svg: paper, or steel for throwing it onto lit steel (white on black)",
    ),
    Setting(
        key="hour_rate",
        option="hour-rate",
        place=("cost", "hour_rate"),
        read=amount,
        group=COST,
        metavar="N",
        help="for an hour of work, in your money",
    ),
    Setting(
        key="kg_rate",
        option="kg-rate",
        place=("cost", "kg_rate"),
        read=amount,
        group=COST,
        metavar="N",
        help="for a kilogram of sheet",
    ),
    Setting(
        key="set_rate",
        option="set-rate",
        place=("cost", "set_rate"),
        read=amount,
        group=COST,
        metavar="N",
        help="for a set of consumables",
    ),
    Setting(
        key="setup_min",
        option="setup-min",
        place=("cost", "setup_min"),
        read=amount,
        group=COST,
        metavar="N",
        help="minutes to set up a job",
    ),
    Setting(
        key="marking_min_m",
        option="marking-min-m",
        place=("cost", "marking_min_m"),
        read=amount,
        group=COST,
        metavar="N",
        help="minutes of marking out, each metre of cut",
    ),
    Setting(
        key="cleanup_min_m",
        option="cleanup-min-m",
        place=("cost", "cleanup_min_m"),
        read=amount,
        group=COST,
        metavar="N",
        help="minutes of grinding, each metre of edge on one side",
    ),
    Setting(
        key="finish_min",
        option="finish-min",
        place=("cost", "finish_min"),
        read=amount,
        group=COST,
        metavar="N",
        help="minutes to finish a sign",
    ),
    Setting(
        key="hours_a_metre",
        option="hours-a-metre",
        place=("cost", "hours_a_metre"),
        read=amount,
        group=COST,
        metavar="N",
        help="hours that your last jobs took, each metre (kept by go-on --took)",
    ),
)

BY_KEY: Mapping[str, Setting] = {setting.key: setting for setting in SETTINGS}


@dataclass(frozen=True, slots=True)
class Said:
    """What the maker said: values by key, and lettering, which is a word or boxes."""

    values: Mapping[str, object] = field(default_factory=dict)
    lettering: LetteringRules | None = None


def with_said(job: Job, said: Said) -> Job:
    """The job with what was said put in place; a width takes the place of a height, and back.

    Raises:
        UsageError: a value out of range, or two that exclude each other.
    """
    values = dict(said.values)
    if ("width_mm" in values) != ("height_mm" in values):
        values.setdefault("width_mm", None)
        values.setdefault("height_mm", None)
    by_room: dict[str, dict[str, object]] = {}
    for key, value in values.items():
        room, name = BY_KEY[key].place
        by_room.setdefault(room, {})[name] = value
    if "kerf_mm" in values:  # slits take the kerf from the metal that ties have to hold
        by_room.setdefault("ties", {})["kerf_mm"] = values["kerf_mm"]
    if "thickness_mm" in values:  # one sheet: what holds it, how it bows, what it weighs
        for room in ("order", "tally", "aids", "torch"):
            by_room.setdefault(room, {})["thickness_mm"] = values["thickness_mm"]
    if "organic_tolerance_mm" in values:  # what the fit may leave, an edge may be moved by
        by_room.setdefault("ties", {})["give_mm"] = values["organic_tolerance_mm"]
    if "material" in values:
        for room in ("order", "tally", "aids", "torch"):
            by_room.setdefault(room, {})["material"] = values["material"]
    if "duty_percent" in values:
        by_room.setdefault("order", {})["duty_percent"] = values["duty_percent"]
    if "speed_mm_min" in values:
        for room in ("tally", "torch"):
            by_room.setdefault(room, {})["speed_mm_min"] = values["speed_mm_min"]
    if "heat_j_mm" in values:
        by_room.setdefault("torch", {})["heat_j_mm"] = values["heat_j_mm"]
    rules: dict[str, object] = {
        room: replace(getattr(job, room), **changes) for room, changes in by_room.items()
    }
    if said.lettering is not None:
        rules["lettering"] = said.lettering
    return replace(job, **rules)  # type: ignore[arg-type]  # the room's name decides the class


def value_of(job: Job, setting: Setting) -> object:
    """What the job has for a setting."""
    room, name = setting.place
    return getattr(getattr(job, room), name)


def to_toml(value: object) -> TomlValue:
    """A setting's value as TOML holds it."""
    if isinstance(value, Enum):
        return str(value.value)
    if isinstance(value, tuple):
        if any(isinstance(part, Enum) for part in value):
            return ",".join(str(part.value) for part in value)
        return [float(part) for part in value]
    if isinstance(value, (int, float)):
        return float(value)
    raise TypeError(f"expected a number, a size or a word, not {value!r}")


def from_toml(setting: Setting, value: object) -> object:
    """A setting's value from what TOML holds, checked by the same reader as the option.

    Raises:
        UsageError: a value of the wrong kind.
    """
    if isinstance(value, list):
        sign = "x" if setting.read in (size_mm, paper_mm) else ","
        return setting.read(sign.join(str(part) for part in value))
    if isinstance(value, bool) or not isinstance(value, (str, int, float)):
        raise UsageError(f"{setting.key} = {value!r} makes no sense there")
    return setting.read(str(value))


def as_words(value: object) -> str:
    """A setting's value for a line of text."""
    toml = to_toml(value)
    if isinstance(toml, list):
        return (" x " if len(toml) == 2 else ", ").join(f"{part:g}" for part in toml)
    return f"{toml:g}" if isinstance(toml, float) else toml


def lettering_words(rules: LetteringRules) -> list[str]:
    """The lettering rules as the words that make them."""
    if rules.boxes_px:
        return [",".join(f"{part:g}" for part in box) for box in rules.boxes_px]
    return [rules.mode.value]
