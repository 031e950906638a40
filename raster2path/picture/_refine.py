"""From a draft in whole pixels to centre lines and junctions in small parts of one.

Private to the folder. All paths of the net are worked on at once, end to end (measured: edge
by edge is a hundred times slower).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
import numpy.typing as npt

from raster2path.geometry import Points
from raster2path.model import Level
from raster2path.picture._level import Floats
from raster2path.picture._skeleton import Draft, Ints

_SPAN_PX = 30.0  # of each branch, to find where it would meet the others
_STRAIGHT_PX = 10.0  # with less to go by than this, a branch is fitted by a line
_ACROSS = np.linspace(-1, 1, 13)


@dataclass(frozen=True, slots=True, eq=False)
class _Strands:
    """Paths end to end: points, the first of each, how many, which close, and half widths."""

    points: Points
    starts: Ints
    sizes: Ints
    closed: npt.NDArray[np.bool_]
    half_px: Floats  # one for each strand

    @property
    def owners(self) -> Ints:
        return np.repeat(np.arange(len(self.sizes)), self.sizes)

    def strand(self, k: int) -> slice:
        return slice(int(self.starts[k]), int(self.starts[k] + self.sizes[k]))

    def moved(self, values: Points, step: int) -> Points:
        """Each point's value `step` later; beyond an open end, mirrored through that end."""
        first = np.repeat(self.starts, self.sizes)
        size = np.repeat(self.sizes, self.sizes)
        closed = np.repeat(self.closed, self.sizes)[:, None]
        at = np.arange(len(values)) - first + step
        inside = np.clip(at, 0, size - 1)
        mirror = np.clip(2 * inside - at, 0, size - 1)
        beyond = 2 * values[first + inside] - values[first + mirror]
        return np.asarray(np.where(closed, values[first + at % size], beyond), np.float64)

    def smoothed(self, values: Points, sigma: float) -> Points:
        """Gaussian along the strands."""
        reach = int(np.ceil(2.5 * sigma))
        steps = np.arange(-reach, reach + 1)
        weight = np.exp(-0.5 * (steps / sigma) ** 2)
        weight /= weight.sum()
        out = np.zeros_like(values)
        for step, share in zip(steps, weight, strict=True):
            out += share * self.moved(values, int(step))
        return out

    def normals(self) -> Points:
        """Directions across, of length one."""
        along = self.moved(self.points, 1) - self.moved(self.points, -1)
        size = np.maximum(np.hypot(*along.T), 1e-9)
        across = np.column_stack([-along[:, 1], along[:, 0]]) / size[:, None]
        return np.asarray(across, np.float64)

    def travelled(self) -> tuple[Floats, Floats]:
        """Length from the strand's first point to each, and from each to its last."""
        step = np.hypot(*np.diff(self.points, axis=0, prepend=self.points[:1]).T)
        step[self.starts] = 0
        total = np.cumsum(step)
        ahead = total - np.repeat(total[self.starts], self.sizes)
        last = np.repeat(ahead[self.starts + self.sizes - 1], self.sizes)
        return ahead, last - ahead


def half_widths(draft: Draft, distance: Level) -> Floats:
    """Half the drawn width of each path: the median of the distance from line to paper."""
    return np.array(
        [
            float(np.median(_peek(distance, p.points if len(p.points) else draft.whole(p))))
            for p in draft.paths
        ]
    )


def _peek(image: Level, points: Points) -> Floats:
    rows, cols = image.shape
    col = np.clip(points[:, 0].astype(np.int64), 0, cols - 1)
    row = np.clip(points[:, 1].astype(np.int64), 0, rows - 1)
    return image[row, col].astype(np.float64)


def refine(draft: Draft, *, level: Level, distance: Level) -> Draft:
    """The same net, its lines in the middle of the drawn strokes, its nodes where those meet.

    Args:
        draft: through the middles of pixels.
        level: 1 in the strokes, 0 beside them.
        distance: from each pixel of the strokes to the paper.

    Returns:
        Paths that end exactly on their nodes, their points about a pixel apart.
    """
    if not draft.paths:
        return draft
    strands = _centred(_strands(draft, half_widths(draft, distance)), level)
    nodes, half_nodes = draft.nodes, _peek(distance, draft.nodes)
    keep = _trusted(draft, strands, half_nodes)
    branches = _branches(draft, strands, keep)
    nodes = _met(branches, nodes, half_nodes, draft.degrees())
    nodes = _tipped(branches, nodes, draft.degrees(), level)
    paths = []
    for k, path in enumerate(draft.paths):
        part = strands.strand(k)
        points = strands.points[part][keep[part]]
        whole = Draft(nodes, ()).whole(replace(path, points=points))
        inner = evened(whole, is_closed=path.nodes is None)
        paths.append(replace(path, points=inner))
    return Draft(nodes, tuple(paths))


