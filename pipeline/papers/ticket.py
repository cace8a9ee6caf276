"""The job ticket: one colourway of one order, in the order in which the operator works."""

from __future__ import annotations

from pipeline.art.paint import hex_of
from pipeline.papers import words
from pipeline.papers.codes import line_code, square_code
from pipeline.papers.facts import BandFacts, ColourwayFacts, PrintFacts, SizeFacts, TicketFacts
from pipeline.papers.kit import (
    BIG,
    BODY,
    GIANT,
    HUGE,
    INK,
    LARGE,
    MARGIN,
    PALE,
    PAPERS,
    QUIET,
    SMALL,
    STRONG,
    TINY,
    Sheet,
    Style,
    in_two_runs,
)
from pipeline.papers.parts import banner, bullets, findings_list, foot, heading, order_title, pair, tick
from pipeline.papers.ticket_press import print_step, set_up

_TEXT = Style("plain", 9.0)


def ticket_pdf(facts: TicketFacts) -> bytes:
    """Return the job ticket as PDF; the same facts give the same bytes."""
    return ticket_sheet(facts).finish()


def ticket_sheet(facts: TicketFacts) -> Sheet:
    """Return the ticket as drawn, with its boxes, before it is written out."""
    return in_two_runs(lambda pages: _draw(facts, pages))


def _draw(facts: TicketFacts, pages: int) -> Sheet:
    job, way = facts.job, facts.colourway
    sheet = Sheet(
        PAPERS[job.paper],
        title=f"Job ticket {job.order} revision {job.revision}, {way.name}",
        subject=job.title,
        author=job.shop,
        furniture=lambda s: _furniture(s, facts),
        pages=pages,
    )
    _pretreat(sheet, way)
    _load(sheet, way)
    set_up(sheet, way)
    print_step(sheet, way)
    _cure(sheet, way)
    _check(sheet, way)
    if way.findings or way.decisions:
        heading(sheet, "!", words.FINDINGS, 14)
        findings_list(sheet, way.findings, way.decisions)
    heading(sheet, "Δ", words.CHANGES, 8)
    bullets(sheet, way.changes or (_unchanged(job.revision),))
    _sign(sheet)
    return sheet


def _unchanged(revision: int) -> str:
    return "First revision." if revision == 1 else "Nothing on this colourway since the last revision."


# -- furniture ---------------------------------------------------------------------------------------------


def _furniture(sheet: Sheet, facts: TicketFacts) -> None:
    job, way = facts.job, facts.colourway
    foot(sheet, f"{job.order} · revision {job.revision} · {way.name} · job ticket · {job.shop}".rstrip(" ·"))
    if sheet.page == 1:
        _head(sheet, facts)
        return
    width = sheet.right - MARGIN
    sheet.figure(MARGIN, sheet.y, f"{job.order} r{job.revision}", BIG, width * 0.3)
    sheet.say(MARGIN + width * 0.31, sheet.y, way.name, BIG, width * 0.34)
    more = f"{sheet.running}, continued" if sheet.running else ""
    sheet.say(MARGIN + width * 0.66, sheet.y + 1, more, STRONG, width * 0.34, "right")
    sheet.y += BIG.height + 1


def _head(sheet: Sheet, facts: TicketFacts) -> None:
    job, way = facts.job, facts.colourway
    top, width = sheet.y, sheet.right - MARGIN
    left = width - 62
    square_code(sheet, sheet.right - 22, top - 2, 22, job.order)
    order_title(sheet, MARGIN, job.order, GIANT, left)
    y = sheet.y - 0.5
    sheet.say(MARGIN, y, way.name, HUGE, left)
    y += HUGE.height
    about = " · ".join(part for part in (job.customer, job.title) if part)
    y += sheet.tell(MARGIN, y, about, BODY, left, most=2)
    if job.notes:
        y += sheet.tell(MARGIN, y, f"Note: {job.notes}", STRONG, left, most=4)
    x = sheet.right - 58
    sheet.say(x, top, f"revision {job.revision}", LARGE, 35)
    sheet.say(x, top + LARGE.height, "job ticket", SMALL, 35)
    right = top + LARGE.height + SMALL.height + 0.8
    if job.priority == "rush":
        sheet.fill(x, right, 26, 7.6, INK)
        sheet.say(x, right + 0.4, "RUSH", BIG, 26, "centre")
    right = top + 22
    if job.due:
        sheet.say(x, right, f"due {job.due}", STRONG, 58)
    right += STRONG.height + 0.5
    line_code(sheet, x - 3.4, right, 62, 7, job.order)
    sheet.y = max(y, right + 7) + 1
    _totals(sheet, way)


