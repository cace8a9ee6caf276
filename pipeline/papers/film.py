"""What a job ticket says of film: the pieces of each size and where they lie, and how they are pressed and peeled."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from pipeline.papers import words
from pipeline.papers.kit import HAIR, LABEL, LARGE, SMALL, STRONG, Sheet

if TYPE_CHECKING:
    from pipeline.papers.facts import ColourwayFacts, PrintFacts

_COLUMNS = (
    ("film: size", 0.14),
    ("pieces, overs too", 0.18),
    ("their numbers", 0.26),
    ("roll", 0.28),
    ("along it", 0.14),
)


@dataclass(frozen=True, slots=True)
class FilmFacts:
    """The pieces of one print in one size on one roll: their numbers, and from where to where on it they lie, in mm."""

    size: str
    numbers: tuple[int, ...]
    file: str
    from_mm: float
    to_mm: float


@dataclass(frozen=True, slots=True)
class FilmLength:
    """One roll of an order: its file, the film's width, what is printed of its length, in mm, and the pieces on it."""

    file: str
    film_mm: float
    length_mm: float
    pieces: int


def runs(numbers: Iterable[int]) -> str:
    """Write numbers with runs joined: 1–3, 7, 9–10."""
    out: list[list[int]] = []
    for number in sorted(numbers):
        if out and number == out[-1][1] + 1:
            out[-1][1] = number
        else:
            out.append([number, number])
    return ", ".join(str(a) if a == b else f"{a}–{b}" for a, b in out)


def film_rows(sheet: Sheet, item: PrintFacts) -> None:
    """Write one row a size and roll; where the night gangs the film, that the roll's cut list says it."""
    if item.route != "transfer":
        return
    if not item.film:
        sheet.need(SMALL.height * 2)
        sheet.y += sheet.tell(sheet.left, sheet.y, words.FILM_NIGHT, SMALL, sheet.span) + 1
        return
    _heads(sheet)
    for row in item.film:
        numbers = f"no. {runs(row.numbers)}"
        wide = _COLUMNS[2][1] * sheet.span - 2
        height = max(LARGE.height, sheet.height_of(numbers, SMALL, wide)) + 0.8
        if sheet.need(height):
            _heads(sheet)
        sheet.rule(sheet.left, sheet.y, sheet.right, sheet.y, 0.15, HAIR)
        along = f"{words.number(row.from_mm / 1000, 2)} – {words.number(row.to_mm / 1000, 2)} m"
        cells = (row.size, str(len(row.numbers)), numbers, row.file, along)
        x = sheet.left
        for k, ((_, share), cell) in enumerate(zip(_COLUMNS, cells, strict=True)):
            inner = share * sheet.span - 2
            if k < 2:
                sheet.figure(x + 1, sheet.y + 0.4, cell, LARGE, inner)
            else:
                sheet.tell(x + 1, sheet.y + 0.6, cell, SMALL, inner)
            x += share * sheet.span
        sheet.y += height


def _heads(sheet: Sheet) -> None:
    sheet.need(LABEL.height + LARGE.height + 2)
    x = sheet.left
    for label, share in _COLUMNS:
        sheet.say(x + 1, sheet.y, label, LABEL, share * sheet.span - 2)
        x += share * sheet.span
    sheet.y += LABEL.height + 0.3


def peel_rows(sheet: Sheet, way: ColourwayFacts) -> None:
    """Write how the film is laid, peeled, and in which order the prints of a garment are pressed."""
    films = [item for item in way.prints if item.route == "transfer"]
    if not films:
        return
    rows = [("peel", item.peel or words.NOT_SET) for item in films]
    rows.append(("ink side", words.FILM_DOWN))
    if len(films) > 1:
        rows.append(("in this order", " → ".join(item.name for item in films)))
    for label, text in dict.fromkeys(rows):
        height = max(STRONG.height, sheet.height_of(text, STRONG, sheet.span - 66)) + 0.8
        sheet.need(height)
        sheet.say(sheet.left, sheet.y, label, STRONG, 58)
        sheet.tell(sheet.left + 63, sheet.y, text, STRONG, sheet.span - 66)
        sheet.y += height
