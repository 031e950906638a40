"""The net that learns from small pictures which are letters the right way up."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from raster2path.shape._reader import HIGH, WIDE, Reader, patches
from tests.learning.album import ANY_LETTER, N_CLASSES, Album

Singles = npt.NDArray[np.float32]
Rng = np.random.Generator


@dataclass(frozen=True, slots=True, kw_only=True)
class Study:
    """How the net is learnt.

    Attributes:
        windows: side and channels of each layer of windows.
        hidden: how many look at all that those say.
    """

    windows: tuple[tuple[int, int], ...] = ((5, 8), (3, 16), (3, 32))
    hidden: int = 64
    n_rounds: int = 12
    batch: int = 256
    rate: float = 0.003
    decay: float = 1e-4
    blank: float = 0.25
    """Share of the hidden that is left out by turns (Srivastava and others 2014)."""
    soft: float = 0.02
    """Share by which no picture is what it is said to be (Szegedy and others 2016)."""
    seed: int = 1


def learn(album: Album, study: Study) -> Reader:
    """The net that tells them best (Adam: Kingma and Ba 2015; Loshchilov and Hutter 2019)."""
    rng = np.random.default_rng(study.seed)
    parts = _begun(study, rng)
    first, second = ([np.zeros_like(p) for p in parts] for _ in range(2))
    n_steps = study.n_rounds * -(-len(album.what) // study.batch)
    for step, rows in enumerate(_turns(album, study, rng), 1):
        rate = study.rate * 0.5 * (1 + np.cos(np.pi * step / n_steps)) * min(1.0, step / 200)
        slopes = _slopes(parts, album, rows, study, rng)
        for k, slope in enumerate(slopes):
            first[k] += 0.1 * (slope - first[k])
            second[k] += 0.001 * (slope * slope - second[k])
            spread = np.sqrt(second[k] / (1 - 0.999**step)) + 1e-8
            parts[k] -= rate * (first[k] / (1 - 0.9**step) / spread + study.decay * parts[k])
    return _bound(parts, len(study.windows))


def _begun(study: Study, rng: Rng) -> list[Singles]:
    """Windows, what is added to each, into, at, out, at: small numbers by chance (He 2015)."""
    rows, columns, before = HIGH, WIDE, 1
    parts: list[Singles] = []
    for side, channels in study.windows:
        size = before * side * side
        parts += [_chance(rng, size, channels), np.zeros(channels, np.float32)]
        rows, columns, before = (rows + 1) // 2, (columns + 1) // 2, channels
    for size, n in ((rows * columns * before, study.hidden), (study.hidden, N_CLASSES)):
        parts += [_chance(rng, size, n), np.zeros(n, np.float32)]
    return parts


def _chance(rng: Rng, size: int, n: int) -> Singles:
    return rng.normal(0, np.sqrt(2 / size), (size, n)).astype(np.float32)


def _bound(parts: Sequence[Singles], n_windows: int) -> Reader:
    """As it ships: what is large, in half precision."""
    kept = [p.astype(np.float16).astype(np.float32) if p.ndim > 1 else p for p in parts]
    windows = tuple(kept[: 2 * n_windows : 2])
    return Reader(windows, tuple(kept[1 : 2 * n_windows : 2]), *kept[2 * n_windows :])


def _turns(album: Album, study: Study, rng: Rng) -> Iterator[npt.NDArray[np.int64]]:
    """Which pictures are looked at together, round by round."""
    for _ in range(study.n_rounds):
        order = rng.permutation(len(album.what))
        for at in range(0, len(order), study.batch):
            yield order[at : at + study.batch]


def _moved(album: Album, rows: npt.NDArray[np.int64], rng: Rng) -> Singles:
    """Pictures, each lot of them moved by a pixel or none."""
    right, down = rng.integers(-1, 2, 2).tolist()
    seen = album.seen[rows].reshape(-1, HIGH, WIDE, 1)
    return np.asarray(np.roll(seen, (down, right), (1, 2)) / np.float32(255), np.float32)


def _slopes(
    parts: Sequence[Singles],
    album: Album,
    rows: npt.NDArray[np.int64],
    study: Study,
    rng: Rng,
) -> list[Singles]:
    """How what is wrong grows with each number, for some pictures."""
    n_windows = len(study.windows)
    seen = _moved(album, rows, rng)
    flats, levels = [], [seen]
    for k, (side, _) in enumerate(study.windows):
        flat, shape = patches(levels[-1], side * side)
        flats.append(flat)
        levels.append(np.maximum(flat @ parts[2 * k] + parts[2 * k + 1], 0).reshape(*shape, -1))
    into, into_at, out, out_at = parts[2 * n_windows :]
    wide = levels[-1].reshape(len(rows), -1)
    kept = (rng.random((len(rows), study.hidden), np.float32) >= study.blank) / np.float32(
        1 - study.blank
    )
    hidden = np.maximum(wide @ into + into_at, 0) * kept
    push = _push(hidden @ out + out_at, album.what[rows], album.weight[rows], study.soft)
    back = (push @ out.T) * kept * (hidden > 0)
    slopes = [wide.T @ back, back.sum(axis=0), hidden.T @ push, push.sum(axis=0)]
    behind = (back @ into.T).reshape(levels[-1].shape)
    for k in reversed(range(n_windows)):
        flat_back = (behind * (levels[k + 1] > 0)).reshape(len(flats[k]), -1)
        slopes = [flats[k].T @ flat_back, flat_back.sum(axis=0), *slopes]
        if k:
            behind = _spread(flat_back @ parts[2 * k].T, levels[k].shape, study.windows[k][0])
    return slopes


def _push(
    said: Singles, what: npt.NDArray[np.int8], weight: npt.NDArray[np.float64], soft: float
) -> Singles:
    """What is said less what is so; of a letter that may be any, all letters share in it."""
    odds = np.exp(said - said.max(axis=1, keepdims=True))
    p = odds / odds.sum(axis=1, keepdims=True)
    is_so = np.zeros_like(p)
    known = what != ANY_LETTER
    is_so[known, what[known]] = 1
    some = ~known
    is_so[some, 1:] = p[some, 1:] / np.maximum(p[some, 1:].sum(axis=1, keepdims=True), 1e-9)
    # of the softness, half lies on the drawing and half on all letters
    even = np.full(N_CLASSES, 0.5 / (N_CLASSES - 1), np.float32)
    even[0] = 0.5
    is_so = (1 - soft) * is_so + soft * even
    push = (p - is_so) * (weight / len(what))[:, None]
    return np.asarray(push, np.float32)


def _spread(flat: Singles, shape: tuple[int, ...], side: int) -> Singles:
    """Windows' slopes put back where the windows lay: what `patches` does, turned round."""
    n, rows, columns, channels = shape
    rim = side // 2
    out = np.zeros((n, rows + 2 * rim, columns + 2 * rim, channels), np.float32)
    down, right = -(-rows // 2), -(-columns // 2)
    windows = flat.reshape(n, down, right, channels, side, side)
    for y in range(side):
        for x in range(side):
            out[:, y : y + 2 * down : 2, x : x + 2 * right : 2] += windows[..., y, x]
    return out[:, rim : rim + rows, rim : rim + columns]
