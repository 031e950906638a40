"""Room: a reading in, the net of centre lines and their junctions out."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
import numpy.typing as npt

from raster2path.errors import NothingFoundError
from raster2path.geometry import Points
from raster2path.model import Ink, Level, Mask, Note, NoteKind, PixelNet, PixelStroke, Reading
from raster2path.picture._areas import filled
from raster2path.picture._discs import Bytes, as_bytes, closed, dilated, eroded, opened
from raster2path.picture._refine import evened, half_widths, noise_px, refine
from raster2path.picture._skeleton import Draft, Path, follow

Floats = npt.NDArray[np.float64]

# All in pen widths, by what closed most gaps and left fewest false branches.
_SKIP_PENS = 4.0  # between two loose ends that point at each other; half a pen of it is ink
_TOUCH_PENS = 1.7  # between a loose end and a line that it points at
_MEET_PENS = 1.6  # between two loose ends, whichever way they point
_DUST_PENS = 2.0
_BROAD = 0.012  # of the picture: with such a pen, a dash is an eye and no dust
_DASH_PENS = 0.25
_SLIVER_PENS = 1.2  # paper narrower than this between two lines was not meant

_PEN_OF_AREAS_PX = 6.0  # on the copy on which shaded areas are found
_HALF = 0.4  # the level that still is ink beside ink: a pencil's grain leaves light spots
_THINNABLE_PX = 12.0  # a pen wider than this is thinned on a smaller picture


def trace_strokes(reading: Reading) -> PixelNet:
    """The middle of every drawn line, and where lines meet.

    Args:
        reading: ink of a line drawing. What lies well inside its shaded areas is not traced;
            their rim is, as a closed line.

    Returns:
        Lines between nodes, their points about a pixel apart, in the middle of the ink to a
        few tenths of a pixel. Skips of the pen are closed, blobs' spurs and dust left out.
        A line that passes a node straight on is two strokes there.

    Raises:
        NothingFoundError: there is no line in the ink, or nothing but ink.
    """
    ink = reading.ink
    if reading.shaded is None:
        mask, level = _lines(ink)
    else:
        areas = _areas(ink, reading.shaded)
        mask, level = _lines(ink, areas.near_solid)
        mask, level = _with_rims(mask, level, areas.whole, max(ink.pen_px, 2.0))
    if mask.all():
        raise NothingFoundError(
            "the picture is ink from side to side, so there is no line to follow; try --read solid"
        )
    distance = np.asarray(cv2.distanceTransform(mask.view(np.uint8), cv2.DIST_L2, 5), np.float32)
    draft = _drafted(mask, ink.pen_px)
    draft = _pruned(draft, distance, ink.pen_px)
    draft = refine(draft, level=level, distance=distance)
    bridged = _dissolved(_bridged(draft, ink.pen_px))
    is_broad = ink.pen_px > _BROAD * max(ink.mask.shape)
    least_px = max((_DASH_PENS if is_broad else _DUST_PENS) * ink.pen_px, 4.0)
    draft = _dissolved(_without_dust(bridged, least_px))
    if not draft.paths:
        raise NothingFoundError("there is no line in the picture that is long enough to follow")
    dust = _dust_note(_n_pieces(bridged) - _n_pieces(draft))
    return _net(draft, distance, reading, dust)


@dataclass(frozen=True, slots=True, eq=False)
class _Areas:
    """Shaded areas: with their outline, what of them is filled in, and what lies close to that."""

    whole: Bytes
    near_solid: Mask


def _areas(ink: Ink, shaded: Mask) -> _Areas:
    """Found on a smaller copy where the pen is wide, to a small part of its width."""
    rows, cols = shaded.shape
    factor = max(1, int(ink.pen_px / _PEN_OF_AREAS_PX))
    size = (max(1, round(cols / factor)), max(1, round(rows / factor)))
    drawn, marked = (_resampled(mask.view(np.uint8), size) for mask in (ink.mask, shaded))
    pen_px = max(ink.pen_px / factor, 2.0)
    solid = as_bytes(filled(drawn, pen_px) & dilated(marked, pen_px))
    strokes = opened(as_bytes(marked & (1 - solid)), pen_px)
    # A pencil's gaps are shaded, too; but the mask of what is, is coarse at its rim.
    within = solid | eroded(marked, 0.6 * pen_px)
    area = as_bytes(_without_pinholes(within, 4 * pen_px**2))
    if strokes.any():
        area |= _with_outline(strokes, drawn, pen_px)
    near = dilated(solid, 3 * _SLIVER_PENS * pen_px)
    return _Areas(_resampled(area, (cols, rows)), _resampled(near, (cols, rows)) > 0)


def _resampled(mask: Bytes, size: tuple[int, int]) -> Bytes:
    if size == mask.shape[::-1]:
        return mask
    way = cv2.INTER_AREA if size[0] < mask.shape[1] else cv2.INTER_LINEAR
    return as_bytes(cv2.resize(mask * np.uint8(255), size, interpolation=way) > 127)


def _lines(ink: Ink, near_solid: Mask | None = None) -> tuple[Mask, Level]:
    """The ink as lines without gaps of a pixel or pinholes, and its level, smoothed.

    Narrow paper beside what is filled in was meant: white between feathers, or along a stem.
    """
    sigma_px = float(np.clip(0.25 * ink.pen_px, 0.5, 1.5))
    level = np.asarray(cv2.GaussianBlur(ink.level, (0, 0), sigma_px), np.float32)
    drawn = ink.mask.astype(np.uint8)
    near = cv2.dilate(drawn, np.ones((3, 3), np.uint8)) > 0
    # What the ink room took out (specks, ruled lines) must not come back by its level.
    drawn = ((level > _HALF) & near).astype(np.uint8) | (drawn & (level > 0.25))
    size = 2 * max(1, round(ink.pen_px / 6)) + 1
    round_px = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size))
    whole = cv2.morphologyEx(drawn, cv2.MORPH_CLOSE, round_px)
    mask = _without_pinholes(whole, 0.4 * ink.pen_px**2)
    slivers = _slivers(mask, ink.pen_px)
    if near_solid is not None:
        mask = np.where(near_solid, ink.mask | (mask & (np.asarray(whole) == 0)), mask)
        slivers = None if slivers is None else slivers & ~near_solid
    if slivers is not None:  # full ink there, or the middle would be drawn to one of the two
        mask |= slivers
        level = np.where(slivers, np.maximum(level, 1), level).astype(np.float32)
    return mask, np.maximum(level, 0)


def _slivers(mask: Mask, pen_px: float) -> Mask | None:
    """Paper between a line and the same line drawn again: long, and narrower than a pen."""
    paper = np.pad(1 - mask.view(np.uint8), 1, constant_values=1).astype(np.uint8)
    n, label, stats, _ = cv2.connectedComponentsWithStats(paper, connectivity=4)
    areas = stats[:, cv2.CC_STAT_AREA]
    sides = stats[:, [cv2.CC_STAT_WIDTH, cv2.CC_STAT_HEIGHT]].max(axis=1)
    # As wide as it would be, were it as long as its box: a curved one is narrower still.
    may_be = (areas < _SLIVER_PENS * pen_px * sides) & (sides > 3 * pen_px)
    may_be[0] = False
    depth = cv2.distanceTransform(paper, cv2.DIST_L2, 5)
    found = np.zeros(n, np.bool_)
    for k in np.flatnonzero(may_be):
        x, y, width, height = stats[k, :4]
        box = (slice(y, y + height), slice(x, x + width))
        deepest = float(depth[box][label[box] == k].max())
        # Its length, by its area and its mean width, which is two thirds of the largest at least.
        length = areas[k] / (2 * deepest)
        found[k] = 2 * deepest <= _SLIVER_PENS * pen_px and length > 5 * deepest
    return np.asarray(found[label][1:-1, 1:-1], np.bool_) if found.any() else None


def _without_pinholes(solid: npt.ArrayLike, least_px2: float) -> Mask:
    """The mask with holes smaller than this filled."""
    solid = np.asarray(solid, np.uint8)
    paper = np.pad(1 - solid, 1, constant_values=1).astype(np.uint8)
    _, label, stats, _ = cv2.connectedComponentsWithStats(paper, connectivity=4)
    small = stats[:, cv2.CC_STAT_AREA] < least_px2
    small[0] = False
    return np.asarray((small[label][1:-1, 1:-1]) | (solid > 0), np.bool_)


def _with_rims(mask: Mask, level: Level, area: Bytes, pen_px: float) -> tuple[Mask, Level]:
    """Shaded areas replaced by a band, a pen wide, along the inside of their rim.

    What is filled ends where its ink does. A drawn outline that touches hatching belongs to the
    area, so the band lies on it. Lines that only run up to an area are taken off it by an opening;
    they meet the band there.
    """
    inside = cv2.distanceTransform(np.pad(area, 1), cv2.DIST_L2, 5)[1:-1, 1:-1]
    band = (area > 0) & (inside <= pen_px + 0.5)
    lines = np.where(area > 0, band, mask)
    soft = cv2.GaussianBlur(band.astype(np.float32), (0, 0), 0.7)
    return lines, np.where(area > 0, soft, level).astype(np.float32)


def _with_outline(strokes: Bytes, drawn: Bytes, pen_px: float) -> Bytes:
    """Hatched areas, with the line drawn round them and without what only runs up to it."""
    area = closed(strokes, 2 * pen_px)
    near = dilated(area, 2.6 * pen_px)
    area = closed(as_bytes(area | (near & drawn)), pen_px)
    return opened(as_bytes(_without_pinholes(area, 4 * pen_px**2)), 1.8 * pen_px)


def _drafted(mask: Mask, pen_px: float) -> Draft:
    """The thinned net; lines of a wide pen are thinned smaller, which is quicker and calmer."""
    factor = max(1, int(pen_px / (_THINNABLE_PX / 2)))
    if pen_px <= _THINNABLE_PX:
        return follow(mask)
    rows, cols = (-(-side // factor) for side in mask.shape)
    padded = np.zeros((rows * factor, cols * factor), np.float32)
    padded[: mask.shape[0], : mask.shape[1]] = mask
    small = padded.reshape(rows, factor, cols, factor).mean(axis=(1, 3)) > 0.5
    draft = follow(small)
    paths = []
    for path in draft.paths:
        large = replace(path, points=path.points * factor)
        whole = Draft(draft.nodes * factor, ()).whole(large)
        paths.append(replace(path, points=evened(whole, is_closed=path.nodes is None)))
    return Draft(draft.nodes * factor, tuple(paths))


# ---------------------------------------------------------------- the net's upkeep


def _length(points: Points) -> float:
    return float(np.hypot(*np.diff(points, axis=0).T).sum())


def _radius(distance: Level, place: Points) -> float:
    rows, cols = distance.shape
    col, row = int(place[0]), int(place[1])
    return float(distance[min(max(row, 0), rows - 1), min(max(col, 0), cols - 1)])


def _pruned(draft: Draft, distance: Level, pen_px: float) -> Draft:
    """No spurs, no twin junctions, no nodes that only two lines meet at; until nothing changes."""
    for _ in range(12):
        before = len(draft.paths)
        draft = _dissolved(_without_spurs(draft, distance, pen_px))
        if pen_px > 0:
            draft = _dissolved(_clustered(draft, distance, pen_px))
        if len(draft.paths) == before:
            break
    return draft


def _without_spurs(draft: Draft, distance: Level, pen_px: float) -> Draft:
    """Branches that end before they leave the ink of the line they come from."""
    degrees = draft.degrees()
    spurs: dict[int, list[tuple[float, int]]] = {}
    for k, path in enumerate(draft.paths):
        if path.nodes is None or pen_px <= 0:
            continue
        a, b = path.nodes
        if degrees[a] == degrees[b] or min(degrees[a], degrees[b]) != 1:
            continue
        root = a if degrees[a] > 1 else b
        length = _length(draft.whole(path))
        if length < 2.0 * _radius(distance, draft.nodes[root]) + 1:
            spurs.setdefault(root, []).append((length, k))
    gone: set[int] = set()
    for root, found in spurs.items():
        found.sort()
        spared = 2 if len(found) >= degrees[root] else 0  # a short stroke may be all spurs
        gone.update(k for _, k in found[: len(found) - spared])
    return Draft(draft.nodes, tuple(p for k, p in enumerate(draft.paths) if k not in gone))


def _clustered(draft: Draft, distance: Level, pen_px: float) -> Draft:
    """Junctions joined where the way between them never leaves the ink of either."""
    degrees = draft.degrees()
    parent = list(range(len(draft.nodes)))

    def root(node: int) -> int:
        while parent[node] != node:
            node = parent[node]
        return node

    links = set()
    for k, path in enumerate(draft.paths):
        if path.nodes is None or min(degrees[list(path.nodes)]) < 3:
            continue
        a, b = path.nodes
        reach = _radius(distance, draft.nodes[a]) + _radius(distance, draft.nodes[b])
        length = _length(draft.whole(path))
        is_loop = a == b and length < 1.5 * (reach + pen_px)
        if is_loop or (a != b and length < min(1.2 * reach, 3 * pen_px) + 1):
            links.add(k)
            parent[root(a)] = root(b)
    if not links:
        return draft
    home = np.array([root(node) for node in range(len(draft.nodes))])
    moved = {node for k in links for node in draft.paths[k].nodes or ()}
    nodes = draft.nodes.copy()
    for target in {int(home[node]) for node in moved}:
        nodes[target] = draft.nodes[[n for n in moved if home[n] == target]].mean(axis=0)
    paths = [
        path
        if path.nodes is None
        else replace(path, nodes=(int(home[path.nodes[0]]), int(home[path.nodes[1]])))
        for k, path in enumerate(draft.paths)
        if k not in links
    ]
    return Draft(nodes, tuple(paths))


def _dissolved(draft: Draft) -> Draft:
    """Lines joined to one where just two ends meet; the node becomes one of its points."""
    paths: dict[int, Path] = dict(enumerate(draft.paths))
    at: dict[int, list[int]] = {}
    for k, path in paths.items():
        for node in path.nodes or ():
            at.setdefault(node, []).append(k)
    for node in sorted(at):
        ends = at[node]
        if len(ends) != 2:
            continue
        one, other = ends
        place = draft.nodes[node][None]
        if one == other:
            paths[one] = Path(np.vstack([place, paths[one].points]), None)
            continue
        a, b = _ending(paths[one], node), _starting(paths.pop(other), node)
        if a.nodes is None or b.nodes is None:
            continue
        far = b.nodes[1]
        joined = np.vstack([a.points, place, b.points])
        paths[one] = Path(joined, (a.nodes[0], far))
        at[far][at[far].index(other)] = one
    return _renumbered(Draft(draft.nodes, tuple(paths.values())))


def _ending(path: Path, node: int) -> Path:
    """The path, turned so that it ends at the node."""
    if path.nodes is None or path.nodes[1] == node:
        return path
    return Path(path.points[::-1], (path.nodes[1], path.nodes[0]))


def _starting(path: Path, node: int) -> Path:
    if path.nodes is None or path.nodes[0] == node:
        return path
    return Path(path.points[::-1], (path.nodes[1], path.nodes[0]))


def _renumbered(draft: Draft) -> Draft:
    """Only the nodes that are in use."""
    used = sorted({node for path in draft.paths for node in path.nodes or ()})
    new = {node: k for k, node in enumerate(used)}
    paths = tuple(
        path
        if path.nodes is None
        else replace(path, nodes=(new[path.nodes[0]], new[path.nodes[1]]))
        for path in draft.paths
    )
    return Draft(draft.nodes[used].reshape(-1, 2), paths)


def _pieces(draft: Draft) -> list[int]:
    """A name, for each path, of the connected piece of the net that it belongs to."""
    home = list(range(len(draft.nodes) + len(draft.paths)))

    def root(node: int) -> int:
        while home[node] != node:
            node = home[node]
        return node

    firsts = []
    for k, path in enumerate(draft.paths):
        a, b = path.nodes or (len(draft.nodes) + k,) * 2
        home[root(a)] = root(b)
        firsts.append(a)
    return [root(node) for node in firsts]


def _n_pieces(draft: Draft) -> int:
    return len(set(_pieces(draft)))


def _without_dust(draft: Draft, least_px: float) -> Draft:
    """No lone dots: pieces of the net whose lines together are shorter than this."""
    pieces = _pieces(draft)
    total: dict[int, float] = {}
    for path, piece in zip(draft.paths, pieces, strict=True):
        total[piece] = total.get(piece, 0.0) + _length(draft.whole(path))
    kept = [p for p, piece in zip(draft.paths, pieces, strict=True) if total[piece] >= least_px]
    return _renumbered(Draft(draft.nodes, tuple(kept)))


def _dust_note(n_dots: int) -> tuple[Note, ...]:
    if not n_dots:
        return ()
    dots = "1 dot" if n_dots == 1 else f"{n_dots} dots"
    sentence = f"{dots} too short to follow as a line left out"
    return (Note(NoteKind.READING, sentence, remedy="draw what matters as a small ring"),)


# ---------------------------------------------------------------- where the pen skipped


@dataclass(frozen=True, slots=True, eq=False)
class _End:
    """A loose end: its node, the path it belongs to, its place and the way it points."""

    node: int
    path: int
    place: Points
    outward: Points


def _loose_ends(draft: Draft, pen_px: float) -> list[_End]:
    degrees = draft.degrees()
    back = max(4, round(2 * pen_px))
    ends = []
    for k, path in enumerate(draft.paths):
        if path.nodes is None:
            continue
        whole = draft.whole(path)
        for node, line in ((path.nodes[0], whole), (path.nodes[1], whole[::-1])):
            if degrees[node] == 1:
                way = line[0] - line[min(back, len(line) - 1)]
                size = max(float(np.hypot(*way)), 1e-9)
                ends.append(_End(node, k, line[0], way / size))
    return ends


def _bridged(draft: Draft, pen_px: float) -> Draft:
    """The net with the pen's skips closed: end to end, then end to line."""
    return _dissolved(_touching(_dissolved(_skipping(draft, pen_px)), pen_px))


