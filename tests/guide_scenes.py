"""Made-up signs for the tests of guides: a harbour's, a plain plate, and one that is not ready."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from raster2path.geometry import (
    Arc,
    Cubic,
    Kind,
    Line,
    Path,
    circle,
    polygon,
)
from raster2path.model import (
    Art,
    Border,
    Cut,
    CutOrder,
    CutType,
    Edge,
    Island,
    Picture,
    Placement,
    Sign,
    SignEdge,
    Stamp,
    Tie,
    TorchPlan,
)

KERF_MM = 1.5
STAMP = Stamp(
    "heron at low water",
    "2026-11-25",
    "K7QD",
    (("width", "600 mm"), ("read", "solid"), ("kerf", "1.5 mm")),
)


def box(x: float, y: float, width: float, height: float, kind: Kind = Kind.GEOMETRIC) -> Path:
    """A rectangle, clockwise as seen."""
    a = complex(x, y)
    return polygon([a, a + width, a + complex(width, height), a + 1j * height], kind)


def leaf(tip: complex, end: complex, bulge: float) -> Path:
    """Two cubics from tip to end and back, clockwise as seen for a positive bulge."""
    along, side = end - tip, 1j * (end - tip) * bulge
    there = Cubic(tip, tip + along * 0.3 - side, tip + along * 0.7 - side, end)
    back = Cubic(end, tip + along * 0.7 + side, tip + along * 0.3 + side, tip)
    return Path((there, back), True)


def half_ring(centre: complex, outer: float, inner: float, tie: float, turn: complex) -> Path:
    """Half of an O between two ties, on the side of turn * 1j; anticlockwise as seen."""

    def on(radius: float, side: int) -> complex:
        return centre + turn * complex(side * math.sqrt(radius**2 - tie**2 / 4), tie / 2)

    def sweep(radius: float) -> float:
        return math.pi - 2 * math.asin(tie / 2 / radius)

    kind = Kind.LETTERING
    return Path(
        (
            Arc(on(outer, -1), centre, -sweep(outer), kind),
            Line(on(outer, 1), on(inner, 1), kind, is_tie_side=True),
            Arc(on(inner, 1), centre, sweep(inner), kind),
            Line(on(inner, -1), on(outer, -1), kind, is_tie_side=True),
        ),
        True,
    )


def begun_midway(path: Path) -> Path:
    """The same closed path, begun in the middle of its first piece."""
    first, *others = path.segments
    return Path((first.between(0.5, 1), *others, first.between(0, 0.5)), True)


def opening_cut(path: Path, pierce: complex, inside: frozenset[int]) -> Cut:
    """A cut along a path with a short lead-in and run-past."""
    return Cut(
        CutType.OPENING,
        path.kind,
        path,
        pierce,
        Path((Line(pierce, path.start),), False),
        Path((Line(path.start, path.start + 0.3 * (pierce - path.start) * (1 + 0.2j)),), False),
        inside,
    )


def order_of(
    edges: Sequence[tuple[Path, bool]],
    cuts: Sequence[Cut],
    *,
    sequence: Sequence[int] | None = None,
    ties: Sequence[Tie] = (),
    slits: Sequence[Path] = (),
    loose: Sequence[Island] = (),
    gaps_mm: Sequence[complex] = (),
    placement: Placement,
    kerf_mm: float = KERF_MM,
) -> CutOrder:
    """A cut order from edges (path, is it the border) and cuts."""
    art = Art(
        tuple(Edge(path, is_border, None, 0) for path, is_border in edges),
        tuple(slits),
        Border.RECT,
        placement,
    )
    sign_edges = tuple(
        SignEdge(path, frozenset({i}), is_border) for i, (path, is_border) in enumerate(edges)
    )
    sign = Sign(art, sign_edges, tuple(ties), tuple(slits), tuple(gaps_mm), 1, tuple(loose))
    plan = TorchPlan(sign, sign_edges, tuple(slits), tuple(cuts), kerf_mm)
    return CutOrder(plan, tuple(range(len(cuts)) if sequence is None else sequence))


def placed(width: float, height: float, *, sheet: tuple[float, float] | None = None) -> Placement:
    """The sign's box with a rim of 25 mm, under a picture of two pixels a millimetre."""
    return Placement(0.5, 25 + 25j, (25, 25, width, height), sheet)


