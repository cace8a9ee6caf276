"""Tags: what a piece of film is, in small text and in a Data Matrix, printed in the gutter under it.

A tag reads right on the ink side, as the film comes out of the oven and lies on the cutting table; the print beside it
is seen mirrored there. Tags are ink without base: they lie outside the cut and are not pressed.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.press.datamatrix import data_matrix
from pipeline.raster import MM_PER_INCH

WIDTH_MM = 40.0
MODULE_MM = 0.25
"""Least module of the code, rounded up to whole pixels: three at 300 ppi, which readers want (common practice)."""
_MODULES = 16


@dataclass(frozen=True, slots=True)
class Tag:
    """What one tag says: the text of its code (ASCII), and two lines for people."""

    code: str
    first: str
    second: str


def tag_size_mm(ppi: float) -> tuple[float, float]:
    """Return width and height of every tag at a resolution, in mm."""
    return WIDTH_MM, _MODULES * _module(ppi) * MM_PER_INCH / ppi


def tag_bitmap(tag: Tag, ppi: float, font: Path) -> NDArray[np.bool_]:
    """Return the tag as pixels at `ppi`, True is ink. Text that is too long is cut with "…"."""
    module = _module(ppi)
    height, width = _MODULES * module, math.floor(WIDTH_MM * ppi / MM_PER_INCH)
    out = np.zeros((height, width), np.bool_)
    left = 0
    code = data_matrix(tag.code)
    if code is not None:
        block = np.repeat(np.repeat(code, module, axis=0), module, axis=1)
        top = (height - block.shape[0]) // 2
        out[top : top + block.shape[0], : block.shape[1]] = block
        left = block.shape[1] + 3 * module
    half = height // 2
    out[:half, left:] |= _line(tag.first, (half, width - left), font)
    out[height - half :, left:] |= _line(tag.second, (half, width - left), font)
    return out


def _module(ppi: float) -> int:
    return max(1, math.ceil(MODULE_MM * ppi / MM_PER_INCH - 1e-9))


def _line(text: str, shape: tuple[int, int], font: Path) -> NDArray[np.bool_]:
    from PIL import Image, ImageDraw, ImageFont

    height, width = shape
    face = ImageFont.truetype(str(font), round(height * 0.92), layout_engine=ImageFont.Layout.BASIC)
    if face.getlength(text) > width:
        while text and face.getlength(text + "…") > width:
            text = text[:-1]
        text = text.rstrip() + "…"
    image = Image.new("L", (width, height))
    ImageDraw.Draw(image).text((0, round(height * 0.8)), text, fill=255, font=face, anchor="ls")
    return np.asarray(image) >= 128
