"""From the colour of a design to the colour to print, so that it looks right after n* washes; and back by washing.

Colours are float64 levels of encoded sRGB, 0–255, shape (N, 3), one by one: edges and pictures are stages/fade.py.

- `model`: each linear-light channel is a colourant that washes out (fading.py).
- `saturation`: the studio habit, HSB S′ = min(1, S·(1 + p/100)); greyish colours (S < 0.08) are left alone, dark ones
  (L* < 30) get V × 0.95. Common practice, no published source.
- On top: `hold` keeps a colour, `own` gives one its own change; both run out smoothly over near colours.
- `max_fresh_shift` bounds ΔE00 between design and print in `model`, which can go far; `saturation` is what its
  definition says, and a colour's own change is an order.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal, NamedTuple, TypeAlias

import numpy as np
from numpy.typing import NDArray

from pipeline.colour import fading
from pipeline.colour.difference import delta_e_00
from pipeline.colour.mixtures import smooth_step
from pipeline.colour.palette import Rgb8
from pipeline.colour.spaces import (
    hsb_to_srgb,
    lab_of_rgb8,
    linear_to_srgb,
    linear_to_xyz,
    srgb_to_hsb,
    srgb_to_lab,
    srgb_to_linear,
)

Method: TypeAlias = Literal["model", "saturation", "none"]
Channels: TypeAlias = tuple[float, float, float]
_Floats: TypeAlias = NDArray[np.float64]

GREYISH = 0.08
DARK_L = 30.0
DARK_Y = ((DARK_L + 16) / 116) ** 3  # its luminance: L* = 116·∛Y − 16, ISO/CIE 11664-4
DARK_GAIN = 0.95
UNREACHABLE_DE00 = 2.0
"""A colour that still misses the design by more than this at n* counts as out of the press's reach (ours)."""

_RULE_REACH = (
    8.0  # ΔE00 over which a rule for one colour runs out; wider for large changes, so that ramps keep order
)
_HALVINGS = 6  # a 64th of the move: below a level


@dataclass(frozen=True, slots=True)
class OwnChange:
    """A colour that gets its own change instead of the method's: per cent on HSB saturation, on HSB value, or both."""

    colour: Rgb8
    saturation: float = 0.0
    value: float = 0.0


@dataclass(frozen=True, slots=True)
class FadeSettings:
    """How to compensate; part of a plate's key.

    `washes` is n*, `life` the washes of the garment's life; `percent` is for `saturation`; `k` a wash and
    `first_loss` (0–1) are the washing constants of R, G, B, from wash tests when `calibrated`; `darkest` and
    `base_reflectance` are reflectances, 0–1; `ground_srgb` is the bare fabric; `max_fresh_shift` is ΔE00.
    """

    method: Method = "saturation"
    washes: float = 12.5
    percent: float = 12.0
    k: Channels = (0.02, 0.02, 0.02)
    first_loss: Channels = (0.05, 0.05, 0.05)
    darkest: float = 0.03
    ground_srgb: Rgb8 = (255, 255, 255)
    base_reflectance: float = 0.85
    max_fresh_shift: float = 3.0
    hold: tuple[Rgb8, ...] = ()
    own: tuple[OwnChange, ...] = ()
    calibrated: bool = False
    life: float = 25.0

    def __post_init__(self) -> None:
        if not 0 < self.darkest < 1 or not 0 < self.base_reflectance <= 1:
            raise ValueError("darkest and base_reflectance must lie in 0–1")
        if min(self.washes, self.life, self.max_fresh_shift, *self.k) < 0 or not all(
            0 <= f < 1 for f in self.first_loss
        ):
            raise ValueError("washes, life, max_fresh_shift and k must be 0 or more, first_loss in 0–1")

    def that_matters(self, *, on_base: bool) -> FadeSettings:
        """Return the settings with all that changes no printed colour as it is by default.

        Only `model` knows washes and grounds, and the bare fabric only where no base covers it.
        """
        same = replace(self, calibrated=False, life=25.0)
        if self.method == "model":
            return replace(same, ground_srgb=(255, 255, 255)) if on_base else same
        return FadeSettings(method=self.method, percent=self.percent, hold=self.hold, own=self.own)


class Change(NamedTuple):
    """Levels 0–255 (N, 3) to print for N colours, and masks (N,) of those limited and those out of reach."""

    printed: _Floats
    limited: NDArray[np.bool_]
    unreachable: NDArray[np.bool_]


def ground_of(settings: FadeSettings, *, on_base: bool) -> _Floats:
    """Reflectance (3,) of what lies under the colour: the base, or the bare fabric."""
    if on_base:
        return np.full(3, settings.base_reflectance)
    return np.maximum(srgb_to_linear(np.array(settings.ground_srgb) / 255), settings.darkest)


def worn(colours: _Floats, washes: float, settings: FadeSettings, *, on_base: bool) -> _Floats:
    """What printed colours (N, 3) look like after `washes`; the press prints nothing below its darkest reflectance."""
    left = fading.colourant_left(washes, settings.k, settings.first_loss)
    fresh = np.maximum(srgb_to_linear(colours / 255), settings.darkest)
    return linear_to_srgb(fading.predict(fresh, ground_of(settings, on_base=on_base), left)) * 255


