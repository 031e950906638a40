"""Faces where nothing is in the way: each piece of edge gives its piece of torch line.

Most letters are such. What planar geometry would find out is then known beforehand; it is enough
to prove, for all of them at once, that the lines keep their distance and cross nowhere: a closed
line that lies at the distance from the edge everywhere, and nowhere nearer, bounds the eroded drop.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely

from raster2path.geometry import Complexes, Path, Segment, signed_area, to_points
from raster2path.torch._chain import chained, closed, spans_of
from raster2path.torch._edges import FLATNESS_MM, Bools, Floats, Ints, Proof, stretches
from raster2path.torch._joints import Joints, Runs, past_corners
from raster2path.torch._moved import Moved
from raster2path.torch._refit import FIT_MM, Spans
from raster2path.torch._round import goes_forward, loses_little, met_round, runs_round
from raster2path.torch._short import Keeps, without_short_lines

SLACK_MM = 0.016
"""How much nearer to an edge a line may come, both flattened; 0.02 mm with the flattening."""


@dataclass(frozen=True, slots=True, eq=False)
class PlainLines:
    """Torch lines of the rings that are plain.

    Attributes:
        paths: by ring.
        is_outer: of all rings; True where the line goes round metal.
        tips_rad: half the angle of the drop's tip at the end of each piece of edge; half a turn
            where there is none.
    """

    paths: dict[int, Path]
    is_outer: list[bool]
    tips_rad: Floats


def plain_lines(
    moved: Moved, proof: Proof, faces: Ints, rings: Bools, spare_mm: float
) -> PlainLines:
    """The torch lines of all rings asked for whose faces are plain all round.

    Args:
        moved: lines at the distance from every piece of edge.
        proof: whether lines keep a distance.
        faces: the face that each ring bounds.
        rings: those asked for.
        spare_mm: metal left on this far from the edge is of no account.
    """
    tips = np.full(moved.n, np.pi)
    is_outer = [ring.area > 0 for ring in moved.pieces.rings]
    runs, own = runs_round(moved, rings)
    if not len(own):
        return PlainLines({}, is_outer, tips)
    runs, joints, kept, is_good = met_round(moved, runs)
    own = own[kept]
    joints, left_out = past_corners(moved, proof, runs, joints, faces=faces[own], allowed=is_good)
    runs, kept = runs.without(left_out)
    joints, own, is_good = joints.of(kept), own[kept], is_good[kept]
    spans = spans_of(runs, joints)
    is_good &= goes_forward(moved, runs, joints)
    is_good &= loses_little(moved, runs, joints, spare_mm)
    can = _whole(faces, own, is_good) & rings
    paths = _proven(moved, proof, faces, _chains(moved, spans, own, can))
    _note_tips(moved, runs, joints, tips)
    return PlainLines(paths, is_outer, tips)


def _whole(faces: Ints, own: Ints, is_good: Bools) -> Bools:
    """For each ring, True where every run of every ring of its face is good."""
    n_faces = int(faces.max()) + 1 if len(faces) else 0
    bad = np.bincount(faces[own[~is_good]], minlength=n_faces)
    return np.asarray(bad[faces] == 0)


def _chains(moved: Moved, spans: Spans, own: Ints, can: Bools) -> dict[int, Path]:
    some = np.flatnonzero(can[own])
    made: dict[int, list[list[Segment]]] = {}
    for ring, pieces in zip(
        own[some].tolist(), chained(moved, spans.of(some), FIT_MM), strict=True
    ):
        made.setdefault(ring, []).append(pieces)
    return {ring: closed(pieces) for ring, pieces in made.items()}


def _proven(moved: Moved, proof: Proof, faces: Ints, paths: dict[int, Path]) -> dict[int, Path]:
    """The paths of faces all of whose paths keep their distance, are simple, and turn right."""
    if not paths:
        return {}
    distance = moved.distance[moved.pieces.first]
    calm = {
        ring: without_short_lines(path, _keeper(proof, int(faces[ring]), float(distance[ring])))
        for ring, path in paths.items()
    }
    numbers = np.array(list(calm))
    flats = [path.flat(FLATNESS_MM) for path in calm.values()]
    counts = np.array([len(flat) for flat in flats])
    lines, own = stretches(np.concatenate(flats), counts)
    near = ~proof.keeps(lines, faces[numbers][own], (distance[numbers] - SLACK_MM)[own])
    is_bad = np.bincount(own[near], minlength=len(numbers)) > 0
    which = np.repeat(np.arange(len(counts)), counts)
    areas = shapely.polygons(shapely.linearrings(np.concatenate(flats), indices=which))
    is_bad |= ~shapely.is_valid(areas)
    turns = np.array([signed_area(flat) for flat in flats])
    is_bad |= turns * np.array([moved.pieces.rings[k].area for k in numbers.tolist()]) <= 0
    wrong = np.unique(faces[numbers[is_bad]])
    return {ring: path for ring, path in calm.items() if faces[ring] not in wrong}


def _keeper(proof: Proof, face: int, distance: float) -> Keeps:
    def keeps(points: Complexes) -> bool:
        line = shapely.linestrings(to_points(points)[None])
        return bool(proof.keeps(line, face, distance - SLACK_MM)[0])

    return keeps


def _note_tips(moved: Moved, runs: Runs, joints: Joints, tips: Floats) -> None:
    rows, after = runs.rows, runs.rows[runs.after]
    both = ~moved.is_corner(rows) & ~moved.is_corner(after)
    inward = both & (moved.pieces.turn[rows % moved.n] < 0)
    rows, after = rows[inward], after[inward]
    into = moved.spots(rows, joints.t_end[inward])[1]
    out_of = moved.spots(after, joints.t_start[inward])[1]
    tips[rows] = (np.pi + np.angle(out_of * into.conjugate())) / 2
