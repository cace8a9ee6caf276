"""What the knock-out of lossy art changes on its own fabric, and whether that is nearer to the art before the loss.

A JPEG on its own fabric cannot be kept exactly and have no fringe too: beside an edge its chroma is the fabric's and
the kept colour's at once. The knock-out takes the art with its chroma restored from lightness (`unbled`), and is held
to that; these rows say what that costs. "drawn" are mean ΔE00 from the art as it was drawn, before JPEG, around its
edges: of the JPEG itself, and knocked out, seen on the fabric. "lightness" is how far the lightness of the JPEG moves
where ink stays, in 8-bit levels: mean, and 99 %.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from pipeline.art.bitmap import decode
from pipeline.colour.difference import delta_e_00
from pipeline.colour.spaces import srgb_to_lab
from pipeline.raster import Pixels
from pipeline.raster_ops import SrgbColour, grow, luma, seen_on
from pipeline.stages.knockout import KnockOut

Floats = NDArray[np.float64]
_EDGE_PX = 3


@dataclass(frozen=True, slots=True)
class LossyRow:
    """One line of the table."""

    piece: str
    fabric: str
    jpeg_de: float
    knocked_out_de: float
    moved: float
    moved_99: float


def read_as_png(pixels: Pixels) -> bool:
    """Say whether a picture counts as lossy when it comes as PNG."""
    box = io.BytesIO()
    Image.fromarray(pixels[..., :3]).save(box, "PNG")
    return decode(box.getvalue(), "piece").lossy


def lossy_row(
    piece: str, fabric: str, truth: Floats, art: Pixels, done: KnockOut, cloth: SrgbColour
) -> LossyRow:
    """Compare the lossy `art` and what the knock-out shows of it with the art as drawn, premultiplied `truth` 0–1."""
    cover = truth[..., 3]
    zone = grow((cover > 0.02) & (cover < 0.98), _EDGE_PX)
    drawn = truth[..., :3] + (1.0 - cover)[..., None] * np.asarray(cloth)
    seen = seen_on(done.pixels, cloth)
    moved = np.abs(luma(seen - art[..., :3]))[zone & (done.pixels[..., 3] > 0)]
    wanted = srgb_to_lab(drawn[zone])
    before = delta_e_00(srgb_to_lab(art[zone][:, :3] / 255.0), wanted)
    after = delta_e_00(srgb_to_lab(seen[zone] / 255.0), wanted)
    return LossyRow(
        piece,
        fabric,
        float(before.mean()),
        float(after.mean()),
        float(moved.mean()),
        float(np.quantile(moved, 0.99)),
    )


def lossy_lines(rows: Sequence[LossyRow]) -> list[str]:
    """Return the rows as Markdown."""
    return [
        "Lossy art around its edges, seen on its own fabric: mean ΔE00 from the art as it was drawn before JPEG, and "
        "how far lightness moves.",
        "",
        "| piece | fabric | JPEG itself | knocked out | lightness, mean | 99 % |",
        "|---|---|---|---|---|---|",
        *(
            f"| {r.piece} | {r.fabric} | {r.jpeg_de:.2f} | {r.knocked_out_de:.2f} | {r.moved:.1f} | {r.moved_99:.1f} |"
            for r in rows
        ),
    ]
