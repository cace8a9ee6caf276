"""Pixels as filtered rows in deflated bands: what PNG calls IDAT and PDF calls a predictor of 15."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Literal, TypeAlias

import numpy as np
from numpy.typing import NDArray

from pipeline.press.deflate import BAND_BYTES, deflate, deflated_size
from pipeline.raster_runs import Runs

Samples: TypeAlias = NDArray[np.uint8] | Runs
RowFilter: TypeAlias = Literal["none", "up", "auto"]

_TAG = {"none": 0, "up": 2}  # PNG (ISO/IEC 15948), clause 9.2: filter types
_SAMPLES, _SAMPLE_ROWS = 12, 6
_WORTH = 0.85  # `up` costs a pass to write and another to read: it must save this much


def packed_rows(
    samples: Samples, channels: int, row_filter: RowFilter = "auto", threads: int = 1
) -> Iterator[bytes]:
    """Yield the pieces of one zlib stream of PNG-filtered rows.

    `samples` is (H, W) or (H, W, C) of any strides, or runs; of C channels the first `channels` are written. A few
    bands are held at a time, never a filtered copy of the whole. "auto" takes `up` where that is clearly
    smaller on a sample of the rows, which is so for photographs and not for flat art.
    """
    height, width = samples.shape[:2]
    make = _filtered(samples, channels, chosen_filter(samples, channels, row_filter))
    rows = max(1, BAND_BYTES // (1 + width * channels))

    def band(i: int) -> memoryview:
        return make(i * rows, min(height, (i + 1) * rows))

    return deflate(band, -(-height // rows), threads)


def chosen_filter(samples: Samples, channels: int, row_filter: RowFilter) -> Literal["none", "up"]:
    """Return what "auto" means for these samples; "none" and "up" mean themselves."""
    if row_filter != "auto":
        return row_filter
    height = samples.shape[0]
    starts = sorted({height * (2 * k + 1) // (2 * _SAMPLES) for k in range(_SAMPLES)})
    spans = [(y, min(height, y + _SAMPLE_ROWS)) for y in starts]
    size = {
        name: sum(deflated_size(_filtered(samples, channels, name)(top, end)) for top, end in spans)
        for name in ("none", "up")
    }
    return "up" if size["up"] < _WORTH * size["none"] else "none"


def _filtered(samples: Samples, channels: int, name: str) -> Callable[[int, int], memoryview]:
    """Return a function that makes the filtered rows top…end − 1, each behind its filter byte."""
    width = samples.shape[1]
    line = 1 + width * channels

    def make(top: int, end: int) -> memoryview:
        first = max(top - 1, 0) if name == "up" else top
        planes = _planes(samples, channels, first, end)
        out = np.empty((end - top, line), np.uint8)
        out[:, 0] = _TAG[name]
        body: NDArray[np.uint8] = np.ndarray(
            (end - top, width, channels), np.uint8, out, 1, (line, channels, 1)
        )
        if name == "none":
            _copy(planes, body)
            return out.data.cast("B")
        if top == 0:
            _copy(planes[:1], body[:1])  # there is no row above the first: it stays as it is
        _subtract(planes[1:], planes[:-1], body[1:] if top == 0 else body)
        return out.data.cast("B")

    return make


def _planes(samples: Samples, channels: int, top: int, end: int) -> NDArray[np.uint8]:
    if isinstance(samples, Runs):
        rows = samples.pixels(slice(top, end))
    else:
        rows = samples[top:end] if samples.ndim == 3 else samples[top:end, :, None]
    return rows[..., :channels]


def _is_packed(planes: NDArray[np.uint8]) -> bool:
    """Tell whether each row lies in memory without holes, so that it can be handled as one run of bytes."""
    return planes.strides[1:] == (planes.shape[2], 1)


def _lines(planes: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Return packed rows (H, W, C) as (H, W × C) without a copy."""
    height, width, channels = planes.shape
    return np.lib.stride_tricks.as_strided(planes, (height, width * channels), (planes.strides[0], 1))


def _copy(source: NDArray[np.uint8], target: NDArray[np.uint8]) -> None:
    if _is_packed(source):
        _lines(target)[...] = _lines(source)
        return
    for c in range(source.shape[2]):  # a channel at a time: runs of three bytes are slow to copy
        target[..., c] = source[..., c]


def _subtract(source: NDArray[np.uint8], above: NDArray[np.uint8], target: NDArray[np.uint8]) -> None:
    if _is_packed(source):
        np.subtract(_lines(source), _lines(above), out=_lines(target))
        return
    for c in range(source.shape[2]):
        np.subtract(source[..., c], above[..., c], out=target[..., c])
