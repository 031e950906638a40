"""Chains of marks that follow each other closely and hardly bend: words that run anywhere."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import combinations, pairwise

import numpy as np
import numpy.typing as npt

from raster2path.geometry import Complexes
from raster2path.shape._circles import circle_through
from raster2path.shape._marks import N_WAYS, Mark

Bools = npt.NDArray[np.bool_]
Floats = npt.NDArray[np.float64]

LIKE_SIZE = 0.4
"""Marks of a chain: the smaller at least this much of the larger one."""
CHAIN_GAP = 1.1
"""Widest gap from one to the next, in sizes of the larger mark."""
BEND_RAD = math.radians(38)
"""Most that a row turns from one mark to the next; letters' middles lie up and down of it, too."""
UNLIKE = 0.4
"""What a mark twice as large costs in a chain, against one that is as large: 0.3 sizes of gap."""
STRAY = 0.35
"""How far, in sizes, a mark's middle may lie off a row's arc."""
MOST_CHAINS = 40
LINE_GAP = 2.4
"""Widest gap that a chain is carried over along its own line or arch, in its marks' sizes: two
words, letters spaced wide."""
OFF = 0.45
"""How far off that line or arch, in sizes, a mark's middle may lie that is taken in there."""
LEAST_STEP = 0.25
"""How far, in sizes, it stands at least from the last one's middle."""
MOST_JOINED = 12
"""So many chains at most are tried end to end."""
JOINED_SIZE = 0.7
"""Those are of one size: the smaller's marks at least this much of the larger one's."""
GOES_ON = math.cos(math.radians(50))
"""Cosine of the most that the way from the one to the other turns from each."""


def chains(
    marks: Sequence[Mark], tall: list[int], settled: set[tuple[int, int]]
) -> list[list[int]]:
    """Chains of three marks or more of like size, each near the last, that hardly bend."""
    if len(tall) < 3:
        return []
    middle = np.array([marks[k].middle for k in tall])
    size = np.array([marks[k].size for k in tall])
    gap = _gaps(marks, tall, middle)
    most, least = np.maximum.outer(size, size), np.minimum.outer(size, size)
    near = (least >= LIKE_SIZE * most) & (gap < CHAIN_GAP * most) & (gap > -0.35 * least)
    np.fill_diagonal(near, val=False)
    at = {k: n for n, k in enumerate(tall)}
    used = {(at[a], at[b]) for a, b in settled}
    cost = np.maximum(gap, 0) / size[:, None]
    cost += UNLIKE * np.abs(np.log(size[None, :] / size[:, None]))
    cost[~near] = np.inf
    one, other = np.nonzero(np.triu(near))
    out: list[list[int]] = []
    for n in np.argsort((gap / most)[one, other], kind="stable").tolist():
        a, b = int(one[n]), int(other[n])
        if (a, b) in used or (b, a) in used or len(out) >= MOST_CHAINS:
            continue
        chain = _grown([a, b], cost, middle)
        chain = _grown(chain[::-1], cost, middle)[::-1]
        used |= set(pairwise(chain))
        if len(chain) >= 3:
            out.append([tall[k] for k in chain])
    return out


