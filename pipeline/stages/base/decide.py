"""Whether a fabric needs a base under the colours."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, TypeAlias

import numpy as np

from pipeline.art.paint import Rgb, hex_of
from pipeline.colour.difference import delta_e_00
from pipeline.colour.spaces import LINEAR_OF_8BIT, lab_of_rgb8, linear_to_srgb, srgb_to_lab, srgb_to_linear
from pipeline.raster_ops import SrgbColour

Route: TypeAlias = Literal["direct", "transfer", "screen"]

BLACK_L = 12.0
"""Under ink darker than this L* no base is needed (common practice, no source)."""
WHITE_L = 95.0
"""A main colour with this L* or more, and hardly any chroma, counts as white (common practice, no source)."""
WHITE_CHROMA = 5.0
WHITE_FABRIC_DE = 3.0


@dataclass(frozen=True, slots=True)
class BaseDecision:
    """How much white lies under the colours, 0–1, and the reason in a sentence for the ticket."""

    strength: float
    why: str


def decide(
    main_colours: Sequence[tuple[Rgb, float]],
    cloth_srgb: SrgbColour,
    fabric_base: Literal["none", "full"] | float | None,
    route: Route,
    limit_de: float = 6.0,
) -> BaseDecision:
    """Decide whether the colours need a base on this fabric.

    `main_colours` are (sRGB, share of the inked area), `cloth_srgb` encoded 0–1, `fabric_base` the fabric's own word.
    Near-black ink has no base under it, and asks for none.
    """
    if route == "transfer":
        return BaseDecision(1.0, "a transfer always has a base: the white carries the adhesive")
    if fabric_base is not None:
        strength = (
            {"none": 0.0, "full": 1.0}.get(fabric_base)
            if isinstance(fabric_base, str)
            else float(fabric_base)
        )
        if strength is None or not 0.0 <= strength <= 1.0:
            raise ValueError(f'the base of a fabric is "none", "full" or 0 to 1, not {fabric_base!r}')
        return BaseDecision(strength, f"the fabric says base {fabric_base}")
    if not main_colours:
        return BaseDecision(0.0, "nothing is printed")
    colours = np.array([rgb for rgb, _ in main_colours], np.uint8)
    lab = lab_of_rgb8(colours)
    light = lab[:, 0] >= BLACK_L
    if not light.any():
        return BaseDecision(0.0, "all ink is near-black, which needs no base")
    colours, lab = colours[light], lab[light]
    cloth = srgb_to_linear(np.array(cloth_srgb, np.float64))
    bare = srgb_to_lab(linear_to_srgb(LINEAR_OF_8BIT[colours] * cloth))
    shift = delta_e_00(bare, lab)
    worst = int(np.argmax(shift))
    if shift[worst] > limit_de:
        red, green, blue = colours[worst].tolist()
        name = hex_of((red, green, blue))
        return BaseDecision(1.0, f"straight on the fabric {name} would shift by ΔE00 {shift[worst]:.1f}")
    white = (lab[:, 0] >= WHITE_L) & (np.hypot(lab[:, 1], lab[:, 2]) <= WHITE_CHROMA)
    away = float(delta_e_00(srgb_to_lab(np.array(cloth_srgb, np.float64)), np.array([100.0, 0.0, 0.0])))
    if white.any() and away > WHITE_FABRIC_DE:
        return BaseDecision(1.0, "the art has white, and the fabric is not white")
    return BaseDecision(0.0, f"every main colour stays within ΔE00 {shift[worst]:.1f} straight on the fabric")
