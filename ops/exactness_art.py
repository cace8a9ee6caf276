"""The art that exactness is measured on: shapes of known coverage, lettering, photographs, and how they are saved."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.art.paint import PaintMap
from pipeline.raster import Pixels
from pipeline.raster_ops import SrgbColour

Floats = NDArray[np.float64]
CREST = Path(__file__).parents[1] / "examples" / "kite-society" / "crest.svg"
SIZE = 240
SCALE = 8


@dataclass(frozen=True, slots=True, eq=False)
class Piece:
    """Art with known coverage: premultiplied RGBA (H, W, 4) 0–1 without the fabric; how it is finished; its mode.

    `resaved`: it is read from a PNG, and whether it is taken as lossy is for the reader to see. `drawing`: it is the
    example crest on a ground of the fabric's colour, knocked out as drawings are.
    """

    name: str
    truth: Floats
    lossy: bool = False
    ramp: bool = False
    resaved: bool = False
    drawing: bool = False
    finish: Callable[[Pixels], Pixels] | None = None

    def on(self, cloth: SrgbColour) -> Pixels:
        """Return the opaque picture of the piece on the fabric."""
        over = self.truth[..., :3] + (1.0 - self.truth[..., 3:]) * np.asarray(cloth)
        out = np.full((*over.shape[:2], 4), 255, np.uint8)
        out[..., :3] = np.floor(np.clip(over, 0.0, 1.0) * 255.0 + 0.5)
        return out if self.finish is None else self.finish(out)


def paint(layers: list[tuple[Floats, tuple[float, float, float] | Floats]]) -> Floats:
    """Lay coverage masks (H, W) with their colours over each other; premultiplied RGBA."""
    out = np.zeros((*layers[0][0].shape, 4))
    for cover, colour in layers:
        part = cover[..., None]
        tone = np.broadcast_to(np.asarray(colour, np.float64), (*cover.shape, 3))
        out = out * (1.0 - part) + np.concatenate([tone * part, part], axis=-1)
    return out


def grid() -> tuple[Floats, Floats]:
    """The middles of the fine grid on which shapes are drawn, x and y in pixels."""
    at = (np.arange(SIZE * SCALE) + 0.5) / SCALE
    return np.meshgrid(at, at)


def covered(inside: NDArray[np.bool_]) -> Floats:
    """Coverage (SIZE, SIZE) of a shape on the fine grid."""
    folded = inside.reshape(SIZE, SCALE, SIZE, SCALE)
    return np.asarray(folded.mean(axis=(1, 3)), np.float64)


def disc(cx: float, cy: float, radius: float) -> Floats:
    """Coverage of a disc."""
    x, y = grid()
    return covered((x - cx) ** 2 + (y - cy) ** 2 <= radius * radius)


def star(cx: float, cy: float, radius: float, points: int = 5) -> Floats:
    """Coverage of a star with sharp points."""
    x, y = grid()
    angle = np.arctan2(y - cy, x - cx) * points / (2 * np.pi)
    reach = radius * (0.45 + 0.55 * np.abs((angle % 1.0) * 2.0 - 1.0))
    return covered(np.hypot(x - cx, y - cy) <= reach)


def strokes(width: float, count: int = 12) -> Floats:
    """Coverage of straight strokes through the middle, like spokes, at many angles."""
    x, y = grid()
    middle = SIZE / 2
    found = np.zeros(x.shape, np.bool_)
    for i in range(count):
        turn = np.pi * (i + 0.37) / count
        off = (x - middle) * np.sin(turn) - (y - middle) * np.cos(turn)
        away = np.hypot(x - middle, y - middle)
        found |= (np.abs(off) <= width / 2) & (away < 0.45 * SIZE) & (away > 0.15 * SIZE)
    return covered(found)


def lettering(size: int) -> Floats:
    """Coverage of a few words."""
    from PIL import Image, ImageDraw, ImageFont

    sheet = Image.new("L", (SIZE * SCALE, SIZE * SCALE))
    draw = ImageDraw.Draw(sheet)
    font = ImageFont.load_default(size * SCALE)
    for line, y in enumerate(range(12, SIZE - size, int(size * 1.5))):
        draw.text(
            (12 * SCALE, y * SCALE),
            ("Harbour Rowers", "est. by the sea", "Kites & oars")[line % 3],
            255,
            font,
        )
    return covered(np.asarray(sheet) > 127)


def photograph(name: str) -> Floats:
    """A public-domain photograph, (SIZE, SIZE, 3) 0–1."""
    import skimage.data

    picture = getattr(skimage.data, name)()
    top, left = (picture.shape[0] - SIZE) // 3, (picture.shape[1] - SIZE) // 2
    return np.asarray(picture[top : top + SIZE, left : left + SIZE, :3] / 255.0, np.float64)


def crest() -> Floats:
    """The crest of the example orders as a bitmap, premultiplied RGBA (SIZE, SIZE, 4) 0–1."""
    out = drawn(CREST, PaintMap()) / 255.0
    out[..., :3] *= out[..., 3:]
    return out


def drawn(path: Path, paints: PaintMap) -> Pixels:
    """Draw a file SIZE pixels high, at the left of a square."""
    from pipeline.art.draw import draw
    from pipeline.art.piece import VectorArt
    from pipeline.art.read import read_art

    art = read_art(path, "crest")
    assert isinstance(art, VectorArt)
    width = round(SIZE * art.width / art.height)
    out = np.zeros((SIZE, SIZE, 4), np.uint8)
    out[:, :width] = draw(art, width, SIZE, paints)
    return out


def blurred(truth: Floats, sigma: float) -> Floats:
    """Premultiplied art behind a Gaussian of so many pixels."""
    from scipy import ndimage

    return np.asarray(ndimage.gaussian_filter(truth, (sigma, sigma, 0)), np.float64)


def jpeg(quality: int, subsampling: str = "4:2:0") -> Callable[[Pixels], Pixels]:
    """Return a finish that sends the picture through JPEG."""

    def finish(pixels: Pixels) -> Pixels:
        import io

        from PIL import Image

        box = io.BytesIO()
        Image.fromarray(pixels[..., :3]).save(box, "JPEG", quality=quality, subsampling=subsampling)
        return np.array(Image.open(box).convert("RGBA"))

    return finish


def few_colours(pixels: Pixels) -> Pixels:
    """Return the picture as a palette image of 32 colours shows it."""
    from PIL import Image

    return np.array(Image.fromarray(pixels[..., :3]).quantize(32).convert("RGBA"))


def pieces() -> Iterator[Piece]:
    """Yield the pieces of the table."""
    sun, sea, ink, cream = (0.95, 0.72, 0.1), (0.05, 0.35, 0.62), (0.03, 0.03, 0.03), (0.96, 0.93, 0.82)
    moss = (0.24, 0.35, 0.16)
    x, y = np.meshgrid(np.linspace(0, 1, SIZE), np.linspace(0, 1, SIZE))
    badge = paint([(disc(120, 120, 100), ink), (disc(120, 120, 97), sun), (star(120, 120, 80), sea)])
    ringed = paint([(disc(120, 120, 100) - disc(120, 120, 60), sea), (star(120, 122, 50), cream)])
    yield Piece("disc", paint([(disc(120.3, 119.6, 97.2), sea)]))
    yield Piece("badge with outline", badge)
    yield Piece("ring with a hole", ringed)
    yield Piece("strokes 3 px", paint([(strokes(3.0), moss)]))
    yield Piece("strokes 1.5 px", paint([(strokes(1.5), sea)]))
    yield Piece("lettering 22 px", paint([(lettering(22), sun)]))
    yield Piece("lettering 12 px", paint([(lettering(12), cream), (disc(120, 220, 18), sea)]))
    yield Piece("soft edges", blurred(ringed, 0.7))
    yield Piece("softer edges", blurred(ringed, 1.0))
    yield Piece("soft lettering 40 px", blurred(paint([(lettering(40), sea)]), 1.0))
    yield Piece("soft lettering 22 px", blurred(paint([(lettering(22), sun)]), 0.7))
    yield Piece("softer lettering 22 px", blurred(paint([(lettering(22), sun)]), 1.0))
    yield Piece("palette of 32", badge, finish=few_colours)
    yield Piece("JPEG 90", badge, lossy=True, finish=jpeg(90))
    yield Piece("JPEG 75 ring", ringed, lossy=True, finish=jpeg(75))
    large, small = paint([(lettering(22), sun)]), paint([(lettering(12), cream), (disc(120, 220, 18), sea)])
    yield Piece("JPEG 90 lettering 22 px", large, lossy=True, finish=jpeg(90))
    yield Piece("JPEG 75 lettering 22 px", large, lossy=True, finish=jpeg(75))
    yield Piece("JPEG 90 lettering 12 px", small, lossy=True, finish=jpeg(90))
    yield Piece("JPEG 60 lettering 12 px", small, lossy=True, finish=jpeg(60))
    for name, picture in (("lettering 22 px", large), ("ring", ringed)):
        named = f"JPEG 85 saved as PNG, {name}"
        yield Piece(named, picture, lossy=True, resaved=True, finish=jpeg(85))
    yield Piece("JPEG 85 soft lettering 22 px", blurred(large, 0.7), lossy=True, finish=jpeg(85))
    yield Piece("JPEG 85 softer lettering 22 px", blurred(large, 1.0), lossy=True, finish=jpeg(85))
    yield Piece("JPEG 85 soft ring", blurred(ringed, 1.5), lossy=True, finish=jpeg(85))
    yield Piece("example crest, as a drawing", crest(), drawing=True)
    yield Piece("example crest", crest())
    yield Piece("JPEG 85 example crest", crest(), lossy=True, finish=jpeg(85))
    for name, picture in (
        ("photograph, cut out", paint([(disc(120, 120, 104), photograph("astronaut"))])),
        ("photograph, lettering cut", paint([(star(120, 120, 110, 7), photograph("chelsea"))])),
    ):
        yield Piece(name, picture)
        yield Piece(f"JPEG 90 {name}", picture, lossy=True, finish=jpeg(90))
    wash = np.stack([0.9 - 0.5 * x, 0.3 + 0.5 * y, 0.6 + 0.3 * np.sin(6 * x)], axis=-1)
    yield Piece("painted", paint([(star(120, 120, 112, 6), wash), (disc(90, 90, 20), cream)]))
    glow = np.clip(1.2 - np.hypot(x - 0.5, y - 0.5) * 2.6, 0.0, 1.0) ** 1.5
    yield Piece("glow", paint([(glow, sun)]), ramp=True)
    yield Piece("glow, purest colour", paint([(glow, (1.0, 0.7, 0.0))]), ramp=True)
