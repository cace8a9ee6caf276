"""Pictures for the screen: the contact sheet of an order, prints by colourway, each with its main colours."""

from __future__ import annotations

import io

from pipeline.art.paint import hex_of
from pipeline.papers import words
from pipeline.papers.facts import ColourFacts, PrintFacts, ProofFacts
from pipeline.papers.kit import LABEL, LARGE, SMALL, STRONG, TINY, Sheet
from pipeline.papers.parts import chip, common_scale, print_picture

CELL_MM, GAP_MM, EDGE_MM = 62.0, 6.0, 8.0
CHIP_MM = 15.0
PPI = 150


def contact_sheet(facts: ProofFacts) -> bytes:
    """Return a PNG with one row a colourway and one cell a print, at one scale, main colours below each."""
    most = max((len(way.prints) for way in facts.colourways), default=1)
    prints = tuple(item for way in facts.colourways for item in way.prints)
    scale = common_scale(prints, CELL_MM, CELL_MM)
    strip = max((_strip_height(item.colours) for item in prints), default=0.0)
    row = LARGE.height + CELL_MM + strip + 10
    width = 2 * EDGE_MM + max(1, most) * (CELL_MM + GAP_MM) - GAP_MM
    height = 2 * EDGE_MM + 8 + len(facts.colourways) * row
    sheet = Sheet((width, height), title=f"{facts.job.order} revision {facts.job.revision}", bottom=0)
    sheet.say(
        EDGE_MM,
        EDGE_MM,
        f"{facts.job.order} r{facts.job.revision} · {facts.job.title}",
        LARGE,
        width - 2 * EDGE_MM,
    )
    for k, way in enumerate(facts.colourways):
        y = EDGE_MM + 8 + k * row
        sheet.say(EDGE_MM, y, f"{way.name} · {way.garment}", STRONG, width - 2 * EDGE_MM)
        for i, item in enumerate(way.prints):
            _cell(sheet, EDGE_MM + i * (CELL_MM + GAP_MM), y + LARGE.height, item, scale)
    return _png(sheet.finish())


def _cell(sheet: Sheet, x: float, y: float, item: PrintFacts, scale: float) -> None:
    band = max(item.bands, key=lambda b: b.width_mm)
    if item.picture is not None:
        print_picture(sheet, x, y, band.width_mm / scale, band.height_mm / scale, item.picture)
    label = (
        f"{item.name} · {item.position} · {words.number(band.width_mm)} × {words.number(band.height_mm)} mm"
    )
    sheet.say(x, y + CELL_MM + 1, label, LABEL, CELL_MM)
    swatch_strip(sheet, x, y + CELL_MM + 5, CELL_MM, item.colours)


def _strip_height(colours: tuple[ColourFacts, ...]) -> float:
    return -(-len(colours) // int(CELL_MM // CHIP_MM)) * 11.0


def swatch_strip(sheet: Sheet, x: float, y: float, width: float, colours: tuple[ColourFacts, ...]) -> None:
    """Draw the main colours as printed in rows of numbered chips with their hex codes."""
    columns = max(1, int(width // CHIP_MM))
    for i, colour in enumerate(colours):
        at, top = x + i % columns * CHIP_MM, y + i // columns * 11.0
        chip(sheet, at, top, CHIP_MM - 1.5, 6, colour.printed, str(colour.number))
        sheet.say(
            at,
            top + 6.4,
            colour.name or hex_of(colour.printed),
            TINY if colour.name else SMALL,
            CHIP_MM - 1.5,
        )


def _png(pdf: bytes) -> bytes:
    import pypdfium2

    document = pypdfium2.PdfDocument(pdf)
    try:
        picture = document[0].render(scale=PPI / 72).to_pil().convert("RGB")
    finally:
        document.close()
    out = io.BytesIO()
    picture.save(out, format="PNG", dpi=(PPI, PPI))
    return out.getvalue()
