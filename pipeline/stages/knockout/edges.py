"""Raster art with edges: the fabric's colour goes, and edge pixels keep only their own share of colour."""

from __future__ import annotations

import numpy as np

from pipeline.colour.difference import delta_e_00
from pipeline.colour.spaces import srgb_to_lab
from pipeline.raster import Pixels, Plane
from pipeline.raster_bleed import BLED_PX, unbled
from pipeline.raster_mix import Mixtures, unmix_edges
from pipeline.raster_ops import Floats, Index, Mask, SrgbColour, disc, grow, luma, luma_chroma
from pipeline.stages.knockout.find import backings, sure_out
from pipeline.stages.knockout.noise import noise_share
from pipeline.stages.knockout.ramp import smallest_share
from pipeline.stages.knockout.values import KnockOut, KnockOutSettings

_LEVEL = 0.95
"""A little less than the one 8-bit level that is allowed, for the rounding of who recomposes."""
_DELTA_E = 0.9
_BLOCK_NOISE = 0.15
"""A smaller share than this beside the fabric's colour is block noise in lossy art …"""
_BLOCK_LEVELS = 12.0
"""… unless it is farther than this from the fabric, or leans away from it on the mean of its surroundings."""
_LEANS = 6.0
_AROUND = 2
_ALIKE, _COLOURFUL = 40.0, 30.0
"""Colours that differ by less lightness and more chroma than this, in levels, are told apart by what has bled."""
_MOSTLY = 0.5
_STEPS, _USUAL_STEP = 2.25, 5.0
"""So many steps of the quantiser are a faint difference; the step of JPEGs of quality 85, where it is not known."""
_THIN_PX, _THICK, _SAME_LEVELS = 5.0, 25, 8.0
"""Of 80 pixels around an edge, as many are of a colour's own lightness where it is no stroke or band of few pixels."""


def knock_out_edges(
    pixels: Pixels, cloth_srgb: SrgbColour, settings: KnockOutSettings, labels: Plane | None = None
) -> KnockOut:
    """Knock out the fabric's colour and unmix the edges beside it; all else stays bit for bit.

    `pixels` (H, W, 4) straight sRGB at the art's own resolution, `cloth_srgb` encoded 0–1; `labels` are those of
    `sure_out`, when they are at hand. Lossy art is taken with its chroma restored (`unbled`) within a few pixels of
    what goes and on blurred edges, and bit for bit beyond; on its own fabric it then looks as that does.
    """
    backs = backings(cloth_srgb, settings)
    if labels is None:
        labels = sure_out(pixels, cloth_srgb, settings)
    art = pixels
    if settings.lossy and labels.any():
        art = unbled(pixels, backs)
        labels = sure_out(art, cloth_srgb, settings)
    gone = labels > 0
    out = np.array(art, order="C")
    out[gone] = 0
    rings = []
    for which, back in enumerate(backs):
        area = labels == which + 1
        if area.any():
            noise = noise_share(art, back, settings.tolerance_de) if settings.lossy else None
            ring = unmix_edges(art, area, back, noise=noise)
            if settings.lossy:
                ring = _clear_noise(out, gone, art, ring)
            rings.append(ring)
            _write(out, art, gone, ring, cloth_srgb, stands_for_cloth=which > 0)
    if art is not pixels:
        beyond = ~grow(gone, BLED_PX)
        for ring in rings:
            beyond.reshape(-1)[ring.at] = False
        out[beyond] = pixels[beyond]
    inked = int(np.count_nonzero(pixels[..., 3]))
    lost = int(np.count_nonzero(gone & (pixels[..., 3] > 0)))
    untold = _untold(art, rings, gone, settings.step or _USUAL_STEP) if settings.lossy else 0.0
    share = lost / inked if inked else 0.0
    return KnockOut(out, gone, "edges", share, untold, _pale(rings))


def _pale(rings: list[Mixtures]) -> float:
    """Return the share of the edges that belong to blurred strokes which nowhere come near their colour."""
    edges = sum(ring.at.size for ring in rings)
    return sum(int(np.count_nonzero(ring.pale)) for ring in rings) / edges if edges else 0.0


def _untold(pixels: Pixels, rings: list[Mixtures], gone: Mask, step: float) -> float:
    """Return the share of the edges where colours differ by chroma and hardly by lightness, so that they stay soft.

    So do thin strokes and bands that differ by hardly more than the quantiser's `step`. And a thin dim outline in front
    of a brighter colour: it reads as their edge, at which no second pixel still is mostly fabric, unless the art is
    blurred.
    """
    edges = sum(ring.at.size for ring in rings)
    alike = sum(int(np.count_nonzero(_is_alike(pixels, ring, step))) for ring in rings)
    if not edges:
        return 0.0
    first = [grow(gone).reshape(-1)[ring.at] for ring in rings]
    weak = sum(int(np.count_nonzero(~f & (r.share < _MOSTLY))) for f, r in zip(first, rings, strict=True))
    return min(1.0, alike / edges + weak / max(sum(int(np.count_nonzero(f)) for f in first), 1))


def _is_alike(pixels: Pixels, ring: Mixtures, step: float) -> Mask:
    y, cb, cr = luma_chroma(ring.kept - ring.back).T
    alike: Mask = (np.abs(y) < _ALIKE) & (cb * cb + cr * cr > _COLOURFUL * _COLOURFUL)
    faint = np.flatnonzero((np.abs(y) < _STEPS * step) & ~alike)
    alike[faint] = _is_thin(pixels, ring.at[faint], luma(ring.kept[faint]), np.abs(y[faint]))
    return alike