def _skipping(draft: Draft, pen_px: float) -> Draft:
    """Loose ends that point at each other, or nearly meet, tied by a short path; nearest first."""
    from scipy.spatial import cKDTree

    ends = _loose_ends(draft, pen_px)
    if len(ends) < 2:
        return draft
    pairs = cKDTree(np.array([end.place for end in ends])).query_pairs(_SKIP_PENS * pen_px)
    wishes = []
    for a, b in sorted(pairs):
        one, other = ends[a], ends[b]
        across = other.place - one.place
        gap = float(np.hypot(*across))
        way = across / max(gap, 1e-9)
        lead, answer = float(one.outward @ way), -float(other.outward @ way)
        if gap < _MEET_PENS * pen_px:
            is_wanted = min(lead, answer) > -0.5 and lead + answer > 0.3
        else:
            shortest = min(_length(draft.paths[end.path].points) for end in (one, other))
            # A dash is not tied to what it faces; a skip is short beside the strokes it parts.
            is_line = shortest > max(1.5 * gap, 3 * pen_px)
            is_wanted = min(lead, answer) > 0.75 and is_line
        # A short stroke's own ends are no skip, unless the stroke nearly closes.
        own = one.path == other.path
        if is_wanted and not (own and _length(draft.paths[one.path].points) < 3 * gap):
            wishes.append((gap * (3 - lead - answer), a, b))
    taken: set[int] = set()
    bridges = []
    for _, a, b in sorted(wishes):
        if a in taken or b in taken:
            continue
        taken |= {a, b}
        bridges.append(_bridge(ends[a], ends[b]))
    return Draft(draft.nodes, (*draft.paths, *bridges))


