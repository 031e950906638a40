"""Room: the metal that is wanted in; out, where the torch goes to leave it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import shapely

from raster2path.geometry import Kind, Path, circle, to_complex, to_points
from raster2path.job import TorchRules
from raster2path.model import (
    Art,
    Border,
    Cut,
    CutType,
    Note,
    NoteKind,
    Sign,
    SignEdge,
    TorchPlan,
)
from raster2path.torch._leads import begin
from raster2path.torch._narrow import (
    Lost,
    as_polygon,
    closed_up,
    is_clear,
    middle_line,
    middle_of,
)
from raster2path.torch._offset import Eroded, Tagged, erode, tagged

LETTERING_CLEANUP_MM = 0.5
"""Left on inside letters, so that the drawn line stays visible and is ground to."""

WIDE_MM = 12.0
"""Openings that take a disc this wide leave room for clean-up."""

SHEET_ROUND_MM = 20.0
"""How much sheet is taken to lie round the sign, where the blank's size is not known."""

SMALLEST_LOOP_MM = 1.2
"""A torch line shorter than this all round is no loop: the pierce has made the hole."""

MOST_NOTES = 10


@dataclass(frozen=True, slots=True, eq=False)
class _Face:
    """One connected stretch of what falls out, and the edges round it.

    Attributes:
        opening: the edge round it, or None for what lies outside the sign.
        rings: indices of all the edges that bound it.
    """

    opening: int | None
    rings: tuple[int, ...]
    area: shapely.Polygon


@dataclass(slots=True)
class _Work:
    """What is to be cut, and what the faces add up to while one is done after the other."""

    sign: Sign
    rules: TorchRules
    rings: Sequence[Tagged]
    boundary: shapely.STRtree
    edges: list[SignEdge] = field(default_factory=list)
    slits: list[Path] = field(default_factory=list)
    cuts: list[Cut] = field(default_factory=list)
    around: list[frozenset[int]] = field(default_factory=list)
    homes: list[int | None] = field(default_factory=list)
    notes: list[Note] = field(default_factory=list)

    def add(self, cut: Cut, around: frozenset[int], home: int | None) -> None:
        self.cuts.append(cut)
        self.around.append(around)
        self.homes.append(home)


def plan_torch(sign: Sign, *, rules: TorchRules) -> TorchPlan:
    """Where the middle of the arc travels, and where it pierces, for every edge and slit.

    Returns:
        A plan whose torch lines keep half a kerf, and the clean-up where there is room, from
        all metal that stays; slits alone run through it. Each piece of edge gives one piece of
        torch line of the same kind, where nothing is in the way. Where the drop is narrower
        than the kerf, edges close up as the torch leaves them, with a note; an opening that is
        narrower all over becomes a slit, or a pierce, or is left out. Edges of the blank itself
        are not cut.
    """
    rings = [tagged(edge.path) for edge in sign.edges]
    boundary = shapely.STRtree([shapely.LinearRing(ring.coords) for ring in rings])
    work = _Work(sign, rules, rings, boundary)
    kept: dict[int, list[SignEdge]] = {}
    for face in _faces(sign, rings):
        if face.opening is None and sign.art.border is Border.SHEET:
            kept |= {k: [sign.edges[k]] for k in face.rings}
        else:
            kept |= _cut_face(work, face)
    work.edges = [edge for k in range(len(rings)) for edge in kept.get(k, [])]
    _cut_slits(work)
    return TorchPlan(
        sign=sign,
        edges=tuple(work.edges),
        slits=(*sign.slits, *work.slits),
        cuts=_nested(work),
        kerf_mm=rules.kerf_mm,
        notes=_told(work.notes),
    )


