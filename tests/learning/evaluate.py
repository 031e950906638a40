"""Figures on signs whose typefaces and drawings nothing was learnt from.

`python -m tests.learning.evaluate [--first 1000] [--signs 270] [--use judge] [--store FOLDER]`
Limits are set with `--use tune`, on other typefaces and drawings again.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path

import numpy as np

from raster2path.geometry import Kind
from raster2path.job import Corrections, LetteringRules
from raster2path.model import Note, NoteKind, Outlines, Ring, Stroke
from raster2path.shape._table import shipped
from raster2path.shape._told import tell
from raster2path.shape.lettering import correct_kinds, tell_kinds
from tests.learning.develop import Case, Look
from tests.learning.gather import cases, truth_of
from tests.learning.rule import tell_by_rule
from tests.learning.signs import What
from tests.learning.use import Use

PLAIN = (Look.CLEAN, Look.PHOTO, Look.PENCIL)
"""Signs whose letters are outlines, as a typeface or a steady hand draws them."""
Teller = Callable[[Outlines], Outlines]


def by_table(outlines: Outlines) -> Outlines:
    """As the program does it."""
    told = tell_kinds(outlines, rules=LetteringRules(), work_from_upright=np.eye(3))
    return correct_kinds(told, corrections=Corrections(), work_from_upright=np.eye(3))


@dataclass(slots=True)
class Share:
    """How many of how many."""

    right: int = 0
    of: int = 0

    def add(self, is_right: bool) -> None:  # noqa: FBT001 (a tally has one thing to be told)
        """One more."""
        self.right += bool(is_right)
        self.of += 1

    @property
    def value(self) -> float:
        """The share, not a number where there are none."""
        return self.right / self.of if self.of else float("nan")


@dataclass(slots=True)
class Figures:
    """What the table shows."""

    glyphs: dict[Look, Share] = field(default_factory=lambda: {look: Share() for look in Look})
    drawings: dict[Look, Share] = field(default_factory=lambda: {look: Share() for look in Look})
    ruled: Share = field(default_factory=Share)
    repeats: Share = field(default_factory=Share)
    repeats_or_asked: Share = field(default_factory=Share)
    lone: Share = field(default_factory=Share)
    lone_or_asked: Share = field(default_factory=Share)
    no_box: dict[Look, Share] = field(default_factory=lambda: {look: Share() for look in Look})
    no_silent: dict[Look, Share] = field(default_factory=lambda: {look: Share() for look in Look})
    n_questions: dict[Look, int] = field(default_factory=lambda: dict.fromkeys(Look, 0))
    seconds: float = 0.0
    wrong: list[str] = field(default_factory=list)

    @property
    def n_signs(self) -> int:
        """How many signs were looked at."""
        return sum(share.of for share in self.no_box.values())


def figures(signs: Iterable[Case], teller: Teller) -> Figures:
    """All figures of a way to tell kinds."""
    out = Figures()
    for case in signs:
        began = time.process_time()
        told = teller(case.outlines)
        out.seconds += time.process_time() - began
        _count(out, case, told)
    return out


def _count(out: Figures, case: Case, told: Outlines) -> None:
    questions = [note for note in told.notes if note.kind is NoteKind.DOUBT]
    out.n_questions[case.look] += len(questions)
    lines: list[Ring | Stroke] = [*told.rings, *told.strokes]
    parts = [*case.ring_parts.tolist(), *case.stroke_parts.tolist()]
    said: dict[int, list[bool]] = {}
    places: dict[int, list[complex]] = {}
    for line, part in zip(lines, parts, strict=True):
        if part >= 0:
            said.setdefault(int(part), []).append(bool((line.kinds == Kind.LETTERING).mean() > 0.5))
            places.setdefault(int(part), []).append(complex(*line.points_mm.mean(axis=0)))
    n_wrong = n_silent = 0
    groups: dict[int, list[bool]] = {}
    asked_groups: dict[int, bool] = {}
    for part, is_lettering in said.items():
        what = case.whats[part]
        if what in (What.EITHER, What.BACKGROUND):
            continue
        asked = any(_is_about(q, z) for q in questions for z in places[part])
        right = _is_right(what, is_lettering)
        n_wrong += not right
        n_silent += not (right or asked)
        if what is What.LETTER:
            out.glyphs[case.look].add(right)
        elif what is What.LONE_LETTER:
            out.lone.add(right)
            out.lone_or_asked.add(right or asked)
        elif what is What.ART:
            out.drawings[case.look].add(right)
        elif what is What.RULED:
            out.ruled.add(right)
        else:
            groups.setdefault(case.groups[part], []).append(right)
            asked_groups[case.groups[part]] = asked_groups.get(case.groups[part], False) or asked
    for group, rights in groups.items():
        out.repeats.add(all(rights))
        out.repeats_or_asked.add(all(rights) or asked_groups[group])
    out.no_box[case.look].add(n_wrong == 0)
    out.no_silent[case.look].add(n_silent == 0)
    if n_wrong:
        out.wrong.append(
            f"{case.seed} {case.look.value} {case.layout}: {n_wrong} wrong, {n_silent} silently"
        )


def _is_right(what: What, is_lettering: list[bool]) -> bool:
    """A letter may lose a scrap; of a drawing nothing may be lettering."""
    return float(np.mean(is_lettering)) > 0.5 if what.is_letter else not any(is_lettering)


BINS = (-5.1, -4.0, -3.0, -2.0, -1.0, 0.0, 1.0, 2.0, 3.0, 4.0, 5.1)


def reliability(signs: Iterable[Case]) -> str:
    """What is said of rows against what they are: of each range of odds, how many are words."""
    said: list[tuple[float, float, bool]] = []
    for case in signs:
        truth = truth_of(case)
        verdict = tell(truth.marks, truth.is_border, shipped())
        for row, odds in zip(verdict.rows, verdict.row_odds, strict=True):
            whats = [truth.whats[k] for k in row.members if truth.whats[k] is not What.EITHER]
            if whats:
                share = float(np.mean([what.is_letter for what in whats]))
                said.append((odds, share, len(row.members) > 1))
    lines = [f"{'log odds':>14s}{'said':>8s}{'words':>8s}{'of':>7s}{'alone':>10s}{'of':>7s}"]
    for low, high in pairwise(BINS):
        here = [s for s in said if low <= s[0] < high]
        cells = ""
        for is_row in (True, False):
            shares = [share for _, share, many in here if many is is_row]
            cells += f"{np.mean(shares) if shares else np.nan:8.3f}{len(shares):7d}  "
        mean = np.mean([odds for odds, _, _ in here]) if here else (low + high) / 2
        lines.append(f"{low:6.1f} to {high:4.1f}{1 / (1 + np.exp(-mean)):8.3f}{cells}")
    return "\n".join(lines)


def _is_about(note: Note, place: complex) -> bool:
    return note.place_mm is not None and abs(note.place_mm - place) <= (note.size_mm or 0.0) / 2


def table(ways: dict[str, Figures]) -> str:
    """The figures of each way, a row for each."""
    rows: list[tuple[str, list[str]]] = []
    for look in Look:
        rows.append(
            (f"letter recall per glyph, {look.value}", [_of(f.glyphs[look]) for f in ways.values()])
        )
    for look in Look:
        rows.append(
            (f"art kept, per drawing, {look.value}", [_of(f.drawings[look]) for f in ways.values()])
        )
    rows += [
        ("letter recall, set in outlines", [_sum(f.glyphs, PLAIN) for f in ways.values()]),
        ("art kept, set in outlines", [_sum(f.drawings, PLAIN) for f in ways.values()]),
        ("frames and bars not taken for letters", [_of(f.ruled) for f in ways.values()]),
        ("rows of the same drawing kept", [_of(f.repeats) for f in ways.values()]),
        ("the same, kept or asked", [_of(f.repeats_or_asked) for f in ways.values()]),
        ("single large letters right", [_of(f.lone) for f in ways.values()]),
        ("single large letters right or asked", [_of(f.lone_or_asked) for f in ways.values()]),
    ]
    for name, looks in (("all", tuple(Look)), ("set in outlines", PLAIN)):
        rows += [
            (f"need no box, {name}", [_sum(f.no_box, looks) for f in ways.values()]),
            (f"no silent mistake, {name}", [_sum(f.no_silent, looks) for f in ways.values()]),
            (f"questions a sign, {name}", [_questions(f, looks) for f in ways.values()]),
        ]
    rows += [
        (
            "CPU a sign, ms",
            [f"{1000 * f.seconds / max(f.n_signs, 1):.0f}" for f in ways.values()],
        ),
    ]
    head = f"{'':42s}" + "".join(f"{name:>24s}" for name in ways)
    return "\n".join(
        [head, *(f"{name:42s}" + "".join(f"{w:>24s}" for w in words) for name, words in rows)]
    )


def _of(share: Share) -> str:
    return f"{share.value:.4f} ({share.right}/{share.of})"


def _sum(shares: dict[Look, Share], looks: Sequence[Look]) -> str:
    kept = [shares[look] for look in looks]
    return _of(Share(sum(s.right for s in kept), sum(s.of for s in kept)))


def _questions(of: Figures, looks: Sequence[Look]) -> str:
    n_signs = sum(of.no_box[look].of for look in looks)
    return f"{sum(of.n_questions[look] for look in looks) / max(n_signs, 1):.2f}"


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--signs", type=int, default=270)
    parser.add_argument("--first", type=int, default=1000)
    parser.add_argument("--store", type=Path)
    parser.add_argument("--use", default="judge", choices=[use.value for use in Use])
    parser.add_argument("--wrong", action="store_true", help="list the signs with mistakes")
    args = parser.parse_args()
    signs = list(cases(args.first, args.signs, use=Use(args.use), store=args.store))
    ways = {"rule": figures(signs, tell_by_rule), "table": figures(signs, by_table)}
    print(f"{len(signs)} signs")
    print(table(ways))
    print(reliability(signs))
    if args.wrong:
        print("\n".join(ways["table"].wrong))


if __name__ == "__main__":
    main()
