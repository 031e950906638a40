"""Stage: which edges are lettering, which are ruled, and which flow.

A single outline says little: an O could be a pebble. The row says it: marks of like height on one
line or arch, close together, their strokes alike. A small table of numbers, learnt from made-up
signs, weighs all that; where it can't tell, the maker is asked. Lone figures with straight sides,
and circles, are ruled. What the maker says wins over all that.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from raster2path.geometry import Complexes, Kind, Points, to_complex
from raster2path.job import Corrections, LetteringMode, LetteringRules
from raster2path.model import Kinds, Note, NoteKind, Outlines, Ring, Stroke, TextRow
from raster2path.shape._joined import find_joined
from raster2path.shape._marks import Mark, find_marks, straights
from raster2path.shape._parting import Joined, part
from raster2path.shape._table import shipped
from raster2path.shape._textrows import Row, companions
from raster2path.shape._told import Verdict, tell

Bools = npt.NDArray[np.bool_]
Floats = npt.NDArray[np.float64]

WHOLE_SHARE = 0.9
"""A ring with this much of it in the boxes is lettering as a whole, with the rest none at all."""
FOUND_MM = 25.0
"""A place said by hand means the edge nearest to it, no further off than this."""
ASK_ROW = (-4.0, 4.5)
"""Log odds between which a row is asked about: outside, it is right in 99 of 100."""
ASK_ASTRAY = (-3.0, 4.5)
"""The same for rows that aren't level: a drawing is full of them."""
ASK_LONE = (-4.8, 4.5)
WORD, PAIR, LONE, LONE_SMALL, LONE_WIDE = 0.0, 1.8, 0.5, 2.5, 2.5
"""Log odds from which a row is a word, two marks are one, one mark alone is a letter, large or
small, or letters grown together: a drawing is taken for letters less often than letters for a
drawing."""
WIDE = 1.5
"""A mark so much wider than high is letters grown together, if any."""
FAR_SHARE = 0.6
"""Letters of a word stand nearer than so much of their size: a third of the height at most, by the
2010 ADA Standards, 703.5.8, seen second-hand."""
LARGE_SHARE = 0.1
"""A lone mark is asked about where it is so large a part of the drawing."""
SMALL_SHARE = 0.04
N_QUESTIONS = 3
MOST_LONE = 3
"""Marks alone that are taken for drawings and asked about all the same."""
WARY = 0.4
"""Taken off the log odds of marks of single lines."""
FRAME_SHARE = 0.003
"""Of a rectangle's size; a hand with a ruler strays from it by no more."""


def tell_kinds(outlines: Outlines, *, rules: LetteringRules, work_from_upright: Points) -> Outlines:
    """The same outlines, each point of every ring and stroke with its kind.

    Args:
        outlines: rings and strokes; their kinds are not looked at.
        rules: boxes win; else all, none, or told by the rows that rings stand in.
        work_from_upright: (3, 3) homography from pixels of the upright original picture to
            pixels of the working one, (0, 0) the outer corner in both.
    """
    if rules.boxes_px:
        return _by_boxes(outlines, rules, work_from_upright)
    if rules.mode is LetteringMode.NONE:
        return _all(outlines, Kind.ORGANIC, Kind.ORGANIC)
    if rules.mode is LetteringMode.ALL:
        return _all(outlines, Kind.LETTERING, Kind.GEOMETRIC)
    return _by_rows(outlines, work_from_upright)


def _of_kind(line: Ring | Stroke, kind: Kind) -> Kinds:
    return np.full(len(line.points_mm), int(kind), np.uint8)


def _all(outlines: Outlines, kind: Kind, border: Kind) -> Outlines:
    return replace(
        outlines,
        rings=tuple(
            r.with_kinds(_of_kind(r, border if r.is_border else kind)) for r in outlines.rings
        ),
        strokes=tuple(s.with_kinds(_of_kind(s, kind)) for s in outlines.strokes),
    )


# ------------------------------------------------------------------ boxes


