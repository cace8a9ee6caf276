"""Do two renderers that share no code see the same drawing?

Both draw the normalised tree at some 600 px. Antialiasing differs between them along edges, so a pixel counts only
where one renderer's value lies more than LEVEL outside the range that the other takes within one pixel around it. Such
pixels may make no SOLID piece, and at most SHARE of the inked ones. On the open test suite (see ops/corpus.py) 99 %
of the 1,002 drawings that the faster renderer draws, text included, have none at all, the others at most 0.2 % (stripes
with hard edges), and none has a solid piece; a missing, moved or miscoloured shape has.
"""

from __future__ import annotations

from dataclasses import dataclass

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
SOLID = 4
"""Pixels that differ with all eight around them: a piece of 4 × 4 pixels, 2 mm of a print 280 mm wide."""

_GAP = 12
_SQUARE = 8
_LIGHT, _DARK, _OFF = 255, 217, (208, 0, 48)


@dataclass(frozen=True, slots=True, eq=False)
class Disagreement:
    """The finding `renderers-disagree`, and what shows it: (H, W, 3) sRGB, at most SIDE pixels high."""

    finding: Finding
    picture: NDArray[np.uint8]


def agreement(art: VectorArt, ours: Pixels | None = None) -> Disagreement | None:
    """Return how the renderers differ, or None where both agree or one of them cannot draw the art.

    `ours` is what `small` returns, where it is there already.
    """
    if art.renderer != "cairosvg":
        return None
    ours = small(art) if ours is None else ours
    other = small(art, "resvg")
    off = differing(ours, other)
    count = int(off.sum())
    inked = int(((ours[:, :, 3] > 0) | (other[:, :, 3] > 0)).sum())
    solid = _solid(off)
    if solid < SOLID and count <= max(LEAST, SHARE * inked):
        return None
    share = round(100 * count / max(1, inked), 2)
    finding = Finding(
        "renderers-disagree",
        "stop",
        f"{art.name}: two renderers draw {share} % of its inked area differently"
        + (" (a whole piece of it)." if solid >= SOLID else f"; {100 * SHARE} % is the limit."),
        "Look at both pictures (right: where they differ); flatten or expand that in the drawing program.",
        measured=share,
        limit=0.0 if solid >= SOLID else 100 * SHARE,
    )
    return Disagreement(finding, side_by_side(ours, other, off))


def small(art: VectorArt, renderer: str | None = None) -> Pixels:
    """Return the art as its own or the named renderer draws it, the longer side SIDE pixels."""
    from pipeline.art.draw import draw_with

    scale = SIDE / max(art.width, art.height)
    width, height = (max(1, round(side * scale)) for side in (art.width, art.height))
    return draw_with(renderer or art.renderer, art, width, height)


def differing(a: Pixels, b: Pixels) -> NDArray[np.bool_]:
    """Return the mask (H, W) of pixels that differ, premultiplied, beyond an edge's shift by one pixel."""
    one, two = _premultiplied(a), _premultiplied(b)
    # what lies outside the range around a pixel lies outside the pixel itself: few need a closer look
    off: NDArray[np.bool_] = (np.abs(one - two) > LEVEL).any(axis=2)
    rows, columns = np.nonzero(off)
    off[rows, columns] = _outside(one, two, rows, columns) | _outside(two, one, rows, columns)
    return off


def _solid(off: NDArray[np.bool_]) -> int:
    """Return how many pixels differ together with all eight around them."""
    core = off[1:-1, 1:-1].copy()
    for down in (0, 1, 2):
        for right in (0, 1, 2):
            core &= off[down : down + core.shape[0], right : right + core.shape[1]]
    return int(core.sum())


def _premultiplied(pixels: Pixels) -> NDArray[np.int16]:
    alpha = pixels[:, :, 3:].astype(np.uint16)
    return np.concatenate([(pixels[:, :, :3] * alpha + 127) // 255, alpha], axis=2).astype(np.int16)


def _outside(
    one: NDArray[np.int16], other: NDArray[np.int16], rows: NDArray[np.intp], columns: NDArray[np.intp]
) -> NDArray[np.bool_]:
    around = [
        other[
            np.clip(rows + down, 0, other.shape[0] - 1),
            np.clip(columns + right, 0, other.shape[1] - 1),
        ]
        for down in (-1, 0, 1)
        for right in (-1, 0, 1)
    ]
    low, high, here = np.minimum.reduce(around), np.maximum.reduce(around), one[rows, columns]
    return np.asarray(((here < low - LEVEL) | (here > high + LEVEL)).any(axis=1))


def side_by_side(ours: Pixels, other: Pixels, off: NDArray[np.bool_]) -> NDArray[np.uint8]:
    """Return both drawings on a chequered ground, and beside them, in red on a pale one, the pixels that differ."""
    height, width = off.shape
    squares = (np.arange(height)[:, None] // _SQUARE + np.arange(width) // _SQUARE) % 2
    ground = np.where(squares == 0, _LIGHT, _DARK).astype(np.uint16)[:, :, None]

    def shown(pixels: Pixels) -> NDArray[np.uint16]:
        alpha = pixels[:, :, 3:].astype(np.uint16)
        return (pixels[:, :, :3] * alpha + ground * (255 - alpha) + 127) // 255

    first = shown(ours)
    pale = 255 - (255 - first.min(axis=2, keepdims=True)) // 6
    marked = np.where(_wider(off)[:, :, None], np.array(_OFF, np.uint16), pale)
    gap = np.full((height, _GAP, 3), 255, np.uint16)
    return np.concatenate([first, gap, shown(other), gap, marked], axis=1).astype(np.uint8)


def _wider(mask: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return the mask grown by one pixel, so that a difference of a pixel is seen."""
    out = mask.copy()
    out[1:] |= mask[:-1]
    out[:-1] |= mask[1:]
    wide = out.copy()
    wide[:, 1:] |= out[:, :-1]
    wide[:, :-1] |= out[:, 1:]
    return wide
