"""Which colours of a design touch each other, and along how many millimetres."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from pipeline.art.paint import Rgb
from pipeline.colour.difference import delta_e_00
from pipeline.colour.spaces import lab_of_rgb8
from pipeline.raster import MM_PER_INCH, Pixels
from pipeline.stages.preflight.stations import Ints, Stations, columns, rows

SAME_DE = 4.0
"""A flat stretch belongs to the main colour it differs from by no more than this."""
FLAT_DE, FLAT_SHARE = 0.5, 0.7
"""A main colour is flat when this share of its area differs no more from it; those of photographs and gradients are
not, and run into each other rather than touch."""
MIXED_PX = 4
"""Most mixed pixels between two colours that touch, in a row."""
EVERY_MM = 0.25
"""Distance of the scanned lines."""


def contacts(pixels: Pixels, ppi: float, colours: Sequence[Rgb]) -> NDArray[np.float64]:
    """Return the shared edge in mm of each pair, shape (N + 1, N + 1), symmetric; the last row is bare cloth.

    Lengths are counted with parallel lines in two directions (Cauchy–Crofton: length = π/4 × spacing × crossings),
    true on average over directions; a single straight edge may come out 21 % short or 11 % long.
    The border of the drawing counts as cloth.
    """
    step = max(1, round(EVERY_MM * ppi / MM_PER_INCH))
    count = len(colours)
    seen = np.zeros((count + 1) * (count + 1), np.int64)
    area, flat = np.zeros(count), np.zeros(count)
    for scans in (rows(pixels, step), columns(pixels, step)):
        for stations in scans:
            name, far = _names(stations.mean, colours)
            seen += np.bincount(_pairs(stations, name, count), minlength=seen.size)
            inked = (name >= 0) & (name < count)
            area += np.bincount(name[inked], stations.size[inked], count)
            exact = inked & (far <= FLAT_DE)
            flat += np.bincount(name[exact], stations.size[exact], count)
    table = seen.reshape(count + 1, count + 1)
    length = (table + table.T) * (math.pi / 4 * step * MM_PER_INCH / ppi)
    np.fill_diagonal(length, 0)
    blended = np.flatnonzero(flat < FLAT_SHARE * area)
    length[blended, :count] = 0
    length[:count, blended] = 0
    return np.asarray(length, np.float64)


def _pairs(s: Stations, name: NDArray[np.int64], cloth: int) -> NDArray[np.int64]:
    """Return a flat index (first × (N + 1) + second) for each contact met along the lines."""
    a, b = name[:-1], name[1:]
    met = (s.gap[:-1] >= 0) & (s.gap[:-1] <= MIXED_PX) & (a >= 0) & (b >= 0) & (a != b)
    begins = np.concatenate(([True], s.gap[:-1] < 0)) & (name >= 0) & (name != cloth)
    ends = (s.gap < 0) & (name >= 0) & (name != cloth)
    outer = name[begins | ends]
    return np.concatenate((a[met] * (cloth + 1) + b[met], outer * (cloth + 1) + cloth)).astype(np.int64)


def _names(mean: Ints, colours: Sequence[Rgb]) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Return the number of the main colour of each premultiplied mean, N for cloth, −1 for none; and its ΔE00."""
    packed = (mean[:, 0] << 16 | mean[:, 1] << 8 | mean[:, 2]).astype(np.int64) << 8 | mean[:, 3]
    values, place = np.unique(packed, return_inverse=True)
    alpha = (values & 255).astype(np.int64)
    rgb = np.stack([values >> 24 & 255, values >> 16 & 255, values >> 8 & 255], axis=1)
    rgb = np.minimum(rgb * 255 // np.maximum(alpha, 1)[:, None], 255)
    nearest = np.full(values.size, -1, np.int64)
    best = np.full(values.size, SAME_DE)
    lab = lab_of_rgb8(rgb)
    for number, colour in enumerate(colours):
        far = delta_e_00(lab, lab_of_rgb8(colour))
        closer = (far <= best) & (alpha >= 128)
        nearest[closer], best[closer] = number, far[closer]
    nearest[alpha <= 8] = len(colours)
    return nearest[place], best[place]
