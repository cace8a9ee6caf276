"""How findings put numbers, colours and manifest lines into words."""

from __future__ import annotations

from collections.abc import Iterable

from pipeline.art.paint import Rgb, hex_of

SIDES = ("left", "top", "right", "bottom")


def on(side: str) -> str:
    """Return "on the left", "at the top"."""
    return f"{'at' if side in ('top', 'bottom') else 'on'} the {side}"


def mm(value: float, digits: int = 2) -> str:
    """Return "0.15 mm"."""
    return f"{value:.{digits}f} mm"


def listed(words: Iterable[str]) -> str:
    """Return "a", "a and b", "a, b and c"."""
    all_words = list(words)
    if len(all_words) < 2:
        return "".join(all_words)
    return f"{', '.join(all_words[:-1])} and {all_words[-1]}"


def accept(code: str) -> str:
    """Return the manifest lines with which the customer takes the responsibility."""
    return f'[[accept]]\ncode = "{code}"\nby = "NAME"\nwhy = "REASON"'


def swap(changes: Iterable[tuple[Rgb, Rgb]]) -> str:
    """Return the colourway's `swap` line for (from, to) pairs."""
    inner = ", ".join(f'{{ from = "{hex_of(a)}", to = "{hex_of(b)}" }}' for a, b in changes)
    return f"swap = [{inner}]"


def place(box_mm: tuple[float, float, float, float]) -> str:
    """Return where a box lies, as one would say it over the phone."""
    return f"{box_mm[0]:.0f} mm from the left, {box_mm[1]:.0f} mm from the top"
