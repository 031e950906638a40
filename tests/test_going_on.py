"""A job that is half cut: what is loose, where to weld, how far to widen; and the whole way of it.

Pieces are counted once more on a raster with OpenCV, which shares nothing with the room's own
plane geometry.
"""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from raster2path.cli import main
from raster2path.errors import UsageError
from raster2path.going import ranges
from raster2path.job import Corrections
from raster2path.jobfile import read_job
from raster2path.model import CutOrder, NoteKind, Progress
from raster2path.torch.going_on import go_on
from tests.guide_scenes import harbour, plate

TIES = ((220 + 41.5, 300.0), (220 - 41.5, 300.0))
"""Middles of the two ties that hold the middle of the harbour's O, on the sheet."""


def px(*places_mm: tuple[float, float]) -> tuple[tuple[float, float], ...]:
    """Places on the harbour's sheet in its picture of two pixels a mm, which begins at 25, 25."""
    return tuple(((x - 25) * 2, (y - 25) * 2) for x, y in places_mm)


def progress(order: CutOrder, **places: tuple[tuple[float, float], ...]) -> Progress:
    found = go_on(order, corrections=Corrections(**places), least_mm=5.0).progress  # type: ignore[arg-type]
    assert found is not None
    return found


def pierces(order: CutOrder, n: int) -> tuple[tuple[float, float], ...]:
    return px(*((cut.pierce_mm.real, cut.pierce_mm.imag) for cut in order.cuts[:n]))


def n_pieces(order: CutOrder, n_made: int, burnt: list[tuple[complex, complex]]) -> int:
    """Pieces of metal over 100 mm2 on a raster of a quarter mm, after the first cuts."""
    step = 0.25
    image = np.zeros((1900, 2700), np.uint8)

    def at(points: object) -> np.ndarray:
        return np.round(np.asarray(points, np.float64) / step * 16).astype(np.int32)

    cv2.rectangle(image, (0, 0), (2699, 1899), 255, -1)
    for cut in order.cuts[:n_made]:
        if cut.path is not None:
            flat = at(cut.path.flat(0.1))
            if cut.type.value == "opening":
                cv2.fillPoly(image, [flat], 0, shift=4)
            cv2.polylines(image, [flat], cut.path.is_closed, 0, 6, shift=4)
    for a, b in burnt:
        cv2.polylines(image, [at([[a.real, a.imag], [b.real, b.imag]])], False, 0, 6, shift=4)
    _, _, stats, _ = cv2.connectedComponentsWithStats(image, connectivity=4)
    return int((stats[1:, cv2.CC_STAT_AREA] * step**2 > 100).sum())


def test_nothing_marked_changes_nothing() -> None:
    order = harbour()
    assert go_on(order, corrections=Corrections(), least_mm=5.0) is order


def test_marks_mean_the_nearest_cut() -> None:
    order = harbour()
    found = go_on(order, corrections=Corrections(done_px=pierces(order, 4)), least_mm=5.0)
    assert found.is_done == (True,) * 4 + (False,) * (len(order.cuts) - 4)
    assert found.sequence == order.sequence
    assert not found.notes


def test_one_of_two_ties_lost_still_holds() -> None:
    order = harbour()
    found = progress(order, lost_ties_px=px(TIES[0]))
    assert (found.lost_ties, found.loose) == ((0,), ())
    (note,) = found.notes
    assert note.kind is NoteKind.THIN
    assert "hangs by tie 2" in note.sentence


def test_both_lost_and_nothing_cut_is_told_with_the_cut_that_frees() -> None:
    order = harbour()
    found = progress(order, lost_ties_px=px(*TIES))
    (piece,) = found.loose
    assert piece.by_cut == 2  # both halves of the O are cut then
    assert piece.place_mm == pytest.approx(220 + 300j, abs=0.5)
    assert {(z.real, z.imag) for z in piece.tacks_mm} == set(TIES)
    burnt = [(complex(x, y - 4), complex(x, y + 4)) for x, y in TIES]
    assert n_pieces(order, 1, burnt) == 1
    assert n_pieces(order, 2, burnt) == 2
    assert [note.kind for note in found.notes] == [NoteKind.LOOSE]
    assert "before cut 2" in (found.notes[0].remedy or "")


