"""Which renderer draws the normalised tree right, and whether its pixels are mixtures of its paints.

Each rule is a fault of the faster renderer that the open test suite shows (see ops/corpus.py).
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from xml.etree.ElementTree import Element

from pipeline.art.svg.outline import Outline

_SLOW = {"mask": "a mask", "filter": "a filter", "pattern": "a pattern"}


def needs(elements: Iterable[Element], outlines: dict[Element, Outline]) -> set[str]:
    """Return the features of the elements (content and the resources it uses) that cairosvg draws wrongly."""
    found: set[str] = set()
    for element in elements:
        if element.tag in _SLOW:
            found.add(_SLOW[element.tag])
        elif element.tag == "radialGradient" and _focal(element):
            found.add("a focal circle that reaches the edge")
        elif element.tag == "path":
            found |= _of_path(element, outlines.get(element))
        if mixes(element):
            found.add("blending")
    return found


def mixes(element: Element) -> bool:
    """Does the element make pixels that are no longer linear in the paints (blend modes, filters)?"""
    return "filter" in element.attrib or "mix-blend-mode" in element.get("style", "")


def _focal(gradient: Element) -> bool:
    cx, cy, r, fx, fy = (float(gradient.get(n, "0")) for n in ("cx", "cy", "r", "fx", "fy"))
    return "fr" in gradient.attrib or math.hypot(fx - cx, fy - cy) >= r * 0.999


def _of_path(path: Element, made: Outline | None) -> set[str]:
    found: set[str] = set()
    if "clip-path" in path.attrib:
        found.add("a clip path on a shape of a clip path")
    if path.get("stroke", "none") == "none":
        return found
    if path.get("stroke-linejoin") == "miter-clip":
        found.add("stroke-linejoin: miter-clip")
    if any(float(v) == 0 for v in path.get("stroke-dasharray", "").split()):
        found.add("a dash or gap of no length")
    if made is not None:
        found |= _of_stroke(made, "stroke-linecap" in path.attrib)
    return found


def _of_stroke(made: Outline, capped: bool) -> set[str]:  # noqa: FBT001  one private caller
    """Find dots of no length, and curves that end in a near-cusp (a handle far shorter than the curve)."""
    found: set[str] = set()
    at, p, last, start = 0, made.points, (0.0, 0.0), (0.0, 0.0)
    moved = True
    for op in [*made.ops, "M"]:
        if op == "M":
            if not moved and capped:
                found.add("a stroked dot of no length")
            if at == len(p):
                break
            last = start = (p[at], p[at + 1])
            moved, at = False, at + 2
        elif op == "L":
            moved = moved or (p[at], p[at + 1]) != last
            last, at = (p[at], p[at + 1]), at + 2
        elif op == "C":
            c1, c2, end = (p[at], p[at + 1]), (p[at + 2], p[at + 3]), (p[at + 4], p[at + 5])
            chord = math.dist(last, end)
            moved = moved or chord > 0 or c1 != last or c2 != end
            if any(0 < handle < chord * 0.005 for handle in (math.dist(last, c1), math.dist(c2, end))):
                found.add("a stroked curve that ends in a near-cusp")
            last, at = end, at + 6
        else:
            last = start
    return found
