"""Which checks of preflight a job goes through, and by which of its limits: A, B and C, at their place in the line."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace
from typing import Any

from pipeline import remedies
from pipeline.art.paint import Rgb, hex_of, parse_hex
from pipeline.colour.palette import MainColour
from pipeline.finding import Finding
from pipeline.plan import Job
from pipeline.raster import MM_PER_INCH, Pixels
from pipeline.stages import dots, fade
from pipeline.stages.fade import ColourLife
from pipeline.stages.preflight import (
    bounds,
    contrast,
    gamut,
    ground,
    lettering,
    residue,
    resolution,
    specks,
    spots,
    survival,
    swaps,
    thin,
    vanished,
    words,
)
from pipeline.stages.preflight.answers import as_decided
from pipeline.stages.preflight.look import Look


def before(job: Job, plain: Look) -> Iterator[Finding]:
    """Preflight A, on the recoloured art: resolution, grounds, contrast, colours near the fabric."""
    limits, cloth = job.limits, job.fade.ground_srgb
    if job.bitmap_px is not None:
        yield from _resolution(job, plain, job.bitmap_px)
        if job.choices.ground != "remove":
            found = ground.opaque_ground(
                plain.pixels,
                plain.ppi,
                cloth,
                knock_out_de=limits.knock_out_de,
                fabrics=job.fabrics,
                preview_de=limits.preview_de,
            )
            yield from as_decided(found, job.choices.ground == "keep", 'The manifest says ground = "keep".')
    else:
        found = ground.fabric_preview(
            plain.pixels,
            plain.ppi,
            job.fabrics,
            preview_de=limits.preview_de,
            knock_out_de=limits.knock_out_de,
            area_mm=job.plates[0].placement.area_mm,
        )
        yield from as_decided(found, job.choices.preview == "keep", 'The manifest says preview = "keep".')
    yield from _colours(job, plain, cloth)


def _resolution(job: Job, plain: Look, bitmap_px: float) -> Iterator[Finding]:
    limits = job.limits
    wanted = resolution.wanted_ppi(
        resolution_warn_ppi=max(limits.resolution_warn_ppi, limits.resolution_stop_ppi),
        lettering_warn_ppi=limits.lettering_warn_ppi,
        lettering=plain.hard_edged,
        ruling_lpi=None if job.press.screen is None else job.press.screen.ruling,
    )

    def too_wide(ppi: float) -> dict[int, float]:
        largest = bitmap_px * MM_PER_INCH / ppi
        return {n: largest for n, p in enumerate(job.plates) if p.placement.width_mm > largest}

    for finding in resolution.resolution(
        bitmap_px,
        max(plate.placement.width_mm for plate in job.plates),
        resolution_stop_ppi=limits.resolution_stop_ppi,
        wanted_ppi=wanted,
    ):
        sizes = tuple(size for n in too_wide(wanted) for size in job.plates[n].placement.sizes)
        sharp = remedies.sized(job, too_wide(wanted))
        passing = remedies.sized(job, too_wide(float(finding.limit or wanted)))
        remedy = remedies.with_warning_too(passing, sharp)
        yield replace(
            finding, sizes=sizes, remedy=remedy, where_mm=spots.most_detail(plain.small, plain.small_ppi)
        )


def _colours(job: Job, plain: Look, cloth: Rgb) -> Iterator[Finding]:
    near = _near(job)
    yield from contrast.near_fabric(plain.main, cloth, **near, flat=plain.touching.flat.tolist())
    gone, asked = _like_fabric(job, plain)
    yield from contrast.contrast(
        plain.main,
        plain.touching,
        cloth,
        _standing_out(job),
        cloth=gone,
        asked=asked,
    )


def _near(job: Job) -> dict[str, Any]:
    """Return which colours of a job are like its fabric, as `contrast` wants to know it."""
    knocks_out = job.choices.knock_out != "none"
    return {
        "knock_out_de": job.limits.knock_out_de if knocks_out else 0.0,
        "near_fabric_de": job.limits.near_fabric_de,
        "heather": job.cloth.heather,
        "near_fabric": job.choices.near_fabric if knocks_out else "keep",
        "shows_fabric": _shown_colours(job),
    }


def _like_fabric(job: Job, plain: Look) -> tuple[tuple[int, ...], tuple[int, ...]]:
    """Return the numbers of the main colours that become cloth, and of those for which somebody must be asked."""
    gone, asked = contrast.like_fabric(plain.main, job.fade.ground_srgb, **_near(job))
    return gone if job.choices.knock_out != "none" else (), asked


def _standing_out(job: Job) -> swaps.Limits:
    """Return what colours must keep from the fabric and each other, and how they look down the line."""

    def stages(colour: Rgb) -> tuple[Rgb, ...]:
        # Another colour may get a base or lose it: it must stand out either way.
        lives = [
            fade.colour_lives((MainColour(colour, 1.0),), job.fade, on_base=base)[0] for base in (True, False)
        ]
        return colour, *(rgb for life in lives for rgb in (life.printed, life.compensated[0].rgb))

    return swaps.Limits(
        fabric_de=job.limits.contrast_warn_de,
        fabric_dl=job.limits.contrast_warn_dl,
        neighbours_de=job.limits.neighbours_warn_de,
        stages=stages,
        darkest=job.press.darkest_reflectance,
        write=lambda changes: remedies.swapped(job, changes),
    )


def _shown_colours(job: Job) -> tuple[Rgb, ...]:
    return tuple(parse_hex(colour) for colour in job.choices.shows_fabric)


def emptied(job: Job, plain: Look, kept: Look) -> Iterator[Finding]:
    """Preflight B: is there anything to print, before and after the knock-out?"""
    before, after = plain.ink_mm2, kept.ink_mm2
    yield from resolution.nothing_to_print(before)
    if before > 0:
        for finding in resolution.knocked_out(before, after):
            other = _in_other_colours(job, plain)
            where = bounds.in_mm(plain.ink_px, plain.ppi) if plain.ink_px else None
            yield replace(finding, remedy=other or finding.remedy, where_mm=where)
    if after > 0 and kept is not plain and not job.choices.cut_out:  # who cuts a piece out wants it gone
        for finding in vanished.vanished(plain.pixels, kept.pixels, plain.ppi):
            yield replace(finding, remedy=_seen_again(job, plain) or finding.remedy)


def _seen_again(job: Job, plain: Look) -> str | None:
    """Return the swap line with which colours that became cloth are seen; None where it would change others alone."""
    line = _in_other_colours(job, plain) or ""
    gone, _ = _like_fabric(job, plain)
    return line if any(hex_of(plain.main[number].rgb) in line for number in gone) else None


def after(job: Job, plain: Look, kept: Look) -> Iterator[Finding]:
    """Preflight B, on what the knock-out leaves."""
    limits = job.limits
    yield from _without_residue(plain, kept, lambda look: _features(job, plain, look))
    yield from lettering.small_text(
        kept.lettering,
        x_height_warn_mm=limits.x_height_warn_mm,
        x_height_reversed_warn_mm=limits.x_height_reversed_warn_mm,
    )


def _without_residue(
    plain: Look, kept: Look, check: Callable[[Look], Iterable[Finding]]
) -> tuple[Finding, ...]:
    """Return what a check finds that is not due to edges on which the knock-out left a residue."""
    found = tuple(check(kept))
    if not found or kept.picture is plain.picture:
        return found
    cleaned = residue.without_residue(kept.pixels, plain.pixels)
    return found if cleaned is None else tuple(check(Look(cleaned, kept.ppi)))


def _features(job: Job, plain: Look, kept: Look) -> Iterator[Finding]:
    """Return lines, gaps and specks too small for the press, and ink too faint for film."""
    limits = job.limits
    for finding in kept.found(
        thin.thin_features,
        scans=kept.scans,
        line_stop_mm=limits.line_stop_mm,
        line_warn_mm=limits.line_warn_mm,
        gap_stop_mm=limits.gap_stop_mm,
        gap_warn_mm=limits.gap_warn_mm,
        texture=_photographic(job, plain, kept),
    ):
        yield _with_size(job, kept, finding)
    yield from kept.found(
        specks.specks, speck_warn_mm2=limits.speck_warn_mm2, island_warn_mm=limits.island_warn_mm
    )
    if job.print.route == "transfer":
        yield from kept.found(_faint_ink, dot_mm=job.press.dot_mm)


def _photographic(job: Job, plain: Look, kept: Look) -> Callable[[bounds.Box], bool] | None:
    """Return what tells of a place whether the art is a photograph there, where the knock-out may hide it."""
    return plain.texture if job.bitmap_px is not None and kept is not plain else None


def _faint_ink(pixels: Pixels, ppi: float, *, dot_mm: float) -> tuple[Finding, ...]:
    """Return `faint-ink` where film keeps nothing of ink that the art has."""
    lost = dots.lost_ink(pixels, ppi, dot_mm)
    if lost is None:
        return ()
    strength = 100 * lost.alpha / 255
    often = f" There are {lost.places} such places." if lost.places > 1 else ""
    return (
        Finding(
            code="faint-ink",
            severity="warn",
            message=f"Film keeps nothing of ink as narrow and faint as that {words.place(lost.where_mm)}, which covers "
            f"{strength:.0f} %: under half it becomes dots of {words.mm(dot_mm, 1)}, and none fits into it.{often} "
            "Draw it full, or much wider; or leave it out.",
            remedy=words.accept("faint-ink"),
            measured=round(strength, 1),
            limit=50,
            where_mm=lost.where_mm,
        ),
    )


def _with_size(job: Job, kept: Look, finding: Finding) -> Finding:
    """Return a thin line or gap with the size at which it passes, where the print may be so large."""
    limit = float(finding.limit or 0)
    safe = max(job.limits.line_warn_mm if finding.code == "thin-line" else job.limits.gap_warn_mm, limit)

    def line(wanted_mm: float) -> str | None:
        times = wanted_mm / max(float(finding.measured or 0), 0.01)
        if times >= 4:
            return None
        return remedies.grown(job, kept.ink_share, times * 1.01, job.limits.near_edge_mm)

    passing = line(limit)
    return (
        finding
        if passing is None
        else replace(finding, remedy=remedies.with_warning_too(passing, line(safe)))
    )


def _in_other_colours(job: Job, plain: Look) -> str | None:
    """Return the swap line with which all colours of a design stand out from the fabric that they were like."""
    limits = _standing_out(job)
    found = contrast.contrast(plain.main, plain.touching, job.fade.ground_srgb, limits)
    return next((f.remedy for f in found if f.remedy.startswith("swap")), None)


def press_of(job: Job) -> gamut.Press:
    """Return how colours come out on the job's press."""
    if job.press.profile_icc:
        return gamut.by_profile(job.press.icc)
    return gamut.by_darkest(job.press.darkest_reflectance)


