"""The group `scale`: crosses, check rule, legend, revision mark, and why it can't be cut yet.

Private to `guides`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass

from svgwrite.container import Group
from svgwrite.drawing import Drawing

from raster2path.geometry import Kind
from raster2path.guides._places import Floor
from raster2path.guides._write import at, mark_data, number, short, text_width, writable
from raster2path.guides.colours import Palette
from raster2path.model import CutOrder, Stamp
from raster2path.units import Units

STAMP = "NOT READY TO CUT"

_CROSS_IN_MM = 8.0
_CROSS_ARM_MM = 4.0
_MOST_REASONS = 6


@dataclass(frozen=True, slots=True)
class _Sample:
    """One entry of the legend: words, and what draws the sample left of them."""

    words: str
    draw: Callable[[Group, complex, float], None]


def draw_scale(
    drawing: Drawing,
    order: CutOrder,
    floor: Floor,
    *,
    stamp: Stamp,
    palette: Palette,
    is_punched: bool = False,
) -> Group:
    """Everything that lets paper, light and steel be checked against each other.

    Rule, title and legend stand outside the sign's box where there is room, else where they cover
    no line. What they take is taken from `floor`.
    """
    group = drawing.g(id="scale", font_family="sans-serif", fill=palette.aid)
    around = Floor(floor.size_mm, like=floor)
    left, top, width, height = order.plan.sign.art.placement.sign_mm
    around.take_box((left - 3, top - 3, left + width + 3, top + height + 3))
    page = _Page(drawing, group, (around, floor), palette, stamp.units)
    page.crosses()
    page.rule()
    page.title(writable(stamp.title))
    page.legend(order, is_punched=is_punched)
    page.loose(order)
    if stamp.not_ready:
        page.stamp(tuple(map(writable, stamp.not_ready)))
    return group


@dataclass(frozen=True, slots=True)
class _Page:
    """Draws onto one group and keeps what it took from every floor up to date."""

    drawing: Drawing
    group: Group
    floors: tuple[Floor, Floor]
    palette: Palette
    units: Units

    @property
    def size(self) -> tuple[float, float]:
        return self.floors[0].size_mm

    def _take(self, centre: complex, size: tuple[float, float]) -> None:
        half = complex(*size) / 2
        a, b = centre - half, centre + half
        for floor in self.floors:
            floor.take_box((a.real, a.imag, b.real, b.imag))

    def _find(self, size: tuple[float, float], *, to: complex) -> complex | None:
        """The free place nearest to a point, outside the sign if that goes; it is taken."""
        for floor in self.floors:
            centre = floor.nearest(*size, to=to)
            if centre is not None:
                self._take(centre, size)
                return centre
        return None

    def _line(self, group: Group, data: str, width_mm: float, **more: str) -> None:
        look = {"stroke": self.palette.aid, "fill": "none", **more}
        group.add(self.drawing.path(d=data, stroke_width=short(width_mm), **look))

    def _text(self, words: str, place: complex, font_mm: float, **more: str) -> None:
        x, y = number(place.real), number(place.imag)
        self.group.add(self.drawing.text(words, insert=(x, y), font_size=number(font_mm), **more))

    # ------------------------------------------------------------ what is always there

    def crosses(self) -> None:
        """A cross in each corner, the same way in from both sides."""
        inset = min(_CROSS_IN_MM, min(self.size) / 6)
        arm = inset * _CROSS_ARM_MM / _CROSS_IN_MM
        data = []
        for x in (inset, self.size[0] - inset):
            for y in (inset, self.size[1] - inset):
                data.append(f"M {at(complex(x - arm, y))} H {number(x + arm)}")
                data.append(f"M {at(complex(x, y - arm))} V {number(y + arm)}")
                self._take(complex(x, y), (2 * arm + 2, 2 * arm + 2))
        self._line(self.group, " ".join(data), 0.25)

    def rule(self) -> None:
        """The check rule, as long as the drawing lets it, with its length written."""
        corner, each = 1j * self.size[1], self.units.ticks_to_long
        for length, words, n_parts in self.units.rules:
            font, step = 4.0, length / n_parts
            box = (length + 3.0, 11.0)
            centre = self._find(box, to=corner + complex(length / 2 + 14, -8))
            if centre is None:
                continue
            start = centre + complex(-length / 2, 3.5)
            ticks = " ".join(
                f"M {at(start + k * step)} v {number(-3 if k % each == 0 else -1.8)}"
                for k in range(n_parts + 1)
            )
            self._line(self.group, f"M {at(start)} h {number(length)} {ticks}", 0.35)
            place = complex(centre.real, start.imag - 4.2)
            self._text(words, place, font, text_anchor="middle")
            return

    def title(self, words: str) -> None:
        """Job, date and revision mark, top left."""
        room = self.size[0] - 2 * (_CROSS_IN_MM + _CROSS_ARM_MM + 2)
        font = max(1.5, min(5.0, room / max(text_width(words, 1.0), 1e-9)))
        box = (text_width(words, font) + 2, 1.4 * font)
        corner = complex(box[0] / 2 + _CROSS_IN_MM + _CROSS_ARM_MM, 9)
        centre = self._find(box, to=corner) or corner
        place = centre + complex(1 - box[0] / 2, 0.36 * font)
        self._text(words, place, font, font_weight="bold")

    # ------------------------------------------------------------ the legend

    def _line_sample(self, kind: Kind) -> Callable[[Group, complex, float], None]:
        ink = self.palette.ink(kind)

        def draw(group: Group, left: complex, em: float) -> None:
            ring = 0.55 * em
            middle = left + ring
            look = {"stroke": ink.colour, "fill": "none"}
            group.add(
                self.drawing.circle(
                    center=(number(middle.real), number(middle.imag)),
                    r=number(ring),
                    stroke_width="0.3",
                    **look,
                )
            )
            self._line(group, mark_data(ink.mark, middle, ring), 0.3, stroke=ink.colour)
            run = f"M {at(left + 1.5 * em)} H {number(left.real + 3.4 * em)}"
            self._line(group, run, ink.width_mm, stroke=ink.colour, stroke_linecap="round")

        return draw

    def _box_sample(self, fill: str, **look: str) -> Callable[[Group, complex, float], None]:
        def draw(group: Group, left: complex, em: float) -> None:
            a, b = left + complex(0, -0.5 * em), left + complex(3.4 * em, 0.5 * em)
            data = f"M {at(a)} H {number(b.real)} V {number(b.imag)} H {number(a.real)} Z"
            group.add(self.drawing.path(d=data, fill=fill, **look))

        return draw

    def _thin_sample(self, colour: str, **look: str) -> Callable[[Group, complex, float], None]:
        def draw(group: Group, left: complex, em: float) -> None:
            run = f"M {at(left)} H {number(left.real + 3.4 * em)}"
            self._line(group, run, 0.35, stroke=colour, **look)

        return draw

    def _punch_sample(self, group: Group, left: complex, em: float) -> None:
        look = {"fill": self.palette.ground, "stroke": self.palette.aid, "stroke_width": "0.5"}
        for x in (0.6, 1.7, 2.8):
            at_mm = left + x * em
            centre = (number(at_mm.real), number(at_mm.imag))
            group.add(self.drawing.circle(center=centre, r="0.75", **look))

    def _samples(self, order: CutOrder) -> Iterator[_Sample]:
        kinds = {cut.kind for cut in order.cuts}
        for kind in sorted(kinds):
            yield _Sample(self.palette.ink(kind).word, self._line_sample(kind))
        if any(cut.lead_in is not None for cut in order.cuts):
            first = self.palette.ink(min(kinds)).colour
            yield _Sample("in and out", self._thin_sample(first))
        if order.plan.edges:
            yield _Sample("stays", self._box_sample(self.palette.metal))
        if order.plan.sign.ties:
            dashed = {
                "stroke": self.palette.aid,
                "stroke_width": "0.3",
                "stroke_dasharray": "1.5,1",
            }
            yield _Sample("tie, do not cut", self._box_sample(self.palette.tie, **dashed))
        if order.plan.sign.art.placement.sheet_mm is not None:
            yield _Sample("blank", self._thin_sample(self.palette.aid, stroke_dasharray="6,3"))

    def legend(self, order: CutOrder, *, is_punched: bool) -> None:
        """Words for what is drawn, in as many rows as fit somewhere; smaller if need be."""
        samples = list(self._samples(order))
        if is_punched:
            samples.append(_Sample("punch here", self._punch_sample))
        for floor in self.floors:
            if any(self._legend_on(floor, samples, em) for em in (4.0, 3.2, 2.6, 2.0)):
                return

    def _legend_on(self, floor: Floor, samples: list[_Sample], em: float) -> bool:
        """Write the legend in the type size given, if it fits anywhere on this floor."""
        corner = complex(self.size[0] - 14, self.size[1] - 8)
        heading = "keep the middle of the tip on the solid line" if em > 2.6 else ""
        wide = [_width(sample, em) for sample in samples]
        for n_rows in range(1, len(samples) + 1):
            rows = _in_rows(wide, n_rows)
            across = max(sum(wide[i] for i in row) for row in rows)
            box = (max(across, text_width(heading, em)), (len(rows) + bool(heading)) * 1.7 * em)
            centre = floor.nearest(*box, to=corner - complex(*box) / 2)
            if centre is None:
                continue
            self._take(centre, box)
            line = centre - complex(*box) / 2 + 0.85j * em
            if heading:
                self._text(heading, line + 0.36j * em, em)
                line += 1.7j * em
            self._write_rows(samples, rows, line, em)
            return True
        return False

    def _write_rows(
        self, samples: list[_Sample], rows: list[list[int]], line: complex, em: float
    ) -> None:
        for n, row in enumerate(rows):
            left = line + 1.7j * em * n
            for i in row:
                samples[i].draw(self.group, left, em)
                self._text(samples[i].words, left + complex(3.9, 0.36) * em, em)
                left += _width(samples[i], em)

    # ------------------------------------------------------------ what is wrong

    def loose(self, order: CutOrder) -> None:
        """A dashed ring round each loose piece, numbered."""
        for n, island in enumerate(order.plan.sign.loose, 1):
            x, y = island.place_mm.real, island.place_mm.imag
            radius = math.hypot(*island.size_mm) / 2 + 4
            radius = max(4.0, min(radius, x, y, self.size[0] - x, self.size[1] - y))
            self.group.add(
                self.drawing.circle(
                    center=(number(x), number(y)),
                    r=number(radius),
                    fill="none",
                    stroke=self.palette.alarm,
                    stroke_width="1",
                    stroke_dasharray="4,2",
                )
            )
            place = island.place_mm + radius * complex(0.71, -0.71)
            self._on_ground(f"loose {n}", place, 6.0)

    def _on_ground(self, words: str, place: complex, font_mm: float, **more: str) -> None:
        """Words that stay legible over lines: a broad stroke of the ground lies under them."""
        look = {"text_anchor": "middle", "font_weight": "bold", **more}
        half = 0.6 * text_width(words, font_mm)
        x = min(max(place.real, half), max(half, self.size[0] - half))
        y = min(max(place.imag, font_mm), self.size[1] - 1)
        ground = self.palette.ground
        under = {"stroke": ground, "stroke_linejoin": "round", "fill": ground}
        width = short(0.3 * font_mm)
        self._text(words, complex(x, y), font_mm, stroke_width=width, **under, **look)
        self._text(words, complex(x, y), font_mm, fill=self.palette.alarm, **look)

    def stamp(self, reasons: tuple[str, ...]) -> None:
        """NOT READY TO CUT across the drawing, and why."""
        width, height = self.size
        font = min(0.8 * width / text_width(STAMP, 1.2), 0.2 * height)
        centre = complex(width / 2, height / 2)
        self._on_ground(STAMP, centre, font, fill_opacity="0.85")
        shown = list(reasons[:_MOST_REASONS])
        if len(reasons) > len(shown):
            shown.append(f"and {len(reasons) - len(shown)} more")
        longest = max(text_width(reason, 1.2) for reason in shown)
        small = min(0.35 * font, 0.9 * width / longest, 8.0)
        for n, reason in enumerate(shown, 1):
            self._on_ground(reason, centre + 1j * (0.3 * font + 1.5 * n * small), small)


def _width(sample: _Sample, em: float) -> float:
    return 5 * em + text_width(sample.words, em)


def _in_rows(wide: list[float], n_rows: int) -> list[list[int]]:
    """Entries in order, spread over so many rows about evenly."""
    goal = sum(wide) / n_rows
    rows: list[list[int]] = [[]]
    for i, width in enumerate(wide):
        so_far = sum(wide[k] for k in rows[-1])
        if rows[-1] and len(rows) < n_rows and so_far + width / 2 > goal:
            rows.append([])
        rows[-1].append(i)
    return rows
