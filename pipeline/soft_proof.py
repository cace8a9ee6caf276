"""Soft proof: how an ICC output profile says that a press prints colours.

Relative colorimetric without black point compensation, there and back by LittleCMS: sRGB to the device, and from the
device to CIE Lab, both relative to the medium (ICC.1, D50). What is out of the press's reach comes back changed.
"""

from __future__ import annotations

import io
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageCms

_MODES = {"CMYK": "CMYK", "RGB": "RGB"}
_INTENT = ImageCms.Intent.RELATIVE_COLORIMETRIC


def problem_of(profile: bytes) -> str:
    """Return why a file is no output profile to proof with, as the end of a sentence; "" when it is one."""
    try:
        opened = ImageCms.ImageCmsProfile(io.BytesIO(profile))
        space, kind = opened.profile.xcolor_space.strip(), opened.profile.device_class
        if kind != "prtr" or space not in _MODES:
            return f"is a profile of class {kind!r} for {space}, not an output profile for RGB or CMYK"
        proofed(profile, np.zeros((1, 3), np.uint8))
    except (OSError, ImageCms.PyCMSError, ValueError):
        return "is no ICC profile that can be used in both directions"
    return ""


def proofed(profile: bytes, colours: NDArray[np.uint8]) -> NDArray[np.float64]:
    """Return CIE Lab (N, 3), D50 and 2°, relative to the medium, of sRGB colours (N, 3) as the press prints them.

    To the step of 8-bit Lab: L* 0.4, a* and b* 1. Raises what `problem_of` answers.
    """
    to_device, to_lab = _transforms(profile)
    row = np.ascontiguousarray(colours.reshape(1, -1, 3))
    picture = Image.fromarray(row, "RGB")
    lab = np.asarray(to_lab.apply(to_device.apply(picture)))[0]
    out = np.empty(lab.shape, np.float64)
    out[:, 0] = lab[:, 0] * (100 / 255)
    out[:, 1:] = lab[:, 1:].view(np.int8)
    return out


@lru_cache(maxsize=4)
def _transforms(profile: bytes) -> tuple[ImageCms.ImageCmsTransform, ImageCms.ImageCmsTransform]:
    press = ImageCms.ImageCmsProfile(io.BytesIO(profile))
    mode = _MODES[press.profile.xcolor_space.strip()]
    srgb, lab = (ImageCms.ImageCmsProfile(ImageCms.createProfile(space)) for space in ("sRGB", "LAB"))
    return (
        ImageCms.buildTransform(srgb, press, "RGB", mode, renderingIntent=_INTENT),
        ImageCms.buildTransform(press, lab, mode, "LAB", renderingIntent=_INTENT),
    )
