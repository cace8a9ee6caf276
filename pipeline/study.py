"""What is decided once for a job: one plate walked down the line, looked at by preflight, and shown on papers.

The smallest plate is walked: lines are thinnest there. What depends on the size is looked at for every band.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from pipeline.art.paint import Rgb, hex_of, parse_hex
from pipeline.colour.palette import MainColour, flat_palette, main_colours_of, unique_colours
from pipeline.finding import Finding
from pipeline.line import Drawn, clip, keep, make_base
from pipeline.plan import Job
from pipeline.raster import MM_PER_INCH, Pixels, Plane
from pipeline.stages import base as base_stage
from pipeline.stages import fade
from pipeline.stages.fade import ColourLife
from pipeline.stages.place import Placement
from pipeline.stages.preflight import (
    bounds,
    contacts,
    contrast,
    ground,
    pictures,
    resolution,
    specks,
    survival,
    thin,
)

PICTURE_PX = 640
"""Longer side of the pictures on papers, in pixels at most."""


@dataclass(frozen=True, slots=True, eq=False)
class Study:
    """What was decided for a job. Pictures are (H, W, 3) sRGB of the print on its fabric, masks (H, W), both small.

    `pictures` shows the places of findings, by the name that `Finding.picture` gives.
    """

    base: base_stage.BaseDecision
    main: tuple[MainColour, ...]
    lives: tuple[ColourLife, ...]
    findings: tuple[Finding, ...]
    mode: str
    picture: NDArray[np.uint8]
    picture_washed: NDArray[np.uint8]
    knocked_out: NDArray[np.bool_]
    pictures: Mapping[str, NDArray[np.uint8]] = field(default_factory=dict)


def study(job: Job, drawn: Drawn) -> Study:
    """Walk a job's smallest plate down the line and decide for all its bands."""
    placement = job.plates[0].placement
    whole = keep(job, drawn)
    kept = clip(whole, placement)
    main = main_colours_of(kept, flat_palette(kept))
    decision = base_stage.decide(
        [(colour.rgb, colour.share) for colour in main],
        job.cloth.srgb,
        job.cloth.base,
        job.print.route,
        job.limits.no_base_de,
    )
    on_base = decision.strength > 0
    lives = fade.colour_lives(main, job.fade, on_base=on_base)
    gallery = _Gallery(job)
    findings = (
        *drawn.notes.findings,
        *gallery.shown(_before(job, drawn.plain), drawn.plain),
        *gallery.shown(_after(job, drawn.plain, whole), whole),
        *gallery.shown(_bounds(job, whole), whole),
        *gallery.shown(_printed(job, kept, main, lives, on_base=on_base), kept),
    )
    papers = _pictures(job, drawn, kept, decision)
    return Study(decision, main, lives, findings, drawn.notes.mode, *papers, pictures=gallery.pictures)


class _Gallery:
    """Pictures of the places of findings, as they are found."""

    def __init__(self, job: Job) -> None:
        self.pictures: dict[str, NDArray[np.uint8]] = {}
        self._job = job

    def shown(self, findings: Iterable[Finding], pixels: Pixels) -> Iterator[Finding]:
        """Yield the findings, each whose place is known with a picture of it in these pixels."""
        small: Pixels | None = None
        for finding in findings:
            if finding.where_mm is None:
                yield finding
                continue
            small = reduced(pixels, PICTURE_PX) if small is None else small
            placement = self._placement(finding)
            picture = pictures.place_picture(
                pixels,
                small,
                placement.width_mm,
                finding.where_mm,
                self._job.cloth.srgb,
                area_mm=placement.area_mm if finding.code in ("outside-area", "near-edge") else None,
            )
            name = pictures.name_of(finding.code, picture)
            self.pictures[name] = picture
            yield replace(finding, picture=name)

    def _placement(self, finding: Finding) -> Placement:
        """Return the band that a finding tells of: the smallest, when it names none."""
        for plate in self._job.plates:
            if plate.placement.sizes == finding.sizes:
                return plate.placement
        return self._job.plates[0].placement


