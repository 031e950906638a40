"""The guides can be read by anyone: plain SVG 1.1 in millimetres, as their contract says.

Independent references: svgelements reads sizes, groups and paths back; the element and attribute
lists are those of SVG 1.1 (W3C Recommendation, Second Edition, 2011); shapely judges which box
covers which line.
"""

import io
import math
import xml.etree.ElementTree as ET
from collections.abc import Iterator
from dataclasses import replace
from itertools import combinations, pairwise

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from svgelements import SVG, Close, CubicBezier, Group, Move
from svgelements import Arc as SvgArc
from svgelements import Line as SvgLine
from svgelements import Path as SvgPath

from raster2path.geometry import Arc, Cubic, Kind, Line, Path, circle, polygon
from raster2path.guides.svg import guides_svg, path_data
from raster2path.model import Cut, CutOrder, CutType, Placement, Stamp
from tests.guide_scenes import STAMP, box, crowd, harbour, not_ready, order_of, placed, plate

NS = "{http://www.w3.org/2000/svg}"

# What SVG 1.1 allows on the elements that we use (its attribute index; presentation attributes)
_LOOK = {
    *("fill", "fill-rule", "fill-opacity", "stroke", "stroke-width", "stroke-dasharray"),
    *("stroke-linecap", "stroke-linejoin", "font-family", "font-size", "font-weight"),
    "text-anchor",
}
_CORE = {"id", "class"}
ALLOWED = {
    "svg": {"width", "height", "viewBox", "version", "baseProfile"},
    "title": set(),
    "desc": set(),
    "defs": set(),
    "g": _CORE | _LOOK,
    "path": _CORE | _LOOK | {"d"},
    "circle": _CORE | _LOOK | {"cx", "cy", "r"},
    "text": _CORE | _LOOK | {"x", "y"},
}


def read(order: CutOrder, stamp: Stamp = STAMP) -> ET.Element:
    return ET.fromstring(guides_svg(order, stamp=stamp))  # noqa: S314 (our own text)


def group(root: ET.Element, name: str) -> ET.Element:
    found = [child for child in root if child.get("id") == name]
    assert len(found) == 1, name
    return found[0]


# ---------------------------------------------------------------- path data


def test_straight_pieces_are_level_upright_or_slanted_and_the_last_is_the_z() -> None:
    path = polygon([0j, 10 + 0j, 10 + 5j, 4 + 9j])
    assert path_data(path) == "M 0.000,0.000 H 10.000 V 5.000 L 4.000,9.000 Z"


def test_an_open_path_says_all_its_pieces() -> None:
    path = Path((Line(1 + 1j, 2 + 3j), Cubic(2 + 3j, 3 + 3j, 4 + 4j, 5 + 4j)), False)
    expected = "M 1.000,1.000 L 2.000,3.000 C 3.000,3.000 4.000,4.000 5.000,4.000"
    assert path_data(path) == expected


def test_no_number_is_a_negative_zero() -> None:
    path = polygon([-0.0004 - 0.0004j, 1 + 0j, 1 + 1j])
    assert "-0.000" not in path_data(path)


def test_pieces_that_rounding_shrinks_to_nothing_are_left_out() -> None:
    path = polygon([0j, 5 + 0j, 5.0001 + 0.0001j, 5 + 5j])
    assert path_data(path) == "M 0.000,0.000 H 5.000 V 5.000 Z"


def test_a_quarter_turn_clockwise_is_a_sweep_of_one() -> None:
    """Clockwise as seen, with y down, is SVG's positive angle (SVG 1.1, 8.3.8)."""
    right = Path((Arc(10 + 0j, 0j, math.pi / 2),), False)
    assert path_data(right) == "M 10.000,0.000 A 10.000 10.000 0 0 1 0.000,10.000"
    left = Path((Arc(10 + 0j, 0j, -math.pi / 2),), False)
    assert path_data(left) == "M 10.000,0.000 A 10.000 10.000 0 0 0 0.000,-10.000"
    large = Path((Arc(10 + 0j, 0j, math.pi * 3 / 2),), False)
    assert path_data(large) == "M 10.000,0.000 A 10.000 10.000 0 1 1 0.000,-10.000"


