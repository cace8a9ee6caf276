"""Ink for film: soft alpha becomes dots, because powder does not hold on partial ink; all that is left is ink or none.

Edges as antialiasing draws them are cut at half coverage. Wider soft areas become dots of a least size: cells of a
grid, inked where their mean coverage reaches a blue-noise threshold, so that dots lie evenly and form no pattern
(Ulichney, "The void-and-cluster method for dither array generation", SPIE 1913, 1993).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from pipeline.raster import MM_PER_INCH, Pixels, Plane
from pipeline.raster_ops import Mask, window_max, window_min

EDGE_MM = 0.2
"""Soft alpha further than this from anything bare or solid is no antialiasing."""
HALF = 128
FAINTEST, FULLEST = 6, 250
"""Mean coverage of a cell (of 255) below which there is no dot, and from which no gap: lone dots and pinholes."""
SURE = 32
"""Alpha from which a pixel's own colour is exact enough to be printed solid; below, the cell's mean colour is."""
SIDE = 64
"""Side of the threshold mask, in cells."""
FAINT = 26
"""Alpha below which nobody misses what is not printed: a tenth (ours)."""
FAINT_MM = 0.2
"""Ink that is nowhere so wide is left to the checks of thin lines."""
AROUND = 9
"""Side in cells of the square in which soft ink must find its dots."""


@dataclass(frozen=True, slots=True, eq=False)
class Inked:
    """What is printed on film: `colour` (H, W, 4) with alpha 0 or 255 only; `soft` (H, W) is where dots stand for
    soft alpha, None where there is none."""

    colour: Pixels
    soft: Mask | None


def ink(pixels: Pixels, ppi: float, dot_mm: float) -> Inked:
    """Return `pixels` with alpha 0 or 255 only: hard edges, and dots no smaller than `dot_mm` for soft alpha.

    Colour and base share the dots: see `base_of`. Raises ValueError unless `dot_mm` is above 0.
    """
    if not dot_mm > 0:
        raise ValueError("a dot needs a size")
    alpha = np.ascontiguousarray(pixels[..., 3])
    soft = _soft(alpha, ppi)
    solid = alpha >= HALF
    out = pixels.copy()
    if soft is not None:
        cell = _cell(ppi, dot_mm)
        on = _dots(alpha, soft, cell)
        _colour_faint(out, soft & on, cell)
        solid = np.where(soft, on, solid)
    out[~solid] = 0
    out[..., 3] = solid.view(np.uint8) * np.uint8(255)
    return Inked(out, soft)


@dataclass(frozen=True, slots=True)
class Lost:
    """Faint ink of which film keeps nothing: in how many places, the box of the largest in mm, its strongest alpha."""

    places: int
    where_mm: tuple[float, float, float, float]
    alpha: int


def lost_ink(pixels: Pixels, ppi: float, dot_mm: float) -> Lost | None:
    """Return what `ink` leaves out: faint lines too narrow for dots, and soft ones that no dot fits into.

    Only places that hold as much ink as one dot count, and only those away from ink that is printed.
    """
    from scipy import ndimage

    alpha = np.ascontiguousarray(pixels[..., 3])
    faint = (alpha >= FAINT) & (alpha < HALF)
    reach = max(1, round(FAINT_MM * ppi / MM_PER_INCH / 2 - 0.01))
    if not window_min(faint.view(np.uint8), reach, outside=0).any():
        return None
    inked = ink(pixels, ppi, dot_mm)
    cell = _cell(ppi, dot_mm)
    plain = faint if inked.soft is None else faint & ~inked.soft
    core = window_min(plain.view(np.uint8), reach, outside=0)
    plain &= window_max(core, reach).view(np.bool_)
    there = _cells((inked.colour[..., 3] > 0).view(np.uint8), cell)
    missing = _cells(np.where(plain, alpha, np.uint8(0)), cell)
    if inked.soft is not None:
        missing += _without_dots(alpha, inked, cell)
    alone = ndimage.uniform_filter((there > 0).astype(np.float64), 3, mode="constant") < 1 / 18
    missing[~alone] = 0
    return _largest(alpha, missing, cell, MM_PER_INCH / ppi)


def _without_dots(alpha: Plane, inked: Inked, cell: int) -> NDArray[np.int64]:
    """Return the soft ink of each cell around which there should be two dots or more, and there is hardly any."""
    from scipy import ndimage

    assert inked.soft is not None
    wanted = _cells(np.where(inked.soft & (alpha >= FAINT), alpha, np.uint8(0)), cell)
    dots = _cells((inked.soft & (inked.colour[..., 3] > 0)).view(np.uint8), cell)
    box = np.ones(AROUND, np.int64)
    for axis in (0, 1):
        dots = ndimage.convolve1d(dots, box, axis, mode="constant")
    around = wanted
    for axis in (0, 1):
        around = ndimage.convolve1d(around, box, axis, mode="constant")
    bare = (around >= 2 * 255 * cell * cell) & (4 * 255 * dots < around)
    return np.where(bare, wanted, 0)


def _largest(alpha: Plane, missing: NDArray[np.int64], cell: int, mm: float) -> Lost | None:
    """Return the patch of cells that miss the most ink; those that miss less than a dot are no loss."""
    from scipy import ndimage

    parts, count = ndimage.label(missing, np.ones((3, 3)))
    totals = ndimage.sum_labels(missing, parts, np.arange(1, count + 1))
    places = int(np.count_nonzero(totals >= 255 * cell * cell))
    if not places:
        return None
    number = int(np.argmax(totals))
    rows, columns = ndimage.find_objects(parts)[number]
    top, left = rows.start * cell, columns.start * cell
    bottom, right = min(rows.stop * cell, alpha.shape[0]), min(columns.stop * cell, alpha.shape[1])
    inside = np.kron(parts[rows, columns] == number + 1, np.ones((cell, cell), np.bool_))
    seen = alpha[top:bottom, left:right][inside[: bottom - top, : right - left]]
    box = (left * mm, top * mm, (right - left) * mm, (bottom - top) * mm)
    return Lost(places, box, int(seen.max()))


def has_soft_ink(pixels: Pixels, ppi: float) -> bool:
    """Return whether `ink` makes dots of any of it."""
    return _soft(np.ascontiguousarray(pixels[..., 3]), ppi) is not None


def outline(pixels: Pixels, soft: Mask | None) -> Plane:
    """Return the coverage whose outline the base is choked to: alpha (H, W), whole where it is soft."""
    alpha = np.ascontiguousarray(pixels[..., 3])
    return alpha if soft is None else np.where(soft, np.uint8(255), alpha)


def base_of(inked: Inked, choked: Plane) -> Plane:
    """Return the base of the film, 0 or 255: `choked` cut at half at the outline, and the very dots of the colour."""
    on = choked >= HALF
    colour = inked.colour[..., 3] > 0
    on = on & colour if inked.soft is None else np.where(inked.soft, colour, on & colour)
    return on.view(np.uint8) * np.uint8(255)


def _cell(ppi: float, dot_mm: float) -> int:
    """Return the side of a dot in pixels."""
    return math.ceil(dot_mm * ppi / MM_PER_INCH - 1e-9)


def _soft(alpha: Plane, ppi: float) -> Mask | None:
    """Return where alpha is soft over more than the width of an antialiased edge; None if nowhere."""
    soft = (alpha > 0) & (alpha < 255)
    reach = max(1, round(EDGE_MM * ppi / MM_PER_INCH))
    core = window_min(soft.view(np.uint8), reach, outside=0)
    if not core.any():
        return None
    return np.asarray(window_max(core, reach).view(np.bool_) & soft)


def _dots(alpha: Plane, soft: Mask, cell: int) -> Mask:
    """Return which pixels of the soft area are inked: whole cells, never parts of one that stand alone."""
    many = _cells(soft.view(np.uint8), cell)
    total = _cells(np.where(soft, alpha, np.uint8(0)), cell)
    hard = _cells((~soft & (alpha >= HALF)).view(np.uint8), cell)
    # A cell that is partly bare cannot hold a whole dot: its neighbours take its share of ink.
    broken = (many > 0) & (many < cell * cell) & (hard == 0)
    wanted = np.where(many > 0, total / np.maximum(many, 1), 0.0)
    wanted = _handed_on(wanted, total / (cell * cell), broken, (many > 0) & ~broken)
    rows, columns = many.shape
    limits = np.clip(thresholds(), FAINTEST, FULLEST)
    tiled = np.tile(limits, (-(-rows // SIDE), -(-columns // SIDE)))[:rows, :columns]
    on = (wanted >= tiled) & ~broken
    whole = np.repeat(np.repeat(on, cell, axis=0), cell, axis=1)
    return whole[: alpha.shape[0], : alpha.shape[1]]


def _cells(plane: NDArray[np.uint8], cell: int) -> NDArray[np.int64]:
    """Return the sum of each cell; cells cut by the right and lower edge hold what there is."""
    height, width = plane.shape
    starts_y, starts_x = np.arange(0, height, cell), np.arange(0, width, cell)
    rows = np.add.reduceat(plane, starts_y, axis=0, dtype=np.uint32)
    return np.add.reduceat(rows, starts_x, axis=1, dtype=np.int64)


def _handed_on(
    wanted: NDArray[np.float64], ink: NDArray[np.float64], broken: Mask, able: Mask
) -> NDArray[np.float64]:
    """Return the coverage wanted of each cell, 0–255, with the ink of broken ones shared by their able neighbours."""
    if not broken.any():
        return wanted
    room = _around(able.astype(np.float64))
    given = np.where(broken & (room > 0), ink / np.maximum(room, 1.0), 0.0)
    return np.where(able, np.minimum(wanted + _around(given), 255.0), wanted)


def _around(cells: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the sum of the eight neighbours of each cell."""
    padded = np.pad(cells, 1)
    height, width = cells.shape
    total = np.zeros_like(cells)
    for dy in range(3):
        for dx in range(3):
            if (dy, dx) != (1, 1):
                total += padded[dy : dy + height, dx : dx + width]
    return total


