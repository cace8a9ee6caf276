"""The fade stage: print each colour so that it looks right half-way through the garment's life, not fresh.

Acts after the knock-out, on colour alone: alpha is never touched. What a colour becomes is one function from colour to
colour (colour/compensation.py). Flat art gets it exactly, colour by colour, and edges between flat colours stay
mixtures of what their two sides become; photographs get it pixel by pixel where tables and curves suffice, else
through a lattice of colours, within one 8-bit level.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from pipeline.art.paint import Rgb
from pipeline.colour import lattice, photographs
from pipeline.colour.compensation import (
    Change,
    FadeSettings,
    OwnChange,
    change_of,
    worn,
)
from pipeline.colour.difference import GreyGrade, delta_e_00, grey_scale_grade
from pipeline.colour.mixtures import keep_mixtures
from pipeline.colour.palette import MainColour, Palette, flat_palette, main_colours_of, sums
from pipeline.colour.spaces import lab_of_rgb8, rgb8_of, srgb_to_lab
from pipeline.finding import Finding
from pipeline.raster import Pixels, Plane
from pipeline.raster_ops import bands
from pipeline.raster_runs import Runs

__all__ = [
    "ColourLife",
    "FadeResult",
    "FadeSettings",
    "OwnChange",
    "Worn",
    "colour_lives",
    "compensate",
    "predict",
]

_Floats: TypeAlias = NDArray[np.float64]

FINDING_SHARE = 0.005
"""Less of the inked area out of reach, or far from the design, than this is not worth a finding (ours)."""

_SAMPLE_PIXELS = 2**20
_BAND_PIXELS = 2**16  # stays in the cache of one core


@dataclass(frozen=True, slots=True, eq=False)
class FadeResult:
    """Compensated pixels, the same alpha; shares are of the inked area, 0–1, shifts are ΔE00.

    `worst_shift` is of colours by themselves; pixels on edges follow their two sides. `shifted`: what is farther from
    the design than `max_fresh_shift`; `limited`: what that held back, and `left` how far, ΔE00 on the mean, it will be
    from the design after the washes compensated for; `unreachable`: what the darkest ink cannot make up for.
    """

    pixels: Pixels
    worst_shift: float = 0.0
    shifted: float = 0.0
    limited: float = 0.0
    left: float = 0.0
    unreachable: float = 0.0
    findings: tuple[Finding, ...] = ()


@dataclass(frozen=True, slots=True)
class Worn:
    """A colour after `washes`, and the change since it was new in steps of the grey scale (ISO 105-A05)."""

    washes: float
    rgb: Rgb
    grade: GreyGrade


@dataclass(frozen=True, slots=True)
class ColourLife:
    """What becomes of one main colour: rows for the ticket.

    `printed` is the colour sent to the press, `fresh_shift` its ΔE00 from the design. `compensated` and `plain` are
    (at n*, at the end of life), with and without compensation; grades are against the design as the press prints it.
    """

    design: Rgb
    share: float
    printed: Rgb
    fresh_shift: float
    compensated: tuple[Worn, Worn]
    plain: tuple[Worn, Worn]


def compensate(
    pixels: Pixels,
    on_base: bool | Plane,  # noqa: FBT001 – a plane as often as a yes or no
    settings: FadeSettings,
    palette: Palette | None = None,
    *,
    in_place: bool = False,
) -> FadeResult:
    """Return the pixels to print; `on_base` says whether, or (plane, half and up) where, a white base lies below.

    `palette` is that of `flat_palette(pixels)`, when it is at hand. Where alpha is 0 nothing changes. With `in_place`
    photographs are changed where they lie: `pixels` may be written to, and are used up.
    """
    if isinstance(on_base, np.ndarray):
        return _compensate_parts(pixels, on_base, settings)
    if settings.method == "none" and not settings.own:
        return FadeResult(pixels)
    palette = palette or flat_palette(pixels)
    if palette is not None:
        return _by_colour(pixels, palette, settings, on_base=on_base)
    return _by_lattice(pixels, settings, pixels if in_place else np.empty_like(pixels), on_base=on_base)


def compensate_runs(runs: Runs, settings: FadeSettings, *, on_base: bool) -> Runs:
    """Return what `compensate` returns, for flat art as runs."""
    if settings.method == "none" and not settings.own:
        return runs
    values, of_run = np.unique(runs.words, return_inverse=True)
    # Sums of whole numbers far below 2**53 are exact in float64.
    counts = np.bincount(of_run, weights=runs.lengths, minlength=values.size).astype(np.int64)
    palette = Palette(
        values.view(np.uint8).reshape(-1, 4), np.broadcast_to(np.uint8(0), runs.shape[:2]), counts
    )
    _, table = _table(palette, _surfaces(runs.pixels(), palette, settings), settings, on_base=on_base)
    return runs.with_words(table.view(np.uint32)[:, 0][of_run])


def _by_colour(pixels: Pixels, palette: Palette, settings: FadeSettings, *, on_base: bool) -> FadeResult:
    change, table = _table(palette, _surfaces(pixels, palette, settings), settings, on_base=on_base)
    printed = np.take(table.view("<u4")[:, 0], palette.index)[..., np.newaxis].view(np.uint8)
    weight = palette.counts * (palette.colours[:, 3] / 255)
    colours = palette.colours[:, :3].astype(np.float64)
    return _result(printed, colours, weight, change, settings, on_base=on_base)


def _table(
    palette: Palette, surfaces: _Floats, settings: FadeSettings, *, on_base: bool
) -> tuple[Change, NDArray[np.uint8]]:
    """Return what becomes of each colour by itself, and the colours (N, 4) to print, mixtures kept."""
    colours = palette.colours[:, :3].astype(np.float64)
    change = change_of(colours, settings, on_base=on_base)
    new = keep_mixtures(
        colours, change.printed, surfaces, change_of(surfaces, settings, on_base=on_base).printed
    )
    table = palette.colours.copy()
    table[:, :3] = np.where(table[:, 3:] > 0, rgb8_of(new / 255), table[:, :3])
    return change, table


def _by_lattice(pixels: Pixels, settings: FadeSettings, out: Pixels, *, on_base: bool) -> FadeResult:
    """Compensate a photograph, a band of rows at a time, into `out`, which may be `pixels`."""
    colours, weight = lattice.nodes(), _lattice_weight(pixels)
    change = change_of(colours, settings, on_base=on_base)
    by_method: photographs.Band = photographs.unchanged
    if settings.method == "model" and change.limited.any():
        moves = lattice.moves(change.printed - colours)
    else:
        moves, by_method = None, photographs.by_method(settings, on_base=on_base)
        if settings.hold or settings.own:  # these run out smoothly, so that a lattice follows them
            unruled = change_of(colours, replace(settings, hold=(), own=()), on_base=on_base).printed
            moves = lattice.moves(change.printed - unruled)
    for rows in bands(pixels.shape[0], max(1, _BAND_PIXELS // max(1, pixels.shape[1]))):
        printed = by_method(pixels[rows])
        out[rows] = printed if moves is None else lattice.shift(pixels[rows], moves, printed)
    return _result(out, colours, weight, change, settings, on_base=on_base)


def _compensate_parts(pixels: Pixels, base: Plane, settings: FadeSettings) -> FadeResult:
    """Base and bare fabric apart: each is the whole picture with the other's pixels empty."""
    mask = (base >= 128)[..., np.newaxis]
    parts = [np.where(mask, pixels, 0).astype(np.uint8), np.where(mask, 0, pixels).astype(np.uint8)]
    inked = [float(part[..., 3].sum(dtype=np.int64)) for part in parts]
    done = [
        compensate(part, on_base=first, settings=settings)
        for first, part in zip((True, False), parts, strict=True)
    ]
    total = max(sum(inked), 1.0)
    parts_of_ink = [(r, ink / total) for r, ink in zip(done, inked, strict=True)]
    limited = sum(r.limited * part for r, part in parts_of_ink)
    return _told(
        FadeResult(
            pixels=np.add(done[0].pixels, done[1].pixels),
            worst_shift=max(r.worst_shift for r in done),
            shifted=sum(r.shifted * part for r, part in parts_of_ink),
            limited=limited,
            left=sum(r.left * r.limited * part for r, part in parts_of_ink) / max(limited, 1e-9),
            unreachable=sum(r.unreachable * part for r, part in parts_of_ink),
        ),
        settings,
    )


