"""Stage: drawn outlines in, fitted paths out.

Letters and ruled figures get straight lines and sharp corners, flowing art gets fair curves, and
an outline that is part one and part the other gets both. Every path is measured against the
outline it came from, and no two of them cross.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from raster2path.geometry import (
    FLATNESS,
    Arc,
    Complexes,
    Kind,
    Path,
    Points,
    Segment,
    dot,
    polygon,
    to_complex,
    to_points,
    unit,
)
from raster2path.job import FitRules, LetterCorners
from raster2path.model import (
    Eases,
    FittedRing,
    Kinds,
    Note,
    NoteKind,
    Outlines,
    Paths,
    Ring,
    Stroke,
)
from raster2path.shape import _tangle, curves
from raster2path.shape._levels import levels_of
from raster2path.shape._rendered import Rendered, rendered
from raster2path.shape._runs import Known
from raster2path.shape._sight import is_by_hand, tremors_of
from raster2path.shape.straights import Drawn, fit_strict, fit_strict_run

Ints = npt.NDArray[np.int64]

N_KINDS = 4
"""Of an edge, and room for one more."""

LEAST_RUN_PX = 8
"""A stretch of another kind that is shorter takes its neighbour's kind."""
LOOSER = 2.0
"""Factor on noise and tolerances where an area is to be followed more loosely. Common practice,
no source; LOOSE is how much smoother flowing edges are drawn there."""
LOOSE = 0.6
STRICTER = 0.4
"""Factor on both where it is to be followed more strictly."""
HAND = 0.1
"""Of a pen's width: the middle of a line says no better where an edge was meant to be.

Common practice, no source; on pencilled letters 0.06 leaves waves in stems, 0.15 loses corners.
"""
MOST_HAND = 0.5
"""Nor is a thick pen taken to say less than by so much of the tolerance of letters."""
FLOWING_HAND = 0.25
"""The same for flowing edges, of their own tolerance."""
TREMORS = 3.0
"""Where a line's own tremor is larger than the tolerance, this many of it are allowed."""
TRIES = 4
"""As measured, closer, closer still as curves, and at last point by point."""
FILLET_MM = 1.0
"""Where corners are to be crisp, a fillet of a smaller radius is taken for a corner."""
CLOSER = (1.0, 0.4, 0.2)
"""Factor on noise and tolerances at each try but the last."""
SOFT_PX = 0.7
"""Blur from which on corners of small letters are worth a second look."""
SMALL_PX = 120.0
BETTER = 0.75
"""A second fit counts if its misfit is less than this share of the first one's."""
SHARP_PX = 0.8
"""Blur of an outline from which the picture's own has been taken."""
CORNER_DEG = 20.0
"""Where a path turns by more, blur has moved the outline, not the path."""
FLAT_PX = 0.05
AT_ONCE = 16_384
MOST_PAIRS = 1_000_000
"""Up to so many pairs of points all distances are worked out; beyond, a search tree is built."""


@dataclass(frozen=True, slots=True)
class _Track:
    """One outline to be fitted, in pixels.

    Attributes:
        points: (n, 2); the first is not repeated where closed.
        kinds: one for each point.
        sigma: standard deviation of its noise or tremor.
        tremor: of the hand that drew it, if that is what sigma tells; else 0.
        hand: how far a pen's middle is taken to stray from a straight line that was meant.
        strayed: the same where it flows; 0 where lines are as even as if ruled or printed.
        eases: as of a `Ring`.
    """

    points: Points
    kinds: Kinds
    sigma: float
    is_closed: bool
    tremor: float = 0.0
    hand: float = 0.0
    strayed: float = 0.0
    eases: Eases | None = None

    @property
    def is_organic(self) -> bool:
        """True where no part of it is lettering or ruled."""
        return bool(np.all(self.kinds == Kind.ORGANIC))

    @property
    def marks(self) -> Ints:
        """Kind and ease of each point as one number, see `_read`."""
        eases = np.zeros(len(self.kinds), np.int64) if self.eases is None else self.eases
        return np.asarray(self.kinds + N_KINDS * (eases.astype(np.int64) + 1), np.int64)


