"""Basic shapes and paths: their outline, their stroke, and the plain path that they become.

Sources: SVG 1.1 section 9 (shapes), section 11.4 (stroke); SVG 2 section 13.8 (paint-order), section 9.2 (auto radii).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import TYPE_CHECKING
from xml.etree.ElementTree import Element

from pipeline.art.svg import css, outline, units
from pipeline.art.svg.job import GHOST, OWNERS, Job, Place, owners_text
from pipeline.art.svg.outline import Outline
from pipeline.art.svg.parse import too_large
from pipeline.art.svg.servers import paint
from pipeline.art.svg.units import IDENTITY, Frame, text_of

if TYPE_CHECKING:
    from pipeline.art.svg.expand import Walker

TAGS = frozenset(["path", "rect", "circle", "ellipse", "line", "polyline", "polygon"])
MOST_POINTS = 10_000_000
"""Coordinates of one drawing after `use` is expanded."""


def outline_of(job: Job, element: Element, frame: Frame) -> Outline | None:
    """Return the shape's outline in its own coordinates, None where it draws nothing."""
    maker = {"path": _path, "polyline": _points, "polygon": _points}.get(element.tag)
    made = maker(job, element) if maker else _basic(job, element, frame)
    if made is None or len(made.ops) < 2:
        return None
    job.points += len(made.points)
    if job.points > MOST_POINTS:
        raise too_large(
            job.document.name, f"has more than {MOST_POINTS:,} coordinates ({job.document.where(element)})"
        )
    if not all(math.isfinite(v) and abs(v) < units.LARGEST for v in made.points):
        job.unsupported(element, "a coordinate beyond all measure")
        return None
    return made


def _path(job: Job, element: Element) -> Outline | None:
    text = job.declared(element).get("d", element.get("d") or "")
    if text.lower().startswith("path("):
        text = text[5:].strip().strip("()\"'")
    try:
        return outline.parse(text)
    except outline.TooManyPointsError:
        raise too_large(
            job.document.name, f"has a path of more than 5,000,000 points ({job.document.where(element)})"
        ) from None


def _points(_job: Job, element: Element) -> Outline | None:
    values = [float(n) for n in units.NUMBER.findall(element.get("points") or "")]
    if len(values) < 4:
        return None
    out = Outline()
    out.move(values[0], values[1])
    for i in range(2, len(values) - 1, 2):
        out.line(values[i], values[i + 1])
    if element.tag == "polygon":
        out.close()
    return out


def _basic(job: Job, element: Element, frame: Frame) -> Outline | None:
    own = job.declared(element)

    def get(name: str, axis: str) -> float | None:
        return units.length(own.get(name) or element.get(name), frame, axis)

    if element.tag == "line":
        out = Outline()
        out.move(get("x1", "x") or 0.0, get("y1", "y") or 0.0)
        out.line(get("x2", "x") or 0.0, get("y2", "y") or 0.0)
        return out
    if element.tag == "circle":
        r = get("r", "d") or 0.0
        return outline.oval(get("cx", "x") or 0.0, get("cy", "y") or 0.0, r, r) if r > 0 else None
    rx, ry = get("rx", "x"), get("ry", "y")
    rx, ry = (None if rx is not None and rx < 0 else rx), (None if ry is not None and ry < 0 else ry)
    rx, ry = (ry if rx is None else rx) or 0.0, (rx if ry is None else ry) or 0.0
    if element.tag == "ellipse":
        return (
            outline.oval(get("cx", "x") or 0.0, get("cy", "y") or 0.0, rx, ry) if rx > 0 and ry > 0 else None
        )
    width, height = get("width", "x") or 0.0, get("height", "y") or 0.0
    if width <= 0 or height <= 0:
        return None
    return outline.rectangle(get("x", "x") or 0.0, get("y", "y") or 0.0, width, height, rx, ry)


