"""The line that a plate goes down, stage after stage. Read this first.

draw → (bitmaps: ground off, swap, knock out at their own resolution, in treat.py) → solve the knock-out of vector art
→ clip to the print area → fade → base (film: dots, then base). `press` makes one plate that way, by what study.py
decided for all bands of its job. Everything here is a pure function of values; tasks.py feeds it from the spool and
writes what comes out.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from pipeline.art.piece import Around, Art, PageArt, VectorArt
from pipeline.plan import Draw, Job, Plate
from pipeline.raster import Pixels, Plane, let_go
from pipeline.raster_ops import packed, strips
from pipeline.raster_runs import Picture, Runs, as_pixels, flat_or_not, in_step, inked, merged, only, pays
from pipeline.stages import base as base_stage
from pipeline.stages import dots, fade
from pipeline.stages.knockout import solve
from pipeline.stages.place import Placement
from pipeline.treat import Notes, joined, treat

BEYOND_PX = 1536
"""Longer side of a drawing with the margin that shows what its own edge cuts off."""

_OVER_OWN = 1.25
"""Times the pixels of a page's images: laid over as many, PDFium softens them; over twice as many, they are blurred."""


@dataclass(frozen=True, slots=True, eq=False)
class Drawn:
    """The draws of one plate: `plain` shows the recoloured art, the others lead to what is kept of it."""

    plain: Pixels
    first: Pixels | None = None
    second: Pixels | None = None


@dataclass(frozen=True, slots=True, eq=False)
class DrawnRuns:
    """The draws of one plate of flat art, as runs."""

    plain: Runs
    first: Runs | None = None
    second: Runs | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Pressed:
    """One plate as the press gets it, and its areas in mm²."""

    colour: Picture
    base: Plane
    knocked_out_mm2: float
    ink_mm2: float
    base_mm2: float


def draw_art(art: Art, draw: Draw) -> tuple[Picture, Notes]:
    """Return the art drawn as the plan says, straight RGBA at the exact size of the box, and what was noticed.

    Flat art comes as runs, photographs as pixels.
    """
    from pipeline.art.draw import draw as draw_vector
    from pipeline.art.page import draw_page

    if isinstance(art, VectorArt):
        if art.linear:
            return _draw_vector(art, draw)
        native = draw_vector(art, draw.width_px, draw.height_px, draw.paints)
    elif isinstance(art, PageArt):
        native = draw_page(art, *_own_pixels(art, draw), draw.paints)
    else:
        native = art.pixels
    treated, notes = treat(native, draw.treatment)
    return fitted(treated, draw), notes


def _own_pixels(art: PageArt, draw: Draw) -> tuple[int, int]:
    """Return the size at which a page is drawn: what JPEG did to images of their own is mended at their own size."""
    own = _OVER_OWN * art.density * art.width / draw.width_px
    scale = own if art.lossy and 0.0 < own < 1.0 else 1.0
    return max(1, round(draw.width_px * scale)), max(1, round(draw.height_px * scale))


def fitted(treated: Pixels, draw: Draw) -> Picture:
    """Return a treated bitmap at the size of the box."""
    from pipeline.art.bitmap import resample

    return flat_or_not(resample(treated, draw.width_px, draw.height_px))


def _draw_vector(art: VectorArt, draw: Draw) -> tuple[Picture, Notes]:
    from pipeline.art.draw import draw_picture

    notes: list[Notes] = []

    def on_image(pixels: Pixels, *, lossy: bool) -> Pixels:
        treated, said = treat(pixels, draw.treatment.of(lossy=lossy))
        notes.append(said)
        return treated if draw.paints.key is None else _keyed(pixels, treated, draw.paints.key)

    drawn = draw_picture(
        art, draw.width_px, draw.height_px, draw.paints, on_image if art.has_images else None
    )
    return drawn, joined(notes)


def _keyed(before: Pixels, kept: Pixels, key: tuple[int, int, int]) -> Pixels:
    """Return the image with what was knocked out of it painted in the key, at the coverage it had."""
    out = kept.copy()
    at = np.nonzero(before[..., 3] > kept[..., 3])
    whole = before[at][:, 3].astype(np.float64)
    left = kept[at][:, 3].astype(np.float64)
    for channel in range(3):
        mixed = kept[at][:, channel] * left + key[channel] * (whole - left)
        out[at[0], at[1], channel] = np.floor(mixed / whole + 0.5)
    out[at[0], at[1], 3] = before[at][:, 3]
    return out


def beyond(job: Job, around: Around) -> Pixels:
    """Return what is kept of a drawing and of what lies around it, reduced: the longer side BEYOND_PX pixels."""
    scale = BEYOND_PX / max(around.art.width, around.art.height)
    width, height = (max(1, round(side * scale)) for side in (around.art.width, around.art.height))
    first = job.plates[0]
    plain, one, two = (
        None
        if draw is None
        else as_pixels(draw_art(around.art, replace(draw, width_px=width, height_px=height))[0])
        for draw in (first.plain, first.first, first.second)
    )
    assert plain is not None
    return keep(job, Drawn(plain, one, two))


def keep(job: Job, drawn: Drawn) -> Pixels:
    """Return what is left of the art after the knock-out."""
    if drawn.second is None:
        return drawn.plain
    if job.keys is None or drawn.first is None:
        return drawn.second  # a bitmap, knocked out already
    return solve(drawn.first, job.keys.first, drawn.second, job.keys.second)


