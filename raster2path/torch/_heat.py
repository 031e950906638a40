"""How heat spreads in a sheet while it is cut: conduction on square cells, a cut closes faces.

ρ c d ∂T/∂t = k d ∇²T − H (T − T₀) + q̇″, with the explicit five-point stencil. Each face between two
cells is open until the torch has crossed the line between their middles; a drop's cells vanish
with their heat. All temperatures are kelvin above the workshop's. Elastic and thermal theory; it
was never tried on steel.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from raster2path.geometry import Points
from raster2path.material import Stock

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

CELL_MM = 5.0
MOST_CELLS = 14_000
MOST_WORK, QUICK_WORK = 4e7, 2e6
"""Cells times steps. A larger blank and a longer job get larger cells: half a second a job; or
half as long for several jobs side by side, where they are only compared."""

STEP_SHARE = 1 / 6
"""αΔt/h²: here the errors of time and of space cancel in the first order."""

FEWEST_FACES = 6
"""A cut that crosses fewer lays its heat into the cells along its path."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Steel:
    """The sheet, as heat sees it.

    Attributes:
        thickness_mm: of the sheet.
        k_w_mk, c_j_kgk, rho_kg_m3: EN 1993-1-2 formulas at 180 °C for mild steel; assumed there.
        loss_w_m2k: both faces together, to air and by radiation; assumed.
        heat_j_mm: left in the sheet for each mm of cut. None: 13.3 J/mm for each mm of
            thickness, from the thin-plate peak equation; nobody has measured a hand torch, so it
            may be half as much again or half.
    """

    thickness_mm: float = 1.5
    k_w_mk: float = 48.0
    c_j_kgk: float = 520.0
    rho_kg_m3: float = 7850.0
    loss_w_m2k: float = 25.0
    heat_j_mm: float | None = None

    @staticmethod
    def of(stock: Stock, thickness_mm: float, heat_j_mm: float | None) -> Steel:
        """A sheet of that stock; `heat_j_mm` as above."""
        return Steel(
            thickness_mm=thickness_mm,
            k_w_mk=stock.k_w_mk,
            c_j_kgk=stock.c_j_kgk,
            rho_kg_m3=stock.density_kg_mm3 * 1e9,
            heat_j_mm=heat_j_mm,
        )

    @property
    def alpha_mm2_s(self) -> float:
        """Diffusivity."""
        return self.k_w_mk / (self.rho_kg_m3 * self.c_j_kgk) * 1e6

    @property
    def store_j_mm2k(self) -> float:
        """Heat that warms a square millimetre of sheet by a kelvin."""
        return self.rho_kg_m3 * self.c_j_kgk * self.thickness_mm * 1e-9

    @property
    def fade_per_s(self) -> float:
        """Share of its heat that the sheet loses in a second: 1/τ."""
        return self.loss_w_m2k * 1e-6 / self.store_j_mm2k

    @property
    def line_j_mm(self) -> float:
        """Heat left in the sheet for each mm of cut."""
        return 13.33 * self.thickness_mm if self.heat_j_mm is None else self.heat_j_mm


@dataclass(frozen=True, slots=True)
class Grid:
    """Square cells over the blank: where its top left corner lies, how many rows and columns."""

    left_mm: float
    top_mm: float
    cell_mm: float
    n_rows: int
    n_cols: int

    @property
    def size_mm(self) -> tuple[float, float]:
        """Width and height."""
        return self.n_cols * self.cell_mm, self.n_rows * self.cell_mm

    def cell_of(self, points: Points) -> Ints:
        """Flat index of the cell that each point (n, 2) lies in; outside, the nearest one's."""
        at = (points - (self.left_mm, self.top_mm)) / self.cell_mm
        cols = np.clip(np.floor(at[:, 0]), 0, self.n_cols - 1).astype(np.int64)
        rows = np.clip(np.floor(at[:, 1]), 0, self.n_rows - 1).astype(np.int64)
        return np.asarray(rows * self.n_cols + cols, np.int64)


def grid_over(
    bounds: tuple[float, float, float, float],
    *,
    span_s: float = 0.0,
    alpha_mm2_s: float = 12.0,
    most_work: float = MOST_WORK,
) -> Grid:
    """Cells that cover a box (left, top, right, bottom), not too many for a job of this length."""
    left, top, right, bottom = bounds
    wide, high = max(right - left, CELL_MM), max(bottom - top, CELL_MM)
    area = wide * high
    by_work = (area * span_s * alpha_mm2_s / STEP_SHARE / most_work) ** 0.25
    cell_mm = max(CELL_MM, math.sqrt(area / MOST_CELLS), by_work)
    n_cols, n_rows = max(2, math.ceil(wide / cell_mm)), max(2, math.ceil(high / cell_mm))
    return Grid(left, top, cell_mm, n_rows, n_cols)


