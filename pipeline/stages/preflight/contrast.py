"""Will the colours stand out from the fabric and from each other? And if not, which nearest colour would?"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.art.paint import Rgb, hex_of
from pipeline.colour.difference import delta_e_00
from pipeline.colour.palette import MainColour
from pipeline.colour.spaces import lab_of_rgb8
from pipeline.finding import Finding
from pipeline.stages.preflight import words
from pipeline.stages.preflight.contacts import Box, Contacts
from pipeline.stages.preflight.nearest import Wanted, nearest

LEAST_EDGE_MM = 1.0
LEAST_EDGE_SHARE = 0.05
"""Two colours touch when they share this much edge, in mm and as a share of the smaller one's outline."""

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Limits:
    """What a colour must keep from the fabric (ΔE00 and ΔL*) and from its neighbours (ΔE00)."""

    fabric_de: float
    fabric_dl: float
    neighbours_de: float


def difference(one: Rgb, other: Rgb) -> float:
    """Return ΔE00 of two 8-bit sRGB colours."""
    return float(delta_e_00(lab_of_rgb8(one), lab_of_rgb8(other)))


def like_fabric(
    main: Sequence[MainColour],
    fabric_rgb: Rgb,
    *,
    knock_out_de: float,
    near_fabric_de: float,
    heather: float = 0.0,
    near_fabric: str = "ask",
    shows_fabric: Sequence[Rgb] = (),
) -> tuple[tuple[int, ...], tuple[int, ...]]:
    """Return the numbers of the main colours that become cloth, and of those for which somebody must be asked."""
    cloth: list[int] = []
    ask: list[int] = []
    for number, colour in enumerate(main):
        far = difference(colour.rgb, fabric_rgb)
        near = far <= near_fabric_de + heather
        if far <= knock_out_de or colour.rgb in shows_fabric or (near and near_fabric == "knock_out"):
            cloth.append(number)
        elif near and near_fabric == "ask":
            ask.append(number)
    return tuple(cloth), tuple(ask)


def near_fabric(
    main: Sequence[MainColour],
    fabric_rgb: Rgb,
    *,
    knock_out_de: float,
    near_fabric_de: float,
    heather: float = 0.0,
    near_fabric: str = "ask",
    shows_fabric: Sequence[Rgb] = (),
) -> tuple[Finding, ...]:
    """Return `near-fabric` for each main colour close to the fabric, but not close enough to take out unasked."""
    _, ask = like_fabric(
        main,
        fabric_rgb,
        knock_out_de=knock_out_de,
        near_fabric_de=near_fabric_de,
        heather=heather,
        near_fabric=near_fabric,
        shows_fabric=shows_fabric,
    )
    return tuple(
        Finding(
            code="near-fabric",
            severity="stop",
            message=f"{hex_of(main[n].rgb)} is nearly this fabric's colour {hex_of(fabric_rgb)} "
            f"(ΔE00 {difference(main[n].rgb, fabric_rgb):.1f}; up to {knock_out_de:.1f} it is taken out unasked). "
            "Shall the fabric show there, or shall it be printed?",
            remedy='near_fabric = "knock_out"  # or "keep"',
            measured=round(difference(main[n].rgb, fabric_rgb), 2),
            limit=near_fabric_de + heather,
        )
        for n in ask
    )


def contrast(
    main: Sequence[MainColour],
    touching: Contacts,
    fabric_rgb: Rgb,
    *,
    contrast_warn_de: float,
    contrast_warn_dl: float,
    neighbours_warn_de: float,
    cloth: Sequence[int] = (),
    asked: Sequence[int] = (),
) -> tuple[Finding, ...]:
    """Return `low-contrast` (colour on fabric) and `low-contrast-neighbours` (colour on colour).

    `touching` is what `contacts` found for the colours of `main`; `cloth` and `asked` are the numbers from
    `like_fabric`: the first show the fabric, the second are another finding's business. Every remedy is one
    `swap` line for all failing colours together, checked by running the same rules on the changed colours.
    """
    limits = Limits(contrast_warn_de, contrast_warn_dl, neighbours_warn_de)
    colours = [c.rgb for c in main]
    on_fabric, pairs = _edges(touching.length_mm, cloth)
    on_fabric = [n for n in on_fabric if n not in asked]
    weak = [n for n in on_fabric if not _stands_out(colours[n], fabric_rgb, limits)]
    close = [(a, b) for a, b in pairs if difference(colours[a], colours[b]) < neighbours_warn_de]
    if not weak and not close:
        return ()
    changed = _proposal(main, on_fabric, pairs, weak, close, fabric_rgb, limits)
    if changed is None:
        remedy = "No colour of the same hue passes: choose another colour by hand with `swap`, or give it an outline."
    else:
        remedy = words.swap((colours[n], to) for n, to in sorted(changed.items()))
    return tuple(
        [_weak(colours[n], fabric_rgb, limits, remedy, _on_cloth(touching, n, cloth)) for n in weak]
        + [_close((colours[a], colours[b]), touching, (a, b), limits, remedy) for a, b in close]
    )