def _gaps(marks: Sequence[Mark], tall: list[int], middle: Complexes) -> Floats:
    """Distance between each two hulls along the line through their middles, about."""
    reach = np.array([marks[k].reach for k in tall])
    between = middle[None, :] - middle[:, None]
    way = np.round(np.angle(between) / (2 * np.pi) * N_WAYS).astype(int) % N_WAYS
    row = np.arange(len(tall))
    own = reach[row[:, None], way]
    other = reach[row[None, :], (way + N_WAYS // 2) % N_WAYS]
    return np.asarray(np.abs(between) - own - other, np.float64)


def _grown(chain: list[int], cost: Floats, middle: Complexes) -> list[int]:
    """The chain, made longer at its end as long as a mark follows.

    Args:
        chain: two marks or more.
        cost: of each mark to each that may follow it, without the bend.
        middle: of every mark.
    """
    chain = list(chain)
    while True:
        here = chain[-1]
        way = middle[here] - middle[chain[-3] if len(chain) > 2 else chain[-2]]
        bend = np.abs(np.angle((middle - middle[here]) * np.conj(way)))
        total = cost[here] + 0.8 * bend
        total[chain] = np.inf
        total[bend > BEND_RAD] = np.inf
        best = int(np.argmin(total))
        if not math.isfinite(total[best]):
            return chain
        chain.append(best)


def joined(marks: Sequence[Mark], parts: Sequence[list[int]]) -> list[list[int]]:
    """Chains that one follows on from the other, as two words do on one arch, end to end."""
    out = []
    for one, other in combinations(parts[:MOST_JOINED], 2):
        if set(one) & set(other):
            continue
        ends = [(a, b) for a in (one, one[::-1]) for b in (other, other[::-1])]
        a, b = min(ends, key=lambda pair: abs(marks[pair[1][0]].middle - marks[pair[0][-1]].middle))
        if _follows(marks, a, b):
            out.append([*a, *b])
    return out


def _follows(marks: Sequence[Mark], one: list[int], other: list[int]) -> bool:
    """True where a chain starts a word space or less behind another's end, and goes on its way."""
    size, next_size = (float(np.median([marks[k].size for k in c])) for c in (one, other))
    if not JOINED_SIZE * size < next_size < size / JOINED_SIZE:
        return False
    a, b, c, d = (marks[k].middle for k in (one[0], one[-1], other[0], other[-1]))
    gap = abs(c - b) - (marks[one[-1]].size + marks[other[0]].size) / 2
    way, between, next_way = b - a, c - b, d - c
    is_ahead = (between * way.conjugate()).real > GOES_ON * abs(between) * abs(way)
    goes_on = (next_way * between.conjugate()).real > GOES_ON * abs(next_way) * abs(between)
    return gap < LINE_GAP * size and is_ahead and goes_on


def lengthened(marks: Sequence[Mark], tall: list[int], chain: list[int]) -> list[int]:
    """The chain with what stands further on along its line or arch, over gaps between words.

    A chain is grown from one mark to the next, and big and small letters' middles lie up and down
    of it, so that it may lose its way; the whole line tells better where the next one stands.
    """
    middle = np.array([marks[k].middle for k in tall])
    size = np.array([marks[k].size for k in tall])
    at = {k: n for n, k in enumerate(tall)}
    own = [at[k] for k in chain]
    common = float(np.median(size[own]))
    is_free = (size >= LIKE_SIZE * common) & (size <= common / LIKE_SIZE)
    is_free[own] = False
    n_own = 0
    while len(own) > n_own:
        n_own = len(own)
        ends = np.abs(middle[:, None] - middle[[own[0], own[-1]]])
        is_near = is_free & (ends.min(axis=1) < LINE_GAP * common + size)
        if not is_near.any():
            break
        ahead, off = _along(middle, own)
        for way in (1.0, -1.0):
            end = own[-1] if way > 0 else own[0]
            far = way * (ahead - ahead[end])
            gap = far - (size + size[end]) / 2
            follows = is_near & (np.abs(off) < OFF * common)
            follows &= (far > LEAST_STEP * common) & (gap < LINE_GAP * common)
            if follows.any():
                n = int(np.argmin(np.where(follows, far, np.inf)))
                is_near[n] = is_free[n] = False
                own = [*own, n] if way > 0 else [n, *own]
    return [tall[n] for n in own]


def _along(middle: Complexes, chain: list[int]) -> tuple[Floats, Floats]:
    """How far on along a chain's line or arch each place lies, and how far off it."""
    z = middle[chain]
    circle = circle_through(z) if len(z) >= 4 else None
    if circle is None:
        way = z[-1] - z[0]
        local = (middle - z.mean()) / (way / abs(way))
        return local.real, local.imag
    centre, radius = circle
    turn = np.angle((middle - centre) / (z[len(z) // 2] - centre))
    is_left = np.angle((z[-1] - centre) / (z[0] - centre)) < 0
    return np.asarray(radius * (-turn if is_left else turn)), np.abs(middle - centre) - radius
