"""PDF art: one page, scanned by pikepdf, drawn by PDFium."""

from __future__ import annotations

import ctypes
import io
import math
import threading
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import replace
from typing import Any

import numpy as np

from pipeline.art import page_layers, page_scan
from pipeline.art.paint import PaintMap
from pipeline.art.piece import PageArt
from pipeline.art.refusal import too_large, unreadable
from pipeline.faults import Fault, Refused
from pipeline.finding import Finding
from pipeline.raster import Pixels

AGAIN = "Export the PDF again and check that it opens."
TRIAL_PX = 256
AS_IT_IS = PaintMap()
_one_at_a_time = threading.Lock()
"""PDFium is not thread-safe: two threads at once crash it or draw wrongly without a word."""


def read(data: bytes, name: str) -> PageArt:
    """Return the one page of the PDF `data` with what was found in it; width and height in points (1/72 in).

    The drawing area is the crop box, turned by /Rotate, in units of /UserUnit. A small trial drawing is made, so
    that a page that cannot be drawn fails here. Raises Refused.
    """
    import pikepdf

    if b"%%EOF" not in data:
        raise unreadable(name, "the PDF is cut short: it has no end.", "Copy or download the file again.")
    try:
        with pikepdf.open(io.BytesIO(data), attempt_recovery=False) as pdf:
            if len(pdf.pages) != 1:
                what = f"the PDF has {len(pdf.pages)} pages."
                raise unreadable(name, what, "Save the page that is to be printed on its own.")
            unit = _user_unit(pdf.pages[0])
            (findings, lossy), layers = page_scan.scan(pdf, name), page_layers.names(pdf)
            if pdf.is_encrypted:
                findings = (*findings, _locked(name))
    except pikepdf.PasswordError as error:
        raise unreadable(name, "the PDF is locked with a password.", "Save it without one.") from error
    except MemoryError as error:
        raise too_large(
            name, "the PDF unpacks to more than fits in memory.", "what fits the limits"
        ) from error
    except Fault:
        raise
    except Exception as error:  # a damaged file breaks the library's promises about types in many ways
        raise unreadable(name, f"the PDF is damaged ({_first_line(error)}).", AGAIN) from error
    width, height, density = _measured(data, name)
    art = PageArt(
        name, data, width * unit, height * unit, findings, layers, lossy=lossy, density=density / unit
    )
    longest = max(width, height)
    draw_page(art, max(1, round(TRIAL_PX * width / longest)), max(1, round(TRIAL_PX * height / longest)))
    return art


def turned(art: PageArt, degrees: float) -> PageArt:
    """Return the page turned clockwise by quarter turns, by its own /Rotate; Refused for other angles."""
    import pikepdf

    if degrees % 90:
        raise Refused(
            f"{art.name}: a PDF page can be turned by 90, 180 or 270 degrees, not by {degrees:g}. "
            "Turn it in the drawing, or send the art as SVG.",
            "manifest",
        )
    quarters = round(degrees / 90) % 4
    with pikepdf.open(io.BytesIO(art.pdf)) as pdf, io.BytesIO() as out:
        pdf.pages[0].rotate(quarters * 90, relative=True)
        pdf.save(out, deterministic_id=True)
        width, height = (art.height, art.width) if quarters % 2 else (art.width, art.height)
        made = replace(art, pdf=out.getvalue(), width=width, height=height)
    if art.around is None or not isinstance(art.around.art, PageArt):
        return made
    wide = turned(art.around.art, degrees)
    return replace(made, around=art.around.turned(wide, wide.width / width, degrees))


