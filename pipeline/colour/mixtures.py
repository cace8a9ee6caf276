"""Shifts of edge colours: where two colours meet, antialiasing mixes them, and a mixture must move as its parts do."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

_ON_LINE = 3.0  # levels from the segment at which a colour surely is a mixture: rounding, twice
_OFF_LINE = 8.0  # levels at which it surely is none


def smooth_step(value: NDArray[np.float64], none: float, full: float) -> NDArray[np.float64]:
    """Weight 0–1 that is 0 at `none`, 1 at `full` (either may be the larger) and has no corner between them."""
    t = np.clip((value - none) / (full - none), 0, 1)
    return t * t * (3 - 2 * t)


def shift_mixtures(
    colours: NDArray[np.float64],
    shifts: NDArray[np.float64],
    parts: NDArray[np.float64],
    part_shifts: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Shifts (N, 3) of `colours` (N, 3), in levels of encoded sRGB, such that mixtures stay mixtures.

    `shifts` (N, 3) are the colours' own; `parts` (P, 3) are colours that cover surfaces and `part_shifts` (P, 3)
    theirs. A colour on the segment between two parts takes their shifts in the proportion in which it is mixed; with
    distance from the nearest segment the weight goes smoothly over to its own. Mixing is linear in encoded sRGB,
    the space in which renderers antialias. House rule, no published source.
    """
    nearest = np.full(len(colours), np.inf)
    mixed = shifts.copy()
    for i in range(len(parts)):
        for j in range(i + 1, len(parts)):
            span = parts[j] - parts[i]
            rest = colours - parts[i]
            share = np.clip(_dot(rest, span) / float(_dot(span, span)), 0, 1)
            off = rest - share[:, np.newaxis] * span
            distance = _dot(off, off)
            better = distance < nearest
            nearest[better] = distance[better]
            t = share[better, np.newaxis]
            mixed[better] = (1 - t) * part_shifts[i] + t * part_shifts[j]
    weight = smooth_step(np.sqrt(nearest), _OFF_LINE, _ON_LINE)[:, np.newaxis]
    return weight * mixed + (1 - weight) * shifts


def _dot(a: NDArray[np.float64], b: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray(a[..., 0] * b[..., 0] + a[..., 1] * b[..., 1] + a[..., 2] * b[..., 2])