def _before(job: Job, plain: Pixels) -> Iterator[Finding]:
    """Preflight A, on the recoloured art: resolution, grounds, contrast, colours near the fabric."""
    limits, cloth, ppi = job.limits, job.fade.ground_srgb, job.plates[0].placement.ppi
    if job.bitmap_px is not None:
        largest = job.plates[-1].placement
        yield from (
            finding.at(sizes=largest.sizes)
            for finding in resolution.resolution(
                job.bitmap_px,
                max(plate.placement.width_mm for plate in job.plates),
                resolution_stop_ppi=limits.resolution_stop_ppi,
                resolution_warn_ppi=limits.resolution_warn_ppi,
                lettering_warn_ppi=limits.lettering_warn_ppi,
                lettering=resolution.hard_edged(plain),
                ruling_lpi=None if job.press.screen is None else job.press.screen.ruling,
            )
        )
        if job.choices.ground != "remove":
            found = ground.opaque_ground(plain, ppi, cloth, knock_out_de=limits.knock_out_de)
            yield from _kept(found, job.choices.ground == "keep", 'The manifest says ground = "keep".')
    else:
        found = ground.fabric_preview(
            plain,
            ppi,
            job.fabrics,
            preview_de=limits.preview_de,
            knock_out_de=limits.knock_out_de,
            area_mm=job.plates[0].placement.area_mm,
        )
        yield from _kept(found, job.choices.preview == "keep", 'The manifest says preview = "keep".')
    yield from _colours(job, plain, ppi, cloth)


def _kept(found: tuple[Finding, ...], answered: bool, by: str) -> Iterator[Finding]:  # noqa: FBT001
    for finding in found:
        yield finding.answered(by) if answered else finding


def _colours(job: Job, plain: Pixels, ppi: float, cloth: Rgb) -> Iterator[Finding]:
    limits = job.limits
    main = main_colours_of(plain, flat_palette(plain))
    near = {
        "knock_out_de": limits.knock_out_de if job.choices.knock_out != "none" else 0.0,
        "near_fabric_de": limits.near_fabric_de,
        "heather": job.cloth.heather,
    }
    shows = _shown_colours(job)
    decision = job.choices.near_fabric if job.choices.knock_out != "none" else "keep"
    yield from contrast.near_fabric(main, cloth, **near, near_fabric=decision, shows_fabric=shows)
    gone, asked = contrast.like_fabric(main, cloth, **near, near_fabric=decision, shows_fabric=shows)
    if job.choices.knock_out == "none":
        gone = ()
    yield from contrast.contrast(
        main,
        contacts.contacts(plain, ppi, [colour.rgb for colour in main]),
        cloth,
        contrast_warn_de=limits.contrast_warn_de,
        contrast_warn_dl=limits.contrast_warn_dl,
        neighbours_warn_de=limits.neighbours_warn_de,
        cloth=gone,
        asked=asked,
    )


def _shown_colours(job: Job) -> tuple[Rgb, ...]:
    return tuple(parse_hex(colour) for colour in job.choices.shows_fabric)


def _after(job: Job, plain: Pixels, kept: Pixels) -> Iterator[Finding]:
    """Preflight B, on what the knock-out leaves."""
    limits, first = job.limits, job.plates[0].placement
    mm2 = (MM_PER_INCH / first.ppi) ** 2
    before, after = (int(p[..., 3].sum(dtype=np.int64)) / 255 * mm2 for p in (plain, kept))
    yield from resolution.nothing_to_print(before)
    asked = (*(hex_of(c) for c in _shown_colours(job)), *job.choices.cut_out)
    if before > 0:
        yield from resolution.knocked_out(before, after, asked=asked)
    yield from thin.thin_features(
        kept,
        first.ppi,
        line_stop_mm=limits.line_stop_mm,
        line_warn_mm=limits.line_warn_mm,
        gap_stop_mm=limits.gap_stop_mm,
        gap_warn_mm=limits.gap_warn_mm,
    )
    yield from specks.specks(
        kept, first.ppi, speck_warn_mm2=limits.speck_warn_mm2, island_warn_mm=limits.island_warn_mm
    )
    yield from specks.soft_alpha(kept, first.ppi, soft_alpha_warn_percent=limits.soft_alpha_warn_percent)


def _bounds(job: Job, whole: Pixels) -> Iterator[Finding]:
    """Return what is cut, near an edge or on an obstruction, band by band: the same pixels, as large as each band."""
    for plate in job.plates:
        place = plate.placement
        ppi = whole.shape[1] * MM_PER_INCH / place.width_mm
        cut = bounds.outside_area(whole, ppi, place.area_mm)
        near = (
            bounds.near_edge(whole, ppi, place.area_mm, near_edge_mm=job.limits.near_edge_mm)
            if not cut
            else ()
        )
        answered = _kept(cut, job.print.cut_ok, "The manifest says cut_ok = true.")
        for finding in (*answered, *near, *bounds.on_obstruction(whole, ppi, place.keep_outs)):
            yield finding.at(sizes=place.sizes)


