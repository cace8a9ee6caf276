"""Colour spaces: sRGB, XYZ, CIE Lab, OKLab, HSB, and adaptation between whites.

All functions take arrays whose last axis is the channel, any leading shape, and return float64 of that shape.
Encoded sRGB and linear light lie in 0–1, XYZ has Y = 1 for white, L* lies in 0–100, hue in degrees unless said.

Sources: IEC 61966-2-1 (sRGB), ISO/CIE 11664-4 (Lab), ICC.1 annex E (Bradford), B. Ottosson 2020 (OKLab),
CIE 15 (whites), WCAG 2.2 (contrast).
"""

from __future__ import annotations

from typing import Literal, NamedTuple, TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pipeline.colour.difference import delta_e_00

Floats: TypeAlias = NDArray[np.float64]
Illuminant: TypeAlias = Literal["D50", "D65"]
Observer: TypeAlias = Literal[2, 10]
_Matrix: TypeAlias = tuple[tuple[float, float, float], ...]

# The primaries and white of IEC 61966-2-1, (0.64, 0.33) (0.30, 0.60) (0.15, 0.06) and (0.3127, 0.3290), solved exactly.
_LINEAR_TO_XYZ: _Matrix = (
    (0.4123907992659595, 0.35758433938387796, 0.1804807884018343),
    (0.21263900587151036, 0.7151686787677559, 0.07219231536073371),
    (0.01933081871559185, 0.11919477979462599, 0.9505321522496606),
)
_XYZ_TO_LINEAR: _Matrix = (
    (3.2409699419045213, -1.5373831775700935, -0.4986107602930033),
    (-0.9692436362808798, 1.8759675015077206, 0.04155505740717561),
    (0.05563007969699361, -0.20397695888897657, 1.0569715142428786),
)
_BRADFORD: _Matrix = ((0.8951, 0.2664, -0.1614), (-0.7502, 1.7135, 0.0367), (0.0389, -0.0685, 1.0296))
_BRADFORD_BACK: _Matrix = (
    (0.9869929054667121, -0.1470542564209901, 0.15996265166373125),
    (0.4323052697233945, 0.5183602715367776, 0.049291228212855615),
    (-0.008528664575177331, 0.04004282165408486, 0.96848669578755),
)
_OK_CONES: _Matrix = (
    (0.8189330101, 0.3618667424, -0.1288597137),
    (0.0329845436, 0.9293118715, 0.0361456387),
    (0.0482003018, 0.2643662691, 0.6338517070),
)
_OK_LAB: _Matrix = (
    (0.2104542553, 0.7936177850, -0.0040720468),
    (1.9779984951, -2.4285922050, 0.4505937099),
    (0.0259040371, 0.7827717662, -0.8086757660),
)

WHITES: dict[tuple[Illuminant, Observer], tuple[float, float, float]] = {
    ("D65", 2): (
        0.9504559270516717,
        1.0,
        1.0890577507598784,
    ),  # of the sRGB primaries, so greys have a* = b* = 0
    ("D50", 2): (0.9642, 1.0, 0.8249),  # the ICC profile connection space
    ("D65", 10): (0.9480966767371601, 1.0, 1.0730513595166162),  # CIE 15, x 0.31382, y 0.33100
    ("D50", 10): (0.9672062750333779, 1.0, 0.8142801513128616),  # CIE 15, x 0.34773, y 0.35952
}
D65 = WHITES["D65", 2]
IN_GAMUT_SLACK = 1e-4
"""How far outside 0–1 an encoded channel may lie and still count as in gamut: far below an 8-bit level."""

_EPSILON = (6 / 29) ** 3
_WCAG_WEIGHTS = (0.2126, 0.7152, 0.0722)


def _floats(values: ArrayLike) -> Floats:
    array = np.asarray(values, dtype=np.float64)
    if array.ndim == 0 or array.shape[-1] != 3:
        raise ValueError(f"the last axis must hold 3 channels, got shape {array.shape}")
    return array


def _times(matrix: _Matrix, values: Floats) -> Floats:
    # Written out: a matrix product may sum in another order on another processor.
    x, y, z = values[..., 0], values[..., 1], values[..., 2]
    return np.stack([a * x + b * y + c * z for a, b, c in matrix], axis=-1)


def srgb_to_linear(encoded: ArrayLike) -> Floats:
    """Encoded sRGB to linear light, any shape, nominally 0–1; values below 0 are mirrored. IEC 61966-2-1."""
    c = np.asarray(encoded, dtype=np.float64)
    size = np.abs(c)
    return np.copysign(np.where(size <= 0.04045, size / 12.92, ((size + 0.055) / 1.055) ** 2.4), c)


