"""Lettering of a JPEG, which nowhere holds its colour exactly, is recoloured like the lettering of a drawing.

Reference: the same lettering drawn in the new colour, coverage by 8 × 8 samples a pixel, before Pillow's libjpeg.
"""

from __future__ import annotations

import numpy as np
import pytest

from ops.exactness import FABRICS
from ops.exactness_art import Piece, disc, jpeg, lettering, paint
from pipeline.raster_ops import grow
from pipeline.stages.recolour import swap_pixels

NAVY = (20, 40, 90)
COLOURS = {"sun": (242, 184, 26), "red": (191, 31, 46), "moss": (61, 89, 41), "cream": (245, 237, 209)}
Rgb = tuple[int, int, int]


def encoded(colour: Rgb) -> tuple[float, float, float]:
    return colour[0] / 255, colour[1] / 255, colour[2] / 255


@pytest.mark.parametrize("colour", COLOURS)
@pytest.mark.parametrize("ground", ["black", "heather"])
@pytest.mark.parametrize(("size", "quality"), [(22, 75), (22, 90), (16, 90), (12, 90)])
def test_lettering_of_a_jpeg_is_found_and_recoloured(
    colour: str, ground: str, size: int, quality: int
) -> None:
    """No more of the old colour is left around it than 0.13 of what was there; found by its exact colour, all was."""
    if (colour, ground) == ("sun", "heather"):
        pytest.skip("the file does not hold its edges: it is as light as its ground")
    cover, old = lettering(size), COLOURS[colour]
    art = jpeg(quality)(Piece("old", paint([(cover, encoded(old))])).on(FABRICS[ground]))
    done = swap_pixels(art, [(old, NAVY)], lossy=True)
    drawn = Piece("new", paint([(cover, encoded(NAVY))])).on(FABRICS[ground])
    step = np.array(old, float) - NAVY
    left = ((done.pixels[..., :3].astype(float) - drawn[..., :3]) @ step) / (step @ step)
    assert not done.unmatched
    assert abs(left[grow(cover > 0.02, 4)].sum() / cover.sum()) <= 0.13


@pytest.mark.parametrize("asked", [(0, 0, 0), (205, 30, 60)])
def test_a_colour_that_is_near_what_the_art_has_is_not_taken_for_it(asked: Rgb) -> None:
    """Dark grey lettering is no black, and a disc of ΔE00 5 from what is asked for has a colour of its own."""
    art = jpeg(80)(Piece("grey", paint([(lettering(22), (0.19, 0.19, 0.19))])).on(FABRICS["white"]))
    if asked == (205, 30, 60):
        art = jpeg(80)(Piece("disc", paint([(disc(120, 120, 80), (0.72, 0.16, 0.16))])).on(FABRICS["white"]))
    done = swap_pixels(art, [(asked, NAVY)], lossy=True)
    assert [missed.colour for missed in done.unmatched] == [asked]
    assert np.array_equal(done.pixels, art)
