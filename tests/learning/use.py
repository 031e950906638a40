"""What made-up signs are for; each use has typefaces and drawings of its own."""

from __future__ import annotations

from enum import Enum


class Use(Enum):
    """What a sign is for."""

    LEARN = "learn"
    """The table is learnt from it."""
    TUNE = "tune"
    """Limits are set on it: when a row is a word, when to ask."""
    JUDGE = "judge"
    """Figures are taken on it, and nothing else is done with it."""
