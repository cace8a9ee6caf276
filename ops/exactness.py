"""How exact the knock-out and the base are: a table over pieces of art and fabrics, measured, not asserted.

Every piece is drawn with known coverage, laid on the fabric, and knocked out from that picture alone. "recomposed"
is the ΔE00 between the art and the knocked-out art on its own fabric; "fringe" the mean bias of coverage and of colour
towards the old fabric, seen on another one, in the zone around knocked-out edges (0 is perfect; a hard threshold gives
0.2–0.6); "outside" counts pixels with more base than colour. "over limit" counts pixels that differ by
more than ΔE00 1 and more than one 8-bit level. A ramp takes the least coverage that shows the same, so that a glow in
a colour that is not the purest comes out thinner than it was drawn (below 0), which is no fringe. Lossy art (JPEG) is
held to its own picture with the chroma restored that has bled over its edges, and has rows of its own besides.

    python -m ops.exactness [FILE]      print the table, or put it between the marks of FILE
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from ops.exactness_fade import FadeRow, fade_lines, fade_row
from ops.exactness_lossy import LossyRow, lossy_lines, lossy_row, read_as_png
from ops.marks import argument, show
from pipeline.art.paint import PaintMap, hex_of
from pipeline.colour.difference import delta_e_00
from pipeline.colour.spaces import srgb_to_lab
from pipeline.raster import Pixels
from pipeline.raster_ops import SrgbColour, grow, seen_on
from pipeline.stages.base import base_plane
from pipeline.stages.knockout import (
    BLED_PX,
    KnockOut,
    KnockOutSettings,
    keys_for,
    knock_out_edges,
    knock_out_ramp,
    solve,
    unbled,
)

Floats = NDArray[np.float64]
FABRICS: dict[str, SrgbColour] = {
    "white": (1.0, 1.0, 1.0),
    "black": (0.09, 0.09, 0.1),
    "barn red": (0.48, 0.12, 0.14),
    "heather": (0.6, 0.6, 0.62),
}
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


@dataclass(frozen=True, slots=True)
class Row:
    """One line of the table."""

    piece: str
    fabric: str
    worst_de: float
    de_999: float
    over_a_level: int
    coverage: float
    fringe: float
    outside: int


def paint(layers: list[tuple[Floats, tuple[float, float, float] | Floats]]) -> Floats:
    """Lay coverage masks (H, W) with their colours over each other; premultiplied RGBA."""
    out = np.zeros((*layers[0][0].shape, 4))
    for cover, colour in layers:
        part = cover[..., None]
        tone = np.broadcast_to(np.asarray(colour, np.float64), (*cover.shape, 3))
        out = out * (1.0 - part) + np.concatenate([tone * part, part], axis=-1)
    return out


def _grid() -> tuple[Floats, Floats]:
    at = (np.arange(SIZE * SCALE) + 0.5) / SCALE
    return np.meshgrid(at, at)


def _cover(inside: NDArray[np.bool_]) -> Floats:
    folded = inside.reshape(SIZE, SCALE, SIZE, SCALE)
    return np.asarray(folded.mean(axis=(1, 3)), np.float64)


def disc(cx: float, cy: float, radius: float) -> Floats:
    """Coverage of a disc."""
    x, y = _grid()
    return _cover((x - cx) ** 2 + (y - cy) ** 2 <= radius * radius)


def star(cx: float, cy: float, radius: float, points: int = 5) -> Floats:
    """Coverage of a star with sharp points."""
    x, y = _grid()
    angle = np.arctan2(y - cy, x - cx) * points / (2 * np.pi)
    reach = radius * (0.45 + 0.55 * np.abs((angle % 1.0) * 2.0 - 1.0))
    return _cover(np.hypot(x - cx, y - cy) <= reach)


def strokes(width: float, count: int = 12) -> Floats:
    """Coverage of straight strokes through the middle, like spokes, at many angles."""
    x, y = _grid()
    middle = SIZE / 2
    found = np.zeros(x.shape, np.bool_)
    for i in range(count):
        turn = np.pi * (i + 0.37) / count
        off = (x - middle) * np.sin(turn) - (y - middle) * np.cos(turn)
        away = np.hypot(x - middle, y - middle)
        found |= (np.abs(off) <= width / 2) & (away < 0.45 * SIZE) & (away > 0.15 * SIZE)
    return _cover(found)


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
    return _cover(np.asarray(sheet) > 127)


def photograph(name: str) -> Floats:
    """A public-domain photograph, (SIZE, SIZE, 3) 0–1."""
    import skimage.data

    picture = getattr(skimage.data, name)()
    top, left = (picture.shape[0] - SIZE) // 3, (picture.shape[1] - SIZE) // 2
    return np.asarray(picture[top : top + SIZE, left : left + SIZE, :3] / 255.0, np.float64)


def crest() -> Floats:
    """The crest of the example orders as a bitmap, premultiplied RGBA (SIZE, SIZE, 4) 0–1."""
    out = _drawn(CREST, PaintMap()) / 255.0
    out[..., :3] *= out[..., 3:]
    return out


def _drawn(path: Path, paints: PaintMap) -> Pixels:
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


def _knocked_out_drawing(cloth: SrgbColour) -> tuple[Pixels, KnockOut]:
    """Return the crest drawn on a ground of the fabric's colour, and what is knocked out of that drawing."""
    red, green, blue = (round(255 * level) for level in cloth)
    ground = f'<rect x="-9999" y="-9999" width="99999" height="99999" fill="{hex_of((red, green, blue))}"/>'
    start, rest = CREST.read_text("utf-8").split(">", 1)
    keys = keys_for([(red, green, blue)], cut_out=False)
    assert keys is not None
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "crest.svg"
        path.write_text(f"{start}>{ground}{rest}", "utf-8")
        plain = _drawn(path, PaintMap())
        keyed = _drawn(path, PaintMap(cloth=((red, green, blue),), key=keys.second))
    kept = solve(plain, keys.first, keyed, keys.second)
    gone = (plain[..., 3] > 0) & (kept[..., 3] == 0)
    return plain, KnockOut(kept, gone, "edges", float(np.mean(gone)))


