"""The walk: every element that draws becomes plain paths and images under the fewest groups.

`use`, `symbol`, `switch`, nested `svg`, markers and text are expanded in place; each leaf keeps the ids of all elements
it belongs to. Sources: SVG 1.1 section 5 (structure), SVG 2 section 5 (use, symbol, conditional processing).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from xml.etree.ElementTree import Element

from pipeline.art.svg import css, effects, images, markers, outline, shapes, units
from pipeline.art.svg.job import OWNERS, Borrowed, Job, Place, inked, owners_of, owners_text
from pipeline.art.svg.servers import href
from pipeline.art.svg.units import Frame, Matrix, multiply

LANGUAGES = ("en", "en-gb", "en-us")
"""Languages that `switch` picks, whatever the machine's own."""

_SILENT = units.words(
    """
    defs style script title desc metadata clipPath mask pattern linearGradient radialGradient marker
    filter symbol stop view cursor font font-face glyph missing-glyph hkern vkern animate animateMotion
    animateTransform animateColor set solidcolor color-profile
    """
)
_UNDRAWN = units.words("foreignObject flowRoot flowPara mesh meshgradient hatch video audio canvas iframe")
"""Elements that some programs draw; those that none knows draw nothing anywhere."""

_DRAWN = shapes.TAGS | units.words("g a switch use svg image text foreignObject")

_DRAWN = shapes.TAGS | units.words("g a switch use svg image text foreignObject")


class Walker:
    """Expands one document into an output tree; the state is in `job`."""

    def __init__(self, job: Job) -> None:
        self.job = job
        self.pen = (0.0, 0.0)
        """Where the next chunk of the text being set begins."""

    def children(self, element: Element, place: Place) -> None:
        """Draw all children of an element whose style is `place.style`."""
        for child in element:
            self.draw(child, place)

    def draw(
        self, element: Element, place: Place, *, size: tuple[str | None, str | None] = (None, None)
    ) -> None:
        """Draw one element; `size` is what a `use` says of the width and height of its symbol or svg."""
        job, tag = self.job, element.tag
        if tag[0] == "{" or (
            tag in _SILENT and not (tag == "symbol" and place.uses and place.uses[-1] is element)
        ):
            return
        job.step(element, place.depth)
        style = css.computed(job.declared(element), place.style)
        place = replace(
            place, depth=place.depth + 1, frame=self.frame_of(style, place), owners=_owners(element, place)
        )
        if style.get("display", "").strip().lower() == "none" or not applies(element):
            self.hidden(element, place)
            return
        matrix = self.matrix_of(element, style, place.frame)
        if matrix is None:
            return
        place = replace(place, style=style, matrix=multiply(place.matrix, matrix))
        if tag in ("g", "a"):
            effects.grouped(self, element, style, place, lambda p: self.children(element, p))
        elif tag == "switch":
            chosen = next((c for c in element if c.tag in _DRAWN and applies(c)), None)
            if chosen is not None:
                effects.grouped(self, element, style, place, lambda p: self.draw(chosen, p))
        elif tag == "use":
            effects.grouped(self, element, style, place, lambda p: self._use(element, p))
        elif tag in ("svg", "symbol"):
            effects.grouped(self, element, style, place, lambda p: self._viewport(element, style, p, size))
        elif tag in shapes.TAGS:
            self._shape(element, style, place)
        elif tag == "image":
            effects.grouped(self, element, style, place, lambda p: images.draw(self, element, style, p))
        elif tag == "text":
            effects.grouped(self, element, style, place, lambda p: self.text(element, style, p))
        elif tag in _UNDRAWN:
            job.unsupported(element, f"<{tag}>")

    def frame_of(self, style: css.Style, place: Place) -> Frame:
        """Settle the font size in `style` and return the frame with it."""
        size = css.font_size(style, place.style, place.frame)
        style["font-size"] = f"{size!r}px"
        return place.frame if size == place.frame.font_size else replace(place.frame, font_size=size)

    def matrix_of(self, element: Element, style: css.Style, frame: Frame) -> Matrix | None:
        """Return the element's own transform about its origin; None where it draws nothing or cannot be read."""
        text = style.get("transform") or ""
        if not text:
            return units.IDENTITY
        matrix = units.transform(text)
        if matrix is None:
            self.job.find(
                "unsupported-feature",
                "stop",
                element,
                f"the transform {text[:60]!r} cannot be read",
                "Export the drawing again with plain transforms.",
                measured="transform",
            )
            return units.IDENTITY
        if units.flat(matrix):
            return None
        origin = style.get("transform-origin", "").split()
        if not origin or matrix == units.IDENTITY:
            return matrix
        if css.word(style, "transform-box", "view-box") != "view-box":
            self.job.unsupported(element, "transform-box")
        x, y = _origin(origin, frame)
        return multiply(multiply((1.0, 0.0, 0.0, 1.0, x, y), matrix), (1.0, 0.0, 0.0, 1.0, -x, -y))

    def applies(self, element: Element) -> bool:
        """Do the conditional attributes let the element be drawn?"""
        return applies(element)

    def hidden(self, element: Element, place: Place) -> None:
        """Note ink that is in the file but not shown."""
        if not place.ink:
            return
        self.job.named.update(place.owners)
        inside = next(
            (e for e in element.iter() if e.tag in shapes.TAGS or e.tag in ("text", "image", "use")), None
        )
        if inside is not None:
            label = place.owners[-1] if place.owners else ""
            self.job.find(
                "hidden-content",
                "warn",
                element,
                "is hidden and not printed",
                "Delete it from the art, or show it if it belongs to the design"
                + (f'; omit = ["{label}"] says that it is meant.' if label else "."),
                measured=label or None,
            )

    def _shape(self, element: Element, style: css.Style, place: Place) -> None:
        made = shapes.outline_of(self.job, element, place.frame)
        if made is None:
            return
        marks = markers.wanted(self, element, style, place)

        def fill(inner: Place) -> None:
            draw_marks = (lambda: markers.draw(self, made, marks, style, inner)) if marks else None
            shapes.draw(self, element, made, style, inner, draw_marks)

        effects.grouped(self, element, style, place, fill)

    def _use(self, element: Element, place: Place) -> None:
        address = href(element)
        if address and not address.startswith("#"):
            self.job.external(element, address)
            return
        target = self.job.document.ids.get(address[1:])
        if target is None:
            return
        if target in place.uses or target is element or element in target.iter():
            self.job.find(
                "unsupported-feature",
                "stop",
                element,
                f"refers to itself through '{address}'",
                "Remove the reference and send it again.",
                measured="circular reference",
            )
            return
        x, y = (units.length(element.get(n), place.frame, n) or 0.0 for n in ("x", "y"))
        borrowed = Borrowed(
            own_paint(place, place.style, "fill"), own_paint(place, place.style, "stroke"), place.style
        )
        inner = replace(
            place,
            matrix=multiply(place.matrix, (1.0, 0.0, 0.0, 1.0, x, y)),
            uses=(*place.uses, target),
            borrowed=borrowed,
        )
        self.draw(target, inner, size=(element.get("width"), element.get("height")))

    def _viewport(
        self, element: Element, style: css.Style, place: Place, size: tuple[str | None, str | None]
    ) -> None:
        """Draw a nested svg or a used symbol: place, scale and clip its content."""
        frame = place.frame
        symbol = element.tag == "symbol"
        x, y = (
            (0.0 if symbol and n not in element.attrib else units.length(element.get(n), frame, n) or 0.0)
            for n in ("x", "y")
        )
        width, height = (
            value if value is not None else whole
            for value, whole in (
                (units.length(size[0] or element.get("width"), frame, "x"), frame.width),
                (units.length(size[1] or element.get("height"), frame, "y"), frame.height),
            )
        )
        if width <= 0 or height <= 0:
            return
        matrix: Matrix = (1.0, 0.0, 0.0, 1.0, x, y)
        view = units.view_box(element.get("viewBox"))
        inner_frame = replace(frame, width=width, height=height)
        if view is not None:
            matrix = multiply(matrix, units.fit(view, width, height, element.get("preserveAspectRatio"))[0])
            inner_frame = replace(frame, width=view[2], height=view[3])
        inner = replace(place, matrix=multiply(place.matrix, matrix), frame=inner_frame)
        if css.word(style, "overflow", "hidden") in ("visible", "auto"):
            self.children(element, inner)
            return
        clipped(
            self, place, (x, y, width, height), lambda into: self.children(element, replace(inner, into=into))
        )

    def text(self, element: Element, style: css.Style, place: Place) -> None:
        """Draw live text as outlines of the font found for it."""
        from pipeline.art.svg import text

        self.pen = (0.0, 0.0)
        text.draw(self, element, style, place)


