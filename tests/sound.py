"""Whether guides could be cut: read from the file alone, with none of the package's code.

The promises are those of docs/files.md; geometry is shapely's (GEOS), the reader is svgelements.
"""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
import shapely

from tests.holds import groups_of

Points = npt.NDArray[np.float64]

CRUMB_MM2 = 4.0
"""Metal under this is spatter. Common practice, no source."""

SLACK_MM = 0.25
"""By which a flattened line may be off: three decimals, chords of curves, a refitted offset."""

HOOK_MM = 0.005
"""Five units of the file's last decimal: edges that cross by so little only touch."""

HOOK_MM2 = 0.002
"""A loop this small at a cusp is no crossing to a torch: a twentieth of a millimetre each way."""

CLEANUP_MM = 0.5
"""What is left on along lettering, by default, to be ground away."""


@dataclass(frozen=True)
class _Cut:
    number: int
    kinds: frozenset[str]
    points: Points

    @property
    def line(self) -> shapely.Geometry:
        if len(self.points) < 2 or np.ptp(self.points, axis=0).max() < 1e-6:
            return shapely.Point(self.points[0])
        return shapely.LineString(self.points)


def unsound(svg: Path, *, kerf_mm: float) -> list[str]:
    """Everything that is wrong with the guides; empty for a sign that can be cut as it is drawn."""
    groups = groups_of(svg)
    cuts = [
        _Cut(int(name.removeprefix("cut-")), frozenset(kinds.split()), points)
        for name, kinds, points in groups.get("torch", [])
    ]
    if not cuts:
        return ["there is no cut"]
    rings = [points for _, _, points in groups.get("edges", []) if len(points) > 2]
    slits = [shapely.LineString(p) for _, _, p in groups.get("slits", []) if len(p) > 1]
    faults = [*_scale(svg), *_order(cuts)]
    if not rings:
        return faults
    faults += _crossings(rings)
    if faults:
        return faults
    metal = _even_odd(rings)
    held = metal
    if slits:
        swaths = [slit.buffer(max(kerf_mm, 0.02) / 2) for slit in slits]
        held = shapely.difference(metal, shapely.union_all(swaths))
    return [
        *_pieces(held),
        *_bites(cuts, held, kerf_mm),
        *_uncut(cuts, rings, metal, kerf_mm),
        *_pierces(groups.get("pierces", []), cuts, metal),
    ]


def _scale(svg: Path) -> list[str]:
    """Width and height in mm are the numbers of the view box."""
    root = ET.fromstring(svg.read_text(encoding="utf-8"))  # noqa: S314 (our own file)
    box = [float(part) for part in re.split(r"[ ,]+", str(root.get("viewBox")))]
    sides = [float(str(root.get(name)).removesuffix("mm")) for name in ("width", "height")]
    return [] if np.allclose(box[2:], sides, atol=1e-3) else ["the scale is not one to one"]


def _order(cuts: list[_Cut]) -> list[str]:
    """Numbered one by one; inside before outside; the border last."""
    faults = []
    numbers = list(dict.fromkeys(cut.number for cut in cuts))
    if numbers != list(range(1, len(numbers) + 1)):
        faults.append("cuts are not numbered in order")
    for cut in cuts:
        outer = [int(kind[3:]) for kind in cut.kinds if re.fullmatch(r"in-\d+", kind)]
        if any(number <= cut.number for number in outer):
            faults.append(f"cut {cut.number} comes after the cut round it")
        around = [c for c in cuts if c.number in outer]
        if len({c.number for c in around}) != len(set(outer)):
            faults.append(f"cut {cut.number} names a cut that is not there")
    is_border = ["border" in cut.kinds for cut in cuts]
    if is_border != sorted(is_border):
        faults.append("the border is not last")
    return faults


def _crossings(rings: list[Points]) -> list[str]:
    lines = [shapely.LinearRing(ring) for ring in rings]
    faults = [
        f"edge {k} crosses itself"
        for k, line in enumerate(lines)
        if not line.is_simple and _twisted_mm2(rings[k]) > HOOK_MM2
    ]
    tree = shapely.STRtree(lines)
    pairs = tree.query(lines, predicate="crosses").T
    return faults + [
        f"edges {i} and {j} cross"
        for i, j in pairs.tolist()
        if i < j and _is_across(rings[i], rings[j])
    ]


