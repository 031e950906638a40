"""The net that reads small pictures: its arithmetic against SciPy's, and what it learns."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from scipy.ndimage import center_of_mass
from scipy.optimize import approx_fprime
from scipy.signal import correlate2d
from scipy.special import log_softmax, logsumexp

from raster2path.shape._reader import HIGH, WIDE, Reader, drawn_small, log_sum, patches
from tests.learning import album, net
from tests.learning.album import ANY_LETTER, DRAWING, LETTER, N_CLASSES, WORD, Album
from tests.learning.net import Study

TINY = Study(windows=((3, 2), (3, 3)), hidden=4, n_rounds=1, blank=0.0, soft=0.1)


def square(side: float) -> np.ndarray[tuple[int], np.dtype[np.complex128]]:
    return np.array([0, side, side + 1j * side, 1j * side, 0])


@pytest.mark.parametrize(("rows", "columns", "side"), [(24, 48, 5), (6, 12, 3), (3, 7, 3)])
def test_windows_are_the_correlation_that_scipy_computes(
    rows: int, columns: int, side: int
) -> None:
    rng = np.random.default_rng(2)
    seen = rng.normal(size=(2, rows, columns, 3)).astype(np.float32)
    window = rng.normal(size=(3, side, side, 4)).astype(np.float32)
    flat, shape = patches(seen, side * side)
    got = (flat @ window.reshape(-1, 4)).reshape(*shape, 4)
    for n in range(2):
        for k in range(4):
            whole = sum(correlate2d(seen[n, :, :, c], window[c, :, :, k], "same") for c in range(3))
            assert np.allclose(got[n, :, :, k], np.asarray(whole)[::2, ::2], atol=1e-3)


def test_a_sum_of_exponentials_does_not_overflow() -> None:
    values = np.array([[1000.0, 1000.0], [-1000.0, -999.0]])
    assert np.allclose(log_sum(values), logsumexp(values, axis=1))


def a_few(rng: np.random.Generator) -> Album:
    what = np.array([DRAWING, WORD, LETTER + 3, ANY_LETTER, DRAWING, ANY_LETTER], np.int8)
    seen = rng.integers(0, 255, (len(what), HIGH * WIDE)).astype(np.uint8)
    return Album(seen, what, np.linspace(0.5, 1.5, len(what)), np.zeros(len(what), np.int64))


class Unmoved(np.random.Generator):
    """No picture is moved, nothing is left out."""

    def __init__(self) -> None:
        super().__init__(np.random.PCG64(0))

    def integers(self, *_: object, **__: object) -> np.ndarray:  # type: ignore[override]
        return np.zeros(2, np.int64)


def test_the_net_is_pushed_the_way_that_lowers_what_is_wrong() -> None:
    """Slopes of the last layers against SciPy's finite differences of the loss, by its formula."""
    few = a_few(np.random.default_rng(3))
    parts = [p.astype(np.float64) for p in net._begun(TINY, np.random.default_rng(4))]
    rows = np.arange(len(few.what))

    def wrong(flat: np.ndarray[tuple[int], np.dtype[np.float64]], k: int) -> float:
        changed = list(parts)
        changed[k] = flat.reshape(parts[k].shape)
        seen: Any = few.seen.reshape(-1, HIGH, WIDE, 1) / 255.0
        for n in range(2):
            windows, shape = patches(seen, 9)
            seen = np.maximum(windows @ changed[2 * n] + changed[2 * n + 1], 0).reshape(*shape, -1)
        hidden = np.maximum(seen.reshape(len(rows), -1) @ changed[4] + changed[5], 0)
        said = log_softmax(hidden @ changed[6] + changed[7], axis=1)
        even = np.full(N_CLASSES, 0.5 / (N_CLASSES - 1))
        even[DRAWING] = 0.5
        total = 0.0
        for p, what, weight in zip(said, few.what, few.weight, strict=True):
            own = logsumexp(p[1:]) if what == ANY_LETTER else p[what]
            total -= weight * (0.9 * own + 0.1 * float(even @ p))
        return total / len(rows)

    slopes = net._slopes(parts, few, rows, TINY, Unmoved())  # type: ignore[arg-type]
    for k in (0, 1, 3, 5, 7):
        expected = approx_fprime(parts[k].ravel(), wrong, 1e-6, k)
        assert np.allclose(slopes[k].ravel(), expected, atol=2e-5), k


def test_it_learns_crosses_from_rings() -> None:
    """Two hundred of each, moved and stretched; letters of either kind are told apart."""
    rng = np.random.default_rng(5)
    t = np.linspace(0, 2 * np.pi, 40)
    seen, what = [], []
    for k in range(400):
        grow = rng.uniform(0.7, 1.4)
        ring = grow * np.cos(t) + 1j * np.sin(t)
        cross = [np.array([-grow - 1j, grow + 1j]), np.array([grow - 1j, -grow + 1j])]
        lines = cross if k % 2 else [ring]
        seen.append(drawn_small(lines, np.concatenate(lines), is_open=True))
        what.append(LETTER if k % 2 else DRAWING)
    taught = Album(np.stack(seen), np.array(what, np.int8), np.ones(400), np.zeros(400, np.int64))
    reader = net.learn(taught, Study(windows=((5, 4), (3, 4)), hidden=8, n_rounds=12, batch=32))
    odds = reader.log_odds(taught.seen)
    assert ((odds > 0) == (taught.what == LETTER)).mean() > 0.99


def test_what_is_very_wide_is_squeezed_by_half_at_most() -> None:
    bar = np.array([0, 1000, 1000 + 40j, 40j, 0])
    seen = drawn_small([bar], bar, is_open=False).reshape(HIGH, WIDE)
    assert np.any(seen > 128, axis=0).sum() == WIDE - 2
    assert np.any(seen > 128, axis=1).sum() <= 4


def test_counters_are_open_and_the_picture_is_in_the_middle() -> None:
    seen = drawn_small([square(100), square(50) + 25 + 25j], square(100), is_open=False)
    seen = seen.reshape(HIGH, WIDE)
    assert seen[HIGH // 2, WIDE // 2] == 0
    assert seen[HIGH // 2, WIDE // 2 - 8] == 255
    assert center_of_mass(seen) == pytest.approx(((HIGH - 1) / 2, (WIDE - 1) / 2), abs=0.26)


def test_many_pictures_are_read_as_each_alone() -> None:
    rng = np.random.default_rng(6)
    reader = Reader(
        (rng.normal(size=(9, 2)).astype(np.float32),),
        (np.zeros(2, np.float32),),
        rng.normal(size=(12 * 24 * 2, 3)).astype(np.float32),
        np.zeros(3, np.float32),
        rng.normal(size=(3, 5)).astype(np.float32),
        np.zeros(5, np.float32),
    )
    seen = rng.integers(0, 255, (600, HIGH * WIDE)).astype(np.uint8)
    assert np.allclose(reader.log_odds(seen)[510], reader.log_odds(seen[510:511])[0], atol=1e-4)
    assert reader.log_odds(seen[:0]).shape == (0,)


def test_letters_that_look_alike_are_of_one_class() -> None:
    assert album.class_of("O") == album.class_of("0") == album.class_of("o")
    assert album.class_of("A") != album.class_of("a")
    assert album.class_of("!") is None
