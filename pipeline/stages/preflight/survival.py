"""Will it survive printing and washing: base under thin lines, dye that migrates."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np

from pipeline.art.paint import Rgb
from pipeline.colour.spaces import lab_of_rgb8
from pipeline.finding import Finding
from pipeline.raster import Pixels
from pipeline.stages.preflight import words
from pipeline.stages.preflight.stations import scanned
from pipeline.stages.preflight.stretches import under
from pipeline.stages.preflight.strips import widths
from pipeline.stages.preflight.thin import Box, separate

BLEEDING = {"red": (10.0, 50.0), "navy": (255.0, 310.0)}
"""Hue angles (CIE Lab) of fabrics whose disperse dyes are known to bleed most; maroon is a dark red.

Common practice, no source.
"""


def base_too_thin(
    pixels: Pixels,
    ppi: float,
    *,
    choke_mm: float,
    base_line_stop_mm: float,
    hairline: str = "base",
    texture: Callable[[Box], bool] | None = None,
) -> tuple[Finding, ...]:
    """Return `base-too-thin` where lines on cloth keep less base than `base_line_stop_mm` after the choke.

    The base loses `choke_mm` on each side of the ink's outline, whatever colours lie within it. `hairline` is the
    shop's policy for what is too thin: "stop" holds the order, anything else says what the press will do. `texture`
    says of a place whether the art is a photograph there, which has no lines.
    """
    limit = base_line_stop_mm + 2 * choke_mm
    measured = widths(scanned(pixels, ink_only=True), ppi, limit)
    strips = [s for s in under(measured, ppi, limit) if not s.gap and not (texture and texture(s.box_mm))]
    if not strips:
        return ()
    thinnest = strips[0]
    left = max(thinnest.width_mm - 2 * choke_mm, 0.0)
    policy = {"base": "It gets a hairline base without choke.", "none": "It is printed without a base."}
    stop = hairline == "stop"
    places = separate(strips)
    return (
        Finding(
            code="base-too-thin",
            severity="stop" if stop else "warn",
            message=f"A line {words.mm(thinnest.width_mm)} wide, {words.place(thinnest.box_mm)}, keeps "
            f"{words.mm(left)} of base after a choke of {words.mm(choke_mm)} on each side"
            f"{f', as do {places - 1} more' if places > 1 else ''}. "
            + ("The shop does not print such lines." if stop else policy.get(hairline, policy["base"])),
            remedy=words.accept("base-too-thin"),
            measured=round(left, 3),
            limit=base_line_stop_mm,
            where_mm=thinnest.box_mm,
        ),
    )


def dye_migration(
    fibres: Mapping[str, float],
    cure_c: float | None,
    fabric_rgb: Rgb,
    *,
    dye_migration_polyester_percent: float,
    dye_migration_cure_c: float,
    coated: bool = False,
) -> tuple[Finding, ...]:
    """Return `dye-migration` for fabrics whose dye may rise into the print at the heat of the cure.

    `fibres` are percent by name; `cure_c` in °C, None when the shop has not set it, which counts as hot.
    Nylon and coated cloth are asked about whatever the share.
    """
    found: list[Finding] = []
    polyester = float(fibres.get("polyester", 0.0))
    hot = cure_c is None or cure_c >= dye_migration_cure_c
    heat = "the cure is not set, which counts as hot" if cure_c is None else f"the cure is at {cure_c:.0f} °C"
    if polyester >= dye_migration_polyester_percent and hot:
        family = _bleeds(fabric_rgb)
        more = (
            f" This is a {family} fabric, the kind that bleeds worst: test it before the run."
            if family
            else ""
        )
        found.append(
            Finding(
                code="dye-migration",
                severity="warn",
                message=f"The fabric is {polyester:.0f} % polyester and {heat}: "
                f"its dye may rise into the print and stain it.{more} Cure cooler, use a blocking base, and print a "
                "strike-off; look at it again the next day.",
                remedy=words.accept("dye-migration"),
                measured=round(polyester, 1),
                limit=dye_migration_polyester_percent,
            )
        )
    if fibres.get("nylon", 0) > 0 or coated:
        what = "coated" if coated else "nylon"
        found.append(
            Finding(
                code="dye-migration",
                severity="warn",
                message=f"The fabric is {what}: ask the ink's and the fabric's maker whether this ink holds on it "
                "and what heat it bears. Print a strike-off and wash it before the run.",
                remedy=words.accept("dye-migration"),
                measured=what,
            )
        )
    return tuple(found)


def _bleeds(fabric: Rgb) -> str | None:
    """Return "red", "maroon" or "navy" when the fabric is one, by hue, chroma and lightness in CIE Lab."""
    L, a, b = lab_of_rgb8(fabric).tolist()
    chroma, hue = float(np.hypot(a, b)), float(np.degrees(np.arctan2(b, a)) % 360)
    low, high = BLEEDING["red"]
    if chroma >= 20 and (low <= hue <= high or hue >= 345) and L < 60:
        return "maroon" if L < 32 else "red"
    low, high = BLEEDING["navy"]
    return "navy" if chroma >= 8 and low <= hue <= high and L < 30 else None
