"""Where a drawing may be parted: short cuts between inward corners that go on along a rim.

What stands on a bar, a hill or a wave meets its rim in two corners that turn inward; between them
the rim goes on unseen, from where it ends to where it is seen again (corners after the minima rule,
Hoffman and Richards 1984; cuts after the short-cut rule, Singh, Seyranian and Hoffman 1999). Cuts
that follow each other along one rim are a chain.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from raster2path.geometry import Complexes, to_complex

if TYPE_CHECKING:
    import shapely

Bools = npt.NDArray[np.bool_]
Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

LEAST_TURN = math.radians(32)
"""A corner turns by so much at least."""
NOTCH = math.radians(115)
"""What turns back so far is a narrow gap, at whose ground no rim is seen."""
ASTRAY = math.radians(38)
"""Most that a cut may turn off the rim that it carries on."""
NOTCH_ASTRAY = math.radians(75)
"""The same at the ground of a narrow gap."""
MOST_BEND = math.radians(100)
"""Most that a rim may turn, all in all, from one cut to the next."""
MOST_TURN = math.radians(75)
"""The same of cuts that follow each other."""
NEAR_PX = 4.0
"""Corners nearer to each other, in pixels, are one: ink fills them."""
LEAST_CUT_PX = 0.7
LONGEST = 0.4
"""Of the drawing's size, the longest cut."""
STRAY_COST = 3.0
"""A cut that turns off by a third of a radian is as dear as one nearly three times as long."""
FAR = 0.25
"""Of the drawing's size, the furthest from one cut to the next where the rim isn't seen."""
JUST_IN_PX = 1.5
STRAYS_PX, STRAYS = 2.0, 0.06
STRAYING = 4.0
"""How far a cut may run outside what is drawn, in pixels and of its length; and its price."""
MOST_TRIED = 5
"""Ends of a cut that are looked at for each start."""
MOST_CORNERS = 600
RISING = 0.35
"""Sine of the angle at which the side of a foot rises from its base line at least."""
ABOVE_COST = 20.0
"""A cut one of whose ends is a tenth of a height above the base line is as dear as one seven times
as long: the arm of an E stands above its foot."""
ON_BASE, SLOPE, WIDEST, REACH = 0.3, 0.8, 1.3, 2.0
"""Feet that are looked for along a base line: how far off it and how wide, in heights; how much
they lean; how far beyond the last one."""


@dataclass(frozen=True, slots=True)
class Neck:
    """A cut: the rim goes on along it, what is cut off lies to the right of it."""

    start: complex
    end: complex


@dataclass(frozen=True, slots=True, eq=False)
class _Corners:
    """All corners of some rings, ring by ring in order, what is drawn being on the left.

    Attributes:
        at: where.
        turn: by how much, leftward; inward corners turn rightward.
        came, goes: directions before and after, length one.
        after: index of the next corner on the same ring.
        bend: how far the line turns on the way there, all turns added up.
    """

    at: Complexes
    turn: Floats
    came: Complexes
    goes: Complexes
    after: Ints
    bend: Floats


