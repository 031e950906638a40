"""The light as PDF, for those who plug a tablet into the projector and have no browser there.

Black pages of the projector's own proportions. Where a registration is known, it is baked in:
shown full screen on the same projector, pixel for pixel, the lines land where they belong. Where
it is not, the drawing stands upright and to scale, with corner crosses and a rule to set up
the projector by.
"""

from __future__ import annotations

import io
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from raster2path.geometry import Points, to_points
from raster2path.guides.full_size import new_canvas
from raster2path.light.registration import Bow, Registration
from raster2path.light.scene import Scene, Word
from raster2path.light.views import Display, View, display

if TYPE_CHECKING:
    from reportlab.pdfgen.canvas import Canvas

POINTS_PER_PX = 0.75
"""96 pixels an inch, 72 units an inch."""

SHARE = 0.9
"""Of the picture that an unregistered drawing fills."""

RULE_SQUARES = 5
"""Length of the rule to set up a projector by, in squares of the check lines."""

CROSS_MM = 15.0
LINE_PX = 2.0
BANNER_PX = 32.0
DIGIT_SHARE = 0.73
"""A digit's height, in type sizes."""


def upright(size_mm: tuple[float, float], size_px: tuple[int, int]) -> Registration:
    """The drawing in the picture's middle, as large as fits, neither turned nor slanted."""
    scale = SHARE * min(size_px[0] / size_mm[0], size_px[1] / size_mm[1])
    x, y = ((px - scale * mm) / 2 for px, mm in zip(size_px, size_mm, strict=True))
    matrix = np.array([[scale, 0, x], [0, scale, y], [0, 0, 1.0]])
    return Registration(matrix, size_px, Bow.none(size_px))


def light_pdf(
    scene: Scene,
    registration: Registration | None,
    *,
    size_px: tuple[int, int],
    is_punched: bool,
) -> bytes:
    """A page to check by, the marking-out view, everything, then a page a cut.

    Args:
        scene: all light of the job.
        registration: where the sheet lies on this projector, or None.
        size_px: columns and rows of the projector.
        is_punched: True to light punch marks in the marking-out view.
    """
    stream = io.BytesIO()
    size_pt = (size_px[0] * POINTS_PER_PX, size_px[1] * POINTS_PER_PX)
    canvas = new_canvas(stream, size_pt, scene.title)
    screen = _Screen(canvas, registration or upright(scene.size_mm, size_px), scene)
    pages = [(View.CHECK, 1), (View.MARK, 1), (View.ALL, 1)]
    pages += [(View.NEXT, number) for number in range(1, scene.n_cuts + 1)]
    for view, cut in pages:
        screen.begin()
        screen.show(display(scene, view, cut=cut, is_punched=is_punched))
        if registration is None:
            screen.crosses()
            if view is View.CHECK:
                screen.rule()
        canvas.showPage()
    canvas.save()
    return stream.getvalue()


@dataclass(frozen=True, slots=True)
class _Screen:
    """One black page after another; pixels, y down."""

    canvas: Canvas
    map: Registration
    scene: Scene

    def begin(self) -> None:
        width, height = self.map.size_px
        self.canvas.scale(POINTS_PER_PX, POINTS_PER_PX)
        self.canvas.translate(0, height)
        self.canvas.scale(1, -1)
        self.canvas.setFillColor("#000000")
        self.canvas.rect(0, 0, width, height, fill=1, stroke=0)
        self.canvas.setLineCap(1)
        self.canvas.setLineJoin(1)

    def show(self, lit: Display) -> None:
        for stroke in lit.strokes:
            points = self.map.to_px(self.scene.strokes[stroke.index].points_mm)
            self._line(points, stroke.colour, stroke.width_px, is_dashed=stroke.is_dashed)
        if lit.is_punched:
            self._dots()
        for word in lit.words:
            self._word(self.scene.words[word.index], word.colour)
        if lit.banner:
            self._upright(lit.banner, (BANNER_PX, self.map.size_px[1] - BANNER_PX), BANNER_PX)

    def _line(self, px: Points, colour: str, width_px: float, *, is_dashed: bool = False) -> None:
        self.canvas.setStrokeColor(colour)
        self.canvas.setLineWidth(width_px)
        self.canvas.setDash(*(((8, 6),) if is_dashed else ()))
        path = self.canvas.beginPath()
        path.moveTo(*px[0])
        for point in px[1:]:
            path.lineTo(*point)
        self.canvas.drawPath(path, stroke=1, fill=0)
        self.canvas.setDash()

    def _dots(self) -> None:
        self.canvas.setFillColor(self.scene.colours.aid)
        if self.scene.punched_mm:
            for x, y in self.map.to_px(to_points(self.scene.punched_mm)):
                self.canvas.circle(x, y, 2.5, fill=1, stroke=0)

    def _word(self, word: Word, colour: str) -> None:
        """A numeral, slanted as its place on the sheet asks."""
        (at, right, down) = self.map.to_px(to_points([word.at_mm, word.at_mm + 1, word.at_mm + 1j]))
        self.canvas.saveState()
        self.canvas.transform(*(right - at), *(down - at), *at)
        self.canvas.scale(1, -1)
        self.canvas.setFillColor(colour)
        self.canvas.setFont("Helvetica", word.height_mm / DIGIT_SHARE)
        self.canvas.drawCentredString(0, -word.height_mm / 2, word.text)
        self.canvas.restoreState()

    def _upright(self, text: str, place: tuple[float, float], size_px: float) -> None:
        self.canvas.saveState()
        self.canvas.translate(*place)
        self.canvas.scale(1, -1)
        self.canvas.setFillColor(self.scene.colours.aid)
        self.canvas.setFont("Helvetica", size_px)
        self.canvas.drawString(0, 0, text)
        self.canvas.restoreState()

    def crosses(self) -> None:
        """One on each corner of the drawing."""
        width, height = self.scene.size_mm
        for corner in (0j, complex(width), complex(width, height), 1j * height):
            for arm in (CROSS_MM + 0j, CROSS_MM * 1j):
                px = self.map.to_px(to_points([corner - arm, corner + arm]))
                self._line(px, self.scene.colours.aid, LINE_PX)

    def rule(self) -> None:
        """With ticks, below the drawing's middle; shorter where it has no room."""
        width, height = self.scene.size_mm
        square = self.scene.units.square_mm
        length = min(RULE_SQUARES, width // square) * square
        start = complex((width - length) / 2, height / 2)
        colour = self.scene.colours.aid
        self._line(self.map.to_px(to_points([start, start + length])), colour, LINE_PX)
        for k in range(round(length / square) + 1):
            at = start + square * k
            self._line(self.map.to_px(to_points([at - 12j, at + 12j])), colour, LINE_PX)
        (place,) = self.map.to_px(to_points([start - 20j]))
        told = self.scene.units.told(f"{length:g} mm")
        words = f"{told}: move or zoom the projector until it is"
        self._upright(words, (float(place[0]), float(place[1])), BANNER_PX)
