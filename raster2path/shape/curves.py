"""Flowing edges: the fewest smooth cubics through a contour, its tips and drawn corners kept.

Corners are found first, as the meeting places of what is drawn on both sides of them, because
blur has rounded the contour itself. Between corners a shortest path over candidate cubics weighs
closeness, measured in the contour's own noise, against the number of pieces (Rissanen 1978,
Modeling by shortest data description, doi 10.1016/0005-1098(78)90005-5); then all pieces are
polished together. Points are about one unit apart, usually one pixel.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from raster2path.geometry import (
    Complexes,
    Cubic,
    Kind,
    Line,
    Path,
    Points,
    to_complex,
    to_points,
    unit,
)
from raster2path.shape import _cubics, _tangle
from raster2path.shape._chains import Fit, drawn, each_within, segments, within
from raster2path.shape._corners import LEAST_CORNER_RAD, Corners, find_corners
from raster2path.shape._cubics import Floats
from raster2path.shape._runs import (
    PENALTY,
    Known,
    Run,
    is_straight,
    learn,
    split,
    with_lines,
)
from raster2path.shape._sight import LEAST_SIGMA, Sight, resampled, seen, turns

FINE = 1e-3
"""How finely a path is flattened for the last proof that it does not cross itself."""

MOST_MENDS = 8
"""Fits of one contour with corners dropped or put back; more only wait for the last few."""


@dataclass(frozen=True, slots=True, eq=False)
class _Try:
    """A fit of a whole contour.

    Attributes:
        gap: how far the farthest point is from it, those beside corners excepted.
        far: points that are farther from it than the tolerance, one a run.
    """

    path: Path
    gap: float
    far: tuple[complex, ...]


def _check(points: Points, least: int) -> Complexes:
    xy = np.asarray(points, np.float64)
    if xy.ndim != 2 or xy.shape[1] != 2:
        raise ValueError(f"expected points of shape (n, 2), not {xy.shape}")
    if len(xy) < least:
        raise ValueError(f"expected {least} points or more, not {len(xy)}")
    return np.asarray(to_complex(xy), np.complex128)


@dataclass(frozen=True, slots=True, eq=False)
class Track:
    """An open run without corners, to be fitted.

    Attributes:
        points: (n, 2), about one unit apart (the first and last step may be longer), n >= 2.
        sigma: standard deviation of their noise.
        tolerance: farthest that a point may lie from the result.
        start_tangent: direction of travel at the start, length one; None: free.
        end_tangent: the same at the end.
        kind: put on every piece.
        penalty: what one more cubic costs; None: the house's.
    """

    points: Points
    sigma: float
    tolerance: float
    start_tangent: complex | None = None
    end_tangent: complex | None = None
    kind: Kind = Kind.ORGANIC
    penalty: float | None = None


@dataclass(frozen=True, slots=True)
class Fitted:
    """What stands for a track, and how far the farthest of its points is from it."""

    segments: tuple[Line | Cubic, ...]
    gap: float


def fit_runs(tracks: Sequence[Track]) -> list[Fitted]:
    """The fewest cubics, smoothly joined, through each of many tracks; fitted all at once.

    Returns:
        For each one piece or more. The first starts at the first point, the last ends at the
        last, to the bit; neighbours share end and direction; given directions are met. A run that
        is straight within its noise is one `Line`, unless a given direction forbids it.
    """
    runs = [_as_run(track) for track in tracks]
    is_line = [run is None or _is_to_be_line(run) for run in runs]
    bent = [run for run, line in zip(runs, is_line, strict=True) if run is not None and not line]
    fits = iter(each_within(bent, Known()))
    out = []
    for track, line in zip(tracks, is_line, strict=True):
        if line:
            z = to_complex(track.points)
            straight = Line(complex(z[0]), complex(z[-1]), track.kind)
            out.append(Fitted((straight,), _off_chord(z)))
        else:
            fit, gap = next(fits)
            out.append(Fitted(segments(fit, track.kind), gap))
    return out


def _as_run(track: Track) -> Run | None:
    """The run of a track; None for two points, whose line says all."""
    z = _check(track.points, 2)
    if len(z) == 2 and track.start_tangent is None and track.end_tangent is None:
        return None
    return Run(
        z if len(z) >= 4 else _resampled_to(z, 4),
        max(track.sigma, LEAST_SIGMA),
        track.tolerance,
        track.start_tangent,
        track.end_tangent,
        penalty=track.penalty or PENALTY,
    )


def _is_to_be_line(run: Run) -> bool:
    chord = unit(complex(run.z[-1] - run.z[0]))
    fits = all(d is None or abs(d - chord) < 1e-6 for d in (run.d0, run.d1))
    return fits and is_chord(run.z, run.sigma, run.tolerance)


def _off_chord(z: Complexes) -> float:
    chord = unit(complex(z[-1] - z[0]))
    return float(np.abs(((z - z[0]) * chord.conjugate()).imag).max())


def _resampled_to(z: Complexes, n: int) -> Complexes:
    along = _cubics.steps(z)
    at = np.linspace(0, along[-1], n)
    out = np.interp(at, along, z.real) + 1j * np.interp(at, along, z.imag)
    out[0], out[-1] = z[0], z[-1]
    return np.asarray(out, np.complex128)


def is_chord(z: Complexes, sigma: float, tolerance: float) -> bool:
    """True where the points lie on the straight line from the first to the last."""
    chord = z[-1] - z[0]
    if abs(chord) < 1e-9 or not is_straight(z[1:-1], sigma, tolerance):
        return False
    off = ((z[1:-1] - z[0]) * chord.conjugate()).imag / abs(chord)
    rms = math.sqrt(float((off**2).mean()))
    # The ends carry noise of their own and tilt the chord, so it may be a little farther off.
    return rms <= 2.5 * sigma and float(np.abs(off).max()) <= min(tolerance, max(6 * sigma, 0.3))


def fit_closed(
    points: Points,
    *,
    sigma: float,
    tolerance: float,
    kind: Kind = Kind.ORGANIC,
    blur: float = 1.0,
    loose: float = 0.0,
    tight: Sequence[complex] = (),
    closeness: int = 0,
    known: Known | None = None,
) -> Path:
    """A closed path of the fewest cubics and lines through a ring, tips and corners kept.

    Args:
        points: (n, 2), about one unit apart, the first not repeated, n >= 3.
        sigma: standard deviation of their noise or tremor.
        tolerance: farthest that a point may lie from the result, the blurred points beside
            corners excepted.
        kind: put on every piece.
        blur: standard deviation of the picture's blur.
        loose: how much smoother than measured it is drawn between corners, 0 to 1.
        tight: places where something else runs close by: corners there stay on the ring.
        closeness: how many times more closely than elsewhere the ring is followed there.
        known: what was `foreseen`, if anything; what is found on the way is added.

    Returns:
        A path in the same direction. It is smooth except at corners and never crosses itself.
    """
    ring = _check(points, 3)
    z = resampled(ring, is_closed=True)
    sight = replace(
        seen(z, sigma, tolerance, blur, is_closed=True),
        tight=tuple(tight),
        closeness=closeness,
        loose=loose,
    )
    known = known or Known()
    best: _Try | None = None
    for _ in range(4 if len(z) >= 16 else 0):
        one = _attempt(z, sight, kind, known, is_closed=True)
        is_simple = _tangle.is_simple(one.path, FINE)
        if is_simple and (best is None or one.gap < best.gap):
            best = one
            if one.gap <= tolerance:
                break
        sight = sight.closer_at(one.far if is_simple else _tangle.crossings(one.path).tolist())
    if best is not None and best.gap <= 2 * tolerance:
        return best.path
    return _plain(ring, tolerance, kind)


@dataclass(frozen=True, slots=True, eq=False)
class Contour:
    """A line that `fit_closed` or `fit_open` will be asked for, as they are told of it."""

    points: Points
    sigma: float
    tolerance: float
    blur: float
    is_closed: bool
    loose: float = 0.0


def foreseen(contours: Sequence[Contour]) -> Known:
    """What the first try at many contours needs, fitted in few large batches.

    The contours' own fits come out the same without it, but later.
    """
    known = Known()
    waiting: list[Run] = []
    for contour in contours:
        is_closed = contour.is_closed
        z = resampled(_check(contour.points, 2), is_closed=is_closed)
        if len(z) < (16 if is_closed else 5):
            continue
        sight = seen(z, contour.sigma, contour.tolerance, contour.blur, is_closed=is_closed)
        sight = replace(sight, loose=contour.loose)
        corners = _corners(z, sight, known, is_closed=is_closed)
        waiting += _ready(z, corners, sight, is_closed=is_closed)[1]
    learn(waiting, known)
    return known


def fit_open(
    points: Points,
    *,
    sigma: float,
    tolerance: float,
    kind: Kind = Kind.ORGANIC,
    blur: float = 1.0,
    loose: float = 0.0,
    known: Known | None = None,
) -> Path:
    """The same for an open line; it keeps its first and last point exactly.

    Args:
        points: (n, 2), about one unit apart, n >= 2.
        sigma: standard deviation of their noise or tremor.
        tolerance: farthest that a point may lie from the result, the blurred points beside
            corners excepted.
        kind: put on every piece.
        blur: standard deviation of the picture's blur.
        loose: how much smoother than measured it is drawn between corners, 0 to 1.
        known: what was `foreseen`, if anything.
    """
    known = known or Known()
    line = _check(points, 2)
    z = resampled(line, is_closed=False)
    if len(z) < 5:
        return Path((Line(complex(line[0]), complex(line[-1]), kind),), is_closed=False)
    sight = replace(seen(z, sigma, tolerance, blur, is_closed=False), loose=loose)
    one = _attempt(z, sight, kind, known, is_closed=False)
    if one.gap <= tolerance and (_tangle.is_simple(one.path) or not _is_simple_line(z)):
        return one.path
    other = _attempt(z, sight.closer().closer(), kind, known, is_closed=False)
    return one.path if other.gap > one.gap and _tangle.is_simple(one.path) else other.path


def _attempt(z: Complexes, sight: Sight, kind: Kind, known: Known, *, is_closed: bool) -> _Try:
    """One fit of a resampled contour; corners that turn out wrong are put back or dropped."""
    corners = _corners(z, sight, known, is_closed=is_closed)
    for _ in range(MOST_MENDS):
        z, runs = _ready(z, corners, sight, is_closed=is_closed)
        fit, gaps, places = within(runs, sight.tolerance, known, is_closed=is_closed)
        path = Path(segments(fit, kind), is_closed)
        better = _mended(z, corners, fit, path)
        if better is None:
            break
        corners = better
    if is_closed and not _tangle.is_simple(path, FINE):
        path = _untangled(fit, kind)
    far = places[gaps > sight.tolerance]
    return _Try(path, float(gaps.max()), tuple(far.tolist()))


def _untangled(fit: Fit, kind: Kind) -> Path:
    """The closed path of a fit, drawn apart where it crosses itself."""
    chain = fit.chain
    order = np.argsort(fit.piece, kind="stable")
    bounds = np.searchsorted(fit.piece[order], np.arange(1, len(chain.is_line)))
    points = np.split(fit.q[order], bounds)
    parts = zip(chain.cubics, points, chain.is_line.tolist(), strict=True)
    pieces = [_tangle.Piece(cubic, own, is_line) for cubic, own, is_line in parts]
    apart = _tangle.untangled(pieces, is_closed=True)
    cubics = np.stack([piece.cubic for piece in apart])
    cubics[:, 3] = np.roll(cubics[:, 0], -1)
    return Path(drawn(cubics, np.array([piece.is_line for piece in apart]), kind), True)


def _corners(z: Complexes, sight: Sight, known: Known, *, is_closed: bool) -> Corners:
    key = (z.tobytes(), sight)
    if key not in known.corners:
        found = find_corners(z, sight, is_closed=is_closed)
        known.corners[key] = _on_tight(z, found, sight)
    return known.corners[key]


def _ready(
    z: Complexes, corners: Corners, sight: Sight, *, is_closed: bool
) -> tuple[Complexes, list[Run]]:
    """The contour, started where it is calm if it has no corner, and its runs, lines marked."""
    n = len(corners.index)
    if is_closed and not n:
        calm = int(np.argmin(turns(z, min(8, len(z) // 4), is_closed=True)))
        z = np.roll(z, -calm)
    runs = split(z, corners, sight, is_closed=is_closed)
    if is_closed and n:
        runs = with_lines(runs, corners, sight)
    elif not is_closed:
        runs = _open_lines(runs, sight.tolerance)
    return z, [_closer_at_tight(run, sight) for run in runs]


def _on_tight(z: Complexes, corners: Corners, sight: Sight) -> Corners:
    """The corners, those at tight places put back onto the contour."""
    is_firm = sight.is_tight(corners.place)
    return Corners(corners.index, np.where(is_firm, z[corners.index], corners.place), is_firm)


def _closer_at_tight(run: Run, sight: Sight) -> Run:
    if sight.closeness and sight.is_tight(run.z).any():
        for _ in range(sight.closeness):
            run = run.closer()
    return run


def _mended(z: Complexes, corners: Corners, fit: Fit, path: Path) -> Corners | None:
    """Corners without those that are none, those beside a crossing put back; None: all well."""
    if not len(corners.index):
        return None
    node = fit.first[:-1] if path.is_closed else fit.first[1:-1]
    chain = fit.chain
    straight = chain.cubics[:, 3] - chain.cubics[:, 0]
    into = np.where(chain.is_line[node - 1], straight[node - 1], chain.d_in[node])
    out = np.where(chain.is_line[node], straight[node], chain.d_out[node])
    is_flat = np.abs(np.angle(out * into.conj())) < LEAST_CORNER_RAD - math.radians(3)
    if is_flat.any():
        return corners.of(~is_flat)
    if _tangle.is_simple(path):
        return None
    places = np.append(_tangle.crossings(path), path.start)  # it may touch itself there, too
    far = np.min(np.abs(corners.place[:, None] - places[None, :]), axis=1)
    at_fault = far < np.abs(corners.place - z[corners.index]) * 2 + 3
    if not at_fault.any():
        return None
    place = np.where(at_fault, z[corners.index], corners.place)
    put_back = Corners(corners.index, place, corners.is_firm | at_fault)
    return put_back.of(~(at_fault & corners.is_firm))


def _open_lines(runs: list[Run], tolerance: float) -> list[Run]:
    return [replace(run, is_line=is_chord(run.z, run.sigma, tolerance)) for run in runs]


# ------------------------------------------------------------------ proof


def _is_simple_line(z: Complexes) -> bool:
    import shapely

    return bool(shapely.LineString(to_points(z)).is_simple)


def _plain(ring: Complexes, tolerance: float, kind: Kind) -> Path:
    """Last resort: a smooth curve through the corners of a simplified ring (Ramer 1972)."""
    import cv2

    path = None
    for share in (0.5, 0.25, 0.1):
        xy = to_points(ring).astype(np.float32)
        few = cv2.approxPolyDP(xy, share * min(tolerance, 1.5), True)[:, 0].astype(np.float64)
        nodes = to_complex(few) if len(few) >= 3 else ring
        for pull in (1 / 6, 1 / 12, 1 / 40):
            path = _through(nodes, kind, pull)
            if _tangle.is_simple(path, FINE):
                return path
    return path if path is not None else _through(ring, kind, 1 / 40)


def _through(nodes: Complexes, kind: Kind, pull: float) -> Path:
    """A closed smooth path through nodes; handles are `pull` of the neighbours' distance."""
    heading = np.roll(nodes, -1) - np.roll(nodes, 1)
    heading /= np.maximum(np.abs(heading), 1e-12)
    reach = np.abs(np.roll(nodes, -1) - nodes) * pull * 2
    ends, out = np.roll(nodes, -1), np.roll(heading, -1)
    controls = zip(nodes, nodes + reach * heading, ends - reach * out, ends, strict=True)
    return Path(
        tuple(
            Cubic(complex(a), complex(b), complex(c), complex(d), kind) for a, b, c, d in controls
        ),
        is_closed=True,
    )


