"""Where the base lies: the colours' alpha, pulled in from its outline, without base under near-black ink."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, TypeAlias

import numpy as np
from numpy.typing import NDArray

from pipeline.colour.spaces import LINEAR_OF_8BIT
from pipeline.raster import MM_PER_INCH, Pixels, Plane
from pipeline.raster_ops import Floats, Index, Mask, disc, grow, packed, window_max
from pipeline.stages.base.choke import FAR, Depths, depths

Hairlines: TypeAlias = Literal["base", "none", "stop"]

BLACK_L = 12.0
"""Under ink darker than this L* no base is needed (common practice, no source)."""
HAIRLINE_MM = 0.10
"""The least width of base that a feature keeps where the choke would leave none."""
TIP_MM = 1.0
"""What is thin for so long, or for three times its width, is a stroke and no tip."""


@dataclass(frozen=True, slots=True)
class Hairline:
    """A feature thinner than twice the choke: its box in pixels and its greatest width."""

    x: int
    y: int
    width: int
    height: int
    thickness_px: float


@dataclass(frozen=True, slots=True, eq=False)
class Base:
    """The base plane (H, W), 255 is full white, and the features that the choke would have left without base."""

    plane: Plane
    hairlines: tuple[Hairline, ...]


def base_plane(
    pixels: Pixels,
    ppi: float,
    choke_mm: float,
    strength: float,
    hairline: Hairlines,
    black_tuck_mm: float = 0.15,
    *,
    under_black: bool = False,
) -> Base:
    """Return the base for `pixels` (H, W, 4): their alpha, pulled in by `choke_mm`, times `strength` 0–1.

    It never lies outside the colour. Features thinner than twice the choke keep a thin base with `hairline` "base",
    none otherwise; they are listed either way. Under near-black ink there is none but for a tuck under the edge to
    other ink, unless `under_black`. Raises ValueError for a negative choke or tuck or a strength outside 0–1.
    """
    if choke_mm < 0 or black_tuck_mm < 0 or not 0.0 <= strength <= 1.0:
        raise ValueError("choke and tuck must be 0 or more, strength 0 to 1")
    alpha = np.ascontiguousarray(pixels[..., 3])
    if strength == 0.0:
        return Base(np.zeros_like(alpha), ())
    black = np.zeros(alpha.shape, np.bool_) if under_black else _near_black(pixels)
    choke = choke_mm * ppi / MM_PER_INCH
    plane, thin = _choked(alpha, black, choke, HAIRLINE_MM * ppi / MM_PER_INCH, keep_thin=hairline == "base")
    if black.any():
        # The rim where black ends at the cloth holds traces of what lies beneath; that is no other ink.
        other = (alpha > 0) & ~black & ~grow(alpha < 128)
        _clear_black(plane, other, black, black_tuck_mm * ppi / MM_PER_INCH)
    if strength < 1.0:
        plane = np.floor(np.arange(256) * strength + 0.5).astype(np.uint8)[plane]
    return Base(plane, thin)


def _choked(
    alpha: Plane, black: Mask, choke: float, hairline_px: float, *, keep_thin: bool
) -> tuple[Plane, tuple[Hairline, ...]]:
    if choke == 0.0 or not alpha.any():
        return alpha.copy(), ()
    found = depths(alpha, choke)
    thin = _thin(found, choke)
    out = found.plane.copy()
    out.reshape(-1)[found.at] = _cover(found, found.at, choke)
    lists: tuple[Hairline, ...] = ()
    thin = thin[~np.pad(black, found.margin).reshape(-1)[thin]]  # black needs no base, however thin
    if thin.size:
        half = _half_width(found, thin, choke)
        lists, stroke = _hairlines(found, thin, half, choke, TIP_MM / HAIRLINE_MM * hairline_px)
        if keep_thin:
            thin, half = thin[stroke], half[stroke]
            inset = np.clip(half - hairline_px / 2.0, 0.0, choke)
            kept = _cover(found, thin, inset)
            out.reshape(-1)[thin] = np.maximum(out.reshape(-1)[thin], kept)
    m = found.margin
    return np.ascontiguousarray(out[m : m + alpha.shape[0], m : m + alpha.shape[1]]), lists


def _cover(found: Depths, at: Index, choke: float | Floats) -> NDArray[np.uint8]:
    """Return the coverage left at `at` after a choke: an edge one pixel wide, never more than there was."""
    flat = found.plane.reshape(-1)
    part = np.clip(found.lookup[at].astype(np.float64) - choke + 0.5, 0.0, 1.0)
    return np.minimum(flat[at], np.floor(part * 255.0 + 0.5)).astype(np.uint8)


def _thin(found: Depths, choke: float) -> Index:
    """Return the pixels that no disc of the choke's radius inside the outline covers, with half a pixel to spare."""
    lookup, width = found.lookup, found.width
    stays = (lookup >= choke) & (found.plane.reshape(-1) > 0)
    lost = found.at[(found.depth > 0) & (found.depth < choke)]
    reach = choke + 1.2
    near = window_max(stays.view(np.uint8).reshape(found.plane.shape), int(reach / np.sqrt(2.0))).reshape(-1)
    lost = lost[near[lost] == 0]
    for dy, dx in disc(reach):
        if not lost.size:
            break
        lost = lost[~stays[lost + (dy * width + dx)]]
    return np.asarray(lost)


