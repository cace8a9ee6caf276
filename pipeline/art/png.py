"""PNG: chunks read and checked here, pixels inflated by Pillow, all depths kept (PNG specification, 3rd edition)."""

from __future__ import annotations

import struct
import zlib
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from isal import isal_zlib
from numpy.typing import NDArray

from pipeline.art import pillow
from pipeline.art.exif import orientation_of
from pipeline.art.piece import Limits
from pipeline.art.refusal import check_pixels, unreadable
from pipeline.art.samples import Samples, Xy, to_8_bit, two_bytes
from pipeline.finding import Finding

SIGNATURE = b"\x89PNG\r\n\x1a\n"
DEPTHS = {0: (1, 2, 4, 8, 16), 2: (8, 16), 3: (1, 2, 4, 8), 4: (8, 16), 6: (8, 16)}
CHANNELS = {0: 1, 2: 3, 3: 1, 4: 2, 6: 4}
PASSES = ((0, 0, 8, 8), (4, 0, 8, 8), (0, 4, 4, 8), (2, 0, 4, 4), (0, 2, 2, 4), (1, 0, 2, 2), (0, 1, 1, 2))
AGAIN = "Copy or download the file again."
INFLATED = 2**20
PROFILE_BYTES = 16 * 2**20
SRGB = ((0.3127, 0.3290), (0.64, 0.33), (0.30, 0.60), (0.15, 0.06))
DISPLAY_P3 = ((0.3127, 0.3290), (0.680, 0.320), (0.265, 0.690), (0.150, 0.060))


@dataclass(slots=True)
class Head:
    """What the chunks say; `idat` are the (start, stop) of the picture data in the file."""

    width: int
    height: int
    depth: int
    kind: int
    interlace: int
    idat: list[tuple[int, int]] = field(default_factory=list)
    chunks: dict[bytes, bytes] = field(default_factory=dict)


def decode(data: bytes, name: str, limits: Limits) -> Samples:
    """Read a PNG of any colour type and depth; raises Refused."""
    head = read_head(data, name)
    check_pixels(name, head.width, head.height, limits.pixels)
    frames = head.chunks.get(b"acTL", b"")
    if len(frames) >= 4 and struct.unpack(">I", frames[:4])[0] > 1:
        raise unreadable(name, "the PNG is animated.", "Export the one frame that is to be printed.")
    _check_length(data, head, name)
    values = _pixels(data, head, name)
    colour, alpha = _meaning(values, head, name)
    gamma, primaries, findings = _colour_chunks(head, name)
    return Samples(
        colour=colour,
        space="grey" if head.kind in (0, 4) else "rgb",
        alpha=None if alpha is None else to_8_bit(alpha),
        profile=_profile(head),
        gamma=gamma,
        primaries=primaries,
        orientation=orientation_of(head.chunks.get(b"eXIf", b"")),
        findings=findings,
    )


def read_head(data: bytes, name: str) -> Head:
    """Walk the chunks, check order, lengths and sums; raises Refused for what the specification forbids."""
    if data[:8] != SIGNATURE or data[12:16] != b"IHDR" or data[8:12] != b"\x00\x00\x00\r" or len(data) < 33:
        raise unreadable(name, "the PNG has no header.")
    width, height, depth, kind = struct.unpack(">IIBB", data[16:26])
    head = Head(width, height, depth, kind, interlace=data[28])
    if head.depth not in DEPTHS.get(head.kind, ()) or data[26] or data[27] or head.interlace > 1:
        raise unreadable(name, f"the PNG header is not valid (colour type {head.kind}, {head.depth} bit).")
    view = memoryview(data)
    at = 8
    while True:
        length, tag = struct.unpack(">I4s", data[at : at + 8]) if at + 12 <= len(data) else (2**32, b"")
        body = at + 8
        if body + length + 4 > len(data):
            raise unreadable(name, "the PNG is cut short.", AGAIN)
        if zlib.crc32(view[at + 4 : body + length]) != int.from_bytes(
            data[body + length : body + length + 4], "big"
        ):
            raise unreadable(name, f"the PNG is damaged (check sum of {tag!r}).", AGAIN)
        _take_chunk(head, tag, body, length, data, name)
        if tag == b"IEND":
            break
        at = body + length + 4
    if not head.idat or (head.kind == 3 and b"PLTE" not in head.chunks):
        raise unreadable(name, "the PNG has no picture data or no palette.")
    return head


def _take_chunk(head: Head, kind: bytes, start: int, length: int, data: bytes, name: str) -> None:
    if kind == b"IDAT":
        head.idat.append((start, start + length))
    elif kind in (b"PLTE", b"tRNS", b"acTL", b"cICP", b"iCCP", b"sRGB", b"gAMA", b"cHRM", b"eXIf"):
        head.chunks.setdefault(kind, data[start : start + length])
    elif kind not in (b"IHDR", b"IEND") and not kind[:1].islower():
        raise unreadable(name, f"the PNG needs something unknown ({kind!r}).")


def _chunk(kind: bytes, body: bytes) -> bytes:
    return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(body, zlib.crc32(kind)))


