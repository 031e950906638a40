"""Pieces end to end, polished together: joint steps on the points' distances.

Many contours are polished at once as parts of one chain; each goes its own way, so that it comes
out the same alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace

import numpy as np

from raster2path.geometry import Complexes
from raster2path.shape._cubics import (
    HANDLE_SHARE,
    Bools,
    Floats,
    Ints,
    bernstein,
    nearer,
    places_at,
    powers_of,
    speeds_at,
)

MOST_DENSE = 80
"""Up to so many unknowns a part, all parts are solved at once as full systems."""


@dataclass(frozen=True, slots=True, eq=False)
class Chain:
    """Pieces end to end, as numbers that can be polished together.

    Attributes:
        begin, after: the node at each piece's start, and at its end.
        part: which part each piece belongs to, parts in order.
        rank: the order in which nodes are solved, neighbours close together, parts in order.
        nodes: positions (m,).
        d_out, d_in: direction of travel after and before each node, length one.
        h_out, h_in: handle length after and before each node.
        is_smooth: where both directions are one.
        is_line: pieces (k,) that are straight.
        hold: how firmly a node keeps its place: 0 free, infinite fixed (weight against one
            point's).
        keeps_out, keeps_in: where a direction was given and stays.
    """

    begin: Ints
    after: Ints
    part: Ints
    rank: Ints
    nodes: Complexes
    d_out: Complexes
    d_in: Complexes
    h_out: Floats
    h_in: Floats
    is_smooth: Bools
    is_line: Bools
    hold: Floats
    keeps_out: Bools
    keeps_in: Bools

    @property
    def part_of_node(self) -> Ints:
        """Which part each node belongs to."""
        out = np.zeros(len(self.nodes), np.int64)
        out[self.begin] = out[self.after] = self.part
        return out

    @property
    def cubics(self) -> Complexes:
        """Control points (k, 4); a line's lie on it at thirds."""
        a, b = self.begin, self.after
        p0, p1 = self.nodes[a], self.nodes[b]
        c1 = np.where(self.is_line, p0 + (p1 - p0) / 3, p0 + self.h_out[a] * self.d_out[a])
        c2 = np.where(self.is_line, p1 - (p1 - p0) / 3, p1 - self.h_in[b] * self.d_in[b])
        return np.stack([p0, c1, c2, p1], axis=1)


def feet(cubics: Complexes, q: Complexes, piece: Ints, t: Floats, n: int = 2) -> Floats:
    """Parameters of the feet of points q, each on its own piece."""
    x, y = powers_of(cubics)
    own = x[:, piece, 0], y[:, piece, 0]
    qx, qy = q.real.copy(), q.imag.copy()
    for _ in range(n):
        t = nearer(t, own, qx, qy)
    return t


def order_of(n_pieces: int, *, is_closed: bool) -> tuple[Ints, Ints, Ints]:
    """Begin, after and rank of one part on its own; a closed one has as many nodes as pieces.

    A closed one is ranked from both ends at once.
    """
    m = n_pieces if is_closed else n_pieces + 1
    number = np.arange(m)
    if is_closed:
        number = np.where(2 * number <= m, 2 * number, 2 * (m - number) - 1)
    begin = np.arange(n_pieces)
    return begin, (begin + 1) % m, np.argsort(np.argsort(number, kind="stable"))


def joined(chains: Sequence[Chain]) -> Chain:
    """Chains of one part each as the parts of one."""
    nodes = np.array([len(chain.nodes) for chain in chains])
    pieces = np.array([len(chain.is_line) for chain in chains])
    by_piece = np.repeat(np.cumsum(nodes) - nodes, pieces)
    columns = {
        f.name: np.concatenate([getattr(chain, f.name) for chain in chains]) for f in fields(Chain)
    }
    columns["begin"] += by_piece
    columns["after"] += by_piece
    columns["part"] = np.repeat(np.arange(len(chains)), pieces)
    columns["rank"] += np.repeat(np.cumsum(nodes) - nodes, nodes)
    return Chain(**columns)


def parted(chain: Chain) -> list[Chain]:
    """The parts of a chain as chains of their own: `joined` undone."""
    nodes = np.bincount(chain.part_of_node)
    pieces = np.bincount(chain.part)
    names = ("begin", "after", "part", "is_line")
    cuts = {True: np.cumsum(pieces)[:-1], False: np.cumsum(nodes)[:-1]}
    columns = {
        f.name: np.split(getattr(chain, f.name), cuts[f.name in names]) for f in fields(Chain)
    }
    out = []
    for k, offset in enumerate((np.cumsum(nodes) - nodes).tolist()):
        own = {name: column[k] for name, column in columns.items()}
        for name in ("begin", "after", "rank"):
            own[name] = own[name] - offset
        own["part"] = np.zeros_like(own["part"])
        out.append(Chain(**own))
    return out


def polished(chain: Chain, q: Complexes, piece: Ints, t: Floats, n_rounds: int) -> Chain:
    """The chain after joint Gauss-Newton steps on the points' distances; no part a worse one."""
    start = chain.nodes
    part, of_node = chain.part, chain.part_of_node
    t = feet(chain.cubics, q, piece, t)
    misfit = _misfit(chain, q, piece, t, start)
    damping = np.full(len(misfit), 1e-3)
    is_live = np.ones(len(misfit), bool)
    for _ in range(n_rounds):
        trial = _stepped(chain, q, piece, t, start=start, damping=damping)
        t_trial = feet(trial.cubics, q, piece, t)
        after = _misfit(trial, q, piece, t_trial, start)
        better = is_live & (after < misfit)
        chain = _where(better[of_node], trial, chain)
        t = np.where(better[part][piece], t_trial, t)
        is_live &= ~(better & (misfit - after < 0.01 * misfit))
        misfit = np.where(better, after, misfit)
        damping *= np.where(better, 0.1, 30.0)
        if not is_live.any():
            break
    return chain


def _where(at: Bools, new: Chain, old: Chain) -> Chain:
    """The new chain's numbers at some nodes, the old one's at the others."""
    names = ("nodes", "d_out", "d_in", "h_out", "h_in")
    return replace(
        old, **{name: np.where(at, getattr(new, name), getattr(old, name)) for name in names}
    )


def _misfit(chain: Chain, q: Complexes, piece: Ints, t: Floats, start: Complexes) -> Floats:
    """Of each part: its points' squared distances and what its nodes have moved."""
    x, y = powers_of(chain.cubics)
    px, py = places_at(t, (x[:, piece, 0], y[:, piece, 0]))
    gap2 = (px - q.real) ** 2 + (py - q.imag) ** 2
    held = np.where(np.isfinite(chain.hold), chain.hold, 0.0)
    moved = held * np.abs(chain.nodes - start) ** 2
    n = int(chain.part[-1]) + 1
    points = np.bincount(chain.part[piece], gap2, minlength=n)
    return np.asarray(points + np.bincount(chain.part_of_node, moved, minlength=n) + 1e-12)


def _jacobian(chain: Chain, q: Complexes, piece: Ints, t: Floats) -> tuple[Floats, Floats]:
    """Each point's signed distance and its change (n, 8) with its piece's eight numbers.

    Those are x, y, turn and handle at the piece's start, then at its end.
    """
    x, y = powers_of(chain.cubics)
    powers = x[:, piece, 0], y[:, piece, 0]
    (px, py), (vx, vy) = places_at(t, powers), speeds_at(t, powers)
    place, speed = px + 1j * py, vx + 1j * vy
    along = speed / np.maximum(np.abs(speed), 1e-12)
    normal = 1j * along
    end = chain.after[piece]
    b0, b1, b2, b3 = bernstein(t)
    straight = chain.is_line[piece]
    near = np.where(straight, 1 - t, b0 + b1)
    far = np.where(straight, t, b2 + b3)
    start = chain.begin[piece]
    d0, d1 = chain.d_out[start], chain.d_in[end]
    c0 = np.where(straight, 0.0, b1)
    c1 = np.where(straight, 0.0, -b2)
    n0, n1 = normal.conj() * d0, normal.conj() * d1
    # <n, i d> = -Im(conj(n) d)
    columns = [
        near * normal.real,
        near * normal.imag,
        -c0 * chain.h_out[start] * n0.imag,
        c0 * n0.real,
        far * normal.real,
        far * normal.imag,
        -c1 * chain.h_in[end] * n1.imag,
        c1 * n1.real,
    ]
    return (normal.conj() * (place - q)).real, np.stack(columns, axis=1)


def _unknowns(chain: Chain) -> tuple[Ints, int]:
    """Index of each node's x, y, turn out, handle out, turn in, handle in; -1 where fixed."""
    m = len(chain.nodes)
    use = np.ones((m, 6), bool)
    use[~np.isfinite(chain.hold), :2] = False
    use[chain.keeps_out, 2] = False
    use[chain.keeps_in, 4] = False
    use[chain.is_smooth, 4] = False
    order = np.argsort(chain.rank)
    index = np.empty((m, 6), np.int64)
    index[order] = np.cumsum(use[order].ravel()).reshape(m, 6) - 1
    index[~use] = -1
    index[chain.is_smooth, 4] = index[chain.is_smooth, 2]
    return index, int(use.sum())


def _stepped(
    chain: Chain, q: Complexes, piece: Ints, t: Floats, *, start: Complexes, damping: Floats
) -> Chain:
    """One damped Gauss-Newton step."""
    residual, jac = _jacobian(chain, q, piece, t)
    order = np.argsort(piece, kind="stable")
    kinds, begin = np.unique(piece[order], return_index=True)
    jac, residual = jac[order], residual[order]
    blocks = _products(jac, begin)
    slopes = np.add.reduceat(jac * residual[:, None], begin, axis=0)
    index, n = _unknowns(chain)
    a, b = chain.begin[kinds], chain.after[kinds]
    mine = np.concatenate([index[a][:, :4], index[b][:, [0, 1, 4, 5]]], axis=1)
    rows = np.repeat(mine[:, :, None], 8, axis=2)
    cols = np.repeat(mine[:, None, :], 8, axis=1)
    ok = (rows >= 0) & (cols >= 0)
    same = rows == cols
    right = np.zeros(n)
    np.add.at(right, mine[mine >= 0], -slopes[mine >= 0])
    held, pull = _springs(chain, index, n, start)
    diagonal = np.bincount(rows[ok & same], blocks[ok & same], minlength=n)
    part = _part_of_unknown(chain, index, n)
    highest = np.ones(len(damping))
    np.maximum.at(highest, part, diagonal)
    extra = held + damping[part] * diagonal + 1e-6 * highest[part]
    number = np.arange(n)
    rows, cols = np.concatenate([rows[ok], number]), np.concatenate([cols[ok], number])
    system = _Equations(rows, cols, np.concatenate([blocks[ok], extra]), right + pull)
    counts = np.bincount(part, minlength=len(damping))
    step = _full(system, counts) if counts.max() <= MOST_DENSE else _banded(system)
    return _moved(chain, np.append(step, 0.0)[index], piece)


def _products(jac: Floats, begin: Ints) -> Floats:
    """Sums of the products of every two of eight columns, over each stretch of rows."""
    one, other = np.triu_indices(8)
    sums = np.add.reduceat(jac[:, one] * jac[:, other], begin, axis=0)
    blocks = np.empty((len(begin), 8, 8))
    blocks[:, one, other] = blocks[:, other, one] = sums
    return blocks


def _part_of_unknown(chain: Chain, index: Ints, n: int) -> Ints:
    out = np.zeros(n + 1, np.int64)
    out[index] = chain.part_of_node[:, None]
    return out[:n]


@dataclass(frozen=True, slots=True, eq=False)
class _Equations:
    """Symmetric equations as entries of a matrix; those given twice add up."""

    rows: Ints
    cols: Ints
    values: Floats
    right: Floats


def _full(system: _Equations, counts: Ints) -> Floats:
    """The solution where unknowns fall into parts of so many, in order: all parts at once."""
    most, n_parts = int(counts.max()), len(counts)
    begin = np.cumsum(counts) - counts
    part = np.repeat(np.arange(n_parts), counts)
    own = np.arange(len(system.right)) - begin[part]
    at = (part[system.rows] * most + own[system.rows]) * most + own[system.cols]
    whole = np.bincount(at, system.values, minlength=n_parts * most * most)
    matrix = whole.reshape(n_parts, most, most)
    spare = np.arange(most)[None, :] >= counts[:, None]
    matrix[:, np.arange(most), np.arange(most)] += spare
    right = np.zeros((n_parts, most, 1))
    right[part, own, 0] = system.right
    return np.asarray(np.linalg.solve(matrix, right)[part, own, 0], np.float64)


def _banded(system: _Equations) -> Floats:
    """The solution where only unknowns of neighbouring numbers are tied."""
    from scipy.linalg import solveh_banded

    low = system.rows >= system.cols
    rows, cols, values = system.rows[low], system.cols[low], system.values[low]
    n, width = len(system.right), int((rows - cols).max()) + 1
    band = np.bincount((rows - cols) * n + cols, values, minlength=width * n).reshape(width, n)
    return np.asarray(solveh_banded(band, system.right, lower=True, check_finite=False), np.float64)


def _springs(chain: Chain, index: Ints, n: int, start: Complexes) -> tuple[Floats, Floats]:
    """What holds nodes to where they were first put: stiffness and pull of each unknown."""
    held, pull = np.zeros(n), np.zeros(n)
    away = start - chain.nodes
    for column, part in ((0, away.real), (1, away.imag)):
        at = index[:, column]
        ok = at >= 0
        held[at[ok]] += chain.hold[ok]
        pull[at[ok]] += chain.hold[ok] * part[ok]
    return held, pull


def _moved(chain: Chain, step: Floats, piece: Ints) -> Chain:
    """The chain with its numbers changed by a step (m, 6), each change kept sane."""
    counts = np.bincount(piece, minlength=len(chain.is_line)).astype(float)
    reach = np.abs(chain.nodes[chain.after] - chain.nodes[chain.begin])
    size = np.minimum(np.maximum(reach, 1.0), np.maximum(counts, 3.0))
    room = np.full(len(chain.nodes), np.inf)
    np.minimum.at(room, chain.begin, size)
    np.minimum.at(room, chain.after, size)
    shift = step[:, 0] + 1j * step[:, 1]
    shift *= np.minimum(1.0, 0.2 * room / np.maximum(np.abs(shift), 1e-12))
    turn_out = np.clip(step[:, 2], -0.3, 0.3)
    turn_in = np.clip(step[:, 4], -0.3, 0.3)
    nodes = chain.nodes + shift
    arc = np.abs(nodes[chain.after] - nodes[chain.begin])
    arc = np.maximum(arc, 1.1 * counts)
    top_out, top_in = np.full(len(nodes), np.inf), np.full(len(nodes), np.inf)
    top_out[chain.begin] = arc
    top_in[chain.after] = arc
    low, high = HANDLE_SHARE
    return replace(
        chain,
        nodes=nodes,
        d_out=chain.d_out * np.exp(1j * turn_out),
        d_in=chain.d_in * np.exp(1j * turn_in),
        h_out=_clipped(chain.h_out, step[:, 3], low * top_out, high * top_out),
        h_in=_clipped(chain.h_in, step[:, 5], low * top_in, high * top_in),
    )


def _clipped(handle: Floats, step: Floats, low: Floats, high: Floats) -> Floats:
    """A handle after its step; one that has no piece keeps its length."""
    moved = np.clip(handle + np.clip(step, -0.5 * handle, handle), low, high)
    return np.where(np.isfinite(high), moved, handle)