@dataclass(frozen=True, slots=True, eq=False)
class Track:
    """What one cut does to the cells.

    Attributes:
        level, upright: faces that it closes, between neighbours in a row, in a column; flat
            indices of the left or upper cell.
        level_mm, upright_mm: how far along the path each is crossed.
        cells: pairs of cells (n, 2) that take heat, half each.
        heat_j: for each pair.
        heat_mm: how far along the path it is laid down.
        drop: flat indices of the cells that fall out when the cut is done.
        length_mm: of the path.
    """

    level: Ints
    upright: Ints
    level_mm: Floats
    upright_mm: Floats
    cells: Ints
    heat_j: Floats
    heat_mm: Floats
    drop: Ints
    length_mm: float


def track(
    grid: Grid, points: Points, line_j_mm: float, *, is_closed: bool, falls: bool, spot_j: float = 0
) -> Track:
    """What a cut along points (n, 2) does to the cells.

    Args:
        grid: of the blank.
        points: the path, flattened; a closed one does not repeat its first. A single point is a
            pierce that makes a hole by itself.
        line_j_mm: heat for each mm.
        is_closed: whether it comes back to its start.
        falls: whether what lies inside falls out at its end.
        spot_j: heat of a single point.
    """
    ring = np.vstack([points, points[:1]]) if is_closed else points
    leg = np.hypot(*np.diff(ring, axis=0).T)
    along = np.concatenate([[0.0], np.cumsum(leg)])
    u, v = ((ring - (grid.left_mm, grid.top_mm)) / grid.cell_mm - 0.5).T
    rows, at_u, level_mm = _crossings(v, u, along)
    cols, at_v, upright_mm = _crossings(u, v, along)
    drop = _inside(grid, rows, at_u) if falls else np.zeros(0, np.int64)
    i, j = np.floor(at_u).astype(np.int64), np.floor(at_v).astype(np.int64)
    ok = (rows >= 0) & (rows < grid.n_rows) & (i >= 0) & (i < grid.n_cols - 1)
    level, level_mm = (rows * grid.n_cols + i)[ok], level_mm[ok]
    ok = (cols >= 0) & (cols < grid.n_cols) & (j >= 0) & (j < grid.n_rows - 1)
    upright, upright_mm = (j * grid.n_cols + cols)[ok], upright_mm[ok]
    length = float(along[-1])
    total_j = line_j_mm * length if len(points) > 1 else spot_j
    if len(level) + len(upright) >= FEWEST_FACES:
        pairs = np.vstack(
            [
                np.column_stack([level, level + 1]),
                np.column_stack([upright, upright + grid.n_cols]),
            ]
        )
        heat_mm = np.concatenate([level_mm, upright_mm])
        heat_j = _shares(heat_mm, length, is_closed=is_closed) * total_j
    else:
        pairs, heat_j, heat_mm = _along(grid, ring, along, total_j)
    return Track(level, upright, level_mm, upright_mm, pairs, heat_j, heat_mm, drop, length)


def _crossings(v: Floats, u: Floats, along: Floats) -> tuple[Ints, Floats, Floats]:
    """Where a line crosses whole numbers of v: those, the u there, and how far along it is."""
    low = np.floor(v).astype(np.int64)
    steps = np.diff(low)
    n = np.abs(steps)
    seg = np.repeat(np.arange(len(steps)), n)
    k = np.arange(len(seg)) - np.repeat(np.cumsum(n) - n, n)
    whole = np.where(steps[seg] > 0, low[:-1][seg] + 1 + k, low[:-1][seg] - k)
    t = (whole - v[:-1][seg]) / (v[1:] - v[:-1])[seg]
    at = u[:-1][seg] + t * (u[1:] - u[:-1])[seg]
    return whole, at, along[:-1][seg] + t * np.diff(along)[seg]


