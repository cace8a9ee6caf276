"""Image file directories (TIFF 6.0, EXIF): the tags, with every offset and count checked."""

from __future__ import annotations

import struct
from typing import TypeAlias

Tags: TypeAlias = dict[int, tuple[int, ...] | bytes]

SIZES = {
    1: 1,
    2: 1,
    3: 2,
    4: 4,
    5: 8,
    6: 1,
    7: 1,
    8: 2,
    9: 4,
    10: 8,
    11: 4,
    12: 8,
    13: 4,
    16: 8,
    17: 8,
    18: 8,
}
LETTERS = {1: "B", 3: "H", 4: "I", 6: "b", 8: "h", 9: "i", 13: "I", 16: "Q", 17: "q", 18: "Q"}
ORIENTATION = 0x0112
ENTRIES = 4096
VALUES = 65536
"""More numbers than this are kept unread (strip offsets); bytes are kept whole."""


def orientation_of(blob: bytes) -> int:
    """Return the orientation 1–8 that EXIF data states, 1 when it states none or is damaged."""
    blob = blob.removeprefix(b"Exif\0\0")
    try:
        directories = read_directories(blob, most=1)
    except ValueError:
        return 1
    value = directories[0].get(ORIENTATION, (1,)) if directories else (1,)
    return value[0] if value and 1 <= value[0] <= 8 else 1


def read_directories(data: bytes, most: int = 64) -> list[Tags]:
    """Return the directories of a TIFF in their order; raises ValueError when the structure is broken.

    Numbers come as tuples, text and undefined data as bytes, fractions and floats not at all.
    """
    order = {b"II": "<", b"MM": ">"}.get(data[:2])
    if order is None or len(data) < 8:
        raise ValueError("no TIFF header")
    magic = struct.unpack(order + "H", data[2:4])[0]
    if magic not in (42, 43) or (magic == 43 and len(data) < 16):
        raise ValueError("no TIFF header")
    big = magic == 43
    offset = struct.unpack(order + ("Q" if big else "I"), data[8:16] if big else data[4:8])[0]
    seen: set[int] = set()
    found: list[Tags] = []
    while offset and len(found) < most:
        if offset in seen:
            raise ValueError("the directories run in a circle")
        seen.add(offset)
        tags, offset = _directory(data, offset, order, big=big)
        found.append(tags)
    return found


def _directory(data: bytes, offset: int, order: str, *, big: bool) -> tuple[Tags, int]:
    counter, entry, link = ("Q", 20, "Q") if big else ("H", 12, "I")
    start = offset + struct.calcsize(counter)
    if start > len(data):
        raise ValueError("a directory lies outside the file")
    count = struct.unpack(order + counter, data[offset:start])[0]
    end = start + count * entry
    if count > ENTRIES or end > len(data):
        raise ValueError("a directory is cut short")
    tags: Tags = {}
    for at in range(start, end, entry):
        value = _value(data, at, order, big=big)
        if value is not None:
            tags.setdefault(struct.unpack(order + "H", data[at : at + 2])[0], value)
    after = data[end : end + struct.calcsize(link)]
    return tags, struct.unpack(order + link, after)[0] if len(after) == struct.calcsize(link) else 0


def _value(data: bytes, at: int, order: str, *, big: bool) -> tuple[int, ...] | bytes | None:
    kind = struct.unpack(order + "H", data[at + 2 : at + 4])[0]
    room = 8 if big else 4
    wide = "Q" if big else "I"
    count = struct.unpack(order + wide, data[at + 4 : at + 4 + room])[0]
    field = at + 4 + room
    length = SIZES.get(kind, 0) * count
    if not length:
        return None
    where = field if length <= room else struct.unpack(order + wide, data[field : field + room])[0]
    if where + length > len(data):
        return None
    if kind in (2, 7) or (kind == 1 and count > 16):
        return data[where : where + length]
    if kind not in LETTERS or count > VALUES:
        return None
    return struct.unpack(f"{order}{count}{LETTERS[kind]}", data[where : where + length])
