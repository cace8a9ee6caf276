"""Does a drawing go on beyond its drawing area? Then it is kept with a margin, to measure what is cut off."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.art.piece import Around, PageArt, VectorArt
from pipeline.raster import Pixels

MARGIN = 0.25
"""Width of the margin, as a share of the drawing's longer side: what goes on further is told as "more than"."""
FIRST_PX = 600
TOUCHES = 16
"""Alpha (of 255) from which ink touches the edge."""
BEYOND = 0.25
"""How much of a pixel must be inked beyond its share of the drawing area."""


def around(art: VectorArt | PageArt, small: Pixels | None = None) -> Around | None:
    """Return the art with a margin where ink crosses the edge of its drawing area, else None.

    Looked at small: plain first (`small`, where it is drawn already), and with the margin only where ink touches
    the edge.
    """
    edges = (_drawn(art, 1.0) if small is None else small)[..., 3] >= TOUCHES
    if not (edges[[0, -1]].any() or edges[:, [0, -1]].any()):
        return None
    margin = MARGIN * max(art.width, art.height)
    wide = _widened(art, margin)
    shown = _drawn(wide, max(wide.width, wide.height) / max(art.width, art.height))[..., 3]
    down, across = (
        _own(n, side, margin) for n, side in zip(shown.shape, (wide.height, wide.width), strict=True)
    )
    beyond = shown / 255 - down[:, None] * across > BEYOND
    return Around(wide, art.width, art.height, wide.width / art.width) if beyond.any() else None


def _own(pixels: int, side: float, margin: float) -> NDArray[np.float64]:
    """Return the share of each pixel along a side of the wide drawing that lies in the narrow one."""
    at = np.arange(pixels, dtype=np.float64)
    scale = pixels / side
    own = np.minimum(at + 1, (side - margin) * scale) - np.maximum(at, margin * scale)
    return np.asarray(np.clip(own, 0.0, 1.0))


def _widened(art: VectorArt | PageArt, margin: float) -> VectorArt | PageArt:
    if isinstance(art, PageArt):
        from pipeline.art import page

        return page.widened(art, margin)
    from pipeline.art import svg

    return svg.widened(art, margin)


def _drawn(art: VectorArt | PageArt, times: float) -> Pixels:
    """Return a drawing whose longer side has `times` the pixels of a first look."""
    scale = times * FIRST_PX / max(art.width, art.height)
    width, height = (max(1, round(side * scale)) for side in (art.width, art.height))
    if isinstance(art, PageArt):
        from pipeline.art.page import draw_page

        return draw_page(art, width, height)
    from pipeline.art.draw import draw

    return draw(art, width, height)
