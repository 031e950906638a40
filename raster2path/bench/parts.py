"""What the page can draw before the whole road is gone: ink, then edges, then ties."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from raster2path.bench.drawing import (
    Json,
    box_mm,
    key_for,
    outlines_drawn,
    paths_drawn,
    placed,
    reading_of,
    sign_drawn,
    upright_from_mm,
)
from raster2path.job import Job
from raster2path.model import Art, Ink, Outlines, Paths, Picture, Placement, Reading, Sign

EMPTY: Json = {
    "number": 0,
    "is_final": False,
    "name": "",
    "title": "",
    "mark": "",
    "is_ready": False,
    "sheet_mm": None,
    "border": "",
    "dark": "",
    "drawn": "",
    "deviation_mm": {"flowing": 0, "lettering": 0},
    "edges": [],
    "slits": [],
    "ties": [],
    "n_islands": 0,
    "n_loose": 0,
    "cuts": [],
    "kerf_mm": 1.5,
    "how": "",
    "notes": [],
    "reading": None,
    "sums": None,
}
"""A drawing of which nothing is there yet."""


class Parts:
    """Takes what the stages of one wish make, and tells what can be drawn anew with each.

    Args:
        job: what the wish is for.
        had: hashes by stage of what the page shows already; brought up to date.
    """

    def __init__(self, job: Job, had: dict[str, str]) -> None:
        self._job = job
        self._had = had
        self.is_first = not had
        self._nouns: dict[str, Any] = {}
        self._hashes: dict[str, str] = {}

    def take(self, stage: str, told: str, noun: object) -> tuple[Json, Mapping[str, object]] | None:
        """What the page can draw now that it could not before, and the nouns by key; or None."""
        self._nouns[stage], self._hashes[stage] = noun, told
        draw = {
            "paper": self._paper,
            "brush": self._brush,
            "reading": self._reading,
            "areas": self._areas,
            "points": self._points,
            "ties": self._ties,
        }.get(stage)
        if draw is None or self._had.get(stage) == told:
            return None
        if stage in _FIRST_ONLY and not self.is_first:
            return None
        self._had[stage] = told
        keys = {key_for(self._hashes[s]): self._nouns[s] for s in _SEEN if s in self._hashes}
        return draw(), keys

    # -- one method a stage

    def _paper(self) -> Json:
        """Without a size yet, a pixel stands for a millimetre."""
        picture: Picture = self._nouns["paper"]
        rows, cols = picture.rgb.shape[:2]
        placement = Placement(1.0, 0j, (0.0, 0.0, float(cols), float(rows)))
        return {"name": self._job.name, **self._placed(placement)}

    def _brush(self) -> Json:
        ink: Ink = self._nouns["brush"]
        rows, cols = ink.mask.shape
        placement = Placement(1.0, 0j, (0.0, 0.0, float(cols), float(rows)))
        return self._placed(placement)

    def _reading(self) -> Json:
        reading: Reading = self._nouns["reading"]
        return {"reading": reading_of(reading)}

    def _areas(self) -> Json:
        outlines: Outlines = self._nouns["areas"]
        return {
            **self._placed(outlines.placement),
            "border": outlines.border.value,
            "dark": outlines.region.value,
            "drawn": key_for(self._hashes["areas"]),
        }

    def _points(self) -> Json:
        return paths_drawn(self._nouns["points"])

    def _ties(self) -> Json:
        sign: Sign = self._nouns["ties"]
        picture: Picture = self._nouns["paper"]
        return {**self._placed(sign.art.placement), **sign_drawn(sign, self._job, picture)}

    def _placed(self, placement: Placement) -> Json:
        return placed(placement, self._nouns["paper"], self._job, self._hashes)


_FIRST_ONLY = ("paper", "brush", "areas", "points")
"""Once there is a drawing, these are only shown together with its ties."""

_SEEN = ("photo", "paper", "brush", "areas")
"""Stages whose nouns the page fetches for themselves."""


def rough_of(nouns: Mapping[str, Any], job: Job, by: float) -> Json:
    """A first look, from what a smaller picture gave as far as the road was gone with it.

    Args:
        nouns: by stage.
        job: what for.
        by: how many times as large the picture itself is.
    """
    outlines: Outlines = nouns["areas"]
    paths: Paths | None = nouns.get("points")
    art: Art | None = nouns.get("layout")
    placement = outlines.placement if art is None else art.placement
    picture: Picture = nouns["paper"]
    rows, cols = picture.rgb.shape[:2]
    sign: Sign | None = nouns.get("ties")
    turn = upright_from_mm(placement, picture)
    turn[:2] *= by
    if sign is not None:
        lines = sign_drawn(sign, job, picture)
    else:
        lines = outlines_drawn(outlines) if paths is None else paths_drawn(paths)
    return {
        "sign_mm": [round(side, 3) for side in placement.sign_mm],
        "sheet_mm": placement.sheet_mm,
        "box_mm": box_mm(placement, cols, rows),
        "upright_from_mm": turn.tolist(),
        "reading": reading_of(nouns["reading"]),
        **lines,
    }
