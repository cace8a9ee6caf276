"""Show where a finding lies: a frame on the whole print, and the place enlarged."""

from __future__ import annotations

import hashlib

import numpy as np
from numpy.typing import NDArray

Picture = NDArray[np.uint8]
"""RGB, shape (H, W, 3)."""

Box = tuple[float, float, float, float]


def marked(picture: Picture, px_per_mm: float, where_mm: Box, *, margin_mm: float = 2.0) -> Picture:
    """Return a print-on-fabric picture with a frame round a place (x, y, width, height in mm)."""
    out = picture.copy()
    x0, y0, x1, y1 = _window(picture, px_per_mm, where_mm, margin_mm)
    line = max(2, round(max(picture.shape[:2]) / 400))
    _frame(out, (x0, y0, x1, y1), line)
    return out


def detail(
    picture: Picture, px_per_mm: float, where_mm: Box, *, margin_mm: float = 2.0, size_px: int = 480
) -> Picture:
    """Return the place and its surroundings enlarged to about `size_px` pixels, every pixel a square."""
    height, width = picture.shape[:2]
    x0, y0, x1, y1 = _window(picture, px_per_mm, where_mm, margin_mm)
    # A long thin place is shown as a square around its middle, or its pixels would be too small to see.
    side = max(min(x1 - x0, y1 - y0), round(2 * margin_mm * px_per_mm))
    cx, cy = (x0 + x1) // 2, (y0 + y1) // 2
    left, top = (
        min(max(cx - side // 2, 0), max(width - side, 0)),
        min(max(cy - side // 2, 0), max(height - side, 0)),
    )
    part = picture[top : top + side, left : left + side]
    times = max(1, size_px // max(part.shape[:2]))
    return np.ascontiguousarray(part.repeat(times, axis=0).repeat(times, axis=1))


def name_of(code: str, picture: Picture) -> str:
    """Return the file name of a finding's picture: the same pixels have the same name."""
    shape = "×".join(str(side) for side in picture.shape)
    digest = hashlib.sha256(shape.encode() + np.ascontiguousarray(picture).tobytes()).hexdigest()
    return f"{code}-{digest[:10]}.png"


def _window(picture: Picture, px_per_mm: float, where: Box, margin: float) -> tuple[int, int, int, int]:
    height, width = picture.shape[:2]
    x0 = int(np.clip(np.floor((where[0] - margin) * px_per_mm), 0, width - 1))
    y0 = int(np.clip(np.floor((where[1] - margin) * px_per_mm), 0, height - 1))
    x1 = int(np.clip(np.ceil((where[0] + where[2] + margin) * px_per_mm), x0 + 1, width))
    y1 = int(np.clip(np.ceil((where[1] + where[3] + margin) * px_per_mm), y0 + 1, height))
    return x0, y0, x1, y1


def _frame(out: Picture, window: tuple[int, int, int, int], line: int) -> None:
    """Draw a white frame with a black one inside, so that it shows on every fabric; in place."""
    x0, y0, x1, y1 = window
    for inset, colour in ((0, 255), (line, 0)):
        a, b, c, d = x0 + inset, y0 + inset, x1 - inset, y1 - inset
        if c - a <= line or d - b <= line:
            return
        out[b : b + line, a:c] = colour
        out[d - line : d, a:c] = colour
        out[b:d, a : a + line] = colour
        out[b:d, c - line : c] = colour
