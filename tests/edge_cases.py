"""How true fitted edges are to drawings of our own, as a table: `python -m tests.edge_cases`.

Words of a harbour town in fonts that matplotlib carries, and silhouettes of known outline, go the
real road: picture file, ink, rings, kinds, fit. No registration afterwards: the road's own
placement says where an edge lies in the picture, so a shift or a wrong scale counts in full.
`--only WORD` runs the cases whose name holds it, `--brief` leaves out the single cases.
"""

from __future__ import annotations

import argparse
import itertools
import math
import sys
import tempfile
import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path as FilePath

import cv2
import numpy as np
import shapely
from scipy.spatial import cKDTree

from raster2path.geometry import Complexes, Line, Path, to_points
from raster2path.job import (
    FitRules,
    InkRules,
    LetteringMode,
    LetteringRules,
    PhotoRules,
    ReadingRules,
    SizeRules,
)
from raster2path.model import Border, Dark, Outlines, Paths, Read
from raster2path.picture.door import place, rings_on_sheet
from raster2path.picture.ink import find_ink
from raster2path.picture.paper import square_up
from raster2path.picture.photo import open_picture
from raster2path.picture.reading import read_ink
from raster2path.picture.rings import trace_rings
from raster2path.shape.fit import fit_outlines
from raster2path.shape.lettering import tell_kinds
from tests import edge_truth
from tests.edge_truth import STEP_PX, Drawing, Grey
from tests.glyphs import Floats

WORDS = ("HERON", "Reeds", "FERRY", "Kelp", "Boat Shed", "g & B 3 8")
FONTS = ("cmss10", "STIXGeneralBol", "cmb10", "STIXGeneral", "cmr10")
N_STURDY = 3
"""The rest are book faces: at 80 pixels their hairlines are 2 thick, past what is promised."""
HEIGHTS = (300.0, 160.0, 80.0)
TREMORS = (0.6, 1.2)
PX_PER_MM = 2.0
NEAR_PX = 1.5
"""A corner this near to a true one, or a line this near to a true edge, is the same."""
CLEAR_PX = 4.0
"""Farther than this from a true corner, a flowing edge has no reason to turn."""


@dataclass(frozen=True)
class Case:
    """One picture with a known truth.

    Attributes:
        group: what its figures are put together with.
        tremor: standard deviation in pixels of the hand that drew it.
    """

    name: str
    group: str
    drawing: Callable[[], Drawing]
    is_photo: bool
    is_lettering: bool
    tremor: float = 0.0
    seed: int = 1

    def picture(self, drawing: Drawing) -> Grey:
        """The drawing, from a computer or a telephone."""
        outlines: Sequence[Complexes] = drawing.outlines
        if self.tremor:
            outlines = edge_truth.trembled(drawing, self.tremor, self.seed)
        inside = edge_truth.coverage(outlines, drawing.size)
        if self.is_photo:
            return edge_truth.photographed(inside, self.seed)
        return edge_truth.clean(inside)


def _word(text: str, font: str, height: float) -> Callable[[], Drawing]:
    return lambda: edge_truth.lettering(text, font, height)


def _shape(name: str, scale: float) -> Callable[[], Drawing]:
    return lambda: edge_truth.silhouette(name, scale)


def _face(word: str, font: str) -> str:
    """Another font where this one's outline crosses itself (the ear of its g)."""
    return "cmb10" if "g" in word and font == "cmss10" else font


def all_cases() -> list[Case]:
    """Every case, letters first."""
    cases = []
    looks = ((False, "clean"), (True, "photo"))
    for (is_photo, look), height in itertools.product(looks, HEIGHTS):
        for k, word in enumerate(WORDS):
            faces = FONTS if height > 100 else FONTS[:N_STURDY]
            font = _face(word, faces[(k + HEIGHTS.index(height)) % len(faces)])
            name = f"{word} {font} {height:.0f} {look}"
            group = f"lettering {look} {height:.0f}"
            cases.append(Case(name, group, _word(word, font, height), is_photo, True, seed=k))
    for tremor, (k, word) in itertools.product(TREMORS, enumerate(WORDS)):
        font = _face(word, FONTS[k % len(FONTS)])
        name = f"{word} {font} 300 pencil {tremor}"
        group = f"pencil tremor {tremor}"
        cases.append(Case(name, group, _word(word, font, 300), True, True, tremor, seed=k))
    for is_photo, look in looks:
        for shape, scale in itertools.product(edge_truth.SILHOUETTES, (1.0, 2.3)):
            name = f"{shape} x{scale:g} {look}"
            group = f"{'thin tips' if shape.startswith('thin') else 'silhouettes'} {look}"
            cases.append(Case(name, group, _shape(shape, scale), is_photo, False, seed=3))
    return cases


# ------------------------------------------------------------------ the road