def _faces(sign: Sign, rings: Sequence[Tagged]) -> list[_Face]:
    """What falls out, face by face: openings in the edges' order, the outside last."""
    areas = [as_polygon(ring.points) for ring in rings]
    is_outer = [ring.path.area > 0 for ring in rings]
    openings = [k for k in range(len(rings)) if not is_outer[k]]
    by_size = sorted(openings, key=lambda k: areas[k].area)
    for k in openings:
        shapely.prepare(areas[k])
    within: dict[int | None, list[int]] = {None: []}
    for k in range(len(rings)):
        if is_outer[k]:
            at = shapely.Point(rings[k].coords[0])  # on the edge: inside may lie in an opening
            home = next((o for o in by_size if areas[o].contains(at)), None)
            within.setdefault(home, []).append(k)
    faces = []
    for k in openings:
        inner = within.get(k, [])
        holes = [rings[j].coords for j in inner]
        area = shapely.Polygon(rings[k].coords, holes)
        if not area.is_valid:
            area = _largest(areas[k].difference(shapely.union_all([areas[j] for j in inner])))
        faces.append(_Face(k, (k, *inner), area))
    if within[None]:
        metal = shapely.union_all([areas[j] for j in within[None]])
        faces.append(_Face(None, tuple(within[None]), _largest(_blank(sign, metal) - metal)))
    return faces


def _largest(area: shapely.Geometry) -> shapely.Polygon:
    parts = [p for p in shapely.get_parts(area) if isinstance(p, shapely.Polygon)]
    return max(parts, key=lambda part: part.area, default=shapely.Polygon())


def _blank(sign: Sign, metal: shapely.Geometry) -> shapely.Polygon:
    """The sheet that the sign is cut from; wide enough to hold it in any case."""
    x0, y0, x1, y1 = metal.bounds
    near = shapely.box(x0, y0, x1, y1).buffer(SHEET_ROUND_MM, join_style="mitre")
    size = sign.art.placement.sheet_mm
    if size is None:
        return near
    sheet = shapely.box(0, 0, *size)
    is_held = sheet.contains(shapely.box(x0, y0, x1, y1).buffer(0.1))
    return near.intersection(sheet) if is_held else near


def _cut_face(work: _Work, face: _Face) -> dict[int, list[SignEdge]]:
    """Adds the cuts that make one face fall out; returns its edges as they will be."""
    sign, rules = work.sign, work.rules
    own = [work.rings[k] for k in face.rings]
    half = rules.kerf_mm / 2
    distance, eroded = _eroded(sign, own, face, rules)
    if distance == 0:
        _follow_edges(work, face)
        return {k: [sign.edges[k]] for k in face.rings}
    loops = tuple(ring for ring in eroded.rings if ring.path.length >= SMALLEST_LOOP_MM)
    if not loops and face.opening is not None:
        return _too_narrow(work, face)
    eroded = Eroded(eroded.area, loops)
    parts = shapely.get_parts(eroded.area)
    lines = face.area.boundary if face.opening is not None else _metal_line(face)
    for loop in loops:
        start = begin(loop.path, parts[loop.part], lines, rules.kerf_mm)
        edge = sign.edges[face.rings[loop.owner]]
        cut = Cut(
            type=_type(edge, is_opening=not loop.is_inner),
            kind=edge.path.kind,
            path=start.path,
            pierce_mm=start.pierce_mm,
            lead_in=start.lead_in,
            run_past=start.run_past,
        )
        work.add(cut, *_surroundings(work.sign.art, edge))
    spare = distance - half + 0.4 * half + 0.1
    closed, lost = closed_up(own, face.area, eroded, distance, spare)
    work.notes += [_lost_note(each, rules.kerf_mm) for each in lost]
    if closed is None:
        return {k: [sign.edges[k]] for k in face.rings}
    new: dict[int, list[SignEdge]] = {k: [] for k in face.rings}
    for path, touched in closed:
        from_edges = [sign.edges[face.rings[k]] for k in sorted(touched)]
        merged = SignEdge(
            path=path,
            origins=frozenset().union(*(edge.origins for edge in from_edges)),
            is_border=any(edge.is_border for edge in from_edges),
        )
        new[face.rings[min(touched)]].append(merged)
    return new


def _metal_line(face: _Face) -> shapely.Geometry:
    return shapely.MultiLineString([hole.coords for hole in face.area.interiors])


def _type(edge: SignEdge, *, is_opening: bool) -> CutType:
    if is_opening:
        return CutType.OPENING
    return CutType.BORDER if edge.is_border else CutType.OUTSIDE


def _eroded(
    sign: Sign, own: Sequence[Tagged], face: _Face, rules: TorchRules
) -> tuple[float, Eroded]:
    """The torch lines round a face, at the largest clean-up that changes nothing else."""
    half = rules.kerf_mm / 2
    nothing = Eroded(shapely.Polygon(), ())
    for cleanup in _cleanups(sign, face, rules):
        distance = half + cleanup
        if distance == 0:
            return 0.0, nothing
        if cleanup > 0 and not _is_harmless(face.area, half, cleanup):
            continue
        return distance, erode(own, face.area, distance)
    return half, nothing


