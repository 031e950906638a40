"""How far from the edges a face is cut: half a kerf, and clean-up where it does no harm."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely

from raster2path.geometry import Kind
from raster2path.job import TorchRules
from raster2path.model import Sign
from raster2path.torch._edges import Bools, Floats, Ints, Pieces, Proof
from raster2path.torch._faces import Face
from raster2path.torch._moved import Moved
from raster2path.torch._offset import NOTHING, Eroded, erode_any, follow
from raster2path.torch._plain import PlainLines, plain_lines

LETTERING_CLEANUP_MM = 0.5
"""Left on inside letters, so that the drawn line stays visible and is ground to."""

WIDE_MM = 12.0
"""Openings that take a disc this wide leave room for clean-up."""

MOST_LOST_MM2 = 0.5
"""Clean-up may cost the tips of a drop so much, no more."""


def spare_mm(half_mm: float) -> float:
    """What may stay beside an edge without a word, at half a kerf; the clean-up comes on top."""
    return 0.4 * half_mm + 0.1


@dataclass(frozen=True, slots=True, eq=False)
class Track:
    """The torch lines round a face, and how far they lie from its edges; 0: they are the edges."""

    distance_mm: float
    eroded: Eroded


@dataclass(frozen=True, slots=True, eq=False)
class _Ground:
    """What the lines of all faces are found from."""

    pieces: Pieces
    proof: Proof
    faces: Sequence[Face]
    by_ring: Ints
    half_mm: float


def tracks(
    sign: Sign,
    rules: TorchRules,
    pieces: Pieces,
    proof: Proof,
    *,
    faces: Sequence[Face],
    by_ring: Ints,
) -> dict[int, Track]:
    """The torch lines of all faces, each at the largest clean-up that changes nothing else.

    Args:
        sign: what is cut.
        rules: kerf and clean-up.
        pieces: of all its edges.
        proof: whether lines keep their distance from those.
        faces: to be cut.
        by_ring: the number of the face that each edge bounds; beyond the last, none to be cut.
    """
    ground = _Ground(pieces, proof, faces, by_ring, rules.kerf_mm / 2)
    wanted = _wanted(sign, faces, rules)
    out: dict[int, Track] = {}
    for share in (1.0, 0.5):
        todo = [k for k in range(len(faces)) if wanted[k] > 0 and k not in out]
        if todo:
            out |= _left_on(ground, todo, share * wanted)
    rest = [k for k in range(len(faces)) if k not in out]
    if ground.half_mm == 0:
        return out | {k: Track(0.0, NOTHING) for k in rest}
    moved, plain = _lines(ground, rest, np.zeros(len(faces)))
    return out | {k: _track(ground, moved, plain, k) for k in rest}


def _lines(ground: _Ground, some: Sequence[int], cleanup: Floats) -> tuple[Moved, PlainLines]:
    """Lines at half a kerf and the clean-up (by face) beside all edges; of some faces, plain."""
    by_ring = ground.by_ring
    is_asked = np.isin(by_ring, np.array(some, np.int64))
    by_face = ground.half_mm + np.append(cleanup, 0.0)
    moved = Moved(ground.pieces, by_face[np.minimum(by_ring, len(cleanup))][ground.pieces.ring])
    return moved, plain_lines(moved, ground.proof, by_ring, is_asked, spare_mm(ground.half_mm))


def _track(ground: _Ground, moved: Moved, plain: PlainLines, k: int) -> Track:
    face = ground.faces[k]
    eroded = follow(plain, face.rings)
    if eroded is None:
        eroded = erode_any(moved, ground.proof, k, face.rings, face.area)
    return Track(float(moved.distance[ground.pieces.first[face.rings[0]]]), eroded)


def _left_on(ground: _Ground, todo: Sequence[int], cleanup: Floats) -> dict[int, Track]:
    """The tracks of those faces where this clean-up does no harm."""
    moved, plain = _lines(ground, todo, cleanup)
    lost = _lost_in_tips(ground, plain, cleanup)
    out = {}
    for k in todo:
        face = ground.faces[k]
        is_plain = all(ring in plain.paths for ring in face.rings)
        # the bound is for straight tips; half of what is allowed is left for bent ones
        is_harmless = is_plain and lost[k] < MOST_LOST_MM2 / 2
        if is_harmless or _is_harmless(face.area, ground.half_mm, float(cleanup[k])):
            out[k] = _track(ground, moved, plain, k)
    return out


def _lost_in_tips(ground: _Ground, plain: PlainLines, cleanup: Floats) -> Floats:
    """By face, what clean-up costs in all tips of the drop, those taken as straight.

    A tip ends as much earlier as makes it wider by the clean-up; what lies within one and a half
    of that from what remains is no loss.
    """
    face = ground.by_ring[ground.pieces.ring]
    some = (plain.tips_rad < math.pi / 2) & (face < len(cleanup))
    face, half = face[some], np.maximum(plain.tips_rad[some], 1e-3)
    c = cleanup[face]
    side = c / np.tan(half) - np.sqrt((1.5 * c + 0.05) ** 2 - c**2)
    area = np.maximum(side, 0.0) ** 2 * np.sin(half) * np.cos(half)
    return np.asarray(np.bincount(face, area, minlength=len(cleanup)), np.float64)


def _wanted(sign: Sign, faces: Sequence[Face], rules: TorchRules) -> Floats:
    """The clean-up wanted in each face."""
    if rules.cleanup_mm is not None or rules.kerf_mm <= 0:
        return np.full(len(faces), rules.cleanup_mm or 0.0)
    is_letter = np.array(
        [f.opening is not None and sign.edges[f.opening].path.kind is Kind.LETTERING for f in faces]
    )
    return np.where(is_letter & _are_wide(faces, is_letter), LETTERING_CLEANUP_MM, 0.0)


def _are_wide(faces: Sequence[Face], asked: Bools) -> Bools:
    """Where a wide disc has room; looked for only where the outline could hold it."""
    out = np.zeros(len(faces), np.bool_)
    areas = np.array([face.area for face in faces], object)
    x0, y0, x1, y1 = shapely.bounds(areas).T if len(faces) else np.zeros((4, 0))
    could = asked & (np.minimum(x1 - x0, y1 - y0) >= WIDE_MM)
    some = np.flatnonzero(could & (shapely.area(areas) >= math.pi * WIDE_MM**2 / 4))
    out[some] = ~shapely.is_empty(shapely.buffer(areas[some], -WIDE_MM / 2, quad_segs=16))
    return out


def _is_harmless(face: shapely.Polygon, half: float, cleanup: float) -> bool:
    """True where the clean-up closes no waist and loses no tip that the kerf alone reaches."""
    bare, left_on = face.buffer(-half), face.buffer(-half - cleanup)
    n_bare = sum(part.area > 0.01 for part in shapely.get_parts(bare))
    n_left_on = sum(part.area > 0.01 for part in shapely.get_parts(left_on))
    if n_bare != n_left_on or _n_holes(bare) != _n_holes(left_on):
        return False
    lost = bare.difference(left_on.buffer(1.5 * cleanup + 0.05))
    return bool(lost.area < MOST_LOST_MM2)


def _n_holes(area: shapely.Geometry) -> int:
    return sum(len(part.interiors) for part in shapely.get_parts(area))
