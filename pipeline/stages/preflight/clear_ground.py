"""Take the flat ground out of a bitmap: exactly what is connected to the border, with clean edges."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.art.paint import Rgb
from pipeline.raster import Pixels
from pipeline.stages.preflight.ground import NOISE, Bools, ground_colour
from pipeline.stages.preflight.islands import connected, runs
from pipeline.stages.preflight.specks import dilated

RING_PX = 3
"""Edge pixels lie within this many pixels of the ground."""
LEAST_ISLAND_PX = 25
LOSSLESS = 2
"""Levels by which a ground that was never compressed may be off."""
Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Island:
    """A patch of the ground's colour inside the art, kept: box (x, y, width, height) and area in pixels."""

    box_px: tuple[int, int, int, int]
    area_px: int


@dataclass(frozen=True, slots=True, eq=False)
class Cleared:
    """Pixels without their ground, the colour that was taken out, and the islands of it that were kept."""

    pixels: Pixels
    ground: Rgb
    islands: tuple[Island, ...]


def remove_ground(pixels: Pixels) -> Cleared | None:
    """Return a bitmap (H, W, 4) without the flat colour connected to its border; None where there is no such ground.

    A pixel on an edge becomes the kept colour next to it, covering what its mixture with the ground says
    (projection on the segment ground–kept in encoded sRGB), so that no trace of the ground is left.
    """
    ground = ground_colour(pixels)
    if ground is None:
        return None
    off: NDArray[np.int16] = np.abs(pixels[..., :3].astype(np.int16) - np.array(ground, np.int16)).max(
        axis=-1
    )
    # What is hardly there hardly differs: beyond rounded corners there is nothing at all.
    faint = pixels[..., 3] < 255
    off[faint] = off[faint].astype(np.int32) * pixels[..., 3][faint] // 255
    out, islands = _flooded(off <= LOSSLESS)
    noise = LOSSLESS
    if _scattered(off, out):
        noise = NOISE
        out, islands = _flooded(off <= NOISE)
    result = pixels.copy()
    result[out] = 0
    _clean_edges(result, pixels, out, ground, noise)
    if noise == NOISE:
        _sweep(result)
    return Cleared(result, ground, islands)


def _sweep(result: Pixels) -> None:
    """Clear the lone pixels that compression left standing outside the art, in place."""
    row, begin, end = runs(result[..., 3] > 0)
    label = connected(row, begin, end)
    small = np.bincount(label, weights=end - begin) < LEAST_ISLAND_PX
    for n in np.flatnonzero(small[label]).tolist():
        result[row[n], begin[n] : end[n]] = 0


def _scattered(off: NDArray[np.int16], out: Bools) -> bool:
    """Say whether lossy compression has scattered the ground: faint pixels beside it by far outnumber mixed ones.

    Antialiasing gives every mixture alike, so that one in twenty is as faint as this.
    """
    beside = off[dilated(out, 2 * RING_PX + 1) & ~out]
    return int(np.count_nonzero(beside <= NOISE)) > 0.2 * beside.size


def _flooded(same: Bools) -> tuple[Bools, tuple[Island, ...]]:
    """Return what is connected to the border, and the other patches."""
    row, begin, end = runs(same)
    label = connected(row, begin, end, corners=False)
    height, width = same.shape
    border = (begin == 0) | (end == width) | (row == 0) | (row == height - 1)
    count = int(label.max(initial=-1)) + 1
    outer = np.zeros(count, bool)
    outer[label[border]] = True
    out = np.zeros(same.size + 1, np.int8)
    flat = outer[label]
    np.add.at(out, row[flat] * width + begin[flat], 1)
    np.add.at(out, row[flat] * width + end[flat], -1)
    mask = np.cumsum(out[:-1], dtype=np.int8).astype(bool).reshape(same.shape)
    islands = []
    area = np.bincount(label, weights=end - begin, minlength=count).astype(np.int64)
    for n in np.flatnonzero(~outer & (area >= LEAST_ISLAND_PX)).tolist():
        mine = label == n
        x, y = int(begin[mine].min()), int(row[mine].min())
        box = (x, y, int(end[mine].max()) - x, int(row[mine].max()) + 1 - y)
        islands.append(Island(box, int(area[n])))
    return mask, tuple(sorted(islands, key=lambda i: (i.box_px[1], i.box_px[0])))


def _clean_edges(result: Pixels, pixels: Pixels, out: Bools, ground: Rgb, noise: int) -> None:
    """Give each edge pixel the kept colour it was mixed with, in place."""
    ring = np.flatnonzero(dilated(out, 2 * RING_PX + 1) & ~out)
    rgb = pixels[..., :3].reshape(-1, 3)
    base = np.array(ground, np.float64)
    outside = out.reshape(-1)
    kept = ring.copy()
    for _ in range(RING_PX):
        kept = _inwards(kept, rgb, base, outside, out.shape, noise)
    own, full = rgb[ring] - base, rgb[kept] - base
    span = (full * full).sum(axis=1)
    cover = np.clip((own * full).sum(axis=1) / np.maximum(span, 1), 0, 1)
    alone = kept == ring
    cover[alone] = 1.0
    # What compression scatters round an edge is neither ground nor art.
    cover[alone & (np.abs(own).max(axis=1) <= 3 * noise) & (noise == NOISE)] = 0.0
    alpha = np.rint(cover * 255).astype(np.uint8)
    flat = result.reshape(-1, 4)
    flat[ring, :3] = np.where(alpha[:, None] > 0, rgb[kept], 0)
    flat[ring, 3] = alpha


def _inwards(
    at: NDArray[np.intp],
    rgb: NDArray[np.uint8],
    base: Floats,
    outside: Bools,
    shape: tuple[int, ...],
    noise: int,
) -> NDArray[np.intp]:
    """Step from each pixel to the neighbour that is the same mixture with less ground in it, if there is one."""
    height, width = shape
    y, x = at // width, at % width
    here = rgb[at] - base
    best = (here * here).sum(axis=1)
    # A plateau is a colour of its own: only a clear rise leads on.
    least = (np.sqrt(best) + noise / 2) ** 2
    chosen = at.copy()
    for dy in (-1, 0, 1):
        for dx in (-1, 0, 1):
            ny, nx = np.clip(y + dy, 0, height - 1), np.clip(x + dx, 0, width - 1)
            other = ny * width + nx
            there = rgb[other] - base
            span = (there * there).sum(axis=1)
            along = (here * there).sum(axis=1)
            away = (here * here).sum(axis=1) - along * along / np.maximum(span, 1)
            close = away <= np.maximum(100.0, 0.01 * span)
            better = (span > best) & (span >= least) & (along > 0) & close & ~outside[other]
            chosen[better], best[better] = other[better], span[better]
    return chosen
