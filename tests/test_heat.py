"""Heat in the sheet and how near it is to bowing, against published formulas.

Sources: Rosenthal, "The theory of moving sources of heat and its application to metal treatments",
Trans. ASME 68:849-866, 1946; Carslaw and Jaeger, "Conduction of Heat in Solids" (point source);
Leissa, "The free vibration of rectangular plates", J. Sound Vib. 31:257-293, 1973; Timoshenko and
Goodier, "Theory of Elasticity" (thermal stress in a strip). None of it was tried on steel.
"""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from raster2path.torch._buckling import Plate, coarse, free_shapes, plate_for
from raster2path.torch._heat import (
    Floats,
    Grid,
    Steel,
    Timed,
    Track,
    Warmth,
    grid_over,
    simulate,
    track,
)

NO_LOSS = Steel(loss_w_m2k=0.0)


def simulated(grid: Grid, steel: Steel, *cuts: Timed, until_s: float | None = None) -> Warmth:
    return simulate(grid, steel, [cuts], coarse=coarse(grid, (4, 6)), until_s=until_s)[0]


def uncut(made: Track) -> Track:
    """The same heat in a sheet that is not parted."""
    nothing, nowhere = np.zeros(0, np.int64), np.zeros(0)
    return replace(
        made, level=nothing, upright=nothing, level_mm=nowhere, upright_mm=nowhere, drop=nothing
    )


def timed(made: Track, begin_s: float = 0.0, speed_mm_s: float = 25.0) -> Timed:
    return Timed(made, 0j, begin_s, begin_s, begin_s + made.length_mm / speed_mm_s)


def rosenthal(x: Floats, y: Floats, steel: Steel, watt: float, speed_mm_s: float) -> Floats:
    """Temperature rise round a source at the origin that goes towards +x, thin plate."""
    from scipy.special import k0e

    r, a = np.hypot(x, y), steel.alpha_mm2_s
    scale = watt / (2 * math.pi * steel.k_w_mk * 1e-3 * steel.thickness_mm)
    wave = np.exp(-speed_mm_s * (x + r) / (2 * a)) * k0e(speed_mm_s * r / (2 * a))
    return np.asarray(scale * wave, np.float64)


def test_the_formula_is_the_worked_example() -> None:
    """Rosenthal, Trans. ASME 68, 1946, thin plate: q 900 W, v 30 mm/s, t 1.5 mm; T0 20."""
    steel = Steel(k_w_mk=51.9, c_j_kgk=486, rho_kg_m3=7870)
    points = ((-10, 5), (-20, 5), (-10, 0), (0, 5), (-50, 0))
    x, y = np.array(points, np.float64).T
    rise = rosenthal(x, y, steel, 900, 30)
    assert 20 + rise == pytest.approx([196.188, 263.310, 706.103, 23.8205, 329.484], rel=1e-5)


@pytest.mark.parametrize("row_mm", [147.5, 150.0, 151.3])
def test_behind_a_moving_torch_as_rosenthal_says(row_mm: float) -> None:
    """Within 1 % of the local peak from 4 s behind the torch on, on cells of 5 mm."""
    speed, watt, seconds = 50.0, 1000.0, 14.0
    grid = grid_over((0, 0, 1000, 300))
    assert grid.cell_mm == 5
    line = np.array([[50.0, row_mm], [950.0, row_mm]])
    made = track(grid, line, watt / speed, is_closed=False, falls=False)
    seen = simulated(grid, NO_LOSS, timed(uncut(made), speed_mm_s=speed), until_s=seconds)
    step_s = 25 / 6 / NO_LOSS.alpha_mm2_s
    now_s = (math.ceil(seconds / step_s) + 1) * step_s
    # the faces that a line crosses lie halfway between two rows
    middle = 5 * math.floor(row_mm / 5 - 0.5) + 5
    y = np.asarray((np.arange(grid.n_rows) + 0.5) * 5 - middle, np.float64)
    for behind_s in (4, 5, 6, 8, 10):
        col = int((50 + speed * (now_s - behind_s)) / 5)
        x = (col + 0.5) * 5 - 50 - speed * now_s
        told = rosenthal(np.full_like(y, x), y, NO_LOSS, watt, speed)
        assert np.abs(seen.final[:, col] - told).max() < 0.01 * told.max()


