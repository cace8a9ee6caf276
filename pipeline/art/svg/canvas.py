"""cairosvg on a surface of exactly the size asked for, with the places mended where it draws wrongly.

The surface, its scale and the gradients are cairosvg's; groups (clips with even-odd holes, clips on clips), images and
paths are drawn here, straight from the normalised form.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from typing import Any
from xml.etree.ElementTree import Element

import numpy as np

from pipeline.art.svg.cairo import cairo  # first: cairosvg imports cairocffi  # isort: skip
from cairosvg.defs import gradient_or_pattern
from cairosvg.surface import PNGSurface
from numpy.typing import NDArray

from pipeline.art.paint import parse_hex
from pipeline.art.svg import images, units

_SEGMENT = re.compile(r"([MLCZ])([^MLCZ]*)")
_CAPS = {"butt": cairo.LINE_CAP_BUTT, "round": cairo.LINE_CAP_ROUND, "square": cairo.LINE_CAP_SQUARE}
_JOINS = {"round": cairo.LINE_JOIN_ROUND, "bevel": cairo.LINE_JOIN_BEVEL}


class Node(dict[str, Any]):
    """An element of the normalised tree in the form that cairosvg draws."""

    def __init__(self, element: Element, parent: Node | None = None) -> None:
        super().__init__(element.attrib)
        self.tag = element.tag
        self.parent = parent
        self.url = None
        self.url_fetcher = None
        self.unsafe = False
        self.text = None
        self.image_width = self.image_height = 0.0
        self.vertices: list[Any] = []
        self.children = [Node(child, self) for child in element]

    def get_href(self) -> str | None:
        """Return what the element refers to; gradients of the normalised tree refer to nothing."""
        return None


class Canvas(PNGSurface):  # type: ignore[misc]
    """Draws the normalised tree."""

    def draw(self, node: Node) -> None:
        """Draw a node and what is in it."""
        if node.tag == "svg":
            self.clips = {
                n["id"]: n
                for d in node.children
                if d.tag == "defs"
                for n in d.children
                if n.tag == "clipPath"
            }
            self.gradients = {
                n["id"]: n
                for d in node.children
                if d.tag == "defs"
                for n in d.children
                if n.tag.endswith("Gradient")
            }
            for child in node.children:
                self.draw(child)
        elif node.tag == "g":
            self._group(node)
        elif node.tag == "image":
            self._image(node)
        elif node.tag == "path":
            self._path(node)

    def _path(self, node: Node) -> None:
        context = self.context
        context.save()
        _transform(context, node)
        sharp = node.get("shape-rendering") == "crispEdges"
        context.set_antialias(cairo.ANTIALIAS_NONE if sharp else cairo.ANTIALIAS_DEFAULT)
        _trace(context, node["d"])
        if self._source(node, "fill"):
            even = node.get("fill-rule") == "evenodd"
            context.set_fill_rule(cairo.FILL_RULE_EVEN_ODD if even else cairo.FILL_RULE_WINDING)
            context.fill_preserve()
        if self._source(node, "stroke"):
            context.set_line_width(float(node.get("stroke-width", 1)))
            context.set_line_cap(_CAPS[node.get("stroke-linecap", "butt")])
            context.set_line_join(_JOINS.get(node.get("stroke-linejoin", "miter"), cairo.LINE_JOIN_MITER))
            context.set_miter_limit(float(node.get("stroke-miterlimit", 4)))
            dashes = [float(v) for v in node.get("stroke-dasharray", "").split()]
            context.set_dash(dashes, float(node.get("stroke-dashoffset", 0)))
            context.stroke()
        context.new_path()
        context.restore()

    def _source(self, node: Node, name: str) -> bool:
        """Set the paint of "fill" or "stroke"; False where there is none."""
        value = node.get(name, "none")
        if value == "none":
            return False
        opacity = float(node.get(f"{name}-opacity", 1))
        if value.startswith("#"):
            red, green, blue = (channel / 255 for channel in parse_hex(value))
            self.context.set_source_rgba(red, green, blue, opacity)
            return True
        return bool(gradient_or_pattern(self, node, value[5:-1], opacity))

    def _group(self, node: Node) -> None:
        context = self.context
        context.save()
        _transform(context, node)
        clip = self.clips.get(node.get("clip-path", "")[5:-1])
        opacity = float(node.get("opacity", 1))
        if clip is not None and _shapes(node) > 1:
            self._bound(clip)
            context.push_group()
            for child in node.children:
                self.draw(child)
            content = context.pop_group()
            if self._clip(clip):
                context.set_source(content)
                context.paint_with_alpha(opacity)
            else:
                self._masked(clip, content, opacity)
            context.restore()
            return
        hard = clip is not None and not self._clip(clip)
        if opacity < 1 or hard:
            context.push_group()
        for child in node.children:
            self.draw(child)
        if opacity < 1 or hard:
            content = context.pop_group()
            if hard:
                self._masked(clip, content, opacity)
            else:
                context.set_source(content)
                context.paint_with_alpha(opacity)
        context.restore()

    def _bound(self, clip: Node) -> None:
        """Clip to the whole pixels around a clip path: several shapes are clipped once, together, so that none of them
        shows through the soft edge of those above it; the box keeps what is put aside for that small."""
        context = self.context
        matrix = context.get_matrix()
        edges = []
        for shape in clip.children:
            _transform(context, shape)
            _trace(context, shape["d"])
            left, top, right, bottom = context.path_extents()
            corners = [(left, top), (right, top), (left, bottom), (right, bottom)]
            edges += [context.user_to_device(x, y) for x, y in corners]
            context.set_matrix(matrix)
        context.new_path()
        context.set_matrix(cairo.Matrix())
        xs, ys = [math.floor(x) for x, _ in edges], [math.floor(y) for _, y in edges]
        context.rectangle(min(xs), min(ys), max(xs) - min(xs) + 1, max(ys) - min(ys) + 1)
        context.clip()
        context.set_matrix(matrix)

    def _clip(self, clip: Node) -> bool:
        """Clip to a clip path of one plain shape; False where it takes a mask."""
        if len(clip.children) != 1 or "clip-path" in clip.children[0]:
            return False
        further = self.clips.get(clip.get("clip-path", "")[5:-1])
        if further is not None and not self._clip(further):
            return False
        context = self.context
        matrix = context.get_matrix()
        shape = clip.children[0]
        _transform(context, shape)
        _trace(context, shape["d"])
        even = shape.get("clip-rule") == "evenodd"
        context.set_fill_rule(cairo.FILL_RULE_EVEN_ODD if even else cairo.FILL_RULE_WINDING)
        context.clip()
        context.set_fill_rule(cairo.FILL_RULE_WINDING)
        context.set_matrix(matrix)
        return True

    def _masked(self, clip: Node | None, content: Any, opacity: float) -> None:
        """Paint the content through the union of the clip's shapes."""
        context = self.context
        if clip is None:
            return
        context.push_group()
        for shape in clip.children:
            context.save()
            _transform(context, shape)
            _trace(context, shape["d"])
            even = shape.get("clip-rule") == "evenodd"
            context.set_fill_rule(cairo.FILL_RULE_EVEN_ODD if even else cairo.FILL_RULE_WINDING)
            context.set_source_rgba(0, 0, 0, 1)
            context.fill()
            context.restore()
        shape_mask = context.pop_group()
        further = self.clips.get(clip.get("clip-path", "")[5:-1])
        if further is None:
            context.set_source(content)
            if opacity < 1:
                context.push_group()
                context.set_source(content)
                context.mask(shape_mask)
                context.pop_group_to_source()
                context.paint_with_alpha(opacity)
            else:
                context.mask(shape_mask)
            return
        context.push_group()
        context.set_source(content)
        context.mask(shape_mask)
        self._masked(further, context.pop_group(), opacity)

    def _image(self, node: Node) -> None:
        context = self.context
        context.save()
        _transform(context, node)
        pixels = images.pixels_of(node["href"])
        context.set_source_surface(_surface(pixels))
        pattern = context.get_source()
        fast = node.get("image-rendering") == "optimizeSpeed"
        pattern.set_filter(cairo.FILTER_NEAREST if fast else cairo.FILTER_GOOD)
        pattern.set_extend(cairo.EXTEND_PAD)
        context.rectangle(0, 0, pixels.shape[1], pixels.shape[0])
        context.fill()
        context.restore()


