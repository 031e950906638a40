"""Cubics through many stretches of a contour at once: solve, measure, choose.

Points are complex here. A stretch is a pair of indices into one array of points, so that the
candidates of a whole ring are fitted by one small batched solve, not one by one.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from raster2path.geometry import Complexes

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

N_SAMPLES = 16
"""Points looked at along one candidate; more gave no better choice of breaks."""

HANDLE_SHARE = (0.03, 0.75)
"""Shortest and longest handle, as a share of the arc: neither a cusp nor a loop."""

NEAR_SPANS = 12
"""Up to so many breaks ahead every span is tried; beyond, spans grow by about a sixth."""

MOST_TURN_RAD = 5.0
"""A single cubic does not turn further than this along the way (300 degrees)."""


@dataclass(frozen=True, slots=True, eq=False)
class Ends:
    """Where candidates start and end, and whether their directions there are to be met.

    Attributes:
        p0, p1: positions.
        d0, d1: directions of travel, length one.
        free0, free1: True where the direction is only a first guess.
    """

    p0: Complexes
    p1: Complexes
    d0: Complexes
    d1: Complexes
    free0: Bools
    free1: Bools

    def of(self, pick: Ints | Bools) -> Ends:
        """Some of them."""
        return Ends(
            self.p0[pick],
            self.p1[pick],
            self.d0[pick],
            self.d1[pick],
            self.free0[pick],
            self.free1[pick],
        )


def steps(z: Complexes) -> Floats:
    """Length along a line of points up to each of them."""
    return np.concatenate([[0.0], np.cumsum(np.abs(np.diff(z)))])


def bernstein(t: Floats) -> tuple[Floats, Floats, Floats, Floats]:
    """The four cubic weights at t."""
    s = 1 - t
    return s * s * s, 3 * s * s * t, 3 * s * t * t, t * t * t


Powers = tuple[Floats, Floats]
"""Coefficients of 1, t, t², t³ of m cubics, as x and y of shape (4, m, 1)."""


def powers_of(c: Complexes) -> Powers:
    """Coefficients of cubics c (m, 4)."""
    p0, p1, p2, p3 = c[:, 0], c[:, 1], c[:, 2], c[:, 3]
    z = np.empty((4, len(c), 1), np.complex128)
    z[0, :, 0] = p0
    z[1, :, 0] = 3 * (p1 - p0)
    z[2, :, 0] = 3 * (p0 - 2 * p1 + p2)
    z[3, :, 0] = p3 - p0 + 3 * (p1 - p2)
    return z.real.copy(), z.imag.copy()


def places_at(t: Floats, powers: Powers) -> tuple[Floats, Floats]:
    """Places at parameters t (m, k); real numbers, as they cost half of complex ones."""
    a, b = powers
    return (
        ((a[3] * t + a[2]) * t + a[1]) * t + a[0],
        ((b[3] * t + b[2]) * t + b[1]) * t + b[0],
    )


def speeds_at(t: Floats, powers: Powers) -> tuple[Floats, Floats]:
    """First derivatives of x and y at t."""
    a, b = powers
    return (
        (3 * a[3] * t + 2 * a[2]) * t + a[1],
        (3 * b[3] * t + 2 * b[2]) * t + b[1],
    )


def nearer(t: Floats, powers: Powers, qx: Floats, qy: Floats) -> Floats:
    """Parameters moved by one Newton step towards the feet of points q, kept within 0 to 1."""
    (px, py), (vx, vy) = places_at(t, powers), speeds_at(t, powers)
    gx, gy = px - qx, py - qy
    ax, ay = (6 * c[3] * t + 2 * c[2] for c in powers)
    second = vx * vx + vy * vy
    curved = second + ax * gx + ay * gy
    step = (vx * gx + vy * gy) / np.maximum(np.maximum(curved, 0.3 * second), 1e-12)
    step = np.minimum(np.maximum(step, -0.2), 0.2)
    return np.asarray(np.minimum(np.maximum(t - step, 0.0), 1.0), np.float64)


def _handles(t: Floats, qx: Floats, qy: Floats, ends: Ends, arc: Floats) -> Complexes:
    """Control points (m, 4) that bring cubics nearest to points q (m, k) at parameters t."""
    s = 1 - t
    st = 3 * s * t
    b1, b2 = st * s, st * t
    # The end weights are what is left of 1; only their sums with their neighbours count.
    near = s * s * (1 + 2 * t)
    a11, a12, a22 = (np.einsum("mk,mk->m", x, y) for x, y in ((b1, b1), (b1, b2), (b2, b2)))
    sums = []
    for b in (b1, b2):
        to_near, whole = np.einsum("mk,mk->m", b, near), b.sum(axis=1)
        to_q = np.einsum("mk,mk->m", b, qx) + 1j * np.einsum("mk,mk->m", b, qy)
        sums.append(to_q - to_near * ends.p0 - (whole - to_near) * ends.p1)
    # A soft spring pulls handles to a third of the arc, so that short stretches stay sane.
    system = _System(
        a11,
        a12,
        a22,
        ends.d0.conj() * sums[0],
        -ends.d1.conj() * sums[1],
        5e-4 * (a11 + a22) + 1e-9,
        arc,
    )
    lengths = _with_directions(system, ends)
    free = np.flatnonzero(ends.free0 | ends.free1)
    if len(free):
        lengths[:, free] = _with_free_ends(system.of(free), ends.of(free))
    w0, w1 = _bounded(lengths[0], arc), _bounded(lengths[1], arc)
    return np.stack([ends.p0, ends.p0 + w0 * ends.d0, ends.p1 - w1 * ends.d1, ends.p1], axis=1)


def _across(
    t: Floats,
    qx: Floats,
    qy: Floats,
    cubics: Complexes,
    powers: Powers,
    *,
    ends: Ends,
    arc: Floats,
) -> Complexes:
    """Cubics after one Gauss-Newton step on the distances across them.

    Sliding along the curve costs nothing here, so two rounds do what a dozen of plain least
    squares would. A weak spring holds handles that the points say nothing about.
    """
    (px, py), (vx, vy) = places_at(t, powers), speeds_at(t, powers)
    size = np.sqrt(vx * vx + vy * vy) + 1e-12
    nx, ny = -vy / size, vx / size
    off = nx * (qx - px) + ny * (qy - py)
    s = 1 - t
    b1, b2 = 3 * s * s * t, -3 * s * t * t
    x0, y0, x1, y1 = (c[:, None] for d in (ends.d0, ends.d1) for c in (d.real, d.imag))
    j0, j1 = b1 * (nx * x0 + ny * y0), b2 * (nx * x1 + ny * y1)
    a11, a12, a22, r0, r1 = (
        np.einsum("mk,mk->m", u, v) for u, v in ((j0, j0), (j0, j1), (j1, j1), (j0, off), (j1, off))
    )
    spring = 1e-3 * t.shape[1] * 0.1
    one, two = a11 + spring, a22 + spring
    det = one * two - a12 * a12
    steps = (np.stack([two * r0 - a12 * r1, one * r1 - a12 * r0]) / det).astype(np.complex128)
    free = np.flatnonzero(ends.free0 | ends.free1)
    if len(free):
        i0 = (b1 * (ny * x0 - nx * y0))[free] * ends.free0[free, None]
        i1 = (b2 * (ny * x1 - nx * y1))[free] * ends.free1[free, None]
        jac = np.stack([j0[free], i0, j1[free], i1], axis=1)
        lhs = jac @ jac.transpose(0, 2, 1) + spring * np.eye(4)
        x = np.linalg.solve(lhs, jac @ off[free, :, None])[:, :, 0]
        steps[:, free] = x[:, 0] + 1j * x[:, 1], x[:, 2] + 1j * x[:, 3]
    w0 = (cubics[:, 1] - cubics[:, 0]) * ends.d0.conj() + _short(steps[0], arc)
    w1 = (cubics[:, 3] - cubics[:, 2]) * ends.d1.conj() + _short(steps[1], arc)
    w0, w1 = _bounded(w0, arc), _bounded(w1, arc)
    return np.stack([ends.p0, ends.p0 + w0 * ends.d0, ends.p1 - w1 * ends.d1, ends.p1], axis=1)


def _short(step: Complexes, arc: Floats) -> Complexes:
    """Steps no longer than a fifth of the arc."""
    return np.asarray(step * np.minimum(1.0, 0.2 * arc / np.maximum(np.abs(step), 1e-12)))


@dataclass(frozen=True, slots=True, eq=False)
class _System:
    """Sums of least squares for two handles of each cubic.

    Attributes:
        a11, a12, a22: of the two middle weights' products.
        r0, r1: of the weights times what is to be reached, turned into the ends' directions.
        soft: stiffness of the pull to a third of the arc.
        arc: length along the contour.
    """

    a11: Floats
    a12: Floats
    a22: Floats
    r0: Complexes
    r1: Complexes
    soft: Floats
    arc: Floats

    def of(self, pick: Ints) -> _System:
        """Some of them."""
        return _System(
            self.a11[pick],
            self.a12[pick],
            self.a22[pick],
            self.r0[pick],
            self.r1[pick],
            self.soft[pick],
            self.arc[pick],
        )


def _with_directions(system: _System, ends: Ends) -> Complexes:
    """Handle lengths (2, m) where both directions are to be met: two unknowns."""
    off = -system.a12 * (ends.d0.conj() * ends.d1).real
    pull = system.soft * system.arc / 3
    u, v = system.r0.real + pull, system.r1.real + pull
    one, two = system.a11 + system.soft, system.a22 + system.soft
    det = np.maximum(one * two - off * off, 1e-30)
    lengths = np.stack([two * u - off * v, one * v - off * u]) / det
    return lengths.astype(np.complex128)


def _with_free_ends(system: _System, ends: Ends) -> Complexes:
    """Handles (2, m), along and across the first guess of a direction, where one is free.

    Four unknowns; a direction that is to be met forbids "across" by a stiff spring.
    """
    a11, a12, a22, soft = system.a11, system.a12, system.a22, system.soft
    r0, r1, pull = system.r0, system.r1, soft * system.arc / 3
    c = ends.d0.conj() * ends.d1
    lhs = np.zeros((len(soft), 4, 4))
    stiff = 1e6 * (a11 + a22) + 1.0
    lhs[:, 0, 0] = a11 + soft
    lhs[:, 1, 1] = a11 + np.where(ends.free0, soft, stiff)
    lhs[:, 2, 2] = a22 + soft
    lhs[:, 3, 3] = a22 + np.where(ends.free1, soft, stiff)
    lhs[:, 0, 2] = lhs[:, 2, 0] = lhs[:, 1, 3] = lhs[:, 3, 1] = -a12 * c.real
    lhs[:, 0, 3] = lhs[:, 3, 0] = a12 * c.imag
    lhs[:, 1, 2] = lhs[:, 2, 1] = -a12 * c.imag
    rhs = np.stack([r0.real + pull, r0.imag, r1.real + pull, r1.imag], axis=1)
    x = np.linalg.solve(lhs, rhs[:, :, None])[:, :, 0]
    across0, across1 = np.where(ends.free0, x[:, 1], 0.0), np.where(ends.free1, x[:, 3], 0.0)
    return np.stack([x[:, 0] + 1j * across0, x[:, 2] + 1j * across1])


def _bounded(handle: Complexes, arc: Floats) -> Complexes:
    """Handles that point forward and are neither too short nor too long for their arc."""
    low, high = HANDLE_SHARE
    ahead = np.maximum(handle.real, low * arc) + 1j * handle.imag
    return np.asarray(ahead * np.minimum(1.0, high * arc / np.maximum(np.abs(ahead), 1e-12)))


def fit_cubics(
    z: Complexes,
    along: Floats,
    first: Ints,
    last: Ints,
    ends: Ends,
    *,
    n_rounds: int = 2,
    n_samples: int = N_SAMPLES,
) -> tuple[Complexes, Floats, Floats]:
    """One cubic for each stretch first..last of the points z.

    Args:
        z: all points (n,).
        along: length along the contour up to each.
        first: index of each stretch's first point (m,).
        last: index of its last one.
        ends: positions and directions to start and end with.
        n_rounds: how often the parameters are moved to the feet of the points.
        n_samples: points looked at; of a short stretch some more than once.

    Returns:
        Control points (m, 4), sum of squares (m,) and largest of the distances (m,).
    """
    share = (np.arange(n_samples) + 0.5) / n_samples
    spot = first[:, None] + 1 + np.rint(share * (last - first - 2)[:, None]).astype(np.int64)
    spot = np.clip(spot, first[:, None], last[:, None])
    qx, qy = z.real[spot], z.imag[spot]
    arc = np.maximum(along[last] - along[first], 1e-9)
    t = np.clip((along[spot] - along[first][:, None]) / arc[:, None], 0.0, 1.0)
    arc = np.maximum(arc, np.abs(ends.p1 - ends.p0))
    cubics = _handles(t, qx, qy, ends, arc)
    powers = powers_of(cubics)
    for _ in range(n_rounds):
        t = nearer(t, powers, qx, qy)
        cubics = _across(t, qx, qy, cubics, powers, ends=ends, arc=arc)
        powers = powers_of(cubics)
    (px, py), (vx, vy) = places_at(t, powers), speeds_at(t, powers)
    gx, gy = px - qx, py - qy
    # Across the curve only: what is along it is a matter of the parameter.
    gap2 = np.minimum((vx * gy - vy * gx) ** 2 / (vx * vx + vy * vy + 1e-12), gx * gx + gy * gy)
    return cubics, gap2.mean(axis=1) * (last - first), np.sqrt(gap2.max(axis=1))


def overshoot(cubics: Complexes, arc: Floats) -> Floats:
    """How far cubics (m, 4) reach beyond their points where they double back round a tip.

    No point lies there to tell by its distance, but the way out and back is longer than the
    points' own, `arc`.
    """
    x, y = places_at(np.linspace(0, 1, 13)[None, :], powers_of(cubics))
    length = np.hypot(np.diff(x, axis=1), np.diff(y, axis=1)).sum(axis=1)
    return np.asarray(np.maximum(0.0, (length - arc) / 2), np.float64)


def cheapest(n_breaks: int, i: Ints, j: Ints, cost: Floats) -> Ints:
    """Which pairs make the cheapest way from the first break to the last.

    Args:
        n_breaks: how many there are.
        i: the earlier break of each pair.
        j: the later one; pairs are sorted by it, and neighbours are among them.
        cost: of each pair.
    """
    best = np.full(n_breaks, np.inf)
    best[0] = 0.0
    by = np.zeros(n_breaks, np.int64)
    bounds = np.searchsorted(j, np.arange(n_breaks + 1)).tolist()
    for k in range(1, n_breaks):
        low, high = bounds[k], bounds[k + 1]
        total = best[i[low:high]] + cost[low:high]
        pick = int(total.argmin())
        best[k], by[k] = total[pick], low + pick
    way, k = [], n_breaks - 1
    while k > 0:
        way.append(by[k])
        k = int(i[by[k]])
    return np.array(way[::-1], np.int64)


def spans(n_breaks: int, turned: Floats) -> tuple[Ints, Ints]:
    """Pairs of breaks to try, sorted by the later one; `turned` is the turning up to each.

    Neighbours are always among them, so there is always a way.
    """
    steps = list(range(1, NEAR_SPANS + 1))
    while steps[-1] < n_breaks - 1:
        steps.append(min(n_breaks - 1, steps[-1] + max(1, steps[-1] // 6)))
    step = np.array([s for s in steps if s < n_breaks], np.int64)
    j = np.repeat(np.arange(n_breaks), len(step))
    i = j - np.tile(step, n_breaks)
    ok = i >= 0
    i, j = i[ok], j[ok]
    ok = (turned[j] - turned[i] < MOST_TURN_RAD) | (j - i == 1)
    return i[ok], j[ok]
