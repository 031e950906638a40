"""Room: what is metal in, metal in one piece out: islands tied, slits interrupted, webs checked."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import shapely

from raster2path.geometry import Path, Points
from raster2path.job import Corrections, Thin, TieMode, TieRules
from raster2path.model import Art, Border, Island, Note, NoteKind, Sign, SignEdge, Tie
from raster2path.sign._bracing import Bracing
from raster2path.sign._byhand import not_found, on_sheet
from raster2path.sign._fillets import filleted
from raster2path.sign._flimsy import flimsy_notes
from raster2path.sign._holding import BAR_RATIO
from raster2path.sign._islands import (
    CRUMB_MM2,
    island_of,
    long_and_short_side,
    metal_of,
    owner_of_edges,
    parts_of,
    sound,
)
from raster2path.sign._loops import without_small_loops
from raster2path.sign._necks import Necks
from raster2path.sign._points import blunt_note, blunted
from raster2path.sign._proof import free_ties, without_small_loose
from raster2path.sign._rail import rail_under, with_rail
from raster2path.sign._slits import slit_zone, with_gaps
from raster2path.sign._small import small_notes
from raster2path.sign._surgery import Ring
from raster2path.sign._webs import thin_places
from raster2path.sign._widened import widened

NO_CORRECTIONS = Corrections()

RAIL_SHARE = 0.1
"""Beyond this share of the sign's size, a bar looks lost; a rail under the row looks meant."""

PLAIN_MM = 0.05
"""Curves are taken so much plainer where thin metal and tongues are looked for."""


@dataclass(frozen=True, slots=True, eq=False)
class _Piece:
    """A piece of metal before ties: its outer edge, all its edges, its shape."""

    outer: int
    edges: tuple[int, ...]
    shape: shapely.Geometry
    has_border: bool


def hold(
    art: Art,
    *,
    rules: TieRules,
    corrections: Corrections = NO_CORRECTIONS,
    work_from_upright: Points | None = None,
) -> Sign:
    """The metal in one piece: every island tied, every slit that would free a piece interrupted.

    Ties are surgery on the fitted edges: an edge is split where a tie's side meets it, and every
    segment that no tie meets is the same object as in `art`.

    Args:
        art: closed edges, metal to the right of travel, and slits.
        rules: width of ties, least web, kerf; with `TieMode.NONE` nothing is held.
        corrections: places of ties by hand, laid before all others, and boxes kept free of ties.
        work_from_upright: from the pixels of the corrections to those of the working picture.

    Returns:
        A sign whose metal is one piece, proven on the flattened edges before and after the
        slits; pieces for which no tie could be found are in `loose`, each with a note. Specks
        of metal smaller than a tie are left out, each with a note. Where a rail lies under the
        row, the sign's box takes it in.
    """
    if rules.thin is Thin.WIDEN:
        art = widened(art, web_mm=rules.web_mm, most_mm=rules.give_mm, kerf_mm=rules.kerf_mm)
    pieces, specks = _without_specks(art, _pieces(art), rules)
    if rules.mode is TieMode.NONE or not pieces:
        return _untied(art, pieces, specks, rules)
    zone = slit_zone(art.slits, rules.kerf_mm)
    rings, node_of = _rings(art, pieces)
    by_hand = on_sheet(corrections, art.placement, work_from_upright)
    shapes = [piece.shape for piece in pieces]
    levels = [art.edges[piece.outer].level or 1 + 0j for piece in pieces]
    holding = Bracing(
        rings, node_of, shapes, levels=levels, rules=rules, slits=zone, by_hand=by_hand
    )
    missed = holding.lay_wanted()
    art, rail = _railed(art, holding, pieces, rules)
    holding.span()
    weak = holding.brace()
    necks = Necks(holding.rings, rules=rules, slits=zone, mirror=holding.mirror)
    necks.strengthen()
    ties = (
        *holding.ties(),
        *(tie for laid in necks.laid for tie in laid.ties),
    )
    rings, dropped = without_small_loose(necks.rings, least_mm2=rules.tie_mm**2)
    outlines = shapely.MultiPolygon([_outline(tie) for tie in ties])
    rings, tips = blunted(rings, radius_mm=rules.blunt_mm, keep_off=outlines)
    rings = filleted(rings, radius_mm=rules.fillet_mm)
    edges = _edges(rings)
    metal = metal_of(edge.path for edge in edges)
    slits, gaps_mm, slit_notes = _interrupted(art.slits, metal, rules)
    ties = free_ties(ties, metal, kerf_mm=rules.kerf_mm)
    loose = _loose(metal, slits, rules)
    plain = shapely.simplify(metal, PLAIN_MM)
    return Sign(
        art=art,
        edges=edges,
        ties=ties,
        slits=slits,
        gaps_mm=gaps_mm,
        n_islands=len(pieces) - 1,
        loose=loose,
        notes=(
            *art.notes,
            *_loose_notes(loose),
            *_speck_notes([*(piece.shape for piece in specks), *dropped]),
            *small_notes(art, [piece.shape for piece in specks], rules=rules),
            *slit_notes,
            *_weak_notes([holding.pieces[k] for k in weak]),
            *_rail_notes(rail),
            *not_found(missed),
            *_long_notes(ties, art, rules),
            *blunt_note(tips, rules.blunt_mm),
            *_weak_places(plain, rules),
        ),
    )


