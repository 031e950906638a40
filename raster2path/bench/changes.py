"""What the page may ask to be changed, as a request in and a new job out; nothing else changes it.

Places and boxes are in pixels of the upright original picture, as `job.toml` keeps them.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import replace

from raster2path.errors import UsageError
from raster2path.job import Corrections, Job, LetteringMode, LetteringRules
from raster2path.jobfile import N_NUMBERS
from raster2path.settings import BY_KEY, Said, with_said

Asked = Mapping[str, object]
Place = tuple[float, float]
Box = tuple[float, float, float, float]

FARTHEST_PX = 200_000.0
MOST_NUMBERS = 20_000
MOST_ENTRIES = 4_000
"""More than a maker corrects in a lifetime; a hostile page must not fill the disk."""

KINDS = ("lettering", "organic", "geometric")
EASES = ("looser", "stricter")
MOST_LOOP_POINTS = 400
WITHIN = 0.9
"""An earlier loop of which so much lies in a new one is answered by it."""


def changed(job: Job, asked: Asked) -> Job:
    """The job after one change.

    Args:
        job: as it is.
        asked: `do` says what, the rest is what it needs; see the functions of this module.

    Raises:
        UsageError: it makes no sense, in one sentence.
    """
    do = asked.get("do")
    room = _DOING.get(do) if isinstance(do, str) else None
    if room is None:
        raise UsageError(f"the page asked for '{str(do)[:40]}', which is not known here")
    after = room(job, asked)
    for key in N_NUMBERS:
        if len(getattr(after.corrections, key)) > MOST_ENTRIES:
            raise UsageError(f"there are over {MOST_ENTRIES} corrections of one sort; undo some")
    return after


# ------------------------------------------------------------------ settings


def _set(job: Job, asked: Asked) -> Job:
    """`key` and `value`, text as on the command line; null: as if it had never been said."""
    key, value = asked.get("key"), asked.get("value")
    setting = BY_KEY.get(key) if isinstance(key, str) else None
    if setting is None:
        raise UsageError(f"there is no setting '{str(key)[:40]}'")
    if value is None:
        room, name = setting.place
        rules = getattr(job, room)
        return replace(job, **{room: replace(rules, **{name: getattr(type(rules)(), name)})})
    if not isinstance(value, str) or len(value) > 400:
        raise UsageError(f"{key} has no value that makes sense; expected a few words")
    return with_said(job, Said({setting.key: setting.read(value)}))


def _lettering(job: Job, asked: Asked) -> Job:
    """`mode`: auto, all or none."""
    try:
        mode = LetteringMode(asked.get("mode"))
    except ValueError:
        raise UsageError("expected lettering auto, all or none") from None
    return replace(job, lettering=LetteringRules(mode=mode))


# ------------------------------------------------------------------ corrections


def _kind(job: Job, asked: Asked) -> Job:
    """`kind`, and `at` (a place on an edge), `box` or `loop`."""
    kind = asked.get("kind")
    if kind not in KINDS:
        raise UsageError("expected lettering, organic or geometric")
    had = job.corrections
    if "loop" in asked:
        loop = _loop(asked["loop"])
        for other in KINDS:
            had = _without(had, f"{other}_px", lambda place: _is_in_loop(place, loop))
        return _corrected(job, _looped(had, kind, KINDS, loop))
    if "box" in asked:
        box = box_of(asked["box"])
        for other in KINDS:
            had = _without(had, f"{other}_px", lambda place: _is_in(place, box))
        return _corrected(job, _with(had, f"{kind}_boxes_px", box))
    at, near = place_of(asked.get("at")), number_of(asked.get("near_px"))
    for other in KINDS:
        had = _without(had, f"{other}_px", lambda place: _apart(place, at) <= near)
    return _corrected(job, _with(had, f"{kind}_px", at))


def _ease(job: Job, asked: Asked) -> Job:
    """`ease`: looser or stricter, for the edges in a `loop`."""
    ease = asked.get("ease")
    if ease not in EASES:
        raise UsageError("expected looser or stricter")
    return _corrected(job, _looped(job.corrections, ease, EASES, _loop(asked.get("loop"))))


def _point_moved(job: Job, asked: Asked) -> Job:
    """`at`: a point of a fitted edge, `to`: where it is wanted."""
    at, to = place_of(asked.get("at")), place_of(asked.get("to"))
    near = number_of(asked.get("near_px"))
    had = job.corrections
    before = [move for move in had.moved_points_px if _apart(move[2:], at) <= near]
    start = before[-1][:2] if before else at
    kept = tuple(move for move in had.moved_points_px if move not in before[-1:])
    return _corrected(job, replace(had, moved_points_px=(*kept, (*start, *to))))


def _point_removed(job: Job, asked: Asked) -> Job:
    """`at`: a point of a fitted edge that is to go."""
    at, near = place_of(asked.get("at")), number_of(asked.get("near_px"))
    had = job.corrections
    before = [move for move in had.moved_points_px if _apart(move[2:], at) <= near]
    start = before[-1][:2] if before else at
    kept = tuple(move for move in had.moved_points_px if move not in before[-1:])
    return _corrected(job, _with(replace(had, moved_points_px=kept), "no_points_px", start))


def _face(job: Job, asked: Asked) -> Job:
    """`falls` true or false, `at` a place in the face."""
    at, near = place_of(asked.get("at")), number_of(asked.get("near_px"))
    had = job.corrections
    for key in ("falls_px", "stays_px"):
        had = _without(had, key, lambda place: _apart(place, at) <= near)
    key = "falls_px" if asked.get("falls") is True else "stays_px"
    return _corrected(job, _with(had, key, at))


def _ink(job: Job, asked: Asked) -> Job:
    """`stroke`: width (below 0 rubs out), then x and y of each point."""
    numbers = asked.get("stroke")
    if not isinstance(numbers, list) or len(numbers) > MOST_NUMBERS:
        raise UsageError("a stroke is a width and its points")
    stroke = tuple(number_of(number) for number in numbers)
    if len(stroke) < 3 or len(stroke) % 2 == 0 or stroke[0] == 0:
        raise UsageError("a stroke is a width and its points")
    return _corrected(job, _with(job.corrections, "ink_px", stroke))


def _tie_added(job: Job, asked: Asked) -> Job:
    """`at`: where a tie is wanted."""
    at = place_of(asked.get("at"))
    had = _without(job.corrections, "no_ties_px", lambda box: _is_in(at, box))
    return _corrected(job, _with(had, "ties_px", at))


def _tie_removed(job: Job, asked: Asked) -> Job:
    """`box`: round the tie as it lies; no tie is laid there again."""
    box = box_of(asked.get("box"))
    return _corrected(job, _with(_untied(job.corrections, box), "no_ties_px", box))


def _tie_moved(job: Job, asked: Asked) -> Job:
    """`box`: round the tie as it lies, `to`: where it is wanted, `is_mine`: laid by hand."""
    box, to = box_of(asked.get("box")), place_of(asked.get("to"))
    had = _untied(job.corrections, box)
    if asked.get("is_mine") is not True and not _is_in(to, box):
        had = _with(had, "no_ties_px", box)
    had = _without(had, "no_ties_px", lambda other: _is_in(to, other))
    return _corrected(job, _with(had, "ties_px", to))


def _tie_widened(job: Job, asked: Asked) -> Job:
    """`box`: round the tie, `at`: its middle, `width_mm`."""
    box, at = box_of(asked.get("box")), place_of(asked.get("at"))
    width_mm = number_of(asked.get("width_mm"))
    if not 1 <= width_mm <= 200:
        raise UsageError(f"a tie of {width_mm:g} mm; expected 1 to 200 mm")
    had = _untied(job.corrections, box)
    return _corrected(job, _with(had, "wide_ties_px_mm", (*at, width_mm)))


def _order(job: Job, asked: Asked) -> Job:
    """`places`: on cuts, in the order in which they are made; none: planned again."""
    return _corrected(job, replace(job.corrections, order_px=_places(asked.get("places"))))


def _marked(job: Job, asked: Asked, key: str, *, is_so: bool) -> Job:
    """The mark `at` a place put down or, within `near_px`, taken back."""
    at, near = place_of(asked.get("at")), number_of(asked.get("near_px"))
    had = _without(job.corrections, key, lambda place: _apart(place, at) <= near)
    return _corrected(job, _with(had, key, at) if is_so else had)


def _done(job: Job, asked: Asked) -> Job:
    """`at`: a place on a cut, `is_done`."""
    return _marked(job, asked, "done_px", is_so=asked.get("is_done") is True)


def _tie_lost(job: Job, asked: Asked) -> Job:
    """`at`: the middle of a tie, `is_lost`."""
    return _marked(job, asked, "lost_ties_px", is_so=asked.get("is_lost") is True)


def _strayed(job: Job, asked: Asked) -> Job:
    """`at`: how far the torch came where it left its line; `is_so` false takes it back."""
    return _marked(job, asked, "strayed_px", is_so=asked.get("is_so") is True)


def _several(job: Job, asked: Asked) -> Job:
    """`changes`: some of the others, one after the other, as one step to undo."""
    changes = asked.get("changes")
    if not isinstance(changes, list) or len(changes) > 400:
        raise UsageError("expected a few changes")
    for one in changes:
        if not isinstance(one, dict) or one.get("do") == "several":
            raise UsageError("expected a few changes")
        job = changed(job, one)
    return job


_DOING: Mapping[str, Callable[[Job, Asked], Job]] = {
    "set": _set,
    "lettering": _lettering,
    "kind": _kind,
    "ease": _ease,
    "point moved": _point_moved,
    "point removed": _point_removed,
    "face": _face,
    "ink": _ink,
    "tie added": _tie_added,
    "tie removed": _tie_removed,
    "tie moved": _tie_moved,
    "tie widened": _tie_widened,
    "order": _order,
    "done": _done,
    "tie lost": _tie_lost,
    "strayed": _strayed,
    "several": _several,
}


# ------------------------------------------------------------------ what they are made of


def _corrected(job: Job, corrections: Corrections) -> Job:
    return replace(job, corrections=corrections)


def _with(had: Corrections, key: str, entry: tuple[float, ...]) -> Corrections:
    return replace(had, **{key: (*getattr(had, key), entry)})


def _without(
    had: Corrections, key: str, is_meant: Callable[[tuple[float, ...]], bool]
) -> Corrections:
    return replace(had, **{key: tuple(e for e in getattr(had, key) if not is_meant(e))})


def _looped(
    had: Corrections, word: str, words: tuple[str, ...], loop: tuple[float, ...]
) -> Corrections:
    """With a loop, in place of those of the same sort that lie in it."""
    for other in words:
        had = _without(had, f"{other}_loops_px", lambda old: _share_in(old, loop) >= WITHIN)
    return _with(had, f"{word}_loops_px", loop)


def _share_in(inner: tuple[float, ...], loop: tuple[float, ...]) -> float:
    """How many of a loop's points lie in another loop, as a share."""
    places = list(zip(inner[::2], inner[1::2], strict=True))
    return sum(_is_in_loop(place, loop) for place in places) / len(places)