def harbour(*, sheet: tuple[float, float] | None = None) -> CutOrder:
    """A bordered sign with leaves, an O on ties, a block, a slit and a pierce-only hole."""
    half = KERF_MM / 2
    border = box(25, 25, 600, 412)
    centre, outer, inner = 220 + 300j, 55.0, 28.0
    rings = [half_ring(centre, outer, inner, 6, turn) for turn in (1, -1)]
    lines = [half_ring(centre, outer - half, inner + half, 7.5, turn) for turn in (1, -1)]
    reeds = [
        (complex(330 + 45 * k, 380), complex(345 + 45 * k, 120 + 20 * (k % 3))) for k in range(5)
    ]
    leaves = [leaf(a, b, 0.07).reversed() for a, b in reeds]
    leaf_cuts = [
        leaf(a + 0.012 * (b - a), b - 0.012 * (b - a), 0.0665).reversed() for a, b in reeds
    ]
    block = box(70, 80, 60, 110, Kind.LETTERING).reversed()
    block_cut = box(70.75, 80.75, 58.5, 108.5, Kind.LETTERING).reversed()
    hole = circle(590 + 60j, half).reversed()
    slit = Path(
        (
            Cubic(80 + 60j, 200 + 30j, 300 + 90j, 420 + 60j),
            Line(420 + 60j, 500 + 80j),
        ),
        False,
    )
    ties = [
        Tie(
            tuple(
                centre + s * z
                for z in (inner - 1 - 3j, outer + 1 - 3j, outer + 1 + 3j, inner - 1 + 3j)
            ),
            6,
            outer - inner,
        )
        for s in (1, -1)
    ]
    goes_round = frozenset({0})
    cuts = [
        Cut(
            CutType.BORDER,
            Kind.GEOMETRIC,
            box(24.25, 24.25, 601.5, 413.5),
            20 + 230j,
            Path((Line(20 + 230j, 24.25 + 230j),), False),
        ),
        *(
            opening_cut(begun_midway(line), centre + turn * (4 + 41j), goes_round)
            for line, turn in zip(lines, (1, -1), strict=True)
        ),
        *(
            opening_cut(begun_midway(line), (0.6 * a + 0.4 * b), goes_round)
            for line, (a, b) in zip(leaf_cuts, reeds, strict=True)
        ),
        opening_cut(begun_midway(block_cut), 84 + 100j, goes_round),
        Cut(CutType.SLIT, Kind.ORGANIC, slit, slit.start, inside=goes_round),
        Cut(CutType.PIERCE_ONLY, Kind.GEOMETRIC, None, 590 + 60j, inside=goes_round),
    ]
    edges = [(border, True), *((path, False) for path in (*rings, *leaves, block, hole))]
    return order_of(
        edges,
        cuts,
        sequence=[*range(1, len(cuts)), 0],
        ties=ties,
        slits=[slit],
        placement=placed(600, 412, sheet=sheet),
    )


def not_ready() -> tuple[CutOrder, Stamp]:
    """The harbour sign with a loose piece, and the stamp that says so."""
    order = harbour()
    island = Island(220 + 300j, (56, 56), 2463)
    plan = order.plan
    sign = replace(plan.sign, loose=(island,), ties=(), gaps_mm=(100.5 + 60.25j,))
    marked = replace(STAMP, not_ready=("1 piece of metal is loose: 56 × 56 mm at 220, 300",))
    return replace(order, plan=replace(plan, sign=sign)), marked


def plate(width: float, height: float, *, sheet: tuple[float, float] | None = None) -> CutOrder:
    """A plain plate with one round opening."""
    middle = complex(25 + width / 2, 25 + height / 2)
    radius = min(width, height) / 4
    edges = [(box(25, 25, width, height), True), (circle(middle, radius).reversed(), False)]
    cuts = [
        opening_cut(circle(middle, radius - 0.75).reversed(), middle, frozenset({1})),
        Cut(CutType.BORDER, Kind.GEOMETRIC, box(24.25, 24.25, width + 1.5, height + 1.5), 20 + 30j),
    ]
    return order_of(edges, cuts, placement=placed(width, height, sheet=sheet))


def crowd(n_across: int, n_down: int, *, pitch_mm: float = 30.0) -> CutOrder:
    """Many small openings close to each other."""
    width, height = n_across * pitch_mm + 20, n_down * pitch_mm + 20
    edges = [(box(25, 25, width, height), True)]
    cuts = []
    border = n_across * n_down
    for k in range(border):
        row, col = divmod(k, n_across)
        middle = complex(35 + (col + 0.5) * pitch_mm, 35 + (row + 0.5) * pitch_mm)
        side = pitch_mm * (0.35 if (row + col) % 2 else 0.7)
        corner = middle - side / 2 * (1 + 1j)
        edges.append((box(corner.real, corner.imag, side, side, Kind(k % 3)).reversed(), False))
        cut = box(corner.real + 0.75, corner.imag + 0.75, side - 1.5, side - 1.5, Kind(k % 3))
        cuts.append(opening_cut(begun_midway(cut.reversed()), middle, frozenset({border})))
    cuts.append(
        Cut(CutType.BORDER, Kind.GEOMETRIC, box(24.25, 24.25, width + 1.5, height + 1.5), 20 + 30j)
    )
    return order_of(edges, cuts, placement=placed(width, height))


def picture_of(width_px: int, height_px: int) -> Picture:
    """A grey picture with a dark bar across."""
    rgb = np.full((height_px, width_px, 3), 205, np.uint8)
    rgb[height_px // 3 : height_px // 2, width_px // 8 : -width_px // 8] = (60, 55, 50)
    rgb.flags.writeable = False
    return Picture("heron", "0" * 64, rgb, (width_px, height_px), np.eye(3))
