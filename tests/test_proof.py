"""The page that a customer signs, read back by pypdf and rendered by pdfium."""

from __future__ import annotations

import io

import numpy as np
import pypdf
import pypdfium2
import pytest

from raster2path.guides.full_size import POINTS_PER_MM
from raster2path.guides.proof import STEEL, proof_pdf
from raster2path.job import TallyRules
from raster2path.material import ALUMINIUM, Material
from raster2path.model import CutOrder
from raster2path.torch.tally import tally
from tests.guide_scenes import STAMP, harbour


@pytest.fixture(scope="module")
def order() -> CutOrder:
    return harbour()


@pytest.fixture(scope="module")
def proof(order: CutOrder) -> bytes:
    found = tally(order, rules=TallyRules())
    return proof_pdf(order, found, stamp=STAMP, thickness_mm=1.5)


def test_the_page_tells_size_mass_ties_and_where_to_sign(proof: bytes, order: CutOrder) -> None:
    (page,) = pypdf.PdfReader(io.BytesIO(proof)).pages
    text = page.extract_text()
    _, _, width, height = order.plan.sign.art.placement.sign_mm
    assert f"{width:.0f} mm ({width / 25.4:.1f} in)" in text
    assert f"{height:.0f} mm ({height / 25.4:.1f} in)" in text
    assert "check the spelling" in text
    assert "signature" in text
    assert STAMP.title in text
    assert "will show" in text
    assert "kg" in text


def test_the_page_names_the_metal_and_weighs_it(order: CutOrder) -> None:
    """Aluminium 5052 is 2680 / 7850 as heavy as mild steel (data sheets)."""
    light, heavy = (
        tally(order, rules=TallyRules(material=m)) for m in (Material.ALUMINIUM, Material.MILD)
    )
    assert light.sign_kg == pytest.approx(heavy.sign_kg * 2680 / 7850)
    page = proof_pdf(order, light, stamp=STAMP, thickness_mm=2.0, stock=ALUMINIUM)
    text = pypdf.PdfReader(io.BytesIO(page)).pages[0].extract_text()
    assert f"Aluminium 2 mm thick, about {light.sign_kg:.1f} kg." in text


def test_no_cutting_line_is_shown_and_the_metal_is_there(proof: bytes, order: CutOrder) -> None:
    """Grey of steel covers as much of the sign's box as the metal does, to a few hundredths."""
    scale = 4.0
    image = pypdfium2.PdfDocument(proof)[0].render(scale=scale / POINTS_PER_MM).to_numpy()
    steel = 255 * np.array(STEEL)
    near = [np.abs(image[..., :3] - colour).max(axis=2) < 4 for colour in (steel, steel[::-1])]
    is_steel = near[0] | near[1]  # whichever way round the renderer has its colours
    rows, columns = np.flatnonzero(is_steel.any(axis=1)), np.flatnonzero(is_steel.any(axis=0))
    box = (rows[-1] - rows[0] + 1) * (columns[-1] - columns[0] + 1)
    metal = sum(edge.path.area for edge in order.plan.edges)
    _, _, width, height = order.plan.sign.art.placement.sign_mm
    assert is_steel.sum() / box == pytest.approx(metal / (width * height), abs=0.05)


def test_it_comes_out_the_same_each_time(proof: bytes, order: CutOrder) -> None:
    found = tally(order, rules=TallyRules())
    assert proof_pdf(order, found, stamp=STAMP, thickness_mm=1.5) == proof
