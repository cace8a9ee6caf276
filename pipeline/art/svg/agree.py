"""Do two renderers that share no code see the same drawing?

Both draw the normalised tree at some 600 px. Antialiasing differs between them along edges, so a pixel counts only
where one renderer's value lies more than LEVEL outside the range that the other takes within one pixel around it; the
share of such pixels among the inked ones must stay below SHARE. On the open test suite (see ops/corpus.py) drawings
that are right stay below 0.2 % of all pixels at this level; a missing, moved or miscoloured shape exceeds it.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.art.piece import VectorArt
from pipeline.finding import Finding
from pipeline.raster import Pixels

SIDE = 600
LEVEL = 32
SHARE = 0.004
LEAST = 25
"""Pixels below which a difference is a corner or a hairline, not a shape."""


def agreement(art: VectorArt) -> Finding | None:
    """Return the finding `renderers-disagree`, or None where both agree or one of them cannot draw the art."""
    if art.renderer != "cairosvg":
        return None
    ours, other = pictures(art)
    off, inked = differing(ours, other)
    if off <= max(LEAST, SHARE * inked):
        return None
    share = round(100 * off / max(1, inked), 2)
    return Finding(
        "renderers-disagree",
        "stop",
        f"{art.name}: two renderers draw {share} % of its inked area differently; {100 * SHARE} % is the limit.",
        "Look at both pictures; flatten or expand what differs in the drawing program.",
        measured=share,
        limit=100 * SHARE,
    )


def pictures(art: VectorArt) -> tuple[Pixels, Pixels]:
    """Return the art as cairosvg and as resvg draw it, the longer side SIDE pixels."""
    from pipeline.art.draw import draw_with

    scale = SIDE / max(art.width, art.height)
    width, height = (max(1, round(side * scale)) for side in (art.width, art.height))
    return draw_with("cairosvg", art, width, height), draw_with("resvg", art, width, height)


def differing(a: Pixels, b: Pixels) -> tuple[int, int]:
    """Return (pixels that differ beyond an edge's shift by one pixel, pixels with ink in either); premultiplied."""
    one, two = _premultiplied(a), _premultiplied(b)
    off = _outside(one, two) | _outside(two, one)
    return int(off.sum()), int(((a[:, :, 3] > 0) | (b[:, :, 3] > 0)).sum())


def _premultiplied(pixels: Pixels) -> NDArray[np.int16]:
    alpha = pixels[:, :, 3:].astype(np.uint16)
    return np.concatenate([(pixels[:, :, :3] * alpha + 127) // 255, alpha], axis=2).astype(np.int16)


def _outside(one: NDArray[np.int16], other: NDArray[np.int16]) -> NDArray[np.bool_]:
    from scipy.ndimage import maximum_filter, minimum_filter

    low = minimum_filter(other, size=(3, 3, 1), mode="nearest") - LEVEL
    high = maximum_filter(other, size=(3, 3, 1), mode="nearest") + LEVEL
    return np.asarray(((one < low) | (one > high)).any(axis=2))
