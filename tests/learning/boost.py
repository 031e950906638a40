"""Gradient-boosted trees for a yes or no, on binned columns (Friedman 2001); NumPy alone.

The same numbers in give the same table out: nothing is drawn by chance without a seed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from raster2path.shape._table import Table

Floats = npt.NDArray[np.float64]
Bytes = npt.NDArray[np.uint8]
N_BINS = 64


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """How trees are grown."""

    n_trees: int = 160
    depth: int = 4
    rate: float = 0.12
    least_weight: float = 4.0
    ridge: float = 2.0
    rows_share: float = 0.5
    columns_share: float = 0.35
    seed: int = 1


def grow(x: Floats, y: npt.NDArray[np.bool_], weight: Floats, plan: Plan) -> Table:
    """The table whose log odds fit `y` (n,), from columns `x` (n, columns).

    Every tree sees a share of the rows and of the columns, drawn by the plan's seed.
    """
    rng = np.random.default_rng(plan.seed)
    values = np.asarray(x, np.float32)
    edges = [_edges(column) for column in values.T]
    binned = np.column_stack([np.searchsorted(e, c) for e, c in zip(edges, values.T, strict=True)])
    binned = np.ascontiguousarray(binned.astype(np.uint8).T)
    rate = float((weight * y).sum() / weight.sum())
    start = float(np.log(rate / (1 - rate)))
    score = np.full(len(y), start)
    trees = []
    for _ in range(plan.n_trees):
        p = 1 / (1 + np.exp(-score))
        seen = np.flatnonzero(rng.random(len(y)) < plan.rows_share)
        n_columns = max(1, round(plan.columns_share * len(edges)))
        columns = np.sort(rng.choice(len(edges), n_columns, replace=False))
        push, pull = weight * (y - p), weight * p * (1 - p)
        tree = _tree(binned[:, seen], columns, push[seen], pull[seen], plan)
        node = _leaf_of(binned, tree)
        score = score + tree.leaf[node]
        trees.append(tree)
    feature = np.array([t.feature for t in trees], np.int16)
    limit = np.array(
        [[_limit(edges[f], cut) for f, cut in zip(t.feature, t.cut, strict=True)] for t in trees],
        np.float32,
    )
    return Table(feature, limit, np.array([t.leaf for t in trees], np.float32), start)


def _edges(column: npt.NDArray[np.float32]) -> npt.NDArray[np.float32]:
    """Limits between bins: half way between values that share it out evenly."""
    found = np.unique(np.quantile(column, np.linspace(0, 1, N_BINS), method="nearest"))
    return np.asarray((found[1:] + found[:-1]) / 2, np.float32)


def _limit(edges: npt.NDArray[np.float32], cut: int) -> float:
    """What separates bins up to `cut` from those above; infinity where there are none."""
    return float(edges[cut]) if cut < len(edges) else float("inf")


@dataclass(frozen=True, slots=True, eq=False)
class _Tree:
    feature: npt.NDArray[np.int64]
    cut: npt.NDArray[np.int64]
    leaf: Floats


def _tree(
    binned: Bytes, columns: npt.NDArray[np.int64], push: Floats, pull: Floats, plan: Plan
) -> _Tree:
    """One tree on gradients and curvatures, a level at a time."""
    n_inner = 2**plan.depth - 1
    feature, cut = np.zeros(n_inner, np.int64), np.full(n_inner, N_BINS, np.int64)
    node = np.zeros(binned.shape[1], np.int64)
    for level in range(plan.depth):
        first, n = 2**level - 1, 2**level
        best = np.full(n, 1e-9)
        where = node - first
        sums = [np.asarray(np.bincount(where, v, n), np.float64) for v in (push, pull)]
        for column in columns:
            key = where * N_BINS + binned[column]
            left = [
                np.asarray(np.bincount(key, v, n * N_BINS), np.float64)
                .reshape(n, N_BINS)
                .cumsum(axis=1)
                for v in (push, pull)
            ]
            gain = _gain(left, sums, plan)
            at = gain.argmax(axis=1)
            better = gain[np.arange(n), at] > best
            best[better] = gain[better, at[better]]
            feature[first : first + n][better] = column
            cut[first : first + n][better] = at[better]
        node = 2 * node + 1 + (binned[feature[node], np.arange(len(node))] > cut[node])
    leaves = node - n_inner
    total = [np.bincount(leaves, v, n_inner + 1) for v in (push, pull)]
    return _Tree(feature, cut, plan.rate * total[0] / (total[1] + plan.ridge))


def _gain(left: Sequence[Floats], sums: Sequence[Floats], plan: Plan) -> Floats:
    """What each cut would gain; none where too little weight would be on a side."""
    push, pull = left
    push_all, pull_all = sums[0][:, None], sums[1][:, None]

    def worth(g: Floats, h: Floats) -> Floats:
        return np.asarray(g**2 / (h + plan.ridge), np.float64)

    gain = worth(push, pull) + worth(push_all - push, pull_all - pull) - worth(push_all, pull_all)
    enough = (pull >= plan.least_weight / 4) & (pull_all - pull >= plan.least_weight / 4)
    return np.where(enough, gain, 0.0)


def _leaf_of(binned: Bytes, tree: _Tree) -> npt.NDArray[np.int64]:
    node = np.zeros(binned.shape[1], np.int64)
    row = np.arange(len(node))
    for _ in range((len(tree.leaf)).bit_length() - 1):
        node = 2 * node + 1 + (binned[tree.feature[node], row] > tree.cut[node])
    return node - len(tree.feature)