@dataclass(frozen=True, slots=True)
class _Limits:
    """What holds for all outlines of a drawing, in pixels."""

    blur: float
    organic: float
    strict: float
    loose: float = 0.0
    fillet: float = 0.0

    def closer(self, tries: int) -> _Limits:
        """The limits of a further try."""
        by = CLOSER[tries]
        return replace(self, organic=self.organic * by, strict=self.strict * by)

    def eased(self, ease: int) -> _Limits:
        """The limits where a maker wants an edge followed more loosely (1) or strictly (-1)."""
        if not ease:
            return self
        by, loose = (LOOSER, max(LOOSE, self.loose)) if ease > 0 else (STRICTER, 0.0)
        return replace(self, organic=self.organic * by, strict=self.strict * by, loose=loose)

    def tolerance(self, kind: Kind) -> float:
        """How far an edge of that kind may leave the drawn one."""
        return self.organic if kind is Kind.ORGANIC else self.strict

    def looseness(self, track: _Track) -> float:
        """How much smoother than measured it is drawn where it flows: as smooth as it was meant.

        Its corners are found by what was measured, lest blunt tips come out round.
        """
        most = self.organic / 2
        strayed = min(track.strayed, FLOWING_HAND * self.organic) - track.sigma
        if most <= track.sigma or strayed <= 0:
            return self.loose
        return max(self.loose, strayed / (most - track.sigma))


@dataclass(frozen=True, slots=True, eq=False)
class _Worst:
    """The drawn point farthest from a path (corners' blur taken off), how far, and what it is."""

    path: Path
    place: complex
    gap: float
    kind: Kind
    ease: int


@dataclass(frozen=True, slots=True, eq=False)
class _Bench:
    """What all outlines of a drawing are fitted with: limits, and what has been found already."""

    limits: _Limits
    known: Known
    measured: dict[int, _Worst] = field(default_factory=dict)

    def worst(self, track: _Track, path: Path) -> _Worst:
        """Where the path is farthest from its outline; measured once."""
        if id(path) not in self.measured:
            self.measured[id(path)] = _worst(track, path, self.limits)
        return self.measured[id(path)]

    def excess(self, track: _Track, path: Path) -> float:
        """How far beyond what is allowed the path leaves the drawn line; <= 0 is well."""
        worst = self.worst(track, path)
        return worst.gap - self.allowed(track, worst)

    def is_lost(self, track: _Track, path: Path) -> bool:
        """True where the path leaves its outline by more than even a shaky hand explains."""
        worst = self.worst(track, path)
        return worst.gap > 2 * self.allowed(track, worst)

    def allowed(self, track: _Track, worst: _Worst) -> float:
        """How far a path may leave its outline there."""
        return max(self.limits.eased(worst.ease).tolerance(worst.kind), TREMORS * track.sigma)


def fit_outlines(outlines: Outlines, *, rules: FitRules) -> Paths:
    """Every ring and stroke as a path of lines, arcs and cubics, in millimetres on the sheet.

    Returns:
        As many rings and slits as there are rings and strokes, in the same order, each travelled
        the same way as its points. Rings are closed, cross neither themselves nor each other, and
        lie nested as before. Open slits start and end exactly where their strokes do. Notes say
        where a path leaves the drawn line by more than the rules (or, where that is more, three
        times the line's own tremor) allow.
    """
    scale = outlines.placement.mm_per_px
    limits = _limits_of(outlines, rules)
    rings, drawn, lines = _tracks_of(outlines)
    rings, strokes = _by_hand(rings, limits), _by_hand(lines, limits)
    bench = _Bench(limits, _foreseen([*rings, *strokes], limits))
    paths = _apart(rings, bench, (FLAT_PX, FLATNESS / scale, FLATNESS / scale / 10))
    slits = _verified(strokes, bench)
    levels = levels_of(outlines.rows, paths)
    checked = list(zip([*rings, *strokes], [*paths, *slits], strict=True))
    notes = [note for track, path in checked for note in _notes(track, path, bench, scale)]
    return Paths(
        tuple(
            FittedRing(path.mapped(scale), ring.is_border, levels.get(k))
            for k, (ring, path) in enumerate(zip(outlines.rings, paths, strict=True))
        ),
        tuple(
            _ended(path.mapped(scale), stroke) for stroke, path in zip(drawn, slits, strict=True)
        ),
        outlines.region,
        outlines.border,
        outlines.placement,
        (*outlines.notes, *notes),
    )


