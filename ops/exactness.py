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
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from ops.exactness_art import CREST, SIZE, Floats, Piece, covered, disc, drawn, grid, pieces
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

FABRICS: dict[str, SrgbColour] = {
    "white": (1.0, 1.0, 1.0),
    "black": (0.09, 0.09, 0.1),
    "barn red": (0.48, 0.12, 0.14),
    "heather": (0.6, 0.6, 0.62),
}


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
        plain = drawn(path, PaintMap())
        keyed = drawn(path, PaintMap(cloth=((red, green, blue),), key=keys.second))
    kept = solve(plain, keys.first, keyed, keys.second)
    gone = (plain[..., 3] > 0) & (kept[..., 3] == 0)
    return plain, KnockOut(kept, gone, "edges", float(np.mean(gone)))


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
    x, y = grid()
    middle = slice(SIZE // 4, 3 * SIZE // 4)
    straight, round_ = 0.0, 0.0
    for step in range(12):
        turn = 2 * np.pi * (step + 0.21) / 12
        deep = (x - SIZE / 2) * np.cos(turn) + (y - SIZE / 2) * np.sin(turn) - 0.31 * step
        plane = _based(covered(deep > 0), ppi, choke_mm)
        wanted, length = covered(deep > choke), covered(np.abs(deep - choke) < 0.5)
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
