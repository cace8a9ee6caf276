"""Preflight of place: what is cut, near an edge or on an obstruction, on every band of a job."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from pipeline import remedies
from pipeline.art.piece import Around
from pipeline.finding import Finding
from pipeline.plan import Job
from pipeline.raster import MM_PER_INCH, Pixels
from pipeline.stages.place import Placement
from pipeline.stages.preflight import bounds, own_edges
from pipeline.stages.preflight.answers import as_decided
from pipeline.stages.preflight.look import Look

_CUT_OK = "The manifest says cut_ok = true."


def own_edge(job: Job, pixels: Pixels, around: Around) -> Iterator[Finding]:
    """Return what the drawing's own edge cuts off, measured on the largest band; `pixels` show `around`."""
    largest = job.plates[-1].placement
    ppi = pixels.shape[1] * MM_PER_INCH / (largest.width_mm * around.times)
    mm = largest.width_mm * around.times / around.art.width
    for finding in own_edges.cut_by_own_edge(
        pixels,
        ppi,
        (around.width * mm, around.height * mm),
        around.turn_deg,
        (largest.width_mm, largest.height_mm),
    ):
        found = finding
        if job.plates[0].placement.width_mm < largest.width_mm:
            smaller = (size for plate in job.plates[:-1] for size in plate.placement.sizes)
            message = f"{found.message} This is size {largest.sizes[0]}, the largest."
            found = replace(found, sizes=(*largest.sizes, *smaller), message=message)
        yield from as_decided((found,), job.print.cut_ok and found.severity != "note", _CUT_OK)


def within(job: Job, whole: Look) -> Iterator[Finding]:
    """Return what is cut, near an edge or on an obstruction: the same pixels, as large as each band, told once."""
    pixels, found = whole.pixels, dict[str, list[tuple[Placement, Finding]]]()
    if whole.ink_px is None:
        return
    for plate in job.plates:
        place = plate.placement
        ppi = pixels.shape[1] * MM_PER_INCH / place.width_mm
        box = bounds.in_mm(whole.ink_px, ppi)
        cut = bounds.outside_area(pixels, ppi, place.area_mm, box=box)
        near = bounds.near_edge(pixels, ppi, place.area_mm, near_edge_mm=job.limits.near_edge_mm, box=box)
        for finding in (*cut, *(() if cut else near)):
            found.setdefault(f"{finding.code} {finding.limit}", []).append((place, finding))
        for keep_out in place.keep_outs:
            for finding in bounds.on_obstruction(pixels, ppi, (keep_out,)):
                found.setdefault(f"{finding.code} {keep_out[0]}", []).append((place, finding))
    # a pixel more: on which of two the ink ends is known when it is drawn
    margin = job.limits.near_edge_mm + MM_PER_INCH / whole.ppi
    line = remedies.fitted(job, whole.ink_share, margin) if found else None
    for bands in found.values():
        finding = _worst(bands, line)
        cut_ok = finding.code == "outside-area" and job.print.cut_ok
        yield from as_decided((finding,), cut_ok, _CUT_OK)
    if job.edge == "unknown":
        looks_cut = own_edges.looks_cut(pixels, whole.ppi, box=whole.ink_px)
        yield from as_decided(looks_cut, job.print.cut_ok, _CUT_OK)


def _worst(bands: list[tuple[Placement, Finding]], line: str | None) -> Finding:
    """Return the one finding that stands for all bands: the gravest, with all their sizes."""
    ranked = sorted(bands, key=lambda b: float(b[1].measured or 0) * (1 if b[1].code == "near-edge" else -1))
    place, finding = ranked[0]
    sizes = tuple(size for other, _ in bands for size in other.sizes)
    if len(bands) > 1:
        finding = replace(finding, message=f"{finding.message} This is size {place.sizes[0]}, the worst.")
    # The picture is that of the worst band, which stands first.
    sizes = (*place.sizes, *(size for size in sizes if size not in place.sizes))
    if line is not None and finding.code == "outside-area":
        line += f"{', or' if '#' in line else '  # or'} {finding.remedy}"
    return replace(finding, sizes=sizes, remedy=finding.remedy if line is None else line)