def _result(
    printed: Pixels,
    colours: _Floats,
    weight: _Floats,
    change: Change,
    settings: FadeSettings,
    *,
    on_base: bool,
) -> FadeResult:
    used = weight > 0
    if not used.any():
        return FadeResult(printed)
    shift = delta_e_00(
        srgb_to_lab(colours[used] / 255), srgb_to_lab(rgb8_of(change.printed[used] / 255) / 255)
    )
    held = used & change.limited
    old = worn(change.printed[held], settings.washes, settings, on_base=on_base)
    apart = delta_e_00(srgb_to_lab(colours[held] / 255), srgb_to_lab(old / 255))
    total = float(weight.sum())
    return _told(
        FadeResult(
            pixels=printed,
            worst_shift=float(shift.max()),
            shifted=float(weight[used][shift > settings.max_fresh_shift].sum()) / total,
            limited=float(weight[held].sum()) / total,
            left=float(np.average(apart, weights=weight[held])) if held.any() else 0.0,
            unreachable=float(weight[change.unreachable].sum()) / total,
        ),
        settings,
    )


def _told(result: FadeResult, settings: FadeSettings) -> FadeResult:
    found = []
    if settings.method == "model" and not settings.calibrated:
        found.append(
            Finding(
                code="fade-not-calibrated",
                severity="warn",
                message="The fade model runs on built-in constants: no wash test of this shop is behind them.",
                remedy='Run "washfast calibrate" on wash-test readings and paste its lines into the shop file.',
            )
        )
    if settings.method == "saturation" and result.shifted > FINDING_SHARE:
        found.append(_fresh_shift(result, settings))
    if result.limited > FINDING_SHARE:
        found.append(_held_back(result, settings))
    if result.unreachable > FINDING_SHARE:
        found.append(
            Finding(
                code="fade-unreachable",
                severity="warn",
                message=f"{result.unreachable:.1%} of the inked area will be lighter than the design after "
                f"{settings.washes:g} washes: the darkest ink is not dark enough to make up for it.",
                remedy="Expect it, name these colours in fade.hold, or compensate for fewer washes (fade.washes).",
                measured=round(100 * result.unreachable, 2),
                limit=100 * FINDING_SHARE,
            )
        )
    return replace(result, findings=tuple(found))