def correct_kinds(
    outlines: Outlines, *, corrections: Corrections, work_from_upright: Points
) -> Outlines:
    """The same outlines, with kinds as said by hand: all in a box, then the edge at a place.

    A box or a place that finds nothing is told in a note, never dropped.
    """
    boxes = [(Kind.LETTERING, box) for box in corrections.lettering_boxes_px]
    boxes += [(Kind.ORGANIC, box) for box in corrections.organic_boxes_px]
    boxes += [(Kind.GEOMETRIC, box) for box in corrections.geometric_boxes_px]
    for kind, box in boxes:
        outlines = _corrected(outlines, kind, box, work_from_upright)
    places = [(Kind.LETTERING, place) for place in corrections.lettering_px]
    places += [(Kind.ORGANIC, place) for place in corrections.organic_px]
    places += [(Kind.GEOMETRIC, place) for place in corrections.geometric_px]
    for kind, place in places:
        outlines = _corrected_at(outlines, kind, place, work_from_upright)
    return _without_answered(
        outlines, [box for _, box in boxes], [p for _, p in places], work_from_upright
    )


def _without_answered(
    outlines: Outlines,
    boxes: list[tuple[float, float, float, float]],
    places: list[tuple[float, float]],
    homography: Points,
) -> Outlines:
    """The same without questions that a box or a place answers, and no more than three of them."""
    quads = [outlines.placement.to_mm(_mapped(_corners(box), homography)) for box in boxes]
    said = [outlines.placement.to_mm(_mapped(np.array([p]), homography))[0] for p in places]
    kept: list[Note] = []
    n_asked = 0
    for note in outlines.notes:
        if note.kind is NoteKind.DOUBT and note.place_mm is not None:
            at = np.array([[note.place_mm.real, note.place_mm.imag]])
            reach = (note.size_mm or 0.0) / 2
            is_said = any(bool(_is_inside(at, quad)[0]) for quad in quads)
            is_said |= any(float(np.hypot(*(p - at[0]))) < reach for p in said)
            n_asked += not is_said
            if is_said or n_asked > N_QUESTIONS:
                continue
        kept.append(note)
    return replace(outlines, notes=tuple(kept)) if len(kept) < len(outlines.notes) else outlines


def _corrected_at(
    outlines: Outlines, kind: Kind, place: tuple[float, float], homography: Points
) -> Outlines:
    """The edge nearest to a place made one kind from end to end."""
    at = outlines.placement.to_mm(_mapped(np.array([place]), homography))[0]
    lines: list[Ring | Stroke] = [*outlines.rings, *outlines.strokes]
    away = [float(np.hypot(*(line.points_mm - at).T).min()) for line in lines]
    if not away or min(away) > FOUND_MM:
        note = Note(
            NoteKind.SETTING,
            f"The {kind.token} place {place[0]:g}, {place[1]:g} of the corrections finds no edge.",
            complex(*at),
            remedy="move it, or take it out of job.toml",
        )
        return replace(outlines, notes=(*outlines.notes, note))
    meant = lines[int(np.argmin(away))]

    def kinds(line: Ring | Stroke) -> Kinds:
        return np.full(len(line.kinds), int(kind), np.uint8) if line is meant else line.kinds

    return _with_kinds(outlines, kinds)


def _corrected(
    outlines: Outlines, kind: Kind, box: tuple[float, float, float, float], homography: Points
) -> Outlines:
    quad = outlines.placement.to_mm(_mapped(_corners(box), homography))
    n_found = 0

    def kinds(line: Ring | Stroke) -> Kinds:
        nonlocal n_found
        inside = _inside_any(line, [quad])
        n_found += int(inside.sum())
        return np.where(inside, int(kind), line.kinds).astype(np.uint8)

    changed = _with_kinds(outlines, kinds)
    if n_found:
        return changed
    words = ", ".join(f"{part:g}" for part in box)
    note = Note(
        NoteKind.SETTING,
        f"The {kind.token} box {words} of the corrections finds no edge.",
        remedy="move it, or take it out of job.toml",
    )
    return replace(outlines, notes=(*outlines.notes, note))


def _by_boxes(outlines: Outlines, rules: LetteringRules, work_from_upright: Points) -> Outlines:
    quads = [
        outlines.placement.to_mm(_mapped(_corners(box), work_from_upright))
        for box in rules.boxes_px
    ]

    def kinds(line: Ring | Stroke) -> Kinds:
        inside = _inside_any(line, quads)
        return np.where(inside, int(Kind.LETTERING), int(Kind.ORGANIC)).astype(np.uint8)

    return _with_kinds(outlines, kinds)