def linear_to_srgb(linear: ArrayLike) -> Floats:
    """Linear light to encoded sRGB, any shape, nominally 0–1; values below 0 are mirrored. IEC 61966-2-1."""
    c = np.asarray(linear, dtype=np.float64)
    size = np.abs(c)
    return np.copysign(np.where(size <= 0.0031308, 12.92 * size, 1.055 * size ** (1 / 2.4) - 0.055), c)


LINEAR_OF_8BIT: Floats = srgb_to_linear(np.arange(256) / 255)
"""Linear light of the 256 levels of an 8-bit sRGB channel."""


def linear_to_xyz(linear: ArrayLike) -> Floats:
    """Linear sRGB (…, 3) to XYZ under D65, 2° observer."""
    return _times(_LINEAR_TO_XYZ, _floats(linear))


def xyz_to_linear(xyz: ArrayLike) -> Floats:
    """XYZ (…, 3) under D65, 2° observer, to linear sRGB; not clipped."""
    return _times(_XYZ_TO_LINEAR, _floats(xyz))


def xyz_to_lab(xyz: ArrayLike, white: tuple[float, float, float] = D65) -> Floats:
    """XYZ (…, 3) to CIE Lab against `white`. ISO/CIE 11664-4."""
    t = _floats(xyz) / np.array(white)
    f = np.where(t > _EPSILON, np.cbrt(t), t * (841 / 108) + 4 / 29)
    x, y, z = f[..., 0], f[..., 1], f[..., 2]
    return np.stack([116 * y - 16, 500 * (x - y), 200 * (y - z)], axis=-1)


def lab_to_xyz(lab: ArrayLike, white: tuple[float, float, float] = D65) -> Floats:
    """CIE Lab (…, 3) against `white` to XYZ. ISO/CIE 11664-4."""
    values = _floats(lab)
    y = (values[..., 0] + 16) / 116
    f = np.stack([y + values[..., 1] / 500, y, y - values[..., 2] / 200], axis=-1)
    return np.asarray(np.where(f > 6 / 29, f**3, (f - 4 / 29) * (108 / 841)) * np.array(white))


def srgb_to_lab(encoded: ArrayLike) -> Floats:
    """Encoded sRGB (…, 3), 0–1, to CIE Lab under D65, 2° observer."""
    return xyz_to_lab(linear_to_xyz(srgb_to_linear(encoded)))


def lab_to_srgb(lab: ArrayLike) -> Floats:
    """CIE Lab (…, 3) under D65, 2°, to encoded sRGB, not clipped: `in_gamut` tells what sRGB cannot show."""
    return linear_to_srgb(xyz_to_linear(lab_to_xyz(lab)))


def in_gamut(encoded: ArrayLike) -> NDArray[np.bool_]:
    """Which colours (…, 3) of unclipped encoded sRGB lie inside 0–1; returns shape (…)."""
    values = _floats(encoded)
    inside: NDArray[np.bool_] = np.all((values >= -IN_GAMUT_SLACK) & (values <= 1 + IN_GAMUT_SLACK), axis=-1)
    return inside


def lab_of_rgb8(rgb8: ArrayLike) -> Floats:
    """8-bit sRGB (…, 3) integers to CIE Lab under D65, 2°; equal to `srgb_to_lab(rgb8 / 255)`, and faster."""
    return xyz_to_lab(linear_to_xyz(LINEAR_OF_8BIT[np.asarray(rgb8)]))


def rgb8_of(encoded: ArrayLike) -> NDArray[np.uint8]:
    """Encoded sRGB, any shape, to 8 bits: clipped to 0–1 and rounded to the nearest level."""
    return np.rint(np.clip(np.asarray(encoded, dtype=np.float64), 0, 1) * 255).astype(np.uint8)


def adapt(
    xyz: ArrayLike, from_white: tuple[float, float, float], to_white: tuple[float, float, float]
) -> Floats:
    """Adapt XYZ (…, 3) seen under one white to the colour that looks the same under another (Bradford, linear)."""
    ratio = _times(_BRADFORD, np.array(to_white)) / _times(_BRADFORD, np.array(from_white))
    return _times(_BRADFORD_BACK, _times(_BRADFORD, _floats(xyz)) * ratio)


