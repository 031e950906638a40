"""The coupon: a small test piece that tells how wide your torch really cuts, and how true you are.

Slots of known width, a square, a round, an inside corner, a straight and a freehand line. It is a
sign like any other, so that its guides come from the same stages as every sign's.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from raster2path.errors import UsageError
from raster2path.geometry import Cubic, Kind, Line, Path, circle, polygon
from raster2path.model import Art, Border, Edge, Placement, Sign, SignEdge

SIZE_MM = (460.0, 200.0)
RIM_MM = 25.0
SLOTS_MM = (4.0, 6.0, 10.0)
"""Drawn widths; wider than any kerf of a hand torch."""

SLOT_LENGTH_MM = 80.0
FREEHAND_MM = 400.0
"""The freehand line is about so long."""

LEFT_MM = 2.8
"""So much of a tie should be left where the hand wandered on both sides of it: half of 6 mm. Common
practice, no source."""

WORST_SPREAD_MM = 1.0
"""Slots that disagree by more were not cut alike, or not measured well."""


@dataclass(frozen=True, slots=True)
class Measured:
    """What the slots of a coupon say of a torch.

    Attributes:
        kerf_mm: width that the arc takes.
        spread_mm: largest less smallest, of what each slot says of it.
    """

    kerf_mm: float
    spread_mm: float


def coupon() -> Sign:
    """The test piece, in one piece, 460 x 200 mm, on a sheet with a rim."""
    left = top = RIM_MM
    border = _box(left, top, *SIZE_MM)
    openings = [
        _box(left + 20 + 30 * k, top + 20, width, SLOT_LENGTH_MM, Kind.LETTERING).reversed()
        for k, width in enumerate(SLOTS_MM)
    ]
    openings += [
        _box(left + 130, top + 20, 60, 60, Kind.LETTERING).reversed(),
        circle(complex(left + 250, top + 50), 30, Kind.GEOMETRIC).reversed(),
        _corner(left + 310, top + 20).reversed(),
    ]
    edges = (border, *openings)
    art = Art(
        edges=tuple(
            Edge(path, k == 0, None if k == 0 else 0, min(k, 1)) for k, path in enumerate(edges)
        ),
        slits=_slits(left, top),
        border=Border.RECT,
        placement=Placement(1.0, 0j, (left, top, *SIZE_MM)),
    )
    signed = tuple(
        SignEdge(path=path, origins=frozenset({k}), is_border=k == 0)
        for k, path in enumerate(edges)
    )
    return Sign(art, signed, (), art.slits, (), 0, ())


def _box(x: float, y: float, width: float, height: float, kind: Kind = Kind.GEOMETRIC) -> Path:
    a = complex(x, y)
    return polygon([a, a + width, a + complex(width, height), a + 1j * height], kind)


def _corner(x: float, y: float) -> Path:
    """An L, whose inside corner shows what a corner of letters comes out like."""
    a = complex(x, y)
    turns = [0, 100, 100 + 25j, 25 + 25j, 25 + 80j, 80j]
    return polygon([a + turn for turn in turns], Kind.LETTERING)


def _slits(left: float, top: float) -> tuple[Path, ...]:
    """A straight of 150 mm along a bar, and a freehand line of about 400 mm."""
    straight = Line(complex(left + 20, top + 125), complex(left + 170, top + 125), Kind.LETTERING)
    start = complex(left + 30, top + 165)
    waves = [
        Cubic(
            start + 100 * k,
            start + 100 * k + complex(35, 30 * sign),
            start + 100 * k + complex(65, 30 * sign),
            start + 100 * (k + 1),
            Kind.ORGANIC,
        )
        for k, sign in enumerate((-1, 1, -1, 1))
    ]
    return (Path((straight,), False), Path(tuple(waves), False))


def measured(widths_mm: Sequence[float], *, kerf_mm: float) -> Measured:
    """The torch's own kerf, from the widths that the slots came out with.

    Args:
        widths_mm: one for each slot, narrowest first.
        kerf_mm: the kerf that was allowed for when the coupon was drawn.

    Raises:
        UsageError: not as many widths as slots, or they disagree.
    """
    if len(widths_mm) != len(SLOTS_MM):
        drawn = ", ".join(f"{width:g}" for width in SLOTS_MM)
        raise UsageError(
            f"--measured has {len(widths_mm)} widths; expected {len(SLOTS_MM)}, for the slots "
            f"drawn {drawn} mm wide"
        )
    kerfs = [kerf_mm + wide - drawn for wide, drawn in zip(widths_mm, SLOTS_MM, strict=True)]
    spread = max(kerfs) - min(kerfs)
    mean = sum(kerfs) / len(kerfs)
    if spread > WORST_SPREAD_MM or not 0 < mean < 8:
        raise UsageError(
            f"the slots say {min(kerfs):.1f} to {max(kerfs):.1f} mm of kerf; expected them to "
            f"agree within {WORST_SPREAD_MM:g} mm: cut along a bar and measure again"
        )
    return Measured(mean, spread)


def kept(
    *,
    kerf_mm: float | None = None,
    pull_mm: float | None = None,
    wander_mm: float | None = None,
    ground_mm: float | None = None,
) -> dict[str, float]:
    """Settings for new jobs, by their keys, from what was measured on a coupon.

    Args:
        kerf_mm: width that the arc takes.
        pull_mm: how far along the freehand line one came in one go.
        wander_mm: how far the freehand line is from the drawn one where it is worst; ties become
            so wide that enough is left of them when the hand wanders on both sides.
        ground_mm: how much was ground off a letter's edge until it was clean.

    Raises:
        UsageError: a measure that can't be right.
    """
    for name, value, most in (
        ("--pull", pull_mm, 2000.0),
        ("--wander", wander_mm, 10.0),
        ("--ground", ground_mm, 5.0),
    ):
        if value is not None and not 0 <= value <= most:
            raise UsageError(f"{name} is {value:g} mm; expected 0 to {most:g} mm")
    out = dict[str, float]()
    if kerf_mm is not None:
        out["kerf_mm"] = round(kerf_mm, 1)
    if pull_mm is not None:
        out["pull_mm"] = round(max(50.0, pull_mm), 0)
    if wander_mm is not None:
        out["tie_width_mm"] = max(5.0, round(2 * (LEFT_MM + 2 * wander_mm)) / 2)
    if ground_mm is not None:
        out["cleanup_mm"] = round(ground_mm, 1)
    return out
