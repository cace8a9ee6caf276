"""Which stretches of narrow strips count as thin lines and gaps: long enough, and no tips of wedges."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from pipeline.raster import MM_PER_INCH
from pipeline.stages.preflight.stations import Bools
from pipeline.stages.preflight.strips import Widths
from pipeline.stages.preflight.walk import ERROR_MM, FARTHEST_MM, TAPER, Walk

LEAST_MM = 0.4
"""Shorter than this is a tip or a speck, however thin."""
SLIVER_MM, SLIVER_SHORT_MM, SHORT_MM = 0.1, 0.15, 3.0
"""A strip between two colours is drawn wider than the first; when shorter than the third, wider than the second (ours).

What is thinner is left between shapes.
"""


@dataclass(frozen=True, slots=True)
class Strip:
    """A stretch of a line or gap under a limit; lengths in mm, `box_mm` = x, y, width, height.

    `opens`: it widens steadily to the limit, where two edges only come near each other or a taper begins. `sliver`:
    a strip between two colours, of a width that is left between shapes rather than drawn.
    """

    width_mm: float
    length_mm: float
    gap: bool
    box_mm: tuple[float, float, float, float]
    opens: bool = False
    sliver: bool = False


def under(w: Widths, ppi: float, limit_mm: float) -> tuple[Strip, ...]:
    """Return the stretches that stay under `limit_mm` for 3 × their width or 1 mm, thinnest first."""
    ok = (w.width_mm < limit_mm - ERROR_MM) & (w.taper <= TAPER)
    at = np.flatnonzero(ok)
    if not at.size:
        return ()
    fresh = np.ones(at.size, bool)
    fresh[1:] = (np.diff(at) != 1) | (w.chain[at[1:]] != w.chain[at[:-1]])
    head = np.flatnonzero(fresh)
    length = np.add.reduceat(w.advance_mm[at], head)
    widest = np.maximum.reduceat(w.width_mm[at], head)
    enough = np.flatnonzero(length >= np.where(_tips(w, at, head), 1.0, np.clip(3 * widest, LEAST_MM, 1.0)))
    walk = Walk(w, ppi)
    strips = []
    for n in enough.tolist():
        part = at[head[n] : head[n + 1] if n + 1 < head.size else at.size]
        form, in_all = ("line", length[n]) if length[n] > FARTHEST_MM else walk.form(part, limit_mm)
        if form != "tip":
            strip = _strip(w, part, MM_PER_INCH / ppi)
            strips.append(replace(strip, opens=form == "taper", sliver=_sliver(w, part, in_all)))
    return tuple(sorted(strips, key=lambda s: (s.width_mm, s.box_mm)))


def _strip(w: Widths, part: NDArray[np.intp], mm: float) -> Strip:
    width = float(w.width_mm[part].min())
    x, y = w.x[part] * mm, w.y[part] * mm
    x0, y0 = float(x.min()), float(y.min())
    return Strip(
        width_mm=width,
        length_mm=float(w.advance_mm[part].sum()),
        gap=bool(w.gap[part[0]]),
        box_mm=(x0 - width / 2, y0 - width / 2, float(x.max()) - x0 + width, float(y.max()) - y0 + width),
    )


def _sliver(w: Widths, part: NDArray[np.intp], length_mm: float) -> bool:
    """Say whether a stretch lies between two colours and is too thin, or too thin and short, to be drawn so."""
    limit = SLIVER_SHORT_MM if length_mm < SHORT_MM else SLIVER_MM
    return bool(w.unlike[part].mean() > 0.5 and np.median(w.width_mm[part]) < limit)


def _tips(w: Widths, at: NDArray[np.intp], head: NDArray[np.intp]) -> Bools:
    """Say which stretches end at one end and grow into a wedge at the other."""
    first, last = at[head], at[np.append(head[1:], at.size) - 1]
    chain = np.concatenate(([-1], w.chain, [-1]))
    taper = np.concatenate(([0.0], w.taper, [0.0])) > TAPER
    goes_back, goes_on = chain[first] == w.chain[first], chain[last + 2] == w.chain[last]
    return np.asarray((goes_back & taper[first] & ~goes_on) | (goes_on & taper[last + 2] & ~goes_back))