def _blurred(truth: Floats, sigma: float) -> Floats:
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
    yield Piece("soft edges", _blurred(ringed, 0.7))
    yield Piece("softer edges", _blurred(ringed, 1.0))
    yield Piece("soft lettering 40 px", _blurred(paint([(lettering(40), sea)]), 1.0))
    yield Piece("soft lettering 22 px", _blurred(paint([(lettering(22), sun)]), 0.7))
    yield Piece("softer lettering 22 px", _blurred(paint([(lettering(22), sun)]), 1.0))
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
    yield Piece("JPEG 85 soft lettering 22 px", _blurred(large, 0.7), lossy=True, finish=jpeg(85))
    yield Piece("JPEG 85 softer lettering 22 px", _blurred(large, 1.0), lossy=True, finish=jpeg(85))
    yield Piece("JPEG 85 soft ring", _blurred(ringed, 1.5), lossy=True, finish=jpeg(85))
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


def knocked_out(piece: Piece, cloth: SrgbColour) -> tuple[Pixels, KnockOut]:
    """Return the piece's picture on `cloth`, and what is knocked out of it."""
    if piece.drawing:
        return _knocked_out_drawing(cloth)
    art, how = piece.on(cloth), knock_out_ramp if piece.ramp else knock_out_edges
    lossy = read_as_png(art) if piece.resaved else piece.lossy
    return art, how(art, cloth, KnockOutSettings(lossy=lossy))


def measure(piece: Piece, fabric: str, cloth: SrgbColour) -> Row:
    """Knock the piece out of its picture on `cloth` and measure."""
    return _measured(piece, fabric, cloth, *knocked_out(piece, cloth))


def _measured(piece: Piece, fabric: str, cloth: SrgbColour, art: Pixels, done: KnockOut) -> Row:
    held = art
    if piece.lossy:
        beside = (grow(done.sure_out, BLED_PX) | (done.pixels[..., 3] < 255))[..., None]
        held = np.where(beside, unbled(art, np.array([cloth]) * 255.0), art)
    wanted = seen_on(held, cloth)
    wanted[done.sure_out] = np.asarray(cloth) * 255.0
    seen = seen_on(done.pixels, cloth)
    de = delta_e_00(srgb_to_lab(seen / 255.0), srgb_to_lab(wanted / 255.0))
    level = np.max(np.abs(seen - wanted), axis=-1)
    coverage, fringe = fringe_of(done.pixels, piece.truth, cloth)
    plane = base_plane(done.pixels, 300.0, 0.15, 1.0, "base")
    outside = int(np.count_nonzero(plane > done.pixels[..., 3]))
    bad = int(np.count_nonzero((de > 1.0) & (level > 1.0)))
    return Row(
        piece.name, fabric, float(de.max()), float(np.quantile(de, 0.999)), bad, coverage, fringe, outside
    )