def _check_length(data: bytes, head: Head, name: str) -> None:
    """Inflate and count: Pillow fills in scanlines that are missing without a word. Raises on damage."""
    bits = head.depth * CHANNELS[head.kind]
    wanted = 0
    for left, top, right, down in PASSES if head.interlace else ((0, 0, 1, 1),):
        columns, rows = -(-(head.width - left) // right), -(-(head.height - top) // down)
        wanted += rows * (1 + -(-columns * bits // 8)) if columns > 0 else 0
    view = memoryview(data)
    unpacker = isal_zlib.decompressobj()
    for start, stop in head.idat:
        part: bytes | memoryview = view[start:stop]
        while len(part) and wanted > 0 and not unpacker.eof:
            wanted -= len(unpacker.decompress(part, INFLATED))
            part = unpacker.unconsumed_tail
    if wanted > 0:
        raise unreadable(name, "the picture data ends too soon.", AGAIN)


def _bare(data: bytes, head: Head, depth: int, kind: int) -> bytes:
    """The same picture without its ancillary chunks: texts and profiles are no way into the decoder."""
    view = memoryview(data)
    idat = b"".join(view[start:stop] for start, stop in head.idat)
    ihdr = struct.pack(">IIBBBBB", head.width, head.height, depth, kind, 0, 0, head.interlace)
    palette = _chunk(b"PLTE", head.chunks[b"PLTE"]) if kind == 3 else b""
    return SIGNATURE + _chunk(b"IHDR", ihdr) + palette + _chunk(b"IDAT", idat) + _chunk(b"IEND", b"")


def _pixels(data: bytes, head: Head, name: str) -> NDArray[Any]:
    """Return the samples (H, W, n), uint8 or uint16; 1, 2 and 4 bit grey are spread over 0–255."""
    size = (head.width, head.height)
    shape = (head.height, head.width, -1)
    if head.depth == 16 and head.kind in (0, 4):
        # Pixels of 2 or 4 bytes filter alike whatever the bytes mean: read as 8 bit, then join the halves.
        halves, _ = pillow.load(_bare(data, head, 8, 4 if head.kind == 0 else 6), "PNG", size, name)
        return two_bytes(halves[..., 0::2], halves[..., 1::2])
    bare = _bare(data, head, head.depth, head.kind)
    if head.depth == 16:
        return pillow.load_16_bit(bare, "PNG", size, name)
    values, mode = pillow.load(bare, "PNG", size, name)
    return (values.astype(np.uint8) * 255 if mode == "1" and head.kind == 0 else values).reshape(shape)


def _meaning(values: NDArray[Any], head: Head, name: str) -> tuple[NDArray[Any], NDArray[Any] | None]:
    """Split into colour (H, W, 1 or 3) and alpha (H, W), with palette and tRNS resolved."""
    trns = head.chunks.get(b"tRNS", b"")
    if head.kind == 3:
        return _from_palette(values[..., 0].astype(np.uint8), head, trns, name)
    if head.kind in (4, 6):
        return values[..., :-1], values[..., -1]
    if len(trns) < 2 * values.shape[2]:
        return values, None
    key = np.frombuffer(trns, ">u2", values.shape[2]).astype(np.uint32)
    if head.depth < 8:
        key = key * 255 // (2**head.depth - 1)
    opaque = (values != key).any(axis=2)
    return values, np.where(opaque, np.uint8(255), np.uint8(0))


def _from_palette(
    index: NDArray[np.uint8], head: Head, trns: bytes, name: str
) -> tuple[NDArray[Any], NDArray[Any] | None]:
    palette = np.frombuffer(head.chunks[b"PLTE"][:768], np.uint8)
    palette = palette[: len(palette) // 3 * 3].reshape(-1, 3)
    if index.max() >= len(palette):
        raise unreadable(name, "the PNG uses colours that its palette does not have.")
    alphas = np.full(len(palette), 255, np.uint8)
    given = np.frombuffer(trns, np.uint8)[: len(palette)]
    alphas[: len(given)] = given
    return palette[index], alphas[index] if len(given) else None


def _profile(head: Head) -> bytes | None:
    """Inflate the embedded profile, at most PROFILE_BYTES of it; b"" when it cannot be inflated."""
    chunk = head.chunks.get(b"iCCP")
    if chunk is None or b"cICP" in head.chunks:
        return None
    _, _, rest = chunk.partition(b"\0")
    try:
        return zlib.decompressobj().decompress(rest[1:], PROFILE_BYTES)
    except zlib.error:
        return b""


def _colour_chunks(
    head: Head, name: str
) -> tuple[float | None, tuple[Xy, Xy, Xy, Xy] | None, tuple[Finding, ...]]:
    """Return gamma, primaries and findings in the order of precedence: cICP, iCCP, sRGB, gAMA with cHRM."""
    chunks = head.chunks
    cicp = chunks.get(b"cICP")
    if cicp is not None:
        if cicp[:2] in (b"\x01\x0d", b"\x0c\x0d") and cicp[2:4] == b"\x00\x01":
            return None, SRGB if cicp[0] == 1 else DISPLAY_P3, ()
        numbers = "/".join(str(byte) for byte in cicp)
        return None, None, (_strange_colour(name, numbers),)
    if b"iCCP" in chunks or b"sRGB" in chunks:
        return None, None, ()
    gamma = primaries = None
    if len(chunks.get(b"gAMA", b"")) == 4:
        stored = int.from_bytes(chunks[b"gAMA"], "big")
        gamma = 100000 / stored if stored else None
    if len(chunks.get(b"cHRM", b"")) == 32:
        v = [n / 100000 for n in struct.unpack(">8I", chunks[b"cHRM"])]
        primaries = ((v[0], v[1]), (v[2], v[3]), (v[4], v[5]), (v[6], v[7]))
    return gamma, primaries, ()


def _strange_colour(name: str, numbers: str) -> Finding:
    return Finding(
        code="unsupported-feature",
        severity="stop",
        message=f"{name} has video or high dynamic range colours (cICP {numbers}), which cannot be printed as meant.",
        remedy="Export it as sRGB.",
        art=name,
        measured=numbers,
        limit="sRGB or Display P3",
    )
