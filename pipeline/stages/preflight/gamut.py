"""What the press can print: by its output profile where the shop has one, else by its darkest reflectance."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from pipeline.art.paint import Rgb, hex_of
from pipeline.colour.difference import delta_e_00
from pipeline.colour.palette import MainColour
from pipeline.colour.spaces import (
    D65,
    LINEAR_OF_8BIT,
    WHITES,
    adapt,
    lab_of_rgb8,
    linear_to_srgb,
    linear_to_xyz,
    measured_lab_to_srgb,
    rgb8_of,
    xyz_to_lab,
)
from pipeline.finding import Finding
from pipeline.raster import Pixels
from pipeline.stages.preflight import words

Floats: TypeAlias = NDArray[np.float64]
Press: TypeAlias = Callable[[NDArray[np.uint8]], tuple[NDArray[np.uint8], Floats]]
"""From colours (N, 3) to how they come out, 8-bit sRGB (N, 3), and how far off that is, ΔE00 (N,)."""

_D50 = WHITES["D50", 2]
LEAST_SHARE = 0.005
"""Less of the ink out of reach is not worth a finding (ours)."""
_SAMPLE_PX = 320


def by_darkest(reflectance: float) -> Press:
    """Return a press that prints no linear-light channel below its darkest reflectance, 0–1, and all else."""

    def press(colours: NDArray[np.uint8]) -> tuple[NDArray[np.uint8], Floats]:
        out = rgb8_of(linear_to_srgb(np.maximum(LINEAR_OF_8BIT[colours], reflectance)))
        return out, delta_e_00(lab_of_rgb8(colours), lab_of_rgb8(out))

    return press


def by_profile(profile: bytes) -> Press:
    """Return the press that an ICC output profile describes."""
    from pipeline.soft_proof import proofed

    def press(colours: NDArray[np.uint8]) -> tuple[NDArray[np.uint8], Floats]:
        lab = proofed(profile, colours)
        wanted = xyz_to_lab(adapt(linear_to_xyz(LINEAR_OF_8BIT[colours]), D65, _D50), _D50)
        return rgb8_of(measured_lab_to_srgb(lab, "D50", 2).srgb), delta_e_00(wanted, lab)

    return press


def out_of_gamut(
    main: Sequence[MainColour],
    press: Press,
    *,
    gamut_warn_de: float,
    flat: Sequence[bool] | None = None,
    write: Callable[[Iterable[tuple[Rgb, Rgb]]], str] = words.swap,
) -> tuple[Finding, ...]:
    """Return `out-of-gamut` for main colours that come out more than `gamut_warn_de` (ΔE00) off.

    Flat ones are told together, with the line by `write` that swaps them; so are the tones of photographs.
    """
    if not main:
        return ()
    come_out, far = press(np.array([colour.rgb for colour in main], np.uint8))
    found = []
    for plain in (True, False):
        off = [
            (apart, colour.rgb, _rgb(comes_out))
            for n, (colour, comes_out, apart) in enumerate(zip(main, come_out, far.tolist(), strict=True))
            if apart > gamut_warn_de and (flat is None or flat[n]) == plain
        ]
        if off:
            remedy = write([(colour, comes_out) for _, colour, comes_out in off])
            found.append(_off(off, gamut_warn_de, remedy if plain else words.accept("out-of-gamut")))
    return tuple(found)


def _off(off: Sequence[tuple[float, Rgb, Rgb]], limit: float, remedy: str) -> Finding:
    apart, colour, comes_out = max(off)
    others = [hex_of(c) for _, c, _ in off if c != colour]
    also = f" So {'is' if len(others) == 1 else 'are'} {words.listed(others)}." if others else ""
    return Finding(
        code="out-of-gamut",
        severity="warn",
        message=f"{hex_of(colour)} is more than this press can print: it comes out near {hex_of(comes_out)}, "
        f"ΔE00 {apart:.1f} away.{also}",
        remedy=remedy,
        measured=round(apart, 2),
        limit=limit,
    )


def as_it_comes_out(pixels: Pixels, press: Press) -> Pixels:
    """Return pixels (H, W, 4) in the colours in which they come out."""
    opaque = pixels | np.array([0, 0, 0, 255], np.uint8)
    colours, which = np.unique(np.ascontiguousarray(opaque).view(np.uint32), return_inverse=True)
    out = pixels.copy()
    out[..., :3] = press(colours.view(np.uint8).reshape(-1, 4)[:, :3])[0][which.reshape(out.shape[:2])]
    return out


def print_out_of_gamut(
    small: Pixels, ppi: float, press: Press, *, gamut_warn_de: float
) -> tuple[Finding, ...]:
    """Return one `out-of-gamut` for the whole print (H, W, 4): worst and mean ΔE00 over the ink, and where.

    `small` may be reduced to `ppi`; mixed colours of its edges count by their share of the ink.
    """
    step = max(1, max(small.shape[:2]) // _SAMPLE_PX)
    pixels = small[::step, ::step]
    inked = pixels[..., 3] > 0
    if not inked.any():
        return ()
    colours, which = np.unique(pixels[inked][:, :3], axis=0, return_inverse=True)
    _, far = press(colours)
    apart = np.zeros(inked.shape)
    apart[inked] = far[which.reshape(-1)]
    weight = pixels[..., 3].astype(np.float64)
    total = float(weight.sum())
    share = float(weight[apart > gamut_warn_de].sum()) / total
    if share <= LEAST_SHARE:
        return ()
    worst, mean = float(apart.max()), float((apart * weight).sum()) / total
    return (
        Finding(
            code="out-of-gamut",
            severity="warn",
            message=f"{share:.1%} of the ink is more than this press can print, by its profile: up to ΔE00 "
            f"{worst:.1f} away, {mean:.1f} on the mean of the print.",
            remedy=words.accept("out-of-gamut"),
            measured=round(worst, 2),
            limit=gamut_warn_de,
            where_mm=_box(apart > gamut_warn_de, step * 25.4 / ppi),
        ),
    )


def _box(mask: NDArray[np.bool_], mm: float) -> tuple[float, float, float, float]:
    rows, columns = np.flatnonzero(mask.any(axis=1)), np.flatnonzero(mask.any(axis=0))
    top, left = int(rows[0]), int(columns[0])
    return left * mm, top * mm, (int(columns[-1]) + 1 - left) * mm, (int(rows[-1]) + 1 - top) * mm


def _rgb(row: NDArray[np.uint8]) -> Rgb:
    red, green, blue = row.tolist()
    return red, green, blue
