"""Which colours of a design touch each other, and along how many millimetres."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.art.paint import Rgb
from pipeline.colour.difference import delta_e_00
from pipeline.colour.spaces import lab_of_rgb8
from pipeline.raster import MM_PER_INCH, Pixels
from pipeline.stages.preflight.stations import Ints, Scans, Stations, every, photographic

SAME_DE = 4.0
"""A flat stretch belongs to the main colour it differs from by no more than this."""
MOST_SL = 1.75
"""Lightness alone makes a ΔE00 of its difference divided by S_L, which is no more than this (CIE 142-2001)."""
FLAT_DE, FLAT_SHARE = 0.5, 0.7
"""A main colour is flat when this share of its area differs no more from it; those of photographs and gradients are
not, and run into each other rather than touch."""
MIXED_PX = 4
"""Most mixed pixels between two colours that touch, in a row."""
EVERY_MM, EVERY_MM_OF_PHOTOGRAPHS = 0.25, 0.5
"""Distance of the scanned lines. Every pixel of a photograph has to be looked at, and its inks run into each other."""
PLACE_MM = 5.0
"""Side of the squares of which the one with most contact is shown."""

Box = tuple[float, float, float, float]


@dataclass(frozen=True, slots=True, eq=False)
class Contacts:
    """What touches what. `length_mm` (N + 1, N + 1) is symmetric, its last row bare cloth.

    `where_mm` gives for each pair (a < b) that touches the box of x, y, width, height in mm of about 5 mm in which it
    does so most. `flat` (N,) are the colours that are flat, not the middle of a gradient or photograph.
    """

    length_mm: NDArray[np.float64]
    where_mm: Mapping[tuple[int, int], Box]
    flat: NDArray[np.bool_]


def contacts(pixels: Pixels, ppi: float, colours: Sequence[Rgb], scans: Scans | None = None) -> Contacts:
    """Return the shared edge in mm of each pair of colours and of each with the cloth.

    Lengths are counted with parallel lines in two directions (Cauchy–Crofton: length = π/4 × spacing × crossings),
    true on average over directions; a single straight edge may come out 21 % short or 11 % long.
    The border of the drawing counts as cloth. `scans` are the pixels scanned, when that is at hand.
    """
    apart = EVERY_MM_OF_PHOTOGRAPHS if photographic(pixels) else EVERY_MM
    step = max(1, round(apart * ppi / MM_PER_INCH))
    count = len(colours)
    seen = np.zeros((count + 1) * (count + 1), np.int64)
    area, flat = np.zeros(count), np.zeros(count)
    met: list[NDArray[np.int64]] = []
    for stations, upright in every(pixels, step, scans):
        name, far = _names(stations.mean, colours)
        pair, along, line = _pairs(stations, name, count)
        seen += np.bincount(pair, minlength=seen.size)
        met.append(np.stack((pair, *((along, line) if upright else (line, along)))))
        inked = (name >= 0) & (name < count)
        area += np.bincount(name[inked], stations.size[inked], count)
        exact = inked & (far <= FLAT_DE)
        flat += np.bincount(name[exact], stations.size[exact], count)
    table = seen.reshape(count + 1, count + 1)
    length = np.asarray(table + table.T, np.float64) * (math.pi / 4 * step * MM_PER_INCH / ppi)
    np.fill_diagonal(length, 0)
    blended = np.flatnonzero(flat < FLAT_SHARE * area)
    length[blended, :count] = 0
    length[:count, blended] = 0
    places = np.concatenate(met, axis=1) if met else np.zeros((3, 0), np.int64)
    return Contacts(length, _places(places, length, ppi), flat >= FLAT_SHARE * area)


def _places(met: NDArray[np.int64], length: NDArray[np.float64], ppi: float) -> dict[tuple[int, int], Box]:
    """Return where each pair touches most; `met` (3, M) is pair, x and y in px of every contact."""
    wide = length.shape[0]
    mm = MM_PER_INCH / ppi
    first, second = met[0] // wide, met[0] % wide
    pair = np.minimum(first, second) * wide + np.maximum(first, second)
    cell = np.floor(met[1] * mm / PLACE_MM).astype(np.int64) << 20 | np.floor(met[2] * mm / PLACE_MM).astype(
        np.int64
    )
    places: dict[tuple[int, int], Box] = {}
    for number in np.flatnonzero(np.triu(length).reshape(-1)).tolist():
        at = np.flatnonzero(pair == number)
        cells, count = np.unique(cell[at], return_counts=True)
        at = at[cell[at] == cells[int(np.argmax(count))]]
        x, y = met[1, at] * mm, met[2, at] * mm
        box = x.min(), y.min(), x.max() - x.min() + mm, y.max() - y.min() + mm
        places[number // wide, number % wide] = (float(box[0]), float(box[1]), float(box[2]), float(box[3]))
    return places


def _pairs(
    s: Stations, name: NDArray[np.int64], cloth: int
) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64]]:
    """Return for each contact met along the lines its flat index (first × (N + 1) + second), place and line."""
    a, b = name[:-1], name[1:]
    met = (s.gap[:-1] >= 0) & (s.gap[:-1] <= MIXED_PX) & (a >= 0) & (b >= 0) & (a != b)
    begins = np.concatenate(([True], s.gap[:-1] < 0)) & (name >= 0) & (name != cloth)
    ends = (s.gap < 0) & (name >= 0) & (name != cloth)
    outer = begins | ends
    pair = np.concatenate((a[met] * (cloth + 1) + b[met], name[outer] * (cloth + 1) + cloth))
    place = np.where(begins, s.start, s.start + s.size)
    along = np.concatenate(((s.start + s.size)[:-1][met], place[outer]))
    line = np.concatenate((s.line[:-1][met], s.line[outer]))
    return pair.astype(np.int64), along.astype(np.int64), line.astype(np.int64)


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
    inked = alpha >= 128
    for number, colour in enumerate(colours):
        main = lab_of_rgb8(colour)
        at = np.flatnonzero(inked & (np.abs(lab[:, 0] - main[0]) <= SAME_DE * MOST_SL))
        far = delta_e_00(lab[at], main)
        closer = far <= best[at]
        nearest[at[closer]], best[at[closer]] = number, far[closer]
    nearest[alpha <= 8] = len(colours)
    return nearest[place], best[place]
