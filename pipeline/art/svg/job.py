"""What one normalisation carries: the document, the caps, the findings, and the resources made on the way."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from urllib.parse import quote, unquote
from xml.etree.ElementTree import Element, tostring

from pipeline.art.fonts import FontShelf
from pipeline.art.piece import Limits
from pipeline.art.svg import css
from pipeline.art.svg.outline import Outline
from pipeline.art.svg.parse import Document, too_large
from pipeline.art.svg.units import IDENTITY, Frame, Matrix, multiply, transform
from pipeline.finding import Finding, Severity
from pipeline.raster import Pixels

OWNERS = "data-owners"
"""Attribute of the normalised tree: the ids, in the art as it came, of all elements that a shape belongs to."""

FLATTEN = "Flatten or expand that effect in the drawing program (or export it as paths), and send it again."


@dataclass(frozen=True, slots=True)
class Borrowed:
    """What context-fill and context-stroke mean inside a marker or a `use`: values with the style they come from."""

    fill: str
    stroke: str
    style: css.Style


@dataclass(frozen=True, slots=True)
class Place:
    """Where an element is drawn: into which group, by which matrix, with which parent style and owners."""

    into: Element
    style: css.Style
    frame: Frame
    matrix: Matrix = IDENTITY
    owners: tuple[str, ...] = ()
    depth: int = 0
    uses: tuple[Element, ...] = ()
    borrowed: Borrowed | None = None
    ink: bool = True
    """False inside masks and clip paths, whose colours are not ink."""


@dataclass(slots=True)
class Job:
    """State of one normalisation; nothing of it outlives the call."""

    document: Document
    limits: Limits
    fonts: FontShelf
    read_image: Callable[[bytes], tuple[Pixels, bool]] | None
    sheets: css.Sheets = field(default_factory=css.Sheets)
    findings: dict[tuple[str, str], Finding] = field(default_factory=dict)
    defs: list[Element] = field(default_factory=list)
    outlines: dict[Element, Outline] = field(default_factory=dict)
    named: set[str] = field(default_factory=set)
    embedded: dict[Element, Job] = field(default_factory=dict)
    """The work on drawings that image elements embed."""
    steps: int = 0
    points: int = 0
    _known: dict[bytes, str] = field(default_factory=dict)
    _counts: dict[str, int] = field(default_factory=dict)
    _declared: dict[Element, css.Style] = field(default_factory=dict)
    _styles: dict[Element, css.Style] = field(default_factory=dict)

    def inside(self, document: Document, sheets: css.Sheets) -> Job:
        """Return the work on a drawing within this one: its own ids and styles, the same findings and resources."""
        return Job(
            document,
            self.limits,
            self.fonts,
            self.read_image,
            sheets,
            self.findings,
            self.defs,
            self.outlines,
            _known=self._known,
            _counts=self._counts,
        )

    def declared(self, element: Element) -> css.Style:
        """Return what is said of the element itself."""
        found = self._declared.get(element)
        if found is None:
            found = self._declared[element] = css.declared(element, self.sheets)
        return found

    def style_of(self, element: Element) -> css.Style:
        """Return the computed style at the element's own place in the document (for resources)."""
        found = self._styles.get(element)
        if found is None:
            found = {}
            for above in [*reversed(list(self.document.ancestors(element))), element]:
                parent, found = found, css.computed(self.declared(above), found)
                found["font-size"] = f"{css.font_size(found, parent, Frame(0.0, 0.0))!r}px"
            self._styles[element] = found
        return found

    def step(self, element: Element, depth: int) -> None:
        """Count one visited element; raises Refused beyond the caps."""
        self.steps += 1
        if self.steps > self.limits.elements:
            raise too_large(
                self.document.name,
                f"expands to more than {self.limits.elements:,} elements ({self.document.where(element)})",
            )
        if depth > self.limits.depth:
            raise too_large(
                self.document.name,
                f"elements and references nest deeper than {self.limits.depth} ({self.document.where(element)})",
            )

    def find(
        self,
        code: str,
        severity: Severity,
        element: Element | None,
        what: str,
        remedy: str,
        measured: str | None = None,
    ) -> None:
        """Note a finding once; the message names the art, the line and the element."""
        where = f", {self.document.where(element)}" if element is not None else ""
        message = f"{self.document.name}{where}: {what}."
        self.findings.setdefault((code, message), Finding(code, severity, message, remedy, measured=measured))

    def unsupported(self, element: Element | None, feature: str) -> None:
        """Note a feature that changes the ink and is not drawn."""
        self.find(
            "unsupported-feature", "stop", element, f"{feature} is not drawn", FLATTEN, measured=feature
        )

    def external(self, element: Element | None, address: str) -> None:
        """Note a reference to something outside the file; it is never followed."""
        self.find(
            "external-reference",
            "stop",
            element,
            f"refers to {address[:80]!r} outside the file; it was not followed and is missing from the drawing",
            "Embed what it refers to in the file, or remove the reference.",
            measured=address[:80],
        )

    def define(self, kind: str, element: Element) -> str:
        """Keep a resource, once for equal content, and return its id: kind and a running number."""
        content = tostring(element)
        if content not in self._known:
            self._counts[kind] = self._counts.get(kind, 0) + 1
            self._known[content] = f"{kind}{self._counts[kind]}"
            element.set("id", self._known[content])
            self.defs.append(element)
        return self._known[content]

    def box(self, element: Element, matrix: Matrix = IDENTITY) -> tuple[float, float, float, float] | None:
        """Return (left, top, right, bottom) of what the output element draws, without strokes, through `matrix`."""
        matrix = multiply(matrix, transform(element.get("transform")) or IDENTITY)
        outline = self.outlines.get(element)
        boxes = (
            [outline.moved(matrix).box()]
            if outline is not None
            else [self.box(child, matrix) for child in element]
        )
        real = [b for b in boxes if b is not None]
        if not real:
            return None
        return (
            min(b[0] for b in real),
            min(b[1] for b in real),
            max(b[2] for b in real),
            max(b[3] for b in real),
        )


GHOST = "ghost"
"""Tag of what draws nothing but counts for the box that a clip path or mask refers to; shed before writing."""


def inked(element: Element) -> list[Element]:
    """Return the children that draw."""
    return [child for child in element if child.tag != GHOST]


def shed(element: Element) -> None:
    """Remove what draws nothing."""
    for child in list(element):
        if child.tag == GHOST:
            element.remove(child)
        else:
            shed(child)


def owners_text(owners: tuple[str, ...]) -> str:
    """Return the owners as one attribute value."""
    return " ".join(quote(o, safe="~!*()'$@:;,?/&=+#[]") for o in owners)


def owners_of(element: Element) -> tuple[str, ...]:
    """Return the ids that the normalised element belongs to."""
    text = element.get(OWNERS)
    return tuple(unquote(o) for o in text.split()) if text else ()
