"""The night report as PDF: what the night made, held and refused, why, and what it takes."""

from __future__ import annotations

from collections.abc import Iterable

from pipeline.papers import words
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
from pipeline.papers.night_facts import NightFacts, NightOrder, Reason
from pipeline.papers.parts import bullets, fitted, foot, heading, print_picture

STATES = ("failed", "refused", "held", "waiting", "released")  # what needs somebody comes first
LOUD = ("failed", "refused", "held")
PICTURE_MM = (64.0, 34.0)
_PICTURE_BYTES = 90_000
_LINK = Style("plain", SMALL.size, (20, 60, 130))


def night_pdf(facts: NightFacts) -> bytes:
    """Return the night report as PDF; the same facts give the same bytes."""
    return night_sheet(facts).finish()


def night_sheet(facts: NightFacts) -> Sheet:
    """Return the night report as drawn, with its boxes, before it is written out."""
    return in_two_runs(lambda pages: _draw(facts, pages))


def ordered(facts: NightFacts, state: str) -> list[NightOrder]:
    """Return the orders of one state, rush first, then by number."""
    mine = [order for order in facts.orders if order.state == state]
    return sorted(mine, key=lambda o: (o.priority != "rush", o.order, o.revision))


def summed(parts: Iterable[tuple[tuple[str, float], ...]]) -> tuple[tuple[str, float], ...]:
    """Return named amounts summed by name, in the order in which names first appear."""
    sums: dict[str, float] = {}
    for amounts in parts:
        for name, amount in amounts:
            sums[name] = sums.get(name, 0.0) + amount
    return tuple(sums.items())


def told(order: NightOrder, currency: str) -> list[str]:
    """Return the numbers of one order in words: counts, film, ink, time, cost."""
    time = sum(minutes for _, minutes in order.minutes)
    parts = [
        words.count(order.garments, "garment") if order.garments else "",
        words.count(order.impressions, "impression") if order.impressions else "",
        words.count(order.files, "press file") if order.files else "",
        f"film {words.number(order.film_m, 2)} m" if order.film_m else "",
        *(f"{name} ink about {words.number(ml)} ml" for name, ml in order.ink_ml if ml),
        f"about {words.hours(time)} at the press" if time else "",
        f"about {words.money(sum(value for _, value in order.cost), currency)}" if order.cost else "",
    ]
    return [part for part in parts if part]


def takes(facts: NightFacts) -> tuple[str, ...]:
    """Return what the released orders take in all: press time by route, ink, film, cost by kind."""
    done = [order for order in facts.orders if order.state == "released"]
    if not done:
        return ()
    time = summed(order.minutes for order in done)
    cost = summed(order.cost for order in done)
    film = sum(order.film_m for order in done)
    lines = [
        f"Press time, {words.ROUTES.get(route, route)}: about {words.hours(value)}." for route, value in time
    ]
    lines += [
        f"Ink, {name}: about {words.number(ml)} ml." for name, ml in summed(o.ink_ml for o in done) if ml
    ]
    lines += [f"Film: {words.number(film, 2)} m."] if film else []
    if not cost:
        return (*lines, words.NIGHT_NO_PRICES)
    kinds = ", ".join(f"{kind} {words.money(value, facts.currency)}" for kind, value in cost)
    return (*lines, f"Cost: about {words.money(sum(value for _, value in cost), facts.currency)} ({kinds}).")


def _draw(facts: NightFacts, pages: int) -> Sheet:
    sheet = Sheet(
        PAPERS[facts.paper],
        title=f"Night report {facts.night}",
        author=facts.shop,
        furniture=lambda s: _furniture(s, facts),
        pages=pages,
    )
    _summary(sheet, facts)
    for state in STATES:
        orders = ordered(facts, state)
        if orders:
            heading(sheet, words.STATE_MARKS[state], f"{words.STATES[state]} · {len(orders)}", 14)
            for order in orders:
                _entry(sheet, order, facts.currency)
    for title, lines in ((words.NIGHT_TAKES, takes(facts)), (words.NIGHT_NOTES, facts.notes)):
        if lines:
            heading(sheet, "", title, 8)
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
    states = [state for state in STATES if state != "failed" or ordered(facts, state)]
    wide = (sheet.right - MARGIN) / len(states)
    for k, state in enumerate(states):
        many, x = len(ordered(facts, state)), MARGIN + k * wide
        sheet.fill(x, sheet.y, wide - 2, 17, INK if many and state in LOUD else PALE)
        sheet.say(x + 3, sheet.y + 1, str(many), HUGE, wide - 8)
        label = f"{words.STATE_MARKS[state]} {words.STATES[state].lower()}"
        sheet.say(x + 3, sheet.y + 11, label, STRONG, wide - 8)
    sheet.y += 19
    done = [order for order in facts.orders if order.state == "released"]
    film = sum(o.film_m for o in done)
    time = sum(minutes for o in done for _, minutes in o.minutes)
    parts = (
        words.count(sum(o.garments for o in done), "garment"),
        words.count(sum(o.impressions for o in done), "impression"),
        words.count(sum(o.files for o in done), "press file"),
        *([f"{words.number(film, 2)} m of film"] if film else []),
        *([f"about {words.hours(time)}"] if time else []),
    )
    sheet.y += sheet.tell(MARGIN, sheet.y, "Released: " + " · ".join(parts), LARGE, sheet.right - MARGIN)


