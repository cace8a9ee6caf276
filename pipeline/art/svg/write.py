"""The normalised document as bytes: one element a line, attributes as they were set."""

from __future__ import annotations

from collections.abc import Iterator
from xml.etree.ElementTree import Element
from xml.sax.saxutils import escape

from pipeline.art.svg.units import text_of

_QUOTES = {'"': "&quot;", "\n": "&#10;", "\r": "&#13;", "\t": "&#9;"}


def document(width: float, height: float, defs: list[Element], content: Element) -> bytes:
    """Return the SVG of a drawing area `width` × `height` with resources and content."""
    w, h = text_of(width), text_of(height)
    lines = [f'<svg xmlns="http://www.w3.org/2000/svg" width="{w}" height="{h}" viewBox="0 0 {w} {h}">']
    if defs:
        lines += ["<defs>", *(line for d in defs for line in _lines(d)), "</defs>"]
    lines += [line for child in content for line in _lines(child)]
    return "\n".join([*lines, "</svg>", ""]).encode()


def tree(root: Element) -> str:
    """Return a parsed normalised tree as text again."""
    return "\n".join(_lines(root)).replace("<svg ", '<svg xmlns="http://www.w3.org/2000/svg" ', 1)


def _lines(element: Element) -> Iterator[str]:
    attributes = "".join(f' {name}="{escape(value, _QUOTES)}"' for name, value in element.attrib.items())
    if not len(element):
        yield f"<{element.tag}{attributes}/>"
        return
    yield f"<{element.tag}{attributes}>"
    for child in element:
        yield from _lines(child)
    yield f"</{element.tag}>"
