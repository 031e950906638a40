"""A seeded share of the made-up drawings, and that the independent judge sees planted faults.

`python -m tests.sweep 0 2000` tries as many as you like.
"""

from __future__ import annotations

import re
from pathlib import Path

import cv2
import numpy as np
import pytest

from raster2path.cli import main
from tests.sound import _crossings, unsound
from tests.sweep import DRAWINGS, run


@pytest.mark.parametrize("first", [0, 9, 18, 27, 45])
def test_made_up_drawings_hold_or_are_stamped(first: int) -> None:
    """One of each kind, each nine in another reading."""
    seen = run(first, first + len(DRAWINGS))
    assert seen.total() == len(DRAWINGS)
    assert seen["settings do not fit"] <= 3


@pytest.mark.parametrize("number", [205, 324, 569, 931, 1021, 1102])
def test_drawings_that_once_broke_off_or_were_doubted(number: int) -> None:
    """Crossings that do not alternate, nothing but ink, hooks and touches of rounding."""
    assert run(number, number + 1).total() == 1


@pytest.fixture(scope="module")
def guides(tmp_path_factory: pytest.TempPathFactory) -> str:
    """A plate with a round window that has a middle, and a door: sound."""
    folder = tmp_path_factory.mktemp("plate")
    image = np.full((200, 300), 255, np.uint8)
    cv2.rectangle(image, (20, 20), (280, 180), 0, -1)
    cv2.circle(image, (100, 100), 50, 255, -1, cv2.LINE_AA)
    cv2.circle(image, (100, 100), 24, 0, -1, cv2.LINE_AA)
    cv2.rectangle(image, (190, 50), (240, 150), 255, -1)
    cv2.imwrite(str(folder / "plate.png"), image)
    svg = folder / "guides.svg"
    words = ["--width", "300", "--read", "solid", "--order", "near"]
    assert main(["guide", str(folder / "plate.png"), "-o", str(svg), *words]) == 0
    assert unsound(svg, kerf_mm=1.5) == []
    return svg.read_text(encoding="utf-8")


def cut_paths(text: str) -> list[str]:
    return re.findall(r'<path[^>]*id="cut-\d+"[^>]*/>', text)


def without_a_cut(text: str) -> str:
    return text.replace(cut_paths(text)[0], "")


def in_another_order(text: str) -> str:
    """The first and the last cut change places."""
    first, last = cut_paths(text)[0], cut_paths(text)[-1]
    n_last = re.findall(r"cut-(\d+)", last)[0]
    moved = first.replace("cut-001", f"cut-{n_last}"), last.replace(f"cut-{n_last}", "cut-001")
    return text.replace(first, "@").replace(last, moved[0]).replace("@", moved[1])


def cut_moved_into_the_metal(text: str) -> str:
    """Every cut shifted by 4 mm."""
    group = re.search(r'<g[^>]*id="torch"', text)
    assert group is not None
    return text.replace(group[0], f'{group[0]} transform="translate(4, 0)"')


def out_of_scale(text: str) -> str:
    return re.sub(r'width="[\d.]+mm"', 'width="100mm"', text, count=1)


def without_its_ties(text: str) -> str:
    """The middle of the window as its own ring again: it is loose."""
    edges = re.search(r'(<g[^>]*id="edges-[a-z]+"[^>]*>)', text)
    assert edges is not None
    island = (
        'd="M 120,120 L 130,120 L 130,130 L 120,130 Z M 110,110 L 110,140 L 140,140 L 140,110 Z"'
    )
    return text.replace(edges[0], f"{edges[0]}<path {island} />")


@pytest.mark.parametrize(
    ("plant", "told"),
    [
        (without_a_cut, "not numbered in order|is not cut|its pierce"),
        (in_another_order, "comes after|not last"),
        (cut_moved_into_the_metal, "of metal that stays"),
        (out_of_scale, "scale"),
        (without_its_ties, "pieces|cross"),
    ],
)
def test_the_judge_sees_a_planted_fault(
    guides: str, tmp_path: Path, plant: object, told: str
) -> None:
    svg = tmp_path / "planted.svg"
    planted = plant(guides)  # type: ignore[operator]
    assert planted != guides
    svg.write_text(planted, encoding="utf-8")
    assert re.search(told, "; ".join(unsound(svg, kerf_mm=1.5)))


@pytest.mark.parametrize(("over_mm", "is_fault"), [(0.002, False), (0.2, True)])
def test_the_judge_passes_over_rounding_and_nothing_more(*, over_mm: float, is_fault: bool) -> None:
    """Two squares that touch, or cross by a hair; a ring whose last corner runs into a hook."""
    one = np.array([[0, 0], [10, 0], [10, 10], [0, 10]], np.float64)
    beside = one + np.array([10 - over_mm, 2])
    hooked = np.vstack([one, [[0, -over_mm], [over_mm, over_mm], [-over_mm, over_mm]]])
    assert bool(_crossings([one, beside])) is is_fault
    assert bool(_crossings([hooked])) is is_fault
