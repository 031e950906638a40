"""Lines and arcs tidied: slivers of blur out, needless breaks out, and where neighbours meet."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from raster2path.geometry import Complexes, cross, dot, unit
from raster2path.shape._caps import with_caps
from raster2path.shape._pieces import LEAST_INNER_DEG, Piece, Sight, Sums, laid

SMOOTH_TURN_DEG = 14.0
"""A line and a curve that meet in less flow into each other."""
FLAT_PX = 0.25
"""A piece that bulges by less may be part of a longer line."""
LEAST_SAGITTA_PX = 0.08
FAINT_PX = 0.45
FAINT_SHARE = 0.01
"""A piece between two corners that bulges by less, and by less of its length, is a line."""
BENT_RATIO = 2.0
"""A line is the flat part of a curve where an arc leaves so many times less squared error."""
OFF_PX = 0.3
"""A point farther from a line is not on it."""
LONGEST_BEND = 40
"""Points of each line that may turn out to be part of a round corner."""
LONGEST_FILLET = 16
"""Points of a fillet that may be taken for a line: of more, enough are free of blur."""
UNEVEN_DEG = 14.0
"""A fillet turns as much where it begins as where it ends, to about this."""
MERGE_TURN_DEG = 1.5
"""Two lines that meet in less are one, where one line fits both."""


def meetings(a: Piece, b: Piece) -> list[complex]:
    """Where two pieces, carried on, meet: none, one or two places."""
    if a.is_line and b.is_line:
        sine = cross(a.direction, b.direction)
        if abs(sine) < 1e-6:
            return []
        return [a.anchor + a.direction * cross(b.anchor - a.anchor, b.direction) / sine]
    if a.is_line or b.is_line:
        line, arc = (a, b) if a.is_line else (b, a)
        foot = line.project(arc.anchor)
        half2 = arc.radius**2 - abs(foot - arc.anchor) ** 2
        if half2 < 0:
            return []
        return [foot + line.direction * s * math.sqrt(half2) for s in (-1, 1)]
    apart = abs(b.anchor - a.anchor)
    if apart < 1e-9:
        return []
    along = (a.radius**2 - b.radius**2 + apart**2) / (2 * apart)
    half2 = a.radius**2 - along**2
    if half2 < 0:
        return []
    towards = unit(b.anchor - a.anchor)
    return [a.anchor + towards * (along + 1j * s * math.sqrt(half2)) for s in (-1, 1)]


def turn_at(a: Piece, b: Piece, at: complex) -> float:
    """Turning from a to b at a place, in radians, to the right positive."""
    before, after = a.tangent(at), b.tangent(at)
    return math.atan2(cross(before, after), dot(before, after))


def near(z: Complexes, index: int, reach: int) -> Complexes:
    """Points of a closed outline within `reach` of an index."""
    return z[np.arange(index - reach, index + reach + 1) % len(z)]


def corner_of(a: Piece, b: Piece, z: Complexes, index: int, sight: Sight) -> complex | None:
    """Where two pieces meet, if blur explains how far that is from the outline."""
    reach = max(2, min(max(a.n, b.n) // 2, math.ceil(6 * sight.blur) + 4))
    around = near(z, index, reach)
    best: tuple[float, complex] | None = None
    for at in meetings(a, b):
        gap = float(np.min(np.abs(around - at)))
        if gap <= _limit(turn_at(a, b, at), sight) and (best is None or gap < best[0]):
            best = gap, at
    return None if best is None else best[1]


def _limit(turn_rad: float, sight: Sight) -> float:
    """How far from the outline a corner may lie."""
    eased = sight.fillet * _sagging(turn_rad)
    return 1.4 * sight.retreat(turn_rad) + 0.6 + 3 * sight.sigma + eased


def _without_slivers(pieces: list[Piece], sums: Sums, sight: Sight) -> list[Piece]:
    """The pieces, less the short ones that stand only for a corner rounded by blur."""
    z = sums.z
    longest = 6 * sight.blur + 3
    k = 0
    while k < len(pieces):
        for span in (2, 1):
            ends = k + span
            inner = k > 0 and ends < len(pieces)
            if not inner:
                continue
            a, b = pieces[k - 1], pieces[ends]
            eased = _eased(a, pieces[k:ends], b, sight)
            if sum(p.n for p in pieces[k:ends]) > longest and not eased:
                continue
            at = _apex(a, b, z, (pieces[k].first, pieces[ends - 1].last), sight, eased=eased)
            if at is None:
                continue
            pieces[k - 1 : ends + 1] = [
                laid(sums, a.first, at, sight, is_line=a.is_line),
                laid(sums, at, b.last, sight, is_line=b.is_line),
            ]
            k = max(0, k - 2)
            break
        k += 1
    return pieces


def _eased(a: Piece, between: Sequence[Piece], b: Piece, sight: Sight) -> float:
    """How far from its corner a fillet may lie to stand for it; 0 where there is none.

    So few points of it are free of blur that it may have been taken for a line.
    """
    if len(between) != 1 or not (a.is_line and b.is_line) or not sight.fillet:
        return 0.0
    turn = abs(turn_at(a, b, between[0].anchor))
    radius = sight.fillet + sight.blur
    return radius * _sagging(turn) if between[0].n <= radius * turn + 4 else 0.0


def _sagging(turn_rad: float) -> float:
    """How far a fillet of radius 1 lies from its corner."""
    return 1 / max(0.2, math.cos(turn_rad / 2)) - 1


def _rounded(pieces: list[Piece], sums: Sums) -> list[Piece]:
    """The pieces; short lines that stand for a fillet between two long ones made its arc."""
    out = list(pieces)
    for k in range(1, len(pieces) - 1):
        a, fillet, b = out[k - 1 : k + 2]
        if not (a.is_line and fillet.is_line and b.is_line):
            continue
        ends = [turn_at(a, fillet, fillet.anchor), turn_at(fillet, b, fillet.anchor)]
        is_even = ends[0] * ends[1] > 0 and abs(ends[0] - ends[1]) < math.radians(UNEVEN_DEG)
        if fillet.n > LONGEST_FILLET or min(a.n, b.n) < 2 * fillet.n or not is_even:
            continue
        turn = sum(ends)
        (apex,) = meetings(a, b) or [0j]
        run = sums.z[fillet.first : fillet.last + 1]
        radius = float(np.abs(run - apex).min()) / _sagging(turn)
        reach = radius * math.tan(abs(turn) / 2)
        more = round(max(0.0, radius * abs(turn) - fillet.n) / 2)
        if not apex or more > LONGEST_FILLET // 2 or min(a.n, b.n) < 2 * more:
            continue
        inward = 1j * math.copysign(1.0, turn) * a.direction
        centre = apex - a.direction * reach + inward * radius
        first, last = fillet.first - more, fillet.last + more
        out[k - 1], out[k + 1] = replace(a, last=first), replace(b, first=last)
        out[k] = Piece(first, last, centre, 0j, math.copysign(radius, turn))
    return out


def _parted(pieces: list[Piece], sums: Sums, sight: Sight) -> list[Piece]:
    """The pieces, with an arc between two lines that meet too far off the outline for a corner.

    Such a corner was drawn round; put on the outline, it would tilt both lines.
    """
    out = pieces[:1]
    for b in pieces[1:]:
        a = out[-1]
        bend = _bend(a, b, sums, sight) if a.is_line and b.is_line else None
        if bend is None:
            out.append(b)
        else:
            out[-1:] = [replace(a, last=bend.first), bend, replace(b, first=bend.last)]
    return out


def are_parted(a: Piece, b: Piece, z: Complexes, sight: Sight) -> bool:
    """True where two lines meet too far off the outline for a corner, if they meet at all."""
    both = a.is_line and b.is_line
    return both and corner_of(a, b, z, b.first % len(z), sight) is None


def _bend(a: Piece, b: Piece, sums: Sums, sight: Sight) -> Piece | None:
    """The arc between two lines that are parted, over the points that lie on neither."""
    z = sums.z
    if not are_parted(a, b, z, sight):
        return None
    off = max(3 * sight.sigma, OFF_PX)
    before = np.arange(max(a.first + 2, a.last - LONGEST_BEND), a.last + 1)
    after = np.arange(b.first, min(b.last - 2, b.first + LONGEST_BEND) + 1)
    on_a = before[np.abs(z[before] - a.on(z[before])) < off]
    on_b = after[np.abs(z[after] - b.on(z[after])) < off]
    if not len(on_a) or not len(on_b) or on_b[0] - on_a[-1] < 4:
        return None
    bend = laid(sums, int(on_a[-1]), int(on_b[0]), sight, is_line=False)
    return None if bend.is_line else bend


def _apex(
    a: Piece, b: Piece, z: Complexes, between: tuple[int, int], sight: Sight, *, eased: float
) -> int | None:
    """Index of the outline's point nearest to where a and b meet, if blur explains the rest.

    Blur, or a fillet that lies so far from it.
    """
    first, last = between
    if min(a.n, b.n) < last - first:
        return None
    run = z[first : last + 1]
    for at in meetings(a, b):
        turn = turn_at(a, b, at)
        ahead = dot(a.tangent(at), at - complex(run[0])) > -1
        behind = dot(b.tangent(at), complex(run[-1]) - at) > -1
        if math.pi - abs(turn) < math.radians(LEAST_INNER_DEG) or not (ahead and behind):
            continue
        gaps = np.abs(run - at)
        if float(gaps.min()) <= 1.25 * sight.retreat(turn) + 0.25 + eased:
            return first + int(np.argmin(gaps))
    return None


def tidied(pieces: list[Piece], sums: Sums, sight: Sight) -> list[Piece]:
    """The pieces without slivers and needless breaks."""
    pieces = with_caps(_without_slivers(pieces, sums, sight), sums, sight)
    pieces = _bent(_merged(pieces, sums, sight), sums, sight)
    pieces = _unbent(pieces, sums, sight)
    pieces = _parted(pieces, sums, sight)
    return pieces if sight.fillet else _rounded(pieces, sums)


def _merge_deg(a: Piece, b: Piece, sight: Sight) -> float:
    """Turning up to which two lines may be one: what a shaky hand leaves open of both."""
    if not sight.is_shaky:
        return MERGE_TURN_DEG
    both = math.hypot(*(sight.open_rad(piece.n - 2 * sight.trim) for piece in (a, b)))
    return max(MERGE_TURN_DEG, math.degrees(2 * both))


def _merged(pieces: list[Piece], sums: Sums, sight: Sight) -> list[Piece]:
    """Neighbours that are one line within the noise made one."""
    z = sums.z
    out = pieces[:1]
    for piece in pieces[1:]:
        before = out[-1]
        if before.sagitta < FLAT_PX and piece.sagitta < FLAT_PX:
            whole = laid(sums, before.first, piece.last, sight, is_line=True)
            ends = abs(math.degrees(turn_at(before, piece, complex(z[piece.first]))))
            run = z[whole.first + sight.trim : whole.last - sight.trim + 1]
            if ends < _merge_deg(before, piece, sight) and len(run) > 2:
                off = np.abs(((run - whole.anchor) * whole.direction.conjugate()).imag)
                if float(np.sqrt(np.mean(off**2))) < max(2.5 * sight.sigma, 0.15):
                    out[-1] = whole
                    continue
        out.append(piece)
    return out


def _bent(pieces: list[Piece], sums: Sums, sight: Sight) -> list[Piece]:
    """The pieces, with lines that are only the flat part of a curve made arcs.

    Such a line flows into a curve that bends the way its own points do.
    """
    z = sums.z
    out = list(pieces)
    for k, piece in enumerate(pieces):
        beside = [
            other
            for other in (*pieces[max(0, k - 1) : k], *pieces[k + 1 : k + 2])
            if not other.is_line and _flows(other, piece, z)
        ]
        if not piece.is_line or not beside:
            continue
        arc = laid(sums, piece.first, piece.last, sight, is_line=False)
        alike = all(arc.radius * other.radius > 0 for other in beside)
        if arc.is_line or not alike or arc.sagitta < LEAST_SAGITTA_PX:
            continue
        trim = max(0, min(sight.trim, (piece.n - 3) // 2))
        run = z[piece.first + trim : piece.last - trim + 1]
        straight = float(np.mean(np.abs(run - piece.on(run)) ** 2))
        round_ = float(np.mean(np.abs(run - arc.on(run)) ** 2))
        tightest = min(abs(other.radius) for other in beside)
        if straight > BENT_RATIO * round_ and abs(arc.radius) < 12 * tightest:
            out[k] = arc
    return out


def _unbent(pieces: list[Piece], sums: Sums, sight: Sight) -> list[Piece]:
    """The pieces, with arcs made lines that bulge by a hair and flow into no curve."""
    z = sums.z
    out = list(pieces)
    for k, piece in enumerate(pieces):
        beside = (*pieces[max(0, k - 1) : k], *pieces[k + 1 : k + 2])
        is_faint = piece.sagitta < min(FAINT_PX, FAINT_SHARE * piece.n)
        if piece.is_line or not is_faint or any(_flows(other, piece, z) for other in beside):
            continue
        out[k] = laid(sums, piece.first, piece.last, sight, is_line=True)
    return out


def _flows(a: Piece, b: Piece, z: Complexes) -> bool:
    """True where two neighbours, in either order, meet without a corner."""
    at = complex(z[max(a.first, b.first)])
    return abs(math.degrees(turn_at(a, b, at))) < SMOOTH_TURN_DEG
