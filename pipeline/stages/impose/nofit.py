"""Where one outline may not lie beside another: no-fit regions on whole cells, exact, by convolution.

The no-fit region of two shapes is the Minkowski sum of one with the other reflected (Cuninghame-Green,
"Geometry, shoemaking and the milk tray problem", New Scientist 1989); here of sets of cells, one of them grown
by the gutter. Counts of shared cells are whole numbers, so that a threshold of one half is safe.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from pipeline.stages.impose.forms import Cells
from pipeline.stages.impose.values import Turn

Spectrum: TypeAlias = NDArray[np.complex64]

HELD_BYTES = 128_000_000
SPECTRA_BYTES = 96_000_000


def gutter_disc(gutter: float) -> Cells:
    """Return which offsets between two cells leave less than `gutter` (in cells) between their edges."""
    reach = int(gutter) + 1
    down, across = np.mgrid[-reach : reach + 1, -reach : reach + 1]
    apart = np.hypot(np.maximum(np.abs(down) - 1, 0), np.maximum(np.abs(across) - 1, 0))
    cells: Cells = apart < gutter - 1e-9
    cells[reach, reach] = True
    return cells


def summed(one: Cells, other: Cells) -> Cells:
    """Return the Minkowski sum of two sets of cells, (rows + rows − 1, columns + columns − 1)."""
    size = _size(one, other)
    return _overlap(_spectrum(one, size), _spectrum(other, size), one, other)


def _size(one: Cells, other: Cells) -> int:
    """Return a side on which both cells' sum fits; few sides, so that spectra are used again."""
    from scipy import fft

    side = max(a + b - 1 for a, b in zip(one.shape, other.shape, strict=True))
    return int(fft.next_fast_len(-(-side // 32) * 32, real=True))


def _spectrum(cells: Cells, size: int) -> Spectrum:
    from scipy import fft

    return np.asarray(fft.rfft2(cells.astype(np.float32), (size, size)), np.complex64)


def _overlap(first: Spectrum, second: Spectrum, one: Cells, other: Cells) -> Cells:
    from scipy import fft

    rows, columns = (a + b - 1 for a, b in zip(one.shape, other.shape, strict=True))
    size = first.shape[0]
    return np.asarray(fft.irfft2(first * second, (size, size), overwrite_x=True)[:rows, :columns] > 0.5)


class NoFit:
    """The free offsets between shapes in all turns, made when first asked for.

    `margin` is the reach of the gutter in cells. `steps` counts the work done.
    """

    def __init__(self, shapes: Sequence[Cells], gutter: float) -> None:
        disc = gutter_disc(gutter)
        self.margin = disc.shape[0] // 2
        self.shapes = shapes
        self.steps = 0
        self._grown = [summed(shape, disc) for shape in shapes]
        self._packed: dict[tuple[int, int, int], NDArray[np.uint8]] = {}
        self._rows: dict[tuple[int, Turn], dict[tuple[int, Turn], Cells]] = {}
        self._held = 0
        self._spectra: dict[tuple[int, int, int], Spectrum] = {}
        self._spectra_held = 0

    def beside(self, fixed: int, turn: Turn) -> dict[tuple[int, Turn], Cells]:
        """Return the offsets found so far beside a fixed shape; `free` fills it. The least used are given up."""
        key = (fixed, turn)
        row = self._rows.pop(key, None)
        if row is None:
            row = {}
            while self._held > HELD_BYTES and self._rows:
                gone = self._rows.pop(next(iter(self._rows)))
                self._held -= sum(cells.nbytes for cells in gone.values())
        self._rows[key] = row
        return row

    def free(self, moving: int, turn: Turn, fixed: int, fixed_turn: Turn) -> Cells:
        """Return where the upper left corner of `moving` may lie, beside that of `fixed`.

        bool (rows, columns); index [0, 0] is the offset (−rows of moving + 1 − margin, the same of columns).
        """
        row = self.beside(fixed, fixed_turn)
        found = row.get((moving, turn))
        if found is None:
            found = row[moving, turn] = self._turned(moving, turn, fixed, fixed_turn)
            self._held += found.nbytes
            self.steps += 20 + found.size // 3000
        return found

    def _turned(self, moving: int, turn: Turn, fixed: int, fixed_turn: Turn) -> Cells:
        swapped = moving > fixed
        one, other = (fixed, moving) if swapped else (moving, fixed)
        first, second = (fixed_turn, turn) if swapped else (turn, fixed_turn)
        cells = self._upright(one, other, (second - first) // 90 % 4)
        cells = np.rot90(cells, -(first // 90))
        return np.ascontiguousarray(cells[::-1, ::-1] if swapped else cells)

    def _upright(self, one: int, other: int, quarters: int) -> Cells:
        """Return the free offsets of `one`, upright, beside `other` turned by `quarters`; packed while not in use."""
        moving, fixed = self.shapes[one][::-1, ::-1], np.rot90(self._grown[other], -quarters)
        rows, columns = (a + b - 1 for a, b in zip(moving.shape, fixed.shape, strict=True))
        packed = self._packed.get((one, other, quarters))
        if packed is None:
            size = _size(moving, fixed)
            first, second = self._seen(one, -1, moving, size), self._seen(other, quarters, fixed, size)
            cells = ~_overlap(first, second, moving, fixed)
            self._packed[one, other, quarters] = np.packbits(cells)
            self.steps += 100 + cells.size // 250
            return cells
        return np.unpackbits(packed, count=rows * columns).reshape(rows, columns).view(np.bool_)

    def _seen(self, shape: int, quarters: int, cells: Cells, size: int) -> Spectrum:
        """Return a shape's spectrum, made once while it is held; the least used are given up."""
        key = (shape, quarters, size)
        found = self._spectra.pop(key, None)
        if found is None:
            found = _spectrum(cells, size)
            self._spectra_held += found.nbytes
            while self._spectra_held > SPECTRA_BYTES:
                self._spectra_held -= self._spectra.pop(next(iter(self._spectra))).nbytes
        self._spectra[key] = found
        return found
