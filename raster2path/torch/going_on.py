"""Room: cuts in order in; out, the same with how far one has come, and what to do about mishaps.

A tie burned through, a line left, called away at cut 21: what is loose now, what comes loose with
which cut, where to weld, how far to widen so that it looks meant. Plane geometry on the cuts that
are made; nothing is trusted from the ties' own reckoning.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely

from raster2path.geometry import Kind, Points
from raster2path.job import Corrections
from raster2path.model import (
    CutOrder,
    CutType,
    Loose,
    Note,
    NoteKind,
    Progress,
    Strayed,
    Tie,
    TorchPlan,
)
from raster2path.torch._found import FOUND_MM, nearest_cut, nearest_tie, on_sheet
from raster2path.torch._schedule import blank_of

CRUMB_MM2 = 4.0
"""Pieces of metal under this are spatter."""

STEP_MM = 0.5
"""Widenings are told in such steps, rounded up: nobody grinds to a tenth."""

SWELL = 12.0
"""A fair swelling is so much longer to either side than deep. Common practice, no source."""

RAYS_DEG = np.linspace(-75, 75, 31)
FAR_MM = 80.0


def go_on(
    order: CutOrder,
    *,
    corrections: Corrections,
    least_mm: float,
    work_from_upright: Points | None = None,
) -> CutOrder:
    """Which cuts are made, and what is loose or spoilt.

    Args:
        order: the cuts; their numbers are those painted on the steel.
        corrections: `done_px`, `lost_ties_px`, `strayed_px`: each means what is nearest to it.
        least_mm: metal narrower than this is not worth keeping.
        work_from_upright: from pixels of the upright picture to those of the working picture.

    Returns:
        The same order with its progress and notes. What is loose is a fault; places that find
        nothing are noted, never dropped.
    """
    plan = order.plan
    if not (corrections.done_px or corrections.lost_ties_px or corrections.strayed_px):
        return order
    notes = list[Note]()
    done, lost = set[int](), list[int]()
    for place in corrections.done_px:
        at = on_sheet(plan.sign.art.placement, place, work_from_upright)
        k, away = nearest_cut(plan, at) if plan.cuts else (0, math.inf)
        if away <= FOUND_MM:
            done.add(k)
        else:
            notes.append(_nothing("a cut that is done", at))
    for place in corrections.lost_ties_px:
        at = on_sheet(plan.sign.art.placement, place, work_from_upright)
        k, away = nearest_tie(plan, at) if plan.sign.ties else (0, math.inf)
        if away <= FOUND_MM:
            lost.append(k)
        else:
            notes.append(_nothing("a lost tie", at))
    strayed_mm = [
        on_sheet(plan.sign.art.placement, place, work_from_upright)
        for place in corrections.strayed_px
    ]
    steel = _Steel(order, frozenset(done), tuple(sorted(set(lost))), tuple(strayed_mm), least_mm)
    strayed = tuple(_strayed(steel, at) for at in strayed_mm) if plan.cuts else ()
    loose = _loose(steel)
    in_loose = {tack for piece in loose for tack in piece.tacks_mm}
    notes += [_loose_note(each) for each in loose]
    held = [k for k in steel.lost if _middle(plan.sign.ties[k]) not in in_loose]
    notes += [_lost_note(steel, k) for k in held]
    notes += [_strayed_note(each) for each in strayed]
    progress = Progress(frozenset(done), steel.lost, loose, strayed, tuple(notes))
    return replace(order, progress=progress, notes=(*order.notes, *notes))


def _nothing(what: str, at: complex) -> Note:
    sentence = f"Nothing lies where {what} was marked"
    return Note(NoteKind.SETTING, sentence, at, remedy="mark it again")


@dataclass(slots=True, init=False)
class _Steel:
    """The sheet on the table: what is cut of it, by mistake, too.

    Attributes:
        metal: what should be left in the end, as one region.
        marred: the same less lost ties and notches.
        swaths: for each cut of the plan, what the arc takes.
        mishaps: what it took by mistake.
    """

    order: CutOrder
    done: frozenset[int]
    lost: tuple[int, ...]
    least_mm: float
    metal: shapely.Geometry
    marred: shapely.Geometry
    swaths: list[shapely.Geometry]
    mishaps: shapely.Geometry

    def __init__(
        self,
        order: CutOrder,
        done: frozenset[int],
        lost: tuple[int, ...],
        strayed_mm: Sequence[complex],
        least_mm: float,
    ) -> None:
        plan = order.plan
        self.order, self.done, self.lost, self.least_mm = order, done, lost, least_mm
        half = max(plan.kerf_mm, 0.2) / 2
        self.swaths = [_line_of(plan, k).buffer(half) for k in range(len(plan.cuts))]
        slits = [self.swaths[k] for k, cut in enumerate(plan.cuts) if cut.type is CutType.SLIT]
        self.metal = _metal_of(plan).difference(shapely.union_all(slits))
        burns = [_across(plan.sign.ties[k], half) for k in lost]
        burns += [_notch(plan, at, half) for at in strayed_mm if plan.cuts]
        self.mishaps = shapely.union_all(burns)
        self.marred = self.metal.difference(self.mishaps)

    def parts(self, made: frozenset[int]) -> list[shapely.Geometry]:
        """Pieces of the blank that hold some of the sign, the sign's main one first."""
        left, top, right, bottom = blank_of(self.order.plan)
        gone = [self.swaths[k] for k in sorted(made)]
        blank = shapely.box(left, top, right, bottom)
        rest = blank.difference(shapely.union_all([self.mishaps, *gone]))
        pieces = [part for part in shapely.get_parts(rest) if part.area > CRUMB_MM2]
        held = [part.intersection(self.marred).area for part in pieces]
        ranked = sorted(range(len(pieces)), key=lambda k: -held[k])
        return [pieces[k] for k in ranked if held[k] > CRUMB_MM2]