def _entry(sheet: Sheet, order: NightOrder, currency: str) -> None:
    about = " · ".join(part for part in (order.customer, order.title) if part)
    numbers = " · ".join(told(order, currency))
    width = sheet.span
    height = LARGE.height + (sheet.height_of(about, BODY, width) if about else 0)
    height += _reason_height(sheet, order.reasons[0]) if order.reasons else SMALL.height
    sheet.need(min(height + 8, 120))
    sheet.rule(sheet.left, sheet.y, sheet.right, sheet.y, 0.15, HAIR)
    sheet.y += 1
    sheet.figure(sheet.left, sheet.y, f"{order.order} r{order.revision}", LARGE, width * 0.5)
    right = ["RUSH"] if order.priority == "rush" else []
    right += [f"due {order.due}"] if order.due else []
    sheet.say(sheet.left + width * 0.52, sheet.y + 0.8, " · ".join(right), STRONG, width * 0.48, "right")
    sheet.y += LARGE.height
    if about:
        sheet.y += sheet.tell(sheet.left, sheet.y, about, BODY, width)
    for reason in order.reasons:
        _reason(sheet, reason)
    if numbers:
        sheet.need(sheet.height_of(numbers, SMALL, width))
        sheet.y += sheet.tell(sheet.left, sheet.y, numbers, SMALL, width)
    _links(sheet, order.links)
    sheet.y += 1.5


def _links(sheet: Sheet, links: tuple[tuple[str, str], ...], columns: int = 3) -> None:
    wide = sheet.span / columns
    for i, (label, address) in enumerate(links):
        if i % columns == 0:
            sheet.need(SMALL.height)
        x = sheet.left + i % columns * wide
        sheet.say(x, sheet.y, f"→ {label}", _LINK, wide - 3)
        if is_relative(address):
            sheet.link(x, sheet.y, wide - 3, SMALL.height, address)
        if i % columns == columns - 1 or i == len(links) - 1:
            sheet.y += SMALL.height


def _picture_mm(reason: Reason) -> tuple[float, float]:
    """Return width and height of a reason's picture on paper, 0 without one."""
    return (0.0, 0.0) if reason.picture is None else fitted(reason.picture, *PICTURE_MM)


def _text_width(sheet: Sheet, reason: Reason) -> float:
    return sheet.span - (0 if reason.picture is None else _picture_mm(reason)[0] + 4)


def _reason_height(sheet: Sheet, reason: Reason) -> float:
    width = _text_width(sheet, reason)
    text = sheet.height_of(reason.text, STRONG, width)
    text += sheet.height_of(f"→ {reason.remedy}", SMALL, width) if reason.remedy else 0
    return max(text, _picture_mm(reason)[1]) + 1.2


def _reason(sheet: Sheet, reason: Reason) -> None:
    """Write why and what to do, with the picture beside it."""
    width, height = _text_width(sheet, reason), _reason_height(sheet, reason)
    sheet.need(height)
    used = sheet.tell(sheet.left, sheet.y, reason.text, STRONG, width)
    if reason.remedy:
        sheet.tell(sheet.left, sheet.y + used, f"→ {reason.remedy}", SMALL, width)
    if reason.picture is not None:
        wide, tall = _picture_mm(reason)
        print_picture(sheet, sheet.right - wide, sheet.y, wide, tall, reason.picture, None, _PICTURE_BYTES)
    sheet.y += height


def is_relative(address: str) -> bool:
    """Whether an address stays on the same share: no scheme, no host."""
    return bool(address) and ":" not in address and not address.startswith(("/", "\\"))