def _is_in_loop(place: tuple[float, ...], loop: tuple[float, ...]) -> bool:
    """Even-odd rule: a ray to the right crosses the loop an odd number of times."""
    x, y = place[:2]
    corners = list(zip(loop[::2], loop[1::2], strict=True))
    inside = False
    for (ax, ay), (bx, by) in zip(corners, [*corners[1:], corners[0]], strict=True):
        if (ay > y) != (by > y) and x < ax + (y - ay) / (by - ay) * (bx - ax):
            inside = not inside
    return inside


def _untied(had: Corrections, box: Box) -> Corrections:
    """Without the ties by hand that lie in a box."""
    for key in ("ties_px", "wide_ties_px_mm"):
        had = _without(had, key, lambda place: _is_in(place, box))
    return had


def _is_in(place: tuple[float, ...], box: tuple[float, ...]) -> bool:
    x, y, width, height = box
    return x <= place[0] <= x + width and y <= place[1] <= y + height


def _loop(value: object) -> tuple[float, ...]:
    if not isinstance(value, list) or not 6 <= len(value) <= 2 * MOST_LOOP_POINTS:
        raise UsageError("the page sent no loop; expected x and y of three points or more")
    if len(value) % 2:
        raise UsageError("the page sent a loop with half a point")
    return tuple(number_of(one) for one in value)


