"""Outlines of letters and ruled figures: straights straight, corners sharp, curves smooth.

The road, for outlines in pixels: the cheapest chain of lines and arcs; short pieces that blur
alone explains taken out; corners where neighbours, carried on, meet; curves between corners fitted
anew as smooth cubics, those of all outlines at once. Whatever leaves its outline is fitted again,
closer.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from raster2path.geometry import (
    Arc,
    Complexes,
    Kind,
    Line,
    Path,
    Points,
    Segment,
    to_complex,
    to_points,
    unit,
)
from raster2path.shape import _tangle, curves
from raster2path.shape._caps import WIDEST, WIDEST_PX
from raster2path.shape._pieces import Piece, Sight, Sums, laid, pieces_of, turning
from raster2path.shape._rows import in_rows
from raster2path.shape._tidied import (
    LONGEST_FILLET,
    SMOOTH_TURN_DEG,
    are_parted,
    corner_of,
    near,
    tidied,
    turn_at,
)

LEAST_SIGMA_PX = 0.06
"""No outline is taken to be truer than this: sampling alone leaves about as much."""
LEAST_BLUR_PX = 0.5
"""A pixel is a square: even a graphic's edges are blurred by about half a pixel."""
SMOOTH_ARCS_DEG = 24.0
"""Two arcs that meet in less are one curve: arcs only stand in for it until it is fitted."""
CLOSER_PRICE = 0.3
"""Factor on the prices of pieces where the first fit leaves its outline."""
SLACK_PX = 0.5
"""Beside a corner, blur may move points by so much more than further out."""
SHAKY = 4.0
"""A hand strays by so many times its tremor now and then; that is not followed."""
FLATNESS_PX = 0.05


@dataclass(frozen=True, slots=True, eq=False)
class Drawn:
    """An outline to be fitted strictly.

    Attributes:
        points: (n, 2) in pixels, about a pixel apart; a closed one's first is not repeated.
        sigma: standard deviation of the outline's own noise or tremor.
        blur: standard deviation of the blur of the edge.
        tolerance: how far the path should leave the outline at most, corners apart.
        kind: given to each segment.
        tight: places near which corners are not carried on beyond the outline.
        is_shaky: True where sigma is a hand's tremor, which is alike over a dozen points.
        fillet: radius up to which an arc between two straights is taken for a corner.
    """

    points: Points
    sigma: float
    blur: float
    tolerance: float
    kind: Kind
    tight: tuple[complex, ...] = ()
    is_shaky: bool = False
    fillet: float = 0.0

    @property
    def sight(self) -> Sight:
        """What is known of it."""
        sigma, blur = max(self.sigma, LEAST_SIGMA_PX), max(self.blur, LEAST_BLUR_PX)
        tolerance = max(self.tolerance, SHAKY * sigma) if self.is_shaky else self.tolerance
        return Sight(
            sigma,
            blur,
            tolerance,
            self.kind,
            tight=self.tight,
            is_shaky=self.is_shaky,
            fillet=self.fillet,
        )


@dataclass(frozen=True, slots=True)
class _Joint:
    """Where two neighbouring pieces meet.

    Attributes:
        tangent: the direction shared there, or None at a corner.
        is_inside: True where two arcs are one curve, so that nothing is fixed there.
    """

    index: int
    point: complex
    tangent: complex | None
    is_inside: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class _Chain:
    """Lines and arcs laid on a closed outline, which starts where the first of them does."""

    z: Complexes
    sight: Sight
    pieces: tuple[Piece, ...]


@dataclass(frozen=True, slots=True, eq=False)
class _Plan:
    """A chain of pieces that is settled but for its curves.

    Attributes:
        parts: in order, lines and tracks that curves are to be fitted to.
        off: how far the farthest point is from its line.
    """

    z: Complexes
    sight: Sight
    parts: tuple[Line | curves.Track, ...]
    off: float