def keep_runs(job: Job, drawn: DrawnRuns) -> Runs:
    """Return what `keep` returns: the knock-out of vector art looks at each pixel alone, so at each run."""
    if drawn.second is None:
        return drawn.plain
    if job.keys is None or drawn.first is None:
        return drawn.second
    first, second = in_step(drawn.first, drawn.second)
    left = solve(first.colours[None], job.keys.first, second.colours[None], job.keys.second)
    return merged(first.with_words(packed(left)[0]))


def clip(pixels: Pixels, placement: Placement, *, in_place: bool = False) -> Pixels:
    """Return the pixels with everything outside the print area gone: the press does not reach it.

    With `in_place` they are changed where they lie.
    """
    inside = _reached(placement)
    if inside is None:
        return pixels
    if not in_place:
        out = np.zeros_like(pixels)
        out[inside] = pixels[inside]
        return out
    rows, columns = inside
    pixels[: rows.start] = 0
    pixels[rows.stop :] = 0
    pixels[rows, : columns.start] = 0
    pixels[rows, columns.stop :] = 0
    return pixels


def clip_runs(runs: Runs, placement: Placement) -> Runs:
    """Return what `clip` returns, of runs."""
    inside = _reached(placement)
    return runs if inside is None else only(runs, *inside)


def _reached(placement: Placement) -> tuple[slice, slice] | None:
    """Return the rows and columns of a plate that the press reaches; None where it reaches all."""
    x, y, width, height = placement.area_mm
    scale_x = placement.width_px / placement.width_mm
    scale_y = placement.height_px / placement.height_mm
    left, right = round(x * scale_x), round((x + width) * scale_x)
    top, bottom = round(y * scale_y), round((y + height) * scale_y)
    if left <= 0 and top <= 0 and right >= placement.width_px and bottom >= placement.height_px:
        return None
    rows, columns = placement.height_px, placement.width_px
    return (
        slice(min(max(top, 0), rows), min(max(bottom, 0), rows)),
        slice(min(max(left, 0), columns), min(max(right, 0), columns)),
    )


def press(job: Job, plate: Plate, drawn: Drawn | DrawnRuns, decision: base_stage.BaseDecision) -> Pressed:
    """Return one plate: what is kept of the art, compensated for fading, and the base under it.

    Drawn pixels, where they may be written to, are changed where they lie, and are used up.
    """
    placement = plate.placement
    kept: Picture
    before = _inked_within(drawn.plain, placement)
    if isinstance(drawn, DrawnRuns):
        runs = clip_runs(keep_runs(job, drawn), placement)
        kept = runs if pays(runs) and job.print.route != "transfer" else runs.pixels()
    else:
        kept = keep(job, drawn)
        kept = clip(kept, placement, in_place=kept.flags.writeable)
    inked_of_kept = inked(kept)
    colour, under = _colour_and_base(job, kept, placement, decision)
    pixel_mm2 = placement.width_mm * placement.height_mm / (placement.width_px * placement.height_px)
    left, ink, white = (
        alpha * pixel_mm2 / 255 for alpha in (inked_of_kept, inked(colour), int(under.sum(dtype=np.int64)))
    )
    return Pressed(
        colour=colour,
        base=under,
        knocked_out_mm2=max(0.0, before * pixel_mm2 / 255 - left),
        ink_mm2=ink,
        base_mm2=white,
    )


def _inked_within(picture: Picture, placement: Placement) -> float:
    """Return the sum of alpha over what the press reaches of a plate, in the plate's pixels.

    `picture` may show the art at another size; mapped pixels are let go again as they are read.
    """
    height, width = picture.shape[:2]
    own = replace(placement, width_px=width, height_px=height)
    total = inked(clip_runs(picture, own)) if isinstance(picture, Runs) else _read_once(picture, own)
    return float(total * (placement.width_px * placement.height_px) / (width * height))


def _read_once(pixels: Pixels, placement: Placement) -> int:
    inside = _reached(placement)
    part = pixels if inside is None else pixels[inside]
    total = 0
    for rows in strips(part.shape):
        total += inked(part[rows])
        let_go(pixels)
    return total


def _colour_and_base(
    job: Job, kept: Picture, placement: Placement, decision: base_stage.BaseDecision
) -> tuple[Picture, Plane]:
    on_base = decision.strength > 0
    if isinstance(kept, Runs):
        colour = fade.compensate_runs(kept, job.fade, on_base=on_base)
        return colour, make_base(job, kept, placement, decision)
    own = kept.flags.writeable
    if job.print.route == "transfer":
        faded = fade.compensate(kept, on_base, job.fade, in_place=own).pixels
        return make_film(job, faded, placement, decision)
    under = make_base(job, kept, placement, decision)  # first: it takes most memory
    return fade.compensate(kept, on_base, job.fade, in_place=own).pixels, under


def make_base(job: Job, kept: Picture, placement: Placement, decision: base_stage.BaseDecision) -> Plane:
    """Return the white base for what is kept of the art."""
    return base_stage.base_plane(
        kept,
        placement.ppi,
        job.press.choke_mm,
        decision.strength,
        hairline=job.limits.hairline,
        black_tuck_mm=job.press.black_tuck_mm,
        under_black=job.print.route == "transfer",
    )


def make_film(
    job: Job, kept: Pixels, placement: Placement, decision: base_stage.BaseDecision
) -> tuple[Pixels, Plane]:
    """Return colour and base as film takes them: ink or none, and soft alpha as dots that both share."""
    inked = dots.ink(kept, placement.ppi, job.press.dot_mm)
    whole = np.broadcast_to(dots.outline(kept, inked.soft)[..., None], kept.shape)
    return inked.colour, dots.base_of(inked, make_base(job, whole, placement, decision))
