"""The prints of a proof seen close: each large enough to check its spelling, its colours by number and name beside."""

from __future__ import annotations

from pipeline.art.paint import hex_of
from pipeline.papers import words
from pipeline.papers.facts import Picture, PrintFacts
from pipeline.papers.kit import LABEL, TINY, Sheet
from pipeline.papers.parts import chip, fitted, print_picture

BOX_MM = (48.0, 48.0)
ROW_MM = 5.3
MOST = 9
"""Colours named beside a print at most; the smallest shares are only counted."""


def closer(sheet: Sheet, prints: tuple[PrintFacts, ...], budget: int) -> None:
    """Draw the prints of one colourway, two beside each other; one that is also shown washed takes the row alone."""
    for row in _rows(prints):
        sheet.need(_row_height(row))
        for k, item in enumerate(row):
            _one(sheet, sheet.left + k * sheet.span / 2, item, budget)
        sheet.y += _row_height(row)


def closer_height(prints: tuple[PrintFacts, ...]) -> float:
    """Return the height in mm that `closer` takes."""
    return sum(_row_height(row) for row in _rows(prints))


def _rows(prints: tuple[PrintFacts, ...]) -> list[list[PrintFacts]]:
    rows: list[list[PrintFacts]] = []
    for item in (item for item in prints if item.picture is not None):
        alone = (
            not rows or len(rows[-1]) == 2 or _washed(item) is not None or _washed(rows[-1][0]) is not None
        )
        if alone:
            rows.append([])
        rows[-1].append(item)
    return rows


def _washed(item: PrintFacts) -> Picture | None:
    return item.picture_washed if item.fade_calibrated else None


def _row_height(row: list[PrintFacts]) -> float:
    return LABEL.height + 3 + max(_height(item) for item in row)


def _height(item: PrintFacts) -> float:
    tall = 0.0 if item.picture is None else fitted(item.picture, *BOX_MM)[1]
    lines = min(len(item.colours), MOST) * ROW_MM + (TINY.height if len(item.colours) > MOST else 0)
    return max(tall, lines)


def _one(sheet: Sheet, x: float, item: PrintFacts, budget: int) -> None:
    band = max(item.bands, key=lambda b: b.width_mm)
    where = "" if item.position == item.name else f" · {item.position}"
    washed = _washed(item)
    size = f"{words.number(band.width_mm)} × {words.number(band.height_mm)} mm"
    label = (
        f"{item.name}{where} · {size if washed is not None else words.area(band.width_mm, band.height_mm)}"
    )
    pictures: list[tuple[Picture, str]] = [] if item.picture is None else [(item.picture, label)]
    if washed is not None:
        pictures.append(
            (washed, words.PROOF_PREDICTED.format(washes=words.count(item.washes, "wash", "washes")))
        )
    step = BOX_MM[0] + 4
    room = sheet.span - 2 if washed is not None else sheet.span / 2 - 2
    top = sheet.y + LABEL.height + 0.6
    for k, (picture, said) in enumerate(pictures):
        wide, tall = fitted(picture, *BOX_MM)
        sheet.say(x + k * step, sheet.y, said, LABEL, step - 3 if len(pictures) > 1 else room)
        print_picture(sheet, x + k * step, top, wide, tall, picture, None, budget)
    at = x + step * len(pictures)
    rest = room - step * len(pictures)
    for i, colour in enumerate(item.colours[:MOST]):
        y = top + i * ROW_MM
        chip(sheet, at, y, 11, ROW_MM - 0.5, colour.printed, str(colour.number))
        name = colour.name or hex_of(colour.printed)
        high = sheet.height_of(name, TINY, rest - 12.5, most=2)
        sheet.tell(at + 12.5, y + (ROW_MM - 0.5 - high) / 2, name, TINY, rest - 12.5, most=2)
    more = len(item.colours) - MOST
    if more > 0:
        sheet.say(
            at, top + MOST * ROW_MM, words.PROOF_MORE.format(more=words.count(more, "colour")), TINY, rest
        )
