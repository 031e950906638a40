"""Where the torch goes: half a kerf off the metal, pierced in the drop, nothing cut twice."""

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from raster2path.geometry import Cubic, Kind, Line, Path, circle, polygon
from raster2path.job import TorchRules
from raster2path.model import (
    Art,
    Border,
    Cut,
    CutType,
    Edge,
    NoteKind,
    Placement,
    Sign,
    SignEdge,
    TorchPlan,
)
from raster2path.torch._narrow import _is_sound
from raster2path.torch.lines import plan_torch


def rect(x: float, y: float, width: float, height: float, kind: Kind = Kind.GEOMETRIC) -> Path:
    """Clockwise as seen: the outside of a plate."""
    corners = [complex(x, y), complex(x + width, y)]
    corners += [complex(x + width, y + height), complex(x, y + height)]
    return polygon(corners, kind)


def sign_of(
    rings: list[tuple[Path, int | None]],
    *,
    border: Border = Border.RECT,
    slits: tuple[Path, ...] = (),
    sheet_mm: tuple[float, float] | None = None,
) -> Sign:
    """A sign without ties from rings and their parents; the first is the border, if asked."""
    edges: list[Edge] = []
    for k, (path, parent) in enumerate(rings):
        depth = 0 if parent is None else edges[parent].depth + 1
        wanted = path if (path.area > 0) == (depth % 2 == 0) else path.reversed()
        edges.append(Edge(wanted, border is not Border.NONE and k == 0, parent, depth))
    art = Art(tuple(edges), slits, border, Placement(1.0, 0j, (0, 0, 1, 1), sheet_mm))
    made = tuple(SignEdge(e.path, frozenset({k}), e.is_border) for k, e in enumerate(edges))
    return Sign(art, made, (), slits, (), 0, ())


def plate_with(*openings: Path, slits: tuple[Path, ...] = ()) -> Sign:
    return sign_of([(rect(0, 0, 200, 200), None), *((o, 0) for o in openings)], slits=slits)


def metal_of(plan: TorchPlan) -> shapely.Geometry:
    area: shapely.Geometry = shapely.Polygon()
    for edge in plan.edges:
        area = area.symmetric_difference(shapely.Polygon(edge.path.flat(0.001)))
    return area


def line_of(path: Path) -> shapely.Geometry:
    flat = path.flat(0.001)
    return shapely.LineString(np.vstack([flat, flat[:1]]) if path.is_closed else flat)


def cuts_of(plan: TorchPlan, wanted: CutType) -> list[Cut]:
    return [cut for cut in plan.cuts if cut.type is wanted]


KERF = TorchRules(kerf_mm=1.6)


def test_an_opening_and_the_border() -> None:
    """Both lie half a kerf in the drop: the opening's inside, the border's outside the plate."""
    plan = plan_torch(plate_with(rect(50, 50, 100, 50)), rules=KERF)
    opening, border = plan.cuts
    assert opening.type is CutType.OPENING
    assert border.type is CutType.BORDER
    assert opening.path is not None
    assert border.path is not None
    assert opening.path.bounds() == pytest.approx((50.8, 50.8, 149.2, 99.2), abs=1e-9)
    assert border.path.bounds() == pytest.approx((-0.8, -0.8, 200.8, 200.8), abs=1e-9)
    assert opening.inside == {1}
    assert border.inside == frozenset()
    assert opening.path.area < 0 < border.path.area
    assert len(opening.path) == len(border.path) == 4
    assert plan.edges == plan.sign.edges


def test_leads_lie_in_the_drop() -> None:
    plan = plan_torch(plate_with(rect(50, 50, 100, 50), circle(60 + 150j, 20)), rules=KERF)
    metal = metal_of(plan)
    for cut in plan.cuts:
        assert cut.path is not None
        assert cut.lead_in is not None
        assert cut.run_past is not None
        assert cut.lead_in.start == cut.pierce_mm
        assert abs(cut.lead_in.end - cut.path.start) < 1e-9
        assert abs(cut.run_past.start - cut.path.end) < 1e-9
        assert cut.lead_in.length >= 3.5
        for lead in (cut.lead_in, cut.run_past):
            assert metal.distance(line_of(lead)) > 0.8 - 0.04
        pierce = shapely.Point(cut.pierce_mm.real, cut.pierce_mm.imag)
        assert metal.distance(pierce) >= 1.5 * 1.6


def test_the_blanks_own_edges_are_not_cut() -> None:
    sign = sign_of(
        [(rect(0, 0, 200, 200), None), (circle(100 + 100j, 30), 0)],
        border=Border.SHEET,
        sheet_mm=(200, 200),
    )
    plan = plan_torch(sign, rules=KERF)
    assert [cut.type for cut in plan.cuts] == [CutType.OPENING]
    assert plan.edges == sign.edges


