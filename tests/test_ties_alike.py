"""Symmetric drawings and like letters are tied alike; ties are as strong as their load asks.

The naive way, the shortest bridge from each island, is written here, and the spanning tree is
checked against networkx.
"""

import itertools
import math
from collections.abc import Sequence

import networkx as nx  # type: ignore[import-untyped]  # it comes without types
import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from raster2path.geometry import Arc, Kind, Path, circle, polygon
from raster2path.job import Corrections, TieRules
from raster2path.material import MILD, Material
from raster2path.model import NoteKind, Sign, Tie
from raster2path.sign._alike import alike_pieces, find_mirror
from raster2path.sign._loads import Held, Masses, across, hanging, heart, loaded
from raster2path.sign._strength import KNOCKS, shared_stress_mpa
from raster2path.sign.ties import hold
from tests.test_ties import RULES, SHEET, art, box, check_whole, metal

PROOF = settings(deadline=None, max_examples=20)


def middles(sign: Sign) -> list[complex]:
    return [sum(tie.corners) / len(tie.corners) for tie in sign.ties]


def mirror_distance(sign: Sign, x: float) -> float:
    """How far the worst tie's image lies from the next tie."""
    at = np.array(middles(sign))
    return float(np.abs(at[:, None] - (2 * x - at.conj())[None]).min(axis=1).max())


def mirrored(path: Path, x: float) -> Path:
    """A polygon's mirror image about an upright axis."""
    z = [complex(2 * x - p[0], p[1]) for p in path.flat()]
    return polygon(z[::-1], path.kind)


# -- symmetric drawings ---------------------------------------------------------------------------


@PROOF
@given(
    st.lists(
        st.tuples(st.floats(30, 150), st.floats(40, 360), st.floats(14, 40), st.integers(3, 8)),
        min_size=1,
        max_size=4,
    ),
    st.booleans(),
)
def test_a_symmetric_drawing_gets_symmetric_ties(
    drawn: list[tuple[float, float, float, int]],
    has_middle: bool,  # noqa: FBT001 (hypothesis hands it over by position)
) -> None:
    """Rings on the left, their images on the right, perhaps one on the axis."""
    paths: list[Path] = [SHEET]
    seen = [shapely.Polygon(SHEET.flat()).exterior, shapely.LineString([(200, 0), (200, 400)])]
    for x, y, size, n in drawn:
        turns = [0.3 + 2 * math.pi * k / n for k in range(n)]
        corners = [complex(x, y) + size * complex(math.cos(t), math.sin(t)) for t in turns]
        outer = polygon(corners, Kind.ORGANIC)
        shape = shapely.Polygon(outer.flat())
        if size * math.cos(math.pi / n) < 12 or any(shape.distance(o) < 12 for o in seen):
            continue
        seen.append(shape)
        middle = complex(x, y)
        inner = polygon([middle + 0.5 * (z - middle) for z in corners], Kind.ORGANIC)
        for path in (outer, inner):
            paths += [path, mirrored(path, 200)]
    centre = circle(200 + 200j, 30), circle(200 + 200j, 18)
    if has_middle and all(shapely.Point(200, 200).buffer(34).disjoint(o) for o in seen[2:]):
        paths += centre
    if len(paths) == 1:
        return
    sign = hold(art(*paths), rules=RULES)
    check_whole(sign)
    assert mirror_distance(sign, 200) <= 1.0


def test_an_island_on_the_axis_is_held_on_the_axis() -> None:
    sign = hold(art(SHEET, circle(200 + 200j, 60), circle(200 + 200j, 40)), rules=RULES)
    assert all(min(abs(z.real - 200), abs(z.imag - 200)) < 0.5 for z in middles(sign))


def pieced(centre: complex, radius: float, n: int, turn: float) -> Path:
    """A circle of many arcs that run on into each other."""
    start = centre + radius * complex(math.cos(turn), math.sin(turn))
    whole = Arc(start, centre, 2 * math.pi, Kind.ORGANIC)
    return Path(tuple(whole.between(k / n, (k + 1) / n) for k in range(n)), is_closed=True)


@pytest.mark.parametrize("turn", [0.02, 0.06, 0.1])
def test_round_rings_of_many_pieces_are_held_on_the_axis(turn: float) -> None:
    """A smooth joint beside a tie is no corner: ties stand on the axis wherever pieces meet."""
    rings = [pieced(200 + 200j, radius, 24, turn) for radius in (170, 150, 110, 90, 50, 30)]
    sign = hold(art(SHEET, *rings), rules=RULES)
    check_whole(sign)
    assert len(sign.ties) == 6
    assert all(abs(z.real - 200) < 0.2 for z in middles(sign))


