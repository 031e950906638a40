"""Flimsy members: tongues of metal that spring at a push or sag by their own weight."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely

from raster2path.material import MILD, Stock
from raster2path.model import Note, NoteKind

Floats = npt.NDArray[np.float64]

GRAVITY = 9.81

PUSH_N = 10.0
"""A finger's push."""

MOST_SPRING_MM = 10.0
MOST_SAG_MM = 3.0
MOST_RATIO = 12.0
"""A tongue is flimsy if its tip springs or sags by more than this, the sheet held flat, or if it
is so many times as long as wide (common practice, no source)."""

WIDTHS = (1.0, 2.0, 3.5)
"""Tongues up to so many least webs wide are looked for."""

LEAST_LONG = 3.0
"""Shorter than this for its width it is a bump, not a tongue."""

LEAST_TOLD_MM = 40.0
LARGE_MM = 60.0
"""Beyond this the beam formulas say only: far."""

PLAIN_MM = 0.15
"""Curves are taken so much plainer: a member's width matters, not its edge."""

N_SLICES = 8
N_TOLD = 4
APART_MM = 25.0


@dataclass(frozen=True, slots=True)
class Tongue:
    """Metal that is held at one end only."""

    tip: complex
    length_mm: float
    width_mm: float
    spring_mm: float
    sag_mm: float

    @property
    def is_flimsy(self) -> bool:
        """True where it passes one of the stated amounts."""
        return self.length_mm > LEAST_TOLD_MM and (
            self.spring_mm > MOST_SPRING_MM
            or self.sag_mm > MOST_SAG_MM
            or self.length_mm > MOST_RATIO * self.width_mm
        )


def deflections(
    widths_mm: Floats,
    length_mm: float,
    *,
    thickness_mm: float,
    push_n: float = PUSH_N,
    stock: Stock = MILD,
) -> tuple[float, float]:
    """How far a tongue's tip springs under a push there, and sags by its own weight.

    A beam clamped at one end, its width given in slices of equal length from foot to tip:
    each slice turns the rest by moment / (E I) over its length.

    >>> strip = np.full(400, 20.0)
    >>> spring, _ = deflections(strip, 100.0, thickness_mm=1.5)
    >>> round(spring, 3)
    2.963
    """
    n = len(widths_mm)
    step = length_mm / n
    at = (np.arange(n) + 0.5) * step
    stiff = stock.young_mpa * widths_mm * thickness_mm**3 / 12
    load = stock.density_kg_mm3 * GRAVITY * widths_mm * thickness_mm * step
    # weights of the slices beyond a place, and of the half of its own that lies beyond
    beyond = np.cumsum(load[::-1])[::-1]
    turning = np.cumsum((load * at)[::-1])[::-1]
    own = turning - beyond * at
    pushed = push_n * (length_mm - at)
    spring = float(np.sum(pushed / stiff * (length_mm - at)) * step)
    sag = float(np.sum(own / stiff * (length_mm - at)) * step)
    return spring, sag


def flimsy_notes(
    metal: shapely.Geometry, *, web_mm: float, thickness_mm: float, stock: Stock = MILD
) -> tuple[Note, ...]:
    """A note for each of the worst tongues, at its tip: that is where a tie would hold it."""
    found = [
        tongue
        for tongue in tongues(metal, web_mm=web_mm, thickness_mm=thickness_mm, stock=stock)
        if tongue.is_flimsy
    ]
    found.sort(key=lambda tongue: -tongue.spring_mm)
    kept: list[Tongue] = []
    for tongue in found:
        if all(abs(tongue.tip - other.tip) > APART_MM for other in kept):
            kept.append(tongue)
    return tuple(_note(tongue) for tongue in kept[:N_TOLD])


def _note(tongue: Tongue) -> Note:
    spring = tongue.spring_mm
    far = f"{spring:.0f} mm" if spring < LARGE_MM else f"more than {LARGE_MM:.0f} mm"
    tells = f"springs {far} at a finger's push"
    if spring <= MOST_SPRING_MM and tongue.sag_mm <= MOST_SAG_MM:
        tells = f"is {tongue.length_mm / tongue.width_mm:.0f} times as long as wide"
    sizes = f"{tongue.length_mm:.0f} mm long and {tongue.width_mm:.0f} mm wide"
    sentence = f"A tongue of metal {sizes} {tells}."
    remedy = "tie its tip to the metal beside it, or draw it wider"
    return Note(NoteKind.THIN, sentence, tongue.tip, tongue.length_mm, remedy)


def tongues(
    metal: shapely.Geometry, *, web_mm: float, thickness_mm: float, stock: Stock = MILD
) -> list[Tongue]:
    """Members narrower than a few webs, long enough to be told, that hang on one end.

    What an opening by a disc takes away is narrow; of that, what touches the rest in one place
    is a tongue, in two a strut.
    """
    out: list[Tongue] = []
    metal = shapely.simplify(metal, PLAIN_MM)
    for width in (share * web_mm for share in WIDTHS):
        wide = shapely.buffer(metal, -width / 2, quad_segs=4)
        opened = shapely.buffer(wide, width / 2 * 1.03, quad_segs=4)
        if opened.is_empty:
            continue
        parts = shapely.get_parts(shapely.difference(metal, opened))
        boxes = shapely.bounds(parts)
        is_long = np.hypot(boxes[:, 2] - boxes[:, 0], boxes[:, 3] - boxes[:, 1]) > LEAST_TOLD_MM
        parts = parts[is_long & (shapely.area(parts) > LEAST_LONG * (width / 2) ** 2)]
        shapely.prepare(opened)
        for part in parts:
            tongue = _tongue(part, opened, thickness_mm, stock)
            if tongue is not None:
                out.append(tongue)
    return out


def _tongue(
    part: shapely.Geometry, opened: shapely.Geometry, thickness_mm: float, stock: Stock
) -> Tongue | None:
    near = shapely.clip_by_rect(opened, *_grown(part.bounds, 1.0))
    contact = shapely.intersection(part.exterior, near.buffer(0.05))
    feet = _in_one(shapely.get_parts(contact))
    if len(feet) != 1:
        return None
    foot = feet[0]
    points = shapely.get_coordinates(part.exterior)
    far = shapely.distance(foot, shapely.points(points))
    length = float(far.max())
    if length <= LEAST_TOLD_MM or part.area / length * LEAST_LONG > length:
        return None
    x, y = points[int(np.argmax(far))]
    widths = _profile(part, foot, length)
    spring, sag = deflections(widths, length, thickness_mm=thickness_mm, stock=stock)
    return Tongue(complex(x, y), length, float(part.area) / length, spring, sag)


def _profile(part: shapely.Geometry, foot: shapely.Geometry, length: float) -> Floats:
    """Widths of slices at growing distance from the foot."""
    stops = np.linspace(0, length, N_SLICES + 1)[1:]
    areas = [float(part.intersection(foot.buffer(stop, quad_segs=4)).area) for stop in stops[:-1]]
    slices = np.diff([0.0, *areas, float(part.area)]) / (length / N_SLICES)
    return np.maximum(slices, 0.5)  # a needle's last slice would bend for ever


def _in_one(lines: Sequence[shapely.Geometry]) -> list[shapely.Geometry]:
    """Lines that touch as one; a hair's length is none."""
    merged = shapely.get_parts(shapely.union_all(np.array(lines, dtype=object)).buffer(0.2))
    return [part for part in merged if part.length > 1.5]


def _grown(box: tuple[float, float, float, float], by: float) -> tuple[float, float, float, float]:
    return box[0] - by, box[1] - by, box[2] + by, box[3] + by
