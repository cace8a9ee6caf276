"""Lossy art: its colour is brought back to where its lightness says, before anything is knocked out.

JPEG and its like keep the lightness of every pixel, but chroma for blocks of them only: beside an edge the colours of
both sides have bled over each other, and no pixel there is a mixture of them any more. Near the fabric's colour,
chroma is in small surroundings a linear function of lightness: all there is a mixture of the fabric and one kept
colour lighter than it, or one darker. That function is fitted where lightness was halved and enlarged again as the
file does with chroma (ITU-T T.81 A.1.1, T.871), and then read at the lightness of the pixel itself (joint upsampling
by a local linear model: He, Sun, Tang, "Guided Image Filtering", ECCV 2010). Where chroma is no function of
lightness, nothing changes.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.raster import Pixels
from pipeline.raster_ops import Floats, Mask, grow, luma, within_de

BLED_PX = 4
"""As far beside what goes the fabric's chroma lies in the kept colour: a block of two pixels and its enlargement."""
_REACH_PX = 10
"""As far as the fabric's surroundings are looked at: the ringing of a block of chroma."""
_SEED_DE = 2.0
_TILE_PX = 256
_THROUGH_PX, _FREE_PX = 15, 7
"""The surroundings that one function is fitted to: through the fabric's colour, and else through any."""
_MARGIN_PX = 16
_FAINT = 4.0
"""Squares of lightness, in levels², that say nothing about chroma."""
_POOR, _WELL = 0.25, 0.1
"""What a fit leaves of the squares of chroma: from the first on it counts for nothing, up to the second wholly."""
_ROUGH = 144.0
"""Squares of chroma, in levels², that block noise alone makes."""
_ROUNDS, _MISS_PX, _CHROMA_NOISE = 2, 3, 6.0
_TRIED_TILES = 6
_CUT = 12.0
"""A fabric colour so near the end of its range, in levels, has its noise cut off there."""
_TELLS = 0.3
_CR_RED, _CB_BLUE, _CB_GREEN, _CR_GREEN = 1.402, 1.772, -0.344136, -0.714136
"""Chroma in the channels, ITU-T T.871."""

_SUBSAMPLINGS: tuple[tuple[int, ...], ...] = ((0, 1), (1,), (0,), ())
"""4:2:0, 4:2:2, that turned upright, 4:4:4: the axes along which chroma is halved."""

Tile = tuple[slice, slice]
Axes = tuple[int, ...]


@dataclass(slots=True, eq=False)
class _Planes:
    """Lightness and chroma of a tile as differences from the fabric's colour, levels; float64 (h, w)."""

    y: Floats
    cb: Floats
    cr: Floats


@dataclass(frozen=True, slots=True, eq=False)
class _Fit:
    """Chroma as the lightness says; what is left of the squares of chroma in all; chroma per lightness; trust 0–1."""

    cb: Floats
    cr: Floats
    left: float
    slope_cb: Floats
    slope_cr: Floats
    trust: Floats


def unbled(pixels: Pixels, backs: Floats) -> Pixels:
    """Return lossy art with its chroma restored around the colours `backs`, levels (n, 3); all else is the art's own.

    `pixels` (H, W, 4) straight sRGB. Opaque pixels alone change. Lightness stays, but for rounding, where the
    restored colour leaves the gamut, and where a channel was cut off at the end of its range, beside white and black.
    """
    out = pixels
    opaque = pixels[..., 3] == 255
    for back in backs:
        seeds = within_de(pixels, back[None], [_SEED_DE]) > 0
        if not seeds.any():
            continue
        zone = grow(seeds, _REACH_PX) & grow(~seeds, BLED_PX) & opaque
        tiles = list(_tiles(zone))
        out = pixels.copy() if out is pixels else out
        axes = _halved_axes(pixels, back, tiles)
        for tile in tiles:
            outer, inner = _with_margin(tile, zone.shape)
            restored = _restored(_planes(pixels[outer], back), pixels[outer], back, axes)[inner]
            out[tile][zone[tile], :3] = restored[zone[tile]]
    return out


def _tiles(zone: Mask) -> list[Tile]:
    height, width = zone.shape
    tiles = [
        (slice(y, min(y + _TILE_PX, height)), slice(x, min(x + _TILE_PX, width)))
        for y in range(0, height, _TILE_PX)
        for x in range(0, width, _TILE_PX)
    ]
    return [tile for tile in tiles if zone[tile].any()]