def _line_of(plan: TorchPlan, k: int) -> shapely.Geometry:
    cut = plan.cuts[k]
    if cut.path is None:
        return shapely.Point(cut.pierce_mm.real, cut.pierce_mm.imag)
    flat = cut.path.flat(0.05)
    return shapely.LineString(np.vstack([flat, flat[:1]]) if cut.path.is_closed else flat)


def _metal_of(plan: TorchPlan) -> shapely.Geometry:
    """The even-odd fill of the edges."""
    rings = sorted(
        (shapely.make_valid(shapely.Polygon(edge.path.flat(0.05))) for edge in plan.edges),
        key=lambda ring: -float(ring.area),
    )
    out = shapely.Polygon()
    for ring in rings:
        out = out.symmetric_difference(ring)
    return out


def _across(tie: Tie, half: float) -> shapely.Geometry:
    """The cut that took a tie: across its middle, a kerf wide, from side to side."""
    half_way = len(tie.corners) // 2  # corners go out along one side and back along the other
    a, b, c, d = (tie.corners[k] for k in (0, half_way - 1, half_way, -1))
    ends = (a + d) / 2, (b + c) / 2
    middle, way = sum(ends) / 2, ends[1] - ends[0]
    side = 1j * way / max(abs(way), 1e-9) * (tie.width_mm / 2 + 2 * half)
    line = shapely.LineString([_xy(middle - side), _xy(middle + side)])
    return line.buffer(half, cap_style="flat")


def _notch(plan: TorchPlan, at: complex, half: float) -> shapely.Geometry:
    """What the arc took on its way from the line to a place."""
    k, _ = nearest_cut(plan, at)
    line = _line_of(plan, k)
    point = shapely.Point(*_xy(at))
    return shapely.shortest_line(line, point).buffer(half)


def _xy(z: complex) -> tuple[float, float]:
    return z.real, z.imag


