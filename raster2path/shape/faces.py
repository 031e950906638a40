"""Room: a net of drawn lines in, outlines on the sheet out: what is cut as edge, what as slit."""

from __future__ import annotations

from dataclasses import dataclass, field

import cv2
import numpy as np
import numpy.typing as npt

from raster2path.geometry import Points, bounds_of, signed_area
from raster2path.model import (
    Border,
    Dark,
    Mask,
    Note,
    NoteKind,
    Outlines,
    PixelNet,
    Placement,
    Read,
    Ring,
    Stroke,
)
from raster2path.shape._planar import OUTSIDE, Line, PlanarMap, planar_map

_LEAST_POINTS = 8
_SHADED_SHARE = 0.5
_STRAIGHT_ON = np.cos(np.radians(40))  # a line that bends more at a junction ends there
_LONG = 0.05  # of the drawing's size: a line worth a note if it is not cut
_SLIVER_PENS = 1.5  # faces under this many square pens come from the tracing, not the drawing


@dataclass(frozen=True, slots=True, eq=False)
class Turned:
    """Places in faces that fall out or stay because the maker says so, in upright pixels."""

    falls_px: tuple[tuple[float, float], ...] = ()
    stays_px: tuple[tuple[float, float], ...] = ()
    work_from_upright: Points = field(default_factory=lambda: np.eye(3))


NOTHING_TURNED = Turned()


