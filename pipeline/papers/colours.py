"""The main colours on paper: the table of the ticket, one row a colour from design to the last wash."""

from __future__ import annotations

from pipeline.art.paint import Rgb, hex_of
from pipeline.papers import words
from pipeline.papers.facts import ColourFacts, PrintFacts
from pipeline.papers.kit import LABEL, STRONG, TINY, Sheet, Style
from pipeline.papers.parts import chip

ROW = 6.2
"""Height of one row, mm; the heading takes `HEADS`."""

MOST = 7
"""Rows of the table; what is left, the smallest shares, follows as chips alone."""

REST_MM = 22.0

HEADS = LABEL.height + 0.6
_HEX = Style("plain", 7.5)
_NAME = Style("bold", 8.5)


def _most(sheet: Sheet) -> int:
    return MOST - 3 if sheet.compact else MOST


def height_of(sheet: Sheet, colours: tuple[ColourFacts, ...], width: float) -> float:
    """Return the height of the table in mm."""
    rows = min(len(colours), _most(sheet))
    strips = -(-(len(colours) - rows) // _across(width))
    return HEADS + ROW * (rows + strips) if colours else 0.0


def _across(width: float) -> int:
    return max(1, int(width // REST_MM))


def colour_table(sheet: Sheet, item: PrintFacts, x: float, width: float) -> None:
    """Write the main colours from the cursor on: number, a chip with its hex code for each state, name, share, grade.

    `width` is at least 80 mm. The cursor moves down; rows that don't fit go to the next page under a heading. Beyond
    `MOST` colours, only number and chip as printed.
    """
    for i, colour in enumerate(item.colours[: _most(sheet)]):
        if sheet.need(ROW + (HEADS if i == 0 else 0)) or i == 0:
            _heads(sheet, item, x, width)
        _row(sheet, colour, (x, x + 6, _step(width)), x + width)
        sheet.y += ROW
    rest, columns = item.colours[_most(sheet) :], _across(width)
    for i, colour in enumerate(rest):
        if i % columns == 0:
            sheet.need(ROW)
        at = x + i % columns * width / columns
        sheet.figure(at, sheet.y + 0.9, str(colour.number), STRONG, 5, "right")
        _state(sheet, at + 6, width / columns - 7, colour.printed)
        if i % columns == columns - 1 or i == len(rest) - 1:
            sheet.y += ROW


def _step(width: float) -> float:
    return min(21.0, (width - 6) * 0.148)


def _heads(sheet: Sheet, item: PrintFacts, x: float, width: float) -> None:
    step = _step(width)
    planned = f"{item.washes} washes" if item.washes else "washed"
    for k, head in enumerate(("design", "printed", planned, f"{item.life} washes" if item.life else "worn")):
        sheet.say(x + 6 + k * step, sheet.y, head, LABEL, step - 0.8)
    beside = x + 7 + 4 * step
    rest = x + width - beside
    sheet.say(beside, sheet.y, "grade (bare)", LABEL, rest * 0.5)
    sheet.say(beside + rest * 0.5, sheet.y, "share · Lab", LABEL, rest * 0.5, "right")
    sheet.y += HEADS


def grades(labels: tuple[str, ...]) -> str:
    """Write grey-scale steps, those without compensation in brackets: "4-5 (3) · 3 (2)"."""
    return " · ".join(f"{labels[k]} ({labels[k + 1]})" for k in range(0, len(labels), 2))


def _row(sheet: Sheet, colour: ColourFacts, places: tuple[float, float, float], right: float) -> None:
    x, at, step = places
    sheet.figure(x, sheet.y + 0.9, str(colour.number), STRONG, 5, "right")
    for k, state in enumerate((colour.design, colour.printed, colour.washed, colour.worn)):
        _state(sheet, at + k * step, step - 1.0, state)
    beside = at + 4 * step + 1
    rest = right - beside
    share = words.percent(colour.share) if colour.share else ""
    taken = sheet.width_of(share, TINY) + 1 if share else 0
    sheet.say(beside, sheet.y - 0.4, colour.name, _NAME, rest - taken)
    sheet.say(right - taken, sheet.y + 0.1, share, TINY, taken, "right")
    lab = "  ".join(words.number(v) for v in colour.lab or ())
    taken = sheet.width_of(lab, TINY) + 1 if lab else 0
    sheet.figure(right - taken, sheet.y + 3.0, lab, TINY, taken, "right")
    sheet.say(beside, sheet.y + 3.0, grades(colour.grades), TINY, rest - taken)


def _state(sheet: Sheet, x: float, width: float, state: Rgb | None) -> None:
    """Draw one state as a field with its hex code in it, black or white, whichever reads better."""
    if state is None:
        sheet.say(x, sheet.y + 1, "–", TINY, width)
        return
    chip(sheet, x, sheet.y, width, ROW - 0.6, state, "")
    sheet.say(x, sheet.y + 1.3, hex_of(state), _HEX, width, "centre")