def _with_kinds(outlines: Outlines, kinds: Callable[[Ring | Stroke], Kinds]) -> Outlines:
    return replace(
        outlines,
        rings=tuple(r.with_kinds(kinds(r)) for r in outlines.rings),
        strokes=tuple(s.with_kinds(kinds(s)) for s in outlines.strokes),
    )


def _inside_any(line: Ring | Stroke, quads: list[Points]) -> Bools:
    """Which points lie in one of the boxes; nearly all is all, hardly any is none."""
    inside = np.asarray(np.any([_is_inside(line.points_mm, quad) for quad in quads], axis=0))
    share = float(inside.mean())
    if share >= WHOLE_SHARE or share <= 1 - WHOLE_SHARE:
        return np.full(len(inside), share >= WHOLE_SHARE)
    return inside


def _corners(box: tuple[float, float, float, float]) -> Points:
    x, y, width, height = box
    return np.array([[x, y], [x + width, y], [x + width, y + height], [x, y + height]])


def _mapped(points: Points, homography: Points) -> Points:
    """Points (n, 2) under a 3x3 homography."""
    out = np.column_stack([points, np.ones(len(points))]) @ homography.T
    return np.asarray(out[:, :2] / out[:, 2:], np.float64)


def _is_inside(points: Points, quad: Points) -> Bools:
    """Which points lie in a convex quadrilateral, whichever way round it runs."""
    z, q = to_complex(points), to_complex(quad)
    along = np.roll(q, -1) - q
    side = (along.conj()[:, None] * (z[None, :] - q[:, None])).imag
    return np.asarray(np.all(side >= 0, axis=0) | np.all(side <= 0, axis=0), np.bool_)


# ------------------------------------------------------------------ rows


def _by_rows(outlines: Outlines, work_from_upright: Points) -> Outlines:
    marks = find_marks(outlines)
    n_rings = len(outlines.rings)
    is_border = [k < n_rings and outlines.rings[k].is_border for k in range(len(marks))]
    verdict = _wary(marks, tell(marks, is_border, shipped()))
    kinds, certainty = _decided(marks, is_border, verdict)
    taken = {k for k, kind in enumerate(kinds) if kind is Kind.LETTERING}
    size = _size_of(marks)
    words = [
        (row, odds)
        for row, odds in zip(verdict.rows, verdict.row_odds, strict=True)
        if len(row.members) > 1 and odds > _needed(marks, row, size)
    ]
    joined = find_joined(outlines, marks, taken, [row for row, _ in words], shipped())
    rings, strokes = list(outlines.rings), list(outlines.strokes)
    scale = outlines.placement.mm_per_px
    for mark, kind, sure in zip(marks, kinds, certainty, strict=True):
        for k in mark.rings:
            is_frame = kind is Kind.ORGANIC and _is_frame(rings[k], outlines.pen_mm)
            own = _of_kind(rings[k], Kind.GEOMETRIC if is_frame else kind)
            rings[k] = replace(rings[k], kinds=own, certainty=sure)
        for k in (*mark.strokes, *mark.scraps):
            said = kind if kind is Kind.LETTERING else _stroke_kind(strokes[k], scale)
            strokes[k] = replace(strokes[k], kinds=_of_kind(strokes[k], said), certainty=sure)
    part(rings, joined)
    told = replace(outlines, rings=tuple(rings), strokes=tuple(strokes))
    lines = tuple(_text_row(outlines, marks, row, odds) for row, odds in words)
    lines += tuple(_joined_row(outlines, word) for word in joined)
    known = {
        k for word in joined for k, own in zip(word.rings, word.lettered, strict=True) if own.any()
    }
    open_rows = [known.isdisjoint(row.members) for row in verdict.rows]
    questions = tuple(_questions(outlines, marks, _only(verdict, open_rows), work_from_upright))
    return replace(told, rows=lines, notes=(*outlines.notes, *questions))


def _wary(marks: list[Mark], verdict: Verdict) -> Verdict:
    """The same, less sure of what is drawn in single lines: handwriting is not to be straightened.

    Letters and drawings of one line look more alike; legs of an animal came out at 0.9, joined
    handwriting at 0.0 to 1.3, printed captions at 1.5 up.
    """
    doubt = np.array([WARY if mark.strokes and not mark.rings else 0.0 for mark in marks])
    row_odds = [
        odds - float(np.median(doubt[list(row.members)]))
        for row, odds in zip(verdict.rows, verdict.row_odds, strict=True)
    ]
    return replace(verdict, odds=verdict.odds - doubt, row_odds=tuple(row_odds))


