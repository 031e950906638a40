"""The nouns that stages hand on, in the order of the road. All are frozen; units end their names.

Arrays in nouns are read-only. Millimetres are those of the sheet from `Outlines` and `StrokeNet`
on: the door to millimetres (`picture.door`) sets scale and position once, and every later stage
uses the same coordinates, x right and y down, seen from the side the torch works on.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, field, replace
from enum import Enum

import numpy as np
import numpy.typing as npt

from raster2path.geometry import Kind, Path, Points
from raster2path.units import Units

Mask = npt.NDArray[np.bool_]
Level = npt.NDArray[np.float32]
Kinds = npt.NDArray[np.uint8]
Eases = npt.NDArray[np.int8]


class Read(Enum):
    """How ink becomes metal."""

    SOLID = "solid"
    EDGE = "edge"
    SLIT = "slit"
    BAR = "bar"


class Dark(Enum):
    """What dark areas become."""

    METAL = "metal"
    OPENING = "opening"


class Border(Enum):
    """The outer edge of the sign."""

    NONE = "none"
    RECT = "rect"
    ROUND = "round"
    OVAL = "oval"
    DRAWN = "drawn"
    SHEET = "sheet"


class NoteKind(Enum):
    """What a note is about, worst first."""

    LOOSE = "loose"
    BROKEN = "broken"
    DOES_NOT_FIT = "does not fit"
    NOTHING_TO_CUT = "nothing to cut"
    THIN = "thin"
    TOO_SMALL = "too small"
    NARROW = "narrow"
    LONG_TIE = "long tie"
    DEVIATES = "deviates"
    STRAIGHTENED = "straightened"
    DOUBT = "doubt"
    PICTURE = "picture"
    READING = "reading"
    SETTING = "setting"

    @property
    def is_fault(self) -> bool:
        """True where the sign can't be cut as it stands."""
        return self in _FAULTS

    @property
    def rank(self) -> int:
        """Worst is 0."""
        return list(NoteKind).index(self)


_FAULTS = frozenset(
    {NoteKind.LOOSE, NoteKind.BROKEN, NoteKind.DOES_NOT_FIT, NoteKind.NOTHING_TO_CUT}
)


@dataclass(frozen=True, slots=True)
class Note:
    """Something the pipeline noticed, for terminal, on-photo picture, job sheet and page alike.

    Attributes:
        kind: what it is about; says whether the sign can be cut as it stands.
        sentence: one plain sentence for the maker, without the place.
        place_mm: where on the sheet, or None where it is about the whole.
        size_mm: how large the thing is, or None.
        remedy: what to do, a few words in the imperative, or None.
        spread_mm: width and height of the thing where it is a stretch of the drawing, or None.
    """

    kind: NoteKind
    sentence: str
    place_mm: complex | None = None
    size_mm: float | None = None
    remedy: str | None = None
    spread_mm: tuple[float, float] | None = None


def frozen(array: npt.NDArray[np.generic]) -> None:
    """Make an array of a noun read-only, so that the noun is as frozen as it says."""
    array.flags.writeable = False


