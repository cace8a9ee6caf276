"""Safe XML: the document as a plain tree with line numbers, or a refusal that says where and what to do.

No external entity or DTD is ever loaded; internal entities are taken only where each stands for a namespace URI
(drawing programs write those); elements, depth and size are capped while parsing.
"""

from __future__ import annotations

import re
import zlib
from collections.abc import Iterator
from dataclasses import dataclass, field
from xml.etree.ElementTree import Element
from xml.parsers import expat

from pipeline.art.piece import Limits
from pipeline.faults import Refused

SVG = "http://www.w3.org/2000/svg"
_SHORT = {"http://www.w3.org/1999/xlink": "xlink:", "http://www.w3.org/XML/1998/namespace": "xml:"}
_URI = re.compile(r"[a-zA-Z][a-zA-Z0-9+.-]*:[^\s<&%\"']{0,200}$")
_STYLESHEET = re.compile(r"href\s*=\s*[\"']([^\"']*)[\"']")


@dataclass(slots=True)
class Document:
    """The tree: SVG elements and attributes under their plain names, foreign ones as "{namespace}name"."""

    name: str
    root: Element
    lines: dict[Element, int] = field(default_factory=dict)
    ids: dict[str, Element] = field(default_factory=dict)
    parents: dict[Element, Element] = field(default_factory=dict)
    sheets: list[str] = field(default_factory=list)
    """Addresses of style sheets outside the file (xml-stylesheet)."""

    def where(self, element: Element) -> str:
        """Return "line 12, <rect id=…>" for messages."""
        label = f' id="{element.get("id")}"' if element.get("id") else ""
        tag = element.tag.rsplit("}", 1)[-1]
        return f"line {self.lines.get(element, 0)}, <{tag}{label}>"

    def ancestors(self, element: Element) -> Iterator[Element]:
        """Yield the elements around `element`, nearest first."""
        while (above := self.parents.get(element)) is not None:
            yield above
            element = above


def read(data: bytes, name: str, limits: Limits) -> Document:
    """Parse `data`; raises Refused ("art-unreadable" or "art-too-large")."""
    if data[:2] == b"\x1f\x8b":
        data = _unpacked(data, name, limits)
    if len(data) > limits.file_bytes:
        raise too_large(name, f"{len(data):,} bytes of SVG; {limits.file_bytes:,} is the limit")
    builder = _Builder(name, limits)
    parser = expat.ParserCreate(namespace_separator="\n")
    parser.buffer_text = True
    parser.ordered_attributes = True
    parser.SetParamEntityParsing(expat.XML_PARAM_ENTITY_PARSING_NEVER)
    parser.StartElementHandler = builder.start
    parser.EndElementHandler = builder.end
    parser.CharacterDataHandler = builder.text
    parser.EntityDeclHandler = builder.entity
    parser.ExternalEntityRefHandler = builder.external
    parser.SkippedEntityHandler = builder.skipped
    parser.ProcessingInstructionHandler = builder.instruction
    builder.parser = parser
    try:
        parser.Parse(data, True)
    except (expat.ExpatError, ValueError, LookupError) as error:
        raise unreadable(name, f"is not well-formed XML ({error})", "open it and export it again") from error
    root = builder.document.root
    if root.tag not in ("svg", "{}svg"):
        tag = root.tag.rpartition("}")[2]
        raise unreadable(name, f"is XML, but its outermost element is <{tag}>, not <svg>", "export it as SVG")
    return builder.document


def unreadable(name: str, what: str, remedy: str) -> Refused:
    """Return the refusal of art that cannot be read."""
    return Refused(f"{name}: {what}; {remedy}.", "art-unreadable")


def too_large(name: str, what: str) -> Refused:
    """Return the refusal of art beyond a limit."""
    return Refused(f"{name}: {what}; simplify the drawing or split it.", "art-too-large")


def _unpacked(data: bytes, name: str, limits: Limits) -> bytes:
    unpacker = zlib.decompressobj(31)
    try:
        out = unpacker.decompress(data, limits.file_bytes + 1)
    except zlib.error as error:
        raise unreadable(name, f"is compressed and damaged ({error})", "send it again") from error
    if not unpacker.eof and len(out) <= limits.file_bytes:
        raise unreadable(name, "is compressed and ends early", "send it again")
    return out


class _Builder:
    """Takes the parser's events; keeps the caps."""

    def __init__(self, name: str, limits: Limits) -> None:
        self.document = Document(name, Element("none"))
        self.parser: expat.XMLParserType
        self._limits = limits
        self._stack: list[Element] = []
        self._last: Element | None = None
        self._bare = False

    def start(self, tag: str, attributes: list[str]) -> None:
        uri, _, local = tag.rpartition("\n")
        document = self.document
        if not self._stack:
            self._bare = uri == ""  # no namespace anywhere: taken as SVG
        name = local if uri == SVG or (self._bare and uri == "") else f"{{{uri}}}{local}"
        element = Element(name)
        for i in range(0, len(attributes), 2):
            space, _, key = attributes[i].rpartition("\n")
            element.set(_SHORT.get(space, f"{{{space}}}") + key if space else key, attributes[i + 1])
        line = self.parser.CurrentLineNumber
        document.lines[element] = line
        if len(document.lines) > self._limits.elements:
            raise too_large(document.name, f"more than {self._limits.elements:,} elements (line {line})")
        if len(self._stack) >= self._limits.depth:
            raise too_large(document.name, f"elements nest deeper than {self._limits.depth} (line {line})")
        if self._stack:
            self._stack[-1].append(element)
            document.parents[element] = self._stack[-1]
        else:
            document.root = element
        identity = element.get("id")
        if identity:
            document.ids.setdefault(identity, element)
        self._stack.append(element)
        self._last = None

    def end(self, _tag: str) -> None:
        self._last = self._stack.pop()

    def text(self, text: str) -> None:
        if self._last is not None and self._stack:
            self._last.tail = (self._last.tail or "") + text
        elif self._stack:
            self._stack[-1].text = (self._stack[-1].text or "") + text

    def entity(self, name: str, parameter: int, value: str | None, *_rest: str | None) -> None:
        if parameter or value is None or not _URI.match(value):
            raise unreadable(
                self.document.name,
                f"declares the entity '{name}' (line {self.parser.CurrentLineNumber}), which is not followed",
                "export it as plain SVG without a DTD",
            )

    def external(self, *_rest: str | None) -> int:
        raise unreadable(
            self.document.name,
            f"refers to a file outside (entity, line {self.parser.CurrentLineNumber})",
            "export it as plain SVG without a DTD",
        )

    def skipped(self, name: str, parameter: bool) -> None:  # noqa: FBT001  the parser calls it by place
        if not parameter:
            raise unreadable(
                self.document.name,
                f"uses the entity '{name}' that it does not declare (line {self.parser.CurrentLineNumber})",
                "export it as plain SVG without a DTD",
            )

    def instruction(self, target: str, data: str) -> None:
        if target == "xml-stylesheet":
            found = _STYLESHEET.search(data)
            self.document.sheets.append(found.group(1) if found else data)
