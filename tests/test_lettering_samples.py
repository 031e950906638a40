"""The samples' own words are lettering, and nothing else in them is: no feather, reed or plank.

What is a word is plain to see in samples/make_samples.py.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from raster2path.geometry import Kind
from raster2path.job import Job
from raster2path.model import Outlines, Ring, Stroke
from raster2path.pipeline import make

SAMPLES = Path(__file__).resolve().parent.parent / "samples"


class _FarEnoughError(Exception):
    """Kinds are told; the rest of the road is not looked at here."""


def outlines_of(name: str) -> Outlines:
    """A sample as far as kinds."""
    known: dict[str, object] = {}

    def stop(stage: str) -> None:
        if stage == "fit":
            raise _FarEnoughError

    with pytest.raises(_FarEnoughError):
        make(Job(name=name, date="2026-01-01"), SAMPLES / name, progress=stop, known=known)
    return [noun for noun in known.values() if isinstance(noun, Outlines)][-1]


def lettered(outlines: Outlines) -> list[tuple[float, float]]:
    """Middles of what is lettering, as shares of the drawing's width and height."""
    lines: list[Ring | Stroke] = [*outlines.rings, *outlines.strokes]
    every = np.concatenate([line.points_mm for line in lines])
    low, size = every.min(axis=0), np.ptp(every, axis=0)
    middles = [
        (line.points_mm.min(axis=0) + line.points_mm.max(axis=0)) / 2
        for line in lines
        if np.any(line.kinds == Kind.LETTERING)
    ]
    return [tuple(((middle - low) / size).tolist()) for middle in middles]


def test_the_heron_is_no_word_and_its_name_is_one() -> None:
    """HERON COVE in block letters, below the reeds: nine letters, and R, O and O have a middle."""
    outlines = outlines_of("heron-sketch.jpg")
    found = lettered(outlines)
    assert len(found) == 12
    assert all(y > 0.78 for _, y in found)
    (row,) = outlines.rows
    assert len(row.rings) == 9
    assert all(abs(direction - 1) < 0.02 for direction in row.directions)
    assert row.certainty > 0.9


def test_the_ferry_is_no_word_and_its_name_is_one() -> None:
    outlines = outlines_of("ferry-solid.png")
    found = lettered(outlines)
    assert {round(y, 1) for _, y in found} <= {0.9, 1.0}
    (row,) = outlines.rows
    assert len(row.rings) == 11  # FERRY TO COVE


@pytest.mark.parametrize("name", ["kelp-lines.png", "boat-shed-bars.png"])
def test_a_drawing_without_words_has_no_lettering(name: str) -> None:
    assert lettered(outlines_of(name)) == []
