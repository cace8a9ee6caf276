"""A smooth change of colour for photographs: worked out on a lattice of 64³ colours, spread by one look-up a pixel."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

SIDE = 64
_STEP = 256 // SIDE


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


class Moves(NamedTuple):
    """Whole levels that each cell's pixels go down and up, as words (64³,) of packed RGBA."""

    less: NDArray[np.uint32]
    more: NDArray[np.uint32]


def moves(levels: NDArray[np.float64]) -> Moves:
    """Return moves by `levels` (64³, 3), rounded to whole ones, in the order of `cells`.

    Nothing is added to the darkest cell, so that black and empty pixels stay as they are.
    """
    levels = np.rint(levels)
    levels[0] = np.minimum(levels[0], 0)
    return Moves(_words(np.maximum(-levels, 0)), _words(np.maximum(levels, 0)))


def shift(pixels: NDArray[np.uint8], by: Moves, onto: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Return `onto` (h, W, 4) moved by the cells of `pixels`, as many; alpha stays.

    Within a level of the exact change where it varies by less than a quarter of a level a level.
    """
    cell = cells(pixels)
    step = by.less[cell][..., np.newaxis].view(np.uint8)
    out = np.maximum(onto, step) - step
    if by.more.any():
        step = by.more[cell][..., np.newaxis].view(np.uint8)
        out = np.minimum(out, 255 - step) + step
    return out


def _words(levels: NDArray[np.float64]) -> NDArray[np.uint32]:
    """Whole levels (64³, 3) as one word a cell, nothing for alpha."""
    table = np.zeros((SIDE**3, 4), dtype=np.uint8)
    table[:, :3] = levels
    return table.view("<u4")[:, 0]