@dataclass(frozen=True, slots=True, eq=False)
class _Strict:
    """A path, and how far it leaves its outline beyond what blur and noise explain."""

    path: Path
    excess: float


def fit_strict(outlines: Sequence[Drawn]) -> list[Path]:
    """The closed paths of lines, arcs and smooth cubics that closed outlines stand for.

    Args:
        outlines: of three points or more each.

    Returns:
        One path for each, travelled the same way as its points. Each straight is one line,
        corners are where neighbours meet, curves are tangent to the straights that they flow
        into. Letters of one line of text share directions, baseline and cap height as far as
        their own noise leaves those open. None crosses itself if its outline doesn't.
    """
    rings = [_evenly(to_complex(drawn.points), is_closed=True) for drawn in outlines]
    whole = [_circle(z, drawn.sight) for z, drawn in zip(rings, outlines, strict=True)]
    asked = [
        (z, drawn.sight)
        for z, drawn, circle in zip(rings, outlines, whole, strict=True)
        if circle is None
    ]
    fitted = iter(_untangled(asked))
    return [next(fitted) if circle is None else circle for circle in whole]


def _untangled(asked: Sequence[tuple[Complexes, Sight]]) -> list[Path]:
    """Paths that do not cross themselves: corners beside crossings stay on the outline."""
    paths = _closest(asked)
    again: dict[int, Sight] = {}
    for k, path in enumerate(paths):
        if len(places := _tangle.crossings(path, FLATNESS_PX)):
            sight = asked[k][1]
            again[k] = replace(sight, tight=(*sight.tight, *places.tolist()))
    other = _closest([(asked[k][0], sight) for k, sight in again.items()])
    for k, path in zip(again, other, strict=True):
        z, sight = asked[k]
        if not _tangle.is_simple(path, FLATNESS_PX):
            path = _tangle.drawn_apart(path, z, sight.kind)  # noqa: PLW2901
        is_simple = _tangle.is_simple(path, FLATNESS_PX)
        paths[k] = path if is_simple else _loose(z, sight)
    return paths


def _closest(asked: Sequence[tuple[Complexes, Sight]]) -> list[Path]:
    """The fits, with more pieces where the first one leaves the outline."""
    fits = _fitted(asked)
    late = [k for k, fit in enumerate(fits) if fit.excess > 0]
    closer = [(asked[k][0], replace(asked[k][1], price=CLOSER_PRICE)) for k in late]
    for k, other in zip(late, _fitted(closer), strict=True):
        if other.excess < fits[k].excess:
            fits[k] = other
    return [fit.path for fit in fits]


def _fitted(asked: Sequence[tuple[Complexes, Sight]]) -> list[_Strict]:
    """One attempt at each of many closed outlines."""
    chains = [_chain(z, sight) for z, sight in asked]
    rows = in_rows([(chain.pieces, chain.sight) for chain in chains])
    plans = [
        _planned(replace(chain, pieces=tuple(pieces)))
        for chain, pieces in zip(chains, rows, strict=True)
    ]
    tracks = [part for plan in plans for part in _tracks(plan)]
    found = iter(curves.fit_runs(tracks))
    return [_built(plan, found) for plan in plans]


def _tracks(plan: _Plan) -> list[curves.Track]:
    return [part for part in plan.parts if isinstance(part, curves.Track)]


def _built(plan: _Plan, found: Iterator[curves.Fitted]) -> _Strict:
    """The path of a plan with its curves, which come in the plan's order."""
    segments, gap = _segments(plan, found)
    if not segments:
        return _Strict(_loose(plan.z, plan.sight), 0.0)
    sight = plan.sight
    allowed = max(sight.tolerance, 4 * sight.sigma, SLACK_PX) + SLACK_PX
    return _Strict(Path(segments, True), max(gap, plan.off) - allowed)


