"""What plates are called: keys, which tell the same from the different, and the stems of their files."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING

from pipeline.keys import key_of
from pipeline.order import Order
from pipeline.stages.fade import FadeSettings
from pipeline.stages.place import Box, Placement

if TYPE_CHECKING:
    from pipeline.plan import Job, Plate


def plate_key(job: Job, plate: Plate) -> str:
    """Return the digest of all that can change the pixels of a plate; what is only told on papers is left out."""
    place, press = plate.placement, job.press
    ground = (
        (_cut_by(place), _fade_on_base(job.fade), press.dot_mm)
        if job.print.route == "transfer"
        else (place.area_mm, job.cloth.srgb, job.cloth.base, job.fade)
    )
    return key_of(
        "plate",
        [None if draw is None else draw.key for draw in (plate.plain, plate.first, plate.second)],
        (place.width_px, place.height_px, place.ppi),
        (ground, None if plate.second is None else job.keys, job.print.route),
        (press.choke_mm, press.black_tuck_mm, press.base_from, press.base_polarity, press.mirror_in),
        (job.limits.hairline, job.limits.no_base_de),
    )


def _cut_by(place: Placement) -> Box | None:
    """Return the print area where it cuts the box, so that prints it does not cut are the same on every size."""
    x, y, width, height = place.area_mm
    holds = x <= 0 and y <= 0 and x + width >= place.width_mm and y + height >= place.height_mm
    return None if holds else place.area_mm


def _fade_on_base(fade: FadeSettings) -> FadeSettings:
    """Return only what can change a colour that lies on a base: on film every fabric is the same."""
    same = FadeSettings()
    bare = replace(fade, ground_srgb=same.ground_srgb, calibrated=same.calibrated, life=same.life)
    if fade.method == "model":
        return bare
    return replace(bare, washes=same.washes, k=same.k, first_loss=same.first_loss)


def pooled(jobs: tuple[Job, ...], order: Order, folders: Mapping[str, Mapping[str, str]]) -> tuple[Job, ...]:
    """Return the jobs with one stem for all transfer plates that are the same: they are made and stored once."""
    users: dict[str, list[tuple[Job, Plate]]] = {}
    for job in jobs:
        for plate in job.plates if job.print.route == "transfer" else ():
            users.setdefault(plate.key, []).append((job, plate))
    stems = {key: _pool_stem(order, folders, using) for key, using in users.items()}

    def renamed(job: Job) -> Job:
        return replace(job, plates=tuple(replace(p, stem=stems.get(p.key, p.stem)) for p in job.plates))

    return tuple(renamed(job) if job.print.route == "transfer" else job for job in jobs)


def _pool_stem(order: Order, folders: Mapping[str, Mapping[str, str]], using: list[tuple[Job, Plate]]) -> str:
    """Return a stem that names the first colourway, how many more use the plate ("+2"), and the first one's sizes."""
    first = using[0][0]
    sizes = tuple(s for job, plate in using if job.key == first.key for s in plate.placement.sizes)
    more = len({job.colourway for job, _ in using}) - 1
    way = folders["colourways"][first.colourway] + (f"+{more}" if more else "")
    return stem_of(order, way, folders["prints"][first.print.name], sizes)


def stem_of(order: Order, colourway: str, print_: str, sizes: tuple[str, ...]) -> str:
    """Return the file name, without its ending, that names a plate wherever it is copied to."""
    band = sizes[0] if len(sizes) == 1 else f"{sizes[0]}-{sizes[-1]}"
    safe = "".join(c if c.isascii() and (c.isalnum() or c in "-.") else "-" for c in band)
    return f"{order.order}-r{order.revision}_{colourway}_{print_}_{safe}"