def _loose(steel: _Steel) -> tuple[Loose, ...]:
    """Pieces that nothing holds in the end, and the cut that frees each."""
    every = frozenset(range(len(steel.order.plan.cuts)))
    pieces = steel.parts(every)[1:]
    if not pieces:
        return ()
    out = list[Loose]()
    for piece in pieces:
        spot = piece.representative_point()
        tacks = [
            _middle(steel.order.plan.sign.ties[k])
            for k in steel.lost
            if _across(steel.order.plan.sign.ties[k], 0.5).buffer(1.5).intersects(piece)
        ]
        x0, y0, x1, y1 = piece.bounds
        centre = piece.centroid
        out.append(
            Loose(
                complex(centre.x, centre.y),
                (x1 - x0, y1 - y0),
                float(piece.area),
                _freed_by(steel, spot),
                tuple(tacks),
            )
        )
    return tuple(out)


def _freed_by(steel: _Steel, spot: shapely.Point) -> int | None:
    """Number of the cut with which the piece at a spot parts from the main one; None: already."""

    def is_free(n: int) -> bool:
        made = steel.done | frozenset(steel.order.sequence[:n])
        return not steel.parts(made)[0].contains(spot)

    low, high = 0, len(steel.order.sequence)
    if is_free(low):
        return None
    while high - low > 1:  # once free it stays free
        mid = (low + high) // 2
        low, high = (low, mid) if is_free(mid) else (mid, high)
    return high


def _middle(tie: Tie) -> complex:
    return sum(tie.corners) / len(tie.corners)


def _loose_note(piece: Loose) -> Note:
    wide, high = piece.size_mm
    what = f"A piece of the sign, {wide:.0f} × {high:.0f} mm, "
    if piece.by_cut is None:
        sentence = f"{what}is loose now"
        when = ""
    else:
        sentence = f"{what}comes loose with cut {piece.by_cut}"
        when = f" before cut {piece.by_cut}"
    where = " and at ".join(f"{z.real:.0f}, {z.imag:.0f} mm" for z in piece.tacks_mm)
    at = f" at {where}" if where else " to the sheet"
    remedy = f"tack-weld it{at}, from the back{when}; or leave it out"
    return Note(NoteKind.LOOSE, sentence, piece.place_mm, math.sqrt(piece.area_mm2), remedy)


def _lost_note(steel: _Steel, lost: int) -> Note:
    """What still holds the piece that a lost tie held."""
    ties = steel.order.plan.sign.ties
    held_by = _companions(steel, lost)
    at = _middle(ties[lost])
    sentence = f"Tie {lost + 1} is lost"
    if held_by:
        names = " and ".join(str(k + 1) for k in held_by)
        n = "tie" if len(held_by) == 1 else "ties"
        sentence += f"; what it held hangs by {n} {names}"
        remedy = "go on with care, lift it by the rim, and weld the tie back in the end"
        return Note(NoteKind.THIN, sentence, at, ties[lost].width_mm, remedy)
    remedy = "weld it back, from the back, and grind it flush"
    return Note(NoteKind.THIN, sentence, at, ties[lost].width_mm, remedy)


def _companions(steel: _Steel, lost: int) -> list[int]:
    """The other ties of the smaller of the two pieces that a tie joins."""
    ties = steel.order.plan.sign.ties
    strips = [shapely.Polygon([_xy(z) for z in tie.corners]) for tie in ties]
    apart = steel.metal.difference(shapely.union_all(strips).buffer(0.01))
    touched = strips[lost].buffer(0.5)
    parts = [part for part in shapely.get_parts(apart) if part.area > CRUMB_MM2]
    joined = sorted(
        (part for part in parts if touched.intersects(part)), key=lambda part: part.area
    )
    if not joined:
        return []
    own = joined[0].buffer(0.5)
    return [
        k
        for k, strip in enumerate(strips)
        if k not in steel.lost and strip.intersects(own) and k != lost
    ]


