"""Whether a bitmap that is stored without loss once was a JPEG: what JPEG did to it is in its pixels still.

Three traces of the grid of 8 × 8 blocks, wherever it lies (the bitmap may have been cropped). Blocks on it have more
vanishing DCT coefficients than blocks beside it, and the pixels vote for the grid with most of them (Nikoukhah, Anger,
Colom, Morel, Grompone von Gioi, "ZERO: a Local JPEG Grid Origin Detector Based on the Number of DCT Zeros", Image
Processing On Line 11, 2021). The noise beside an edge ends where its block does (Fan, de Queiroz, "Identification of
Bitmap Compression History: JPEG Detection and Quantizer Estimation", IEEE Trans. Image Processing 12(2), 2003). And
coefficients are multiples of the quantiser's steps (the same). A picture that was resized since has none of these.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from pipeline.art.samples import Samples, to_8_bit
from pipeline.raster_ops import luma

Numbers = NDArray[np.float64]
_BLOCK = 8
_TILE_PX, _TILES = 128, 6
_BUSY, _EVERY = 8, 4
"""Tiles with most steps of more levels are looked at; one row and column in so many tells which they are."""
_UNIT = 2**16
_ZERO = 0.5 * _UNIT**2
_RUN_PX, _FAINT = 4, 12
"""So many pixels of one value, and then a step of at most so many levels: there noise begins."""
_SEGMENT_PX = 16
_SURE, _ENDS, _STEPS = 16.0, 6.0, 30.0
"""Evidence (powers of ten) that it takes in all, and from where noise ends, or else from the quantiser's steps."""
_UNEVEN = np.array([0.3, 0.3, 0.15, 0.15])
"""Enlarged pixels lie on a grid too: between some columns of it hardly anything changes, or only evenly."""
_BENDS = 2.0
"""Second differences, in levels, that rounding does not make."""
_CANDIDATES = np.arange(4, 65)
_OFF, _NEARLY_ALL, _FEW = 1.0, 0.85, 4


def once_jpeg(samples: Samples) -> bool:
    """Say whether grey or RGB samples show traces of JPEG (qualities up to about 92, not resized since)."""
    if samples.space not in ("grey", "rgb"):
        return False
    seen = _Traces()
    for top, left in _busy_tiles(samples.colour):
        part = slice(top, top + _TILE_PX), slice(left, left + _TILE_PX)
        tile = to_8_bit(samples.colour[part])
        light = np.rint(luma(tile) if samples.space == "rgb" else tile[..., 0]).astype(np.float64)
        if samples.alpha is not None:
            light[samples.alpha[part] < 255] = np.nan
        if min(light.shape) >= 2 * _BLOCK:
            with np.errstate(invalid="ignore"):
                seen.add(light, top, left)
    return seen.tell()


