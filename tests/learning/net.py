"""Small pictures of marks, and the net that learns from them which are letters the right way up."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from raster2path.geometry import Complexes
from raster2path.shape._reader import SIDE, Reader, small_picture
from raster2path.shape._textrows import Row, propose_rows
from tests.learning.gather import Truth
from tests.learning.signs import What

Floats = npt.NDArray[np.float64]
Bytes = npt.NDArray[np.uint8]
MOST_DRAWN = 25
"""Parts of drawings that are looked at in one sign."""
UPRIGHT_RAD = 1.3
"""Words that lean more may be read from either side: which way is up isn't known."""
UPSIDE_DOWN = 0.3
"""How much a letter upside down counts as none: an o is one all the same."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Study:
    """How the net is learnt."""

    hidden: int = 64
    n_rounds: int = 50
    batch: int = 256
    rate: float = 0.002
    decay: float = 2e-5
    seed: int = 1


@dataclass(frozen=True, slots=True, eq=False)
class Album:
    """Small pictures (n, SIDE ** 2), whether each is a letter, and how much it counts."""

    seen: Bytes
    y: npt.NDArray[np.bool_]
    weight: Floats


def album_of(truth: Truth, seed: int) -> Album:
    """Small pictures of what stands in a sign."""
    rng = np.random.default_rng([seed, 11])
    seen: list[Bytes] = []
    y: list[bool] = []
    weight: list[float] = []

    def add(k: int, way: complex, *, is_letter: bool, much: float) -> None:
        seen.append(small_picture(truth.marks[k], way))
        y.append(is_letter)
        weight.append(much)

    for families in truth.families:
        for family in families:
            ways = _ways(truth, propose_rows(truth.marks, family))
            drawn = [k for k in family if truth.whats[k] not in _LETTERS and truth.whats[k] != 6]
            if len(drawn) > MOST_DRAWN:
                drawn = rng.choice(drawn, MOST_DRAWN, replace=False).tolist()
            for k in drawn:
                add(k, ways.get(k, 1 + 0j), is_letter=False, much=1.0)
            for k in family:
                if truth.whats[k] in _LETTERS and k in ways:
                    add(k, ways[k], is_letter=True, much=1.0)
                    add(k, -ways[k], is_letter=False, much=UPSIDE_DOWN)
    if not seen:
        return Album(np.empty((0, SIDE**2), np.uint8), np.empty(0, np.bool_), np.empty(0))
    return Album(np.stack(seen), np.array(y), np.array(weight))


_LETTERS = (What.LETTER, What.LONE_LETTER)


def _ways(truth: Truth, rows: Sequence[Row]) -> dict[int, complex]:
    """Which way the row of each mark runs: the longest that is of one word, or of drawings."""
    out: dict[int, complex] = {
        k: 1 + 0j for k, what in enumerate(truth.whats) if what is What.LONE_LETTER
    }
    for row in sorted(rows, key=lambda row: len(row.members)):
        whats = {truth.whats[k] for k in row.members}
        words = {truth.words[k] for k in row.members}
        is_word = whats == {What.LETTER} and len(words) == 1
        if is_word or not whats & {What.LETTER, What.LONE_LETTER, What.EITHER}:
            ways: Complexes = row.directions
            if not is_word or np.abs(np.angle(ways)).max() < UPRIGHT_RAD or row.centre is not None:
                out.update(zip(row.members, ways.tolist(), strict=True))
    return out


def all_of(albums: Sequence[Album]) -> Album:
    """All of them as one."""
    return Album(
        np.vstack([a.seen for a in albums]),
        np.concatenate([a.y for a in albums]),
        np.concatenate([a.weight for a in albums]),
    )


def learn(album: Album, study: Study) -> Reader:
    """The net that tells them best (Adam: Kingma and Ba 2015), each moved a little every time."""
    rng = np.random.default_rng(study.seed)
    n = len(album.y)
    into = rng.normal(0, 1.0 / SIDE, (SIDE**2, study.hidden))
    parts = [into, np.zeros(study.hidden), rng.normal(0, 0.2, study.hidden), np.zeros(1)]
    first, second = ([np.zeros_like(p) for p in parts] for _ in range(2))
    step = 0
    for turn in range(study.n_rounds):
        order = rng.permutation(n)
        rate = study.rate * (1 - turn / study.n_rounds)
        for at in range(0, n, study.batch):
            step += 1
            rows = order[at : at + study.batch]
            slopes = _slopes(parts, *_drawn(album, rows, rng), study.decay)
            for k, slope in enumerate(slopes):
                first[k] += 0.1 * (slope - first[k])
                second[k] += 0.001 * (slope * slope - second[k])
                spread = np.sqrt(second[k] / (1 - 0.999**step)) + 1e-8
                parts[k] -= rate * first[k] / (1 - 0.9**step) / spread
    return Reader(
        parts[0].astype(np.float16).astype(np.float32),
        parts[1].astype(np.float32),
        parts[2].astype(np.float32),
        float(parts[3][0]),
    )


def _drawn(
    album: Album, rows: npt.NDArray[np.int64], rng: np.random.Generator
) -> tuple[Floats, Floats, Floats]:
    seen = album.seen[rows].reshape(-1, SIDE, SIDE)
    right, down = rng.integers(-1, 2, 2).tolist()
    moved = np.roll(seen, (down, right), (1, 2)).reshape(len(rows), -1) / 255.0
    return moved, album.y[rows].astype(np.float64), album.weight[rows]


def _slopes(
    parts: Sequence[Floats], seen: Floats, y: Floats, weight: Floats, decay: float
) -> list[Floats]:
    into, into_at, out, out_at = parts
    before = seen @ into + into_at
    hidden = np.maximum(before, 0)
    p = 1 / (1 + np.exp(-np.clip(hidden @ out + out_at, -30, 30)))
    push = weight * (p - y) / len(y)
    back = push[:, None] * out * (before > 0)
    return [
        seen.T @ back + decay * into,
        back.sum(axis=0),
        hidden.T @ push + decay * out,
        np.array([push.sum()]),
    ]