@dataclass(frozen=True)
class Fitted:
    """What the road made of a picture; paths in its pixels."""

    paths: tuple[Path, ...]
    outlines: Outlines
    fitted: Paths
    cpu_s: float
    n_points: int


def go(
    file: FilePath,
    width_px: float,
    lettering: LetteringRules,
    fit: FitRules | None = None,
) -> Fitted:
    """The stages of `pipeline.make` up to the fit, whose CPU time is taken."""
    photo = PhotoRules()
    picture = square_up(open_picture(file, rules=photo), rules=photo)
    reading = read_ink(
        find_ink(picture, rules=InkRules()), rules=ReadingRules(read=Read.SOLID, dark=Dark.METAL)
    )
    rings = trace_rings(reading.ink)
    placement = place(
        np.concatenate([ring.points_px for ring in rings.rings]),
        border=Border.NONE,
        rules=SizeRules(width_mm=width_px / PX_PER_MM, border=Border.NONE),
        mm_per_px=picture.mm_per_px,
    )
    outlines = rings_on_sheet(
        rings,
        placement=placement,
        region=Dark.METAL,
        border=Border.NONE,
        is_squared=picture.is_squared,
    )
    outlines = tell_kinds(outlines, rules=lettering, work_from_upright=picture.work_from_upright)
    since = time.process_time()
    fitted = fit_outlines(outlines, rules=fit or FitRules())
    cpu_s = time.process_time() - since
    scale, origin = 1 / placement.mm_per_px, placement.origin_mm
    paths = tuple(ring.path.mapped(scale, -origin * scale) for ring in fitted.rings)
    n_points = sum(len(ring.points_mm) for ring in outlines.rings)
    return Fitted(paths, outlines, fitted, cpu_s, n_points)


def run(case: Case) -> tuple[Drawing, Fitted]:
    """Draw, write, read and fit one case."""
    drawing = case.drawing()
    mode = LetteringMode.ALL if case.is_lettering else LetteringMode.NONE
    with tempfile.TemporaryDirectory() as folder:
        file = FilePath(folder) / ("case.jpg" if case.is_photo else "case.png")
        quality = [cv2.IMWRITE_JPEG_QUALITY, 88] if case.is_photo else []
        cv2.imwrite(str(file), case.picture(drawing), quality)
        return drawing, go(file, drawing.width, LetteringRules(mode=mode))


# ------------------------------------------------------------------ measuring


@dataclass(frozen=True)
class Figures:
    """What one case, or several, came out as; lengths in pixels.

    Attributes:
        straight: true straight edges; whole: those that one line covers within half a degree.
        corner, found: true corners, and those with a fitted one near them.
        turned, right: fitted corners, and those where the truth turns, too.
        rounds, flats: true round pieces, and straight pieces laid on them.
        breaks: joints that turn where a flowing outline has no corner.
        area: the relative error of the area.
    """

    mean: float
    p95: float
    largest: float
    straight: int
    whole: int
    corner: int
    found: int
    turned: int
    right: int
    rounds: int
    flats: int
    pieces: int
    pieces_true: int
    rings: int
    rings_true: int
    breaks: int
    area: float
    cpu_s: float = 0.0
    n_points: int = 0


def measure(drawing: Drawing, paths: Sequence[Path], *, least: float) -> Figures:
    """Paths against the true outline; straight edges count from length `least` on."""
    off = deviations(drawing, paths)
    straights = drawing.straights(least)
    lines = [piece for path in paths for piece in path if isinstance(piece, Line)]
    corners, turned = drawing.corners(), corners_of(paths, 25.0)
    area = abs(sum(ring_area(path) for path in paths))
    return Figures(
        mean=float(np.mean([each.mean() for each in off])),
        p95=float(max(np.quantile(each, 0.95) for each in off)),
        largest=float(max(each.max() for each in off)),
        straight=len(straights),
        whole=sum(is_whole(edge, lines) for edge in straights),
        corner=len(corners),
        found=n_near(corners, turned),
        turned=len(turned),
        right=n_near(turned, drawing.bends),
        rounds=len(drawing.rounds),
        flats=len(flats(drawing, lines)),
        pieces=sum(map(len, paths)),
        pieces_true=drawing.n_pieces,
        rings=len(paths),
        rings_true=len(drawing.rings),
        breaks=len(breaks(drawing, paths)),
        area=abs(area - drawing.area) / drawing.area,
    )


def points_of(path: Path, step: float = STEP_PX) -> Complexes:
    """Points along a path, taken from each segment's own formula."""
    parts = []
    for piece in path:
        n = max(3, math.ceil(piece.length / step))
        parts.append(piece.points_at(np.arange(n) / n))
    return np.concatenate(parts)


