"""Lines of pixels read as flat stretches ("stations") with mixed edge pixels between them.

A row of flat art is a few long stretches of one colour; between two of them lie one or two antialiased pixels that
are mixtures of both. All that preflight measures across an edge (the width of a line, which colours touch) is read
from these stretches, so that it costs what the art has edges, not what it has pixels.

Colours are premultiplied here, bare cloth being (0, 0, 0, 0): an antialiased pixel is then a straight mixture of its
two sides whether ink meets ink or cloth (Porter & Duff 1984, "over" of a partly covered pixel).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.raster import Pixels

Ints = NDArray[np.int32]
Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

FLAT = 3
"""Largest step of a channel, in 8-bit levels, that still counts as the same flat colour (rounding, faint noise)."""
CONTRAST = 24
"""A colour is another one when it differs by this much (8-bit levels, Euclidean)."""
SHINES_THROUGH = 0.35
"""Two shapes that meet on a third let up to a quarter of a pixel of it shine through their antialiased edges."""
SEAM = 178
"""Coverage (of 255) above which a single pixel between solid inks is the seam of two shapes, not a gap."""
BAND_PX, MOST_CHANGES = 1_000_000, 200_000
"""Pixels read at a time, and changes of colour: bounds the memory of a photograph, whose every pixel is a stretch."""
PHOTO_SAMPLE, PHOTO_COLOURS, PHOTO_CHANGES = 16_384, 0.25, 0.4
"""A photographic band: this share of sampled pixels differ from each other, and of all pixels from the one before."""


@dataclass(frozen=True, slots=True, eq=False)
class Stations:
    """Flat stretches in reading order along scanned lines; arrays of one length N.

    `line` is the index of the row (or column), `start` the first pixel, `size` the pixels that are flat. `first`,
    `mean` and `last` are premultiplied RGBA, int32 (N, 4). `gap` is how many mixed pixels lie between this
    stretch and the next on the same line, −1 where it is the last; `share` how much of them (in pixels) belongs to
    the next stretch.
    """

    line: Ints
    start: Ints
    size: Ints
    first: Ints
    mean: Ints
    last: Ints
    gap: Ints
    share: Floats


def premultiplied(pixels: NDArray[np.uint8]) -> Ints:
    """Return (…, 4) straight-alpha RGBA as premultiplied int32, rounded to whole levels."""
    out = pixels.astype(np.int32)
    soft = out[..., 3] != 255
    if soft.any():
        some = out[soft]
        some[:, :3] = (some[:, :3] * some[:, 3:] + 127) // 255
        out[soft] = some
    return out


def most(steps: Ints) -> Ints:
    """Return the largest of the four values of each row (N, 4); many times faster than a maximum along an axis."""
    return np.maximum(np.maximum(steps[:, 0], steps[:, 1]), np.maximum(steps[:, 2], steps[:, 3]))


def product(a: Ints, b: Ints) -> NDArray[np.int64]:
    """Return the scalar product of each pair of rows (N, 4) of steps between premultiplied colours."""
    # Steps are below 256, so four products fit 32 bits.
    total = a[:, 0] * b[:, 0] + a[:, 1] * b[:, 1] + a[:, 2] * b[:, 2] + a[:, 3] * b[:, 3]
    return np.asarray(total, np.int64)


@dataclass(frozen=True, slots=True, eq=False)
class Scans:
    """All rows and columns of a picture, a band at a time; `photographic`: of some bands only the outline is left."""

    rows: tuple[Stations, ...]
    columns: tuple[Stations, ...]
    photographic: bool


def scanned(pixels: Pixels, *, ink_only: bool = False) -> Scans:
    """Return the stations of every row and column of (H, W, 4).

    All inks of a photographic band count as one, and with `ink_only` those of every band: only outlines on cloth
    are left.
    """
    packed = np.ascontiguousarray(pixels).view("<u4")[..., 0]
    across, down = ([*_bands(plane, 1, ink_only=ink_only)] for plane in (packed, packed.T))
    return Scans(
        tuple(stations for stations, _ in across),
        tuple(stations for stations, _ in down),
        any(outline for _, outline in (*across, *down)),
    )


def every(pixels: Pixels, step: int, scans: Scans | None = None) -> Iterator[tuple[Stations, bool]]:
    """Yield the stations of every `step`-th row, then of every such column, in full colour; True goes with rows.

    They are taken from `scans` where these have all colours.
    """
    if scans is not None and not scans.photographic:
        yield from ((_thinned(stations, step), True) for stations in scans.rows)
        yield from ((_thinned(stations, step), False) for stations in scans.columns)
        return
    packed = np.ascontiguousarray(pixels).view("<u4")[..., 0]
    for plane, upright in ((packed, True), (packed.T, False)):
        yield from ((stations, upright) for stations, _ in _bands(plane, step, keep_inks=True))


def _thinned(s: Stations, step: int) -> Stations:
    at = s.line % step == 0
    return Stations(*(getattr(s, name)[at] for name in Stations.__slots__))


def _bands(
    packed: NDArray[np.uint32], step: int, *, ink_only: bool = False, keep_inks: bool = False
) -> Iterator[tuple[Stations, bool]]:
    """Yield the stations of every `step`-th line of packed RGBA, and whether inks were taken for one."""
    count, width = packed.shape
    if not count or not width:
        return
    lines = max(1, BAND_PX // width) * step
    for top in range(0, count, lines):
        part = packed[top : top + lines : step]
        outline = ink_only
        if ink_only:
            part = part & np.uint32(0xFF000000)  # never in place: the plate itself may lie below
        part = np.ascontiguousarray(part)
        if not ink_only and not keep_inks and photographic(part):
            part, outline = part & np.uint32(0xFF000000), True
        pieces = 1 + int(np.count_nonzero(part[:, 1:] != part[:, :-1])) // MOST_CHANGES
        high = -(-part.shape[0] // pieces)
        for first in range(0, part.shape[0], high):
            yield _stations(part[first : first + high], top + first * step, step), outline


def photographic(pixels: Pixels | NDArray[np.uint32]) -> bool:
    """Say whether nearly every pixel, (H, W, 4) or packed, has a colour of its own; a fine hatch changes as often, but
    between few."""
    lines = pixels if pixels.ndim == 2 else np.ascontiguousarray(pixels).view("<u4")[..., 0]
    sample = lines.reshape(-1)[:: max(1, lines.size // PHOTO_SAMPLE)]
    if np.unique(sample).size < PHOTO_COLOURS * sample.size:
        return False
    return int(np.count_nonzero(lines[:, 1:] != lines[:, :-1])) > PHOTO_CHANGES * lines.size


def _stations(lines: NDArray[np.uint32], top: int, step: int) -> Stations:
    """Return the stations of consecutive scanned lines, shape (h, W) of packed RGBA."""
    width = lines.shape[1]
    change = np.empty(lines.shape, bool)
    change[:, 0] = True
    np.not_equal(lines[:, 1:], lines[:, :-1], out=change[:, 1:])
    at = np.flatnonzero(change)
    colour = premultiplied(lines.reshape(-1)[at].view(np.uint8).reshape(-1, 4))
    size = np.diff(np.append(at, lines.size)).astype(np.int32)
    row = (at // width).astype(np.int32)
    _close_seams(colour, size, row)
    flat = ~_mixed(colour, size, row)
    flat |= _turning(colour, flat)
    keep = np.flatnonzero(flat)
    begins = np.ones(keep.size, bool)
    kept = colour[keep]
    close = most(np.abs(kept[1:] - kept[:-1])) <= FLAT
    begins[1:] = ~(close & (np.diff(keep) == 1) & (row[keep[1:]] == row[keep[:-1]]))
    head = np.flatnonzero(begins)
    first, last = keep[head], keep[np.append(head[1:], keep.size) - 1]
    total = np.add.reduceat(size[keep], head).astype(np.int32)
    mean = kept[head]
    many = np.diff(np.append(head, keep.size)) > 1
    long = np.repeat(many, np.diff(np.append(head, keep.size)))
    heads = np.flatnonzero(begins[long])
    weighted = (
        np.add.reduceat(kept[long].astype(np.int64) * size[keep[long], None], heads, axis=0)
        if heads.size
        else 0
    )
    mean[many] = (weighted + total[many, None] // 2) // total[many, None]
    gap, share = _between(colour, flat, row, first, last)
    return Stations(
        line=(row[first] * step + top).astype(np.int32),
        start=(at[first] - row[first].astype(np.int64) * width).astype(np.int32),
        size=total,
        first=colour[first],
        mean=mean,
        last=colour[last],
        gap=gap,
        share=share,
    )


def _close_seams(colour: Ints, size: Ints, row: Ints) -> None:
    """Take the faint cloth out of seams, in place: two shapes that abut are each antialiased against the cloth."""
    alpha = colour[:, 3]
    thin = (size == 1) & (alpha >= SEAM)
    solid = np.concatenate(([False, False], alpha == 255, [False, False]))
    lines = np.concatenate(([-1, -1], row, [-1, -1]))
    at = np.flatnonzero(thin & (alpha < 255))
    sides = np.ones(at.size, bool)
    for way in (-1, 1):
        one, two = at + 2 + way, at + 2 + 2 * way
        beside = solid[one] & (lines[one] == row[at])
        through = np.concatenate(([False, False], thin, [False, False]))[one]
        sides &= beside | (through & solid[two] & (lines[two] == row[at]))
    at = at[sides]
    cover = alpha[at, None]
    colour[at] = np.minimum((colour[at] * 255 + cover // 2) // cover, 255)


def _mixed(colour: Ints, size: Ints, row: Ints) -> Bools:
    """Say which stretches are single pixels that lie between their two neighbours: edges, no colour of their own."""
    mixed = np.zeros(size.size, bool)
    at = np.flatnonzero((size[1:-1] == 1) & (row[1:-1] == row[:-2]) & (row[1:-1] == row[2:])) + 1
    left = colour[at] - colour[at - 1]
    whole = colour[at + 1] - colour[at - 1]
    apart = (most(np.abs(left)) > FLAT) & (most(np.abs(whole - left)) > FLAT)
    at, left, whole = at[apart], left[apart], whole[apart]
    along, span, away = product(left, whole), product(whole, whole), product(left, left)
    # The square of the distance from the straight mixture, times span so that it stays a whole number.
    off = away * span - along * along
    straight = off <= span * np.maximum(3 * FLAT * FLAT, span // 50)
    mixed[at] = straight & (along > 0) & (along < span)
    return mixed


def _turning(colour: Ints, flat: Bools) -> Bools:
    """Say which mixed pixels, at most one between two stations, hold a third colour too thin to fill a pixel."""
    turn = np.zeros(flat.size, bool)
    place = np.where(flat, np.arange(flat.size), -1)
    at = np.flatnonzero(~flat)
    before = np.maximum.accumulate(place)[at]
    gap = np.flatnonzero(np.diff(before, prepend=-1))
    if not gap.size:
        return turn
    after = np.append(at[gap[1:] - 1], at[-1]) + 1
    left, right = colour[before], np.repeat(colour[after], np.diff(np.append(gap, at.size)), axis=0)
    off, span = off_edge(colour[at], left, right)
    far = np.flatnonzero(off > np.maximum(CONTRAST * CONTRAST, span / 36))
    far = far[~shines_through(colour[at[far]], left[far], right[far])]
    off = np.where(np.isin(np.arange(at.size), far), off, 0)
    most = np.repeat(np.maximum.reduceat(off, gap), np.diff(np.append(gap, at.size)))
    best = at[(off == most) & (off > 0)]
    first = np.diff(before[np.searchsorted(at, best)], prepend=-1) != 0
    turn[best[first]] = True
    return turn


def off_edge(here: Ints, left: Ints, right: Ints) -> tuple[Floats, NDArray[np.int64]]:
    """Return the squared distance of colours from the straight mixture of two sides, and that of the sides."""
    whole, part = right - left, here - left
    span = product(whole, whole)
    t = product(part, whole) / np.maximum(span, 1)
    ray = part - t[:, None] * whole
    return np.asarray((ray * ray).sum(axis=1)), span


def shines_through(here: Ints, left: Ints, right: Ints) -> Bools:
    """Say which pixels may be their two sides and no more than `SHINES_THROUGH` of a third colour beneath.

    With b of the right and 1 − s − b of the left side, what remains must be s times a colour that exists: each
    channel bounds b from both sides, and some b must be left.
    """
    s = SHINES_THROUGH
    rest = here - (1 - s) * left
    slope = (right - left).astype(np.float64)
    low, high = np.zeros(here.shape[0]), np.full(here.shape[0], 1 - s)
    level = np.ones(here.shape[0], bool)
    for channel in range(4):
        step, most, least = slope[:, channel], rest[:, channel] + 2, rest[:, channel] - 255 * s - 2
        level &= (step != 0) | ((most >= 0) & (least <= 0))
        safe = np.where(step == 0, 1.0, step)
        one, other = least / safe, most / safe
        low = np.where(step == 0, low, np.maximum(low, np.minimum(one, other)))
        high = np.where(step == 0, high, np.minimum(high, np.maximum(one, other)))
    return np.asarray(level & (low <= high))


def _between(
    colour: Ints, flat: Bools, row: Ints, first: NDArray[np.intp], last: NDArray[np.intp]
) -> tuple[Ints, Floats]:
    """Return for each station the mixed pixels up to the next one and how much of them belongs to it."""
    count = first.size
    gap = np.full(count, -1, np.int32)
    share = np.zeros(count)
    if count < 2:
        return gap, share
    # Mixed stretches are one pixel each, so those before a place count the pixels, too.
    before = np.concatenate(([0], np.cumsum(~flat)))
    a, b = last[:-1], first[1:]
    here = row[a] == row[b]
    gap[:-1] = np.where(here, before[b] - before[a + 1], -1)
    at = np.flatnonzero(gap[:-1] > 0)
    a, b = a[at], b[at]
    sums = np.concatenate((np.zeros((1, 4), np.int64), np.cumsum(colour[~flat], axis=0, dtype=np.int64)))
    step = (colour[b] - colour[a]).astype(np.int64)
    between = sums[before[b]] - sums[before[a + 1]] - colour[a] * gap[at, None]
    span, along = (step * step).sum(axis=1), (between * step).sum(axis=1)
    share[at] = np.where(span > 0, np.clip(along / np.maximum(span, 1), 0, gap[at]), 0)
    return gap, share