def test_loose_metal_in_an_opening_is_an_outside() -> None:
    sign = sign_of(
        [(rect(0, 0, 200, 200), None), (rect(50, 50, 80, 80), 0), (circle(90 + 90j, 20), 1)]
    )
    plan = plan_torch(sign, rules=KERF)
    opening, outside, border = plan.cuts
    assert [opening.type, outside.type, border.type] == [
        CutType.OPENING,
        CutType.OUTSIDE,
        CutType.BORDER,
    ]
    assert outside.path is not None
    assert outside.path.segments[0].length == pytest.approx(np.pi * 20.8, abs=0.02)
    assert outside.inside == {0, 2}
    assert opening.inside == {2}


@pytest.mark.parametrize(
    ("kind", "size", "kerf_mm", "asked", "expected"),
    [
        (Kind.LETTERING, 20.0, 1.6, None, 1.3),  # wide enough for clean-up
        (Kind.LETTERING, 11.0, 1.6, None, 0.8),  # narrower than 12 mm
        (Kind.ORGANIC, 20.0, 1.6, None, 0.8),
        (Kind.ORGANIC, 20.0, 1.6, 1.0, 1.8),
        (Kind.LETTERING, 20.0, 0.0, None, 0.0),  # kerf 0: torch line = edge
        (Kind.LETTERING, 2.2, 1.6, 1.0, 0.8),  # falls back where it would close the opening
    ],
)
def test_clean_up(
    kind: Kind, size: float, kerf_mm: float, asked: float | None, expected: float
) -> None:
    sign = plate_with(rect(50, 50, 100, size, kind))
    plan = plan_torch(sign, rules=TorchRules(kerf_mm=kerf_mm, cleanup_mm=asked))
    (opening,) = cuts_of(plan, CutType.OPENING)
    assert opening.path is not None
    assert opening.path.bounds()[1] == pytest.approx(50 + expected, abs=1e-9)


def test_kerf_nought_follows_the_edge() -> None:
    plan = plan_torch(plate_with(circle(100 + 100j, 30)), rules=TorchRules(kerf_mm=0))
    for cut, edge in zip(plan.cuts, reversed(plan.edges), strict=True):
        assert cut.path is not None
        assert set(cut.path.segments) == set(edge.path.segments)
        assert cut.lead_in is not None


def test_a_small_round_hole_is_a_pierce() -> None:
    plan = plan_torch(plate_with(circle(100 + 100j, 0.7)), rules=KERF)
    (cut,) = cuts_of(plan, CutType.PIERCE_ONLY)
    assert cut.path is None
    assert cut.lead_in is None
    assert cut.pierce_mm == pytest.approx(100 + 100j, abs=1e-6)
    (hole,) = [edge for edge in plan.edges if not edge.is_border]
    assert hole.path.area == pytest.approx(-np.pi * 0.8**2, rel=0.02)
    assert [note.kind for note in plan.notes] == [NoteKind.TOO_SMALL]


def test_of_two_specks_whose_pierces_would_meet_one_is_left_uncut() -> None:
    specks = [circle(c, 0.5, Kind.ORGANIC).reversed() for c in (50 + 50j, 51.3 + 50j)]
    plan = plan_torch(plate_with(*specks), rules=TorchRules(kerf_mm=1.5))
    assert len(cuts_of(plan, CutType.PIERCE_ONLY)) == 1
    assert any("left uncut" in note.sentence for note in plan.notes)
    rings = [shapely.LinearRing(edge.path.flat()) for edge in plan.edges]
    assert not any(a.intersects(b) for k, a in enumerate(rings) for b in rings[:k])


def test_a_thin_opening_is_one_pass() -> None:
    """40 x 1.2 mm with kerf 1.6: the middle line, half a kerf short at both ends."""
    plan = plan_torch(plate_with(rect(50, 50, 40, 1.2)), rules=KERF)
    (cut,) = cuts_of(plan, CutType.SLIT)
    assert cut.path is not None
    assert plan.slits == (cut.path,)
    assert len(cut.path) == 1
    assert {round(cut.path.start.real), round(cut.path.end.real)} == {51, 89}
    assert cut.path.start.imag == pytest.approx(50.6, abs=0.05)
    assert cut.path.end.imag == pytest.approx(50.6, abs=0.05)
    assert cut.pierce_mm == cut.path.start
    assert cut.inside == {len(plan.cuts) - 1}
    assert len(plan.edges) == 1
    assert [note.kind for note in plan.notes] == [NoteKind.NARROW]


