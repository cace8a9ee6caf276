"""What the proof says of film: pieces by size with their places on the roll, its length, how it is handled."""

from __future__ import annotations

from pipeline.papers import words
from pipeline.papers.facts import ColourwayFacts, PrintFacts, ProofFacts
from pipeline.papers.film import runs
from pipeline.papers.kit import BODY, SMALL, STRONG, Sheet
from pipeline.papers.parts import heading

_LABEL = 52.0


def film_part(sheet: Sheet, facts: ProofFacts) -> None:
    """Write the part on film; nothing where no print is a transfer."""
    pairs = [(way, item) for way in facts.colourways for item in way.prints if item.route == "transfer"]
    if not pairs:
        return
    heading(sheet, "▤", words.PROOF_FILM, 20)
    for line in _lengths(facts, pairs):
        sheet.need(BODY.height * 2)
        sheet.y += sheet.tell(sheet.left, sheet.y, line, BODY, sheet.span)
    sheet.y += 1
    for way, item in pairs:
        text = "  ·  ".join(_places(item) or _counts(way, item))
        _row(sheet, f"{way.name} · {item.name}", text)
    for label, text in _pressing(facts.colourways):
        _row(sheet, label, text)


def _row(sheet: Sheet, label: str, text: str) -> None:
    wide = sheet.span - _LABEL
    high = max(sheet.height_of(label, STRONG, _LABEL - 2), sheet.height_of(text, SMALL, wide) + 0.4)
    sheet.need(high + 0.6)
    sheet.tell(sheet.left, sheet.y, label, STRONG, _LABEL - 2)
    sheet.tell(sheet.left + _LABEL, sheet.y + 0.4, text, SMALL, wide)
    sheet.y += high + 0.6


def _lengths(facts: ProofFacts, pairs: list[tuple[ColourwayFacts, PrintFacts]]) -> list[str]:
    lines = [
        words.PROOF_ROLL.format(
            file=roll.file,
            width=words.number(roll.film_mm),
            length=words.number(roll.length_mm / 1000, 2),
            pieces=words.count(roll.pieces, "piece"),
        )
        for roll in facts.film
    ]
    if any(not item.film for _, item in pairs):
        lines.append(words.PROOF_FILM_LATER if facts.asks or facts.held else words.FILM_NIGHT)
    return lines


def _places(item: PrintFacts) -> list[str]:
    """Return each size with its pieces, their numbers, and from where to where on which roll they lie."""
    several = len({place.file for place in item.film}) > 1
    return [
        f"{place.size} × {len(place.numbers)}, no. {runs(place.numbers)}, at {words.number(place.from_mm / 1000, 2)} – "
        f"{words.number(place.to_mm / 1000, 2)} m" + (f" of {place.file}" if several else "")
        for place in item.film
    ]


def _counts(way: ColourwayFacts, item: PrintFacts) -> list[str]:
    printed = {size for band in item.bands for size in band.sizes}
    return [f"{size.size} × {size.pieces + size.overs}" for size in way.sizes if size.size in printed]


def _pressing(ways: tuple[ColourwayFacts, ...]) -> list[tuple[str, str]]:
    """Return the shop's words on pressing and peeling, where it has set them, and the order of a garment's prints."""
    rows = []
    for way in ways:
        films = [item for item in way.prints if item.route == "transfer"]
        rows += [("pressed", item.cure) for item in films if item.cure]
        rows += [("peeled", item.peel) for item in films if item.peel]
        if len(films) > 1:
            rows.append(("in this order", " → ".join(item.name for item in films)))
    return list(dict.fromkeys(rows))