def _printed(
    job: Job, kept: Pixels, main: tuple[MainColour, ...], lives: tuple[ColourLife, ...], *, on_base: bool
) -> Iterator[Finding]:
    """Preflight C: what survives the base, the press, the heat and the wash."""
    limits, cloth = job.limits, job.fade.ground_srgb
    ppi = job.plates[0].placement.ppi
    if on_base:
        yield from survival.base_too_thin(
            kept,
            ppi,
            choke_mm=job.press.choke_mm,
            base_line_stop_mm=limits.base_line_stop_mm,
            hairline=limits.hairline,
        )
    yield from survival.out_of_gamut(main, darkest_reflectance=job.press.darkest_reflectance)
    yield from survival.dye_migration(
        dict(job.cloth.fibres),
        job.press.cure_c,
        cloth,
        dye_migration_polyester_percent=limits.dye_migration_polyester_percent,
        dye_migration_cure_c=limits.dye_migration_cure_c,
    )
    touching = contacts.contacts(kept, ppi, [colour.rgb for colour in main])
    for when, later in (
        ("as printed", [life.printed for life in lives]),
        (f"after {job.fade.washes:g} washes", [life.compensated[0].rgb for life in lives]),
    ):
        yield from contrast.contrast_later(
            main,
            later,
            touching,
            cloth,
            when=when,
            contrast_warn_de=limits.contrast_warn_de,
            contrast_warn_dl=limits.contrast_warn_dl,
            neighbours_warn_de=limits.neighbours_warn_de,
        )
    yield from fade.compensate(reduced(kept, 512), on_base, job.fade).findings


def _pictures(
    job: Job, drawn: Drawn, kept: Pixels, decision: base_stage.BaseDecision
) -> tuple[NDArray[np.uint8], NDArray[np.uint8], NDArray[np.bool_]]:
    """Return the print on its fabric as printed and as washed, and where ink was knocked out."""
    placement = job.plates[0].placement
    small = reduced(kept, PICTURE_PX)
    under = _reduced_plane(make_base(job, kept, placement, decision), PICTURE_PX)
    fresh = fade.compensate(small, decision.strength > 0, job.fade).pixels
    seen = base_stage.simulate(fresh, under, job.cloth.srgb)
    worn = fresh.copy()
    if job.fade.method != "none":
        worn = _washed(fresh, job, on_base=decision.strength > 0)
    washed = base_stage.simulate(worn, under, job.cloth.srgb)
    gone = reduced(clip(drawn.plain, placement), PICTURE_PX)[..., 3].astype(np.int16) - small[..., 3] > 96
    return seen, washed, gone


def _washed(pixels: Pixels, job: Job, *, on_base: bool) -> Pixels:
    palette = unique_colours(pixels)
    table = palette.colours.copy()
    table[:, :3] = [
        fade.predict(tuple(c), job.fade.washes, job.fade, on_base=on_base) for c in table[:, :3].tolist()
    ]
    table[table[:, 3] == 0] = 0
    out: Pixels = table[palette.index]
    return out


def reduced(pixels: Pixels, longest_px: int) -> Pixels:
    """Return a smaller picture: whole blocks averaged, colour weighted by alpha."""
    step = max(1, -(-max(pixels.shape[:2]) // longest_px))
    if step == 1:
        return pixels.copy()
    height, width = (side // step * step for side in pixels.shape[:2])
    blocks = pixels[:height, :width].reshape(height // step, step, width // step, step, 4)
    alpha = blocks[..., 3].sum(axis=(1, 3), dtype=np.float64)
    out = np.zeros((height // step, width // step, 4), np.uint8)
    out[..., 3] = np.floor(alpha / step**2 + 0.5)
    solid = np.maximum(alpha, 1.0)
    for channel in range(3):
        weighted = (blocks[..., channel].astype(np.uint32) * blocks[..., 3]).sum(
            axis=(1, 3), dtype=np.float64
        )
        out[..., channel] = np.floor(weighted / solid + 0.5)
    out[out[..., 3] == 0] = 0
    return out


def _reduced_plane(plane: Plane, longest_px: int) -> Plane:
    step = max(1, -(-max(plane.shape) // longest_px))
    height, width = (side // step * step for side in plane.shape)
    blocks = plane[:height, :width].reshape(height // step, step, width // step, step)
    small: Plane = np.floor(blocks.mean(axis=(1, 3)) + 0.5).astype(np.uint8)
    return small
