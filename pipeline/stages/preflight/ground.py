"""Backgrounds that would print as a solid block: the fabric left in the art, and the white box of a bitmap."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from pipeline.art.paint import Rgb, hex_of
from pipeline.colour.difference import delta_e_00
from pipeline.colour.spaces import lab_of_rgb8
from pipeline.finding import Finding
from pipeline.raster import MM_PER_INCH, Pixels

NOISE = 12
"""Channel levels by which a lossy bitmap's flat ground wavers."""
FRAME_SHARE = 0.95
"""Share of the frame that must have the one colour."""
REACHES_MM = 0.5
"""A rectangle this near the edge of the print area reaches it."""

Bools = NDArray[np.bool_]


def flat_block(pixels: Pixels) -> tuple[Rgb, tuple[int, int, int, int]] | None:
    """Return colour and box (x0, y0, x1, y1 in px) of an opaque rectangle with other ink on it, or None.

    The rectangle is all the ink there is: no bare cloth inside its box, and its frame has one flat colour.
    """
    solid = pixels[..., 3] >= 250
    ys, xs = np.flatnonzero(solid.any(axis=1)), np.flatnonzero(solid.any(axis=0))
    if ys.size < 8 or xs.size < 8:
        return None
    x0, y0, x1, y1 = int(xs[0]), int(ys[0]), int(xs[-1]) + 1, int(ys[-1]) + 1
    if not solid[y0:y1, x0:x1].all():
        return None
    colour = _frame_colour(pixels[y0:y1, x0:x1, :3])
    if colour is None:
        return None
    inner = pixels[y0:y1, x0:x1, :3][:: max(1, (y1 - y0) // 1000), :: max(1, (x1 - x0) // 1000)]
    other = np.count_nonzero(~_near(inner, colour)) / (inner.shape[0] * inner.shape[1])
    return (colour, (x0, y0, x1, y1)) if other > 0.001 else None


def _frame_colour(rgb: NDArray[np.uint8]) -> Rgb | None:
    """Return the one colour of the outermost pixels of a picture, or None where there are several."""
    frame = np.concatenate((rgb[0], rgb[-1], rgb[1:-1, 0], rgb[1:-1, -1]))
    r, g, b = np.median(frame, axis=0).astype(np.int64).tolist()
    same = np.count_nonzero(_near(frame, (r, g, b)))
    return (r, g, b) if same >= FRAME_SHARE * len(frame) else None


def _near(rgb: NDArray[np.uint8], colour: Rgb) -> Bools:
    """Say which pixels (…, 3) differ from a colour by no more than noise."""
    near: Bools = np.ones(rgb.shape[:-1], bool)
    for channel, level in enumerate(colour):
        low, high = max(level - NOISE, 0), min(level + NOISE, 255)
        near &= (rgb[..., channel] >= low) & (rgb[..., channel] <= high)
    return near


def fabric_preview(
    pixels: Pixels,
    ppi: float,
    fabrics: Sequence[Rgb],
    *,
    preview_de: float,
    knock_out_de: float,
    area_mm: tuple[float, float, float, float] | None = None,
) -> tuple[Finding, ...]:
    """Return `fabric-preview` for a flat block with other ink on it that looks like a fabric or fills the print area.

    `fabrics` are all fabrics of the order; where each of them has exactly this colour the block is knocked out on
    all, and nothing is said. `area_mm` is the print area (x, y, width, height) in mm of the pixels.
    """
    block = flat_block(pixels)
    if block is None:
        return ()
    colour, (x0, y0, x1, y1) = block
    mm = MM_PER_INCH / ppi
    far = [float(delta_e_00(lab_of_rgb8(colour), lab_of_rgb8(f))) for f in fabrics]
    if far and max(far) <= knock_out_de:
        return ()
    resembles = bool(far) and min(far) <= preview_de
    box = (x0 * mm, y0 * mm, (x1 - x0) * mm, (y1 - y0) * mm)
    if not resembles and not (area_mm and _fills(box, area_mm)):
        return ()
    why = "looks like a fabric of this order" if resembles else "reaches the print area on all sides"
    return (
        Finding(
            code="fabric-preview",
            severity="stop",
            message=f"A flat block of {hex_of(colour)}, {box[2]:.0f} × {box[3]:.0f} mm, lies under the design and "
            f"{why}: a picture of the fabric left in the art? It would print solid.",
            remedy='preview = "remove"  # or "keep"',
            measured=round(min(far), 2) if resembles else round(box[2] * box[3], 0),
            limit=preview_de if resembles else 0.0,
            where_mm=box,
        ),
    )


def _fills(box: tuple[float, float, float, float], area: tuple[float, float, float, float]) -> bool:
    return (
        box[0] <= area[0] + REACHES_MM
        and box[1] <= area[1] + REACHES_MM
        and box[0] + box[2] >= area[0] + area[2] - REACHES_MM
        and box[1] + box[3] >= area[1] + area[3] - REACHES_MM
    )


def opaque_ground(pixels: Pixels, ppi: float, fabric_rgb: Rgb, *, knock_out_de: float) -> tuple[Finding, ...]:
    """Return `opaque-ground` when a bitmap lies on a flat opaque colour that is not this fabric's."""
    colour = ground_colour(pixels)
    if colour is None:
        return ()
    far = float(delta_e_00(lab_of_rgb8(colour), lab_of_rgb8(fabric_rgb)))
    if far <= knock_out_de:
        return ()
    share = float(np.count_nonzero(_near(pixels[::4, ::4, :3], colour)) / (pixels[::4, ::4, 0].size))
    return (
        Finding(
            code="opaque-ground",
            severity="stop",
            message=f"The bitmap lies on a flat ground of {hex_of(colour)} (about {share * 100:.0f} % of it): "
            "it would print as a box around the design.",
            remedy='ground = "remove"  # or "keep"',
            measured=round(share * 100, 1),
            limit=0.0,
            where_mm=(0.0, 0.0, pixels.shape[1] * MM_PER_INCH / ppi, pixels.shape[0] * MM_PER_INCH / ppi),
        ),
    )


def ground_colour(pixels: Pixels) -> Rgb | None:
    """Return the flat opaque colour that runs round a bitmap's border with other ink inside it, or None."""
    block = flat_block(pixels)
    if block is None or block[1] != (0, 0, pixels.shape[1], pixels.shape[0]):
        return None
    return block[0]
