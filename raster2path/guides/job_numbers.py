"""The job in numbers, as JSON (RFC 8259): its cuts in order and its totals."""

from __future__ import annotations

import json

from raster2path.model import Cut, CutOrder, Stamp, Tally


def job_numbers(order: CutOrder, tally: Tally, *, stamp: Stamp) -> str:
    """Text of `job.json`; lengths in mm, times in s, masses in kg, places on the sheet."""
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
    content = {
        "job": stamp.name,
        "date": stamp.date,
        "revision": stamp.mark,
        "not_ready": list(stamp.not_ready),
        "cuts": [_cut(number, cut) for number, cut in enumerate(order.cuts, 1)],
        "totals": totals,
    }
    return json.dumps(content, indent=1, ensure_ascii=False) + "\n"


def _cut(number: int, cut: Cut) -> dict[str, object]:
    return {
        "number": number,
        "type": cut.type.value,
        "kind": cut.kind.token,
        "length_mm": round(cut.path.length, 2) if cut.path else 0.0,
        "pierce_mm": [round(cut.pierce_mm.real, 2), round(cut.pierce_mm.imag, 2)],
    }
