"""Finds the sheet of paper in a photograph and squares it up."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

import cv2
import numpy as np
import numpy.typing as npt

from raster2path.errors import UsageError
from raster2path.geometry import Points
from raster2path.job import PhotoRules, Scale
from raster2path.model import Note, NoteKind, Picture, frozen
from raster2path.picture._card import find_card, mm_per_px, without_card
from raster2path.picture._lens import Lens, lens_of
from raster2path.picture._shrink import resized
from raster2path.picture._sides import crossing, line_through

Bytes = npt.NDArray[np.uint8]
Floats = npt.NDArray[np.float32]

SEARCH_PX = 720
"""Long side of the copy on which the sheet is sought; its sides are then measured on the whole."""

LEAST_SHARE = 0.25
"""Of the picture, that a sheet of paper covers; a smaller one is more likely a label or a face."""

BEYOND = 0.05
"""Of the picture, that a corner of the paper may lie outside it: cut off when it was taken."""

PAPER_RATIOS = (math.sqrt(2), 11 / 8.5)
"""Long over short side of A sizes (ISO 216) and of letter (ANSI/ASME Y14.1 size A)."""


@dataclass(frozen=True, slots=True, eq=False)
class _Sheet:
    """A sheet of paper in a picture.

    Attributes:
        corners_px: (4, 2), clockwise as seen from the one nearest to the picture's top left.
        bow_px: how far its sides bow inwards from straight ones.
        lens: that bends the picture, or None; corners are those of the straight picture.
    """

    corners_px: Points
    bow_px: float
    lens: Lens | None = None


def square_up(picture: Picture, *, rules: PhotoRules) -> Picture:
    """The picture with slant taken out: the sheet of paper in it becomes the whole picture.

    Args:
        picture: as opened.
        rules: with `paper_mm` the sheet has just this shape, and scale is taken from it; with
            `corners_px` it lies there; `scale` says how long something in the picture is, or
            that a card lies in it.

    Returns:
        The sheet alone, at about the resolution it was taken with, its rim overpainted so that
        no table shows (the bow of a lens, a few pixels, is taken out where the sheet's sides show
        it; the homography knows nothing of it); or the same picture where no sheet lies
        clearly on a darker ground. Then, with `paper_mm`, scale is taken from the picture's long
        side, and a note says so.

    Raises:
        UsageError: corners that do not go round an area, a scale between two equal points, or
            either outside the picture.
    """
    squared = _squared(picture, rules)
    if rules.scale is None:
        return squared
    return _by_card(squared) if rules.scale is Scale.CARD else _scaled(squared, rules.scale)


def _by_card(picture: Picture) -> Picture:
    """The picture with the scale that a bank card in it gives, and without the card."""
    corners = find_card(picture.rgb)
    if corners is None:
        note = Note(
            NoteKind.PICTURE,
            "no card was found in the picture, so it gave no scale",
            remedy="lay it flat on bare paper, all of it in the picture",
        )
        return replace(picture, notes=(*picture.notes, note))
    rgb = without_card(picture.rgb, corners)
    frozen(rgb)
    note = Note(NoteKind.PICTURE, "a card in the picture gave the scale, and was left out")
    return replace(picture, rgb=rgb, mm_per_px=mm_per_px(corners), notes=(*picture.notes, note))


def _scaled(picture: Picture, scale: tuple[float, ...]) -> Picture:
    """The picture with the scale that two points in it and the length between them give."""
    x1, y1, x2, y2, length_mm = scale
    _check_within(np.array([[x1, y1], [x2, y2]]), picture.upright_size_px, "--scale: a point", 0.0)
    ends = picture.work_from_upright @ np.array([[x1, x2], [y1, y2], [1, 1]], np.float64)
    (x1, x2), (y1, y2) = ends[:2] / ends[2]
    apart_px = math.hypot(x2 - x1, y2 - y1)
    if apart_px < 2:
        raise UsageError("--scale: the two points are the same; give two that are far apart")
    return replace(picture, mm_per_px=length_mm / apart_px)


def _squared(picture: Picture, rules: PhotoRules) -> Picture:
    if rules.corners_px is not None:
        points = np.array(rules.corners_px, np.float64).reshape(4, 2)
        _check_within(points, picture.upright_size_px, "--paper-corners: a corner", BEYOND)
        sheet: _Sheet | None = _Sheet(_clockwise(rules.corners_px), 0.0)
        sentence = "the sheet of paper was squared up by the corners given"
    else:
        sheet = _find_sheet(picture.rgb, is_expected=rules.paper_mm is not None)
        sentence = "a sheet of paper was found in the picture and squared up"
    if sheet is None:
        return picture if rules.paper_mm is None else _whole(picture, rules.paper_mm)
    width_px, height_px, mm_per_px = _size(sheet, picture.rgb.shape, rules.paper_mm)
    flat = np.array([[0, 0], [width_px, 0], [width_px, height_px], [0, height_px]])
    work = _homography(sheet.corners_px, flat)
    size_px = (math.ceil(width_px - 0.01), math.ceil(height_px - 0.01))
    if sheet.lens is None:
        rgb = _warped(picture.rgb, work, size_px)
    else:
        rgb = _straightened(picture.rgb, work, size_px, sheet.lens)
        sentence += ", the bow of the lens taken out"
    rgb = _without_rim(rgb, sheet.bow_px)
    frozen(rgb)
    work = work @ picture.work_from_upright
    note = Note(NoteKind.PICTURE, sentence)
    return replace(
        picture,
        rgb=rgb,
        work_from_upright=work,
        mm_per_px=mm_per_px,
        is_squared=True,
        notes=(*picture.notes, note),
    )


def _check_within(points: Points, size_px: tuple[int, int], what: str, beyond: float) -> None:
    """Stops at points outside the picture by more than a share of it: a slip of the fingers."""
    size = np.array(size_px)
    if not ((points >= -beyond * size - 1) & (points <= (1 + beyond) * size + 1)).all():
        raise UsageError(
            f"{what} lies outside the picture, which is {size[0]} × {size[1]} pixels; "
            "give x,y from its top left"
        )


def _clockwise(corners_px: tuple[float, ...]) -> Points:
    """Four corners, in order round their middle, the one nearest to the top left first."""
    corners = np.array(corners_px, np.float64).reshape(4, 2)
    away = corners - corners.mean(axis=0)
    corners = corners[np.argsort(np.arctan2(away[:, 1], away[:, 0]))]
    corners = np.roll(corners, -int(corners.sum(axis=1).argmin()), axis=0)
    sides = np.roll(corners, -1, axis=0) - corners
    turns = sides[:, 0] * np.roll(sides[:, 1], -1) - sides[:, 1] * np.roll(sides[:, 0], -1)
    if not (turns > 100).all():
        raise UsageError("--paper-corners: the four points are not the corners of a sheet")
    return corners


def _whole(picture: Picture, paper_mm: tuple[float, float]) -> Picture:
    rows, cols = picture.rgb.shape[:2]
    note = Note(
        NoteKind.PICTURE,
        "no whole sheet of paper was found, so the whole picture was taken as the paper",
        remedy="photograph the sheet with all four corners, on a darker ground",
    )
    mm_per_px = max(paper_mm) / max(rows, cols)
    return replace(picture, mm_per_px=mm_per_px, notes=(*picture.notes, note))


# ---------------------------------------------------------------- the sheet, roughly


def _find_sheet(rgb: Bytes, *, is_expected: bool) -> _Sheet | None:
    scale = min(1.0, SEARCH_PX / max(rgb.shape[:2]))
    rows, cols = rgb.shape[:2]
    size = (round(cols * scale), round(rows * scale))
    small = resized(rgb, size)
    # Paper is pale in every channel; wood, cloth and skin are dark in at least one, and where
    # their brightest patch outshines paper in the shade, they still have more colour.
    channels = cv2.split(small)
    palest = _bytes(cv2.min(cv2.min(channels[0], channels[1]), channels[2]))
    strongest = cv2.max(cv2.max(channels[0], channels[1]), channels[2])
    neutral = _bytes(255.0 * palest / np.maximum(strongest, 40))
    for tone in _tones(palest, neutral, _grey(small)):
        rough = _best_quad(tone)
        if rough is None or not _is_on_ground(tone, rough, is_expected=is_expected):
            continue
        stretch = np.array([cols / size[0], rows / size[1]])
        sheet = _refined(rgb, (rough + 0.5) * stretch, is_expected=is_expected)
        if sheet is not None:
            return sheet
    return None


def _tones(palest: Bytes, neutral: Bytes, grey: Bytes) -> Iterator[Bytes]:
    """Tones in which paper may be the brightest, strokes closed over; the likeliest first."""
    closed = [
        _bytes(cv2.morphologyEx(t, cv2.MORPH_CLOSE, np.ones((9, 9)))) for t in (palest, neutral)
    ]
    yield from closed
    yield _bytes(cv2.morphologyEx(grey, cv2.MORPH_CLOSE, np.ones((9, 9))))
    # A pale table under a lamp: paper in the shade is darker than the table in the light.
    yield _evenly_lit(closed[0])


def _evenly_lit(tone: Bytes) -> Bytes:
    """The tone less the slope of light over its middle, where paper lies if there is any."""
    rows, cols = tone.shape
    log = np.log(np.maximum(tone, 8).astype(np.float32))
    y, x = np.mgrid[:rows, :cols].astype(np.float32)
    basis = np.stack([np.ones_like(x), x / cols - 0.5, y / rows - 0.5], axis=-1)
    middle = (slice(rows // 4, -rows // 4, 4), slice(cols // 4, -cols // 4, 4))
    a, b = basis[middle].reshape(-1, 3), log[middle].ravel()
    weight = np.ones_like(b)
    for _ in range(6):
        root = np.sqrt(weight)
        slope = np.linalg.lstsq(a * root[:, None], b * root, rcond=None)[0]
        rest = b - a @ slope
        weight = np.where(np.abs(rest) < 2.5 * np.median(np.abs(rest)) + 1e-3, 1.0, 0.0)
    return _bytes(np.clip(200 * np.exp(log - basis @ slope), 0, 255))


def _grey(rgb: Bytes) -> Bytes:
    return _bytes(cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY))


def _bytes(values: npt.ArrayLike) -> Bytes:
    return np.asarray(values).astype(np.uint8)


def _best_quad(tone: Bytes) -> Points | None:
    """The brighter quadrilateral whose sides part bright from dark best, or None."""
    best, best_score = None, 0.75
    low, high = np.quantile(tone, [0.05, 0.95])
    for threshold in np.linspace(low, high, 14)[1:-1]:
        bright = (tone > threshold).astype(np.uint8)
        bright = np.asarray(cv2.morphologyEx(bright, cv2.MORPH_OPEN, np.ones((5, 5))), np.uint8)
        outlines, _ = cv2.findContours(bright, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
        for outline in outlines:
            if cv2.contourArea(outline) < LEAST_SHARE * tone.size:
                continue
            for way in (_quad, _quad_of_sides):
                quad = way(np.asarray(outline[:, 0], np.float64), tone.shape)
                score = 0.0 if quad is None else _parting(tone, quad)
                if score > best_score:
                    best, best_score = quad, score
                if score > 0.9:
                    break
    return best


def _quad(outline: Points, shape: tuple[int, ...]) -> Points | None:
    """Four corners that an outline fills, all inside the picture; clockwise; or None."""
    hull = cv2.convexHull(outline.astype(np.float32))
    around = cv2.arcLength(hull, closed=True)
    for share in np.linspace(0.01, 0.08, 15):
        corners = cv2.approxPolyDP(hull, share * around, closed=True)
        if len(corners) <= 4:
            break
    if len(corners) != 4:
        return None
    quad = np.asarray(corners[:, 0], np.float64)
    filled = cv2.contourArea(outline.astype(np.float32)) / max(cv2.contourArea(corners), 1.0)
    rows, cols = shape[:2]
    inside = (quad >= 2).all() and (quad <= (cols - 3, rows - 3)).all()
    if not inside or not 0.95 <= filled <= 1.05:
        return None
    x, y = quad.T
    if x @ (np.roll(y, -1) - np.roll(y, 1)) < 0:
        quad = quad[::-1]
    return np.roll(quad, -int(quad.sum(axis=1).argmin()), axis=0)


def _quad_of_sides(outline: Points, shape: tuple[int, ...]) -> Points | None:
    """Where the four longest straight parts of an outline would meet; clockwise; or None.

    For a sheet that is held: a thumb on a corner or a side leaves the rest of the sides.
    """
    around = cv2.arcLength(outline.astype(np.float32), closed=True)
    corners = cv2.approxPolyDP(outline.astype(np.float32), 0.006 * around, closed=True)[:, 0]
    sides = np.roll(corners, -1, axis=0) - corners
    lengths = np.hypot(*sides.T)
    if len(corners) < 4:
        return None
    turn = np.degrees(np.arctan2(sides[:, 1], sides[:, 0]))
    chosen: list[int] = []
    for k in np.argsort(-lengths):
        apart = [abs((turn[k] - turn[j] + 180) % 360 - 180) for j in chosen]
        if all(angle > 45 for angle in apart):
            chosen.append(int(k))
    if len(chosen) < 4 or lengths[chosen[3]] < 0.08 * around:
        return None
    ordered = sorted(chosen[:4], key=lambda k: turn[k])
    lines = [(corners[k].astype(np.float64), sides[k].astype(np.float64)) for k in ordered]
    quad = np.array([crossing(lines[k - 1], lines[k]) for k in range(4)])
    rows, cols = shape[:2]
    if not ((quad >= 2).all() and (quad <= (cols - 3, rows - 3)).all()):
        return None
    x, y = quad.T
    area = float(x @ (np.roll(y, -1) - np.roll(y, 1))) / 2
    filled = cv2.contourArea(outline.astype(np.float32)) / max(abs(area), 1.0)
    if not 0.85 <= filled <= 1.1:
        return None
    quad = quad if area > 0 else quad[::-1]
    return np.asarray(np.roll(quad, -int(quad.sum(axis=1).argmin()), axis=0), np.float64)


def _parting(tone: Bytes, quad: Points) -> float:
    """The least share, among the sides, of places that are clearly brighter inside."""
    shares = []
    for a, b in zip(quad, np.roll(quad, -1, axis=0), strict=True):
        along = (b - a) / np.hypot(*(b - a))
        inward = np.array([-along[1], along[0]])
        at = a + np.linspace(0.04, 0.96, 60)[:, None] * (b - a)
        inner, outer = (_at(tone, at + step * inward) for step in (6, -6))
        shares.append(float((inner > 1.07 * outer + 4).mean()))
    return min(shares)


def _at(tone: Bytes, points: Points) -> Floats:
    rows, cols = tone.shape
    x = np.clip(np.rint(points[:, 0]).astype(int), 0, cols - 1)
    y = np.clip(np.rint(points[:, 1]).astype(int), 0, rows - 1)
    return np.asarray(tone[y, x], np.float32)


def _is_on_ground(tone: Bytes, quad: Points, *, is_expected: bool) -> bool:
    """True where the quadrilateral lies on something darker that goes round it, unlike a drawing.

    A drawn frame has paper outside; a plate drawn by a computer has one flat tone there.
    """
    inside = np.zeros(tone.shape, np.uint8)
    cv2.fillConvexPoly(inside, np.rint(quad).astype(np.int32), 1)
    outside = cv2.dilate(inside, np.ones((9, 9), np.uint8)) == 0
    if not outside.any():
        return False
    paper = float(np.median(tone[inside > 0]))
    ground = tone[outside]
    if np.quantile(ground, 0.8) > (0.97 if is_expected else 0.9) * paper:
        return False
    rims = (tone[:4], tone[-4:], tone[:, :4], tone[:, -4:])
    is_dark_round = all(np.median(rim) < 0.93 * paper for rim in rims)
    commonest = np.bincount(ground, minlength=256).max() / ground.size
    return is_expected or (is_dark_round and commonest < 0.6)


# ---------------------------------------------------------------- its sides, exactly


def _refined(rgb: Bytes, rough: Points, *, is_expected: bool) -> _Sheet | None:
    """The sheet with its sides fitted over their whole length; None where they are not straight."""
    reach_px = max(8.0, 0.012 * max(rgb.shape[:2]))
    corners = rough
    bow_px, lens = 0.0, None
    for reach in (reach_px, max(8.0, reach_px / 3)):
        ends = zip(corners, np.roll(corners, -1, axis=0), strict=True)
        sides = [_edge_points(rgb, a, b, reach, lens) for a, b in ends]
        if min(map(len, sides)) < 30:
            return None
        if lens is None and reach == reach_px:
            lens = lens_of(sides, rgb.shape)
            sides = sides if lens is None else [lens.straightened(side) for side in sides]
        lines, bows = [], []
        for side in sides:
            middle, along, off = line_through(side)
            rest = np.abs(off)
            # Most of the side lies on one line: within a pixel, or a hair of its length.
            near = max(1.5, 0.0015 * float(np.hypot(*(side[-1] - side[0]))))
            if (rest < near * (4 if is_expected else 2)).mean() < 0.6:
                return None
            lines.append((middle, along))
            bows.append(float(np.quantile(off[rest < 6 * near], 0.98)))
        corners = np.array([crossing(lines[k - 1], lines[k]) for k in range(4)])
        bow_px = max(0.0, *bows)
    rows, cols = rgb.shape[:2]
    seen = corners if lens is None else lens.bent(corners)
    if (seen < 0).any() or (seen > (cols, rows)).any():
        return None
    return _Sheet(corners, bow_px, lens)


def _edge_points(
    rgb: Bytes, a: Points, b: Points, reach_px: float, lens: Lens | None = None
) -> Points:
    """Where brightness falls through half on the way out, along one side; to a part of a pixel.

    With a lens, ends and places are those of the straight picture.
    """
    n = int(np.clip(np.hypot(*(b - a)) / 4, 60, 500))
    along = (b - a) / np.hypot(*(b - a))
    outward = np.array([along[1], -along[0]])
    at = a + np.linspace(0.03, 0.97, n)[:, None] * (b - a)
    steps = np.arange(-math.ceil(reach_px), math.ceil(reach_px) + 1)
    places = at[:, None, :] + steps[:, None] * outward
    places = (places if lens is None else lens.bent(places)) - 0.5
    tones = cv2.remap(
        rgb,
        places[..., 0].astype(np.float32),
        places[..., 1].astype(np.float32),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )
    light = (np.asarray(tones, np.float32) / 255) ** 2.2
    profile = np.asarray(cv2.blur(light.min(axis=2), (1, 5)), np.float32)
    rows, steps_out = _falls(profile)
    return np.asarray(at[rows] + steps_out[:, None] * outward, np.float64)


def _falls(profile: Floats) -> tuple[npt.NDArray[np.int64], Floats]:
    """Rows with a clear fall, and how far from their middle it passes half of its height."""
    half = profile.shape[1] // 2
    third = max(3, half // 2)
    inner = np.median(profile[:, :third], axis=1)
    outer = np.median(profile[:, -third:], axis=1)
    middle = (inner + outer)[:, None] / 2
    falls = (profile[:, :-1] >= middle) & (profile[:, 1:] < middle)
    steep = np.where(falls, profile[:, :-1] - profile[:, 1:], 0)
    k = steep.argmax(axis=1)
    rows = np.flatnonzero((steep.max(axis=1) > 0) & (inner > 1.1 * outer + 0.01))
    k = k[rows]
    before, after = profile[rows, k], profile[rows, k + 1]
    return rows, k - half + (before - middle[rows, 0]) / (before - after)


# ---------------------------------------------------------------- squared up


def _size(
    sheet: _Sheet, shape: tuple[int, ...], paper_mm: tuple[float, float] | None
) -> tuple[float, float, float | None]:
    """Width and height that the sheet gets, in pixels, and its scale where its size is known."""
    x, y = sheet.corners_px.T
    area = 0.5 * abs(float(x @ (np.roll(y, -1) - np.roll(y, 1))))
    ratio = _ratio(sheet.corners_px, shape)
    if paper_mm is not None:
        long_mm, short_mm = max(paper_mm), min(paper_mm)
        w_mm, h_mm = (long_mm, short_mm) if ratio >= 1 else (short_mm, long_mm)
        px_per_mm = math.sqrt(area / (w_mm * h_mm))
        return w_mm * px_per_mm, h_mm * px_per_mm, 1 / px_per_mm
    usual = [r for p in PAPER_RATIOS for r in (p, 1 / p) if abs(ratio / r - 1) < 0.05]
    ratio = usual[0] if usual else ratio
    return math.sqrt(area * ratio), math.sqrt(area / ratio), None


def _ratio(corners: Points, shape: tuple[int, ...]) -> float:
    """Width over height of the rectangle that is seen as these corners.

    From one view with square pixels and the optical axis through the picture's middle: Zhang and
    He, "Whiteboard scanning and image enhancement", 2007, doi 10.1016/j.dsp.2006.05.006. Where
    the sheet lies too flat for that to say anything, by the sides' mean lengths.
    """
    sides = np.hypot(*(np.roll(corners, -1, axis=0) - corners).T)
    plain = float((sides[0] + sides[2]) / (sides[1] + sides[3]))
    size = max(shape[:2])
    centred = (corners - np.array([shape[1], shape[0]]) / 2) / size
    m1, m2, m4, m3 = np.column_stack([centred, np.ones(4)])
    k2 = np.dot(np.cross(m1, m4), m3) / np.dot(np.cross(m2, m4), m3)
    k3 = np.dot(np.cross(m1, m4), m2) / np.dot(np.cross(m3, m4), m2)
    n2, n3 = k2 * m2 - m1, k3 * m3 - m1
    if min(abs(n2[2]), abs(n3[2])) < 0.02:
        return plain
    focus2 = -(n2[0] * n3[0] + n2[1] * n3[1]) / (n2[2] * n3[2])
    if not 0.3 < focus2 < 25:  # no usual lens
        return plain
    metric = np.array([1 / focus2, 1 / focus2, 1])
    found = math.sqrt(float((n2**2 @ metric) / (n3**2 @ metric)))
    return found if abs(math.log(found / plain)) < math.log(1.35) else plain


def _homography(source: Points, target: Points) -> Points:
    """The (3, 3) homography that takes four points to four others, its last entry 1."""
    rows = []
    for (x, y), (u, v) in zip(source, target, strict=True):
        rows.append([x, y, 1, 0, 0, 0, -u * x, -u * y])
        rows.append([0, 0, 0, x, y, 1, -v * x, -v * y])
    found = np.linalg.solve(np.array(rows, np.float64), target.ravel().astype(np.float64))
    return np.append(found, 1.0).reshape(3, 3)


def _warped(rgb: Bytes, work: Points, size_px: tuple[int, int]) -> Bytes:
    # OpenCV counts from the middle of the first pixel, nouns from its outer corner.
    to_corner, to_middle = np.eye(3), np.eye(3)
    to_corner[:2, 2], to_middle[:2, 2] = 0.5, -0.5
    warped = cv2.warpPerspective(
        rgb,
        to_middle @ work @ to_corner,
        size_px,
        flags=cv2.INTER_CUBIC,
        borderMode=cv2.BORDER_REPLICATE,
    )
    return np.asarray(warped, np.uint8)


def _straightened(rgb: Bytes, work: Points, size_px: tuple[int, int], lens: Lens) -> Bytes:
    """The same, of a picture that a lens has bent; band by band."""
    back = np.linalg.inv(work)
    x = np.arange(size_px[0]) + 0.5
    flat = np.empty((size_px[1], size_px[0], 3), np.uint8)
    for top in range(0, size_px[1], 256):
        y = np.arange(top, min(top + 256, size_px[1]))[:, None] + 0.5
        depth = back[2, 0] * x + (back[2, 1] * y + back[2, 2])
        across, down = ((back[k, 0] * x + (back[k, 1] * y + back[k, 2])) / depth for k in (0, 1))
        seen = lens.bent(np.stack([across, down], axis=-1).astype(np.float32)) - np.float32(0.5)
        flat[top : top + len(y)] = cv2.remap(
            rgb, seen[..., 0], seen[..., 1], cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE
        )
    return flat


def _without_rim(rgb: Bytes, bow_px: float) -> Bytes:
    """The same picture, its rim overpainted with what lies just inside: no table shows there."""
    rows, cols = rgb.shape[:2]
    rim = max(2, math.ceil(0.003 * min(rows, cols))) + math.ceil(min(bow_px, 0.01 * rows))
    rgb[:rim], rgb[-rim:] = rgb[rim], rgb[-rim - 1]
    rgb[:, :rim], rgb[:, -rim:] = rgb[:, rim, None], rgb[:, -rim - 1, None]
    return rgb
