"""The job ticket says everything, in order, readable by people and by machines."""

from __future__ import annotations

import io
import re
from dataclasses import replace

import numpy as np
import pikepdf
import pypdfium2
import pytest
import zxingcpp

from pipeline.papers import words
from pipeline.papers.facts import BandFacts, TicketFacts
from pipeline.papers.ticket import ticket_pdf, ticket_sheet
from tests import paper_checks as checks
from tests import sample_facts, sample_orders

TICKET = sample_facts.ticket()
PDF = ticket_pdf(TICKET)
TEXT = checks.read(PDF)


def flat(text: str) -> str:
    return re.sub(r"\s+", " ", text)


def numbers(facts: TicketFacts) -> set[str]:
    """Every number that the operator needs, written as the papers write numbers."""
    way = facts.colourway
    found = {str(way.garments), str(way.impressions), str(facts.job.revision)}
    for size in way.sizes:
        found.add(str(size.pieces))
    for item in way.prints:
        found |= {words.number(item.choke_mm, 2), words.number(item.ink_mm2), words.number(item.ppi)}
        for band in item.bands:
            for mm in (band.width_mm, band.height_mm, *band.origin_mm):
                found |= {words.number(mm), words.inches(mm)}
            found |= {str(band.pieces), str(band.width_px), str(band.height_px)}
        for colour in item.colours:
            found.add(str(colour.number))
            found |= {words.number(v) for v in colour.lab or ()}
            found |= {
                "#{:02x}{:02x}{:02x}".format(*c)
                for c in (colour.design, colour.printed, colour.washed or ())
                if c
            }
            found |= set(colour.grades)
    return found


def test_every_number_and_name_of_the_facts_can_be_read_from_the_page() -> None:
    """Read back by PDFium, which shares nothing with the writer."""
    text = flat(TEXT)
    missing = [
        n for n in sorted(numbers(TICKET)) if not re.search(rf"(?<![\d.]){re.escape(n)}(?![\d])", text)
    ]

    assert missing == []
    for name in ("LRC-0417", "Harbour night", "unisex tee", "Press 2, direct", "Ines Varga", "100 % cotton"):
        assert name in text


def test_the_steps_stand_in_the_order_in_which_the_operator_works() -> None:
    with pikepdf.open(io.BytesIO(PDF)) as pdf, pdf.open_outline() as outline:
        entries = [item.title for item in outline.root]
    places = [TEXT.index(title) for title in ("Spray", "TOTAL", "upper edge", "Pictures are", "Heat presses")]

    assert entries[:6] == [f"{number} {title}" for number, title in words.STEPS.items()]

    assert places == sorted(places)


def test_garments_and_impressions_are_counted_separately() -> None:
    """80 shirts with two prints are 80 garments and 160 impressions (common practice, no source)."""
    assert "80 garments" in TEXT
    assert "160 impressions" in TEXT


def test_bar_codes_decode_to_order_and_file_names_at_150_ppi() -> None:
    """Decoded by zxing-cpp from the page as PDFium draws it; formats of ISO/IEC 15417 and 18004."""
    found: dict[str, set[str]] = {}
    for page in range(len(pypdfium2.PdfDocument(PDF))):
        for code in zxingcpp.read_barcodes(checks.rendered(PDF, page, 150)):
            found.setdefault(code.format.name, set()).add(code.text)
    wanted = {TICKET.job.order} | {b.files[0] for p in TICKET.colourway.prints for b in p.bands}

    assert found["QRCode"] == wanted
    assert found["Code128"] == wanted


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_bar_codes_of_long_file_names_decode_on_both_papers(paper: str) -> None:
    """44 characters a name, 16 rows; decoded by zxing-cpp at 150 ppi."""
    usual = sample_orders.usual(12)
    facts = sample_facts.letter(usual) if paper == "Letter" else usual
    pdf = ticket_pdf(facts)
    found: dict[str, set[str]] = {}
    for page in range(len(pypdfium2.PdfDocument(pdf))):
        for code in zxingcpp.read_barcodes(checks.rendered(pdf, page, 150)):
            found.setdefault(code.format.name, set()).add(code.text)
    wanted = {facts.job.order} | {b.files[0] for p in facts.colourway.prints for b in p.bands}

    assert len(max(wanted, key=len)) >= 44
    assert found["QRCode"] == wanted
    assert found["Code128"] == wanted