def _bridge(one: _End, other: _End) -> Path:
    """A curve that leaves and arrives as the two ends point (Hermite's cubic)."""
    gap = float(np.hypot(*(other.place - one.place)))
    t = np.linspace(0, 1, max(3, round(gap)) + 1)[1:-1, None]
    control = [
        one.place,
        one.place + one.outward * gap / 3,
        other.place + other.outward * gap / 3,
        other.place,
    ]
    weight = [(1 - t) ** 3, 3 * t * (1 - t) ** 2, 3 * t * t * (1 - t), t**3]
    points = sum(w * c for w, c in zip(weight, control, strict=True))
    return Path(np.asarray(points, np.float64), (one.node, other.node))


def _touching(draft: Draft, pen_px: float) -> Draft:
    """Loose ends that stop just short of a line carried on to it."""
    from scipy.spatial import cKDTree

    ends = _loose_ends(draft, pen_px)
    if not ends:
        return draft
    places = np.concatenate([path.points for path in draft.paths])
    sizes = [len(path.points) for path in draft.paths]
    owner = np.repeat(np.arange(len(sizes)), sizes)
    index = np.concatenate([np.arange(size) for size in sizes])
    tree = cKDTree(places)
    splits: dict[int, list[tuple[int, int]]] = {}
    for end in ends:
        # A dash is not tied to what it points at, unless it all but touches.
        is_dash = _length(draft.paths[end.path].points) < 3 * pen_px
        reach_px = (0.8 if is_dash else _TOUCH_PENS) * pen_px
        near = np.array(tree.query_ball_point(end.place, reach_px), np.int64)
        own_tail = min(sizes[end.path], round(3 * _TOUCH_PENS * pen_px))
        at_start = (draft.paths[end.path].nodes or (0, 0))[0] == end.node
        along = index[near] if at_start else sizes[end.path] - 1 - index[near]
        near = near[(owner[near] != end.path) | (along > own_tail)]
        if not len(near):
            continue
        across = places[near] - end.place
        gap = np.maximum(np.hypot(*across.T), 1e-9)
        lead = (across @ end.outward) / gap
        near, gap = near[(lead > 0.5) | (gap < 0.7)], gap[(lead > 0.5) | (gap < 0.7)]
        if len(near):
            hit = int(near[np.argmin(gap)])
            splits.setdefault(int(owner[hit]), []).append((int(index[hit]), end.node))
    return _split(draft, splits)