def deviations(drawing: Drawing, paths: Sequence[Path]) -> tuple[Floats, Floats]:
    """Distances of points on the paths to the true outline, and the other way."""
    got = [points_of(path) for path in paths]
    return (
        distances(np.concatenate(got), drawing.outlines),
        distances(np.concatenate(drawing.outlines), got),
    )


def distances(z: Complexes, rings: Sequence[Complexes]) -> Floats:
    """How far points lie from closed polylines: to the two edges at the nearest corner."""
    here = np.concatenate(rings)
    before = np.concatenate([np.roll(ring, 1) for ring in rings])
    after = np.concatenate([np.roll(ring, -1) for ring in rings])
    k = cKDTree(to_points(here)).query(to_points(z))[1]
    return np.minimum(_off(z, here[k], before[k]), _off(z, here[k], after[k]))


def _off(z: Complexes, a: Complexes, b: Complexes) -> Floats:
    along = b - a
    size = np.maximum(np.abs(along) ** 2, 1e-18)
    t = np.clip(((z - a) * along.conj()).real / size, 0, 1)
    return np.asarray(np.abs(z - a - t * along), np.float64)


def is_whole(edge: tuple[complex, complex], lines: Iterable[Line]) -> bool:
    """True where the line that covers most of an edge covers 85 % of it, within half a degree."""
    a, b = edge
    along, length = (b - a) / abs(b - a), abs(b - a)
    best, slant = 0.0, 90.0
    for line in lines:
        p, q = (line.start - a) / along, (line.end - a) / along
        cover = min(max(p.real, q.real), length) - max(min(p.real, q.real), 0)
        if max(abs(p.imag), abs(q.imag)) <= NEAR_PX and cover > best:
            best, slant = cover, math.degrees(math.asin(min(1, abs((q - p).imag) / abs(q - p))))
    return best >= 0.85 * length and slant < 0.5


def corners_of(paths: Iterable[Path], least_deg: float) -> Complexes:
    """Where closed paths turn by more."""
    found = []
    for path in paths:
        for before, after in zip((path.segments[-1], *path.segments[:-1]), path, strict=True):
            turn = np.angle(after.tangent(0.0) / before.tangent(1.0))
            if abs(math.degrees(turn)) > least_deg:
                found.append(after.start)
    return np.array(found, np.complex128)


def n_near(these: Complexes, those: Complexes, reach: float = NEAR_PX) -> int:
    """How many of these have one of those within reach."""
    if len(these) == 0 or len(those) == 0:
        return 0
    return int((cKDTree(to_points(those)).query(to_points(these))[0] < reach).sum())


def flats(drawing: Drawing, lines: Iterable[Line]) -> list[Line]:
    """Straight pieces of some length laid where the truth is round."""
    if not drawing.rounds:
        return []
    others = [p for ring in drawing.rings for p in ring if not any(p is r for r in drawing.rounds)]
    rounds = cKDTree(to_points(np.concatenate([edge_truth.sampled(p) for p in drawing.rounds])))
    flat = [edge_truth.sampled(p) for p in others]
    tree = cKDTree(to_points(np.concatenate(flat))) if flat else None
    found = []
    for line in lines:
        if line.length < max(4.0, 0.04 * drawing.height):
            continue
        middle = to_points(line.points_at(np.linspace(0, 1, 9)[1:-1]))
        on_round = rounds.query(middle)[0]
        on_flat = tree.query(middle)[0] if tree else np.full(7, np.inf)
        if (on_round + 0.3 < on_flat).mean() > 0.7:
            found.append(line)
    return found


def breaks(drawing: Drawing, paths: Sequence[Path], least_deg: float = 0.5) -> Complexes:
    """Joints of two curves that turn, away from every true corner."""
    joints = []
    for path in paths:
        for before, after in zip((path.segments[-1], *path.segments[:-1]), path, strict=True):
            turn = abs(math.degrees(np.angle(after.tangent(0.0) / before.tangent(1.0))))
            are_round = not (isinstance(before, Line) or isinstance(after, Line))
            if are_round and least_deg < turn:
                joints.append(after.start)
    z, corners = np.array(joints, np.complex128), drawing.corners(5.0)
    if len(z) == 0 or len(corners) == 0:
        return z
    away = np.abs(z[:, None] - corners).min(axis=1)
    return np.asarray(z[away > CLEAR_PX], np.complex128)


def ring_area(path: Path) -> float:
    """Signed, from points a tenth of a pixel apart."""
    z = points_of(path)
    return 0.5 * float((z.conj() * np.roll(z, -1)).imag.sum())


def crossings(paths: Sequence[Path], flatness: float = 0.005) -> int:
    """How many closed paths cross themselves, and pairs that touch (shapely as judge)."""
    loops = np.array([shapely.LinearRing(path.flat(flatness)) for path in paths])
    a, b = shapely.STRtree(loops).query(loops, predicate="intersects")
    return int((~shapely.is_simple(loops)).sum() + (a < b).sum())