def test_what_is_not_set_is_said_loudly_and_what_is_set_is_printed() -> None:
    assert words.NOT_SET in TEXT
    first = replace(TICKET.colourway.prints[0], cure="Oven line 2, card K-14")
    told = checks.read(ticket_pdf(replace(TICKET, colourway=replace(TICKET.colourway, prints=(first,)))))

    assert "Oven line 2, card K-14" in told
    assert f"\n{words.NOT_SET}" not in told


@pytest.mark.parametrize(
    ("change", "line"),
    [
        ({"mirrored_file": True}, words.MIRRORED),
        ({"mirrored_file": False, "mirror_at_press": True}, words.MIRROR_AT_PRESS),
        ({"base": 1.0, "base_file": False}, words.BASE_AT_PRESS),
        ({"base": 0.0}, words.BASE_NONE),
    ],
)
def test_what_the_file_holds_already_is_said(change: dict[str, object], line: str) -> None:
    item = replace(TICKET.colourway.prints[1], **change)  # type: ignore[arg-type]
    told = flat(checks.read(ticket_pdf(replace(TICKET, colourway=replace(TICKET.colourway, prints=(item,))))))

    assert line in told


def test_who_pretreated_signs_only_where_something_is_pretreated() -> None:
    for pretreat in (True, False):
        prints = tuple(
            replace(item, pretreat=pretreat and n == 0) for n, item in enumerate(TICKET.colourway.prints)
        )
        told = checks.read(ticket_pdf(replace(TICKET, colourway=replace(TICKET.colourway, prints=prints))))
        assert ("Pretreated" in told) == pretreat
        assert "Set up" in told.split("Counted")[1]


def test_a_plain_ticket_needs_few_facts_and_takes_one_page_or_two() -> None:
    item = TICKET.colourway.prints[1]
    way = replace(TICKET.colourway, prints=(item,), findings=(), decisions=(), changes=())

    assert ticket_sheet(replace(TICKET, colourway=way)).page <= 2


def test_usual_tickets_take_three_pages_at_most_on_both_papers() -> None:
    """A front of up to twelve colours and a nape of up to six, one to eight sizes, a finding with its picture."""
    for seed in range(24):
        for facts in (sample_orders.usual(seed), sample_facts.letter(sample_orders.usual(seed))):
            assert 1 <= ticket_sheet(facts).page <= 3, (seed, facts.job.paper)


def test_letter_is_letter() -> None:
    assert ticket_sheet(TICKET).page <= 3
    sheet = ticket_sheet(sample_facts.letter(TICKET))

    assert (round(sheet.width, 1), round(sheet.height, 1)) == (215.9, 279.4)  # ANSI A: 8.5 × 11 in
    assert checks.outside(sheet) == []


def test_left_chest_lies_right_of_the_centre_line_in_the_drawing() -> None:
    """Left is the wearer's: with the front up it is on the viewer's right (common practice, no source)."""
    sheet = ticket_sheet(
        replace(TICKET, colourway=replace(TICKET.colourway, prints=TICKET.colourway.prints[1:]))
    )
    label = next(b for b in sheet.boxes if b.text == "D")
    centre = sheet.left + 32

    assert label.x > centre
    left = next(b for b in sheet.boxes if b.text == "wearer's left ►")
    assert left.x > centre


def test_the_longest_order_number_is_never_cut() -> None:
    job = replace(TICKET.job, order="N" * 64)
    sheet = ticket_sheet(replace(TICKET, job=job))
    first = "".join(b.text for b in sheet.boxes if b.page == 1 and set(b.text) == {"N"})

    assert first == "N" * 64


def test_equal_facts_give_equal_bytes() -> None:
    assert ticket_pdf(sample_facts.ticket()) == PDF