def _split(draft: Draft, splits: dict[int, list[tuple[int, int]]]) -> Draft:
    """Paths cut at some of their points, a loose end's node tied to each."""
    nodes = [*draft.nodes]
    paths: list[Path] = []
    for k, path in enumerate(draft.paths):
        cuts = sorted(splits.get(k, ()))
        if not cuts:
            paths.append(path)
            continue
        points = path.points
        if path.nodes is None:  # opened at its first cut
            first = cuts[0][0]
            points = np.roll(points, -first, axis=0)
            cuts = [(at - first, node) for at, node in cuts]
            start = end = len(nodes)
            nodes.append(points[0])
            paths += [
                Path(_between(points[0], nodes[node]), (start, node))
                for at, node in cuts
                if at == 0
            ]
            cuts = [(at, node) for at, node in cuts if at > 0]
            begin = 1
        else:
            (start, end), begin = path.nodes, 0
        for at in sorted({at for at, _ in cuts}):
            new = len(nodes)
            nodes.append(points[at])
            paths.append(Path(points[begin:at], (start, new)))
            paths += [
                Path(_between(points[at], nodes[node]), (new, node)) for b, node in cuts if b == at
            ]
            start, begin = new, at + 1
        paths.append(Path(points[begin:], (start, end)))
    return Draft(np.array(nodes).reshape(-1, 2), tuple(paths))