def test_a_thin_bent_opening_is_one_bent_pass() -> None:
    outer = [100 + 30 * np.exp(1j * a) for a in np.linspace(0, np.pi, 60)]
    inner = [100 + 29 * np.exp(1j * a) for a in np.linspace(np.pi, 0, 60)]
    plan = plan_torch(plate_with(polygon([complex(z + 60j) for z in (*outer, *inner)])), rules=KERF)
    (cut,) = cuts_of(plan, CutType.SLIT)
    assert cut.path is not None
    away = np.abs(cut.path.flat() @ np.array([1, 1j]) - (100 + 60j))
    assert np.abs(away - 29.5).max() < 0.3
    assert len(cut.path) <= 4


def test_what_has_no_room_is_left_out_and_told() -> None:
    """A pierce that would break into the next opening is not made."""
    plan = plan_torch(plate_with(circle(100 + 100j, 0.6), rect(100.7, 90, 30, 20)), rules=KERF)
    assert not cuts_of(plan, CutType.PIERCE_ONLY)
    assert len(plan.edges) == 2
    assert "left uncut" in plan.notes[0].sentence


def test_a_waist_closes_and_is_told() -> None:
    """Metal stays in a waist narrower than the kerf: two openings, each with a round end."""
    right = [80 + 50j, 80 + 64.5j, 100 + 64.5j, 100 + 50j, 130 + 50j, 130 + 80j]
    left = [100 + 80j, 100 + 65.5j, 80 + 65.5j, 80 + 80j, 50 + 80j, 50 + 50j]
    dumbbell = polygon([*right, *left])
    plan = plan_torch(plate_with(dumbbell), rules=KERF)
    assert len(cuts_of(plan, CutType.OPENING)) == 2
    assert len(plan.edges) == 3
    assert all(edge.origins == {1} for edge in plan.edges if not edge.is_border)
    waist = shapely.LineString([(84, 65), (96, 65)])
    assert metal_of(plan).covers(waist)
    (note,) = plan.notes
    assert note.kind is NoteKind.NARROW
    assert note.size_mm == pytest.approx(1.0, abs=0.1)
    assert note.place_mm is not None
    assert abs(note.place_mm - (90 + 65j)) < 5


def test_slits_of_the_sign_are_cut_as_drawn() -> None:
    """The pierce stands at the end that lies farther from an edge."""
    slit = Path((Line(5 + 100j, 60 + 100j), Line(60 + 100j, 60 + 60j)), is_closed=False)
    plan = plan_torch(plate_with(rect(120, 50, 50, 50), slits=(slit,)), rules=KERF)
    (cut,) = cuts_of(plan, CutType.SLIT)
    assert cut.path == slit.reversed()
    assert cut.pierce_mm == 60 + 60j
    assert cut.inside == {plan.cuts.index(cuts_of(plan, CutType.BORDER)[0])}
    assert plan.slits == (slit,)


def test_nesting_is_that_before_ties() -> None:
    """A letter whose counter is tied on two sides falls into halves; both wait for the eye."""
    nest = [rect(0, 0, 200, 200), rect(40, 40, 100, 100), rect(60, 60, 60, 60)]
    nest.append(rect(80, 80, 20, 20))
    art = sign_of(list(zip(nest, [None, 0, 1, 2], strict=True))).art
    left = polygon(
        [40 + 40j, 85 + 40j, 85 + 60j, 60 + 60j, 60 + 120j, 85 + 120j, 85 + 140j, 40 + 140j]
    )
    right = left.mapped(-1, 180 + 180j)
    halves = tuple(
        SignEdge(p if p.area < 0 else p.reversed(), frozenset({1, 2})) for p in (left, right)
    )
    edges = (
        SignEdge(art.edges[0].path, frozenset({0}), is_border=True),
        *halves,
        SignEdge(art.edges[3].path, frozenset({3})),
    )
    plan = plan_torch(Sign(art, edges, (), (), (), 1, ()), rules=KERF)
    eye = next(k for k, cut in enumerate(plan.cuts) if cut.path and cut.path.length < 100)
    others = frozenset(range(4)) - {eye}
    assert plan.cuts[eye].inside == others


def test_nothing_to_cut() -> None:
    sign = sign_of([(rect(0, 0, 200, 200), None)], border=Border.SHEET, sheet_mm=(200, 200))
    plan = plan_torch(sign, rules=KERF)
    assert plan.cuts == ()


def test_at_most_ten_notes() -> None:
    holes = [circle(complex(20 + 10 * k, 50), 0.5) for k in range(15)]
    plan = plan_torch(plate_with(*holes), rules=KERF)
    assert len(plan.notes) == 10
    assert plan.notes[-1].sentence.startswith("6 more")


