"""Embedded images: decoded once under caps, kept as PNG, placed by a plain transform.

Sources: SVG 1.1 section 5.7 (image), section 7.8 (preserveAspectRatio), RFC 2397 (data addresses).
"""

from __future__ import annotations

import base64
import binascii
import io
import re
import warnings
from dataclasses import replace
from typing import TYPE_CHECKING
from urllib.parse import unquote_to_bytes
from xml.etree.ElementTree import Element

import numpy as np

from pipeline.art.svg import css, embedded, outline, units
from pipeline.art.svg.job import OWNERS, Job, Place, owners_text
from pipeline.art.svg.servers import href
from pipeline.art.svg.units import multiply
from pipeline.raster import Pixels

if TYPE_CHECKING:
    from pipeline.art.svg.expand import Walker

_DATA = re.compile(r"data:([^,;]*)((?:;[^,;]*)*),(.*)$", re.DOTALL | re.IGNORECASE)
FORMATS = ("PNG", "JPEG", "GIF", "WEBP")
PNG_HEAD = "data:image/png;base64,"
LOSSY = "data-lossy"
"""Attribute of an image element whose file was a JPEG or the like."""


class UnreadableError(Exception):
    """The embedded image cannot be read; the message says why."""


def draw(walk: Walker, element: Element, style: css.Style, place: Place) -> None:
    """Append the image with its pixels as they are and the matrix that lays them out."""
    job = walk.job
    address = href(element)
    if (
        not address
        or css.word(style, "visibility", "visible") != "visible"
        or _has_no_size(job, element, place)
    ):
        return
    found = _DATA.match(address)
    if not found:
        job.external(element, address)
        return
    try:
        data = _payload(found)
        if b"<svg" in data[:4096] or data[:2] == b"\x1f\x8b":
            _drawing(walk, element, data, place)
        else:
            pixels, lossy = decode(data, job)
            _bitmap(walk, element, style, place, pixels, lossy=lossy)
    except UnreadableError as error:
        job.find("unsupported-feature", "stop", element, f"the embedded image {error}",
                 "Embed it again as PNG or JPEG.", measured="embedded image")  # fmt: skip


def _drawing(walk: Walker, element: Element, data: bytes, place: Place) -> None:
    inner = embedded.document(walk.job, element, data)
    x, y, width, height = _rectangle(walk.job, element, place, *embedded.size_of(inner))
    if width > 0 and height > 0:
        moved = multiply(place.matrix, (1.0, 0.0, 0.0, 1.0, x, y))
        embedded.draw(walk, element, inner, (width, height), replace(place, matrix=moved))


def _bitmap(
    walk: Walker, element: Element, style: css.Style, place: Place, pixels: Pixels, *, lossy: bool
) -> None:
    from pipeline.art.svg.expand import clipped

    rows, columns = pixels.shape[:2]
    x, y, width, height = _rectangle(walk.job, element, place, columns, rows)
    if width <= 0 or height <= 0:
        return
    fit, cut = units.fit((0.0, 0.0, columns, rows), width, height, element.get("preserveAspectRatio"))
    matrix = multiply(place.matrix, multiply((1.0, 0.0, 0.0, 1.0, x, y), fit))
    leaf = Element(
        "image",
        {"width": str(columns), "height": str(rows), "preserveAspectRatio": "none", "href": png(pixels)},
    )
    if matrix != units.IDENTITY:
        leaf.set("transform", units.matrix_text(matrix))
    if css.word(style, "image-rendering", "auto") in ("optimizespeed", "pixelated", "crisp-edges"):
        leaf.set("image-rendering", "optimizeSpeed")
    if lossy or LOSSY in element.attrib:  # art that is turned is read again, its images as PNG
        leaf.set(LOSSY, "")
    if place.owners and place.ink:
        leaf.set(OWNERS, owners_text(place.owners))
    walk.job.outlines[leaf] = outline.rectangle(0, 0, columns, rows)
    if cut and css.word(style, "overflow", "hidden") not in ("visible", "auto"):
        clipped(walk, replace(place), (x, y, width, height), lambda into: into.append(leaf))
    else:
        place.into.append(leaf)


def _said(job: Job, element: Element, place: Place) -> list[float | None]:
    """Return x, y, width and height as the element says them."""
    own, axes = job.declared(element), {"width": "x", "height": "y"}
    return [
        units.length(own.get(n) or element.get(n), place.frame, axes.get(n, n))
        for n in ("x", "y", "width", "height")
    ]


def _has_no_size(job: Job, element: Element, place: Place) -> bool:
    """Say whether nothing of the image is drawn, whatever it is (SVG 2 section 12.3)."""
    return any(side is not None and side <= 0 for side in _said(job, element, place)[2:])


def _rectangle(
    job: Job, element: Element, place: Place, columns: float, rows: float
) -> tuple[float, float, float, float]:
    x, y, width, height = _said(job, element, place)
    return (x or 0.0, y or 0.0, *_size(width, height, columns, rows))


def _size(width: float | None, height: float | None, columns: float, rows: float) -> tuple[float, float]:
    """Return the size; what is not given follows from the image (SVG 2 section 12.3)."""
    if width is None and height is None:
        return columns, rows
    if width is None and height is not None:
        return height * columns / rows, height
    if height is None and width is not None:
        return width, width * rows / columns
    return width or 0.0, height or 0.0


def _payload(found: re.Match[str]) -> bytes:
    if ";base64" in found.group(2).lower():
        try:
            return base64.b64decode(
                "".join(unquote_to_bytes(found.group(3)).decode("ascii", "replace").split())
            )
        except (binascii.Error, ValueError) as error:
            raise UnreadableError(f"is damaged ({error})") from error
    return unquote_to_bytes(found.group(3))


def decode(data: bytes, job: Job) -> tuple[Pixels, bool]:
    """Return the image's pixels and whether its file is lossy, by the caller's reader where one was given.

    Raises UnreadableError.
    """
    from PIL import Image

    if job.read_image is not None:
        return job.read_image(data)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            image = Image.open(io.BytesIO(data), formats=FORMATS)
            if image.width * image.height > job.limits.pixels:
                raise UnreadableError(
                    f"has {image.width} × {image.height} pixels, more than {job.limits.pixels:,}"
                )
            pixels = np.array(image.convert("RGBA"))
    except (OSError, ValueError, SyntaxError, Image.DecompressionBombError) as error:
        raise UnreadableError(f"cannot be read ({error})") from error
    pixels[pixels[:, :, 3] == 0] = 0
    return pixels, image.format == "JPEG"


def png(pixels: Pixels) -> str:
    """Return the pixels as a data address of a PNG."""
    from PIL import Image

    out = io.BytesIO()
    Image.fromarray(pixels, "RGBA").save(out, "PNG", compress_level=1)
    return PNG_HEAD + base64.b64encode(out.getvalue()).decode("ascii")


def pixels_of(address: str) -> Pixels:
    """Return the pixels of an address that `png` made."""
    from PIL import Image

    return np.array(
        Image.open(io.BytesIO(base64.b64decode(address[len(PNG_HEAD) :])), formats=("PNG",)).convert("RGBA")
    )
