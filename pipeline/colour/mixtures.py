"""Edge colours: where two surfaces meet, antialiasing mixes them, and what was a mixture must stay one."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

_ON_LINE = 3.0  # levels from the segment at which a colour surely is a mixture: rounding, twice
_OFF_LINE = 8.0  # levels at which it surely is none
_SHORTER_FIRST = 1e-3  # of two segments that fit alike, the shorter; far below a level

_Floats = NDArray[np.float64]


def smooth_step(value: _Floats, none: float, full: float) -> _Floats:
    """Weight 0–1 that is 0 at `none`, 1 at `full` (either may be the larger) and has no corner between them."""
    t = np.clip((value - none) / (full - none), 0, 1)
    return t * t * (3 - 2 * t)


def keep_mixtures(before: _Floats, after: _Floats, parts: _Floats, parts_after: _Floats) -> _Floats:
    """Return `after` (N, 3), moved so that mixtures of two surfaces are mixtures of what the surfaces became.

    `before` (N, 3) and `parts` (P, 3), the surfaces' colours, are levels of encoded sRGB, in which renderers mix;
    `after` and `parts_after` are what each became alone. A colour on the segment between two parts goes to the
    point of their new segment that is nearest its own change, as far aside as it was; with distance from the segment
    this runs out smoothly. So edges get no ring, and a gradient between two surfaces keeps its own change wherever
    that is no ring either.
    """
    best = np.full(len(before), np.inf)
    distance = np.full(len(before), np.inf)
    on_new = after.copy()
    for i in range(len(parts)):
        for j in range(i + 1, len(parts)):
            span = parts[j] - parts[i]
            off = before - _nearest(before, parts[i], span)
            length = np.sqrt(_square(off))
            rank = np.maximum(length, _ON_LINE) + _SHORTER_FIRST * float(np.sqrt(_square(span)))
            better = rank < best
            best[better], distance[better] = rank[better], length[better]
            aside = off[better]
            new_span = parts_after[j] - parts_after[i]
            on_new[better] = aside + _nearest(after[better] - aside, parts_after[i], new_span)
    weight = smooth_step(distance, _OFF_LINE, _ON_LINE)[:, np.newaxis]
    return weight * on_new + (1 - weight) * after


def _nearest(points: _Floats, start: _Floats, span: _Floats) -> _Floats:
    """The point of the segment from `start` over `span` that is nearest each of `points` (N, 3)."""
    length = float(_square(span))
    rest = (points - start) * span
    along = (rest[..., 0] + rest[..., 1] + rest[..., 2]) / (length or 1.0)
    return np.asarray(start + np.clip(along, 0, 1)[..., np.newaxis] * span)


def _square(a: _Floats) -> _Floats:
    return np.asarray(a[..., 0] * a[..., 0] + a[..., 1] * a[..., 1] + a[..., 2] * a[..., 2])