def _held_back(result: FadeResult, settings: FadeSettings) -> Finding:
    return Finding(
        code="fade-held-back",
        severity="note",
        message=f"{result.limited:.1%} of the inked area is compensated in part only: a fresh print may be no more "
        f"than ΔE00 {settings.max_fresh_shift:g} from the design. After {settings.washes:g} washes "
        f"it will still be ΔE00 {result.left:.1f} from the design on the mean, paler, but less so than without.",
        remedy="Leave it so; or raise max_fresh_shift in the shop file, or compensate for fewer washes (fade.washes).",
        measured=round(100 * result.limited, 2),
        limit=100 * FINDING_SHARE,
    )


def _fresh_shift(result: FadeResult, settings: FadeSettings) -> Finding:
    return Finding(
        code="fresh-shift",
        severity="note",
        message=f"{result.shifted:.1%} of the inked area is printed up to ΔE00 {result.worst_shift:.1f} away from the "
        f"design, to wash towards it; the shop's limit for a fresh print is {settings.max_fresh_shift:g}.",
        remedy="Show the customer a strike-off; name such colours in fade.hold, or give a lower fade.percent.",
        measured=round(result.worst_shift, 2),
        limit=settings.max_fresh_shift,
    )


def _surfaces(pixels: Pixels, palette: Palette, settings: FadeSettings) -> _Floats:
    """Levels (P, 3) of the colours that cover surfaces, edges run between them: main colours, and any with a rule."""
    named = {*settings.hold, *(rule.colour for rule in settings.own)}
    present = {tuple(c) for c in palette.colours[:, :3].tolist()} if named else set()
    main = [colour.rgb for colour in main_colours_of(pixels, palette)]
    ruled = sorted((named & present) - set(main))
    return np.array([*main, *ruled], dtype=np.float64).reshape(-1, 3)


def _lattice_weight(pixels: Pixels) -> _Floats:
    """Inked area of each cell of the lattice, from a regular sample of about a million pixels."""
    step = max(1, int(np.ceil(np.sqrt(pixels.shape[0] * pixels.shape[1] / _SAMPLE_PIXELS))))
    sample = pixels[step // 2 :: step, step // 2 :: step].reshape(-1, 4)
    return sums(lattice.cells(sample), sample[:, 3] / 255, lattice.SIDE**3)


def predict(colour: Rgb, washes: float, settings: FadeSettings, *, on_base: bool = True) -> Rgb:
    """Predicted look of a printed colour after `washes`; 0 gives it as the press prints it, darkest ink and all."""
    return _rgb(worn(np.array([colour], dtype=np.float64), washes, settings, on_base=on_base))


def colour_lives(
    mains: Sequence[MainColour], settings: FadeSettings, *, on_base: bool = True
) -> tuple[ColourLife, ...]:
    """The rows of the ticket, one for each main colour, in the order given."""
    return tuple(_life(main, settings, on_base=on_base) for main in mains)


def _life(main: MainColour, settings: FadeSettings, *, on_base: bool) -> ColourLife:
    design = np.array([main.rgb], dtype=np.float64)
    printed = _rgb(change_of(design, settings, on_base=on_base).printed)
    fresh = lab_of_rgb8(predict(main.rgb, 0, settings, on_base=on_base))

    def ageing(colour: Rgb) -> tuple[Worn, Worn]:
        def after(washes: float) -> Worn:
            rgb = predict(colour, washes, settings, on_base=on_base)
            return Worn(washes, rgb, grey_scale_grade(fresh, lab_of_rgb8(rgb)))

        return after(settings.washes), after(settings.life)

    shift = float(delta_e_00(lab_of_rgb8(main.rgb), lab_of_rgb8(printed)))
    return ColourLife(main.rgb, main.share, printed, shift, ageing(printed), ageing(main.rgb))


def _rgb(levels: _Floats) -> Rgb:
    r, g, b = rgb8_of(levels[0] / 255).tolist()
    return r, g, b