def figures_of(case: Case) -> Figures:
    """Draw, fit and measure one case."""
    drawing, fitted = run(case)
    least = 0.15 if case.tremor else 0.05 if case.is_lettering else 0.025
    found = measure(drawing, fitted.paths, least=max(6.0, least * drawing.height))
    timed = {"cpu_s": fitted.cpu_s, "n_points": fitted.n_points}
    return Figures(**{**vars(found), **timed})


# ------------------------------------------------------------------ the table

HEAD = (
    f"{'':32}{'n':>4}{'mean':>7}{'p95':>7}{'largest':>8}{'whole':>12}{'found':>12}{'right':>12}"
    f"{'flats':>11}{'pieces x':>9}{'rings':>8}{'breaks':>7}{'area %':>7}{'ms/30k':>7}"
)


def row(name: str, of: Sequence[Figures]) -> str:
    """One line of the table: medians of mean and p95, the worst file, the sums of the rest."""

    def total(key: str) -> int:
        return sum(int(getattr(each, key)) for each in of)

    def share(part: str, whole: str) -> str:
        n = total(whole)
        return f"{total(part) / n:.3f} {n:>4}" if n else "-"

    per_30k = 3e7 * sum(f.cpu_s for f in of) / max(1, total("n_points"))
    return (
        f"{name:32}{len(of):>4}{np.median([f.mean for f in of]):>7.3f}"
        f"{np.median([f.p95 for f in of]):>7.3f}{max(f.largest for f in of):>8.2f}"
        f"{share('whole', 'straight'):>12}{share('found', 'corner'):>12}"
        f"{share('right', 'turned'):>12}{share('flats', 'rounds'):>11}"
        f"{total('pieces') / total('pieces_true'):>9.2f}"
        f"{total('rings'):>4}/{total('rings_true'):<3}{total('breaks'):>7}"
        f"{100 * max(f.area for f in of):>7.2f}{per_30k:>7.0f}"
    )


def page(file: FilePath) -> tuple[int, tuple[tuple[float, float, float, float], ...]]:
    """A picture with some 30 000 points of outline; its width, and boxes round the lettering."""
    rows = [edge_truth.lettering(w, f, 300) for w, f in zip(WORDS[:3], FONTS[:3], strict=True)]
    rows += [edge_truth.silhouette(name, 2.3) for name in ("heron", "coil", "reeds", "kelp")]
    columns = max(d.size[1] for d in rows)
    boxes, parts, top = [], [], 0
    for k, drawing in enumerate(rows):
        inside = edge_truth.coverage(drawing.outlines, (drawing.size[0], columns))
        parts.append(inside)
        if k < 3:
            boxes.append((0.0, float(top), float(columns), float(drawing.size[0])))
        top += drawing.size[0]
    cv2.imwrite(str(file), edge_truth.photographed(np.vstack(parts), 5))
    return columns, tuple(boxes)


def page_time() -> tuple[float, int]:
    """Least CPU seconds of three runs for the fit of a page, and its points."""
    with tempfile.TemporaryDirectory() as folder:
        file = FilePath(folder) / "page.png"
        width, boxes = page(file)
        runs = [go(file, width, LetteringRules(boxes_px=boxes)) for _ in range(3)]
    return min(run.cpu_s for run in runs), runs[0].n_points


def main(words: Sequence[str] | None = None) -> None:
    """Run the cases and print the table."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--only", default="", help="run the cases whose name or group holds this")
    parser.add_argument("--brief", action="store_true", help="print groups only")
    asked = parser.parse_args(words)
    say = sys.stdout.write
    groups: dict[str, list[Figures]] = {}
    worst: dict[str, tuple[float, str]] = {}
    say(HEAD + "\n")
    for case in all_cases():
        if asked.only not in case.name and asked.only not in case.group:
            continue
        found = figures_of(case)
        if not asked.brief:
            say(row(case.name, [found]) + "\n")
            sys.stdout.flush()
        names = [case.group]
        if case.group.startswith("lettering"):
            names.append(case.group.rsplit(" ", 1)[0] + " all")
        for name in names:
            groups.setdefault(name, []).append(found)
            worst[name] = max(worst.get(name, (0.0, "")), (found.largest, case.name))
    say("\n" + HEAD + "\n")
    for name, of in groups.items():
        say(row(name, of) + f"  worst: {worst[name][1]}\n")
    if not asked.only:
        cpu_s, n = page_time()
        say(f"fit of one page: {n} points, {1000 * cpu_s:.0f} ms CPU, ")
        say(f"{3e7 * cpu_s / n:.0f} ms for 30 000\n")


if __name__ == "__main__":
    main()
