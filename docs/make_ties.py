"""Twelve signs before and after their ties: `python -m docs.make_ties` from the repository's root.

Every sign is drawn here, with shapes of our own and lettering from the font that comes with
matplotlib, then made by the same road as any picture. The pictures go into docs/pictures; what
the ties weigh is printed, as docs/ties.md tells it.
"""

from __future__ import annotations

import math
import tempfile
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path as FilePath

import matplotlib as mpl
import numpy as np
import numpy.typing as npt
import shapely
from PIL import Image as Coloured
from PIL import ImageDraw, ImageFilter, ImageFont

from raster2path import make, new_job
from raster2path.geometry import Points, to_points
from raster2path.model import Sign
from raster2path.settings import BY_KEY, Said, with_said
from raster2path.sign._islands import metal_of, parts_of

PICTURES = FilePath(__file__).parent / "pictures"
Image = npt.NDArray[np.uint8]
Draw = Callable[[ImageDraw.ImageDraw], None]

SIDE = 1600
"""Of a drawing, in pixels."""
CELL, HIGH = 470, 330
"""Of a sign on the page."""
STEEL, LOOSE, TIE = (134, 141, 147), (230, 159, 0), (213, 94, 0)
"""Steel; Okabe & Ito's orange for what would fall, vermilion for what holds it."""
FONTS = FilePath(mpl.get_data_path()) / "fonts" / "ttf"
INK, PAPER = 0, 255


def text(
    draw: ImageDraw.ImageDraw, words: str, at: tuple[float, float], size: int, font: str
) -> None:
    """Words, their middle at a place."""
    face = ImageFont.truetype(str(FONTS / font), size)
    draw.text(at, words, fill=INK, font=face, anchor="mm")


def disc(draw: ImageDraw.ImageDraw, at: complex, radius: float, ink: int = INK) -> None:
    """A round spot."""
    x, y = at.real, at.imag
    draw.ellipse((x - radius, y - radius, x + radius, y + radius), fill=ink)


def shape(draw: ImageDraw.ImageDraw, points: Iterable[complex], ink: int = INK) -> None:
    """A polygon."""
    draw.polygon([(z.real, z.imag) for z in points], fill=ink)


def turned(points: Iterable[complex], turn: float, about: complex) -> list[complex]:
    """Points turned about a place, in radians."""
    return [about + (z - about) * complex(math.cos(turn), math.sin(turn)) for z in points]


def leaf(at: complex, along: complex, wide: float) -> list[complex]:
    """A pointed leaf from a place, in a direction as long as it is."""
    t = np.linspace(0, math.pi, 40)
    half = wide * np.sin(t) ** 1.2 * (1 + 0.25 * np.cos(t))
    spine = at + along * (1 - np.cos(t)) / 2
    side = 1j * along / abs(along)
    return [*(spine + side * half), *(spine - side * half)[::-1]]


def heron_cove(draw: ImageDraw.ImageDraw) -> None:
    """Plain capitals."""
    text(draw, "HERON COVE", (800, 300), 205, "DejaVuSans-Bold.ttf")


def ferry_lane(draw: ImageDraw.ImageDraw) -> None:
    """Letters with serifs, large and small."""
    text(draw, "Ferry Road 68", (800, 300), 185, "DejaVuSerif-Bold.ttf")


def boat_shed(draw: ImageDraw.ImageDraw) -> None:
    """Two rows of letters that nothing holds."""
    text(draw, "BOAT", (800, 300), 430, "DejaVuSans-Bold.ttf")
    text(draw, "SHED", (800, 700), 430, "DejaVuSans-Bold.ttf")


def tide_and_kelp(draw: ImageDraw.ImageDraw) -> None:
    """One row of letters that nothing holds."""
    text(draw, "Tide & Kelp", (800, 300), 215, "DejaVuSerif-Bold.ttf")


def buoy(draw: ImageDraw.ImageDraw) -> None:
    """Rings six deep."""
    for k in range(6):
        disc(draw, 800 + 800j, 720 - 125 * k, (INK, PAPER)[k % 2])


