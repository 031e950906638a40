"""Room: the metal that is wanted in; out, where the torch goes to leave it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
import shapely

from raster2path.geometry import Path, Points, circle, signed_area, to_points
from raster2path.job import Corrections, Narrow, Swirl, TorchRules
from raster2path.model import (
    Art,
    Border,
    Cut,
    CutType,
    Note,
    NoteKind,
    Rest,
    Sign,
    SignEdge,
    TorchPlan,
)
from raster2path.torch._cleanup import Track, spare_mm
from raster2path.torch._cleanup import tracks as tracks_round
from raster2path.torch._edges import FLATNESS_MM, Bools, Pieces, Proof, Tagged, tagged
from raster2path.torch._faces import Face, faces_by_ring, faces_of, polygons
from raster2path.torch._found import FOUND_MM, on_sheet
from raster2path.torch._leads import Loop, Room, Start, begin, from_the_edge
from raster2path.torch._loops import corner_loops
from raster2path.torch._narrow import Lost, closed_up, is_clear, middle_line, middle_of
from raster2path.torch._offset import Eroded
from raster2path.torch._opened import narrow_slots, open_slots
from raster2path.torch._rests import rests_along
from raster2path.torch._returns import come_back

SMALLEST_LOOP_MM = 1.2
"""A torch line shorter than this all round is no loop: the pierce has made the hole."""

SLIT_FOUND_MM = 3.0
"""A place turns a slit round where it lies on it, so near."""

MOST_NOTES = 10

NESTED_MM = 0.02
"""Lines are flattened so finely to see which goes round which; they lie further apart."""


@dataclass
class _Work:
    """What is to be cut, and what the faces add up to while one is done after the other."""

    sign: Sign
    rules: TorchRules
    rings: Sequence[Tagged]
    turned_mm: tuple[complex, ...] = ()
    edges: list[SignEdge] = field(default_factory=list)
    slits: list[Path] = field(default_factory=list)
    cuts: list[Cut] = field(default_factory=list)
    around: list[frozenset[int]] = field(default_factory=list)
    homes: list[int | None] = field(default_factory=list)
    holes: list[shapely.Polygon] = field(default_factory=list)
    notes: list[Note] = field(default_factory=list)
    room: Room | None = None
    loops: list[int | None] = field(default_factory=list)
    """For each cut, the number of its loop in the room."""

    @cached_property
    def boundary(self) -> shapely.STRtree:
        """All edges, whole."""
        return shapely.STRtree([shapely.LinearRing(ring.coords) for ring in self.rings])

    def add(
        self, cut: Cut, around: frozenset[int], home: int | None, loop: int | None = None
    ) -> None:
        self.cuts.append(cut)
        self.around.append(around)
        self.homes.append(home)
        self.loops.append(loop)

    def has_room_for(self, hole: shapely.Polygon) -> bool:
        """True where a hole as wide as the kerf meets none made before; it counts from then on."""
        if any(hole.intersects(other) for other in self.holes):
            return False
        self.holes.append(hole)
        return True


def plan_torch(
    sign: Sign,
    *,
    rules: TorchRules,
    corrections: Corrections | None = None,
    work_from_upright: Points | None = None,
) -> TorchPlan:
    """Where the middle of the arc travels, and where it pierces, for every edge and slit.

    Args:
        sign: the metal that is wanted.
        rules: the torch and the hand.
        corrections: the cut nearest to each `turned_px` is travelled the other way.
        work_from_upright: from pixels of the upright picture to those of the working picture.

    Returns:
        A plan whose torch lines keep half a kerf, and the clean-up where there is room, from
        all metal that stays; slits alone run through it. Each piece of edge gives one piece of
        torch line of the same kind, where nothing is in the way. Where the drop is narrower
        than the kerf, edges close up as the torch leaves them, with a note; an opening that is
        narrower all over becomes a slit, or a pierce, or is left out. Edges of the blank itself
        are not cut.
    """
    told = list[Note]()
    if rules.narrow is Narrow.OPEN and rules.kerf_mm:
        opened = open_slots(sign, rules)
        sign, told = opened.sign, list(opened.notes)
    rings = [tagged(edge.path) for edge in sign.edges]
    every = faces_of(sign, rings)
    is_sheared = sign.art.border is Border.SHEET
    faces = [face for face in every if face.opening is not None or not is_sheared]
    places_px = () if corrections is None else corrections.turned_px
    placement = sign.art.placement
    turned = tuple(on_sheet(placement, place, work_from_upright) for place in places_px)
    work = _Work(sign, rules, rings, turned, notes=told)
    kept = {k: [sign.edges[k]] for face in every if face not in faces for k in face.rings}
    if faces:
        kept |= _cut_faces(work, faces)
    work.edges = [edge for k in range(len(rings)) for edge in kept.get(k, [])]
    _cut_slits(work)
    cuts = _in_steps(work)
    return TorchPlan(
        sign=sign,
        edges=tuple(work.edges),
        slits=(*sign.slits, *work.slits),
        cuts=cuts,
        kerf_mm=rules.kerf_mm,
        notes=_told(work.notes),
    )


def _cut_faces(work: _Work, faces: Sequence[Face]) -> dict[int, list[SignEdge]]:
    """Adds the cuts that make faces fall out; returns their edges as they will be."""
    by_ring = faces_by_ring(faces, len(work.rings))
    proof = Proof(work.rings, by_ring)
    tracks = tracks_round(
        work.sign, work.rules, Pieces(work.rings), proof, faces=faces, by_ring=by_ring
    )
    slots = _slots(work, faces)
    is_one = work.rules.narrow is Narrow.ONE_PASS
    loops = [
        loop
        for k, face in enumerate(faces)
        if not (is_one and k in slots)
        for loop in _loops(work, face, k, tracks[k])
    ]
    work.room = room = Room([loop for loop, _ in loops], proof)
    back = _turned_round(work, room.loops)
    starts = begin(room.loops, room, work.rules.kerf_mm, back)
    paths = [start.path for start in starts]
    rests = rests_along(paths, room, work.rules.pull_mm, back.tolist())
    rounds = corner_loops(paths, room, back.tolist())
    kept: dict[int, list[SignEdge]] = {}
    for k, face in enumerate(faces):
        own = [
            (n, *pair, start, stops, turns)
            for n, (pair, start, stops, turns) in enumerate(
                zip(loops, starts, rests, rounds, strict=True)
            )
            if pair[0].face == k
        ]
        for n, loop, owner, start, stops, turns in own:
            _add_loop(work, (n, owner), loop, start, (stops, turns))
        if is_one and k in slots:
            _add_slot(work, face, slots[k])
            continue
        is_too_narrow = not own and face.opening is not None
        kept |= _too_narrow(work, face) if is_too_narrow else _closed_up(work, face, tracks[k])
    return kept


def _slots(work: _Work, faces: Sequence[Face]) -> dict[int, Path]:
    """Openings between a kerf and a kerf and 3.2 mm wide, and the one pass that each could be."""
    how = work.rules.narrow
    if how is Narrow.OPEN:
        return {}  # opened and told already
    out = narrow_slots(work.sign, work.rings, faces, work.rules.kerf_mm)
    if out:
        words = "1 opening is" if len(out) == 1 else f"{len(out)} openings are"
        told = "so narrow that the sliver between two passes melts"
        one = how is Narrow.ONE_PASS
        done, remedy = (": cut in one pass", None) if one else ("", WIDER)
        at = next(iter(out.values())).start
        work.notes.append(Note(NoteKind.NARROW, f"{words} {told}{done}", at, remedy=remedy))
    return out


WIDER = "--narrow one-pass cuts each as wide as the kerf, in one; --narrow open makes it wider"


def _add_slot(work: _Work, face: Face, line: Path) -> None:
    """One pass down the middle; the opening comes out as wide as the kerf."""
    assert face.opening is not None
    edge = work.sign.edges[face.opening]
    around, home = _surroundings(work.sign.art, edge)
    work.slits.append(line)
    (rests,) = rests_along([line], None, work.rules.pull_mm)
    work.add(Cut(CutType.SLIT, line.kind, line, line.start, rests=rests), around, home)


def _turned_round(work: _Work, loops: Sequence[Loop]) -> Bools:
    """Which loops run with the good edge to the left: all where the torch swirls so, or by hand."""
    out = np.full(len(loops), work.rules.swirl is Swirl.LEFT)
    lines = [shapely.LinearRing(loop.path.flat(FLATNESS_MM)) for loop in loops]
    for at in work.turned_mm if loops else ():
        away = shapely.distance(np.array(lines, object), shapely.Point(at.real, at.imag))
        if away.min() <= FOUND_MM:
            out[int(away.argmin())] ^= True
    return out


def _loops(work: _Work, face: Face, number: int, track: Track) -> list[tuple[Loop, int]]:
    """A face's torch lines, and the edge that each belongs to."""
    if track.distance_mm == 0:  # kerf 0: the torch line is the edge
        lines = [(work.sign.edges[k].path, k) for k in face.rings]
    else:
        lines = [(line.path, line.owner) for line in track.eroded.rings if is_loop(line.path)]
    return [
        (Loop(path, work.sign.edges[owner].path.kind, number, face.area, track.distance_mm), owner)
        for path, owner in lines
    ]


