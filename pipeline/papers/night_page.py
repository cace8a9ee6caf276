"""The night report as one static HTML page: no scripts, nothing from elsewhere, every text escaped."""

from __future__ import annotations

from html import escape

from pipeline.papers import text, words
from pipeline.papers.night import LOUD, STATES, is_relative, ordered, takes, told
from pipeline.papers.night_facts import NightFacts, NightOrder, Reason

_CSS = (
    "body{font:16px/1.45 sans-serif;color:#111;background:#fff;max-width:60em;margin:2em auto;padding:0 1em}"
    "h1{font-size:1.9em;margin:0 0 .4em}h2{font-size:1.2em;border-top:3px solid #111;padding-top:.4em;margin-top:1.6em}"
    "ul.sum{list-style:none;display:flex;gap:.5em;padding:0;flex-wrap:wrap}"
    "ul.sum li{background:#f0f0ee;padding:.5em 1em;min-width:7em}ul.sum b{font-size:1.8em;display:block}"
    "ul.sum li.loud{background:#111;color:#fff}article{border-top:1px solid #767676;padding:.6em 0}"
    "h3{margin:0;font-size:1.1em}p{margin:.2em 0}.rush{background:#111;color:#fff;padding:0 .4em}a{color:#143c82}"
    "div.why{display:flex;gap:1em;justify-content:space-between}div.why img{max-width:18em;max-height:18em}"
    "pre{white-space:pre-wrap;background:#f0f0ee;padding:.4em .6em;margin:.3em 0}"
)


def night_html(facts: NightFacts) -> str:
    """Return the night report as one HTML page, to be opened from a file share as it is."""
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
    for state in STATES:
        many = len(ordered(facts, state))
        if state == "failed" and not many:
            continue
        loud = ' class="loud"' if many and state in LOUD else ""
        out.append(f"<li{loud}><b>{many}</b>{words.STATE_MARKS[state]} {words.STATES[state].lower()}</li>")
    out.append("</ul>")
    for state in STATES:
        orders = ordered(facts, state)
        if orders:
            out.append(f"<h2>{words.STATE_MARKS[state]} {words.STATES[state]} · {len(orders)}</h2>")
            out += [_article(order, facts.currency) for order in orders]
    for heading, lines in ((words.NIGHT_TAKES, takes(facts)), (words.NIGHT_NOTES, facts.notes)):
        if lines:
            items = "".join(f"<li>{_safe(line)}</li>" for line in lines)
            out.append(f"<h2>{_safe(heading)}</h2><ul>{items}</ul>")
    out.append("</body></html>")
    return "\n".join(line for line in out if line) + "\n"


def _safe(value: str) -> str:
    """Return a text for HTML: control and bidirectional marks stripped, lone surrogates spelled, escaped."""
    return escape(_spelled(text.clean(value)), quote=True)


def _spelled(value: str) -> str:
    return "".join(f"<U+{ord(c):04X}>" if "\ud800" <= c <= "\udfff" else c for c in value)


def _article(order: NightOrder, currency: str) -> str:
    rush = ' <span class="rush">RUSH</span>' if order.priority == "rush" else ""
    due = f" · due {_safe(order.due)}" if order.due else ""
    lines = [f"<h3>{_safe(order.order)} r{order.revision}{rush}{due}</h3>"]
    about = " · ".join(_safe(part) for part in (order.customer, order.title) if part)
    lines += [f"<p>{about}</p>"] if about else []
    lines += [_why(reason) for reason in order.reasons]
    numbers = " · ".join(told(order, currency))
    lines += [f"<p>{_safe(numbers)}</p>"] if numbers else []
    for label, address in order.links:
        if is_relative(address):
            lines.append(f'<p>→ <a href="{_address(address)}">{_safe(label)}</a></p>')
    return f"<article>{''.join(lines)}</article>"


def _why(reason: Reason) -> str:
    lines = [f"<p><strong>{_safe(reason.text)}</strong></p>"]
    if reason.remedy:  # manifest lines to paste: their line breaks stay
        pasted = "\n".join(_safe(line) for line in reason.remedy.splitlines())
        lines.append(f"<pre>{pasted}</pre>")
    said = f"<div>{''.join(lines)}</div>"
    if not is_relative(reason.address):
        return said
    return f'<div class="why">{said}<img src="{_address(reason.address)}" alt="{_safe(reason.text)}"></div>'


def _address(address: str) -> str:
    return escape(_spelled(address), quote=True)