def _railed(
    art: Art, holding: Bracing, pieces: list[_Piece], rules: TieRules
) -> tuple[Art, Path | None]:
    """Without a border: near pieces spanned, and a rail under a row of them where they are far."""
    if art.border is not Border.NONE:
        return art, None
    longest_mm = max(_size(pieces)) * RAIL_SHARE
    holding.span(longest_mm=max(longest_mm, BAR_RATIO * rules.tie_mm))
    rail = rail_under(holding.groups.all_groups(), holding.pieces, tie_mm=rules.tie_mm)
    if rail is None:
        return art, None
    holding.add_rail(rail, origins=frozenset({pieces[0].outer}))
    return with_rail(art, rail), rail


def _weak_places(metal: shapely.Geometry, rules: TieRules) -> Iterator[Note]:
    """Metal that is thin, or that would bend in the hand."""
    yield from thin_places(metal, web_mm=rules.web_mm)
    yield from flimsy_notes(
        metal,
        web_mm=rules.web_mm,
        thickness_mm=rules.thickness_mm,
        stock=rules.material.stock,
    )


def _outline(tie: Tie) -> shapely.Geometry:
    return shapely.Polygon([(z.real, z.imag) for z in tie.corners])


def _pieces(art: Art) -> list[_Piece]:
    """Pieces of metal, the main one first, then by size."""
    owner = owner_of_edges(art)
    members: dict[int, list[int]] = {}
    for k, outer in enumerate(owner):
        members.setdefault(outer, []).append(k)
    found = []
    for outer, edges in members.items():
        shell = art.edges[outer].path.flat()
        holes = [art.edges[k].path.flat() for k in edges if k != outer]
        shape = sound(shapely.Polygon(shell, holes))
        has_border = any(art.edges[k].is_border for k in edges)
        found.append(_Piece(outer, tuple(edges), shape, has_border))
    return sorted(found, key=lambda piece: (not piece.has_border, -piece.shape.area, piece.outer))


def _without_specks(
    art: Art, pieces: list[_Piece], rules: TieRules
) -> tuple[list[_Piece], list[_Piece]]:
    """Pieces, and the specks among them that are smaller than a tie; the main piece is none."""
    specks = {
        piece.outer
        for piece in pieces[1:]
        if piece.shape.area < max(CRUMB_MM2, rules.least_tie_mm**2 / 2)
        or long_and_short_side(piece.shape)[0] < rules.least_tie_mm
    }
    inside = {p.outer for p in pieces if specks & art.ancestors(p.outer)}
    kept = [p for p in pieces if p.outer not in specks | inside]
    return kept, [p for p in pieces if p.outer in specks - inside]


def _rings(art: Art, pieces: list[_Piece]) -> tuple[dict[int, Ring], dict[int, int]]:
    node_of = {k: node for node, piece in enumerate(pieces) for k in piece.edges}
    rings = {
        k: Ring.of(edge.path, frozenset({k}), is_border=edge.is_border)
        for k, edge in enumerate(art.edges)
        if k in node_of
    }
    return rings, node_of


