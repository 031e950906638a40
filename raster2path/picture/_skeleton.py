"""From a mask of lines to a draft of the net: thinning, and following what is left.

Private to the folder. No loop here runs over pixels: degrees come from sorted keys, the order of
pixels along all paths from one walk over all of them, end to end.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from raster2path.geometry import Points
from raster2path.model import Mask

Ints = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True, eq=False)
class Path:
    """A line between two nodes (their places are not among its points), or a closed one."""

    points: Points
    nodes: tuple[int, int] | None


@dataclass(frozen=True, slots=True, eq=False)
class Draft:
    """A net in the making: places of the nodes, and the paths between them."""

    nodes: Points
    paths: tuple[Path, ...]

    def degrees(self) -> Ints:
        """How many path ends meet at each node."""
        ends = [node for path in self.paths if path.nodes is not None for node in path.nodes]
        return np.bincount(np.array(ends, np.int64), minlength=len(self.nodes)).astype(np.int64)

    def whole(self, path: Path) -> Points:
        """The path's points with its nodes, or with its first point again where closed."""
        if path.nodes is None:
            return np.vstack([path.points, path.points[:1]])
        a, b = path.nodes
        return np.vstack([self.nodes[a], path.points, self.nodes[b]])


def follow(mask: Mask) -> Draft:
    """The net of the mask's centre lines, through the middles of pixels.

    Pixels with three neighbours or more make the junctions; touching ones are one node.
    """
    from skimage.morphology import skeletonize

    thin = np.pad(skeletonize(mask), 1)
    row, col = np.nonzero(thin)
    # Less 1 for the padding, plus 0.5 for the middle.
    places = np.asarray(np.column_stack([col, row]) - 0.5, np.float64)
    n = len(places)
    if not n:
        return Draft(np.zeros((0, 2)), ())
    edges = _neighbours(thin, row * thin.shape[1] + col)
    is_knot = np.bincount(edges.ravel(), minlength=n) >= 3
    knots = is_knot[edges]
    cluster = _labels(edges[knots.all(axis=1)], n)
    used, cluster_of = np.unique(cluster[is_knot], return_inverse=True)
    node_of = np.full(n, -1, np.int64)
    node_of[is_knot] = cluster_of
    middles = [np.bincount(cluster_of, places[is_knot, axis], len(used)) for axis in (0, 1)]
    counts = np.maximum(np.bincount(cluster_of, minlength=len(used)), 1)
    nodes: Points = np.asarray(np.column_stack(middles) / counts[:, None], np.float64)
    runs, is_closed = _runs(edges[~knots.any(axis=1)], ~is_knot)
    contacts = edges[knots.sum(axis=1) == 1]
    return _attached(
        places, nodes, runs=runs, is_closed=is_closed, contacts=contacts, node_of=node_of
    )


def _neighbours(thin: Mask, key: Ints) -> Ints:
    """Pairs of touching pixels, lower index first; no diagonal where a corner pixel links them."""
    cols = thin.shape[1]
    flat = thin.ravel()
    pairs = []
    for step, sides in ((1, ()), (cols, ()), (cols + 1, (1, cols)), (cols - 1, (-1, cols))):
        there = flat[key + step]
        for side in sides:
            there = there & ~flat[key + side]
        a = np.flatnonzero(there)
        pairs.append(np.column_stack([a, np.searchsorted(key, key[a] + step)]))
    return np.concatenate(pairs).astype(np.int64)


def _labels(edges: Ints, n: int) -> Ints:
    """The number of the connected piece that each of n things belongs to."""
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    ones = np.ones(len(edges), np.int8)
    graph = coo_array((ones, (edges[:, 0], edges[:, 1])), shape=(n, n))
    return np.asarray(connected_components(graph, directed=False)[1], np.int64)


def _runs(edges: Ints, is_path: npt.NDArray[np.bool_]) -> tuple[list[Ints], list[bool]]:
    """Indices of pixels along each path, in order, and which paths close."""
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import depth_first_order

    n = len(is_path)
    label = _labels(edges, n)
    pixels = np.flatnonzero(is_path)
    if not len(pixels):
        return [], []
    names, first, label_of = np.unique(label[pixels], return_index=True, return_inverse=True)
    label = np.full(n, -1, np.int64)
    label[pixels] = label_of
    degree = np.bincount(edges.ravel(), minlength=n)
    tips = pixels[degree[pixels] <= 1]
    closed = np.bincount(label[tips], minlength=len(names)) == 0
    # A closed path is opened between its first pixel and one neighbour.
    seam = np.isin(edges[:, 0], pixels[first[closed]])
    seams = np.flatnonzero(seam)[np.unique(edges[seam, 0], return_index=True)[1]]
    tips = np.concatenate([tips, edges[seams].ravel()])
    lone = pixels[(degree[pixels] == 0)]
    tips = np.concatenate([tips, lone])  # a lone pixel is both ends of its path
    tips = tips[np.argsort(label[tips], kind="stable")].reshape(-1, 2)
    links = np.column_stack([tips[:-1, 1], tips[1:, 0]])
    chain = np.concatenate([np.delete(edges, seams, axis=0), links])
    graph = coo_array((np.ones(len(chain), np.int8), (chain[:, 0], chain[:, 1])), shape=(n, n))
    order = depth_first_order(
        graph.tocsr(), int(tips[0, 0]), directed=False, return_predecessors=False
    ).astype(np.int64)
    sizes = np.bincount(label[pixels], minlength=len(names))
    return np.split(order, np.cumsum(sizes)[:-1]), closed.tolist()


def _attached(
    places: Points,
    nodes: Points,
    *,
    runs: list[Ints],
    is_closed: list[bool],
    contacts: Ints,
    node_of: Ints,
) -> Draft:
    """Runs of pixels with the nodes that they touch; a free end makes a node of its own."""
    touching: dict[int, list[int]] = {}
    for a, b in contacts.tolist():
        pixel, knot = (a, b) if node_of[a] < 0 else (b, a)
        touching.setdefault(pixel, []).append(int(node_of[knot]))
    tips: list[Points] = []
    paths = []
    for run, closed in zip(runs, is_closed, strict=True):
        if closed:
            paths.append(Path(places[run], None))
            continue
        ends = []
        for pixel in (int(run[0]), int(run[-1])):
            met = touching.get(pixel)
            if met:
                ends.append(met.pop(0))
            else:
                ends.append(len(nodes) + len(tips))
                tips.append(places[pixel])
        paths.append(Path(places[run], (ends[0], ends[1])))
    return Draft(np.vstack([nodes, *tips]) if tips else nodes, tuple(paths))
