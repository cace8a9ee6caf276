"""Vector art, exact: coverage of the cloth-coloured paints from two drawings that differ in their colour alone.

Triangulation matting, Smith & Blinn, "Blue Screen Matting", SIGGRAPH 1996, theorem 4, with the sides exchanged:
here the keyed paint is what goes. In premultiplied terms c₁ = w·K₁ + o and c₂ = w·K₂ + o, so that
w = Σ(c₂−c₁)(K₂−K₁) / |K₂−K₁|², o = c₁ − w·K₁, and what is left is o with coverage α − w.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.art.paint import Rgb
from pipeline.raster import Pixels
from pipeline.raster_ops import packed

SNAP = 1.5 / 255.0
"""Coverage below this is rounding noise of two 8-bit drawings."""
_CHUNK = 1 << 18
BLACK: Rgb = (0, 0, 0)
WHITE: Rgb = (255, 255, 255)


@dataclass(frozen=True, slots=True)
class Keys:
    """The key colours of the two drawings; `plain_is_first`: the plain drawing serves as the first."""

    first: Rgb
    second: Rgb
    plain_is_first: bool


def keys_for(cloth: Sequence[Rgb], *, cut_out: bool) -> Keys | None:
    """Return the keys that tell the cloth-coloured paints apart; None when there is nothing to knock out.

    One cloth paint and no cut-outs: the plain drawing and one key, the corner of the RGB cube farthest from that
    paint, are as exact as two keys. Anything else hides colour under several paints and needs black and white.
    """
    paints = set(cloth)
    if not paints and not cut_out:
        return None
    if len(paints) == 1 and not cut_out:
        (paint,) = paints
        r, g, b = (0 if value > 127 else 255 for value in paint)
        return Keys(first=paint, second=(r, g, b), plain_is_first=True)
    return Keys(first=BLACK, second=WHITE, plain_is_first=False)


def solve(first: Pixels, first_key: Rgb, second: Pixels, second_key: Rgb) -> Pixels:
    """Return the drawing without its keyed paints: straight RGBA uint8, α′ = 0 where only they were.

    `first` and `second` (H, W, 4) differ only in the colour of the keyed paints. Pixels equal in both come back bit
    for bit. Raises ValueError when the sizes differ or the keys are equal.
    """
    if first.shape != second.shape:
        raise ValueError(f"the two drawings differ in size: {first.shape} and {second.shape}")
    if first_key == second_key:
        raise ValueError("the two keys are the same colour")
    one, two = packed(first).reshape(-1), packed(second).reshape(-1)
    out = np.array(first, order="C")
    flat = out.view(np.uint32).reshape(-1)
    differs = one != two
    pure = (one == _packed_colour(first_key)) & (two == _packed_colour(second_key))
    flat[pure] = 0
    todo = np.flatnonzero(differs & ~pure)
    for start in range(0, todo.size, _CHUNK):
        at = todo[start : start + _CHUNK]
        left = _unmix(_rows(one[at]), first_key, _rows(two[at]), second_key)
        flat[at] = np.ascontiguousarray(left).view(np.uint32)[:, 0]
    return out


def _packed_colour(colour: Rgb) -> np.uint32:
    return np.uint32(np.array([*colour, 255], np.uint8).view(np.uint32)[0])


def _rows(values: NDArray[np.uint32]) -> NDArray[np.uint8]:
    return values.view(np.uint8).reshape(-1, 4)


def _unmix(
    one: NDArray[np.uint8], first_key: Rgb, two: NDArray[np.uint8], second_key: Rgb
) -> NDArray[np.uint8]:
    """Solve each row of straight RGBA; returns straight RGBA rows."""
    alpha, c1 = _premultiplied(one)
    _, c2 = _premultiplied(two)
    span = [float(b - a) for a, b in zip(first_key, second_key, strict=True)]
    length2 = span[0] * span[0] + span[1] * span[1] + span[2] * span[2]
    moved = sum(((c2[i] - c1[i]) * span[i] for i in range(3)), np.zeros(len(one)))
    w = np.clip(moved * 255.0 / length2, 0.0, alpha)  # in levels, like alpha
    kept = alpha - w
    gone = kept < SNAP * 255.0
    whole = np.where(gone, 0.0, np.floor(kept + 0.5))
    out = np.zeros((len(one), 4), np.uint8)
    out[:, 3] = whole
    divisor = np.where(gone, 1.0, kept)
    for i in range(3):
        left = c1[i] - w * (first_key[i] / 255.0)
        straight = np.clip(left * 255.0 / divisor, 0.0, 255.0)  # keeps o ≤ α′
        out[:, i] = np.where(gone, 0.0, np.floor(straight + 0.5))
    return out


def _premultiplied(rows: NDArray[np.uint8]) -> tuple[NDArray[np.float64], list[NDArray[np.float64]]]:
    """Return alpha and the premultiplied channels in levels, the very integers the renderer had."""
    alpha = rows[:, 3].astype(np.float64)
    scale = alpha / 255.0
    return alpha, [np.floor(rows[:, i] * scale + 0.5) for i in range(3)]
