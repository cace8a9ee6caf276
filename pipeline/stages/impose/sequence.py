"""Choices that look random and are the same everywhere."""

from __future__ import annotations


class Sequence:
    """The same whole numbers on every machine, spread evenly enough to choose by (Knuth's MMIX multiplier)."""

    __slots__ = ("state",)

    def __init__(self) -> None:
        self.state = 1

    def below(self, count: int) -> int:
        """Return the next number in [0, count)."""
        self.state = (self.state * 6364136223846793005 + 1442695040888963407) & 0xFFFFFFFFFFFFFFFF
        return (self.state >> 33) % count
