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
from pipeline.raster_bleed import BLED_PX, unbled
from pipeline.raster_lossy import bled, strokes, through_noise, where_chroma_bleeds
from pipeline.raster_mix import unmix_edges
from pipeline.raster_ops import Floats, Index, Mask, SrgbColour, disc, grow, window_max, window_min, within_de

_NEAR_PX = 24
"""A stroke without a core counts as one of the old colour's only so near to other pixels of it."""
_BESIDE_PX = 4
_MISFIT = 6.0
_OTHER_DE = 8.0
_STROKE_DE = 6.0
"""How far the middle of strokes in lossy art may be from their colour."""
_ENOUGH, _MOSTLY, _OFF_LINE = 0.14, 0.7, 40.0
"""So much of what holds mostly a colour must be that near it; what is so many levels off the line has none of it."""
_BEYOND, _FEW_BEYOND = 1.25, 0.3
_SURFACE_DE, _BESIDE_SURFACE_PX = 12.0, 8
_GROUND_SHARE = 0.1
_USUAL_NOISE = 0.04
"""Block noise of usual JPEG files, of the difference across an edge."""


@dataclass(frozen=True, slots=True)
class Unmatched:
    """A colour that was to be swapped, or to show the fabric, and is not there, with the nearest that are."""

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


def swap_pixels(
    pixels: Pixels, swaps: Sequence[tuple[Rgb, Rgb]], tolerance: float = 2.0, *, lossy: bool = False
) -> Recoloured:
    """Swap colours of raster art (H, W, 4): whole pixels, and the share that edge pixels hold of the old colour.

    `swaps` are pairs (from, to); a colour belongs to the nearest `from` within `tolerance` (ΔE00). All swaps read the
    original, so that their order does not matter. A pixel moves by the sum of share · (to − from) over the swaps.
    In `lossy` art (JPEG) the shares are those of lightness, and chroma moves as far as it has bled; where no surface
    has the colour, but strokes may, the art is taken with its chroma restored (`unbled`) around its grounds. Alpha
    stays.
    """
    swaps = sorted(set(swaps))  # sums of fractions come out alike in any order of the manifest
    olds = [old for old, _ in swaps]
    strokes_only = lossy and bool(_surfaceless(pixels, olds, tolerance))
    grounds = _grounds(pixels, olds) if strokes_only else np.zeros((0, 3))
    art = unbled(pixels, grounds)
    owner = _owners(art, olds, tolerance, grounds, lossy=lossy)
    flat = art.reshape(-1, 4)
    missing: list[Rgb] = []
    shift = np.zeros((0, 3))
    where = np.zeros(0, np.int64)
    for which, (old, new) in enumerate(swaps):
        if not (owner == which + 1).any():
            missing.append(old)
            continue
        colour = np.array(old, np.float64)
        step = np.array(new, np.float64) - colour
        move = _lossy_moves if lossy else _moves
        at, moved = move(art, owner, which + 1, colour, step)
        where = np.concatenate([where, at])
        shift = np.concatenate([shift, moved])
    out = np.array(flat, order="C")
    if art is not pixels:
        moves = np.zeros(pixels.shape[:2], np.bool_)
        moves.reshape(-1)[where] = True
        beyond = ~grow(moves, BLED_PX).reshape(-1)
        out[beyond] = pixels.reshape(-1, 4)[beyond]
    if where.size:
        at, which_at = np.unique(where, return_inverse=True)
        for i in range(3):
            total = np.bincount(which_at, shift[:, i], minlength=at.size)
            out[at, i] = np.floor(np.clip(flat[at, i] + total, 0.0, 255.0) + 0.5)
    return Recoloured(out.reshape(pixels.shape), unmatched(pixels, missing))


def _moves(pixels: Pixels, owner: Plane, which: int, old: Floats, step: Floats) -> tuple[Index, Floats]:
    """Return the pixels (flat index) that hold something of the old colour, and by how much each moves, (n, 3)."""
    area: Mask = owner == which
    core = np.flatnonzero(area.reshape(-1))
    ring = unmix_edges(pixels, area, old)
    part = np.where(ring.settled, 1.0 - ring.share, 0.0)
    strokes, stroke_part = _coreless(pixels, owner, which, ring.at, old)
    held = np.concatenate([np.ones(core.size), part, stroke_part])
    return np.concatenate([core, ring.at, strokes]), held[:, None] * step


