"""Is there enough picture for the size it is printed at?"""

from __future__ import annotations

import math

from pipeline.finding import Finding
from pipeline.raster import MM_PER_INCH

HALFTONE_SAMPLES = 1.5
"""Pixels a halftone cell needs in each direction (common practice, no source)."""


def wanted_ppi(
    *,
    resolution_warn_ppi: float,
    lettering_warn_ppi: float,
    lettering: bool = False,
    ruling_lpi: float | None = None,
) -> float:
    """Return the ppi that art wants; `lettering` is for hard-edged art, `ruling_lpi` for a screen halftone."""
    return max(
        resolution_warn_ppi,
        lettering_warn_ppi if lettering else 0.0,
        HALFTONE_SAMPLES * ruling_lpi if ruling_lpi else 0.0,
    )


def resolution(
    art_px_width: float, width_mm: float, *, resolution_stop_ppi: float, wanted_ppi: float
) -> tuple[Finding, ...]:
    """Return `low-resolution` where a bitmap `art_px_width` pixels wide is printed too large at `width_mm`.

    Effective resolution is pixels divided by inches on the garment.
    """
    ppi = art_px_width * MM_PER_INCH / width_mm
    limit = max(wanted_ppi, resolution_stop_ppi)
    if ppi >= limit:
        return ()
    stop = ppi < resolution_stop_ppi
    largest = math.floor(art_px_width * MM_PER_INCH / limit * 10) / 10
    allowed = math.floor(art_px_width * MM_PER_INCH / resolution_stop_ppi * 10) / 10
    return (
        Finding(
            code="low-resolution",
            severity="stop" if stop else "warn",
            message=f"The bitmap has {ppi:.0f} ppi at {width_mm:.0f} mm wide; this art wants {limit:.0f} ppi, "
            f"and below {resolution_stop_ppi:.0f} ppi the print looks broken. It is sharp up to {largest:.1f} mm "
            f"and passable up to {allowed:.1f} mm.",
            remedy=f"width_mm = {allowed if stop else largest:.1f}",
            measured=round(ppi, 1),
            limit=resolution_stop_ppi if stop else limit,
        ),
    )


def nothing_to_print(ink_mm2: float) -> tuple[Finding, ...]:
    """Return `nothing-to-print` when the drawing has no ink at all."""
    if ink_mm2 > 0:
        return ()
    return (
        Finding(
            code="nothing-to-print",
            severity="stop",
            message="The drawing has no ink inside its box: nothing would be printed.",
            remedy="Check `only`, `omit` and the drawing area (viewBox) of the art, or send the art again.",
            measured=0.0,
            limit=0.0,
        ),
    )


def knocked_out(ink_before_mm2: float, ink_after_mm2: float) -> tuple[Finding, ...]:
    """Return `all-knocked-out` when there was ink and none is left."""
    if ink_before_mm2 <= 0 or ink_after_mm2 > 0:
        return ()
    return (
        Finding(
            code="all-knocked-out",
            severity="stop",
            message=f"All {ink_before_mm2:.0f} mm² of the design have this fabric's colour: nothing is left to print.",
            remedy='knock_out = "none"',
            measured=0.0,
            limit=0.0,
        ),
    )
