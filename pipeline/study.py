"""What is decided once for a job: one plate walked down the line, looked at by preflight, and shown on papers.

The smallest plate is walked: lines are thinnest there. What depends on the size is looked at for every band.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from pipeline import checks, checks_place, line
from pipeline.alternatives import WHICH_IS_WHICH, alternatives
from pipeline.art.piece import Around
from pipeline.colour.palette import MainColour
from pipeline.finding import Finding
from pipeline.line import Drawn, DrawnRuns, clip, clip_runs, keep, keep_runs, make_base
from pipeline.plan import Job
from pipeline.plan_paints import nothing_shows_fabric, swap_not_found
from pipeline.raster import Pixels
from pipeline.raster_runs import Picture
from pipeline.stages import base as base_stage
from pipeline.stages import dots, fade
from pipeline.stages.fade import ColourLife
from pipeline.stages.place import Placement
from pipeline.stages.preflight import gamut, pictures, spots
from pipeline.stages.preflight.look import SMALL_PX, Look, reduced
from pipeline.treat import Notes

_LAST_LOOK: dict[str, Look] = {}
"""The plain draw looked at last, by its key, which stands for its pixels."""


@dataclass(frozen=True, slots=True, eq=False)
class Study:
    """What was decided for a job. Pictures are (H, W, 3) sRGB of the print on its fabric, masks (H, W), both small.

    `dotted`: soft ink of it becomes dots on film. `pictures` shows the places of findings, by `Finding.picture`.
    """

    base: base_stage.BaseDecision
    main: tuple[MainColour, ...]
    lives: tuple[ColourLife, ...]
    findings: tuple[Finding, ...]
    mode: str
    picture: NDArray[np.uint8]
    picture_washed: NDArray[np.uint8]
    knocked_out: NDArray[np.bool_]
    dotted: bool = False
    pictures: Mapping[str, NDArray[np.uint8]] = field(default_factory=dict)


def study(job: Job, drawn: Drawn | DrawnRuns, notes: Notes, around: Around | None = None) -> Study:
    """Walk a job's smallest plate down the line and decide for all its bands.

    `around` is the art with a margin, where it goes on beyond its drawing area.
    """
    plain, whole, kept = _looks(job, drawn)
    decision = base_stage.decide(
        [(colour.rgb, colour.share) for colour in kept.main],
        job.cloth.srgb,
        job.cloth.base,
        job.print.route,
        job.limits.no_base_de,
    )
    on_base = decision.strength > 0
    lives = fade.colour_lives(kept.main, job.fade, on_base=on_base)
    fresh = fade.compensate(kept.small, on_base, job.fade)
    gallery = _Gallery(job)
    cut = () if around is None else tuple(gallery.beyond(around))
    findings = (
        *notes.findings,
        *(swap_not_found(missed.colour, missed.nearest, job.choices.swap) for missed in notes.missing),
        *(nothing_shows_fabric(missed.colour, missed.nearest) for missed in notes.absent or ()),
        *gallery.asking(checks.before(job, plain), plain, kept, decision),
        *gallery.shown(checks.emptied(job, plain, whole), plain),
        *gallery.shown(checks.after(job, plain, whole), whole),
        *gallery.shown(checks_place.within(job, whole), whole),
        *cut,
        *gallery.shown(checks.printed(job, plain, kept, lives, on_base=on_base), kept),
        *gallery.changed(checks.beyond(job, kept), kept, on_base=on_base),
        *gallery.changed(fresh.findings, kept, on_base=on_base),
    )
    papers = _pictures(job, plain, kept, fresh.pixels, decision)
    dotted = job.print.route == "transfer" and dots.has_soft_ink(kept.pixels, kept.ppi)
    return Study(
        decision, kept.main, lives, findings, notes.mode, *papers, dotted=dotted, pictures=gallery.pictures
    )


def _looks(job: Job, drawn: Drawn | DrawnRuns) -> tuple[Look, Look, Look]:
    """Return the looks of the plain draw, of what is kept of it, and of what of that lies in the print area."""
    placement = job.plates[0].placement
    plain = _plain_look(job, drawn.plain)
    left: Picture
    inside: Picture
    if isinstance(drawn, DrawnRuns):
        left = keep_runs(job, drawn)
        inside = clip_runs(left, placement)
    else:
        left = keep(job, drawn)
        inside = clip(left, placement)
    whole = plain if left is drawn.plain else Look(left, placement.ppi)
    return plain, whole, whole if inside is left else Look(inside, placement.ppi)


def _plain_look(job: Job, plain: Picture) -> Look:
    """Return the look of the plain draw; colourways share the draw, and so what was read off it."""
    key = job.plates[0].plain.key
    if key not in _LAST_LOOK:
        _LAST_LOOK.clear()
        _LAST_LOOK[key] = Look(plain, job.plates[0].placement.ppi)
    return _LAST_LOOK[key]


def forget_looks() -> None:
    """Give back the memory of what was looked at, where no further study is to come."""
    _LAST_LOOK.clear()


class _Gallery:
    """Pictures of the places of findings, as they are found."""

    def __init__(self, job: Job) -> None:
        self.pictures: dict[str, NDArray[np.uint8]] = {}
        self._job = job
        self._both: str | None = None

    def asking(
        self, findings: Iterable[Finding], plain: Look, kept: Look, decision: base_stage.BaseDecision
    ) -> Iterator[Finding]:
        """Yield what `shown` yields for the plain draw; who is asked about a near colour sees both answers."""
        for finding in self.shown(findings, plain):
            if finding.code != "near-fabric" or finding.severity == "note":
                yield finding
                continue
            if self._both is None:
                self._both = self._named(finding.code, alternatives(self._job, kept, decision))
            yield replace(finding, picture=self._both, legend=WHICH_IS_WHICH)

    def _named(self, code: str, picture: NDArray[np.uint8]) -> str:
        name = pictures.name_of(code, picture)
        self.pictures[name] = picture
        return name

    def shown(self, findings: Iterable[Finding], look: Look) -> Iterator[Finding]:
        """Yield the findings, each whose place is known with a picture of it in these pixels."""
        for finding in findings:
            if finding.where_mm is None:
                yield finding
                continue
            placement = self._placement(finding)
            picture = pictures.place_picture(
                look.pixels,
                look.small,
                placement.width_mm,
                finding.where_mm,
                _other(self._job.cloth.srgb) if finding.code == "lost-on-fabric" else self._job.cloth.srgb,
                area_mm=placement.area_mm if finding.code in ("outside-area", "near-edge") else None,
            )
            yield replace(finding, picture=self._named(finding.code, picture))

    def changed(self, findings: Iterable[Finding], look: Look, *, on_base: bool) -> Iterator[Finding]:
        """Yield findings about colours that change, each with a picture of where they change most."""
        for finding in findings:
            later, says = self._later(finding.code, on_base=on_base)
            where = finding.where_mm
            if later is not None and where is None:
                where = spots.most_changed(look.small, later, look.small_ppi)
            if later is None or where is None:
                yield finding
                continue
            width_mm = self._placement(finding).width_mm
            cloth = self._job.cloth.srgb
            picture = pictures.place_picture(look.pixels, look.small, width_mm, where, cloth, later=later)
            yield replace(
                finding,
                where_mm=where,
                picture=self._named(finding.code, picture),
                legend=f"In the picture: above as designed, below {says}.",
            )

    def _later(self, code: str, *, on_base: bool) -> tuple[Callable[[Pixels], Pixels] | None, str]:
        """Return what pixels become by what a code tells of, and how to say that."""
        settings = self._job.fade

        def printed(pixels: Pixels) -> Pixels:
            return fade.compensate(pixels, on_base, settings).pixels

        if code == "out-of-gamut":
            press = checks.press_of(self._job)
            return lambda pixels: gamut.as_it_comes_out(pixels, press), "as it comes out"
        if code == "fresh-shift":
            return printed, "as it is printed"
        if code == "fade-unreachable":
            return (
                lambda pixels: _washed(printed(pixels), self._job, on_base=on_base),
                f"after {settings.washes:g} washes",
            )
        return None, ""

    def beyond(self, around: Around) -> Iterator[Finding]:
        """Yield what the drawing's own edge cuts off, with a picture of the drawing and what lies around it."""
        pixels = line.beyond(self._job, around)
        for finding in checks_place.own_edge(self._job, pixels, around):
            place = self._placement(finding)
            wide_mm = place.width_mm * around.times
            left, top = (
                (wide_mm - place.width_mm) / 2,
                (wide_mm * pixels.shape[0] / pixels.shape[1] - place.height_mm) / 2,
            )
            x, y, w, h = finding.where_mm or (0.0, 0.0, 0.0, 0.0)
            picture = pictures.place_picture(
                pixels,
                reduced(pixels, SMALL_PX),
                wide_mm,
                (left + x, top + y, w, h),
                self._job.cloth.srgb,
                area_mm=None if around.turn_deg % 90 else (left, top, place.width_mm, place.height_mm),
            )
            yield replace(finding, picture=self._named(finding.code, picture))

    def _placement(self, finding: Finding) -> Placement:
        """Return the band that a finding tells of, the first it names; the smallest, when it names none."""
        for plate in self._job.plates:
            if plate.placement.sizes[0] in finding.sizes[:1]:
                return plate.placement
        return self._job.plates[0].placement


