"""What the manifest asks of the art, matched against what the art has: its colours by ΔE00, its elements by id."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from pipeline.art.paint import PaintMap, Rgb, Swap, hex_of, parse_hex
from pipeline.art.piece import Art, BitmapArt, PageArt, VectorArt
from pipeline.colour.difference import delta_e_00
from pipeline.colour.spaces import srgb_to_lab
from pipeline.fabric import Cloth
from pipeline.finding import Finding
from pipeline.order import ArtChoices
from pipeline.order_parts import SwapRule
from pipeline.shop_parts import Thresholds
from pipeline.stages.knockout import KnockOutSettings, leaves_all
from pipeline.stages.recolour import match_paints, nearest_colours


@dataclass(frozen=True, slots=True)
class Treatment:
    """What bitmaps go through at their own resolution before they are drawn: ground off, swaps, knock-out.

    `drawn`: colours to swap, or to show the fabric, that the drawing around a bitmap has; it need not have them.
    `lossy`: it went through JPEG or the like; images in vector art are treated each by its own nature (`of`).
    """

    remove_ground: bool = False
    swaps: tuple[tuple[Rgb, Rgb], ...] = ()
    cloth_srgb: tuple[float, float, float] | None = None
    knock_out: KnockOutSettings | None = None
    lossy: bool = False
    drawn: tuple[Rgb, ...] = ()

    def of(self, *, lossy: bool) -> Treatment:
        """Return the treatment of an image that is lossy or is not."""
        knock_out = None if self.knock_out is None else replace(self.knock_out, lossy=lossy)
        return replace(self, lossy=lossy, knock_out=knock_out)


def goes_as_pixels(art: Art) -> bool:
    """Say whether the art is knocked out as pixels: its pixels are no mixtures of paints that could be keyed."""
    return not isinstance(art, VectorArt) or not art.linear


def has_images(art: Art) -> bool:
    """Say whether bitmaps are embedded in vector art."""
    return isinstance(art, VectorArt) and art.has_images


def paints_for(
    art: Art,
    choices: ArtChoices,
    cloth: Cloth,
    limits: Thresholds,
    width_mm: float,
    elsewhere: frozenset[str] = frozenset(),
    colours: NDArray[np.uint8] | None = None,
) -> tuple[PaintMap, Treatment, tuple[Finding, ...]]:
    """Return how the art is drawn, what bitmaps go through, and what the art does not have.

    `elsewhere` are the elements of all art on the colourway: what the colourway names need be in one piece of it only.
    `colours` (n, 4) are those of a bitmap: where none of them goes, the cloth changes nothing, and cloths share plates.
    """
    wanted = tuple((parse_hex(rule.from_), parse_hex(rule.to)) for rule in choices.swap if rule.from_)
    knock_out = _knock_out(art, choices, cloth, limits, width_mm)
    as_it_is = not wanted and choices.ground != "remove" and not choices.shows_fabric
    if knock_out and colours is not None and as_it_is:
        knock_out = None if leaves_all(colours, cloth.srgb, knock_out) else knock_out
    treatment = Treatment(
        choices.ground == "remove", wanted, cloth.srgb if knock_out else None, knock_out, _lossy(art)
    )
    if isinstance(art, BitmapArt) or (isinstance(art, PageArt) and not art.elements):
        return PaintMap(), treatment, _no_elements(choices, elsewhere)
    drawn = PaintMap(
        only=tuple(e for e in choices.only if e in art.elements),
        omit=tuple(e for e in choices.omit if e in art.elements),
    )
    unknown = _unknown_elements(art, choices, elsewhere)
    if isinstance(art, PageArt) or not art.linear:
        return drawn, treatment, (*unknown, *_needs_plain_paints(art, choices))
    swaps, missing = _vector_swaps(art, choices, wanted, limits.knock_out_de)
    findings = [*missing, *unknown]
    unmatched: tuple[Rgb, ...] = ()
    paints = replace(
        drawn,
        swap=swaps,
        cut_out=tuple(e for e in choices.cut_out if e in art.elements),
        without_lowest=art.block and choices.preview == "remove",
    )
    if paints.without_lowest:
        findings.append(_block_removed())
    if knock_out is not None:
        after = _paints_after(art, swaps)
        matched, unmatched = _cloth_paints(after, cloth, knock_out)
        paints = replace(paints, cloth=matched)
        if not art.has_images:
            findings += [nothing_shows_fabric(colour, nearest_colours(after, colour)) for colour in unmatched]
        findings += _through_cloth(art, paints, cloth, limits.knock_out_de)
    if art.has_images:
        has = [old for old, _ in wanted if match_paints(art.paints, _encoded(old), limits.knock_out_de)]
        has += [colour for colour in (knock_out.shows_fabric if knock_out else ()) if colour not in unmatched]
        treatment = replace(treatment, drawn=tuple(has))
    else:
        treatment = Treatment()  # nothing goes the raster way; draws are shared more widely
    return paints, treatment, tuple(findings)


def _lossy(art: Art) -> bool:
    """Say whether the art as a whole went through JPEG; images in a drawing are treated each by their own nature."""
    return not isinstance(art, VectorArt) and art.lossy


def _knock_out(
    art: Art, choices: ArtChoices, cloth: Cloth, limits: Thresholds, width_mm: float
) -> KnockOutSettings | None:
    if choices.knock_out == "none":
        return None
    px_per_mm = art.width / width_mm
    return KnockOutSettings(
        tolerance_de=limits.knock_out_de,
        near_de=limits.near_fabric_de,
        heather=cloth.heather,
        shows_fabric=tuple(parse_hex(c) for c in choices.shows_fabric),
        near_decided=choices.near_fabric == "knock_out",
        smallest_hole_px=max(1, math.ceil(limits.smallest_hole_mm2 * px_per_mm * px_per_mm)),
        lossy=_lossy(art),
        step=art.step if isinstance(art, BitmapArt) else 0.0,
        forced=None if choices.knock_out == "auto" else choices.knock_out,
    )


def _cloth_paints(
    seen: tuple[Rgb, ...], cloth: Cloth, knock_out: KnockOutSettings
) -> tuple[tuple[Rgb, ...], tuple[Rgb, ...]]:
    """Return the paints that show the fabric, and the `shows_fabric` colours that no paint has."""
    reach = knock_out.near_de + cloth.heather if knock_out.near_decided else knock_out.tolerance_de
    found = dict.fromkeys(match_paints(seen, cloth.srgb, reach))
    unmatched = []
    for colour in knock_out.shows_fabric:
        matched = match_paints(seen, _encoded(colour), knock_out.tolerance_de)
        found |= dict.fromkeys(matched)
        if not matched:
            unmatched.append(colour)
    return tuple(found), tuple(unmatched)


def _vector_swaps(
    art: VectorArt, choices: ArtChoices, wanted: tuple[tuple[Rgb, Rgb], ...], tolerance: float
) -> tuple[tuple[Swap, ...], list[Finding]]:
    swaps: list[Swap] = []
    findings: list[Finding] = []
    for old, new in wanted:
        matched = match_paints(art.paints, _encoded(old), tolerance)
        swaps += [Swap(to=new, colour=paint) for paint in matched]
        if not matched and not art.has_images:
            findings.append(swap_not_found(old, nearest_colours(art.paints, old), choices.swap))
    swaps += [
        Swap(to=parse_hex(rule.to), element=rule.element)
        for rule in choices.swap
        if rule.element and rule.element in art.elements
    ]
    return tuple(dict.fromkeys(swaps)), findings


def _paints_after(art: VectorArt, swaps: tuple[Swap, ...]) -> tuple[Rgb, ...]:
    by_colour = {swap.colour: swap.to for swap in swaps if swap.colour}
    changed = [by_colour.get(paint, paint) for paint in art.paints]
    return tuple(dict.fromkeys((*changed, *(swap.to for swap in swaps if swap.element))))


def _encoded(colour: Rgb) -> tuple[float, float, float]:
    return colour[0] / 255, colour[1] / 255, colour[2] / 255


def _through_cloth(art: VectorArt, paints: PaintMap, cloth: Cloth, tolerance: float) -> list[Finding]:
    """Say which gradients take the fabric's colour between two stops: there is no paint there to knock out."""
    swapped = {swap.colour: swap.to for swap in paints.swap if swap.colour}
    share = np.linspace(0, 1, 65)[:, None]
    findings = []
    for pair in art.ramps:
        first, last = (swapped.get(colour, colour) for colour in pair)
        if first in paints.cloth or last in paints.cloth:
            continue
        between = (np.array(first) * (1 - share) + np.array(last) * share) / 255
        if delta_e_00(srgb_to_lab(between), srgb_to_lab(np.array(cloth.srgb))).min() <= tolerance:
            findings.append(_printed_through(first, last))
    return findings


