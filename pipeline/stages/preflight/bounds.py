"""Does anything get cut off, come too near an edge, or lie on a pocket?"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TypeAlias

import numpy as np

from pipeline.finding import Finding
from pipeline.raster import MM_PER_INCH, Pixels
from pipeline.stages.preflight import words

Box: TypeAlias = tuple[float, float, float, float]
"""x, y, width, height in mm from the upper left corner of the pixels."""

INK = 16
"""Alpha (of 255) from which a pixel counts as ink here; fainter is the skirt of a resampled edge."""


def ink_px(pixels: Pixels) -> tuple[int, int, int, int] | None:
    """Return the box around all ink, x0, y0 and the x1, y1 beyond it in pixels; None when there is none."""
    ink = pixels[..., 3] >= INK
    ys, xs = np.flatnonzero(ink.any(axis=1)), np.flatnonzero(ink.any(axis=0))
    return (int(xs[0]), int(ys[0]), int(xs[-1]) + 1, int(ys[-1]) + 1) if ys.size else None


def ink_box(pixels: Pixels, ppi: float) -> Box | None:
    """Return the box around all ink, in mm; None when there is none."""
    box = ink_px(pixels)
    return None if box is None else in_mm(box, ppi)


def in_mm(box: tuple[int, int, int, int], ppi: float) -> Box:
    """Return a box of `ink_px` in mm."""
    mm = MM_PER_INCH / ppi
    return box[0] * mm, box[1] * mm, (box[2] - box[0]) * mm, (box[3] - box[1]) * mm


def outside_area(pixels: Pixels, ppi: float, area_mm: Box, *, box: Box | None = None) -> tuple[Finding, ...]:
    """Return `outside-area` when ink lies outside `area_mm`, per side in mm and mm².

    `box` is that of `ink_box`, when it is at hand.
    """
    box = box or ink_box(pixels, ppi)
    if box is None:
        return ()
    over = _over(box, area_mm)
    mm = MM_PER_INCH / ppi
    # Less than a pixel is how the area's edge falls on the grid, not a cut.
    if max(over) <= mm:
        return ()
    cut_mm2 = _ink_outside(pixels, ppi, area_mm)
    parts = [
        f"{words.mm(most, 1)} ({cut:.1f} mm²) {words.on(side)}"
        for side, most, cut in zip(words.SIDES, over, cut_mm2, strict=True)
        if most > mm
    ]
    side = int(np.argmax(over))
    return (
        Finding(
            code="outside-area",
            severity="stop",
            message=f"Ink lies outside the print area by {words.listed(parts)}; it would be cut off.",
            remedy="cut_ok = true",
            measured=round(float(sum(cut_mm2)), 2),
            limit=0.0,
            where_mm=ink_in(pixels, ppi, _strip(box, area_mm, side)),
        ),
    )


def _over(box: Box, area: Box) -> tuple[float, float, float, float]:
    """Return how far `box` reaches over `area` on the left, top, right, bottom; 0 where it does not."""
    x, y, w, h = box
    ax, ay, aw, ah = area
    return max(ax - x, 0.0), max(ay - y, 0.0), max(x + w - ax - aw, 0.0), max(y + h - ay - ah, 0.0)


def _strip(box: Box, area: Box, side: int) -> Box:
    """Return the part of the ink's box that lies over the given side of the area."""
    x, y, w, h = box
    over = _over(box, area)[side]
    if side in (0, 2):
        return (x if side == 0 else x + w - over), y, over, h
    return x, (y if side == 1 else y + h - over), w, over


def ink_in(pixels: Pixels, ppi: float, strip: Box) -> Box:
    """Return the box around the ink that lies in a strip of the pixels; the strip where there is none."""
    mm = MM_PER_INCH / ppi
    x0, y0 = (max(0, int(np.floor(v / mm + 0.25))) for v in strip[:2])
    x1, y1 = (int(np.ceil((v + n) / mm - 0.25)) for v, n in zip(strip[:2], strip[2:], strict=True))
    found = ink_box(pixels[y0:y1, x0:x1], ppi)
    return strip if found is None else (x0 * mm + found[0], y0 * mm + found[1], found[2], found[3])


