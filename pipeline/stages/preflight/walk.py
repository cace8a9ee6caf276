"""Is a stretch that is too thin a line, or only the tip of a wedge, or a waist where two edges come near each other?

Of a wedge the press loses the tip, at a waist the two edges touch; of a line it loses all. So a stretch is followed to
both sides, over breaks in its measurement and from rows to columns, until it is as wide as the limit or ends. The thin
end of a slow taper is lost far enough to be told, but it is no line either.
"""

from __future__ import annotations

from functools import cached_property
from typing import Literal, TypeAlias

import numpy as np
from numpy.typing import NDArray

from pipeline.raster import MM_PER_INCH
from pipeline.stages.preflight.strips import Widths

TAPER = 0.08
"""Growth of the width along the strip above which it is the tip of a wedge or a corner, about 5° between its sides."""
ERROR_MM = 0.005
"""How far measured widths may fall short (coverage comes in steps); a line of just the limit is no finding."""
ALIKE, GROWS, GROWS_SLOWLY = 1.2, 0.25, 0.5
"""What is no wider than so many times the least width is its tail; at least this share is not, of a slow taper more.

Where two curves touch the width grows with the square of the distance: at twice the least width a third is no tail.
"""
HAIR = 3.0
"""A tail of about a pixel is as good as nothing: with it a tip may be so many times longer."""
AHEAD_PX, ASIDE_PX = 5.0, 1.75
"""Where a strip goes on after a break: so far ahead at most, and so far aside."""
WAIST_MM, WAIST = 1.0, 1.25
"""A waist no longer than this is nothing to tell; one longer than so many of the longest tips is a line."""
FARTHEST_MM = 25.0
"""A strip that has not opened so far on is a line."""

Form: TypeAlias = Literal["line", "tip", "taper"]


class Walk:
    """Follows strips of `Widths` from crossing to crossing."""

    def __init__(self, w: Widths, ppi: float) -> None:
        self._w = w
        self._pixel_mm = MM_PER_INCH / ppi

    def form(self, part: NDArray[np.intp], limit_mm: float) -> tuple[Form, float]:
        """Say what the stretch of the crossings `part` is, and how long it is with all that is as thin, in mm.

        A tip is short and opens steadily to the limit at one end or, at a waist, at both; a taper is a longer one.
        """
        before, opens_before = self._follow(int(part[0]), -1, limit_mm)
        after, opens_after = self._follow(int(part[-1]), 1, limit_mm)
        path = np.array([*before[::-1], *part.tolist(), *after])
        length = float(self._w.advance_mm[path].sum())
        steady = self._steady(self._w.width_mm[path], opens_before, opens_after)
        ends = opens_before + opens_after
        return (self._opening(path, length, ends, limit_mm) if ends and steady else "line"), length

    def _opening(self, path: NDArray[np.intp], length: float, ends: int, limit_mm: float) -> Form:
        """Say what a path is that opens to the limit at one end or at both; `length` in mm."""
        width, advance = self._w.width_mm[path], self._w.advance_mm[path]
        least = float(width.min())
        grown = float(advance[width > min(ALIKE * least, least + (limit_mm - least) / 3)].sum())
        most = limit_mm / TAPER * (HAIR if least <= ALIKE * self._pixel_mm else 1.0)
        slow = ends == 1 and (length > most or grown > limit_mm / TAPER)
        if grown < (GROWS_SLOWLY if slow else GROWS) * length or (ends == 2 and length > WAIST * most):
            return "line"
        return "taper" if slow or (ends == 2 and length > WAIST_MM) else "tip"

    def _steady(self, width: NDArray[np.float64], before: bool, after: bool) -> bool:  # noqa: FBT001
        """Say whether widths grow from where they are least to the ends that open, but for errors of half a pixel."""
        least = 0 if not before else width.size - 1 if not after else int(np.argmin(width))
        for side in (width[least:], width[: least + 1][::-1]):
            if (np.maximum.accumulate(side) - side).max() > self._pixel_mm / 2:
                return False
        return True

    def _follow(self, start: int, step: int, limit_mm: float) -> tuple[list[int], bool]:
        """Return the crossings beyond `start`, in order, and whether the strip opens to the limit there."""
        w, path, here = self._w, [start], start
        gone = 0.0
        seen = {int(w.chain[start])}
        while gone <= FARTHEST_MM:
            there = here + step
            if not (0 <= there < w.chain.size and w.chain[there] == w.chain[here]):
                found = self._beyond(path, step, seen)
                if found is None:
                    return path[1:], False
                there, step = found
                seen.add(int(w.chain[there]))
            if w.width_mm[there] >= limit_mm - ERROR_MM:
                return path[1:], True
            path.append(there)
            gone += float(w.advance_mm[there])
            here = there
        return path[1:], False

    def _beyond(self, path: list[int], step: int, seen: set[int]) -> tuple[int, int] | None:
        """Return where a strip goes on after the last crossing of a path, and which way; None at its free end."""
        w, last = self._w, path[-1]
        if len(path) > 3:
            other = path[max(0, len(path) - 7)]
            ahead = np.array([w.x[last] - w.x[other], w.y[last] - w.y[other]])
        else:
            ahead = np.array([w.slope[last], 1.0] if w.upright[last] else [1.0, w.slope[last]]) * step
        ahead = ahead / max(float(np.hypot(*ahead)), 1e-9)
        near = self._near(last)
        near = near[(w.gap[near] == w.gap[last]) & ~np.isin(w.chain[near], list(seen))]
        dx, dy = w.x[near] - w.x[last], w.y[near] - w.y[last]
        along, aside = dx * ahead[0] + dy * ahead[1], np.abs(dx * ahead[1] - dy * ahead[0])
        fits = np.flatnonzero((along > 0.25) & (aside <= ASIDE_PX))
        if not fits.size:
            return None
        there = int(near[fits[np.lexsort((near[fits], along[fits]))[0]]])
        onward = ahead[1] if w.upright[there] else ahead[0]
        return there, 1 if onward > 0 else -1

    def _near(self, at: int) -> NDArray[np.intp]:
        """Return the crossings that lie within reach of one."""
        order, x = self._by_x
        first = np.searchsorted(x, self._w.x[at] - AHEAD_PX)
        last = np.searchsorted(x, self._w.x[at] + AHEAD_PX, side="right")
        near: NDArray[np.intp] = order[first:last]
        apart = np.square(self._w.x[near] - self._w.x[at]) + np.square(self._w.y[near] - self._w.y[at])
        within: NDArray[np.bool_] = apart <= AHEAD_PX * AHEAD_PX
        return near[within]

    @cached_property
    def _by_x(self) -> tuple[NDArray[np.intp], NDArray[np.float64]]:
        """The crossings in order of x, and their x."""
        order = np.argsort(self._w.x, kind="stable")
        return order, self._w.x[order]
