"""Where a tie would land, at once, while it is still being dragged. Nothing is laid for good."""

from __future__ import annotations

from dataclasses import dataclass

from raster2path.job import TieRules
from raster2path.model import Art, Tie
from raster2path.sign._strips import Rings
from raster2path.sign._surgery import Ring
from raster2path.sign._wanted import tie_by_hand


@dataclass(frozen=True, slots=True, eq=False)
class Trial:
    """The edges before any tie, ready to be asked."""

    rings: Rings
    rules: TieRules

    def tie_at(self, at: complex, width_mm: float | None = None) -> Tie | None:
        """The tie that `hold` would lay by hand at a place, other ties aside; or None.

        Args:
            at: on the sheet, in a gap.
            width_mm: None: as the rules say.
        """
        place = (0.0, 0.0) if width_mm is None else (0.0, 0.0, width_mm)
        word = (place, at)
        laid = tie_by_hand(self.rings, word, rules=self.rules, is_clear=lambda _: True)
        return None if laid is None else laid.ties[0]


def trial_of(art: Art, *, rules: TieRules) -> Trial:
    """A trial of ties on some art."""
    rings = {
        k: Ring.of(edge.path, frozenset({k}), is_border=edge.is_border)
        for k, edge in enumerate(art.edges)
    }
    return Trial(rings, rules)
