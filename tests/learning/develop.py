"""A made-up sign through our own stages: drawn or photographed, then ink and outlines."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

import cv2
import numpy as np
import numpy.typing as npt

from raster2path.errors import NothingFoundError
from raster2path.geometry import Points
from raster2path.job import Job, ReadingRules
from raster2path.model import Border, Dark, Outlines, Picture, Read, Reading
from raster2path.picture.door import place, rings_on_sheet
from raster2path.picture.ink import find_ink
from raster2path.picture.reading import read_ink
from raster2path.picture.rings import trace_rings
from raster2path.picture.strokes import trace_strokes
from raster2path.shape.faces import choose_border, shape_net
from tests.learning.letters import rings_of
from tests.learning.signs import Part, Sign, What

Bytes = npt.NDArray[np.uint8]
Ints = npt.NDArray[np.int32]
OVER = 2
"""Subpixels to a pixel, each way, while drawing."""


class Look(Enum):
    """How a sign came onto paper and into the picture."""

    CLEAN = "clean"
    PHOTO = "photo"
    PENCIL = "pencil outline"
    SLIT = "single line"
    WRITTEN = "written beside outlines"
    MARKER = "written with a marker"

    @property
    def has_single_lines(self) -> bool:
        """True where letters are lines of one stroke."""
        return self in (Look.SLIT, Look.WRITTEN, Look.MARKER)

    @property
    def is_line_work(self) -> bool:
        """True where drawings are of pencil lines."""
        return self in (Look.PENCIL, Look.SLIT, Look.WRITTEN)

    @property
    def read(self) -> Read:
        """How our stages read it."""
        if self is Look.SLIT:
            return Read.SLIT
        return Read.EDGE if self.is_line_work else Read.SOLID


@dataclass(frozen=True, slots=True, eq=False)
class Case:
    """Outlines that our stages made of a sign, and what each one is.

    Attributes:
        ring_parts, stroke_parts: index of the part that a ring or stroke belongs to, -1 where it
            is none, or more than one.
    """

    seed: int
    look: Look
    layout: str
    outlines: Outlines
    ring_parts: Ints
    stroke_parts: Ints
    whats: tuple[What, ...]
    groups: tuple[int, ...]


def develop(sign: Sign, look: Look, seed: int) -> Case | None:
    """The sign through our stages; None where they find nothing to cut in it."""
    rng = np.random.default_rng([seed, 7])
    pen = _marker_px(sign, rng) if look is Look.MARKER else 9
    grey = _lines(sign, rng) if look.is_line_work else _areas(sign, pen)
    turn = np.eye(3)
    if look is not Look.CLEAN:
        grey, turn = _photographed(grey, rng)
    outlines = _outlines(grey, look.read)
    if outlines is None:
        return None
    where = _map_of_parts(sign, max(9, pen + 5))
    back = np.asarray(np.linalg.inv(turn), np.float64)
    whats = tuple(part.what for part in sign.parts)
    kin = np.array([0, *(10 * k if w is What.ART else int(w) for k, w in enumerate(whats, 1))])
    rings = _owners([r.points_mm for r in outlines.rings], outlines, where, back, kin)
    strokes = _owners([s.points_mm for s in outlines.strokes], outlines, where, back, kin)
    groups = tuple(part.group for part in sign.parts)
    return Case(seed, look, sign.layout, outlines, rings, strokes, whats, groups)


def _fixed(points: Points, over: int) -> Ints:
    return np.asarray(np.round((points * over - 0.5) * 16), np.int32)


def _marker_px(sign: Sign, rng: np.random.Generator) -> int:
    """A pen as thick as a marker is for letters of this size."""
    sizes = [float(np.ptp(np.vstack(p.rings), axis=0).max()) for p in sign.parts if p.is_open]
    return max(5, int(rng.uniform(0.07, 0.2) * float(np.median(sizes or [60.0]))))


def _areas(sign: Sign, pen: int) -> npt.NDArray[np.float32]:
    """Ink 1, paper 0; lines are drawn with a pen so many pixels wide."""
    level = np.zeros((sign.height * OVER, sign.width * OVER), np.uint8)
    for part in sign.parts:
        rings = [_fixed(ring, OVER) for ring in part.rings]
        ink = 0 if part.is_cut else 255
        if part.is_open:
            cv2.polylines(level, rings, False, ink, pen * OVER, cv2.LINE_8, 4)
        else:
            cv2.fillPoly(level, rings, ink, cv2.LINE_8, 4)
    small = cv2.resize(level, (sign.width, sign.height), interpolation=cv2.INTER_AREA)
    return np.asarray(small / 255, np.float32)


def _lines(sign: Sign, rng: np.random.Generator) -> npt.NDArray[np.float32]:
    level = np.zeros((sign.height * OVER, sign.width * OVER), np.uint8)
    pen = int(rng.integers(5, 9))
    tremor = rng.uniform(0, 1.0)
    for rings, is_open in _drawn(sign):
        for ring in rings:
            line = _trembled(ring, rng, tremor, is_closed=not is_open)
            cv2.polylines(level, [_fixed(line, OVER)], not is_open, 255, pen, cv2.LINE_AA, 4)
    small = cv2.resize(level, (sign.width, sign.height), interpolation=cv2.INTER_AREA)
    return np.asarray(small / 255, np.float32)


def _drawn(sign: Sign) -> list[tuple[tuple[Points, ...], bool]]:
    """Lines of each part, and whether they are open; letters that touch are drawn round as one."""
    import shapely

    out = []
    words: dict[int, list[object]] = {}
    for part in sign.parts:
        if part.what.is_letter and not part.is_open:
            areas = [shapely.Polygon(ring).buffer(0) for ring in part.rings]
            letter = areas[0]
            for area in areas[1:]:
                letter = letter.symmetric_difference(area)
            words.setdefault(part.group, []).append(letter)
        else:
            out.append((part.rings, part.is_open))
    out += [(rings_of(shapely.unary_union(letters)), False) for letters in words.values()]
    return out


def _trembled(ring: Points, rng: np.random.Generator, size: float, *, is_closed: bool) -> Points:
    """Points a few pixels apart along the line, each moved as a hand would."""
    ends = np.vstack([ring, ring[:1]]) if is_closed else ring
    steps = np.hypot(*np.diff(ends, axis=0).T)
    along = np.concatenate([[0], np.cumsum(steps)])
    if along[-1] < 1:
        return ring
    t = np.linspace(0, along[-1], max(3, int(along[-1] / 6)))
    t = np.unique(np.concatenate([t, along]))  # corners stay
    line = np.column_stack([np.interp(t, along, ends[:, k]) for k in (0, 1)])
    noise = rng.normal(0, size, line.shape)
    if len(noise) > 9:
        noise = (
            np.column_stack([np.convolve(noise[:, k], np.ones(5) / 5, mode="same") for k in (0, 1)])
            * 2
        )
    return np.asarray(line + noise, np.float64)


def _photographed(
    ink: npt.NDArray[np.float32], rng: np.random.Generator
) -> tuple[npt.NDArray[np.float32], Points]:
    """Ink as a lens sees it in uneven light, still 1 for ink; and the homography that moved it."""
    rows, cols = ink.shape
    corners = np.array([(0, 0), (cols, 0), (cols, rows), (0, rows)], np.float32)
    pushed = corners + rng.normal(0, 0.012, (4, 2)).astype(np.float32) * min(rows, cols)
    pushed += (np.mean(corners, axis=0) - pushed) * 0.06
    turn = cv2.getPerspectiveTransform(corners, pushed.astype(np.float32))
    seen = cv2.warpPerspective(ink, turn, (cols, rows), flags=cv2.INTER_LINEAR)
    seen = cv2.GaussianBlur(seen, (0, 0), rng.uniform(0.7, 1.6))
    paper = 0.75 - 0.25 * np.linspace(0, 1, cols)[None, :] * rng.random()
    light = paper * (1 - seen) + 0.06 * seen
    light = light + rng.normal(0, 0.012, ink.shape)
    light = np.clip(light, 0, 1)
    tone = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    code = cv2.imencode(".jpg", np.asarray(255 * tone, np.uint8), [cv2.IMWRITE_JPEG_QUALITY, 82])[1]
    decoded = np.asarray(cv2.imdecode(code, cv2.IMREAD_GRAYSCALE), np.float32)
    return np.asarray(1 - decoded / 255, np.float32), np.asarray(turn, np.float64)


def _outlines(grey: npt.NDArray[np.float32], read: Read) -> Outlines | None:
    rgb = np.repeat(np.asarray(255 * (1 - grey), np.uint8)[..., None], 3, axis=2)
    picture = Picture("sign", "0", rgb, (grey.shape[1], grey.shape[0]), np.eye(3))
    job = Job(name="sign", date="2026-01-01", reading=ReadingRules(read=read))
    try:
        reading = read_ink(find_ink(picture, rules=job.ink), rules=job.reading)
        return _of_areas(reading, job) if read is Read.SOLID else _of_lines(reading, job)
    except NothingFoundError:
        return None


def _of_areas(reading: Reading, job: Job) -> Outlines:
    rings = trace_rings(reading.ink)
    points = np.concatenate([ring.points_px for ring in rings.rings] or [np.empty((0, 2))])
    placement = place(points, border=Border.NONE, rules=job.size, mm_per_px=None)
    return rings_on_sheet(rings, placement=placement, region=Dark.METAL, border=Border.NONE)


def _of_lines(reading: Reading, job: Job) -> Outlines:
    net = trace_strokes(reading)
    border = choose_border(net, read=reading.read)
    points = np.concatenate([stroke.points_px for stroke in net.strokes] or [np.empty((0, 2))])
    placement = place(points, border=border, rules=job.size, mm_per_px=None)
    return shape_net(
        net,
        placement,
        read=reading.read,
        dark=None,
        border=border,
        web_mm=job.ties.web_mm,
        is_squared=False,
    )


def _map_of_parts(sign: Sign, pen: int) -> Ints:
    """Index of the part at each pixel, plus one; each part reaches a few pixels too far."""
    where = np.zeros((sign.height, sign.width), np.int32)
    numbered = list(enumerate(sign.parts, 1))
    for k, part in sorted(numbered, key=lambda pair: pair[1].what is not What.RULED):
        if part.what is not What.BACKGROUND:
            _paint(where, part, k, pen)
    return where


def _paint(where: Ints, part: Part, value: int, pen: int) -> None:
    rings = [_fixed(ring, 1) for ring in part.rings]
    if not part.is_open:
        # counters too: what lies inside a letter is a part of it; not so inside a frame
        for ring in [rings] if part.what is What.RULED else [[ring] for ring in rings]:
            cv2.fillPoly(where, ring, value, cv2.LINE_8, 4)
    cv2.polylines(where, rings, not part.is_open, value, pen, cv2.LINE_8, 4)


def _owners(lines: list[Points], outlines: Outlines, where: Ints, back: Points, kin: Ints) -> Ints:
    """The part that each line belongs to, if hardly any of it belongs to a part of another kind."""
    out = np.full(len(lines), -1, np.int32)
    rows, cols = where.shape
    for k, points_mm in enumerate(lines):
        p = outlines.placement.to_px(points_mm[:: max(1, len(points_mm) // 200)])
        p = np.column_stack([p, np.ones(len(p))]) @ back.T
        col, row = np.floor(p[:, :2] / p[:, 2:]).astype(int).T
        inside = (col >= 0) & (row >= 0) & (col < cols) & (row < rows)
        found = where[row[inside], col[inside]]
        found = found[found > 0]
        if not len(found):
            continue
        best = int(np.argmax(np.bincount(found)))
        if (kin[found] == kin[best]).sum() > max(0.5 * len(p), 0.85 * len(found)):
            out[k] = best - 1
    return out