def fringe_of(pixels: Pixels, truth: Floats, cloth: SrgbColour) -> tuple[float, float]:
    """Return the mean bias of coverage and, on the fabric farthest from the old one, of colour towards the old one."""
    cover = truth[..., 3]
    edge = (cover > 0.02) & (cover < 0.98)
    zone = grow(edge, 1)
    other = np.array([0.0 if value > 0.5 else 1.0 for value in cloth])
    alpha = pixels[..., 3] / 255.0
    seen = seen_on(pixels, (float(other[0]), float(other[1]), float(other[2]))) / 255.0
    right = truth[..., :3] + (1.0 - cover)[..., None] * other
    away = np.asarray(cloth) - other
    bias = np.sum((seen - right) * away, axis=-1) / np.sum(away * away)
    return float(np.mean((alpha - cover)[zone])), float(np.mean(bias[zone]))


def table() -> list[tuple[Row, FadeRow, LossyRow | None]]:
    """Measure every piece on every fabric."""
    rows = []
    for piece in pieces():
        for name, cloth in FABRICS.items():
            art, done = knocked_out(piece, cloth)
            fade = fade_row(piece.name, name, cloth, done.pixels)
            lossy = lossy_row(piece.name, name, piece.truth, art, done, cloth) if piece.lossy else None
            rows.append((_measured(piece, name, cloth, art, done), fade, lossy))
    return rows


def choke_error_um(choke_mm: float = 0.15, ppi: float = 300.0) -> tuple[float, float]:
    """Return the worst error of the choke, in micrometres, over half planes at many angles, and over discs."""
    choke = choke_mm * ppi / 25.4
    x, y = _grid()
    middle = slice(SIZE // 4, 3 * SIZE // 4)
    straight, round_ = 0.0, 0.0
    for step in range(12):
        turn = 2 * np.pi * (step + 0.21) / 12
        deep = (x - SIZE / 2) * np.cos(turn) + (y - SIZE / 2) * np.sin(turn) - 0.31 * step
        plane = _based(_cover(deep > 0), ppi, choke_mm)
        wanted, length = _cover(deep > choke), _cover(np.abs(deep - choke) < 0.5)
        error = np.sum((wanted - plane)[middle, middle]) / np.sum(length[middle, middle])
        straight = max(straight, abs(float(error)))
    for radius in (6.0, 11.3, 24.0, 70.0):
        left = float(np.sqrt(np.sum(_based(disc(120.3, 119.6, radius), ppi, choke_mm)) / np.pi))
        round_ = max(round_, abs(left - (radius - choke)))
    return straight * 25400.0 / ppi, round_ * 25400.0 / ppi


def _based(cover: Floats, ppi: float, choke_mm: float) -> Floats:
    art = np.zeros((*cover.shape, 4), np.uint8)
    art[..., 0], art[..., 3] = 200, np.floor(cover * 255.0 + 0.5)
    return base_plane(art, ppi, choke_mm, 1.0, "none") / 255.0


def report() -> str:
    """Return the table as Markdown."""
    rows = table()
    lines = [
        "| piece | fabric | worst ΔE00 | 99.9 % | over limit | coverage | fringe | base outside |",
        "|---|---|---|---|---|---|---|---|",
    ]
    lines += [
        f"| {r.piece} | {r.fabric} | {r.worst_de:.2f} | {r.de_999:.2f} | {r.over_a_level} "
        f"| {r.coverage:+.3f} | {r.fringe:+.3f} | {r.outside} |"
        for r, _, _ in rows
    ]
    straight, round_ = choke_error_um()
    lines += [
        "",
        f"Choke of 0.15 mm at 300 ppi: worst error {straight:.1f} µm on straight edges, {round_:.1f} µm on discs.",
        "",
        *lossy_lines([row for _, _, row in rows if row is not None]),
        "",
        *fade_lines([row for _, row, _ in rows]),
    ]
    return "\n".join(lines)


def main() -> None:
    """Print the table, or with a file name put it between the file's two marks."""
    show(report(), "exactness", argument(1))


if __name__ == "__main__":
    main()