def _add_loop(
    work: _Work,
    numbers: tuple[int, int],
    loop: Loop,
    start: Start,
    off: tuple[tuple[Rest, ...], tuple[Path, ...]],
) -> None:
    """Adds a closed cut; numbers: of its loop and its edge; off: its rests and corner loops."""
    edge = work.sign.edges[numbers[1]]
    cut = Cut(
        type=_type(edge, is_opening=signed_area(loop.path.flat(FLATNESS_MM)) < 0),
        kind=loop.kind,
        path=start.path,
        pierce_mm=start.pierce_mm,
        lead_in=start.lead_in,
        run_past=start.run_past,
        rests=off[0],
        loops=off[1],
    )
    if cut.type is CutType.BORDER:
        cut = from_the_edge(cut, work.sign.art.placement.sheet_mm, work.boundary, work.rules)
    work.add(cut, *_surroundings(work.sign.art, edge), numbers[0])


def _closed_up(work: _Work, face: Face, track: Track) -> dict[int, list[SignEdge]]:
    """A face's edges as the torch leaves them."""
    sign, half = work.sign, work.rules.kerf_mm / 2
    same = {k: [sign.edges[k]] for k in face.rings}
    if track.eroded.area is None or track.distance_mm == 0:
        return same
    loops = tuple(line for line in track.eroded.rings if is_loop(line.path))
    spare = track.distance_mm - half + spare_mm(half)
    closed, lost = closed_up(
        work.rings,
        face.area,
        Eroded(track.eroded.area, loops),
        track.distance_mm,
        spare,
        is_outside=face.opening is None,
    )
    work.notes += [_lost_note(each, work.rules.kerf_mm) for each in lost]
    if closed is None:
        return same
    new: dict[int, list[SignEdge]] = {k: [] for k in face.rings}
    for path, touched in closed:
        from_edges = [sign.edges[k] for k in sorted(touched)]
        merged = SignEdge(
            path=path,
            origins=frozenset().union(*(edge.origins for edge in from_edges)),
            is_border=any(edge.is_border for edge in from_edges),
        )
        new[min(touched)].append(merged)
    return new