def test_both_lost_and_cut_is_loose_now() -> None:
    order = harbour()
    found = progress(order, lost_ties_px=px(*TIES), done_px=pierces(order, 5))
    assert [piece.by_cut for piece in found.loose] == [None]
    assert "is loose now" in found.notes[0].sentence


def test_a_tie_is_lost_when_the_torch_comes_at_it_from_both_sides() -> None:
    order = harbour()
    x = 220 + 41.5
    one = progress(order, lost_ties_px=px(TIES[1]), strayed_px=px((x, 299.8)))
    assert not one.loose  # some of the 6 mm is left
    both = progress(order, lost_ties_px=px(TIES[1]), strayed_px=px((x, 299.8), (x, 300.2)))
    assert len(both.loose) == 1


@pytest.mark.parametrize(("off_mm", "depth"), [(2.0, 2.0), (4.5, 4.5)])
def test_how_deep_the_torch_went_and_how_far_to_widen(off_mm: float, depth: float) -> None:
    """From the block's left edge at x = 70, out to the left; the border is at x = 25."""
    order = harbour()
    (each,) = progress(order, strayed_px=px((70 - off_mm + 0.75, 140.0))).strayed
    assert each.depth_mm == pytest.approx(depth, abs=0.05)
    assert each.left_mm == pytest.approx(45 - depth, abs=0.2)
    assert each.number == 8
    assert each.widen_mm == pytest.approx(np.ceil(depth / 0.5 - 0.1) * 0.5, abs=0.51)
    assert each.swell_mm is None  # a block's side is straight, and stays so


def test_a_leaf_may_swell() -> None:
    order = harbour()
    middle = complex(330, 380) * 0.5 + complex(345, 120) * 0.5
    (each,) = progress(order, strayed_px=px((middle.real - 16.0, middle.imag))).strayed
    assert 0.5 < each.depth_mm < 6
    assert each.swell_mm == pytest.approx(12 * each.depth_mm)


def test_no_widening_where_a_tie_would_go() -> None:
    """Deep beside a tie: moving the whole edge back by 3 mm would take both ties."""
    order = harbour()
    (each,) = progress(order, strayed_px=px((220 + 41.5, 300.0))).strayed
    assert each.depth_mm == pytest.approx(3.0, abs=0.3)
    assert each.widen_mm is None
    found = progress(order, strayed_px=px((220 + 41.5, 300.0)))
    assert "weld the notch up" in (found.notes[-1].remedy or "")


def test_a_bit_left_standing() -> None:
    (each,) = progress(harbour(), strayed_px=px((73.0, 140.0))).strayed
    assert each.depth_mm == 0
    assert each.left_mm == pytest.approx(73 - 70.75 - 0.75, abs=0.1)


def test_what_finds_nothing_is_told() -> None:
    order = plate(300, 200)
    far = ((2000.0, 2000.0),)
    found = go_on(order, corrections=Corrections(done_px=far, lost_ties_px=far), least_mm=5.0)
    assert len(found.notes) == 2
    assert all("Nothing lies where" in note.sentence for note in found.notes)


def test_numbers_and_ranges() -> None:
    assert ranges("1-3, 7") == (1, 2, 3, 7)
    with pytest.raises(UsageError, match="not a list of numbers"):
        ranges("1-x")


def _drawing(file: Path) -> None:
    """Two O's, an L and a leaf, dark on white."""
    image = np.full((500, 900), 255, np.uint8)
    for x in (180, 420):
        cv2.ellipse(image, (x, 240), (90, 130), 0, 0, 360, 0, -1, cv2.LINE_AA)
        cv2.ellipse(image, (x, 240), (45, 85), 0, 0, 360, 255, -1, cv2.LINE_AA)
    cv2.fillPoly(
        image,
        [np.array([[590, 110], [640, 110], [640, 320], [760, 320], [760, 370], [590, 370]])],
        0,
    )
    cv2.imwrite(str(file), image)


