"""A picture of a roll, small, as it lies ink side up: what goes on papers and screens."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from pipeline.press.film import FilmRoll, FilmTag
from pipeline.raster import Pixels

FILM = (206, 209, 212)
"""How bare film is shown, so that white ink is seen."""


def picture(roll: FilmRoll, small: Mapping[str, Pixels], px_per_mm: float) -> NDArray[np.uint8]:
    """Return the roll on bare film, (H, W, 3) sRGB; `small` holds each plate at that scale, as it lies."""
    size = (max(1, round(roll.width_mm * px_per_mm)), max(1, round(roll.length_mm * px_per_mm)))
    film = Image.new("RGB", size, FILM)
    turned: dict[tuple[str, int], Image.Image] = {}
    for place in roll.places:
        key = place.plate, place.turn_deg
        if key not in turned:
            turned[key] = Image.fromarray(np.rot90(small[place.plate], -place.turn_deg // 90).copy())
        at = round(place.x_mm * px_per_mm), round(place.y_mm * px_per_mm)
        film.paste(turned[key], at, turned[key])
    for tag in roll.tags:
        mark = _small_tag(tag, px_per_mm)
        film.paste((0, 0, 0), (round(tag.x_mm * px_per_mm), round(tag.y_mm * px_per_mm)), mark)
    return np.asarray(film)


def _small_tag(tag: FilmTag, px_per_mm: float) -> Image.Image:
    size = (max(1, round(tag.width_mm * px_per_mm)), max(1, round(tag.height_mm * px_per_mm)))
    upright = Image.fromarray(tag.bitmap.astype(np.uint8) * np.uint8(255)).resize(size, Image.Resampling.BOX)
    return Image.fromarray(np.rot90(np.asarray(upright), -tag.turn_deg // 90).copy())


def side_by_side(rolls: list[NDArray[np.uint8]], longest_px: int, gap_px: int) -> NDArray[np.uint8]:
    """Return pictures of rolls cut into lengths that stand side by side, on white."""
    parts = [roll[y : y + longest_px] for roll in rolls for y in range(0, roll.shape[0], longest_px)]
    height = max(part.shape[0] for part in parts)
    width = sum(part.shape[1] for part in parts) + gap_px * (len(parts) - 1)
    out = np.full((height, width, 3), 255, np.uint8)
    x = 0
    for part in parts:
        out[: part.shape[0], x : x + part.shape[1]] = part
        x += part.shape[1] + gap_px
    return out
