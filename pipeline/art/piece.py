"""A piece of art after reading: what it is, how large its drawing area is, and what was noticed on the way."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, field
from typing import Literal, TypeAlias

import numpy as np

from pipeline.art.limits import Limits as Limits
from pipeline.art.paint import Rgb
from pipeline.finding import Finding
from pipeline.raster import Pixels


@dataclass(frozen=True, slots=True)
class VectorArt:
    """SVG, normalised once: plain elements, explicit sRGB paints, text outlined.

    `svg` is the normalised document; any renderer draws the same picture from it.
    `paints` are the distinct solid colours that paint something (fills, strokes, gradient stops), `elements` the
    ids that `only`, `omit`, `cut_out` and `swap` may name. `renderer` is the one that draws this art right.
    `ramps` are the pairs of neighbouring colours in the gradients that paint.
    `block` says that one flat opaque rectangle lies under the whole drawing. `linear` is False where a pixel is no
    longer a mixture of the paints (blend modes, filters): such art is knocked out and recoloured as pixels.
    `around` is there where ink crosses the edge of the drawing area.
    """

    name: str
    svg: bytes
    width: float
    height: float
    paints: tuple[Rgb, ...]
    elements: frozenset[str]
    renderer: str = "cairosvg"
    findings: tuple[Finding, ...] = ()
    linear: bool = True
    block: bool = False
    ramps: tuple[tuple[Rgb, Rgb], ...] = ()
    around: Around | None = None

    @property
    def has_images(self) -> bool:
        """Whether bitmaps are embedded; those are recoloured and knocked out as pixels."""
        return b"<image" in self.svg


@dataclass(frozen=True, slots=True, eq=False)
class BitmapArt:
    """A bitmap in sRGB, oriented, straight alpha, at its own resolution.

    `step`: of a JPEG, the mean step in which its lightness was quantised, in levels; 0 where that is not known.
    """

    name: str
    pixels: Pixels
    lossy: bool = False
    findings: tuple[Finding, ...] = ()
    step: float = 0.0

    @property
    def width(self) -> float:
        """Width of the drawing area in pixels."""
        return float(self.pixels.shape[1])

    @property
    def height(self) -> float:
        """Height of the drawing area in pixels."""
        return float(self.pixels.shape[0])


@dataclass(frozen=True, slots=True)
class PageArt:
    """One page of a PDF, drawn at whatever size is asked for; recoloured and knocked out as pixels.

    `elements` are the names of its layers, which `only` and `omit` may choose. `around` is there where ink crosses the
    edge of the drawing area. `lossy`: it has images that went through JPEG. `density`: of a page of images alone, the
    pixels per unit of the finest; 0 of any other.
    """

    name: str
    pdf: bytes = field(repr=False)
    width: float
    height: float
    findings: tuple[Finding, ...] = ()
    elements: frozenset[str] = frozenset()
    around: Around | None = None
    lossy: bool = False
    density: float = 0.0


@dataclass(frozen=True, slots=True)
class Around:
    """A drawing with a margin on all sides, which shows what its own drawing area cuts off.

    `width` and `height` are those of the drawing area before it was turned clockwise by `turn_deg`, in the units of
    `art`; its middle is the middle of `art`. `art` is `times` as wide as the drawing (turned as well).
    """

    art: VectorArt | PageArt
    width: float
    height: float
    times: float
    turn_deg: float = 0.0

    def turned(self, art: VectorArt | PageArt, times: float, degrees: float) -> Around:
        """Return the same, turned on; `art` and `times` are the new ones."""
        return Around(art, self.width, self.height, times, self.turn_deg + degrees)


Art: TypeAlias = VectorArt | BitmapArt | PageArt

Edge: TypeAlias = Literal["crossed", "whole", "unknown"]
"""Whether ink goes on beyond the drawing area; not known of bitmaps, pages and what was clipped before."""


def edge_of(art: Art) -> Edge:
    """Return what is known of the edge of a drawing."""
    if isinstance(art, BitmapArt):
        return "unknown"
    if art.around is not None:
        return "crossed"
    cut = isinstance(art, PageArt) or any(word in art.svg for word in (b"clip-path", b"mask", b"<image"))
    return "unknown" if cut else "whole"


def art_digest(art: Art) -> str:
    """Return the digest of a drawing: the art itself, not its name."""
    if isinstance(art, BitmapArt):
        whole = hashlib.sha256(f"{art.pixels.shape} {art.lossy} {art.step}".encode())
        whole.update(np.ascontiguousarray(art.pixels).data)
        return whole.hexdigest()
    around = b"" if art.around is None else art_digest(art.around.art).encode()
    if isinstance(art, VectorArt):
        return hashlib.sha256(art.renderer.encode() + b"\0" + art.svg + around).hexdigest()
    return hashlib.sha256(art.pdf + around).hexdigest()
