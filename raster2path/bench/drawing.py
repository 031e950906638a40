"""What the page draws: a result as plain lists and words, millimetres throughout."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from functools import lru_cache
from typing import Any

import cv2
import numpy as np
import shapely

from raster2path.geometry import Kind, Path, Points
from raster2path.guides.svg import path_data
from raster2path.job import Job
from raster2path.model import (
    Cut,
    Note,
    Outlines,
    Paths,
    Picture,
    Placement,
    Reading,
    Sign,
    Tie,
)
from raster2path.pipeline import Result
from raster2path.torch.tally import tally
from raster2path.units import Units

Json = dict[str, Any]

LONGEST_PX = 4096
"""The page's picture is made no larger: what is cut is drawn from lines, not from this."""


def drawing_of(result: Result, *, number: int, is_final: bool) -> Json:
    """All that the page needs to draw a result and to answer a touch.

    Args:
        result: of the pipeline.
        number: of the wish that it answers.
        is_final: False while the order of cuts is still being planned.
    """
    return {
        "number": number,
        "is_final": is_final,
        "name": result.stamp.name,
        "title": result.stamp.title,
        "mark": result.stamp.mark,
        "is_ready": result.is_ready,
        **placed(result.sign.art.placement, result.picture, result.job, result.hashes),
        "reading": reading_of(result.reading),
        "border": result.outlines.border.value,
        "dark": result.outlines.region.value,
        "drawn": key_of(result, "areas"),
        "deviation_mm": deviations_mm(result.outlines, result.paths),
        **sign_drawn(result.sign, result.job, result.picture),
        "cuts": [_cut(k, cut) for k, cut in enumerate(result.order.cuts)],
        "kerf_mm": result.plan.kerf_mm,
        "how": result.order.how,
        "notes": [_note(note, result.stamp.units) for note in result.notes],
        "sums": _sums(result),
    }


def glimpse_of(result: Result) -> Json:
    """A result in a few thumbs' size: its metal and slits."""
    left, top, width, height = result.sign.art.placement.sign_mm
    return {
        "box": f"{left:.1f} {top:.1f} {width:.1f} {height:.1f}",
        "metal": " ".join(_polyline(edge.path.flat(0.5), 400) + "Z" for edge in result.sign.edges),
        "slits": " ".join(_polyline(path.flat(0.5), 400) for path in result.sign.slits),
        "width_mm": width,
    }


def key_of(result: Result, stage: str) -> str:
    """Names a stage's noun towards the page: the same key is the same noun."""
    return key_for(result.hashes[stage])


def key_for(told: str) -> str:
    """The same from a stage's hash."""
    return hashlib.sha256(told.encode()).hexdigest()[:16]


def fetched_of(result: Result) -> dict[str, object]:
    """What the page may fetch of a result, by key."""
    stages = ("photo", "paper", "brush", "areas")
    return {key_of(result, stage): result.nouns[result.hashes[stage]] for stage in stages}


def placed(placement: Placement, picture: Picture, job: Job, hashes: Mapping[str, str]) -> Json:
    """Where the sign lies, and the picture under it; keys of what is there to be fetched."""
    rows, cols = picture.rgb.shape[:2]

    def key(stage: str) -> str:
        return key_for(hashes[stage]) if stage in hashes else ""

    return {
        "sign_mm": [round(side, 3) for side in placement.sign_mm],
        "sheet_mm": placement.sheet_mm,
        "picture": {
            "key": key("paper"),
            "upright": key("photo"),
            "ink": key("brush"),
            "box_mm": box_mm(placement, cols, rows),
            "upright_px": picture.upright_size_px,
            "is_squared": picture.is_squared,
            "corners_px": _corners_px(job, picture),
        },
        "upright_from_mm": upright_from_mm(placement, picture).tolist(),
        "px_per_mm": _px_per_mm(placement, picture),
    }


def reading_of(reading: Reading) -> Json:
    """How it is read, and why."""
    return {
        "read": reading.read.value,
        "reason": reading.reason,
        "is_guessed": reading.is_guessed,
        "sure": reading.certainty_words,
    }


def outlines_drawn(outlines: Outlines) -> Json:
    """Edges as they were drawn, before anything was fitted."""
    return {
        "edges": [
            {
                "number": k,
                "is_border": ring.is_border,
                "d": _polyline(ring.points_mm, 600) + "Z",
                "kind": Kind(int(np.bincount(ring.kinds).argmax())).token,
                "falls": False,
                "length_mm": 0.0,
                "box_mm": _box_round(ring.points_mm),
                "at_mm": ring.points_mm[0].tolist(),
            }
            for k, ring in enumerate(outlines.rings)
        ],
        "slits": [_polyline(stroke.points_mm, 600) for stroke in outlines.strokes],
    }


