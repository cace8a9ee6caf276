"""Where raster art has the fabric's colour, and how its edges run: the sure-out areas and the mode."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.art.paint import Rgb
from pipeline.raster import Pixels, Plane
from pipeline.raster_ops import Floats, Mask, SrgbColour, bands, grow, window_min, within_de
from pipeline.stages.knockout.noise import through_noise
from pipeline.stages.knockout.values import KnockOutSettings, Mode

SOFT_EDGE_PX = 4.0
"""Transitions wider than this are shadows and glows, not edges."""
_SOFT_RIM = 0.3
_STROKE_PX = 3
_THIN_ALPHA = 48


def backings(cloth_srgb: SrgbColour, settings: KnockOutSettings) -> Floats:
    """Return the colours to remove, in levels 0–255, shape (n, 3): the cloth first, then `shows_fabric`."""
    cloth = [255.0 * value for value in cloth_srgb]
    return np.array([cloth, *[[float(v) for v in colour] for colour in settings.shows_fabric]], np.float64)


def sure_out(pixels: Pixels, cloth_srgb: SrgbColour, settings: KnockOutSettings) -> Plane:
    """Return per pixel 1 + the index of the backing that is removed there wholly, 0 where ink may stay.

    Patches smaller than the smallest hole and mixtures of two neighbours that merely pass through the fabric's
    colour are part of the picture and stay.
    """
    backs, limits = _wanted(cloth_srgb, settings)
    labels = within_de(pixels, backs, limits)
    if not labels.any():
        return labels
    if settings.lossy:
        labels = through_noise(pixels, labels, backs, limits)
    labels = _without_strays(pixels, labels, settings.smallest_hole_px)
    return _into_thin_alpha(pixels, labels, backs)


def _wanted(cloth_srgb: SrgbColour, settings: KnockOutSettings) -> tuple[Floats, list[float]]:
    """Return the colours to remove, and the ΔE00 up to which each is."""
    backs = backings(cloth_srgb, settings)
    return backs, [settings.out_de] + [settings.tolerance_de] * (len(backs) - 1)


def absent(pixels: Pixels, settings: KnockOutSettings) -> tuple[Rgb, ...]:
    """Return the colours that are to show the fabric and of which the art has less than the smallest hole."""
    limits = [settings.tolerance_de]
    return tuple(
        colour
        for colour in settings.shows_fabric
        if np.count_nonzero(within_de(pixels, np.array([colour], np.float64), limits))
        < settings.smallest_hole_px
    )


def leaves_all(colours: NDArray[np.uint8], cloth_srgb: SrgbColour, settings: KnockOutSettings) -> bool:
    """Say whether the knock-out surely changes nothing in art that has these colours alone, opaque RGBA (n, 4)."""
    return settings.forced != "ramp" and not within_de(colours[None], *_wanted(cloth_srgb, settings)).any()


def _without_strays(pixels: Pixels, labels: Plane, smallest: int) -> Plane:
    from scipy import ndimage

    parts, count = ndimage.label(labels > 0, structure=np.ones((3, 3), np.int8))
    sizes = np.zeros(count + 1, np.int64)
    for rows in bands(len(parts)):
        sizes += np.bincount(parts[rows].reshape(-1), minlength=count + 1)
    small: NDArray[np.bool_] = sizes < smallest
    # Counters of small lettering lie a stroke away from the open cloth; strays in a photograph lie anywhere.
    _mark(small, parts, grow((labels > 0) & ~_by_part(small, parts), _STROKE_PX), value=False)
    thick = np.zeros(count + 1, np.bool_)
    _mark(thick, parts, _in_block(labels > 0), value=True)
    doubtful = ~small & ~thick
    doubtful[0] = False
    at = np.flatnonzero(_by_part(doubtful, parts).reshape(-1))
    if at.size:
        passing = _passes_through(pixels, at)
        part = parts.reshape(-1)[at]
        share = np.bincount(part, passing, minlength=count + 1) / np.maximum(sizes, 1)
        small |= doubtful & (share > 0.5)
    small[0] = False
    return np.where(_by_part(small, parts), np.uint8(0), labels)


def _by_part(of_part: NDArray[np.bool_], parts: NDArray[np.integer]) -> Mask:
    """Return per pixel what holds for its part; in bands, for an index takes 8 bytes a pixel while it is looked up."""
    out = np.empty(parts.shape, np.bool_)
    for rows in bands(len(parts)):
        out[rows] = of_part[parts[rows]]
    return out


def _mark(of_part: NDArray[np.bool_], parts: NDArray[np.integer], where: Mask, *, value: bool) -> None:
    """Set the value of all parts that have a pixel in `where`."""
    for rows in bands(len(parts)):
        of_part[parts[rows][where[rows]]] = value


def _in_block(mask: Mask) -> Mask:
    """Upper left pixels of 2 × 2 blocks that lie wholly in the mask."""
    out = np.zeros_like(mask)
    out[:-1, :-1] = mask[:-1, :-1] & mask[1:, :-1] & mask[:-1, 1:] & mask[1:, 1:]
    return out


def _passes_through(pixels: Pixels, at: NDArray[np.int64]) -> Mask:
    """Which pixels (flat index) lie between two opposite neighbours' colours, as antialiasing makes them."""
    height, width = pixels.shape[:2]
    y, x = at // width, at % width
    here = pixels.reshape(-1, 4)[at, :3].astype(np.float64)
    found = np.zeros(at.size, np.bool_)
    for dy, dx in ((0, 1), (1, 0), (1, 1), (1, -1)):
        for reach in (1, 2):
            ends = []
            for sign in (reach, -reach):
                yy = np.clip(y + sign * dy, 0, height - 1)
                xx = np.clip(x + sign * dx, 0, width - 1)
                ends.append(pixels[yy, xx, :3].astype(np.float64))
            span = ends[1] - ends[0]
            from_end = here - ends[0]
            length2 = np.sum(span * span, axis=1)
            t = np.sum(from_end * span, axis=1) / np.maximum(length2, 1.0)
            off = from_end - t[:, None] * span
            found |= (length2 > 60.0**2) & (t > 0.1) & (t < 0.9) & (np.sum(off * off, axis=1) < 12.0**2)
    return found