def beyond(job: Job, kept: Look) -> Iterator[Finding]:
    """Preflight C: which colours are more than the press can print?"""
    limit, press = job.limits.gamut_warn_de, press_of(job)
    yield from gamut.out_of_gamut(
        kept.main,
        press,
        gamut_warn_de=limit,
        flat=kept.touching.flat.tolist(),
        write=lambda changes: remedies.swapped(job, changes),
    )
    if job.press.profile_icc:
        yield from gamut.print_out_of_gamut(kept.small, kept.small_ppi, press, gamut_warn_de=limit)


def printed(
    job: Job, plain: Look, kept: Look, lives: tuple[ColourLife, ...], *, on_base: bool
) -> Iterator[Finding]:
    """Preflight C: what survives the base, the heat and the wash."""
    limits, cloth = job.limits, job.fade.ground_srgb
    if on_base:
        yield from _without_residue(
            plain,
            kept,
            lambda look: look.found(
                survival.base_too_thin,
                choke_mm=job.press.choke_mm,
                base_line_stop_mm=limits.base_line_stop_mm,
                hairline=limits.hairline,
                texture=_photographic(job, plain, kept),
            ),
        )
    if on_base or job.print.route == "transfer":
        yield from kept.found(specks.soft_alpha, soft_alpha_warn_percent=limits.soft_alpha_warn_percent)
    yield from survival.dye_migration(
        dict(job.cloth.fibres),
        job.press.cure_c,
        cloth,
        dye_migration_polyester_percent=limits.dye_migration_polyester_percent,
        dye_migration_cure_c=limits.dye_migration_cure_c,
    )
    standing_out = _standing_out(job)
    for when, later in (
        ("as printed", [life.printed for life in lives]),
        (f"after {job.fade.washes:g} washes", [life.compensated[0].rgb for life in lives]),
    ):
        yield from contrast.contrast_later(
            kept.main,
            later,
            kept.touching,
            cloth,
            standing_out,
            when=when,
        )
