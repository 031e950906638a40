"""What letters of one line share: turned and moved only within what their own points leave open."""

from __future__ import annotations

import cmath
import math

import numpy as np
import pytest

from raster2path.geometry import Kind
from raster2path.shape._pieces import Piece, Sight
from raster2path.shape._rows import in_rows
from raster2path.shape._sight import tremors_of

SIGHT = Sight(sigma=0.15, blur=1.0, tolerance=1.0, kind=Kind.LETTERING)


def _line(anchor: complex, angle_deg: float, n: int) -> Piece:
    return Piece(0, n, anchor, cmath.exp(1j * math.radians(angle_deg)), 0.0)


def _angle_deg(piece: Piece) -> float:
    return math.degrees(cmath.phase(piece.direction))


def _letter(x: float, serif_deg: float, foot: float = 200.0) -> list[Piece]:
    """A stem, its other side, and a short foot that wavers."""
    return [
        _line(x + 100j, 90, 180),
        _line(x + 40 + 100j, -90, 180),
        _line(x + 20 + 1j * foot, 180 + serif_deg, 14),
    ]


def test_a_short_foot_takes_the_direction_on_which_the_stems_agree() -> None:
    rows = in_rows([(_letter(0, 0.9), SIGHT), (_letter(120, -0.6), SIGHT)])
    for row in rows:
        assert _angle_deg(row[2]) % 180 == pytest.approx(0, abs=0.1)


def test_a_direction_that_is_really_another_stays() -> None:
    slanted = [_line(400 + 100j, 86.0, 180)]
    rows = in_rows([(_letter(0, 0), SIGHT), (slanted, SIGHT)])
    assert _angle_deg(rows[1][0]) == pytest.approx(86.0, abs=1e-6)


def test_feet_of_one_line_come_to_stand_on_one_line() -> None:
    letters = [_letter(120.0 * k, 0, 200 + d) for k, d in enumerate((0.04, -0.05, 0.03))]
    rows = in_rows([(letter, SIGHT) for letter in letters])
    feet = [row[2].anchor.imag for row in rows]
    assert np.ptp(feet) < 0.04


def test_a_foot_that_stands_lower_by_design_stays_there() -> None:
    letters = [_letter(0, 0, 200), _letter(120, 0, 203)]
    rows = in_rows([(letter, SIGHT) for letter in letters])
    assert rows[1][2].anchor.imag - rows[0][2].anchor.imag == pytest.approx(3, abs=1e-6)


def test_far_away_letters_share_nothing() -> None:
    rows = in_rows([(_letter(0, 0, 200), SIGHT), (_letter(9000, 0, 200.05), SIGHT)])
    assert rows[1][2].anchor.imag == pytest.approx(200.05)


def _box(side: float, tremor: float, seed: int) -> np.ndarray[tuple[int], np.dtype[np.complex128]]:
    corners = np.array([0, side, side + 1j * side, 1j * side])
    t = np.arange(side) / side
    z = np.concatenate(
        [a + (b - a) * t for a, b in zip(corners, np.roll(corners, -1), strict=True)]
    )
    rng = np.random.default_rng(seed)
    kernel = np.exp(-0.5 * (np.arange(-20, 21) / 4) ** 2)
    noise = rng.normal(size=len(z)) + 1j * rng.normal(size=len(z))
    wave = np.convolve(np.concatenate([noise[-20:], noise, noise[:20]]), kernel, "valid")
    return np.asarray(z + tremor * wave / wave.real.std())


@pytest.mark.parametrize("tremor", [0.6, 1.2])
def test_tremor_of_a_hand_is_measured(tremor: float) -> None:
    boxes = [_box(300, tremor, seed) for seed in range(4)]
    found = tremors_of(boxes, is_closed=[True] * 4)
    assert all(0.6 * tremor < each < 1.6 * tremor for each in found)


def test_a_steady_line_has_no_tremor() -> None:
    boxes = [_box(300, 0.05, seed) for seed in range(4)]
    assert tremors_of(boxes, is_closed=[True] * 4) == [0, 0, 0, 0]
