"""The cut list: readable whatever the names, one row a piece, the same bytes every time."""

from __future__ import annotations

import numpy as np
import pypdfium2
import pytest

from pipeline.papers.cutlist import CutListFacts, PieceFacts, RollFacts, cut_list_pdf, cut_list_sheet
from pipeline.papers.film import runs
from pipeline.papers.kit import PAPERS, contrast

NAMES = (
    "Oar",
    "The Society for the Preservation of Disused Harbour Lights and Associated Fog Signals",
    "Łódź Żółw " * 4,
    "מועדון חתירה 1931",
    "日本漕艇倶楽部",
    "x" * 300,
)


def facts(seed, pieces=120, length=2300.0):
    rng = np.random.default_rng(seed)
    name = NAMES[seed % len(NAMES)]
    laid = tuple(
        PieceFacts(n + 1, f"ORDER-{seed}", 2, name, NAMES[n % 3], ("S", "4XL", "size 12, tall")[n % 3],
                   90 * (n % 4), (x + 45, y + 40))
        for n in range(pieces)
        for x, y in [(96.0 * (n % 6), (length - 90) * (n // 6) / (pieces // 6 + 1))]
    )  # fmt: skip
    picture = rng.integers(0, 256, (round(length / 4), 145, 3), dtype=np.uint8)
    roll = RollFacts(
        "R_film-1_1.pdf", "film-1", 600.0, 580.0, length, 0.71, 2 * length, length, True, picture, laid
    )
    return CutListFacts(f"ORDER-{seed} r2", (roll,), shop=name, paper=("A4", "Letter")[seed % 2])


@pytest.mark.parametrize("seed", range(8))
def test_everything_lies_on_the_page_and_stands_out(seed):
    """No text runs off the sheet, and all of it has a contrast of 4.5 : 1 (WCAG 2.2, 1.4.3)."""
    given = facts(seed, pieces=(1, 120, 400)[seed % 3], length=(90.0, 2300.0, 9800.0)[seed % 3])
    width, height = PAPERS[given.paper]

    for box in cut_list_sheet(given).boxes:
        assert box.x >= 0
        assert box.x + box.width <= width + 0.01
        assert box.y >= 0
        assert box.y + box.height <= height + 0.01
        assert contrast(box.ink, box.ground) >= 4.5


def test_every_piece_has_its_row_and_its_number_on_the_map():
    """Read back with PDFium, each number stands on the map and before its place in the table."""
    given = facts(2, pieces=60)
    document = pypdfium2.PdfDocument(cut_list_pdf(given))
    words = " ".join(page.get_textpage().get_text_range() for page in document).split()

    for piece in given.rolls[0].pieces:
        assert words.count(str(piece.number)) >= 2
    assert words.count("0°") + words.count("90°") + words.count("180°") + words.count("270°") == 60


def test_a_place_is_where_the_number_stands_and_the_corner_it_counts_from_is_said_once():
    """The box of a piece may begin beyond the film's edge, a negative figure that nobody can measure."""
    given = facts(2, pieces=60)
    said = [box.text for box in cut_list_sheet(given).boxes]
    x, y = (str(int(mm + 0.5)) for mm in given.rolls[0].pieces[-1].middle_mm)

    assert (x, y) == tuple(said[said.index("60", said.index("turn")) + 3 :][:2])
    assert sum(text.startswith("x and y: mm from the upper left corner") for text in said) == 1


def test_the_same_facts_give_the_same_bytes():
    """Nothing of the clock is in the file."""
    assert cut_list_pdf(facts(1)) == cut_list_pdf(facts(1))


def test_runs_of_numbers_are_joined():
    """Numbers are written as people count them."""
    assert runs([3, 1, 2, 7, 10, 9]) == "1–3, 7, 9–10"
    assert runs([]) == ""
