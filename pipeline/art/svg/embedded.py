"""A drawing embedded as an image: expanded in place, on its own, as one part of the drawing around it.

Source: SVG 2 section 12.3 (image): the embedded document has its own ids, styles and lengths; the image's
preserveAspectRatio lays it out, and nothing is drawn outside the image's rectangle.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING
from xml.etree.ElementTree import Element

from pipeline.art.svg import css, parse, units
from pipeline.art.svg.job import OWNERS, Job, Place, owners_text
from pipeline.art.svg.units import multiply
from pipeline.art.svg.weigh import weigh

if TYPE_CHECKING:
    from pipeline.art.svg.expand import Walker


_BEFORE = ("d", "transform")


def document(job: Job, element: Element, data: bytes) -> Job:
    """Return the work on the drawing in `data`, which `element` embeds: it shares caps and resources with `job`.

    Raises Refused for a drawing that cannot be read, as for the drawing around it.
    """
    found = job.embedded.get(element)
    if found is None:
        name = f"{job.document.name}, embedded in {job.document.where(element)}"
        inner = parse.read(data, name, job.limits)
        weigh(inner, job.limits)
        found = job.embedded[element] = job.inside(inner, css.collect(inner))
        for address in found.sheets.imports:
            found.external(None, address)
    return found


def size_of(inner: Job) -> tuple[float, float]:
    """Return the width and height that an embedded drawing has of itself."""
    from pipeline.art.svg.normal import area_of

    return area_of(inner.document)[:2]


def draw(walk: Walker, element: Element, inner: Job, size: tuple[float, float], place: Place) -> None:
    """Append the drawing in an image's rectangle of `size`, whose corner `place.matrix` has moved to."""
    from pipeline.art.svg import effects
    from pipeline.art.svg.expand import Walker, applies, clipped
    from pipeline.art.svg.normal import area_of

    job, root = walk.job, inner.document.root
    width, height, view, frame = area_of(inner.document)
    fit, _ = units.fit((0.0, 0.0, width, height), *size, element.get("preserveAspectRatio"))
    style = css.computed(inner.declared(root), {})
    if style.get("display") == "none" or not applies(root):
        return
    inner.steps, inner.points = job.steps, job.points
    walker = Walker(inner)

    def content(into: Element) -> None:
        inside = Place(
            into, style, frame, multiply(multiply(place.matrix, fit), view), depth=place.depth + 1, ink=False
        )
        sized = walker.frame_of(style, replace(inside, style={}))
        inside = replace(inside, frame=replace(sized, root_font_size=sized.font_size))
        effects.grouped(walker, root, style, inside, lambda p: walker.children(root, p))

    group = Element("g")
    clipped(walk, replace(place, into=group), (0.0, 0.0, *size), content)
    job.steps, job.points = inner.steps, inner.points
    if place.owners and place.ink:
        for part in group.iter():
            _own(part, owners_text(place.owners))
    place.into.extend(group)


def _own(part: Element, owners: str) -> None:
    """Write the owners where the walk writes them, before the paint, so that normalising again changes nothing."""
    paint = [(name, part.attrib.pop(name)) for name in list(part.attrib) if name not in _BEFORE]
    if part.tag == "path":
        part.set(OWNERS, owners)
    for name, value in paint:
        part.set(name, value)
    part.set(OWNERS, owners)
