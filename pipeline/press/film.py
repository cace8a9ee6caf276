"""Film: the press files of one plate on the `transfer` route, and the values a roll of plates is made of.

Places are given as the film lies ink side up: x across, y along, in mm from the upper left corner of what is printed.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.press.png import read_bands, write_png
from pipeline.raster import Pixels, Plane


@dataclass(frozen=True, slots=True)
class FilmPlate:
    """One plate: its files, its size in mm as it stands upright, and how the files are to be read.

    `mirrored` says that the files show it as it lies on the film, seen from the ink side; `base` is None where the
    press makes the base itself.
    """

    colour: Path
    base: Path | None
    width_mm: float
    height_mm: float
    mirrored: bool
    dark_is_ink: bool = False


@dataclass(frozen=True, slots=True)
class FilmPlace:
    """Where a plate lies: the upper left corner of its turned box; `turn_deg` is clockwise, in quarters."""

    plate: str
    x_mm: float
    y_mm: float
    turn_deg: int


@dataclass(frozen=True, slots=True, eq=False)
class FilmTag:
    """A tag: upright pixels (H, W), True is ink; the upper left corner of its turned box, and its upright size."""

    bitmap: NDArray[np.bool_]
    x_mm: float
    y_mm: float
    width_mm: float
    height_mm: float
    turn_deg: int


@dataclass(frozen=True, slots=True)
class FilmRoll:
    """One piece of film: what is printed is `width_mm` × `length_mm`. `cuts` are (x, y, width, height) to cut along.

    `mirror` writes the whole file mirrored, for a press that mirrors what it gets.
    """

    width_mm: float
    length_mm: float
    places: tuple[FilmPlace, ...]
    tags: tuple[FilmTag, ...] = ()
    cuts: tuple[tuple[float, float, float, float], ...] = ()
    mirror: bool = False


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


def read_plate(plate: FilmPlate, aside: Path) -> tuple[NDArray[np.uint8], Plane | None]:
    """Return colour (H, W, 4) and base (H, W), 255 is full white, of a plate's files.

    They lie in files in the folder `aside`, which the system maps. Raises ValueError for a file that cannot be read.
    """
    colour = _mapped(plate.colour, aside)
    if plate.base is None:
        return colour, None
    return colour, _mapped(plate.base, aside, turned_round=plate.dark_is_ink)[..., 0]


def _mapped(path: Path, aside: Path, *, turned_round: bool = False) -> NDArray[np.uint8]:
    flat, height, line = aside / f"{path.name}.pixels", 0, (0, 0)
    with flat.open("wb") as file:
        for rows in read_bands(path):
            file.write((255 - rows if turned_round else rows).data)
            height, line = height + len(rows), rows.shape[1:]
    return np.memmap(flat, np.uint8, "r", shape=(height, *line))