def _inside(grid: Grid, rows: Ints, at_u: Floats) -> Ints:
    """Cells whose middle lies inside a closed line, by the parity of crossings left of it."""
    ok = (rows >= 0) & (rows < grid.n_rows)
    if not ok.any():
        return np.zeros(0, np.int64)
    rows, col = rows[ok], np.clip(np.floor(at_u[ok]).astype(np.int64) + 1, 0, grid.n_cols)
    top, left = int(rows.min()), int(col.min())
    flips = np.zeros((int(rows.max()) - top + 1, int(col.max()) - left + 1), np.int64)
    np.add.at(flips, (rows - top, col - left), 1)
    down, across = np.nonzero(np.cumsum(flips, axis=1)[:, :-1] % 2 == 1)
    return np.asarray((down + top) * grid.n_cols + across + left, np.int64)


def inside(grid: Grid, rings: Sequence[Points]) -> Bools:
    """(rows, cols) True where a cell's middle lies inside an odd number of closed rings."""
    out = np.zeros(grid.n_rows * grid.n_cols, np.bool_)
    for ring in rings:
        u, v = ((np.vstack([ring, ring[:1]]) - (grid.left_mm, grid.top_mm)) / grid.cell_mm - 0.5).T
        rows, at_u, _ = _crossings(v, u, np.zeros(len(u)))
        out[_inside(grid, rows, at_u)] ^= True
    return out.reshape(grid.n_rows, grid.n_cols)


def _shares(at_mm: Floats, length: float, *, is_closed: bool) -> Floats:
    """Each crossing's share of the path: half the way to its neighbours on either side."""
    order = np.argsort(at_mm, kind="stable")
    s = at_mm[order]
    middle = (s[1:] + s[:-1]) / 2
    if is_closed:
        seam = (s[0] + s[-1] - length) / 2
        bounds = np.concatenate([[seam], middle, [seam + length]])
    else:
        bounds = np.concatenate([[0.0], middle, [length]])
    out = np.zeros(len(s))
    out[order] = np.diff(bounds) / length
    return out


def _along(grid: Grid, ring: Points, along: Floats, total_j: float) -> tuple[Ints, Floats, Floats]:
    """Heat in the cells along a short path."""
    n = max(1, math.ceil(4 * along[-1] / grid.cell_mm))
    at = (np.arange(n) + 0.5) / n * along[-1]
    points = np.column_stack([np.interp(at, along, ring[:, 0]), np.interp(at, along, ring[:, 1])])
    cells = grid.cell_of(points)
    return np.column_stack([cells, cells]), np.full(n, total_j / n), at


@dataclass(frozen=True, slots=True, eq=False)
class Warmth:
    """What was seen while a job was simulated.

    Attributes:
        times_s: when looks were taken.
        looks: (n, rows, cols) of the coarser mesh, kelvin above the workshop.
        starts_k: for each cut, where it starts, just before it does.
        peaks_k, peak_cells: for each cut, the hottest cell that stays metal just before.
        final: (rows, cols) at the end.
        given_j, lost_j, dropped_j, kept_j: the balance of energy.
    """

    times_s: Floats
    looks: Floats
    starts_k: Floats
    peaks_k: Floats
    peak_cells: Ints
    final: Floats
    given_j: float
    lost_j: float
    dropped_j: float
    kept_j: float


@dataclass(frozen=True, slots=True, eq=False)
class Timed:
    """A cut in its place: its track, where it starts, when, and how fast the hand goes.

    Attributes:
        begin_s: the arc strikes.
        run_s: the path begins, after the pierce and the lead-in.
        end_s: the cut is done, and what it frees falls.
    """

    track: Track
    start: complex
    begin_s: float
    run_s: float
    end_s: float


class _Events:
    """Everything that happens to the cells of several jobs, sorted by the step it happens in."""

    def __init__(
        self, jobs: Sequence[Sequence[Timed]], n_cells: int, step_s: float, late_s: float
    ) -> None:
        each = [(cut, job * n_cells) for job, cuts in enumerate(jobs) for cut in cuts]
        none = np.zeros(0, np.int64)

        def steps(of: Callable[[Track], Floats]) -> Floats:
            every = [self._times(of(cut.track), cut) for cut, _ in each]
            return np.concatenate([np.zeros(0), *every]) / step_s

        def cells(of: Callable[[Track], Ints], none: Ints) -> Ints:
            return np.concatenate([none, *(of(cut.track) + offset for cut, offset in each)])

        self.level = _sorted(
            np.rint(steps(lambda t: t.level_mm)).astype(np.int64), cells(lambda t: t.level, none)
        )
        self.upright = _sorted(
            np.rint(steps(lambda t: t.upright_mm)).astype(np.int64),
            cells(lambda t: t.upright, none),
        )
        at = steps(lambda t: t.heat_mm) + late_s / step_s
        low = np.floor(at).astype(np.int64)
        late = at - low  # what comes between two steps is shared between them
        pairs = cells(lambda t: t.cells, none.reshape(0, 2))
        heat = np.concatenate([np.zeros(0), *(cut.track.heat_j for cut, _ in each)])
        when = np.concatenate([low, low + 1])
        order = np.argsort(when, kind="stable")
        self.heat_step = when[order]
        self.pairs = np.concatenate([pairs, pairs])[order]
        self.heat_j = np.concatenate([heat * (1 - late), heat * late])[order]

    @staticmethod
    def _times(at_mm: Floats, cut: Timed) -> Floats:
        share = at_mm / max(cut.track.length_mm, 1e-9)
        return cut.run_s + share * (cut.end_s - cut.run_s)