def _colour_faint(pixels: Pixels, inked: Mask, cell: int) -> None:
    """Give inked pixels of little alpha, whose colour is coarse, the mean colour of their cell, weighted by alpha."""
    faint = np.nonzero(inked & (pixels[..., 3] < SURE))
    if not faint[0].size:
        return
    y, x = np.nonzero(inked)
    across = -(-pixels.shape[1] // cell)
    where, faint_where = (rows // cell * across + columns // cell for rows, columns in ((y, x), faint))
    rows = pixels[y, x].astype(np.float64)
    weight = np.bincount(where, rows[:, 3])
    for channel in range(3):
        total = np.bincount(where, rows[:, channel] * rows[:, 3])
        pixels[faint[0], faint[1], channel] = np.floor(total[faint_where] / weight[faint_where] + 0.5)


@cache
def thresholds() -> NDArray[np.uint8]:
    """Return the blue-noise mask (SIDE, SIDE) of thresholds 1–255, each as often as the others but for rounding.

    Void and cluster on a torus, in whole numbers, so that it is the same everywhere.
    """
    weights = _weights()
    on, heat = _first_pattern(weights)
    count = int(on.sum())
    rank = np.empty(SIDE * SIDE, np.int64)
    left, left_heat = on.copy(), heat.copy()
    for number in range(count - 1, -1, -1):
        at = _tightest(left, left_heat)
        rank[at] = number
        _put(left, left_heat, weights, at, on_=False)
    for number in range(count, SIDE * SIDE):
        at = _widest(on, heat)
        rank[at] = number
        _put(on, heat, weights, at, on_=True)
    return (rank * 255 // (SIDE * SIDE) + 1).astype(np.uint8).reshape(SIDE, SIDE)


def _weights() -> NDArray[np.int64]:
    """Return how much a dot is felt at each distance (a Gaussian of 1.5 cells, Ulichney 1993), twice each way."""
    away = [min(i, SIDE - i) for i in range(SIDE)]
    felt = [[round(math.exp(-(dy * dy + dx * dx) / 4.5) * 2**24) for dx in away] for dy in away]
    return np.tile(np.array(felt, np.int64), (2, 2))


def _put(on: Mask, heat: NDArray[np.int64], weights: NDArray[np.int64], at: int, *, on_: bool) -> None:
    y, x = divmod(at, SIDE)
    felt = weights[SIDE - y : 2 * SIDE - y, SIDE - x : 2 * SIDE - x].reshape(-1)
    on[at] = on_
    heat += felt if on_ else -felt


def _tightest(on: Mask, heat: NDArray[np.int64]) -> int:
    return int(np.argmax(np.where(on, heat, -1)))


def _widest(on: Mask, heat: NDArray[np.int64]) -> int:
    return int(np.argmin(np.where(on, np.iinfo(np.int64).max, heat)))


def _first_pattern(weights: NDArray[np.int64]) -> tuple[Mask, NDArray[np.int64]]:
    """Return a tenth of the cells spread evenly, and how strongly they are felt at each cell."""
    on = np.zeros(SIDE * SIDE, np.bool_)
    heat = np.zeros(SIDE * SIDE, np.int64)
    state = 1
    while on.sum() < SIDE * SIDE // 10:
        state = (state * 1103515245 + 12345) % 2**31  # the generator of the C standard's example
        at = (state >> 8) % (SIDE * SIDE)
        if not on[at]:
            _put(on, heat, weights, at, on_=True)
    while True:
        tight = _tightest(on, heat)
        _put(on, heat, weights, tight, on_=False)
        wide = _widest(on, heat)
        _put(on, heat, weights, wide, on_=True)
        if wide == tight:
            return on, heat