def _totals(sheet: Sheet, way: ColourwayFacts) -> None:
    parts = [words.count(way.garments, "garment"), words.count(way.impressions, "impression")]
    if way.overs:
        parts.append(f"{words.count(way.overs, 'over')} on top")
    sheet.fill(MARGIN, sheet.y, sheet.right - MARGIN, 8.4, PALE)
    sheet.say(MARGIN + 2, sheet.y + 0.8, "   ·   ".join(parts), BIG, sheet.right - MARGIN - 4)
    sheet.y += 8.4


# -- the six steps -----------------------------------------------------------------------------------------


def _pretreat(sheet: Sheet, way: ColourwayFacts) -> None:
    heading(sheet, "1", words.STEPS[1], 14)
    for item in way.prints:
        margin = item.pretreat_margin_mm
        body, recipe = words.PRETREAT_NO, ""
        if item.pretreat:
            sizes = [words.area(b.width_mm + 2 * margin, b.height_mm + 2 * margin) for b in _ends(item)]
            body = words.PRETREAT_YES.format(margin=words.number(margin), areas=" up to ".join(sizes))
            recipe = f"Recipe: {item.pretreat_recipe or words.NOT_SET}"
        x, wide = sheet.left + 55, sheet.span - 55
        height = sheet.height_of(body, _TEXT, wide) + 0.5
        height = max(9.0, height + (sheet.height_of(recipe, STRONG, wide) if recipe else 0))
        sheet.need(height)
        if item.pretreat:
            sheet.fill(sheet.left, sheet.y, 17, 8, INK)
        else:
            sheet.frame(sheet.left, sheet.y, 17, 8, 0.5)
        sheet.say(sheet.left, sheet.y + 0.7, words.YES if item.pretreat else words.NO, BIG, 17, "centre")
        sheet.say(sheet.left + 20, sheet.y, item.name, STRONG, 33)
        sheet.say(sheet.left + 20, sheet.y + STRONG.height, item.position, SMALL, 33)
        used = sheet.tell(x, sheet.y, body, _TEXT, wide)
        if recipe:
            sheet.tell(x, sheet.y + used, recipe, STRONG, wide)
        sheet.y += height + 1


def _ends(item: PrintFacts) -> tuple[BandFacts, ...]:
    """Return the smallest and the largest band, or the only one."""
    bands = sorted(item.bands, key=lambda b: (b.width_mm, b.height_mm))
    return (
        (bands[0],) if len(bands) == 1 or bands[0].width_mm == bands[-1].width_mm else (bands[0], bands[-1])
    )


def _load(sheet: Sheet, way: ColourwayFacts) -> None:
    heading(sheet, "2", words.STEPS[2], 58)
    cloth, top, wide = way.cloth, sheet.y, 78.0
    sheet.fill(sheet.left, top, wide, 23, cloth.srgb)
    sheet.frame(sheet.left, top, wide, 23, 0.3)
    one_line = sheet.height_of(cloth.name, HUGE, wide - 6) == HUGE.height
    sheet.tell(sheet.left + 3, top + 2, cloth.name, HUGE if one_line else BIG, wide - 6, most=2)
    about = [hex_of(cloth.srgb)]
    if cloth.lab:
        about.append("Lab " + " ".join(words.number(v) for v in cloth.lab))
    about += ["heather"] * cloth.heather
    sheet.say(sheet.left + 3, top + 18.5, " · ".join(about), SMALL, wide - 6)
    x, rest = sheet.left + wide + 5, sheet.span - wide - 5
    y = top + pair(sheet, x, top, rest, "garment", way.garment, LARGE)
    y += pair(sheet, x, y, rest, "wearer · fibres", " · ".join(p for p in (way.wearer, cloth.fibres) if p))
    sheet.y = max(top + 23, y) + 2
    _size_grid(sheet, way)
    if way.wearer == "child":
        banner(sheet, words.CHILD, sheet.left, sheet.span)


