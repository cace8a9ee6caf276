"""Block noise: how strong it is in lossy art, and the fabric's colour wherever it differs by noise alone.

Noise stands beside edges, in proportion to them: a block of 8 × 8 pixels that holds an edge of 160 levels wavers by
some of them, one without edges hardly at all. So it is measured, and allowed, as a share of the greatest difference
from the fabric's lightness in the surroundings.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.raster import Pixels, Plane
from pipeline.raster_ops import Floats, Mask, grow, luma, window_max, within_de

_LOSSY_DE = 10.0
"""Noise beside the strongest edges of art that still is worth printing."""
_AROUND_PX, _BLOCK_PX, _TILE_PX = 4, 8, 256
_STRONG = 0.3
"""What differs by more of the greatest difference around holds some kept colour."""
_CLEAR_PX = 2
_LEAST_EDGE = 40
_FEW = 50
_USUAL, _LEAST, _MOST = 0.04, 0.02, 0.1
_CUT_LEVELS = 5.0
_NOISE_QUANTILE = 0.9
_REACH = 1.8
"""Times the measured noise that counts as noise; in levels at least:"""
_LEAST_LEVELS = 2.5
_LEANS, _LEANS_AWAY, _LEAST_LEAN = 0.7, 0.45, 1.5
"""Shares of what counts as noise that a mean of 3 × 3 pixels may be off: towards the kept colour, and the other way."""
_SPECK_PX = 8


@dataclass(frozen=True, slots=True, eq=False)
class _Around:
    """A tile's difference in lightness from the fabric, levels, its mean of 3 × 3, and the greatest to either side."""

    tile: tuple[slice, slice]
    off: Floats
    mean: Floats
    lighter: Plane
    darker: Plane

    @property
    def most(self) -> Plane:
        return np.maximum(self.lighter, self.darker)


def noise_share(pixels: Pixels, back: Floats, limit: float) -> float:
    """Return the noise beside edges as a share of the difference across them, 0.02–0.1.

    `back` (3,) in levels; `limit`: the ΔE00 from it that is wholly its own. The quantile 0.9 of what pixels differ
    from the mean around them, where no kept colour is near.
    """
    return _share(pixels, back, _wide(pixels, back, limit))


def _wide(pixels: Pixels, back: Floats, limit: float) -> Mask:
    return within_de(pixels, back[None], [limit + _LOSSY_DE]) > 0


def _share(pixels: Pixels, back: Floats, wide: Mask) -> float:
    counts = np.zeros(1001, np.int64)
    for around in _tiles(pixels, back, wide, ~wide):
        most = around.most
        clear = (
            ~grow(np.abs(around.off) > _STRONG * most, _CLEAR_PX) & (most >= _LEAST_EDGE) & wide[around.tile]
        )
        share = np.abs(around.off - around.mean)[clear] / most[clear]
        counts += np.bincount(np.minimum(share * 1000.0, 1000.0).astype(np.int64), minlength=1001)
    total = int(counts.sum())
    if total < _FEW:
        return _USUAL
    found = float(np.searchsorted(np.cumsum(counts), _NOISE_QUANTILE * total)) / 1000.0
    lightness = float(luma(back))
    if not _CUT_LEVELS <= lightness <= 255.0 - _CUT_LEVELS:
        found *= 2.0  # half of the noise was cut off at the end of the range
    return min(max(found, _LEAST), _MOST)


