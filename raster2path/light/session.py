"""What one evening with the light knows: marks, view, next cut. Every act makes a new one.

No clock, no files, no server: `serve` brings those.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from raster2path.errors import Raster2PathError, UsageError
from raster2path.geometry import to_points
from raster2path.light.registration import Mark, Registration, judge, register
from raster2path.light.scene import Scene
from raster2path.light.slides import upright
from raster2path.light.views import View

SizePx = tuple[int, int]
Json = dict[str, object]

MOST_MARKS = 12
LARGEST_PX = 16384
MOST = 1e6
"""Of any number that a page may send: pixels, millimetres, cuts."""

KERF_PX = 2.0
"""A kerf of fewer pixels than this is drawn by fewer than the eye needs to centre the tip."""

LOOK_AGAIN_S = 900.0
LOOK_AGAIN_CUTS = 8
"""After so long, or so many cuts, a sheet may be warm or moved (common practice, no source)."""

STEEL_PER_K = 11.5e-6
"""Thermal expansion of mild steel at room temperature (AISI 1018, as datasheets print it)."""


@dataclass(frozen=True, slots=True)
class Session:
    """Everything that is shown and kept.

    Attributes:
        scene: the light of the job.
        wanted_mm: places of the marks on the sheet, upper left first.
        size_px: of the projector's picture, as its window tells.
        remembered: marks by size, of this projector and table.
        marks: where the crosses are.
        registration: the map that they give, or None where they give none.
        trouble: why they give none; empty where they do.
        is_set: True where somebody, or a photograph, has put the crosses where they are.
        selected: the cross that keys move, from 0.
        cut: the next cut, from 1; one more than there are: all done.
        looked_s: when the marks were last looked at; cuts_since: cuts begun since.
        says: one sentence about the last act, or nothing.
    """

    scene: Scene
    wanted_mm: tuple[complex, ...]
    size_px: SizePx
    remembered: Mapping[SizePx, tuple[Mark, ...]] = field(default_factory=dict)
    marks: tuple[Mark, ...] = ()
    registration: Registration | None = None
    trouble: str = ""
    is_set: bool = False
    selected: int = 0
    view: View = View.REGISTER
    cut: int = 1
    is_blank: bool = False
    is_punched: bool = False
    looked_s: float = 0.0
    cuts_since: int = 0
    says: str = ""


def corners_of(scene: Scene) -> tuple[complex, ...]:
    """The drawing's corners: those of the sheet, where it is known."""
    width, height = scene.size_mm
    return 0j, complex(width), complex(width, height), 1j * height


def begin(
    scene: Scene,
    *,
    size_px: SizePx,
    wanted_mm: Sequence[complex] = (),
    remembered: Mapping[SizePx, tuple[Mark, ...]] | None = None,
) -> Session:
    """A session with its crosses where they were last time, or else spread over the picture.

    Raises:
        UsageError: marks that can't register anything.
    """
    wanted = tuple(wanted_mm) or corners_of(scene)
    _check_wanted(wanted)
    new = Session(scene, wanted, size_px, dict(remembered or {}))
    return replace(_laid(new), view=View.REGISTER, cut=_onward(new, 0, 1))


def _check_wanted(wanted: Sequence[complex]) -> None:
    if len(wanted) > MOST_MARKS:
        raise UsageError(f"{len(wanted)} marks are too many; expected 4 to {MOST_MARKS}")
    if not all(math.isfinite(abs(z)) and abs(z) < 1e5 for z in wanted):
        raise UsageError("a mark lies nowhere near a sheet; expected millimetres from its corner")
    register([Mark(z, z) for z in wanted], size_px=(1000, 1000))


def _laid(session: Session) -> Session:
    """Crosses for the size of the picture: as remembered for it, or upright in its middle."""
    kept = session.remembered.get(session.size_px)
    if kept is not None and tuple(mark.sheet_mm for mark in kept) == session.wanted_mm:
        told = replace(session, says="as remembered: look at each cross", is_set=True)
        return _registered(told, kept)
    says = ""
    if kept is None:
        where = upright(_reach_mm(session), session.size_px)
    else:
        where = register(kept, size_px=session.size_px)
        says = "reckoned from the marks that are remembered: look at each cross"
    px = where.to_px(to_points(session.wanted_mm))
    marks = [Mark(z, complex(*at)) for z, at in zip(session.wanted_mm, px, strict=True)]
    return _registered(replace(session, says=says, is_set=False), marks)


def _reach_mm(session: Session) -> tuple[float, float]:
    far = to_points([*session.wanted_mm, complex(*session.scene.size_mm)]).max(axis=0)
    return float(far[0]), float(far[1])


def _registered(session: Session, marks: Sequence[Mark]) -> Session:
    held = tuple(marks)
    selected = min(session.selected, len(held) - 1)
    try:
        found = register(held, size_px=session.size_px)
    except UsageError as error:
        return replace(
            session, marks=held, selected=selected, registration=None, trouble=str(error)
        )
    return replace(session, marks=held, selected=selected, registration=found, trouble="")