def _printed_through(first: Rgb, last: Rgb) -> Finding:
    ends = f"{hex_of(first)} to {hex_of(last)}"
    return Finding(
        code="gradient-through-fabric",
        severity="note",
        message=f"The gradient from {ends} takes the fabric's colour on its way; it is printed there, not knocked out.",
        remedy="Leave it as it is, or choose a gradient that does not pass through the fabric's colour.",
        measured=ends,
    )


LEFT_IN = ("guide-left", "hidden-content")
"""Codes of what the art holds but may not be meant for print; `only` and `omit` of the manifest answer them."""


def left_in(art: Art, choices: ArtChoices) -> tuple[Finding, ...]:
    """Return what the art holds besides the design, as a note where `only` or `omit` decides about the element."""
    return tuple(_decided(art, choices, finding) for finding in art.findings if finding.code in LEFT_IN)


def _decided(art: Art, choices: ArtChoices, finding: Finding) -> Finding:
    element = finding.measured
    if isinstance(art, BitmapArt) or not isinstance(element, str) or not (choices.only or choices.omit):
        return finding
    if element in choices.omit:
        return finding.answered("The manifest leaves it out (omit).")
    if isinstance(art, PageArt):
        return _decided_layer(choices, finding)
    from pipeline.art.svg.paint import shapes_of

    shapes, drawn = shapes_of(art, element, choices.only, choices.omit)
    if shapes and not drawn:
        key = "only" if choices.only else "omit"
        return finding.answered(f"What the manifest says in {key} leaves it out.")
    if drawn and element in choices.only:
        return finding.answered("The manifest names it in only: it is to be printed.")
    return finding


