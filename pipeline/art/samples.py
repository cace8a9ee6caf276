"""A bitmap as it lies in its file, before colour: samples, what they mean, and what was noticed."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal, TypeAlias

import numpy as np
from numpy.typing import NDArray

from pipeline.finding import Finding
from pipeline.raster import Plane

Space: TypeAlias = Literal["grey", "rgb", "cmyk", "lab"]
CHANNELS: dict[Space, int] = {"grey": 1, "rgb": 3, "cmyk": 4, "lab": 3}

Xy: TypeAlias = tuple[float, float]


@dataclass(frozen=True, slots=True, eq=False)
class Samples:
    """Colour samples (H, W, channels of `space`), uint8 or uint16 full scale, and what the file says about them.

    CMYK: 255 is full ink. Lab: L 0–255 for 0–100, a and b as signed bytes. `alpha` is straight, (H, W).
    `profile` are the bytes of the embedded colour profile. `gamma` is the exponent that makes light of a sample
    (2.2, not 1/2.2), `primaries` the chromaticities of white, red, green and blue: PNG says them without a profile.
    `step`: of a JPEG, the mean step in which its lightness was quantised, in levels; 0 where that is not known.
    `orientation` is the EXIF value 1–8 that is still to be applied.
    """

    colour: NDArray[Any]
    space: Space
    alpha: Plane | None = None
    profile: bytes | None = None
    gamma: float | None = None
    primaries: tuple[Xy, Xy, Xy, Xy] | None = None
    orientation: int = 1
    lossy: bool = False
    step: float = 0.0
    findings: tuple[Finding, ...] = ()


def to_8_bit(values: NDArray[Any]) -> NDArray[np.uint8]:
    """Return 0–255 for 8-bit (unchanged) or 16-bit samples, the nearest level: (v × 255 + 32767) // 65535."""
    if values.dtype == np.uint8:
        return values
    table: NDArray[np.uint8] = ((np.arange(65536, dtype=np.uint32) * 255 + 32767) // 65535).astype(np.uint8)
    return np.asarray(table[values])


def two_bytes(high: NDArray[np.uint8], low: NDArray[np.uint8]) -> NDArray[np.uint16]:
    """Join the high and the low bytes of 16-bit samples."""
    joined: NDArray[np.uint16] = high.astype(np.uint16)
    joined <<= 8
    joined |= low
    return joined


def oriented(pixels: NDArray[Any], orientation: int) -> NDArray[Any]:
    """Return (H, W, …) turned upright by the EXIF orientation 1–8 (TIFF 6.0, tag 274); others leave it alone."""
    if orientation == 2:
        return pixels[:, ::-1]
    if orientation == 3:
        return pixels[::-1, ::-1]
    if orientation == 4:
        return pixels[::-1]
    if orientation == 5:
        return pixels.swapaxes(0, 1)
    if orientation == 6:
        return np.rot90(pixels, -1)
    if orientation == 7:
        return pixels[::-1, ::-1].swapaxes(0, 1)
    if orientation == 8:
        return np.rot90(pixels, 1)
    return pixels
