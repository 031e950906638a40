"""What a job comes to, against worked examples; and the sheet on which it stands.

Densities and the worked numbers: EN 1993-1-2 (7850 kg/m3), 29 CFR 1910.133(a)(5) (shades); hand
speed, pierce, duty, air and consumables are common practice, no source.
"""

from __future__ import annotations

import io
import json
from dataclasses import replace

import pypdf
import pytest

from raster2path.geometry import Kind, Line, Path, polygon
from raster2path.guides.job_numbers import job_numbers
from raster2path.guides.job_sheet import job_sheet_pdf
from raster2path.job import OrderRules, TallyRules
from raster2path.model import CutOrder, Forecast
from raster2path.torch.order import compare, order_cuts
from raster2path.torch.tally import least_shade, tally
from tests.guide_scenes import STAMP, crowd, harbour, plate
from tests.order_cases import net_of_fish

SHEET_MM = 1.51892
"""16 gauge by the Manufacturers' Standard: 0.0598 inch."""


def test_a_plate_weighs_what_its_size_says() -> None:
    """600 x 900 mm of 16 gauge mild steel: 6.4387 kg."""
    found = tally(plate(600, 900), rules=TallyRules(thickness_mm=SHEET_MM))
    assert found.sign_kg + found.drop_kg == pytest.approx(6.4387, rel=0.02)


def _with_cuts(metres: float, starts: int) -> CutOrder:
    """A plate with slits of so many metres in all."""
    order = plate(600, 900)
    cut = next(cut for cut in order.cuts if cut.path is not None)
    line = Path((Line(0j, complex(1000 * metres / starts, 0), Kind.GEOMETRIC),), is_closed=False)
    cuts = tuple(replace(cut, path=line, lead_in=None, run_past=None) for _ in range(starts))
    plan = replace(order.plan, cuts=cuts, kerf_mm=1.6)
    return replace(order, plan=plan, sequence=tuple(range(starts)))


def test_the_worked_job() -> None:
    """12.4 m at 1500 mm/min and 38 pierces: 515 s, 24.52 min at 35 %, 1459 l, 0.2366 kg."""
    found = tally(_with_cuts(12.4, 38), rules=TallyRules(thickness_mm=1.519))
    assert found.arc_s == pytest.approx(515, rel=1e-3)
    assert found.elapsed_s / 60 == pytest.approx(24.52, rel=1e-3)
    assert found.air_l == pytest.approx(1459, rel=1e-3)
    assert found.removed_kg == pytest.approx(0.2366, rel=1e-3)
    assert found.sets_by_starts == pytest.approx(0.1689, rel=1e-3)
    assert found.sets_by_time == pytest.approx(0.0572, rel=1e-3)


def test_air_by_the_torch() -> None:
    """What the maker said goes first; 235 l/min from 80 to 120 A (a maker's page, weak)."""
    order = _with_cuts(12.4, 38)
    minutes = tally(order, rules=TallyRules()).arc_s / 60
    assert tally(order, rules=TallyRules(air_l_min=120)).air_l == pytest.approx(120 * minutes)
    assert tally(order, rules=TallyRules(amps=90)).air_l == pytest.approx(235 * minutes)


def test_a_better_machine_rests_less() -> None:
    order = _with_cuts(12.4, 38)
    found = tally(order, rules=TallyRules(duty_percent=60))
    assert found.elapsed_s == pytest.approx(found.arc_s / 0.6)


@pytest.mark.parametrize(("amps", "shade"), [(30, 8), (45, 8), (70, 8), (300, 9), (350, 9)])
def test_shade_by_the_rule_and_the_darker_one_on_a_boundary(amps: float, shade: int) -> None:
    assert least_shade(amps) == shade


def test_metres_are_those_of_the_cuts() -> None:
    order = harbour()
    found = tally(order, rules=TallyRules())
    paths = [cut.path for cut in order.cuts if cut.path is not None]
    leads = [p for cut in order.cuts for p in (cut.lead_in, cut.run_past) if p is not None]
    assert found.metres == pytest.approx(sum(p.length for p in [*paths, *leads]) / 1000)
    assert found.starts == len(order.cuts)


def _sheet(order: CutOrder, foreseen: dict[str, Forecast] | None = None) -> list[str]:
    found = tally(order, rules=TallyRules())
    pdf = job_sheet_pdf(order, found, stamp=STAMP, speed_mm_min=1500.0, foreseen=foreseen)
    return [page.extract_text() for page in pypdf.PdfReader(io.BytesIO(pdf)).pages]


