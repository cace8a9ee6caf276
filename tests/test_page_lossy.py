"""JPEGs laid in PDF pages are knocked out as the lossy pictures they are, at about their own size.

Reference: coverage by 8 × 8 samples a pixel, as drawn, before it went through Pillow's libjpeg and PDFium.
"""

from __future__ import annotations

import io
import zlib

import numpy as np
import pikepdf
import pytest
from PIL import Image

from ops.exactness import FABRICS, fringe_of
from ops.exactness_art import SIZE, Piece, disc, paint, star
from pipeline.art import page
from pipeline.art.paint import PaintMap
from pipeline.line import draw_art
from pipeline.plan import Draw
from pipeline.plan_paints import Treatment
from pipeline.raster import Pixels
from pipeline.raster_runs import as_pixels
from pipeline.stages.knockout import KnockOutSettings

SEA, CREAM = (0.05, 0.35, 0.62), (0.96, 0.93, 0.82)
SIDE = 0.24 * SIZE
BESIDE = b" 0 0 1 rg 0 0 5 5 re f"


def laid_in_page(pixels: Pixels, kind: str, more: bytes = b"") -> bytes:
    """Return a PDF page that is filled with the picture, as JPEG or without loss, and with what `more` draws."""
    box = io.BytesIO()
    Image.fromarray(pixels[..., :3]).save(box, "JPEG", quality=85)
    lossless = zlib.compress(np.ascontiguousarray(pixels[..., :3]).tobytes())
    document = pikepdf.new()
    document.add_blank_page(page_size=(SIDE, SIDE))
    image = pikepdf.Stream(
        document,
        box.getvalue() if kind == "DCTDecode" else lossless,
        Type=pikepdf.Name.XObject,
        Subtype=pikepdf.Name.Image,
        Width=pixels.shape[1],
        Height=pixels.shape[0],
        ColorSpace=pikepdf.Name.DeviceRGB,
        BitsPerComponent=8,
        Filter=pikepdf.Name(f"/{kind}"),
    )
    drawn = document.pages[0]
    drawn.Resources = pikepdf.Dictionary(XObject=pikepdf.Dictionary(It=image))
    drawn.Contents = pikepdf.Stream(document, f"q {SIDE} 0 0 {SIDE} 0 0 cm /It Do Q".encode() + more)
    out = io.BytesIO()
    document.save(out)
    return out.getvalue()


def ring() -> Piece:
    return Piece(
        "ring", paint([(disc(120, 120, 100) - disc(120, 120, 60), SEA), (star(120, 122, 50), CREAM)])
    )


def test_a_page_says_whether_its_images_are_lossy_and_how_fine_they_are() -> None:
    picture = ring().on(FABRICS["white"])
    own = SIZE / SIDE
    for kind, more, lossy, density in (
        ("DCTDecode", b"", True, own),
        ("FlateDecode", b"", False, own),
        ("DCTDecode", BESIDE, True, 0.0),
    ):
        art = page.read(laid_in_page(picture, kind, more), "page")
        assert (art.lossy, art.density) == (lossy, pytest.approx(density, rel=1e-3))


@pytest.mark.parametrize("fabric", FABRICS)
def test_a_jpeg_in_a_page_is_knocked_out_without_a_fringe_at_any_size(fabric: str) -> None:
    """At four times its pixels. Taken as never lossy, and drawn as large as that, it keeps half of the fabric."""
    piece, cloth = ring(), FABRICS[fabric]
    art = page.read(laid_in_page(piece.on(cloth), "DCTDecode"), "page")
    size = 4 * SIZE
    settings = KnockOutSettings(lossy=art.lossy)
    draw = Draw("", "page", 0.0, size, size, PaintMap(), Treatment(cloth_srgb=cloth, knock_out=settings))
    seen = as_pixels(draw_art(art, draw)[0])
    assert seen.shape == (size, size, 4)
    planes = [Image.fromarray(piece.truth[..., i].astype(np.float32)).resize((size, size)) for i in range(4)]
    truth = np.clip(np.stack([np.asarray(plane) for plane in planes], axis=-1).astype(np.float64), 0.0, 1.0)
    assert max(map(abs, fringe_of(seen, truth, cloth))) <= 0.05
