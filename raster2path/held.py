"""The order of cuts written down in a job once it is half cut, so that its numbers stay."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from raster2path.job import Job
from raster2path.pipeline import Result
from raster2path.torch._found import in_picture

Places = tuple[tuple[float, float], ...]


def held_numbers(job: Job, result: Result) -> Job:
    """The job with its order of cuts written down, once anything is done: numbers stay."""
    by_hand = job.corrections
    n_cuts = len(result.order.cuts)
    if not (by_hand.done_px or by_hand.lost_ties_px or by_hand.strayed_px):
        return job
    if len(by_hand.order_px) == n_cuts:
        return job
    turn = result.picture.work_from_upright
    places = tuple(
        in_picture(result.plan.sign.art.placement, cut.pierce_mm, turn) for cut in result.order.cuts
    )
    return replace(job, corrections=replace(by_hand, order_px=rounded(places)))


def rounded(places: Sequence[tuple[float, float]]) -> Places:
    """Places as `job.toml` keeps them: to a thousandth of a pixel."""
    return tuple((round(x, 3), round(y, 3)) for x, y in places)
