"""Drawing vector art to pixels: exact size, edge to edge, by the renderer that draws it right.

cairosvg is read straight from its cairo surface (no PNG in between); resvg draws masks, filters and the rest that
cairosvg gets wrong. Both get the same normalised tree with the same rewritten paints.
"""

from __future__ import annotations

import io
from collections.abc import Callable
from typing import TypeVar
from xml.etree.ElementTree import Element

import numpy as np
from numpy.typing import NDArray

from pipeline.art.paint import PaintMap
from pipeline.art.piece import VectorArt
from pipeline.art.svg import paint, write
from pipeline.art.svg.normal import OWN
from pipeline.art.svg.parse import read as parse
from pipeline.faults import Refused
from pipeline.raster import Pixels
from pipeline.raster_runs import Picture, Runs, flat_or_not, merged

LARGEST_SIDE = 32767
"""Pixels a side that cairo surfaces can have."""

_ROWS = 64  # of a wide drawing; what one pass leaves in the cache, the next finds there
AS_IT_IS = PaintMap()
T = TypeVar("T")


def draw(
    art: VectorArt,
    width_px: int,
    height_px: int,
    paints: PaintMap = AS_IT_IS,
    on_image: paint.OnImage | None = None,
) -> Pixels:
    """Return the art drawn as `paints` says: straight RGBA, exactly (height_px, width_px, 4), edge to edge.

    `on_image` gets the straight RGBA pixels of every embedded image, and whether its file was lossy, and returns what
    is drawn in its place.
    Raises Refused ("art-too-large") for a size that cannot be drawn.
    """
    return draw_with(art.renderer, art, width_px, height_px, paints, on_image)


def draw_picture(
    art: VectorArt,
    width_px: int,
    height_px: int,
    paints: PaintMap = AS_IT_IS,
    on_image: paint.OnImage | None = None,
) -> Picture:
    """Return what `draw` returns, as runs where the drawing is flat: then few of its pixels are ever looked at."""
    root = _tree(art, width_px, height_px, paints, on_image)
    if art.renderer == "cairosvg":
        return _by_cairosvg(root, width_px, height_px, straight_picture)
    return flat_or_not(_by_resvg(root))


def draw_with(
    renderer: str,
    art: VectorArt,
    width_px: int,
    height_px: int,
    paints: PaintMap = AS_IT_IS,
    on_image: paint.OnImage | None = None,
) -> Pixels:
    """Return what `draw` returns, by a named renderer ("cairosvg" or "resvg")."""
    root = _tree(art, width_px, height_px, paints, on_image)
    return _by_cairosvg(root, width_px, height_px, straight) if renderer == "cairosvg" else _by_resvg(root)


def _tree(
    art: VectorArt,
    width_px: int,
    height_px: int,
    paints: PaintMap,
    on_image: paint.OnImage | None,
) -> Element:
    """Return the tree to draw: paints rewritten, the size set."""
    if min(width_px, height_px) < 1:
        raise ValueError(f"nothing can be drawn at {width_px} × {height_px} px")
    if max(width_px, height_px) > LARGEST_SIDE:
        raise Refused(
            f"{art.name}: {width_px} × {height_px} px is more than {LARGEST_SIDE} px a side, which cannot be drawn; "
            "print it smaller or at a lower resolution.",
            "art-too-large",
        )
    root = parse(art.svg, art.name, OWN).root
    paint.apply(root, paints, on_image)
    root.set("width", str(width_px))
    root.set("height", str(height_px))
    root.set("preserveAspectRatio", "none")
    return root


def _by_cairosvg(root: Element, width_px: int, height_px: int, take: Callable[[NDArray[np.uint8]], T]) -> T:
    from pipeline.art.svg.canvas import render

    made: T = render(root, width_px, height_px, take)
    return made


def _by_resvg(root: Element) -> Pixels:
    import resvg_py
    from PIL import Image

    # No fonts and no directory: the tree has neither text nor references, and no machine's may get in.
    png = resvg_py.svg_to_bytes(svg_string=write.tree(root), skip_system_fonts=True)
    with Image.open(io.BytesIO(bytes(png)), formats=("PNG",)) as image:
        pixels = np.array(image.convert("RGBA"))
    pixels[pixels[:, :, 3] == 0] = 0
    return pixels


def straight_picture(premultiplied: NDArray[np.uint8]) -> Picture:
    """Return what `straight` returns, as runs where the drawing is flat."""
    runs = flat_or_not(premultiplied)
    if not isinstance(runs, Runs):
        return straight(premultiplied)
    return merged(runs.with_words(straight(runs.colours[None]).view(np.uint32).reshape(-1)))


def straight(premultiplied: NDArray[np.uint8]) -> Pixels:
    """Return straight RGBA of premultiplied BGRA (H, W, 4); premultiplying it again gives the same bytes.

    c = (c'·255 + ⌊a/2⌋) // a, exact in integers; only pixels with 0 < a < 255 need it.
    """
    height, width = premultiplied.shape[:2]
    out = np.empty((height, width, 4), np.uint8)
    for top in range(0, height, _ROWS):
        words = np.ascontiguousarray(premultiplied[top : top + _ROWS]).view("<u4")[..., 0]
        strip = out[top : top + _ROWS]
        turned = strip.view("<u4")[..., 0]
        np.bitwise_and(words, 0xFF00FF00, out=turned)  # blue and red change places
        turned |= (words >> 16) & 0xFF
        turned |= (words & 0xFF) << 16
        turned[turned - np.uint32(1) < 0x00FFFFFF] = 0  # no coverage, but a colour
        soft = np.nonzero(strip[..., 3] - np.uint8(1) < 254)
        if soft[0].size:
            rows = strip[soft].astype(np.uint32)
            a = rows[:, 3:]
            strip[soft[0], soft[1], :3] = np.minimum((rows[:, :3] * 255 + a // 2) // a, 255)
    return out
