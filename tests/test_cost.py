"""A price from the maker's own rates alone; what is not set is blank, never nought."""

from __future__ import annotations

from pathlib import Path

import pytest

from raster2path.cli import main
from raster2path.errors import UsageError
from raster2path.habits import Finished, keep_finished, keep_settings, read_habits, usual_job
from raster2path.job import CostRules, TallyRules
from raster2path.torch.cost import cost
from raster2path.torch.tally import tally
from tests.guide_scenes import harbour
from tests.test_tally import _with_cuts

EVERY = CostRules(
    hour_rate=60,
    kg_rate=3,
    set_rate=20,
    setup_min=20,
    marking_min_m=5,
    cleanup_min_m=4,
    finish_min=30,
    hours_a_metre=0.3,
)


def test_nothing_set_is_blank_and_not_nought() -> None:
    found = cost(tally(harbour(), rules=TallyRules()), rules=CostRules())
    assert [line.amount for line in found.lines] == [None] * len(found.lines)
    assert (found.total, found.minutes, found.usual_min) == (None, None, None)
    assert {line.what: line.quantity for line in found.lines}["marking out"] is None


def test_one_blank_and_there_is_no_total() -> None:
    counted = tally(harbour(), rules=TallyRules())
    for name in ("hour_rate", "kg_rate", "set_rate", "marking_min_m", "finish_min"):
        some = {key: getattr(EVERY, key) for key in EVERY.__dataclass_fields__ if key != name}
        assert cost(counted, rules=CostRules(**some)).total is None


def test_the_worked_job_with_rates() -> None:
    """12.4 m of slits, 38 starts, 24.52 min: marking 62, grinding 2 edges on 2 sides 198.4 min."""
    counted = tally(_with_cuts(12.4, 38), rules=TallyRules(thickness_mm=1.519))
    found = cost(counted, rules=EVERY, blank_kg=6.4387)
    amounts = {line.what: line.amount for line in found.lines}
    assert amounts["marking out"] == pytest.approx(62.0)
    assert amounts["cutting"] == pytest.approx(24.52, rel=1e-3)
    slits = {kind.value: m for kind, m in counted.metres_by_type}
    edges = 2 * slits.get("slit", 0) + sum(m for kind, m in slits.items() if kind != "slit")
    assert amounts["clean-up"] == pytest.approx(2 * edges * 4)
    assert amounts["sheet"] == pytest.approx(3 * 6.4387)
    assert amounts["consumables"] == pytest.approx(20 * 38 / 225)
    assert found.total == pytest.approx(sum(a for a in amounts.values() if a is not None))
    assert found.usual_min == pytest.approx(0.3 * 60 * 12.4)


def test_moves_and_pauses_count_where_they_take_longer_than_the_machines_rest() -> None:
    order = harbour()
    plain = tally(order, rules=TallyRules())
    assert tally(order, rules=TallyRules(), span_s=10).elapsed_s == plain.elapsed_s
    assert tally(order, rules=TallyRules(), span_s=9e4).elapsed_s == 9e4


def test_a_rate_below_nought_is_told() -> None:
    with pytest.raises(UsageError, match="--hour-rate is -1"):
        CostRules(hour_rate=-1)


def test_the_next_estimate_learns_from_the_last_jobs(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("RASTER2PATH_HOME", str(tmp_path))
    (tmp_path / "heron.png").write_bytes(b"")
    for k, minutes in enumerate((60.0, 120.0, 6000.0)):  # the third went wrong
        keep_finished(Finished(f"job {k}", "2031-05-02", 10.0, minutes))
    keep_settings({"hour_rate": 55.0})
    job = usual_job(tmp_path / "heron.png")
    assert job.cost.hours_a_metre == pytest.approx(0.2)
    assert job.cost.hour_rate == 55.0


def test_what_a_job_took_is_kept(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("RASTER2PATH_HOME", str(tmp_path / "home"))
    picture = Path(__file__).parent.parent / "samples" / "small" / "boat-shed-bars.png"
    folder = tmp_path / "job"
    assert main(["guide", str(picture), "-o", f"{folder}/"]) == 0
    assert main(["go-on", str(folder), "--took", "150"]) == 0
    assert "kept in" in capsys.readouterr().out
    (done,) = read_habits().finished
    assert done.minutes == 150
    assert done.metres > 0