def _lossy_moves(pixels: Pixels, owner: Plane, which: int, old: Floats, step: Floats) -> tuple[Index, Floats]:
    """Return what `_moves` returns, for art whose colours carry block noise and whose chroma has bled."""
    area: Mask = owner == which
    share = np.where(area, np.uint8(255), np.uint8(0))
    ring = unmix_edges(pixels, area, old, noise=_USUAL_NOISE, bled=True)
    share.reshape(-1)[ring.at] = np.where(ring.settled, np.floor((1.0 - ring.share) * 255.0 + 0.5), 0.0)
    at, part = strokes(pixels, area, old, _other_flats(pixels, old))
    free = (share == 0) & (owner == 0)
    free.reshape(-1)[ring.at] = False
    new = free.reshape(-1)[at]
    share.reshape(-1)[at[new]] = np.floor(part[new] * 255.0 + 0.5)
    soft = where_chroma_bleeds(share)
    light = float(0.299 * step[0] + 0.587 * step[1] + 0.114 * step[2])
    bleeding = bled(share, soft, pixels, old)
    held = share.reshape(-1) > 0
    held[soft] = True
    at = np.flatnonzero(held)
    by_light = share.reshape(-1)[at] / 255.0
    by_chroma = by_light.copy()
    by_chroma[np.searchsorted(at, soft)] = bleeding
    return at, by_light[:, None] * light + by_chroma[:, None] * (step - light)


def _grounds(pixels: Pixels, olds: Sequence[Rgb]) -> Floats:
    """Return the main colours (n, 3) of much of flat art that are none of the old ones."""
    palette = flat_palette(pixels)
    mains = [] if palette is None else main_colours_of(pixels, palette)
    large = [colour.rgb for colour in mains if colour.share >= _GROUND_SHARE]
    apart = [delta_e_00(_labs(olds), _labs([colour])[0]).min() for colour in large]
    grounds = [colour for colour, de in zip(large, apart, strict=True) if de > _OTHER_DE]
    return np.array(grounds, np.float64).reshape(-1, 3)


def _other_flats(pixels: Pixels, old: Floats) -> Floats:
    """Return the main colours of flat art (n, 3) other than the old one; none of photographs."""
    palette = flat_palette(pixels)
    mains = [] if palette is None else [colour.rgb for colour in main_colours_of(pixels, palette)]
    flats = np.array(mains, np.float64).reshape(-1, 3)
    return flats[delta_e_00(srgb_to_lab(flats / 255.0), srgb_to_lab(old / 255.0)) > _OTHER_DE]


def _owners(pixels: Pixels, olds: list[Rgb], tolerance: float, grounds: Floats, *, lossy: bool) -> Plane:
    colours, limits = np.array(olds, np.float64).reshape(-1, 3), [tolerance] * len(olds)
    found = within_de(pixels, colours, limits, nearest=True)
    if lossy and len(grounds):
        found = _with_strokes(pixels, found, colours, grounds[0])
    return through_noise(pixels, found, colours, limits, nearest=True) if lossy else found


def _surfaceless(pixels: Pixels, olds: list[Rgb], tolerance: float) -> list[Rgb]:
    """Return the colours that no surface of the art has."""
    flat = _flat(pixels)
    return [
        old
        for old in olds
        if not (flat & (within_de(pixels, np.array([old], np.float64), [tolerance]) > 0)).any()
    ]