def change_of(colours: _Floats, settings: FadeSettings, *, on_base: bool) -> Change:
    """What each colour (N, 3), levels 0–255, becomes by itself, before edges are looked at."""
    lab = srgb_to_lab(colours / 255)
    full = _by_method(colours, settings, on_base=on_base)
    bound = settings.max_fresh_shift if settings.method == "model" else np.inf
    printed, limited = _within_shift(colours, lab, full, bound)
    unreachable = _out_of_reach(colours, full, settings, on_base=on_base)
    for rule in settings.own:
        new = _own(colours, rule)
        weight = _nearness(lab, rule.colour, _reach_of(rule))
        printed += weight[:, np.newaxis] * (new - printed)
        limited, unreachable = limited & (weight < 0.5), unreachable & (weight < 0.5)
    for held in settings.hold:
        weight = _nearness(lab, held, _RULE_REACH)
        printed += weight[:, np.newaxis] * (colours - printed)
        limited, unreachable = limited & (weight < 0.5), unreachable & (weight < 0.5)
    return Change(np.clip(printed, 0, 255), limited, unreachable)


def _by_method(colours: _Floats, settings: FadeSettings, *, on_base: bool) -> _Floats:
    if settings.method == "none":
        return colours.copy()
    if settings.method == "saturation":
        return _saturated(colours, settings.percent)
    return modelled(colours, settings, on_base=on_base)


def modelled(colours: _Floats, settings: FadeSettings, *, on_base: bool) -> _Floats:
    """The `model` alone, without bounds or rules; each channel depends on itself only."""
    left = fading.colourant_left(settings.washes, settings.k, settings.first_loss)
    linear = srgb_to_linear(colours / 255)
    wanted = fading.compensate(
        linear, ground_of(settings, on_base=on_base), left, settings.darkest
    ).reflectance
    # A level below the press's darkest prints as the darkest: it must not be raised to it.
    return np.minimum(colours, linear_to_srgb(wanted) * 255)


def _saturated(colours: _Floats, percent: float) -> _Floats:
    top, low = colours.max(axis=-1), colours.min(axis=-1)
    value = np.where(_luminance(colours) < DARK_Y, DARK_GAIN, 1.0)
    gain = value * saturation_gain(top, low, percent)
    return np.asarray((value * top)[:, np.newaxis] - (top[:, np.newaxis] - colours) * gain[:, np.newaxis])


def saturation_gain(top: _Floats, low: _Floats, percent: float) -> _Floats:
    """Return S′/S of colours by their highest and lowest channel, in any unit, any shape.

    With hue and value kept, a channel c becomes top − (top − c)·S′/S.
    """
    saturation = np.maximum(top - low, 0) / np.where(top > 0, top, 1.0)
    more = np.minimum(1, saturation * (1 + percent / 100)) / np.where(saturation > 0, saturation, 1.0)
    return np.where(saturation < GREYISH, 1.0, more)


def _luminance(colours: _Floats) -> _Floats:
    return linear_to_xyz(srgb_to_linear(colours / 255))[..., 1]


def _own(colours: _Floats, rule: OwnChange) -> _Floats:
    hsb = srgb_to_hsb(colours / 255)
    hsb[:, 1:] = np.clip(hsb[:, 1:] * (1 + np.array([rule.saturation, rule.value]) / 100), 0, 1)
    return hsb_to_srgb(hsb) * 255


def _within_shift(
    colours: _Floats, lab: _Floats, full: _Floats, limit: float
) -> tuple[_Floats, NDArray[np.bool_]]:
    """Scale moves back along their straight path until ΔE00, rounded to 8 bits as it will be, is within `limit`."""
    over = delta_e_00(lab, srgb_to_lab(np.rint(full) / 255)) > limit
    start, move, from_lab = colours[over], full[over] - colours[over], lab[over]
    low, high = np.zeros((len(start), 1)), np.ones((len(start), 1))
    for _ in range(_HALVINGS if len(start) else 0):
        half = (low + high) / 2
        to_lab = srgb_to_lab(np.rint(start + half * move) / 255)
        fits = (delta_e_00(from_lab, to_lab) <= limit)[:, np.newaxis]
        low, high = np.where(fits, half, low), np.where(fits, high, half)
    printed = full.copy()
    printed[over] = start + low * move
    return printed, over


def _out_of_reach(
    colours: _Floats, full: _Floats, settings: FadeSettings, *, on_base: bool
) -> NDArray[np.bool_]:
    """Where even the whole compensation, however far from the design when fresh, is too light at n*."""
    if settings.method != "model":
        return np.zeros(len(colours), dtype=np.bool_)
    washed = worn(full, settings.washes, settings, on_base=on_base)
    fresh = worn(colours, 0, settings, on_base=on_base)
    return delta_e_00(srgb_to_lab(fresh / 255), srgb_to_lab(washed / 255)) > UNREACHABLE_DE00


def _nearness(lab: _Floats, colour: Rgb8, reach: float) -> _Floats:
    return smooth_step(delta_e_00(lab, lab_of_rgb8(colour)), reach, 0.5)


def _reach_of(rule: OwnChange) -> float:
    """Twice the change itself, so that a ramp through the colour keeps its order."""
    colour = np.array([rule.colour], dtype=np.float64)
    change = delta_e_00(srgb_to_lab(colour / 255), srgb_to_lab(_own(colour, rule) / 255))
    return max(_RULE_REACH, 2 * float(change[0]))
