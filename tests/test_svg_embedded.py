"""Drawings embedded as images: expanded in place, named and answered as one part, within the same limits."""

from __future__ import annotations

import base64

import numpy as np
import pytest

from pipeline.art import svg
from pipeline.art.draw import draw
from pipeline.art.paint import PaintMap, Swap
from pipeline.art.piece import Limits
from pipeline.faults import Refused
from tests.test_svg import HEAD, read

NAMES = 'xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink"'
PATCH = f'<svg {NAMES} viewBox="0 0 10 10"><rect id="sun" width="10" height="10" fill="#8f2430"/></svg>'


def image(drawing: str, attributes: str = 'id="patch" x="20" y="10" width="40" height="20"') -> str:
    data = base64.b64encode(drawing.encode()).decode()
    return f'<image {attributes} href="data:image/svg+xml;base64,{data}"/>'


def test_an_embedded_drawing_is_laid_out_by_its_image_and_drawn_in_its_own_colours():
    """A square in a rectangle twice as wide stands in its middle (SVG 1.1 section 7.8, xMidYMid meet)."""
    art = read(image(PATCH))
    pixels = draw(art, 100, 100)
    ys, xs = np.nonzero(pixels[..., 3] > 127)

    assert art.findings == ()
    assert not art.has_images
    assert (xs.min(), xs.max(), ys.min(), ys.max()) == (30, 49, 10, 29)
    assert tuple(pixels[20, 40]) == (0x8F, 0x24, 0x30, 255)
    assert art.paints == ((0x8F, 0x24, 0x30),)
    assert svg.agreement(art) is None


def test_an_embedded_drawing_has_names_and_styles_of_its_own():
    """Neither ids nor style sheets cross the border (SVG 2 section 12.3): the inner id cannot be omitted by name."""
    square = '<style>rect{fill:#00ff00}</style><rect id="a" width="1" height="1"/>'
    inner = f'<svg {NAMES} viewBox="0 0 1 1">{square}</svg>'
    art = read(
        '<style>rect{fill:#0000ff}</style><rect id="a" width="9" height="9"/>'
        f'{image(inner)}<use href="#a" y="50"/>'
    )
    assert set(art.paints) == {(0, 0, 255), (0, 255, 0)}
    assert art.elements == {"a", "patch"}

    left = draw(art, 100, 100, PaintMap(omit=("a",)))
    assert set(map(tuple, left[left[..., 3] == 255][:, :3].tolist())) == {(0, 255, 0)}
    assert not draw(art, 100, 100, PaintMap(only=("a",)))[10:30, 30:50].any()


def test_an_embedded_drawing_is_recoloured_and_cut_out_by_the_name_of_its_image():
    art = read(image(PATCH))
    swapped = draw(art, 100, 100, PaintMap(swap=(Swap(to=(1, 2, 3), element="patch"),)))
    cut = draw(art, 100, 100, PaintMap(cut_out=("patch",), key=(255, 0, 255)))

    assert tuple(swapped[20, 40]) == (1, 2, 3, 255)
    assert tuple(cut[20, 40]) == (255, 0, 255, 255)


def test_nothing_is_drawn_outside_the_images_rectangle():
    """Slices are cut at the image, and what sticks out of the embedded drawing's own area is too."""
    drawing = f'<svg {NAMES} viewBox="0 0 10 10"><circle cx="5" cy="5" r="30"/></svg>'
    pixels = draw(
        read(image(drawing, 'width="40" height="20" preserveAspectRatio="xMidYMid slice"')), 100, 100
    )
    ys, xs = np.nonzero(pixels[..., 3])

    assert (xs.max(), ys.max()) == (39, 19)


def test_what_stops_in_an_embedded_drawing_stops_the_art():
    """References out of the file and features that nobody draws are named with the image's line."""
    drawing = (
        f'<svg {NAMES} viewBox="0 0 9 9"><image href="crest.png" width="9" height="9"/><foreignObject/></svg>'
    )
    findings = read(image(drawing)).findings

    assert {f.code for f in findings} == {"external-reference", "unsupported-feature"}
    assert all('embedded in line 1, <image id="patch">' in f.message for f in findings)


def test_embedding_multiplies_within_the_limits_alone():
    """A drawing in a drawing in a drawing counts every element each time it is drawn."""
    drawing = PATCH
    uses = '<use href="#g"/>' * 19
    for _ in range(4):
        inside = image(drawing, 'width="9" height="9"')
        drawing = f'<svg {NAMES} viewBox="0 0 9 9"><g id="g">{inside}</g>{uses}</svg>'
    with pytest.raises(Refused) as refusal:
        svg.read(drawing.encode(), "nest", Limits(elements=5000))
    assert refusal.value.code == "art-too-large"


def test_a_damaged_embedded_drawing_is_refused_by_name():
    with pytest.raises(Refused, match=r"art\.svg, embedded in line 1"):
        svg.read(f"{HEAD}{image('<svg><g></svg>')}</svg>".encode(), "art.svg")


def test_an_image_of_no_size_is_nothing_whatever_it_refers_to():
    """SVG 2 section 12.3: a width or height of zero disables drawing, so nothing is missing."""
    assert read('<image href="crest.png" width="0" height="9"/>').findings == ()
