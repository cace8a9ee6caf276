"""The two ways art is refused, each with the file, what is wrong and what to do."""

from __future__ import annotations

from pipeline.faults import Refused
from pipeline.manifest_text import printable


def unreadable(name: str, what: str, do: str = "Export the file again and check that it opens.") -> Refused:
    """Return the refusal of art that cannot be read: `what` is wrong with it, `do` helps."""
    return Refused(printable(f"{name}: {what} {do}"), code="art-unreadable")


def too_large(name: str, what: str, allowed: str, do: str = "Send a smaller file.") -> Refused:
    """Return the refusal of art that is over a limit; `allowed` says what would have been read."""
    return Refused(printable(f"{name}: {what} Allowed: {allowed}. {do}"), code="art-too-large")


def check_pixels(name: str, width: int, height: int, allowed: int) -> None:
    """Refuse a picture of `width` × `height` px that is empty or has more than `allowed` pixels."""
    if width < 1 or height < 1:
        raise unreadable(name, f"the header says {width} × {height} px, so there is no picture.")
    if width * height > allowed:
        raise too_large(
            name, f"{width} × {height} px is too large to read.", f"{allowed / 1e6:.0f} million pixels"
        )
