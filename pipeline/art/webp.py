"""WebP: the container read here (RFC 9649), the picture decoded by Pillow."""

from __future__ import annotations

from dataclasses import dataclass, field

from pipeline.art import pillow
from pipeline.art.exif import orientation_of
from pipeline.art.piece import Limits
from pipeline.art.refusal import check_pixels, unreadable
from pipeline.art.samples import Samples


@dataclass(slots=True)
class Head:
    """Size of the canvas and the chunks that matter here."""

    width: int = 0
    height: int = 0
    lossy: bool = False
    frames: int = 0
    chunks: dict[bytes, bytes] = field(default_factory=dict)


def decode(data: bytes, name: str, limits: Limits) -> Samples:
    """Read a still WebP, lossy or lossless; raises Refused."""
    head = read_head(data, name)
    check_pixels(name, head.width, head.height, limits.pixels)
    if head.frames > 1:
        raise unreadable(name, "the WebP is animated.", "Export the one frame that is to be printed.")
    values, mode = pillow.load(data, "WEBP", (head.width, head.height), name)
    if mode not in ("RGB", "RGBA", "RGBX"):
        raise unreadable(name, f"the WebP decodes as {mode}, which is not known.")
    return Samples(
        colour=values[..., :3],
        space="rgb",
        alpha=values[..., 3] if mode == "RGBA" else None,
        profile=head.chunks.get(b"ICCP"),
        orientation=orientation_of(head.chunks.get(b"EXIF", b"")),
        lossy=head.lossy,
    )


def read_head(data: bytes, name: str) -> Head:
    """Walk the chunks; raises Refused when the container is damaged."""
    stop = 8 + int.from_bytes(data[4:8], "little")
    if stop > len(data):
        raise unreadable(name, "the WebP is cut short.", "Copy or download the file again.")
    head = Head()
    at = 12
    while at + 8 <= stop:
        kind = data[at : at + 4]
        length = int.from_bytes(data[at + 4 : at + 8], "little")
        body = at + 8
        if body + length > stop:
            raise unreadable(name, "the WebP is damaged.", "Copy or download the file again.")
        _take_chunk(head, kind, data, body, length)
        at = body + length + (length & 1)
    if not head.width:
        raise unreadable(name, "the WebP has no picture.")
    return head


def _take_chunk(head: Head, kind: bytes, data: bytes, body: int, length: int) -> None:
    size: tuple[int, int] | None = None
    start = data[body : body + 10]
    if kind == b"VP8X" and length >= 10:
        size = int.from_bytes(start[4:7], "little") + 1, int.from_bytes(start[7:10], "little") + 1
    elif kind == b"VP8 " and length >= 10:
        size = int.from_bytes(start[6:8], "little") & 0x3FFF, int.from_bytes(start[8:10], "little") & 0x3FFF
        head.lossy = True
    elif kind == b"VP8L" and length >= 5:
        bits = int.from_bytes(start[1:5], "little")
        size = (bits & 0x3FFF) + 1, (bits >> 14 & 0x3FFF) + 1
    elif kind == b"ANMF":
        head.frames += 1
        head.lossy |= data[body + 16 : body + 20] in (b"VP8 ", b"ALPH")
    elif kind in (b"ICCP", b"EXIF"):
        head.chunks.setdefault(kind, data[body : body + length])
    if size is not None and not head.width:
        head.width, head.height = size