def clipped(
    walk: Walker, place: Place, area: tuple[float, float, float, float], draw: Callable[[Element], None]
) -> None:
    """Draw into a group that a rectangle (in the coordinates of `place`) clips, where the content sticks out of it."""
    group = Element("g")
    draw(group)
    if not inked(group):
        place.into.extend(group)
        return
    made = outline.rectangle(*area)
    clip = Element("clipPath")
    path = Element("path", {"d": made.d()})
    if place.matrix != units.IDENTITY:
        path.set("transform", units.matrix_text(place.matrix))
    path.set("fill", "#000000")
    clip.append(path)
    group.set("clip-path", f"url(#{walk.job.define('clip', clip)})")
    if place.owners and place.ink:
        group.set(OWNERS, owners_text(place.owners))
    place.into.append(group)


def own_paint(place: Place, style: css.Style, name: str) -> str:
    """Return what `name` is for those that take it over by context-fill and context-stroke."""
    value = style.get(name, "black" if name == "fill" else "none")
    if value.lower() in ("context-fill", "context-stroke") and place.borrowed is not None:
        return place.borrowed.fill if value.lower() == "context-fill" else place.borrowed.stroke
    return value


def _owners(element: Element, place: Place) -> tuple[str, ...]:
    own = [*owners_of(element), *([i] if (i := element.get("id")) else [])]
    return (*place.owners, *(o for o in own if o not in place.owners)) if own else place.owners


def applies(element: Element) -> bool:
    """Do the conditional attributes let the element be drawn? (SVG 2 section 5.8)"""
    if element.get("requiredExtensions", "x") == "" or element.get("requiredExtensions"):
        return False
    languages = element.get("systemLanguage")
    if languages is None:
        return True
    wanted = [w.strip().lower() for w in languages.split(",")]
    return any(w in LANGUAGES or w.split("-")[0] == "en" for w in wanted if w)


def _origin(words: list[str], frame: Frame) -> tuple[float, float]:
    names = {"left": ("x", 0.0), "right": ("x", 1.0), "top": ("y", 0.0), "bottom": ("y", 1.0)}
    first = words[0].lower()
    second = words[1].lower() if len(words) > 1 else "center"
    if first in ("top", "bottom") or second in ("left", "right"):
        first, second = second, first

    def place(word: str, axis: str) -> float:
        whole = frame.width if axis == "x" else frame.height
        if word == "center":
            return whole / 2
        if word in names:
            return whole * names[word][1]
        return units.length(word, frame, axis) or 0.0

    return place(first, "x"), place(second, "y")
