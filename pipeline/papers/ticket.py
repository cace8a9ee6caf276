"""The job ticket: one colourway of one order, in the order in which the operator works."""

from __future__ import annotations

from pipeline.art.paint import hex_of
from pipeline.papers import words
from pipeline.papers.codes import line_code, square_code
from pipeline.papers.facts import BandFacts, ColourwayFacts, PrintFacts, SizeFacts, TicketFacts
from pipeline.papers.film import peel_rows
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
from pipeline.papers.parts import banner, bullets, findings_list, foot, heading, mark, order_title, pair, tick
from pipeline.papers.ticket_print import print_step
from pipeline.papers.ticket_setup import set_up

PAGES = 3
"""Pages that a ticket should not exceed; one of many prints and sizes does."""

_TEXT = Style("plain", 9.0)


def ticket_pdf(facts: TicketFacts) -> bytes:
    """Return the job ticket as PDF; the same facts give the same bytes."""
    return ticket_sheet(facts).finish()


def ticket_sheet(facts: TicketFacts) -> Sheet:
    """Return the ticket as drawn, with its boxes, before it is written out; set closer if it took more pages."""
    sheet = in_two_runs(lambda pages: _draw(facts, pages))
    if sheet.page <= PAGES:
        return sheet
    closer = in_two_runs(lambda pages: _draw(facts, pages, compact=True))
    return closer if closer.page < sheet.page else sheet


def _draw(facts: TicketFacts, pages: int, *, compact: bool = False) -> Sheet:
    job, way = facts.job, facts.colourway
    sheet = Sheet(
        PAPERS[job.paper],
        title=f"Job ticket {job.order} revision {job.revision}, {way.name}",
        subject=job.title,
        author=job.shop,
        furniture=lambda s: _furniture(s, facts),
        pages=pages,
        compact=compact,
    )
    _pretreat(sheet, way)
    _load(sheet, way)
    set_up(sheet, way)
    print_step(sheet, way)
    _cure(sheet, way)
    _check(sheet, way)
    if way.findings or way.decisions:
        heading(sheet, "!", words.FINDINGS, 24)
        findings_list(sheet, way.findings, way.decisions, facts.pictures)
    if job.revision > 1:
        heading(sheet, "Δ", words.CHANGES, 8)
        bullets(sheet, _changes(facts) or (words.UNCHANGED,))
    _sign(sheet, way)
    return sheet


def _changes(facts: TicketFacts) -> tuple[str, ...]:
    return facts.job.changes + facts.colourway.changes


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
    if job.approved_by:
        y += sheet.tell(MARGIN, y, words.APPROVED.format(name=job.approved_by), BODY, left, most=2)
    if job.notes:
        y += sheet.tell(MARGIN, y, f"Note: {job.notes}", STRONG, left, most=4)
    x = sheet.right - 58
    sheet.say(x, top, f"revision {job.revision}", LARGE, 35)
    sheet.say(x, top + LARGE.height, "job ticket", SMALL, 35)
    right = top + LARGE.height + SMALL.height + 0.8
    if job.priority == "rush":
        sheet.fill(x, right, 26, 7.6, INK)
        sheet.say(x, right + 0.4, "RUSH", BIG, 26, "centre")
    right = top + 20
    if job.due:
        sheet.say(x, right, f"due {job.due}", STRONG, 58)
    right += STRONG.height + 0.5
    line_code(sheet, x - 3.4, right, 62, 7, job.order)
    sheet.y = max(y, right + 7) + 1
    _totals(sheet, facts)


def _totals(sheet: Sheet, facts: TicketFacts) -> None:
    way = facts.colourway
    parts = [words.count(way.garments, "garment"), words.count(way.impressions, "impression")]
    if way.overs:
        parts.append(f"{words.count(way.overs, 'over')} on top")
    sheet.fill(MARGIN, sheet.y, sheet.right - MARGIN, 8.4, PALE)
    changed = facts.job.revision > 1 and bool(_changes(facts))
    rest = sheet.right - MARGIN - 4 - (58 if changed else 0)
    sheet.say(MARGIN + 2, sheet.y + 0.8, "   ·   ".join(parts), BIG, rest)
    if changed:
        sheet.fill(sheet.right - 56, sheet.y, 56, 8.4, INK)
        sheet.say(sheet.right - 56, sheet.y + 2, words.CHANGED, STRONG, 56, "centre")
    sheet.y += 8.4