def test_a_drawing_without_an_axis_has_none() -> None:
    z = np.exp(1j * np.linspace(0, 2 * np.pi, 200, endpoint=False))
    leaning = 100 * z.real + 60j * z.imag
    leaning = leaning * np.exp(0.6j)
    pieces = [shapely.box(-200, -200, 200, 200), shapely.box(30, 5, 50, 15)]
    assert find_mirror(leaning, pieces) is None
    upright = 100 * z.real + 60j * z.imag
    centred = [shapely.box(-200, -200, 200, 200), shapely.box(-10, -10, 10, 10)]
    found = find_mirror(upright, centred)
    assert found is not None
    assert found.at_mm == pytest.approx(0, abs=0.3)
    assert found.partner == (0, 1)


# -- letters alike --------------------------------------------------------------------------------


def ring_of_letter(x: float, y: float) -> list[Path]:
    return [
        box(x, y, x + 50, y + 80, Kind.LETTERING),
        box(x + 14, y + 14, x + 36, y + 66, Kind.LETTERING),
    ]


@PROOF
@given(st.lists(st.floats(0, 20), min_size=2, max_size=4))
def test_all_the_same_letters_are_held_at_the_same_spots(steps: list[float]) -> None:
    """The letters stand unevenly, between other edges, yet all ties sit alike in each."""
    xs = list(itertools.accumulate([30.0, *(70 + step for step in steps)]))
    wide = xs[-1] + 100
    paths = [box(0, 0, wide, 200), *(path for x in xs for path in ring_of_letter(x, 60))]
    sign = hold(art(*paths, size=wide), rules=RULES)
    check_whole(sign)
    spots = [
        sorted(
            (round(z.real - x, 1), round(z.imag, 1)) for z in middles(sign) if x < z.real < x + 50
        )
        for x in xs
    ]
    assert all(spot == spots[0] for spot in spots)
    # no tie on lettering stands off the counter's top or bottom
    assert all(y < 75 or y > 125 for spot in spots for _, y in spot)


def test_like_pieces_are_told_from_unlike() -> None:
    pieces = [shapely.box(0, 0, 9, 9), shapely.box(50, 50, 59, 59), shapely.box(0, 0, 9, 14)]
    assert alike_pieces(pieces, [0, 1, 2]) == [[0, 1]]


# -- strength -------------------------------------------------------------------------------------


def tie_at(at: complex, width: float = 6.0, length: float = 10.0) -> Tie:
    return Tie((at, at, at, at), width, length)


def test_two_opposite_ties_carry_what_one_cannot() -> None:
    """Beam formula, 6 M / (b t^2): 684 MPa on one 6 mm tie fails; two opposite ties carry it."""
    square = {"area_mm2": 9e4, "middle": 0j, "thickness_mm": 1.519}
    one, lever = shared_stress_mpa(ties=[tie_at(150 + 0j)], **square)  # type: ignore[arg-type]
    assert one == pytest.approx(684, abs=1)
    assert lever == pytest.approx(150)
    both = [tie_at(150 + 0j), tie_at(-150 + 0j)]
    two, _ = shared_stress_mpa(ties=both, **square)  # type: ignore[arg-type]
    assert two * KNOCKS < MILD.allowed_mpa
    side_by_side = [tie_at(150 + 20j), tie_at(150 - 20j)]
    still, _ = shared_stress_mpa(ties=side_by_side, **square)  # type: ignore[arg-type]
    assert still * KNOCKS > MILD.allowed_mpa


@pytest.mark.parametrize(
    ("material", "density", "mpa"),
    [
        (Material.MILD, 7850, 684.2),
        (Material.STAINLESS, 8000, 697.3),
        (Material.ALUMINIUM, 2680, 233.6),
    ],
)
def test_each_metal_bends_its_tie_by_its_own_weight(
    material: Material, density: float, mpa: float
) -> None:
    """Beam formula by the density of each stock; a tie of annealed aluminium may bear least."""
    stress, _ = shared_stress_mpa(
        area_mm2=9e4,
        middle=0j,
        ties=[tie_at(150 + 0j)],
        thickness_mm=1.519,
        stock=material.stock,
    )
    assert stress == pytest.approx(mpa, rel=1e-3)
    assert material.stock.density_kg_mm3 == pytest.approx(density * 1e-9)
    assert material.stock.allowed_mpa <= MILD.allowed_mpa


