"""What acts on an element as a whole: clip paths, masks, filters, opacity, blending.

Sources: CSS Masking 1 (clip paths, masks; order of section 3), SVG 1.1 section 14 and 15, Compositing 1 section 3.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from typing import TYPE_CHECKING
from xml.etree.ElementTree import Element

from pipeline.art.paint import hex_of
from pipeline.art.svg import css, shapes, units
from pipeline.art.svg.job import GHOST, OWNERS, Job, Place, inked, owners_text, shed
from pipeline.art.svg.outline import Outline
from pipeline.art.svg.servers import UNIT_FRAME, href, reference, solid
from pipeline.art.svg.units import IDENTITY, Matrix, multiply, text_of

if TYPE_CHECKING:
    from pipeline.art.svg.expand import Walker

NOTHING = "nothing"
"""Answer of a clip or mask that hides its element wholly."""

BLENDS = units.words(
    """
    multiply screen overlay darken lighten color-dodge color-burn hard-light soft-light difference
    exclusion hue saturation color luminosity
    """
)
_FUNCTIONS = re.compile(r"(?:\s*(?:blur|brightness|contrast|drop-shadow|grayscale|hue-rotate|invert|opacity"
                        r"|saturate|sepia)\((?:[^()]|\([^()]*\))*\))+\s*$", re.IGNORECASE)  # fmt: skip


def grouped(
    walk: Walker, element: Element, style: css.Style, place: Place, fill: Callable[[Place], None]
) -> None:
    """Call `fill` with a place for the content; wrap the content in a group where something acts on it as a whole."""
    opacity = units.opacity(style.get("opacity"))
    resources = {
        n: v
        for n in ("clip-path", "mask", "filter")
        if (v := style.get(n, "none").strip()).lower() not in ("none", "")
    }
    blend = css.word(style, "mix-blend-mode", "normal")
    if style.get("clip", "auto").strip().lower() != "auto":
        walk.job.unsupported(element, "clip: rect()")
    isolate = css.word(style, "isolation", "auto") == "isolate"
    if opacity == 0:
        walk.hidden(element, place)
    if opacity == 1 and not resources and blend not in BLENDS and not isolate:
        fill(place)
        return
    group = Element("g")
    inner = replace(place, into=group, matrix=IDENTITY if resources else place.matrix)
    fill(inner)
    if resources and not _attach(walk, element, resources, group, inner):
        return
    if resources and not any(name in group.attrib for name in resources):  # they all came to nothing
        if opacity == 1 and blend not in BLENDS and not isolate:
            fill(place)
            return
        resources, group = {}, Element("g")
        fill(replace(place, into=group))
    if resources and place.matrix != IDENTITY:
        group.set("transform", units.matrix_text(place.matrix))
    words = []
    if blend in BLENDS:
        words.append(f"mix-blend-mode:{blend}")
    if isolate:
        words.append("isolation:isolate")
    if words:
        group.set("style", ";".join(words))
    if opacity < 1:
        group.set("opacity", text_of(opacity))
    _append(group, place, opacity)


def _append(group: Element, place: Place, opacity: float) -> None:
    drawn = inked(group)
    if opacity == 0 or (not drawn and "filter" not in group.attrib):
        group.tag = GHOST
        place.into.append(group)
        return
    only = drawn[0] if len(drawn) == 1 else None
    if only is not None and only.tag == "path" and set(group.attrib) == {"opacity"}:
        paints = [n for n in ("fill", "stroke") if only.get(n, "none") != "none"]
        if len(paints) == 1:  # one paint: the same as opacity of the paint, and far cheaper to draw
            name = f"{paints[0]}-opacity"
            only.set(name, text_of(float(only.get(name, "1")) * opacity))
            place.into.extend(group)
            return
    if place.owners and place.ink:
        group.set(OWNERS, owners_text(place.owners))
    place.into.append(group)


def _attach(walk: Walker, element: Element, resources: dict[str, str], group: Element, inner: Place) -> bool:
    for name, value in resources.items():
        if name == "filter":
            answer = _filter(walk, element, value, inner)
        elif value.lower().startswith("url("):
            identity, _ = reference(walk.job, element, value)
            target = walk.job.document.ids.get(identity or "")
            expected = "clipPath" if name == "clip-path" else "mask"
            if target is None or target.tag != expected:
                continue  # CSS Masking 1: a reference to nothing is no clip and no mask
            answer = (clip if name == "clip-path" else mask)(walk, target, group, inner)
        else:
            walk.job.unsupported(element, f"{name}: {value.split('(')[0]}()")
            continue
        if answer == NOTHING:
            return False
        if answer:
            group.set(name, answer)
    return True


def _unit_matrix(job: Job, group: Element) -> Matrix | None:
    """Return the matrix from the unit square to the group's box, None where it has no area."""
    edges = job.box(group)
    if edges is None or edges[2] <= edges[0] or edges[3] <= edges[1]:
        return None
    return edges[2] - edges[0], 0.0, 0.0, edges[3] - edges[1], edges[0], edges[1]


