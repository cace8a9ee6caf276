"""Drawing: exact sizes, exact pixels, and what a PaintMap changes."""

from __future__ import annotations

import base64
import io

import numpy as np
import pytest
from PIL import Image

from pipeline.art import svg
from pipeline.art.draw import draw, draw_with, straight, straight_picture
from pipeline.art.paint import PaintMap, Swap
from pipeline.faults import Refused
from pipeline.raster_runs import Runs

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


def test_a_size_beyond_the_surface_is_refused_naming_it():
    art = svg.read(SQUARES, "squares.svg")
    with pytest.raises(Refused, match="40000 × 10 px") as caught:
        draw(art, 40000, 10)
    assert caught.value.code == "art-too-large"


MIXED = """<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 40 30"><defs>
  <linearGradient id="fade"><stop stop-color="#8f2430"/><stop offset="1" stop-color="#fff" stop-opacity="0.5"/>
  </linearGradient><pattern id="dots" width="4" height="4" patternUnits="userSpaceOnUse">
  <circle cx="2" cy="2" r="1.5" fill="#8f2430"/></pattern></defs>
  <rect width="40" height="10" fill="url(#fade)"/><rect y="10" width="40" height="10" fill="{dots}"/>
  <g opacity="0.7"><circle cx="12" cy="24" r="5" fill="#8f2430" stroke="#10a040" stroke-width="2"/></g></svg>"""


@pytest.mark.parametrize("fill", ["url(#dots)", "#8f2430"])
def test_pixels_stay_linear_in_the_key(fill):
    """Every pixel is w·key + rest: with keys k, l and their mean the premultiplied drawings meet in the middle.

    Triangulation matting (Smith & Blinn 1996) asks this of the two drawings; the rest is the renderers' rounding.
    """
    art = svg.read(MIXED.format(dots=fill).encode(), "mixed.svg")
    assert art.linear

    def keyed(key):
        pixels = draw(art, 120, 90, PaintMap(cloth=((0x8F, 0x24, 0x30),), key=key)).astype(float)
        return pixels[:, :, :3] * pixels[:, :, 3:] / 255, pixels[:, :, 3]

    low, alpha = keyed((0, 0, 0))
    high, _ = keyed((254, 254, 254))
    middle, same = keyed((127, 127, 127))

    assert (alpha == same).all()
    assert np.abs((low + high) / 2 - middle).max() <= 2
    assert (high - low).max() > 250


def test_a_gradient_shared_by_two_elements_is_swapped_for_the_named_one_alone():
    art = svg.read(
        b'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 20 10"><linearGradient id="g" '
        b'gradientUnits="userSpaceOnUse" x2="20"><stop stop-color="red"/><stop offset="1" stop-color="blue"/>'
        b'</linearGradient><rect id="a" width="10" height="10" fill="url(#g)"/>'
        b'<rect id="b" x="10" width="10" height="10" fill="url(#g)"/></svg>',
        "a.svg",
    )

    pixels = draw(art, 20, 10, PaintMap(swap=(Swap(to=(0, 200, 0), element="a"),)))

    assert (pixels[:, :10] == (0, 200, 0, 255)).all()
    assert (pixels == draw(art, 20, 10))[:, 10:].all()


def picture() -> str:
    out = io.BytesIO()
    pixels = np.zeros((2, 2, 4), np.uint8)
    pixels[0] = (255, 0, 0, 255)
    pixels[1] = (0, 0, 255, 128)
    Image.fromarray(pixels, "RGBA").save(out, "PNG")
    return base64.b64encode(out.getvalue()).decode()


@pytest.mark.parametrize("renderer", ["cairosvg", "resvg"])
def test_embedded_images_pass_through_the_callers_hands(renderer):
    """`on_image` gets the image's own straight pixels and what it returns is drawn; `cut_out` lays the key there."""
    art = svg.read(
        '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 20 20"><image id="photo" width="20" height="20" '
        f'image-rendering="optimizeSpeed" href="data:image/png;base64,{picture()}"/></svg>'.encode(),
        "a.svg",
    )
    seen = []

    def recolour(pixels, *, lossy):
        assert not lossy
        seen.append(pixels.copy())
        return np.where(pixels[:, :, :1] == 255, np.uint8([0, 255, 0, 255]), pixels)

    drawn = draw_with(renderer, art, 20, 20, PaintMap(), recolour)
    cut = draw_with(renderer, art, 20, 20, PaintMap(cut_out=("photo",), key=(9, 9, 9)))

    assert seen[0].shape == (2, 2, 4)
    assert tuple(seen[0][1, 1]) == (0, 0, 255, 128)
    assert tuple(drawn[4, 4]) == (0, 255, 0, 255)
    assert tuple(drawn[16, 4]) == (0, 0, 255, 128)
    assert tuple(cut[4, 4]) == (9, 9, 9, 255)


def test_a_drawing_as_runs_is_the_drawing() -> None:
    """Flat drawings that come off the renderer as runs show the pixels that `straight` makes of the same surface."""
    rng = np.random.default_rng(11)
    surface = np.zeros((90, 70, 4), np.uint8)
    surface[10:60, 5:40] = (200, 40, 20, 255)
    surface[30:80, 20:65] = (30, 60, 15, 90)
    surface[:, ::9, 3] = rng.integers(0, 256, (90, 8))
    surface[..., :3] = np.minimum(surface[..., :3], surface[..., 3:])
    surface[0, 0] = (3, 0, 0, 0)  # rounding of the renderer: a colour without coverage
    picture = straight_picture(surface)
    assert isinstance(picture, Runs)
    assert (picture.pixels() == straight(surface)).all()
    assert (np.diff(picture.words.astype(np.int64)) != 0).all()