def test_a_point_of_heat_spreads_as_carslaw_and_jaeger_say() -> None:
    """T = Q / (ρcd 4παt) exp(-r²/4αt), within 1 % after 20 s."""
    grid = grid_over((0, 0, 405, 405))
    made = track(grid, np.array([[202.5, 202.5]]), 0.0, is_closed=False, falls=False, spot_j=1000.0)
    seen = simulated(grid, NO_LOSS, timed(made), until_s=20)
    step_s = 25 / 6 / NO_LOSS.alpha_mm2_s
    spread = 4 * NO_LOSS.alpha_mm2_s * (math.ceil(20 / step_s) + 1) * step_s
    # laid down when half a cell's heat in its neighbours would have spread as far: 25/8/α late
    spread -= 4 * 25 / 8
    peak = 1000 / NO_LOSS.store_j_mm2k / (math.pi * spread)
    r2 = np.square((np.arange(81) - 40) * 5.0)
    told = peak * np.exp(-(r2[:, None] + r2) / spread)
    assert np.abs(seen.final - told).max() < 0.01 * peak


def test_no_energy_is_lost_on_the_way() -> None:
    """Given = lost to the air + fallen with the drops + still there, to a millionth."""
    grid = grid_over((0, 0, 300, 200))
    ring = np.array([[60.3, 60.1], [60.3, 141.2], [171.7, 139.9], [168.1, 58.8]])
    opening = track(grid, ring, 20.0, is_closed=True, falls=True)
    slit = track(
        grid, np.array([[210.0, 40.0], [233.0, 150.0]]), 20.0, is_closed=False, falls=False
    )
    seen = simulated(grid, Steel(), timed(opening), timed(slit, 20.0), until_s=60)
    given_j = 20.0 * (opening.length_mm + slit.length_mm)
    assert seen.given_j == pytest.approx(given_j, rel=1e-9)
    told = seen.lost_j + seen.dropped_j + seen.kept_j
    assert told == pytest.approx(given_j, rel=1e-6)
    assert seen.dropped_j > 0.3 * 20.0 * opening.length_mm
    assert seen.lost_j > 0.1 * given_j


def test_the_air_cools_a_sheet_by_its_time_constant() -> None:
    """All of it warm alike: what is left after 100 s is exp(-100 / τ), τ = ρcd/H = 245 s."""
    steel = Steel()
    assert 1 / steel.fade_per_s == pytest.approx(245, abs=1)
    grid = grid_over((0, 0, 50, 50))
    made = track(grid, np.array([[22.5, 22.5]]), 0.0, is_closed=False, falls=False, spot_j=100.0)
    seen = simulated(grid, steel, timed(made), until_s=100)
    step_s = 25 / 6 / steel.alpha_mm2_s
    spent_s = (math.ceil(100 / step_s) + 1) * step_s - 25 / 8 / steel.alpha_mm2_s
    left = seen.kept_j / seen.given_j
    assert left == pytest.approx(math.exp(-spent_s / 245), rel=2e-3)


def test_heat_does_not_cross_a_cut() -> None:
    grid = grid_over((0, 0, 200, 100))
    wall = track(grid, np.array([[100.0, -5], [100.0, 105]]), 0.0, is_closed=False, falls=False)
    spot = track(grid, np.array([[52.5, 52.5]]), 0.0, is_closed=False, falls=False, spot_j=500.0)
    seen = simulated(grid, NO_LOSS, timed(wall, 0, 1000.0), timed(spot, 5.0), until_s=200)
    assert seen.final[:, 20:].max() == 0
    assert seen.final[:, :20].min() > 0


def test_a_tie_lets_heat_through() -> None:
    """Two cuts with 20 mm of metal between them."""
    grid = grid_over((0, 0, 200, 100))
    walls = [
        track(grid, np.array([[100.0, a], [100.0, b]]), 0.0, is_closed=False, falls=False)
        for a, b in ((-5.0, 40.0), (60.0, 105.0))
    ]
    spot = track(grid, np.array([[52.5, 52.5]]), 0.0, is_closed=False, falls=False, spot_j=500.0)
    cuts = [*(timed(wall, 0, 1000.0) for wall in walls), timed(spot, 5.0)]
    seen = simulated(grid, NO_LOSS, *cuts, until_s=200)
    assert 0 < seen.final[:, 20:].max() < seen.final[:, :20].max()


def test_a_drop_is_what_lies_inside() -> None:
    grid = grid_over((0, 0, 100, 100))
    ring = np.array([[20.0, 30.0], [80.0, 30.0], [80.0, 50.0], [20.0, 50.0]])
    made = track(grid, ring, 10.0, is_closed=True, falls=True)
    rows, cols = np.divmod(made.drop, 20)
    assert set(rows.tolist()) == set(range(6, 10))
    assert set(cols.tolist()) == set(range(4, 16))
    assert len(made.level) == 2 * 4
    assert len(made.upright) == 2 * 12
    assert made.heat_j.sum() == pytest.approx(10.0 * 160)