def fits_of(outlines: Outlines) -> Callable[[int, FitRules], Path]:
    """The path of one outline at a time, by number, for whoever can't wait for all of them.

    Rings come first, then the strokes that get a slit. A path is fitted when it is asked for, as
    `fit_outlines` does where no other outline has a say: letters of a row do not share their
    directions, and nobody has looked whether two paths cross.
    """
    scale = outlines.placement.mm_per_px
    rings, drawn, strokes = _tracks_of(outlines)
    tracks = [*rings, *strokes]

    def fit(number: int, rules: FitRules) -> Path:
        limits = _limits_of(outlines, rules)
        (track,) = _by_hand([tracks[number]], limits)
        (path,) = _verified([track], _Bench(limits, _foreseen([track], limits)))
        path = path.mapped(scale)
        return path if number < len(rings) else _ended(path, drawn[number - len(rings)])

    return fit


def _limits_of(outlines: Outlines, rules: FitRules) -> _Limits:
    scale = outlines.placement.mm_per_px
    return _Limits(
        outlines.blur_mm / scale,
        rules.organic_tolerance_mm / scale,
        rules.lettering_tolerance_mm / scale,
        rules.looseness,
        FILLET_MM / scale if rules.letter_corners is LetterCorners.CRISP else 0.0,
    )


def _tracks_of(outlines: Outlines) -> tuple[list[_Track], list[Stroke], list[_Track]]:
    """The rings; the strokes that get a slit, and the same to be fitted."""
    scale = outlines.placement.mm_per_px
    hand = HAND * outlines.pen_mm / scale
    hands = (hand, hand if _is_by_hand(outlines) else 0.0)
    rings = [_track(ring, scale, hands, is_closed=True) for ring in outlines.rings]
    drawn = [stroke for stroke in outlines.strokes if _goes_somewhere(stroke, scale)]
    lines = [_track(stroke, scale, hands, is_closed=stroke.is_closed) for stroke in drawn]
    return rings, drawn, lines


def _is_by_hand(outlines: Outlines) -> bool:
    """True where the lines are a pen's and waver as no ruled or printed line does."""
    if not outlines.pen_mm:
        return False
    lines: list[Ring | Stroke] = [*outlines.rings, *outlines.strokes]
    return is_by_hand(
        [to_complex(line.points_mm) / outlines.placement.mm_per_px for line in lines],
        is_closed=[isinstance(line, Ring) or line.is_closed for line in lines],
    )


def _goes_somewhere(stroke: Stroke, scale: float) -> bool:
    """False for a stroke whose points are all within a pixel: there is no line to follow."""
    return bool(np.ptp(stroke.points_mm, axis=0).max() > scale)


def _track(
    line: Ring | Stroke, scale: float, hands: tuple[float, float], *, is_closed: bool
) -> _Track:
    points, noise = line.points_mm / scale, line.noise_mm / scale
    hand, strayed = hands
    return _Track(
        points,
        line.kinds,
        noise,
        is_closed,
        hand=hand,
        strayed=strayed,
        eases=line.eases,
    )


def _by_hand(tracks: Sequence[_Track], limits: _Limits) -> list[_Track]:
    """The outlines, the tremor of the hand that drew straight ones in place of their noise.

    Flowing edges may follow a tremor as far as their tolerance allows; straight ones never do.
    They are taken to stray by `hand` at least.
    """
    strict = [k for k, track in enumerate(tracks) if not track.is_organic]
    lines = [to_complex(tracks[k].points) for k in strict]
    found = tremors_of(lines, is_closed=[tracks[k].is_closed for k in strict])
    out = list(tracks)
    for k, measured in zip(strict, found, strict=True):
        tremor = max(measured, min(out[k].hand, MOST_HAND * limits.strict))
        if tremor > out[k].sigma:
            out[k] = replace(out[k], sigma=tremor, tremor=tremor)
    return out


def _ended(path: Path, stroke: Stroke) -> Path:
    """The path of an open stroke with its ends exactly on the stroke's, whatever rounding did."""
    if stroke.is_closed:
        return path
    ends = to_complex(stroke.points_mm[[0, -1]])
    segments = list(path.segments)
    if isinstance(segments[0], Arc) or isinstance(segments[-1], Arc):
        return path
    segments[0] = replace(segments[0], start=complex(ends[0]))
    segments[-1] = replace(segments[-1], end=complex(ends[1]))
    return Path(tuple(segments), False)