def through_noise(pixels: Pixels, labels: Plane, backs: Floats, limits: Sequence[float]) -> Plane:
    """Grow the labels through block noise: what is fairly near, connected, and off by no more than noise is.

    What leans away from the fabric on the mean is a colour of its own, a dark outline on a dark fabric for one.
    """
    from scipy import ndimage

    out = labels.copy()
    for which, back in enumerate(backs):
        own = labels == which + 1
        if not own.any():
            continue
        wide = _wide(pixels, back, limits[which])
        share = _share(pixels, back, wide)
        noisy, weak = np.zeros_like(own), np.zeros_like(own)
        for around in _tiles(pixels, back, wide, ~own):
            allowed = np.maximum(_REACH * share * around.most, _LEAST_LEVELS)
            noisy[around.tile] = (
                wide[around.tile] & (np.abs(around.off) <= allowed) & _wavers(around, allowed)
            )
            weak[around.tile] = np.abs(around.off) <= 2.0 * allowed
        linked, count = ndimage.label(noisy | own)
        seeded = np.zeros(count + 1, np.bool_)
        seeded[linked[own]] = True
        seeded[0] = False
        out[seeded[linked] & (out == 0)] = which + 1
        out[_specks(out > 0, weak)] = which + 1
    return out


def _tiles(pixels: Pixels, back: Floats, wide: Mask, other: Mask) -> Iterator[_Around]:
    """Yield what lies around, tile by tile, where the fabric's colour may be and something `other` too."""
    from scipy import ndimage

    height, width = wide.shape
    for y in range(0, height, _TILE_PX):
        for x in range(0, width, _TILE_PX):
            tile = slice(y, min(y + _TILE_PX, height)), slice(x, min(x + _TILE_PX, width))
            if not (wide[tile].any() and other[tile].any()):
                continue
            top, left = max(y - _AROUND_PX, 0), max(x - _AROUND_PX, 0)
            part = pixels[top : y + _TILE_PX + _AROUND_PX, left : x + _TILE_PX + _AROUND_PX]
            off = np.where(part[..., 3] > 0, luma(part[..., :3] - back), 0.0)
            inner = slice(y - top, tile[0].stop - top), slice(x - left, tile[1].stop - left)
            lighter, darker = (
                _most(np.clip(side, 0.0, 255.0).astype(np.uint8), inner) for side in (off, -off)
            )
            yield _Around(
                tile, off[inner], np.asarray(ndimage.uniform_filter(off, 3))[inner], lighter, darker
            )


def _most(side: Plane, inner: tuple[slice, slice]) -> Plane:
    """Return the greatest value near each pixel of the inner part, and in its block, which noise fills evenly."""
    near = window_max(side, _AROUND_PX)[inner]
    own = side[inner]
    height, width = own.shape
    blocks = np.pad(own, ((0, -height % _BLOCK_PX), (0, -width % _BLOCK_PX)))
    rows, columns = blocks.shape[0] // _BLOCK_PX, blocks.shape[1] // _BLOCK_PX
    most = blocks.reshape(rows, _BLOCK_PX, columns, _BLOCK_PX).max(axis=(1, 3))
    spread = most.repeat(_BLOCK_PX, axis=0).repeat(_BLOCK_PX, axis=1)[:height, :width]
    return np.asarray(np.maximum(near, spread))


def _wavers(around: _Around, allowed: Floats) -> Mask:
    """Whether the mean around a pixel stays by the fabric's lightness, as it does in noise."""
    from scipy import ndimage

    held = np.asarray(ndimage.uniform_filter(np.clip(around.off, -allowed, allowed), 3))
    lean = np.where(around.lighter >= around.darker, held, -held)
    mask: Mask = (lean <= np.maximum(_LEANS * allowed, _LEAST_LEAN)) & (
        -lean <= np.maximum(_LEANS_AWAY * allowed, _LEAST_LEAN)
    )
    return mask


def _specks(gone: Mask, weak: Mask) -> Mask:
    """Return the small patches amid what goes that are stronger noise: nothing in them is far from the fabric."""
    from scipy import ndimage

    faint = weak & ~gone
    at = np.flatnonzero(faint.reshape(-1))
    parts, count = ndimage.label(faint, structure=np.ones((3, 3), np.int8))
    part = parts.reshape(-1)[at]
    strong = grow(~gone & ~weak).reshape(-1)[at]
    small = np.bincount(part, minlength=count + 1) <= _SPECK_PX
    small &= np.bincount(part[strong], minlength=count + 1) == 0
    mask = np.zeros(gone.size, np.bool_)
    mask[at[small[part]]] = True
    return mask.reshape(gone.shape)
