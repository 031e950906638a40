"""Boosted trees (Friedman 2001), made by `tests.learning.train` and read with NumPy alone."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from importlib.resources import files

import numpy as np
import numpy.typing as npt

from raster2path.shape._reader import Reader

Floats = npt.NDArray[np.float64]
FILE = "lettering.npz"
TABLES = ("marks", "rows", "lones")


@dataclass(frozen=True, slots=True, eq=False)
class Table:
    """Complete binary trees, all of one depth.

    Attributes:
        feature: (trees, 2 ** depth - 1) column to look at, level by level.
        limit: the same: a value above it goes to the right.
        leaf: (trees, 2 ** depth) what is added to the log odds.
        start: log odds before the first tree.
    """

    feature: npt.NDArray[np.int16]
    limit: npt.NDArray[np.float32]
    leaf: npt.NDArray[np.float32]
    start: float

    def log_odds(self, x: Floats) -> Floats:
        """Of each row (n, columns) of numbers: (n,)."""
        values = np.asarray(x, np.float32)
        n_trees, n_leaves = self.leaf.shape
        node = np.zeros((len(values), n_trees), np.int64)
        tree = np.arange(n_trees)[None, :]
        row = np.arange(len(values))[:, None]
        for _ in range(n_leaves.bit_length() - 1):
            right = values[row, self.feature[tree, node]] > self.limit[tree, node]
            node = 2 * node + 1 + right
        leaf = self.leaf[tree, node - (n_leaves - 1)]
        return np.asarray(self.start + leaf.sum(axis=1, dtype=np.float64), np.float64)


@dataclass(frozen=True, slots=True, eq=False)
class Learnt:
    """All that was learnt.

    Attributes:
        reader: how much a mark looks like a letter.
        marks: whether a mark in a row is a letter.
        rows: whether a row is a word, from what `marks` says of its marks.
        lones: whether a mark that stands alone is a letter, from the same numbers.
    """

    reader: Reader
    marks: Table
    rows: Table
    lones: Table

    def of_rows(self, numbers: Floats, count: npt.NDArray[np.int64]) -> Floats:
        """Log odds that each row is lettering (n,).

        Args:
            numbers: what `row_numbers` tells.
            count: how many marks are in each.
        """
        odds = np.empty(len(numbers))
        for table, own in ((self.rows, count > 1), (self.lones, count == 1)):
            odds[own] = table.log_odds(numbers[own])
        return odds


@cache
def shipped() -> Learnt:
    """What comes with the program."""
    with files("raster2path.shape").joinpath(FILE).open("rb") as file, np.load(file) as data:
        parts = {name: data[name] for name in data.files}
    windows = sorted(name for name in parts if name.startswith("window_at_"))
    reader = Reader(
        tuple(parts[name.replace("at_", "")].astype(np.float32) for name in windows),
        tuple(parts[name] for name in windows),
        *(parts[name].astype(np.float32) for name in ("into", "into_at", "out", "out_at")),
    )
    tables = (
        Table(
            parts[f"{name}_feature"],
            parts[f"{name}_limit"],
            parts[f"{name}_leaf"],
            parts[f"{name}_start"].item(),
        )
        for name in TABLES
    )
    return Learnt(reader, *tables)
