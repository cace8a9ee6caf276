"""Paints: solid colours, gradients and patterns, resolved for the shape that they paint.

Sources: SVG 1.1 section 11.2 (paint), section 13 (gradients, patterns), SVG 2 section 13.2 (fallbacks, context paints).
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from typing import TYPE_CHECKING
from xml.etree.ElementTree import Element

from pipeline.art.paint import hex_of
from pipeline.art.svg import colour, css, units
from pipeline.art.svg.job import Job, Place, shed
from pipeline.art.svg.units import IDENTITY, Frame, Matrix, multiply, text_of

if TYPE_CHECKING:
    from pipeline.art.svg.expand import Walker

Box = tuple[float, float, float, float]
Paint = tuple[str, float]
"""A paint as the normalised tree writes it ("#rrggbb" or "url(#id)") and its opacity."""

URL = re.compile(r"""url\(\s*(?:"([^"]*)"|'([^']*)'|([^)'"]*?))\s*\)\s*(.*)$""", re.DOTALL | re.IGNORECASE)
UNIT_FRAME = Frame(1.0, 1.0)


def reference(job: Job, element: Element, value: str) -> tuple[str | None, str]:
    """Return (id, rest) of "url(#id) rest"; id is None where it refers outside, which is noted."""
    found = URL.match(value.strip())
    if not found:
        return None, ""
    address = next((g for g in found.groups()[:3] if g is not None), "").strip()
    if not address.startswith("#"):
        job.external(element, address)
        return None, found.group(4)
    return address[1:], found.group(4).strip()


def href(element: Element) -> str:
    """Return the address an element refers to, by href or xlink:href (SVG 2: the former wins)."""
    return (element.get("href") or element.get("xlink:href") or "").strip()


def solid(job: Job, element: Element, text: str, style: css.Style) -> colour.Rgba | None:
    """Return a colour property's value; currentColor is read from `style`."""
    text = text.strip()
    if text.lower() == "currentcolor":
        text = style.get("color", "black")
        if text.lower() == "currentcolor":
            text = "black"
    try:
        return colour.parse(text)
    except colour.ForeignColourError as error:
        job.unsupported(element, f"a colour of another space, {error}()")
        return 0, 0, 0, 1.0


def paint(
    walk: Walker, element: Element, name: str, style: css.Style, place: Place, box: Callable[[], Box | None]
) -> Paint | None:
    """Return what `name` ("fill" or "stroke") paints with, None for nothing."""
    value = style.get(name, "black" if name == "fill" else "none").strip()
    opacity = units.opacity(style.get(f"{name}-opacity"))
    lower = value.lower()
    if lower in ("context-fill", "context-stroke"):
        if place.borrowed is None:
            return None
        value, style = (
            (place.borrowed.fill if lower == "context-fill" else place.borrowed.stroke),
            place.borrowed.style,
        )
        if "url(" in value:
            walk.job.unsupported(element, f"a gradient or pattern taken over by {lower}")
            return None
        lower = value.lower()
    if lower == "none" or opacity == 0:
        return None
    if lower.startswith("url("):
        identity, fallback = reference(walk.job, element, value)
        server = walk.job.document.ids.get(identity or "")
        if server is not None and server.tag in ("linearGradient", "radialGradient", "pattern"):
            made = _server(walk, server, opacity, place, box)
            if made is not None or not fallback:
                return made
        value = fallback
        if not value or value.lower() == "none":
            return None
    rgba = solid(walk.job, element, value, style)
    if rgba is None or rgba[3] * opacity == 0:
        return None
    return hex_of(rgba[:3]), rgba[3] * opacity


def _server(
    walk: Walker, server: Element, opacity: float, place: Place, box: Callable[[], Box | None]
) -> Paint | None:
    chain = _chain(walk.job, server)
    if server.tag == "pattern":
        identity = _pattern(walk, chain, place, box)
        return None if identity is None else (f"url(#{identity})", opacity)
    made = _gradient(walk, chain, place.frame, box)
    if made is None:
        return None
    if isinstance(made, Element):
        return f"url(#{walk.job.define('gradient', made)})", opacity
    return (made[0], made[1] * opacity) if made[1] * opacity > 0 else None