# ------------------------------------------------------------------ one outline


def _foreseen(tracks: Sequence[_Track], limits: _Limits) -> Known:
    """What flowing outlines need first, fitted for all of them at once."""
    return curves.foreseen(
        [
            curves.Contour(
                track.points,
                track.sigma,
                limits.organic,
                limits.blur,
                track.is_closed,
                limits.looseness(track),
            )
            for track in tracks
            if len(track.points) > 3 and track.is_organic and track.eases is None
        ]
    )


def _verified(tracks: Sequence[_Track], bench: _Bench) -> list[Path]:
    """The path of each outline; fitted closer where it would leave the points by too much."""
    paths = _fitted(tracks, bench, 0)
    # Flowing curves hold their ceiling themselves, as well as they can.
    strict = [k for k, track in enumerate(tracks) if not track.is_organic]
    # Nor is a shaky hand followed closer: straightness wins, unless the fit is plainly wrong.
    strict = [k for k in strict if tracks[k].tremor == 0 or bench.is_lost(tracks[k], paths[k])]
    excess = {k: bench.excess(tracks[k], paths[k]) for k in strict}
    late = [k for k in strict if excess[k] > 0]
    for k, closer in zip(late, _fitted([tracks[k] for k in late], bench, 1), strict=True):
        if bench.excess(tracks[k], closer) < excess[k]:
            paths[k] = closer
    return paths


def _fitted(tracks: Sequence[_Track], bench: _Bench, tries: int) -> list[Path]:
    """Paths of outlines, those of letters and ruled figures all at once."""
    strict = [k for k, track in enumerate(tracks) if _is_all_strict(track) and tries < TRIES - 2]
    drawn = [
        _drawn(*_eased(_closer(tracks[k], tries), bench.limits.closer(tries)), ()) for k in strict
    ]
    found = dict(zip(strict, fit_strict(drawn), strict=True))
    return [
        found[k] if k in found else _refitted(track, bench, tries) for k, track in enumerate(tracks)
    ]


def _is_all_strict(track: _Track) -> bool:
    """True for a closed outline that is nothing but lettering, or nothing but ruled."""
    if not track.is_closed or len(track.points) < 3:
        return False
    marks = _steadied(track.marks, is_closed=True)
    return bool(np.all(marks == marks[0])) and _read(marks[0])[0] is not Kind.ORGANIC


def _read(mark: int) -> tuple[Kind, int]:
    """The kind and the ease that a mark stands for."""
    return Kind(int(mark) % N_KINDS), int(mark) // N_KINDS - 1


def _eased(track: _Track, limits: _Limits, mark: int | None = None) -> tuple[_Track, _Limits]:
    """A stretch of one mark, by default the commonest, and its limits, as its ease has them."""
    ease = _read(int(np.bincount(track.marks).argmax()) if mark is None else mark)[1]
    if not ease:
        return track, limits
    by = LOOSER if ease > 0 else STRICTER
    return replace(track, sigma=track.sigma * by), limits.eased(ease)


def _closer(track: _Track, tries: int) -> _Track:
    return replace(track, sigma=track.sigma * CLOSER[tries])


def _drawn(track: _Track, limits: _Limits, tight: tuple[complex, ...]) -> Drawn:
    kind = Kind(int(np.bincount(track.kinds).argmax()))
    return Drawn(
        track.points,
        track.sigma,
        limits.blur,
        limits.strict,
        kind,
        tight,
        is_shaky=track.tremor > 0,
        fillet=limits.fillet,
    )


