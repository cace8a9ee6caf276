"""Connected patches of ink, found from the runs of each row: their area and where they lie."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.raster_ops import joined


@dataclass(frozen=True, slots=True, eq=False)
class Patches:
    """Patches of a mask in order of their first pixel: `area` in pixels, boxes from `x0, y0` up to below `x1, y1`."""

    area: NDArray[np.int64]
    x0: NDArray[np.int64]
    y0: NDArray[np.int64]
    x1: NDArray[np.int64]
    y1: NDArray[np.int64]
    touches_border: NDArray[np.bool_]


def patches(mask: NDArray[np.bool_]) -> Patches:
    """Return the 8-connected patches of a mask (H, W)."""
    row, begin, end = runs(mask)
    label = connected(row, begin, end)
    order = np.argsort(label, kind="stable")
    label, row, begin, end = label[order], row[order], begin[order], end[order]
    head = np.flatnonzero(np.diff(label, prepend=-1))
    if not head.size:
        none = np.zeros(0, np.int64)
        return Patches(none, none, none, none, none, none > 0)
    x0, x1 = np.minimum.reduceat(begin, head), np.maximum.reduceat(end, head)
    y0, y1 = np.minimum.reduceat(row, head), np.maximum.reduceat(row, head) + 1
    height, width = mask.shape
    border = (x0 == 0) | (y0 == 0) | (x1 == width) | (y1 == height)
    return Patches(np.add.reduceat(end - begin, head), x0, y0, x1, y1, border)


def runs(mask: NDArray[np.bool_]) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64]]:
    """Return row, first column and column after the last of every run of True."""
    height, width = mask.shape
    flat = mask.view(np.int8)
    step = np.empty((height, width + 1), np.int8)
    step[:, 0] = flat[:, 0]
    np.subtract(flat[:, 1:], flat[:, :-1], out=step[:, 1:width])
    step[:, width] = -flat[:, -1]
    at = np.flatnonzero(step.reshape(-1))
    # Begins and ends alternate along a row, so every second change is a begin.
    begin, end = at[0::2], at[1::2]
    row = begin // (width + 1)
    return row, begin - row * (width + 1), end - row * (width + 1)


def connected(
    row: NDArray[np.int64], begin: NDArray[np.int64], end: NDArray[np.int64], *, corners: bool = True
) -> NDArray[np.int32]:
    """Return a label for each run; runs of adjacent rows that touch share it, at a corner too when `corners`."""
    count = row.size
    if not count:
        return np.zeros(0, np.int32)
    wide = np.int64(end.max() + 2)
    # For each run, the runs of the row below that end after its begin and begin before its end.
    first = np.searchsorted(row * wide + end, (row + 1) * wide + begin, side="left" if corners else "right")
    after = np.searchsorted(row * wide + begin, (row + 1) * wide + end, side="right" if corners else "left")
    many = np.maximum(after - first, 0)
    above = np.repeat(np.arange(count), many)
    below = np.arange(above.size) - np.repeat(np.cumsum(many) - many, many) + np.repeat(first, many)
    return joined(count, above, below)
