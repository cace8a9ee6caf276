"""How much a drawing becomes when every reference is followed: known in an instant, before anything is expanded."""

from __future__ import annotations

import re
from xml.etree.ElementTree import Element

from pipeline.art.piece import Limits
from pipeline.art.svg.parse import Document, too_large

_REFERENCE = re.compile(r"url\(\s*[\"']?\s*#([^)\"'\s]+)")
_LIGHT = frozenset(["linearGradient", "radialGradient", "filter"])
_DEEPEST = 300


def weigh(document: Document, limits: Limits) -> None:
    """Raise Refused ("art-too-large") where references multiply the elements beyond the limit.

    Each element counts once, plus what it refers to (`use`, patterns, clip paths, masks, markers); circles count once.
    """
    weights: dict[Element, int] = {}

    def weight(element: Element, depth: int) -> int:
        if element in weights:
            return weights[element]
        weights[element] = 1  # also the answer inside a circle; it is found and named when it is expanded
        if depth > _DEEPEST:
            raise too_large(
                document.name, f"references nest deeper than {_DEEPEST} ({document.where(element)})"
            )
        total = 1 + sum(weight(child, depth + 1) for child in element)
        for target in _targets(document, element):
            total += weight(target, depth + 1)
        if total > limits.elements:
            raise too_large(
                document.name,
                f"expands to more than {limits.elements:,} elements ({document.where(element)})",
            )
        weights[element] = total
        return total

    weight(document.root, 0)


def _targets(document: Document, element: Element) -> list[Element]:
    names: list[str] = []
    for key, value in element.attrib.items():
        if key in ("href", "xlink:href"):
            names.append(value.strip()[1:])
        elif "url(" in value:
            names += _REFERENCE.findall(value)
    found = (document.ids.get(name) for name in names)
    return [e for e in found if e is not None and e.tag not in _LIGHT]
