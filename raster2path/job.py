"""What the maker decides: one frozen class of rules per room."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import Enum

from raster2path.errors import UsageError
from raster2path.material import Material
from raster2path.model import Border, Dark, Read
from raster2path.units import Units


class LetteringMode(Enum):
    """Which edges are lettering, where no box says so."""

    AUTO = "auto"
    ALL = "all"
    NONE = "none"


class TieMode(Enum):
    """Whether islands are tied."""

    AUTO = "auto"
    NONE = "none"


class Thin(Enum):
    """What is done about metal between two cuts that is thinner than the least web."""

    TELL = "tell"
    WIDEN = "widen"


class LetterCorners(Enum):
    """What becomes of corners of letters that were drawn with a small fillet."""

    CRISP = "crisp"
    EASED = "eased"


class Ground(Enum):
    """What the lines of the guides are shown on, which decides their colours."""

    PAPER = "paper"
    STEEL = "steel"


class MarkOut(Enum):
    """What lines are put onto the steel with."""

    PEN = "pen"
    PUNCH = "punch"


class Show(Enum):
    """From which side the sheet is marked."""

    TOP = "top"
    UNDER = "under"


class Tone(Enum):
    """What was drawn with."""

    DARK = "dark"
    LIGHT = "light"


class OrderHow(Enum):
    """How the order of cuts is chosen; what must come first always does."""

    PLANNED = "planned"
    NEAR = "near"
    SWEEP = "sweep"
    SMALL_FIRST = "small-first"


class Narrow(Enum):
    """What becomes of openings so narrow that the sliver between two passes melts."""

    TWO_PASSES = "two-passes"
    ONE_PASS = "one-pass"  # noqa: S105 (of the torch)
    OPEN = "open"


class Swirl(Enum):
    """On which side of its travel the torch leaves the good, square edge."""

    RIGHT = "right"
    LEFT = "left"


class Hand(Enum):
    """The hand that holds the torch."""

    RIGHT = "right"
    LEFT = "left"


class Side(Enum):
    """A side of the table."""

    LEFT = "left"
    TOP = "top"
    RIGHT = "right"
    BOTTOM = "bottom"


class PaperLines(Enum):
    """What happens to lines printed on the paper."""

    AUTO = "auto"
    KEEP = "keep"


class Scale(Enum):
    """What in the picture has a known size."""

    CARD = "card"


def check_range(what: str, value: float, low: float, high: float, unit: str = "mm") -> None:
    """Raise `UsageError` unless low <= value <= high."""
    if not low <= value <= high:
        raise UsageError(f"{what} is {value:g} {unit}; expected {low:g} to {high:g} {unit}")


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotoRules:
    """How the picture is opened.

    Attributes:
        paper_mm: width and height of the sheet of paper in the picture (either way round), or
            None: squared up if a sheet is clearly there, no scale taken from it.
        corners_px: x and y of the sheet's four corners, eight numbers, in pixels of the upright
            original picture, in any order; None: they are looked for.
        scale: x and y of two points in pixels of the upright original picture, and how many
            millimetres lie between them, or the bank card that lies on the paper; it is taken
            before the paper's own size.
    """

    paper_mm: tuple[float, float] | None = None
    corners_px: tuple[float, ...] | None = None
    scale: tuple[float, ...] | Scale | None = None

    def __post_init__(self) -> None:
        for side in self.paper_mm or ():
            check_range("--paper side", side, 20, 5000)
        if self.corners_px is not None and len(self.corners_px) != 8:
            raise UsageError(
                f"--paper-corners has {len(self.corners_px)} numbers; expected x,y of four corners"
            )
        if isinstance(self.scale, tuple):
            if len(self.scale) != 5:
                raise UsageError("--scale needs two points and a length: x1,y1,x2,y2=LENGTH")
            check_range("--scale length", self.scale[4], 1, 20000)


@dataclass(frozen=True, slots=True, kw_only=True)
class InkRules:
    """What counts as ink.

    Attributes:
        tone: dark on pale, or light on dark (chalk on slate); None: guessed.
        paper_lines: whether ruled or squared lines are taken out.
        falls: numbers of a flat picture's colours that fall out, the largest area being 1.
        falls_darker_than: lightness in percent below which a tone picture falls out.
    """

    tone: Tone | None = None
    paper_lines: PaperLines = PaperLines.AUTO
    falls: tuple[float, ...] | None = None
    falls_darker_than: float | None = None

    def __post_init__(self) -> None:
        if self.falls is not None and self.falls_darker_than is not None:
            raise UsageError("both --falls and --falls-darker-than are given; expected one")
        if self.falls_darker_than is not None:
            check_range("--falls-darker-than", self.falls_darker_than, 1, 99, "%")

    @property
    def says_falls(self) -> bool:
        """True where the maker said what falls out, so that nothing is left to be read."""
        return self.falls is not None or self.falls_darker_than is not None


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadingRules:
    """How ink becomes metal; None where it is to be guessed or follows from the rest."""

    read: Read | None = None
    dark: Dark | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SizeRules:
    """Size of the finished sign, its outer edge and the blank.

    Attributes:
        width_mm, height_mm: one of them, of the metal's box, border included; neither: 600 mm
            wide, or true to the paper where its size is known.
        border: None: follows from the reading.
        margin_mm: from the art's box to the border's outer edge. 25: a hand's breadth would
            waste steel, less than 20 buckles when the border is cut. Common practice, no source.
        sheet_mm: the blank, or None.
        n_holes: how many mounting holes; they are placed so that the sign hangs level.
        hole_mm: diameter of a mounting hole.
        read_from_mm: from how far the lettering is to be read, or None.
    """

    width_mm: float | None = None
    height_mm: float | None = None
    border: Border | None = None
    margin_mm: float = 25.0
    sheet_mm: tuple[float, float] | None = None
    n_holes: int = 0
    hole_mm: float = 6.0
    read_from_mm: float | None = None

    def __post_init__(self) -> None:
        if self.width_mm is not None and self.height_mm is not None:
            raise UsageError("both --width and --height are given; one follows from the other")
        for name, value in (("--width", self.width_mm), ("--height", self.height_mm)):
            if value is not None:
                check_range(name, value, 10, 20000)
        check_range("--margin", self.margin_mm, 0, 2000)
        check_range("--holes", self.n_holes, 0, 2, "holes")
        check_range("--hole-size", self.hole_mm, 2, 60)
        if self.read_from_mm is not None:
            check_range("--read-from", self.read_from_mm, 300, 1_000_000)
        for side in self.sheet_mm or ():
            check_range("--sheet side", side, 50, 20000)
        if self.border is Border.SHEET and self.sheet_mm is None:
            raise UsageError("--border sheet needs the blank's size; add --sheet WxH")


@dataclass(frozen=True, slots=True, kw_only=True)
class LetteringRules:
    """Which edges are lettering.

    Attributes:
        boxes_px: x, y, width, height in pixels of the upright original picture; what lies in
            one is lettering, and where there are boxes, nothing else is.
    """

    mode: LetteringMode = LetteringMode.AUTO
    boxes_px: tuple[tuple[float, float, float, float], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class FitRules:
    """How drawn edges become lines and curves.

    Attributes:
        organic_tolerance_mm: how far a flowing edge may leave the drawn one; a ceiling, no target.
        lettering_tolerance_mm: the same for letters and ruled edges.
        looseness: how much smoother than measured flowing edges are drawn, 0 to 1.
        letter_corners: what becomes of small fillets in corners of letters.
    """

    organic_tolerance_mm: float = 1.0
    lettering_tolerance_mm: float = 0.25
    looseness: float = 0.0
    letter_corners: LetterCorners = LetterCorners.CRISP

    def __post_init__(self) -> None:
        check_range("--loose", self.looseness, 0, 1, "of 1")
        check_range("--organic-tolerance", self.organic_tolerance_mm, 0.01, 50)
        check_range("--lettering-tolerance", self.lettering_tolerance_mm, 0.01, 50)


@dataclass(frozen=True, slots=True, kw_only=True)
class PrintRules:
    """What is printed full size.

    Attributes:
        pages_mm: size of the sheets of paper, either way round; None: no pages.
        show: which side of the blank they are for; seen from under they are mirrored.
        mark_out: with a punch, the guides have a layer of punch marks.
        colours: of the guides as SVG; what is printed has those for paper.
        units: of all words and rules.
    """

    pages_mm: tuple[float, float] | None = None
    show: Show = Show.TOP
    mark_out: MarkOut = MarkOut.PEN
    colours: Ground = Ground.PAPER
    units: Units = Units.MM


@dataclass(frozen=True, slots=True, kw_only=True)
class TieRules:
    """How metal is held.

    Attributes:
        width_mm: as drawn; a hand wanders 1.6 mm a side, so 6 leaves about 3.
        thickness_mm: of the sheet, for the least width of a tie, and web.
        least_web_mm: None: the larger of three thicknesses and 5 mm.
        kerf_mm: width that the arc removes (a slit takes this from the metal).
        fillet_mm: radius where a tie meets an edge; 0: a sharp corner.
        thin: what is done about metal thinner than the least web.
        give_mm: how far a flowing edge may move to make it wider.
        material: of the sheet.
        blunt_mm: radius of needle tips of metal, which melt back and cut people; 0: as drawn.
    """

    mode: TieMode = TieMode.AUTO
    width_mm: float = 6.0
    thickness_mm: float = 1.5
    least_web_mm: float | None = None
    kerf_mm: float = 1.5
    blunt_mm: float = 1.5
    material: Material = Material.MILD
    fillet_mm: float = 0.0
    thin: Thin = Thin.TELL
    give_mm: float = 1.0

    def __post_init__(self) -> None:
        check_range("--thickness", self.thickness_mm, 0.3, 25)
        check_range("--tie-width", self.width_mm, 0.5, 200)
        check_range("--blunt", self.blunt_mm, 0, 20)
        check_range("--tie-fillet", self.fillet_mm, 0, 20)
        if self.least_web_mm is not None:
            check_range("--least-web", self.least_web_mm, 0.1, 200)

    @property
    def least_tie_mm(self) -> float:
        """No tie is drawn narrower: 5 mm, or the tab rule max(2 t, 3.2 mm), if that is more."""
        return max(5.0, 2 * self.thickness_mm, 3.2)

    @property
    def tie_mm(self) -> float:
        """Width of a tie as drawn."""
        return max(self.width_mm, self.least_tie_mm)

    @property
    def web_mm(self) -> float:
        """Narrowest metal accepted between two cuts."""
        return self.least_web_mm if self.least_web_mm is not None else max(3 * self.thickness_mm, 5)


@dataclass(frozen=True, slots=True, kw_only=True)
class TorchRules:
    """The torch and the hand that holds it.

    Attributes:
        kerf_mm: 0 is allowed; then the torch line is the edge.
        cleanup_mm: None: lettering 0.5 mm where the opening is wider than 12 mm, else 0;
            organic 0.
        pull_mm: how long a cut one makes in one go; longer ones get rests. Common practice, no
            source: the coupon's freehand line tells.
        swirl: the good edge lies right of travel with most torches; left turns all loops round.
        return_mm: loops shorter than this whose start is still hot are closed later, as a step of
            their own; 0: none.
        thickness_mm, material, speed_mm_min, heat_j_mm: what tells how hot a start still is.
        narrow: slots less than 3.2 mm wider than the kerf: along both edges, in one pass, or made
            wider where there is metal.
    """

    kerf_mm: float = 1.5
    cleanup_mm: float | None = None
    pull_mm: float = 400.0
    swirl: Swirl = Swirl.RIGHT
    narrow: Narrow = Narrow.TWO_PASSES
    return_mm: float = 0.0
    thickness_mm: float = 1.5
    material: Material = Material.MILD
    speed_mm_min: float = 1500.0
    heat_j_mm: float | None = None

    def __post_init__(self) -> None:
        check_range("--kerf", self.kerf_mm, 0, 10)
        if self.cleanup_mm is not None:
            check_range("--cleanup", self.cleanup_mm, 0, 10)
        check_range("--pull", self.pull_mm, 50, 100_000)
        check_range("--return", self.return_mm, 0, 10_000)


@dataclass(frozen=True, slots=True, kw_only=True)
class OrderRules:
    """How the order of cuts is chosen, and what it is planned for.

    Attributes:
        how: planned: so that the sheet bows and walking costs little, by the heat model; near:
            the nearest pierce next; sweep: left to right; small-first: by length of cut.
        reach_mm: how far the torch goes from where one stands.
        table_mm: width and height of the table, the blank in its middle; None: the blank's own.
        walls: sides of the table where nobody can stand.
        thickness_mm: of the sheet.
        speed_mm_min: of the hand. Common practice, no source.
        heat_j_mm: heat that each mm of cut leaves in the sheet; None: 13.3 J for each mm of
            thickness, which nobody has measured for a hand torch.
        material: of the sheet.
        hand: that holds the torch.
        duty_percent: of ten minutes, what the machine may run: pauses are planned in its rest.
    """

    how: OrderHow = OrderHow.PLANNED
    reach_mm: float = 600.0
    table_mm: tuple[float, float] | None = None
    walls: tuple[Side, ...] | None = None
    thickness_mm: float = 1.5
    speed_mm_min: float = 1500.0
    heat_j_mm: float | None = None
    material: Material = Material.MILD
    hand: Hand = Hand.RIGHT
    duty_percent: float = 35.0

    def __post_init__(self) -> None:
        check_range("--reach", self.reach_mm, 100, 3000)
        for side in self.table_mm or ():
            check_range("--table side", side, 50, 20000)
        if len(set(self.walls or ())) == len(Side):
            raise UsageError("--walls names all four sides; expected one or more left to stand at")
        check_range("--speed", self.speed_mm_min, 100, 20000, "mm/min")
        if self.heat_j_mm is not None:
            check_range("--heat", self.heat_j_mm, 0, 1000, "J/mm")


@dataclass(frozen=True, slots=True, kw_only=True)
class AidRules:
    """What helps the hand.

    Attributes:
        tip_radius_mm: from the middle of the arc to the side of the tip that runs along a bar.
        clamp_throat_mm: how far in from an edge the work clamp reaches.
        thickness_mm, material: of the sheet.
    """

    tip_radius_mm: float = 5.0
    clamp_throat_mm: float = 50.0
    thickness_mm: float = 1.5
    material: Material = Material.MILD

    def __post_init__(self) -> None:
        check_range("--tip-radius", self.tip_radius_mm, 0, 100)
        check_range("--clamp-throat", self.clamp_throat_mm, 5, 1000)

    @property
    def kg_mm2(self) -> float:
        """Mass of a square millimetre of sheet."""
        return self.material.stock.density_kg_mm3 * self.thickness_mm


@dataclass(frozen=True, slots=True, kw_only=True)
class TallyRules:
    """What the job sheet reckons with.

    Attributes:
        amps: current of the torch; tells the shade of the helmet's filter.
        thickness_mm: of the sheet.
        material: of the sheet.
        speed_mm_min: of the hand. Common practice, no source.
        duty_percent: of ten minutes, what the machine may run at this current; its plate says it.
        air_l_min: free air that the torch takes, as its manual says; None: by its current.
    """

    amps: float = 30.0
    thickness_mm: float = 1.5
    material: Material = Material.MILD
    speed_mm_min: float = 1500.0
    duty_percent: float = 35.0
    air_l_min: float | None = None

    def __post_init__(self) -> None:
        check_range("--amps", self.amps, 5, 800, "A")
        check_range("--duty", self.duty_percent, 5, 100, "%")
        if self.air_l_min is not None:
            check_range("--air", self.air_l_min, 20, 1000, "l/min")


@dataclass(frozen=True, slots=True, kw_only=True)
class CostRules:
    """What work and goods cost this maker; None: not set, and so no price for it.

    Attributes:
        hour_rate: for an hour of work; kg_rate: for a kilogram of sheet; set_rate: for a set of
            consumables; all in the maker's own money.
        setup_min, finish_min: minutes for each job.
        marking_min_m: minutes of marking out for each metre of cut.
        cleanup_min_m: minutes of grinding for each metre of edge on one side.
        hours_a_metre: what the last jobs took in all, for each metre of cut.
    """

    hour_rate: float | None = None
    kg_rate: float | None = None
    set_rate: float | None = None
    setup_min: float | None = None
    marking_min_m: float | None = None
    cleanup_min_m: float | None = None
    finish_min: float | None = None
    hours_a_metre: float | None = None

    def __post_init__(self) -> None:
        for name in self.__dataclass_fields__:
            value = getattr(self, name)
            if value is not None:
                check_range(f"--{name.replace('_', '-')}", value, 0, 1e6, "")


@dataclass(frozen=True, slots=True, kw_only=True)
class Corrections:
    """What was corrected by hand, anchored in pixels of the upright original picture.

    Later stages add their own; each is a place and a kind, never a ring or tie number.
    """

    lettering_boxes_px: tuple[tuple[float, float, float, float], ...] = ()
    organic_boxes_px: tuple[tuple[float, float, float, float], ...] = ()
    order_px: tuple[tuple[float, float], ...] = ()
    """Places on cuts, in the order in which those are made; the others follow."""
    ties_px: tuple[tuple[float, float], ...] = ()
    """Places of ties that were added, or moved there."""
    no_ties_px: tuple[tuple[float, float, float, float], ...] = ()
    """Boxes that ties keep out of."""
    wide_ties_px_mm: tuple[tuple[float, float, float], ...] = ()
    """Places of ties, and how wide each is to be, in mm."""
    geometric_boxes_px: tuple[tuple[float, float, float, float], ...] = ()
    lettering_px: tuple[tuple[float, float], ...] = ()
    """Places on edges: the whole edge nearest to each is lettering, organic or geometric."""
    organic_px: tuple[tuple[float, float], ...] = ()
    geometric_px: tuple[tuple[float, float], ...] = ()
    falls_px: tuple[tuple[float, float], ...] = ()
    """Places in faces that fall out, whatever the drawing says; `stays_px`: that stay."""
    stays_px: tuple[tuple[float, float], ...] = ()
    ink_px: tuple[tuple[float, ...], ...] = ()
    """Strokes of a brush, first to last: its width, above 0 to paint ink in and below 0 to rub it
    out, then x and y of each point."""
    done_px: tuple[tuple[float, float], ...] = ()
    """Places on cuts that are made already."""
    lost_ties_px: tuple[tuple[float, float], ...] = ()
    """Places of ties that the torch has cut through."""
    lettering_loops_px: tuple[tuple[float, ...], ...] = ()
    """Loops drawn round edges, x and y of each point: all in one is lettering, organic, ruled,
    or followed more loosely or more strictly than the rest."""
    organic_loops_px: tuple[tuple[float, ...], ...] = ()
    geometric_loops_px: tuple[tuple[float, ...], ...] = ()
    looser_loops_px: tuple[tuple[float, ...], ...] = ()
    stricter_loops_px: tuple[tuple[float, ...], ...] = ()
    moved_points_px: tuple[tuple[float, float, float, float], ...] = ()
    """Points of fitted edges, and where each was moved."""
    no_points_px: tuple[tuple[float, float], ...] = ()
    """Points of fitted edges that were taken out."""
    turned_px: tuple[tuple[float, float], ...] = ()
    """Places on cuts that are travelled the other way round."""
    strayed_px: tuple[tuple[float, float], ...] = ()
    """How far the torch came where it left its line."""

    def only(self, *names: str) -> Corrections:
        """Just those with these names."""
        return Corrections(**{name: getattr(self, name) for name in names})


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """One sign: its picture, every decision, and the corrections by hand."""

    name: str
    date: str
    photo: PhotoRules = field(default_factory=PhotoRules)
    ink: InkRules = field(default_factory=InkRules)
    reading: ReadingRules = field(default_factory=ReadingRules)
    size: SizeRules = field(default_factory=SizeRules)
    lettering: LetteringRules = field(default_factory=LetteringRules)
    fit: FitRules = field(default_factory=FitRules)
    ties: TieRules = field(default_factory=TieRules)
    torch: TorchRules = field(default_factory=TorchRules)
    order: OrderRules = field(default_factory=OrderRules)
    aids: AidRules = field(default_factory=AidRules)
    print: PrintRules = field(default_factory=PrintRules)
    tally: TallyRules = field(default_factory=TallyRules)
    cost: CostRules = field(default_factory=CostRules)
    corrections: Corrections = field(default_factory=Corrections)
