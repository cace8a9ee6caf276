"""Live text: it depends on the machine that draws it, so it is outlined here or stops."""

from __future__ import annotations

from typing import TYPE_CHECKING
from xml.etree.ElementTree import Element

from pipeline.art.svg import css
from pipeline.art.svg.job import Place

if TYPE_CHECKING:
    from pipeline.art.svg.expand import Walker


def draw(walk: Walker, element: Element, style: css.Style, place: Place) -> None:
    """Note live text that would be printed."""
    if place.ink and css.word(style, "visibility", "visible") == "visible":
        walk.job.unsupported(element, "live text")
