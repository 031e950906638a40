"""The job in numbers, as JSON (RFC 8259): its cuts in order and its totals."""

from __future__ import annotations

import json
from collections.abc import Mapping

from raster2path.model import Cost, Cut, CutOrder, Forecast, Progress, Stamp, Tally

THEORY = "by a model of heat and elastic bowing; theory, not tried on steel"


def job_numbers(
    order: CutOrder,
    tally: Tally,
    *,
    stamp: Stamp,
    foreseen: Mapping[str, Forecast] | None = None,
    price: Cost | None = None,
) -> str:
    """Text of `job.json`; lengths in mm, times in s, masses in kg, places on the sheet.

    Args:
        order: the cuts.
        tally: what they come to.
        stamp: name, date and revision.
        foreseen: what the order `taken` does, and other orders by name would, where known.
        price: line by line; what is not set is null.
    """
    taken = None if foreseen is None else foreseen["taken"]
    totals = {
        "metres": round(tally.metres, 4),
        "metres_by_type": {kind.value: round(m, 4) for kind, m in tally.metres_by_type},
        "lead_metres": round(tally.lead_metres, 4),
        "starts": tally.starts,
        "arc_s": round(tally.arc_s, 1),
        "elapsed_s": round(tally.elapsed_s, 1),
        "sign_kg": round(tally.sign_kg, 4),
        "drop_kg": round(tally.drop_kg, 4),
        "removed_kg": round(tally.removed_kg, 4),
        "consumable_sets": round(max(tally.sets_by_starts, tally.sets_by_time), 4),
        "air_l": round(tally.air_l, 1),
        "least_shade": tally.shade,
    }
    content: dict[str, object] = {
        "job": stamp.name,
        "date": stamp.date,
        "revision": stamp.mark,
        "not_ready": list(stamp.not_ready),
        "cuts": [
            _cut(k, cut) | _closes(order, cut) | _when(order, taken, k)
            for k, cut in enumerate(order.cuts)
        ],
        "totals": totals,
        "order": {"how": order.how} | _of_orders(foreseen or {}),
    }
    if price is not None:
        content["cost"] = _of_cost(price)
    clamp = order.aids.clamp
    content["hand"] = {
        "fences_mm": [[_xy(z) for z in fence.line] for fence in order.aids.fences],
        "compasses": [
            {
                "cut": compass.number,
                "centre_mm": _xy(compass.centre_mm),
                "radius_mm": round(compass.radius_mm, 2),
                "falls_before": compass.is_gone,
            }
            for compass in order.aids.compasses
        ],
        "clamp": None
        if clamp is None or clamp.place_mm is None
        else {"how": clamp.how.value, "at_mm": _xy(clamp.place_mm)},
        "heavy_drops": [
            {"cut": drop.number, "kg": round(drop.mass_kg, 3)} for drop in order.aids.heavy
        ],
    }
    if order.progress is not None:
        content["progress"] = _of_progress(order.progress)
    return json.dumps(content, indent=1, ensure_ascii=False) + "\n"


def _of_orders(foreseen: Mapping[str, Forecast]) -> dict[str, object]:
    """The order taken at the top, the others under their names."""
    out = dict[str, object]()
    for name, told in foreseen.items():
        numbers: dict[str, object] = {
            "bow_rms": round(told.bow_rms, 5),
            "bow_peak": round(told.bow_peak, 5),
            "hottest_start_k": round(told.hottest_start_k, 2),
            "walk_m": round(told.walk_m, 3),
            "carry_m": round(told.carry_m, 3),
        }
        out |= numbers if name == "taken" else {name: numbers}
    return out | ({"told": THEORY} if foreseen else {})


def _of_cost(price: Cost) -> dict[str, object]:
    return {
        "lines": [
            {"what": line.what, "quantity": line.quantity, "unit": line.unit, "amount": line.amount}
            for line in price.lines
        ],
        "total": price.total,
        "minutes": price.minutes,
        "usual_minutes": price.usual_min,
    }


def _of_progress(progress: Progress) -> dict[str, object]:
    """What went wrong, what is loose, and what to do."""
    return {
        "lost_ties": [k + 1 for k in progress.lost_ties],
        "loose": [
            {
                "at_mm": _xy(piece.place_mm),
                "size_mm": [round(side, 1) for side in piece.size_mm],
                "by_cut": piece.by_cut,
                "tacks_mm": [_xy(tack) for tack in piece.tacks_mm],
            }
            for piece in progress.loose
        ],
        "strayed": [
            {
                "at_mm": _xy(each.place_mm),
                "cut": each.number,
                "depth_mm": round(each.depth_mm, 2),
                "left_mm": round(each.left_mm, 2),
                "widen_mm": each.widen_mm,
                "swell_mm": None if each.swell_mm is None else round(each.swell_mm, 1),
            }
            for each in progress.strayed
        ],
        "told": [
            f"{note.sentence}: {note.remedy}" if note.remedy else note.sentence
            for note in progress.notes
        ],
    }


def _xy(z: complex) -> list[float]:
    return [round(z.real, 2), round(z.imag, 2)]


def _when(order: CutOrder, told: Forecast | None, k: int) -> dict[str, object]:
    """Where one stands for a cut, how long one waits before it, and when it is made."""
    out: dict[str, object] = {"done": order.is_done[k]}
    if order.stands:
        at = order.stands[k]
        out["stand"] = order.stand_names[k]
        out["stand_mm"] = [round(at.real, 1), round(at.imag, 1)]
    out["wait_s"] = round(order.waits_s[k], 1) if order.waits_s else 0.0
    if told is not None:
        out["begins_s"] = round(told.begins_s[k], 1)
        out["ends_s"] = round(told.ends_s[k], 1)
        out["start_k"] = round(told.starts_k[k], 1)
        out["hottest_metal_k"] = round(told.hottest_k[k], 1)
    return out


def _closes(order: CutOrder, cut: Cut) -> dict[str, object]:
    """The number of the loop whose last bit a cut is."""
    return {} if cut.closes is None else {"closes": order.sequence.index(cut.closes) + 1}


def _cut(k: int, cut: Cut) -> dict[str, object]:
    return {
        "number": k + 1,
        "type": cut.type.value,
        "kind": cut.kind.token,
        "length_mm": round(cut.path.length, 2) if cut.path else 0.0,
        "pierce_mm": _xy(cut.pierce_mm),
        "rests_mm": [_xy(rest.place_mm) for rest in cut.rests],
    }
