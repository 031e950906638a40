"""Small loops in two steps: the last bit is left, and closed when the start has cooled.

Closing a small loop at once, the torch comes back to a start that is still hot; the corner melts
away there. So one leaves a bit, cuts something else, and comes back.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from raster2path.geometry import Path
from raster2path.job import TorchRules
from raster2path.model import Cut, CutType
from raster2path.torch._heat import Steel
from raster2path.torch._leads import Room
from raster2path.torch._rests import fitting, spot_at

HOT_K = 100.0
"""A start that is no warmer than this when the loop closes can bear it. Common practice, no
source."""

BIT_SHARE, LEAST_BIT_MM, MOST_BIT_MM = 0.15, 5.0, 12.0
FEWEST_OTHERS = 3
"""With fewer other cuts there is nothing to do meanwhile."""


def start_k(length_mm: float, rules: TorchRules) -> float:
    """How warm a loop's start still is when the torch comes back to it.

    A line's heat spread across a sheet that loses some: T = q' exp(-t/τ) / (ρcd √(4παt)).
    """
    steel = Steel.of(rules.material.stock, rules.thickness_mm, rules.heat_j_mm)
    after_s = 60 * length_mm / rules.speed_mm_min
    spread_mm = math.sqrt(4 * math.pi * steel.alpha_mm2_s * max(after_s, 1e-3))
    left = math.exp(-steel.fade_per_s * after_s)
    return left * steel.line_j_mm / (steel.store_j_mm2k * spread_mm)


def come_back(
    cuts: Sequence[Cut], room: Room, rooms: Sequence[int | None], rules: TorchRules
) -> list[Cut]:
    """The cuts, hot small loops as two: the first without its last bit, the other just that.

    Args:
        cuts: all of a plan's, nested.
        room: where leads may go.
        rooms: for each cut, the number of its loop in the room, or None.
        rules: loops shorter than `return_mm` are asked.

    Returns:
        The same cuts at the same places, and the last bits behind them; each knows the cut that
        it `closes`. A loop is left whole where there is no room to start anew.
    """
    out = list(cuts)
    some = [k for k, cut in enumerate(cuts) if rooms[k] is not None and _is_asked(cut, rules)]
    if not some or len(cuts) - 1 < FEWEST_OTHERS:
        return out
    spots = []
    for k in some:
        path = cuts[k].path
        assert path is not None
        bit = min(max(BIT_SHARE * path.length, LEAST_BIT_MM), MOST_BIT_MM)
        side = -1 if path.area > 0 and cuts[k].type is CutType.OPENING else 1
        side = -1 if path.area < 0 and cuts[k].type is CutType.OUTSIDE else side
        own = rooms[k]
        assert own is not None
        spots.append((own, spot_at(path, path.length - bit, side)))
    kinds = {own: cuts[k].kind for k, (own, _) in zip(some, spots, strict=True)}
    for k, (_, spot), (off, again) in zip(some, spots, fitting(spots, kinds, room), strict=True):
        if again is not None:
            out[k], last = _parted(cuts[k], spot.along_mm, (off, again))
            out.append(replace(last, closes=k))
    return out


def _is_asked(cut: Cut, rules: TorchRules) -> bool:
    if cut.path is None or not cut.path.is_closed or cut.rests:
        return False
    if cut.type not in (CutType.OPENING, CutType.OUTSIDE) or cut.lead_in is None:
        return False
    length = cut.path.length
    is_long = length < 4 * LEAST_BIT_MM or length >= rules.return_mm
    return not is_long and start_k(length, rules) > HOT_K


def _parted(cut: Cut, along_mm: float, leads: tuple[Path | None, Path]) -> tuple[Cut, Cut]:
    """A loop without its last bit, and the bit."""
    assert cut.path is not None
    so_far, first, last = 0.0, [], []
    for piece in cut.path:
        share = (along_mm - so_far) / max(piece.length, 1e-9)
        if share >= 1 - 1e-6:
            first.append(piece)
        elif share <= 1e-6:
            last.append(piece)
        else:
            first.append(piece.between(0.0, share))
            last.append(piece.between(share, 1.0))
        so_far += piece.length
    bit = Path(tuple(last), is_closed=False)
    mine = [_lies_on(loop, bit) for loop in cut.loops]
    main = replace(
        cut,
        path=Path(tuple(first), is_closed=False),
        run_past=leads[0],
        loops=tuple(loop for loop, is_last in zip(cut.loops, mine, strict=True) if not is_last),
    )
    finish = replace(
        cut,
        path=bit,
        pierce_mm=leads[1].start,
        lead_in=leads[1],
        loops=tuple(loop for loop, is_last in zip(cut.loops, mine, strict=True) if is_last),
    )
    return main, finish


def _lies_on(loop: Path, bit: Path) -> bool:
    return any(abs(piece.start - loop.start) < 1e-6 for piece in bit)
