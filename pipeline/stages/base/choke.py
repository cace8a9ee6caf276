"""Pull coverage in from its outline, below a pixel: a Euclidean choke that knows where antialiased edges lie.

The outline is found from the coverage of edge pixels: a straight edge across a pixel covers a known part of it, so
that coverage and gradient give the place of the edge inside the pixel (Gustavson & Strand, "Anti-aliased Euclidean
distance transform", Pattern Recognition Letters 32(2), 2011). Each edge pixel stands for a short straight piece of
outline; the distance of a pixel is that to the nearest piece. Only pixels within reach of an outline are looked at.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.raster import Plane
from pipeline.raster_ops import Index, disc, window_max, window_min

_HALF_PIECE = 0.55
"""Half the length of the outline that one pixel stands for; diagonal edges cross more pixels, and overlap."""
_FAINTEST = 12
"""Coverage below this has no outline of its own."""
_NOTHING = 0.06
FAR = np.float32(1e6)


@dataclass(frozen=True, slots=True, eq=False)
class Depths:
    """How deep the pixels of some rows lie inside the outline, in pixels; all indices are flat, in the padded plane.

    `at` (n,) all inked pixels near an outline; `lookup` the depth of any pixel (0 or less is outside, FAR is not near),
    `nearest` 1 + the index of the piece of outline it was measured to, 0 for none, `normal` (pieces, 2) their inward
    normals x, y; `plane` the padded coverage, `margin` its padding; `own` the indices of the rows asked for.
    """

    at: Index
    lookup: NDArray[np.float32]
    nearest: NDArray[np.int32]
    normal: NDArray[np.float32]
    plane: Plane
    margin: int
    own: slice

    @property
    def width(self) -> int:
        """Width of the padded plane."""
        return int(self.plane.shape[1])

    def among_own(self, at: Index) -> NDArray[np.bool_]:
        """Say which of the indices lie in the rows asked for."""
        inside: NDArray[np.bool_] = (at >= self.own.start) & (at < self.own.stop)
        return inside


def depths(coverage: Plane, rows: slice, reach: float) -> Depths:
    """Return the depth of every pixel within `reach` pixels of an outline of `coverage` (H, W) uint8, in some rows.

    An outline is where coverage falls to nothing within two pixels. Seams between abutting shapes, steps between
    two coverages and soft transitions are none. The picture's own border is one: ink ends there. The rows beyond
    those asked for are looked at as far as whatever is asked about a pixel's neighbours goes.
    """
    margin = int(np.ceil(reach)) + 3
    beyond = 4 * int(np.ceil(reach)) + 16
    first = max(0, rows.start - beyond)
    plane = np.pad(coverage[first : rows.stop + beyond], margin)
    top, low = window_max(plane, 2).reshape(-1), window_min(plane, 2).reshape(-1)
    near = np.flatnonzero(top != low)
    nothing = np.floor(np.arange(256) * _NOTHING).astype(np.uint8)[top[near]]
    zone = near[(top[near] >= _FAINTEST) & (low[near] <= nothing)]
    lookup = np.full(plane.size, FAR, np.float32)
    nearest = np.zeros(plane.size, np.int32)
    width = plane.shape[1]
    own = slice((rows.start - first + margin) * width, (rows.stop - first + margin) * width)
    normal = np.zeros((0, 2), np.float32)
    flat = plane.reshape(-1)
    if zone.size:
        outside = zone[flat[zone].astype(np.uint16) * 2 < top[zone]]
        edge = _edge_pixels(plane, top, zone, outside)
        normal = _spread(plane, top, edge, lookup, nearest, reach)
        lookup[outside] = np.where(lookup[outside] < FAR, -np.abs(lookup[outside]), np.float32(-1.0))
    at = np.flatnonzero((lookup < FAR) & (flat > 0))
    return Depths(at, lookup, nearest, normal, plane, margin, own)


def _edge_pixels(plane: Plane, top: NDArray[np.uint8], zone: Index, outside: Index) -> Index:
    """Return the pixels of the zone whose coverage tells where the outline is."""
    width = plane.shape[1]
    flat = plane.reshape(-1)
    side = np.zeros(plane.size, np.uint8)
    side[zone] = 1
    side[outside] = 2
    other = np.uint8(3) - side[zone]
    across = np.zeros(zone.size, np.bool_)
    for dy, dx in disc(1.5):
        across |= side[zone + (dy * width + dx)] == other
    at = zone[across]
    value, most = flat[at], top[at]
    partial = (value > most * 0.02) & (value < most * 0.98)
    # A full pixel tells of the edge only where it meets an empty one: otherwise the edge crosses its neighbour.
    meets = np.zeros(at.size, np.bool_)
    for step in (1, -1, width, -width):
        meets |= flat[at + step] <= most * 0.02
    return at[partial | ((value >= most * 0.98) & meets)]


def _spread(
    plane: Plane,
    top: NDArray[np.uint8],
    edge: Index,
    lookup: NDArray[np.float32],
    nearest: NDArray[np.int32],
    reach: float,
) -> NDArray[np.float32]:
    """Write for each pixel within reach the distance to the nearest piece of outline, and which; return the normals."""
    width = plane.shape[1]
    gx, gy, off = _pieces(plane, top, edge)
    number = np.arange(1, edge.size + 1, dtype=np.int32)
    px, py = gx * off, gy * off  # from the pixel's centre to the outline, along the inward normal
    for dy, dx in [(0, 0), *disc(reach + 1.5)]:
        vx, vy = dx - px, dy - py
        deep = vx * gx + vy * gy
        aside = np.maximum(np.abs(vx * gy - vy * gx) - np.float32(_HALF_PIECE), np.float32(0.0))
        far = np.sqrt(deep * deep + aside * aside)
        far = np.where((dy == 0) & (dx == 0), deep, far)
        there = edge + (dy * width + dx)
        use = deep > 0 if (dy or dx) else np.ones(edge.size, np.bool_)
        use &= far < lookup[there]
        lookup[there[use]] = far[use]
        nearest[there[use]] = number[use]
    return np.stack([gx, gy], axis=1)


def _pieces(
    plane: Plane, top: NDArray[np.uint8], edge: Index
) -> tuple[NDArray[np.float32], NDArray[np.float32], NDArray[np.float32]]:
    """Return each edge pixel's inward unit normal (x, y) and how far along it the outline lies from its centre."""
    width = plane.shape[1]
    flat = plane.reshape(-1)
    most = top[edge].astype(np.float32)

    def at(dy: int, dx: int) -> NDArray[np.float32]:
        part: NDArray[np.float32] = np.minimum(flat[edge + (dy * width + dx)] / most, np.float32(1.0))
        return part

    side = np.float32(np.sqrt(2.0))
    gx = at(-1, 1) - at(-1, -1) + at(1, 1) - at(1, -1) + side * (at(0, 1) - at(0, -1))
    gy = at(1, -1) - at(-1, -1) + at(1, 1) - at(-1, 1) + side * (at(1, 0) - at(-1, 0))
    length = np.sqrt(gx * gx + gy * gy)
    blind = length < 1e-3  # a stroke about one pixel wide: both sides look alike
    length = np.where(blind, np.float32(1.0), length)
    gx, gy = np.where(blind, np.float32(1.0), gx / length), np.where(blind, np.float32(0.0), gy / length)
    return gx, gy, edge_offset(gx, gy, at(0, 0))


def edge_offset(
    gx: NDArray[np.float32], gy: NDArray[np.float32], cover: NDArray[np.float32]
) -> NDArray[np.float32]:
    """Return how far along the unit normal (gx, gy) a straight edge lies from the centre of a unit pixel.

    `cover` 0–1 is the part of the pixel on the side the normal points to; the result is negative where the edge lies
    behind the centre (cover > 0.5). Gustavson & Strand 2011.
    """
    a, b = np.maximum(np.abs(gx), np.abs(gy)), np.minimum(np.abs(gx), np.abs(gy))
    corner = np.where(a > 0, 0.5 * b / np.maximum(a, np.float32(1e-6)), np.float32(0.0))
    low = np.float32(0.5) * (a + b) - np.sqrt(2 * a * b * cover)
    high = np.sqrt(np.maximum(2 * a * b * (1 - cover), np.float32(0.0))) - np.float32(0.5) * (a + b)
    middle = (np.float32(0.5) - cover) * a
    return np.where(cover < corner, low, np.where(cover <= 1 - corner, middle, high)).astype(np.float32)