def deviation(path: Path, points: Points) -> float:
    """The largest distance between a path and the polyline through points, both ways.

    The polyline is closed if the path is.
    """
    flat, other = path.flat(1e-3), np.asarray(points, np.float64)
    there = _distances(other, flat, is_closed=path.is_closed)
    step = _dense(flat, is_closed=path.is_closed)
    back = _distances(step, other, is_closed=path.is_closed)
    return float(max(there.max(), back.max()))


def _dense(line: npt.NDArray[np.float64], *, is_closed: bool) -> Points:
    """A polyline with a vertex at least every half unit."""
    whole = np.concatenate([line, line[:1]]) if is_closed else line
    gaps = np.maximum(1, np.ceil(np.hypot(*np.diff(whole, axis=0).T) / 0.5)).astype(np.int64)
    k = np.repeat(np.arange(len(gaps)), gaps)
    share = (np.arange(len(k)) - np.repeat(np.cumsum(gaps) - gaps, gaps)) / gaps[k]
    out = whole[k] + share[:, None] * (whole[k + 1] - whole[k])
    return out if is_closed else np.concatenate([out, whole[-1:]])


def _distances(points: Points, line: Points, *, is_closed: bool) -> Floats:
    """Distance of each point to a polyline: nearest of its dense vertices, then their pieces."""
    from scipy.spatial import cKDTree

    dense = to_complex(_dense(line, is_closed=is_closed))
    near = cKDTree(to_points(dense)).query(points)[1]
    z = to_complex(points)
    best = np.abs(dense[near] - z)
    n = len(dense)
    for step in (-1, 1):
        other = (near + step) % n if is_closed else np.clip(near + step, 0, n - 1)
        along = dense[other] - dense[near]
        size = np.maximum(np.abs(along) ** 2, 1e-18)
        t = np.clip((along.conj() * (z - dense[near])).real / size, 0, 1)
        best = np.minimum(best, np.abs(dense[near] + t * along - z))
    return np.asarray(best, np.float64)
