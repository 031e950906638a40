"""The spiral of a pad, or the row of holes it went through, along one side; private here.

Such a row is as dark as ink, evenly spaced, straight, and goes on over the whole side, close to
it. What lies beyond it is wire, gap and table.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from raster2path.model import Level, Mask
from raster2path.picture._shrink import shrunk

Floats = npt.NDArray[np.float32]
Doubles = npt.NDArray[np.float64]

LONG_PX = 720
"""Long side of the copy that is looked at."""

DEPTH = 0.22
"""Of the picture, how far from its rim the row may lie: a spiral shows some of the next page."""

LIKE = 0.4
"""Correlation of the row with itself, one hole on, that is asked for."""

DEEP = 0.14
"""Standard deviation of the ink's level along the row; rules of the paper stay below 0.08."""

LEAST_HOLES = 12

BUSY = 0.15
"""Share of what lies between row and rim that is neither bare paper nor a white margin."""

BARE = 0.1
"""Share of ink, at most, in a strip as wide as the holes lie apart, inward of the row."""

SAME = 0.6
"""Correlation of the holes with each other. Measured: a photographed spiral 0.72, drawn ones 0.96
up; columns of words up to 0.52, and one in a hundred 0.65."""

_PARTS = 8  # of the row, which are looked at one by one
_LEAST_PARTS = 6
_SLOPES = (-0.08, -0.04, 0.0, 0.04, 0.08)
_STEP = 3


@dataclass(frozen=True, slots=True)
class _Row:
    """Columns at the row's two ends, how even it is, and holes along it."""

    columns: tuple[float, float]
    score: float
    n_holes: float


@dataclass(frozen=True, slots=True, eq=False)
class Binding:
    """What lies from a row of holes to the rim beside it, and how many holes there are, about."""

    mask: Mask
    n_holes: int