def evened(whole: Points, *, is_closed: bool) -> Points:
    """Points about a pixel apart between the two ends of a line, or round a closed one."""
    step = np.hypot(*np.diff(whole, axis=0).T)
    at = np.concatenate([[0.0], np.cumsum(step)])
    n = max(3, round(float(at[-1])))
    where = np.linspace(0, at[-1], n + 1)[0 if is_closed else 1 : -1]
    return np.column_stack([np.interp(where, at, whole[:, 0]), np.interp(where, at, whole[:, 1])])


def _strands(draft: Draft, half_px: Floats) -> _Strands:
    sizes = np.array([len(path.points) for path in draft.paths], np.int64)
    starts = np.concatenate([[0], np.cumsum(sizes)[:-1]]).astype(np.int64)
    closed = np.array([path.nodes is None for path in draft.paths])
    points = np.concatenate([path.points for path in draft.paths])
    return _Strands(points, starts, sizes, closed, half_px)


def _centred(strands: _Strands, level: Level) -> _Strands:
    """Points moved across their line to the middle of the ink there, twice."""
    strands = replace(strands, points=strands.smoothed(strands.points, 2.0))
    reach = np.repeat(strands.half_px + 1.5, strands.sizes)
    for sigma in (1.2, 0.6):  # little at last: what tremor there is, the fit must see
        normal = strands.normals()
        offset = reach[:, None] * _ACROSS
        probe = strands.points[:, None, :] + offset[:, :, None] * normal[:, None, :]
        value = np.clip(_bilinear(level, probe.reshape(-1, 2)).reshape(offset.shape) - 0.1, 0, 1)
        weight = value.sum(axis=1)
        middle = (value * offset).sum(axis=1) / np.maximum(weight, 1e-6)
        middle[weight < 1] = 0
        limit = np.repeat(0.5 * strands.half_px + 0.7, strands.sizes)
        shift = np.clip(middle, -limit, limit)[:, None] * normal
        points = strands.points + shift
        strands = replace(strands, points=strands.smoothed(points, sigma))
    return strands


