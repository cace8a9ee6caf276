"""Finds texts of an order that the papers' fonts cannot draw: they are written as code points there, and it is said."""

from __future__ import annotations

from collections.abc import Iterator

from pipeline.finding import Finding
from pipeline.order import Order


def undrawable_texts(order: Order) -> tuple[Finding, ...]:
    """Return at most one finding: which texts of the order hold characters that no bundled font has, and which."""
    from pipeline.papers.text import spelled, undrawable

    found = [(where, text, undrawable(text)) for where, text in _texts(order) if not text.isascii()]
    hit = [(where, spelled(text), chars) for where, text, chars in found if chars]
    if not hit:
        return ()
    points = dict.fromkeys(f"U+{ord(char):04X}" for _, _, chars in hit for char in chars)
    shown = "; ".join(dict.fromkeys(f"{where} as “{text}”" for where, text, _ in hit))
    return (
        Finding(
            code="text-undrawable",
            severity="warn",
            message=f"Tickets and proof have no letters for {', '.join(points)} and write code points: {shown}.",
            remedy="Write it in other letters in the manifest, or read the code points; press files are not touched.",
            measured=len(points),
            limit=0,
        ),
    )


def _texts(order: Order) -> Iterator[tuple[str, str]]:
    """Yield (where, text) of all that stands on paper in the words of the manifest."""
    yield from (("customer", order.customer), ("title", order.title), ("notes", order.notes))
    for print_ in order.prints:
        yield "the name of a print", print_.name
    for colourway in order.colourways:
        yield "the name of a colourway", colourway.name
    for accept in order.accept:
        yield "an accept", f"{accept.by} {accept.why}"
