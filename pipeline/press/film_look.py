"""A plate as layouts and pictures need it: where it has ink, and what it looks like small; read in bands."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.press.film import FilmPlate
from pipeline.press.png import read_bands
from pipeline.raster import Pixels


@dataclass(frozen=True, slots=True, eq=False)
class PlateLook:
    """A plate as it lies on the film, upright.

    `outline` (rows, columns) says which cells hold any ink; `small` is it reduced, colours averaged by their alpha;
    `middle_mm` (x, y) is the place deepest inside its ink, from the upper left corner, `depth_mm` how far it is from
    anything bare.
    """

    outline: NDArray[np.bool_]
    small: Pixels
    middle_mm: tuple[float, float]
    depth_mm: float


def look_at(plate: FilmPlate, cell_mm: float, px_per_mm: float) -> PlateLook:
    """Read the colour plate once, a band of rows at a time. Raises ValueError for a file that cannot be read."""
    across = _Cells(plate.width_mm, cell_mm)
    small = _Small(*(max(1, round(mm * px_per_mm)) for mm in (plate.height_mm, plate.width_mm)))
    inked: list[NDArray[np.bool_]] = []
    for rows in read_bands(plate.colour):
        shown = rows if plate.mirrored else rows[:, ::-1]
        inked.append(across.any(shown[..., 3] > 0))
        small.add(shown)
    outline = _Cells(plate.height_mm, cell_mm).any(np.concatenate(inked).T).T
    seen = small.pixels()
    return PlateLook(np.ascontiguousarray(outline), seen, *_deepest(seen[..., 3] > 0, px_per_mm))


class _Cells:
    """A side of a plate in cells; a pixel may lie in two, and counts in both."""

    def __init__(self, side_mm: float, cell_mm: float) -> None:
        self._count = int(np.ceil(side_mm / cell_mm - 1e-9))
        self._edges = np.arange(self._count) * cell_mm / side_mm

    def any(self, ink: NDArray[np.bool_]) -> NDArray[np.bool_]:
        """Return (n, cells): whether any pixel of a cell is inked, for rows of pixels (n, pixels)."""
        pixels = ink.shape[1]
        edges = self._edges * pixels
        starts = np.minimum(np.floor(edges + 1e-9).astype(np.int64), pixels - 1)
        ends = np.maximum(np.ceil(np.append(edges[1:], pixels) - 1e-9).astype(np.int64), starts + 1)
        spans = np.stack([starts, ends], axis=1).reshape(-1)
        padded = np.pad(ink, ((0, 0), (0, 1)))  # the last cell ends behind the last pixel
        return np.asarray(np.logical_or.reduceat(padded, spans, axis=1)[:, ::2])


class _Small:
    """A plate reduced to (height, width) pixels, the mean of the ink in each; film holds ink or none."""

    def __init__(self, height: int, width: int) -> None:
        self._sums = np.zeros((height, width, 4), np.int64)
        self._area = np.zeros((height, width), np.int64)
        self._read = 0

    def add(self, rows: NDArray[np.uint8]) -> None:
        """Add the next rows (n, pixels, 4)."""
        height, width, _ = self._sums.shape
        count, pixels, _ = rows.shape
        across = np.arange(width) * pixels // width
        sums = np.add.reduceat(rows, across, axis=1, dtype=np.int64)
        # Pixels are square: the scale across is that along.
        along = np.minimum((np.arange(count) + self._read) * width // pixels, height - 1)
        heads = np.flatnonzero(np.diff(along, prepend=-1))
        self._sums[along[heads]] += np.add.reduceat(sums, heads, axis=0)
        columns = np.diff(across, append=pixels)
        self._area[along[heads]] += np.diff(heads, append=count)[:, None] * columns
        self._read += count

    def pixels(self) -> Pixels:
        """Return straight RGBA."""
        weight = np.maximum(self._sums[..., 3:], 1)
        out = np.empty(self._sums.shape, np.uint8)
        out[..., :3] = (self._sums[..., :3] * 255 + weight // 2) // weight
        area = np.maximum(self._area, 1)
        out[..., 3] = (self._sums[..., 3] + area // 2) // area
        return out


def _deepest(ink: NDArray[np.bool_], px_per_mm: float) -> tuple[tuple[float, float], float]:
    """Return the place furthest from anything bare, (x, y), and how far, in mm; the middle where there is no ink."""
    from scipy.ndimage import distance_transform_edt

    height, width = ink.shape
    if not ink.any():
        return (width / 2 / px_per_mm, height / 2 / px_per_mm), 0.0
    deep = distance_transform_edt(np.pad(ink, 1))[1:-1, 1:-1]
    y, x = divmod(int(np.argmax(deep)), width)
    return ((x + 0.5) / px_per_mm, (y + 0.5) / px_per_mm), float(deep[y, x]) / px_per_mm
