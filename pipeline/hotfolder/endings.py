"""Whether art ends as its format says a whole file does: a writer that pauses is told from one that is done."""

from __future__ import annotations

import os
from pathlib import Path

_TAIL = 2048
_PNG_END = b"\x00\x00\x00\x00IEND\xaeB`\x82"
"""The last chunk of a PNG is an empty IEND with its checksum (PNG specification, section 11.2.5)."""


def looks_whole(path: Path) -> bool | None:
    """Return whether the end mark is there; None for formats that have none (TIFF, or anything unknown).

    PNG: IEND; JPEG: end of image FF D9 (ITU-T T.81, B.1.1.3); SVG: the root's end tag; PDF: %%EOF near the end
    (ISO 32000, 7.5.5); WebP: as long as its header says (RFC 9649, 2.4).
    """
    try:
        with path.open("rb") as stream:
            head = stream.read(12)
            size = stream.seek(0, os.SEEK_END)
            stream.seek(max(0, size - _TAIL))
            tail = stream.read(_TAIL)
    except OSError:
        return False
    if head.startswith(b"\x89PNG"):
        return tail.endswith(_PNG_END) or _PNG_END in tail
    if head.startswith(b"\xff\xd8"):
        return b"\xff\xd9" in tail
    if head.startswith(b"%PDF"):
        return b"%%EOF" in tail
    if head.startswith(b"RIFF"):
        return size >= int.from_bytes(head[4:8], "little") + 8
    if path.suffix.lower() == ".svg":
        return b"</svg" in tail or b"/>" in tail.rstrip()[-2:] or b":svg" in tail
    return None
