"""Normalising: from the customer's bytes to `VectorArt`, and turning it."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise
from xml.etree.ElementTree import Element

from pipeline.art.fonts import FontShelf
from pipeline.art.paint import Rgb, parse_hex
from pipeline.art.piece import Limits, VectorArt
from pipeline.art.svg import cost, css, effects, route, scan, units, write
from pipeline.art.svg.expand import Walker, applies, clipped
from pipeline.art.svg.job import Job, Place, owners_of, shed
from pipeline.art.svg.parse import Document, too_large, unreadable
from pipeline.art.svg.parse import read as parse
from pipeline.art.svg.units import Frame, Matrix
from pipeline.art.svg.weigh import weigh
from pipeline.raster import Pixels

USUAL = Limits()
OWN = Limits(file_bytes=2**40, elements=10**8, depth=1000)
"""Limits for what this package wrote itself."""


def read(
    data: bytes,
    name: str,
    limits: Limits = USUAL,
    *,
    fonts: FontShelf | None = None,
    read_image: Callable[[bytes], tuple[Pixels, bool]] | None = None,
) -> VectorArt:
    """Return the art in `data`, normalised, with what was noticed.

    `name` stands in messages. `fonts` are those that live text may use (default: the machine's), `read_image` turns an
    embedded bitmap's bytes into straight RGBA and whether they are lossy (default: by Pillow, without colour profile).
    Raises Refused with code "art-unreadable" or "art-too-large".
    """
    document = parse(data, name, limits)
    weigh(document, limits)
    job = Job(document, limits, fonts or FontShelf(), read_image, sheets=css.collect(document))
    for address in job.sheets.imports:
        job.external(None, address)
    for problem in job.sheets.problems:
        job.find("unsupported-feature", "stop", None, f"its style sheet uses {problem[:60]}, which is not followed",
                 "Export the drawing with plain styles.", measured=problem[:60])  # fmt: skip
    width, height, matrix, frame = area_of(document)
    content = Element("g")
    style = css.computed(job.declared(document.root), {})
    walk = Walker(job)
    place = Place(content, style, frame, matrix)
    frame = walk.frame_of(style, replace(place, style={}))
    place = replace(place, frame=replace(frame, root_font_size=frame.font_size))
    if style.get("display") == "none" or not applies(document.root):
        walk.hidden(document.root, place)
        style["opacity"] = "0"
    effects.grouped(walk, document.root, style, place, lambda p: walk.children(document.root, p))
    shed(content)
    scan.labels(job)
    scan.outside(job, content, width, height)
    scan.frames(job, content, width, height)
    cost.check(job, job.defs, content, width, height)
    return _art(job, width, height, content)


def area_of(document: Document) -> tuple[float, float, Matrix, Frame]:
    """Return the drawing area's size, the matrix of its viewBox, and what relative lengths refer to."""
    root, name = document.root, document.name
    view = units.view_box(root.get("viewBox"))
    basis = Frame(view[2], view[3]) if view else Frame(0.0, 0.0)
    width, height = (units.length(root.get(n), basis, a) for n, a in (("width", "x"), ("height", "y")))
    if root.get("width", "").strip().endswith("%"):
        width = None
    if root.get("height", "").strip().endswith("%"):
        height = None
    if view is not None:
        if width is None:
            width = view[2] if height is None else height * view[2] / view[3]
        if height is None:
            height = width * view[3] / view[2]
    if width is None or height is None or not (width > 0 and height > 0):
        raise unreadable(
            name, "has no drawing area (width and height, or a viewBox, all above 0)", "export it with a size"
        )
    if max(width, height) > units.LARGEST or min(width, height) < 1e-6:
        raise too_large(name, f"its drawing area is {width:g} × {height:g} units")
    width, height = float(units.text_of(width)), float(units.text_of(height))
    if view is None:
        return width, height, units.IDENTITY, Frame(width, height)
    matrix = units.fit(view, width, height, root.get("preserveAspectRatio"))[0]
    return width, height, matrix, Frame(view[2], view[3])


def _art(job: Job, width: float, height: float, content: Element) -> VectorArt:
    used = _used(job.defs, content)
    defs = [d for d in job.defs if d.get("id") in used]
    ink = _ink(defs, content)
    everything = [e for d in [*defs, content] for e in d.iter()]
    named = set(job.named)
    for element in ink:
        named.update(owners_of(element))
    return VectorArt(
        name=job.document.name,
        svg=write.document(width, height, defs, content),
        width=width,
        height=height,
        paints=_paints(ink),
        elements=frozenset(named),
        renderer="resvg" if route.needs(everything, job.outlines) else "cairosvg",
        findings=tuple(job.findings.values()),
        linear=not any(route.mixes(element) for element in everything),
        ramps=_ramps(ink),
    )


def _references(element: Element) -> list[str]:
    return [
        v[5:-1]
        for n in ("fill", "stroke", "clip-path", "mask", "filter")
        if (v := element.get(n, "")).startswith("url(#") and v.endswith(")")
    ]


def _used(defs: list[Element], content: Element) -> set[str]:
    """Return the ids of the resources that the content needs, directly or through others."""
    known = {d.get("id"): d for d in defs}
    used: set[str] = set()
    waiting = [content]
    while waiting:
        for element in waiting.pop().iter():
            for identity in _references(element):
                if identity not in used and identity in known:
                    used.add(identity)
                    waiting.append(known[identity])
    return used


def _ink(defs: list[Element], content: Element) -> list[Element]:
    """Return all elements that lay ink: the content's, and the stops and cells that they paint with."""
    known = {d.get("id"): d for d in defs}
    out: list[Element] = []
    seen: set[str] = set()
    waiting = [content]
    while waiting:
        for element in waiting.pop().iter():
            out.append(element)
            for name in ("fill", "stroke"):
                value = element.get(name, "")
                if value.startswith("url(#") and value[5:-1] not in seen and value[5:-1] in known:
                    seen.add(value[5:-1])
                    waiting.append(known[value[5:-1]])
    return out


def _paints(ink: list[Element]) -> tuple[Rgb, ...]:
    found: dict[Rgb, None] = {}
    for element in ink:
        for name in ("fill", "stroke", "stop-color"):
            value = element.get(name, "")
            if value.startswith("#"):
                found[parse_hex(value)] = None
    return tuple(found)


def _ramps(ink: list[Element]) -> tuple[tuple[Rgb, Rgb], ...]:
    found: dict[tuple[Rgb, Rgb], None] = {}
    for element in ink:
        stops = [parse_hex(stop.get("stop-color", "#000000")) for stop in element if stop.tag == "stop"]
        found |= dict.fromkeys(pair for pair in pairwise(stops) if pair[0] != pair[1])
    return tuple(found)


def widened(art: VectorArt, margin: float) -> VectorArt:
    """Return the art with a margin (in its units) on all sides of its drawing area, where it may go on."""
    width, height = (float(units.text_of(side + 2 * margin)) for side in (art.width, art.height))
    return _moved(art, (1.0, 0.0, 0.0, 1.0, margin, margin), width, height, cut=False)


def turned(art: VectorArt, degrees: float) -> VectorArt:
    """Return the art turned clockwise; the drawing area becomes the box around the turned drawing area."""
    if degrees % 360 == 0:
        return art
    turn = units.rotation(degrees)
    corners = [units.apply(turn, x, y) for x in (0.0, art.width) for y in (0.0, art.height)]
    left, top = min(c[0] for c in corners), min(c[1] for c in corners)
    width = float(units.text_of(max(c[0] for c in corners) - left))
    height = float(units.text_of(max(c[1] for c in corners) - top))
    matrix = units.multiply((1.0, 0.0, 0.0, 1.0, -left, -top), turn)
    quarters = math.isclose(math.remainder(degrees, 90), 0, abs_tol=1e-9)
    made = _moved(art, matrix, width, height, cut=not quarters)
    if art.around is None or not isinstance(art.around.art, VectorArt):
        return made
    wide = turned(art.around.art, degrees)
    return replace(made, around=art.around.turned(wide, wide.width / width, degrees))


def _moved(art: VectorArt, matrix: Matrix, width: float, height: float, *, cut: bool) -> VectorArt:
    """Return the art moved by a matrix into another drawing area; `cut` takes off what lies outside its own."""
    document = parse(art.svg, art.name, OWN)
    job = Job(document, OWN, FontShelf(), None)
    content, style = Element("g"), css.computed({}, {})
    walk = Walker(job)
    place = Place(content, style, Frame(art.width, art.height), matrix)

    def draw(into: Element) -> None:
        walk.children(document.root, replace(place, into=into))

    if cut:
        clipped(walk, place, (0.0, 0.0, art.width, art.height), draw)
    else:
        draw(content)
    shed(content)
    made = _art(job, width, height, content)
    return replace(art, svg=made.svg, width=width, height=height)
