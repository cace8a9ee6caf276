"""The night report: what the night made, held and refused, as one PDF and one static HTML page."""

from __future__ import annotations

from html import escape

from pipeline.papers import text, words
from pipeline.papers.facts import NightFacts, NightOrder
from pipeline.papers.kit import (
    BIG,
    BODY,
    GIANT,
    HAIR,
    HUGE,
    INK,
    LARGE,
    MARGIN,
    PALE,
    PAPERS,
    SMALL,
    STRONG,
    Sheet,
    Style,
    in_two_runs,
)
from pipeline.papers.parts import bullets, foot, heading

_ORDER = ("refused", "held", "waiting", "released")  # what needs somebody comes first
_LINK = Style("plain", SMALL.size, (20, 60, 130))


def night_pdf(facts: NightFacts) -> bytes:
    """Return the night report as PDF; the same facts give the same bytes."""
    return night_sheet(facts).finish()


def night_sheet(facts: NightFacts) -> Sheet:
    """Return the night report as drawn, with its boxes, before it is written out."""
    return in_two_runs(lambda pages: _draw(facts, pages))


def _ordered(facts: NightFacts, state: str) -> list[NightOrder]:
    mine = [order for order in facts.orders if order.state == state]
    return sorted(mine, key=lambda o: (o.priority != "rush", o.order, o.revision))


def _ink(orders: tuple[NightOrder, ...]) -> tuple[tuple[str, float], ...]:
    """Return the ink of all orders summed by name, in the order in which names first appear."""
    sums: dict[str, float] = {}
    for order in orders:
        for name, ml in order.ink_ml:
            sums[name] = sums.get(name, 0.0) + ml
    return tuple(sums.items())


def _numbers(order: NightOrder) -> list[str]:
    parts = [
        words.count(order.garments, "garment") if order.garments else "",
        words.count(order.impressions, "impression") if order.impressions else "",
        words.count(order.files, "file") if order.files else "",
        *(f"{name} about {words.number(ml)} ml" for name, ml in order.ink_ml),
    ]
    return [part for part in parts if part]


def _draw(facts: NightFacts, pages: int) -> Sheet:
    sheet = Sheet(
        PAPERS[facts.paper],
        title=f"Night report {facts.night}",
        author=facts.shop,
        furniture=lambda s: _furniture(s, facts),
        pages=pages,
    )
    _summary(sheet, facts)
    for state in _ORDER:
        orders = _ordered(facts, state)
        if orders:
            heading(sheet, words.STATE_MARKS[state], f"{words.STATES[state]} · {len(orders)}", 14)
            for order in orders:
                _entry(sheet, order)
    ink = _ink(facts.orders)
    lines = facts.notes + tuple(f"Ink, {name}: about {words.number(ml)} ml in all." for name, ml in ink)
    if lines:
        heading(sheet, "", words.NIGHT_NOTES, 8)
        bullets(sheet, lines)
    return sheet


def _furniture(sheet: Sheet, facts: NightFacts) -> None:
    foot(sheet, f"night report · {facts.night} · {facts.shop}".rstrip(" ·"))
    width = sheet.right - MARGIN
    if sheet.page == 1:
        sheet.say(MARGIN, sheet.y, f"Night of {facts.night}", GIANT, width)
        sheet.y += GIANT.height + 1
    else:
        sheet.say(MARGIN, sheet.y, f"Night of {facts.night}", BIG, width * 0.6)
        more = f"{sheet.running}, continued" if sheet.running else ""
        sheet.say(MARGIN + width * 0.62, sheet.y + 1, more, STRONG, width * 0.38, "right")
        sheet.y += BIG.height + 1


def _summary(sheet: Sheet, facts: NightFacts) -> None:
    wide = (sheet.right - MARGIN) / len(_ORDER)
    for k, state in enumerate(_ORDER):
        many, x = len(_ordered(facts, state)), MARGIN + k * wide
        sheet.fill(x, sheet.y, wide - 2, 17, INK if many and state in ("refused", "held") else PALE)
        sheet.say(x + 3, sheet.y + 1, str(many), HUGE, wide - 8)
        sheet.say(
            x + 3, sheet.y + 11, f"{words.STATE_MARKS[state]} {words.STATES[state].lower()}", STRONG, wide - 8
        )
    sheet.y += 19
    done = [order for order in facts.orders if order.state == "released"]
    parts = (
        words.count(sum(o.garments for o in done), "garment"),
        words.count(sum(o.impressions for o in done), "impression"),
        words.count(sum(o.files for o in done), "file"),
    )
    sheet.say(MARGIN, sheet.y, "Released: " + " · ".join(parts), LARGE, sheet.right - MARGIN)
    sheet.y += LARGE.height


