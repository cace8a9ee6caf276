"""A picture of a roll, small, as it lies ink side up: what goes on papers and screens."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from pipeline.press.film import FilmRoll, FilmTag
from pipeline.raster import Pixels

NUMBER_PX = (28, 22, 16, 12)
"""Heights of numbers, the largest that fits is taken."""
LEGEND_PX = 20
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


@dataclass(frozen=True, slots=True)
class Number:
    """A number for a roll's picture: its text, where its middle stands on the film, and how wide the ink is there."""

    text: str
    x_mm: float
    y_mm: float
    room_mm: float


def numbered(
    film: NDArray[np.uint8], numbers: Iterable[Number], px_per_mm: float, longest_px: int, font: Path
) -> NDArray[np.uint8]:
    """Return the picture with numbers on white plates, large where the ink leaves room.

    None is cut where `side_by_side` cuts the picture.
    """
    image = Image.fromarray(film)
    draw = ImageDraw.Draw(image)
    faces = {px: ImageFont.truetype(str(font), px, layout_engine=ImageFont.Layout.BASIC) for px in NUMBER_PX}
    for number in numbers:
        room = number.room_mm * px_per_mm
        for px, face in faces.items():
            wide = math.ceil(face.getlength(number.text)) + 4
            if wide > room and px > NUMBER_PX[-1]:
                continue
            column = int(number.y_mm * px_per_mm) // longest_px * longest_px
            last = min(column + longest_px, image.height) - px - 2
            x = min(max(round(number.x_mm * px_per_mm) - wide // 2, 0), image.width - wide)
            y = max(min(round(number.y_mm * px_per_mm) - px // 2 - 1, last), column)
            draw.rectangle((x, y, x + wide - 1, y + px + 1), fill=(255, 255, 255))
            draw.text((x + 2, y + round(px * 0.86) + 1), number.text, fill=(0, 0, 0), font=face, anchor="ls")
            break
    return np.asarray(image)


def with_legend(picture: NDArray[np.uint8], lines: Sequence[str], font: Path) -> NDArray[np.uint8]:
    """Return the picture with lines of text under it, in as many columns as there is room for."""
    if not lines:
        return picture
    px = LEGEND_PX
    face = ImageFont.truetype(str(font), px, layout_engine=ImageFont.Layout.BASIC)
    wide = max(math.ceil(face.getlength(line)) for line in lines) + 2 * px
    columns = max(1, picture.shape[1] // wide)
    rows = -(-len(lines) // columns)
    under = Image.new("RGB", (picture.shape[1], rows * (px + 6) + 12), (255, 255, 255))
    draw = ImageDraw.Draw(under)
    for i, line in enumerate(lines):
        at = (i // rows * wide + 4, 6 + i % rows * (px + 6) + px)
        draw.text(at, line, fill=(0, 0, 0), font=face, anchor="ls")
    return np.concatenate([picture, np.asarray(under)])


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
