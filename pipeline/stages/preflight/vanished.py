"""Pieces of art that have the fabric's colour and lie free on it: the knock-out leaves nothing of them to be seen."""

from __future__ import annotations

import numpy as np

from pipeline.finding import Finding
from pipeline.raster import MM_PER_INCH, Pixels
from pipeline.stages.preflight import words
from pipeline.stages.preflight.islands import connected, runs
from pipeline.stages.preflight.specks import INK

LEAST_MM2 = 1.0
"""A piece smaller than this is not missed (ours)."""
LOOKED_AT_PPI = 150
"""Finer than this pieces of that size need not be looked at."""


def vanished(plain: Pixels, kept: Pixels, ppi: float) -> tuple[Finding, ...]:
    """Return `lost-on-fabric` where a piece of ink of `plain` (H, W, 4), connected to no other, is gone in `kept`.

    Around a hole in other ink the fabric is seen, and so is the hole. Around a piece on bare fabric there is nothing.
    """
    step = max(1, int(ppi // LOOKED_AT_PPI))
    inked, left = (np.ascontiguousarray(pixels[::step, ::step, 3]) >= INK for pixels in (plain, kept))
    row, begin, end = runs(inked)
    label = connected(row, begin, end)
    left_row, left_begin, _ = runs(left & inked)
    wide = inked.shape[1] + 1
    holder = np.searchsorted(row * wide + begin, left_row * wide + left_begin, side="right") - 1
    lost = np.flatnonzero(~np.isin(label, label[holder]))
    pieces, piece = np.unique(label[lost], return_inverse=True)
    mm = MM_PER_INCH / ppi * step
    area = np.bincount(piece, weights=(end - begin)[lost], minlength=pieces.size) * mm * mm
    missed = area >= LEAST_MM2
    if not missed.any():
        return ()
    of_missed = lost[missed[piece]]
    x, y = begin[of_missed].min() * mm, row[of_missed].min() * mm
    width, height = end[of_missed].max() * mm - x, (row[of_missed].max() + 1) * mm - y
    box = (float(x), float(y), float(width), float(height))
    many = int(np.count_nonzero(missed))
    total = float(area[missed].sum())
    what, lies, them = ("A piece of the art has", "lies", "it")
    if many > 1:
        what, lies, them = (f"{many} pieces of the art have", "lie", "them")
    return (
        Finding(
            code="lost-on-fabric",
            severity="warn",
            message=f"{what} this fabric's colour and {lies} free on it, {words.place(box)}, {total:.0f} mm²: "
            f"nothing of {them} will be seen.",
            remedy=words.accept("lost-on-fabric"),
            measured=round(total, 1),
            limit=LEAST_MM2,
            where_mm=box,
            legend=f"In the picture the fabric has another colour, to show {them}.",
        ),
    )