def _chain(job: Job, server: Element) -> list[Element]:
    """Return the server and those it takes its attributes from, nearest first; a circle ends it."""
    chain = [server]
    kinds = ("pattern",) if server.tag == "pattern" else ("linearGradient", "radialGradient")
    while address := href(chain[-1]):
        if not address.startswith("#"):
            job.external(chain[-1], address)
            break
        following = job.document.ids.get(address[1:])
        if following is None or following in chain or following.tag not in kinds:
            break
        chain.append(following)
    return chain


def _first(chain: list[Element], name: str, tag: str | None = None) -> str | None:
    return next((e.get(name) for e in chain if e.get(name) is not None and tag in (None, e.tag)), None)


def _matrix(walk: Walker, chain: list[Element], name: str, frame: Frame) -> Matrix | None:
    for element in chain:
        style = walk.job.declared(element)
        text = element.get(name) if element.get(name) is not None else style.get("transform")
        if text is not None:
            matrix = units.transform(text)
            if matrix is None or matrix == IDENTITY or "transform-origin" not in style:
                return None if matrix is not None and units.flat(matrix) else matrix or IDENTITY
            return walk.matrix_of(element, style | {"transform": text}, frame)
    return IDENTITY


def _gradient(
    walk: Walker, chain: list[Element], frame: Frame, box: Callable[[], Box | None]
) -> Element | Paint | None:
    """Return a gradient in the shape's own coordinates, or the solid paint it comes to, or None for nothing."""
    job, kind = walk.job, chain[0].tag
    stops = _stops(job, chain)
    if not stops:
        return None
    if len(stops) == 1:
        return stops[0][1], stops[0][2]
    boxed = _first(chain, "gradientUnits") != "userSpaceOnUse"
    matrix = _matrix(walk, chain, "gradientTransform", UNIT_FRAME if boxed else frame)
    if matrix is None:
        return None
    if boxed:
        frame, edges = UNIT_FRAME, box()
        if edges is None or edges[2] <= edges[0] or edges[3] <= edges[1]:
            return None
        matrix = multiply((edges[2] - edges[0], 0, 0, edges[3] - edges[1], edges[0], edges[1]), matrix)
    out = Element(kind, {"gradientUnits": "userSpaceOnUse"})
    if not (_line if kind == "linearGradient" else _circle)(chain, frame, out):
        return stops[-1][1], stops[-1][2]
    if matrix != IDENTITY:
        out.set("gradientTransform", units.matrix_text(matrix))
    spread = (_first(chain, "spreadMethod") or "pad").strip()
    if spread in ("reflect", "repeat"):
        out.set("spreadMethod", spread)
    for offset, hexa, opacity in stops:
        stop = Element("stop", {"offset": text_of(offset), "stop-color": hexa})
        if opacity < 1:
            stop.set("stop-opacity", text_of(opacity))
        out.append(stop)
    return out


def _coordinate(chain: list[Element], name: str, tag: str, frame: Frame, default: str) -> float:
    axis = "x" if "x" in name else "y" if "y" in name else "d"
    value = units.length(_first(chain, name, tag), frame, axis)
    return value if value is not None else units.length(default, frame, axis) or 0.0


def _line(chain: list[Element], frame: Frame, out: Element) -> bool:
    ends = [
        _coordinate(chain, n, "linearGradient", frame, "100%" if n == "x2" else "0%")
        for n in ("x1", "y1", "x2", "y2")
    ]
    for name, value in zip(("x1", "y1", "x2", "y2"), ends, strict=True):
        out.set(name, text_of(value))
    return (ends[0], ends[1]) != (ends[2], ends[3])


