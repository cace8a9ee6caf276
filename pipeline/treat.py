"""Bitmaps on the raster way, at their own resolution: ground off, swap, knock out, and what was noticed about it."""

from __future__ import annotations

from dataclasses import dataclass

from pipeline.art.paint import hex_of
from pipeline.finding import Finding
from pipeline.plan_paints import Treatment
from pipeline.raster import Pixels
from pipeline.stages.knockout import absent, knock_out
from pipeline.stages.preflight.clear_ground import Cleared, remove_ground
from pipeline.stages.recolour import Unmatched, swap_pixels, unmatched

_UNTOLD = 0.25
"""Share of the knocked-out edges that lossy art does not tell, from which on somebody hears of it."""
_PALE = 0.2
"""The same, of edges of blurred strokes that nowhere come near their colour."""


@dataclass(frozen=True, slots=True)
class Notes:
    """What a draw noticed on the raster way: how it knocked out, and which colours it did not find.

    `missing` were to be swapped; `absent` to show the fabric, None where nothing was knocked out.
    """

    mode: str = ""
    findings: tuple[Finding, ...] = ()
    missing: tuple[Unmatched, ...] = ()
    absent: tuple[Unmatched, ...] | None = None


def treat(pixels: Pixels, treatment: Treatment) -> tuple[Pixels, Notes]:
    """Take a bitmap the raster way, at its own resolution: ground off, swap, knock out."""
    findings: list[Finding] = []
    missing: tuple[Unmatched, ...] = ()
    if treatment.remove_ground:
        cleared = remove_ground(pixels)
        if cleared is not None:
            pixels = cleared.pixels
            findings.append(_ground_gone(cleared))
    if treatment.swaps:
        recoloured = swap_pixels(pixels, treatment.swaps, lossy=treatment.lossy)
        pixels = recoloured.pixels
        missing = tuple(missed for missed in recoloured.unmatched if missed.colour not in treatment.drawn)
    if treatment.knock_out is None or treatment.cloth_srgb is None:
        return pixels, Notes("", tuple(findings), missing)
    result = knock_out(pixels, treatment.cloth_srgb, treatment.knock_out)
    if result.untold > _UNTOLD:
        findings.append(_soft_in_the_file(result.untold))
    if result.pale > _PALE:
        findings.append(_blurred(result.pale))
    gone = [colour for colour in absent(pixels, treatment.knock_out) if colour not in treatment.drawn]
    return result.pixels, Notes(result.mode, tuple(findings), missing, unmatched(pixels, gone))


def _soft_in_the_file(share: float) -> Finding:
    return Finding(
        code="lossy-edges",
        severity="warn",
        message=f"The art was saved as JPEG or the like, and at {100 * share:.0f} % of the edges where the fabric is "
        "knocked out the kept colour, or a thin outline of it, is about as light as the fabric. There the file does "
        "not hold where one ends and the other begins; the edges may come out soft or ragged.",
        remedy="Ask for the art as a drawing, or as PNG or TIFF that never was a JPEG; or print it on a lighter or "
        "darker fabric.",
        measured=round(100 * share),
        limit=round(100 * _UNTOLD),
    )


def _blurred(share: float) -> Finding:
    return Finding(
        code="blurred-strokes",
        severity="warn",
        message=f"The art is blurred: {100 * share:.0f} % of the edges where the fabric is knocked out belong to "
        "lettering and lines hardly wider than the blur. They may nowhere reach their full colour, and print as pale "
        "as they are in the file.",
        remedy="Ask for the art as a drawing, or as a sharp bitmap made at the size it is printed.",
        measured=round(100 * share),
        limit=round(100 * _PALE),
    )


def _ground_gone(cleared: Cleared) -> Finding:
    kept = len(cleared.islands)
    places = ", ".join(f"({x0}, {y0})" for x0, y0, _, _ in (island.box_px for island in cleared.islands[:8]))
    return Finding(
        code="opaque-ground",
        severity="note",
        message=f"The ground {hex_of(cleared.ground)} was removed, as the manifest asks."
        + (
            f" {kept} islands of the same colour inside the art were kept, at pixels {places}."
            if kept
            else ""
        ),
        remedy="",
        measured=hex_of(cleared.ground),
    )


def joined(notes: list[Notes]) -> Notes:
    """Return the notes of several draws or bitmaps as one; a colour that one of them has is not missing."""
    modes = sorted({note.mode for note in notes if note.mode})
    findings = tuple(dict.fromkeys(f for note in notes for f in note.findings))
    missing = _nowhere([note.missing for note in notes])
    looked = [note.absent for note in notes if note.absent is not None]
    return Notes(", ".join(modes), findings, missing, _nowhere(looked) if looked else None)


def _nowhere(missed: list[tuple[Unmatched, ...]]) -> tuple[Unmatched, ...]:
    everywhere = [{one.colour for one in ones} for ones in missed]
    return tuple(one for one in (missed[0] if missed else ()) if all(one.colour in has for has in everywhere))
