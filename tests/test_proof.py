"""The proof and the contact sheet."""

from __future__ import annotations

import io
from dataclasses import replace

import numpy as np
import pypdfium2
import pytest
from PIL import Image

from pipeline.papers import words
from pipeline.papers.contact import contact_sheet
from pipeline.papers.kit import Sheet
from pipeline.papers.parts import chip
from pipeline.papers.proof import proof_pdf, proof_sheet
from tests import paper_checks as checks
from tests import sample_facts, sample_orders

PROOF = sample_facts.proof()
PDF = proof_pdf(PROOF)
TEXT = " ".join(checks.read(PDF).split())


def test_the_proof_names_every_colourway_size_print_change_and_decision() -> None:
    for way in PROOF.colourways:
        assert way.name in TEXT
        assert f"{way.garments} garments" in TEXT
        for item in way.prints:
            assert item.name in TEXT
        assert "   ".join(f"{s.size}: {s.pieces}" for s in way.sizes).replace("   ", " ") in TEXT
    for line in (*PROOF.changes, words.PROOF_YES, words.PROOF_NO, "Ines Varga"):
        assert line in TEXT


def test_prints_stand_in_true_proportion_to_the_garment() -> None:
    """Print width over garment length, both measured on paper by PDFium (bounds with the stroke), are the facts'."""
    way = replace(PROOF.colourways[0], prints=PROOF.colourways[0].prints[:1])
    page = pypdfium2.PdfDocument(proof_pdf(replace(PROOF, colourways=(way,))))[0]
    boxes = {kind: [o.get_bounds() for o in page.get_objects([kind])] for kind in (2, 3)}  # 2 path, 3 image
    ratios = []
    for left, low, right, high in boxes[3]:
        around = [
            b for b in boxes[2] if b[0] < left - 3 and b[1] < low - 3 and b[2] > right + 3 and b[3] > high + 3
        ]
        ratios += [(right - left) / (b[3] - b[1]) for b in around]
    for size in ("S", "2XL"):
        band = next(b for b in way.prints[0].bands if size in b.sizes)
        wanted = band.width_mm / sample_facts.LENGTHS[size]

        assert any(abs(ratio - wanted) < 0.02 * wanted for ratio in ratios), (size, wanted, ratios)


def test_after_washing_is_shown_only_when_the_model_is_calibrated() -> None:
    assert "predicted at 12 washes" in TEXT
    ways = tuple(
        replace(w, prints=tuple(replace(p, fade_calibrated=False) for p in w.prints))
        for w in PROOF.colourways
    )
    told = " ".join(checks.read(proof_pdf(replace(PROOF, colourways=ways))).split())

    assert "predicted at" not in told
    assert words.PROOF_GUESS in told


def test_equal_facts_give_an_equal_proof() -> None:
    assert proof_pdf(sample_facts.proof()) == PDF


@pytest.mark.parametrize("first", [100, 134, 167])
def test_nothing_overlaps_leaves_the_page_or_is_faint_on_generated_proofs(first: int) -> None:
    """Contrast 4.5 : 1 by WCAG 2.2, success criterion 1.4.3."""
    for seed in range(first, first + 34):
        sheet = proof_sheet(sample_orders.proof(seed))

        assert checks.outside(sheet) == [], seed
        assert checks.overlaps(sheet.boxes) == [], seed
        assert checks.faint(sheet) == [], seed


# Machado, Oliveira & Fernandes 2009, "A physiologically-based model for simulation of color vision deficiency",
# severity 1.0, on linear sRGB; matrices as in the paper's supplementary table.
DEFICIENCIES = {
    "protan": (
        (0.152286, 1.052583, -0.204868),
        (0.114503, 0.786281, 0.099216),
        (-0.003882, -0.048116, 1.051998),
    ),
    "deutan": (
        (0.367322, 0.860646, -0.227968),
        (0.280085, 0.672501, 0.047413),
        (-0.011820, 0.042940, 0.968881),
    ),
    "tritan": (
        (1.255528, -0.076749, -0.178779),
        (-0.078411, 0.930809, 0.147602),
        (0.004733, 0.691367, 0.303900),
    ),
}


@pytest.mark.parametrize("kind", DEFICIENCIES)
def test_chips_are_told_apart_by_their_number_whatever_the_eye(kind: str) -> None:
    """The number is black on its own white plate, so it reads ≥ 4.5 : 1 after simulation (Machado et al. 2009)."""
    matrix = np.array(DEFICIENCIES[kind])
    for colour in ((196, 60, 38), (60, 120, 60), (0, 0, 0), (255, 255, 255), (30, 60, 200)):
        sheet = Sheet((40, 20), title="chip")
        chip(sheet, 5, 5, 20, 8, colour, "7")
        shown = checks.linear(checks.rendered(sheet.finish(), 0, 200) / 255.0)
        seen = np.clip((shown[..., None, :] * matrix).sum(-1), 0, 1)
        light = (seen * (0.2126, 0.7152, 0.0722)).sum(-1)
        scale = 200 / 25.4
        plate = light[int(6 * scale) : int(10.5 * scale), int(6 * scale) : int(10.5 * scale)]

        assert (plate.max() + 0.05) / (plate.min() + 0.05) >= 4.5


def test_the_contact_sheet_shows_every_print_on_its_fabric() -> None:
    data = contact_sheet(PROOF)
    picture = np.asarray(Image.open(io.BytesIO(data)).convert("RGB"))
    seen = {tuple(c) for c in picture.reshape(-1, 3)[::7].tolist()}

    assert {way.cloth.srgb for way in PROOF.colourways} <= seen
    assert contact_sheet(sample_facts.proof()) == data