def test_what_has_fallen_is_not_heated() -> None:
    """A pass along the edge of an opening that is out already: all its heat stays in the metal."""
    grid = grid_over((0, 0, 100, 100))
    ring = np.array([[20.0, 30.0], [80.0, 30.0], [80.0, 50.0], [20.0, 50.0]])
    opening = track(grid, ring, 10.0, is_closed=True, falls=True)
    again = track(grid, ring, 10.0, is_closed=True, falls=False)
    seen = simulated(grid, NO_LOSS, timed(opening), timed(again, 20.0), until_s=40)
    assert seen.final.ravel()[opening.drop].max() == 0
    assert seen.given_j == pytest.approx(2 * 10.0 * 160)
    assert seen.kept_j == pytest.approx(seen.given_j - seen.dropped_j)


@settings(max_examples=25, deadline=None)
@given(st.lists(st.tuples(st.floats(3, 97), st.floats(3, 97)), min_size=3, max_size=7))
def test_every_cut_gives_all_its_heat(points: list[tuple[float, float]]) -> None:
    """Whatever the path: closed, open, shorter than a cell."""
    grid = grid_over((0, 0, 100, 100))
    line = np.array(points)
    for is_closed in (True, False):
        made = track(grid, line, 7.0, is_closed=is_closed, falls=False)
        ring = np.vstack([line, line[:1]]) if is_closed else line
        length = float(np.hypot(*np.diff(ring, axis=0).T).sum())
        assert made.heat_j.sum() == pytest.approx(7.0 * length)
        assert (made.heat_j >= -1e-12).all()


def test_a_large_blank_gets_larger_cells() -> None:
    grid = grid_over((0, 0, 3000, 1500), span_s=3600)
    steps = 3600 * NO_LOSS.alpha_mm2_s / (grid.cell_mm**2 / 6)
    assert grid.n_rows * grid.n_cols * steps < 4.5e7


def test_free_square_plate_as_leissa_has_it() -> None:
    """ω a² √(ρ/D) for ν = 0.3: 13.489, 19.789, 24.432, 35.024, 35.024, 61.526, upper bounds."""
    values, _ = free_shapes(1.0, 1.0)
    told = np.array([13.489, 19.789, 24.432, 35.024, 35.024, 61.526])
    assert np.sqrt(values[:6]) == pytest.approx(told, rel=0.012)
    assert (np.sqrt(values[:6]) <= told + 1e-9).all()


def test_long_free_plate_bends_as_a_beam() -> None:
    """First frequency of a free beam: 22.3733 √(D'/ρ) / L², D' = D (1 - ν²) for a narrow strip."""
    values, _ = free_shapes(10.0, 0.5)
    assert math.sqrt(values[0]) == pytest.approx(22.3733 * math.sqrt(1 - 0.3**2) / 100, rel=0.01)


def a_plate(wide: float = 600, high: float = 400, thick: float = 1.5) -> Plate:
    return plate_for(grid_over((0, 0, wide, high)), thick)


def mesh(plate: Plate) -> tuple[Floats, Floats]:
    rows, cols = plate.shape
    x = (np.arange(cols) + 0.5) / cols * plate.size_mm[0]
    y = (np.arange(rows) + 0.5) / rows * plate.size_mm[1]
    return np.broadcast_to(x, plate.shape), np.broadcast_to(y[:, None], plate.shape)


def test_warm_all_over_or_from_end_to_end_does_not_bow() -> None:
    """A linear field is free of stress (Timoshenko and Goodier); a small hot spot is not."""
    plate = a_plate()
    x, y = mesh(plate)
    even, slope = np.full(plate.shape, 100.0), 100 * x / 600
    spot = 10 * np.exp(-((x - 300) ** 2 + (y - 200) ** 2) / (2 * 40**2))
    bows = plate.ratio(np.stack([even, slope, spot]))
    assert bows[0] < 1e-6
    assert bows[1] < 0.05
    assert bows[2] > 0.15


def test_thermal_stress_in_a_strip() -> None:
    """Hot along the middle of a long strip: σ = Eα (mean T - T), away from the ends.

    What the bending shapes feel of it is worked out anew from that formula.
    """
    plate = plate_for(grid_over((0, 0, 2000, 200)), 1.5)
    _, y = mesh(plate)
    warm = 50 * (1 - ((y - 100) / 100) ** 2)
    told = plate.stress(warm[None])[0]
    values, coefs = free_shapes(2000.0, 200.0)
    n = 12
    c = coefs.reshape(-1, n, n)
    x = (np.arange(400) + 0.5) / 200 - 1
    legendre = np.polynomial.legendre
    p = np.stack([legendre.legval(x, row) for row in np.eye(n)])
    d = np.stack([legendre.legval(x, legendre.legder(row)) for row in np.eye(n)])
    slope_x = np.einsum("kji,jr,ic->krc", c, p, d, optimize=True) * 2 / 2000
    stress = 12e-6 * (50 * 2 / 3 - 50 * (1 - x**2))[:, None]
    scale = 12 * (1 - 0.3**2) / 1.5**2 * (2000 * 200) / 400**2
    by_hand = -scale * np.einsum("arc,brc,rc->ab", slope_x, slope_x, stress + 0 * x, optimize=True)
    by_hand /= np.sqrt(np.outer(values, values))
    assert told[0, 0] == pytest.approx(by_hand[0, 0], abs=0.1 * np.abs(by_hand).max())
    twist = int(np.argmax(np.abs(np.diag(by_hand))))
    assert told[twist, twist] == pytest.approx(by_hand[twist, twist], rel=0.15)


