"""Will the colours stand out from the fabric and from each other? And if not, which nearest colour would?"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from pipeline.art.paint import Rgb, hex_of
from pipeline.colour.palette import MainColour
from pipeline.colour.spaces import lab_of_rgb8
from pipeline.finding import Finding
from pipeline.stages.preflight import words
from pipeline.stages.preflight.contacts import Box, Contacts
from pipeline.stages.preflight.swaps import Layout, Limits, Pair, difference, proposal, stands_out

LEAST_EDGE_MM = 1.0
LEAST_EDGE_SHARE = 0.05
"""Two colours touch when they share this much edge, in mm and as a share of the smaller one's outline."""

Floats = NDArray[np.float64]


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
    flat: Sequence[bool] | None = None,
) -> tuple[Finding, ...]:
    """Return `near-fabric` for main colours close to the fabric, but not close enough to take out unasked.

    Flat ones ask; the tones of photographs and gradients (not `flat`) run through the fabric's colour, which warns.
    """
    _, ask = like_fabric(
        main,
        fabric_rgb,
        knock_out_de=knock_out_de,
        near_fabric_de=near_fabric_de,
        heather=heather,
        near_fabric=near_fabric,
        shows_fabric=shows_fabric,
    )
    found = []
    for stop in (True, False):
        mine = [main[n].rgb for n in ask if (flat is None or flat[n]) == stop]
        if mine:
            found.append(_near(mine, fabric_rgb, knock_out_de, near_fabric_de + heather, stop=stop))
    return tuple(found)


def _near(colours: Sequence[Rgb], fabric: Rgb, knock_out_de: float, limit: float, *, stop: bool) -> Finding:
    far, nearest = min((difference(colour, fabric), colour) for colour in colours)
    others = [hex_of(c) for c in colours if c != nearest]
    also = f" So {'is' if len(others) == 1 else 'are'} {words.listed(others)}." if others else ""
    what = "is nearly" if stop else "in a photograph or gradient is nearly"
    asks = (
        "Shall the fabric show there, or shall it be printed?"
        if stop
        else "The rest is printed, so that no hole is torn into the picture."
    )
    return Finding(
        code="near-fabric",
        severity="stop" if stop else "warn",
        message=f"{hex_of(nearest)} {what} this fabric's colour {hex_of(fabric)} "
        f"(ΔE00 {far:.1f}; up to {knock_out_de:.1f} it is taken out unasked).{also} {asks}",
        remedy='near_fabric = "knock_out"  # or "keep"' if stop else 'near_fabric = "keep"  # or "knock_out"',
        measured=round(far, 2),
        limit=limit,
    )


def contrast(
    main: Sequence[MainColour],
    touching: Contacts,
    fabric_rgb: Rgb,
    limits: Limits,
    *,
    cloth: Sequence[int] = (),
    asked: Sequence[int] = (),
) -> tuple[Finding, ...]:
    """Return `low-contrast` (colour on fabric) and `low-contrast-neighbours` (colour on colour).

    `touching` is what `contacts` found for the colours of `main`; `cloth` and `asked` are the numbers from
    `like_fabric`: the first show the fabric, the second are another finding's business. Every remedy is one
    `swap` line for all failing colours together, checked by running the same rules on the changed colours.
    """
    layout = _layout(main, touching, cloth, asked)
    colours = [c.rgb for c in main]
    weak = [n for n in layout.on_fabric if not stands_out(colours[n], fabric_rgb, limits)]
    close = [(a, b) for a, b in layout.pairs if difference(colours[a], colours[b]) < limits.neighbours_de]
    return _told(layout, touching, cloth, (weak, close), colours, fabric_rgb, limits, "")


def contrast_later(
    main: Sequence[MainColour],
    later: Sequence[Rgb],
    touching: Contacts,
    fabric_rgb: Rgb,
    limits: Limits,
    *,
    when: str,
    cloth: Sequence[int] = (),
) -> tuple[Finding, ...]:
    """Return the contrast findings that only arise once `main` looks like `later`, e.g. `when="after 12 washes"`."""
    layout = _layout(main, touching, cloth, ())
    colours = [c.rgb for c in main]
    weak = [
        n
        for n in layout.on_fabric
        if stands_out(colours[n], fabric_rgb, limits) and not stands_out(later[n], fabric_rgb, limits)
    ]
    close = [
        (a, b)
        for a, b in layout.pairs
        if difference(later[a], later[b]) < limits.neighbours_de <= difference(colours[a], colours[b])
    ]
    return _told(layout, touching, cloth, (weak, close), later, fabric_rgb, limits, when)