def _box_round(points_mm: Points) -> list[float]:
    low, high = points_mm.min(axis=0), points_mm.max(axis=0)
    return [round(float(v), 2) for v in (*low, *(high - low))]


def paths_drawn(paths: Paths) -> Json:
    """Fitted edges before any tie."""
    return {
        "edges": [
            _edge(k, ring.path, is_border=ring.is_border) for k, ring in enumerate(paths.rings)
        ],
        "slits": [path_data(path) for path in paths.slits],
    }


def sign_drawn(sign: Sign, job: Job, picture: Picture) -> Json:
    """Edges, slits and ties of a sign."""
    turn = upright_from_mm(sign.art.placement, picture)
    return {
        "edges": [
            _edge(k, edge.path, is_border=edge.is_border) for k, edge in enumerate(sign.edges)
        ],
        "slits": [path_data(path) for path in sign.slits],
        "ties": [_tie(k, tie, job, turn) for k, tie in enumerate(sign.ties)],
        "n_islands": sign.n_islands,
        "n_loose": len(sign.loose),
    }


def box_mm(placement: Placement, cols: int, rows: int) -> list[float]:
    """Where a working picture of that size lies on the sheet: left, top, width, height."""
    corner, scale = placement.origin_mm, placement.mm_per_px
    return [corner.real, corner.imag, cols * scale, rows * scale]


def upright_from_mm(placement: Placement, picture: Picture) -> Points:
    """From the sheet to pixels of the upright original picture, 3 x 3."""
    scale, corner = placement.mm_per_px, placement.origin_mm
    px_from_mm = np.array(
        [
            [1 / scale, 0, -corner.real / scale],
            [0, 1 / scale, -corner.imag / scale],
            [0, 0, 1],
        ]
    )
    return np.asarray(np.linalg.inv(picture.work_from_upright) @ px_from_mm, np.float64)


def _px_per_mm(placement: Placement, picture: Picture) -> float:
    """Pixels of the upright original for a millimetre, in the sign's middle."""
    left, top, width, height = placement.sign_mm
    turn = upright_from_mm(placement, picture)
    x, y = left + width / 2, top + height / 2
    ends = np.array([[x, y, 1], [x + 1, y, 1]]) @ turn.T
    a, b = ends[:, :2] / ends[:, 2:]
    return float(np.hypot(*(b - a)))


def _corners_px(job: Job, picture: Picture) -> list[list[float]]:
    """Corners of the squared picture in the upright original, or the corners as said by hand."""
    said = job.photo.corners_px
    if said is not None:
        return [list(said[k : k + 2]) for k in range(0, 8, 2)]
    rows, cols = picture.rgb.shape[:2]
    box = np.array([[0, 0, 1], [cols, 0, 1], [cols, rows, 1], [0, rows, 1]], np.float64)
    out = box @ np.linalg.inv(picture.work_from_upright).T
    return [[round(float(x / w), 1), round(float(y / w), 1)] for x, y, w in out]


def drawn_of(outlines: Outlines) -> list[str]:
    """The drawn lines, before any line or curve was put through them; as path data."""
    closed = [_polyline(ring.points_mm) + "Z" for ring in outlines.rings]
    strokes = [
        _polyline(stroke.points_mm) + ("Z" if stroke.is_closed else "")
        for stroke in outlines.strokes
    ]
    return closed + strokes


