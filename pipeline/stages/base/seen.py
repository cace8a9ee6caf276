"""What one sees: colour over base over fabric, and a plate from behind."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.colour.spaces import LINEAR_OF_8BIT, linear_to_srgb, srgb_to_linear
from pipeline.raster import Pixels, Plane
from pipeline.raster_ops import SrgbColour


def mirror(plane: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Return the plane or pixels seen from behind, left and right exchanged."""
    return np.ascontiguousarray(plane[:, ::-1])


def simulate(pixels: Pixels, base: Plane | None, cloth_srgb: SrgbColour) -> NDArray[np.uint8]:
    """Return what one sees, (H, W, 3) sRGB: colour over base over fabric.

    Where there is base the colour is opaque; where there is none it is multiplied with the fabric in linear light;
    both cover the fabric by their share, in encoded sRGB as antialiasing does. `base` None: no base at all.
    """
    out = np.empty((*pixels.shape[:2], 3), np.uint8)
    for start in range(0, pixels.shape[0], 256):
        rows = slice(start, start + 256)
        alpha = pixels[rows, :, 3].astype(np.float64) / 255.0
        white = np.zeros_like(alpha) if base is None else np.minimum(base[rows] / 255.0, alpha)
        for i, value in enumerate(cloth_srgb):
            code = pixels[rows, :, i]
            bare = linear_to_srgb(LINEAR_OF_8BIT * srgb_to_linear(value)) * 255.0
            seen = (1.0 - alpha) * (value * 255.0) + white * code + (alpha - white) * bare[code]
            out[rows, :, i] = np.floor(np.clip(seen, 0.0, 255.0) + 0.5)
    return out