def test_a_circle_is_two_arcs_never_one() -> None:
    data = path_data(circle(50 + 50j, 20))
    assert data.count("A") == 2
    assert data.endswith("Z")
    whole = path_data(Path((Arc(70 + 50j, 50 + 50j, 2 * math.pi),), True))
    assert whole.count("A") == 2
    assert abs(SvgPath(whole).length() - 2 * math.pi * 20) < 0.01


places = st.complex_numbers(max_magnitude=900, allow_nan=False, allow_infinity=False)


@st.composite
def arcs(draw: st.DrawFn) -> Arc:
    centre, radius = draw(places), draw(st.floats(0.5, 800))
    turn, sweep = draw(st.floats(0, 6.28)), draw(st.floats(0.02, 6.2))
    start = centre + radius * complex(math.cos(turn), math.sin(turn))
    half = math.pi * draw(st.sampled_from([1.0, 1 - 1e-9, 1 + 1e-6, 1 - 1e-4, 1 + 1e-3]))
    sweep = draw(st.sampled_from([sweep, half]))
    return Arc(start, centre, draw(st.sampled_from([sweep, -sweep])))


@given(arcs())
@settings(max_examples=150, deadline=None)
def test_arcs_lie_where_they_were_to_a_few_thousandths(arc: Arc) -> None:
    """Half circles too, whose centre hangs on the last decimal of the radius."""
    written = SvgPath(path_data(Path((arc,), False)))
    pieces = [piece for piece in written if isinstance(piece, SvgArc)]
    ts = np.linspace(0, 1, 33)
    at = np.array([complex(p.x, p.y) for piece in pieces for p in map(piece.point, ts)])
    off = np.abs(np.abs(at - arc.centre) - arc.radius)
    assert off.max() < 5e-3
    middle = arc.point(0.5)
    assert np.abs(at - middle).min() < 5e-3 + arc.length / 32


corners = st.lists(places, min_size=3, max_size=8, unique=True)


@given(points=corners, is_closed=st.booleans())
@settings(max_examples=60, deadline=None)
def test_what_is_written_is_what_svgelements_reads(
    *, points: list[complex], is_closed: bool
) -> None:
    lines = [Line(a, b) for a, b in pairwise(points)]
    bend = Cubic(points[-1], points[-1] + 5, points[0] + 5j, points[0])
    path = Path((*lines, bend) if is_closed else tuple(lines), is_closed)
    read_back = [s for s in SvgPath(path_data(path)) if not isinstance(s, Move)]
    drawn = [s for s in read_back if not isinstance(s, Close)]
    kept = [s for s in path if s.length > 2e-3]
    assert abs(len(drawn) - len(kept)) <= len(path) - len(kept)
    assert read_back[0].start is not None
    assert abs(complex(read_back[0].start) - path.start) < 1e-3
    assert abs(complex(drawn[-1].end) - path.end) < 1e-3
    assert isinstance(read_back[-1], Close) == is_closed
    if is_closed:
        assert isinstance(drawn[-1], CubicBezier)
        assert abs(complex(read_back[-1].start) - complex(read_back[-1].end)) < 1e-9
    else:
        assert all(isinstance(s, SvgLine) for s in drawn)


# ---------------------------------------------------------------- the file


@pytest.mark.parametrize("order", [harbour(), harbour(sheet=(700, 500)), plate(10, 10)])
def test_one_unit_is_one_millimetre(order: CutOrder) -> None:
    svg = SVG.parse(io.StringIO(guides_svg(order, stamp=STAMP)), ppi=25.4)
    placement = order.plan.sign.art.placement
    size = placement.sheet_mm or tuple(side + 50 for side in placement.sign_mm[2:])
    assert (svg.width, svg.height) == pytest.approx(size, abs=1e-3)  # its inch is a hair off
    box_ = svg.viewbox
    assert (box_.x, box_.y, box_.width, box_.height) == pytest.approx((0, 0, *size))