def wheel(draw: ImageDraw.ImageDraw) -> None:
    """A ship's wheel: symmetric, spokes between two rings."""
    middle = 800 + 800j
    disc(draw, middle, 640)
    disc(draw, middle, 560, PAPER)
    disc(draw, middle, 440)
    disc(draw, middle, 360, PAPER)
    disc(draw, middle, 150)
    disc(draw, middle, 70, PAPER)
    for k in range(8):
        spoke = [778 + 400j, 822 + 400j, 838 + 480j, 815 + 670j, 785 + 670j, 762 + 480j]
        shape(draw, turned(spoke, k * math.pi / 4, middle))
        handle = [770 + 20j, 830 + 20j, 850 + 130j, 820 + 175j, 780 + 175j, 750 + 130j]
        shape(draw, turned(handle, k * math.pi / 4, middle))


def sunrise(draw: ImageDraw.ImageDraw) -> None:
    """A sun over water: symmetric."""
    middle = 800 + 560j
    for k in range(13):
        ray = [middle - 335j - 30, middle - 335j + 30, middle - 520j + 10, middle - 520j - 10]
        shape(draw, turned(ray, 2 * math.pi * (k - 6) / 16, middle))
    disc(draw, middle, 300)
    disc(draw, middle, 225, PAPER)
    disc(draw, middle, 145)
    for k in range(4):
        x = np.linspace(150, 1450, 200)
        wave = 1040 + 120 * k + 26 * np.sin((x - 800) / 1300 * (6 + 2 * (k % 2)) * math.pi + 1.57)
        rim = [*(x + 1j * wave), *(x + 1j * (wave + 48))[::-1]]
        shape(draw, rim)


def fish(draw: ImageDraw.ImageDraw) -> None:
    """A fish with an eye, gills and scales."""
    t = np.linspace(0, 2 * math.pi, 200)
    body = 780 + 620 * np.cos(t) + 1j * (600 + 330 * np.sin(t) * (1 - 0.28 * np.cos(t)))
    shape(draw, body)
    shape(draw, [200 + 600j, 60 + 330j, 130 + 600j, 60 + 870j])
    shape(draw, [300 + 520j, 300 + 680j, 130 + 640j, 130 + 560j])
    disc(draw, 1160 + 520j, 78, PAPER)
    disc(draw, 1160 + 520j, 46)
    draw.arc((830, 380, 1150, 830), 130, 235, fill=PAPER, width=30)
    for row in range(3):
        for k in range(3 - row % 2):
            x, y = 460 + 140 * k + 70 * (row % 2), 470 + 120 * row
            draw.ellipse((x, y, x + 110, y + 100), outline=PAPER, width=26)


def lighthouse(draw: ImageDraw.ImageDraw) -> None:
    """A tower of parts that do not touch."""
    shape(draw, [640 + 620j, 960 + 620j, 1060 + 1420j, 540 + 1420j])
    draw.rectangle((600, 540, 1000, 590), fill=INK)
    draw.rectangle((680, 330, 920, 510), fill=INK)
    shape(draw, [640 + 300j, 960 + 300j, 800 + 150j])
    draw.rectangle((730, 370, 870, 470), fill=PAPER)
    for y in (760, 1000, 1240):
        draw.rectangle((755, y, 845, y + 120), fill=PAPER)
        draw.rectangle((775, y + 20, 825, y + 100), fill=INK)
    for side in (1, -1):
        x = [800 + side * d for d in (180, 560, 560)]
        shape(draw, [complex(x[0], 420), complex(x[1], 300), complex(x[2], 540)])


