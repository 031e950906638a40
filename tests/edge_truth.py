"""Drawings whose outline is known to the last digit, and pictures of them.

Letters come from fonts that matplotlib carries (Computer Modern by D. E. Knuth in BaKoMa's
conversion, and STIX), silhouettes from cubics, circles and polygons of our own.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property

import cv2
import numpy as np
import numpy.typing as npt

from raster2path.geometry import Complexes
from tests.glyphs import Floats, bezier

Grey = npt.NDArray[np.uint8]
Piece = Complexes
"""Control points: two of a straight piece, three or four of a Bezier curve."""

MARGIN_PX = 40.0
STEP_PX = 0.1
"""Outlines are measured at points this far apart."""
FLAT_PX = 0.25
"""A true curve that leaves its chord by less is neither straight nor round."""
CORNER_DEG = 30.0
BEND_PX = 3.0
"""A turn within so much is a corner's."""
QUARTER = 4 / 3 * (math.sqrt(2) - 1)
"""Bezier constant of a quarter circle (outside by 2.7e-4 of the radius at most)."""


@dataclass(frozen=True)
class Drawing:
    """True rings, each a tuple of pieces end to end, in pixels; y grows down.

    Counters run the other way round than what is round them. `height` is that of a capital letter,
    or of a silhouette.
    """

    rings: tuple[tuple[Piece, ...], ...]
    height: float

    @cached_property
    def outlines(self) -> tuple[Complexes, ...]:
        """Each ring as points at most `STEP_PX` apart, pieces' ends among them."""
        return tuple(np.concatenate([sampled(piece) for piece in ring]) for ring in self.rings)

    @property
    def size(self) -> tuple[int, int]:
        """Rows and columns of a picture of it."""
        z = np.concatenate(self.outlines)
        return math.ceil(z.imag.max() + MARGIN_PX), math.ceil(z.real.max() + MARGIN_PX)

    @property
    def width(self) -> float:
        """Of its box."""
        return float(np.ptp(np.concatenate(self.outlines).real))

    @property
    def n_pieces(self) -> int:
        """Of all rings."""
        return sum(map(len, self.rings))

    @property
    def area(self) -> float:
        """Counters taken off."""
        return abs(sum(0.5 * float((z.conj() * np.roll(z, -1)).imag.sum()) for z in self.outlines))

    @cached_property
    def bends(self) -> Complexes:
        """Points of the outline where it turns by `CORNER_DEG` within `BEND_PX`.

        A fillet of a pixel or two is no corner, but an answer with one there is right.
        """
        reach = round(BEND_PX / STEP_PX)
        found = []
        for z in self.outlines:
            even = _evenly(z)
            ahead = np.roll(even, -1) - even
            turn = np.angle(ahead / np.roll(ahead, 1))
            both = np.convolve(np.concatenate([turn[-reach:], turn]), np.ones(reach), "valid")[1:]
            sharp = np.abs(both) > math.radians(CORNER_DEG)
            found.append(np.roll(even, reach // 2)[sharp])
        return np.concatenate(found)

    @cached_property
    def rounds(self) -> tuple[Piece, ...]:
        """Pieces that leave their chord by `FLAT_PX` or more."""
        return tuple(p for ring in self.rings for p in ring if _bulge(p) >= FLAT_PX)

    def straights(self, least: float) -> list[tuple[complex, complex]]:
        """Straight edges of at least that length; neighbours in one line are one edge."""
        found = []
        for ring in self.rings:
            lines: list[tuple[complex, complex] | None] = []
            for piece in ring:
                a, b = complex(piece[0]), complex(piece[-1])
                last = lines[-1] if lines else None
                if len(piece) > 2:
                    lines.append(None)
                elif last and abs(np.angle((b - a) / (last[1] - last[0]))) < 0.01:
                    lines[-1] = (last[0], b)
                else:
                    lines.append((a, b))
            found += [line for line in lines if line and abs(line[1] - line[0]) >= least]
        return found

    def corners(self, least_deg: float = CORNER_DEG) -> Complexes:
        """Where neighbouring pieces turn by more."""
        found = []
        for ring in self.rings:
            for before, after in zip((ring[-1], *ring[:-1]), ring, strict=True):
                turn = np.angle(_leaving(after) / -_leaving(before[::-1]))
                if abs(math.degrees(turn)) > least_deg:
                    found.append(after[0])
        return np.array(found, np.complex128)


def _evenly(z: Complexes) -> Complexes:
    """A closed outline with points `STEP_PX` apart."""
    around = np.append(z, z[0])
    along = np.concatenate([[0.0], np.cumsum(np.abs(np.diff(around)))])
    n = round(along[-1] / STEP_PX)
    return np.asarray(np.interp(along[-1] * np.arange(n) / n, along, around), np.complex128)


def _leaving(piece: Piece) -> complex:
    """Direction in which a piece leaves its first point, past control points that sit on it."""
    away = piece[1:] - piece[0]
    far = away[np.abs(away) > 1e-6 * max(1.0, float(np.abs(away).max()))]
    return complex(far[0])


def _bulge(piece: Piece) -> float:
    """How far a piece leaves its chord."""
    chord = piece[-1] - piece[0]
    if len(piece) == 2 or abs(chord) < 1e-9:
        return 0.0
    off = (bezier(piece, np.linspace(0, 1, 33)) - piece[0]) * np.conj(chord) / np.abs(chord)
    return float(np.abs(off.imag).max())


def sampled(piece: Piece, step: float = STEP_PX) -> Complexes:
    """Points along a piece at most `step` apart, its end left to the next piece."""
    n = max(2, math.ceil(float(np.abs(np.diff(piece)).sum()) / step))
    return bezier(piece, np.arange(n) / n)


def placed(rings: Sequence[Sequence[Piece]], scale: float, height: float) -> Drawing:
    """Scaled, and moved to where its box has its margin, a broken part of a pixel in."""
    z = np.concatenate([piece for ring in rings for piece in ring]) * scale
    move = complex(MARGIN_PX + 0.37, MARGIN_PX + 0.61) - complex(z.real.min(), z.imag.min())
    return Drawing(tuple(tuple(p * scale + move for p in ring) for ring in rings), height)


# ------------------------------------------------------------------ letters


def lettering(text: str, font: str, height: float) -> Drawing:
    """A line of text whose capital H is `height` pixels high."""
    from pathlib import Path

    import matplotlib as mpl
    from matplotlib.font_manager import FontProperties
    from matplotlib.textpath import TextPath

    file = Path(mpl.get_data_path()) / "fonts" / "ttf" / f"{font}.ttf"
    face = FontProperties(fname=str(file))
    cap = TextPath((0, 0), "H", size=100, prop=face).get_extents().height
    rings: list[list[Piece]] = []
    here = first = 0j
    for vertices, code in TextPath((0, 0), text, size=100, prop=face).iter_segments(
        curves=True, simplify=False
    ):
        points = np.asarray(vertices, np.float64).reshape(-1, 2) @ np.array([1, -1j])
        if code == 1:
            rings.append([])
            first = complex(points[0])
        elif code == 79:
            points = np.array([first])
        if code != 1 and abs(points[-1] - here) > 1e-6:
            rings[-1].append(np.array([here, *points]))
        here = complex(points[-1])
    return placed([ring for ring in rings if ring], height / cap, height)


def trembled(drawing: Drawing, tremor: float, seed: int, wave: float = 25.0) -> list[Complexes]:
    """Outlines as a shaky hand draws them: off by `tremor` (sd) in waves of about `wave` pixels."""
    rng = np.random.default_rng(seed)
    out = []
    for outline in drawing.outlines:
        n = len(outline)
        waves = np.abs(outline - np.roll(outline, -1)).sum() / wave
        k = np.abs(np.fft.fftfreq(n, 1 / n))
        band = np.exp(-0.5 * ((k / waves - 1) / 0.3) ** 2)
        noise = np.fft.ifft(np.fft.fft(rng.normal(size=n) + 1j * rng.normal(size=n)) * band)
        out.append(outline + noise * tremor / float(noise.real.std()))
    return out


# ------------------------------------------------------------------ silhouettes


def flowing(f: Callable[[Floats], Complexes], stops: Sequence[float]) -> list[Piece]:
    """Cubics that touch a curve in direction and speed where its parameter is at the stops."""
    t, eps = np.array(stops), 1e-6
    z, v = f(t), (f(t + eps) - f(t - eps)) / (2 * eps)
    third = np.diff(t) / 3
    rows = np.stack([z[:-1], z[:-1] + v[:-1] * third, z[1:] - v[1:] * third, z[1:]], axis=1)
    return list(rows)


def through(knots: Sequence[complex], corners: Sequence[int] = ()) -> list[Piece]:
    """A closed chain of cubics through knots; smooth but at the knots that are corners."""
    z = np.array(knots, np.complex128)
    ahead, back = np.roll(z, -1) - z, z - np.roll(z, 1)
    heading = np.roll(z, -1) - np.roll(z, 1)
    heading = heading / np.abs(heading)
    leave, arrive = heading * np.abs(ahead), heading * np.abs(back)
    for k in corners:
        leave[k], arrive[k] = 0.8 * ahead[k], 0.8 * back[k]
    come = np.roll(arrive, -1)
    to = np.roll(z, -1)
    return list(np.stack([z, z + leave / 3, to - come / 3, to], axis=1))


def straight(corners: Sequence[complex]) -> list[Piece]:
    """A polygon."""
    z = [*corners, corners[0]]
    return [np.array([a, b], np.complex128) for a, b in itertools.pairwise(z)]


def oval(a: float, b: float, turn: float = 0.0, centre: complex = 0j) -> list[Piece]:
    """An ellipse of four cubics."""
    unit = np.array([1, 1 + 1j * QUARTER, QUARTER + 1j, 1j])
    spin = complex(math.cos(turn), math.sin(turn))
    quarters = [unit * 1j**k for k in range(4)]
    return [centre + spin * (a * q.real + 1j * b * q.imag) for q in quarters]


def leaf() -> list[list[Piece]]:
    tip, stem = 400 - 90j, 0j
    over, under = np.array([stem, 60 - 190j, 260 - 200j, tip]), np.array([tip, 300, 120 + 60j, 0])
    return [[over, under]]


def tide(thick: float = 60.0) -> list[list[Piece]]:
    """A band along a sine that tapers to two tips, of 28 degrees where nothing is said."""

    def edge(sign: float) -> Callable[[Floats], Complexes]:
        def at(t: Floats) -> Complexes:
            return np.asarray(80 * t + 1j * (60 * np.sin(t) + sign * thick * np.sin(t / 3)))

        return at

    stops = np.linspace(0, 3 * math.pi, 10)
    return [[*flowing(edge(-1), stops.tolist()), *flowing(edge(1), stops[::-1].tolist())]]


def coil(taper: float = 0.0) -> list[list[Piece]]:
    """Two and a half turns of a strip, cut off straight; or thinning to its ends."""

    def edge(sign: float) -> Callable[[Floats], Complexes]:
        def at(t: Floats) -> Complexes:
            half = 14 * (1 - taper + taper * np.sin((t - 1) / 15 * math.pi))
            return np.asarray((30 + 13 * t + sign * half) * np.exp(1j * t), np.complex128)

        return at

    stops = np.linspace(1, 16, 20)
    out, back = flowing(edge(1), stops.tolist()), flowing(edge(-1), stops[::-1].tolist())
    ends = [np.array([a[-1][-1], b[0][0]]) for a, b in ((out, back), (back, out))]
    return [[*out, *ends[:1], *back, *ends[1:]]] if taper < 1 else [[*out, *back]]


def kelp() -> list[list[Piece]]:
    def at(t: Floats) -> Complexes:
        r = 150 + 34 * np.cos(3 * t + 0.4) + 20 * np.cos(5 * t + 2) + 9 * np.cos(8 * t)
        return np.asarray(r * np.exp(1j * t), np.complex128)

    return [flowing(at, np.linspace(0, 2 * math.pi, 25).tolist())]


def heron() -> list[list[Piece]]:
    """A standing bird: beak, tail and foot are corners, the rest flows."""
    knots = [
        0 + 0j,  # beak
        70 - 26j,
        108 - 34j,
        140 - 10j,
        128 + 40j,
        104 + 96j,
        118 + 146j,
        190 + 176j,
        280 + 214j,
        352 + 296j,  # tail
        268 + 288j,
        214 + 292j,
        190 + 350j,
        196 + 470j,  # foot
        176 + 470j,
        168 + 350j,
        150 + 286j,
        92 + 240j,
        66 + 170j,
        84 + 90j,
        94 + 32j,
        70 + 10j,
    ]
    return [through(knots, corners=(0, 9, 13, 14))]


def reeds(wide: float = 20.0) -> list[list[Piece]]:
    """Five blades from one foot, whose tips are some 20 degrees wide, or less."""
    pieces: list[Piece] = []
    tips = [-190 - 250j, -100 - 340j, 10 - 390j, 120 - 330j, 205 - 235j]
    feet = [-75, -45, -15, 15, 45, 75]
    for tip, a, b in zip(tips, feet, feet[1:], strict=False):
        across = wide * tip / abs(tip) * 1j
        left, right = a + 0.3 * (tip - a), b + 0.3 * (tip - b)
        pieces.append(np.array([a, left, 0.7 * tip - across, tip]))
        pieces.append(np.array([tip, 0.7 * tip + across, right, b], np.complex128))
    low = np.array([75, 60 + 80j, -60 + 80j, -75], np.complex128)
    return [[*pieces, low]]


def rings() -> list[list[Piece]]:
    """A thin ring round a disc: the wall is four pixels."""
    inner = [piece[::-1] for piece in reversed(oval(146, 146))]
    return [oval(150, 150), inner, oval(60, 60, centre=20 + 15j)]


def hull() -> list[list[Piece]]:
    """A boat seen from the side, all straight."""
    return [straight([0, 40 + 70j, 300 + 70j, 350, 210 - 6j, 210 - 90j, 200 - 90j, 194 - 6j])]


def star() -> list[list[Piece]]:
    r = np.where(np.arange(10) % 2, 70.0, 170.0)
    return [straight((r * np.exp(1j * (0.3 + np.arange(10) * math.pi / 5))).tolist())]


SILHOUETTES: dict[str, Callable[[], list[list[Piece]]]] = {
    "leaf": leaf,
    "tide": tide,
    "coil": coil,
    "kelp": kelp,
    "heron": heron,
    "reeds": reeds,
    "disc": lambda: [oval(120, 120)],
    "oval": lambda: [oval(190, 105, 0.5)],
    "rings": rings,
    "hull": hull,
    "star": star,
    "thin tide": lambda: tide(26.0),
    "thin coil": lambda: coil(1.0),
    "thin reeds": lambda: reeds(7.0),
}
"""Those called thin have tips of 1 to 12 degrees, which no picture holds to their end."""


def silhouette(name: str, scale: float = 1.0) -> Drawing:
    """One of the shapes, larger or smaller."""
    shape = SILHOUETTES[name]()
    tall = float(np.ptp(np.concatenate([p for ring in shape for p in ring]).imag)) * scale
    return placed(shape, scale, tall)


# ------------------------------------------------------------------ pictures


def coverage(outlines: Sequence[Complexes], size: tuple[int, int]) -> Floats:
    """The share of each pixel that lies inside: exact for polygons of steps under a pixel."""
    level = np.zeros((size[0], size[1] + 1))
    for outline in outlines:
        a, b = outline, np.roll(outline, -1)
        cuts = np.sort(np.stack([_crossing(a.real, b.real), _crossing(a.imag, b.imag)]), axis=0)
        at = np.vstack([np.zeros(len(a)), cuts, np.ones(len(a))])
        for t0, t1 in itertools.pairwise(at):
            p, q = a + t0 * (b - a), a + t1 * (b - a)
            middle, drop = (p + q) / 2, q.imag - p.imag
            row, column = np.floor(middle.imag).astype(int), np.floor(middle.real).astype(int)
            beyond = middle.real - column
            np.add.at(level, (row, column), drop * (1 - beyond))
            np.add.at(level, (row, column + 1), drop * beyond)
    return np.asarray(np.abs(level.cumsum(axis=1)[:, : size[1]]), np.float64)


def _crossing(a: Floats, b: Floats) -> Floats:
    """Where between a (0) and b (1) a whole number lies; 1 where none does."""
    line = np.floor(np.maximum(a, b))
    apart = np.where(np.abs(b - a) > 1e-12, b - a, 1.0)
    inside = (line > np.minimum(a, b)) & (line < np.maximum(a, b))
    return np.where(inside, (line - a) / apart, 1.0)


def clean(inside: Floats) -> Grey:
    """Black on white, anti-aliased, as from a computer."""
    return np.asarray(np.round(255 * (1 - np.clip(inside, 0, 1))), np.uint8)


def photographed(inside: Floats, seed: int) -> Grey:
    """As a telephone sees it: uneven light, blur of 1.2 pixels, noise, sRGB's tone curve."""
    rng = np.random.default_rng(seed)
    rows, columns = inside.shape
    y, x = np.mgrid[0:rows, 0:columns] / max(rows, columns)
    turn = rng.uniform(0, 2 * math.pi)
    light = 0.66 + 0.2 * (np.cos(turn) * (x - 0.5) + np.sin(turn) * (y - 0.5))
    linear = cv2.GaussianBlur(light * (1 - 0.92 * np.clip(inside, 0, 1)), (0, 0), 1.2)
    linear = np.clip(linear + rng.normal(0, 0.008, linear.shape), 0, 1)
    steep = np.maximum(linear, 1e-9) ** (1 / 2.4)
    srgb = np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * steep - 0.055)
    return np.asarray(np.round(255 * srgb), np.uint8)