def _refitted(track: _Track, bench: _Bench, tries: int, tight: tuple[complex, ...] = ()) -> Path:
    """The path of one outline; each further try lies closer to the points than the one before.

    Where the `tight` places are known, a flowing outline is followed closer only there, and for
    others they are enough for the second try.
    """
    if len(track.points) < 3 or tries >= TRIES - 1:
        return _point_by_point(track)
    limits, known = bench.limits, bench.known
    marks = _steadied(track.marks, is_closed=track.is_closed)
    is_one = bool(np.all(marks == marks[0]))
    kind, _ = _read(marks[0])
    if is_one:
        track, limits = _eased(track, limits, marks[0])
    if is_one and track.is_closed and kind is Kind.ORGANIC and tight:
        return _closed(track, kind, limits, known, tight=tight, closeness=2 * tries)
    if not (tight and tries == 1):
        track, limits = _closer(track, tries), limits.closer(tries)
    if is_one and track.is_closed:
        if kind is Kind.ORGANIC or tries == TRIES - 2:
            return _closed(track, kind, limits, known)
        return fit_strict([_drawn(track, limits, tight)])[0]
    segments: list[Segment] = []
    if is_one:
        segments += _open(track, kind, limits, known)
    for points, mark in () if is_one else _runs(track.points, marks, is_closed=track.is_closed):
        own, its_limits = _eased(replace(track, points=points), limits, mark)
        segments += _open(own, _read(mark)[0], its_limits, known)
    if sum(segment.length for segment in segments) < 1e-6:
        return _point_by_point(track)  # out and back on itself
    return Path(tuple(segments), track.is_closed)


def _closed(
    track: _Track,
    kind: Kind,
    limits: _Limits,
    known: Known,
    *,
    tight: tuple[complex, ...] = (),
    closeness: int = 0,
) -> Path:
    return curves.fit_closed(
        track.points,
        sigma=track.sigma,
        tolerance=limits.tolerance(kind),
        kind=kind,
        blur=limits.blur,
        loose=limits.looseness(track) if kind is Kind.ORGANIC else 0.0,
        tight=tight,
        closeness=closeness,
        known=known,
    )


def _open(track: _Track, kind: Kind, limits: _Limits, known: Known) -> tuple[Segment, ...]:
    """One stretch of one kind."""
    tolerance = limits.tolerance(kind)
    if kind is Kind.ORGANIC and len(track.points) > 3:
        return tuple(
            curves.fit_open(
                track.points,
                sigma=track.sigma,
                tolerance=tolerance,
                kind=kind,
                blur=limits.blur,
                loose=limits.looseness(track),
                known=known,
            )
        )
    shaky = track.tremor > 0
    return fit_strict_run(
        Drawn(
            track.points,
            track.sigma,
            limits.blur,
            tolerance,
            kind,
            is_shaky=shaky,
            fillet=limits.fillet,
        )
    )


def _point_by_point(track: _Track) -> Path:
    """Straight pieces that leave the outline by a twentieth of a pixel at most: the last resort."""
    import shapely

    z = to_complex(track.points)
    kind = Kind(int(np.bincount(track.kinds).argmax()))
    ends = np.append(z, z[0]) if track.is_closed else z
    line = shapely.LineString(to_points(ends)).simplify(FLAT_PX)
    corners = [complex(c) for c in to_complex(shapely.get_coordinates(line))]
    if track.is_closed:
        return polygon(corners[:-1], kind)
    return Path(polygon(corners, kind).segments[:-1], False)


def _steadied(marks: Ints, *, is_closed: bool) -> Ints:
    """The marks, with stretches too short to fit given to the neighbour before them."""
    out = marks.copy()
    while True:
        starts = _changes(out, is_closed=is_closed)
        if len(starts) < 2:
            return out
        n = len(out)
        lengths = np.diff(np.append(starts, starts[0] + n if is_closed else n))
        short = int(np.argmin(lengths))
        if lengths[short] >= LEAST_RUN_PX:
            return out
        where = np.arange(starts[short], starts[short] + lengths[short]) % n
        donor = starts[short] - 1 if is_closed or short > 0 else starts[1]
        out[where] = out[donor % n]


def _changes(marks: Ints, *, is_closed: bool) -> Ints:
    """Indices where a stretch of one mark starts; of an open line the first point, too."""
    differs = marks != np.roll(marks, 1)
    if not is_closed:
        differs[0] = True
    return np.flatnonzero(differs).astype(np.int64)


def _runs(points: Points, marks: Ints, *, is_closed: bool) -> Iterator[tuple[Points, int]]:
    """Stretches of one mark in order; neighbours share the point where the mark changes."""
    starts = _changes(marks, is_closed=is_closed)
    n = len(points)
    stops = np.append(starts[1:], starts[0] + n if is_closed else n - 1)
    for a, b in zip(starts, stops, strict=True):
        if b > a:
            yield points[np.arange(a, b + 1) % n], int(marks[a])


