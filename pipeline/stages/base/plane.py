"""Where the base lies: the colours' alpha, pulled in from its outline, without base under near-black ink."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, TypeAlias

import numpy as np
from numpy.typing import NDArray

from pipeline.colour.spaces import LINEAR_OF_8BIT
from pipeline.raster import MM_PER_INCH, Pixels, Plane
from pipeline.raster_ops import Floats, Index, Mask, bands, disc, grow, packed, strips, window_max
from pipeline.raster_runs import Picture, Runs
from pipeline.stages.base.choke import FAR, Depths, depths
from pipeline.stages.base.decide import BLACK_L

Hairlines: TypeAlias = Literal["base", "none", "stop"]

HAIRLINE_MM = 0.10
"""The least width of base that a feature keeps where the choke would leave none."""
TIP_MM = 1.0
"""What is thin for so long, or for three times its width, is a stroke and no tip."""


def base_plane(
    pixels: Picture,
    ppi: float,
    choke_mm: float,
    strength: float,
    hairline: Hairlines,
    black_tuck_mm: float = 0.15,
    *,
    under_black: bool = False,
) -> Plane:
    """Return the base for `pixels` (H, W, 4) or runs: their alpha, pulled in by `choke_mm`, times `strength` 0–1.

    It never lies outside the colour. Features thinner than twice the choke keep a thin base with `hairline` "base",
    none otherwise. Under near-black ink there is none but for a tuck under the edge to
    other ink, unless `under_black`. Raises ValueError for a negative choke or tuck or a strength outside 0–1.
    """
    if choke_mm < 0 or black_tuck_mm < 0 or not 0.0 <= strength <= 1.0:
        raise ValueError("choke and tuck must be 0 or more, strength 0 to 1")
    if strength == 0.0:
        return np.zeros(pixels.shape[:2], np.uint8)
    alpha = _alpha(pixels)
    black = np.zeros(alpha.shape, np.bool_) if under_black else _near_black(pixels)
    choke = choke_mm * ppi / MM_PER_INCH
    plane = _choked(alpha, black, choke, HAIRLINE_MM * ppi / MM_PER_INCH, keep_thin=hairline == "base")
    if black.any():
        _clear_black(plane, alpha, black, black_tuck_mm * ppi / MM_PER_INCH)
    if strength < 1.0:
        plane = np.floor(np.arange(256) * strength + 0.5).astype(np.uint8)[plane]
    return plane


@dataclass(frozen=True, slots=True, eq=False)
class _Thin:
    """Pixels (n,) of features thinner than twice the choke: flat index in the picture's plane padded by one, depth
    inside the outline, half the feature's width, and whether something thick lies beside."""

    at: Index
    depth: Floats
    half: Floats
    beside_thick: NDArray[np.bool_]


def _choked(alpha: Plane, black: Mask, choke: float, hairline_px: float, *, keep_thin: bool) -> Plane:
    out = alpha.copy()
    if choke == 0.0 or not alpha.any():
        return out
    parts = []
    for rows in strips(alpha.shape):
        if not alpha[rows].any():
            continue
        found = depths(alpha, rows, choke)
        chosen = found.at[found.among_own(found.at)]
        left = _cover(found.plane.reshape(-1)[chosen], found.lookup[chosen].astype(np.float64), choke)
        _in_picture(out, found, chosen, rows, left)
        if keep_thin:
            parts.append(_thin(found, rows, black, choke))
    if not parts:
        return out
    thin = _joined(parts)
    if not thin.at.size:
        return out
    stroke = _strokes(thin, alpha.shape[1] + 2, choke, TIP_MM / HAIRLINE_MM * hairline_px)
    y, x = (v[stroke] - 1 for v in np.divmod(thin.at, alpha.shape[1] + 2))
    inset = np.clip(thin.half[stroke] - hairline_px / 2.0, 0.0, choke)
    out[y, x] = np.maximum(out[y, x], _cover(alpha[y, x], thin.depth[stroke], inset))
    return out


