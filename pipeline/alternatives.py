"""Both answers to a colour near the fabric's, side by side: left it is printed, right the fabric shows."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from pipeline.line import make_base
from pipeline.plan import Job
from pipeline.raster import Pixels
from pipeline.stages import base as base_stage
from pipeline.stages import fade
from pipeline.stages.base import BaseDecision
from pipeline.stages.knockout import KnockOutSettings, knock_out_edges
from pipeline.stages.preflight.look import Look
from pipeline.stages.preflight.pictures import PANEL_PX, SPACE_PX, Picture, fitted, frame

WHICH_IS_WHICH = 'In the picture: left as with near_fabric = "keep", right as with near_fabric = "knock_out".'
_SMALL_SHARE = 0.5
"""A place that fills less than this of the picture, in width and height, is shown enlarged below."""
_MARGIN = 0.5
"""Of the place, how much of its surroundings is shown with it, and at least in mm …"""
_MARGIN_MM = 2.0


def alternatives(job: Job, kept: Look, decision: BaseDecision) -> Picture:
    """Return the print (H, W, 3) on its fabric with the near colours printed, and beside it with them knocked out.

    `kept` is what the knock-out leaves while the near colours stay, `decision` its base. Where the place that changes
    is small it is framed, and shown enlarged below. Colour lies over base over fabric, faded art as it is printed.
    """
    ppi = job.plates[0].placement.ppi
    scale = kept.small.shape[1] / kept.pixels.shape[1]
    without = _without_near(job, kept.small, ppi * scale)
    pair = [fitted(_printed(job, pixels, ppi * scale, decision)) for pixels in (kept.small, without)]
    box = _place(kept.small[..., 3] > without[..., 3])
    height, width = kept.small.shape[:2]
    if box is None or max(box[2] / width, box[3] / height) >= _SMALL_SHARE:
        return _side_by_side(*pair)
    for panel in pair:
        grown = panel.shape[1] / width
        frame(panel, (box[0] * grown, box[1] * grown, box[2] * grown, box[3] * grown))
    part = _around(kept.pixels, box, scale, ppi)
    near = [fitted(_printed(job, p, ppi, decision)) for p in (part, _without_near(job, part, ppi))]
    rows = _side_by_side(*pair), _side_by_side(*near)
    return np.concatenate([rows[0], np.full((SPACE_PX, *rows[0].shape[1:]), 255, np.uint8), rows[1]])


def _without_near(job: Job, pixels: Pixels, ppi: float) -> Pixels:
    """Return the pixels as they are when near colours are knocked out too."""
    hole_px = job.limits.smallest_hole_mm2 * (ppi / 25.4) ** 2
    settings = KnockOutSettings(
        tolerance_de=job.limits.knock_out_de,
        near_de=job.limits.near_fabric_de,
        heather=job.cloth.heather,
        near_decided=True,
        smallest_hole_px=max(1, round(hole_px)),
    )
    return knock_out_edges(pixels, job.cloth.srgb, settings).pixels


def _printed(job: Job, pixels: Pixels, ppi: float, decision: BaseDecision) -> Picture:
    placement = replace(job.plates[0].placement, ppi=ppi)
    under = make_base(job, pixels, placement, decision)
    colour = fade.compensate(pixels, decision.strength > 0, job.fade).pixels
    return base_stage.simulate(colour, under, job.cloth.srgb)


def _place(changed: np.ndarray[tuple[int, int], np.dtype[np.bool_]]) -> tuple[int, int, int, int] | None:
    """Return x, y, width, height in pixels around all that changes; None where nothing does."""
    rows, columns = np.flatnonzero(changed.any(axis=1)), np.flatnonzero(changed.any(axis=0))
    if not rows.size:
        return None
    top, left = int(rows[0]), int(columns[0])
    return left, top, int(columns[-1]) - left + 1, int(rows[-1]) - top + 1


def _around(pixels: Pixels, box: tuple[int, int, int, int], scale: float, ppi: float) -> Pixels:
    """Return the part of the full picture around a box of the reduced one."""
    margin = max(_MARGIN * max(box[2:]) / scale, _MARGIN_MM * ppi / 25.4)
    left, top = (max(0, int(v / scale - margin)) for v in box[:2])
    right, bottom = (int((box[i] + box[i + 2]) / scale + margin) + 1 for i in (0, 1))
    return np.ascontiguousarray(pixels[top:bottom, left:right])


def _side_by_side(left: Picture, right: Picture) -> Picture:
    out = np.full((left.shape[0], 2 * PANEL_PX + SPACE_PX, 3), 255, np.uint8)
    for panel, start in ((left, 0), (right, PANEL_PX + SPACE_PX)):
        x = start + (PANEL_PX - panel.shape[1]) // 2
        out[:, x : x + panel.shape[1]] = panel
    return out
