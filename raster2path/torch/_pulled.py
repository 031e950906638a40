"""Which way an open cut is travelled: on thin sheet one pulls the torch towards oneself.

Both sides of a slit stay, so that it has no better edge; what counts is the hand. Common practice,
no source.
"""

from __future__ import annotations

from dataclasses import replace

from raster2path.geometry import dot
from raster2path.job import Hand, OrderRules
from raster2path.model import Cut, CutOrder, CutType, Rest

THIN_MM = 3.0
"""Thinner sheet is cut with the tip dragged on it: pulling is steadier than pushing."""

SIDEWAYS = 0.3
"""A slit that comes nearer by less than this share of its length runs sideways."""


def pulled(order: CutOrder, rules: OrderRules) -> CutOrder:
    """The order with open slits turned so that one pulls, and sees the line ahead.

    Towards the stand; where a slit runs sideways, towards the left for a right-handed cutter,
    whose hand then trails behind the torch. A slit that was turned by hand runs the other way.
    Sheet from 3 mm on is left as it is.
    """
    if rules.thickness_mm >= THIN_MM or not order.stands:
        return order
    cuts = list(order.plan.cuts)
    for k, stand in zip(order.sequence, order.stands, strict=True):
        cut = cuts[k]
        if cut.type is CutType.SLIT and cut.path is not None and not cut.path.is_closed:
            is_against = _runs_against(cut.path.start, cut.path.end, stand, rules.hand)
            if is_against != cut.is_turned:
                cuts[k] = _reversed(cut)
    if tuple(cuts) == order.plan.cuts:
        return order
    return replace(order, plan=replace(order.plan, cuts=tuple(cuts)))


def _runs_against(start: complex, end: complex, stand: complex, hand: Hand) -> bool:
    """True where going from start to end pushes the torch, or hides the line behind the hand."""
    nearer = abs(start - stand) - abs(end - stand)
    if abs(nearer) >= SIDEWAYS * abs(end - start):
        return nearer < 0
    ahead = (start + end) / 2 - stand
    to_the_right = dot(1j * ahead, end - start)  # y down: the right of one who looks ahead
    return to_the_right > 0 if hand is Hand.RIGHT else to_the_right < 0


def _reversed(cut: Cut) -> Cut:
    assert cut.path is not None
    path, whole = cut.path.reversed(), cut.path.length
    rests = tuple(Rest(rest.place_mm, whole - rest.along_mm) for rest in reversed(cut.rests))
    return replace(cut, path=path, pierce_mm=path.start, rests=rests)
