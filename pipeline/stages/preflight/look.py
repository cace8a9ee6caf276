"""Pixels as preflight reads them: what several checks need is worked out once, when it is first asked for."""

from __future__ import annotations

from collections.abc import Callable
from functools import cached_property
from typing import Any, TypeAlias

import numpy as np

from pipeline.colour.palette import MainColour, counted, flat_palette, main_colours_of
from pipeline.finding import Finding
from pipeline.raster import MM_PER_INCH, Pixels
from pipeline.raster_runs import Picture, Runs, as_pixels, inked
from pipeline.stages.preflight.bounds import ink_px
from pipeline.stages.preflight.contacts import Contacts, contacts
from pipeline.stages.preflight.lettering import Line, lines
from pipeline.stages.preflight.stations import Scans, scanned
from pipeline.stages.preflight.texture import textured

SMALL_PX = 640
"""Longer side of the reduced picture, in pixels at most."""

FLAT_ART = 0.7
"""Art whose flat main colours cover so much of the ink is flat art."""

Check: TypeAlias = Callable[..., tuple[Finding, ...]]
"""A check of pixels: called with them, their ppi and limits."""


class Look:
    """Straight-alpha pixels (H, W, 4), or runs of them, at `ppi`, and what is read off them."""

    def __init__(self, picture: Picture, ppi: float) -> None:
        self.picture, self.ppi = picture, ppi
        self._found: dict[Any, tuple[Finding, ...]] = {}

    def found(self, check: Check, **limits: Any) -> tuple[Finding, ...]:
        """Return what a check of pixels finds with these limits; asked again, it is not looked for again."""
        key = (check, *sorted(limits.items()))
        if key not in self._found:
            self._found[key] = check(self.pixels, self.ppi, **limits)
        return self._found[key]

    @cached_property
    def pixels(self) -> Pixels:
        """The pixels."""
        return as_pixels(self.picture)

    @cached_property
    def main(self) -> tuple[MainColour, ...]:
        """The main colours, the largest first."""
        runs = self.picture
        if isinstance(runs, Runs):
            return main_colours_of(self.pixels, counted(runs.words, runs.lengths))
        return main_colours_of(self.pixels, flat_palette(self.pixels))

    @cached_property
    def hard_edged(self) -> bool:
        """Whether it is flat colour with hard edges, such as lettering, and no photograph or gradient."""
        flat = self.touching.flat.tolist()
        return (
            sum(colour.share for colour, is_flat in zip(self.main, flat, strict=True) if is_flat) >= FLAT_ART
        )

    @cached_property
    def scans(self) -> Scans:
        """All rows and columns as flat stretches."""
        return scanned(self.pixels)

    @cached_property
    def touching(self) -> Contacts:
        """Which main colours touch each other and the cloth."""
        return contacts(self.pixels, self.ppi, [c.rgb for c in self.main], self.__dict__.get("scans"))

    @cached_property
    def lettering(self) -> tuple[Line, ...]:
        """Lines of small lettering; none is looked for in photographs."""
        return (
            lines(self.picture, self.ppi, [c.rgb for c in self.main])
            if isinstance(self.picture, Runs)
            else ()
        )

    @cached_property
    def ink_px(self) -> tuple[int, int, int, int] | None:
        """The box around all ink."""
        return ink_px(self.pixels)

    def texture(self, box_mm: tuple[float, float, float, float]) -> bool:
        """Say whether a place is photographic."""
        return textured(self.pixels, self.ppi, box_mm)

    @property
    def small_ppi(self) -> float:
        """The resolution of the reduced picture."""
        return float(self.ppi * self.small.shape[1] / self.pixels.shape[1])

    @property
    def ink_share(self) -> tuple[float, float, float, float]:
        """The box around all ink, x, y, width and height as shares of the picture's width and height."""
        x0, y0, x1, y1 = self.ink_px or (0, 0, 0, 0)
        height, width = self.pixels.shape[:2]
        return x0 / width, y0 / height, (x1 - x0) / width, (y1 - y0) / height

    @cached_property
    def small(self) -> Pixels:
        """The whole picture, reduced."""
        return reduced(self.pixels, SMALL_PX)

    @cached_property
    def ink_mm2(self) -> float:
        """The inked area, each pixel by its alpha."""
        mm = MM_PER_INCH / self.ppi
        return inked(self.picture) / 255 * mm * mm


def reduced(pixels: Pixels, longest_px: int) -> Pixels:
    """Return a smaller picture: of each block of pixels nine are averaged, colour weighted by alpha."""
    step = max(1, -(-max(pixels.shape[:2]) // longest_px))
    if step == 1:
        return pixels.copy()
    height, width = (side // step for side in pixels.shape[:2])
    many = min(step, 3)
    places = [(2 * i + 1) * step // (2 * many) for i in range(many)]
    alpha, colour = np.zeros((height, width), np.uint32), np.zeros((height, width, 3), np.uint32)
    for down in places:
        for right in places:
            part = pixels[down::step, right::step][:height, :width].astype(np.uint32)
            alpha += part[..., 3]
            colour += part[..., :3] * part[..., 3:]
    out = np.zeros((height, width, 4), np.uint8)
    solid = np.maximum(alpha, 1)[..., None]
    out[..., :3] = (colour + solid // 2) // solid
    out[..., 3] = (alpha + many * many // 2) // (many * many)
    out[out[..., 3] == 0] = 0
    return out