def is_loop(path: Path) -> bool:
    """True where the path is long enough to be travelled at all."""
    flat = path.flat(FLATNESS_MM)
    return float(np.hypot(*(flat - np.roll(flat, 1, axis=0)).T).sum()) >= SMALLEST_LOOP_MM


def _type(edge: SignEdge, *, is_opening: bool) -> CutType:
    if is_opening:
        return CutType.OPENING
    return CutType.BORDER if edge.is_border else CutType.OUTSIDE


def _too_narrow(work: _Work, face: Face) -> dict[int, list[SignEdge]]:
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
        disc = shapely.Polygon(hole.flat())
        if is_clear(disc, boundary, face.opening) and work.has_room_for(disc):
            work.add(Cut(CutType.PIERCE_ONLY, kind, None, at), around, home)
            work.notes.append(
                _small_note("is no wider than the kerf: a pierce makes it", at, x1 - x0)
            )
            return {face.opening: [replace(edge, path=hole)]}
    width = 2 * float(face.area.area) / max(float(face.area.length), 1e-9)
    line = middle_line(work.rings[face.opening], kerf_mm, kind)
    band = shapely.LineString(line.flat()).buffer(kerf_mm / 2)
    if len(face.rings) == 1 and is_clear(band, boundary, face.opening) and work.has_room_for(band):
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
    if not sign.slits:
        return
    metal = shapely.GeometryCollection(
        [shapely.LinearRing(edge.path.flat()) for edge in work.edges]
    )
    areas = polygons([edge.path.flat() for edge in sign.art.edges])
    for slit in sign.slits:
        ends = shapely.points(to_points([slit.start, slit.end]))
        near, far = (metal.distance(end) if work.edges else 0.0 for end in ends)
        path = slit.reversed() if far > near + 1e-6 and not slit.is_closed else slit
        middle = shapely.LineString(slit.flat()).interpolate(0.5, normalized=True)
        around = frozenset(k for k, area in enumerate(areas) if area.contains(middle))
        is_turned = any(_is_near(path, at) for at in work.turned_mm)
        if is_turned:
            path = path.reversed()
        (rests,) = rests_along([path], None, work.rules.pull_mm)
        cut = Cut(CutType.SLIT, slit.kind, path, path.start, rests=rests, is_turned=is_turned)
        work.add(cut, around, None)


