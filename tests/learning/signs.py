"""Made-up signs by number: words and drawings as they are laid out, and what each part is."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tests.learning import letters
from tests.learning.board import Board, Part, What
from tests.learning.layouts import LAYOUTS, busy

__all__ = ["Part", "Sign", "What", "make_sign"]


@dataclass(frozen=True, slots=True, eq=False)
class Sign:
    """A made-up sign: parts in the order in which they are painted."""

    parts: tuple[Part, ...]
    width: int
    height: int
    layout: str


def make_sign(
    seed: int,
    *,
    held: bool,
    only_carried: bool = False,
    is_single_line: bool = False,
    has_lines: bool = False,
    layout: str | None = None,
) -> Sign:
    """The sign with a number; the same number is the same sign.

    Args:
        seed: the number.
        held: with typefaces and drawings that are held out from training.
        only_carried: only what matplotlib carries and our own geometry.
        is_single_line: letters are lines, to be cut in one pass.
        has_lines: some drawings are of lines that don't close.
        layout: one of `LAYOUTS` by name; by chance if not said.
    """
    rng = np.random.default_rng([seed, int(held)])
    if is_single_line:
        names = tuple(letters.HELD_SINGLE_LINE if held else letters.SINGLE_LINE)
    else:
        names = letters.faces(held=held, only_carried=only_carried)
    short = int(rng.integers(700, 1300))
    size = (int(short * rng.uniform(1.0, 1.7)), short)
    board = Board(rng, *size, held, only_carried, is_single_line, has_lines, str(rng.choice(names)))
    odds = np.array([share for _, share in LAYOUTS])
    by_chance = int(rng.choice(len(LAYOUTS), p=odds / odds.sum()))
    by_name = {lay.__name__.strip("_"): lay for lay in (*(lay for lay, _ in LAYOUTS), busy)}
    lay_out = LAYOUTS[by_chance][0] if layout is None else by_name[layout]
    lay_out(board)
    return Sign(tuple(board.parts), *size, lay_out.__name__.strip("_"))
