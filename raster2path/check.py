"""What must hold at the end, proven once more from the plan alone; used by pipeline and tests.

Nothing here trusts the rooms before: metal is built anew from the flattened edges.
"""

from __future__ import annotations

import shapely

from raster2path.geometry import Path, to_points
from raster2path.model import CutOrder, CutType, Note, NoteKind, SignEdge, TorchPlan

CRUMB_MM2 = 4.0
"""Pieces of metal under this are spatter, not pieces of the sign."""

NEARNESS_MM = 0.15
"""A torch line may come this much nearer than half a kerf, by flattening and refitting."""


def metal_of(edges: tuple[SignEdge, ...]) -> shapely.Geometry:
    """The even-odd fill of closed edges as a planar region."""
    rings = [shapely.Polygon(edge.path.flat()) for edge in edges]
    fills = [ring if ring.is_valid else shapely.make_valid(ring) for ring in rings]
    fills.sort(key=lambda fill: fill.area)
    # two and two, small ones first: one after the other, each would be laid over all before it
    while len(fills) > 1:
        pairs = zip(fills[::2], fills[1::2], strict=False)
        fills = [shapely.symmetric_difference(a, b) for a, b in pairs] + fills[len(fills) & ~1 :]
    return fills[0] if fills else shapely.Polygon()


def pieces_of(region: shapely.Geometry) -> list[shapely.Geometry]:
    """Connected pieces, largest first, crumbs left out."""
    parts = [part for part in shapely.get_parts(region) if part.area > CRUMB_MM2]
    return sorted(parts, key=lambda part: -part.area)


def after_slits(region: shapely.Geometry, slits: tuple[Path, ...], kerf_mm: float) -> object:
    """The region once the slits are cut, each as wide as the kerf."""
    if not slits:
        return region
    lines = [_line(slit).buffer(max(kerf_mm, 0.02) / 2) for slit in slits]
    return shapely.difference(region, shapely.union_all(lines))


def find_faults(order: CutOrder) -> tuple[Note, ...]:
    """Why this plan must not be cut as it stands; empty where it may.

    Checked: edges neither cross themselves nor each other, the metal is one piece also after
    the slits, no cut comes nearer to metal than half a kerf, every pierce stands in the drop,
    every cut comes before the cuts that go round it, the border last.
    """
    plan = order.plan
    if not plan.cuts:
        return (Note(NoteKind.NOTHING_TO_CUT, "Nothing in the drawing is large enough to cut."),)
    if not plan.edges:  # slits on a sheet whose outline is not known
        return tuple(_precedence(order))
    metal = metal_of(plan.edges)
    return (
        *_crossings(plan),
        *_loose(plan, metal),
        *_nearness(plan, metal),
        *_pierces(plan, metal),
        *_precedence(order),
    )


def _crossings(plan: TorchPlan) -> list[Note]:
    rings = [shapely.LinearRing(edge.path.flat()) for edge in plan.edges]
    notes = [
        Note(NoteKind.BROKEN, "An edge crosses itself.", _middle(ring))
        for ring in rings
        if not ring.is_simple
    ]
    tree = shapely.STRtree(rings)
    pairs = tree.query(rings, predicate="crosses")
    for i, j in zip(*(side.tolist() for side in pairs), strict=True):
        if i < j:
            where = _middle(shapely.intersection(rings[i], rings[j]))
            notes.append(Note(NoteKind.BROKEN, "Two edges cross each other.", where))
    return notes


def _loose(plan: TorchPlan, metal: shapely.Geometry) -> list[Note]:
    if plan.sign.loose:  # told by the ties room, piece by piece
        return []
    pieces = pieces_of(after_slits(metal, plan.slits, plan.kerf_mm))
    if not pieces:
        return [Note(NoteKind.BROKEN, "No metal is left.")]
    return [
        Note(
            NoteKind.LOOSE,
            "A piece of metal is not held by anything.",
            _middle(piece),
            piece.area**0.5,
        )
        for piece in pieces[1:]
    ]


def _nearness(plan: TorchPlan, metal: shapely.Geometry) -> list[Note]:
    half_mm = plan.kerf_mm / 2 - NEARNESS_MM
    if half_mm <= 0:
        return []
    held = metal
    if plan.slits:
        lines = [_line(slit).buffer(plan.kerf_mm / 2 + 0.05) for slit in plan.slits]
        held = shapely.difference(metal, shapely.union_all(lines))
    shapely.prepare(held)
    notes = []
    for cut in plan.cuts:
        if cut.path is None or cut.type is CutType.SLIT:
            continue
        swath = _line(cut.path).buffer(half_mm)
        if not held.intersects(swath):
            continue
        bite = shapely.intersection(swath, held)
        if bite.area > 0.5:
            sentence = "A cut runs nearer than half a kerf to metal that stays."
            notes.append(Note(NoteKind.BROKEN, sentence, _middle(bite), bite.area))
    return notes


def _pierces(plan: TorchPlan, metal: shapely.Geometry) -> list[Note]:
    solid = metal.buffer(-0.05)
    shapely.prepare(solid)
    cuts = [cut for cut in plan.cuts if cut.type not in (CutType.SLIT, CutType.PIERCE_ONLY)]
    return [
        Note(NoteKind.BROKEN, "A pierce stands in metal that stays.", cut.pierce_mm)
        for cut in cuts
        if solid.contains(shapely.Point(cut.pierce_mm.real, cut.pierce_mm.imag))
    ]


def _precedence(order: CutOrder) -> list[Note]:
    if sorted(order.sequence) != list(range(len(order.plan.cuts))):
        return [Note(NoteKind.BROKEN, "The order leaves a cut out, or makes one twice.")]
    position = {cut: at for at, cut in enumerate(order.sequence)}
    n_late = sum(
        position[outer] < position[i]
        for i, cut in enumerate(order.plan.cuts)
        for outer in cut.inside
    )
    notes = []
    if n_late:
        notes.append(Note(NoteKind.BROKEN, f"{n_late} cuts come after the cut round them."))
    is_border = [cut.type is CutType.BORDER for cut in order.cuts]
    if is_border != sorted(is_border):
        notes.append(Note(NoteKind.BROKEN, "The border is not the last cut."))
    return notes


def _line(path: Path) -> shapely.Geometry:
    points = path.flat()
    if path.is_closed:
        return shapely.LinearRing(points)
    return shapely.LineString(points if len(points) > 1 else to_points([path.start, path.end]))


def _middle(shape: shapely.Geometry) -> complex:
    point = shapely.point_on_surface(shape) if not shape.is_empty else shapely.Point(0, 0)
    return complex(point.x, point.y)
