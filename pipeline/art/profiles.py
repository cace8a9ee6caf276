"""Colour profiles: what a bitmap's samples mean, converted to sRGB.

Relative colorimetric with black point compensation, by LittleCMS. The profiles shipped in data/ are made by
ops/make_profiles.py: sRGB (IEC 61966-2-1), and a model of process inks on coated paper for CMYK art without a
profile, which is a guess and is said to be one.
"""

from __future__ import annotations

import io
from functools import cache
from importlib.resources import files
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageCms

from pipeline.art.iccfile import matrix_profile
from pipeline.art.png import SRGB
from pipeline.art.samples import Samples, to_8_bit
from pipeline.finding import Finding

INK_MODEL = "built-in model of process inks on coated paper"
SPACE_NAMES = {"GRAY": "grey", "RGB": "rgb", "CMYK": "cmyk", "Lab": "lab"}
MODES = {"grey": "L", "rgb": "RGB", "cmyk": "CMYK", "lab": "LAB"}
CLASSES = ("mntr", "scnr", "prtr", "spac")
STRIP = 4 * 2**20
"""Pixels converted at a time."""


@cache
def srgb_profile() -> bytes:
    """Return the sRGB profile that goes into every file made here (version 2.4, CC0)."""
    return files("pipeline.art").joinpath("data", "srgb.icc").read_bytes()


@cache
def ink_profile() -> bytes:
    """Return the CMYK profile assumed for CMYK art that brings none."""
    return files("pipeline.art").joinpath("data", "inks.icc").read_bytes()


def to_srgb(samples: Samples, name: str) -> tuple[NDArray[np.uint8], tuple[Finding, ...]]:
    """Return sRGB (H, W, 3) 0–255 and what the user should know about the conversion."""
    found: list[Finding] = []
    if samples.colour.dtype != np.uint8:
        found.append(_mode_finding(name, "16 bits a channel", "8 bits, which is what a press file carries"))
    profile = None
    if samples.profile is not None:
        profile = _opened(samples.profile, samples.space)
        if profile is None:
            found.append(_no_profile(name, "has a colour profile that cannot be used", samples.space))
    elif samples.space == "cmyk":
        found.append(_no_profile(name, "is CMYK without a colour profile", "cmyk"))
    if samples.space in ("cmyk", "lab"):
        found.append(_mode_finding(name, MODES[samples.space].replace("LAB", "Lab"), "sRGB"))
    if profile is None and samples.space in ("grey", "rgb"):
        return _by_chunks(samples, name, found)
    if profile is None:
        profile = _open(ink_profile()) if samples.space == "cmyk" else _lab()
    colour = to_8_bit(samples.colour)
    rgb, changed = _converted(colour, profile, samples.space)
    if changed and samples.space in ("grey", "rgb"):
        found.append(_converted_finding(name, f"its colour profile “{_title(profile)}”"))
    return rgb, tuple(found)


def _by_chunks(
    samples: Samples, name: str, found: list[Finding]
) -> tuple[NDArray[np.uint8], tuple[Finding, ...]]:
    """Untagged RGB and grey are sRGB, unless PNG chunks state another gamma or other primaries."""
    gamma, primaries = samples.gamma, samples.primaries
    if primaries is not None and samples.space == "rgb" and not _near(primaries, SRGB):
        curve = srgb_curve(1024) if gamma is None else np.linspace(0, 1, 1024) ** gamma
        try:
            profile = _open(matrix_profile("PNG", primaries, curve))
        except ValueError:
            found.append(_no_profile(name, "states primaries that make no sense", samples.space))
        else:
            found.append(_converted_finding(name, "the primaries it states"))
            return _converted(to_8_bit(samples.colour), profile, "rgb")[0], tuple(found)
    colour = samples.colour
    if gamma is not None and not _is_srgb_gamma(gamma):
        full = int(np.iinfo(colour.dtype).max)
        light = (np.arange(full + 1) / full) ** gamma
        colour = np.rint(255 * _encoded(light)).astype(np.uint8)[colour]
        found.append(_converted_finding(name, f"the gamma it states (1/{gamma:.2f})"))
    rgb = to_8_bit(colour)
    return np.repeat(rgb, 3, axis=2) if rgb.shape[2] == 1 else rgb, tuple(found)


def srgb_curve(steps: int) -> NDArray[np.float64]:
    """Return light 0–1 at `steps` equal steps of the sRGB value (IEC 61966-2-1)."""
    value = np.linspace(0, 1, steps)
    return np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4)


