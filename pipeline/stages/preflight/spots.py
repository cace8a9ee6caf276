"""Where a place that a finding tells of is seen best: most detail, or most change of colour."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from pipeline.colour.difference import delta_e_00
from pipeline.colour.spaces import lab_of_rgb8
from pipeline.raster import MM_PER_INCH, Pixels

SPOT_MM = 4.0
"""Side of the squares of which the one with most is shown."""
_SAMPLE_PX = 320
_AMONG = 0.8
"""What changes by this share of the greatest change counts as much."""

Box = tuple[float, float, float, float]
"""x, y, width, height in mm."""


def most_detail(small: Pixels, ppi: float) -> Box | None:
    """Return the square of pixels (H, W, 4) at `ppi` in which neighbours differ most; None without any ink."""
    seen = small[..., :3].astype(np.int32) * (small[..., 3:] > 0)
    steps = np.zeros(small.shape[:2])
    steps[:, 1:] += np.abs(np.diff(seen, axis=1)).sum(axis=2)
    steps[1:] += np.abs(np.diff(seen, axis=0)).sum(axis=2)
    return _densest(steps, ppi)


def most_changed(small: Pixels, later: Callable[[Pixels], Pixels], ppi: float) -> Box | None:
    """Return the square in which the ink of `small` changes most, by ΔE00, when it looks like what `later` makes."""
    step = max(1, max(small.shape[:2]) // _SAMPLE_PX)
    one = np.ascontiguousarray(small[::step, ::step])
    inked = one[..., 3] >= 128
    if not inked.any():
        return None
    both = np.concatenate((one[inked], later(one)[inked]), axis=1).view(np.uint64)[:, 0]
    found, which = np.unique(both, return_inverse=True)
    pairs = found.view(np.uint8).reshape(-1, 8)
    apart = np.zeros(inked.shape)
    apart[inked] = delta_e_00(lab_of_rgb8(pairs[:, :3]), lab_of_rgb8(pairs[:, 4:7]))[which]
    return _densest((apart >= max(_AMONG * float(apart.max()), 1e-9)).astype(np.float64), ppi / step)


def _densest(weight: NDArray[np.float64], ppi: float) -> Box | None:
    """Return the square of a grid over (H, W) in which most weight lies, in mm; None where there is none."""
    side = max(1, round(SPOT_MM * ppi / MM_PER_INCH))
    rows, columns = np.arange(0, weight.shape[0], side), np.arange(0, weight.shape[1], side)
    total = np.add.reduceat(np.add.reduceat(weight, rows, axis=0), columns, axis=1)
    if total.max() <= 0:
        return None
    y, x = np.unravel_index(int(np.argmax(total)), total.shape)
    mm = MM_PER_INCH / ppi
    width, height = (
        min(side, n - int(at) * side) * mm for n, at in zip(weight.shape[::-1], (x, y), strict=True)
    )
    return int(x) * side * mm, int(y) * side * mm, width, height
