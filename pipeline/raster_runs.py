"""Flat art as runs: each stretch of one colour along the rows is kept, and worked out, once.

A full front has tens of millions of pixels and some hundred thousand runs. Whatever acts on each pixel alone acts on
runs instead, and what comes out is spread over the rows where pixels are wanted.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

from pipeline.raster import Pixels
from pipeline.raster_ops import packed, strips

_RUNS_PER_PIXEL = 1 / 8
_ALWAYS = 2**18
WHOLE = slice(None)


@dataclass(frozen=True, slots=True, eq=False)
class Runs:
    """Pixels (height, width, 4) as runs of one colour, row after row; a run goes on over the end of a row.

    `starts` (n,) uint32: the flat index of each run's first pixel, ascending from 0; `words` (n,) uint32: its RGBA.
    """

    height: int
    width: int
    starts: NDArray[np.uint32]
    words: NDArray[np.uint32]

    @property
    def shape(self) -> tuple[int, int, int]:
        """Shape of the pixels."""
        return self.height, self.width, 4

    @property
    def colours(self) -> NDArray[np.uint8]:
        """RGBA of each run, (n, 4)."""
        return self.words.view(np.uint8).reshape(-1, 4)

    @property
    def lengths(self) -> NDArray[np.int64]:
        """Pixels in each run, (n,)."""
        ends: NDArray[np.int64] = np.append(self.starts[1:], np.int64(self.height * self.width))
        return ends - self.starts

    def with_words(self, words: NDArray[np.uint32]) -> Runs:
        """Return the same runs in other colours, (n,) uint32."""
        return replace(self, words=words)

    def spread(self, values: NDArray[Any], rows: slice = WHOLE) -> NDArray[Any]:
        """Return one value a run (n,) as one a pixel, (rows, width)."""
        top, end, _ = rows.indices(self.height)
        first, last = top * self.width, end * self.width
        a = int(np.searchsorted(self.starts, np.uint32(first), side="right")) - 1
        b = int(np.searchsorted(self.starts, np.uint32(last)))  # any other type would convert all starts
        bounds = np.empty(b - a + 1, np.int64)
        bounds[:-1] = self.starts[a:b]
        bounds[0], bounds[-1] = first, last
        return np.repeat(values[a:b], np.diff(bounds)).reshape(end - top, self.width)

    def pixels(self, rows: slice = WHOLE) -> Pixels:
        """Return the pixels of some rows, (rows, width, 4)."""
        return self.spread(self.words, rows)[..., None].view(np.uint8)


Picture: TypeAlias = Pixels | Runs


def as_pixels(picture: Picture) -> Pixels:
    """Return the pixels of a picture in either form."""
    return picture.pixels() if isinstance(picture, Runs) else picture


def inked(picture: Picture) -> int:
    """Return the sum of alpha over all pixels."""
    if isinstance(picture, Runs):
        return int((picture.colours[:, 3] * picture.lengths).sum())
    return int(picture[..., 3].sum(dtype=np.int64))


def runs_of(pixels: Pixels) -> Runs:
    """Return the runs of pixels (H, W, 4)."""
    height, width = pixels.shape[:2]
    starts, words = [np.zeros(1, np.uint32)], [packed(pixels[:1, :1]).reshape(-1)]
    last = words[0]
    for rows in strips(pixels.shape):
        line = packed(pixels[rows]).reshape(-1)
        if line[0] != last[0]:
            starts.append(np.array([rows.start * width], np.uint32))
            words.append(line[:1])
        at = np.flatnonzero(line[1:] != line[:-1]) + 1
        starts.append((at + rows.start * width).astype(np.uint32))
        words.append(line[at])
        last = line[-1:]
    return Runs(height, width, np.concatenate(starts), np.concatenate(words))


def flat_or_not(pixels: Pixels) -> Picture:
    """Return the runs where that pays (flat art, small pictures), the pixels themselves for photographs and grain."""
    height, width = pixels.shape[:2]
    sample = packed(pixels[:: max(1, height // 64)])
    changes = np.count_nonzero(sample[:, 1:] != sample[:, :-1])
    if height * width > 4 * _ALWAYS and changes > 2 * _RUNS_PER_PIXEL * sample.size:
        return pixels
    runs = runs_of(pixels)
    return runs if pays(runs) else pixels


def pays(runs: Runs) -> bool:
    """Say whether there are so few runs that they are the better form."""
    return runs.starts.size <= max(_ALWAYS, runs.height * runs.width * _RUNS_PER_PIXEL)


def merged(runs: Runs) -> Runs:
    """Return the runs with neighbours of one colour made one."""
    new = np.concatenate([[True], runs.words[1:] != runs.words[:-1]])
    return replace(runs, starts=runs.starts[new], words=runs.words[new])


def in_step(one: Runs, other: Runs) -> tuple[Runs, Runs]:
    """Return both pictures, of one size, with runs that start at the same places."""
    if one.shape != other.shape:
        raise ValueError(f"pictures of {one.shape} and {other.shape} cannot be laid side by side")
    both = np.sort(np.concatenate([one.starts, other.starts]), kind="stable")
    starts = both[np.concatenate([[True], both[1:] != both[:-1]])]
    first, second = (
        replace(runs, starts=starts, words=runs.words[_holder(runs, starts)]) for runs in (one, other)
    )
    return first, second


def _holder(runs: Runs, starts: NDArray[np.uint32]) -> NDArray[np.int64]:
    """Return which run each of `starts`, among them all of its own, lies in."""
    begins = np.zeros(starts.size, np.int64)
    begins[np.searchsorted(starts, runs.starts)] = 1
    return np.cumsum(begins) - 1


def only(runs: Runs, rows: slice, columns: slice) -> Runs:
    """Return the picture with all outside some rows and columns empty."""
    lines = np.arange(rows.start, rows.stop, dtype=np.int64) * runs.width
    edges = np.stack([lines + columns.start, lines + columns.stop], axis=1).reshape(-1)
    starts = np.concatenate([[0], edges]).astype(np.uint32)
    inside = np.resize(np.array([0, 1], np.uint32), starts.size)
    there = starts < np.append(starts[1:], runs.height * runs.width)  # some begin where the next begins
    frame = Runs(runs.height, runs.width, starts[there], inside[there])
    whole, kept = in_step(runs, frame)
    return merged(whole.with_words(whole.words * kept.words))
