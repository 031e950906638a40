"""Where the metal between two cuts is thinner than the least web."""

from __future__ import annotations

import shapely

from raster2path.model import Note, NoteKind

N_TOLD = 8
"""More than this many places are no help on a terminal; the worst are told."""

NEAR_MM = 15.0
"""Thin places nearer than this are one place to the maker."""


def thin_places(metal: shapely.Geometry, *, web_mm: float) -> tuple[Note, ...]:
    """A note for each of the worst places where metal is thinner than `web_mm`.

    Thin is what an opening by a disc of the web's width takes away; a corner's tip is not meant,
    so what is left must be longer than it is wide.
    """
    notes: list[Note] = []
    for width, part in thin_parts(metal, web_mm=web_mm):
        point = part.representative_point()
        place = complex(point.x, point.y)
        if any(abs(place - (n.place_mm or 0)) < NEAR_MM for n in notes):
            continue
        long = max(part.length / 2 - width, width)
        sentence = f"The metal is only {width:.1f} mm wide between two cuts, {long:.0f} mm along."
        notes.append(
            Note(NoteKind.THIN, sentence, place, width, f"draw it {web_mm:g} mm wide or more")
        )
        if len(notes) == N_TOLD:
            break
    return tuple(notes)


def thin_parts(metal: shapely.Geometry, *, web_mm: float) -> list[tuple[float, shapely.Geometry]]:
    """Width and shape of all places where metal is thinner than `web_mm`, the thinnest first."""
    if metal.is_empty:
        return []
    half = web_mm / 2
    opened = shapely.buffer(shapely.buffer(metal, -half, quad_segs=4), half * 1.02, quad_segs=8)
    rest = shapely.difference(metal, opened)
    found = []
    for part in shapely.get_parts(rest):
        if part.geom_type != "Polygon" or part.area < 0.15 * web_mm**2:
            continue
        width = 2 * part.area / max(part.length / 2, 1e-9) * 0.5
        if part.area / max(width, 1e-9) < 1.5 * width:
            continue
        found.append((_width_of(part), part))
    found.sort(key=lambda pair: pair[0])
    return found


def _width_of(part: shapely.Geometry) -> float:
    """Twice the radius of the largest disc in a part."""
    return 2 * float(shapely.length(shapely.maximum_inscribed_circle(part, tolerance=0.05)))