def _strayed(steel: _Steel, at: complex) -> Strayed:
    plan = steel.order.plan
    k, away = nearest_cut(plan, at)
    number = steel.order.sequence.index(k) + 1
    half = max(plan.kerf_mm, 0.2) / 2
    bite = _notch(plan, at, half).intersection(steel.metal)
    if bite.is_empty or bite.area < 0.05:
        return Strayed(at, number, 0.0, max(0.0, away - half), None, None)
    rim = steel.metal.boundary
    # how deep: the furthest that metal was taken from where the edge is
    tips = shapely.points(shapely.get_coordinates(bite))
    deep = shapely.distance(tips, rim)
    depth = float(deep.max())
    left = _left(steel, at, _foot(plan, k, at), half)
    widen = math.ceil(depth / STEP_MM) * STEP_MM
    edge = _edge_at(plan, bite)
    swell = SWELL * depth
    kind = plan.cuts[k].kind
    around = shapely.Point(*_xy(at)).buffer(swell)
    local = edge.buffer(widen).intersection(around)
    return Strayed(
        at,
        number,
        depth,
        left,
        widen if _bears(steel, edge.buffer(widen)) else None,
        swell if kind is Kind.ORGANIC and _bears(steel, local) else None,
    )


def _foot(plan: TorchPlan, k: int, at: complex) -> complex:
    (x, y), _ = shapely.get_coordinates(
        shapely.shortest_line(_line_of(plan, k), shapely.Point(*_xy(at)))
    )
    return complex(x, y)


def _left(steel: _Steel, at: complex, foot: complex, half: float) -> float:
    """How wide the metal still is ahead of where the torch came to."""
    way = (at - foot) / max(abs(at - foot), 1e-9)
    tip = at + half * way
    rays = tip + np.outer(way * np.exp(1j * np.radians(RAYS_DEG)), [0.02, FAR_MM])
    lines = shapely.linestrings(np.stack([rays.real, rays.imag], axis=-1))
    inside = shapely.intersection(lines, steel.metal)
    least = FAR_MM
    for line in inside:
        parts = [part for part in shapely.get_parts(line) if part.length > 0.05]
        near = [part for part in parts if part.distance(shapely.Point(*_xy(tip))) < 0.1]
        least = min([least, *(part.length for part in near)]) if near else 0.0
    return float(least)


def _edge_at(plan: TorchPlan, bite: shapely.Geometry) -> shapely.Geometry:
    """The whole edge that was cut into."""
    rings = [shapely.LinearRing(edge.path.flat(0.05)) for edge in plan.edges]
    return rings[int(np.argmin([ring.distance(bite) for ring in rings]))]


def _bears(steel: _Steel, taken: shapely.Geometry) -> bool:
    """True where the metal stays in as many stout parts as before if this is taken, too."""
    least = steel.least_mm / 2 - 0.05
    before = _stout(steel.metal, least)
    after = steel.metal.difference(taken)
    if len([p for p in shapely.get_parts(after) if p.area > CRUMB_MM2]) != len(
        [p for p in shapely.get_parts(steel.metal) if p.area > CRUMB_MM2]
    ):
        return False
    return _stout(after, least) <= before


def _stout(metal: shapely.Geometry, radius_mm: float) -> int:
    parts = shapely.get_parts(metal.buffer(-radius_mm))
    return sum(part.area > CRUMB_MM2 for part in parts)


def _strayed_note(each: Strayed) -> Note:
    if each.depth_mm == 0:
        sentence = f"Cut {each.number} left {each.left_mm:.1f} mm of the drop standing"
        return Note(NoteKind.DEVIATES, sentence, each.place_mm, each.left_mm, "cut or grind it off")
    sentence = (
        f"Cut {each.number} went {each.depth_mm:.1f} mm into metal that stays; "
        f"{_wide(each.left_mm)} is left there"
    )
    ways = list[str]()
    if each.swell_mm is not None:
        ways.append(f"let the line swell fairly over {each.swell_mm:.0f} mm to either side")
    if each.widen_mm is not None:
        ways.append(f"move the whole edge back by {each.widen_mm:.1f} mm, so that it looks meant")
    if not ways:
        ways.append("weld the notch up and grind it: there is no metal to spare for widening")
    kind = NoteKind.THIN if each.widen_mm is None and each.swell_mm is None else NoteKind.DEVIATES
    return Note(kind, sentence, each.place_mm, each.depth_mm, " or ".join(ways))


def _wide(mm: float) -> str:
    return f"over {FAR_MM:.0f} mm" if mm >= FAR_MM else f"{mm:.0f} mm"