def _inside(inner: Place, target: Element, out: Element, matrix: Matrix, style: css.Style) -> Place:
    """Return the place of what lies in a clip path or mask: it shapes the ink and is none itself."""
    return replace(
        inner,
        into=out,
        matrix=matrix,
        style=style,
        depth=inner.depth + 1,
        uses=(*inner.uses, target),
        ink=False,
        owners=(),
    )


def clip(walk: Walker, target: Element, group: Element, inner: Place) -> str:
    """Return "url(#id)" of the clip path made for `group`, or NOTHING."""
    job = walk.job
    if target in inner.uses:
        job.unsupported(target, "a clip path that clips itself")
        return NOTHING
    style = job.style_of(target)
    matrix = walk.matrix_of(target, style, inner.frame)
    if matrix is None:
        return NOTHING
    if target.get("clipPathUnits") == "objectBoundingBox":
        unit = _unit_matrix(job, group)
        if unit is None:
            return NOTHING
        matrix = multiply(matrix, unit)
    out = Element("clipPath")
    inside = _inside(inner, target, out, matrix, style)
    for child in target:
        _clip_child(walk, child, inside)
    shed(out)
    if not len(out):
        return NOTHING
    if (value := style.get("clip-path", "none")).lower().startswith("url("):
        identity, _ = reference(job, target, value)
        further = job.document.ids.get(identity or "")
        if further is not None and further.tag == "clipPath":
            answer = clip(walk, further, group, replace(inner, uses=inside.uses, depth=inside.depth))
            if answer == NOTHING:
                return NOTHING
            out.set("clip-path", answer)
    return f"url(#{job.define('clip', out)})"


def _clip_child(walk: Walker, child: Element, inside: Place, style: css.Style | None = None) -> None:
    """Add one shape to the clip path: its geometry alone, no paint, no stroke."""
    job = walk.job
    job.step(child, inside.depth)
    style = css.computed(job.declared(child), inside.style if style is None else style)
    inside = replace(inside, frame=walk.frame_of(style, inside))
    matrix = walk.matrix_of(child, style, inside.frame)
    if style.get("display") == "none" or matrix is None:
        return
    place = replace(inside, matrix=multiply(inside.matrix, matrix), style=style)
    if child.tag == "use":
        target = job.document.ids.get(href(child)[1:])
        if (
            target is not None
            and (target.tag in shapes.TAGS or target.tag == "text")
            and target not in inside.uses
        ):
            x, y = (units.length(child.get(n), inside.frame, n) or 0.0 for n in ("x", "y"))
            moved = replace(place, matrix=multiply(place.matrix, (1.0, 0.0, 0.0, 1.0, x, y)))
            _with_clip(walk, child, style, moved, lambda p: _clip_child(walk, target, p, style))
        return
    # Geometry alone counts: it is drawn in black without opacity or stroke, whatever the art says.
    black = {k: v for k, v in style.items() if k in css.INHERITED} | {
        "fill": "#000000",
        "stroke": "none",
        "fill-opacity": "1",
    }
    black["fill-rule"] = style.get("clip-rule", "nonzero")
    if child.tag in shapes.TAGS:
        made = shapes.outline_of(job, child, inside.frame)
        if made is not None and css.word(style, "visibility", "visible") == "visible":
            _with_clip(walk, child, style, place, lambda p: _geometry(walk, child, made, black, p))
    elif child.tag == "text":
        _with_clip(walk, child, style, place, lambda p: walk.text(child, black, p))


def _geometry(walk: Walker, child: Element, made: Outline, black: css.Style, place: Place) -> None:
    shapes.draw(walk, child, made, black, place)
    if len(place.into) and black["fill-rule"] == "evenodd":
        place.into[-1].set("clip-rule", place.into[-1].attrib.pop("fill-rule", "evenodd"))


def _with_clip(
    walk: Walker, child: Element, style: css.Style, place: Place, add: Callable[[Place], None]
) -> None:
    """Add the child to the clip path; a clip of its own lands on the paths that it becomes."""
    value = style.get("clip-path", "none")
    identity = reference(walk.job, child, value)[0] if value.lower().startswith("url(") else None
    target = walk.job.document.ids.get(identity or "")
    if target is None or target.tag != "clipPath":
        add(place)
        return
    holder = Element("g")
    add(replace(place, into=holder))
    local = Element("g")
    probe = replace(place, into=local, matrix=IDENTITY)
    add(probe)
    for path, plain in zip(list(holder), list(local), strict=True):
        one = Element("g")
        one.append(plain)
        answer = clip(walk, target, one, replace(place, matrix=IDENTITY))
        if answer != NOTHING:
            path.set("clip-path", answer)
            place.into.append(path)