class Necks:
    """Cuts through what is drawn."""

    def __init__(self, solid: shapely.Geometry, noise: float) -> None:
        """Of a drawing in pixels, its outlines' noise given."""
        self._solid = solid
        self._corners = _corners_of(solid, noise)
        self._inward = np.flatnonzero(self._corners.turn < -LEAST_TURN)

    def chains(self) -> list[list[Neck]]:
        """Chains of cuts that carry on rims, the longest first, those of one cut too."""
        if not 2 <= len(self._inward) <= MOST_CORNERS:
            return []
        ends = _cuts(self._solid, self._corners, self._inward)
        chains = _chained(self._corners, ends, _size(self._solid))
        at = self._corners.at
        return [
            [Neck(complex(at[a]), complex(at[b])) for a, b in chain]
            for chain in sorted(chains, key=lambda chain: -len(chain))
        ]

    def along(self, base: Base, taken: Sequence[Neck]) -> list[Neck]:
        """Cuts where something else rises from a base line, as well as they can be told.

        From corner to corner where there are two; else from the one straight along the line.

        Args:
            base: where feet stand already.
            taken: their cuts.
        """
        corners, at = self._corners, self._corners.at[self._inward]
        way, ahead, up = base.place(at)
        goes, came = corners.goes[self._inward] / way, corners.came[self._inward] / way
        near = np.abs(up) < base.within * base.high
        rises = np.flatnonzero(((goes.imag < -RISING) | (goes.real < 0)) & near)
        falls = np.flatnonzero(((came.imag > RISING) | (came.real < 0)) & near)
        pairs = [(at[m], at[n]) for m, n in self._feet(at, ahead, up, rises, falls, base.high)]
        far = WIDEST * base.high
        halves = self._halves(at[rises], far * way[rises])
        halves += [Neck(h.end, h.start) for h in self._halves(at[falls], -far * way[falls])]
        halves.sort(key=lambda neck: abs(neck.end - neck.start))
        out: list[Neck] = []
        spans = [_span(base, neck) for neck in taken]
        for neck in [*(Neck(complex(a), complex(b)) for a, b in pairs), *halves]:
            low, high = _span(base, neck)
            if high > low and all(high <= x0 + 1 or low >= x1 - 1 for x0, x1 in spans):
                spans.append((low, high))
                out.append(neck)
        return out

    def _feet(  # noqa: PLR0917
        self, at: Complexes, ahead: Floats, up: Floats, rises: Ints, falls: Ints, high: float
    ) -> list[tuple[int, int]]:
        """Corners between which a foot may stand, the narrowest first."""
        long = ahead[falls][None, :] - ahead[rises][:, None]
        leans = np.abs(up[falls][None, :] - up[rises][:, None]) > SLOPE * long
        m, n = np.nonzero((long > LEAST_CUT_PX) & (long < WIDEST * high) & ~leans)
        if not len(m):
            return []
        above = np.maximum(0, -up[rises[m]]) + np.maximum(0, -up[falls[n]])
        cost = long[m, n] * np.exp(ABOVE_COST * above / high)
        cost *= _price(self._solid, at[rises[m]], at[falls[n]])
        order = np.argsort(cost)[: int(np.isfinite(cost).sum())]
        return list(zip(rises[m][order].tolist(), falls[n][order].tolist(), strict=True))

    def _halves(self, start: Complexes, run: Complexes) -> list[Neck]:
        """Cuts from corners to where a line from each leaves the drawing, if it does."""
        import shapely

        if not len(start):
            return []
        stop, first = start + run, start + 1.5 * run / np.abs(run)
        lines = shapely.linestrings(
            np.stack([np.column_stack([z.real, z.imag]) for z in (first, stop)], axis=1)
        )
        out = []
        for n, inside in enumerate(shapely.intersection(lines, self._solid)):
            part = shapely.get_geometry(inside, 0)
            if part is None or part.is_empty or part.geom_type != "LineString":
                continue
            ends = to_complex(shapely.get_coordinates(part))
            a, b = complex(start[n]), complex(ends[np.argmax(np.abs(ends - start[n]))])
            is_whole = abs(b - stop[n]) < 1 or np.abs(ends - first[n]).min() > 1
            if not is_whole and abs(b - a) > LEAST_CUT_PX:
                out.append(Neck(a, b))
        return out


@dataclass(frozen=True, slots=True, eq=False)
class Base:
    """The line that feet stand on.

    Attributes:
        feet: where.
        ways: which way it runs there, length one.
        ahead: how far along they are.
        high: how high what stands on it is.
        within: how far off it feet may be, in heights.
    """

    feet: Complexes
    ways: Complexes
    ahead: Floats
    high: float
    within: float

    def place(self, z: Complexes) -> tuple[Complexes, Floats, Floats]:
        """The way of the nearest foot; how far along the line points lie, and how far off it."""
        near = np.abs(z[:, None] - self.feet[None, :]).argmin(axis=1)
        local = (z - self.feet[near]) / self.ways[near]
        # so far beyond the last foot the line is not known
        far = np.abs(local.real) > REACH * self.high
        return self.ways[near], self.ahead[near] + local.real, np.where(far, np.inf, local.imag)


def _span(base: Base, neck: Neck) -> tuple[float, float]:
    _, ahead, _ = base.place(np.array([neck.start, neck.end]))
    return float(ahead[0]), float(ahead[1])


def base_of(feet: Complexes, high: float) -> Base | None:
    """The line through feet that follow each other; None where they don't."""
    if len(feet) < 2:
        return None
    ahead = np.concatenate([[0.0], np.cumsum(np.abs(np.diff(feet)))])
    if np.diff(ahead).min() <= 0:
        return None
    way = np.gradient(feet, ahead, edge_order=2 if len(feet) > 2 else 1)
    return Base(feet, way / np.abs(way), ahead, high, ON_BASE)


def _size(solid: shapely.Geometry) -> float:
    x0, y0, x1, y1 = solid.bounds
    return math.hypot(x1 - x0, y1 - y0)


