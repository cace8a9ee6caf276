"""The cut list: where every piece lies on the film, as a picture with numbers and as a table, and how film is handled.

Everything is told as the film lies ink side up, from the upper left corner of what is printed. A piece is where its
number stands on the picture, deep in its ink: the corner of its box may be bare and lie beyond the film's edge.
"""

from __future__ import annotations

from dataclasses import dataclass

from pipeline.papers import words
from pipeline.papers.facts import Paper, Picture
from pipeline.papers.film import runs
from pipeline.papers.kit import (
    BIG,
    BODY,
    GIANT,
    LABEL,
    MARGIN,
    PAPERS,
    SMALL,
    STRONG,
    TINY,
    WHITE,
    Sheet,
    Style,
    in_two_runs,
)
from pipeline.papers.parts import banner, foot, heading, pair

_NUMBER = Style("bold", 6.5)
_COLUMN_MM = 54.0
_ROW = 4.1
_WIDTHS = (
    ("no.", 0.1),
    ("size", 0.12),
    ("colourway · print", 0.4),
    ("x mm", 0.13),
    ("y mm", 0.15),
    ("turn", 0.1),
)


@dataclass(frozen=True, slots=True)
class PieceFacts:
    """One piece on a roll: `middle_mm` (x, y) is where on the film its number stands; `turn` clockwise in degrees."""

    number: int
    order: str
    revision: int
    colourway: str
    print: str
    size: str
    turn: int
    middle_mm: tuple[float, float]


@dataclass(frozen=True, slots=True, eq=False)
class RollFacts:
    """One roll. `picture` is the printed width and length at any scale; `row_layout_mm` what plain rows would take.

    `press_text` and `peel_text` are the shop's own words, empty where they are not set.
    """

    file: str
    press: str
    film_mm: float
    width_mm: float
    length_mm: float
    utilisation: float
    row_layout_mm: float
    all_mm: float
    mirrored: bool
    picture: Picture
    pieces: tuple[PieceFacts, ...]
    press_text: str = ""
    peel_text: str = ""


@dataclass(frozen=True, slots=True)
class CutListFacts:
    """The cut list of an order or of a night."""

    title: str
    rolls: tuple[RollFacts, ...]
    shop: str = ""
    paper: Paper = "A4"


def cut_list_pdf(facts: CutListFacts) -> bytes:
    """Return the cut list as PDF; the same facts give the same bytes."""
    return cut_list_sheet(facts).finish()


def cut_list_sheet(facts: CutListFacts) -> Sheet:
    """Return the cut list as drawn, with its boxes, before it is written out."""
    return in_two_runs(lambda pages: _draw(facts, pages))


def _draw(facts: CutListFacts, pages: int) -> Sheet:
    sheet = Sheet(
        PAPERS[facts.paper],
        title=f"Cut list {facts.title}",
        author=facts.shop,
        furniture=lambda s: _furniture(s, facts),
        pages=pages,
    )
    sheet.y += sheet.tell(sheet.left, sheet.y, words.FILM_SIDE, BODY, sheet.span) + 1
    for roll in facts.rolls:
        _roll(sheet, roll)
    return sheet


def _furniture(sheet: Sheet, facts: CutListFacts) -> None:
    foot(sheet, f"{facts.title} · cut list · {facts.shop}".rstrip(" ·"))
    style = GIANT if sheet.page == 1 else BIG
    width = sheet.right - MARGIN
    more = sheet.running if sheet.page > 1 else ""
    sheet.figure(MARGIN, sheet.y, f"Cut list · {facts.title}", style, width * (0.62 if more else 1))
    sheet.say(MARGIN + width * 0.64, sheet.y + 1, more, STRONG, width * 0.36, "right")
    sheet.y += style.height + 1


def _roll(sheet: Sheet, roll: RollFacts) -> None:
    heading(sheet, "", roll.file, 60)
    figures = (
        ("film", f"{words.number(roll.film_mm)} mm wide, printed {words.number(roll.width_mm)} mm"),
        ("length", words.length(roll.length_mm)),
        ("pieces", str(len(roll.pieces))),
        ("used by prints", words.percent(roll.utilisation)),
    )
    wide, high = sheet.span / len(figures), 0.0
    for i, (label, value) in enumerate(figures):
        high = max(high, pair(sheet, sheet.left + i * wide, sheet.y, wide - 3, label, value, STRONG))
    sheet.y += high
    half = sheet.span / 2 - 3
    texts = (("press", roll.press_text), ("peel", roll.peel_text))
    sheet.y += max(
        pair(sheet, sheet.left + i * (half + 6), sheet.y, half, label, text or words.NOT_SET, STRONG, most=6)
        for i, (label, text) in enumerate(texts)
    )
    rows, whole = (words.number(mm / 1000, 2) for mm in (roll.row_layout_mm, roll.all_mm))
    saved = words.FILM_ROWS.format(rows=rows, all=whole)
    sheet.y += sheet.tell(sheet.left, sheet.y, saved, SMALL, sheet.span) + 1
    banner(sheet, words.MIRRORED if roll.mirrored else words.MIRROR_AT_PRESS, sheet.left, sheet.span)
    cautions = "  •  ".join(words.CAUTIONS["all"] + words.CAUTIONS["transfer"])
    sheet.need(sheet.height_of(cautions, SMALL, sheet.span))
    sheet.y += sheet.tell(sheet.left, sheet.y, cautions, SMALL, sheet.span) + 1
    _by_size(sheet, roll)
    _map(sheet, roll)
    _table(sheet, roll)


