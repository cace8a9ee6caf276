"""JPEGs embedded in drawings are treated as the lossy files they are, and other images beside them as they are.

Reference: coverage by 8 × 8 samples a pixel, and the art as drawn, before it went through Pillow's libjpeg.
"""

from __future__ import annotations

import base64
import io

import numpy as np
import pytest
from PIL import Image

from ops.exactness import FABRICS, fringe_of
from ops.exactness_art import Piece, lettering, paint, star
from pipeline.art.paint import PaintMap
from pipeline.art.piece import VectorArt
from pipeline.art.read import art_of
from pipeline.art.svg.normal import turned
from pipeline.line import draw_art
from pipeline.plan import Draw
from pipeline.plan_paints import Treatment
from pipeline.raster import Pixels
from pipeline.raster_runs import as_pixels
from pipeline.stages.knockout import KnockOutSettings
from pipeline.stages.recolour import swap_pixels

SUN, NAVY, RED = (0.95, 0.72, 0.1), (20, 40, 90), (190, 30, 45)
Rgb = tuple[int, int, int]


def encoded(colour: Rgb) -> tuple[float, float, float]:
    return colour[0] / 255, colour[1] / 255, colour[2] / 255


def image(pixels: Pixels, kind: str, x: int) -> str:
    file = io.BytesIO()
    Image.fromarray(pixels[..., :3]).save(file, kind, quality=90)
    data = base64.b64encode(file.getvalue()).decode()
    kept = 'width="240" height="240" image-rendering="optimizeSpeed"'
    return f'<image x="{x}" {kept} href="data:image/{kind.lower()};base64,{data}"/>'


def drawing(jpeg: Pixels, png: Pixels) -> VectorArt:
    images = image(jpeg, "JPEG", 0) + image(png, "PNG", 240)
    text = f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 480 240">{images}</svg>'
    art = art_of(text.encode(), ".svg", "two pictures")
    assert isinstance(art, VectorArt)
    return art


def treated(art: VectorArt, treatment: Treatment) -> Pixels:
    drawn, _ = draw_art(art, Draw("", "two pictures", 0.0, 480, 240, PaintMap(), treatment))
    return as_pixels(drawn)


@pytest.mark.parametrize("fabric", ["white", "barn red"])
@pytest.mark.parametrize("turn", [0.0, 180.0])
def test_an_embedded_jpeg_is_knocked_out_without_a_fringe(fabric: str, turn: float) -> None:
    """Beside it the same as PNG keeps its own exactness, turned or not. Taken as lossless, the JPEG has 0.4."""
    cloth = FABRICS[fabric]
    piece = Piece("lettering", paint([(lettering(22), SUN)]))
    art = drawing(piece.on(cloth), piece.on(cloth))
    seen = treated(turned(art, turn), Treatment(cloth_srgb=cloth, knock_out=KnockOutSettings()))
    seen = seen[::-1, ::-1] if turn else seen
    for part in (seen[:, :240], seen[:, 240:]):
        assert max(map(abs, fringe_of(part, piece.truth, cloth))) <= 0.03


def test_an_embedded_jpeg_is_recoloured_as_the_jpeg_itself_is() -> None:
    """A red star on white turns navy: no more of red left within its edges than in the same picture without loss."""
    cover = star(120, 120, 100)
    pixels = Piece("star", paint([(cover, encoded(RED))])).on((0.98, 0.98, 0.98))
    seen = treated(drawing(pixels, pixels), Treatment(swaps=((RED, NAVY),)))
    drawn = Piece("star", paint([(cover, encoded(NAVY))])).on((0.98, 0.98, 0.98))
    step = np.array(RED, float) - NAVY
    zone = (cover > 0.02) & (cover < 0.98)
    for part in (seen[:, :240], seen[:, 240:]):
        left = ((part[..., :3].astype(float) - drawn[..., :3]) @ step)[zone] / (step @ step)
        assert abs(left.mean()) <= 0.03
    assert (seen[:, 240:] == swap_pixels(pixels, [(RED, NAVY)]).pixels).all()
