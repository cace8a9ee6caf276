"""Drawing: exact sizes, exact pixels, and what a PaintMap changes."""

from __future__ import annotations

import numpy as np

from pipeline.art import svg
from pipeline.art.draw import draw, draw_with, straight
from pipeline.art.paint import PaintMap, Swap

SQUARES = b"""<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 30 10">
  <style>.sea{fill:hsl(240 100% 50%)}</style>
  <rect id="left" width="10" height="10" fill="red"/>
  <g id="middle" fill="currentColor" color="lime" opacity="0.5"><rect id="cell" x="10" width="10" height="10"/></g>
  <use id="right" href="#shape" x="20"/>
  <defs><rect id="shape" class="sea" width="10" height="10"/></defs>
</svg>"""


def test_straight_pixels_premultiply_back_to_the_same_bytes():
    """Un-premultiplying loses nothing, over every coverage and every channel value that occurs with it."""
    alpha, value = np.meshgrid(np.arange(256), np.arange(256), indexing="ij")
    valid = value <= alpha
    a, c = alpha[valid].astype(np.uint8), value[valid].astype(np.uint8)
    bgra = np.stack([c, c, c, a], axis=1).reshape(1, -1, 4)

    out = straight(bgra).astype(np.uint32)

    back = (out[:, :, :3] * out[:, :, 3:] + 127) // 255
    assert (back == np.stack([c, c, c], axis=1).reshape(1, -1, 3)).all()


def test_every_renderer_fills_the_box_edge_to_edge_at_the_exact_size():
    """A box of another shape than the drawing is filled wholly, without letterbox or soft edge rows."""
    art = svg.read(
        b'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 7 3"><rect width="7" height="3"/></svg>',
        "a.svg",
    )
    for renderer in ("cairosvg", "resvg"):
        pixels = draw_with(renderer, art, 101, 77)
        assert pixels.shape == (77, 101, 4)
        assert (pixels == (0, 0, 0, 255)).all()


def test_swap_by_colour_and_by_element_reach_through_css_use_and_current_color():
    art = svg.read(SQUARES, "squares.svg")
    swaps = (Swap(to=(1, 2, 3), colour=(0, 0, 255)), Swap(to=(9, 8, 7), element="middle"))

    pixels = draw(art, 30, 10, PaintMap(swap=swaps))

    assert tuple(pixels[5, 5]) == (255, 0, 0, 255)
    assert tuple(pixels[5, 15][3:]) == (128,)
    assert np.abs(pixels[5, 15, :3].astype(int) - (9, 8, 7)).max() <= 1
    assert tuple(pixels[5, 25]) == (1, 2, 3, 255)


def test_only_and_omit_choose_elements_by_their_own_and_their_parents_ids():
    art = svg.read(SQUARES, "squares.svg")

    kept = draw(art, 30, 10, PaintMap(only=("middle", "shape"), omit=("cell",)))

    assert kept[5, [5, 15, 25], 3].tolist() == [0, 0, 255]


def test_cut_out_draws_the_key_at_full_opacity_and_cloth_takes_the_key():
    art = svg.read(SQUARES, "squares.svg")

    pixels = draw(art, 30, 10, PaintMap(cloth=((255, 0, 0),), cut_out=("middle",), key=(255, 0, 255)))

    assert pixels[5, [5, 15, 25]].tolist() == [[255, 0, 255, 255], [255, 0, 255, 255], [0, 0, 255, 255]]
