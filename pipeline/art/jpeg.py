"""JPEG: segments read here (ITU-T T.81), the scan decoded by Pillow; nothing but the picture reaches it."""

from __future__ import annotations

import struct
from dataclasses import dataclass, field

from pipeline.art import pillow
from pipeline.art.exif import orientation_of
from pipeline.art.piece import Limits
from pipeline.art.refusal import check_pixels, unreadable
from pipeline.art.samples import Samples, Space
from pipeline.finding import Finding

START = b"\xff\xd8\xff"
FRAMES = frozenset(range(0xC0, 0xD0)) - {0xC4, 0xC8, 0xCC}
LOW = 16
"""So many coefficients in zigzag order, from coarse to fine, tell how well edges are kept."""
ICC = b"ICC_PROFILE\0"
SPACES: dict[int, tuple[Space, str]] = {1: ("grey", "L"), 3: ("rgb", "RGB"), 4: ("cmyk", "CMYK")}


@dataclass(slots=True)
class Head:
    """What lies before the first scan; `bare` is the file without texts, thumbnails and profiles."""

    width: int = 0
    height: int = 0
    bits: int = 0
    components: int = 0
    adobe: bool = False
    exif: bytes = b""
    step: float = 0.0
    icc: list[tuple[int, int, bytes]] = field(default_factory=list)
    bare: bytes = b""


def decode(data: bytes, name: str, limits: Limits) -> Samples:
    """Read a JPEG of 8 bits, grey, RGB or CMYK; raises Refused."""
    head = read_head(data, name)
    check_pixels(name, head.width, head.height, limits.pixels)
    if head.bits != 8 or head.components not in SPACES:
        what = f"it is a JPEG of {head.components} components with {head.bits} bits, which is not read."
        raise unreadable(name, what, "Save it as an 8-bit RGB JPEG or as PNG.")
    space, mode = SPACES[head.components]
    values, found = pillow.load(head.bare, "JPEG", (head.width, head.height), name)
    if found != mode:
        raise unreadable(name, f"the JPEG decodes as {found} where its header says {mode}.")
    return Samples(
        colour=values.reshape(head.height, head.width, -1),
        space=space,
        profile=_profile(head),
        orientation=orientation_of(head.exif),
        lossy=True,
        step=head.step,
        findings=() if space != "cmyk" or head.adobe else (_polarity(name),),
    )


def read_head(data: bytes, name: str) -> Head:
    """Walk the segments up to the first scan and make sure that the picture has an end; raises Refused."""
    head = Head()
    kept = [b"\xff\xd8"]
    at = 2
    while True:
        at = data.find(b"\xff", at)
        while at >= 0 and data[at + 1 : at + 2] == b"\xff":
            at += 1
        if at < 0 or at + 4 > len(data):
            raise unreadable(name, "the JPEG ends before its picture.", "Copy or download the file again.")
        marker = data[at + 1]
        if marker in (0x00, 0x01, 0xD8) or 0xD0 <= marker <= 0xD7:
            at += 2
            continue
        length = int.from_bytes(data[at + 2 : at + 4], "big")
        stop = at + 2 + length
        if marker == 0xD9 or length < 2 or stop > len(data):
            raise unreadable(name, "the JPEG is damaged or cut short.", "Copy or download the file again.")
        if marker == 0xDA:
            break
        _take_segment(head, marker, data[at + 4 : stop])
        if not (0xE1 <= marker <= 0xEF or marker == 0xFE) or marker == 0xEE:
            kept.append(data[at:stop])
        at = stop
    if not head.components:
        raise unreadable(name, "the JPEG has no frame header.")
    if data.find(b"\xff\xd9", at) < 0:
        raise unreadable(name, "the JPEG is cut short: it has no end.", "Copy or download the file again.")
    head.bare = b"".join([*kept, data[at:]])
    return head


def _take_segment(head: Head, marker: int, body: bytes) -> None:
    if marker in FRAMES and len(body) >= 6:
        head.bits, head.height, head.width, head.components = struct.unpack(">BHHB", body[:6])
    elif marker == 0xDB:
        head.step = _mean_step(body) or head.step
    elif marker == 0xE1 and body.startswith(b"Exif\0") and not head.exif:
        head.exif = body
    elif marker == 0xE2 and body.startswith(ICC) and len(body) > 14:
        head.icc.append((body[12], body[13], body[14:]))
    elif marker == 0xEE and body.startswith(b"Adobe"):
        head.adobe = True


def _mean_step(body: bytes) -> float:
    """Return the mean of the first steps but one of the quantiser 0, when it is among those given (T.81 B.2.4.1)."""
    at = 0
    while at < len(body):
        wide, which = divmod(body[at], 16)
        size = 64 * (2 if wide else 1)
        steps = (
            struct.unpack_from(f">64{'H' if wide else 'B'}", body, at + 1) if at + size < len(body) else ()
        )
        if which == 0 and steps:
            return float(sum(steps[1:LOW])) / (LOW - 1)
        at += 1 + size
    return 0.0


def _profile(head: Head) -> bytes | None:
    """Join the profile's parts by number (ICC.1, annex B.4); b"" when parts are missing or double."""
    if not head.icc:
        return None
    parts = sorted(head.icc, key=lambda part: part[0])
    if [part[0] for part in parts] != list(range(1, len(parts) + 1)) or {part[1] for part in parts} != {
        len(parts)
    }:
        return b""
    return b"".join(part[2] for part in parts)


def _polarity(name: str) -> Finding:
    return Finding(
        code="colour-mode",
        severity="warn",
        message=f"{name} is a CMYK JPEG that does not say which end is full ink; the usual one, 0, was taken.",
        remedy="Look at the picture on the proof; if it is a negative, export it as RGB.",
        art=name,
    )