def _edges(rings: dict[int, Ring]) -> tuple[SignEdge, ...]:
    ordered = sorted(rings.values(), key=lambda ring: min(ring.origins, default=-1))
    return tuple(SignEdge(ring.path, ring.origins, ring.is_border) for ring in ordered)


def _interrupted(
    slits: tuple[Path, ...], metal: shapely.Geometry, rules: TieRules
) -> tuple[tuple[Path, ...], tuple[complex, ...], tuple[Note, ...]]:
    """Slits that free nothing, the middles of the gaps in them, and a note on what was left out."""
    if not slits:
        return slits, (), ()
    slits, gaps_mm = with_gaps(slits, metal, kerf_mm=rules.kerf_mm, tie_mm=rules.tie_mm)
    slits, more_mm, notes = without_small_loops(slits, metal, kerf_mm=rules.kerf_mm)
    return slits, (*gaps_mm, *more_mm), notes


def _untied(art: Art, pieces: list[_Piece], specks: list[_Piece], rules: TieRules) -> Sign:
    """The art as it is, with all that would fall out listed."""
    rings, _ = _rings(art, pieces)
    edges = _edges(rings)
    metal = metal_of(edge.path for edge in edges)
    loose = _loose(metal, art.slits, rules)
    notes = (*art.notes, *_loose_notes(loose), *_speck_notes([piece.shape for piece in specks]))
    return Sign(
        art, edges, (), art.slits, (), n_islands=max(0, len(pieces) - 1), loose=loose, notes=notes
    )


def _loose(metal: shapely.Geometry, slits: Sequence[Path], rules: TieRules) -> tuple[Island, ...]:
    """What nothing holds, proven on the flattened edges, before and after the slits."""
    region = metal
    if slits:
        region = shapely.difference(metal, slit_zone(slits, rules.kerf_mm))
    return tuple(island_of(part) for part in parts_of(region)[1:])


def _loose_notes(loose: Sequence[Island]) -> list[Note]:
    remedy = "tie it to the metal beside it"
    return [_piece_note(NoteKind.LOOSE, "would fall out", island, remedy) for island in loose]


def _weak_notes(pieces: Sequence[shapely.Geometry]) -> list[Note]:
    told = "hangs by too little and bends easily"
    remedy = "carry the sign flat, or give it a border"
    return [_piece_note(NoteKind.THIN, told, island_of(piece), remedy) for piece in pieces]


def _piece_note(kind: NoteKind, told: str, island: Island, remedy: str) -> Note:
    wide, high = island.size_mm
    sentence = f"A piece of metal, {wide:.0f} × {high:.0f} mm, {told}."
    return Note(kind, sentence, island.place_mm, max(wide, high), remedy)


def _speck_notes(specks: Sequence[shapely.Geometry]) -> list[Note]:
    return [
        Note(
            NoteKind.TOO_SMALL,
            f"A speck of metal, {max(island.size_mm):.1f} mm, is left out: it is smaller than "
            "a tie.",
            island.place_mm,
            max(island.size_mm),
            "make the sign larger to keep it",
        )
        for island in map(island_of, specks)
    ]


def _size(pieces: Sequence[_Piece]) -> tuple[float, float]:
    """Width and height of all pieces together."""
    x0, y0, x1, y1 = shapely.total_bounds([piece.shape for piece in pieces])
    return float(x1 - x0), float(y1 - y0)


def _rail_notes(rail: Path | None) -> list[Note]:
    if rail is None:
        return []
    x0, y0, x1, y1 = rail.bounds()
    sentence = f"A rail {x1 - x0:.0f} mm long under the row holds what stands far apart."
    place = complex((x0 + x1) / 2, (y0 + y1) / 2)
    return [
        Note(NoteKind.LONG_TIE, sentence, place, x1 - x0, "a border would look better: --border")
    ]


def _long_notes(ties: Sequence[Tie], art: Art, rules: TieRules) -> list[Note]:
    advice = "a border would look better" if art.border is Border.NONE else None
    return [
        Note(
            NoteKind.LONG_TIE,
            f"A bar {tie.length_mm:.0f} mm long and {tie.width_mm:.0f} mm wide holds a piece "
            "across a wide gap.",
            sum(tie.corners) / len(tie.corners),
            tie.length_mm,
            advice,
        )
        for tie in ties
        if tie.length_mm > BAR_RATIO * rules.tie_mm
    ]