def widened(art: PageArt, margin: float) -> PageArt:
    """Return the page with a margin (in the units of its size) on all sides of its crop box, where it may go on."""
    import pikepdf

    with pikepdf.open(io.BytesIO(art.pdf)) as pdf, io.BytesIO() as out:
        page = pdf.pages[0]
        own = margin / _user_unit(page)
        crop, media = ([float(v) for v in box] for box in (page.cropbox, page.mediabox))
        left, low = (
            max(min(c[i], c[i + 2]), min(m[i], m[i + 2])) for c, m in ((crop, media),) for i in (0, 1)
        )
        right, high = (
            min(max(c[i], c[i + 2]), max(m[i], m[i + 2])) for c, m in ((crop, media),) for i in (0, 1)
        )
        page.mediabox = page.cropbox = pikepdf.Array([left - own, low - own, right + own, high + own])
        pdf.save(out, deterministic_id=True)
        return replace(art, pdf=out.getvalue(), width=art.width + 2 * margin, height=art.height + 2 * margin)


def draw_page(art: PageArt, width_px: int, height_px: int, paints: PaintMap = AS_IT_IS) -> Pixels:
    """Draw the page's crop box over exactly `width_px` × `height_px` pixels, on a clear ground.

    Straight alpha, colour 0 where alpha is 0. Comments, stamps and form fields are not drawn; of `paints` a page takes
    `only` and `omit`, which name layers.
    """
    import pypdfium2.raw as raw

    pixels = np.zeros((height_px, width_px, 4), np.uint8)
    data = art.pdf
    if paints.only or paints.omit:
        data = page_layers.chosen(data, paints.only, paints.omit)
    with _page(data, art.name) as page:
        bitmap = raw.FPDFBitmap_CreateEx(
            width_px, height_px, raw.FPDFBitmap_BGRA, pixels.ctypes.data_as(ctypes.c_void_p), width_px * 4
        )
        if not bitmap:
            raise too_large(art.name, f"{width_px} × {height_px} px cannot be drawn.", "a smaller print")
        try:
            raw.FPDF_RenderPageBitmap(bitmap, page, 0, 0, width_px, height_px, 0, raw.FPDF_REVERSE_BYTE_ORDER)
        finally:
            raw.FPDFBitmap_Destroy(bitmap)
    pixels[pixels[..., 3] == 0] = 0
    return pixels


@contextmanager
def _page(data: bytes, name: str) -> Iterator[Any]:
    import pypdfium2

    with _one_at_a_time:
        try:
            document = pypdfium2.PdfDocument(data)
        except pypdfium2.PdfiumError as error:
            raise unreadable(name, f"the PDF cannot be opened ({_first_line(error)}).", AGAIN) from error
        with closing(document):
            try:
                page = document[0]
            except pypdfium2.PdfiumError as error:
                raise unreadable(name, f"the page cannot be read ({_first_line(error)}).", AGAIN) from error
            with closing(page):
                yield page


def _measured(data: bytes, name: str) -> tuple[float, float, float]:
    """Return width and height in units of the page, and the pixels a unit of the finest of images alone, or 0."""
    import pypdfium2.raw as raw

    with _page(data, name) as page:
        width, height = raw.FPDF_GetPageWidthF(page), raw.FPDF_GetPageHeightF(page)
        density = _density(page)
    if not (0.1 <= width <= 1e6 and 0.1 <= height <= 1e6):
        raise unreadable(
            name, f"its page measures {width:g} × {height:g} points.", "Set the page to the design's size."
        )
    return float(width), float(height), density


def _density(page: Any) -> float:
    import pypdfium2.raw as raw

    finest = 0.0
    for part in page.get_objects(max_depth=1):
        if part.type != raw.FPDF_PAGEOBJ_IMAGE:
            return 0.0
        a, b, c, d, _, _ = part.get_matrix().get()
        columns, rows = part.get_px_size()
        finest = max(finest, columns / max(math.hypot(a, b), 1e-3), rows / max(math.hypot(c, d), 1e-3))
    return finest


def _user_unit(page: Any) -> float:
    unit = float(page.obj.get("/UserUnit", 1))
    return unit if 0 < unit <= 75000 else 1.0


def _first_line(error: BaseException) -> str:
    return (str(error).strip() or type(error).__name__).splitlines()[0][:120]


def _locked(name: str) -> Finding:
    return Finding(
        code="owner-locked",
        severity="note",
        message=f"{name} restricts editing or printing by its owner's password; it opens without one and was read.",
        remedy="Make sure that the customer may have it printed.",
        art=name,
    )