def _ink_outside(pixels: Pixels, ppi: float, area: Box) -> tuple[float, float, float, float]:
    """Return the inked mm² left of, above, right of and below the area; corners count to left and right."""
    mm = MM_PER_INCH / ppi
    height, width = pixels.shape[:2]
    x0, x1 = (int(np.clip(round(v / mm), 0, width)) for v in (area[0], area[0] + area[2]))
    y0, y1 = (int(np.clip(round(v / mm), 0, height)) for v in (area[1], area[1] + area[3]))
    alpha = pixels[..., 3]
    pieces = (alpha[:, :x0], alpha[:y0, x0:x1], alpha[:, x1:], alpha[y1:, x0:x1])
    left, top, right, bottom = (float(int(p.sum(dtype=np.int64)) / 255 * mm * mm) for p in pieces)
    return left, top, right, bottom


def near_edge(
    pixels: Pixels, ppi: float, area_mm: Box, *, near_edge_mm: float, box: Box | None = None
) -> tuple[Finding, ...]:
    """Return `near-edge` for ink inside the print area but closer to its edge than `near_edge_mm`.

    Ink that runs to the drawing's own edge is how art is cropped, and does not count.
    """
    box = box or ink_box(pixels, ppi)
    if box is None:
        return ()
    mm = MM_PER_INCH / ppi
    size = pixels.shape[1] * mm, pixels.shape[0] * mm
    ends = (box[0], box[1], box[0] + box[2], box[1] + box[3])
    edges = (area_mm[0], area_mm[1], area_mm[0] + area_mm[2], area_mm[1] + area_mm[3])
    own = (0.0, 0.0, size[0], size[1])
    close: list[tuple[str, float, Box]] = []
    for side, name in enumerate(words.SIDES):
        free = (ends[side] - edges[side]) * (1 if side < 2 else -1)
        if abs(ends[side] - own[side]) >= 1.5 * mm and -mm <= free < near_edge_mm:
            where = ink_in(pixels, ppi, along(box, side, near_edge_mm - max(free, 0.0)))
            close.append((name, max(free, 0.0), where))
    return _near(close, near_edge_mm)


def along(box: Box, side: int, depth: float) -> Box:
    """Return the part of a box within `depth` of one of its sides."""
    x, y, w, h = box
    if side in (0, 2):
        return (x if side == 0 else x + w - min(depth, w)), y, min(depth, w), h
    return x, (y if side == 1 else y + h - min(depth, h)), w, min(depth, h)


def _near(close: list[tuple[str, float, Box]], limit: float) -> tuple[Finding, ...]:
    if not close:
        return ()
    text = words.listed(f"{words.mm(free, 1)} {words.on(name)}" for name, free, _ in close)
    nearest = min(close, key=lambda c: c[1])
    return (
        Finding(
            code="near-edge",
            severity="warn",
            message=f"Ink comes closer to the edge of the print area than {words.mm(limit, 0)}: {text}. "
            "A garment loaded a little off would lose it.",
            remedy=words.accept("near-edge"),
            measured=round(nearest[1], 2),
            limit=limit,
            where_mm=nearest[2],
        ),
    )


def on_obstruction(
    pixels: Pixels, ppi: float, obstructions: Sequence[tuple[str, Box]]
) -> tuple[Finding, ...]:
    """Return `on-obstruction` for each named rectangle (pocket, zip, seam), in mm of the box, that has ink on it."""
    mm = MM_PER_INCH / ppi
    found: list[Finding] = []
    for name, box in obstructions:
        x0, y0 = max(0, int(np.floor(box[0] / mm))), max(0, int(np.floor(box[1] / mm)))
        x1, y1 = max(0, int(np.ceil((box[0] + box[2]) / mm))), max(0, int(np.ceil((box[1] + box[3]) / mm)))
        alpha = pixels[y0:y1, x0:x1, 3]
        ink = float(int(alpha[alpha >= INK].sum(dtype=np.int64)) / 255 * mm * mm)
        if ink > 0:
            found.append(
                Finding(
                    code="on-obstruction",
                    severity="warn",
                    message=f"{ink:.0f} mm² of ink lie on the {name}, where the surface is not flat.",
                    remedy=words.accept("on-obstruction"),
                    measured=round(ink, 2),
                    limit=0.0,
                    where_mm=box,
                )
            )
    return tuple(found)