def _cleanups(sign: Sign, face: _Face, rules: TorchRules) -> tuple[float, ...]:
    """Clean-ups to try, largest first, the last one 0."""
    wanted = rules.cleanup_mm
    if wanted is None:
        is_letter = (
            face.opening is not None
            and rules.kerf_mm > 0
            and sign.edges[face.opening].path.kind is Kind.LETTERING
            and not face.area.buffer(-WIDE_MM / 2).is_empty
        )
        wanted = LETTERING_CLEANUP_MM if is_letter else 0.0
    return (wanted, wanted / 2, 0.0) if wanted > 0 else (0.0,)


def _is_harmless(face: shapely.Polygon, half: float, cleanup: float) -> bool:
    """True where the clean-up closes no waist and loses no tip that the kerf alone reaches."""
    bare, left_on = face.buffer(-half), face.buffer(-half - cleanup)
    n_bare = sum(part.area > 0.01 for part in shapely.get_parts(bare))
    n_left_on = sum(part.area > 0.01 for part in shapely.get_parts(left_on))
    if n_bare != n_left_on or len(_holes(bare)) != len(_holes(left_on)):
        return False
    return bool(bare.difference(left_on.buffer(1.5 * cleanup + 0.05)).area < 0.5)


def _holes(area: shapely.Geometry) -> list[shapely.LinearRing]:
    return [hole for part in shapely.get_parts(area) for hole in part.interiors]


def _follow_edges(work: _Work, face: _Face) -> None:
    """Kerf 0: the torch line is the edge."""
    for k in face.rings:
        edge = work.sign.edges[k]
        is_opening = work.rings[k].path.area < 0
        start = begin(edge.path, face.area, face.area.boundary, 0.0)
        cut = Cut(
            type=_type(edge, is_opening=is_opening),
            kind=edge.path.kind,
            path=start.path,
            pierce_mm=start.pierce_mm,
            lead_in=start.lead_in,
            run_past=start.run_past,
        )
        work.add(cut, *_surroundings(work.sign.art, edge))


def _too_narrow(work: _Work, face: _Face) -> dict[int, list[SignEdge]]:
    """An opening that is narrower than the kerf all over: a pierce, a slit, or nothing."""
    kerf_mm, boundary = work.rules.kerf_mm, work.boundary
    kept = {k: [work.sign.edges[k]] for k in face.rings}
    if face.opening is None or face.area.is_empty:
        return kept
    edge = work.sign.edges[face.opening]
    at = middle_of(face.area)
    x0, y0, x1, y1 = face.area.bounds
    around, home = _surroundings(work.sign.art, edge)
    kind = edge.path.kind
    if len(face.rings) == 1 and max(x1 - x0, y1 - y0) <= 2 * kerf_mm:
        hole = circle(at, kerf_mm / 2, kind).reversed()
        if is_clear(as_polygon(to_complex(hole.flat())), boundary, face.opening):
            work.add(Cut(CutType.PIERCE_ONLY, kind, None, at), around, home)
            work.notes.append(
                _small_note("is no wider than the kerf: a pierce makes it", at, x1 - x0)
            )
            return {face.opening: [replace(edge, path=hole)]}
    width = 2 * float(face.area.area) / max(float(face.area.length), 1e-9)
    line = middle_line(work.rings[face.opening], kerf_mm, kind)
    band = shapely.LineString(line.flat()).buffer(kerf_mm / 2)
    if len(face.rings) == 1 and is_clear(band, boundary, face.opening):
        work.slits.append(line)
        work.add(Cut(CutType.SLIT, kind, line, line.start), around, home)
        work.notes.append(
            Note(
                NoteKind.NARROW,
                f"an opening {width:.1f} mm wide is narrower than the kerf: cut as one pass",
                at,
                width,
                "make it wider than the kerf, if its shape matters",
            )
        )
        return {}
    work.notes.append(_small_note("has no room for the kerf: left uncut", at, width))
    return {k: v for k, v in kept.items() if k != face.opening}


