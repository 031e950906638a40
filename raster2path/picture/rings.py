"""Room: ink in, closed rings out; each to a small part of a pixel, nested and never crossing.

The pixels' own boundary gives the rings their nesting. Each point of it then slides along the
slope of the ink's level to where that level is one half.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace

import cv2
import numpy as np
import numpy.typing as npt

from raster2path.geometry import Points
from raster2path.model import Ink, Level, PixelRing, PixelRings
from raster2path.picture._level import sampled

Ints = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]

LEAST_AREA_PX = 12.0
"""Smaller rings are dust: nothing that a torch could follow at any sensible size."""

_STEPS = 3
_FARTHEST_PX = 1.5  # a point that wants to go farther than this is led by something else
_LONGEST_STEP_PX = 0.75
_SETTLED_PX = 0.3  # a last step longer than this has not found the edge
# Blur added to the spline's own 0.58 px.
_PHOTO_SIGMA_PX = 0.55  # together 0.8, as measured
_TWO_TONE_SIGMA_PX = 0.9  # a picture without greys: less, and the staircase shows
_TILE_PX = 64  # of the picture, that are blurred as a whole or not at all
_NEAR_PX = 6.0  # how far from its first place a point may read the level
_REACH_PX = 4.0  # how much of a ring is put back onto the pixels round a crossing
_PIECE = 48  # points of a ring that are looked at together for crossings
_WINDOW = 5  # points on each side, for the noise
_STEPS_PX = 0.25
"""Whole pixels leave an edge uncertain by so much (1 / sqrt(12) is 0.29), smoothed or not: steps
along nearly level edges are longer than any window in which noise is measured."""


@dataclass(frozen=True, slots=True, eq=False)
class _Chains:
    """Many rings end to end: points, the first point of each ring, and how many it has."""

    points: Points
    starts: Ints
    sizes: Ints

    def ring(self, k: int) -> slice:
        return slice(int(self.starts[k]), int(self.starts[k] + self.sizes[k]))

    @property
    def owners(self) -> Ints:
        """The ring that each point belongs to."""
        return np.repeat(np.arange(len(self.sizes)), self.sizes)

    def shifted(self, step: int) -> Ints:
        """Index of the point `step` later on the same ring, for each point."""
        first = np.repeat(self.starts, self.sizes)
        size = np.repeat(self.sizes, self.sizes)
        at = np.arange(len(self.points)) - first
        return np.asarray(first + (at + step) % size, np.int64)

    def kept(self, keep: npt.NDArray[np.bool_]) -> _Chains:
        """The same rings without the points where `keep` is False."""
        sizes = np.bincount(self.owners[keep], minlength=len(self.sizes)).astype(np.int64)
        return _Chains(self.points[keep], _starts(sizes), sizes)

    def areas(self) -> Floats:
        """Signed area of each ring."""
        after = self.points[self.shifted(1)]
        terms = self.points[:, 0] * after[:, 1] - after[:, 0] * self.points[:, 1]
        return np.asarray(0.5 * np.bincount(self.owners, terms, len(self.sizes)), np.float64)

    def chosen(self, rings: Ints) -> _Chains:
        """Only these rings, in this order."""
        sizes = self.sizes[rings]
        starts = _starts(sizes)
        index = np.arange(int(sizes.sum())) + np.repeat(self.starts[rings] - starts, sizes)
        return _Chains(self.points[index], starts, sizes)


def trace_rings(ink: Ink, *, least_area_px: float = LEAST_AREA_PX) -> PixelRings:
    """Every edge of the ink as a closed ring, its points about one pixel apart.

    Args:
        ink: the mask says how rings nest, the level where exactly they run.
        least_area_px: rings round less than this, in square pixels, are left out.

    Returns:
        Simple rings that do not touch each other, outer ones clockwise as seen, holes
        anticlockwise. Ink that reaches the rim of the picture is closed along the rim.
        Ink that touches at a corner is one piece; paper that touches at a corner is two.
        Empty where there is no ink.
    """
    cracks = _pixel_boundaries(ink.mask)
    cracks = cracks.chosen(np.flatnonzero(np.abs(cracks.areas()) >= least_area_px))
    if not len(cracks.sizes):
        return PixelRings((), ink.blur_px)
    is_two_tone = _is_two_tone(ink, cracks)
    settled = _settle(cracks, _smoothed(ink, cracks, is_two_tone=is_two_tone))
    rings = _without_crossings(cracks, settled)
    noise = np.maximum(_noise(rings), _STEPS_PX if is_two_tone else 0.0)
    return PixelRings(
        tuple(
            PixelRing(rings.points[rings.ring(k)].copy(), float(noise[k]))
            for k in range(len(rings.sizes))
        ),
        ink.blur_px,
    )


def _is_two_tone(ink: Ink, cracks: _Chains) -> bool:
    """True where pixels at edges are ink or paper, and none between."""
    rows, cols = ink.level.shape
    col, row = (cracks.points - 0.5).astype(np.int64).T  # a pixel beside each piece of boundary
    beside = ink.level[np.clip(row, 0, rows - 1), np.clip(col, 0, cols - 1)]
    return float(((beside > 0.05) & (beside < 0.95)).mean()) < 0.05


def _smoothed(ink: Ink, cracks: _Chains, *, is_two_tone: bool) -> Level:
    """The level, blurred as far as the kind of picture needs."""
    sigma_px = _TWO_TONE_SIGMA_PX if is_two_tone else _PHOTO_SIGMA_PX
    if not (is_two_tone or ink.is_photograph):
        return ink.level
    return _blurred_near(ink.level, cracks.points, sigma_px)


def _blurred_near(level: Level, points: Points, sigma_px: float) -> Level:
    """The level, blurred by a Gaussian within a few pixels of the points, zero far from them."""
    rows, cols = level.shape
    tiles = np.zeros((-(-rows // _TILE_PX), -(-cols // _TILE_PX)), np.bool_)
    for shift in ((-1, -1), (-1, 1), (1, -1), (1, 1)):
        col, row = np.clip(points + np.multiply(shift, _NEAR_PX), 0, (cols - 1, rows - 1)).T
        tiles[row.astype(np.int64) // _TILE_PX, col.astype(np.int64) // _TILE_PX] = True
    blurred = np.zeros_like(level)
    reach = round(4 * sigma_px) + 1
    edges = np.diff(np.pad(tiles.astype(np.int8), ((0, 0), (1, 1))), axis=1)
    for (i, first), (_, end) in zip(np.argwhere(edges > 0), np.argwhere(edges < 0), strict=True):
        top, left = i * _TILE_PX, first * _TILE_PX
        low, right = min(top + _TILE_PX, rows), min(end * _TILE_PX, cols)
        up, back = min(reach, top), min(reach, left)
        part = level[top - up : low + reach, left - back : right + reach]
        soft = cv2.GaussianBlur(part, (0, 0), sigma_px)
        blurred[top:low, left:right] = soft[up : up + low - top, back : back + right - left]
    return blurred


def _starts(sizes: Ints) -> Ints:
    return np.concatenate([[0], np.cumsum(sizes)[:-1]]).astype(np.int64)


def _pixel_boundaries(mask: npt.NDArray[np.bool_]) -> _Chains:
    """Middles of the pixel sides between ink and paper, in order, ink to the right.

    The contours that OpenCV follows run through the ink's outermost pixels. Looking round each
    from where the contour came to where it goes, paper side first, gives the sides it passes.
    """
    contours, _ = cv2.findContours(
        mask.view(np.uint8) if mask.flags.c_contiguous else mask.astype(np.uint8),
        cv2.RETR_CCOMP,
        cv2.CHAIN_APPROX_NONE,
    )
    if not contours:
        none = np.zeros(0, np.int64)
        return _Chains(np.zeros((0, 2)), none, none)
    sizes = np.array([len(c) for c in contours], np.int64)
    pixels = np.concatenate(contours).reshape(-1, 2)
    chain = _Chains(pixels.astype(np.float64) + 0.5, _starts(sizes), sizes)
    after = pixels[chain.shifted(1)] - pixels
    # Eighths of a turn, counted clockwise as seen from due right; row = dy + 1, column = dx + 1.
    turn = np.array([[5, 6, 7], [4, -1, 0], [3, 2, 1]])
    out = turn[after[:, 1] + 1, after[:, 0] + 1]
    back = (out[chain.shifted(-1)] + 4) % 8
    # OpenCV keeps the paper on its right: from where it came, anticlockwise, to where it goes.
    gone = (back - out) % 8
    gone[gone == 0] = 8  # an end of a line as thin as a pixel: all the way round
    lone = out < 0
    back[lone], gone[lone] = 1, 8
    looked = (back[:, None] - np.arange(1, 8)) % 8
    is_side = (np.arange(1, 8) < gone[:, None]) & (looked % 2 == 0)
    step = np.array([[0.5, 0], [0, 0], [0, 0.5], [0, 0], [-0.5, 0], [0, 0], [0, -0.5], [0, 0]])
    owner, column = np.nonzero(is_side)
    points = chain.points[owner] + step[looked[owner, column]]
    counts = np.bincount(chain.owners[owner], minlength=len(sizes)).astype(np.int64)
    # Reversed as a whole, so that the ink comes to lie on the right.
    turned = counts[::-1]
    return _Chains(points[::-1], _starts(turned), turned)


def _settle(cracks: _Chains, level: Level) -> Points:
    """Each point moved to where the level is one half; left alone where that is not near."""
    point = cracks.points.copy()
    size = np.zeros(len(point))
    for _ in range(_STEPS):
        value, slope = sampled(level, point)
        steep = np.maximum((slope**2).sum(axis=1), 1e-4)
        move = slope * ((0.5 - value) / steep)[:, None]
        size = np.maximum(np.hypot(*move.T), 1e-12)
        point += move * np.minimum(1.0, _LONGEST_STEP_PX / size)[:, None]
    off = np.hypot(*(point - cracks.points).T)
    lost = (size > _SETTLED_PX) | (off > _FARTHEST_PX)
    point[lost] = cracks.points[lost]
    return np.asarray(point, np.float64)


def _evened(cracks: _Chains, points: Points) -> _Chains:
    """The rings with points evenly spaced, about a pixel apart, steps backward taken out."""
    chain = replace(cracks, points=points)
    onward = cracks.points[cracks.shifted(1)] - cracks.points
    step = points[chain.shifted(1)] - points
    is_back = ((onward * step).sum(axis=1) < 0)[chain.shifted(-1)]
    few = np.bincount(chain.owners[~is_back], minlength=len(chain.sizes)) < 8
    chain = chain.kept(~is_back | few[chain.owners])
    length = np.hypot(*(chain.points[chain.shifted(1)] - chain.points).T)
    total = np.bincount(chain.owners, length, len(chain.sizes))
    # One long line: every ring closed by a copy of its first point, no way between rings.
    ends = chain.starts + chain.sizes
    closed = np.insert(chain.points, ends, chain.points[chain.starts], axis=0)
    step_length = np.insert(length, chain.starts, 0.0)
    travelled = np.cumsum(step_length)
    begin = travelled[chain.starts + np.arange(len(ends))]
    sizes = np.maximum(8, np.round(total)).astype(np.int64)
    starts = _starts(sizes)
    share = (np.arange(int(sizes.sum())) - np.repeat(starts, sizes)) / np.repeat(sizes, sizes)
    where = np.repeat(begin, sizes) + share * np.repeat(total, sizes)
    x = np.interp(where, travelled, closed[:, 0])
    y = np.interp(where, travelled, closed[:, 1])
    return _Chains(np.column_stack([x, y]), starts, sizes)


def _without_crossings(cracks: _Chains, settled: Points) -> _Chains:
    """Evenly spaced rings that neither cross nor touch themselves or each other.

    Round a crossing, both rings go back to the pixels' boundary, which never crosses; a ring
    that still offends after a few rounds goes back as a whole.
    """
    points = settled.copy()
    rings = _evened(cracks, points)
    suspects: set[int] | None = None  # at first, all
    for _ in range(5):
        crossings = _crossings(rings, suspects)
        if not crossings:
            return rings
        suspects = {ring for ring, _ in crossings}
        for ring, place in crossings:
            part = cracks.ring(ring)
            near = np.hypot(*(cracks.points[part] - place).T) < _REACH_PX
            points[part][near] = cracks.points[part][near]
        rings = _evened(cracks, points)
    raw: set[int] = set()
    while bad := {ring for ring, _ in _crossings(rings)} - raw:
        raw |= bad
        rings = _mixed(cracks, rings, raw)
    return rings


def _mixed(cracks: _Chains, rings: _Chains, raw: set[int]) -> _Chains:
    """The rings, those in `raw` as the pixels have them."""
    parts = [
        (cracks if k in raw else rings).points[(cracks if k in raw else rings).ring(k)]
        for k in range(len(rings.sizes))
    ]
    sizes = np.array([len(part) for part in parts], np.int64)
    return _Chains(np.concatenate(parts), _starts(sizes), sizes)


def _crossings(rings: _Chains, suspects: set[int] | None = None) -> list[tuple[int, Points]]:
    """Rings that cross a suspect one, and those, each with a place; empty when all is well."""
    import shapely

    lines = shapely.linearrings(rings.points, indices=rings.owners)
    asked = np.arange(len(lines)) if suspects is None else np.array(sorted(suspects), np.int64)
    faces = shapely.polygons(lines[asked])
    found: list[tuple[int, Points]] = []
    for k in np.flatnonzero(~shapely.is_valid(faces)):
        place = re.findall(r"-?[\d.]+(?:e-?\d+)?", str(shapely.is_valid_reason(faces[k])))
        found.append((int(asked[k]), np.array(place[-2:], np.float64)))
    pieces, owner = _cut_up(rings)
    mine = np.flatnonzero(np.isin(owner, asked))
    one, other = shapely.STRtree(pieces).query(pieces[mine], predicate="intersects")
    pairs = np.sort(np.column_stack([owner[mine][one], owner[other]]), axis=1)
    for a, b in np.unique(pairs[pairs[:, 0] != pairs[:, 1]], axis=0):
        shared = shapely.get_coordinates(shapely.intersection(lines[a], lines[b]))
        found += [(int(k), place) for place in shared for k in (a, b)]
    return found


def _cut_up(rings: _Chains) -> tuple[npt.NDArray[np.object_], Ints]:
    """The rings as short lines, so that boxes tell most of them apart, and whose each is."""
    import shapely

    size = np.repeat(rings.sizes, rings.sizes)
    at = np.arange(len(rings.points)) - np.repeat(rings.starts, rings.sizes)
    begins = np.flatnonzero(at % _PIECE == 0)
    length = np.minimum(_PIECE, (size - at)[begins]) + 1  # with the first point of the next
    inside = np.arange(int(length.sum())) - np.repeat(np.cumsum(length) - length, length)
    begin = np.repeat(begins, length)
    first = begin - at[begin]
    points = rings.points[first + (at[begin] + inside) % size[begin]]
    lines = shapely.linestrings(points, indices=np.repeat(np.arange(len(begins)), length))
    return lines, rings.owners[begins]


def _noise(rings: _Chains) -> Floats:
    """Standard deviation, ring by ring, of the points about a parabola through 11 of them.

    By the median, so that corners do not count. Where most points lie near a corner, the
    smallest half of the rest decides.
    """
    reach = np.arange(-_WINDOW, _WINDOW + 1)
    basis = np.column_stack([np.ones(len(reach)), reach, reach**2])
    hat = basis @ np.linalg.pinv(basis)
    weight = hat[_WINDOW]
    smooth = np.zeros_like(rings.points)
    for step, share in zip(reach, weight, strict=True):
        smooth += share * rings.points[rings.shifted(int(step))]
    along = rings.points[rings.shifted(2)] - rings.points[rings.shifted(-2)]
    off = rings.points - smooth
    size = np.maximum(np.hypot(*along.T), 1e-9)
    across = np.abs(along[:, 0] * off[:, 1] - along[:, 1] * off[:, 0]) / size
    scale = 1.4826 / np.sqrt(1 - weight[_WINDOW])
    return np.array(
        [scale * float(np.median(across[rings.ring(k)])) for k in range(len(rings.sizes))]
    )