def test_the_sheet_tells_cuts_totals_and_cautions() -> None:
    order = harbour()
    pages = _sheet(order)
    assert len(pages) == 2
    assert all(STAMP.title in page for page in pages)
    every = " ".join(pages)
    assert "Shade 8 at least" in every
    assert "chlorinated" in every
    assert "Before you light the torch" in every
    rows = [line for line in pages[1].splitlines() if line.isdigit()]
    assert [int(row) for row in rows] == list(range(1, len(order.cuts) + 1))


def test_the_sheet_tells_what_the_order_is_for() -> None:
    plan = net_of_fish()
    order = order_cuts(plan, rules=OrderRules())
    order = replace(order, waits_s=(0.0, 90.0, *[0.0] * (len(plan.cuts) - 2)))
    foreseen = compare(order, rules=OrderRules(), is_quick=True)
    pages = [" ".join(page.split()) for page in _sheet(order, foreseen)]
    gain = 100 * (1 - foreseen["taken"].bow_rms / foreseen["nearest"].bow_rms)
    assert f"the sheet bows {gain:.0f} % less than cutting the nearest next" in pages[0]
    assert "theory, not tried on steel" in pages[0]
    assert "Wait 90 s before cut 2" in pages[0]
    assert f"{foreseen['taken'].worst.warm_k.max():.0f} K above the workshop" in pages[0]
    assert set(order.stand_names) == set(order.named_stands)


def test_many_cuts_go_on_over_pages() -> None:
    order = crowd(9, 7)
    pages = _sheet(order)
    numbers = [int(line) for page in pages[1:] for line in page.splitlines() if line.isdigit()]
    assert numbers == list(range(1, len(order.cuts) + 1))
    assert len(pages) == 3  # 64 rows of 10 mm, two columns of them


def test_thirty_cuts_are_on_two_pages() -> None:
    """What a maker pins up; one table as wide as the page where it fits, else two columns."""
    order = crowd(6, 5)
    assert 30 <= len(order.cuts) <= 36
    assert len(_sheet(order)) == 2


def test_numbers_for_other_programs_agree_with_the_sheet() -> None:
    order = harbour()
    found = tally(order, rules=TallyRules())
    told = json.loads(job_numbers(order, found, stamp=STAMP))
    assert [cut["number"] for cut in told["cuts"]] == list(range(1, len(order.cuts) + 1))
    assert told["totals"]["metres"] == pytest.approx(found.metres, abs=1e-3)
    assert told["revision"] == STAMP.mark


def test_numbers_tell_the_order_taken_and_two_others() -> None:
    order = order_cuts(net_of_fish(), rules=OrderRules())
    foreseen = compare(order, rules=OrderRules(), is_quick=True)
    found = tally(order, rules=TallyRules())
    told = json.loads(job_numbers(order, found, stamp=STAMP, foreseen=foreseen))
    keys = {"bow_rms", "bow_peak", "hottest_start_k", "walk_m", "carry_m"}
    for part in (told["order"], told["order"]["nearest"], told["order"]["sweep"]):
        assert keys <= part.keys()
    assert told["order"]["how"] == "planned"
    assert told["order"]["bow_rms"] < 0.75 * told["order"]["nearest"]["bow_rms"]
    assert told["order"]["bow_peak"] <= told["order"]["nearest"]["bow_peak"]
    ends = [0.0, *(cut["ends_s"] for cut in told["cuts"])]
    assert all(cut["begins_s"] >= end for cut, end in zip(told["cuts"], ends[:-1], strict=True))
    assert {cut["stand"] for cut in told["cuts"]} == set(order.named_stands)


def test_an_opening_falls_out_less_what_the_arc_takes() -> None:
    """A 100 mm square opening: 0.01 m2 less 0.4 m of a kerf of 1.5 mm, by 1.5 mm of steel."""
    order = plate(600, 900)
    edges = (
        order.plan.edges[0],
        replace(
            order.plan.edges[0],
            path=polygon([100 + 100j, 100 + 200j, 200 + 200j, 200 + 100j], Kind.GEOMETRIC),
            is_border=False,
        ),
    )
    found = tally(replace(order, plan=replace(order.plan, edges=edges)), rules=TallyRules())
    assert 0 < found.drop_kg <= 0.01 * 0.0015 * 7850