def _bilinear(level: Level, points: Points) -> Floats:
    """The level between pixels; lists longer than OpenCV takes are folded."""
    fold = 16384
    n = len(points)
    rows = -(-n // fold)
    flat = np.zeros((rows * fold, 2), np.float32)
    flat[:n] = points - 0.5
    grid = flat.reshape(rows, fold, 2)
    value = cv2.remap(
        level,
        np.ascontiguousarray(grid[..., 0]),
        np.ascontiguousarray(grid[..., 1]),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )
    return value.reshape(-1)[:n].astype(np.float64)


def _trusted(draft: Draft, strands: _Strands, half_nodes: Floats) -> npt.NDArray[np.bool_]:
    """Points far enough from nodes for other branches, or the stroke's end, not to lead them."""
    ahead, behind = strands.travelled()
    keep = np.ones(len(strands.points), np.bool_)
    for k, path in enumerate(draft.paths):
        if path.nodes is None:
            continue
        part = strands.strand(k)
        length = float(ahead[part][-1])
        gaps = [min(1.3 * half_nodes[node] + 1, 0.4 * length) for node in path.nodes]
        keep[part] = (ahead[part] >= gaps[0]) & (behind[part] >= gaps[1])
        if not keep[part].any():
            keep[part.start + (part.stop - part.start) // 2] = True
    return keep


@dataclass(frozen=True, slots=True, eq=False)
class _Branches:
    """Each path end that meets a node, as a curve over s: 0 at its trusted end, growing inward."""

    node: Ints
    start: Points
    half_px: Floats
    curve: npt.NDArray[np.float64]  # (n, 3, 2): weights of 1, s and s^2, relative to `start`

    def at(self, s: Floats) -> Points:
        powers = np.stack([np.ones_like(s), s, s * s], axis=1)
        return np.asarray(self.start + np.einsum("np,npc->nc", powers, self.curve), np.float64)

    def along(self, s: Floats) -> Points:
        powers = np.stack([np.zeros_like(s), np.ones_like(s), 2 * s], axis=1)
        slope = np.einsum("np,npc->nc", powers, self.curve)
        return np.asarray(slope / np.maximum(np.hypot(*slope.T), 1e-9)[:, None], np.float64)


def _branches(draft: Draft, strands: _Strands, keep: npt.NDArray[np.bool_]) -> _Branches:
    """All branches fitted in one batch of 3 x 3 systems."""
    node: list[int] = []
    half: list[float] = []
    parts: list[Points] = []
    for k, path in enumerate(draft.paths):
        if path.nodes is None:
            continue
        part = strands.strand(k)
        points = strands.points[part][keep[part]]
        span = int(_SPAN_PX * 1.2)
        parts += [points[:span], points[::-1][:span]]
        node += path.nodes
        half += [float(strands.half_px[k])] * 2
    if not parts:
        return _Branches(np.zeros(0, np.int64), np.zeros((0, 2)), np.zeros(0), np.zeros((0, 3, 2)))
    n = len(parts)
    sizes = np.array([len(part) for part in parts], np.int64)
    owner = np.repeat(np.arange(n), sizes)
    points = np.concatenate(parts)
    starts = np.concatenate([[0], np.cumsum(sizes)[:-1]]).astype(np.int64)
    step = np.hypot(*np.diff(points, axis=0, prepend=points[:1]).T)
    step[starts] = 0
    total = np.cumsum(step)
    s = total - np.repeat(total[starts], sizes)
    local = points - points[starts][owner]
    within = (s <= _SPAN_PX).astype(np.float64)
    moments = [np.bincount(owner, within * s**p, n) for p in range(5)]
    matrix = np.stack([np.stack([moments[i + j] for j in range(3)], 1) for i in range(3)], 1)
    right = np.stack(
        [
            np.stack([np.bincount(owner, within * s**p * local[:, c], n) for c in (0, 1)], 1)
            for p in range(3)
        ],
        1,
    )
    length = np.maximum(np.maximum.reduceat(s, starts), 1.0)
    is_straight = length < _STRAIGHT_PX
    matrix[:, 2, 2] = matrix[:, 2, 2] + np.where(is_straight, 1e12, 1e-3 * length**5)
    for i in (0, 1):
        matrix[:, i, i] = matrix[:, i, i] + 1e-6
    curve = np.linalg.solve(matrix, right)
    return _Branches(np.array(node, np.int64), points[starts], np.array(half), curve)


def _met(branches: _Branches, nodes: Points, half_nodes: Floats, degrees: Ints) -> Points:
    """Junctions where their branches, carried on, come nearest to each other."""
    out = nodes.copy()
    count = len(nodes)
    for _ in range(3):
        toward = out[branches.node] - branches.start
        back = branches.along(np.zeros(len(branches.node)))
        s = np.clip((toward * back).sum(axis=1), -4 * branches.half_px - 6, 2.0)
        place, along = branches.at(s), branches.along(s)
        normal = np.column_stack([-along[:, 1], along[:, 0]])
        reach = (normal * place).sum(axis=1)
        weak = 0.03  # holds the node where all branches run the same way
        matrix = np.zeros((count, 2, 2))
        right = weak * nodes
        for i in (0, 1):
            matrix[:, i, i] += weak
            right[:, i] += np.bincount(branches.node, normal[:, i] * reach, count)
            for j in (0, 1):
                matrix[:, i, j] += np.bincount(branches.node, normal[:, i] * normal[:, j], count)
        out = np.asarray(np.linalg.solve(matrix, right[:, :, None])[:, :, 0], np.float64)
        far = np.hypot(*(out - nodes).T) > 1.5 * half_nodes + 1.5
        out[far] = nodes[far]
    out[degrees < 2] = nodes[degrees < 2]
    return np.asarray(out, np.float64)


def _tipped(branches: _Branches, nodes: Points, degrees: Ints, level: Level) -> Points:
    """Free ends half a width short of where the ink ends, as a round pen leaves them."""
    out = nodes.copy()
    free = np.flatnonzero(degrees[branches.node] == 1)
    if not len(free):
        return out
    start, half = branches.start[free], branches.half_px[free]
    outward = -branches.along(np.zeros(len(branches.node)))[free]
    gap = np.hypot(*(nodes[branches.node[free]] - start).T)
    reach = (gap + 2 * half + 3)[:, None] * np.linspace(0, 1, 40)
    probe = start[:, None, :] + reach[:, :, None] * outward[:, None, :]
    value = _bilinear(level, probe.reshape(-1, 2)).reshape(reach.shape)
    is_paper = value < 0.5
    first = np.where(is_paper.any(axis=1), is_paper.argmax(axis=1), 39)
    # Four fifths: blur draws a round tip in, and the distance to paper is a little long.
    tip = np.maximum(reach[np.arange(len(free)), first] - 0.8 * half, 0.0)
    out[branches.node[free]] = start + tip[:, None] * outward
    return out


LEAST_NOISE_PX = 0.05
"""What the smoothing hides: measured against drawn lines, the middle is off by 0.06 to 0.08."""

_REACH = 10


def noise_px(points: Points, *, is_closed: bool) -> float:
    """Standard deviation of a line about a parabola through 21 of its points, by the median.

    Longer than for edges, since smoothing ties neighbours together; never under
    `LEAST_NOISE_PX`.
    """
    n = 2 * _REACH + 1
    if len(points) <= n:
        return LEAST_NOISE_PX
    reach = np.arange(-_REACH, _REACH + 1)
    basis = np.column_stack([np.ones(n), reach, reach**2])
    weight = (basis @ np.linalg.pinv(basis))[_REACH]
    around = np.vstack([points[-_REACH:], points, points[:_REACH]]) if is_closed else points
    smooth = np.column_stack([np.convolve(around[:, c], weight, "valid") for c in (0, 1)])
    along = around[_REACH + 2 : 2 - _REACH] - around[_REACH - 2 : -_REACH - 2]
    off = around[_REACH:-_REACH] - smooth
    size = np.maximum(np.hypot(*along.T), 1e-9)
    across = np.abs(along[:, 0] * off[:, 1] - along[:, 1] * off[:, 0]) / size
    measured = 1.4826 * float(np.median(across)) / np.sqrt(1 - weight[_REACH])
    return max(LEAST_NOISE_PX, float(measured))
