"""Is a place flat art with edges, or the texture of a photograph, in which no strip is a line?"""

from __future__ import annotations

import numpy as np

from pipeline.raster import MM_PER_INCH, Pixels
from pipeline.stages.preflight.stations import FLAT, premultiplied

AROUND_MM = 1.5
RESTLESS = 0.12
"""Share of small steps (neither flat nor an edge) above which a place is texture."""
EDGE = 40
"""A step of a channel from which it is an edge, in 8-bit levels."""
CALM = 0.8
"""Share of pixels equal to both neighbours above which a place is flat, however soft its edges."""


def textured(pixels: Pixels, ppi: float, box_mm: tuple[float, float, float, float]) -> bool:
    """Say whether the surroundings of a box (x, y, width, height in mm) are photographic.

    The three numbers above part the lines of outlined fonts and icons from what looks like lines in photographs.
    """
    mm = MM_PER_INCH / ppi
    x0, y0 = (max(0, int((v - AROUND_MM) / mm)) for v in box_mm[:2])
    x1, y1 = (int((v + size + AROUND_MM) / mm) for v, size in zip(box_mm[:2], box_mm[2:], strict=True))
    part = premultiplied(pixels[y0:y1, x0:x1])
    across = np.abs(np.diff(part[:-1], axis=1)).max(axis=2)
    down = np.abs(np.diff(part[:, :-1], axis=0)).max(axis=2)
    restless = ((across > FLAT) & (across < EDGE)) | ((down > FLAT) & (down < EDGE))
    calm = (across <= 1) & (down <= 1)
    return bool(restless.mean() > RESTLESS and calm.mean() < CALM)