def _encoded(light: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.where(light <= 0.0031308, light * 12.92, 1.055 * light ** (1 / 2.4) - 0.055)


def _is_srgb_gamma(gamma: float | None) -> bool:
    """PNG writes sRGB's curve as 1/2.2 = 45455; within 2 % it is meant."""
    return gamma is None or abs(gamma - 2.2) < 0.044


def _near(one: tuple[Any, ...], other: tuple[Any, ...]) -> bool:
    return all(abs(a - b) < 0.002 for x, y in zip(one, other, strict=True) for a, b in zip(x, y, strict=True))


def _open(profile: bytes) -> ImageCms.ImageCmsProfile:
    return ImageCms.ImageCmsProfile(io.BytesIO(profile))


def _lab() -> ImageCms.ImageCmsProfile:
    return ImageCms.ImageCmsProfile(ImageCms.createProfile("LAB"))


def _opened(data: bytes, space: str) -> ImageCms.ImageCmsProfile | None:
    """Return the embedded profile if it can be read and describes samples of this space."""
    try:
        profile = _open(data)
        described = SPACE_NAMES.get(profile.profile.xcolor_space.strip())
        if (
            described is None
            or profile.profile.device_class not in CLASSES
            or (described != space and (described, space) != ("rgb", "grey"))
        ):
            return None
        _transform(profile, described)
    except (OSError, ImageCms.PyCMSError, ValueError):
        return None
    return profile


def _transform(profile: ImageCms.ImageCmsProfile, space: str) -> ImageCms.ImageCmsTransform:
    return ImageCms.buildTransform(
        profile,
        _open(srgb_profile()),
        MODES[space],
        "RGB",
        renderingIntent=ImageCms.Intent.RELATIVE_COLORIMETRIC,
        flags=ImageCms.Flags.BLACKPOINTCOMPENSATION,
    )


def _converted(
    colour: NDArray[np.uint8], profile: ImageCms.ImageCmsProfile, space: str
) -> tuple[NDArray[np.uint8], bool]:
    """Convert (H, W, n) in strips; a profile that is sRGB in all but name changes nothing."""
    if space == "grey" and profile.profile.xcolor_space.strip() == "RGB":
        colour, space = np.repeat(colour, 3, axis=2), "rgb"
    transform = _transform(profile, space)
    if space in ("grey", "rgb") and _is_identity(transform, space):
        return np.repeat(colour, 3, axis=2) if space == "grey" else colour, False
    height, width = colour.shape[:2]
    out = np.empty((height, width, 3), np.uint8)
    rows = max(1, STRIP // width)
    for top in range(0, height, rows):
        out[top : top + rows] = _applied(transform, colour[top : top + rows], MODES[space])
    return out, True


def _applied(
    transform: ImageCms.ImageCmsTransform, colour: NDArray[np.uint8], mode: str
) -> NDArray[np.uint8]:
    flat = np.ascontiguousarray(colour)
    picture = Image.frombuffer(mode, (flat.shape[1], flat.shape[0]), flat.tobytes(), "raw", mode, 0, 1)
    result = transform.apply(picture)
    return np.asarray(result)


def _is_identity(transform: ImageCms.ImageCmsTransform, space: str) -> bool:
    """Whether a grid of colours over the whole space stays within one level."""
    steps = np.linspace(0, 255, 18).astype(np.uint8) if space == "rgb" else np.arange(256, dtype=np.uint8)
    axes = np.meshgrid(*[steps] * (3 if space == "rgb" else 1), indexing="ij")
    grid = np.stack([axis.ravel() for axis in axes], axis=-1)[None]
    after = _applied(transform, grid, MODES[space]).astype(np.int16)
    return bool(np.abs(after - grid).max() <= 1)


def _title(profile: ImageCms.ImageCmsProfile) -> str:
    text = profile.profile.profile_description or "no name"
    return "".join(letter for letter in text if letter.isprintable())[:60].strip() or "no name"


def _no_profile(name: str, what: str, space: str) -> Finding:
    assumed = INK_MODEL if space == "cmyk" else "sRGB"
    return Finding(
        code="no-profile",
        severity="warn",
        message=f"{name} {what}; {assumed} was assumed, so its colours are a guess.",
        remedy="Export it as sRGB, or with its colour profile embedded; or check the colours on the proof.",
        art=name,
        measured="none",
        limit=assumed,
    )


def _mode_finding(name: str, had: str, now: str) -> Finding:
    return Finding(
        code="colour-mode",
        severity="warn",
        message=f"{name} is {had}; it was converted to {now}.",
        remedy="Check the colours on the proof; export as 8-bit sRGB to decide them yourself.",
        art=name,
        measured=had,
        limit="8-bit sRGB",
    )


def _converted_finding(name: str, by: str) -> Finding:
    return Finding(
        code="colour-mode",
        severity="note",
        message=f"{name} was converted to sRGB by {by}.",
        remedy="Nothing to do.",
        art=name,
        limit="sRGB",
    )