# ------------------------------------------------------------------ corners


def _corners_of(solid: shapely.Geometry, noise: float) -> _Corners:
    import shapely

    within = max(0.8, 3 * noise)
    near = max(NEAR_PX, 2 * within)
    found = []
    start = 0
    for part in shapely.get_parts(solid):
        if part.geom_type != "Polygon":
            continue
        for line in _lines_of(shapely.orient_polygons(part)):
            own = _of_ring(to_complex(shapely.get_coordinates(line)[:-1]), within, near, start)
            if own is not None:
                found.append(own)
                start += len(own.at)
    if not found:
        none = np.empty(0, np.complex128)
        return _Corners(none, none.real, none, none, np.empty(0, np.int64), none.real)
    return _Corners(*(np.concatenate([getattr(c, name) for c in found]) for name in _FIELDS))


_FIELDS = ("at", "turn", "came", "goes", "after", "bend")


def _lines_of(part: shapely.Geometry) -> list[shapely.Geometry]:
    return [part.exterior, *part.interiors]


def _of_ring(z: Complexes, within: float, near: float, start: int) -> _Corners | None:
    """Corners of one ring; None where it has none."""
    import shapely

    first = int(np.argmax(np.abs(z - z.mean())))
    z = np.roll(z, -first)
    closed = np.concatenate([z, z[:1]])
    line = shapely.simplify(
        shapely.linestrings(np.column_stack([closed.real, closed.imag])),
        within,
        preserve_topology=False,
    )
    p = to_complex(shapely.get_coordinates(line))[:-1]
    if len(p) < 3:
        return None
    # what lies close together is one corner, if it turns one way
    side = np.roll(p, -1) - p
    turn = np.angle(side / np.roll(side, 1))
    joined = (np.abs(side) < near) & (np.sign(turn) == np.sign(np.roll(turn, -1)))
    if joined.all():
        return None
    begin = int(np.flatnonzero(~joined)[0]) + 1
    p, side = np.roll(p, -begin), np.roll(side, -begin)
    turn, joined = np.roll(turn, -begin), np.roll(joined, -begin)
    label = np.concatenate([[0], np.cumsum(~joined)[:-1]])
    heads = np.flatnonzero(np.diff(label, prepend=-1))
    tails = np.concatenate([heads[1:], [len(p)]]) - 1
    total = np.add.reduceat(turn, heads)
    sharp = np.array(
        [a + int(np.argmax(np.abs(turn[a : b + 1]))) for a, b in zip(heads, tails, strict=True)]
    )
    is_corner = np.abs(total) > LEAST_TURN
    if not is_corner.any():
        return None
    at = np.flatnonzero(is_corner)
    came, goes = side[heads - 1], side[tails]
    slight = np.where(is_corner, 0.0, np.abs(total))
    sums = np.concatenate([[0], np.cumsum(slight)])
    bend = np.diff(sums[np.concatenate([at, [at[0] + 0]])])
    bend[-1] = sums[-1] - sums[at[-1]] + sums[at[0]]
    n = len(at)
    return _Corners(
        p[sharp[at]],
        total[at],
        came[at] / np.abs(came[at]),
        goes[at] / np.abs(goes[at]),
        start + (np.arange(n) + 1) % n,
        bend,
    )


# ------------------------------------------------------------------ cuts


def _cuts(solid: shapely.Geometry, corners: _Corners, inward: Ints) -> dict[int, int]:
    """For corners where a cut starts, the one where it ends: both like each other best."""
    at, came, goes = (a[inward] for a in (corners.at, corners.came, corners.goes))
    is_notch = corners.turn[inward] < -NOTCH
    way = at[None, :] - at[:, None]
    long = np.abs(way)
    size = _size(solid)
    with np.errstate(divide="ignore", invalid="ignore"):
        off = np.abs(np.angle(way / came[:, None]))
        on = np.abs(np.angle(goes[None, :] / way))
    # at the ground of a narrow gap a rim runs square to it, or one of its sides is the rim
    square = 1j * (goes - came)
    with np.errstate(divide="ignore", invalid="ignore"):
        off_gap = np.abs(np.angle(way / square[:, None]))
        on_gap = np.abs(np.angle(square[None, :] / way))
    loose = 0.5 * ASTRAY
    off[is_notch[:, None] & (np.minimum(off, off_gap) < NOTCH_ASTRAY) & (off > loose)] = loose
    on[is_notch[None, :] & (np.minimum(on, on_gap) < NOTCH_ASTRAY) & (on > loose)] = loose
    fits = (off < ASTRAY) & (on < ASTRAY) & (long > LEAST_CUT_PX) & (long < LONGEST * size)
    a, b = np.nonzero(fits)
    if not len(a):
        return {}
    cost = np.full(long.shape, np.inf)
    cost[a, b] = long[a, b] * np.exp(STRAY_COST * (off[a, b] + on[a, b]))
    # only what is cheap is looked at closely
    most = min(MOST_TRIED, len(at)) - 1
    cost[cost > np.partition(cost, most, axis=1)[:, most : most + 1]] = np.inf
    a, b = np.nonzero(np.isfinite(cost))
    cost[a, b] *= _price(solid, at[a], at[b])
    best, liked = cost.argmin(axis=1), cost.argmin(axis=0)
    return {
        int(inward[k]): int(inward[best[k]])
        for k in range(len(at))
        if np.isfinite(cost[k, best[k]]) and liked[best[k]] == k
    }


