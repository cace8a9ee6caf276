"""Text on a path: each glyph turned to the path's direction at its middle.

Source: SVG 1.1 section 10.13.3 (layout rules).
"""

from __future__ import annotations

import bisect
import math
from typing import TYPE_CHECKING
from xml.etree.ElementTree import Element

from pipeline.art.svg import outline, units
from pipeline.art.svg.outline import Outline
from pipeline.art.svg.servers import href
from pipeline.art.svg.shaping import Glyph, lay
from pipeline.art.svg.typeset import Letter
from pipeline.art.svg.units import multiply

if TYPE_CHECKING:
    from pipeline.art.svg.expand import Walker

STEPS = 64
"""Straight pieces a cubic is measured by; the error of a quarter circle's length is below 1e-4 of it."""


def along(walk: Walker, element: Element, glyphs: list[Glyph], first: Letter) -> list[Glyph]:
    """Return the glyphs that find room on the path, laid along it."""
    target = walk.job.document.ids[href(element)[1:]]
    made = outline.parse(target.get("d") or "")
    matrix = walk.matrix_of(target, walk.job.style_of(target), first.frame)
    ways = _measured(made.moved(matrix) if matrix else made)
    if not ways:
        return []
    total = ways[-1][0]
    stated = units.number(target.get("pathLength"))
    text = element.get("startOffset") or "0"
    if text.strip().endswith("%"):
        offset = (units.number(text.strip()[:-1]) or 0.0) / 100 * total
    else:
        offset = units.length(text, first.frame, "d") or 0.0
        if stated is not None and stated > 0:
            offset *= total / stated
    out = []
    for glyph in glyphs:
        middle = offset + glyph.x + glyph.width / 2
        if 0 <= middle <= total:
            x, y, angle = _at(ways, middle)
            turn = multiply((1.0, 0.0, 0.0, 1.0, x, y), units.rotation(angle))
            shifted = multiply(turn, (1.0, 0.0, 0.0, 1.0, -glyph.width / 2, glyph.y))
            glyph.cell = 0.0, glyph.cell[1] - glyph.y, glyph.advance, glyph.cell[3] - glyph.y
            lay(glyph, multiply(shifted, units.rotation(glyph.turn)))
            out.append(glyph)
    if out:
        walk.pen = out[-1].cell[2], out[-1].cell[3]
    return out


def _measured(made: Outline) -> list[tuple[float, float, float, float, float]]:
    """Return (length so far, x0, y0, x1, y1) of the straight pieces of the path."""
    out: list[tuple[float, float, float, float, float]] = []
    at, p, here, start, length = 0, made.points, (0.0, 0.0), (0.0, 0.0), 0.0

    def piece(end: tuple[float, float]) -> None:
        nonlocal here, length
        size = math.dist(here, end)
        if size > 0:
            length += size
            out.append((length, *here, *end))
        here = end

    for op in made.ops:
        if op == "M":
            here = start = (p[at], p[at + 1])
            at += 2
        elif op == "L":
            piece((p[at], p[at + 1]))
            at += 2
        elif op == "C":
            x0, y0 = here
            for i in range(1, STEPS + 1):
                t, s = i / STEPS, 1 - i / STEPS
                a, b, c, d = s * s * s, 3 * s * s * t, 3 * s * t * t, t * t * t
                piece((
                    a * x0 + b * p[at] + c * p[at + 2] + d * p[at + 4],
                    a * y0 + b * p[at + 1] + c * p[at + 3] + d * p[at + 5],
                ))  # fmt: skip
            at += 6
        else:
            piece(start)
    return out


def _at(ways: list[tuple[float, float, float, float, float]], length: float) -> tuple[float, float, float]:
    """Return (x, y, direction in degrees) at a length along the path."""
    end, x0, y0, x1, y1 = ways[min(bisect.bisect_left(ways, (length,)), len(ways) - 1)]
    size = math.hypot(x1 - x0, y1 - y0)
    share = 1 - (end - length) / size
    return x0 + (x1 - x0) * share, y0 + (y1 - y0) * share, math.degrees(math.atan2(y1 - y0, x1 - x0))