# ------------------------------------------------------------------ all outlines


def _apart(tracks: Sequence[_Track], bench: _Bench, flatness: tuple[float, ...]) -> list[Path]:
    """A path for each ring, those that would cross themselves or others fitted closer.

    They are looked at as coarsely as they are flattened here and by later stages: even there
    nothing may touch.
    """
    paths = _refined(tracks, _verified(tracks, bench), bench)
    tries = [0] * len(tracks)
    for _ in range(TRIES - 1):
        guilty = {k: places for each in flatness for k, places in _crossing(paths, each).items()}
        if not guilty:
            break
        for k, places in guilty.items():
            tries[k] = min(TRIES - 1, tries[k] + 1)
            paths[k] = _refitted(tracks[k], bench, tries[k], places)
    return paths


def _refined(tracks: Sequence[_Track], paths: Sequence[Path], bench: _Bench) -> list[Path]:
    """The paths, those of small letters fitted again to what the picture would be without blur."""
    blur = bench.limits.blur
    out = list(paths)
    if blur < SOFT_PX:
        return out
    boxes = np.array([[*track.points.min(axis=0), *track.points.max(axis=0)] for track in tracks])
    small = [
        k
        for k, track in enumerate(tracks)
        if _is_all_strict(track) and max(boxes[k, 2:] - boxes[k, :2]) < SMALL_PX
    ]
    seen = {k: _seen(k, tracks, paths, boxes, blur) for k in small}
    drawn = [
        replace(
            _drawn(tracks[k], bench.limits, ()), points=to_points(seen[k].unblurred), blur=SHARP_PX
        )
        for k in small
    ]
    for k, path in zip(small, fit_strict(drawn), strict=True):
        out[k] = path
        if _seen(k, tracks, out, boxes, blur).misfit >= BETTER * seen[k].misfit:
            out[k] = paths[k]
    return out


def _seen(
    k: int,
    tracks: Sequence[_Track],
    paths: Sequence[Path],
    boxes: npt.NDArray[np.float64],
    blur: float,
) -> Rendered:
    """One path as the picture would show it, with those close by."""
    apart = np.maximum(boxes[:, :2] - boxes[k, 2:], boxes[k, :2] - boxes[:, 2:]).max(axis=1)
    beside = [paths[m] for m in np.flatnonzero(apart < 5 * blur).tolist() if m != k]
    return rendered(to_complex(tracks[k].points), paths[k], beside, blur)


def _crossing(paths: Sequence[Path], flatness: float) -> dict[int, tuple[complex, ...]]:
    """Closed paths that cross themselves or touch each other: by index, and where."""
    import shapely

    if not paths:
        return {}
    flat = [path.flat(flatness) for path in paths]
    loops = np.array([shapely.LineString(np.vstack([f, f[:1]])) for f in flat])
    guilty: dict[int, list[complex]] = {
        k: _tangle.crossings_of(loops[k]).tolist()
        for k in np.flatnonzero(~shapely.is_simple(loops)).tolist()
    }
    a, b = shapely.STRtree(loops).query(loops, predicate="intersects")
    for i, j in zip(a.tolist(), b.tolist(), strict=True):
        if i < j:
            shared = to_complex(shapely.get_coordinates(loops[i].intersection(loops[j])))
            for k in (i, j):
                guilty.setdefault(k, []).extend(shared.tolist())
    return {k: tuple(guilty[k]) for k in sorted(guilty)}


# ------------------------------------------------------------------ the check


def _notes(track: _Track, path: Path, bench: _Bench, scale: float) -> list[Note]:
    """Where the path leaves the drawn line by more than it may, or was straightened."""
    worst = bench.worst(track, path)
    is_steady = track.tremor == 0 or worst.kind is Kind.ORGANIC
    if bench.excess(track, path) > 0 and (is_steady or bench.is_lost(track, path)):
        return [
            Note(
                NoteKind.DEVIATES,
                f"here the cutting line leaves the drawn one by {worst.gap * scale:.1f} mm",
                worst.place * scale,
                worst.gap * scale,
                "look at it; if it is wrong, mark the place as flowing or as lettering",
            )
        ]
    if track.tremor and worst.gap > bench.limits.eased(worst.ease).tolerance(worst.kind):
        return [
            Note(
                NoteKind.STRAIGHTENED,
                "the drawn line wavers or its corners are eased; it was straightened by up to "
                f"{worst.gap * scale:.1f} mm",
                worst.place * scale,
                worst.gap * scale,
                "look at it; if it should stay as drawn, mark the place as flowing",
            )
        ]
    return []


