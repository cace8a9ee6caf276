"""A smooth change of colour for photographs: worked out on a lattice of 64³ colours, spread by one look-up a pixel."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

SIDE = 64
_STEP = 256 // SIDE
_BAND_PIXELS = 2**18  # stays in the cache of one core


def nodes() -> NDArray[np.float64]:
    """The colour, in levels 0–255, that stands for each cell: (64³, 3), in the order of `cells`."""
    levels = np.arange(SIDE, dtype=np.float64) * _STEP + (_STEP - 1) / 2
    r, g, b = np.meshgrid(levels, levels, levels, indexing="ij")
    return np.stack([r, g, b], axis=-1).reshape(-1, 3)


def cells(pixels: NDArray[np.uint8]) -> NDArray[np.uint32]:
    """The cell (…) of each pixel (…, 4)."""
    word = np.ascontiguousarray(pixels).view("<u4")[..., 0]
    # R is the lowest byte: its upper six bits go to the top of the cell's number.
    return np.asarray((word & 0xFC) << 10 | (word >> 4) & 0xFC0 | (word >> 18) & 0x3F, dtype=np.uint32)


def shift(
    pixels: NDArray[np.uint8], moves: NDArray[np.float64], onto: NDArray[np.uint8] | None = None
) -> NDArray[np.uint8]:
    """Pixels (H, W, 4) moved as their cells are, by `moves` (64³, 3) in levels, rounded to whole ones; alpha stays.

    Within a level of the exact change where it varies by less than a quarter of a level a level. `onto`: what is
    moved instead, by the cells of `pixels`. Nothing is added to the darkest cell, so that black and empty pixels stay
    as they are.
    """
    onto = pixels if onto is None else onto
    moves = np.rint(moves)
    moves[0] = np.minimum(moves[0], 0)
    less, more = _words(np.maximum(-moves, 0)), _words(np.maximum(moves, 0))
    lightens = bool(more.any())
    out = np.empty_like(pixels)
    rows = max(1, _BAND_PIXELS // max(1, pixels.shape[1]))
    for top in range(0, pixels.shape[0], rows):
        band, into = onto[top : top + rows], out[top : top + rows]
        cell = cells(pixels[top : top + rows])
        step = less[cell][..., np.newaxis].view(np.uint8)
        np.subtract(np.maximum(band, step), step, out=into)
        if lightens:
            step = more[cell][..., np.newaxis].view(np.uint8)
            np.add(np.minimum(into, 255 - step), step, out=into)
    return out


def _words(moves: NDArray[np.float64]) -> NDArray[np.uint32]:
    """Whole levels (64³, 3) as one word a cell, nothing for alpha."""
    table = np.zeros((SIDE**3, 4), dtype=np.uint8)
    table[:, :3] = moves
    return table.view("<u4")[:, 0]