def _sorted(steps: Ints, values: Ints) -> tuple[Ints, Ints]:
    order = np.argsort(steps, kind="stable")
    return steps[order], values[order]


def simulate(
    grid: Grid,
    steel: Steel,
    jobs: Sequence[Sequence[Timed]],
    *,
    coarse: tuple[Floats, Floats],
    stays: Bools | None = None,
    look_s: float = 1.0,
    until_s: float | None = None,
    is_quick: bool = False,
) -> list[Warmth]:
    """The sheet's temperature while cuts are made, for several jobs side by side.

    Args:
        grid: cells of the blank.
        steel: what it is made of.
        jobs: the cuts of each, in the order of their times.
        coarse: two matrices; looks are the first times the temperatures times the second.
        stays: (rows, cols) True where metal stays, for the peaks; None: everywhere.
        look_s: between two looks.
        until_s: when to stop; None: when the last cut of all is done.
        is_quick: in single precision, and what is lost to the air is not added up.
    """
    n_cells = grid.n_rows * grid.n_cols
    state = _State(grid, steel, len(jobs), is_quick=is_quick)
    # half a kerf's heat in the middle of each neighbouring cell is as spread as a line's heat is
    # after this long; laid down then, it is right from there on
    late_s = grid.cell_mm**2 / 8 / steel.alpha_mm2_s
    events = _Events(jobs, n_cells, state.step_s, late_s)
    cuts = [(job, k, cut) for job, some in enumerate(jobs) for k, cut in enumerate(some)]
    done_s = [max((cut.end_s for cut in some), default=0.0) for some in jobs]
    last_s = max(done_s, default=0.0) if until_s is None else until_s
    n_steps = math.ceil(last_s / state.step_s) + 1
    every = max(1, round(look_s / state.step_s))
    late = math.ceil(late_s / state.step_s) + 2
    begin_at = _by_step([round(cut.begin_s / state.step_s) for *_, cut in cuts])
    end_at = _by_step([round(cut.end_s / state.step_s) + late for *_, cut in cuts])
    starts = np.array([[cut.start.real, cut.start.imag] for *_, cut in cuts]).reshape(-1, 2)
    spots = grid.cell_of(starts) + n_cells * np.array([job for job, *_ in cuts], np.int64)
    bounds = np.arange(n_steps + 1)
    heat_at = np.searchsorted(events.heat_step, bounds).tolist()
    level_at = np.searchsorted(events.level[0], bounds).tolist()
    upright_at = np.searchsorted(events.upright[0], bounds).tolist()
    starts_k = [np.zeros(len(some)) for some in jobs]
    peaks_k = [np.zeros(len(some)) for some in jobs]
    peak_cells = [np.zeros(len(some), np.int64) for some in jobs]
    looks = list[Floats]()
    flat = state.warm.ravel()
    for n in range(n_steps):
        for at in begin_at.get(n, ()):
            job, k, _ = cuts[at]
            starts_k[job][k] = flat[spots[at]]
            seen = state.warm[job] if stays is None else state.warm[job] * stays
            peak_cells[job][k] = cell = int(seen.argmax())
            peaks_k[job][k] = seen.ravel()[cell]
        if level_at[n] < level_at[n + 1]:
            state.close_level(events.level[1][level_at[n] : level_at[n + 1]])
        if upright_at[n] < upright_at[n + 1]:
            state.close_upright(events.upright[1][upright_at[n] : upright_at[n + 1]])
        if heat_at[n] < heat_at[n + 1]:
            some = slice(heat_at[n], heat_at[n + 1])
            state.heat(events.pairs[some], events.heat_j[some])
        for at in end_at.get(n, ()):
            job, _, cut = cuts[at]
            state.let_fall(cut.track.drop + job * n_cells, job)
        if n % every == 0:
            looks.append(_seen(state.warm, coarse))
        state.step()
    times_s: Floats = np.arange(len(looks)) * np.float64(state.step_s * every)
    shown = np.stack(looks)
    n_looks = [int(np.searchsorted(times_s, max(done, until_s or 0.0))) + 1 for done in done_s]
    return [
        Warmth(
            times_s[: n_looks[job]],
            shown[: n_looks[job], job],
            starts_k[job],
            peaks_k[job],
            peak_cells[job],
            state.warm[job],
            float(state.given_j[job]),
            float(state.lost_j[job]),
            float(state.dropped_j[job]),
            float(state.warm[job].sum()) * state.cell_j_k,
        )
        for job in range(len(jobs))
    ]


