"""From a shop's wash-test readings (wash_table.py) to the washing constants k and first loss of its shop file.

Readings become reflectances of linear sRGB under D65; the fit of each channel is colour/wash_fit.py.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from pipeline.colour.difference import delta_e_00
from pipeline.colour.fading import colourant_left, reflectance_to_ks
from pipeline.colour.spaces import linear_to_xyz, measured_lab_to_linear, xyz_to_lab
from pipeline.colour.wash_fit import DARKEST_READ, ChannelFit, Constant, fit_channel
from pipeline.faults import Refused
from pipeline.wash_table import BASE_PATCH, ROUTES, Reading, read

if TYPE_CHECKING:
    import PIL.Image
    import PIL.ImageDraw

BUILT_IN_GROUND = 0.85
FIT_DE00 = 2.0
"""Readings further than this from the fitted curve do not follow the model (ours)."""

_RISE = 0.05  # share of colourant by which a later reading must exceed an earlier one to be no noise
_CHANNELS = ("red", "green", "blue")
_ABSORBERS = ("cyan or blue", "magenta or red", "yellow or orange")
_Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Point:
    """Share of colourant left that one reading shows in one channel (0 red, 1 green, 2 blue)."""

    channel: int
    patch: str
    cycles: int
    left: float


@dataclass(frozen=True, slots=True)
class Washes:
    """The fit of one route and fibre: k a wash and first loss of R, G, B; residuals are ΔE00 of reading and curve."""

    route: str
    fibre: str
    k: tuple[Constant, Constant, Constant]
    first_loss: tuple[Constant, Constant, Constant]
    readings: int
    patches: int
    cycles: int
    mean_residual: float
    worst_residual: float
    worst_at: str
    points: tuple[Point, ...]
    warnings: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Calibration:
    """The fits, in the order of route and fibre."""

    washes: tuple[Washes, ...]


def calibrate(text: str) -> Calibration:
    """Fit the readings in `text` (CSV); raises Refused where a row or the set of readings cannot be used."""
    readings = read(text)
    groups = sorted({(r.route, r.fibre) for r in readings}, key=lambda g: (ROUTES.index(g[0]), g[1]))
    return Calibration(tuple(_fit([r for r in readings if (r.route, r.fibre) == g]) for g in groups))


def _fit(readings: list[Reading]) -> Washes:
    where = f"{readings[0].route} on {readings[0].fibre}"
    all_linear = np.array([measured_lab_to_linear(r.lab, r.illuminant, r.observer) for r in readings])
    bare = np.array([r.patch == BASE_PATCH for r in readings])
    ground = all_linear[bare].mean(axis=0) if bare.any() else np.full(3, BUILT_IN_GROUND)
    prints, linear = [r for r in readings if r.patch != BASE_PATCH], all_linear[~bare]
    _check_enough(prints, where)
    names = sorted({r.patch for r in prints})
    patch = np.array([names.index(r.patch) for r in prints])
    cycles = np.array([r.cycles for r in prints])
    fits = [_channel(patch, cycles, linear, ground, i, where) for i in range(3)]
    residual = _residuals(linear, cycles, ground, fits)
    worst = int(np.argmax(residual))
    points = _points(prints, linear, ground, fits)
    warnings = [
        *_too_vivid(prints, linear),
        *_negative(fits),
        *_not_following(prints, residual),
        *_rising(points),
    ]
    red, green, blue = fits
    return Washes(
        route=readings[0].route,
        fibre=readings[0].fibre,
        k=(red.k.at_least_0(), green.k.at_least_0(), blue.k.at_least_0()),
        first_loss=(red.first_loss.at_least_0(), green.first_loss.at_least_0(), blue.first_loss.at_least_0()),
        readings=len(prints),
        patches=len(names),
        cycles=int(cycles.max()),
        mean_residual=float(residual.mean()),
        worst_residual=float(residual[worst]),
        worst_at=f"{prints[worst].patch} after {prints[worst].cycles} washes",
        points=points,
        warnings=tuple(f"{where}: {w}" for w in warnings),
    )


def _channel(
    patch: NDArray[np.int64],
    cycles: NDArray[np.int64],
    linear: _Floats,
    ground: _Floats,
    channel: int,
    where: str,
) -> ChannelFit:
    fit = fit_channel(patch, cycles, linear[:, channel], float(ground[channel]))
    if fit is None:
        raise Refused(
            f"{where}: the {_CHANNELS[channel]} channel cannot be fitted, too few readings have colour in it. "
            f"Print and measure a {_ABSORBERS[channel]} patch too, after several numbers of washes."
        )
    return fit


def _check_enough(prints: list[Reading], where: str) -> None:
    unwashed = {r.patch for r in prints if r.cycles == 0}
    missing = sorted({r.patch for r in prints} - unwashed)
    if missing:
        raise Refused(
            f"{where}: no reading at 0 cycles for {', '.join(missing)}. Measure each patch before washing."
        )
    if len({r.cycles for r in prints if r.cycles > 0}) < 2:
        raise Refused(
            f"{where}: readings at two or more numbers of washes are needed, 1 and 10 for example, "
            "to tell the first loss from the slow one."
        )


def _residuals(
    linear: _Floats, cycles: NDArray[np.int64], ground: _Floats, fits: list[ChannelFit]
) -> _Floats:
    """ΔE00 (N,) of each reading and its curve; a channel that tells nothing counts as met."""
    curves = np.stack([fit.curve(cycles, float(ground[i])) for i, fit in enumerate(fits)], axis=-1)
    met = np.where(np.isnan(curves), linear, curves)
    return delta_e_00(xyz_to_lab(linear_to_xyz(linear)), xyz_to_lab(linear_to_xyz(met)))


def _points(
    prints: list[Reading], linear: _Floats, ground: _Floats, fits: list[ChannelFit]
) -> tuple[Point, ...]:
    found = []
    for channel, fit in enumerate(fits):
        above = float(reflectance_to_ks(ground[channel]))
        for i in np.flatnonzero(fit.used):
            left = (float(reflectance_to_ks(linear[i, channel])) - above) / float(fit.level[i])
            found.append(Point(channel, prints[i].patch, prints[i].cycles, left))
    return tuple(found)


def _too_vivid(prints: list[Reading], linear: _Floats) -> list[str]:
    """One line for each patch and channel with readings that linear sRGB cannot hold, and that do not count."""
    lost = {
        (reading.patch, channel)
        for reading, row in zip(prints, linear.tolist(), strict=True)
        for channel in range(3)
        if row[channel] <= DARKEST_READ
    }
    return [
        f"{patch} is more vivid than sRGB holds in the {_CHANNELS[channel]} channel, where such readings do not count: "
        "print and measure a paler tint of it too"
        for patch, channel in sorted(lost)
    ]


def _negative(fits: list[ChannelFit]) -> list[str]:
    return [
        f"{_CHANNELS[i]}: {name} came out as {c.value:.4f} and counts as 0: the prints grew darker, check the readings"
        for i, fit in enumerate(fits)
        for name, c in (("k", fit.k), ("first_loss", fit.first_loss))
        if c.value < 0
    ]


def _not_following(prints: list[Reading], residual: _Floats) -> list[str]:
    """One line a patch, for its reading furthest from the curve."""
    worst: dict[str, tuple[float, int]] = {}
    for reading, distance in zip(prints, residual.tolist(), strict=True):
        if distance > max(FIT_DE00, worst.get(reading.patch, (0.0, 0))[0]):
            worst[reading.patch] = distance, reading.cycles
    return [
        f"{patch} does not follow the model, it lies ΔE00 {distance:.1f} off the curve after {cycles} washes: "
        "measure it again, or leave the patch out"
        for patch, (distance, cycles) in sorted(worst.items())
    ]


def _rising(points: tuple[Point, ...]) -> list[str]:
    """Where colour seems to come back, which washing does not do."""
    lines: dict[tuple[int, str], dict[int, list[float]]] = {}
    for p in points:
        lines.setdefault((p.channel, p.patch), {}).setdefault(p.cycles, []).append(p.left)
    found = []
    for (channel, patch), by_cycles in sorted(lines.items()):
        means = [(n, sum(left) / len(left)) for n, left in sorted(by_cycles.items())]
        for (n, before), (later, after) in itertools.pairwise(means):
            if after > before + _RISE:
                found.append(
                    f"{patch} grows darker again between {n} and {later} washes ({_CHANNELS[channel]} channel)"
                )
    return found


def format_lines(calibration: Calibration) -> str:
    """The lines for the shop file (TOML), by route and fibre; residuals, intervals and warnings as comments."""
    routes: dict[str, list[Washes]] = {}
    for washes in calibration.washes:
        routes.setdefault(washes.route, []).append(washes)
    return "\n".join(_route(route, fits) for route, fits in routes.items())


def _route(route: str, fits: list[Washes]) -> str:
    behind = (
        f"{sum(w.readings for w in fits)} readings of {sum(w.patches for w in fits)} patches, "
        f"up to {max(w.cycles for w in fits)} washes, worst residual {max(w.worst_residual for w in fits):.1f}"
    )
    lines = [f"[washes.{route}]  # into this table of the shop file", f'calibrated = "{behind}"']
    for w in fits:
        lines += [
            "",
            f"# {w.readings} readings of {w.patches} patches, residual ΔE00 {w.mean_residual:.1f}, "
            f"worst {w.worst_residual:.1f}: {' '.join(w.worst_at.split())}",
            *(f"# warning: {' '.join(warning.split())}" for warning in w.warnings),
            f"[washes.{route}.fibres.{w.fibre}]",
            f"k = {_triple(w.k)}  # 95 %: {_intervals(w.k)}",
            f"f = {_triple(w.first_loss)}  # 95 %: {_intervals(w.first_loss)}",
        ]
    return "\n".join(lines) + "\n"


def _triple(constants: Sequence[Constant]) -> str:
    return f"[{', '.join(f'{c.value:.4f}' for c in constants)}]"


def _intervals(constants: Sequence[Constant]) -> str:
    return ", ".join(f"{c.low:.4f}–{c.high:.4f}" for c in constants)


# The picture: share of colourant left against washes, one row for each fit, one panel for each channel.
_PANEL_W, _PANEL_H, _MARGIN = 380, 260, 46
_LINE = 12
_INK = ((178, 34, 34), (34, 120, 60), (40, 70, 170))
_GREY, _RULE = (70, 70, 70), (222, 222, 222)
_HIGHEST = 1.5
"""What reads as more colourant lies at the upper edge, with its number: it must not flatten the rest."""


def picture(calibration: Calibration) -> PIL.Image.Image:
    """Return a picture of all readings against the fitted curves, for the eye to judge what the numbers say."""
    from PIL import Image, ImageDraw

    canvas = Image.new("RGB", (3 * _PANEL_W, len(calibration.washes) * _PANEL_H), "white")
    draw = ImageDraw.Draw(canvas)
    for row, washes in enumerate(calibration.washes):
        for channel in range(3):
            _panel(draw, channel * _PANEL_W, row * _PANEL_H, washes, channel)
    return canvas


def _last(
    points: list[Point], at: Callable[[float, float], tuple[float, float]]
) -> dict[str, tuple[float, float]]:
    """Return where each patch's name stands: at its last reading, moved down as far as others need."""
    last = {p.patch: at(p.cycles, p.left) for p in sorted(points, key=lambda p: p.cycles)}
    free = -math.inf
    for name, (x, y) in sorted(last.items(), key=lambda item: (item[1][1], item[0])):
        free = max(y, free + _LINE)
        last[name] = (x, free)
    return last


