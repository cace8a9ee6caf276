"""A roll of film as pixels, a strip at a time: memory holds one strip, whatever the length of the roll."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from pipeline.press.film import FilmPlate, FilmRoll, FilmTag, read_plate
from pipeline.raster import MM_PER_INCH

_LINE_MM = 0.25
_T = TypeVar("_T", bound=np.generic)


class FilmPixels:
    """The pixels of a roll at the resolution of its plates.

    Plates are decoded once into files below `folder`, which the system maps; nothing else of a plate stays in memory.
    `size` is (height, width) in pixels.
    """

    def __init__(self, roll: FilmRoll, plates: Mapping[str, FilmPlate], ppi: float, folder: Path) -> None:
        self._roll, self._ppi = roll, ppi
        self.size = (self._px(roll.length_mm), self._px(roll.width_mm))
        self._arrays: dict[tuple[str, bool], NDArray[np.uint8]] = {}
        for key in dict.fromkeys(place.plate for place in roll.places):
            aside = Path(tempfile.mkdtemp(dir=folder))  # plates of several orders may bear one name
            for white, plane in enumerate(read_plate(plates[key], aside)):
                if plane is not None:
                    self._arrays[key, bool(white)] = plane if plates[key].mirrored else plane[:, ::-1]

    def _px(self, mm: float) -> int:
        return round(mm * self._ppi / MM_PER_INCH)

    def colour(self, rows: int) -> Iterator[NDArray[np.uint8]]:
        """Yield strips (rows or fewer, W, 4) from the top: straight alpha, tags and cut lines in black."""
        black = np.array([0, 0, 0, 255], np.uint8)
        for top in range(0, self.size[0], rows):
            out = np.zeros((min(rows, self.size[0] - top), self.size[1], 4), np.uint8)
            for spot, part in self._parts(out, top, white=False):
                ink = part[..., 3] > 0
                spot[ink] = part[ink]
            for spot, bits in self._tags(out, top):
                spot[bits] = black
            for x, y, wide, high in self._roll.cuts:
                _outline(
                    out, top, [self._px(v) for v in (x, y, x + wide, y + high)], self._px(_LINE_MM), black
                )
            yield out[:, ::-1] if self._roll.mirror else out

    def white(self, rows: int) -> Iterator[NDArray[np.uint8]]:
        """Yield strips (rows or fewer, W) of the base, 255 is full white."""
        for top in range(0, self.size[0], rows):
            out = np.zeros((min(rows, self.size[0] - top), self.size[1]), np.uint8)
            for spot, part in self._parts(out, top, white=True):
                np.maximum(spot, part, out=spot)
            yield out[:, ::-1] if self._roll.mirror else out

    def _parts(
        self, out: NDArray[np.uint8], top: int, *, white: bool
    ) -> Iterator[tuple[NDArray[np.uint8], NDArray[np.uint8]]]:
        """Yield views of the strip with what lies there of each plate."""
        for place in self._roll.places:
            plate = self._arrays.get((place.plate, white))
            if plate is not None:
                turned = np.rot90(plate, -place.turn_deg // 90)
                yield from _overlap(out, top, turned, self._px(place.x_mm), self._px(place.y_mm))

    def _tags(
        self, out: NDArray[np.uint8], top: int
    ) -> Iterator[tuple[NDArray[np.uint8], NDArray[np.bool_]]]:
        for tag in self._roll.tags:
            yield from _overlap(out, top, turned_tag(tag), self._px(tag.x_mm), self._px(tag.y_mm))


def turned_tag(tag: FilmTag) -> NDArray[np.bool_]:
    """Return the pixels of a tag as it lies on the film."""
    return np.rot90(tag.bitmap, -tag.turn_deg // 90)


def _overlap(
    out: NDArray[np.uint8], top: int, part: NDArray[_T], x: int, y: int
) -> Iterator[tuple[NDArray[np.uint8], NDArray[_T]]]:
    """Yield the part of the strip that a picture at (x, y) covers, with that part of the picture."""
    first, last = max(y, top), min(y + part.shape[0], top + out.shape[0])
    left, right = max(x, 0), min(x + part.shape[1], out.shape[1])
    if first < last and left < right:
        yield out[first - top : last - top, left:right], part[first - y : last - y, left - x : right - x]


def _outline(out: NDArray[np.uint8], top: int, box: list[int], line: int, ink: NDArray[np.uint8]) -> None:
    """Draw a rectangle's outline, centred on its edges."""
    left, upper, right, lower = (v - line // 2 for v in box)
    for x0, y0, x1, y1 in (
        (left, upper, right + line, upper + line),
        (left, lower, right + line, lower + line),
        (left, upper, left + line, lower + line),
        (right, upper, right + line, lower + line),
    ):
        out[max(y0 - top, 0) : max(y1 - top, 0), max(x0, 0) : max(x1, 0)] = ink