def _in_picture(out: Plane, found: Depths, at: Index, rows: slice, values: NDArray[np.uint8]) -> None:
    """Write values at indices of the padded rows to where they belong in the picture."""
    y, x = np.divmod(at - found.own.start, found.width)
    out[rows][y, x - found.margin] = values


def _joined(parts: list[_Thin]) -> _Thin:
    return _Thin(
        np.concatenate([part.at for part in parts]),
        np.concatenate([part.depth for part in parts]),
        np.concatenate([part.half for part in parts]),
        np.concatenate([part.beside_thick for part in parts]),
    )


def _cover(coverage: NDArray[np.uint8], depth: Floats, choke: float | Floats) -> NDArray[np.uint8]:
    """Return the coverage left after a choke: an edge one pixel wide, never more than there was."""
    part = np.clip(depth - choke + 0.5, 0.0, 1.0)
    return np.minimum(coverage, np.floor(part * 255.0 + 0.5)).astype(np.uint8)


def _thin(found: Depths, rows: slice, black: Mask, choke: float) -> _Thin:
    """Return the pixels that no disc of the choke's radius inside the outline covers, with half a pixel to spare.

    Black ones are left out: black needs no base, however thin.
    """
    lookup, width = found.lookup, found.width
    stays = (lookup >= choke) & (found.plane.reshape(-1) > 0)
    depth = lookup[found.at]
    lost = found.at[(depth > 0) & (depth < choke)]
    reach = choke + 1.2
    near = window_max(stays.view(np.uint8).reshape(found.plane.shape), int(reach / np.sqrt(2.0))).reshape(-1)
    lost = lost[near[lost] == 0]
    for dy, dx in disc(reach):
        if not lost.size:
            break
        lost = lost[~stays[lost + (dy * width + dx)]]
    y, x = np.divmod(lost - found.own.start, width)
    y, x = y + rows.start, x - found.margin
    light = ~black[y, x]
    lost, y, x = lost[light], y[light], x[light]
    own = found.among_own(lost)
    half, beside = _half_width(found, lost, choke), _beside_thick(found, lost)
    at = (y + 1) * (black.shape[1] + 2) + x + 1
    return _Thin(at[own], lookup[lost[own]].astype(np.float64), half[own], beside[own])


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


def _strokes(thin: _Thin, width: int, choke: float, longest_tip: float) -> NDArray[np.bool_]:
    """Return which thin pixels belong to a stroke and not to a corner or tip.

    Those hang on something thick at one place and are short: they need no base. A short piece between two thick places
    does.
    """
    part_of = _connected(thin.at, width)
    count = int(part_of.max()) + 1
    widest = np.zeros(count)
    np.maximum.at(widest, part_of, 2.0 * thin.half)
    contact_of = _connected(thin.at[thin.beside_thick], width)
    first = np.unique(contact_of, return_index=True)[1]
    holds = np.bincount(part_of[thin.beside_thick][first], minlength=count)
    y, x = np.divmod(thin.at, width)
    low, high = np.full((2, count), thin.at.max()), np.zeros((2, count), np.int64)
    for axis, place in enumerate((y, x)):
        np.minimum.at(low[axis], part_of, place)
        np.maximum.at(high[axis], part_of, place)
    tall, wide = high - low + 1
    long = np.hypot(tall, wide) >= np.minimum(3.0 * np.maximum(widest, choke), longest_tip)
    return np.asarray(((holds == 0) | long | (holds >= 2))[part_of])