def test_thermal_stress_where_it_is_known_throughout() -> None:
    """φ = (1 - ξ²)² (1 - η²)² leaves the rim free; T = -Δφ / Eα gives just that stress (Airy).

    Shear included; what the bending shapes feel, N · ∇w ∇w (von Kármán), is summed up anew.
    """
    wide, high, thick = 600.0, 400.0, 1.5
    plate = plate_for(grid_over((0, 0, wide, high)), thick)
    p, dp, ddp = (np.polynomial.Polynomial([1, 0, -2, 0, 1]).deriv(k) for k in range(3))

    def fields(n_rows: int, n_cols: int) -> tuple[Floats, ...]:
        x = (2 * np.arange(n_cols) + 1) / n_cols - 1
        y = ((2 * np.arange(n_rows) + 1) / n_rows - 1)[:, None]
        along, down = p(y) * ddp(x) * (2 / wide) ** 2, ddp(y) * p(x) * (2 / high) ** 2
        return x, y, along, down, dp(y) * dp(x) * 4 / wide / high

    *_, along, down, _ = fields(*plate.shape)
    told = plate.stress(-(along + down)[None] / 12e-6)[0]
    values, coefs = free_shapes(wide, high)
    x, y, along, down, both = fields(300, 300)
    legendre = np.polynomial.legendre
    eye = np.eye(12)

    def shapes(at: Floats, order: int) -> Floats:
        return np.stack([legendre.legval(at, legendre.legder(row, order)) for row in eye])

    c = (coefs / np.sqrt(values)[:, None]).reshape(-1, 12, 12)
    flat = y.ravel()
    wx = np.einsum("kji,jr,ic->krc", c, shapes(flat, 0), shapes(x, 1), optimize=True) * 2 / wide
    wy = np.einsum("kji,jr,ic->krc", c, shapes(flat, 1), shapes(x, 0), optimize=True) * 2 / high
    scale = -12 * (1 - 0.3**2) / thick**2 * wide * high / 300**2
    by_hand = np.einsum("arc,brc,rc->ab", wx, wx, down, optimize=True)
    by_hand += np.einsum("arc,brc,rc->ab", wy, wy, along, optimize=True)
    shear = np.einsum("arc,brc,rc->ab", wx, wy, -both, optimize=True)
    by_hand = scale * (by_hand + shear + shear.T)
    assert told == pytest.approx(by_hand, abs=0.01 * np.abs(by_hand).max())


def test_ratio_grows_with_size_and_falls_with_thickness_squared() -> None:
    x, y = mesh(a_plate())
    warm = (20 * np.exp(-((x - 200) ** 2 + (y - 150) ** 2) / (2 * 60**2)))[None]
    base = a_plate().ratio(warm)
    assert a_plate(thick=3.0).ratio(warm) == pytest.approx(base / 4)
    assert a_plate(1200, 800).ratio(warm) == pytest.approx(4 * base, rel=0.01)
    assert a_plate().ratio(2 * warm) == pytest.approx(2 * base)


def test_mirrored_heat_bows_alike() -> None:
    plate = a_plate()
    x, y = mesh(plate)
    warm = 20 * np.exp(-((x - 130) ** 2 + (y - 90) ** 2) / (2 * 70**2))
    ratio = plate.ratio(np.stack([warm, warm[:, ::-1], warm[::-1]]))
    assert ratio == pytest.approx(np.full(3, ratio[0]), rel=1e-6)


def test_hot_rim_bows_more_than_hot_middle() -> None:
    """A hot rim wants to be longer than the middle lets it: the saddle of a dried leaf."""
    plate = a_plate()
    x, y = mesh(plate)
    rim = np.minimum(np.minimum(x, 600 - x), np.minimum(y, 400 - y)) < 40
    bows = plate.ratio(np.stack([30.0 * rim, 30.0 * ~rim]))
    assert bows[0] > 1.5 * bows[1]