# -- the six steps -----------------------------------------------------------------------------------------


def _pretreat(sheet: Sheet, way: ColourwayFacts) -> None:
    heading(sheet, "1", words.STEPS[1], 14)
    recipes: dict[str, list[str]] = {}
    for item in way.prints:
        body = _spray(item) if item.pretreat else words.PRETREAT_NO
        if item.pretreat:
            recipes.setdefault(item.pretreat_recipe or words.NOT_SET, []).append(item.name)
        x, wide = sheet.left + 55, sheet.span - 55
        height = max(8.4, sheet.height_of(body, _TEXT, wide) + 0.5)
        sheet.need(height)
        if item.pretreat:
            sheet.fill(sheet.left, sheet.y, 17, 7.6, INK)
        else:
            sheet.frame(sheet.left, sheet.y, 17, 7.6, 0.5)
        sheet.say(sheet.left, sheet.y + 0.5, words.YES if item.pretreat else words.NO, BIG, 17, "centre")
        sheet.say(sheet.left + 20, sheet.y - 0.2, item.name, STRONG, 33)
        sheet.say(sheet.left + 20, sheet.y + STRONG.height - 0.2, item.position, SMALL, 33)
        sheet.tell(x, sheet.y, body, _TEXT, wide)
        sheet.y += height + 0.6
    for recipe, names in recipes.items():
        whose = "" if len(recipes) == 1 else f"{', '.join(names)} · "
        text = whose + words.PRETREAT_RECIPE.format(recipe=recipe)
        sheet.need(sheet.height_of(text, STRONG, sheet.span))
        sheet.y += sheet.tell(sheet.left, sheet.y, text, STRONG, sheet.span)


def _spray(item: PrintFacts) -> str:
    """Say which area to spray, in whole mm, from the smallest to the largest band."""
    margin = item.pretreat_margin_mm
    sizes = [words.area(b.width_mm + 2 * margin, b.height_mm + 2 * margin, 0) for b in _ends(item)]
    return words.PRETREAT_YES.format(margin=words.number(margin), areas=" up to ".join(sizes))


def _ends(item: PrintFacts) -> tuple[BandFacts, ...]:
    """Return the smallest and the largest band, or the only one."""
    bands = sorted(item.bands, key=lambda b: (b.width_mm, b.height_mm))
    return (
        (bands[0],) if len(bands) == 1 or bands[0].width_mm == bands[-1].width_mm else (bands[0], bands[-1])
    )


def _load(sheet: Sheet, way: ColourwayFacts) -> None:
    heading(sheet, "2", words.STEPS[2], 46)
    cloth, top, wide = way.cloth, sheet.y, 84.0
    sheet.fill(sheet.left, top, wide, 18, cloth.srgb)
    sheet.frame(sheet.left, top, wide, 18, 0.3)
    one_line = sheet.height_of(cloth.name, HUGE, wide - 6) == HUGE.height
    sheet.tell(sheet.left + 3, top + 0.6, cloth.name, HUGE if one_line else LARGE, wide - 6, most=2)
    about = [hex_of(cloth.srgb)]
    if cloth.lab:
        about.append("Lab " + " ".join(words.number(v) for v in cloth.lab))
    about += ["heather"] * cloth.heather
    sheet.say(sheet.left + 3, top + 13.2, " · ".join(about), SMALL, wide - 6)
    x, rest = sheet.left + wide + 5, sheet.span - wide - 5
    y = top + pair(sheet, x, top, rest, "garment", way.garment, LARGE)
    y += pair(sheet, x, y, rest, "wearer · fibres", " · ".join(p for p in (way.wearer, cloth.fibres) if p))
    sheet.y = max(top + 18, y) + 1.6
    _size_grid(sheet, way)
    if way.wearer == "child":
        banner(sheet, words.CHILD, sheet.left, sheet.span)