def _size_grid(sheet: Sheet, way: ColourwayFacts) -> None:
    """Write one cell a size: size, pieces, a box to tick; the total last."""
    columns = max(1, int(sheet.span // 25))
    wide, high = sheet.span / columns, 21.0
    cells: list[SizeFacts | None] = [*way.sizes, None]
    for i, cell in enumerate(cells):
        column = i % columns
        if column == 0:
            sheet.need(high)
        x, y = sheet.left + column * wide, sheet.y
        inner = wide - 1.5
        if cell is None:
            sheet.fill(x, y, inner, high - 1.5, INK)
            sheet.say(x + 2, y + 1, "TOTAL", LARGE, inner - 4)
            sheet.figure(x + 2, y + 8.5, str(way.garments), HUGE, inner - 4)
        else:
            sheet.frame(x, y, inner, high - 1.5, 0.3)
            sheet.figure(x + 2, y + 1, cell.size, LARGE, inner - 9)
            sheet.figure(x + 2, y + 8.5, str(cell.pieces), HUGE, inner - (12 if cell.overs else 4))
            tick(sheet, x + inner - 6, y + 1.5)
            if cell.overs:
                sheet.say(x + inner - 12, y + 13, f"+{cell.overs}", SMALL, 10.5, "right")
        if column == columns - 1 or cell is None:
            sheet.y += high
    if way.overs:
        sheet.say(
            sheet.left, sheet.y - 0.5, f"+n: overs, {way.overs} in all, not in the total.", SMALL, sheet.span
        )
        sheet.y += SMALL.height


def _cure(sheet: Sheet, way: ColourwayFacts) -> None:
    heading(sheet, "5", words.STEPS[5], 30)
    for item in way.prints:
        setting = item.cure or words.NOT_SET
        height = max(8.0, sheet.height_of(setting, LARGE, sheet.span - 66) + 2)
        sheet.need(height)
        sheet.say(sheet.left, sheet.y, item.name, STRONG, 58)
        sheet.say(sheet.left, sheet.y + STRONG.height, words.ROUTES[item.route], SMALL, 58)
        if not item.cure:
            sheet.frame(sheet.left + 60, sheet.y, sheet.span - 60, height - 1, 0.6)
        sheet.tell(sheet.left + 63, sheet.y + 0.7, setting, LARGE, sheet.span - 66)
        sheet.y += height + 1
    routes = dict.fromkeys(item.route for item in way.prints)
    lines = words.CAUTIONS["all"] + tuple(line for route in routes for line in words.CAUTIONS[route])
    if way.wearer == "child":
        lines += (words.CHILD,)
    bullets(sheet, lines, _TEXT)


def _check(sheet: Sheet, way: ColourwayFacts) -> None:
    heading(sheet, "6", words.STEPS[6], 40)
    lines = [line.format(garments=way.garments, impressions=way.impressions) for line in words.CHECKS]
    if way.wash_label:
        lines.append(f"{words.WASH_LABEL}: {way.wash_label}")
    half = sheet.span / 2
    for i in range(0, len(lines), 2):
        row = lines[i : i + 2]
        height = max(sheet.height_of(line, BODY, half - 9) for line in row) + 1.8
        sheet.need(height)
        for k, line in enumerate(row):
            tick(sheet, sheet.left + k * half, sheet.y)
            sheet.tell(sheet.left + k * half + 6.5, sheet.y + 0.2, line, BODY, half - 9)
        sheet.y += height


def _sign(sheet: Sheet) -> None:
    heading(sheet, "✓", words.SIGN_OFF, 20)
    wide = sheet.span / len(words.SIGNED)
    for i, label in enumerate(words.SIGNED):
        x = sheet.left + i * wide
        sheet.frame(x, sheet.y, wide - 1.5, 17, 0.25)
        sheet.say(x + 1.5, sheet.y + 0.8, label, STRONG, wide - 4)
        sheet.say(x + 1.5, sheet.y + 13, "name · time", Style("plain", TINY.size, QUIET), wide - 4)
    sheet.y += 18
