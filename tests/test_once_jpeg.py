"""Bitmaps stored without loss that once were JPEGs are known by their pixels, and those that never were are not.

Reference: what libjpeg (Pillow) makes of drawn art and of photographs, saved again as PNG; against that, the same art
never compressed, PngSuite, the pictures of the resvg test suite, and art that lies on a grid of its own.
"""

from __future__ import annotations

import io
import os
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image

from ops.exactness import FABRICS, fringe_of
from ops.exactness_art import Piece, crest, disc, jpeg, lettering, paint, photograph, star
from pipeline.art.bitmap import decode
from pipeline.raster import Pixels
from pipeline.stages.knockout import KnockOutSettings, knock_out

SUN, SEA, CREAM = (0.95, 0.72, 0.1), (0.05, 0.35, 0.62), (0.96, 0.93, 0.82)
PIECES: dict[str, Callable[[], NDArray[np.float64]]] = {
    "lettering": lambda: paint([(lettering(22), SUN)]),
    "small lettering": lambda: paint([(lettering(12), CREAM), (disc(120, 220, 18), SEA)]),
    "disc": lambda: paint([(disc(120.3, 119.6, 97.2), SEA)]),
    "star in a ring": lambda: paint([(disc(120, 120, 100) - disc(120, 120, 60), SEA), (star(120, 122, 50), CREAM)]),
    "crest": crest,
    "photograph": lambda: paint([(disc(120, 120, 104), photograph("astronaut"))]),
}  # fmt: skip


def lossy(pixels: Pixels, kind: str = "PNG") -> bool:
    """Read the picture from a file without loss, and say what the reader takes it for."""
    box = io.BytesIO()
    Image.fromarray(pixels).save(box, kind, lossless=True)
    return decode(box.getvalue(), "art").lossy


@pytest.mark.parametrize("piece", PIECES)
@pytest.mark.parametrize("quality", [60, 75, 85, 92])
def test_a_jpeg_saved_as_png_is_known_wherever_it_was_cropped(piece: str, quality: int) -> None:
    for number, fabric in enumerate(("black", "barn red", "heather")):
        art = jpeg(quality)(Piece(piece, PIECES[piece]()).on(FABRICS[fabric]))
        assert lossy(art)
        assert lossy(art[3 * number + 1 :, 7 - 2 * number :])


@pytest.mark.parametrize("piece", PIECES)
def test_what_never_was_a_jpeg_is_not_taken_for_one(piece: str) -> None:
    for cloth in FABRICS.values():
        assert not lossy(Piece(piece, PIECES[piece]()).on(cloth))


@pytest.mark.parametrize("kind", ["TIFF", "WEBP"])
def test_other_files_without_loss_are_looked_at_too(kind: str) -> None:
    assert lossy(jpeg(75)(Piece("crest", crest()).on(FABRICS["black"])), kind)


@pytest.mark.parametrize("times", [2, 4, 8, 16])
def test_enlarged_pixels_lie_on_a_grid_and_are_no_jpeg(times: int) -> None:
    random = np.random.default_rng(times)
    few = random.integers(0, 256, (4, 3))[random.integers(0, 4, (480 // times, 480 // times))]
    many = (photograph("astronaut") * 255)[: 480 // times, : 480 // times]
    for small in (few, many):
        large = small.repeat(times, 0).repeat(times, 1).astype(np.uint8)
        assert not lossy(large)
        if times <= 8:
            soft = Image.fromarray(small.astype(np.uint8)).resize(large.shape[:2], Image.Resampling.BILINEAR)
            assert not lossy(np.array(soft))


def test_transparent_pixels_tell_nothing() -> None:
    """A JPEG that shows nowhere, its colour left under clear pixels."""
    art = jpeg(60)(Piece("crest", crest()).on(FABRICS["black"]))
    art[..., 3] = 0
    assert not lossy(art)


@pytest.mark.skipif("WASHFAST_CORPORA" not in os.environ, reason="no corpora here")
def test_no_picture_of_the_corpora_is_taken_for_a_jpeg() -> None:
    """PngSuite and every tenth reference picture of the resvg test suite (both drawn, none ever a JPEG)."""
    root = Path(os.environ["WASHFAST_CORPORA"])
    files = [*sorted((root / "png").glob("[!x]*.png")), *sorted((root / "svg").rglob("*.png"))[::10]]
    taken = []
    for file in files:
        with Image.open(file) as image:
            taken += [file.name] if lossy(np.array(image.convert("RGBA"))) else []
    assert files
    assert not taken


@pytest.mark.parametrize("fabric", FABRICS)
def test_a_jpeg_saved_as_png_is_knocked_out_without_a_fringe(fabric: str) -> None:
    """Taken as never lossy, this lettering keeps 0.4 to 0.6 of the old fabric along its edges."""
    piece, cloth = Piece("lettering", paint([(lettering(22), SUN)])), FABRICS[fabric]
    art = jpeg(85)(piece.on(cloth))
    done = knock_out(art, cloth, KnockOutSettings(lossy=lossy(art)))
    assert max(map(abs, fringe_of(done.pixels, piece.truth, cloth))) <= 0.03
