"""PNG and TIFF files built byte by byte, and a second PNG reader: nothing here uses the libraries under test.

The reader follows the PNG specification (W3C, third edition): chapters 7.2 scanlines, 8 interlacing, 9 filtering.
"""

from __future__ import annotations

import struct
import zlib
from typing import Any

import numpy as np
from numpy.typing import NDArray

SIGNATURE = b"\x89PNG\r\n\x1a\n"
CHANNELS = {0: 1, 2: 3, 3: 1, 4: 2, 6: 4}
PASSES = ((0, 0, 8, 8), (4, 0, 8, 8), (0, 4, 4, 8), (2, 0, 4, 4), (0, 2, 2, 4), (1, 0, 2, 2), (0, 1, 1, 2))


def chunk(kind: bytes, body: bytes) -> bytes:
    """One PNG chunk with its check sum."""
    return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))


def png(
    samples: NDArray[Any], kind: int, depth: int, *extra: tuple[bytes, bytes], after: bytes = b""
) -> bytes:
    """A PNG of (H, W, n) samples at their own depth, filter 0; `extra` chunks stand before the picture data."""
    height, width = samples.shape[:2]
    if depth == 16:
        rows = samples.astype(">u2").reshape(height, -1).view(np.uint8)
    elif depth == 8:
        rows = samples.astype(np.uint8).reshape(height, -1)
    else:
        bits = np.unpackbits(samples.astype(np.uint8).reshape(height, width, 1), axis=2)[..., 8 - depth :]
        rows = np.packbits(bits.reshape(height, -1), axis=1)
    raw = b"".join(b"\0" + row.tobytes() for row in rows)
    head = struct.pack(">IIBBBBB", width, height, depth, kind, 0, 0, 0)
    parts = [chunk(b"IHDR", head), *(chunk(*one) for one in extra), chunk(b"IDAT", zlib.compress(raw)), after]
    return SIGNATURE + b"".join(parts) + chunk(b"IEND", b"")