def told(capsys: pytest.CaptureFixture[str]) -> str:
    return capsys.readouterr().out


def test_the_whole_way(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Called away at cut 2, a tie lost, another, welded, the end; numbers never change."""
    picture, folder = tmp_path / "kelp.png", tmp_path / "kelp-job"
    _drawing(picture)
    words = ["guide", str(picture), "--dark", "opening", "--border", "rect", "--width", "600"]
    assert main(words) == 0
    before = json.loads((folder / "job.json").read_text())
    n = len(before["cuts"])
    told(capsys)

    job = str(folder)
    assert main(["go-on", job, "--done", "1-2"]) == 0
    assert f"2 of {n} cuts are done" in told(capsys)
    held = read_job(folder / "job.toml").job.corrections
    assert len(held.order_px) == n
    assert len(held.done_px) == 2

    # another kerf would plan another order: now the painted numbers hold
    assert main(["guide", str(folder / "job.toml"), "--kerf", "1.9", "--reach", "500"]) == 0
    after = json.loads((folder / "job.json").read_text())
    for was, now in zip(before["cuts"], after["cuts"], strict=True):
        assert np.hypot(*np.subtract(was["pierce_mm"], now["pierce_mm"])) < 8
        assert was["type"] == now["type"]
    assert [cut["done"] for cut in after["cuts"]] == [True, True] + [False] * (n - 2)
    svg = (folder / "guides.svg").read_text()
    assert svg.count(' done"') == 2
    told(capsys)

    assert main(["go-on", job, "--lost", "1"]) in (0, 3)
    first = told(capsys)
    n_ties = svg.count('id="tie-')
    every = ",".join(str(k) for k in range(1, n_ties + 1))
    assert main(["go-on", job, "--lost", every]) == 3
    words_now = told(capsys)
    assert "loose" in words_now
    assert "tack-weld" in words_now
    assert "NOT READY TO CUT" in words_now
    assert not (folder / "guides.pdf").exists()
    mishaps = json.loads((folder / "job.json").read_text())["progress"]
    assert mishaps["lost_ties"] == list(range(1, n_ties + 1))
    assert {piece["by_cut"] for piece in mishaps["loose"]} <= {None, *range(1, n + 1)}

    assert main(["go-on", job, "--welded", every]) == 0
    assert (folder / "guides.pdf").exists()
    told(capsys)
    assert "Tie 1 is lost" in first or "loose" in first

    middle = np.mean([cut["pierce_mm"] for cut in after["cuts"]], axis=0)
    assert main(["go-on", job, "--strayed", f"{middle[0]},{middle[1]}"]) in (0, 3)
    assert "Cut " in told(capsys)
    assert main(["go-on", job, "--mended", f"{middle[0]},{middle[1]}", "--done", f"1-{n}"]) == 0
    assert f"all {n} cuts are done" in told(capsys)
    assert main(["go-on", job, "--undone", f"{n}"]) == 0
    assert f"next is cut {n}, border" in told(capsys)


def test_wrong_marks_are_one_line_and_change_nothing(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    picture, folder = tmp_path / "kelp.png", tmp_path / "kelp-job"
    _drawing(picture)
    assert main(["guide", str(picture), "--dark", "opening", "--border", "rect"]) == 0
    was = (folder / "job.toml").read_bytes()
    for words, said in (
        (["--done", "99"], "there is no cut 99; the job has"),
        (["--lost", "99"], "there is no tie 99"),
        (["--strayed", "12"], "expected X,Y"),
        (["--done", "1-x"], "not a list of numbers"),
    ):
        assert main(["go-on", str(folder), *words]) == 2
        assert said in capsys.readouterr().err
        assert (folder / "job.toml").read_bytes() == was


def test_the_mark_of_the_revision_is_for_the_steel_alone() -> None:
    from raster2path.pipeline import revision_mark

    order = harbour()
    found = go_on(order, corrections=Corrections(done_px=pierces(order, 3)), least_mm=5.0)
    assert revision_mark(found) == revision_mark(order)
    assert replace(found, progress=None) == order