def _connected(at: Index, width: int) -> Index:
    """Return which connected part each pixel belongs to, parts numbered from 0 in the order of their first pixels.

    `at` (n,) flat indices, ascending, in a plane of that width whose rim is free; diagonals connect. Every root is
    hung on the smallest root it touches until none touches another.
    """
    one, other = [], []
    for step in (1, width - 1, width, width + 1):
        place = np.minimum(np.searchsorted(at, at + step), at.size - 1)
        hit = np.flatnonzero(at[place] == at + step)
        one.append(hit)
        other.append(place[hit])
    low, high = np.concatenate(one), np.concatenate(other)
    root = np.arange(at.size)
    while low.size:
        np.minimum.at(root, np.maximum(root[low], root[high]), np.minimum(root[low], root[high]))
        while (root[root] != root).any():
            root = root[root]
        apart = root[low] != root[high]
        low, high = low[apart], high[apart]
    return np.unique(root, return_inverse=True)[1]


def _beside_thick(found: Depths, thin: Index) -> NDArray[np.bool_]:
    """Which thin pixels touch one inside the outline that is not thin."""
    thick = (found.lookup > 0) & (found.plane.reshape(-1) > 0)
    thick[thin] = False
    beside = np.zeros(thin.size, np.bool_)
    for dy, dx in disc(1.5):
        beside |= thick[thin + (dy * found.width + dx)]
    return beside


def _alpha(pixels: Picture) -> Plane:
    if isinstance(pixels, Runs):
        return pixels.spread(pixels.colours[:, 3])
    return np.ascontiguousarray(pixels[..., 3])


def _near_black(pixels: Picture) -> Mask:
    """Which inked pixels are darker than the black limit."""
    if isinstance(pixels, Runs):
        return pixels.spread(_is_near_black(pixels.colours))
    bits = np.array([128, 192, 128, 0], np.uint8).view(np.uint32)[0]
    dark = np.zeros(pixels.shape[:2], np.bool_)
    for rows in bands(pixels.shape[0], 64):
        words = packed(pixels[rows]).reshape(-1)
        maybe = np.flatnonzero(
            (words & bits == 0) & (words != 0)
        )  # a channel of these levels is too light alone
        dark[rows].reshape(-1)[maybe] = _is_near_black(words[maybe].view(np.uint8).reshape(-1, 4))
    return dark


def _is_near_black(colours: Pixels) -> NDArray[np.bool_]:
    limit = ((BLACK_L + 16.0) / 116.0) ** 3  # CIE L*, above the linear part
    light = np.zeros(len(colours))
    for i, weight in enumerate((0.2126, 0.7152, 0.0722)):
        light = light + (weight * LINEAR_OF_8BIT)[colours[:, i]]
    return (light < limit) & (colours[:, 3] > 0)


def _clear_black(plane: Plane, alpha: Plane, black: Mask, tuck: float) -> None:
    """Take the base away under `black`, but for `tuck` pixels from the edge to other ink."""
    margin = int(tuck) + 3
    width = black.shape[1] + 2 * margin
    for rows in strips(black.shape):
        if not black[rows].any():
            continue
        first = max(0, rows.start - margin)
        ink, dark = alpha[first : rows.stop + margin], black[first : rows.stop + margin]
        # The rim where black ends at the cloth holds traces of what lies beneath; that is no other ink.
        other = (ink > 0) & ~dark & ~grow(ink < 128)
        wide = np.pad(dark, margin).reshape(-1)
        rim = np.flatnonzero((np.pad(other, margin) & grow(wide.reshape(-1, width))).reshape(-1))
        away = np.full(wide.size, FAR, np.float32)
        for dy, dx in disc(tuck + 1.5):
            there = rim + (dy * width + dx)
            away[there] = np.minimum(away[there], np.float32(np.hypot(dy, dx)))
        near = np.flatnonzero(wide & (away < FAR))
        cover = np.zeros(wide.size, np.uint8)
        # The edge lies half a pixel from the last centre of other ink.
        cover[near] = np.floor(np.clip(tuck - (away[near] - 0.5) + 0.5, 0.0, 1.0) * 255.0 + 0.5)
        top = rows.start - first + margin
        inner = cover.reshape(-1, width)[top : top + rows.stop - rows.start, margin:-margin]
        strip, here = plane[rows], black[rows]
        strip[here] = np.minimum(strip[here], inner[here])