def _entry(sheet: Sheet, order: NightOrder) -> None:
    about = " · ".join(part for part in (order.customer, order.title) if part)
    numbers = " · ".join(_numbers(order))
    width = sheet.span
    body = [(line, BODY) for line in order.reasons] + ([(numbers, SMALL)] if numbers else [])
    height = LARGE.height + sum(sheet.height_of(line, style, width) for line, style in body)
    height += sheet.height_of(about, BODY, width) if about else 0
    sheet.need(min(height + 8, 120))
    sheet.rule(sheet.left, sheet.y, sheet.right, sheet.y, 0.15, HAIR)
    sheet.y += 1
    sheet.figure(sheet.left, sheet.y, f"{order.order} r{order.revision}", LARGE, width * 0.5)
    right = " · ".join(
        part
        for part in ("RUSH" if order.priority == "rush" else "", f"due {order.due}" if order.due else "")
        if part
    )
    sheet.say(sheet.left + width * 0.52, sheet.y + 0.8, right, STRONG, width * 0.48, "right")
    sheet.y += LARGE.height
    if about:
        sheet.y += sheet.tell(sheet.left, sheet.y, about, BODY, width)
    for line, style in body:
        sheet.need(sheet.height_of(line, style, width))
        sheet.y += sheet.tell(sheet.left, sheet.y, line, style, width)
    for label, address in order.links:
        sheet.need(SMALL.height)
        sheet.say(sheet.left, sheet.y, f"→ {label}: {address}", _LINK, width)
        if _relative(address):
            sheet.link(sheet.left, sheet.y, width, SMALL.height, address)
        sheet.y += SMALL.height
    sheet.y += 1.5


# -- HTML --------------------------------------------------------------------------------------------------

_CSS = (
    "body{font:16px/1.45 sans-serif;color:#111;background:#fff;max-width:60em;margin:2em auto;padding:0 1em}"
    "h1{font-size:1.9em;margin:0 0 .4em}h2{font-size:1.2em;border-top:3px solid #111;padding-top:.4em;margin-top:1.6em}"
    "ul.sum{list-style:none;display:flex;gap:.5em;padding:0;flex-wrap:wrap}"
    "ul.sum li{background:#f0f0ee;padding:.5em 1em;min-width:7em}ul.sum b{font-size:1.8em;display:block}"
    "ul.sum li.loud{background:#111;color:#fff}article{border-top:1px solid #767676;padding:.6em 0}"
    "h3{margin:0;font-size:1.1em}p{margin:.2em 0}.rush{background:#111;color:#fff;padding:0 .4em}a{color:#143c82}"
)


def night_html(facts: NightFacts) -> str:
    """Return the night report as one HTML page: no scripts, nothing loaded, every text escaped."""
    title = f"Night of {_safe(facts.night)}"
    out = [
        "<!DOCTYPE html>",
        '<html lang="en-GB"><head><meta charset="utf-8">',
        '<meta name="viewport" content="width=device-width">',
        f"<title>{title}</title><style>{_CSS}</style></head><body>",
        f"<h1>{title}</h1>",
        f"<p>{_safe(facts.shop)}</p>" if facts.shop else "",
        '<ul class="sum">',
    ]
    for state in _ORDER:
        many = len(_ordered(facts, state))
        loud = ' class="loud"' if many and state in ("refused", "held") else ""
        out.append(f"<li{loud}><b>{many}</b>{words.STATE_MARKS[state]} {words.STATES[state].lower()}</li>")
    out.append("</ul>")
    for state in _ORDER:
        orders = _ordered(facts, state)
        if orders:
            out.append(f"<h2>{words.STATE_MARKS[state]} {words.STATES[state]} · {len(orders)}</h2>")
            out += [_article(order) for order in orders]
    lines = [
        *facts.notes,
        *(f"Ink, {n}: about {words.number(ml)} ml in all." for n, ml in _ink(facts.orders)),
    ]
    if lines:
        items = "".join(f"<li>{_safe(line)}</li>" for line in lines)
        out.append(f"<h2>{words.NIGHT_NOTES}</h2><ul>{items}</ul>")
    out.append("</body></html>")
    return "\n".join(line for line in out if line) + "\n"


def _safe(value: str) -> str:
    """Return a text for HTML: control and bidirectional marks stripped, lone surrogates spelled, escaped."""
    shown = "".join(f"<U+{ord(c):04X}>" if "\ud800" <= c <= "\udfff" else c for c in text.clean(value))
    return escape(shown, quote=True)


def _article(order: NightOrder) -> str:
    rush = ' <span class="rush">RUSH</span>' if order.priority == "rush" else ""
    due = f" · due {_safe(order.due)}" if order.due else ""
    lines = [f"<h3>{_safe(order.order)} r{order.revision}{rush}{due}</h3>"]
    about = " · ".join(_safe(part) for part in (order.customer, order.title) if part)
    lines += [f"<p>{about}</p>"] if about else []
    lines += [f"<p><strong>{_safe(line)}</strong></p>" for line in order.reasons]
    numbers = " · ".join(_numbers(order))
    lines += [f"<p>{_safe(numbers)}</p>"] if numbers else []
    for label, address in order.links:
        if _relative(address):
            lines.append(f'<p>→ <a href="{escape(address, quote=True)}">{_safe(label)}</a></p>')
    return f"<article>{''.join(lines)}</article>"


def _relative(address: str) -> bool:
    """Whether an address stays among the released files: no scheme, no host, no way up."""
    return not (":" in address or address.startswith(("/", "\\")) or ".." in address.split("/"))
