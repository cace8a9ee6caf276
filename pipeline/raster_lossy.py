"""Bitmaps that went through JPEG or the like: flat colours come with block noise, and chroma has bled over edges.

Such a file keeps lightness sharp, and chroma at half the resolution or less. Colours are levels 0–255; Y, Cb and Cr
are those of ITU-T T.871.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.raster import Pixels, Plane
from pipeline.raster_mix import RING_PX
from pipeline.raster_ops import Floats, Index, Mask, grow, window_max, window_min, within_de

_LOSSY_DE = 10.0
_MEAN_OFF = 6.0
_BLEED_PX = 8
_SUBSAMPLINGS = ((1, 1), (1, 2), (2, 2))
"""How many rows and columns of pixels share a value of chroma, in the files that are met."""
_BLUR_PX = 3
"""Chroma of two rows and columns, spread to the pixels by a triangle, reaches so far."""
_COLOURFUL = 24.0
"""Levels of chroma between two colours from which on chroma tells them apart."""
_LIGHTER = 30.0
"""Levels of lightness between two colours from which on lightness alone tells how much of each there is."""
_SCATTER_DE = 4.0
_BESIDE_PX = 5
_OFF_LINE = 10.0
_THICK_PX = 2
_FAINT, _BEYOND = 0.08, 1.1
_FULL = {True: 0.75, False: 0.4}
"""What thin strokes reach somewhere by their lightness, and by their chroma alone, which has bled out of them."""
_MOST, _REACHES = 0.75, 0.1
_LEAST_CHROMA = 0.25
"""A stroke holds at least this part of the chroma that its lightness asks for; the rest bled out of it."""


def through_noise(
    pixels: Pixels, labels: Plane, backs: Floats, limits: list[float], *, nearest: bool = False
) -> Plane:
    """Return the labels, 1 + the index of a colour in `backs` (n, 3), grown through block noise.

    They take what is fairly near, connected, and on average the colour itself; beside strong edges chroma bleeds, and
    only the lightness must agree. `limits` are those of ΔE00 within which the labels were found; where several match,
    the first wins, or with `nearest` the nearest.
    """
    from scipy import ndimage

    wide = within_de(pixels, backs, [limit + _LOSSY_DE for limit in limits], nearest=nearest)
    beside = grow((wide == 0) & (pixels[..., 3] > 0), _BLEED_PX)
    grown = labels.copy()
    for which in range(len(backs)):
        part = wide == which + 1
        off = _mean_off(pixels, part, backs[which])
        noisy = part & ((np.max(off, axis=0) < _MEAN_OFF) | (beside & (_luma(off) < _MEAN_OFF)))
        linked, count = ndimage.label(noisy | (labels == which + 1))
        seeded = np.zeros(count + 1, np.bool_)
        seeded[linked[labels == which + 1]] = True
        seeded[0] = False
        grown[seeded[linked] & (grown == 0)] = which + 1
    return grown


def _mean_off(pixels: Pixels, part: Mask, back: Floats) -> Floats:
    """Return how far, in levels, the mean colour of `part` around each pixel is from `back`; shape (3, H, W)."""
    from scipy import ndimage

    weight = np.maximum(ndimage.uniform_filter(part.astype(np.float64), 5), 1 / 50)
    off = [
        ndimage.uniform_filter(np.where(part, pixels[..., i] - back[i], 0.0), 5) / weight for i in range(3)
    ]
    return np.abs(np.stack(off))


def _luma(planes: Floats) -> Floats:
    return np.asarray(0.299 * planes[0] + 0.587 * planes[1] + 0.114 * planes[2])


def bled(share: Plane, at: Index, pixels: Pixels, colour: Floats) -> Floats:
    """Return how much of a colour's chroma each of the pixels `at` (flat) holds, 0–1.

    `share` (H, W): how much of the `colour` (3,) a pixel holds by its lightness, 0–255. Chroma is the mean over the
    pixels that share a value, spread by a triangle, as decoders do (JFIF, ITU-T T.871; the triangle is libjpeg's).
    How many share one is read off the picture: what explains its chroma best.
    """
    fits = [(_spread_share(share, at, rows, columns)) for rows, columns in _SUBSAMPLINGS]
    chroma = _chroma(pixels.reshape(-1, 4)[at, :3].astype(np.float64))
    outside = share.reshape(-1)[at] == 0
    if not outside.any():
        return fits[-1]
    ground = np.mean(chroma[outside], axis=0)
    way = _chroma(colour[None])[0] - ground
    along = np.sum((chroma - ground) * way, axis=1) / max(float(np.sum(way * way)), 1.0)
    apart = [float(np.sum((along - fit) ** 2)) for fit in fits]
    return fits[apart.index(min(apart))]


def where_chroma_bleeds(share: Plane) -> Index:
    """Return the pixels (flat) near which the share (H, W) changes."""
    return np.flatnonzero((window_max(share, _BLUR_PX) != window_min(share, _BLUR_PX)).reshape(-1))


def _spread_share(share: Plane, at: Index, rows: int, columns: int) -> Floats:
    height, width = share.shape
    y, x = np.divmod(at, width)
    out = np.zeros(at.size)
    for cell_y, part_y in _cells(y, rows):
        for cell_x, part_x in _cells(x, columns):
            mean = np.zeros(at.size)
            for dy in range(rows):
                for dx in range(columns):
                    there_y = np.clip(cell_y * rows + dy, 0, height - 1)
                    mean += share[there_y, np.clip(cell_x * columns + dx, 0, width - 1)]
            out += part_y * part_x * mean
    return out / (255.0 * rows * columns)


def _cells(place: Index, size: int) -> list[tuple[Index, float]]:
    """Return the cells whose chroma a pixel takes, and how much of each."""
    if size == 1:
        return [(place, 1.0)]
    own = place // size
    return [(own, 0.75), (np.where(place % size == 0, own - 1, own + 1), 0.25)]


def _chroma(colours: Floats) -> Floats:
    """Return colours (n, 3) less their lightness."""
    return colours - _luma(colours.T)[:, None]


@dataclass(frozen=True, slots=True, eq=False)
class _Fit:
    """How pixels lie between two colours: shares by lightness and by chroma, and how far off that line, in levels."""

    light: Floats
    chroma: Floats
    off: Floats
    length: float


def strokes(pixels: Pixels, area: Mask, colour: Floats, flats: Floats) -> tuple[Index, Floats]:
    """Return pixels (flat) of strokes of the `colour` (3,) too thin to hold it alone, and its share in them, 0–1.

    `area` (H, W) is where it is alone, `flats` (n, 3) are the flat colours of the art without this one. A stroke lies
    between a flat colour beside it and this one, and not between two flat colours beside it.
    """
    if not len(flats):
        return np.zeros(0, np.int64), np.zeros(0)
    labels = within_de(pixels, flats, [_SCATTER_DE] * len(flats), nearest=True)
    thick = grow(window_min(area.view(np.uint8), _THICK_PX) > 0, _THICK_PX + RING_PX)
    marks = (pixels[..., 3] > 0) & (labels == 0) & ~thick
    at = np.flatnonzero(marks.reshape(-1))
    beside = np.stack([grow(labels == n + 1, _BESIDE_PX).reshape(-1)[at] for n in range(len(flats))])
    rows = pixels.reshape(-1, 4)[at, :3].astype(np.float64)
    off, share, full = np.full(at.size, np.inf), np.zeros(at.size), np.zeros(at.size)
    fits = np.zeros(at.size, np.bool_)
    for n, flat in enumerate(flats):
        fit = _between(rows, flat, colour)
        lit = abs(float(_luma(colour - flat))) >= _LIGHTER
        part = fit.light if lit else fit.chroma
        won = beside[n] & (np.abs(part) > _FAINT) & (fit.off < off)
        off[won], share[won], full[won] = fit.off[won], part[won], _FULL[lit]
        fits[won] = ((fit.chroma > _LEAST_CHROMA * part) | (fit.length < _COLOURFUL))[won]
    fits &= (off < _OFF_LINE) & (share > _FAINT) & (share < _BEYOND)
    for n, flat in enumerate(flats):
        for m in range(n):
            fit = _between(rows, flat, flats[m])
            inside = (fit.light > 0.03) & (fit.light < 1.03)
            fits &= ~(beside[n] & beside[m] & inside & (fit.off < off))
    fits &= _in_whole_strokes(marks, at, np.isfinite(off), fits, fits & (share > full))
    return at[fits], np.minimum(share[fits], 1.0)


def _in_whole_strokes(
    marks: Mask, at: Index, told: NDArray[np.bool_], fits: NDArray[np.bool_], reach: NDArray[np.bool_]
) -> NDArray[np.bool_]:
    """Say which pixels lie in connected marks that as a whole are strokes of the colour: most fits, and reaches it.

    Marks of another colour cross the line between ground and colour, stop short of the colour or go beyond it.
    """
    from scipy import ndimage

    parts, count = ndimage.label(marks, structure=np.ones((3, 3), np.int8))
    part = parts.reshape(-1)[at]
    every = np.bincount(part[told], minlength=count + 1)
    good = np.bincount(part[fits], minlength=count + 1)
    full = np.bincount(part[reach], minlength=count + 1)
    whole: NDArray[np.bool_] = ((good >= _MOST * every) & (full >= _REACHES * good))[part]
    return whole


def _between(rows: Floats, start: Floats, end: Floats) -> _Fit:
    span, apart = end - start, rows - start
    light = _luma(apart.T) / _away_from_0(float(_luma(span)))
    way, chroma = _chroma(span[None])[0], _chroma(apart)
    length2 = float(np.sum(way * way))
    along = np.sum(chroma * way, axis=1) / max(length2, 1.0)
    off = chroma - along[:, None] * way
    return _Fit(light, along, np.sqrt(np.sum(off * off, axis=1)), float(np.sqrt(length2)))


def _away_from_0(value: float) -> float:
    return value if abs(value) >= 1.0 else 1.0