@dataclass(frozen=True, slots=True, eq=False)
class Picture:
    """The raster that came in, upright, and squared up where paper was found.

    Attributes:
        name: file name without its ending.
        sha256: hash of the file's bytes, in hex.
        rgb: uint8 (rows, cols, 3), sRGB; transparency laid onto white.
        upright_size_px: width and height of the upright original picture.
        work_from_upright: (3, 3) homography from pixels of the upright original to pixels of
            `rgb`; a pixel's centre lies at whole numbers plus a half, (0, 0) is the outer corner.
        mm_per_px: known where the paper's size is known, else None.
        is_squared: True where slant was taken out, so that directions can be trusted.
    """

    name: str
    sha256: str
    rgb: npt.NDArray[np.uint8]
    upright_size_px: tuple[int, int]
    work_from_upright: Points
    mm_per_px: float | None = None
    is_squared: bool = False
    notes: tuple[Note, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class Ink:
    """What is dark once light and paper are taken away.

    Attributes:
        mask: bool (rows, cols), True where there is ink.
        level: float32 (rows, cols), 0 on paper and 1 in full ink; an edge lies where it is 0.5,
            in the light domain (linear or the picture's own) where that is unbiased.
        is_photograph: True where edges are blurred as by a lens; then `level` is linear light.
        blur_px: standard deviation of the edges' blur, measured.
        pen_px: median width of the strokes.
        falls_below: lightness in per cent, where it is no ink, but the dark half of a picture of
            tones that was parted there; else None.
    """

    mask: Mask
    level: Level
    is_photograph: bool
    blur_px: float
    pen_px: float
    notes: tuple[Note, ...] = ()
    falls_below: float | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Reading:
    """Ink, and how it becomes metal.

    Attributes:
        reason: one clause that completes "read as edge, because …".
        is_guessed: True where the maker did not say.
        shaded: bool (rows, cols): hatched or filled areas in a line drawing (`edge` only), else
            None; there the strokes of the hatching are not lines to follow.
        certainty: of the guess, 0 to 1; 1 where the maker said.
    """

    ink: Ink
    read: Read
    reason: str
    is_guessed: bool
    shaded: Mask | None = None
    notes: tuple[Note, ...] = ()
    certainty: float = 1.0

    @property
    def certainty_words(self) -> str:
        """How sure the guess is, in words."""
        if self.certainty >= 0.9:
            return "nearly sure"
        return "fairly sure" if self.certainty >= 0.7 else "not sure"


@dataclass(frozen=True, slots=True, eq=False)
class PixelRing:
    """One closed contour in pixels of the working picture; the first point is not repeated.

    Ink lies to the right of travel: outer contours run clockwise as seen (positive area).
    A pixel's centre lies at whole numbers plus a half.
    """

    points_px: Points
    noise_px: float


@dataclass(frozen=True, slots=True, eq=False)
class PixelRings:
    """Closed contours of ink, sub-pixel, nested and never crossing."""

    rings: tuple[PixelRing, ...]
    blur_px: float
    notes: tuple[Note, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class PixelStroke:
    """One centre line between two nodes of a net, or a closed one that meets no node.

    Attributes:
        points_px: (n, 2), both ends included; a closed stroke does not repeat its first point.
        width_px: median width of the drawn stroke.
        nodes: indices of the nodes at its ends, or None where closed.
        noise_px: standard deviation of the line's tremor.
    """

    points_px: Points
    width_px: float
    nodes: tuple[int, int] | None
    noise_px: float

    @property
    def is_closed(self) -> bool:
        """True where the stroke comes back to its start and meets no other."""
        return self.nodes is None


@dataclass(frozen=True, slots=True, eq=False)
class PixelNet:
    """Centre lines of a line drawing and the nodes (loose ends, junctions) where they meet.

    Attributes:
        nodes_px: (k, 2); every stroke starts and ends exactly on its nodes.
        has_line_round_all: True where one closed line goes round everything else drawn (a chain
            of strokes counts).
        shaded: as in `Reading`.
    """

    strokes: tuple[PixelStroke, ...]
    nodes_px: Points
    blur_px: float
    has_line_round_all: bool
    shaded: Mask | None = None
    notes: tuple[Note, ...] = ()


@dataclass(frozen=True, slots=True)
class Placement:
    """Where the working picture lies on the sheet: the one scale between pixels and mm.

    Attributes:
        mm_per_px: millimetres on the sheet for one pixel of the working picture.
        origin_mm: where the picture's outer top left corner lies.
        sign_mm: the finished sign's box: left, top, width, height.
        sheet_mm: width and height of the blank, or None.
    """

    mm_per_px: float
    origin_mm: complex
    sign_mm: tuple[float, float, float, float]
    sheet_mm: tuple[float, float] | None = None

    def to_mm(self, points_px: Points) -> Points:
        """Points of the working picture (n, 2), on the sheet."""
        return points_px * self.mm_per_px + (self.origin_mm.real, self.origin_mm.imag)

    def to_px(self, points_mm: Points) -> Points:
        """Points on the sheet (n, 2), in the working picture."""
        shifted = points_mm - (self.origin_mm.real, self.origin_mm.imag)
        return np.asarray(shifted / self.mm_per_px, np.float64)


@dataclass(frozen=True, slots=True, eq=False)
class Ring:
    """One closed drawn outline on the sheet; the first point is not repeated.

    Attributes:
        points_mm: (n, 2).
        kinds: uint8 (n,), a `Kind` for each point; a piece between two points has the kind of
            the first.
        noise_mm: standard deviation of the outline's noise or tremor.
        is_border: True for the drawn line that is the sign's own outer edge.
        certainty: how sure its kinds are, 0.5 to 1, where they were told by themselves.
        eases: int8 (n,), how each point is followed: 1 more loosely than the rest, -1 more
            strictly; None where nobody has said.
    """

    points_mm: Points
    kinds: Kinds
    noise_mm: float
    is_border: bool = False
    certainty: float = 1.0
    eases: Eases | None = None

    def with_kinds(self, kinds: Kinds) -> Ring:
        """The same ring with other kinds."""
        return replace(self, kinds=kinds)


@dataclass(frozen=True, slots=True, eq=False)
class Stroke:
    """One centre line on the sheet that is cut in a single pass.

    Attributes:
        points_mm: (n, 2); a closed stroke does not repeat its first point. Ends at junctions are
            shared exactly with the other strokes there.
        kinds: as in `Ring`.
        width_mm: width of the drawn line.
        ends: at each end, True where it meets another stroke.
        certainty: as in `Ring`.
        eases: as in `Ring`.
    """

    points_mm: Points
    kinds: Kinds
    noise_mm: float
    width_mm: float
    is_closed: bool
    ends: tuple[bool, bool] = (False, False)
    certainty: float = 1.0
    eases: Eases | None = None

    def with_kinds(self, kinds: Kinds) -> Stroke:
        """The same stroke with other kinds."""
        return replace(self, kinds=kinds)


@dataclass(frozen=True, slots=True)
class TextRow:
    """Letters of one line of text, level, turned or on an arch, left to right as read.

    Attributes:
        rings, strokes: indices in `Outlines` of its letters' outer outlines.
        directions: of the base line at each of the rings, then at each of the strokes, length one.
        height_mm: of its letters, the median.
        certainty: how sure it is that this is lettering, 0.5 to 1.
    """

    rings: tuple[int, ...]
    strokes: tuple[int, ...]
    directions: tuple[complex, ...]
    middle_mm: complex
    height_mm: float
    certainty: float


@dataclass(frozen=True, slots=True, eq=False)
class Outlines:
    """Everything drawn that will be an edge or a slit, in millimetres on the sheet.

    Attributes:
        rings: closed outlines that never cross; the even-odd fill of those that are not the
            border is the `region`.
        strokes: centre lines to be cut as slits.
        region: what that fill is: metal, or what falls out of it.
        border: the border as decided (never None once here).
        blur_mm: the picture's blur on the sheet.
        is_squared: True where directions can be trusted (see `Picture`).
        rows: lines of text, where kinds were told by themselves.
        pen_mm: width of the drawn lines whose middles these are; 0 where they are edges of ink.
    """

    rings: tuple[Ring, ...]
    strokes: tuple[Stroke, ...]
    region: Dark
    border: Border
    placement: Placement
    blur_mm: float
    is_squared: bool = False
    notes: tuple[Note, ...] = ()
    rows: tuple[TextRow, ...] = ()
    pen_mm: float = 0.0


@dataclass(frozen=True, slots=True)
class FittedRing:
    """The fitted path of one `Ring`.

    Attributes:
        level: direction of the line of text that it stands on, length one; None where it is none
            of a letter's outer outlines.
    """

    path: Path
    is_border: bool = False
    level: complex | None = None


@dataclass(frozen=True, slots=True)
class Paths:
    """Fitted outlines: lines, arcs and cubics, kind carried by each segment."""

    rings: tuple[FittedRing, ...]
    slits: tuple[Path, ...]
    region: Dark
    border: Border
    placement: Placement
    notes: tuple[Note, ...] = ()


@dataclass(frozen=True, slots=True)
class Edge:
    """One closed edge of the metal. The metal lies to the right of travel, as seen.

    So the outer edge of a piece runs clockwise (positive area), an opening anticlockwise.

    Attributes:
        parent: index in `Art.edges` of the ring just round this one, or None.
        depth: how many rings go round it.
        level: direction of the line of text that it, or a ring round it, stands on; None where it
            is no lettering, or in none.
    """

    path: Path
    is_border: bool
    parent: int | None
    depth: int
    level: complex | None = None


@dataclass(frozen=True, slots=True)
class Art:
    """What is metal, before ties. The even-odd fill of all edges is the metal.

    Attributes:
        edges: closed edges, nested and never crossing, a parent before its children.
        slits: single passes of the torch; they lie in the metal.
    """

    edges: tuple[Edge, ...]
    slits: tuple[Path, ...]
    border: Border
    placement: Placement
    notes: tuple[Note, ...] = ()

    def ancestors(self, index: int) -> frozenset[int]:
        """All rings that go round the ring with this index."""
        out = set()
        parent = self.edges[index].parent
        while parent is not None:
            out.add(parent)
            parent = self.edges[parent].parent
        return frozenset(out)


@dataclass(frozen=True, slots=True)
class TieLoad:
    """The numbers behind a tie: what hangs on it, and how hard that bends it.

    Attributes:
        mass_kg: of all that hangs on it, seen from the sheet; without a border, from the heavier
            side.
        lever_mm: from that metal's middle to the tie, or to the line between the ties that
            share the load.
        n_sharing: how many ties carry it together.
        stress_mpa: bending stress, the sheet held flat, knocks counted in.
        allowed_mpa: what the metal bears.
    """

    mass_kg: float
    lever_mm: float
    n_sharing: int
    stress_mpa: float
    allowed_mpa: float


@dataclass(frozen=True, slots=True)
class Tie:
    """A strip of metal left uncut that holds a piece.

    Attributes:
        corners: its outline, four points or more, in order.
        width_mm: distance of its two free sides.
        length_mm: how far it reaches across the gap.
        load: the numbers behind it; None for a strip that only widens a neck.
    """

    corners: tuple[complex, ...]
    width_mm: float
    length_mm: float
    load: TieLoad | None = None


@dataclass(frozen=True, slots=True)
class SignEdge:
    """One closed edge of the tied metal; metal to the right of travel, as in `Edge`.

    Attributes:
        origins: indices in `Art.edges` of the rings that it was made from, one or more.
    """

    path: Path
    origins: frozenset[int]
    is_border: bool = False


@dataclass(frozen=True, slots=True)
class Island:
    """Metal that nothing holds: its middle, its box's width and height, its area."""

    place_mm: complex
    size_mm: tuple[float, float]
    area_mm2: float


@dataclass(frozen=True, slots=True)
class Sign:
    """The metal after ties; in one piece, unless `loose` says otherwise.

    Attributes:
        art: the same before ties (nesting for the order of cuts comes from there).
        slits: as in `Art`, with gaps where a closed slit would free a piece.
        gaps_mm: the middle of each such gap.
        n_islands: how many pieces needed holding.
        loose: pieces that nothing holds.
    """

    art: Art
    edges: tuple[SignEdge, ...]
    ties: tuple[Tie, ...]
    slits: tuple[Path, ...]
    gaps_mm: tuple[complex, ...]
    n_islands: int
    loose: tuple[Island, ...]
    notes: tuple[Note, ...] = ()


class CutType(Enum):
    """What a cut makes; the value is its class token."""

    OPENING = "opening"
    OUTSIDE = "outside"
    SLIT = "slit"
    BORDER = "border"
    PIERCE_ONLY = "pierce-only"


@dataclass(frozen=True, slots=True)
class Rest:
    """A planned stop in a long cut.

    Attributes:
        place_mm: on the cut's path.
        along_mm: how far along it that is.
        run_off: from there into the drop, so that the arc does not stop on the edge; None on a
            slit, or where there is no room.
        restart: from a new pierce in the drop back to the same place; None, again.
    """

    place_mm: complex
    along_mm: float
    run_off: Path | None = None
    restart: Path | None = None


@dataclass(frozen=True, slots=True)
class Cut:
    """One pass of the torch.

    Attributes:
        path: where the middle of the arc travels; None where a pierce alone makes the hole.
        pierce_mm: where the arc goes through: in the drop, or on the slit.
        lead_in: from the pierce to where the path starts, or None where it starts there.
        run_past: the tail beyond the closing point, or None.
        is_from_edge: it begins at the blank's own edge, at `pierce_mm`, and needs no pierce.
        loops: at crisp corners of the metal, on past the corner, round in the drop, and back.
        rests: stops on the way, in the order of travel; the parts between are 1a, 1b and so on.
        is_turned: a slit that was turned round by hand.
        closes: index in `TorchPlan.cuts` of the loop whose last bit this is; that one is open, and
            comes earlier.
        inside: indices in `TorchPlan.cuts` of the cuts that go round this one, by the rings
            before ties; those must come later.
    """

    type: CutType
    kind: Kind
    path: Path | None
    pierce_mm: complex
    lead_in: Path | None = None
    run_past: Path | None = None
    inside: frozenset[int] = frozenset()
    rests: tuple[Rest, ...] = ()
    loops: tuple[Path, ...] = ()
    is_from_edge: bool = False
    is_turned: bool = False
    closes: int | None = None

    @property
    def leads(self) -> tuple[Path, ...]:
        """All travel off the path: lead-in, corner loops, run-offs and restarts, run-past."""
        resting = (lead for rest in self.rests for lead in (rest.run_off, rest.restart))
        every = (self.lead_in, *self.loops, *resting, self.run_past)
        return tuple(lead for lead in every if lead is not None)

    @property
    def parts_mm(self) -> tuple[float, ...]:
        """Length of each part between the rests; one part, as long as the path, without any."""
        whole = 0.0 if self.path is None else self.path.length
        bounds = (0.0, *(rest.along_mm for rest in self.rests), whole)
        return tuple(b - a for a, b in itertools.pairwise(bounds))

    @property
    def n_starts(self) -> int:
        """How often the arc is struck."""
        return 1 + len(self.rests)


@dataclass(frozen=True, slots=True)
class TorchPlan:
    """All cuts, in no order yet.

    Attributes:
        sign: what is cut.
        edges: the sign's edges, less the openings that are narrower than the kerf; a
            pierce-only hole is here as the circle that the kerf leaves.
        slits: the sign's slits and the middles of those openings.
    """

    sign: Sign
    edges: tuple[SignEdge, ...]
    slits: tuple[Path, ...]
    cuts: tuple[Cut, ...]
    kerf_mm: float
    notes: tuple[Note, ...] = ()


@dataclass(frozen=True, slots=True)
class Loose:
    """A piece of the sign that a lost tie no longer holds.

    Attributes:
        place_mm, size_mm, area_mm2: of the piece.
        by_cut: number of the cut that frees it, or None where it is loose already.
        tacks_mm: where to weld it, at the lost ties.
    """

    place_mm: complex
    size_mm: tuple[float, float]
    area_mm2: float
    by_cut: int | None
    tacks_mm: tuple[complex, ...]


@dataclass(frozen=True, slots=True)
class Strayed:
    """Where the torch left its line, and what would make it look meant.

    Attributes:
        place_mm: how far it came.
        number: of the cut that it should have followed.
        depth_mm: how deep it went into metal that should stay; 0 where it only left a bit of
            the drop standing.
        left_mm: how wide the metal still is there.
        widen_mm: the whole edge moved back by so much takes the notch away; None where that
            would leave too little metal.
        swell_mm: or the line may swell fairly over so much to either side; None, again.
    """

    place_mm: complex
    number: int
    depth_mm: float
    left_mm: float
    widen_mm: float | None
    swell_mm: float | None


@dataclass(frozen=True, slots=True)
class Progress:
    """How far one has come with the cuts, and what went wrong.

    Attributes:
        done: indices in `TorchPlan.cuts`.
        lost_ties: indices in `Sign.ties`.
        notes: what that means, and what to do.
    """

    done: frozenset[int] = frozenset()
    lost_ties: tuple[int, ...] = ()
    loose: tuple[Loose, ...] = ()
    strayed: tuple[Strayed, ...] = ()
    notes: tuple[Note, ...] = ()


@dataclass(frozen=True, slots=True)
class Fence:
    """A straight of a cut, and where a bar's edge lies for the tip to run along."""

    number: int
    line: tuple[complex, complex]


@dataclass(frozen=True, slots=True)
class Compass:
    """A round of a cut: centre and radius of the torch's own way.

    Attributes:
        is_gone: True where the centre lies in an opening that is cut before.
    """

    number: int
    centre_mm: complex
    radius_mm: float
    is_gone: bool


class ClampHow(Enum):
    """How the work clamp is put on."""

    CLAMP = "clamp"
    MAGNET = "magnet"
    OUTSIDE = "outside"
    NONE = "none"


@dataclass(frozen=True, slots=True)
class Clamp:
    """Where the work clamp goes, and how far from the nearest cut that is."""

    how: ClampHow
    place_mm: complex | None
    free_mm: float


@dataclass(frozen=True, slots=True)
class Heavy:
    """A drop that is large or heavy: hold it with a magnet, and mind where it falls."""

    number: int
    place_mm: complex
    size_mm: tuple[float, float]
    mass_kg: float


@dataclass(frozen=True, slots=True)
class Aids:
    """What helps the hand; numbers are those of cuts.

    Attributes:
        sprays: for each cut, first to last, the direction in which the pierce's spray may go.
    """

    fences: tuple[Fence, ...] = ()
    compasses: tuple[Compass, ...] = ()
    clamp: Clamp | None = None
    heavy: tuple[Heavy, ...] = ()
    sprays: tuple[complex, ...] = ()


def _letters(k: int) -> str:
    """A, B and so on to Z, then A1, B1."""
    round_, letter = divmod(k, 26)
    return chr(ord("A") + letter) + (str(round_) if round_ else "")


@dataclass(frozen=True, slots=True)
class CutOrder:
    """The plan, and the order in which its cuts are made: a permutation of their indices."""

    plan: TorchPlan
    sequence: tuple[int, ...]
    notes: tuple[Note, ...] = ()
    how: str = "near"
    waits_s: tuple[float, ...] = ()
    """Planned pause before each cut, first to last; empty where there is none at all."""
    stands: tuple[complex, ...] = ()
    """Where the cutter stands for each cut, first to last, with the least walking."""
    aids: Aids = field(default_factory=Aids)
    progress: Progress | None = None
    """None: nothing is cut yet, and nothing went wrong."""

    @property
    def is_done(self) -> tuple[bool, ...]:
        """For each cut, first to last, whether it is made already."""
        done = frozenset[int]() if self.progress is None else self.progress.done
        return tuple(k in done for k in self.sequence)

    @property
    def named_stands(self) -> dict[str, complex]:
        """Each place to stand once, by a letter, in the order in which they are used."""
        once = dict.fromkeys(self.stands)
        return {_letters(k): place for k, place in enumerate(once)}

    @property
    def stand_names(self) -> tuple[str, ...]:
        """The letter of the place to stand for each cut, first to last."""
        by_place = {place: name for name, place in self.named_stands.items()}
        return tuple(by_place[place] for place in self.stands)

    @property
    def cuts(self) -> tuple[Cut, ...]:
        """The cuts, first to last; cut-001 is the first."""
        return tuple(self.plan.cuts[i] for i in self.sequence)


@dataclass(frozen=True, slots=True, eq=False)
class HeatMap:
    """How warm the blank is at one moment, by the model of heat.

    Attributes:
        box_mm: of the blank: left, top, width, height.
        warm_k: (rows, cols) above the workshop, means over equal parts of the box.
        at_s: when, from the first start on.
    """

    box_mm: tuple[float, float, float, float]
    warm_k: Points
    at_s: float


@dataclass(frozen=True, slots=True, eq=False)
class Forecast:
    """What an order does to the sheet and to the cutter, by the model of heat and bowing.

    An elastic theory; it was never tried on steel. Tuples have one entry a cut, first to last.

    Attributes:
        bow_rms: mean buckling ratio while the art is cut (1: a flat sheet would bow).
        bow_peak: the largest one of the whole job.
        worst: the sheet when that is.
        hottest_start_k: warmest place where a cut starts, above the workshop.
        walk_m: from stand to stand; carry_m: the torch through the air.
        begins_s, ends_s: when the arc strikes and stops.
        starts_k: how warm the sheet is where each cut starts.
        hottest_k, hottest_at: the warmest metal that stays, just before each cut.
        stands: where the cutter stands for each cut.
    """

    bow_rms: float
    bow_peak: float
    worst: HeatMap
    hottest_start_k: float
    walk_m: float
    carry_m: float
    begins_s: tuple[float, ...]
    ends_s: tuple[float, ...]
    starts_k: tuple[float, ...]
    hottest_k: tuple[float, ...]
    hottest_at: tuple[complex, ...]
    stands: tuple[complex, ...]


@dataclass(frozen=True, slots=True)
class Stamp:
    """What every output carries, so that paper, light and steel can be seen to agree.

    Attributes:
        name: the job's name.
        date: the job's date, ISO 8601; it comes from the job, never from the clock.
        mark: four characters from the content that matters on the steel.
        settings: key and value of every setting, in order, as text.
        not_ready: why the sign can't be cut as it stands, one reason each; empty when it can.
        units: what lengths are told in.
    """

    name: str
    date: str
    mark: str
    settings: tuple[tuple[str, str], ...] = ()
    not_ready: tuple[str, ...] = field(default=())
    units: Units = Units.MM

    @property
    def title(self) -> str:
        """One line for a title."""
        return f"{self.name} · {self.date} · {self.mark}"


@dataclass(frozen=True, slots=True)
class Tally:
    """What a job comes to, in metres, starts, minutes and kilograms.

    Attributes:
        metres_by_type: torch travel by what it makes; lead-ins and run-pasts apart.
        lead_metres: lead-ins and run-pasts.
        starts: pierces.
        arc_s: with the arc on, pierces included.
        elapsed_s: at least, as the machine's duty allows.
        sign_kg: what hangs in the end.
        drop_kg: what falls out of openings; removed_kg: what the arc blows away.
        sets_by_starts, sets_by_time: share of a set of consumables; the larger one counts.
        air_l: free air.
        shade: filter of the helmet, the least that the rule asks.
    """

    metres_by_type: tuple[tuple[CutType, float], ...]
    lead_metres: float
    starts: int
    arc_s: float
    elapsed_s: float
    sign_kg: float
    drop_kg: float
    removed_kg: float
    sets_by_starts: float
    sets_by_time: float
    air_l: float
    shade: int

    @property
    def grinding_metres(self) -> float:
        """Edge to be ground on each side of the sheet: a slit has two edges."""
        return sum(
            (2 if kind is CutType.SLIT else 1) * metres for kind, metres in self.metres_by_type
        )

    @property
    def metres(self) -> float:
        """All torch travel."""
        return sum(metres for _, metres in self.metres_by_type) + self.lead_metres


@dataclass(frozen=True, slots=True)
class CostLine:
    """One line of a price.

    Attributes:
        what: in the maker's words.
        minutes: of work, or None where it is goods, or nobody has said how long it takes.
        quantity, unit: how much; None: nobody has said.
        amount: in the maker's money; None where a rate is not set, never a silent nought.
    """

    what: str
    minutes: float | None
    quantity: float | None
    unit: str
    amount: float | None


@dataclass(frozen=True, slots=True)
class Cost:
    """A price, line by line.

    Attributes:
        total: None where a line is blank.
        minutes: of all work; None where a line is blank.
        usual_min: what it would take by the maker's last jobs, or None.
    """

    lines: tuple[CostLine, ...]
    total: float | None
    minutes: float | None
    usual_min: float | None
