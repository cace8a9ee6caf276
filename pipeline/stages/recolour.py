"""Recolour: change one colour of the art into another, on one colourway alone, without a trace of the old one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.art.paint import Rgb
from pipeline.colour.difference import delta_e_00
from pipeline.colour.palette import flat_palette, main_colours_of
from pipeline.colour.spaces import lab_of_rgb8, srgb_to_lab
from pipeline.raster import Pixels, Plane
from pipeline.raster_mix import unmix_edges
from pipeline.raster_ops import Floats, Mask, SrgbColour, within_de


@dataclass(frozen=True, slots=True)
class Unmatched:
    """A colour that was to be swapped and that the art does not have, with the nearest that it has."""

    colour: Rgb
    nearest: tuple[Rgb, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Recoloured:
    """The art after the swaps, and which swaps found nothing."""

    pixels: Pixels
    unmatched: tuple[Unmatched, ...]


def match_paints(paints: Sequence[Rgb], colour_srgb: SrgbColour, tolerance_de: float) -> tuple[Rgb, ...]:
    """Return the paints within `tolerance_de` (ΔE00) of the colour (encoded 0–1), in the order given."""
    if not paints:
        return ()
    apart = delta_e_00(_labs(paints), srgb_to_lab(np.array(colour_srgb, np.float64)))
    return tuple(paint for paint, de in zip(paints, apart.tolist(), strict=True) if de <= tolerance_de)


def nearest_colours(colours: Sequence[Rgb], target: Rgb, n: int = 3) -> tuple[Rgb, ...]:
    """Return the `n` colours nearest the target by ΔE00, the nearest first; the same whatever their order."""
    if not colours:
        return ()
    apart = delta_e_00(_labs(colours), _labs([target])[0]).tolist()
    ranked = sorted(set(zip(apart, colours, strict=True)))
    return tuple(colour for _, colour in ranked[:n])


def _labs(colours: Sequence[Rgb]) -> Floats:
    return lab_of_rgb8(np.array(colours, np.uint8).reshape(-1, 3))


def swap_pixels(pixels: Pixels, swaps: Sequence[tuple[Rgb, Rgb]], tolerance: float = 2.0) -> Recoloured:
    """Swap colours of raster art (H, W, 4): whole pixels, and the share that edge pixels hold of the old colour.

    `swaps` are pairs (from, to); a colour belongs to the nearest `from` within `tolerance` (ΔE00). All swaps read the
    original, so that their order does not matter. A pixel moves by the sum of share · (to − from) over the swaps.
    Alpha stays.
    """
    swaps = sorted(set(swaps))  # sums of fractions come out alike in any order of the manifest
    owner = _owners(pixels, [old for old, _ in swaps], tolerance)
    flat = pixels.reshape(-1, 4)
    missing: list[Rgb] = []
    shift = np.zeros((0, 3))
    where = np.zeros(0, np.int64)
    for which, (old, new) in enumerate(swaps):
        area: Mask = owner == which + 1
        if not area.any():
            missing.append(old)
            continue
        step = np.array(new, np.float64) - np.array(old, np.float64)
        core = np.flatnonzero(area.reshape(-1))
        ring = unmix_edges(pixels, area, np.array(old, np.float64))
        part = np.where(ring.settled, 1.0 - ring.share, 0.0)
        where = np.concatenate([where, core, ring.at])
        shift = np.concatenate([shift, np.broadcast_to(step, (core.size, 3)), part[:, None] * step])
    out = np.array(flat, order="C")
    if where.size:
        at, which_at = np.unique(where, return_inverse=True)
        for i in range(3):
            total = np.bincount(which_at, shift[:, i], minlength=at.size)
            out[at, i] = np.floor(np.clip(flat[at, i] + total, 0.0, 255.0) + 0.5)
    return Recoloured(out.reshape(pixels.shape), _unmatched(pixels, missing))


def _owners(pixels: Pixels, olds: list[Rgb], tolerance: float) -> Plane:
    return within_de(pixels, np.array(olds, np.float64).reshape(-1, 3), [tolerance] * len(olds), nearest=True)


def _unmatched(pixels: Pixels, missing: list[Rgb]) -> tuple[Unmatched, ...]:
    if not missing:
        return ()
    mains = [colour.rgb for colour in main_colours_of(pixels, flat_palette(pixels))]
    return tuple(Unmatched(colour, nearest_colours(mains, colour)) for colour in missing)