def test_the_sheet_is_the_origin_where_there_is_one() -> None:
    sheet = group(read(harbour(sheet=(700, 500))), "sheet")
    assert [path.get("d") for path in sheet] == ["M 0.000,0.000 H 700.000 V 500.000 H 0.000 Z"]
    assert sheet.get("stroke-dasharray")


def test_groups_stand_in_drawing_order_and_empty_ones_are_left_out() -> None:
    names = [child.get("id") for child in read(harbour(sheet=(700, 500))) if child.get("id")]
    assert names == [
        *("sheet", "edges", "slits", "ties", "torch", "leads", "pierces", "arrows", "order"),
        "scale",
    ]
    names = [child.get("id") for child in read(plate(50, 40)) if child.get("id")]
    assert names == ["edges", "torch", "leads", "pierces", "arrows", "order", "scale"]


def _scenes() -> Iterator[tuple[CutOrder, Stamp]]:
    yield harbour(), STAMP
    yield harbour(sheet=(700, 500)), STAMP
    yield not_ready()
    yield plate(20, 300), replace(STAMP, name="Grüße & <dots>\x00\x0b", not_ready=("a", "b < c"))
    yield crowd(3, 2), STAMP


SCENES = tuple(_scenes())


@pytest.mark.parametrize(("order", "stamp"), SCENES)
def test_plain_svg_1_1_with_nothing_from_outside(order: CutOrder, stamp: Stamp) -> None:
    text = guides_svg(order, stamp=stamp)
    assert text.startswith('<?xml version="1.0" encoding="utf-8"?>\n<svg ')
    for element in read(order, stamp).iter():
        name = element.tag.removeprefix(NS)
        assert name in ALLOWED
        assert set(element.attrib) <= ALLOWED[name], (name, element.attrib)
    for outside in ("href", "transform", "style", "url(", "script", "nan", "inf", "-0.000"):
        assert outside not in text.replace("xlink", "")


@pytest.mark.parametrize(("order", "stamp"), SCENES)
def test_the_same_job_gives_the_same_characters(order: CutOrder, stamp: Stamp) -> None:
    assert guides_svg(order, stamp=stamp) == guides_svg(order, stamp=stamp)


@pytest.mark.parametrize(("order", "stamp"), SCENES)
def test_ids_are_unique(order: CutOrder, stamp: Stamp) -> None:
    names = [element.get("id") for element in read(order, stamp).iter() if element.get("id")]
    assert len(names) == len(set(names))


def test_title_and_settings_are_told() -> None:
    order, stamp = not_ready()
    root = read(order, stamp)
    assert root.findtext(f"{NS}title") == "heron at low water · 2026-11-25 · K7QD"
    assert (root.findtext(f"{NS}desc") or "").splitlines() == [
        "width: 600 mm",
        "read: solid",
        "kerf: 1.5 mm",
        "loose: 1",
        "gap: 100.500, 60.250",
        "not ready: 1 piece of metal is loose: 56 × 56 mm at 220, 300",
    ]
    told = read(harbour()).findtext(f"{NS}desc") or ""
    assert "loose" not in told
    assert "not ready" not in told


def test_a_setting_takes_one_line_only() -> None:
    stamp = replace(STAMP, settings=(("name", "two\nlines"),))
    assert read(plate(50, 40), stamp).findtext(f"{NS}desc") == "name: two lines"


# ---------------------------------------------------------------- edges


def test_each_edge_is_whole_in_the_group_of_its_kind() -> None:
    edges = group(read(harbour()), "edges")
    counts = {shelf.get("id"): len(shelf) for shelf in edges}
    assert counts == {
        "edges-border": 1,
        "edges-organic": 5,
        "edges-lettering": 3,
        "edges-geometric": 1,
    }
    assert edges.get("fill-rule") == "evenodd"
    assert edges.get("stroke") == "none"


