"""Which nearest colours make a design stand out, now, as printed and as washed, tried by the same rules."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import TypeAlias

from pipeline.art.paint import Rgb
from pipeline.colour.difference import delta_e_00
from pipeline.colour.palette import MainColour
from pipeline.colour.spaces import lab_of_rgb8
from pipeline.stages.preflight import words
from pipeline.stages.preflight.nearest import Wanted, nearest

MARGINS = (0.0, 1.0, 2.0, 4.0, 8.0)
"""How much more than its limits a colour is looked for with, until it passes at every stage."""
APART_DE = 5.0
"""Nearer to another main colour than this the two would count as one."""


def _same(colour: Rgb) -> tuple[Rgb, ...]:
    return (colour,)


@dataclass(frozen=True, slots=True)
class Limits:
    """What a colour must keep from the fabric (ΔE00 and ΔL*) and from its neighbours (ΔE00).

    `stages` gives what a colour of the design looks like as designed, as printed and as washed. `darkest` is the
    press's darkest reflectance, 0–1. `write` puts changes (from, to) into the manifest's words.
    """

    fabric_de: float
    fabric_dl: float
    neighbours_de: float
    stages: Callable[[Rgb], Sequence[Rgb]] = _same
    darkest: float = 0.0
    write: Callable[[Iterable[tuple[Rgb, Rgb]]], str] = words.swap


Pair: TypeAlias = tuple[int, int]


@dataclass(frozen=True, slots=True)
class Layout:
    """The main colours of a design, by number: which lie on the fabric, which touch each other, which are flat."""

    main: tuple[MainColour, ...]
    on_fabric: tuple[int, ...]
    pairs: tuple[Pair, ...]
    flat: tuple[bool, ...]


def difference(one: Rgb, other: Rgb) -> float:
    """Return ΔE00 of two 8-bit sRGB colours."""
    return float(delta_e_00(lab_of_rgb8(one), lab_of_rgb8(other)))


def stands_out(colour: Rgb, fabric: Rgb, limits: Limits) -> bool:
    """Say whether a colour keeps what it must from the fabric."""
    dl = abs(float(lab_of_rgb8(colour)[0]) - float(lab_of_rgb8(fabric)[0]))
    return difference(colour, fabric) >= limits.fabric_de and dl >= limits.fabric_dl


def proposal(
    layout: Layout, weak: Sequence[int], close: Sequence[Pair], fabric: Rgb, limits: Limits
) -> str | None:
    """Return the `swap` line for as few colours as needed so that all rules pass together; None where none does."""
    change = list(weak)
    for a, b in close:
        if a not in change and b not in change:
            change.append(min((a, b), key=lambda n: (layout.main[n].share, n)))
    if not all(layout.flat[n] for n in change):
        return None  # in a photograph there is no one colour to change
    for margin in MARGINS:
        colours = _changed(layout, change, fabric, limits, margin)
        if colours is not None and _passes(layout, change, colours, fabric, limits):
            return limits.write((layout.main[n].rgb, colours[n]) for n in sorted(change))
    return None


def _changed(
    layout: Layout, change: Sequence[int], fabric: Rgb, limits: Limits, margin: float
) -> list[Rgb] | None:
    colours = [c.rgb for c in layout.main]
    for n in change:
        beside = {b if a == n else a for a, b in layout.pairs if n in (a, b)}
        found = nearest(
            colours[n],
            Wanted(
                fabric=fabric if n in layout.on_fabric else None,
                fabric_de=limits.fabric_de + margin,
                fabric_dl=limits.fabric_dl + margin,
                neighbours=tuple(colours[b] for b in sorted(beside)),
                neighbours_de=limits.neighbours_de + margin,
                others=tuple(c for m, c in enumerate(colours) if m != n and m not in beside),
                others_de=APART_DE,
                darkest=limits.darkest,
            ),
        )
        if found is None:
            return None
        colours[n] = found
    return colours


def _passes(
    layout: Layout, change: Sequence[int], colours: Sequence[Rgb], fabric: Rgb, limits: Limits
) -> bool:
    """Say whether all that touches a changed colour stands out at every stage."""
    stages = [limits.stages(colour) for colour in colours]
    for stage in range(len(stages[0]) if stages else 0):
        seen = [looks[stage] for looks in stages]
        if any(n in change and not stands_out(seen[n], fabric, limits) for n in layout.on_fabric):
            return False
        for a, b in layout.pairs:
            if (a in change or b in change) and difference(seen[a], seen[b]) < limits.neighbours_de:
                return False
    return True