def _layout(
    main: Sequence[MainColour], touching: Contacts, cloth: Sequence[int], asked: Sequence[int]
) -> Layout:
    on_fabric, pairs = _edges(touching.length_mm, cloth)
    return Layout(
        tuple(main),
        tuple(n for n in on_fabric if n not in asked),
        tuple(pairs),
        tuple(touching.flat.tolist()),
    )


def _told(
    layout: Layout,
    touching: Contacts,
    cloth: Sequence[int],
    failing: tuple[list[int], list[Pair]],
    seen: Sequence[Rgb],
    fabric: Rgb,
    limits: Limits,
    when: str,
) -> tuple[Finding, ...]:
    """Return a finding for each colour or pair that fails, `seen` at the time told by `when`."""
    weak, close = failing
    if not weak and not close:
        return ()
    swap = proposal(layout, weak, close, fabric, limits)
    found = [
        _weak(
            seen[n],
            fabric,
            limits,
            _on_cloth(touching, n, cloth),
            f"{hex_of(layout.main[n].rgb)} {when}, then " if when else "",
        )
        for n in weak
    ]
    found += [
        _close((seen[a], seen[b]), touching, (a, b), limits, f"{when.capitalize()} " if when else "")
        for a, b in close
    ]
    if swap is not None:
        return tuple(replace(f, remedy=swap) for f in found)
    none = " No nearest colour can be named: choose one by hand with `swap`, or give it an outline."
    if not all(layout.flat[n] for n in (*weak, *(n for pair in close for n in pair))):
        none = " It is a tone of a photograph or gradient: an outline around the print would set it off."
    return tuple(_together(same, none) for same in (found[: len(weak)], found[len(weak) :]) if same)


def _together(found: Sequence[Finding], more: str) -> Finding:
    """Return the gravest of findings that no line clears, and how many more there are."""
    worst = min(found, key=lambda f: (float(f.measured or 0) / float(f.limit or 1), f.message))
    often = f" It is so with {len(found) - 1} more." if len(found) > 1 else ""
    return replace(worst, message=worst.message + often + more, remedy=words.accept(worst.code))


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


def _on_cloth(touching: Contacts, colour: int, cloth: Sequence[int]) -> Box | None:
    """Return where a colour lies on the fabric, or beside what shows it, longest."""
    bare = touching.length_mm.shape[0] - 1
    ends = max((bare, *cloth), key=lambda n: touching.length_mm[colour, n])
    return touching.where_mm.get((min(colour, ends), max(colour, ends)))


def _weak(colour: Rgb, fabric: Rgb, limits: Limits, where: Box | None, when: str) -> Finding:
    dl = abs(float(lab_of_rgb8(colour)[0]) - float(lab_of_rgb8(fabric)[0]))
    far = difference(colour, fabric)
    by_de = far < limits.fabric_de
    return Finding(
        code="low-contrast",
        severity="warn",
        message=f"{when}{hex_of(colour)} hardly stands out from the fabric {hex_of(fabric)}: "
        f"ΔE00 {far:.1f} (wanted {limits.fabric_de:g}), lightness differs by {dl:.1f} (wanted {limits.fabric_dl:g}).",
        remedy="",
        measured=round(far if by_de else dl, 2),
        limit=limits.fabric_de if by_de else limits.fabric_dl,
        where_mm=where,
    )


def _close(
    colours: tuple[Rgb, Rgb],
    touching: Contacts,
    pair: tuple[int, int],
    limits: Limits,
    when: str,
) -> Finding:
    one, other = colours
    far, edge_mm = difference(one, other), touching.length_mm[pair]
    return Finding(
        code="low-contrast-neighbours",
        severity="warn",
        message=f"{when}{hex_of(one)} and {hex_of(other)} touch along {edge_mm:.0f} mm and hardly differ: "
        f"ΔE00 {far:.1f} (wanted {limits.neighbours_de:g}).",
        remedy="",
        measured=round(far, 2),
        limit=limits.neighbours_de,
        where_mm=touching.where_mm.get(pair),
    )