def wreath(draw: ImageDraw.ImageDraw) -> None:
    """A letter in a wreath of leaves."""
    middle = 800 + 800j
    for k in range(16):
        for turn, wide in ((0.55, 46), (-0.55, 46)):
            a = 2 * math.pi * (k + 0.5) / 16
            start = middle + 520 * complex(math.cos(a), math.sin(a))
            along = 190 * complex(math.cos(a + turn), math.sin(a + turn)) * 1j
            shape(draw, leaf(start, along, wide))
    text(draw, "B", (800, 800), 640, "DejaVuSerif-Bold.ttf")


def anchor(draw: ImageDraw.ImageDraw) -> None:
    """An anchor in a rope's ring, with a name below."""
    middle = 800 + 700j
    disc(draw, middle, 620)
    disc(draw, middle, 540, PAPER)
    disc(draw, middle - 330j, 105)
    disc(draw, middle - 330j, 55, PAPER)
    draw.rectangle((765, 460, 835, 1060), fill=INK)
    draw.rectangle((600, 540, 1000, 605), fill=INK)
    draw.arc((440, 380, 1160, 1100), 20, 160, fill=INK, width=75)
    for side in (1, -1):
        tip = [complex(800 + side * d, y) for d, y in ((400, 760), (250, 900), (390, 960))]
        shape(draw, tip)
    text(draw, "QUAY 8", (800, 1470), 200, "DejaVuSans-Bold.ttf")


def reeds(draw: ImageDraw.ImageDraw) -> None:
    """Reeds and a moon with rings on the water."""
    for k, (x, lean) in enumerate(((300, 60), (420, -40), (560, 90), (700, 30))):
        shape(draw, leaf(complex(x, 1450), complex(lean, -1000 + 90 * k), 30))
        shape(draw, leaf(complex(x + lean, 520 + 90 * k), complex(lean / 4, -260), 44))
    disc(draw, 1150 + 480j, 260)
    disc(draw, 1210 + 440j, 210, PAPER)
    for k in range(3):
        w, h = 330 - 95 * k, 120 - 34 * k
        draw.ellipse((1130 - w, 1180 - h, 1130 + w, 1180 + h), fill=(INK, PAPER)[k % 2])


@dataclass(frozen=True)
class Drawn:
    """A sign: its name, who draws it, and what the maker says."""

    name: str
    draw: Draw
    width_mm: float
    cut_out: bool = True
    border: str = "rect"


SIGNS = (
    Drawn("Heron Cove", heron_cove, 900),
    Drawn("Ferry Road 68", ferry_lane, 900),
    Drawn("Tide & Kelp", tide_and_kelp, 900, cut_out=False, border="none"),
    Drawn("Boat Shed", boat_shed, 600, cut_out=False, border="none"),
    Drawn("Life-buoy", buoy, 600, border="round"),
    Drawn("Wheel", wheel, 600),
    Drawn("Sunrise", sunrise, 600),
    Drawn("Fish", fish, 600),
    Drawn("Lighthouse", lighthouse, 600, cut_out=False, border="none"),
    Drawn("Wreath", wreath, 600, border="round"),
    Drawn("Anchor", anchor, 600, border="round"),
    Drawn("Reeds", reeds, 600),
)


def made(drawn: Drawn, folder: FilePath) -> Sign:
    """The sign, by the whole road."""
    canvas = Coloured.new("L", (SIDE, SIDE), PAPER)
    drawn.draw(ImageDraw.Draw(canvas))
    # a hair of blur, as a scanner has it: edges without grey between have steps
    canvas = canvas.filter(ImageFilter.GaussianBlur(1.2))
    path = folder / f"{drawn.name.lower().replace(' ', '-').replace('&', 'and')}.png"
    canvas.crop(_around(np.asarray(canvas))).save(path)
    words = {
        "width_mm": f"{drawn.width_mm}",
        "read": "solid",
        "dark": "opening" if drawn.cut_out else "metal",
        "border": drawn.border,
    }
    said = Said({key: BY_KEY[key].read(word) for key, word in words.items()})
    return make(with_said(new_job(path), said), path).sign