def _seen(warm: Floats, coarse: tuple[Floats, Floats]) -> Floats:
    """The two matrices round the temperatures, in products so small that they wake no threads."""
    first, second = coarse
    n = next(n for n in (3, 2, 1) if len(first) % n == 0)
    blocks = first.reshape(n, -1, first.shape[1])
    out = (blocks @ warm[:, None]).reshape(len(warm), len(first), -1) @ second
    return np.asarray(out, np.float64)


def _by_step(steps: Sequence[int]) -> dict[int, list[int]]:
    out: dict[int, list[int]] = {}
    for k, n in enumerate(steps):
        out.setdefault(n, []).append(k)
    return out


class _State:
    """The cells' temperatures, which faces are open, and where the energy went, for each job."""

    def __init__(self, grid: Grid, steel: Steel, n_jobs: int, *, is_quick: bool) -> None:
        kind = np.float32 if is_quick else np.float64
        self.is_quick = is_quick
        rows, cols = grid.n_rows, grid.n_cols
        self.step_s = STEP_SHARE * grid.cell_mm**2 / steel.alpha_mm2_s
        self.fade = math.exp(-steel.fade_per_s * self.step_s)
        self.cell_j_k = steel.store_j_mm2k * grid.cell_mm**2
        self.n_cells = rows * cols
        self.warm = np.zeros((n_jobs, rows, cols), kind)
        self.is_live = np.ones(n_jobs * rows * cols, np.bool_)
        # the last column of one and the last row of the other are never open
        self.open_level = np.full(self.warm.shape, STEP_SHARE, kind)
        self.open_level[:, :, -1] = 0
        self.open_upright = np.full(self.warm.shape, STEP_SHARE, kind)
        self.open_upright[:, -1] = 0
        self.flow = (
            np.zeros((n_jobs, rows, cols - 1), kind),
            np.zeros((n_jobs, rows - 1, cols), kind),
        )
        self.given_j, self.lost_j, self.dropped_j = np.zeros((3, n_jobs))

    def close_level(self, cells: Ints) -> None:
        self.open_level.ravel()[cells] = 0

    def close_upright(self, cells: Ints) -> None:
        self.open_upright.ravel()[cells] = 0

    def heat(self, pairs: Ints, heat_j: Floats) -> None:
        live = self.is_live[pairs].astype(np.float64)
        n_live = live.sum(axis=1)
        share = live * (heat_j / np.maximum(n_live, 1))[:, None]
        np.add.at(
            self.warm.ravel(),
            pairs.ravel(),
            (share.ravel() / self.cell_j_k).astype(self.warm.dtype),
        )
        np.add.at(self.given_j, pairs[:, 0] // self.n_cells, share.sum(axis=1))

    def let_fall(self, cells: Ints, job: int) -> None:
        flat = self.warm.ravel()
        self.dropped_j[job] += float(flat[cells].sum()) * self.cell_j_k
        flat[cells] = 0
        self.is_live[cells] = False

    def step(self) -> None:
        warm = self.warm
        along, down = self.flow
        np.subtract(warm[:, :, 1:], warm[:, :, :-1], out=along)
        along *= self.open_level[:, :, :-1]
        np.subtract(warm[:, 1:], warm[:, :-1], out=down)
        down *= self.open_upright[:, :-1]
        warm[:, :, :-1] += along
        warm[:, :, 1:] -= along
        warm[:, :-1] += down
        warm[:, 1:] -= down
        if not self.is_quick:
            self.lost_j += warm.sum(axis=(1, 2)) * (self.cell_j_k * (1 - self.fade))
        warm *= self.fade
