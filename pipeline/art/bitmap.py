"""Bitmaps: decoded to upright straight-alpha sRGB, resampled, turned."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from functools import partial
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from pipeline.art import jpeg, png, profiles, tiff, webp
from pipeline.art.once_jpeg import once_jpeg
from pipeline.art.piece import BitmapArt, Limits
from pipeline.art.pillow import enough_memory, translated
from pipeline.art.refusal import unreadable
from pipeline.art.samples import Samples, oriented
from pipeline.raster import Pixels
from pipeline.raster_ops import bands

LIMITS = Limits()
_REACH = 4
"""More pixels than the widest filter looks at on each side; it widens when the picture is reduced."""
_BAND_PIXELS = 2**21
Decoder: TypeAlias = Callable[[bytes, str, Limits], Samples]


def decoder_of(data: bytes) -> Decoder | None:
    """Return the reader for the format that the first bytes name, None when it is no bitmap that is read."""
    if data.startswith(png.SIGNATURE):
        return png.decode
    if data.startswith(jpeg.START):
        return jpeg.decode
    if data[:4] in (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+"):
        return tiff.decode
    if data[:4] == b"RIFF" and data[8:12] == b"WEBP":
        return webp.decode
    return None


def decode(data: bytes, name: str, limits: Limits = LIMITS) -> BitmapArt:
    """Read PNG, JPEG, TIFF or WebP by content; `name` stands in messages and findings. Raises Refused.

    What is stored without loss counts as lossy too, if its pixels show that it once was a JPEG.
    """
    decoder = decoder_of(data)
    if decoder is None:
        raise unreadable(name, "it is no PNG, JPEG, TIFF or WebP.", "Save it as one of these.")
    with translated(name):
        samples = decoder(data, name, limits)
    with enough_memory(name):
        rgb, findings = profiles.to_srgb(samples, name)
        lossy = samples.lossy or once_jpeg(samples)
        found = samples.findings + findings
        return BitmapArt(name, _stacked(rgb, samples), lossy, found, samples.step)


def _stacked(rgb: NDArray[np.uint8], samples: Samples) -> Pixels:
    height, width = rgb.shape[:2]
    pixels = np.empty((height, width, 4), np.uint8)
    pixels[..., :3] = rgb
    pixels[..., 3] = 255 if samples.alpha is None else samples.alpha
    if samples.alpha is not None:
        pixels[samples.alpha == 0] = 0
    return np.ascontiguousarray(oriented(pixels, samples.orientation))


def resample(pixels: Pixels, width_px: int, height_px: int) -> Pixels:
    """Return (H, W, 4) at another size, edge to edge; the same array when the size is the same.

    Lanczos when neither side grows, else bicubic; on premultiplied colour in float, so that what is hidden
    under transparent pixels never shows and faint pixels keep their hue. Opaque rows need no float. In bands, so that
    nothing but the result is ever held whole.
    """
    height, width = pixels.shape[:2]
    if (width, height) == (width_px, height_px):
        return pixels
    reducing = width_px <= width and height_px <= height
    how = Image.Resampling.LANCZOS if reducing else Image.Resampling.BICUBIC
    reach = _REACH * max(1.0, height / height_px)
    out = np.empty((height_px, width_px, 4), np.uint8)
    count = math.ceil(height_px * width_px / _BAND_PIXELS)
    for rows in bands(height_px, math.ceil(height_px / count)):
        top, end = rows.start * height / height_px, rows.stop * height / height_px
        first = max(0, math.floor(top - reach))
        part = np.ascontiguousarray(pixels[first : math.ceil(end + reach)])
        box = (0.0, top - first, float(width), end - first)
        size = (width_px, rows.stop - rows.start)
        out[rows] = _resized(part, partial(Image.Image.resize, size=size, resample=how, box=box))
    return out


def _resized(pixels: Pixels, change: Callable[[Image.Image], Image.Image]) -> Pixels:
    if pixels[..., 3].min() == 255:
        # An unused fourth byte for the alpha: Pillow works on four anyway, and RGBX comes back without a copy more.
        height, width = pixels.shape[:2]
        return np.asarray(change(Image.frombuffer("RGBX", (width, height), pixels, "raw", "RGBX", 0, 1)))
    return _by_planes(pixels, change)


def turned(art: BitmapArt, degrees: float) -> BitmapArt:
    """Return the art turned clockwise about its centre; the drawing area grows to hold it.

    Multiples of 90 move pixels and change none. Other angles are bicubic on premultiplied colour.
    """
    quarter, rest = divmod(degrees % 360, 90)
    pixels = np.ascontiguousarray(np.rot90(art.pixels, -int(quarter)))
    if rest:
        height, width = pixels.shape[:2]
        cosine, sine = math.cos(math.radians(rest)), math.sin(math.radians(rest))
        wide, high = math.ceil(width * cosine + height * sine), math.ceil(width * sine + height * cosine)
        # A clear border while turning, so that the edge is blended and not cut.
        pixels = _by_planes(
            np.pad(pixels, ((2, 2), (2, 2), (0, 0))),
            lambda plane: plane.rotate(-rest, Image.Resampling.BICUBIC, expand=True, fillcolor=0),
        )
        top, left = (pixels.shape[0] - high) // 2, (pixels.shape[1] - wide) // 2
        pixels = np.ascontiguousarray(pixels[top : top + high, left : left + wide])
    return replace(art, pixels=pixels)


def _by_planes(pixels: Pixels, change: Callable[[Image.Image], Image.Image]) -> Pixels:
    """Apply `change` to alpha and to each premultiplied colour as float planes, and divide again."""
    alpha = pixels[..., 3].astype(np.float32)
    new_alpha = np.array(change(Image.fromarray(alpha)))
    out = np.empty((*new_alpha.shape, 4), np.uint8)
    out[..., 3] = np.rint(np.clip(new_alpha, 0, 255))
    # Not the clipped alpha: where the filter overshoots, it does so in colour and alpha alike.
    new_alpha[out[..., 3] == 0] = np.inf
    for channel in range(3):
        colour = np.array(change(Image.fromarray(pixels[..., channel] * alpha)))
        colour /= new_alpha
        np.clip(colour, 0, 255, out=colour)
        out[..., channel] = np.rint(colour, out=colour)
    return out