def _decided(
    marks: list[Mark], is_border: list[bool], verdict: Verdict
) -> tuple[list[Kind], list[float]]:
    """The kind of each mark, and how sure it is, 0.5 to 1."""
    kinds = [Kind.GEOMETRIC if mark.is_surely_ruled else Kind.ORGANIC for mark in marks]
    odds = np.where(np.isnan(verdict.odds), -np.inf, verdict.odds)
    size = _size_of(marks)
    for row, told in zip(verdict.rows, verdict.row_odds, strict=True):
        if told <= _needed(marks, row, size):
            for k in row.members:
                odds[k] = min(odds[k], -abs(told))
    lettered = {int(k) for k in np.flatnonzero(odds > 0)}
    for row, told in zip(verdict.rows, verdict.row_odds, strict=True):
        if len(row.members) > 1 and told > _needed(marks, row, size):
            for k in companions(marks, row):
                if not is_border[k] and k not in lettered:
                    lettered.add(k)
                    odds[k] = max(odds[n] for n in row.members)
    certainty = 1 / (1 + np.exp(-np.minimum(np.abs(odds), 20.0)))
    # a counter is read with its letter; parents come first, so that its own islands follow
    for k in sorted(range(len(marks)), key=lambda k: marks[k].depth):
        around = marks[k].parent
        if around in lettered and not is_border[k]:
            lettered.add(k)
            certainty[k] = certainty[around]
        if k in lettered:
            kinds[k] = Kind.LETTERING
    return kinds, [float(c) for c in certainty]


def _size_of(marks: list[Mark]) -> float:
    """How large the whole drawing is."""
    drawn = np.concatenate([mark.hull for mark in marks] or [np.zeros(1, np.complex128)])
    return math.hypot(float(np.ptp(drawn.real)), float(np.ptp(drawn.imag)))


def _needed(marks: Sequence[Mark], row: Row, size: float) -> float:
    """Log odds from which a row is taken for lettering; one small mark alone hardly ever is."""
    if len(row.members) > 1:
        return WORD if len(row.members) > 2 else PAIR
    hull = marks[row.members[0]].hull
    if float(np.ptp(hull.real)) > WIDE * float(np.ptp(hull.imag)):
        return LONE_WIDE
    return LONE if marks[row.members[0]].size >= LARGE_SHARE * size else LONE_SMALL


def _is_frame(ring: Ring, pen_mm: float) -> bool:
    """True for a rectangle, as nearly as a hand draws one: frames are ruled, or meant to be."""
    import cv2
    import shapely

    points = ring.points_mm.astype(np.float32)
    corners = cv2.boxPoints(cv2.minAreaRect(points))
    size = float(np.hypot(*np.ptp(corners, axis=0)))
    off = shapely.distance(shapely.LinearRing(corners), shapely.points(ring.points_mm))
    return bool(np.quantile(off, 0.99) <= max(FRAME_SHARE * size, pen_mm / 2))


def _stroke_kind(stroke: Stroke, scale: float) -> Kind:
    """Ruled where nearly all of a stroke's length is straight."""
    lengths, _, length = straights(
        stroke.points_mm / scale, stroke.noise_mm / scale, is_closed=stroke.is_closed
    )
    return Kind.GEOMETRIC if lengths.sum() >= 0.9 * length else Kind.ORGANIC


def _text_row(outlines: Outlines, marks: list[Mark], row: Row, odds: float) -> TextRow:
    middle = np.mean([marks[k].middle for k in row.members])
    at = outlines.placement.to_mm(np.array([[middle.real, middle.imag]]))[0]
    along = [(marks[k], complex(d)) for k, d in zip(row.members, row.directions, strict=True)]
    of_rings = [direction for mark, direction in along for _ in mark.rings]
    of_strokes = [direction for mark, direction in along for _ in mark.strokes]
    return TextRow(
        rings=tuple(n for k in row.members for n in marks[k].rings),
        strokes=tuple(n for k in row.members for n in marks[k].strokes),
        directions=(*of_rings, *of_strokes),
        middle_mm=complex(*at),
        height_mm=row.height * outlines.placement.mm_per_px,
        certainty=float(1 / (1 + np.exp(-odds))),
    )


