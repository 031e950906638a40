"""Independent readings of a finished sign: they share no code with the package."""

import re
import xml.etree.ElementTree as ET
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt
from scipy import ndimage
from svgelements import SVG, Group, Shape
from svgelements import Path as SvgPath

SVG_NS = "{http://www.w3.org/2000/svg}"


def groups_of(svg: Path) -> dict[str, list[tuple[str, str, npt.NDArray[np.float64]]]]:
    """Top-level group id -> (id, class, points in mm) of every subpath below it."""
    out: dict[str, list[tuple[str, str, npt.NDArray[np.float64]]]] = {}

    def walk(node: object, top: str) -> None:
        for child in node:  # type: ignore[attr-defined]  # svgelements has no types
            values = getattr(child, "values", {}) or {}
            name = str(values.get("id") or "")
            if isinstance(child, Group):
                walk(child, top or name)
            elif isinstance(child, Shape):
                for sub in SvgPath(child).as_subpaths():
                    points = [p for s in SvgPath(sub) for p in _points(s)]
                    kinds = str(values.get("class") or "")
                    out.setdefault(top, []).append((name, kinds, np.array(points).reshape(-1, 2)))

    walk(SVG.parse(str(svg), reify=True, ppi=25.4), "")
    return out


def _points(segment: object) -> list[tuple[float, float]]:
    kind = type(segment).__name__
    if kind in ("Move", "Line", "Close"):
        end = segment.end  # type: ignore[attr-defined]
        return [(end.x, end.y)] if end is not None else []
    at = segment.point  # type: ignore[attr-defined]
    return [(p.x, p.y) for p in (at(float(t)) for t in np.linspace(0, 1, 40)[1:])]


def metal_areas_mm2(svg: Path, *, kerf_mm: float, px_mm: float = 0.25) -> list[float]:
    """Areas of the connected pieces of metal once slits are cut, counted by scipy's labelling."""
    groups = groups_of(svg)
    rings = [points for _, _, points in groups["edges"]]
    everything = np.concatenate(rings)
    low = everything.min(axis=0) - 2
    size = ((everything.max(axis=0) + 2 - low) / px_mm).astype(int)
    mask = np.zeros((size[1], size[0]), np.uint8)
    fixed = [np.round((r - low) / px_mm * 16).astype(np.int32).reshape(-1, 1, 2) for r in rings]
    for ring in fixed:
        one = np.zeros_like(mask)
        cv2.fillPoly(one, [ring], 1, shift=4)
        mask ^= one
    for _, _, points in groups.get("slits", []):
        line = np.round((points - low) / px_mm * 16).astype(np.int32).reshape(-1, 1, 2)
        width = max(1, round(kerf_mm / px_mm))
        cv2.polylines(mask, [line], isClosed=False, color=0, thickness=width, shift=4)
    labels, n = ndimage.label(mask)
    areas = ndimage.sum_labels(mask, labels, np.arange(1, n + 1)) * px_mm**2
    return sorted((float(a) for a in areas if a > 4), reverse=True)


def root_of(svg: Path) -> ET.Element:
    """The root element, by the standard library's parser."""
    return ET.fromstring(svg.read_text(encoding="utf-8"))  # noqa: S314 (our own file)


def description_of(svg: Path) -> dict[str, list[str]]:
    """The `key: value` lines of `<desc>`."""
    desc = root_of(svg).find(f"{SVG_NS}desc")
    lines = re.findall(
        r"^([^:\n]+): (.*)$", (desc.text if desc is not None else "") or "", re.MULTILINE
    )
    out: dict[str, list[str]] = {}
    for key, value in lines:
        out.setdefault(key, []).append(value)
    return out