def _is_near(path: Path, at: complex) -> bool:
    line = shapely.LineString(path.flat())
    return bool(line.distance(shapely.Point(at.real, at.imag)) <= SLIT_FOUND_MM)


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
    rounds = [k for k, cut in enumerate(work.cuts) if _goes_round(cut)]
    areas = polygons([_flat_of(work.cuts[k]) for k in rounds])
    tree = shapely.STRtree([_shape(cut) for cut in work.cuts])
    for outer, inner in tree.query(areas, predicate="contains").T.tolist() if rounds else []:
        if inner != rounds[outer]:
            inside[inner].add(rounds[outer])
    for inner, around in enumerate(work.around):
        for outer, home in enumerate(work.homes):
            if home in around and outer not in inside[inner] and not _reaches(inside, outer, inner):
                inside[inner].add(outer)
    return tuple(
        replace(cut, inside=frozenset(outer)) for cut, outer in zip(work.cuts, inside, strict=True)
    )


def _in_steps(work: _Work) -> tuple[Cut, ...]:
    """The cuts, nested; small hot loops are closed in a step of their own where that is asked."""
    cuts = _nested(work)
    if work.room is None or work.rules.return_mm == 0:
        return cuts
    out = come_back(cuts, work.room, work.loops, work.rules)
    n = len(out) - len(cuts)
    if n:
        words = "1 small loop is" if n == 1 else f"{n} small loops are"
        told = f"{words} closed later, when the start has cooled: cuts of their own"
        work.notes.append(Note(NoteKind.SETTING, told, out[-1].pierce_mm))
    return tuple(out)


def _goes_round(cut: Cut) -> bool:
    return cut.path is not None and cut.path.is_closed and cut.type is not CutType.SLIT


def _flat_of(cut: Cut) -> Points:
    return np.empty((0, 2)) if cut.path is None else cut.path.flat(NESTED_MM)


def _shape(cut: Cut) -> shapely.Geometry:
    if cut.path is None:
        return shapely.Point(cut.pierce_mm.real, cut.pierce_mm.imag)
    flat = _flat_of(cut)
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
