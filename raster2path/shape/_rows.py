"""What letters of one line of text share: directions of their straights, baseline and cap height.

Straights whose own points leave it open take the direction, and the line, on which their fellows
agree; a serif's end is ten points long and wavers by a degree, the stems beside it don't. Nothing
is moved by more than its own noise explains: this straightens, it does not restyle.
"""

from __future__ import annotations

import cmath
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from raster2path.geometry import Complexes
from raster2path.shape._cubics import Bools, Floats, Ints
from raster2path.shape._pieces import Piece, Sight

REACH = 8.0
"""Letters whose centres are so many heights apart may be of one line."""
UNLIKE = 3.0
"""Letters of one line differ in size by less than this factor (a capital and a comma don't)."""
SPREAD_RAD = 0.0015
"""Straights of one line of text are parallel to about this, on paper as in a picture."""
SURE = 1.8
"""Standard deviations within which two straights may be one direction, or one line."""
ONE_MIND = 0.2
"""Fellows agree if they are scattered by less than this share of what the straight leaves open."""
MOST_RAD = 0.07
MOST_LINES = 256
"""Straights looked at together with all others; more would only take memory."""


@dataclass(frozen=True, slots=True, eq=False)
class _Straights:
    """The straights of all outlines, in arrays.

    Attributes:
        owner: outline of each; size and middle are that outline's.
        open_rad: standard deviation of its direction as its own points tell it.
        open_px: standard deviation of its place across.
    """

    owner: Ints
    size: Floats
    middle: Complexes
    angle: Floats
    anchor: Complexes
    open_rad: Floats
    open_px: Floats

    def near(self, k: slice) -> Bools:
        """Which of some straights may be of one line of text with which."""
        apart = np.abs(self.middle[k, None] - self.middle[None, :])
        size = np.maximum(self.size[k, None], self.size[None, :])
        ratio = size / np.minimum(self.size[k, None], self.size[None, :])
        near = (apart < REACH * size) & (ratio < UNLIKE)
        return np.asarray(near | (self.owner[k, None] == self.owner[None, :]))


def in_rows(outlines: Sequence[tuple[Sequence[Piece], Sight]]) -> list[list[Piece]]:
    """The pieces of outlines, straights turned and moved to what they share with others nearby."""
    out = [list(pieces) for pieces, _ in outlines]
    spots = [(k, m) for k, own in enumerate(out) for m, p in enumerate(own) if p.is_line]
    if len(spots) < 2:
        return out
    straights = _gathered(outlines, spots)
    angle = _agreed_angles(straights)
    turned = replace(straights, angle=angle)
    shift = _agreed_shifts(turned)
    turn = np.exp(1j * (angle - straights.angle))
    for (k, m), by, across in zip(spots, turn.tolist(), shift.tolist(), strict=True):
        piece = out[k][m]
        direction = piece.direction * by
        out[k][m] = replace(
            piece, direction=direction, anchor=piece.anchor + 1j * direction * across
        )
    return out


def _gathered(
    outlines: Sequence[tuple[Sequence[Piece], Sight]], spots: Sequence[tuple[int, int]]
) -> _Straights:
    lines = [outlines[k][0][m] for k, m in spots]
    owner = np.array([k for k, _ in spots])
    boxes = [np.array([p.anchor for p in pieces if p.is_line]) for pieces, _ in outlines]
    size = np.array(
        [max(20.0, np.hypot(np.ptp(b.real), np.ptp(b.imag))) if len(b) else 1.0 for b in boxes]
    )
    middle = np.array([b.mean() if len(b) else 0j for b in boxes])
    sights = [outlines[k][1] for k, _ in spots]
    n = np.array([max(2.0, p.n - 2 * sight.trim) for p, sight in zip(lines, sights, strict=True)])
    open_rad = [sight.open_rad(m) for sight, m in zip(sights, n.tolist(), strict=True)]
    across = [sight.sigma * math.sqrt(sight.correlation_px) for sight in sights]
    return _Straights(
        owner,
        size[owner],
        middle[owner],
        np.array([cmath.phase(p.direction) for p in lines]),
        np.array([p.anchor for p in lines]),
        np.array(open_rad),
        across / np.sqrt(n) + 0.02,
    )


def _blocks(n: int) -> list[slice]:
    return [slice(k, k + MOST_LINES) for k in range(0, n, MOST_LINES)]


def _agreed_angles(s: _Straights) -> Floats:
    """Each direction, averaged with those parallel or square to it within what is open.

    Where those are not of one mind themselves, a straight keeps its own.
    """
    quarter = np.pi / 2
    out = s.angle.copy()
    for k in _blocks(len(out)):
        away = s.angle[None, :] - s.angle[k, None]
        away -= quarter * np.round(away / quarter)
        both = np.hypot(s.open_rad[k, None], s.open_rad[None, :])
        alike = s.near(k) & (np.abs(away) < np.minimum(SURE * both + SPREAD_RAD, MOST_RAD))
        weight = alike / (s.open_rad[None, :] ** 2 + SPREAD_RAD**2)
        total = weight.sum(axis=1)
        mean = (weight * away).sum(axis=1) / total
        scatter = np.sqrt((weight * (away - mean[:, None]) ** 2).sum(axis=1) / total)
        out[k] += np.where(scatter < ONE_MIND * s.open_rad[k] + SPREAD_RAD, mean, 0.0)
    return out


def _agreed_shifts(s: _Straights) -> Floats:
    """How far to the right each line is moved to lie on one with those of other outlines.

    Only lines travelled the same way: a letter's foot and another's, not a foot and a bar's top.
    """
    out = np.zeros(len(s.angle))
    for k in _blocks(len(out)):
        direction = np.exp(1j * s.angle[k])[:, None]
        between = s.anchor[None, :] - s.anchor[k, None]
        across, along = (direction.conj() * between).imag, (direction.conj() * between).real
        same_way = np.abs(np.exp(1j * s.angle)[None, :] - direction) < 3 * SPREAD_RAD
        other = s.owner[k, None] != s.owner[None, :]
        open_px = np.hypot(s.open_px[k, None], s.open_px[None, :])
        open_px = np.hypot(open_px, SPREAD_RAD / 4 * np.abs(along))
        alike = s.near(k) & same_way & other & (np.abs(across) < SURE * open_px)
        weight = alike / (open_px**2 + 1e-12)
        own = 1 / s.open_px[k] ** 2
        out[k] = (weight * across).sum(axis=1) / (weight.sum(axis=1) + own)
    return out
