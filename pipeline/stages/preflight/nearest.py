"""The nearest colour that passes: least ΔE00, hue kept."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from pipeline.art.paint import Rgb
from pipeline.colour.difference import delta_e_00
from pipeline.colour.spaces import lab_of_rgb8, linear_to_srgb, rgb8_of, srgb_to_linear

HUE_DEG = 15.0
"""How far the hue may turn (CIE Lab)."""
PRINTABLE_DE = 2.0
"""A proposed colour prints no further off than this."""
GREY_CHROMA = 6.0
"""Below this chroma a colour has no hue to keep, and must stay below it."""
Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Wanted:
    """What the new colour must keep from the fabric (None: does not touch it), its neighbours and all others.

    `darkest` is the press's darkest reflectance, 0–1: the colour must be one that it prints.
    """

    fabric: Rgb | None
    fabric_de: float
    fabric_dl: float
    neighbours: tuple[Rgb, ...]
    neighbours_de: float
    others: tuple[Rgb, ...] = ()
    others_de: float = 0.0
    darkest: float = 0.0


def nearest(colour: Rgb, wanted: Wanted) -> Rgb | None:
    """Return the 8-bit sRGB colour nearest to `colour` by ΔE00 that passes; None where none of its hue does."""
    lab = lab_of_rgb8(colour)
    rgb, grid = _lattice()
    best = _best(lab, rgb, grid, wanted)
    for spread in (8, 3, 1):
        if best is None:
            return None
        best = _best(lab, *_around(best, spread), wanted) or best
    return best


@lru_cache(maxsize=1)
def _lattice() -> tuple[NDArray[np.int64], Floats]:
    levels = np.append(np.arange(0, 255, 8), 255)
    rgb = np.stack(np.meshgrid(levels, levels, levels, indexing="ij"), axis=-1).reshape(-1, 3)
    return rgb, lab_of_rgb8(rgb)


def _around(middle: Rgb, spread: int) -> tuple[NDArray[np.int64], Floats]:
    offsets = np.arange(-8, 9) * spread // 2
    axes = [np.unique(np.clip(c + offsets, 0, 255)) for c in middle]
    rgb = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, 3)
    return rgb, lab_of_rgb8(rgb)


def _best(colour: Floats, rgb: NDArray[np.int64], lab: Floats, wanted: Wanted) -> Rgb | None:
    """Return the nearest of `rgb` that passes; ties go to the first in their order."""
    at = np.flatnonzero(_same_hue(colour, lab))
    if wanted.fabric is not None:
        fabric = lab_of_rgb8(wanted.fabric)
        at = at[np.abs(lab[at, 0] - fabric[0]) >= wanted.fabric_dl]
        at = at[delta_e_00(lab[at], fabric) >= wanted.fabric_de]
    apart = [(other, wanted.neighbours_de) for other in wanted.neighbours]
    for other, least in (*apart, *((other, wanted.others_de) for other in wanted.others)):
        at = at[delta_e_00(lab[at], lab_of_rgb8(other)) >= least]
    if wanted.darkest > 0:
        at = at[delta_e_00(lab[at], _as_printed(rgb[at], wanted.darkest)) <= PRINTABLE_DE]
    if not at.size:
        return None
    r, g, b = rgb[at[int(np.argmin(delta_e_00(lab[at], colour)))]].tolist()
    return r, g, b


def _as_printed(rgb: NDArray[np.int64], darkest: float) -> Floats:
    linear = np.maximum(srgb_to_linear(rgb / 255), darkest)
    return lab_of_rgb8(rgb8_of(linear_to_srgb(linear)))


def _same_hue(colour: Floats, lab: Floats) -> NDArray[np.bool_]:
    chroma = np.hypot(lab[:, 1], lab[:, 2])
    if np.hypot(colour[1], colour[2]) < GREY_CHROMA:
        return np.asarray(chroma < GREY_CHROMA)
    turn = np.degrees(np.arctan2(lab[:, 2], lab[:, 1]) - np.arctan2(colour[2], colour[1]))
    turn = np.abs((turn + 180) % 360 - 180)
    return np.asarray((turn <= HUE_DEG) & (chroma >= GREY_CHROMA))
