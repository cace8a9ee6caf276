"""Pictures for the screen: the contact sheet of an order, prints by colourway, and the swatches of its main colours."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from pipeline.art.paint import Rgb, hex_of
from pipeline.papers import words
from pipeline.papers.facts import ColourFacts, Picture, PrintFacts, ProofFacts
from pipeline.papers.kit import LABEL, LARGE, STRONG, TINY, Sheet
from pipeline.papers.parts import chip, fitted, reduced

CELL_MM, GAP_MM, EDGE_MM = 56.0, 3.0, 7.0
CHIP_MM = 20.0
FABRIC_MM = 34.0
STRIP_MM = 14.0
PPI = 150


def contact_sheet(facts: ProofFacts) -> bytes:
    """Return a PNG of every print on its fabric, colourway by colourway, about as wide as it is high."""
    most = max((len(way.prints) for way in facts.colourways), default=1)
    block = most * (CELL_MM + GAP_MM) + 4
    row = STRONG.height + CELL_MM + 2 * TINY.height + 6
    many = len(facts.colourways)
    columns = min(range(1, many + 1), key=lambda c: (abs(c * block - -(-many // c) * row), c))
    width = 2 * EDGE_MM + columns * block - GAP_MM - 4
    height = 2 * EDGE_MM + LARGE.height + 2 + -(-many // columns) * row
    sheet = Sheet((width, height), title=f"{facts.job.order} revision {facts.job.revision}", bottom=0)
    title = " · ".join(part for part in (f"{facts.job.order} r{facts.job.revision}", facts.job.title) if part)
    sheet.say(EDGE_MM, EDGE_MM, title, LARGE, width - 2 * EDGE_MM)
    for k, way in enumerate(facts.colourways):
        x, y = EDGE_MM + k % columns * block, EDGE_MM + LARGE.height + 2 + k // columns * row
        label = f"{way.name} · {way.garment} · {way.garments}"
        sheet.say(x, y, label, STRONG, most * (CELL_MM + GAP_MM) - GAP_MM)
        for i, item in enumerate(way.prints):
            _cell(sheet, x + i * (CELL_MM + GAP_MM), y + STRONG.height + 1, item, way.cloth.srgb)
    return _png(sheet.finish())


def _cell(sheet: Sheet, x: float, y: float, item: PrintFacts, cloth: Rgb) -> None:
    """Draw one print in the middle of a field of its fabric, its name and size below."""
    sheet.fill(x, y, CELL_MM, CELL_MM, cloth)
    sheet.frame(x, y, CELL_MM, CELL_MM, 0.15)
    if item.picture is not None:
        wide, tall = fitted(item.picture, CELL_MM - 6, CELL_MM - 6)
        small = reduced(item.picture, round(wide * PPI / 25.4), round(tall * PPI / 25.4))
        sheet.image(x + (CELL_MM - wide) / 2, y + (CELL_MM - tall) / 2, wide, tall, small)
    band = max(item.bands, key=lambda b: b.width_mm)
    sheet.say(x, y + CELL_MM + 0.6, " · ".join(dict.fromkeys((item.name, item.position))), TINY, CELL_MM)
    sheet.say(x, y + CELL_MM + 0.6 + TINY.height, words.area(band.width_mm, band.height_mm), TINY, CELL_MM)


def _strip_height(colours: tuple[ColourFacts, ...], width: float) -> float:
    return max(1, -(-len(colours) // int(width // CHIP_MM))) * STRIP_MM


def swatch_strip(sheet: Sheet, x: float, y: float, width: float, colours: tuple[ColourFacts, ...]) -> None:
    """Draw the main colours as printed in rows of numbered chips with their hex codes."""
    columns = max(1, int(width // CHIP_MM))
    for i, colour in enumerate(colours):
        at, top = x + i % columns * CHIP_MM, y + i // columns * STRIP_MM
        chip(sheet, at, top, CHIP_MM - 1.5, 6, colour.printed, str(colour.number))
        sheet.say(at, top + 6.4, colour.name, TINY, CHIP_MM - 1.5)
        sheet.say(at, top + 6.4 + TINY.height, hex_of(colour.printed), TINY, CHIP_MM - 1.5)


def swatch_sheet(facts: ProofFacts) -> bytes:
    """Return a PNG with one strip a colourway: the fabric, then the main colours of all its prints as printed."""
    rows = [(way, _merged(way.prints)) for way in facts.colourways]
    most = max((len(colours) for _, colours in rows), default=0)
    width = 2 * EDGE_MM + FABRIC_MM + max(4, min(most, 12)) * CHIP_MM
    strips = [_strip_height(colours, width - 2 * EDGE_MM - FABRIC_MM) for _, colours in rows]
    height = 2 * EDGE_MM + sum(strips) + len(rows) * 4.0
    sheet = Sheet((width, height), title=f"{facts.job.order} swatches", bottom=0)
    y = EDGE_MM
    for (way, colours), high in zip(rows, strips, strict=True):
        chip(sheet, EDGE_MM, y, FABRIC_MM - 3, 6, way.cloth.srgb, "")
        sheet.say(EDGE_MM, y + 6.4, way.name, LABEL, FABRIC_MM - 3)
        swatch_strip(sheet, EDGE_MM + FABRIC_MM, y, width - 2 * EDGE_MM - FABRIC_MM, colours)
        y += high + 4
    return _png(sheet.finish())


def _merged(prints: tuple[PrintFacts, ...]) -> tuple[ColourFacts, ...]:
    """Return the main colours of all prints, equal ones once, numbered through."""
    distinct = {colour.printed: colour for item in prints for colour in item.colours}
    return tuple(replace(colour, number=i) for i, colour in enumerate(distinct.values(), 1))


def opaque(picture: Picture) -> NDArray[np.uint8]:
    """Return a picture (H, W, 3) with full alpha, (H, W, 4), as the PNG writer takes it."""
    return np.dstack([picture, np.full(picture.shape[:2], 255, np.uint8)])


def _png(pdf: bytes) -> bytes:
    """Draw the only page of a PDF and encode it as the press files are."""
    import pypdfium2

    from pipeline.press.png import png_bytes

    document = pypdfium2.PdfDocument(pdf)
    try:
        picture = np.asarray(document[0].render(scale=PPI / 72).to_pil().convert("RGB"))
    finally:
        document.close()
    return png_bytes(opaque(picture), PPI)