def test_weaker_metal_gets_more_or_wider_ties() -> None:
    low, high = 100, 190
    drawn = art(SHEET, box(low - 20, low - 20, high + 20, high + 20), box(low, low, high, high))
    held = {}
    for material in Material:
        sign = hold(drawn, rules=TieRules(material=material, thickness_mm=0.8))
        held[material] = sum(tie.width_mm for tie in sign.ties)
        assert all(
            t.load is not None and t.load.stress_mpa <= t.load.allowed_mpa for t in sign.ties
        )
    assert held[Material.STAINLESS] >= held[Material.MILD]


def test_a_tie_carries_all_that_hangs_beyond_it() -> None:
    pieces = [shapely.box(-100, 0, 0, 50), shapely.box(10, 0, 30, 20), shapely.box(40, 0, 60, 20)]
    held = [
        Held(tie_at(5 + 10j), 0, 1, 5 + 10j, shapely.Point(5, 10)),
        Held(tie_at(35 + 10j), 1, 2, 35 + 10j, shapely.Point(35, 10)),
    ]
    assert [below for below, _ in hanging(held)] == [frozenset({2}), frozenset({1, 2})]
    assert across(held, frozenset({1, 2})) == held[:1]
    near, far = (tie.load for tie in loaded(held, Masses.of(pieces), root=0, thickness_mm=1.5))
    assert near is not None
    assert far is not None
    assert near.mass_kg == pytest.approx(2 * far.mass_kg)
    assert near.lever_mm == pytest.approx(30)
    assert far.lever_mm == pytest.approx(15)


def test_without_a_sheet_the_heavier_side_holds_the_lighter_one() -> None:
    pieces = [shapely.box(100 * k, 0, 90 + 100 * k, 60 - 2 * k) for k in range(5)]
    held = [
        Held(tie_at(complex(95 + 100 * k, 20)), k, k + 1, complex(95 + 100 * k, 20), pieces[0])
        for k in range(4)
    ]
    masses = Masses.of(pieces)
    root = heart(held, masses)
    assert root == 2
    half = masses.area_mm2.sum() / 2
    below = [nodes for nodes, _ in hanging(held, root)]
    assert max(masses.together(nodes)[0] for nodes in below) <= half
    assert {frozenset({0}), frozenset({0, 1}), frozenset({4}), frozenset({3, 4})} == set(below)


@PROOF
@given(st.floats(60, 340), st.floats(8, 30), st.floats(0.8, 4.0))
def test_every_tie_is_as_strong_as_its_rule(size: float, gap: float, thickness: float) -> None:
    sheet = box(0, 0, 600, 600)
    low, high = 300 - size / 2, 300 + size / 2
    hole = box(low - gap, low - gap, high + gap, high + gap)
    rules = TieRules(thickness_mm=thickness)
    sign = hold(art(sheet, hole, box(low, low, high, high), size=600), rules=rules)
    assert sign.ties
    for tie in sign.ties:
        assert tie.width_mm > rules.least_tie_mm - 1e-6
        assert tie.load is not None
        assert tie.load.stress_mpa <= tie.load.allowed_mpa


# -- the naive way, and the spanning tree ---------------------------------------------------------


def naive_mm(pieces: Sequence[shapely.Geometry]) -> float:
    """The shortest bridge from each island to what is held already (the baseline)."""
    held, loose, total = [pieces[0]], list(pieces[1:]), 0.0
    while loose:
        far = [min(shapely.distance(piece, held)) for piece in loose]
        nearest = int(np.argmin(far))
        total += float(far[nearest])
        held.append(loose.pop(nearest))
    return total


islands = st.lists(
    st.tuples(st.integers(0, 4), st.integers(0, 4), st.floats(10, 12.5), st.floats(-4, 4)),
    min_size=2,
    max_size=12,
    unique_by=lambda island: island[:2],
)