def draw(
    walk: Walker,
    element: Element,
    made: Outline,
    style: css.Style,
    place: Place,
    markers: Callable[[], None] | None = None,
    box: Callable[[], tuple[float, float, float, float] | None] | None = None,
) -> None:
    """Append the shape as one plain path, or as several where `paint-order` asks for it."""
    if css.word(style, "visibility", "visible") != "visible":
        walk.hidden(element, place)
        _ghost(walk.job, made, place)
        return
    box = box or made.box
    fill = paint(walk, element, "fill", style, place, box)
    stroke = paint(walk, element, "stroke", style, place, box)
    lines = _stroke(walk.job, element, style, place.frame) if stroke is not None else {}
    if lines is None:
        stroke, lines = None, {}
    elif stroke is not None:
        lines["stroke"] = stroke[0]
        if stroke[1] < 1:
            lines["stroke-opacity"] = text_of(stroke[1])
    base = {"d": made.d()}
    if place.matrix != IDENTITY:
        base["transform"] = units.matrix_text(place.matrix)
    if place.owners and place.ink:
        base[OWNERS] = owners_text(place.owners)
    if css.word(style, "shape-rendering", "auto") in ("crispedges", "optimizespeed"):
        base["shape-rendering"] = "crispEdges"
    filled = (
        {}
        if fill is None
        else {"fill": fill[0]} | ({"fill-opacity": text_of(fill[1])} if fill[1] < 1 else {})
    )
    if filled and style.get("fill-rule") == "evenodd":
        filled["fill-rule"] = "evenodd"
    if not filled and not lines:
        _ghost(walk.job, made, place)
    for parts in _in_order(style, filled, lines, markers is not None):
        if parts is None and markers is not None:
            markers()
        elif parts:
            leaf = Element("path", base | ({} if "fill" in parts else {"fill": "none"}) | parts)
            walk.job.outlines[leaf] = made
            place.into.append(leaf)


def _ghost(job: Job, made: Outline, place: Place) -> None:
    ghost = Element(GHOST, {} if place.matrix == IDENTITY else {"transform": units.matrix_text(place.matrix)})
    job.outlines[ghost] = made
    place.into.append(ghost)


def _in_order(
    style: css.Style,
    filled: dict[str, str],
    lines: dict[str, str],
    markers: bool,  # noqa: FBT001  one private caller
) -> list[dict[str, str] | None]:
    """Return the attributes of each path to draw, None for the markers (SVG 2 section 13.8)."""
    words = [w for w in style.get("paint-order", "").lower().split() if w in ("fill", "stroke", "markers")]
    valid = len(words) == len(set(words)) and len(words) == len(style.get("paint-order", "").split())
    words = words if valid else []
    order = [*words, *(w for w in ("fill", "stroke", "markers") if w not in words)]
    if not markers:
        order.remove("markers")
    out: list[dict[str, str] | None] = []
    at = 0
    while at < len(order):
        if order[at : at + 2] == ["fill", "stroke"]:
            out.append(filled | lines)
            at += 1
        else:
            out.append({"fill": filled, "stroke": lines, "markers": None}[order[at]])
        at += 1
    return out


def _stroke(job: Job, element: Element, style: css.Style, frame: Frame) -> dict[str, str] | None:
    """Return the attributes of the stroke apart from its paint, None where it has no width."""
    width = units.length(style.get("stroke-width"), frame, "d")
    width = 1.0 if width is None or width < 0 else width
    if width == 0 or width > units.LARGEST:
        return None
    if css.word(style, "vector-effect", "none") == "non-scaling-stroke":
        job.unsupported(element, "a stroke that does not scale (vector-effect)")
    out = {"stroke-width": text_of(width)}
    cap, join = style.get("stroke-linecap", "butt"), style.get("stroke-linejoin", "miter")
    if cap in ("round", "square"):
        out["stroke-linecap"] = cap
    if join in ("round", "bevel"):
        out["stroke-linejoin"] = join
    else:
        if join == "miter-clip":
            out["stroke-linejoin"] = join
        limit = units.number(style.get("stroke-miterlimit"))
        if limit is not None and limit >= 1 and limit != 4:
            out["stroke-miterlimit"] = text_of(limit)
    dashes = _dashes(style, frame)
    if dashes:
        out["stroke-dasharray"] = " ".join(text_of(v) for v in dashes)
        offset = units.length(style.get("stroke-dashoffset"), frame, "d") or 0.0
        if offset % sum(dashes):
            # Renderers differ on offsets below 0: bring it into the first period.
            out["stroke-dashoffset"] = text_of(
                offset % sum(dashes) if not 0 <= offset < sum(dashes) else offset
            )
    return out


def _dashes(style: css.Style, frame: Frame) -> list[float]:
    words = style.get("stroke-dasharray", "none").replace(",", " ").split()
    values = [units.length(w, frame, "d") for w in words]
    real = [v for v in values if v is not None and v >= 0]
    if not real or len(real) != len(values) or sum(real) <= 0 or len(real) > 10_000:
        return []
    return real * 2 if len(real) % 2 else real