def measured_lab_to_linear(lab: ArrayLike, illuminant: Illuminant, observer: Observer) -> Floats:
    """Lab readings (…, 3) of an instrument to linear sRGB adapted to D65, 2°; not clipped."""
    white = WHITES[illuminant, observer]
    return xyz_to_linear(adapt(lab_to_xyz(lab, white), white, D65))


class Measured(NamedTuple):
    """sRGB (…, 3), 0–1, that comes nearest a measured colour, and the ΔE00 (…) lost where sRGB cannot show it."""

    srgb: Floats
    lost: Floats


def measured_lab_to_srgb(lab: ArrayLike, illuminant: Illuminant = "D50", observer: Observer = 2) -> Measured:
    """Lab readings (…, 3) to encoded sRGB, adapted to D65, 2°, clipped channel by channel; `lost` is 0 in gamut."""
    linear = measured_lab_to_linear(lab, illuminant, observer)
    encoded = linear_to_srgb(linear)
    clipped = np.clip(encoded, 0, 1)
    lost = delta_e_00(xyz_to_lab(linear_to_xyz(linear)), srgb_to_lab(clipped))
    return Measured(clipped, np.where(in_gamut(encoded), 0.0, lost))


def lab_to_lch(lab: ArrayLike) -> Floats:
    """Lab or OKLab (…, 3) to lightness, chroma and hue in degrees, 0–360; a grey has hue 0."""
    values = _floats(lab)
    a, b = values[..., 1], values[..., 2]
    return np.stack([values[..., 0], np.hypot(a, b), np.degrees(np.arctan2(b, a)) % 360], axis=-1)


def xyz_to_oklab(xyz: ArrayLike) -> Floats:
    """XYZ (…, 3) under D65 to OKLab. B. Ottosson, "A perceptual color space for image processing", 2020."""
    return _times(_OK_LAB, np.cbrt(_times(_OK_CONES, _floats(xyz))))


def srgb_to_oklab(encoded: ArrayLike) -> Floats:
    """Encoded sRGB (…, 3), 0–1, to OKLab."""
    return xyz_to_oklab(linear_to_xyz(srgb_to_linear(encoded)))


def srgb_to_hsb(encoded: ArrayLike) -> Floats:
    """Encoded sRGB (…, 3), 0–1, to hue, saturation, brightness, each 0–1; a grey has hue and saturation 0."""
    values = _floats(encoded)
    r, g, b = values[..., 0], values[..., 1], values[..., 2]
    top = values.max(axis=-1)
    span = top - values.min(axis=-1)
    grey = span == 0
    safe = np.where(grey, 1.0, span)
    from_r, from_g, from_b = (top - r) / safe, (top - g) / safe, (top - b) / safe
    sixth = np.where(r == top, from_b - from_g, np.where(g == top, 2 + from_r - from_b, 4 + from_g - from_r))
    hue = np.where(grey, 0.0, (sixth / 6) % 1.0)
    saturation = np.where(grey, 0.0, span / np.where(grey, 1.0, top))
    return np.stack([hue, saturation, top], axis=-1)


def hsb_to_srgb(hsb: ArrayLike) -> Floats:
    """Hue, saturation, brightness (…, 3), each 0–1, to encoded sRGB."""
    values = _floats(hsb)
    h, s, v = values[..., 0] * 6, values[..., 1], values[..., 2]
    sector = np.floor(h)
    part = h - sector
    low, falling, rising = v * (1 - s), v * (1 - s * part), v * (1 - s * (1 - part))
    which = sector.astype(np.int64) % 6
    channels = (
        (v, falling, low, low, rising, v),
        (rising, v, v, falling, low, low),
        (low, low, rising, v, v, falling),
    )
    return np.stack([np.choose(which, choices) for choices in channels], axis=-1)


def relative_luminance(encoded: ArrayLike) -> Floats:
    """Relative luminance (…) of encoded sRGB (…, 3), with the rounded weights that WCAG 2.2 prints."""
    linear = srgb_to_linear(_floats(encoded))
    red, green, blue = _WCAG_WEIGHTS
    return np.asarray(red * linear[..., 0] + green * linear[..., 1] + blue * linear[..., 2])


def wcag_contrast(one: ArrayLike, other: ArrayLike) -> Floats:
    """Contrast ratio, 1–21, of two encoded sRGB colours (…, 3); the order does not matter. WCAG 2.2."""
    a, b = relative_luminance(one), relative_luminance(other)
    return np.asarray((np.maximum(a, b) + 0.05) / (np.minimum(a, b) + 0.05))
