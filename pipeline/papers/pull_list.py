"""The pull list: which blanks a night needs, by garment, colour and size, with room to note what came."""

from __future__ import annotations

from itertools import groupby

from pipeline.papers import words
from pipeline.papers.kit import (
    BIG,
    BODY,
    GIANT,
    LARGE,
    MARGIN,
    PALE,
    PAPERS,
    STRONG,
    Sheet,
    Style,
    in_two_runs,
)
from pipeline.papers.night_facts import PullFacts, PullLine
from pipeline.papers.parts import chip, foot, heading
from pipeline.papers.table import GAP, Column, Table

_ROW_MM = 8.6
_COLUMNS = (
    Column("size", 22, style=LARGE),
    Column("ordered", 20, "right"),
    Column("overs", 16, "right"),
    Column("PULL", 20, "right", Style("bold", 15)),
    Column("", 4),
    Column("received", 26),
    Column("short", 26),
    Column("orders", 56, style=Style("plain", 9)),
)


def pull_list_pdf(facts: PullFacts) -> bytes:
    """Return the pull list as PDF; the same facts give the same bytes."""
    return pull_list(facts).finish()


def pull_list(facts: PullFacts) -> Sheet:
    """Return the pull list as drawn, with its boxes, before it is written out."""
    return in_two_runs(lambda pages: _draw(facts, pages))


def _draw(facts: PullFacts, pages: int) -> Sheet:
    sheet = Sheet(
        PAPERS[facts.paper],
        title=f"Pull list {facts.night}",
        author=facts.shop,
        furniture=lambda s: _furniture(s, facts),
        pages=pages,
    )
    pieces, overs = sum(x.pieces for x in facts.lines), sum(x.overs for x in facts.lines)
    total = f"{words.count(pieces + overs, 'blank')}: {pieces} ordered + {words.count(overs, 'over')}"
    sheet.fill(MARGIN, sheet.y, sheet.right - MARGIN, 8.4, PALE)
    sheet.say(MARGIN + 2, sheet.y + 0.8, total, BIG, sheet.right - MARGIN - 4)
    sheet.y += 9
    for (garment, fabric, _), group in groupby(
        facts.lines, key=lambda x: (x.garment, x.fabric, x.fabric_rgb)
    ):
        _blank(sheet, garment, fabric, tuple(group))
    return sheet


def _furniture(sheet: Sheet, facts: PullFacts) -> None:
    foot(sheet, f"pull list · {facts.night} · {facts.shop}".rstrip(" ·"))
    width = sheet.right - MARGIN
    style = GIANT if sheet.page == 1 else BIG
    sheet.say(MARGIN, sheet.y, f"Pull list · {facts.night}", style, width)
    sheet.y += style.height
    if sheet.page == 1:
        sheet.y += sheet.tell(MARGIN, sheet.y, words.PULL_HOW, BODY, width) + 1


def _blank(sheet: Sheet, garment: str, fabric: str, lines: tuple[PullLine, ...]) -> None:
    heading(sheet, "", f"{fabric} · {garment}", _ROW_MM * 2 + 6)
    chip(sheet, MARGIN, sheet.y - 7, 12, 6, lines[0].fabric_rgb, "")
    table = Table(_COLUMNS, sheet.left, sheet.span)
    table.heads(sheet)
    for line in lines:
        cells = (
            (line.size, ""),
            (str(line.pieces), ""),
            (str(line.overs), ""),
            (str(line.pieces + line.overs), ""),
            ("", ""),
            ("", ""),
            ("", ""),
            (", ".join(line.orders), ""),
        )
        table.row(sheet, cells, _ROW_MM)
        for _, x, width in table.places()[5:7]:
            sheet.frame(x + GAP / 2, sheet.y - _ROW_MM + 1.2, width - 5, _ROW_MM - 2.4, 0.25)
    table.close(sheet)
    pieces, overs = sum(x.pieces for x in lines), sum(x.overs for x in lines)
    sheet.need(STRONG.height + 1.5)
    sheet.say(
        sheet.left + 0.8,
        sheet.y + 0.8,
        f"{words.count(pieces + overs, 'blank')} in all: {pieces} + {words.count(overs, 'over')}",
        STRONG,
        sheet.span,
    )
    sheet.y += STRONG.height + 1.5
