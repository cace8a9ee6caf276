"""A roll of film at true size: each plate stored once and placed many times, colour first, the base last."""

from __future__ import annotations

import math
import tempfile
from collections.abc import Iterator
from decimal import Decimal
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from pikepdf import Array, Dictionary, Name, Object, Page, Pdf, Stream

from pipeline.press.deflate import deflate
from pipeline.press.film import FilmPlace, FilmPlate, FilmRoll, read_plate
from pipeline.press.pdf import icc_based, image, new_document, plate_state, points, save, separation

LONGEST_POINTS = 14_400
"""Longest side of a page in units (ISO 32000-1, annex C.2); longer pages count in larger units."""
_LINE_MM = 0.25


def write_roll_pdf(
    path: Path,
    roll: FilmRoll,
    plates: dict[str, FilmPlate],
    plate_name: str,
    profile: bytes,
    title: str,
) -> None:
    """Write the roll as one page; every plate is read once, and lies beside the roll while its turn is.

    Raises ValueError for plates that cannot be read, OSError as `open` does.
    """
    pdf = new_document(title, profile)
    used = dict.fromkeys(place.plate for place in roll.places)
    images = Dictionary()
    bases = {}
    for number, key in enumerate(used):
        with tempfile.TemporaryDirectory(dir=path.parent) as aside:
            colour, base = read_plate(plates[key], Path(aside))
            mask = image(pdf, colour[..., 3], 1, Name.DeviceGray)
            images[f"/C{number}"] = image(pdf, colour, 3, icc_based(pdf), soft_mask=mask)
            if base is not None and base.any():
                bases[key] = f"B{number}"
                images[f"/B{number}"] = image(pdf, base, 1, separation(plate_name))
    names = {key: f"C{number}" for number, key in enumerate(used)}
    for number, tag in enumerate(roll.tags):
        images[f"/T{number}"] = _stencil(pdf, tag.bitmap)
    resources = Dictionary(
        XObject=images,
        ColorSpace=Dictionary(Ink=icc_based(pdf)),
        ExtGState=Dictionary(Plate=plate_state()),
    )
    content = "".join(_content(roll, plates, names, bases)).encode("ascii")
    _add_long_page(pdf, roll, resources, content)
    save(pdf, path)


def _content(
    roll: FilmRoll, plates: dict[str, FilmPlate], names: dict[str, str], bases: dict[str, str]
) -> Iterator[str]:
    if roll.mirror:
        yield f"-1 0 0 1 {points(roll.width_mm)} 0 cm\n"
    for place in roll.places:
        yield f"q {_matrix(place, plates[place.plate], roll)} /{names[place.plate]} Do Q\n"
    yield "/Ink cs 0 0 0 sc /Ink CS 0 0 0 SC\n"
    for number, tag in enumerate(roll.tags):
        box = (tag.x_mm, tag.y_mm, tag.width_mm, tag.height_mm)
        yield f"q {_turned(box, tag.turn_deg, roll.length_mm, flip=False)} /T{number} Do Q\n"
    for x, y, wide, high in roll.cuts:
        corner = f"{points(x)} {points(roll.length_mm - y - high)}"
        yield f"{points(_LINE_MM)} w {corner} {points(wide)} {points(high)} re S\n"
    yield "/Plate gs\n"
    for place in roll.places:
        if place.plate in bases:
            yield f"q {_matrix(place, plates[place.plate], roll)} /{bases[place.plate]} Do Q\n"


def _matrix(place: FilmPlace, plate: FilmPlate, roll: FilmRoll) -> str:
    box = (place.x_mm, place.y_mm, plate.width_mm, plate.height_mm)
    return _turned(box, place.turn_deg, roll.length_mm, flip=not plate.mirrored)


def _turned(box: tuple[float, float, float, float], turn: int, length_mm: float, *, flip: bool) -> str:
    """Return the operator that lays the unit square of an image into a box on the page, turned clockwise.

    `box` is the upper left corner of the turned box and the upright size; `flip` shows the image from behind.
    """
    x, y, wide, high = box
    top = length_mm - y
    across, up, corner = {
        0: ((wide, 0.0), (0.0, high), (x, top - high)),
        90: ((0.0, -wide), (high, 0.0), (x, top)),
        180: ((-wide, 0.0), (0.0, -high), (x + wide, top)),
        270: ((0.0, wide), (-high, 0.0), (x + high, top - wide)),
    }[turn]
    if flip:
        corner = (corner[0] + across[0], corner[1] + across[1])
        across = (-across[0], -across[1])
    return " ".join(str(points(v) + 0) for v in (*across, *up, *corner)) + " cm"


def _stencil(pdf: Pdf, bitmap: NDArray[np.bool_]) -> Stream:
    height, width = bitmap.shape
    rows = np.packbits(~bitmap, axis=1).tobytes()  # in a stencil 0 is painted
    stream = Stream(pdf, b"".join(deflate(lambda _: rows, 1)))
    stream.stream_dict = Dictionary(
        Type=Name.XObject,
        Subtype=Name.Image,
        Width=width,
        Height=height,
        ImageMask=True,
        BitsPerComponent=1,
        Filter=Name.FlateDecode,
    )
    return stream


def _add_long_page(pdf: Pdf, roll: FilmRoll, resources: Object, content: bytes) -> None:
    """Add the page; where it is longer than a page may be, it counts in units of several points (UserUnit)."""
    width, height = points(roll.width_mm), points(roll.length_mm)
    unit = max(1, math.ceil(max(width, height) / LONGEST_POINTS))
    if unit > 1:
        scale = round(Decimal(1) / unit, 12)
        content = f"{scale} 0 0 {scale} 0 0 cm\n".encode("ascii") + content
    box = [0, 0, round(width / unit, 6), round(height / unit, 6)]
    stream = Stream(pdf, b"".join(deflate(lambda _: content, 1)))
    stream.stream_dict = Dictionary(Filter=Name.FlateDecode)
    page = Dictionary(
        Type=Name.Page, MediaBox=Array(box), TrimBox=Array(box), Resources=resources, Contents=stream
    )
    if unit > 1:
        page.UserUnit = unit
    pdf.pages.append(Page(pdf.make_indirect(page)))