def _segments(plan: _Plan, found: Iterator[curves.Fitted]) -> tuple[tuple[Segment, ...], float]:
    """A plan's lines and curves in order, and how far the farthest point is from its curve."""
    out: list[Segment] = []
    gap = 0.0
    for part in plan.parts:
        if isinstance(part, Line):
            out.append(part)
        else:
            curve = next(found)
            out += curve.segments
            gap = max(gap, curve.gap)
    return tuple(segment for segment in out if segment.length > 1e-6), gap


def fit_strict_run(
    drawn: Drawn, start_tangent: complex | None = None, end_tangent: complex | None = None
) -> tuple[Segment, ...]:
    """Lines and smooth cubics for an open run; the first and last point are kept exactly.

    Args:
        drawn: of two points or more.
        start_tangent: direction that a curve at the start has to take; lines go their own way.
        end_tangent: the same at the end.
    """
    sight = drawn.sight
    given = to_complex(drawn.points)
    z = _evenly(given, is_closed=False)
    if len(z) < 4:
        return (Line(complex(given[0]), complex(given[-1]), drawn.kind),)
    sums = Sums(z)
    (pieces,) = in_rows([(tidied(pieces_of(sums, sight), sums, sight), sight)])
    joints = [
        _Joint(0, complex(given[0]), start_tangent),
        *_inner_joints(pieces, z, sight),
        _Joint(len(z) - 1, complex(given[-1]), end_tangent),
    ]
    plan = _Plan(z, sight, tuple(_parts(pieces, joints, z, sight)), 0.0)
    return _segments(plan, iter(curves.fit_runs(_tracks(plan))))[0]


def _evenly(z: Complexes, *, is_closed: bool) -> Complexes:
    """The same outline with points about a pixel apart (closer where it is very small)."""
    around = np.append(z, z[0]) if is_closed else z
    along = np.concatenate([[0.0], np.cumsum(np.abs(np.diff(around)))])
    length = float(along[-1])
    n = max(math.ceil(length), 24 if is_closed else 3)
    at = np.linspace(0.0, length, n + 1)
    even = np.asarray(np.interp(at, along, around), np.complex128)
    return even[:-1] if is_closed else even


def _joint(a: Piece, b: Piece, z: Complexes, sight: Sight) -> _Joint:
    """How piece a goes over into piece b."""
    index = b.first
    here = complex(z[index])
    turn = abs(math.degrees(turn_at(a, b, here)))
    if not (a.is_line or b.is_line) and turn < _smooth_arcs_deg(a, b, sight):
        return _Joint(index, here, unit(a.tangent(here) + b.tangent(here)), is_inside=True)
    if a.is_line != b.is_line and turn < SMOOTH_TURN_DEG:
        line = a if a.is_line else b
        return _Joint(index, line.project(here), line.direction)
    at = None if _is_tight(here, sight) else corner_of(a, b, z, index, sight)
    if at is None:
        at = _notch(a, b, z, index, sight)
    return _Joint(index, at, None)


def _is_tight(at: complex, sight: Sight) -> bool:
    return any(abs(at - place) < 5 * sight.blur + 2 for place in sight.tight)


def _smooth_arcs_deg(a: Piece, b: Piece, sight: Sight) -> float:
    """Turning up to which two arcs are one curve; tight ones turn within the trimmed points."""
    return SMOOTH_ARCS_DEG + math.degrees(
        0.6 * sight.trim * (1 / abs(a.radius) + 1 / abs(b.radius))
    )


def _notch(a: Piece, b: Piece, z: Complexes, index: int, sight: Sight) -> complex:
    """Where two pieces that don't meet nearby go over: where the outline turns most."""
    reach = max(3, math.ceil(2 * sight.blur))
    around = near(z, index, 3 * reach)
    turns = turning(around, reach, is_closed=False)
    turns[: 2 * reach] = turns[-2 * reach :] = 0
    at = complex(around[int(np.argmax(turns))])
    if a.is_line and b.is_line:
        return (a.project(at) + b.project(at)) / 2
    if a.is_line or b.is_line:
        return (a if a.is_line else b).project(at)
    return at