def _half_width(found: Depths, thin: Index, choke: float) -> Floats:
    """Return half the width of the thin feature that each pixel belongs to."""
    field = np.zeros(found.lookup.size, np.float32)
    field[thin] = _ridge(found, thin)
    half = field[thin].astype(np.float64)
    for dy, dx in disc(choke + 0.5):
        half = np.maximum(half, field[thin + (dy * found.width + dx)])
    return half


def _ridge(found: Depths, thin: Index) -> Floats:
    """Return the depth of the middle of the feature as seen from each pixel: between it and a neighbour that counts
    its depth from the other side."""
    depth = np.maximum(np.where(found.lookup[thin] < FAR, found.lookup[thin], 0.0), 0.0).astype(np.float64)
    most = depth.copy()
    nx, ny = found.normal[found.nearest[thin] - 1].T
    for dy, dx in disc(1.5):
        there = thin + (dy * found.width + dx)
        other = found.normal[found.nearest[there] - 1]
        facing = (nx * other[:, 0] + ny * other[:, 1] < -0.5) & (found.nearest[there] > 0)
        between = np.maximum(nx * dx + ny * dy, 0.0)
        middle = (depth + found.lookup[there] + between) / 2.0
        use = facing & (between > 0.3) & (found.lookup[there] < FAR)
        most = np.where(use, np.maximum(most, middle), most)
    return most


def _hairlines(
    found: Depths, thin: Index, half: Floats, choke: float, longest_tip: float
) -> tuple[tuple[Hairline, ...], NDArray[np.bool_]]:
    """Gather thin pixels into features; return them, and which thin pixels belong to a stroke and not to a tip.

    Corners and tips hang on something thick at one place and are short: they need no base and don't count. A short
    piece between two thick places needs its base and is not worth a line in the list.
    """
    from scipy import ndimage

    y, x = thin // found.width, thin % found.width
    top, left = int(y.min()), int(x.min())
    every = np.ones((3, 3), np.int8)
    mask = np.zeros((int(y.max()) - top + 1, int(x.max()) - left + 1), np.bool_)
    mask[y - top, x - left] = True
    parts, count = ndimage.label(mask, structure=every)
    part_of = parts[y - top, x - left]
    widest = np.zeros(count + 1)
    np.maximum.at(widest, part_of, 2.0 * half)
    mask[y - top, x - left] = _beside_thick(found, thin)
    contacts, contact_count = ndimage.label(mask, structure=every)
    hold = np.zeros(contact_count + 1, np.int64)
    hold[contacts] = parts
    holds = np.bincount(hold[1:], minlength=count + 1)
    stroke = holds >= 2
    out = []
    for part, box in enumerate(ndimage.find_objects(parts), start=1):
        high, wide = box[0].stop - box[0].start, box[1].stop - box[1].start
        if not holds[part] or np.hypot(high, wide) >= min(3.0 * max(widest[part], choke), longest_tip):
            place = (box[1].start + left - found.margin, box[0].start + top - found.margin)
            out.append(Hairline(*place, wide, high, float(widest[part])))
            stroke[part] = True
    return tuple(out), stroke[part_of]


def _beside_thick(found: Depths, thin: Index) -> NDArray[np.bool_]:
    """Which thin pixels touch one inside the outline that is not thin."""
    thick = (found.lookup > 0) & (found.plane.reshape(-1) > 0)
    thick[thin] = False
    beside = np.zeros(thin.size, np.bool_)
    for dy, dx in disc(1.5):
        beside |= thick[thin + (dy * found.width + dx)]
    return beside


def _near_black(pixels: Pixels) -> Mask:
    """Which inked pixels are darker than the black limit."""
    words = packed(pixels)
    bits = np.array([128, 128, 128, 0], np.uint8).view(np.uint32)[0]
    dark = (words & bits == 0) & (pixels[..., 3] > 0)  # any channel of 128 alone is lighter than the limit
    at = np.flatnonzero(dark.reshape(-1))
    rows = pixels.reshape(-1, 4)[at]
    limit = ((BLACK_L + 16.0) / 116.0) ** 3  # CIE L*, above the linear part
    light = np.zeros(at.size)
    for i, weight in enumerate((0.2126, 0.7152, 0.0722)):
        light = light + (weight * LINEAR_OF_8BIT)[rows[:, i]]
    dark.reshape(-1)[at] = light < limit
    return np.asarray(dark)


def _clear_black(plane: Plane, other: Mask, black: Mask, tuck: float) -> None:
    """Take the base away under `black`, but for `tuck` pixels from the edge to `other` ink."""
    margin = int(tuck) + 3
    wide = np.pad(black, margin).reshape(-1)
    width = black.shape[1] + 2 * margin
    rim = np.flatnonzero((np.pad(other, margin) & grow(wide.reshape(-1, width))).reshape(-1))
    away = np.full(wide.size, FAR, np.float32)
    for dy, dx in disc(tuck + 1.5):
        there = rim + (dy * width + dx)
        away[there] = np.minimum(away[there], np.float32(np.hypot(dy, dx)))
    near = np.flatnonzero(wide & (away < FAR))
    cover = np.zeros(wide.size, np.uint8)
    # The edge lies half a pixel from the last centre of other ink.
    cover[near] = np.floor(np.clip(tuck - (away[near] - 0.5) + 0.5, 0.0, 1.0) * 255.0 + 0.5)
    inner = cover.reshape(-1, width)[margin:-margin, margin:-margin]
    plane[black] = np.minimum(plane[black], inner[black])