def render(root: Element, width_px: int, height_px: int, take: Callable[[NDArray[np.uint8]], Any]) -> Any:
    """Draw, and return what `take` makes of the premultiplied BGRA pixels (H, W, 4); they live only that long."""
    canvas = Canvas(Node(root), None, 96, output_width=width_px, output_height=height_px)
    canvas.cairo.flush()
    rows = np.frombuffer(canvas.cairo.get_data(), np.uint8).reshape(height_px, canvas.cairo.get_stride())
    made = take(rows[:, : width_px * 4].reshape(height_px, width_px, 4))
    del rows
    canvas.cairo.finish()
    return made


def _shapes(node: Node) -> int:
    """Count the shapes in a group that could show through each other's edges; two are as good as many."""
    count = 0
    for child in node.children:
        count += _shapes(child) if child.tag == "g" else 1
    return min(count, 2)


def _transform(context: Any, node: Node) -> None:
    matrix = units.transform(node.get("transform"))
    if matrix:
        context.transform(cairo.Matrix(*matrix))


def _trace(context: Any, d: str) -> None:
    """Add path data of the normalised form (M, L, C, Z, absolute) to the context's path."""
    move, line, curve, close = context.move_to, context.line_to, context.curve_to, context.close_path
    context.new_path()
    for op, numbers in _SEGMENT.findall(d):
        if op == "M":
            move(*map(float, numbers.split()))
        elif op == "L":
            line(*map(float, numbers.split()))
        elif op == "C":
            curve(*map(float, numbers.split()))
        else:
            close()


def _surface(pixels: Any) -> Any:
    """Return a cairo surface of straight RGBA pixels."""
    height, width = pixels.shape[:2]
    stride = cairo.ImageSurface.format_stride_for_width(cairo.FORMAT_ARGB32, width)
    data = np.zeros((height, stride), np.uint8)
    view = data[:, : width * 4].reshape(height, width, 4)
    alpha = pixels[:, :, 3].astype(np.uint16)
    for channel, source in ((0, 2), (1, 1), (2, 0)):
        view[:, :, channel] = (pixels[:, :, source].astype(np.uint16) * alpha + 127) // 255
    view[:, :, 3] = pixels[:, :, 3]
    return cairo.ImageSurface.create_for_data(
        bytearray(data.tobytes()), cairo.FORMAT_ARGB32, width, height, stride
    )