def choose_border(net: PixelNet, *, read: Read) -> Border:
    """The sign's outer edge where the maker did not say.

    Returns:
        `drawn` where one closed line goes round all, most of it not the rim of a shaded face
        and nothing shaded outside it; else `rect`.
    """
    if not net.has_line_round_all:
        return Border.RECT
    if read is not Read.EDGE or net.shaded is None:
        return Border.DRAWN
    faces = _mapped(net)
    shaded = _shaded_faces(faces, net.shaded)
    rim = [half for half in range(2 * len(faces.lines)) if _is_rim(faces, half)]
    lengths = np.array([_length(faces.lines[half // 2]) for half in rim])
    falling = np.array([shaded[faces.right[half]] for half in rim])
    if not rim or lengths[falling].sum() > 0.5 * lengths.sum():
        return Border.RECT
    return Border.RECT if _is_shaded_outside(faces, net.shaded) else Border.DRAWN


def shape_net(
    net: PixelNet,
    placement: Placement,
    *,
    read: Read,
    dark: Dark | None,
    border: Border,
    web_mm: float,
    is_squared: bool,
    turned: Turned = NOTHING_TURNED,
) -> Outlines:
    """What the drawn lines become on the sheet, by the reading.

    Args:
        net: centre lines and the nodes that they meet at.
        placement: from the door to millimetres.
        read: `edge`: lines bound faces; shaded faces fall out where there are any, else every
            second line inward. `slit`: each line is one pass. `bar`: each line is a bar.
        dark: in `edge` without shading, what lies just inside the outermost lines; None: what
            falls out, or metal where there is no border.
        border: as decided; where it is `drawn`, the outermost line is that ring.
        web_mm: bars are at least as wide.
        is_squared: see `Picture`.
        turned: faces that fall out or stay because the maker says so.

    Returns:
        Simple rings that do not touch, made of whole strokes, and slits whose ends at
        junctions are shared exactly. All kinds are organic. A line that can be neither, since
        nothing but scrap lies beside it, is left out, with a note where it is long.
    """
    if read is Read.BAR:
        rings, strokes, region, notes = _bars(net, placement, border, web_mm)
    else:
        rings, strokes, region, notes = _cut(
            net, placement, read=read, dark=dark, border=border, web_mm=web_mm, turned=turned
        )
    rings, faults = _sound(rings, placement.mm_per_px)
    return Outlines(
        rings=rings,
        strokes=strokes,
        region=region,
        border=border,
        placement=placement,
        blur_mm=net.blur_px * placement.mm_per_px,
        is_squared=is_squared,
        notes=(*notes, *faults),
        pen_mm=placement.mm_per_px * _pen_px(net),
    )


def _pen_px(net: PixelNet) -> float:
    """Median width of the drawn lines; 0 where there are none."""
    return float(np.median([stroke.width_px for stroke in net.strokes])) if net.strokes else 0.0


_Made = tuple[tuple[Ring, ...], tuple[Stroke, ...], Dark, tuple[Note, ...]]


def _mapped(net: PixelNet) -> PlanarMap:
    """The net's faces, in pixels; a closed stroke gets a node of its own."""
    spare = len(net.nodes_px)
    lines = []
    for k, stroke in enumerate(net.strokes):
        nodes = stroke.nodes or (spare + k, spare + k)
        lines.append(Line(stroke.points_px, nodes, stroke.nodes is None))
    return planar_map(tuple(lines), look=3.0)


def _length(line: Line) -> float:
    points = np.vstack([line.points, line.points[:1]]) if line.is_closed else line.points
    return float(np.hypot(*np.diff(points, axis=0).T).sum())


def _is_rim(faces: PlanarMap, half: int) -> bool:
    """True where only the left side of a half-edge is outside everything."""
    return faces.left(half) == OUTSIDE != faces.right[half]


# ---------------------------------------------------------------- edge and slit


def _cut(
    net: PixelNet,
    placement: Placement,
    *,
    read: Read,
    dark: Dark | None,
    border: Border,
    web_mm: float,
    turned: Turned,
) -> _Made:
    faces = _mapped(net)
    has_sheet = border not in (Border.NONE, Border.DRAWN)
    if read is Read.SLIT:
        # The faces hold together as one sheet; only a drawn border bounds it.
        stays = [border is not Border.DRAWN] + [True] * (len(faces.outline) - 1)
    else:
        stays = _staying(faces, net, dark=dark, border=border)
        stays = _turned(faces, stays, turned)
    is_edge = [stays[faces.right[h]] != stays[faces.left(h)] for h in range(0, len(faces.right), 2)]
    rings = _rings(faces, net, stays=stays, placement=placement, web_mm=web_mm)
    if border is Border.DRAWN:
        rings = _with_border(rings)
    lone = [k for k in range(len(faces.lines)) if not is_edge[k]]
    in_metal = [k for k in lone if stays[faces.right[2 * k]]]
    strokes = _slits(faces, net, in_metal, placement)
    notes = _scrapped(faces, [k for k in lone if not stays[faces.right[2 * k]]], placement)
    region = Dark.OPENING if has_sheet or border is Border.DRAWN else Dark.METAL
    return rings, strokes, region, notes


def _staying(faces: PlanarMap, net: PixelNet, *, dark: Dark | None, border: Border) -> list[bool]:
    """For each face, whether it stays as metal."""
    outside_stays = border not in (Border.NONE, Border.DRAWN)
    shaded = [] if net.shaded is None else _shaded_faces(faces, net.shaded)
    if any(shaded):  # a smudge that fills no face does not make a shaded drawing
        stays = [not falls for falls in shaded]
    else:
        is_metal_first = border in (Border.DRAWN, Border.NONE)
        if border is not Border.DRAWN and dark is not None:
            is_metal_first = dark is Dark.METAL
        stays = [(depth % 2 == 1) == is_metal_first for depth in faces.depths()]
    stays[OUTSIDE] = outside_stays
    return _without_slivers(faces, net, stays)


def _turned(faces: PlanarMap, stays: list[bool], turned: Turned) -> list[bool]:
    """What stays after the maker's word; the innermost face at a place is meant."""
    out = list(stays)
    if not turned.falls_px and not turned.stays_px:
        return out
    rings = [(f, faces.chain(o)) for f, o in enumerate(faces.outline) if o is not None]
    rings.sort(key=lambda item: abs(signed_area(item[1])))
    for places, stay in ((turned.falls_px, False), (turned.stays_px, True)):
        for place in places:
            u, v, w = turned.work_from_upright @ (*place, 1.0)
            at = (float(u / w), float(v / w))
            for face, ring in rings:
                if cv2.pointPolygonTest(ring.astype(np.float32), at, measureDist=False) > 0:
                    out[face] = stay
                    break
    return out


def _without_slivers(faces: PlanarMap, net: PixelNet, stays: list[bool]) -> list[bool]:
    """Tiny faces take the side of most of their rim."""
    pen_px = _pen_px(net)
    out = list(stays)
    for face, outline in enumerate(faces.outline):
        if outline is None or signed_area(faces.chain(outline)) > _SLIVER_PENS * pen_px**2:
            continue
        votes = sum(
            _length(faces.lines[half // 2]) * (1 if stays[faces.left(half)] else -1)
            for half in outline
            if faces.left(half) != face
        )
        out[face] = votes > 0 if votes else stays[face]
    return out


def _shaded_faces(faces: PlanarMap, shaded: Mask) -> list[bool]:
    """For each face, whether most of it is shaded; outside is not."""
    label = _labelled(faces, shaded.shape)
    n = len(faces.outline)
    whole = np.bincount(label.ravel(), minlength=n)
    part = np.bincount(label[shaded], minlength=n)
    share = part / np.maximum(whole, 1)
    share[OUTSIDE] = 0
    return [bool(value > _SHADED_SHARE) for value in share]


def _is_shaded_outside(faces: PlanarMap, shaded: Mask) -> bool:
    label = _labelled(faces, shaded.shape)
    near = cv2.dilate((label != OUTSIDE).astype(np.uint8), np.ones((15, 15), np.uint8)) > 0
    return bool((shaded & ~near).sum() > 0.005 * max(int(shaded.sum()), 1))


def _labelled(faces: PlanarMap, shape: tuple[int, ...]) -> npt.NDArray[np.int32]:
    """The face that each pixel lies in; a face inside another is painted over it."""
    label = np.zeros(shape, np.int32)
    rings = [(f, faces.chain(o)) for f, o in enumerate(faces.outline) if o is not None]
    for face, ring in sorted(rings, key=lambda item: -signed_area(item[1])):
        corners = np.round((ring - 0.5) * 16).astype(np.int32).reshape(-1, 1, 2)
        cv2.fillPoly(label, [corners], (face,), lineType=cv2.LINE_8, shift=4)
    return label


def _rings(
    faces: PlanarMap, net: PixelNet, *, stays: list[bool], placement: Placement, web_mm: float
) -> tuple[Ring, ...]:
    """The boundaries between what stays and what falls, as chains of strokes."""
    edges = {
        half
        for half in range(len(faces.right))
        if stays[faces.right[half]] and not stays[faces.left(half)]
    }
    seen: set[int] = set()
    rings = []
    met: dict[int, int] = {}
    for half in edges:
        met[faces.start(half)] = met.get(faces.start(half), 0) + 1
    for first in sorted(edges):
        if first in seen:
            continue
        chain = [first]
        seen.add(first)
        while (half := _onward(faces, chain[-1], edges)) != first and half not in seen:
            chain.append(half)
            seen.add(half)
        points = faces.chain(tuple(chain))
        at = np.cumsum([0, *(len(faces.points(half)) for half in chain[:-1])])
        twice = [int(k) for k, h in zip(at, chain, strict=True) if met[faces.start(h)] > 1]
        points = _stepped_back(points, twice, web_mm / placement.mm_per_px)
        noise_px = float(np.median([net.strokes[half // 2].noise_px for half in chain]))
        rings.append(_ring(placement.to_mm(points), noise_px * placement.mm_per_px))
    return tuple(ring for ring in rings if len(ring.points_mm) >= _LEAST_POINTS)


def _onward(faces: PlanarMap, half: int, edges: set[int]) -> int:
    """The next edge of the same opening: the first to the left, as metal lies on the right."""
    around = faces.around[faces.end(half)]
    here = around.index(half ^ 1)
    for step in range(1, len(around) + 1):
        turn = around[(here + step) % len(around)]
        if turn in edges:
            return turn
    return half ^ 1


def _stepped_back(points: Points, corners: list[int], web_px: float) -> Points:
    """The ring cut short where two openings meet in a point, so that a web stays between."""
    if not corners:
        return points
    step = np.hypot(*(np.roll(points, -1, axis=0) - points).T)
    at = np.concatenate([[0.0], np.cumsum(step)])
    whole = float(at[-1])
    reach = min(0.6 * web_px, whole / (8 * len(corners)))
    gone = np.zeros(len(points), np.bool_)
    for corner in corners:
        away = np.abs(at[:-1] - at[corner])
        gone |= np.minimum(away, whole - away) < reach
    return points[~gone] if (~gone).sum() >= _LEAST_POINTS else points


def _ring(points_mm: Points, noise_mm: float, *, is_border: bool = False) -> Ring:
    return Ring(points_mm, np.zeros(len(points_mm), np.uint8), noise_mm, is_border)


def _with_border(rings: tuple[Ring, ...]) -> tuple[Ring, ...]:
    """Rings that no other goes round are the border."""
    import shapely

    shapes = [shapely.Polygon(ring.points_mm) for ring in rings]
    out = []
    for k, ring in enumerate(rings):
        x, y = ring.points_mm[0]
        others = [shape for j, shape in enumerate(shapes) if j != k]
        is_inside = bool(others) and bool(np.any(shapely.contains_xy(others, x, y)))
        out.append(_ring(ring.points_mm, ring.noise_mm, is_border=not is_inside))
    return tuple(out)


def _scrapped(faces: PlanarMap, lines: list[int], placement: Placement) -> tuple[Note, ...]:
    """A note for each long line with nothing but scrap beside it."""
    if not lines:
        return ()
    everything = np.concatenate([line.points for line in faces.lines])
    x0, y0, x1, y1 = bounds_of(everything)
    notes = []
    for k in lines:
        length = _length(faces.lines[k])
        if length > _LONG * max(x1 - x0, y1 - y0):
            middle = placement.to_mm(faces.lines[k].points[len(faces.lines[k].points) // 2][None])[
                0
            ]
            notes.append(
                Note(
                    NoteKind.READING,
                    "a drawn line lies in what falls out, so it is not cut",
                    complex(*middle),
                    length * placement.mm_per_px,
                    "shade the faces that should fall, or draw the line double",
                )
            )
    return tuple(notes)


# ---------------------------------------------------------------- slits


def _slits(
    faces: PlanarMap, net: PixelNet, lines: list[int], placement: Placement
) -> tuple[Stroke, ...]:
    """Lines cut in one pass; one that goes straight on past a junction is one slit."""
    mate = _straight_on(faces, lines)
    left = set(lines)
    strokes = []
    for k in lines:
        if k in left:
            chain = _slit_chain(k, mate)
            left -= {half // 2 for half in chain}
            strokes.append(_slit(faces, net, chain, mate=mate, placement=placement))
    return tuple(strokes)


def _straight_on(faces: PlanarMap, lines: list[int]) -> dict[int, int]:
    """Pairs of half-edges that leave a node in opposite ways, the straightest pair first."""
    cutting = set(lines)
    mate: dict[int, int] = {}
    for leaving in faces.around.values():
        mine = [half for half in leaving if half // 2 in cutting]
        ways = {half: _way(faces, half) for half in mine}
        pairs = sorted(
            (float(ways[a] @ ways[b]), a, b) for i, a in enumerate(mine) for b in mine[i + 1 :]
        )
        for bend, a, b in pairs:
            if bend < -_STRAIGHT_ON and a not in mate and b not in mate:
                mate[a], mate[b] = b, a
    return mate


def _way(faces: PlanarMap, half: int) -> Points:
    points = faces.points(half)
    way = points[min(12, len(points) - 1)] - points[0]
    if len(points) == 1:
        way = faces.points(half ^ 1)[0] - points[0]
    return np.asarray(way / max(float(np.hypot(*way)), 1e-9), np.float64)


def _slit_chain(line: int, mate: dict[int, int]) -> list[int]:
    """All half-edges of the slit that a line belongs to, end to end."""
    first = 2 * line
    while first in mate:  # back to where it begins, or once round
        first = mate[first] ^ 1
        if first == 2 * line:
            break
    chain = [first]
    while (half := mate.get(chain[-1] ^ 1)) is not None and half != first:
        chain.append(half)
    return chain


def _slit(
    faces: PlanarMap,
    net: PixelNet,
    chain: list[int],
    *,
    mate: dict[int, int],
    placement: Placement,
) -> Stroke:
    parts = [net.strokes[half // 2] for half in chain]
    lone_ring = len(chain) == 1 and faces.lines[chain[0] // 2].is_closed
    is_closed = lone_ring or mate.get(chain[-1] ^ 1) == chain[0]
    points = faces.chain(tuple(chain))
    if not is_closed:
        points = np.vstack([points, faces.points(chain[-1] ^ 1)[:1]])
    weight = np.array([len(part.points_px) for part in parts], np.float64)
    noise_px = float(np.average([part.noise_px for part in parts], weights=weight))
    width_px = float(np.average([part.width_px for part in parts], weights=weight))
    meets = [len(faces.around[node]) > 1 for node in (faces.start(chain[0]), faces.end(chain[-1]))]
    return Stroke(
        points_mm=placement.to_mm(points),
        kinds=np.zeros(len(points), np.uint8),
        noise_mm=noise_px * placement.mm_per_px,
        width_mm=width_px * placement.mm_per_px,
        is_closed=is_closed,
        ends=(False, False) if is_closed else (meets[0], meets[1]),
    )


# ---------------------------------------------------------------- bar


def _bars(net: PixelNet, placement: Placement, border: Border, web_mm: float) -> _Made:
    """Every line as a bar of metal, as wide as drawn, at least as wide as the least web."""
    import shapely

    bars = []
    for stroke in net.strokes:
        points = placement.to_mm(stroke.points_px)
        line = shapely.LinearRing(points) if stroke.is_closed else shapely.LineString(points)
        half_mm = max(stroke.width_px * placement.mm_per_px, web_mm) / 2
        bars.append(line.buffer(half_mm, quad_segs=16))
    noise_mm = placement.mm_per_px * float(np.median([s.noise_px for s in net.strokes] or [0.0]))
    rings = []
    for piece in shapely.get_parts(shapely.union_all(bars)):
        for k, line in enumerate((piece.exterior, *piece.interiors)):
            points = _evened(np.asarray(line.coords)[:-1], placement.mm_per_px)
            is_metal_right = (signed_area(points) > 0) is (k == 0)
            rings.append(_ring(points if is_metal_right else points[::-1], noise_mm))
    made = tuple(ring for ring in rings if len(ring.points_mm) >= _LEAST_POINTS)
    if border is Border.DRAWN:
        return _with_border(made), (), Dark.OPENING, ()
    return made, (), Dark.METAL, ()


def _evened(points: Points, step: float) -> Points:
    """The ring with points evenly spaced."""
    closed = np.vstack([points, points[:1]])
    at = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(closed, axis=0).T))])
    n = max(_LEAST_POINTS, round(float(at[-1]) / step))
    where = np.linspace(0, at[-1], n + 1)[:-1]
    return np.column_stack([np.interp(where, at, closed[:, 0]), np.interp(where, at, closed[:, 1])])


# ---------------------------------------------------------------- soundness


def _sound(rings: tuple[Ring, ...], step_mm: float) -> tuple[tuple[Ring, ...], tuple[Note, ...]]:
    """Rings that are simple and do not touch; what can't be mended is left out with a note."""
    import shapely

    mended = [_mended(ring, step_mm) for ring in rings]
    kept = [ring for ring in mended if ring is not None]
    lost = [ring for ring, new in zip(rings, mended, strict=True) if new is None]
    while True:
        lines = [shapely.LinearRing(ring.points_mm) for ring in kept]
        if not lines:
            break
        one, other = shapely.STRtree(lines).query(lines, predicate="intersects")
        clash = sorted({(int(a), int(b)) for a, b in zip(one, other, strict=True) if a < b})
        if not clash:
            break
        crossing = sorted({k for pair in clash for k in pair})
        size = {k: (kept[k].is_border, float(lines[k].length)) for k in crossing}
        worst = min(size, key=size.__getitem__)
        lost.append(kept.pop(worst))
    notes = tuple(
        Note(
            NoteKind.READING,
            "an outline crosses another one and was left out",
            complex(*ring.points_mm.mean(axis=0)),
            float(np.ptp(ring.points_mm, axis=0).max()),
            "draw the lines there more clearly",
        )
        for ring in lost
    )
    return tuple(kept), notes


def _mended(ring: Ring, step_mm: float) -> Ring | None:
    """The ring itself where it is simple, else the largest simple part of it, or None."""
    import shapely

    shape = shapely.Polygon(ring.points_mm)
    if shape.is_valid:
        return ring
    parts = [p for p in shapely.get_parts(shapely.make_valid(shape)) if p.geom_type == "Polygon"]
    if not parts:
        return None
    largest = max(parts, key=lambda part: part.area)
    if largest.area < 0.5 * abs(shape.buffer(0).area) or largest.area < 4 * step_mm**2:
        return None
    points = _evened(np.asarray(largest.exterior.coords)[:-1], step_mm)
    if (signed_area(points) > 0) is not (signed_area(ring.points_mm) > 0):
        points = points[::-1]
    return _ring(points, ring.noise_mm, is_border=ring.is_border)