def _with_strokes(pixels: Pixels, found: Plane, colours: Floats, ground: Floats) -> Plane:
    """Return the owners with what is about the colour of one that has none: no stroke may hold it exactly.

    Much of what is mostly that colour, along the line from the `ground`, must be so near it, and little lie beyond:
    else it is another. So is what lies beside a surface of nearly the colour.
    """
    out, flat = found.copy(), _flat(pixels)
    seen = pixels[..., :3] - ground
    for n, colour in enumerate(colours):
        if (found == n + 1).any():
            continue
        close, nearly = (within_de(pixels, colour[None], [limit]) > 0 for limit in (_STROKE_DE, _SURFACE_DE))
        near = close & ~grow(flat & nearly, _BESIDE_SURFACE_PX) & (found == 0)
        along, off = _along(seen.reshape(-1, 3), (colour - ground)[None])
        mostly = int(np.count_nonzero((along > _MOSTLY) & (off < _OFF_LINE)))
        beyond = int(np.count_nonzero((along > _BEYOND) & (off < _OFF_LINE)))
        if np.count_nonzero(near) >= _ENOUGH * max(mostly, 1) and beyond <= _FEW_BEYOND * mostly:
            out[near] = n + 1
    return out


def unmatched(pixels: Pixels, missing: Sequence[Rgb]) -> tuple[Unmatched, ...]:
    """Return colours that the art does not have, each with the nearest of its main colours."""
    if not missing:
        return ()
    mains = [colour.rgb for colour in main_colours_of(pixels, flat_palette(pixels))]
    return tuple(Unmatched(colour, nearest_colours(mains, colour)) for colour in missing)


def _coreless(pixels: Pixels, owner: Plane, which: int, known: Index, old: Floats) -> tuple[Index, Floats]:
    """Return pixels (flat index) of strokes that nowhere hold the old colour alone, and its share in them.

    Such a pixel, near others of the old colour, lies between a flat colour beside it and the old one, and not between
    two flat colours beside it.
    """
    height, width = owner.shape
    flat = _flat(pixels) & (pixels[..., 3] > 0)
    doubtful = grow(owner == which, _NEAR_PX) & ~flat & (owner == 0) & (pixels[..., 3] > 0)
    doubtful.reshape(-1)[known] = False
    doubtful[:_BESIDE_PX] = doubtful[height - _BESIDE_PX :] = False
    doubtful[:, :_BESIDE_PX] = doubtful[:, width - _BESIDE_PX :] = False
    at = np.flatnonzero(doubtful.reshape(-1))
    ground = (flat & (owner != which)).reshape(-1)
    rows = pixels.reshape(-1, 4)
    best, share, beside = np.full(at.size, np.inf), np.zeros(at.size), np.zeros((at.size, 3))
    for dy, dx in disc(_BESIDE_PX):
        there = at + dy * width + dx
        hit = np.flatnonzero(ground[there])
        colour = rows[there[hit], :3].astype(np.float64)
        t, off = _along(rows[at[hit], :3] - colour, old - colour)
        price = np.where((t > 0.05) & (t < 1.05) & (off < _MISFIT), off + np.hypot(dy, dx), np.inf)
        won = price < best[hit]
        best[hit[won]], share[hit[won]], beside[hit[won]] = price[won], t[won], colour[won]
    fits = np.isfinite(best)
    for dy, dx in disc(_BESIDE_PX):
        there = at + dy * width + dx
        hit = np.flatnonzero(fits & ground[there])
        span = rows[there[hit], :3] - beside[hit]
        t, off = _along(rows[at[hit], :3] - beside[hit], span)
        fits[hit[(t > 0.01) & (t < 1.02) & (off < _MISFIT)]] = False
    return at[fits], np.minimum(share[fits], 1.0)


def _along(apart: Floats, span: Floats) -> tuple[Floats, Floats]:
    """Return where the foot of each difference lies on its span, 0–1, and how far it is off it."""
    length2 = np.maximum(np.sum(span * span, axis=1), 1.0)
    t = np.sum(apart * span, axis=1) / length2
    off = apart - t[:, None] * span
    return t, np.sqrt(np.sum(off * off, axis=1))


def _flat(pixels: Pixels) -> Mask:
    """Which pixels lie in a 3 × 3 block of one colour, give or take two levels."""
    spread = np.zeros(pixels.shape[:2], np.uint8)
    for i in range(3):
        channel = np.ascontiguousarray(pixels[..., i])
        spread = np.maximum(spread, window_max(channel, 1) - window_min(channel, 1))
    return grow(spread <= 2)