def _small_note(what: str, at: complex, size: float) -> Note:
    return Note(
        NoteKind.TOO_SMALL,
        f"an opening {size:.1f} mm wide {what}",
        at,
        size,
        "make the sign larger, or the opening",
    )


def _lost_note(lost: Lost, kerf_mm: float) -> Note:
    if lost.is_waist:
        sentence = (
            f"a waist {lost.size_mm:.1f} mm wide is narrower than the kerf of {kerf_mm:g} mm: "
            "metal stays there"
        )
        return Note(NoteKind.NARROW, sentence, lost.place_mm, lost.size_mm, "widen the waist")
    sentence = f"a tip narrower than the kerf ends {lost.size_mm:.0f} mm early"
    return Note(NoteKind.NARROW, sentence, lost.place_mm, lost.size_mm, "make the tip blunter")


def _told(notes: list[Note]) -> tuple[Note, ...]:
    """The notes, worst kind and largest first; beyond ten, one that counts the rest."""
    ordered = sorted(notes, key=lambda note: (note.kind.rank, -(note.size_mm or 0.0)))
    if len(ordered) <= MOST_NOTES:
        return tuple(ordered)
    rest = ordered[MOST_NOTES - 1 :]
    more = Note(rest[0].kind, f"{len(rest)} more places are narrower than the kerf")
    return (*ordered[: MOST_NOTES - 1], more)


def _cut_slits(work: _Work) -> None:
    """Adds one pass along each slit, from its end that lies furthest from an edge."""
    sign = work.sign
    metal = shapely.GeometryCollection(
        [shapely.LinearRing(edge.path.flat()) for edge in work.edges]
    )
    areas = [as_polygon(to_complex(edge.path.flat())) for edge in sign.art.edges]
    for slit in sign.slits:
        ends = shapely.points(to_points([slit.start, slit.end]))
        near, far = (metal.distance(end) if work.edges else 0.0 for end in ends)
        path = slit.reversed() if far > near + 1e-6 and not slit.is_closed else slit
        middle = shapely.LineString(slit.flat()).interpolate(0.5, normalized=True)
        around = frozenset(k for k, area in enumerate(areas) if area.contains(middle))
        work.add(Cut(CutType.SLIT, slit.kind, path, path.start), around, None)


def _surroundings(art: Art, edge: SignEdge) -> tuple[frozenset[int], int | None]:
    """Rings of the art that go round an edge, and the one that it is, from before ties."""
    known = [k for k in edge.origins if k < len(art.edges)]
    if not known:
        return frozenset(), None
    home = min(known, key=lambda k: (art.edges[k].depth, k))
    return art.ancestors(home), home


def _nested(work: _Work) -> tuple[Cut, ...]:
    """The cuts, each with those that go round it: on the sheet, and by the rings before ties."""
    inside = [set[int]() for _ in work.cuts]
    shapes = [_shape(cut) for cut in work.cuts]
    tree = shapely.STRtree(shapes)
    for outer, cut in enumerate(work.cuts):
        if cut.path is None or not cut.path.is_closed or cut.type is CutType.SLIT:
            continue
        area = as_polygon(to_complex(cut.path.flat()))
        for inner in tree.query(area, predicate="contains"):
            if inner != outer:
                inside[int(inner)].add(outer)
    for inner, around in enumerate(work.around):
        for outer, home in enumerate(work.homes):
            if home in around and outer not in inside[inner] and not _reaches(inside, outer, inner):
                inside[inner].add(outer)
    return tuple(
        replace(cut, inside=frozenset(outer)) for cut, outer in zip(work.cuts, inside, strict=True)
    )


def _shape(cut: Cut) -> shapely.Geometry:
    if cut.path is None:
        return shapely.Point(cut.pierce_mm.real, cut.pierce_mm.imag)
    flat = cut.path.flat()
    return shapely.LineString(np.vstack([flat, flat[:1]]) if cut.path.is_closed else flat)


def _reaches(inside: list[set[int]], start: int, goal: int) -> bool:
    """True where going from cut to the cuts round it leads from start to goal."""
    seen, todo = {start}, [start]
    while todo:
        for k in inside[todo.pop()]:
            if k == goal:
                return True
            if k not in seen:
                seen.add(k)
                todo.append(k)
    return False