def _apart(a: tuple[float, ...], b: tuple[float, ...]) -> float:
    return math.hypot(a[0] - b[0], a[1] - b[1])


def number_of(value: object) -> float:
    """A finite number that the page sent, to a hundredth.

    Raises:
        UsageError: it is none, or far off.
    """
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        raise UsageError("the page sent something that is no number")
    if not abs(value) <= FARTHEST_PX:
        raise UsageError("the page sent a place that lies far off the picture")
    return round(float(value), 2)


def place_of(value: object) -> Place:
    """X and y that the page sent.

    Raises:
        UsageError: they are none.
    """
    if not isinstance(value, list) or len(value) != 2:
        raise UsageError("the page sent no place; expected x and y")
    return number_of(value[0]), number_of(value[1])


def _places(value: object) -> tuple[Place, ...]:
    if not isinstance(value, list) or len(value) > MOST_ENTRIES:
        raise UsageError("the page sent no list of places")
    return tuple(place_of(one) for one in value)


def box_of(value: object) -> Box:
    """X, y, width and height that the page sent.

    Raises:
        UsageError: they are none, or there is nothing in it.
    """
    if not isinstance(value, list) or len(value) != 4:
        raise UsageError("the page sent no box; expected x, y, width and height")
    x, y, width, height = (number_of(one) for one in value)
    if width <= 0 or height <= 0:
        raise UsageError("a box needs some width and some height; draw it larger")
    return x, y, width, height
