"""The one value that flows down the line: RGBA pixels, their scale, and where their origin lies."""

from __future__ import annotations

import mmap
from dataclasses import dataclass, replace
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

Pixels: TypeAlias = NDArray[np.uint8]
"""Straight-alpha sRGB, shape (H, W, 4), 0–255. Where alpha is 0 the colour is 0."""

Plane: TypeAlias = NDArray[np.uint8]
"""One channel, shape (H, W), 0–255."""

MM_PER_INCH = 25.4


@dataclass(frozen=True, slots=True)
class Raster:
    """Pixels at a resolution; `origin_mm` is the upper left corner from the centre line and the seam line."""

    pixels: Pixels
    ppi: float
    origin_mm: tuple[float, float] = (0.0, 0.0)

    def __post_init__(self) -> None:
        if self.pixels.dtype != np.uint8 or self.pixels.ndim != 3 or self.pixels.shape[2] != 4:
            raise ValueError(f"pixels must be uint8 (H, W, 4), got {self.pixels.dtype} {self.pixels.shape}")
        if not self.ppi > 0:
            raise ValueError(f"ppi must be above 0, got {self.ppi}")

    @property
    def px_per_mm(self) -> float:
        """Pixels per millimetre."""
        return self.ppi / MM_PER_INCH

    @property
    def width_px(self) -> int:
        """Width in pixels."""
        return int(self.pixels.shape[1])

    @property
    def height_px(self) -> int:
        """Height in pixels."""
        return int(self.pixels.shape[0])

    def with_pixels(self, pixels: Pixels) -> Raster:
        """Return the same place and scale with other pixels; the size must not change."""
        if pixels.shape != self.pixels.shape:
            raise ValueError(f"a stage changed the size from {self.pixels.shape} to {pixels.shape}")
        return replace(self, pixels=pixels)


def let_go(pixels: object) -> None:
    """Give back the memory of pixels that are mapped from a file; whoever looks at them again finds them there."""
    mapped = getattr(pixels, "_mmap", None)
    if mapped is not None and hasattr(mmap, "MADV_DONTNEED"):
        mapped.madvise(mmap.MADV_DONTNEED)


def mm_to_px(mm: float, ppi: float) -> float:
    """Millimetres to (fractional) pixels at `ppi`."""
    return mm * ppi / MM_PER_INCH


def px_to_mm(px: float, ppi: float) -> float:
    """Pixels to millimetres at `ppi`."""
    return px * MM_PER_INCH / ppi
