"""The press files of one plate on the `transfer` route: colour and base, as they lie on the film."""

from __future__ import annotations

from pathlib import Path

from pipeline.press.png import write_png
from pipeline.raster import Pixels, Plane


def write_film(
    colour: Pixels,
    base: Plane,
    folder: Path,
    stem: str,
    *,
    ppi: float,
    mirrored: bool,
    dark_is_ink: bool,
    base_from_press: bool,
) -> tuple[tuple[str, str], ...]:
    """Write press-colour and press-base; returns (role, file name) of each.

    `colour` and `base` are as they are seen on the garment; `mirrored` writes them as seen from behind, for a press
    that does not mirror by itself. A press that makes the base itself gets none; `dark_is_ink` turns the base file
    round: 0 is full white then.
    """
    if mirrored:
        colour, base = colour[:, ::-1], base[:, ::-1]
    made = [("press-colour", f"{stem}_colour.png")]
    write_png(folder / made[0][1], colour, ppi)
    if not base_from_press:
        made.append(("press-base", f"{stem}_base.png"))
        write_png(folder / made[1][1], 255 - base if dark_is_ink else base, ppi, srgb=False)
    return tuple(made)