def _price(solid: shapely.Geometry, a: Complexes, b: Complexes) -> Floats:
    """How much dearer lines are than those that lie in what is drawn: 1, more, or not to be had.

    A line may leave it a little between its ends, as where an O has sunk in below its counter.
    """
    import shapely

    shapely.prepare(solid)
    z = a[:, None] + (b - a)[:, None] * np.linspace(0.12, 0.88, 7)
    out = np.where(shapely.contains_xy(solid, z.real, z.imag).all(axis=1), 1.0, np.inf)
    left = np.isinf(out)
    long = np.abs(b - a)[left]
    first = np.minimum(JUST_IN_PX / long, 0.25)
    ends = a[left, None] + (b - a)[left, None] * np.stack([first, 1 - first], axis=1)
    is_in = shapely.contains_xy(solid, ends.real, ends.imag).all(axis=1)
    points = shapely.points(z[left].real, z[left].imag)
    reach = np.broadcast_to(np.maximum(STRAYS_PX, STRAYS * long)[:, None], points.shape)
    is_in[is_in] = shapely.dwithin(solid, points[is_in], reach[is_in]).all(axis=1)
    out[left] = np.where(is_in, STRAYING, np.inf)
    return np.asarray(out, np.float64)


def _chained(corners: _Corners, ends: dict[int, int], size: float) -> list[list[tuple[int, int]]]:
    """Cuts in the order in which they follow each other along rims, seen or not."""
    follow: dict[int, int] = {}
    way = {start: complex(corners.at[end] - corners.at[start]) for start, end in ends.items()}
    for start, end in ends.items():
        after = int(corners.after[end])
        may = [end] if corners.turn[end] < -NOTCH else []
        may += [after] if corners.bend[end] < MOST_BEND else []
        bends = {
            k: abs(np.angle(way[k] / way[start])) for k in may if k in ends and ends[k] != start
        }
        best = min(bends, key=lambda k: bends[k], default=start)
        if best != start and bends[best] < MOST_TURN:
            follow[start] = best
    follow |= _unseen(corners, ends, follow, size)
    firsts = [start for start in ends if start not in set(follow.values())]
    out, used = [], set()
    for first in [*firsts, *ends]:
        chain, here = [], first
        while here not in used:
            used.add(here)
            chain.append((here, ends[here]))
            if here not in follow:
                break
            here = follow[here]
        if chain:
            out.append(chain)
    return out


def _unseen(
    corners: _Corners, ends: dict[int, int], follow: dict[int, int], size: float
) -> dict[int, int]:
    """Cuts that go on where others end, though what stands between isn't cut off: the nearest."""
    last = [start for start in ends if start not in follow]
    first = [start for start in ends if start not in set(follow.values())]
    if not (last and first):
        return {}
    a = np.array([ends[k] for k in last])
    way = corners.at[first][None, :] - corners.at[a][:, None]
    out_way = corners.at[a] - corners.at[last]
    into_way = corners.at[[ends[k] for k in first]] - corners.at[first]
    with np.errstate(divide="ignore", invalid="ignore"):
        off = np.abs(np.angle(way / out_way[:, None]))
        on = np.abs(np.angle(into_way[None, :] / way))
    long = np.abs(way)
    cost = long * np.exp(STRAY_COST * (off + on))
    cost[(off > ASTRAY) | (on > ASTRAY) | (long > FAR * size) | np.isnan(cost)] = np.inf
    best, liked = cost.argmin(axis=1), cost.argmin(axis=0)
    return {
        last[k]: first[best[k]]
        for k in range(len(last))
        if np.isfinite(cost[k, best[k]]) and liked[best[k]] == k
    }