# ---------------------------------------------------------------- acts


def act(session: Session, asked: Mapping[str, object], *, now_s: float) -> Session:
    """The session after one act of the maker.

    Args:
        session: as it is.
        asked: `do` names the act; the rest is its own.
        now_s: any clock that does not run back.

    Raises:
        UsageError: the act makes no sense.
    """
    acts = {
        "size": _size,
        "view": _view,
        "step": _step,
        "cut": _go_to_cut,
        "blank": _blank,
        "punch": _punch,
        "select": _select,
        "move": _move,
        "nudge": _nudge,
        "marks": _marks,
        "looked": _looked,
    }
    doing = acts.get(str(asked.get("do")))
    if doing is None:
        raise UsageError("the page asked for something that there is not")
    return doing(replace(session, says=""), asked, now_s)


def _number(asked: Mapping[str, object], key: str) -> float:
    value = asked.get(key)
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not abs(value) <= MOST:
        raise UsageError(f"the page sent no number for {key}")
    return float(value)


def _size(session: Session, asked: Mapping[str, object], _: float) -> Session:
    size = round(_number(asked, "columns")), round(_number(asked, "rows"))
    if not all(100 <= side <= LARGEST_PX for side in size):
        raise UsageError(f"a picture of {size[0]} x {size[1]} pixels is none to work by")
    if size == session.size_px:
        return session
    return _laid(replace(session, size_px=size, remembered=to_remember(session)))


def _view(session: Session, asked: Mapping[str, object], now_s: float) -> Session:
    try:
        view = View(asked.get("view"))
    except ValueError:
        raise UsageError("the page asked for a view that there is not") from None
    has_looked = view in (View.REGISTER, View.CHECK)
    new = replace(session, view=view, is_blank=False)
    return _looked(new, asked, now_s) if has_looked else new


def _step(session: Session, asked: Mapping[str, object], _: float) -> Session:
    """One cut on or back; from another view, first to the next cut as it stands."""
    by = round(_number(asked, "by"))
    if session.is_blank:
        return replace(session, is_blank=False)
    if session.view is not View.NEXT:
        return replace(session, view=View.NEXT)
    cut = _onward(session, session.cut, by)
    return replace(session, cut=cut, cuts_since=session.cuts_since + max(0, cut - session.cut))


def _onward(session: Session, cut: int, by: int) -> int:
    """So many cuts on or back, past those that were made on another day; they can be asked for."""
    is_left = [one.number for one in session.scene.told if not one.is_done]
    numbers = [*is_left, session.scene.n_cuts + 1]
    if by > 0:
        ahead = [number for number in numbers if number > cut]
        return ahead[min(by, len(ahead)) - 1] if ahead else cut
    behind = [number for number in reversed(numbers) if number < cut]
    return behind[min(-by, len(behind)) - 1] if by and behind else cut


def _go_to_cut(session: Session, asked: Mapping[str, object], _: float) -> Session:
    number = round(_number(asked, "number"))
    if not 1 <= number <= session.scene.n_cuts + 1:
        raise UsageError(f"there is no cut {number}; expected 1 to {session.scene.n_cuts}")
    return replace(session, cut=number, view=View.NEXT, is_blank=False)


def _blank(session: Session, _: Mapping[str, object], __: float) -> Session:
    return replace(session, is_blank=not session.is_blank)


def _punch(session: Session, _: Mapping[str, object], __: float) -> Session:
    return replace(session, is_punched=not session.is_punched)


def _index(session: Session, asked: Mapping[str, object]) -> int:
    index = round(_number(asked, "mark"))
    if not 0 <= index < len(session.marks):
        raise UsageError(f"there is no mark {index + 1}; expected 1 to {len(session.marks)}")
    return index


def _select(session: Session, asked: Mapping[str, object], _: float) -> Session:
    return replace(session, selected=_index(session, asked))


def _moved(session: Session, index: int, at: complex) -> Session:
    width, height = session.size_px
    inside = complex(min(max(at.real, 0.0), width), min(max(at.imag, 0.0), height))
    marks = list(session.marks)
    # a tenth of a pixel is the finest that the hand may ask for
    marks[index] = replace(
        marks[index], at_px=complex(round(inside.real, 1), round(inside.imag, 1))
    )
    return _registered(replace(session, selected=index, is_set=True), marks)


def _move(session: Session, asked: Mapping[str, object], _: float) -> Session:
    at = complex(_number(asked, "x"), _number(asked, "y"))
    return _moved(session, _index(session, asked), at)


def _nudge(session: Session, asked: Mapping[str, object], _: float) -> Session:
    by = complex(_number(asked, "x"), _number(asked, "y"))
    return _moved(session, session.selected, session.marks[session.selected].at_px + by)