def test_a_ticket_full_of_photographs_stays_below_one_and_a_half_megabytes() -> None:
    noise = np.random.default_rng(4).integers(0, 256, (1200, 1200, 3), dtype=np.uint8)
    item = replace(TICKET.colourway.prints[0], picture=noise, knocked_out=noise[..., 0] > 99)
    prints = tuple(replace(item, name=f"p{i}", picture=np.roll(noise, i, 0)) for i in range(8))

    assert len(ticket_pdf(replace(TICKET, colourway=replace(TICKET.colourway, prints=prints)))) < 1_500_000


def test_the_document_is_titled_speaks_english_has_an_outline_and_embeds_its_fonts() -> None:
    """ISO 32000-1: 14.3.3 document information, 14.9.2 language, 12.3.3 outline, 9.9 embedded fonts."""
    with pikepdf.open(io.BytesIO(PDF)) as pdf:
        assert "LRC-0417" in str(pdf.docinfo["/Title"])
        assert str(pdf.Root.Lang) == "en-GB"
        with pdf.open_outline() as outline:
            assert [item.title[:1] for item in outline.root][:6] == list("123456")
        fonts = [o for o in pdf.objects if isinstance(o, pikepdf.Dictionary) and o.get("/Type") == "/Font"]

        assert len(fonts) >= 3
        for font in fonts:
            assert "/FontFile2" in font.FontDescriptor


def test_bar_code_modules_are_those_of_the_standard() -> None:
    """ISO/IEC 15417: start and stop patterns, 11 modules a symbol, 13 for the stop."""
    from pipeline.papers.codes import _bars

    bars = _bars("JOB-000123")

    assert bars[0] == (True, 2)  # every start symbol begins with a bar two modules wide
    assert bars[-1] == (True, 2)  # the stop symbol ends with one
    assert sum(many for _, many in bars) % 11 == 2  # symbols of 11 modules, the stop symbol 13


def test_hatching_is_seen_on_black_and_on_white_cloth() -> None:
    """Knocked-out parts carry black and white lines, whatever the fabric."""
    from pipeline.papers.parts import hatched

    for tone in (0, 255):
        picture = np.full((30, 30, 3), tone, np.uint8)
        mask = np.zeros((30, 30), bool)
        mask[5:25, 5:25] = True
        out = hatched(picture, mask)

        assert {0, 255} <= set(out[mask].ravel().tolist())
        assert (out[~mask] == tone).all()


def test_bands_that_share_one_file_and_place_stand_in_one_row_with_their_counts() -> None:
    band = TICKET.colourway.prints[1].bands[0]
    bands = tuple(
        replace(band, sizes=(size,), pieces=count) for size, count in (("S", 12), ("M", 30), ("L", 24))
    )
    item = replace(TICKET.colourway.prints[1], bands=bands)
    pdf = ticket_pdf(replace(TICKET, colourway=replace(TICKET.colourway, prints=(item,))))

    assert "One file for all: S 12 · M 30 · L 24" in flat(checks.read(pdf))
    assert checks.read(pdf).count("roll-01.pdf") == 1


def test_a_file_name_that_no_bar_code_can_hold_is_still_written_out() -> None:
    band = replace(TICKET.colourway.prints[1].bands[0], files=("größe-ü.pdf",))
    assert isinstance(band, BandFacts)
    item = replace(TICKET.colourway.prints[1], bands=(band,))
    told = checks.read(ticket_pdf(replace(TICKET, colourway=replace(TICKET.colourway, prints=(item,)))))

    assert "größe-ü.pdf" in told


@pytest.mark.parametrize("first", [0, 25, 50, 75])
def test_nothing_overlaps_leaves_the_page_or_is_faint_on_generated_tickets(first: int) -> None:
    """Contrast 4.5 : 1 by WCAG 2.2, success criterion 1.4.3."""
    for seed in range(first, first + 25):
        sheet = ticket_sheet(sample_orders.ticket(seed))

        assert checks.outside(sheet) == [], seed
        assert checks.overlaps(sheet.boxes) == [], seed
        assert checks.faint(sheet) == [], seed