def _is_thin(pixels: Pixels, at: Index, light: Floats, apart: Floats) -> Mask:
    """Whether few pixels around are about as light as the kept colour, which is `apart` from the fabric's."""
    height, width = pixels.shape[:2]
    limit = np.minimum(_SAME_LEVELS, apart / 2.0)
    count = np.zeros(at.size, np.int64)
    for dy, dx in disc(_THIN_PX):
        y, x = np.clip(at // width + dy, 0, height - 1), np.clip(at % width + dx, 0, width - 1)
        count += np.abs(luma(pixels[y, x, :3]) - light) <= limit
    return np.asarray(count < _THICK)


def _clear_noise(out: Pixels, gone: Mask, pixels: Pixels, ring: Mixtures) -> Mixtures:
    """Let sure-out take the block noise that lies against it; return the ring without it and without own colours.

    Noise swings about the fabric's colour. What leans away from the kept colour all around, a dark outline on a dark
    fabric, is a colour of its own, and stays.
    """
    rows = pixels.reshape(-1, 4)
    apart = np.max(np.abs(rows[ring.at, :3] - ring.back), axis=1)
    weak = (ring.share < _BLOCK_NOISE) & (apart < _BLOCK_LEVELS)
    own = np.zeros(ring.at.size, np.bool_)
    lean = _leaning(pixels, gone, ring.at[weak], ring.back[weak])
    own[weak] = (np.abs(lean) > _LEANS) & (lean * luma(ring.kept[weak] - ring.back[weak]) < 0.0)
    noise = ring.at[weak & ~own]
    gone.reshape(-1)[noise] = True
    out.reshape(-1, 4)[noise] = 0
    return ring.only(~own)


def _leaning(pixels: Pixels, gone: Mask, at: Index, back: Floats) -> Floats:
    """Return the mean difference in lightness (levels) from the backs, around each pixel, of what goes or may go."""
    height, width = gone.shape
    part = gone.copy()
    part.reshape(-1)[at] = True
    total, count = np.zeros(at.size), np.zeros(at.size)
    for dy in range(-_AROUND, _AROUND + 1):
        for dx in range(-_AROUND, _AROUND + 1):
            y, x = np.clip(at // width + dy, 0, height - 1), np.clip(at % width + dx, 0, width - 1)
            total += np.where(part[y, x], luma(pixels[y, x, :3] - back), 0.0)
            count += part[y, x]
    return np.asarray(total / count)


def _write(
    out: Pixels, pixels: Pixels, gone: Mask, ring: Mixtures, cloth: SrgbColour, *, stands_for_cloth: bool
) -> None:
    free = ~gone.reshape(-1)[ring.at]
    at, share, kept, back = ring.at[free], ring.share[free], ring.kept[free], ring.back[free]
    rows = pixels.reshape(-1, 4)[at]
    colour = rows[:, :3].astype(np.float64)
    fabric = np.broadcast_to(np.array(cloth, np.float64) * 255.0, colour.shape)
    # What is to be seen: the art itself, with the cloth in place of the colour that stands for it.
    target = colour + (1.0 - share)[:, None] * (fabric - back) if stands_for_cloth else colour
    least = smallest_share(np.clip(target, 0.0, 255.0), fabric)
    share = np.where(ring.settled[free], share, least)
    alpha = rows[:, 3] / 255.0
    done = np.zeros(at.size, np.bool_)
    result = np.zeros((at.size, 4), np.uint8)
    for exactness, floor in ((0.0, 0.0), (0.5, 0.0), (1.0, 0.0), (1.0, 1.0)):
        todo = np.flatnonzero(~done)
        if not todo.size:
            break
        part = np.maximum(share[todo], floor * least[todo])
        tried = _quantised(target[todo], fabric[todo], kept[todo], alpha[todo], part, exactness)
        result[todo] = tried
        done[todo] = _shows_the_same(tried, target[todo], alpha[todo], fabric[todo])
    left = np.flatnonzero(~done)
    if not stands_for_cloth:
        result[left] = rows[left]
    out.reshape(-1, 4)[at] = result


def _quantised(
    target: Floats, fabric: Floats, kept: Floats, alpha: Floats, share: Floats, exactness: float
) -> Pixels:
    """Return rows of RGBA: coverage α·share, the kept colour moved by `exactness` towards an exact recomposition."""
    whole = np.floor(255.0 * alpha * share + 0.5)
    if exactness == 1.0:
        whole = np.ceil(255.0 * alpha * share - 1e-9)
    part = whole / np.maximum(255.0 * alpha, 1e-9)
    exact = fabric + (target - fabric) / np.maximum(part, 1e-9)[:, None]
    colour = kept + exactness * (exact - kept)
    out = np.zeros((len(target), 4), np.uint8)
    out[:, :3] = np.floor(np.clip(colour, 0.0, 255.0) + 0.5)
    out[:, 3] = whole
    out[whole == 0] = 0
    return out


def _shows_the_same(rows: Pixels, target: Floats, alpha: Floats, fabric: Floats) -> Mask:
    after = rows[:, 3:] / 255.0
    seen = after * rows[:, :3] + (1.0 - after) * fabric
    wanted = alpha[:, None] * target + (1.0 - alpha)[:, None] * fabric
    same: Mask = np.max(np.abs(seen - wanted), axis=1) <= _LEVEL
    left = np.flatnonzero(~same)
    lab_seen = srgb_to_lab(np.clip(seen[left] / 255.0, 0, 1))
    lab_wanted = srgb_to_lab(np.clip(wanted[left] / 255.0, 0, 1))
    same[left] = delta_e_00(lab_seen, lab_wanted) <= _DELTA_E
    return same