@PROOF
@given(islands)
def test_planned_ties_are_about_as_short_as_naive_ones(
    drawn: list[tuple[int, int, float, float]],
) -> None:
    """Small islands, one tie each: strength adds nothing, so the tree is all but the shortest."""
    window = box(30, 30, 370, 370)
    discs = [circle(complex(75 + 62 * i + d, 75 + 62 * j - d), r) for i, j, r, d in drawn]
    sign = hold(art(SHEET, window, *discs), rules=RULES)
    check_whole(sign)
    frame = shapely.Polygon(SHEET.flat(), [window.flat()])
    pieces = [frame, *(shapely.Polygon(disc.flat()) for disc in discs)]
    graph = nx.Graph()
    for a, b in itertools.combinations(range(len(pieces)), 2):
        graph.add_edge(a, b, weight=pieces[a].distance(pieces[b]))
    tree = nx.minimum_spanning_tree(graph)
    shortest = sum(data["weight"] for _, _, data in tree.edges(data=True))
    assert naive_mm(pieces) == pytest.approx(shortest)
    # what is told apart: ties of the tree, and second ones where the arm is long
    firsts = {
        frozenset(pair): length
        for pair, length in sorted(
            ((pair_of(tie, pieces), tie.length_mm) for tie in sign.ties), key=lambda p: -p[1]
        )
    }
    joined = nx.Graph(
        (*pair, {"weight": length}) for pair, length in firsts.items() if len(pair) == 2
    )
    ours = nx.minimum_spanning_tree(joined)
    planned = sum(data["weight"] for _, _, data in ours.edges(data=True))
    assert ours.number_of_edges() == tree.number_of_edges()
    assert planned <= 1.25 * shortest + 2.0 * len(drawn)


def pair_of(tie: Tie, pieces: Sequence[shapely.Geometry]) -> tuple[int, ...]:
    outline = shapely.Polygon([(z.real, z.imag) for z in tie.corners])
    return tuple(np.argsort(shapely.distance(outline, np.array(pieces)))[:2].tolist())


# -- teeth, and by hand ---------------------------------------------------------------------------


def test_a_toothed_disc_is_held_on_opposite_sides() -> None:
    teeth = [
        200 + 200j + (70 if k % 2 else 95) * complex(math.cos(a), math.sin(a))
        for k, a in enumerate(np.linspace(0.05, 0.05 + 2 * math.pi, 80, endpoint=False))
    ]
    sign = hold(art(SHEET, circle(200 + 200j, 125), polygon(teeth, Kind.ORGANIC)), rules=RULES)
    assert len(shapely.get_parts(metal(sign))) == 1
    ways = sorted(math.atan2((z - 200 - 200j).imag, (z - 200 - 200j).real) for z in middles(sign))
    gaps = np.diff([*ways, ways[0] + 2 * math.pi])
    assert max(gaps) < math.radians(225)


RING = (SHEET, circle(200 + 200j, 50), circle(200 + 200j, 38))


def test_a_tie_stands_where_the_maker_put_it() -> None:
    at = 200 + 200j + 44 * complex(math.cos(0.7), math.sin(0.7))
    sign = hold(art(*RING), rules=RULES, corrections=Corrections(ties_px=((at.real, at.imag),)))
    assert min(abs(z - at) for z in middles(sign)) < 1.0
    check_whole(sign)


def test_no_tie_stands_where_the_maker_forbids_it() -> None:
    zone = (140.0, 140.0, 120.0, 52.0)
    free = hold(art(*RING), rules=RULES)
    assert any(z.imag < 192 for z in middles(free))
    sign = hold(art(*RING), rules=RULES, corrections=Corrections(no_ties_px=(zone,)))
    assert sign.ties
    assert all(z.imag > 192 for z in middles(sign))
    check_whole(sign)


def test_a_tie_by_hand_that_finds_no_gap_is_told() -> None:
    sign = hold(art(*RING), rules=RULES, corrections=Corrections(ties_px=((20.0, 20.0),)))
    notes = [note for note in sign.notes if note.kind is NoteKind.SETTING]
    assert any("20, 20" in note.sentence for note in notes)


def test_a_tie_by_hand_is_mapped_through_the_squared_picture() -> None:
    """The place is in pixels of the upright picture, twice as large here and shifted by 10."""
    twice = np.array([[0.5, 0, 10], [0, 0.5, 10], [0, 0, 1.0]])
    at = 244 + 200j
    place = ((at.real - 10) * 2, (at.imag - 10) * 2)
    sign = hold(
        art(*RING),
        rules=RULES,
        corrections=Corrections(ties_px=(place,)),
        work_from_upright=twice,
    )
    assert min(abs(z - at) for z in middles(sign)) < 1.0
