"""The press page of the direct route: the box at true size, the colour, and the base as a plate on top."""

from __future__ import annotations

from pathlib import Path

from pikepdf import Dictionary, Name

from pipeline.press.pdf import add_page, icc_based, image, new_document, plate_state, points, save, separation
from pipeline.raster import Plane
from pipeline.raster_runs import Picture, Runs


def write_page(
    path: Path,
    colour: Picture,
    base: Plane | None,
    width_mm: float,
    height_mm: float,
    plate_name: str,
    profile: bytes,
    title: str,
    *,
    threads: int = 1,
) -> None:
    """Write one page of width_mm × height_mm that holds `colour` (H, W, 4) or runs and, if there is one, `base` (H, W).

    The colour is an image in `profile` (sRGB) with its alpha as soft mask. The base is an image in a Separation
    colour space called `plate_name`, drawn last with overprint and blend mode Darken. In the page a sample of
    255 is full ink and 0 none, always: which way round the base lies in a PNG is a matter of that file alone.
    Raises ValueError for a reserved plate name, OSError as `open` does.
    """
    pdf = new_document(title, profile)
    alpha = colour.spread(colour.colours[:, 3]) if isinstance(colour, Runs) else colour[..., 3]
    mask = image(pdf, alpha, 1, Name.DeviceGray, threads=threads)
    images = Dictionary(Colour=image(pdf, colour, 3, icc_based(pdf), soft_mask=mask, threads=threads))
    resources = Dictionary(XObject=images)
    box = f"{points(width_mm)} 0 0 {points(height_mm)} 0 0 cm"
    content = f"q {box} /Colour Do Q\n"
    if base is not None:
        images.Base = image(pdf, base, 1, separation(plate_name), threads=threads)
        resources.ExtGState = Dictionary(Plate=plate_state())
        content += f"q /Plate gs {box} /Base Do Q\n"
    add_page(pdf, width_mm, height_mm, resources, content.encode())
    save(pdf, path)