@pytest.mark.parametrize("order", [harbour(), plate(50, 40), crowd(3, 2)])
def test_painting_edges_in_turn_shows_their_even_odd_fill(order: CutOrder) -> None:
    """Metal pale, openings in the ground's colour, each painted over the larger ones before it."""
    edges = group(read(order), "edges")
    painted = whole = shapely.Polygon()
    for shelf in edges:
        for path in shelf:
            data = path.get("d") or ""
            ring = shapely.Polygon(
                [(p.x, p.y) for s in SvgPath(data) for p in map(s.point, np.linspace(0, 1, 9))]
            ).buffer(0)
            whole = whole.symmetric_difference(ring)
            is_metal = path.get("fill") is None
            painted = painted.union(ring) if is_metal else painted.difference(ring)
    assert painted.symmetric_difference(whole).area < 1e-6 * whole.area


def test_openings_show_even_where_the_outer_edge_is_of_the_last_kind() -> None:
    """Without a border the flowing opening must not be painted over by the ruled outline."""
    leaf = box(40, 40, 10, 10, Kind.ORGANIC).reversed()
    order = order_of([(leaf, False), (box(25, 25, 60, 60), False)], [], placement=placed(60, 60))
    edges = group(read(order), "edges")
    assert [shelf.get("id") for shelf in edges] == ["edges-geometric", "edges-organic"]


# ---------------------------------------------------------------- cuts


def test_cuts_are_numbered_in_cutting_order_with_their_classes() -> None:
    order = harbour()
    torch = group(read(order), "torch")
    assert [path.get("id") for path in torch] == [f"cut-{n:03d}" for n in range(1, 12)]
    assert [path.get("class") for path in torch] == [
        *["opening lettering in-011"] * 2,
        *["opening organic in-011"] * 5,
        "opening lettering in-011",
        "slit organic in-011",
        "pierce-only geometric in-011",
        "border geometric",
    ]


def test_numbers_of_cuts_around_follow_the_order_of_cutting() -> None:
    order = harbour()
    n = len(order.sequence)
    inner, outer = 3, 5  # indices in the plan
    cuts = list(order.plan.cuts)
    cuts[inner] = replace(cuts[inner], inside=frozenset({0, outer}))
    plan = replace(order.plan, cuts=tuple(cuts))
    sequence = (inner, *(i for i in order.sequence if i != inner))
    torch = group(read(replace(order, plan=plan, sequence=sequence)), "torch")
    assert torch[0].get("class") == f"opening organic in-{sequence.index(outer) + 1:03d} in-{n:03d}"


def test_closed_cuts_close_and_a_pierce_alone_is_a_point() -> None:
    torch = group(read(harbour()), "torch")
    data = {path.get("id"): path.get("d") or "" for path in torch}
    assert data["cut-001"].endswith("Z")
    assert "Z" not in data["cut-009"]
    assert data["cut-010"] == "M 590.000,60.000 z"


def test_leads_and_pierces_are_numbered_like_their_cuts() -> None:
    order = harbour()
    root = read(order)
    leads = {path.get("id") for path in group(root, "leads")}
    assert leads == {f"{word}-{n:03d}" for n in range(1, 9) for word in ("lead", "past")} | {
        "lead-011"
    }
    pierces = list(group(root, "pierces"))
    assert [circle.tag for circle in pierces] == [f"{NS}circle"] * 11
    for n, (ring, cut) in enumerate(zip(pierces, order.cuts, strict=True), 1):
        assert ring.get("id") == f"pierce-{n:03d}"
        place = complex(float(ring.get("cx", "")), float(ring.get("cy", "")))
        assert abs(place - cut.pierce_mm) < 1e-3


def test_ties_are_closed_and_numbered() -> None:
    ties = list(group(read(harbour()), "ties"))
    assert [tie.get("id") for tie in ties] == ["tie-001", "tie-002"]
    for tie in ties:
        assert len([s for s in SvgPath(tie.get("d") or "") if not isinstance(s, Move)]) == 4
        assert (tie.get("d") or "").endswith("Z")


