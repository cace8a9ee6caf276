"""What reading and drawing art may cost."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Limits:
    """What reading and drawing may cost; beyond it the art is refused."""

    file_bytes: int = 256 * 2**20
    pixels: int = 150_000_000
    elements: int = 200_000
    depth: int = 200
    seconds: float = 120.0
    memory_bytes: int = 4 * 2**30
