"""The press files of one plate on the `direct` route: colour, base, and a page that holds both."""

from __future__ import annotations

from collections.abc import Collection
from pathlib import Path

from pipeline.press.page import write_page
from pipeline.press.png import write_png
from pipeline.raster import Plane
from pipeline.raster_runs import Picture


def write_direct(
    colour: Picture,
    base: Plane,
    folder: Path,
    stem: str,
    *,
    ppi: float,
    size_mm: tuple[float, float],
    wanted: Collection[str],
    dark_is_ink: bool,
    base_from_press: bool,
    plate_name: str,
    profile: bytes,
    title: str,
) -> tuple[tuple[str, str], ...]:
    """Write what is `wanted` of press-colour, press-base and press-page; returns (role, file name) of each.

    `title` is the page's own, so that the same plate is the same file in any order. A press that makes the base
    itself gets none. `dark_is_ink` turns the base file round: 0 is full white then.
    """
    made = []
    if "press-colour" in wanted:
        made.append(("press-colour", f"{stem}_colour.png"))
        write_png(folder / made[-1][1], colour, ppi)
    if "press-base" in wanted and not base_from_press:
        made.append(("press-base", f"{stem}_base.png"))
        write_png(folder / made[-1][1], 255 - base if dark_is_ink else base, ppi, srgb=False)
    if "press-page" in wanted:
        made.append(("press-page", f"{stem}_page.pdf"))
        under = None if base_from_press or not base.any() else base
        write_page(folder / made[-1][1], colour, under, *size_mm, plate_name, profile, title)
    return tuple(made)
