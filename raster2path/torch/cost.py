"""What a job costs: only from rates that the maker has set; what is not set stays a blank line.

A price counts marking out, clean-up and finish, not the minutes of the arc alone.
"""

from __future__ import annotations

from raster2path.job import CostRules
from raster2path.model import Cost, CostLine, Tally


def cost(tally: Tally, *, rules: CostRules, blank_kg: float | None = None) -> Cost:
    """The lines of a price, and their sum where none of them is blank.

    Args:
        tally: metres, minutes, kilograms.
        rules: the maker's rates and minutes.
        blank_kg: of the whole blank, where its size is known; else the sign's own box counts.
    """
    used_kg = tally.sign_kg + tally.drop_kg + tally.removed_kg
    lines = (
        _work("setting up", rules.setup_min, rules),
        _work("marking out", _times(rules.marking_min_m, tally.metres), rules),
        _work("cutting", tally.elapsed_s / 60, rules),
        _work("clean-up", _times(rules.cleanup_min_m, 2 * tally.grinding_metres), rules),
        _work("finish", rules.finish_min, rules),
        _goods("sheet", used_kg if blank_kg is None else blank_kg, "kg", rules.kg_rate),
        _goods(
            "consumables",
            max(tally.sets_by_starts, tally.sets_by_time),
            "sets",
            rules.set_rate,
        ),
    )
    amounts = [line.amount for line in lines]
    known = [amount for amount in amounts if amount is not None]
    minutes = [line.minutes for line in lines[:5]]
    return Cost(
        lines=lines,
        total=sum(known) if len(known) == len(amounts) else None,
        minutes=sum(m for m in minutes if m is not None) if None not in minutes else None,
        usual_min=_times(rules.hours_a_metre, 60 * tally.metres),
    )


def _times(a: float | None, b: float) -> float | None:
    return None if a is None else a * b


def _work(what: str, minutes: float | None, rules: CostRules) -> CostLine:
    amount = None
    if minutes is not None and rules.hour_rate is not None:
        amount = minutes / 60 * rules.hour_rate
    return CostLine(what, minutes, minutes, "min", amount)


def _goods(what: str, quantity: float, unit: str, rate: float | None) -> CostLine:
    return CostLine(what, None, quantity, unit, _times(rate, quantity))
