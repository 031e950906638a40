"""The test piece: what is drawn is what is cut, and what is measured gives the kerf back."""

from __future__ import annotations

from pathlib import Path

import pytest
import shapely

from raster2path.cli import main
from raster2path.errors import UsageError
from raster2path.habits import usual_job
from raster2path.job import TorchRules
from raster2path.model import CutType
from raster2path.torch.coupon import SLOTS_MM, coupon, kept, measured
from raster2path.torch.lines import plan_torch
from tests.holds import metal_areas_mm2


def test_the_coupon_is_one_sound_piece() -> None:
    rings = [shapely.Polygon(edge.path.flat()) for edge in coupon().edges]
    border, *openings = rings
    assert all(ring.is_valid for ring in rings)
    assert all(border.contains(opening) for opening in openings)
    assert not any(a.intersects(b) for k, a in enumerate(openings) for b in openings[:k])
    slits = [shapely.LineString(slit.flat()) for slit in coupon().slits]
    assert not any(slit.distance(ring) < 8 for slit in slits for ring in openings)


@pytest.mark.parametrize("real_mm", [1.1, 1.5, 2.3])
def test_a_torch_of_another_kerf_is_found_out(real_mm: float) -> None:
    """Slots as that torch would leave them: torch lines planned for 1.5 mm, widened by its own."""
    plan = plan_torch(coupon(), rules=TorchRules(kerf_mm=1.5, cleanup_mm=0.0))
    openings = [cut.path for cut in plan.cuts if cut.type is CutType.OPENING and cut.path]
    gaps = [
        shapely.Polygon(path.flat()).buffer(real_mm / 2, join_style="mitre") for path in openings
    ]
    slots = sorted(
        (gap for gap in gaps if gap.bounds[2] - gap.bounds[0] < 15), key=lambda g: g.area
    )
    widths = [gap.bounds[2] - gap.bounds[0] for gap in slots]
    found = measured(widths, kerf_mm=1.5)
    assert found.kerf_mm == pytest.approx(real_mm, abs=0.03)
    assert found.spread_mm < 0.05


@pytest.mark.parametrize("widths", [(4.2, 6.2), (4.0, 6.0, 14.0)])
def test_what_can_not_be_believed_is_refused_in_one_line(widths: tuple[float, ...]) -> None:
    with pytest.raises(UsageError, match="expected"):
        measured(widths, kerf_mm=1.5)


def test_the_command_writes_guides_and_reads_measures(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["coupon", "-o", str(tmp_path / "test piece")]) == 0
    assert {file.name for file in (tmp_path / "test piece").iterdir()} == {
        "coupon.svg",
        "coupon.pdf",
    }
    assert len(metal_areas_mm2(tmp_path / "test piece" / "coupon.svg", kerf_mm=1.5)) == 1
    widths = ",".join(f"{width + 0.3:.1f}" for width in SLOTS_MM)
    capsys.readouterr()
    assert main(["coupon", "--measured", widths]) == 0
    assert "kerf_mm 1.8" in capsys.readouterr().out


def test_new_jobs_begin_with_what_was_measured(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("RASTER2PATH_HOME", str(tmp_path))
    widths = ",".join(f"{width + 0.2:.1f}" for width in SLOTS_MM)
    words = ["--pull", "310", "--wander", "2.1", "--ground", "0.8"]
    assert main(["coupon", "--measured", widths, *words]) == 0
    assert main(["coupon", "--pull", "29cm"]) == 0  # one by itself leaves the others
    (tmp_path / "heron.png").write_bytes(b"")
    job = usual_job(tmp_path / "heron.png")
    assert job.torch.kerf_mm == job.ties.kerf_mm == 1.7
    assert job.torch.pull_mm == 290
    assert job.torch.cleanup_mm == 0.8
    assert job.ties.width_mm == 7.0  # 2.8 mm left between two wanderings of 2.1 mm


@pytest.mark.parametrize(("wander_mm", "tie_mm"), [(0.0, 5.0), (1.6, 6.0), (3.0, 9.0)])
def test_ties_for_a_steady_and_for_a_shaky_hand(wander_mm: float, tie_mm: float) -> None:
    assert kept(wander_mm=wander_mm) == {"tie_width_mm": tie_mm}


def test_a_measure_that_can_not_be_is_one_line(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["coupon", "--wander", "80"]) == 2
    assert "--wander is 80 mm; expected 0 to 10 mm" in capsys.readouterr().err
