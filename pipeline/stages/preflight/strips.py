"""How wide the thin lines and gaps of a plate are, in mm, well below a pixel.

A strip that runs across a scanned row covers there exactly width ÷ cos(angle) of it, wherever it lies on the
pixel grid, because an antialiased pixel says how much of it is covered. So crossings are measured by adding up
coverage, linked from row to row into chains, and turned into widths by the direction of the chain. Strips nearer to
level are measured along columns.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.raster import MM_PER_INCH
from pipeline.raster_ops import joined
from pipeline.stages.preflight.stations import (
    CONTRAST,
    Bools,
    Floats,
    Ints,
    Scans,
    Stations,
    shines_through,
)

RINGING = 0.15
"""A step beyond both sides smaller than this share of the edge is the overshoot of a resampled edge."""
STEADY = 12
"""Most that an ink beside a strip may change along it, in 8-bit levels, to be flat colour or a slow gradient."""
UNLIKE = CONTRAST
"""Sides that differ by more are two different colours."""
SHINE = 441.0
"""Black on white, in 8-bit levels. Where shapes abut, a(1 − a) of a pixel of what lies beneath shines through.

That is a quarter at most, where the seam runs along the pixels, and a sixth on the mean of one that runs askew.
"""
STEEPEST = 1.25
"""Chains may lean this far (pixels a line) before the other direction measures them."""
LEAST_CROSSINGS = 3
WINDOW_MM = 0.35
"""How far to each side along the chain widths are averaged."""


@dataclass(frozen=True, slots=True, eq=False)
class Widths:
    """Every measured crossing of a narrow strip: where (px), how wide (mm), in which chain; arrays of length N.

    `upright` crossings lie on rows. `slope` is how far the chain leans there, in pixels a line; `taper` how fast the
    width grows along the strip, infinite where it cannot be told. `unlike`: its two sides have different colours.
    """

    x: Floats
    y: Floats
    width_mm: Floats
    taper: Floats
    advance_mm: Floats
    chain: Ints
    gap: Bools
    slope: Floats
    upright: Bools
    unlike: Bools


@dataclass(frozen=True, slots=True, eq=False)
class _Crossings:
    line: Ints
    centre: Floats
    across: Floats
    core: Ints
    depth: Floats
    colour: Ints
    left: Ints
    right: Ints
    gap: Bools

    def take(self, index: NDArray[np.intp]) -> _Crossings:
        return _Crossings(*(getattr(self, name)[index] for name in self.__slots__))


def widths(scans: Scans, ppi: float, up_to_mm: float) -> Widths:
    """Measure all strips narrower than `up_to_mm` on scanned pixels."""
    most = up_to_mm * ppi / MM_PER_INCH * 1.6 + 1
    a = _chained(_crossings(scans.rows, most), ppi, upright=True)
    b = _chained(_crossings(scans.columns, most), ppi, upright=False)
    other = b.chain + int(a.chain.max(initial=-1)) + 1
    return Widths(
        x=np.concatenate((a.x, b.x)),
        y=np.concatenate((a.y, b.y)),
        width_mm=np.concatenate((a.width_mm, b.width_mm)),
        taper=np.concatenate((a.taper, b.taper)),
        advance_mm=np.concatenate((a.advance_mm, b.advance_mm)),
        chain=np.concatenate((a.chain, other)).astype(np.int32),
        gap=np.concatenate((a.gap, b.gap)),
        slope=np.concatenate((a.slope, b.slope)),
        upright=np.concatenate((a.upright, b.upright)),
        unlike=np.concatenate((a.unlike, b.unlike)),
    )


def _crossings(scans: Iterable[Stations], most: float) -> _Crossings:
    """Pick the stretches that are narrow and differ from both sides."""
    parts = [_narrow(stations, most) for stations in scans]
    if not parts:
        none, whole, real = np.zeros((0, 4), np.int32), np.zeros(0, np.int32), np.zeros(0)
        return _Crossings(whole, real, real, whole, real, none, none, none, whole > 0)
    return _Crossings(*(np.concatenate([getattr(p, n) for p in parts]) for n in _Crossings.__slots__))


def _narrow(s: Stations, most: float) -> _Crossings:
    before = np.concatenate(([-1], s.gap[:-1]))
    got = np.concatenate(([0.0], s.share[:-1]))
    given = s.gap - s.share
    across = s.size + got + given
    at = np.flatnonzero((before >= 0) & (s.gap >= 0) & (across <= most))
    left, right, here = s.last[at - 1], s.first[at + 1], s.mean[at]
    l_span, r_span = _distance2(here, left), _distance2(here, right)
    depth2 = np.minimum(l_span, r_span)
    seen = depth2 >= CONTRAST * CONTRAST
    seen &= ~_on_edge(here, left, right, s.size[at])
    at, left, right, here, depth2 = at[seen], left[seen], right[seen], here[seen], depth2[seen]
    dip = here[:, 3] < np.minimum(left[:, 3], right[:, 3]) - CONTRAST
    gap = (here[:, 3] <= CONTRAST) | (dip & (s.size[at] <= 2))
    begin = s.start[at] - got[at]
    return _Crossings(
        line=s.line[at],
        centre=begin + across[at] / 2,
        across=_full_cover(across[at], s.size[at], here, left, right, gap),
        core=s.size[at],
        depth=np.sqrt(depth2.astype(np.float64)),
        colour=here,
        left=left,
        right=right,
        gap=gap,
    )


def _distance2(a: Ints, b: Ints) -> NDArray[np.int64]:
    step = (a - b).astype(np.int64)
    return np.asarray((step * step).sum(axis=1), np.int64)


def _on_edge(here: Ints, left: Ints, right: Ints, size: Ints) -> Bools:
    """Say which are steps of one edge: a mixture of both sides too short to be a colour, or its overshoot."""
    whole, part = (right - left).astype(np.int64), (here - left).astype(np.int64)
    span = np.maximum((whole * whole).sum(axis=1), 1)
    t = (part * whole).sum(axis=1) / span
    off = np.maximum((part * part).sum(axis=1) - t * t * span, 0.0)
    straight = off <= np.maximum(27.0, span / 100.0)
    inside = (t > 0) & (t < 1) & (size <= 2)
    beyond = ((t <= 0) & (t > -RINGING)) | ((t >= 1) & (t < 1 + RINGING))
    step = straight & (inside | beyond)
    faint = (size == 1) & shines_through(here, left, right)
    return np.asarray((step | faint) & (span >= CONTRAST * CONTRAST))


def _full_cover(across: Floats, size: Ints, here: Ints, left: Ints, right: Ints, gap: Bools) -> Floats:
    """Correct strips too thin to hold one fully covered pixel, where cloth tells what full cover is."""
    cover = np.ones(across.size)
    on_cloth = (np.maximum(left[:, 3], right[:, 3]) <= 8) & ~gap
    open_gap = (np.minimum(left[:, 3], right[:, 3]) >= 247) & gap
    cover = np.where(on_cloth, here[:, 3] / 255.0, cover)
    cover = np.where(open_gap, 1 - here[:, 3] / 255.0, cover)
    return np.asarray(np.where(size <= 2, across * cover, across))


def _chained(c: _Crossings, ppi: float, *, upright: bool) -> Widths:
    """Link crossings into chains and give each its width across the strip, smoothed along it."""
    chain = _chain_of(_links(c))
    order = np.lexsort((c.line, chain))
    order = order[np.bincount(chain)[chain[order]] >= LEAST_CROSSINGS]
    c, chain = c.take(order), chain[order]
    mm = MM_PER_INCH / ppi
    head = np.flatnonzero(np.diff(chain, prepend=-1))
    tail = np.append(head[1:], chain.size) - 1
    which = np.repeat(np.arange(head.size), tail - head + 1)
    reach = max(2, round(WINDOW_MM / mm))
    window = _windows(head[which], tail[which], reach)
    lo, hi = window[:, 0], window[:, -1]
    slope = (c.centre[hi] - c.centre[lo]) / np.maximum(c.line[hi] - c.line[lo], 1)
    cos2 = 1 / (1 + slope * slope)
    across = _peak_corrected(c, head, which)[window]
    lines = c.line[window].astype(np.float64)
    rise = np.median(across[:, reach + 1 :], axis=1) - np.median(across[:, :reach], axis=1)
    run = np.maximum(lines[:, reach + 1 :].mean(axis=1) - lines[:, :reach].mean(axis=1), 1)
    shines = _shines(c, window)
    told = (np.abs(slope) <= STEEPEST) & _steady(c, window) & ~shines
    # The ends of a strip are cut at a slant to the scanned line: the two most extreme crossings don't count.
    across.sort(axis=1)
    along: Floats = c.line.astype(np.float64) + 0.5
    x, y = (c.centre, along) if upright else (along, c.centre)
    measured = Widths(
        x=x,
        y=y,
        width_mm=across[:, reach // 2 : across.shape[1] - reach // 2].mean(axis=1) * np.sqrt(cos2) * mm,
        taper=np.where(told, np.abs(rise) / run * cos2, np.inf),
        advance_mm=mm / np.sqrt(cos2),
        chain=chain,
        gap=c.gap,
        slope=slope,
        upright=np.full(chain.size, upright),
        unlike=_distance2(c.left, c.right) > UNLIKE * UNLIKE,
    )
    seam = np.logical_and.reduceat(shines, head)[which] if head.size else shines
    return Widths(*(getattr(measured, name)[~seam] for name in Widths.__slots__))


def _shines(c: _Crossings, window: NDArray[np.intp]) -> Bools:
    """Say where a strip in ink is no more than what shines through a seam: too little colour for a line."""
    inked = (np.minimum(c.left[:, 3], c.right[:, 3]) > 8) & ~c.gap & (c.core <= 2)
    out = np.zeros(inked.size, bool)
    at = np.flatnonzero(inked)
    around = window[at]
    colour, wide = (c.depth * c.across)[around].mean(axis=1), c.across[around].mean(axis=1)
    out[at] = ((wide < 1.05) & (colour < SHINE / 4)) | ((wide < 1.5) & (colour < SHINE / 6))
    return out


def _steady(c: _Crossings, window: NDArray[np.intp]) -> Bools:
    """Say where the inks on both sides stay what they are along the window, as in flat art."""
    steady = np.ones(window.shape[0], bool)
    for side in (c.left, c.right):
        middle = side[window[:, window.shape[1] // 2]]
        for end in (0, -1):
            steady &= np.abs(side[window[:, end]] - middle).max(axis=1, initial=0) <= STEADY
    return steady


def _windows(head: NDArray[np.intp], tail: NDArray[np.intp], reach: int) -> NDArray[np.intp]:
    """Return (N, 2 × reach + 1) places around each crossing, moved inwards at the ends of its chain."""
    here = np.arange(head.size)
    start = np.maximum(np.minimum(here - reach, tail - 2 * reach), head)
    return np.asarray(np.minimum(start[:, None] + np.arange(2 * reach + 1), tail[:, None]))


def _peak_corrected(c: _Crossings, head: NDArray[np.intp], which: NDArray[np.intp]) -> Floats:
    """Scale strips without a fully covered pixel by the strongest crossing of their chain."""
    if not head.size:
        return c.across
    strongest = np.maximum.reduceat(c.depth, head)[which]
    inked = (np.minimum(c.left[:, 3], c.right[:, 3]) > 8) & ~c.gap
    return np.where(inked & (c.core <= 2), c.across * c.depth / strongest, c.across)


def _links(c: _Crossings) -> NDArray[np.intp]:
    """Return for each crossing the one it continues in on the next line, −1 where it ends."""
    count = c.line.size
    nxt = np.full(count, -1, np.intp)
    if not count:
        return nxt
    wide = float(c.centre.max()) + 100.0
    key = c.line * wide + c.centre
    order = np.argsort(key, kind="stable")
    ranked = key[order]
    best = np.full(count, np.inf)
    # A crossing may be lost where the strip hides between two pixels, so one line may be skipped.
    for ahead in (1, 2):
        loose = np.flatnonzero(nxt < 0)
        target = key[loose] + ahead * wide
        right = np.searchsorted(ranked, target)
        for offset in (-1, 0):
            rank = np.clip(right + offset, 0, count - 1)
            other = order[rank]
            far = np.abs(ranked[rank] - target)
            fits = (far <= ahead * STEEPEST + 0.5) & (far < best[loose]) & _alike(c, loose, other)
            nxt[loose[fits]], best[loose[fits]] = other[fits], far[fits]
        best[nxt >= 0] -= wide  # what continues on the very next line goes first
    # Of several that lead to one place only the nearest goes on: a strip does not branch.
    by_target = np.lexsort((best, nxt))
    doubled = np.zeros(count, bool)
    doubled[by_target[1:]] = nxt[by_target[1:]] == nxt[by_target[:-1]]
    nxt[doubled] = -1
    return nxt


def _alike(c: _Crossings, one: NDArray[np.intp], other: NDArray[np.intp]) -> Bools:
    """Say which pairs of crossings have the same colour between the same two sides."""
    near = c.gap[one] == c.gap[other]
    for name, most in (("colour", 96), ("left", CONTRAST), ("right", CONTRAST)):
        values: Ints = getattr(c, name)
        near &= np.abs(values[one] - values[other]).max(axis=1) <= most
    return np.asarray(near)


def _chain_of(nxt: NDArray[np.intp]) -> Ints:
    at = np.flatnonzero(nxt >= 0)
    return joined(nxt.size, at, nxt[at])
