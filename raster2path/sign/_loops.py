"""Loops of slits too small for a gap of full width: the slit round them is left out."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely

from raster2path.geometry import Path
from raster2path.model import Note, NoteKind
from raster2path.sign._islands import parts_of
from raster2path.sign._slits import (
    HOLDING_MM,
    Parts,
    Walk,
    line_of,
    parts_between,
    pieces_without,
    walk_along,
)

LEAST_METAL_MM = 3.0
"""Less metal than this does not hold: what a hand leaves of the least tie."""

LONG_SLIT = 6.0
"""A slit longer than this many gaps is not left out whole, only where it bounds the loop."""

N_GENTLE_ROUNDS = 3
"""After so many rounds, every slit that touches a loose piece is left out."""


def without_small_loops(
    slits: Sequence[Path], metal: shapely.Geometry, *, kerf_mm: float
) -> tuple[tuple[Path, ...], tuple[complex, ...], tuple[Note, ...]]:
    """Slits less those that free pieces, the middles of what was left out, and a note on it.

    Nothing over a crumb is loose in the end that was not loose without slits.

    Args:
        slits: single passes, gaps of full width already made.
        metal: the metal that they lie in.
        kerf_mm: width that the arc removes.
    """
    kerf = max(kerf_mm, 0.02)
    out, middles, places = list(slits), list[complex](), list[complex]()
    for taken in (kerf + HOLDING_MM, kerf + HOLDING_MM / 3, kerf):
        for n_round in range(len(slits) + N_GENTLE_ROUNDS):
            parts = parts_between(out, metal, taken_mm=taken, kerf_mm=kerf)
            loose = _loose(parts, metal)
            is_gentle = n_round < N_GENTLE_ROUNDS
            gone = _chosen(
                out, parts, loose, taken=taken, least=LEAST_METAL_MM + kerf, is_gentle=is_gentle
            )
            if not gone:
                break
            if n_round == 0:
                places += [_middle(parts[k]) for k in loose]
            middles += [middle for middle, _ in gone.values()]
            out = [p for k, slit in enumerate(out) for p in (gone[k][1] if k in gone else [slit])]
    return tuple(out), tuple(middles), _notes(places)


def _loose(parts: list[shapely.Geometry], metal: shapely.Geometry) -> list[int]:
    """Parts that are not the largest of their piece of metal."""
    pieces = parts_of(metal)
    if len(pieces) <= 1:
        return list(range(1, len(parts)))
    tree = shapely.STRtree(pieces)
    points = [part.representative_point() for part in parts]
    found = dict(reversed(tree.query(points, predicate="within").T.tolist()))
    first = {piece: k for k, piece in reversed(found.items())}
    return [k for k, piece in found.items() if first[piece] != k]


def _chosen(
    slits: list[Path],
    parts: list[shapely.Geometry],
    loose: list[int],
    *,
    taken: float,
    least: float,
    is_gentle: bool,
) -> dict[int, tuple[complex, list[Path]]]:
    """For each slit that goes, its middle and what stays of it: one for each loose part."""
    if not loose or not slits:
        return {}
    located, lines = Parts(parts), shapely.STRtree([line_of(slit) for slit in slits])
    walks: dict[int, Walk] = {}
    gone: dict[int, tuple[complex, list[Path]]] = {}
    for part in loose:
        near = lines.query(parts[part], predicate="dwithin", distance=taken).tolist()
        near.sort(key=lambda k: (slits[k].length < least, abs(slits[k].length - least), k))
        if not is_gentle:
            gone |= {k: (_halfway(slits[k]), []) for k in near}
            continue
        if any(k in gone for k in near):
            continue  # its neighbour's gap may do for both
        for k in near:
            run = _run(walks.setdefault(k, walk_along(slits[k])), located, part, taken)
            if run is not None:
                gone[k] = _opened(slits[k], run, least)
                break
    return gone


def _run(walk: Walk, parts: Parts, part: int, kerf: float) -> tuple[float, float] | None:
    """From where to where along a slit a part lies on one side and another on the other."""
    right, left = parts.beside(walk, kerf / 2 + 0.3)
    bounds = ((right == part) != (left == part)) & (right >= 0) & (left >= 0)
    if not bounds.any():
        return None
    along = walk.along[bounds]
    jumps = np.flatnonzero(np.diff(along) > 3 * (walk.along[1] - walk.along[0]))
    starts, ends = np.append(along[0], along[jumps + 1]), np.append(along[jumps], along[-1])
    k = int(np.argmax(ends - starts))
    return float(starts[k]), float(ends[k])


def _opened(slit: Path, run: tuple[float, float], least: float) -> tuple[complex, list[Path]]:
    """A slit without the run, or without all of it where it is short; the middle of the gap."""
    total = slit.length
    if total <= LONG_SLIT * least:
        return _halfway(slit), []
    middle, gap = sum(run) / 2, max(run[1] - run[0], least)
    kept = [path for path in pieces_without(slit, [middle], gap) if path.length > least]
    points = shapely.get_coordinates(line_of(slit))
    at = shapely.line_interpolate_point(shapely.LineString(points), middle)
    return complex(at.x, at.y), kept


def _halfway(slit: Path) -> complex:
    at = shapely.line_interpolate_point(line_of(slit), 0.5, normalized=True)
    return complex(at.x, at.y)


def _middle(part: shapely.Geometry) -> complex:
    point = part.representative_point()
    return complex(point.x, point.y)


def _notes(places: Sequence[complex]) -> tuple[Note, ...]:
    if not places:
        return ()
    loops = "A loop" if len(places) == 1 else f"{len(places)} loops"
    verb = "was" if len(places) == 1 else "were"
    sentence = f"{loops} of slits too small to hold {verb} left open."
    advice = "make the sign larger, or draw them larger, to keep them"
    return (Note(NoteKind.TOO_SMALL, sentence, places[0], None, advice),)