def _with_margin(tile: Tile, shape: tuple[int, ...]) -> tuple[Tile, Tile]:
    """Return the tile with an even margin where the picture has one, and where the tile lies in that."""
    outer, inner = [], []
    for part, size in zip(tile, shape, strict=True):
        start, stop = max(part.start - _MARGIN_PX, 0), min(part.stop + _MARGIN_PX, size)
        outer.append(slice(start, stop))
        inner.append(slice(part.start - start, part.stop - start))
    return (outer[0], outer[1]), (inner[0], inner[1])


def _planes(pixels: Pixels, back: Floats) -> _Planes:
    """Return the tile as seen on the fabric's colour: where it is not opaque, as that colour alone."""
    apart = np.where((pixels[..., 3] == 255)[..., None], pixels[..., :3] - back, 0.0)
    y = luma(apart)
    return _Planes(y, (apart[..., 2] - y) / _CB_BLUE, (apart[..., 0] - y) / _CR_RED)


def _halved_axes(pixels: Pixels, back: Floats, tiles: list[Tile]) -> Axes:
    """Return along which axes the file's chroma was halved: it follows lightness best if that is halved alike."""
    left = dict.fromkeys(_SUBSAMPLINGS, 0.0)
    for tile in tiles[:: max(1, len(tiles) // _TRIED_TILES)]:
        planes = _planes(pixels[_with_margin(tile, pixels.shape[:2])[0]], back)
        for axes in left:
            left[axes] += _fitted(planes, axes).left
    return min(left, key=lambda axes: left[axes])


def _restored(planes: _Planes, pixels: Pixels, back: Floats, axes: Axes) -> NDArray[np.uint8]:
    """Return the colours (h, w, 3) of a tile with their chroma restored."""
    cut = _cut_off(pixels, back)
    if cut.any():
        _without_cut(planes, pixels, back, cut, _fitted(planes, axes))
    fit = _fitted(planes, axes)
    red, blue = planes.y + _CR_RED * fit.cr, planes.y + _CB_BLUE * fit.cb
    green = planes.y + _CB_GREEN * fit.cb + _CR_GREEN * fit.cr
    colours = np.stack([red, green, blue], axis=-1) + back
    return np.floor(np.clip(colours, 0.0, 255.0) + 0.5).astype(np.uint8)


def _fitted(planes: _Planes, axes: Axes) -> _Fit:
    """Fit chroma to lightness: through the fabric's colour, apart for lighter and darker; where that fails, freely."""
    blurred = _halved(planes.y, axes)
    lighter, darker = np.maximum(blurred, 0.0), np.maximum(-blurred, 0.0)
    weights = [_mean(side * side, _THROUGH_PX) + _FAINT for side in (lighter, darker)]
    through, free, slopes = [], [], []
    squares, explained, rough, guessed = (np.zeros_like(blurred) for _ in range(4))
    mean_y = _mean(blurred, _FREE_PX)
    spread_y = np.maximum(_mean(blurred * blurred, _FREE_PX) - mean_y * mean_y, 0.0) + _FAINT
    for chroma in (planes.cb, planes.cr):
        shared = [_mean(side * chroma, _THROUGH_PX) for side in (lighter, darker)]
        up, down = (both / weight for both, weight in zip(shared, weights, strict=True))
        squares = squares + _mean(chroma * chroma, _THROUGH_PX)
        explained = explained + up * shared[0] + down * shared[1]
        through.append(up * np.maximum(planes.y, 0.0) + down * np.maximum(-planes.y, 0.0))
        slopes.append(np.where(blurred > 0, up, -down))
        mean = _mean(chroma, _FREE_PX)
        common = _mean(blurred * chroma, _FREE_PX) - mean_y * mean
        rough = rough + _mean(chroma * chroma, _FREE_PX) - mean * mean
        guessed = guessed + common * common / spread_y
        free.append(mean + common / spread_y * (planes.y - mean_y))
    trust, rest = _trusted(squares, explained), _trusted(rough, guessed)
    new = [
        trust * a + (1.0 - trust) * (rest * b + (1.0 - rest) * own)
        for a, b, own in zip(through, free, (planes.cb, planes.cr), strict=True)
    ]
    left = float(np.sum(np.maximum(squares - explained, 0.0)))
    cb, cr = (_as_seen(guess, own, axes) for guess, own in zip(new, (planes.cb, planes.cr), strict=True))
    return _Fit(cb, cr, left, slopes[0], slopes[1], trust)


def _as_seen(guess: Floats, own: Floats, axes: Axes) -> Floats:
    """Return the guess moved to where it would bleed into the file's own chroma, but for noise.

    Where two kept colours lie beside the fabric, no one function of lightness holds for both.
    """
    for _ in range(_ROUNDS):
        miss = _mean(own - _halved(guess, axes), _MISS_PX)
        guess = guess + np.sign(miss) * np.maximum(np.abs(miss) - _CHROMA_NOISE, 0.0)
    return guess


def _trusted(squares: Floats, explained: Floats) -> Floats:
    """Return 0–1: how far a fit that explains so much of the squares of chroma is to be believed."""
    left = np.maximum(squares - explained, 0.0) / (squares + _ROUGH)
    return np.asarray(np.clip((_POOR - left) / (_POOR - _WELL), 0.0, 1.0))


def _mean(plane: Floats, size: int) -> Floats:
    from scipy import ndimage

    return np.asarray(ndimage.uniform_filter(plane, size))


def _halved(plane: Floats, axes: Axes) -> Floats:
    """Return the plane halved by means and enlarged by a triangle, as chroma is written and read, along the axes."""
    for axis in axes:
        line = np.moveaxis(plane, axis, 0)
        size = len(line)
        even = np.concatenate([line, line[-1:]]) if size % 2 else line
        small = (even[::2] + even[1::2]) / 2.0
        wide = np.concatenate([small[:1], small, small[-1:]])
        large = np.empty((2 * len(small), line.shape[1]))
        large[::2] = 0.75 * small + 0.25 * wide[:-2]
        large[1::2] = 0.75 * small + 0.25 * wide[2:]
        plane = np.moveaxis(large[:size], 0, axis)
    return plane


def _cut_off(pixels: Pixels, back: Floats) -> Mask:
    """Return per channel where it stands at an end of its range that the fabric's colour is near to; (h, w, 3)."""
    high = (pixels[..., :3] == 255) & (back >= 255.0 - _CUT)
    low = (pixels[..., :3] == 0) & (back <= _CUT)
    return np.asarray((high | low) & (pixels[..., 3:] == 255))


def _without_cut(planes: _Planes, pixels: Pixels, back: Floats, cut: Mask, fit: _Fit) -> None:
    """Work lightness and chroma back where channels were cut off: chroma lies in the direction the fit says.

    Beside white the fabric bleeds the kept colour's chroma, and with it beyond the range: what is left of the
    pixel looks darker than it is. With one channel lost, the other two give lightness and the share of chroma; with
    two lost, the pixel has the fabric's lightness, and the third its chroma.
    """
    apart = pixels[..., :3] - back
    per = (
        _CR_RED * fit.slope_cr,
        _CB_GREEN * fit.slope_cb + _CR_GREEN * fit.slope_cr,
        _CB_BLUE * fit.slope_cb,
    )
    lost = np.count_nonzero(cut, axis=-1)
    for channel in range(3):
        one, two = (other for other in range(3) if other != channel)
        tells = per[one] - per[two]
        here = (lost == 1) & cut[..., channel] & (np.abs(tells) > _TELLS) & (fit.trust > _TELLS)
        share = np.where(here, (apart[..., one] - apart[..., two]) / np.where(here, tells, 1.0), 0.0)
        y = apart[..., one] - share * per[one]
        here &= _beyond(pixels, back, channel, y + share * per[channel])
        _set(planes, here, y, share, fit)
        here = (lost == 2) & ~cut[..., channel] & (np.abs(per[channel]) > _TELLS) & (fit.trust > _TELLS)
        share = np.where(here, apart[..., channel] / np.where(here, per[channel], 1.0), 0.0)
        here &= _beyond(pixels, back, one, share * per[one]) & _beyond(pixels, back, two, share * per[two])
        _set(planes, here, np.zeros_like(share), share, fit)


def _beyond(pixels: Pixels, back: Floats, channel: int, apart: Floats) -> Mask:
    """Whether a channel that is `apart` from the fabric's would indeed have been cut off where it is."""
    value = back[channel] + apart
    return np.asarray(np.where(pixels[..., channel] == 255, value >= 254.5, value <= 0.5))


def _set(planes: _Planes, here: Mask, y: Floats, share: Floats, fit: _Fit) -> None:
    planes.y = np.where(here, y, planes.y)
    planes.cb = np.where(here, share * fit.slope_cb, planes.cb)
    planes.cr = np.where(here, share * fit.slope_cr, planes.cr)