def _busy_tiles(colour: NDArray[np.generic]) -> list[tuple[int, int]]:
    """Return the upper left corners of the tiles with most steps in them; those without any are left out."""
    shade = to_8_bit(colour[::_EVERY, ::_EVERY, colour.shape[-1] // 2]).astype(np.int16)
    steps = np.zeros(shade.shape, np.int32)
    steps[:, 1:] = np.abs(np.diff(shade, axis=1)) > _BUSY
    for axis, size in enumerate(shade.shape):
        steps = np.add.reduceat(steps, np.arange(0, size, _TILE_PX // _EVERY), axis=axis)
    order = np.argsort(-steps.reshape(-1), kind="stable")[:_TILES]
    rows, columns = np.unravel_index(order[steps.reshape(-1)[order] > 0], steps.shape)
    return [(int(y) * _TILE_PX, int(x) * _TILE_PX) for y, x in zip(rows, columns, strict=True)]


@dataclass(slots=True, eq=False)
class _Traces:
    """What tiles show: `votes` (64,) for grids, where noise `ends`, (2, 8), down and across, and what `changes`.

    `changes` (4, 8): steps and bends, each down and across. A grid is numbered by the row and column, modulo 8, on
    which its blocks begin: 8 · row + column.
    """

    votes: NDArray[np.int64] = field(default_factory=lambda: np.zeros(64, np.int64))
    ends: NDArray[np.int64] = field(default_factory=lambda: np.zeros((2, 8), np.int64))
    changes: NDArray[np.int64] = field(default_factory=lambda: np.zeros((4, 8), np.int64))
    tiles: list[Numbers] = field(default_factory=list)

    def add(self, light: Numbers, top: int, left: int) -> None:
        """Look at a tile of lightness, whole levels, NaN where it is not opaque; its corner lies on the grid 0."""
        assert top % _BLOCK == left % _BLOCK == 0
        self.tiles.append(light)
        self.votes += _votes(light)
        for axis, across in enumerate((light.T, light)):
            self.ends[axis] += _noise_ends(across)
            steps = np.diff(across, axis=1)
            self.changes[axis] += _phases(np.nonzero(steps)[1])
            self.changes[2 + axis] += _phases(np.nonzero(np.abs(np.diff(steps, axis=1)) >= _BENDS)[1])

    def tell(self) -> bool:
        """Say whether the traces agree on a grid."""
        voters = int(self.votes.sum()) // 64
        voted = np.array([_evidence(int(v) // 64, voters, 1 / 64) for v in self.votes]).reshape(8, 8)
        down, across = (
            np.array([_evidence(int(n) // 2, int(ends.sum()) // 2, 1 / 8) for n in ends])
            for ends in self.ends
        )
        row, column = divmod(int(np.argmax(voted + down[:, None] + across)), 8)
        ended = float(down[row] + across[column])
        if voted[row, column] + ended < _SURE or self._is_uneven():
            return False
        return ended >= _ENDS or _quantised(self.tiles, row, column) >= _STEPS

    def _is_uneven(self) -> bool:
        return bool(np.any(self.changes.min(axis=1) < _UNEVEN * self.changes.max(axis=1)))


def _evidence(hits: int, trials: int, chance: float) -> float:
    """Return how unlikely so many hits are by chance, as −log₁₀ of Hoeffding's bound (1963, theorem 1)."""
    if hits <= chance * trials:
        return 0.0
    part = hits / trials
    rest = 0.0 if hits == trials else (1.0 - part) * math.log10((1.0 - part) / (1.0 - chance))
    return trials * (part * math.log10(part / chance) + rest)


def _dct() -> Numbers:
    """Return the matrix of the DCT of 8 values (ITU-T T.81 A.3.3), times `_UNIT` in whole numbers.

    Sums of its products with whole levels are whole numbers below 2**53: the same on every processor.
    """
    k = np.arange(_BLOCK)
    wave = np.cos((2 * k[None] + 1) * k[:, None] * np.pi / 16) / 2.0
    wave[0] /= math.sqrt(2.0)
    return np.rint(wave * _UNIT)


_DCT = _dct()


def _votes(light: Numbers) -> NDArray[np.int64]:
    """Return for how many pixels each grid has the block around it with the most vanishing coefficients."""
    rows = sliding_window_view(light, _BLOCK, 1) @ _DCT.T
    coefficients = sliding_window_view(rows, _BLOCK, 0) @ _DCT.T
    zero = np.abs(coefficients) < _ZERO
    count = np.count_nonzero(zero, axis=(2, 3)).astype(np.int16)
    # What is the same all along a row or a column is so in many grids; what is not opaque was never coded.
    plain = zero[:, :, 1:].all(axis=(2, 3)) | zero[:, :, :, 1:].all(axis=(2, 3))
    count[plain | np.isnan(coefficients[:, :, 0, 0])] = -1
    height, width = count.shape
    best, grid = np.full(light.shape, np.int16(-1)), np.full(light.shape, np.int16(-1))
    own = (8 * (np.arange(height)[:, None] % 8) + np.arange(width) % 8).astype(np.int16)
    for dy in range(_BLOCK):
        for dx in range(_BLOCK):
            here = slice(dy, dy + height), slice(dx, dx + width)
            more, same = count > best[here], (count == best[here]) & (count >= 0)
            grid[here] = np.where(more, own, np.where(same, np.int16(-1), grid[here]))
            best[here] = np.maximum(best[here], count)
    return np.bincount(grid[grid >= 0], minlength=64)


def _noise_ends(light: Numbers) -> NDArray[np.int64]:
    """Return in how many segments of columns noise begins or ends after a plain run, by the column modulo 8."""
    apart = np.abs(np.diff(light, axis=1))
    same = apart == 0
    plain = np.logical_and.reduce([same[:, i : same.shape[1] - 2 + i] for i in range(_RUN_PX - 1)])
    many = light.shape[1] - 2 * _RUN_PX + 1
    before, after = plain[:, :many], plain[:, _RUN_PX : _RUN_PX + many]
    step = apart[:, _RUN_PX - 1 : _RUN_PX - 1 + many]
    faint = (step >= 1.0) & (step <= _FAINT)
    found = np.zeros((light.shape[0] // _SEGMENT_PX, many), np.bool_)
    for noise, first in ((before & ~after, _RUN_PX), (after & ~before, _RUN_PX - 1)):
        value = np.where(faint & noise, light[:, first : first + many], np.nan)
        segments = value[: len(found) * _SEGMENT_PX].reshape(len(found), _SEGMENT_PX, many)
        # A straight edge has one value all along: noise has several.
        lowest, highest = np.fmin.reduce(segments, axis=1), np.fmax.reduce(segments, axis=1)
        found |= highest > lowest
    return _phases(np.nonzero(found)[1] + _RUN_PX)


def _phases(columns: NDArray[np.intp]) -> NDArray[np.int64]:
    return np.bincount(columns % _BLOCK, minlength=_BLOCK)


def _quantised(tiles: list[Numbers], row: int, column: int) -> float:
    """Return the evidence that coefficients of the grid's blocks are multiples of a step, summed over frequencies."""
    blocks = np.concatenate([_blocks(light[row:, column:]) for light in tiles])
    size = np.abs(_DCT @ blocks @ _DCT.T).reshape(-1, 64) / _UNIT**2
    total = 0.0
    for frequency in range(1, 64):
        values = np.unique(np.round(size[:, frequency], 1))  # each once: what repeats itself proves nothing
        values = values[values > _OFF]
        if values.size < _FEW:
            continue
        off = np.abs(values - _CANDIDATES[:, None] * np.rint(values / _CANDIDATES[:, None]))
        hits = np.count_nonzero(off <= _OFF, axis=1)
        found = [
            _evidence(int(n), values.size, 2 * _OFF / int(step)) if n >= _NEARLY_ALL * values.size else 0.0
            for n, step in zip(hits, _CANDIDATES, strict=True)
        ]
        total += max(0.0, max(found) - math.log10(_CANDIDATES.size))
    return total


def _blocks(light: Numbers) -> Numbers:
    """Return the whole and opaque blocks (n, 8, 8) of a tile that begins with one."""
    height, width = (side // _BLOCK for side in light.shape)
    whole = light[: height * _BLOCK, : width * _BLOCK].reshape(height, _BLOCK, width, _BLOCK)
    blocks = whole.swapaxes(1, 2).reshape(-1, _BLOCK, _BLOCK)
    return np.asarray(blocks[~np.isnan(blocks).any(axis=(1, 2))])
