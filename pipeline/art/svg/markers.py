"""Markers: where they sit on a path, how they are turned, and their content drawn there.

Source: SVG 1.1 section 11.6 (markers), SVG 2 section 13.7 (auto-start-reverse, direction at a vertex).
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING
from xml.etree.ElementTree import Element

from pipeline.art.svg import css, units
from pipeline.art.svg.job import Borrowed, Place
from pipeline.art.svg.outline import Outline
from pipeline.art.svg.servers import reference
from pipeline.art.svg.units import multiply

if TYPE_CHECKING:
    from pipeline.art.svg.expand import Walker

Marks = list[tuple[str, Element]]
ENDS = ("marker-start", "marker-mid", "marker-end")


def wanted(walk: Walker, element: Element, style: css.Style, place: Place) -> Marks:
    """Return which marker elements the shape carries: (property, marker)."""
    out: Marks = []
    for name in ENDS:
        value = style.get(name, "none")
        if value.lower().startswith("url("):
            identity, _ = reference(walk.job, element, value)
            target = walk.job.document.ids.get(identity or "")
            if target is not None and target.tag == "marker" and target not in place.uses:
                out.append((name, target))
    return out


def draw(walk: Walker, made: Outline, marks: Marks, style: css.Style, place: Place) -> None:
    """Draw the markers on the vertices of the outline."""
    if css.word(style, "visibility", "visible") != "visible":
        return
    vertices = _vertices(made)
    width = units.length(style.get("stroke-width"), place.frame, "d")
    for name, marker in marks:
        chosen = {"marker-start": vertices[:1], "marker-mid": vertices[1:-1], "marker-end": vertices[-1:]}[
            name
        ]
        for x, y, angle in chosen:
            turned = (
                angle + 180
                if name == "marker-start" and marker.get("orient") == "auto-start-reverse"
                else angle
            )
            _one(walk, marker, (x, y, turned), 1.0 if width is None else width, style, place)


def _one(
    walk: Walker,
    marker: Element,
    at: tuple[float, float, float],
    stroke_width: float,
    style: css.Style,
    place: Place,
) -> None:
    from pipeline.art.svg.expand import clipped, own_paint

    job, frame = walk.job, place.frame
    job.step(marker, place.depth)
    sizes = [units.length(marker.get(n), frame, a) for n, a in (("markerWidth", "x"), ("markerHeight", "y"))]
    width, height = (3.0 if s is None else s for s in sizes)
    if width <= 0 or height <= 0 or stroke_width <= 0:
        return
    angle = at[2]
    if marker.get("orient", "0") not in ("auto", "auto-start-reverse"):
        angle = _angle(marker.get("orient", "0"))
    scale = 1.0 if marker.get("markerUnits") == "userSpaceOnUse" else stroke_width
    matrix = multiply((1.0, 0.0, 0.0, 1.0, at[0], at[1]), units.rotation(angle))
    matrix = multiply(matrix, (scale, 0.0, 0.0, scale, 0.0, 0.0))
    view = units.view_box(marker.get("viewBox"))
    if marker.get("viewBox") and view is None:
        return
    box = view or (0.0, 0.0, width, height)
    fit = units.fit(box, width, height, marker.get("preserveAspectRatio"))[0]
    ref = [
        units.length(marker.get(n), frame if view is None else replace(frame, width=box[2], height=box[3]), a)
        or 0.0
        for n, a in (("refX", "x"), ("refY", "y"))
    ]
    # The reference point, put through the view box, lies on the vertex.
    x, y = ref[0] * fit[0], ref[1] * fit[3]
    matrix = multiply(matrix, (1.0, 0.0, 0.0, 1.0, -x, -y))
    inside = multiply(matrix, (fit[0], 0.0, 0.0, fit[3], 0.0, 0.0))
    own = job.style_of(marker)
    borrowed = Borrowed(own_paint(place, style, "fill"), own_paint(place, style, "stroke"), style)
    inner = replace(
        place,
        style=own,
        depth=place.depth + 1,
        uses=(*place.uses, marker),
        borrowed=borrowed,
        frame=replace(frame, width=box[2], height=box[3]),
        matrix=multiply(place.matrix, inside),
    )
    outer = replace(place, matrix=multiply(place.matrix, inside))
    area = _area(fit, width, height) if view is not None else box
    if css.word(own, "overflow", "hidden") in ("visible", "auto"):
        _content(walk, marker, own, inner)
    else:
        clipped(walk, outer, area, lambda into: _content(walk, marker, own, replace(inner, into=into)))


def _content(walk: Walker, marker: Element, own: css.Style, inner: Place) -> None:
    from pipeline.art.svg.effects import grouped

    grouped(walk, marker, own, inner, lambda p: walk.children(marker, p))


def _area(fit: units.Matrix, width: float, height: float) -> tuple[float, float, float, float]:
    """Return the marker's tile in the coordinates of its view box."""
    return -fit[4] / fit[0], -fit[5] / fit[3], width / fit[0], height / fit[3]


def _angle(text: str) -> float:
    text = text.strip().lower()
    for unit, factor in (("deg", 1.0), ("grad", 0.9), ("rad", 180 / math.pi), ("turn", 360.0)):
        if text.endswith(unit):
            return (units.number(text[: -len(unit)]) or 0.0) * factor
    return units.number(text) or 0.0


def _vertices(made: Outline) -> list[tuple[float, float, float]]:
    """Return (x, y, degrees) of every vertex, the direction halved between the way in and the way out."""
    spots: list[tuple[float, float]] = []
    ways: list[tuple[tuple[float, float] | None, tuple[float, float] | None]] = []
    at, p, here, start, first = 0, made.points, (0.0, 0.0), (0.0, 0.0), 0
    for at_op, op in enumerate(made.ops):
        if op == "M":
            here = start = (p[at], p[at + 1])
            first = len(spots)
            spots.append(here)
            ways.append((None, None))
            at += 2
            continue
        if op == "L":
            end = (p[at], p[at + 1])
            out = into = _way(here, end)
            at += 2
        elif op == "C":
            c1, c2, end = (p[at], p[at + 1]), (p[at + 2], p[at + 3]), (p[at + 4], p[at + 5])
            out = _way(here, c1) or _way(here, c2) or _way(here, end)
            into = _way(c2, end) or _way(c1, end) or _way(here, end)
            at += 6
        else:
            end, out = start, _way(here, start)
            into = out
        if at_op in made.inner:  # a further piece of one arc: its end takes the place of the piece before
            spots[-1], ways[-1], here = end, (into, None), end
            continue
        ways[-1] = (ways[-1][0], out)
        if op == "Z":
            leaving = ways[first][1]
            ways[first] = (into or ways[-1][0], leaving)
            spots.append(end)
            ways.append((into or ways[-1][0], leaving))
        else:
            spots.append(end)
            ways.append((into, None))
        here = end
    return [(x, y, _halved(*way)) for (x, y), way in zip(spots, ways, strict=True)]


def _way(a: tuple[float, float], b: tuple[float, float]) -> tuple[float, float] | None:
    dx, dy = b[0] - a[0], b[1] - a[1]
    size = math.hypot(dx, dy)
    return (dx / size, dy / size) if size > 0 else None


def _halved(into: tuple[float, float] | None, out: tuple[float, float] | None) -> float:
    ways = [w for w in (into, out) if w is not None]
    if not ways:
        return 0.0
    angles = [math.degrees(math.atan2(y, x)) for x, y in ways]
    if abs(angles[0] - angles[-1]) > 180:
        angles[0] += 360
    return (angles[0] + angles[-1]) / 2
