"""Lines and gaps too thin to print."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from pipeline.finding import Finding
from pipeline.raster import MM_PER_INCH, Pixels
from pipeline.stages.preflight import words
from pipeline.stages.preflight.stations import Scans, scanned
from pipeline.stages.preflight.stretches import Strip, under
from pipeline.stages.preflight.strips import widths
from pipeline.stages.preflight.texture import textured

Box = tuple[float, float, float, float]

SEPARATE_MM = 0.5
"""Stretches whose middles are nearer than this are told as one place."""


def thin_features(
    pixels: Pixels,
    ppi: float,
    *,
    line_stop_mm: float,
    line_warn_mm: float,
    gap_stop_mm: float,
    gap_warn_mm: float,
    scans: Scans | None = None,
    texture: Callable[[Box], bool] | None = None,
) -> tuple[Finding, ...]:
    """Return `thin-line` and `thin-gap` for (H, W, 4) pixels at the smallest print size; a limit of 0 never holds.

    A line is a strip of one ink between others or on cloth, a gap a strip of cloth between inks. `scans` are the
    pixels scanned, when that is at hand; `texture` says of a place whether the art is a photograph there.
    """
    measured = widths(
        scans or scanned(pixels), ppi, max(line_stop_mm, line_warn_mm, gap_stop_mm, gap_warn_mm)
    )
    found: list[Finding] = []
    for gap, stop_mm, warn_mm in ((False, line_stop_mm, line_warn_mm), (True, gap_stop_mm, gap_warn_mm)):
        for severity, limit in (("stop", stop_mm), ("warn", warn_mm)):
            strips = [s for s in under(measured, ppi, limit) if s.gap == gap] if limit > 0 else []
            if severity == "stop":
                strips = [s for s in strips if not (s.opens or s.sliver)]
            strips = [
                s
                for s in strips
                if not textured(pixels, ppi, s.box_mm) and not (texture and texture(s.box_mm))
            ]
            if strips:
                wide = pixels.shape[1] * MM_PER_INCH / ppi
                found.append(_finding(strips, limit, wide, stop=severity == "stop", gap=gap))
                break
    return tuple(found)


def _finding(strips: list[Strip], limit: float, print_mm: float, *, stop: bool, gap: bool) -> Finding:
    thinnest = strips[0]
    what, loss = ("gap", "fill in") if gap else ("line", "not hold")
    code = f"thin-{what}"
    places = separate(strips)
    often = f" {places} places are below the limit." if places > 1 else ""
    larger = limit / max(thinnest.width_mm, 0.01)
    return Finding(
        code=code,
        severity="stop" if stop else "warn",
        message=f"The thinnest {what} is {words.mm(thinnest.width_mm)} wide over {words.mm(thinnest.length_mm, 1)}, "
        f"{words.place(thinnest.box_mm)}; under {words.mm(limit)} it may {loss}.{often} "
        f"The smallest print is {print_mm:.0f} mm wide; the {what} would pass from {print_mm * larger:.0f} mm on.",
        remedy=words.accept(code),
        measured=round(thinnest.width_mm, 3),
        limit=limit,
        where_mm=thinnest.box_mm,
    )


def separate(strips: Sequence[Strip]) -> int:
    """Count the places of strips, those measured twice (near 45°) once."""
    middles = {
        (round((x + w / 2) / SEPARATE_MM), round((y + h / 2) / SEPARATE_MM))
        for x, y, w, h in (s.box_mm for s in strips)
    }
    apart = 0
    for x, y in sorted(middles):
        apart += not ({(x - 1, y), (x, y - 1), (x - 1, y - 1), (x - 1, y + 1)} & middles)
    return apart