def contrast_later(
    main: Sequence[MainColour],
    later: Sequence[Rgb],
    touching: Contacts,
    fabric_rgb: Rgb,
    *,
    when: str,
    contrast_warn_de: float,
    contrast_warn_dl: float,
    neighbours_warn_de: float,
    cloth: Sequence[int] = (),
) -> tuple[Finding, ...]:
    """Return the contrast findings that only arise once `main` looks like `later`, e.g. `when="after 12 washes"`."""
    limits = Limits(contrast_warn_de, contrast_warn_dl, neighbours_warn_de)
    on_fabric, pairs = _edges(touching.length_mm, cloth)
    remedy = "swap = []  # choose a colour that differs more, or a fade that keeps it"
    found = [
        _weak(
            later[n],
            fabric_rgb,
            limits,
            remedy,
            _on_cloth(touching, n, cloth),
            f"{hex_of(main[n].rgb)} {when}, then ",
        )
        for n in on_fabric
        if _stands_out(main[n].rgb, fabric_rgb, limits) and not _stands_out(later[n], fabric_rgb, limits)
    ]
    found += [
        _close((later[a], later[b]), touching, (a, b), limits, remedy, f"{when.capitalize()} ")
        for a, b in pairs
        if difference(later[a], later[b]) < neighbours_warn_de <= difference(main[a].rgb, main[b].rgb)
    ]
    return tuple(found)


def _edges(touching_mm: Floats, cloth: Sequence[int]) -> tuple[list[int], list[tuple[int, int]]]:
    """Return the colours that touch the fabric, and the pairs that touch each other."""
    count = touching_mm.shape[0] - 1
    table = touching_mm.copy()
    for n in cloth:
        table[count] += table[n]
        table[:, count] += table[:, n]
        table[n] = 0
        table[:, n] = 0
    outline = table.sum(axis=1)
    enough = np.maximum(LEAST_EDGE_MM, LEAST_EDGE_SHARE * np.minimum(outline[:, None], outline[None, :]))
    enough[:, count] = np.maximum(LEAST_EDGE_MM, LEAST_EDGE_SHARE * outline)
    touch = (table >= enough) & (table > 0)
    inks = [n for n in range(count) if n not in cloth]
    return [n for n in inks if touch[n, count]], [(a, b) for a in inks for b in inks if a < b and touch[a, b]]


def _stands_out(colour: Rgb, fabric: Rgb, limits: Limits) -> bool:
    dl = abs(float(lab_of_rgb8(colour)[0]) - float(lab_of_rgb8(fabric)[0]))
    return difference(colour, fabric) >= limits.fabric_de and dl >= limits.fabric_dl


def _proposal(
    main: Sequence[MainColour],
    on_fabric: list[int],
    pairs: list[tuple[int, int]],
    weak: list[int],
    close: list[tuple[int, int]],
    fabric: Rgb,
    limits: Limits,
) -> dict[int, Rgb] | None:
    """Return new colours for as few as needed so that all rules pass together, or None."""
    colours = [c.rgb for c in main]
    to_change = list(weak)
    for a, b in close:
        if a not in to_change and b not in to_change:
            to_change.append(min((a, b), key=lambda n: (main[n].share, n)))
    for n in to_change:
        beside = [b if a == n else a for a, b in pairs if n in (a, b)]
        wanted = Wanted(
            fabric=fabric if n in on_fabric else None,
            fabric_de=limits.fabric_de,
            fabric_dl=limits.fabric_dl,
            neighbours=tuple(colours[b] for b in beside),
            neighbours_de=limits.neighbours_de,
        )
        found = nearest(main[n].rgb, wanted)
        if found is None:
            return None
        colours[n] = found
    passes = all(_stands_out(colours[n], fabric, limits) for n in on_fabric)
    passes = passes and all(difference(colours[a], colours[b]) >= limits.neighbours_de for a, b in pairs)
    return {n: colours[n] for n in to_change} if passes else None


def _on_cloth(touching: Contacts, colour: int, cloth: Sequence[int]) -> Box | None:
    """Return where a colour lies on the fabric, or beside what shows it, longest."""
    bare = touching.length_mm.shape[0] - 1
    ends = max((bare, *cloth), key=lambda n: touching.length_mm[colour, n])
    return touching.where_mm.get((min(colour, ends), max(colour, ends)))


def _weak(
    colour: Rgb, fabric: Rgb, limits: Limits, remedy: str, where: Box | None, when: str = ""
) -> Finding:
    dl = abs(float(lab_of_rgb8(colour)[0]) - float(lab_of_rgb8(fabric)[0]))
    far = difference(colour, fabric)
    by_de = far < limits.fabric_de
    return Finding(
        code="low-contrast",
        severity="warn",
        message=f"{when}{hex_of(colour)} hardly stands out from the fabric {hex_of(fabric)}: "
        f"ΔE00 {far:.1f} (wanted {limits.fabric_de:g}), lightness differs by {dl:.1f} (wanted {limits.fabric_dl:g}).",
        remedy=remedy,
        measured=round(far if by_de else dl, 2),
        limit=limits.fabric_de if by_de else limits.fabric_dl,
        where_mm=where,
    )


def _close(
    colours: tuple[Rgb, Rgb],
    touching: Contacts,
    pair: tuple[int, int],
    limits: Limits,
    remedy: str,
    when: str = "",
) -> Finding:
    one, other = colours
    far, edge_mm = difference(one, other), touching.length_mm[pair]
    return Finding(
        code="low-contrast-neighbours",
        severity="warn",
        message=f"{when}{hex_of(one)} and {hex_of(other)} touch along {edge_mm:.0f} mm and hardly differ: "
        f"ΔE00 {far:.1f} (wanted {limits.neighbours_de:g}).",
        remedy=remedy,
        measured=round(far, 2),
        limit=limits.neighbours_de,
        where_mm=touching.where_mm.get(pair),
    )