def _between(a: Points, b: Points) -> Points:
    """Points of the straight way, about a pixel apart, without its ends."""
    n = max(2, round(float(np.hypot(*(b - a)))))
    t = np.linspace(0, 1, n + 1)[1:-1, None]
    return np.asarray(a * (1 - t) + b * t, np.float64)


# ---------------------------------------------------------------- what comes out


def _net(draft: Draft, distance: Level, reading: Reading, notes: tuple[Note, ...]) -> PixelNet:
    half = half_widths(draft, distance)
    strokes = []
    for path, half_px in zip(draft.paths, half, strict=True):
        is_closed = path.nodes is None
        inner = evened(draft.whole(path), is_closed=is_closed)
        points = inner if path.nodes is None else draft.whole(replace(path, points=inner))
        # Distances run to the middle of the first pixel of paper: a quarter too long on average.
        width_px = max(2 * float(half_px) - 0.5, 1.0)
        strokes.append(
            PixelStroke(points, width_px, path.nodes, noise_px(points, is_closed=is_closed))
        )
    return PixelNet(
        strokes=tuple(strokes),
        nodes_px=draft.nodes,
        blur_px=reading.ink.blur_px,
        has_line_round_all=_has_line_round_all(strokes, reading.ink.pen_px),
        shaded=reading.shaded,
        notes=notes,
    )


def _has_line_round_all(strokes: list[PixelStroke], pen_px: float) -> bool:
    """True where one closed chain of strokes goes round all others and fills most of their box."""
    import shapely

    lines = [
        shapely.LineString(
            np.vstack([s.points_px, s.points_px[:1]]) if s.is_closed else s.points_px
        )
        for s in strokes
    ]
    faces = shapely.get_parts(shapely.polygonize(lines))
    if not len(faces):
        return False
    whole = shapely.union_all(shapely.make_valid(faces))
    parts = [part for part in shapely.get_parts(whole) if part.geom_type == "Polygon"]
    outer = max(parts, key=lambda part: part.area)
    outer = shapely.Polygon(outer.exterior)
    everything = shapely.multilinestrings(lines)
    box = shapely.box(*everything.bounds)
    return bool(outer.area > 0.5 * box.area and outer.buffer(0.3 * pen_px).covers(everything))
