"""Compensating photographs for fading, some rows at a time: by tables of 8-bit levels, never colour by colour."""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from pipeline.colour.compensation import DARK_GAIN, DARK_Y, FadeSettings, modelled, saturation_gain
from pipeline.colour.spaces import LINEAR_OF_8BIT, linear_to_xyz, rgb8_of

Band: TypeAlias = Callable[[NDArray[np.uint8]], NDArray[np.uint8]]
"""What becomes of some rows (h, W, 4) of a photograph; each pixel counts alone."""


def by_method(settings: FadeSettings, *, on_base: bool) -> Band:
    """Return what the method of the settings makes of pixels, without rules for single colours."""
    if settings.method == "none":
        return unchanged
    if settings.method == "saturation":
        return _saturated(settings.percent)
    return _through_curves(settings, on_base=on_base)


def unchanged(band: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Return the pixels as they are."""
    return band


def _through_curves(settings: FadeSettings, *, on_base: bool) -> Band:
    levels = np.repeat(np.arange(256, dtype=np.float64)[:, np.newaxis], 3, axis=1)
    curves = rgb8_of(modelled(levels, settings, on_base=on_base) / 255)

    def printed(band: NDArray[np.uint8]) -> NDArray[np.uint8]:
        out = band.copy()
        for channel in range(3):
            out[..., channel] = curves[:, channel][band[..., channel]]
        return out

    return printed


def _saturated(percent: float) -> Band:
    """Return what `saturation` makes of pixels, as colour by colour: all by tables of 8-bit levels."""
    levels = np.arange(256, dtype=np.float64)
    gains = saturation_gain(levels[:, np.newaxis], levels[np.newaxis], percent).reshape(-1)
    light = linear_to_xyz(np.diag(np.ones(3)))[:, 1, np.newaxis] * LINEAR_OF_8BIT

    def printed(band: NDArray[np.uint8]) -> NDArray[np.uint8]:
        channels = [np.ascontiguousarray(band[..., i]) for i in range(3)]
        top = np.maximum(np.maximum(channels[0], channels[1]), channels[2])
        low = np.minimum(np.minimum(channels[0], channels[1]), channels[2])
        luminance = light[0][channels[0]] + light[1][channels[1]] + light[2][channels[2]]
        value = np.where(luminance < DARK_Y, DARK_GAIN, 1.0)
        gain = value * gains[top.astype(np.uint16) << 8 | low]
        highest = value * top
        out = band.copy()
        for i, channel in enumerate(channels):
            out[..., i] = np.rint(highest - (top - channel) * gain)
        return out

    return printed
