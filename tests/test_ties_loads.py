"""The numbers behind ties against the metal itself: cut a tie, and what falls is what it told."""

import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from raster2path.geometry import Kind, Path, polygon
from raster2path.model import Sign, Tie
from raster2path.sign.ties import hold
from tests.test_ties import RULES, art, check_whole, metal

PROOF = settings(deadline=None, max_examples=20)

STEEL_KG_MM3 = 7850e-9
"""EN 1993-1-2, 3.2.2 (from memory)."""

UPPER = (0j, 56 + 0j, 56 + 16j, 18 + 16j, 18 + 32j, 48 + 32j)
CORNERS = {
    "E": (*UPPER, *(z.conjugate() + 80j for z in reversed(UPPER))),
    "T": (0, 60, 60 + 16j, 40 + 16j, 40 + 80j, 20 + 80j, 20 + 16j, 16j),
    "I": (0, 18, 18 + 80j, 80j),
}


def row(word: str, at: complex) -> list[Path]:
    """Plain capitals 80 mm high, 8 mm apart; y grows down."""
    out = []
    for name in word:
        corners = [at + z for z in CORNERS[name]]
        out.append(polygon(corners, Kind.LETTERING))
        at += max(z.real for z in map(complex, CORNERS[name])) + 8
    return out


def parts_without(sign: Sign, tie: Tie) -> list[float]:
    """Areas that the metal falls into when a tie is cut."""
    outline = shapely.Polygon([(z.real, z.imag) for z in tie.corners]).buffer(0.01)
    return [p.area for p in shapely.get_parts(metal(sign).difference(outline)) if p.area > 4]


@PROOF
@given(st.lists(st.sampled_from("ETI"), min_size=3, max_size=7), st.integers(0, 30))
def test_a_tie_between_letters_tells_the_mass_that_hangs_on_it(word: list[str], gap: int) -> None:
    """Like letters beside unlike ones: a copied tie is booked on the letter that it reaches."""
    rows = [*row("".join(word), 0j), *row("".join(word[::-1]), complex(gap, 96))]
    sign = hold(art(*rows, border=False), rules=RULES)
    check_whole(sign)
    for tie in sign.ties:
        assert tie.load is not None
        parts = parts_without(sign, tie)
        if len(parts) > 1 and tie.load.n_sharing == 1:
            told = tie.load.mass_kg / (STEEL_KG_MM3 * RULES.thickness_mm)
            others = sum(o.width_mm * o.length_mm for o in sign.ties)
            assert any(falls - others - 1 <= told <= falls + 1 for falls in parts)


def test_letters_that_hang_together_are_not_tied_again_and_again() -> None:
    """A tree needs one tie fewer than there are letters, strength at most three more for each."""
    rows = [path for k in range(3) for path in row("ETTEITEE", complex(0, 96 * k))]
    sign = hold(art(*rows, border=False), rules=RULES)
    check_whole(sign)
    assert len(rows) - 1 <= len(sign.ties) <= 4 * len(rows)
