"""A PaintMap applied to the normalised tree: which shapes are drawn, and in which paints.

The result stays linear in the paints: gradients take the key at the stops that have the fabric's colour, so that a
pixel is w·key + rest, which is what the knock-out solves.
"""

from __future__ import annotations

from collections.abc import Collection
from typing import Protocol
from xml.etree.ElementTree import Element

from pipeline.art.paint import PaintMap, Rgb, hex_of, parse_hex
from pipeline.art.piece import VectorArt
from pipeline.art.svg import images
from pipeline.art.svg.job import owners_of
from pipeline.art.svg.normal import OWN
from pipeline.art.svg.parse import read as parse
from pipeline.raster import Pixels

_LEAVES = ("path", "image")
_PAINTS = ("fill", "stroke")
_SOLID = ("opacity", "fill-opacity", "stroke-opacity")
_MIXERS = ("style", "filter")


class OnImage(Protocol):
    """Takes an embedded image's pixels and whether its file was lossy; returns what is drawn in its place."""

    def __call__(self, pixels: Pixels, *, lossy: bool) -> Pixels:
        """Return straight RGBA of the same shape."""


def apply(root: Element, paints: PaintMap, on_image: OnImage | None = None) -> None:
    """Change the parsed normalised tree `root` in place so that it draws what `paints` says."""
    _Painter(root, paints, on_image).run()


def shapes_of(
    art: VectorArt, element: str, only: Collection[str] = (), omit: Collection[str] = ()
) -> tuple[int, int]:
    """Return how many shapes belong to the element that the art calls so, and how many of them are drawn."""
    root = parse(art.svg, art.name, OWN).root
    leaves = [e for e in root.iter() if e.tag in _LEAVES and element in owners_of(e)]
    kept = [e for e in leaves if not _left_out(e, frozenset(only), frozenset(omit))]
    return len(leaves), len(kept)


def _left_out(leaf: Element, only: frozenset[str], omit: frozenset[str]) -> bool:
    owners = owners_of(leaf)
    return bool(omit.intersection(owners)) or bool(only and not only.intersection(owners))


def _remove_lowest(parent: Element) -> bool:
    """Remove the first shape that is drawn; False where there is none."""
    for child in list(parent):
        if child.tag in _LEAVES:
            parent.remove(child)
            return True
        if child.tag == "g" and _remove_lowest(child):
            return True
    return False


class _Painter:
    def __init__(self, root: Element, paints: PaintMap, on_image: OnImage | None) -> None:
        self.root, self.map, self.on_image = root, paints, on_image
        defs = root.find("defs")
        self.defs = defs if defs is not None else Element("defs")
        self.known = {d.get("id"): d for d in self.defs}
        self.colours: dict[Rgb, Rgb] = {}
        for swap in paints.swap:
            if swap.colour is not None and swap.element is None:
                self.colours.setdefault(swap.colour, swap.to)
        self.by_element = [s for s in paints.swap if s.element is not None]
        self.copies: dict[tuple[str, str], str] = {}

    def run(self) -> None:
        if self.map.without_lowest:
            _remove_lowest(self.root)
        self._prune(self.root, frozenset(self.map.only), frozenset(self.map.omit))
        for element in self._inked():
            self._paint(element)

    def _prune(self, parent: Element, only: frozenset[str], omit: frozenset[str]) -> None:
        for child in list(parent):
            if child.tag == "defs":
                for server in child:
                    if server.tag == "pattern":
                        self._prune(server, frozenset(), omit)
                continue
            if child.tag == "g":
                self._prune(child, only, omit)
                if len(child) or ("filter" in child.attrib and not (only or omit)):
                    continue
                parent.remove(child)
            elif child.tag in _LEAVES and _left_out(child, only, omit):
                parent.remove(child)

    def _inked(self) -> list[Element]:
        """Return every painting element: the content's, and those of the servers that it uses."""
        out: list[Element] = []
        waiting, seen = [c for c in self.root if c.tag != "defs"], set()
        while waiting:
            for element in waiting.pop().iter():
                out.append(element)
                for name in _PAINTS:
                    server = self.known.get(_identity(element.get(name, "")))
                    if server is not None and server.get("id") not in seen:
                        seen.add(server.get("id"))
                        waiting.append(server)
        return out

    def _paint(self, element: Element) -> None:
        if element.tag == "stop":
            element.set("stop-color", self._colour(element.get("stop-color", "#000000"), None))
            return
        owners = owners_of(element)
        cut = self.map.key is not None and bool(set(self.map.cut_out).intersection(owners))
        if cut:
            self._cut(element)
            return
        if element.tag == "image":
            self._image(element, None)
        if element.tag != "path":
            return
        chosen = next((s for s in self.by_element if s.element in owners and s.colour is None), None)
        exact = {s.colour: s.to for s in self.by_element if s.element in owners and s.colour is not None}
        for name in _PAINTS:
            value = element.get(name, "none")
            if value.startswith("#"):
                own = parse_hex(value)
                to = chosen.to if chosen is not None else exact.get(own)
                element.set(name, self._colour(value, to))
            elif value != "none" and (chosen is not None or exact):
                to = self._keyed(chosen.to) if chosen is not None else None
                element.set(name, f"url(#{self._copy(_identity(value), to, exact)})")

    def _keyed(self, colour: Rgb) -> Rgb:
        return self.map.key if self.map.key is not None and colour in self.map.cloth else colour

    def _colour(self, value: str, to: Rgb | None) -> str:
        own = parse_hex(value)
        return hex_of(self._keyed(to if to is not None else self.colours.get(own, own)))

    def _cut(self, element: Element) -> None:
        key = self.map.key or (0, 0, 0)
        for name in (*_SOLID, *_MIXERS):
            element.attrib.pop(name, None)
        if element.tag == "path":
            for name in _PAINTS:
                if element.get(name, "none") != "none":
                    element.set(name, hex_of(key))
        elif element.tag == "image":
            self._image(element, key)

    def _image(self, element: Element, key: Rgb | None) -> None:
        if key is None and self.on_image is None:
            return
        pixels = images.pixels_of(element.get("href", ""))
        if key is not None:
            pixels[pixels[:, :, 3] > 0, :3] = key
        elif self.on_image is not None:
            pixels = self.on_image(pixels, lossy=images.LOSSY in element.attrib)
        element.set("href", images.png(pixels))

    def _copy(self, identity: str, to: Rgb | None, exact: dict[Rgb, Rgb]) -> str:
        """Return the id of a copy of a gradient or pattern for one element's own swap."""
        wanted = f"{to}{sorted(exact.items())}"
        if (identity, wanted) in self.copies:
            return self.copies[identity, wanted]
        original = self.known[identity]
        copy = _deep(original)
        made = self.copies[identity, wanted] = f"{identity}-{len(self.copies) + 1}"
        copy.set("id", made)
        for element in copy.iter():
            for name in ("fill", "stroke", "stop-color"):
                value = element.get(name, "none")
                if value.startswith("#"):
                    own = parse_hex(value)
                    element.set(name, hex_of(to) if to is not None else self._colour(value, exact.get(own)))
                elif value.startswith("url(#"):
                    element.set(name, f"url(#{self._copy(_identity(value), to, exact)})")
        self.defs.append(copy)
        return made


def _identity(value: str) -> str:
    return value[5:-1] if value.startswith("url(#") else ""


def _deep(element: Element) -> Element:
    copy = Element(element.tag, dict(element.attrib))
    copy.extend(_deep(child) for child in element)
    return copy
