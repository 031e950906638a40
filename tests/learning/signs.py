"""Made-up signs by number: words and drawings as they are laid out, and what each part is."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tests.learning import letters
from tests.learning.board import Board, Part, What
from tests.learning.layouts import LAYOUTS, form
from tests.learning.use import Use

__all__ = ["Part", "Sign", "What", "make_sign"]


@dataclass(frozen=True, slots=True, eq=False)
class Sign:
    """A made-up sign: parts in the order in which they are painted."""

    parts: tuple[Part, ...]
    width: int
    height: int
    layout: str
    face: str


def make_sign(
    seed: int,
    *,
    use: Use,
    only_carried: bool = False,
    is_single_line: bool = False,
    has_lines: bool = False,
    layout: str | None = None,
) -> Sign:
    """The sign with a number; the same number is the same sign.

    Args:
        seed: the number.
        use: with the typefaces and drawings of this use.
        only_carried: only what matplotlib carries and our own geometry.
        is_single_line: letters are lines, to be cut in one pass.
        has_lines: some drawings are of lines that don't close.
        layout: one of `LAYOUTS` by name; by chance if not said.
    """
    rng, size, face = _begun(seed, use, only_carried=only_carried, is_single_line=is_single_line)
    by_hand = 0.6 if is_single_line or has_lines else 0.3
    hand = float(rng.uniform(0.2, 1.3)) if rng.random() < by_hand else 0.0
    board = Board(rng, *size, use, only_carried, is_single_line, has_lines, face, hand)
    odds = np.array([share for _, share in LAYOUTS])
    by_chance = int(rng.choice(len(LAYOUTS), p=odds / odds.sum()))
    by_name = {lay.__name__.strip("_"): lay for lay in (*(lay for lay, _ in LAYOUTS), form)}
    lay_out = LAYOUTS[by_chance][0] if layout is None else by_name[layout]
    lay_out(board)
    return Sign(tuple(board.parts), *size, lay_out.__name__.strip("_"), face)


def face_name(seed: int, *, use: Use, is_single_line: bool) -> str:
    """The typeface of the sign with a number."""
    return _begun(seed, use, only_carried=False, is_single_line=is_single_line)[2]


def _begun(
    seed: int, use: Use, *, only_carried: bool, is_single_line: bool
) -> tuple[np.random.Generator, tuple[int, int], str]:
    rng = np.random.default_rng([seed, list(Use).index(use)])
    if is_single_line:
        names = letters.line_faces(use)
    else:
        names = letters.faces(use=use, only_carried=only_carried)
    short = int(rng.integers(700, 1300))
    size = (int(short * rng.uniform(1.0, 1.7)), short)
    return rng, size, str(rng.choice(names))