def _around(grey: Image) -> tuple[int, int, int, int]:
    rows, cols = np.nonzero(grey < 128)
    by = 40
    return (
        max(0, int(cols.min()) - by),
        max(0, int(rows.min()) - by),
        min(SIDE, int(cols.max()) + by),
        min(SIDE, int(rows.max()) + by),
    )


def filled(
    sheet: Coloured.Image,
    region: shapely.Geometry,
    low: Points,
    zoom: float,
    colour: tuple[int, int, int],
) -> None:
    """A region in one colour."""
    mask = Coloured.new("L", sheet.size, 0)
    draw = ImageDraw.Draw(mask)
    for part in shapely.get_parts(region):
        for ring, ink in ((part.exterior, 255), *((hole, 0) for hole in part.interiors)):
            draw.polygon([tuple(p) for p in (shapely.get_coordinates(ring) - low) * zoom], fill=ink)
    sheet.paste(colour, mask=mask)


def cell(sign: Sign, high: int, *, is_tied: bool) -> Coloured.Image:
    """The metal without ties, what would fall in orange; or with them, each in vermilion."""
    before = metal_of(edge.path for edge in sign.art.edges)
    after = metal_of(edge.path for edge in sign.edges)
    box = np.array(after.bounds).reshape(2, 2)
    times = 3
    zoom = times * min((CELL - 16) / (box[1, 0] - box[0, 0]), (high - 16) / (box[1, 1] - box[0, 1]))
    size = (box[1] - box[0]) * zoom
    low = box[0] - (np.array([CELL, high]) * times - size) / 2 / zoom
    sheet = Coloured.new("RGB", (CELL * times, high * times), "white")
    if is_tied:
        filled(sheet, after, low, zoom, STEEL)
        for tie in sign.ties:
            filled(sheet, shapely.Polygon(to_points(np.array(tie.corners))), low, zoom, TIE)
    else:
        for k, part in enumerate(parts_of(before)):
            filled(sheet, part, low, zoom, STEEL if k == 0 else LOOSE)
    return sheet.resize((CELL, high), Coloured.Resampling.LANCZOS)


def main() -> None:
    """Writes four strips of three signs each, before above after, and prints the numbers."""
    with tempfile.TemporaryDirectory() as folder:
        signs = [made(drawn, FilePath(folder)) for drawn in SIGNS]
    for k in range(0, len(SIGNS), 3):
        high = min(HIGH, max(_high(sign) for sign in signs[k : k + 3]))
        strip = Coloured.new("RGB", (3 * CELL, 2 * high), "white")
        for n, sign in enumerate(signs[k : k + 3]):
            strip.paste(cell(sign, high, is_tied=False), (n * CELL, 0))
            strip.paste(cell(sign, high, is_tied=True), (n * CELL, high))
        strip.quantize(64, Coloured.Quantize.MAXCOVERAGE, dither=Coloured.Dither.NONE).save(
            PICTURES / f"ties-{k // 3 + 1}.png", optimize=True
        )
    for drawn, sign in zip(SIGNS, signs, strict=True):
        print(_numbers(drawn.name, sign))


def _high(sign: Sign) -> int:
    """Height of a sign as wide as its cell."""
    _, _, wide, high = sign.art.placement.sign_mm
    return round((CELL - 16) * high / wide) + 16


def _numbers(name: str, sign: Sign) -> str:
    """A row of the table in docs/ties.md."""
    loads = [tie.load for tie in sign.ties if tie.load is not None]
    hardest = max((100 * load.stress_mpa / load.allowed_mpa for load in loads), default=0.0)
    long_mm = sum(tie.length_mm for tie in sign.ties)
    widths = sorted({round(tie.width_mm) for tie in sign.ties})
    wide = "–".join(f"{w}" for w in dict.fromkeys((widths[0], widths[-1]))) if widths else "–"
    return (
        f"| {name} | {sign.n_islands} | {len(sign.ties)} | {wide} | {long_mm:.0f} | "
        f"{hardest:.0f} % |"
    )


if __name__ == "__main__":
    main()