def binding(level: Level) -> Binding | None:
    """The row of holes along one side, holes included; None without a row."""
    step = max(1, max(level.shape) // 2000)
    small = np.clip(shrunk(np.ascontiguousarray(level[::step, ::step]), LONG_PX), -0.5, 1)
    for turns in range(4):
        turned = np.ascontiguousarray(np.rot90(small, turns))
        row = _innermost(turned)
        if row is None:
            continue
        beyond = np.zeros(turned.shape, np.uint8)
        rows = turned.shape[0]
        top, bottom = np.add(row.columns, 0.25 * rows / row.n_holes)
        corners = [(0, 0), (top, 0), (bottom, rows - 1), (0, rows - 1)]
        cv2.fillConvexPoly(beyond, np.rint(corners).astype(np.int32), 1)
        beyond = np.ascontiguousarray(np.rot90(beyond, -turns))
        size = level.shape[::-1]
        whole = cv2.resize(beyond, size, interpolation=cv2.INTER_NEAREST)
        return Binding(np.asarray(whole > 0, np.bool_), round(row.n_holes))
    return None


def _innermost(level: Floats) -> _Row | None:
    """The innermost line through the row of holes at the left."""
    if min(level.shape) < 120:
        return None
    rows, cols = level.shape
    slopes, middles = np.meshgrid(_SLOPES, np.arange(_STEP, DEPTH * cols, _STEP))
    lean = slopes * rows / 2
    found = _rows_along(level, np.stack([(middles - lean).ravel(), (middles + lean).ravel()], 1))
    if not found:
        return None
    best = max(found, key=lambda row: row.score)
    inner = _most_inward(found, best)
    further = np.arange(0.0, 13.0, 2.0)
    shifts = np.stack(np.meshgrid(further, further), axis=-1)
    near = np.array(inner.columns) + shifts.reshape(-1, 2)
    inner = _most_inward([inner, *_rows_along(level, near)], best)
    return inner if _is_at_end(level, inner) and _sameness(level, inner) > SAME else None


def _most_inward(rows: list[_Row], best: _Row) -> _Row:
    """Of the lines that are nearly as even as the best, with holes as far apart."""
    like = [r for r in rows if r.score > 0.6 * best.score and _is_near(r.n_holes, best.n_holes)]
    return max(like, key=lambda row: sum(row.columns))


def _is_near(one: float, other: float) -> bool:
    return 0.85 < one / other < 1.18


def _rows_along(level: Floats, ends: Doubles) -> list[_Row]:
    """Rows of holes among lines, given by their columns at top and bottom."""
    rows, cols = level.shape
    size = rows // _PARTS
    soft = cv2.blur(level[:, : int(1.5 * DEPTH * cols) + 2], (3, 3))
    ends = ends[(ends > 1).all(axis=1) & (ends < soft.shape[1] - 1).all(axis=1)]
    y = np.arange(size * _PARTS)
    x = ends[:, :1] + (ends[:, 1:] - ends[:, :1]) * (y / rows)
    parts = soft[y, x.astype(np.int64)].reshape(len(ends), _PARTS, max(size, 1))
    deep = np.sort(parts.std(axis=2), axis=1)[:, -_LEAST_PARTS] > DEEP
    return _judged(ends[deep], np.asarray(parts[deep], np.float32))


def _judged(ends: Doubles, parts: Floats) -> list[_Row]:
    """Lines, whose parts along them are given, that are rows of holes."""
    size = parts.shape[2]
    parts = parts - parts.mean(axis=2, keepdims=True)
    deep = parts.std(axis=2)
    spectrum = np.abs(np.fft.rfft(parts, 2 * size, axis=2)) ** 2
    overlap = np.maximum(1 - np.arange(size) / size, 0.3)
    alike = np.fft.irfft(spectrum, axis=2)[..., :size] / overlap
    alike /= np.maximum(alike[..., :1], 1e-9)
    # The holes' distance, the same in all parts but for the slant of the picture.
    usual = np.sort(alike, axis=1)[:, _PARTS // 2]
    low, high = max(5, size // 16), size // 2
    found = []
    for k in np.flatnonzero(usual[:, low:high].max(axis=1, initial=-1) > LIKE / 2):
        far = low + int(np.argmax(usual[k, low:high]))
        near = alike[k, :, max(low, round(0.87 * far)) : round(1.15 * far) + 1].max(axis=1)
        between = alike[k, :, round(0.4 * far) : round(0.6 * far) + 1].min(axis=1)
        is_even = (near > LIKE) & (between < 0) & (deep[k] > DEEP)
        n_holes = parts[k].size / far
        if is_even.sum() >= _LEAST_PARTS and n_holes >= LEAST_HOLES:
            score = float(np.sort(near * deep[k])[-_LEAST_PARTS:].mean())
            found.append(_Row((float(ends[k, 0]), float(ends[k, 1])), score, n_holes))
    return found


def _is_at_end(level: Floats, row: _Row) -> bool:
    """True where the paper ends there: bare inward of the row, but beyond it wire, gap or table.

    Or hardly anything, where the row lies at the very rim.
    """
    rows, cols = level.shape
    columns = np.linspace(*row.columns, rows)[:, None]
    x, pitch = np.arange(cols), rows / row.n_holes
    inward = level[(x > columns + 0.6 * pitch) & (x < columns + 1.6 * pitch)]
    if not len(inward) or (inward > 0.5).mean() > BARE:
        return False
    beyond = level[x < columns - 0.3 * pitch]
    return bool(columns.mean() < 0.035 * cols or (np.abs(beyond) > 0.3).mean() > BUSY)


def _sameness(level: Floats, row: _Row) -> float:
    """Correlation of the row's strip with itself one hole on, in most parts: 1 for equal holes.

    Words of a list stand as evenly, but are not the same.
    """
    rows, cols = level.shape
    pitch, size = rows / row.n_holes, rows // _PARTS
    across = np.arange(-round(0.4 * pitch), round(0.4 * pitch) + 1)
    x = np.clip(np.linspace(*row.columns, rows)[:, None] + across, 0, cols - 1)
    strip = level[np.arange(rows)[:, None], x.astype(np.int64)]
    lags = range(round(0.85 * pitch), round(1.15 * pitch) + 2)
    # Down the strip, or up from the last parts.
    starts = [(k * size, 1 if k < _PARTS - 2 else -1) for k in range(_PARTS)]
    found = [
        max(_alike(strip[top:], strip[top + way * lag :], size) for lag in lags)
        for top, way in starts
    ]
    return float(np.sort(found)[-_LEAST_PARTS])


def _alike(one: Floats, other: Floats, size: int) -> float:
    n = min(len(one), len(other), size)
    one, other = one[:n] - one[:n].mean(), other[:n] - other[:n].mean()
    return float((one * other).sum() / max(np.sqrt((one**2).sum() * (other**2).sum()), 1e-9))
