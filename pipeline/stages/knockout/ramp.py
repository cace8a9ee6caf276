"""Raster art whose shadows or glows run into the fabric: the smallest coverage that shows the same.

Known backing, smallest α′: per channel a = (C−K)/(1−K) where C > K and (K−C)/K where C < K; α′ is the greatest,
and C′ = K + (C−K)/α′ then lies in gamut and recomposes exactly.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.raster import Pixels, Plane
from pipeline.raster_ops import Floats, SrgbColour, bands
from pipeline.stages.knockout.find import backings, nearest_backing, sure_out
from pipeline.stages.knockout.values import KnockOut, KnockOutSettings


def smallest_share(colour: Floats, back: Floats) -> Floats:
    """Return the smallest coverage (n,) of any colour in gamut that makes `colour` (n, 3) of `back`; levels 0–255."""
    up = (colour - back) / np.maximum(255.0 - back, 1e-9)
    down = (back - colour) / np.maximum(back, 1e-9)
    share: Floats = np.clip(np.max(np.maximum(up, down), axis=1), 0.0, 1.0)
    return share


def knock_out_ramp(
    pixels: Pixels, cloth_srgb: SrgbColour, settings: KnockOutSettings, labels: Plane | None = None
) -> KnockOut:
    """Knock out with the smallest coverage everywhere; sure-out areas get none.

    `pixels` (H, W, 4) straight sRGB, `cloth_srgb` encoded 0–1. Where a colour is nearest one of `shows_fabric`, that
    colour counts as the cloth. `labels` are those of `sure_out`, when they are at hand.
    """
    gone = (sure_out(pixels, cloth_srgb, settings) if labels is None else labels) > 0
    backs = backings(cloth_srgb, settings)
    out = np.zeros_like(pixels)
    for rows in bands(pixels.shape[0], 64):
        todo = (pixels[rows][..., 3] > 0) & ~gone[rows]
        out[rows][todo] = _thinned(pixels[rows][todo], backs)
    inked = int(np.count_nonzero(pixels[..., 3]))
    lost = float(np.sum(pixels[..., 3], dtype=np.int64)) - float(np.sum(out[..., 3], dtype=np.int64))
    return KnockOut(out, gone, "ramp", lost / (255.0 * inked) if inked else 0.0)


def _thinned(rows: NDArray[np.uint8], backs: Floats) -> NDArray[np.uint8]:
    colour = rows[:, :3].astype(np.float64)
    back = backs[nearest_backing(colour, backs)]
    alpha = rows[:, 3].astype(np.float64)
    exact = alpha * smallest_share(colour, back)
    whole = np.ceil(exact - 1e-9)  # up, so that the colour stays in gamut
    share = whole / np.maximum(alpha, 1.0)
    kept = back + (colour - back) / np.maximum(share, 1e-9)[:, None]
    out = np.empty_like(rows)
    out[:, :3] = np.floor(np.clip(kept, 0.0, 255.0) + 0.5)
    out[:, 3] = whole
    out[whole == 0] = 0
    return out
