"""A roll of film as TIFF 6.0 for presses that want pixels: two pages, colour with alpha and the base, in strips."""

from __future__ import annotations

import struct
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import IO

import numpy as np
from numpy.typing import NDArray

from pipeline.press.deflate import deflate
from pipeline.press.strips import FilmPixels

ROWS = 128
"""Rows of a strip."""
_MOST = 2**32 - 1
_SHORT, _LONG, _RATIONAL, _ASCII = 3, 4, 5, 2
_DEFLATE = 8  # "Adobe deflate": zlib streams, TIFF Technical Notes for Photoshop, 2002


def write_roll_tiff(
    path: Path, film: FilmPixels, ppi: float, plate_name: str, profile: bytes, *, dark_is_ink: bool = False
) -> None:
    """Write a page of RGB with unassociated alpha, and a page of grey called `plate_name` for the base.

    In the base 255 is full white, 0 with `dark_is_ink`. One strip is in memory at a time. Raises ValueError when the
    file would pass the 4 GB that TIFF can count, OSError as `open` does.
    """
    with path.open("wb") as file:
        file.write(b"II*\0" + bytes(4))
        link = 4
        white = (255 - strip if dark_is_ink else strip for strip in film.white(ROWS))
        for name, strips, channels in (("Colour", film.colour(ROWS), 4), (plate_name, white, 1)):
            placed = list(_strips(file, strips))
            tags = _tags(film.size, channels, placed, ppi, name, profile if channels == 4 else b"")
            link = _directory(file, tags, link)


def _strips(file: IO[bytes], strips: Iterable[NDArray[np.uint8]]) -> Iterator[tuple[int, int]]:
    """Write strips; yield the place and length of each."""
    for strip in strips:
        start = file.tell()
        rows = np.ascontiguousarray(strip).data.cast("B")
        for piece in deflate(lambda _, rows=rows: rows, 1):  # type: ignore[misc]
            file.write(piece)
        if file.tell() > _MOST:
            raise ValueError(
                "the roll is larger than TIFF can hold (4 GB): write it as PDF, or cut it shorter"
            )
        yield start, file.tell() - start


def _tags(
    size: tuple[int, int],
    channels: int,
    placed: list[tuple[int, int]],
    ppi: float,
    name: str,
    profile: bytes,
) -> list[tuple[int, int, int, bytes]]:
    """Return the directory as (tag, type, count, value), sorted by tag (TIFF 6.0, section 2)."""
    height, width = size
    count = len(placed)
    resolution = struct.pack("<2I", round(ppi * 1000), 1000)
    label = name.encode("ascii", "replace") + b"\0"
    tags = [
        (254, _LONG, 1, struct.pack("<I", 2)),  # a page of several
        (256, _LONG, 1, struct.pack("<I", width)),
        (257, _LONG, 1, struct.pack("<I", height)),
        (258, _SHORT, channels, struct.pack(f"<{channels}H", *[8] * channels)),
        (259, _SHORT, 1, struct.pack("<H", _DEFLATE)),
        (262, _SHORT, 1, struct.pack("<H", 2 if channels == 4 else 1)),
        (273, _LONG, count, struct.pack(f"<{count}I", *(start for start, _ in placed))),
        (277, _SHORT, 1, struct.pack("<H", channels)),
        (278, _LONG, 1, struct.pack("<I", ROWS)),
        (279, _LONG, count, struct.pack(f"<{count}I", *(length for _, length in placed))),
        (282, _RATIONAL, 1, resolution),
        (283, _RATIONAL, 1, resolution),
        (285, _ASCII, len(label), label),
        (296, _SHORT, 1, struct.pack("<H", 2)),  # inches
    ]
    if channels == 4:
        tags.append((338, _SHORT, 1, struct.pack("<H", 2)))  # unassociated alpha
    if profile:
        tags.append((34675, 7, len(profile), profile))  # ICC.1, annex B.4
    return tags


def _directory(file: IO[bytes], tags: list[tuple[int, int, int, bytes]], link: int) -> int:
    """Write a directory, make the one before point to it; return where its own link stands."""
    file.write(bytes(file.tell() % 2))
    start = file.tell()
    beyond = start + 2 + 12 * len(tags) + 4
    table, data = struct.pack("<H", len(tags)), b""
    for tag, kind, count, value in tags:
        table += struct.pack("<HHI", tag, kind, count)
        if len(value) <= 4:
            table += value.ljust(4, b"\0")
        else:
            table += struct.pack("<I", beyond + len(data))
            data += value + bytes(len(value) % 2)
    file.write(table + bytes(4) + data)
    end = file.tell()
    file.seek(link)
    file.write(struct.pack("<I", start))
    file.seek(end)
    return start + 2 + 12 * len(tags)
