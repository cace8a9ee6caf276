"""Knock out: remove ink where the fabric already has the colour, so that nothing changes on this fabric."""

from __future__ import annotations

from pipeline.raster import Pixels
from pipeline.raster_bleed import BLED_PX, unbled
from pipeline.raster_ops import SrgbColour
from pipeline.stages.knockout.edges import knock_out_edges
from pipeline.stages.knockout.find import absent, choose_mode, leaves_all, sure_out
from pipeline.stages.knockout.ramp import knock_out_ramp
from pipeline.stages.knockout.solve import Keys, keys_for, solve
from pipeline.stages.knockout.values import KnockOut, KnockOutSettings, Mode


def knock_out(pixels: Pixels, cloth_srgb: SrgbColour, settings: KnockOutSettings) -> KnockOut:
    """Knock out raster art in the mode its transitions ask for, or the forced one."""
    labels = sure_out(pixels, cloth_srgb, settings)
    mode = choose_mode(pixels, cloth_srgb, settings, labels)
    return (knock_out_ramp if mode == "ramp" else knock_out_edges)(pixels, cloth_srgb, settings, labels)


__all__ = [
    "BLED_PX",
    "Keys",
    "KnockOut",
    "KnockOutSettings",
    "Mode",
    "absent",
    "choose_mode",
    "keys_for",
    "knock_out",
    "knock_out_edges",
    "knock_out_ramp",
    "leaves_all",
    "solve",
    "sure_out",
    "unbled",
]