def test_only_torch_lines_are_strong_and_dashes_are_for_what_is_not_cut() -> None:
    root = read(harbour(sheet=(700, 500)))
    weakest = min(float(path.get("stroke-width", "0")) for path in group(root, "torch"))
    for name in ("sheet", "ties", "leads", "pierces"):
        assert float(group(root, name).get("stroke-width", "9")) < weakest
    for name in ("torch", "leads", "slits"):
        assert "stroke-dasharray" not in ET.tostring(group(root, name), "unicode")
    for name in ("sheet", "ties"):
        assert group(root, name).get("stroke-dasharray")


def test_svgelements_finds_every_group_and_its_millimetres() -> None:
    svg = SVG.parse(io.StringIO(guides_svg(harbour(), stamp=STAMP)), reify=True, ppi=25.4)
    found = {child.values.get("id"): child for child in svg if isinstance(child, Group)}
    bounds = found["edges"].bbox()
    assert bounds == pytest.approx((25, 25, 625, 437), abs=1e-3)


# ---------------------------------------------------------------- numerals


def numeral_boxes(root: ET.Element) -> list[tuple[str, shapely.Polygon]]:
    """Each numeral's box: digits are 0.73 of the type size high, 0.64 wide (a wide face)."""
    out = []
    for text in group(root, "order").iter(f"{NS}text"):
        size, x, y = (float(text.get(key, "nan")) for key in ("font-size", "x", "y"))
        half = 0.32 * size * len(text.text or "")
        out.append((text.text or "", shapely.box(x - half, y - 0.73 * size, x + half, y)))
    return out


@pytest.mark.parametrize("n", range(5))
def test_numerals_cover_no_line_and_no_numeral(n: int) -> None:
    order = (harbour(), plate(50, 40), crowd(6, 5), crowd(3, 2, pitch_mm=18), tiny_drops())[n]
    boxes = numeral_boxes(read(order))
    assert [text for text, _ in boxes] == [str(n) for n in range(1, len(order.cuts) + 1)]
    plan = order.plan
    paths = [edge.path for edge in plan.edges] + list(plan.slits)
    paths += [
        p for cut in plan.cuts for p in (cut.path, cut.lead_in, cut.run_past) if p is not None
    ]
    lines = shapely.union_all(
        [
            shapely.LineString(np.vstack([p.flat(), p.flat()[:1]]) if p.is_closed else p.flat())
            for p in paths
        ]
        + [shapely.Point(c.pierce_mm.real, c.pierce_mm.imag).buffer(3) for c in plan.cuts]
    )
    page = read(order).get("viewBox", "").split()
    sheet = shapely.box(0, 0, float(page[2]), float(page[3]))
    for text, numeral in boxes:
        assert numeral.distance(lines) > 0.3, text
        assert sheet.contains(numeral)
    tree = shapely.STRtree([numeral for _, numeral in boxes])
    pairs = tree.query([numeral for _, numeral in boxes], predicate="intersects")
    assert (pairs[0] == pairs[1]).all()


def test_numerals_are_eight_millimetres_where_there_is_room_and_four_at_least() -> None:
    for order in (harbour(), crowd(6, 5)):
        texts = group(read(order), "order").iter(f"{NS}text")
        heights = [0.73 * float(text.get("font-size", "0")) for text in texts]
        assert max(heights) == pytest.approx(8, abs=0.01)
        assert min(heights) >= 3.99


def leaders_of(root: ET.Element) -> list[tuple[complex, complex]]:
    """Start and end of each leader line; those are the finest lines in the group."""
    groups = [g for g in group(root, "order").iter(f"{NS}g") if g.get("stroke-width") == "0.25"]
    lines = [SvgPath(path.get("d") or "") for g in groups for path in g]
    return [
        (complex(line[0].end.x, line[0].end.y), complex(line[-1].end.x, line[-1].end.y))
        for line in lines
    ]