def _circle(chain: list[Element], frame: Frame, out: Element) -> bool:
    tag = "radialGradient"
    cx, cy, r = (_coordinate(chain, n, tag, frame, "50%") for n in ("cx", "cy", "r"))
    fx = _coordinate(chain, "fx", tag, frame, "") if _first(chain, "fx", tag) else cx
    fy = _coordinate(chain, "fy", tag, frame, "") if _first(chain, "fy", tag) else cy
    fr = _coordinate(chain, "fr", tag, frame, "0%")
    for name, value in (("cx", cx), ("cy", cy), ("r", r), ("fx", fx), ("fy", fy)):
        out.set(name, text_of(value))
    if fr > 0:
        out.set("fr", text_of(fr))
    return r > 0


def _stops(job: Job, chain: list[Element]) -> list[tuple[float, str, float]]:
    holder = next((e for e in chain if any(c.tag == "stop" for c in e)), None)
    stops: list[tuple[float, str, float]] = []
    for stop in holder if holder is not None else ():
        if stop.tag != "stop":
            continue
        style = job.style_of(stop)
        rgba = solid(job, stop, style.get("stop-color", "black"), style) or (0, 0, 0, 1.0)
        text = (stop.get("offset") or "0").strip()
        value = units.number(text[:-1]) if text.endswith("%") else units.number(text)
        offset = min(1.0, max(0.0, (value or 0.0) / (100 if text.endswith("%") else 1)))
        offset = max(offset, stops[-1][0]) if stops else offset
        stops.append((offset, hex_of(rgba[:3]), rgba[3] * units.opacity(style.get("stop-opacity"))))
    return stops


def _pattern(walk: Walker, chain: list[Element], place: Place, box: Callable[[], Box | None]) -> str | None:
    job, server = walk.job, chain[0]
    holder = next((e for e in chain if len(e)), None)
    matrix = _matrix(walk, chain, "patternTransform", place.frame)
    if holder is None or matrix is None:
        return None
    if holder in place.uses:
        job.unsupported(server, "a pattern that paints itself")
        return None
    edges = box()
    own_units = _first(chain, "patternUnits") != "userSpaceOnUse"
    content_units = _first(chain, "patternContentUnits") == "objectBoundingBox"
    view = units.view_box(_first(chain, "viewBox"))
    if (own_units or content_units) and (edges is None or edges[2] <= edges[0] or edges[3] <= edges[1]):
        return None
    frame = UNIT_FRAME if own_units else place.frame
    x, y, width, height = (
        units.length(_first(chain, n), frame, "x" if n in ("x", "width") else "y") or 0.0
        for n in ("x", "y", "width", "height")
    )
    if own_units and edges is not None:
        w, h = edges[2] - edges[0], edges[3] - edges[1]
        x, y, width, height = edges[0] + x * w, edges[1] + y * h, width * w, height * h
    if width <= 0 or height <= 0:
        return None
    inner = IDENTITY
    if view is not None:
        inner = units.fit(view, width, height, _first(chain, "preserveAspectRatio"))[0]
    elif content_units and edges is not None:
        inner = (edges[2] - edges[0], 0.0, 0.0, edges[3] - edges[1], 0.0, 0.0)
    out = Element("pattern", {"patternUnits": "userSpaceOnUse"})
    for name, value in (("x", x), ("y", y), ("width", width), ("height", height)):
        out.set(name, text_of(value))
    if matrix != IDENTITY:
        out.set("patternTransform", units.matrix_text(matrix))
    style = job.style_of(holder)
    if css.word(job.style_of(server), "overflow", "hidden") == "visible":
        job.unsupported(server, "a pattern whose cells overlap (overflow)")
    inside = replace(
        place,
        into=out,
        matrix=inner,
        style=style,
        depth=place.depth + 1,
        uses=(*place.uses, holder),
        owners=(),
    )
    walk.children(holder, inside)
    shed(out)
    return job.define("pattern", out) if len(out) else None