def _decided_layer(choices: ArtChoices, finding: Finding) -> Finding:
    if choices.only and finding.measured not in choices.only:
        return finding.answered("What the manifest says in only leaves it out.")
    if choices.only and finding.code == "guide-left":
        return finding.answered("The manifest names it in only: it is to be printed.")
    return finding


def swap_not_found(colour: Rgb, nearest: tuple[Rgb, ...], rules: tuple[SwapRule, ...]) -> Finding:
    """Return the finding for a swap that matches nothing in the art; `rules` are all swaps of the colourway."""
    near = ", ".join(hex_of(c) for c in nearest)
    return Finding(
        code="swap-not-found",
        severity="warn",
        message=f"The art has no {hex_of(colour)}; the swap changes nothing. Nearest in the art: {near or 'none'}.",
        remedy=_from_nearest(colour, nearest, rules) if nearest else "Leave the swap out.",
        measured=hex_of(colour),
    )


def _from_nearest(colour: Rgb, nearest: tuple[Rgb, ...], rules: tuple[SwapRule, ...]) -> str:
    """Return the swap line of the colourway with the nearest colour in place of the one that the art lacks."""
    lines = []
    for rule in rules:
        asked = hex_of(nearest[0]) if rule.from_ and parse_hex(rule.from_) == colour else rule.from_
        what = f'from = "{asked}"' if asked else f'element = "{rule.element}"'
        lines.append(f'{{ {what}, to = "{rule.to}" }}')
    others = ", ".join(f'"{hex_of(c)}"' for c in nearest[1:])
    return f"swap = [{', '.join(lines)}]" + (f"  # or from {others}" if others else "")


def _block_removed() -> Finding:
    return Finding(
        code="fabric-preview",
        severity="note",
        message='The flat rectangle under the drawing was removed, as the manifest asks (preview = "remove").',
        remedy="",
    )


def nothing_shows_fabric(colour: Rgb, nearest: tuple[Rgb, ...]) -> Finding:
    """Return the finding for a colour that is to show the fabric and matches nothing in the art."""
    near = ", ".join(hex_of(c) for c in nearest)
    return Finding(
        code="nothing-knocked-out",
        severity="warn",
        message=f"{hex_of(colour)} is to show the fabric, but the art has no such colour. Nearest: {near or 'none'}.",
        remedy="Name a colour that the art has in shows_fabric, or leave it out.",
        measured=hex_of(colour),
    )


def _unknown_elements(
    art: VectorArt | PageArt, choices: ArtChoices, elsewhere: frozenset[str]
) -> list[Finding]:
    named = {
        "cut_out": choices.cut_out,
        "omit": choices.omit,
        "only": choices.only,
        "swap": tuple(rule.element for rule in choices.swap if rule.element),
    }
    known = ", ".join(sorted(art.elements)[:12]) or "none"
    return [
        Finding(
            code="element-not-found",
            severity="stop",
            message=f"{key} names the element {element!r}, which the art does not have.",
            remedy=f"Name one of the art's elements: {known}; or leave it out.",
            measured=element,
        )
        for key, elements in named.items()
        for element in elements
        if element not in art.elements and not (element in choices.of_colourway and element in elsewhere)
    ]


def _needs_plain_paints(art: VectorArt | PageArt, choices: ArtChoices) -> tuple[Finding, ...]:
    why = (
        "a PDF page is"
        if isinstance(art, PageArt)
        else "the art mixes its colours by blending or filters, and is"
    )
    named = (*choices.cut_out, *(rule.element for rule in choices.swap if rule.element))
    return tuple(
        Finding(
            code="unsupported-feature",
            severity="stop",
            message=f"{element!r} cannot be cut out or swapped: {why} drawn as pixels.",
            remedy="Send the art as SVG with its effects expanded into plain shapes, or leave the element as it is.",
            measured=element,
        )
        for element in named
    )


def _no_elements(choices: ArtChoices, elsewhere: frozenset[str]) -> tuple[Finding, ...]:
    named = (*choices.cut_out, *choices.omit, *choices.only, *(r.element for r in choices.swap if r.element))
    return tuple(
        Finding(
            code="element-not-found",
            severity="stop",
            message=f"The element {element!r} is named, but a bitmap or a PDF page without layers has no elements.",
            remedy="Leave it out, or send the art as SVG with ids.",
            measured=element,
        )
        for element in named
        if not (element in choices.of_colourway and element in elsewhere)
    )