def tiny_drops() -> CutOrder:
    """Openings too small for any numeral, close together."""
    places = [(60 + 9.0 * (k % 7), 50 + 9.0 * (k // 7)) for k in range(35)]
    drops = [box(x, y, 5, 5, Kind.ORGANIC).reversed() for x, y in places]
    cuts = [Cut(CutType.OPENING, Kind.ORGANIC, drop, drop.start + 2.5 + 2.5j) for drop in drops]
    edges = [(box(25, 25, 150, 100), True), *((drop, False) for drop in drops)]
    return order_of(edges, cuts, placement=placed(150, 100))


@pytest.mark.parametrize("order", [harbour(), crowd(6, 5), tiny_drops()])
def test_a_numeral_stands_in_its_own_drop_or_has_a_leader_line(order: CutOrder) -> None:
    root = read(order)
    drops = [shapely.Polygon(edge.path.flat()) for edge in order.plan.edges if not edge.is_border]
    starts = np.array([start for start, _ in leaders_of(root)] or [-99])
    for (text, numeral), cut in zip(numeral_boxes(root), order.cuts, strict=True):
        if cut.type is not CutType.OPENING:
            continue
        pierce = shapely.Point(cut.pierce_mm.real, cut.pierce_mm.imag)
        is_at_home = any(drop.contains(pierce) and drop.contains(numeral) for drop in drops)
        has_leader = np.abs(np.abs(starts - cut.pierce_mm) - 3).min() < 2e-3
        assert is_at_home or has_leader, text


@pytest.mark.parametrize("order", [crowd(6, 5), tiny_drops()])
def test_leader_lines_end_at_their_numeral_and_run_over_no_other(order: CutOrder) -> None:
    root = read(order)
    boxes = numeral_boxes(root)
    leaders = leaders_of(root)
    assert len(leaders) > 5
    for start, end in leaders:
        line = shapely.LineString([(start.real, start.imag), (end.real, end.imag)])
        near = [text for text, numeral in boxes if numeral.distance(line) < 0.3]
        assert len(near) <= 1
        tip = shapely.Point(end.real, end.imag)
        assert min(numeral.distance(tip) for _, numeral in boxes) < 3.5


def test_pierces_side_by_side_get_numerals_side_by_side() -> None:
    outside = [
        Cut(CutType.OUTSIDE, Kind.ORGANIC, box(40, 40, 5, 5), 32 + 42j + k) for k in range(4)
    ]
    boxes = numeral_boxes(
        read(order_of([(box(40, 40, 5, 5), False)], outside, placement=placed(60, 60)))
    )
    for (one, a), (other, b) in combinations(boxes, 2):
        assert not a.intersects(b), (one, other)


def test_numerals_stand_clear_of_rule_title_and_legend() -> None:
    """Many pierces in the rim, where those stand."""
    border = harbour().plan.edges[0].path
    cuts = [
        Cut(CutType.OUTSIDE, Kind.ORGANIC, border, complex(20 + 12 * k, 446)) for k in range(50)
    ]
    root = read(order_of([(border, True)], cuts, placement=placed(600, 412)))
    data = [path.get("d") or "" for path in group(root, "scale").iter(f"{NS}path")]
    rest = [shapely.box(*SvgPath(text).subpath(0).bbox()) for text in data]
    for text in group(root, "scale").iter(f"{NS}text"):
        x, y, size = (float(text.get(key, "nan")) for key in ("x", "y", "font-size"))
        shift = 0.25 * size * len(text.text or "") if text.get("text-anchor") else 0
        wide = 0.5 * size * len(text.text or "")
        rest.append(shapely.box(x - shift, y - 0.7 * size, x - shift + wide, y))
    taken = shapely.union_all(rest)
    for text_, numeral in numeral_boxes(root):
        assert not numeral.intersects(taken), text_


# ---------------------------------------------------------------- scale


def test_rule_and_legend_go_onto_the_sign_where_the_blank_has_no_rim() -> None:
    place = Placement(0.5, 2 + 2j, (2, 2, 300, 200), (304, 204))
    order = order_of([(box(2, 2, 300, 200), True)], [], placement=place)
    texts = [text.text for text in group(read(order), "scale").iter(f"{NS}text")]
    assert {"100 mm", "stays", "blank"} <= set(texts)


def test_rule_title_and_legend_stand_off_the_sign_where_there_is_room() -> None:
    for text in group(read(harbour()), "scale").iter(f"{NS}text"):
        assert not 22 < float(text.get("y", "")) < 440
    # room at the top only, though the corners they would like best are on the sign
    low = Placement(0.5, 10 + 110j, (5, 100, 390, 215), (400, 320))
    order = order_of([(box(5, 100, 390, 215), True)], [], placement=low)
    for text in group(read(order), "scale").iter(f"{NS}text"):
        assert float(text.get("y", "")) < 100


@pytest.mark.parametrize(
    ("order", "length"),
    [
        (harbour(), 100),
        (harbour(sheet=(700, 500)), 100),
        (harbour(sheet=(650, 462)), 100),
        (plate(120, 90), 100),
        (plate(60, 40), 50),
        (plate(10, 10), 20),
    ],
)
def test_the_check_rule_is_as_long_as_it_says(order: CutOrder, length: int) -> None:
    scale = group(read(order), "scale")
    texts = [text.text for text in scale.iter(f"{NS}text")]
    assert f"{length} mm" in texts
    rules = [path.get("d") or "" for path in scale.iter(f"{NS}path")]
    rule = next(data for data in rules if f"h {length}.000" in data)
    points = SvgPath(rule).bbox()
    assert points[2] - points[0] == pytest.approx(length)


@pytest.mark.parametrize(("order", "stamp"), SCENES)
def test_everything_drawn_lies_on_the_page(order: CutOrder, stamp: Stamp) -> None:
    root = read(order, stamp)
    width, height = (float(v) for v in root.get("viewBox", "").split()[2:])
    for path in root.iter(f"{NS}path"):
        x0, y0, x1, y1 = SvgPath(path.get("d") or "").bbox()
        assert -1e-6 <= x0 <= x1 <= width + 1e-6
        assert -1e-6 <= y0 <= y1 <= height + 1e-6
    for text in root.iter(f"{NS}text"):
        assert 0 <= float(text.get("x", "")) <= width
        assert 0 <= float(text.get("y", "")) <= height


def test_the_revision_mark_is_seen() -> None:
    texts = [text.text for text in group(read(harbour()), "scale").iter(f"{NS}text")]
    assert "heron at low water · 2026-11-25 · K7QD" in texts
    assert {"flowing", "lettering", "ruled", "stays"} <= set(texts)


def test_what_is_not_ready_says_so_and_rings_what_is_loose() -> None:
    order, stamp = not_ready()
    scale = group(read(order, stamp), "scale")
    texts = [text.text for text in scale.iter(f"{NS}text")]
    assert "NOT READY TO CUT" in texts
    assert stamp.not_ready[0] in texts
    assert "loose 1" in texts
    rings = [r for r in scale.iter(f"{NS}circle") if r.get("stroke-dasharray")]
    assert [(r.get("cx"), r.get("cy")) for r in rings] == [("220.000", "300.000")]
    assert float(rings[0].get("r", "0")) > 28 * math.sqrt(2)
    ready = ET.tostring(read(harbour()), "unicode")
    assert "NOT READY" not in ready


def test_many_reasons_are_cut_short() -> None:
    stamp = replace(STAMP, not_ready=tuple(f"reason {n}" for n in range(9)))
    texts = [text.text for text in group(read(harbour(), stamp), "scale").iter(f"{NS}text")]
    assert "reason 5" in texts
    assert "reason 6" not in texts
    assert "and 3 more" in texts