def _twisted_mm2(ring: Points) -> float:
    """What a ring goes round backwards or twice; where it only touches itself there is none."""
    x, y = ring.T
    signed = float(x @ np.roll(y, -1) - y @ np.roll(x, -1)) / 2
    return abs(abs(signed) - float(shapely.make_valid(shapely.Polygon(ring)).area))


def _is_across(ring: Points, other: Points) -> bool:
    """Whether neither lies in the other, nor beside it, but for slivers thinner than a hook."""
    a, b = (shapely.make_valid(shapely.Polygon(one)) for one in (ring, other))
    parts = shapely.intersection(a, b), shapely.difference(a, b), shapely.difference(b, a)
    return not any(part.buffer(-HOOK_MM).is_empty for part in parts)


def _even_odd(rings: list[Points]) -> shapely.Geometry:
    """Largest first, each laid over what is there."""
    fills = [shapely.make_valid(shapely.Polygon(ring)) for ring in rings]
    region = shapely.Polygon()
    for fill in sorted(fills, key=lambda fill: -fill.area):
        region = shapely.symmetric_difference(region, fill)
    return region


def _pieces(held: shapely.Geometry) -> list[str]:
    areas = [part.area for part in shapely.get_parts(held) if part.area > CRUMB_MM2]
    if len(areas) == 1:
        return []
    return [f"the metal is in {len(areas)} pieces of {np.round(sorted(areas)[::-1][:4])} mm²"]


def _bites(cuts: list[_Cut], held: shapely.Geometry, kerf_mm: float) -> list[str]:
    """No cut but a slit comes nearer to metal that stays than half a kerf."""
    half_mm = kerf_mm / 2 - SLACK_MM
    if half_mm <= 0:
        return []
    shapely.prepare(held)
    faults = []
    for cut in cuts:
        if "slit" in cut.kinds:
            continue
        swath = cut.line.buffer(half_mm)
        if held.intersects(swath):
            area = shapely.intersection(swath, held).area
            if area > 1.0:
                faults.append(f"cut {cut.number} takes {area:.1f} mm² of metal that stays")
    return faults


def _uncut(
    cuts: list[_Cut], rings: list[Points], metal: shapely.Geometry, kerf_mm: float
) -> list[str]:
    """Every edge that the arc can come to has a cut along it: it falls out of the steel, too.

    Into wedges narrower than the kerf no arc comes, so they are left as they are.
    """
    drop = shapely.box(*metal.bounds).buffer(50) - metal
    half_mm = kerf_mm / 2 + 0.05
    open_to_the_arc = drop.buffer(-half_mm).buffer(half_mm + 0.1)
    shapely.prepare(open_to_the_arc)
    reach_mm = kerf_mm / 2 + CLEANUP_MM + SLACK_MM + 0.35
    along = shapely.union_all([cut.line for cut in cuts])
    faults = []
    for k, ring in enumerate(rings):
        line = shapely.LinearRing(ring)
        at = shapely.line_interpolate_point(line, np.arange(0, line.length, 2.0))
        at = at[shapely.intersects(open_to_the_arc, at)]
        far_mm = shapely.distance(at, along)
        if np.count_nonzero(far_mm > reach_mm) > 2:
            worst = at[int(np.argmax(far_mm))]
            faults.append(
                f"edge {k} is not cut: {far_mm.max():.1f} mm from any cut at "
                f"{worst.x:.0f}, {worst.y:.0f}"
            )
    return faults


def _pierces(
    pierces: list[tuple[str, str, Points]], cuts: list[_Cut], metal: shapely.Geometry
) -> list[str]:
    """One for each cut; where it is not on a slit, it stands in what falls out."""
    by_number = {cut.number: cut for cut in cuts}
    pierces = [one for one in pierces if re.fullmatch(r"pierce-\d+", one[0])]  # not restarts
    numbers = [int(name.removeprefix("pierce-")) for name, _, _ in pierces]
    faults = []
    if sorted(set(numbers)) != sorted(by_number):
        faults.append("not every cut has its pierce")
    solid = metal.buffer(-0.1)
    for number, (_, _, points) in zip(numbers, pierces, strict=True):
        kinds = by_number[number].kinds if number in by_number else frozenset()
        middle = shapely.Point((points.min(axis=0) + points.max(axis=0)) / 2)
        if not kinds & {"slit", "pierce-only"} and solid.contains(middle):
            faults.append(f"pierce {number} stands in metal that stays")
    return faults