def _marks(session: Session, asked: Mapping[str, object], _: float) -> Session:
    """Other places on the sheet; crosses of those that stay are left where they are."""
    told = asked.get("mm")
    if not isinstance(told, list) or not all(
        isinstance(pair, list)
        and len(pair) == 2
        and all(isinstance(v, (int, float)) and not isinstance(v, bool) for v in pair)
        for pair in told
    ):
        raise UsageError("expected marks as X,Y in mm, such as 0,0 1200,0 1200,800 0,800")
    try:
        wanted = tuple(complex(*pair) for pair in told)
    except OverflowError:  # an integer of hundreds of digits
        wanted = (complex(math.inf),)
    _check_wanted(wanted)
    known = {mark.sheet_mm: mark for mark in session.marks}
    where = session.registration or upright(_reach_mm(session), session.size_px)
    px = where.to_px(to_points(wanted))
    marks = [
        known.get(z, Mark(z, complex(round(float(x), 1), round(float(y), 1))))
        for z, (x, y) in zip(wanted, px, strict=True)
    ]
    return _registered(replace(session, wanted_mm=wanted), marks)


def _looked(session: Session, _: Mapping[str, object], now_s: float) -> Session:
    return replace(session, looked_s=now_s, cuts_since=0)


def sighted(session: Session, found: Registration, sentence: str) -> Session:
    """The session with its crosses where a photograph says.

    On the corners and the middles of the sides: eight keep what the photograph tells of the
    lens's bow, and let the hand see how well it lands.
    """
    corners = corners_of(session.scene)
    middles = [(a + b) / 2 for a, b in zip(corners, (*corners[1:], corners[0]), strict=True)]
    wanted = (*corners, *middles)
    px = found.to_px(to_points(wanted))
    marks = [
        Mark(z, complex(round(float(x), 1), round(float(y), 1)))
        for z, (x, y) in zip(wanted, px, strict=True)
    ]
    told = replace(session, wanted_mm=wanted, says=sentence, view=View.CHECK, is_set=True)
    return _registered(told, marks)


# ---------------------------------------------------------------- what is told


def resolution(session: Session) -> tuple[str, str]:
    """Millimetres for a projected pixel across the sheet, and a warning or nothing."""
    if session.registration is None:
        return "", ""
    width, height = session.scene.size_mm
    x, y = np.meshgrid(np.linspace(0, width, 9), np.linspace(0, height, 9))
    sizes = session.registration.mm_per_px(np.column_stack([x.ravel(), y.ravel()]))
    low, high = float(sizes.min()), float(sizes.max())
    told = f"{low:.2f}" if high - low < 0.01 else f"{low:.2f} to {high:.2f}"
    kerf = session.scene.kerf_mm
    warning = ""
    if 0 < kerf < KERF_PX * high:
        warning = (
            f"the kerf of {kerf:g} mm is under two pixels: move the projector closer, or mark out "
            "from paper"
        )
    return f"a projected pixel is {told} mm on the sheet", warning


def reminder(session: Session, *, now_s: float) -> str:
    """What to look at again, or nothing; a warm sheet has grown, a knocked one has moved."""
    is_due = (
        now_s - session.looked_s > LOOK_AGAIN_S or session.cuts_since >= LOOK_AGAIN_CUTS
    ) and session.cut > 1
    if not is_due:
        return ""
    length = max(session.scene.size_mm)
    grown = length * STEEL_PER_K * 100
    return (
        f"look at the marks again: {length:.0f} mm of steel grow by {grown:.1f} mm for every "
        "100 K, and a sheet may have been knocked"
    )


def verdict(session: Session) -> str:
    """How well the light lands, by the marks."""
    return judge(session.registration).sentence if session.registration else session.trouble


def told_cut(session: Session) -> str:
    """Number and sentence of the next cut."""
    told = [one for one in session.scene.told if one.number == session.cut]
    return f"cut {session.cut}: {told[0].sentence}" if told else "all cuts are done"


def to_remember(session: Session) -> Mapping[SizePx, tuple[Mark, ...]]:
    """Marks by size, this session's own among them, where they register."""
    if session.registration is None or not session.is_set:
        return session.remembered
    return {**session.remembered, session.size_px: session.marks}


def as_table(remembered: Mapping[SizePx, tuple[Mark, ...]]) -> dict[str, list[list[float]]]:
    """Marks by size as plain numbers: x, y on the sheet in mm, x, y in pixels."""
    return {
        f"{columns}x{rows}": [
            [m.sheet_mm.real, m.sheet_mm.imag, m.at_px.real, m.at_px.imag] for m in marks
        ]
        for (columns, rows), marks in remembered.items()
    }


def from_table(table: object) -> dict[SizePx, tuple[Mark, ...]]:
    """The way back; what makes no sense is left out."""
    out: dict[SizePx, tuple[Mark, ...]] = {}
    for name, rows in table.items() if isinstance(table, Mapping) else ():
        try:
            columns, _, high = str(name).partition("x")
            marks = tuple(Mark(complex(a, b), complex(c, d)) for a, b, c, d in rows)
            size = int(columns), int(high)
            register(marks, size_px=size)
        except (TypeError, ValueError, Raster2PathError):
            continue
        out[size] = marks
    return out