def _inner_joints(pieces: Sequence[Piece], z: Complexes, sight: Sight) -> list[_Joint]:
    return [_joint(a, b, z, sight) for a, b in pairwise(pieces)]


# ------------------------------------------------------------------------------- assembly


def _parts(
    pieces: Sequence[Piece], joints: Sequence[_Joint], z: Complexes, sight: Sight
) -> list[Line | curves.Track]:
    """Lines from joint to joint, and the tracks of curves over whole runs of arcs."""
    out: list[Line | curves.Track] = []
    k = 0
    while k < len(pieces):
        start = joints[k]
        if pieces[k].is_line:
            out.append(Line(start.point, joints[k + 1].point, sight.kind))
            k += 1
            continue
        first = k
        while k + 1 < len(pieces) and joints[k + 1].is_inside and not pieces[k + 1].is_line:
            k += 1
        out.append(_track(pieces[first : k + 1], start, joints[k + 1], z, sight))
        k += 1
    return out


def _track(
    arcs: Sequence[Piece], start: _Joint, end: _Joint, z: Complexes, sight: Sight
) -> curves.Track:
    """What smooth cubics follow over a run of arcs; near a corner the arc tells where it ran."""
    first, last = arcs[0].first, arcs[-1].last
    skip = max(0, min(sight.trim, (last - first - 4) // 2))
    a = skip if start.tangent is None else min(1, skip)
    b = skip if end.tangent is None else min(1, skip)
    run = z[first + a : last - b + 1]
    head = _carried(arcs[0], start.point, complex(run[0])) if a > 1 else np.zeros(0, complex)
    tail = _carried(arcs[-1], complex(run[-1]), end.point) if b > 1 else np.zeros(0, complex)
    track = np.concatenate([[start.point], head, run, tail, [end.point]])
    return curves.Track(
        to_points(_forward(track)),
        sight.sigma,
        sight.tolerance,
        start.tangent,
        end.tangent,
        sight.kind,
    )


def _carried(arc: Piece, start: complex, end: complex) -> Complexes:
    """Points about a pixel apart on an arc, between two places near it, ends left out."""
    n = int(abs(end - start))
    between = start + (end - start) * np.arange(1, n) / max(n, 1)
    out = between - arc.anchor
    return np.asarray(arc.anchor + out / np.abs(out) * abs(arc.radius), np.complex128)


def _forward(track: Complexes) -> Complexes:
    """The track without points that repeat the one before."""
    keep = np.abs(np.diff(track)) > 1e-3
    keep[-1] = True
    out = track[np.concatenate([[True], keep])]
    if len(out) > 2 and abs(out[-1] - out[-2]) <= 1e-3:
        out = np.delete(out, -2)
    return np.asarray(out, np.complex128)


# ------------------------------------------------------------------------------- closed outlines


def _chain(z: Complexes, sight: Sight) -> _Chain:
    """Lines and arcs laid on a closed outline."""
    reach = max(3, math.ceil(2 * sight.blur))
    turns = turning(z, reach, is_closed=True)
    sharpest = int(np.argmax(turns))
    z = np.roll(z, -sharpest)
    sums = Sums(np.append(z, z[0]))
    pieces = pieces_of(sums, sight)
    no_corner = turns[sharpest] < math.radians(40)
    starts_aside = (
        _starts_in_fillet(pieces, z)
        or _starts_in_cap(pieces, sight)
        or are_parted(pieces[-1], pieces[0], z, sight)
    )
    if len(pieces) > 1 and (no_corner or starts_aside):
        return _from_longest(z, pieces, sight)
    return _Chain(z, sight, tuple(tidied(pieces, sums, sight)))


def _from_longest(z: Complexes, pieces: Sequence[Piece], sight: Sight) -> _Chain:
    """The chain laid anew from the middle of the longest piece, which stays one piece."""
    longest = max(pieces, key=lambda piece: piece.n)
    z = np.roll(z, -(longest.first + longest.n // 2))
    sums = Sums(np.append(z, z[0]))
    again = tidied(pieces_of(sums, sight), sums, sight)
    if len(again) < 3 or not (again[0].is_line and again[-1].is_line):
        return _Chain(z, sight, tuple(again))
    shift = again[0].last
    z = np.roll(z, -shift)
    moved = [replace(p, first=p.first - shift, last=p.last - shift) for p in again[1:]]
    whole = laid(Sums(np.append(z, z[0])), moved[-1].first, len(z), sight, is_line=True)
    return _Chain(z, sight, (*moved[:-1], whole))


def _starts_in_fillet(pieces: Sequence[Piece], z: Complexes) -> bool:
    """True where the first or last piece is short and goes over into the other in a bend."""
    seam = abs(turn_at(pieces[-1], pieces[0], complex(z[0])))
    is_short = min(pieces[0].n, pieces[-1].n) <= LONGEST_FILLET
    return is_short and seam < math.radians(60)


def _starts_in_cap(pieces: Sequence[Piece], sight: Sight) -> bool:
    """True where the first or last piece may be part of a thin stroke's end."""
    widest = max(WIDEST * sight.blur, WIDEST_PX)
    return min(pieces[0].n, pieces[-1].n) <= widest


def _planned(chain: _Chain) -> _Plan:
    """Pieces and joints of a closed outline; no parts where it is all one curve."""
    z, sight, pieces = chain.z, chain.sight, chain.pieces
    if len(pieces) == 1:
        return _Plan(z, sight, (), 0.0)
    seam = _joint(pieces[-1], pieces[0], z, sight)
    joints = [seam, *_inner_joints(pieces, z, sight)]
    if all(joint.is_inside for joint in joints):
        return _Plan(z, sight, (), 0.0)
    # start where something is fixed, so that no run of arcs goes over the seam
    k = next(i for i, joint in enumerate(joints) if not joint.is_inside)
    shift, n = pieces[k].first, len(z)
    order = [*range(k, len(pieces)), *range(k)]
    moved = [
        replace(
            pieces[i],
            first=(pieces[i].first - shift) % n,
            last=(pieces[i].last - shift - 1) % n + 1,
        )
        for i in order
    ]
    around = [*(joints[i] for i in order), joints[k]]
    rolled = np.roll(z, -shift)
    track = np.append(rolled, rolled[0])
    off = max((_off(piece, track, sight) for piece in moved if piece.is_line), default=0.0)
    return _Plan(z, sight, tuple(_parts(moved, around, track, sight)), off)


def _off(line: Piece, z: Complexes, sight: Sight) -> float:
    """How far the farthest of a line's points is from it, blur's zone at both ends left out."""
    trim = max(0, min(2 * sight.trim, (line.n - 3) // 2))
    run = z[line.first + trim : line.last - trim + 1]
    off = ((run - line.anchor) * line.direction.conjugate()).imag
    return float(np.abs(off).max(initial=0.0))


def _loose(z: Complexes, sight: Sight) -> Path:
    """Smooth cubics all round, as for flowing art, as close as the noise allows."""
    return curves.fit_closed(
        to_points(z), sigma=sight.sigma, tolerance=sight.tolerance, kind=sight.kind
    )


def _circle(z: Complexes, sight: Sight) -> Path | None:
    """Two half circles, where the whole outline is one within its noise."""
    centre, radius = Sums(z).circle(0, len(z) - 1)
    if not math.isfinite(radius):
        return None
    off = np.abs(np.abs(z - centre) - radius)
    if float(off.max()) > max(4 * sight.sigma, 0.2) or float(off.mean()) > 1.5 * sight.sigma:
        return None
    sweep = math.copysign(
        math.pi, float(np.sum(np.angle((np.roll(z, -1) - centre) / (z - centre))))
    )
    west, east = centre - radius, centre + radius
    return Path((Arc(west, centre, sweep, sight.kind), Arc(east, centre, sweep, sight.kind)), True)