def mask(walk: Walker, target: Element, group: Element, inner: Place) -> str:
    """Return "url(#id)" of the mask made for `group`, or NOTHING."""
    job = walk.job
    if target in inner.uses:
        job.unsupported(target, "a mask that masks itself")
        return NOTHING
    style = job.style_of(target)
    unit = _unit_matrix(job, group)
    own_units = target.get("maskUnits") != "userSpaceOnUse"
    content_units = target.get("maskContentUnits") == "objectBoundingBox"
    if unit is None and (own_units or content_units):
        return NOTHING
    frame = UNIT_FRAME if own_units else inner.frame
    x, y, width, height = (
        units.length(target.get(n) or d, frame, "x" if n in ("x", "width") else "y") or 0.0
        for n, d in (("x", "-10%"), ("y", "-10%"), ("width", "120%"), ("height", "120%"))
    )
    if own_units and unit is not None:
        x, y, width, height = unit[4] + x * unit[0], unit[5] + y * unit[3], width * unit[0], height * unit[3]
    if width <= 0 or height <= 0:
        return NOTHING
    out = Element("mask", {"maskUnits": "userSpaceOnUse"})
    for name, value in (("x", x), ("y", y), ("width", width), ("height", height)):
        out.set(name, text_of(value))
    if css.word(style, "mask-type", "luminance") == "alpha":
        out.set("mask-type", "alpha")
    if css.word(style, "color-interpolation", "srgb") == "linearrgb":
        out.set("color-interpolation", "linearRGB")
    matrix = unit if content_units and unit is not None else IDENTITY
    inside = _inside(inner, target, out, matrix, style)
    walk.children(target, inside)
    shed(out)
    if not len(out):
        return NOTHING
    if (text := style.get("mask", "none")).lower().startswith("url("):
        identity, _ = reference(job, target, text)
        further = job.document.ids.get(identity or "")
        if further is not None and further.tag == "mask":
            answer = mask(walk, further, group, replace(inner, uses=inside.uses, depth=inside.depth))
            if answer == NOTHING:
                return NOTHING
            out.set("mask", answer)
    return f"url(#{job.define('mask', out)})"


def _filter(walk: Walker, element: Element, value: str, inner: Place) -> str:
    job = walk.job
    if element.tag == "text":  # its region hangs on the font's cells, which are gone after outlining
        job.unsupported(element, "a filter on live text")
    if not value.lower().startswith("url("):
        if (
            not _FUNCTIONS.match(value)
            or "currentcolor" in value.lower()
            or re.search(r"\d(?:em|ex|rem|%)\b", value)
            or re.search(r"drop-shadow\([^a-z#]*(?:(?:px|mm|cm|in|pt|pc)[^a-z#]*)*\)", value, re.IGNORECASE)
        ):
            job.unsupported(element, f"filter: {value[:40]}")
            return ""
        return value
    identity, rest = reference(job, element, value)
    target = job.document.ids.get(identity or "")
    if target is None or target.tag != "filter" or rest:
        job.unsupported(element, f"filter: {value[:40]} (a list, or it refers to nothing)")
        return ""
    if href(target):
        job.unsupported(target, "a filter that takes from another")
    out = _copied(job, target, depth=inner.depth)
    out.attrib.pop("id", None)
    if any(c.tag == "feImage" for c in out):
        job.unsupported(target, "feImage")
    inputs = {c.get(n, "") for c in out.iter() for n in ("in", "in2")}
    if inputs & {"BackgroundImage", "BackgroundAlpha", "FillPaint", "StrokePaint"}:
        job.unsupported(target, "a filter that reads its background or paint")
    return f"url(#{job.define('filter', out)})"


def _copied(job: Job, element: Element, depth: int) -> Element:
    """Return a filter's tree with its style put into attributes."""
    job.step(element, depth)
    style = job.style_of(element)
    out = Element(
        element.tag,
        {
            k: v
            for k, v in element.attrib.items()
            if k[0] != "{" and ":" not in k and k not in ("style", "class", "id", "href")
        },  # without href: nothing outside may get to a renderer, whether the art stops or not
    )
    for name in ("flood-color", "lighting-color"):
        if name in style:
            rgba = solid(job, element, style[name], style) or (0, 0, 0, 1.0)
            out.set(name, hex_of(rgba[:3]))
            if name == "flood-color":
                out.set("flood-opacity", text_of(units.opacity(style.get("flood-opacity")) * rgba[3]))
    for name in ("flood-opacity", "color-interpolation-filters"):
        if name in style and name not in out.attrib:
            out.set(name, style[name])
    out.extend(_copied(job, child, depth + 1) for child in element if child.tag[0] != "{")
    return out