def _by_size(sheet: Sheet, roll: RollFacts) -> None:
    """Write for each order, colourway, print and size how many pieces there are and their numbers."""
    groups: dict[tuple[str, int, str, str, str], list[int]] = {}
    for piece in sorted(roll.pieces, key=lambda p: (p.order, p.number)):
        key = piece.order, piece.revision, piece.colourway, piece.print, piece.size
        groups.setdefault(key, []).append(piece.number)
    for (order, revision, way, print_, size), numbers in groups.items():
        listed = f"no. {runs(numbers)}"
        high = max(STRONG.height, sheet.height_of(listed, SMALL, sheet.span - 113)) + 0.5
        sheet.need(high)
        sheet.say(sheet.left, sheet.y, f"{size} × {len(numbers)}", STRONG, 32)
        sheet.say(sheet.left + 33, sheet.y + 0.3, f"{order} r{revision} · {way} · {print_}", SMALL, 78)
        sheet.tell(sheet.left + 113, sheet.y + 0.3, listed, SMALL, sheet.span - 113)
        sheet.y += high


def _map(sheet: Sheet, roll: RollFacts) -> None:
    """Draw the film in lengths side by side, each piece with its number."""
    scale = _COLUMN_MM / roll.width_mm
    px_per_mm = roll.picture.shape[1] / roll.width_mm
    columns = int((sheet.span + 4) // (_COLUMN_MM + 4))
    from_mm, column = 0.0, 0
    sheet.y += 2
    while from_mm < roll.length_mm:
        if column == 0:
            sheet.need(60)
            top = sheet.y
            room = sheet.bottom - top - 5
            high = min(room / scale, roll.length_mm)
        to = min(from_mm + high, roll.length_mm)
        x = sheet.left + column * (_COLUMN_MM + 4)
        rows = slice(round(from_mm * px_per_mm), max(round(to * px_per_mm), round(from_mm * px_per_mm) + 1))
        sheet.image(x, top + 4, _COLUMN_MM, (to - from_mm) * scale, roll.picture[rows])
        sheet.frame(x, top + 4, _COLUMN_MM, (to - from_mm) * scale, 0.2)
        sheet.say(x, top, f"from {words.number(from_mm / 1000, 2)} m", TINY, _COLUMN_MM)
        _numbers(sheet, roll, (x, top + 4), (from_mm, to), scale)
        from_mm, column = to, column + 1
        if column == columns or from_mm >= roll.length_mm:
            sheet.y = top + 5 + high * scale + 2
            column = 0


def _numbers(
    sheet: Sheet, roll: RollFacts, corner: tuple[float, float], span: tuple[float, float], scale: float
) -> None:
    for piece in roll.pieces:
        across, middle = piece.middle_mm
        if span[0] <= middle < span[1]:
            label = str(piece.number)
            wide = 1.2 + 1.35 * len(label)
            x = corner[0] + across * scale - wide / 2
            y = corner[1] + (middle - span[0]) * scale - 1.3
            sheet.fill(x, y, wide, 2.6, WHITE)
            sheet.say(x, y + 0.1, label, _NUMBER, wide, "centre")


def _table(sheet: Sheet, roll: RollFacts) -> None:
    """Write two columns of pieces in the order of the film."""
    sheet.running = roll.file
    wide = sheet.span / 2 - 3
    several = len({(p.order, p.revision) for p in roll.pieces}) > 1
    pieces = list(roll.pieces)
    sheet.need(30 + BODY.height)
    sheet.y += sheet.tell(sheet.left, sheet.y, words.FILM_PLACES, SMALL, sheet.span) + 1
    while pieces:
        sheet.need(30)
        fits = int((sheet.bottom - sheet.y - LABEL.height - 1) // _ROW)
        rows = min(fits, -(-len(pieces) // 2))
        top = sheet.y
        for side in range(2):
            part, pieces = pieces[:rows], pieces[rows:]
            if part:
                _rows(sheet, part, sheet.left + side * (wide + 6), top, wide, several=several)
        sheet.y = top + LABEL.height + rows * _ROW + 3
        if pieces:
            sheet.turn()


def _rows(
    sheet: Sheet, pieces: list[PieceFacts], x: float, top: float, width: float, *, several: bool
) -> None:
    at = x
    for label, share in _WIDTHS:
        sheet.say(at, top, label, LABEL, share * width - 1, "left" if share > 0.11 else "right")
        at += share * width
    for i, piece in enumerate(pieces):
        y = top + LABEL.height + i * _ROW
        what = f"{piece.colourway} · {piece.print}"
        cells = (
            str(piece.number),
            piece.size,
            f"{piece.order} · {what}" if several else what,
            *(str(int(mm + 0.5)) for mm in piece.middle_mm),
            f"{piece.turn}°",
        )
        at = x
        for (_, share), cell in zip(_WIDTHS, cells, strict=True):
            style = STRONG if share == 0.12 else SMALL
            sheet.say(at, y, cell, style, share * width - 1, "left" if share > 0.11 else "right")
            at += share * width