def _joined_row(outlines: Outlines, word: Joined) -> TextRow:
    at = outlines.placement.to_mm(np.array([[word.middle.real, word.middle.imag]]))[0]
    return TextRow(
        rings=() if word.level is None else word.level[:1],
        strokes=(),
        directions=() if word.level is None else word.level[1:],
        middle_mm=complex(*at),
        height_mm=word.height * outlines.placement.mm_per_px,
        certainty=float(1 / (1 + np.exp(-word.odds))),
    )


# ------------------------------------------------------------------ questions


@dataclass(frozen=True, slots=True, eq=False)
class _Doubt:
    """A row, or a mark alone, that can be read either way.

    Attributes:
        hull: corners round all of it.
        odds: log odds that it is lettering.
        is_lettering: what it is taken for.
    """

    hull: Complexes
    odds: float
    is_lone: bool
    is_lettering: bool

    @property
    def long(self) -> float:
        """How long it is across."""
        return math.hypot(float(np.ptp(self.hull.real)), float(np.ptp(self.hull.imag)))


def _questions(
    outlines: Outlines, marks: list[Mark], verdict: Verdict, work_from_upright: Points
) -> list[Note]:
    """What the maker should say, longest first: what can be read either way."""
    size = _size_of(marks)
    asked: list[_Doubt] = []
    alone: list[_Doubt] = []
    for row, odds in zip(verdict.rows, verdict.row_odds, strict=True):
        is_lone = len(row.members) == 1
        if len(row.members) == 2 and _are_far_apart(*(marks[k] for k in row.members)):
            continue
        low, high = ASK_LONE if is_lone else ASK_ROW if row.is_level else ASK_ASTRAY
        doubt = _Doubt(
            np.concatenate([marks[k].hull for k in row.members]),
            odds,
            is_lone=is_lone,
            is_lettering=odds > _needed(marks, row, size),
        )
        least = LARGE_SHARE if is_lone else SMALL_SHARE
        if low < odds < high and doubt.long >= least * size:
            (alone if is_lone else asked).append(doubt)
    # of many lone drawings those that are most like letters, and all that were taken for one
    alone.sort(key=lambda doubt: -doubt.odds)
    asked += [doubt for n, doubt in enumerate(alone) if n < MOST_LONE or doubt.is_lettering]
    asked.sort(key=lambda doubt: -doubt.long)
    upright = np.asarray(np.linalg.inv(work_from_upright), np.float64)
    return [_question(outlines, doubt, upright) for doubt in asked]


def _only(verdict: Verdict, kept: Sequence[bool]) -> Verdict:
    """The verdict with only some of its rows."""
    at = [n for n, is_kept in enumerate(kept) if is_kept]
    return replace(
        verdict,
        rows=tuple(verdict.rows[n] for n in at),
        row_odds=tuple(verdict.row_odds[n] for n in at),
    )


def _are_far_apart(one: Mark, other: Mark) -> bool:
    """True where two marks stand too far apart to be a word of two letters."""
    gap = abs(one.middle - other.middle) - (np.ptp(one.hull.real) + np.ptp(other.hull.real)) / 2
    return bool(gap > FAR_SHARE * min(one.size, other.size))


def _question(outlines: Outlines, doubt: _Doubt, upright: Points) -> Note:
    hull = doubt.hull
    low = complex(hull.real.min(), hull.imag.min())
    high = complex(hull.real.max(), hull.imag.max())
    corners = np.array(
        [[low.real, low.imag], [high.real, low.imag], [high.real, high.imag], [low.real, high.imag]]
    )
    seen = _mapped(corners, upright)
    x, y = np.floor(seen.min(axis=0)) - 2
    width, height = np.ceil(seen.max(axis=0)) + 2 - (x, y)
    middle, scale = outlines.placement.to_mm(corners).mean(axis=0), outlines.placement.mm_per_px
    what = "letter" if doubt.is_lone else "word"
    taken = "lettering" if doubt.is_lettering else "a drawing"
    other = "organic" if doubt.is_lettering else "lettering"
    if_so = "if it is not" if doubt.is_lettering else "if it is"
    return Note(
        NoteKind.DOUBT,
        f"Is this a {what}? It is taken for {taken}",
        complex(*middle),
        abs(high - low) * scale,
        f"{if_so}, put {other}_boxes_px = [[{x:.0f}, {y:.0f}, {width:.0f}, {height:.0f}]] "
        "under [corrections] in job.toml",
        ((high - low).real * scale, (high - low).imag * scale),
    )