def _other(cloth: tuple[float, float, float]) -> tuple[float, float, float]:
    """Return a fabric on which what has the colour of this one is seen."""
    grey = 0.35 if sum(cloth) > 1.5 else 0.75
    return grey, grey, grey


def _pictures(
    job: Job, plain: Look, kept: Look, fresh: Pixels, decision: base_stage.BaseDecision
) -> tuple[NDArray[np.uint8], NDArray[np.uint8], NDArray[np.bool_]]:
    """Return the print on its fabric as printed and as washed, and where ink was knocked out, all reduced.

    `fresh` is what is kept, reduced, as it is printed.
    """
    placement, on_base = job.plates[0].placement, decision.strength > 0
    ppi = placement.ppi * kept.small.shape[1] / placement.width_px
    under = make_base(job, kept.small, replace(placement, ppi=ppi), decision)
    seen = base_stage.simulate(fresh, under, job.cloth.srgb)
    worn = fresh if job.fade.method == "none" else _washed(fresh, job, on_base=on_base)
    washed = base_stage.simulate(worn, under, job.cloth.srgb)
    before = clip(plain.small, replace(placement, width_px=fresh.shape[1], height_px=fresh.shape[0]))
    gone = before[..., 3].astype(np.int16) - kept.small[..., 3] > 96
    return seen, washed, gone


def _washed(pixels: Pixels, job: Job, *, on_base: bool) -> Pixels:
    """Return printed pixels as they look after the washes they are compensated for: each channel for itself."""
    levels = [
        fade.predict((level, level, level), job.fade.washes, job.fade, on_base=on_base)
        for level in range(256)
    ]
    table = np.array(levels, np.uint8)
    out = pixels.copy()
    for channel in range(3):
        out[..., channel] = table[pixels[..., channel], channel]
    out[out[..., 3] == 0] = 0
    return out
