"""Tables of the papers: columns with their heads, rows of a line and small text below, heads again on every page."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from pipeline.papers.kit import HAIR, LABEL, QUIET, TINY, Align, Sheet, Style

CELL = Style("bold", 9.5)
SUB = Style("plain", TINY.size, QUIET)
GAP = 1.6


@dataclass(frozen=True, slots=True)
class Column:
    """One column: its head, its share of the table's width, how its cells stand."""

    label: str
    share: float
    align: Align = "left"
    style: Style = CELL


@dataclass(frozen=True, slots=True)
class Table:
    """Columns over a width in mm from x on."""

    columns: tuple[Column, ...]
    x: float
    width: float

    def places(self) -> list[tuple[Column, float, float]]:
        """Return (column, x, width in mm) of each."""
        unit = self.width / sum(column.share for column in self.columns)
        at, found = self.x, []
        for column in self.columns:
            found.append((column, at, column.share * unit))
            at += column.share * unit
        return found

    def heads(self, sheet: Sheet) -> None:
        """Write the heads and move the cursor below them."""
        for column, x, width in self.places():
            sheet.say(x + GAP / 2, sheet.y, column.label, LABEL, width - GAP, column.align)
        sheet.y += LABEL.height + 0.4

    def row(self, sheet: Sheet, cells: Sequence[tuple[str, str]], height: float = 9.0) -> None:
        """Write one row, each cell (text, small text below), under a hair line; turns the page with heads again.

        The small text takes as many lines as there is room for, and is cut where that is not enough.
        """
        if sheet.need(height):
            self.heads(sheet)
        sheet.rule(self.x, sheet.y, self.x + self.width, sheet.y, 0.15, HAIR)
        for (column, x, width), (text, below) in zip(self.places(), cells, strict=True):
            sheet.figure(x + GAP / 2, sheet.y + 0.6, text, column.style, width - GAP, column.align)
            if below:
                top = sheet.y + 0.6 + column.style.height
                write = (
                    sheet.tell
                    if sheet.height_of(below, SUB, width - GAP) <= sheet.y + height - top
                    else sheet.say
                )
                write(x + GAP / 2, top, below, SUB, width - GAP, column.align)
        sheet.y += height

    def close(self, sheet: Sheet) -> None:
        """Draw the rule below the last row."""
        sheet.rule(self.x, sheet.y, self.x + self.width, sheet.y, 0.15, HAIR)