def _into_thin_alpha(pixels: Pixels, labels: Plane, backs: Floats) -> Plane:
    """Let sure-out run on into thin alpha, whose stored colour is rounding noise: what it adds is below 1.5 levels."""
    alpha = pixels[..., 3]
    thin = (alpha > 0) & (alpha < _THIN_ALPHA) & (labels == 0)
    at = np.flatnonzero((thin & grow(labels > 0, 3)).reshape(-1))
    if not at.size:
        return labels
    rows = pixels.reshape(-1, 4)[at]
    share = rows[:, 3:].astype(np.float64) / 255.0
    out = labels.copy()
    for which in range(len(backs) - 1, -1, -1):
        weak = np.max(np.abs(rows[:, :3] - backs[which]) * share, axis=1) <= 1.5
        out.reshape(-1)[at[weak]] = which + 1
    return out


def choose_mode(
    pixels: Pixels, cloth_srgb: SrgbColour, settings: KnockOutSettings, labels: Plane | None = None
) -> Mode:
    """Return "ramp" where the art runs into the fabric over a wide transition, else "edges".

    The width is the area of colours that are near the fabric's and connected to it, over the length of the outline
    of the sure-out areas. A flat colour near the fabric's is no transition. `labels` are those of `sure_out`, when they
    are at hand.
    """
    if settings.forced is not None:
        return settings.forced
    out = (sure_out(pixels, cloth_srgb, settings) if labels is None else labels) > 0
    if not out.any():
        return "edges"
    return "ramp" if transition_px(pixels, out, cloth_srgb, settings) > SOFT_EDGE_PX else "edges"


def transition_px(pixels: Pixels, out: Mask, cloth_srgb: SrgbColour, settings: KnockOutSettings) -> float:
    """Return the mean width in pixels of the transition beside the sure-out areas `out`."""
    from scipy import ndimage

    backs = backings(cloth_srgb, settings)
    near = (within_de(pixels, backs, [settings.out_de + 12.0] * len(backs)) > 0) & ~out
    if settings.lossy:
        near &= ~grow(out, 2)
    rim = out & (window_min(out.view(np.uint8), 1) == 0) & grow((pixels[..., 3] > 0) & ~out)
    length = int(np.count_nonzero(rim))
    linked, count = ndimage.label(near | out, structure=np.ones((3, 3), np.int8))
    touches = np.zeros(count + 1, np.bool_)
    _mark(touches, linked, out, value=True)
    band = near & _by_part(touches, linked)
    area = int(np.count_nonzero(band))
    if not length or not area:
        return 0.0
    if _is_flat(pixels[band], backs) or not _meets_softly(pixels, out, backs, settings):
        return 0.0
    return area / length


def _meets_softly(pixels: Pixels, out: Mask, backs: Floats, settings: KnockOutSettings) -> bool:
    """Whether much of the outline steps hardly beyond the limit; a dark part of a photograph on dark cloth does not."""
    inside, step_de = (grow(out, 2), 4.0) if settings.lossy else (out, 2.0)
    rim = grow(inside) & ~inside & (pixels[..., 3] > 0)
    beside = within_de(pixels[rim][None], backs, [settings.out_de + step_de] * len(backs))
    return int(np.count_nonzero(beside)) > _SOFT_RIM * int(np.count_nonzero(rim))


def _is_flat(colours: Pixels, backs: Floats) -> bool:
    """Whether most of the colours are one colour, give or take a level: a flat area, no transition."""
    apart = colours[:, :3].astype(np.float64) - backs[0]
    level = np.floor(np.sqrt(np.sum(apart * apart, axis=1))).astype(np.int64)
    counts = np.convolve(np.bincount(level), np.ones(3, np.int64))
    return bool(counts.max() > 0.5 * level.size)


def nearest_backing(colour: Floats, backs: Floats) -> NDArray[np.intp]:
    """Return for each colour (n, 3) the index of the backing nearest in encoded sRGB."""
    if len(backs) == 1:
        return np.zeros(len(colour), np.intp)
    apart = np.stack([np.sum((colour - back) ** 2, axis=1) for back in backs])
    nearest: NDArray[np.intp] = np.argmin(apart, axis=0)
    return nearest