def _size_grid(sheet: Sheet, way: ColourwayFacts) -> None:
    """Write one cell a size: size, pieces, a box to tick; the total last."""
    columns = max(1, int(sheet.span // 19))
    wide, high = sheet.span / columns, 17.6
    cells: list[SizeFacts | None] = [*way.sizes, None]
    for i, cell in enumerate(cells):
        column = i % columns
        if column == 0:
            sheet.need(high)
        x, y = sheet.left + column * wide, sheet.y
        inner = wide - 1.5
        if cell is None:
            sheet.fill(x, y, inner, high - 1.2, INK)
            sheet.figure(x + 1.6, y + 0.8, "TOTAL", LARGE, inner - 3)
            sheet.figure(x + 1.6, y + 6.6, str(way.garments), HUGE, inner - 3)
        else:
            sheet.frame(x, y, inner, high - 1.2, 0.3)
            sheet.figure(x + 1.6, y + 0.8, cell.size, LARGE, inner - 8.2)
            sheet.figure(x + 1.6, y + 6.6, str(cell.pieces), HUGE, inner - (9 if cell.overs else 3))
            tick(sheet, x + inner - 5.6, y + 1.2, 4.4)
            if cell.overs:
                sheet.say(x + inner - 7.6, y + 11, f"+{cell.overs}", SMALL, 6.6, "right")
        if column == columns - 1 or cell is None:
            sheet.y += high
    if way.overs:
        sheet.say(
            sheet.left, sheet.y - 0.5, f"+n: overs, {way.overs} in all, not in the total.", SMALL, sheet.span
        )
        sheet.y += SMALL.height


def _cure(sheet: Sheet, way: ColourwayFacts) -> None:
    heading(sheet, "5", words.STEPS[5], 24)
    settings: dict[tuple[str, str], list[str]] = {}
    for item in way.prints:
        settings.setdefault((item.cure, words.ROUTES[item.route]), []).append(item.name)
    for (cure, route), names in settings.items():
        said = cure or words.NOT_SET
        height = max(8.4, sheet.height_of(said, LARGE, sheet.span - 66) + 1.4)
        sheet.need(height)
        sheet.say(sheet.left, sheet.y - 0.2, ", ".join(names), STRONG, 58)
        sheet.say(sheet.left, sheet.y + STRONG.height - 0.2, route, SMALL, 58)
        if not cure:
            sheet.frame(sheet.left + 60, sheet.y, sheet.span - 60, height - 0.8, 0.6)
        sheet.tell(sheet.left + 63, sheet.y + 0.5, said, LARGE, sheet.span - 66)
        sheet.y += height + 0.6
    peel_rows(sheet, way)
    routes = dict.fromkeys(item.route for item in way.prints)
    lines = words.CAUTIONS["all"] + tuple(line for route in routes for line in words.CAUTIONS[route])
    lines += tuple(dict.fromkeys(line for item in way.prints for line in item.hazards))
    if way.wearer == "child":
        lines += (words.CHILD,)
    text = "  •  ".join(lines)
    sheet.need(sheet.height_of(text, SMALL, sheet.span))
    sheet.y += sheet.tell(sheet.left, sheet.y, text, SMALL, sheet.span)


def _check(sheet: Sheet, way: ColourwayFacts) -> None:
    heading(sheet, "6", words.STEPS[6], 30)
    lines = [line.format(garments=way.garments, impressions=way.impressions) for line in words.CHECKS]
    lines.append(f"{words.WASH_LABEL}: {way.wash_label or words.NOT_SET}")
    half = sheet.span / 2
    for i in range(0, len(lines), 2):
        row = lines[i : i + 2]
        height = max(sheet.height_of(line, BODY, half - 9) for line in row) + 1.2
        sheet.need(height)
        for k, line in enumerate(row):
            tick(sheet, sheet.left + k * half, sheet.y)
            sheet.tell(sheet.left + k * half + 6.5, sheet.y + 0.2, line, BODY, half - 9)
        sheet.y += height


def _sign(sheet: Sheet, way: ColourwayFacts) -> None:
    high = 11.0
    labels = words.SIGNED if any(item.pretreat for item in way.prints) else words.SIGNED[1:]
    sheet.running = ""
    sheet.y += 1.8
    sheet.need(high + 1.4)
    sheet.bookmark(f"✓ {words.SIGN_OFF}")
    sheet.rule(MARGIN, sheet.y, sheet.right, sheet.y, 0.5)
    sheet.y += 1.4
    mark(sheet, "✓")
    wide = sheet.span / len(labels)
    for i, label in enumerate(labels):
        x = sheet.left + i * wide
        sheet.frame(x, sheet.y, wide - 1.5, high, 0.25)
        sheet.say(x + 1.5, sheet.y + 0.4, label, STRONG, wide - 4)
        sheet.say(x + 1.5, sheet.y + 7.9, "name · time", Style("plain", TINY.size, QUIET), wide - 4)
    sheet.y += high