def _worst(track: _Track, path: Path, limits: _Limits) -> _Worst:
    z = to_complex(track.points)
    gaps = _gaps(z, path)
    tips, slack = _tips(path, limits.blur)
    if len(tips):
        near, which = _nearest(z, tips)
        gaps = gaps - np.where(near < slack[which] + 3 * limits.blur, slack[which], 0.0)
    allowed = np.where(track.kinds == Kind.ORGANIC, limits.organic, limits.strict)
    if track.eases is not None:
        allowed = allowed * np.array([1.0, LOOSER, STRICTER])[track.eases]
    k = int(np.argmax(gaps - allowed))
    ease = 0 if track.eases is None else int(track.eases[k])
    return _Worst(path, complex(z[k]), float(gaps[k]), Kind(int(track.kinds[k])), ease)


def _nearest(z: Complexes, spots: Complexes) -> tuple[npt.NDArray[np.float64], Ints]:
    """Distance of each point to its nearest spot, and which one that is."""
    if len(z) * len(spots) <= MOST_PAIRS:
        away = np.abs(z[:, None] - spots[None, :])
        which = away.argmin(axis=1)
        return away[np.arange(len(z)), which], which
    from scipy.spatial import cKDTree

    away, which = cKDTree(to_points(spots)).query(to_points(z))
    return away, which


def _gaps(z: Complexes, path: Path) -> npt.NDArray[np.float64]:
    """How far each point lies from a path."""
    line = to_complex(path.flat(FLAT_PX))
    line = np.append(line, line[0]) if path.is_closed else line
    if len(z) * len(line) <= MOST_PAIRS:
        few = max(1, AT_ONCE // len(line))  # so many that all numbers stay in fast memory
        parts = [z[k : k + few, None] for k in range(0, len(z), few)]
        return np.concatenate([_off(own, line[:-1], line[1:]).min(axis=1) for own in parts])
    line = np.append(_sampled(path), path.end)
    nearest = _nearest(z, line)[1]
    before = np.clip(nearest - 1, 0, len(line) - 2)
    after = np.clip(nearest, 0, len(line) - 2)
    return np.minimum(*(_off(z, line[k], line[k + 1]) for k in (before, after)))


def _off(z: Complexes, a: Complexes, b: Complexes) -> npt.NDArray[np.float64]:
    """Distance of points to straight pieces from a to b."""
    along = b - a
    size = np.maximum(along.real**2 + along.imag**2, 1e-12)
    x, y = z.real - a.real, z.imag - a.imag
    t = np.minimum(np.maximum((x * along.real + y * along.imag) / size, 0.0), 1.0)
    x, y = x - t * along.real, y - t * along.imag
    return np.asarray(np.sqrt(x * x + y * y), np.float64)


def _sampled(path: Path) -> Complexes:
    """Points on the path, at most half a pixel apart."""
    parts = [
        s.points_at(np.arange(n := max(2, math.ceil(2 * s.length))) / n) for s in path.segments
    ]
    return np.concatenate(parts)


def _tips(path: Path, blur: float) -> tuple[Complexes, npt.NDArray[np.float64]]:
    """The corners of a path, and how far blur has pulled the drawn line back from each."""
    segments = path.segments
    before = segments if path.is_closed else segments[:-1]
    after = (*segments[1:], segments[0]) if path.is_closed else segments[1:]
    tips, slack = [], []
    for a, b in zip(before, after, strict=True):
        cosine = dot(unit(a.tangent(1.0)), unit(b.tangent(0.0)))
        turn = math.acos(max(-1.0, min(1.0, cosine)))
        if math.degrees(turn) > CORNER_DEG:
            half = max(math.radians(5), (math.pi - turn) / 2)
            tips.append(b.start)
            slack.append(1.2 * blur / math.tan(half) + 0.6 * blur)
    return np.array(tips, complex), np.array(slack)
