"""Small array helpers that several stages share: neighbours, windows, sRGB tables, seeing art on a cloth."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.colour.difference import delta_e_00
from pipeline.colour.spaces import lab_of_rgb8, srgb_to_lab
from pipeline.raster import Pixels, Plane

Mask = NDArray[np.bool_]
"""Shape (H, W)."""
Floats = NDArray[np.float64]
Index = NDArray[np.int64]

SrgbColour = tuple[float, float, float]
"""Encoded sRGB, 0–1 each."""

_CELL_SLACK_DE = 8.0
"""More than the ΔE00 from the middle of an 8-level cell of sRGB to its corners, dark blue included."""


def window_max(plane: Plane, reach: int) -> Plane:
    """Return the greatest value within `reach` pixels in x and in y (a square); outside the picture nothing counts."""
    return _window(plane, reach, np.maximum, 0)


def window_min(plane: Plane, reach: int, *, outside: int = 255) -> Plane:
    """Return the least value within `reach` pixels in x and y; `outside` is the value beyond the picture, if any."""
    return _window(plane, reach, np.minimum, outside)


def _window(plane: Plane, reach: int, op: np.ufunc, outside: int) -> Plane:
    for axis in (0, 1):
        margins = ((reach, reach), (0, 0)) if axis == 0 else ((0, 0), (reach, reach))
        line = np.pad(plane, margins, constant_values=outside)
        have, want = 1, 2 * reach + 1
        while have < want:  # runs of 1, 2, 4 … pixels, the last two overlapping as they must
            step = min(have, want - have)
            line = op(line[step:], line[:-step]) if axis == 0 else op(line[:, step:], line[:, :-step])
            have += step
        plane = line
    return plane


def grow(mask: Mask, reach: int = 1) -> Mask:
    """Return the mask with all pixels within `reach` in x and y."""
    return window_max(mask.view(np.uint8), reach).view(np.bool_)


def disc(reach: float) -> list[tuple[int, int]]:
    """Return the offsets (dy, dx) within `reach`, nearest first, without (0, 0)."""
    most = int(reach)
    around = range(-most, most + 1)
    found = [(dy * dy + dx * dx, dy, dx) for dy in around for dx in around]
    return [(dy, dx) for d2, dy, dx in sorted(found) if 0 < d2 <= reach * reach]


def square(reach: int) -> list[tuple[int, int]]:
    """Return the offsets (dy, dx) within `reach` in y and in x, without (0, 0)."""
    around = range(-reach, reach + 1)
    return [(dy, dx) for dy in around for dx in around if dy or dx]


def packed(pixels: Pixels) -> NDArray[np.uint32]:
    """Return each RGBA pixel as one number, shape (H, W), for comparing whole pixels."""
    return np.ascontiguousarray(pixels).view(np.uint32)[..., 0]


def colours_of(pixels: Pixels) -> NDArray[np.uint8]:
    """Return the distinct colours of what is visible in pixels (H, W, 4), as opaque RGBA (n, 4)."""
    there = np.zeros(2**24, np.bool_)
    for rows in bands(pixels.shape[0], 64):
        words = packed(pixels[rows]).reshape(-1)
        there[words[words >> 24 > 0] & 0xFFFFFF] = True
    return (np.flatnonzero(there).astype("<u4") | 0xFF000000).view(np.uint8).reshape(-1, 4)


def per_colour(colours: NDArray[np.uint32], of: Callable[[Pixels], NDArray[Any]]) -> NDArray[Any]:
    """Return `of` for each packed RGBA colour, working it out once a distinct colour.

    `of` takes (n, 4) uint8 and returns (n, …). Runs of one colour are folded first: flat art has few of them.
    """
    line = colours.reshape(-1)
    if line.size == 0:
        return of(np.zeros((0, 4), np.uint8))
    heads = np.flatnonzero(np.concatenate([[True], line[1:] != line[:-1]]))
    distinct, which = np.unique(line[heads], return_inverse=True)
    answers = of(distinct.view(np.uint8).reshape(-1, 4))
    lengths = np.diff(np.concatenate([heads, [line.size]]))
    return np.repeat(answers[which], lengths, axis=0)


def seen_on(pixels: Pixels, cloth_srgb: SrgbColour) -> Floats:
    """Return what one sees on the cloth, αC + (1−α)F in encoded sRGB, shape (…, 3), 0–255 and not rounded."""
    alpha = pixels[..., 3:].astype(np.float64) / 255.0
    cloth = np.asarray(cloth_srgb, np.float64) * 255.0
    return alpha * pixels[..., :3] + (1.0 - alpha) * cloth


def luma(colours: NDArray[Any]) -> Floats:
    """Return the lightness Y′ of encoded colours or of their differences, shape (…, 3), in their unit (ITU-T T.871)."""
    return np.asarray(0.299 * colours[..., 0] + 0.587 * colours[..., 1] + 0.114 * colours[..., 2])


def luma_chroma(colours: NDArray[Any]) -> Floats:
    """Return encoded colours or their differences as Y′, Cb and Cr, shape (…, 3), in their unit (ITU-T T.871)."""
    y = luma(colours)
    return np.stack([y, (colours[..., 2] - y) / 1.772, (colours[..., 0] - y) / 1.402], axis=-1)


def strips(shape: tuple[int, ...]) -> Iterator[slice]:
    """Yield row slices of about two million pixels: what one pass leaves in the cache, the next finds there."""
    yield from bands(shape[0], max(64, (1 << 21) // max(shape[1], 1)))


def bands(height: int, rows: int = 256) -> Iterator[slice]:
    """Yield row slices that cover `height`, so that float work never holds the whole picture."""
    for start in range(0, height, rows):
        yield slice(start, min(start + rows, height))


def within_de(pixels: Pixels, colours: Floats, limits: Sequence[float], *, nearest: bool = False) -> Plane:
    """Return per pixel 1 + the index of the colour it is within `limits[index]` (ΔE00) of, else 0.

    `colours` (n, 3) in levels 0–255, n < 255. Where several match, the first wins, or with `nearest` the nearest.
    Pixels with alpha 0 match nothing. A coarse table of sRGB cells sorts out most pixels before any ΔE is worked out.
    """
    labs = srgb_to_lab(colours / 255.0)
    maybe = _cells_within(labs, limits)

    def label(rows: Pixels) -> NDArray[np.uint8]:
        lab = lab_of_rgb8(rows[:, :3])
        found = np.zeros(len(rows), np.uint8)
        best = np.full(len(rows), np.inf)
        for which, limit in enumerate(limits):
            apart = delta_e_00(lab, labs[which])
            better = (apart <= limit) & ((apart < best) if nearest else (found == 0))
            found[better] = which + 1
            best[better] = apart[better]
        return found

    opaque = np.array([0, 0, 0, 255], np.uint8).view(np.uint32)[0]
    out = np.zeros(pixels.shape[:2], np.uint8)
    for rows in bands(pixels.shape[0]):
        band = pixels[rows]
        cell = (band[..., 0] >> 3).astype(np.int16) * np.int16(1024)
        cell += (band[..., 1] >> 3).astype(np.int16) * np.int16(32) + (band[..., 2] >> 3)
        here = maybe[cell] & (band[..., 3] > 0)
        out[rows][here] = per_colour(packed(band)[here] | opaque, label)
    return out


def _cells_within(labs: Floats, limits: Sequence[float]) -> NDArray[np.bool_]:
    """Return for each of the 32³ cells of sRGB whether a colour in it may be within a limit."""
    middles = np.arange(32) * 8 + 4
    grid = np.stack(np.meshgrid(middles, middles, middles, indexing="ij"), axis=-1).reshape(-1, 3)
    grid_lab = lab_of_rgb8(grid)
    maybe = np.zeros(32**3, np.bool_)
    for lab, limit in zip(labs, limits, strict=True):
        maybe |= delta_e_00(grid_lab, lab) <= limit + _CELL_SLACK_DE
    return maybe


def joined(count: int, one: NDArray[np.integer], other: NDArray[np.integer]) -> NDArray[np.int32]:
    """Return a label for each of `count` things, the same for those that links (one[i], other[i]) join, however far.

    Labels count up from 0 in the order of the first thing of each. What scipy's connected_components gives; its
    import alone takes longer than all the joining of an order.
    """
    root = np.arange(count)
    while True:
        a, b = root[one], root[other]
        apart = a != b
        if not apart.any():
            return np.unique(root, return_inverse=True)[1].astype(np.int32)
        one, other = one[apart], other[apart]
        np.minimum.at(root, np.maximum(a, b)[apart], np.minimum(a, b)[apart])
        while not np.array_equal(up := root[root], root):
            root = up
