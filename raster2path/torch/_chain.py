"""Stretches of moved lines, from joint to joint, made into closed paths that a hand can follow."""

from __future__ import annotations

import cmath
import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from raster2path.geometry import (
    Arc,
    Line,
    Path,
    Segment,
    dot,
    unit,
)
from raster2path.torch._joints import Joints, Runs
from raster2path.torch._moved import Moved
from raster2path.torch._refit import Spans, beside


def spans_of(runs: Runs, joints: Joints) -> Spans:
    """What each run covers, from the joint before it to its own."""
    start = joints.t_start[runs.before]
    return Spans(runs.rows, start, joints.t_end, joints.points[runs.before], joints.points)


def chained(moved: Moved, spans: Spans, fit_mm: float) -> list[list[Segment]]:
    """For each stretch the pieces that follow it: a line, an arc, or a few cubics."""
    n, source = moved.n, moved.pieces
    out: list[list[Segment]] = []
    ends = zip(spans.a.tolist(), spans.b.tolist(), strict=True)
    for k, (row, (a, b)) in enumerate(zip(spans.rows.tolist(), ends, strict=True)):
        edge = source.segments[row % n]
        if moved.is_round[row]:
            ts = float(spans.t0[k]), float(spans.t1[k])
            out.append([_arc_of(moved, row, ts, a, b)])
        elif isinstance(edge, Line):
            out.append([Line(a, b, edge.kind, edge.is_tie_side)])
        else:
            out.append([])
    bent = np.array([k for k, made in enumerate(out) if not made], np.int64)
    if len(bent):
        made = beside(moved, spans.of(bent), fit_mm)
        for k, cubics in zip(bent.tolist(), made, strict=True):
            out[k] = cubics
    return out


def _arc_of(moved: Moved, row: int, ts: tuple[float, float], a: complex, b: complex) -> Arc:
    edge = moved.pieces.segments[row % moved.n]
    kind = edge.kind
    if row >= moved.n:
        # the calmer kind: a corner where art meets lettering belongs to the letter
        kind = max(kind, moved.pieces.segments[moved.pieces.after[row - moved.n]].kind)
    centre = complex(moved.centre[row])
    whole = Arc(centre + complex(moved.spoke[row]), centre, float(moved.sweep[row]), kind)
    return arc_between(whole, *ts, a, b)


def arc_between(line: Arc, t0: float, t1: float, a: complex, b: complex) -> Arc:
    """The arc from a to b with nearly the same centre, so that both ends lie on it."""
    sweep = line.sweep_rad * (t1 - t0)
    chord = b - a
    if abs(chord) < 1e-9 or abs(sweep) < 1e-9:
        return replace(line, start=a, sweep_rad=sweep)
    across = 1j * unit(chord)
    middle = (a + b) / 2
    centre = middle + across * dot(across, line.centre - middle)
    turned = cmath.phase((b - centre) / (a - centre))
    turned += 2 * math.pi * round((sweep - turned) / (2 * math.pi))
    return replace(line, start=a, centre=centre, sweep_rad=turned)


def closed(pieces: Sequence[Sequence[Segment]]) -> Path:
    """A closed path of the pieces that have a length."""
    every = [piece for some in pieces for piece in some]
    kept = [s for s in every if abs(s.end - s.start) > 1e-6 or s.length > 1e-6] or every[:1]
    return Path(tuple(kept), True)
