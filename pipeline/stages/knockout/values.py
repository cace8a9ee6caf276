"""What the knock-out of raster art takes and gives."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, TypeAlias

from pipeline.art.paint import Rgb
from pipeline.raster import Pixels
from pipeline.raster_ops import Mask

Mode: TypeAlias = Literal["edges", "ramp"]


@dataclass(frozen=True, slots=True)
class KnockOutSettings:
    """How the fabric's colour is found in raster art.

    `tolerance_de`: ΔE00 up to which a colour is the fabric's own; `near_de`: up to which it is near the fabric's, on
    a plain cloth. `heather`: the spread of a heathered cloth in ΔE00; it widens the range that is asked about, and
    what was decided, never what goes silently. `shows_fabric`: colours of the art that stand for the cloth.
    `near_decided`: somebody decided that near colours go too.
    `smallest_hole_px`: a smaller patch of the fabric's colour is part of the picture. `lossy`: the art went through
    JPEG or the like, so the fabric's colour comes with block noise; `step`: in steps of so many levels of lightness, on
    the mean, 0 where that is not known. `forced`: the mode the order asks for.
    """

    tolerance_de: float = 2.0
    near_de: float = 6.0
    heather: float = 0.0
    shows_fabric: tuple[Rgb, ...] = ()
    near_decided: bool = False
    smallest_hole_px: int = 6
    lossy: bool = False
    step: float = 0.0
    forced: Mode | None = None

    @property
    def asking_de(self) -> float:
        """ΔE00 up to which a colour counts as near the fabric's and is asked about."""
        return self.near_de + self.heather

    @property
    def out_de(self) -> float:
        """ΔE00 up to which a colour is removed."""
        return self.asking_de if self.near_decided else self.tolerance_de


@dataclass(frozen=True, slots=True, eq=False)
class KnockOut:
    """The art after the knock-out; `sure_out` (H, W) is where ink was removed wholly, `share` of the inked area.

    `untold`: of lossy art, the share of its edges at which lightness does not tell the kept colour, or
    a thin outline of it, from the fabric's. `pale`: the share of the edges that belong to strokes so blurred that they
    nowhere come near their colour.
    """

    pixels: Pixels
    sure_out: Mask
    mode: Mode
    share: float
    untold: float = 0.0
    pale: float = 0.0