def _polyline(points_mm: Points, most: int = 3000) -> str:
    step = max(1, len(points_mm) // most)
    return "M" + "L".join(f"{x:.2f} {y:.2f}" for x, y in points_mm[::step])


@lru_cache(maxsize=8)
def deviations_mm(outlines: Outlines, paths: Paths) -> dict[str, float]:
    """How far the fitted edge lies from the drawn one at most, of flowing and of strict edges."""
    out = {"flowing": 0.0, "lettering": 0.0}
    pairs = [(ring.points_mm, ring.kinds, r.path) for ring, r in _paired(outlines, paths)]
    for points, kinds, path in pairs:
        line = shapely.LineString(_closed(path))
        step = max(1, len(points) // 400)
        away = shapely.distance(line, shapely.points(points[::step]))
        is_flowing = kinds[::step] == int(Kind.ORGANIC)
        for word, chosen in (("flowing", is_flowing), ("lettering", ~is_flowing)):
            if chosen.any():
                out[word] = max(out[word], float(away[chosen].max()))
    return {word: round(value, 2) for word, value in out.items()}


def _paired(outlines: Outlines, paths: Paths) -> list[tuple[Any, Any]]:
    if len(outlines.rings) != len(paths.rings):  # one was left out; then nothing can be said
        return []
    return list(zip(outlines.rings, paths.rings, strict=True))


def _closed(path: Path) -> Points:
    points = path.flat(0.05)
    return np.vstack([points, points[:1]]) if path.is_closed else points


def _edge(number: int, path: Path, *, is_border: bool) -> Json:
    return {"number": number, "is_border": is_border, **_facts(path)}


@lru_cache(maxsize=4000)
def _facts(path: Path) -> Json:
    """What hangs on a path alone; most of them are the same after a change."""
    x0, y0, x1, y1 = path.bounds()
    return {
        "d": path_data(path),
        "kind": path.kind.token,
        "falls": path.area < 0,
        "length_mm": round(path.length, 1),
        "box_mm": [round(v, 2) for v in (x0, y0, x1 - x0, y1 - y0)],
        "at_mm": _pair(path.segments[len(path) // 2].point(0.5)),
    }


def _tie(number: int, tie: Tie, job: Job, turn: Points) -> Json:
    middle = sum(tie.corners) / len(tie.corners)
    load = tie.load
    used = None if load is None else round(100 * load.stress_mpa / load.allowed_mpa)
    return {
        "number": number,
        "corners_mm": [_pair(corner) for corner in tie.corners],
        "at_mm": _pair(middle),
        "width_mm": round(tie.width_mm, 1),
        "length_mm": round(tie.length_mm, 1),
        "used_percent": used,
        "is_mine": _is_by_hand(middle, tie, job, turn),
    }


def _is_by_hand(middle: complex, tie: Tie, job: Job, turn: Points) -> bool:
    said = job.corrections
    places = [*said.ties_px, *(place[:2] for place in said.wide_ties_px_mm)]
    if not places:
        return False
    out = np.column_stack([np.array(places), np.ones(len(places))]) @ np.linalg.inv(turn).T
    on_sheet = out[:, 0] / out[:, 2] + 1j * out[:, 1] / out[:, 2]
    return bool((np.abs(on_sheet - middle) < tie.length_mm / 2 + tie.width_mm).any())


def _cut(number: int, cut: Cut) -> Json:
    return {
        "number": number + 1,
        "type": cut.type.value,
        "kind": cut.kind.token,
        "d": None if cut.path is None else _facts(cut.path)["d"],
        "lead": None if cut.lead_in is None else path_data(cut.lead_in),
        "run": None if cut.run_past is None else path_data(cut.run_past),
        "pierce_mm": _pair(cut.pierce_mm),
        "at_mm": _pair(cut.pierce_mm if cut.path is None else cut.path.start),
        "length_mm": 0.0 if cut.path is None else _facts(cut.path)["length_mm"],
    }


def _note(note: Note, units: Units) -> Json:
    sentence = note.sentence[:1].upper() + note.sentence[1:].rstrip(".") + "."
    return {
        "kind": note.kind.value,
        "is_fault": note.kind.is_fault,
        "rank": note.kind.rank,
        "sentence": units.told(sentence),
        "at_mm": None if note.place_mm is None else _pair(note.place_mm),
        "size_mm": note.size_mm,
        "remedy": None if note.remedy is None else units.told(note.remedy),
    }


def _sums(result: Result) -> Json:
    rules = result.job.tally
    counted = tally(result.order, rules=rules)
    return {
        "metres": round(counted.metres, 2),
        "starts": counted.starts,
        "arc_min": round(counted.arc_s / 60, 1),
        "elapsed_min": round(counted.elapsed_s / 60),
        "sign_kg": round(counted.sign_kg, 2),
        "shade": counted.shade,
        "thickness_mm": rules.thickness_mm,
    }


def _pair(z: complex) -> list[float]:
    return [round(z.real, 3), round(z.imag, 3)]


# ------------------------------------------------------------------ pictures


def picture_jpeg(rgb: np.ndarray[Any, np.dtype[np.uint8]]) -> bytes:
    """A picture as JPEG, its longer side at most `LONGEST_PX`."""
    scale = LONGEST_PX / max(rgb.shape[:2])
    if scale < 1:
        rgb = np.asarray(
            cv2.resize(rgb, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA), np.uint8
        )
    _, out = cv2.imencode(
        ".jpg", cv2.cvtColor(rgb, cv2.COLOR_RGB2BGR), [cv2.IMWRITE_JPEG_QUALITY, 88]
    )
    return out.tobytes()


def ink_png(mask: np.ndarray[Any, np.dtype[np.bool_]]) -> bytes:
    """Ink as PNG: opaque where there is ink, clear elsewhere."""
    level = mask.astype(np.uint8) * 255
    scale = LONGEST_PX / max(mask.shape)
    if scale < 1:
        level = np.asarray(
            cv2.resize(level, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA), np.uint8
        )
    ink = np.zeros((*level.shape, 4), np.uint8)
    ink[..., 0], ink[..., 1], ink[..., 2], ink[..., 3] = 120, 60, 20, level
    _, out = cv2.imencode(".png", ink, [cv2.IMWRITE_PNG_COMPRESSION, 1])
    return out.tobytes()