def wavy(centre: complex, radii: list[float], kinked: int) -> Path:
    """An opening of cubics, with a corner where asked."""
    n = len(radii)
    at = [centre + r * np.exp(-2j * np.pi * k / n) for k, r in enumerate(radii)]
    pieces = []
    for k in range(n):
        a, b = complex(at[k]), complex(at[(k + 1) % n])
        into, out_of = (b - at[k - 1]) / 6, (at[(k + 2) % n] - a) / 6
        into = (b - a) / 3 if k == kinked else into
        pieces.append(Cubic(a, complex(a + into), complex(b - out_of), b))
    return Path(tuple(pieces), is_closed=True)


@settings(max_examples=20, deadline=None)
@given(
    st.lists(st.floats(3, 40), min_size=5, max_size=9),
    st.integers(0, 9),
    st.sampled_from([1.0, 1.5, 2.5]),
)
def test_any_opening(radii: list[float], kinked: int, kerf_mm: float) -> None:
    """Sampled with shapely: no torch line bites, every pierce and lead lies in the drop."""
    path = wavy(100 + 100j, radii, kinked)
    if not shapely.Polygon(path.flat()).is_valid:
        path = circle(100 + 100j, min(radii))
    plan = plan_torch(plate_with(path), rules=TorchRules(kerf_mm=kerf_mm))
    metal = metal_of(plan)
    assert metal.is_valid
    for cut in plan.cuts:
        pierce = shapely.Point(cut.pierce_mm.real, cut.pierce_mm.imag)
        if cut.type in {CutType.SLIT, CutType.PIERCE_ONLY}:
            continue
        assert cut.path is not None
        assert metal.distance(line_of(cut.path)) > kerf_mm / 2 - 0.02
        assert metal.distance(pierce) > kerf_mm / 2 - 0.02
        for lead in (cut.lead_in, cut.run_past):
            assert lead is None or metal.distance(line_of(lead)) > kerf_mm / 2 - 0.04
    borders = [k for k, cut in enumerate(plan.cuts) if cut.type is CutType.BORDER]
    assert len(borders) == 1
    assert all(borders[0] in cut.inside for k, cut in enumerate(plan.cuts) if k != borders[0])


@settings(max_examples=15, deadline=None)
@given(st.lists(st.floats(10, 40), min_size=5, max_size=9))
def test_what_is_cut_free_falls_out(radii: list[float]) -> None:
    """After the pass, the drop less the kerf touches no metal but in tips the kerf can't reach."""
    path = wavy(100 + 100j, radii, kinked=0)
    if not shapely.Polygon(path.flat()).is_valid:
        path = circle(100 + 100j, min(radii))
    plan = plan_torch(plate_with(path), rules=KERF)
    metal = metal_of(plan)
    band = shapely.union_all([line_of(cut.path).buffer(0.8) for cut in plan.cuts if cut.path])
    left = shapely.box(-20, -20, 220, 220).difference(band)
    held = [part for part in shapely.get_parts(left) if part.intersection(metal).area > 4]
    assert shapely.union_all(held).difference(metal.buffer(0.42)).area < 4


def test_waists_beside_each_other_leave_every_opening() -> None:
    """A comb whose teeth hang together by hairs: as many openings as cuts, none filled twice."""
    top = [complex(20 + 10 * k + dx, 60) for k in range(8) for dx in (0, 6)]
    comb = []
    for k, z in enumerate(top):
        comb += [z.real + 50j, z] if k % 2 else [z, z.real + 50j]
    outline = [*(complex(z) for z in comb), 100 + 60j, 100 + 61j, 20 + 61j]
    plan = plan_torch(plate_with(polygon(outline)), rules=KERF)
    n_openings = len(cuts_of(plan, CutType.OPENING))
    assert n_openings == len(plan.edges) - 1 == 8
    metal = metal_of(plan)
    assert metal.is_valid
    for cut in cuts_of(plan, CutType.OPENING):
        assert cut.path is not None
        assert metal.distance(line_of(cut.path)) > 0.8 - 0.02


def test_a_needle_of_metal_is_gone_round() -> None:
    """Travel turns right back at its tip, and the torch goes round that in one arc."""
    needle = [50 + 50j, 150 + 50j, 150 + 99.99j, 100 + 100j, 150 + 100.01j, 150 + 150j, 50 + 150j]
    plan = plan_torch(plate_with(polygon(needle)), rules=KERF)
    (cut,) = cuts_of(plan, CutType.OPENING)
    assert cut.path is not None
    assert metal_of(plan).distance(line_of(cut.path)) > 0.8 - 0.02
    assert len(cut.path) <= 8


def test_an_edge_that_comes_back_on_itself_is_no_opening() -> None:
    there = Line(10 + 10j, 12 + 10j)
    flat = Path((there, Line(12 + 10j, 10 + 10j)), True)
    face = shapely.box(0, 0, 20, 20)
    assert not _is_sound([(flat, frozenset({0}))], face, face, None)