def blank_png(width: int, height: int) -> bytes:
    """A black PNG of one bit: a small file however large the picture."""
    head = struct.pack(">IIBBBBB", width, height, 1, 0, 0, 0, 0)
    body = zlib.compress((b"\0" + bytes(-(-width // 8))) * height, 9)
    return SIGNATURE + chunk(b"IHDR", head) + chunk(b"IDAT", body) + chunk(b"IEND", b"")


def read_png(data: bytes) -> tuple[NDArray[np.uint16], dict[bytes, bytes]]:
    """Return the samples (H, W, n) at their own depth and the chunks; interlaced or not."""
    chunks: dict[bytes, bytes] = {}
    at = 8
    while at < len(data):
        (length,) = struct.unpack(">I", data[at : at + 4])
        tag = data[at + 4 : at + 8]
        chunks[tag] = chunks.get(tag, b"") + data[at + 8 : at + 8 + length]
        at += 12 + length
    width, height, depth, kind, _, _, interlace = struct.unpack(">IIBBBBB", chunks[b"IHDR"])
    channels = CHANNELS[kind]
    raw = zlib.decompress(chunks[b"IDAT"])
    out = np.zeros((height, width, channels), np.uint16)
    start = 0
    for left, top, right, down in PASSES if interlace else ((0, 0, 1, 1),):
        columns, rows = -(-(width - left) // right), -(-(height - top) // down)
        if columns <= 0 or rows <= 0:
            continue
        part, start = _scanlines(raw, start, columns, rows, channels, depth)
        out[top::down, left::right] = part
    return out, chunks


def _scanlines(
    raw: bytes, start: int, width: int, height: int, channels: int, depth: int
) -> tuple[NDArray[np.uint16], int]:
    length, step = -(-width * channels * depth // 8), max(1, channels * depth // 8)
    before = bytearray(length)
    rows = []
    for _ in range(height):
        row = bytearray(raw[start + 1 : start + 1 + length])
        _unfilter(raw[start], row, before, step)
        rows.append(bytes(row))
        before, start = row, start + 1 + length
    grid = np.frombuffer(b"".join(rows), np.uint8).reshape(height, length)
    if depth == 16:
        values = grid.reshape(height, -1, 2).astype(np.uint16)
        values = values[..., 0] * 256 + values[..., 1]
    else:
        bits = np.unpackbits(grid, axis=1)[:, : width * channels * depth].reshape(height, -1, depth)
        values = (bits.astype(np.uint16) << np.arange(depth - 1, -1, -1, dtype=np.uint16)).sum(axis=2)
    return values.reshape(height, width, channels).astype(np.uint16), start


def _unfilter(kind: int, row: bytearray, before: bytearray, step: int) -> None:
    for i in range(len(row)):
        a = row[i - step] if i >= step else 0
        b = before[i]
        c = before[i - step] if i >= step else 0
        distances = (abs(b - c), abs(a - c), abs(a + b - 2 * c))
        paeth = (a, b, c)[distances.index(min(distances))]
        row[i] = (row[i] + (0, a, b, (a + b) // 2, paeth)[kind]) & 255


def published_pixels(data: bytes) -> NDArray[np.float64]:
    """RGBA (H, W, 4) in 0–255, not rounded, before any gamma: what the specification says the file shows."""
    samples, chunks = read_png(data)
    depth, kind = chunks[b"IHDR"][8], chunks[b"IHDR"][9]
    full = 2**depth - 1
    out = np.full((*samples.shape[:2], 4), 255.0)
    trns = chunks.get(b"tRNS")
    if kind == 3:
        palette = np.frombuffer(chunks[b"PLTE"], np.uint8).reshape(-1, 3)
        alphas = np.full(len(palette), 255)
        given = np.frombuffer(trns or b"", np.uint8)
        alphas[: len(given)] = given
        out[..., :3] = palette[samples[..., 0]]
        out[..., 3] = alphas[samples[..., 0]]
        return out
    colour = samples[..., : 1 if kind in (0, 4) else 3]
    out[..., :3] = colour * 255.0 / full
    if kind in (4, 6):
        out[..., 3] = samples[..., -1] * 255.0 / full
    elif trns is not None:
        key = np.frombuffer(trns, ">u2")
        out[..., 3] = np.where((colour == key).all(axis=2), 0, 255)
    return out


def tiff(
    samples: NDArray[Any],
    photometric: int,
    *,
    extra: tuple[int, ...] = (),
    tags: dict[int, tuple[int, tuple[int, ...] | bytes]] | None = None,
    big_endian: bool = False,
    pages: int = 1,
) -> bytes:
    """An uncompressed TIFF 6.0 of (H, W, n) uint8 or uint16 samples; `tags` add or replace {tag: (type, values)}."""
    order = ">" if big_endian else "<"
    height, width, count = samples.shape
    bits = samples.dtype.itemsize * 8
    body = samples.astype(samples.dtype.newbyteorder(order)).tobytes()
    entries: dict[int, tuple[int, tuple[int, ...] | bytes]] = {
        256: (4, (width,)), 257: (4, (height,)), 258: (3, (bits,) * count), 259: (3, (1,)), 262: (3, (photometric,)),
        273: (4, (8,)), 277: (3, (count,)), 278: (4, (height,)), 279: (4, (len(body),)),
    }  # fmt: skip
    if extra:
        entries[338] = (3, extra)
    entries.update(tags or {})
    out = (b"MM\0*" if big_endian else b"II*\0") + bytes(4) + body + bytes(len(body) % 2)
    link = 4
    for _ in range(pages):
        out = out[:link] + struct.pack(order + "I", len(out)) + out[link + 4 :]
        directory, link = _directory(entries, len(out), order)
        out += directory
    return out


def _directory(
    entries: dict[int, tuple[int, tuple[int, ...] | bytes]], start: int, order: str
) -> tuple[bytes, int]:
    letters = {1: "B", 3: "H", 4: "I"}
    table, data = struct.pack(order + "H", len(entries)), b""
    place = start + 2 + 12 * len(entries) + 4
    for tag, (kind, values) in sorted(entries.items()):
        packed = (
            values
            if isinstance(values, bytes)
            else struct.pack(f"{order}{len(values)}{letters[kind]}", *values)
        )
        table += struct.pack(order + "HHI", tag, kind, len(values))
        if len(packed) <= 4:
            table += packed.ljust(4, b"\0")
        else:
            table += struct.pack(order + "I", place + len(data))
            data += packed + bytes(len(packed) % 2)
    return table + bytes(4) + data, start + len(table)
