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
CORNER_SHARE = 0.25
"""A rectangle's rounded corners are at most this share of its shorter side; a badge may be rounder."""
FRAME_SHARE = 0.95
"""Share of the frame that must have the one colour."""
REACHES_MM = 0.5
"""A rectangle this near the edge of the print area reaches it."""

Bools = NDArray[np.bool_]


def flat_block(pixels: Pixels) -> tuple[Rgb, tuple[int, int, int, int]] | None:
    """Return colour and box (x0, y0, x1, y1 in px) of an opaque rectangle with other ink on it, or None.

    The rectangle is all the ink there is: no bare cloth inside its box but for rounded corners, and its frame has one
    flat colour.
    """
    solid = pixels[..., 3] >= 250
    ys, xs = np.flatnonzero(solid.any(axis=1)), np.flatnonzero(solid.any(axis=0))
    if ys.size < 8 or xs.size < 8:
        return None
    x0, y0, x1, y1 = int(xs[0]), int(ys[0]), int(xs[-1]) + 1, int(ys[-1]) + 1
    corner = _corner(solid[y0:y1, x0:x1])
    if corner is None:
        return None
    colour = _frame_colour(pixels[y0:y1, x0:x1, :3], corner)
    if colour is None:
        return None
    inner = pixels[y0:y1, x0:x1][:: max(1, (y1 - y0) // 1000), :: max(1, (x1 - x0) // 1000)]
    other = np.count_nonzero(~_near(inner[..., :3], colour) & (inner[..., 3] >= 250))
    return (colour, (x0, y0, x1, y1)) if other > 0.001 * inner.shape[0] * inner.shape[1] else None


def _corner(solid: Bools) -> tuple[int, int] | None:
    """Return how wide and high the corners are that a solid rectangle lacks, (0, 0) for square ones; else None."""
    sizes = []
    for axis in (0, 1):
        broken = np.flatnonzero(~solid.all(axis=axis))
        length = solid.shape[1 - axis]
        near = np.minimum(broken, length - 1 - broken)
        sizes.append(int(near.max(initial=-1)) + 1)
    most = CORNER_SHARE * min(solid.shape)
    return (sizes[0], sizes[1]) if max(sizes) <= most else None


def _frame_colour(rgb: NDArray[np.uint8], corner: tuple[int, int]) -> Rgb | None:
    """Return the one colour of the outermost pixels of a picture, corners left out, or None where there are several."""
    height, width = rgb.shape[:2]
    across, down = slice(corner[0], width - corner[0]), slice(max(corner[1], 1), height - max(corner[1], 1))
    frame = np.concatenate((rgb[0, across], rgb[-1, across], rgb[down, 0], rgb[down, -1]))
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


def opaque_ground(
    pixels: Pixels,
    ppi: float,
    fabric_rgb: Rgb,
    *,
    knock_out_de: float,
    fabrics: Sequence[Rgb] = (),
    preview_de: float = 0.0,
) -> tuple[Finding, ...]:
    """Return `opaque-ground` when a bitmap lies on a flat opaque colour that is not this fabric's.

    A ground with rounded corners may be a badge: it counts when it looks like one of `fabrics`, within `preview_de`.
    """
    colour = ground_colour(pixels)
    if colour is None:
        return ()
    far = _apart(colour, (fabric_rgb,))
    rounded = bool((pixels[:: pixels.shape[0] - 1, :: pixels.shape[1] - 1, 3] < 250).any())
    if far <= knock_out_de or (rounded and _apart(colour, fabrics) > preview_de):
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


def _apart(colour: Rgb, others: Sequence[Rgb]) -> float:
    """Return the least ΔE00 to other colours, infinite when there are none."""
    return min((float(delta_e_00(lab_of_rgb8(colour), lab_of_rgb8(o))) for o in others), default=np.inf)


def ground_colour(pixels: Pixels) -> Rgb | None:
    """Return the flat opaque colour that runs round a bitmap's border with other ink inside it, or None."""
    block = flat_block(pixels)
    if block is None or block[1] != (0, 0, pixels.shape[1], pixels.shape[0]):
        return None
    return block[0]
