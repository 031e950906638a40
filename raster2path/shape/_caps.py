"""Ends of thin strokes: flat or round, which blur all but hides.

A stroke a few pixels wide that ends square looks round in a picture. What blur makes of a square
end is known, though, and so is what a round one looks like; the outline's own points say which it
was.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from statistics import NormalDist

import numpy as np

from raster2path.geometry import Complexes, dot, unit
from raster2path.shape._cubics import Floats
from raster2path.shape._pieces import Piece, Sight, Sums

WIDEST = 5.5
WIDEST_PX = 4.5
"""The corners of an end wider than so much blur, and than this, are found one by one."""
OPPOSED_DEG = 45.0
"""To within this, the sides of a stroke run opposite ways."""
ASLANT_DEG = 10.0
"""A line that ends a stroke is square to it to within this, or was drawn aslant."""
MOST_PIECES = 3
"""Lines and arcs that blur may have made of one end."""
FAINTEST = 0.53
"""Of full ink; where a thin stroke is paler beside its middle, its outline tells nothing."""
THINNEST = 3.0
"""Of blur; the ends of a thinner stroke look alike."""
LEAST_WIDTH = 1.6
"""Of blur; a wedge's end that is less wide is a point as far as anybody can tell."""
SHARP = 1.2
SHARP_PX = 0.35
"""Blur draws the outline of a sharp point back by so many times `Sight.retreat`, and so much."""
FLATNESS = 0.065
"""A round end lies about twice so much of its stroke's width, less two blurs, from a flat one."""

_NORMAL = NormalDist()


def with_caps(pieces: list[Piece], sums: Sums, sight: Sight) -> list[Piece]:
    """The pieces, with what stands for a flat end of a thin stroke made one line across it."""
    out = list(pieces)
    k = 0
    while k < len(out) - 1:
        for span in range(min(MOST_PIECES, len(out) - k - 2) + 1):
            found = _capped(out[k], out[k + 1 : k + 1 + span], out[k + 1 + span], sums, sight)
            if found is not None:
                out[k : k + 2 + span] = found
                k += 1
                break
        k += 1
    return out


def _capped(
    a: Piece, between: Sequence[Piece], b: Piece, sums: Sums, sight: Sight
) -> tuple[Piece, Piece, Piece] | None:
    """Two sides of a stroke and a line across its end, if that is what ends it."""
    if not between and not (a.is_line and b.is_line):
        return None  # they flow into each other
    z = sums.z
    ahead, back = a.tangent(complex(z[a.last])), b.tangent(complex(z[b.first]))
    if (ahead * back.conjugate()).real > -math.cos(math.radians(OPPOSED_DEG)):
        return None
    forth, ahead = ahead, unit(ahead - back)
    if len(between) == 1 and between[0].is_line and _is_aslant(between[0], ahead):
        return None
    more = 0 if between else math.ceil(2 * sight.blur)
    first, last = max(a.first + 1, a.last - more), min(b.last - 1, b.first + more)
    run = z[first : last + 1]
    tip = complex(run[int(np.argmax((run * ahead.conjugate()).real))])
    sides = a.project(tip), b.project(tip)
    middle, width = sum(sides) / 2, abs(sides[0] - sides[1])
    widest = max(WIDEST * sight.blur, WIDEST_PX)
    if width > min(widest, a.n, b.n) or last - first > 2 * width + 6 * sight.blur:
        return None
    if between:
        end = _flat_end((run - middle) * ahead.conjugate(), width, sight.blur)
    else:
        end = _cut_off(width, forth, back, sight)
    if end is None:
        return None
    across = unit((sides[1] - sides[0]) - ahead * dot(ahead, sides[1] - sides[0]))
    cap = Piece(first, last, middle + end * ahead, across, 0.0)
    return replace(a, last=first), cap, replace(b, first=last)


def _is_aslant(end: Piece, ahead: complex) -> bool:
    """True where a stroke is cut off aslant: that is no end to be made square."""
    return abs(dot(end.direction, ahead)) > math.sin(math.radians(ASLANT_DEG))


def _cut_off(width: float, forth: complex, back: complex, sight: Sight) -> float | None:
    """How far beyond the outline's tip a wedge is cut off; None where its point may be sharp.

    Args:
        width: of the wedge at the outline's tip.
        forth: direction of the side that comes.
        back: of the side that goes.
        sight: of its outline.
    """
    turn = math.acos(max(-1.0, min(1.0, dot(forth, back))))
    beyond = width / 2 / math.tan(max((math.pi - turn) / 2, 1e-3))
    if width < LEAST_WIDTH * sight.blur or beyond < SHARP * sight.retreat(turn) + SHARP_PX:
        return None
    inked = _inked(np.zeros(1), width, sight.blur)[0]
    return sight.blur * _NORMAL.inv_cdf(0.5 / inked)


def _flat_end(run: Complexes, width: float, blur: float) -> float | None:
    """How far along the stroke it ends flat; None where its points are those of a round end.

    Args:
        run: the outline round the end; the stroke points to the right, its middle line is 0.
        width: of the stroke.
        blur: of the picture, as a standard deviation.
    """
    if width < THINNEST * blur:
        return None
    inked = _inked(run.imag, width, blur)
    told = inked > FAINTEST
    if told.sum() < 3:
        return None
    drawn_back = blur * np.array([_NORMAL.inv_cdf(0.5 / share) for share in inked[told]])
    flat = run.real[told] + drawn_back
    return float(flat.mean()) if flat.std() < FLATNESS * (width - 2 * blur) else None


def _inked(aside: Floats, width: float, blur: float) -> Floats:
    """How dark a blurred stroke is, so far beside its middle line."""
    return np.array(
        [
            _NORMAL.cdf((width / 2 - y) / blur) - _NORMAL.cdf((-width / 2 - y) / blur)
            for y in aside.tolist()
        ]
    )
