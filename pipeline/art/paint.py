"""How one drawing of a piece of art differs from the art as it came: one frozen value, `PaintMap`."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

Rgb: TypeAlias = tuple[int, int, int]
"""An 8-bit sRGB colour."""


def parse_hex(text: str) -> Rgb:
    """Return the colour that "#rrggbb" names; raises ValueError for anything else."""
    if len(text) != 7 or text[0] != "#":
        raise ValueError(f"{text!r} is not a colour of the form #rrggbb")
    value = int(text[1:], 16)
    return value >> 16, (value >> 8) & 255, value & 255


def hex_of(colour: Rgb) -> str:
    """Return "#rrggbb" in lower case."""
    return "#{:02x}{:02x}{:02x}".format(*colour)


@dataclass(frozen=True, slots=True)
class Swap:
    """Draw one exact colour of the art, or all paints of one element, in another colour."""

    to: Rgb
    colour: Rgb | None = None
    element: str | None = None


@dataclass(frozen=True, slots=True)
class PaintMap:
    """How to draw: frozen, hashable, picklable; part of the key of every draw.

    `without_lowest` leaves out the shape that lies under all others. Then `only`, `omit` and `swap` (all swaps read
    the original colours) are applied, in this order, and last, when `key` is given,
    every paint whose colour after the swap is in `cloth` and every element in `cut_out` is drawn in `key`.
    Colours are exact here: whoever makes the map has matched them by ΔE00 against the paints of the art.
    A cut-out element is drawn in `key` at full opacity, so that what lies beneath is hidden wholly.
    """

    only: tuple[str, ...] = ()
    omit: tuple[str, ...] = ()
    swap: tuple[Swap, ...] = ()
    cloth: tuple[Rgb, ...] = ()
    cut_out: tuple[str, ...] = ()
    without_lowest: bool = False
    key: Rgb | None = None