def _panel(draw: PIL.ImageDraw.ImageDraw, left: int, top: int, washes: Washes, channel: int) -> None:
    points = [p for p in washes.points if p.channel == channel]
    highest = min(max(1.05, *(p.left for p in points)), _HIGHEST)
    width, height = _PANEL_W - 2 * _MARGIN, _PANEL_H - 2 * _MARGIN

    def at(cycles: float, share: float) -> tuple[float, float]:
        return left + _MARGIN + width * cycles / washes.cycles, top + _MARGIN + height * (
            1 - min(max(share, 0), highest) / highest
        )

    for share in (0, 0.25, 0.5, 0.75, 1):
        draw.line([at(0, share), at(washes.cycles, share)], fill=_RULE)
        x, y = at(0, share)
        draw.text((x - 8, y), f"{share:.0%}", fill=_GREY, anchor="rm")
    for cycles in sorted({p.cycles for p in points}):
        x, y = at(cycles, 0)
        draw.line([(x, y), (x, y + 4)], fill=_GREY)
        draw.text((x, y + 6), str(cycles), fill=_GREY, anchor="ma")
    k, loss = washes.k[channel].value, washes.first_loss[channel].value
    steps = np.linspace(0, washes.cycles, 200)
    curve = [at(n, m) for n, m in zip(steps.tolist(), colourant_left(steps, k, loss).tolist(), strict=True)]
    draw.line(curve, fill=_INK[channel], width=2)
    for p in points:
        x, y = at(p.cycles, p.left)
        draw.ellipse([x - 3, y - 3, x + 3, y + 3], outline=_INK[channel])
        if p.left > highest:
            draw.text((x + 6, y), f"{p.patch} {p.left:.0%}", fill=_GREY, anchor="lm")
    for name, (x, y) in _last(points, at).items():
        draw.text((x - 6, y), name, fill=_GREY, anchor="rm")
    title = f"{washes.route} on {washes.fibre}, {_CHANNELS[channel]}: k {k:.4f}, first loss {loss:.4f}"
    draw.text((left + _MARGIN, top + 14), title, fill=(0, 0, 0))
    draw.text((left + _PANEL_W / 2, top + _PANEL_H - 14), "washes (colourant left)", fill=_GREY, anchor="mm")
