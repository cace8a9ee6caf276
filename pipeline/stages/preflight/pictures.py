"""Show where a finding lies: the whole print on its fabric with the place framed, and beside it the place enlarged."""

from __future__ import annotations

import hashlib
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from pipeline.raster import Pixels
from pipeline.raster_ops import SrgbColour, seen_on

Picture = NDArray[np.uint8]
"""RGB, shape (H, W, 3)."""

Box = tuple[float, float, float, float]
"""x, y, width, height in mm from the upper left corner of the pixels."""

PANEL_PX = 236
"""Side of each of the two panels; with the space between them a picture is 480 pixels wide."""
SPACE_PX = 8
MARGIN_MM = 2.0
"""How much of its surroundings the enlarged place shows at least."""


def place_picture(
    pixels: Pixels,
    small: Pixels,
    width_mm: float,
    where_mm: Box,
    cloth_srgb: SrgbColour,
    *,
    area_mm: Box | None = None,
    later: Callable[[Pixels], Pixels] | None = None,
) -> Picture:
    """Return the print on its fabric with a place framed, and the place enlarged, side by side on white.

    `pixels` is the print at full size, from which only the place is read; `small` is the whole of it, reduced;
    both are `width_mm` wide. `area_mm` is drawn as a thin line where it cuts the print: the print area. With `later`
    the lower half of the enlarged place is what that makes of its pixels.
    """
    whole = fitted(seen(small, cloth_srgb))
    scale = whole.shape[1] / width_mm
    if area_mm is not None:
        _outline(whole, _inside(whole, _px(area_mm, scale)), ((200, 0, 0),))
    frame(whole, _px(where_mm, scale))
    near = _enlarged(pixels, pixels.shape[1] / width_mm, where_mm, cloth_srgb, later)
    height = max(whole.shape[0], near.shape[0])
    out = np.full((height, 2 * PANEL_PX + SPACE_PX, 3), 255, np.uint8)
    for panel, left in ((whole, 0), (near, PANEL_PX + SPACE_PX)):
        x, y = left + (PANEL_PX - panel.shape[1]) // 2, (height - panel.shape[0]) // 2
        out[y : y + panel.shape[0], x : x + panel.shape[1]] = panel
    return out


def name_of(code: str, picture: Picture) -> str:
    """Return the file name of a finding's picture: the same pixels have the same name."""
    shape = "×".join(str(side) for side in picture.shape)
    digest = hashlib.sha256(shape.encode() + np.ascontiguousarray(picture).tobytes()).hexdigest()
    return f"{code}-{digest[:10]}.png"


def seen(pixels: Pixels, cloth_srgb: SrgbColour) -> Picture:
    """Return pixels (H, W, 4) as one sees them on the cloth, (H, W, 3)."""
    return np.floor(seen_on(pixels, cloth_srgb) + 0.5).astype(np.uint8)


def _enlarged(
    pixels: Pixels,
    px_per_mm: float,
    where: Box,
    cloth_srgb: SrgbColour,
    later: Callable[[Pixels], Pixels] | None,
) -> Picture:
    """Return the place with its surroundings in a square panel, its box framed; every pixel a square."""
    height, width = pixels.shape[:2]
    x, y, w, h = _px(where, px_per_mm)
    # A long thin place is shown as a square around its middle, or its pixels would be too small to see.
    side = round(min(max(min(w, h) * 1.5, 1), max(width, height)) + 2 * MARGIN_MM * px_per_mm)
    left = _start(x + w / 2, side, width)
    top = _start(y + h / 2, side, height)
    place = _thinned(pixels[top : top + side, left : left + side])
    part = fitted(seen(place, cloth_srgb))
    scale = part.shape[1] / min(side, width)
    if later is not None:
        half = part.shape[0] // 2
        part[half:] = fitted(seen(later(place), cloth_srgb))[half:]
        part[half - 1 : half + 1] = [[[255]], [[0]]]
        return part
    box = (x - left) * scale, (y - top) * scale, w * scale, h * scale
    frame(part, box)
    return part


def frame(picture: Picture, box: Box) -> None:
    """Draw a frame around a box given in pixels, in place; its white and black lines show on every fabric."""
    _outline(picture, _inside(picture, _grown(box, 3)), ((255, 255, 255), (0, 0, 0)))


def _start(middle: float, side: int, length: int) -> int:
    return int(min(max(round(middle - side / 2), 0), max(length - side, 0)))


def _thinned(pixels: Pixels) -> Pixels:
    """Return about two panels' worth of pixels of a large place: more cannot be seen."""
    step = max(1, max(pixels.shape[:2]) // (2 * PANEL_PX))
    return pixels[::step, ::step]


def fitted(picture: Picture) -> Picture:
    """Return the picture enlarged (every pixel a square) or reduced (averages) to just fill a panel."""
    height, width = picture.shape[:2]
    scale = PANEL_PX / max(height, width)
    high, wide = max(1, round(height * scale)), max(1, round(width * scale))
    if scale >= 1:
        rows, columns = (np.arange(n) * m // n for n, m in ((high, height), (wide, width)))
        return np.ascontiguousarray(picture[rows][:, columns])
    rows, columns = (np.arange(n + 1) * m // n for n, m in ((high, height), (wide, width)))
    sums = np.add.reduceat(picture.astype(np.int64), rows[:-1], axis=0)
    sums = np.add.reduceat(sums, columns[:-1], axis=1)
    count = np.diff(rows)[:, None, None] * np.diff(columns)[None, :, None]
    out: Picture = ((sums + count // 2) // count).astype(np.uint8)
    return out


def _px(box: Box, scale: float) -> Box:
    x, y, w, h = (v * scale for v in box)
    return x, y, w, h


def _grown(box: Box, by: float) -> Box:
    x, y, w, h = box
    return x - by, y - by, w + 2 * by, h + 2 * by


def _inside(picture: Picture, box: Box) -> tuple[int, int, int, int]:
    """Return x0, y0, x1, y1 of a box in whole pixels, within the picture and never empty."""
    height, width = picture.shape[:2]
    x0 = int(np.clip(np.floor(box[0]), 0, width - 1))
    y0 = int(np.clip(np.floor(box[1]), 0, height - 1))
    x1 = int(np.clip(np.ceil(box[0] + box[2]), x0 + 1, width))
    y1 = int(np.clip(np.ceil(box[1] + box[3]), y0 + 1, height))
    return x0, y0, x1, y1


def _outline(out: Picture, box: tuple[int, int, int, int], colours: tuple[tuple[int, int, int], ...]) -> None:
    """Draw frames one pixel wide, each inside the one before, in place."""
    for inset, colour in enumerate(colours):
        x0, y0, x1, y1 = box[0] + inset, box[1] + inset, box[2] - inset, box[3] - inset
        if x1 <= x0 or y1 <= y0:
            return
        out[[y0, y1 - 1], x0:x1] = colour
        out[y0:y1, x0] = colour
        out[y0:y1, x1 - 1] = colour
