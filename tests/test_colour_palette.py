"""The index of colours against numpy's own unique, and main colours of art whose areas are known."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from pipeline.colour import lattice
from pipeline.colour.difference import delta_e_00
from pipeline.colour.palette import flat_palette, main_colours, main_colours_of, unique_colours
from pipeline.colour.spaces import lab_of_rgb8

NAVY, CREAM, BRICK, MOSS = (31, 58, 95), (244, 233, 216), (184, 35, 47), (61, 90, 42)
PICTURES = hnp.arrays(
    np.uint8,
    st.tuples(st.integers(1, 9), st.integers(1, 9), st.just(4)),
    elements=st.sampled_from([0, 1, 2, 254, 255]),
)


def canvas(height, width):
    return np.zeros((height, width, 4), dtype=np.uint8)


def disc(size, radius, colour, ground, softness=4):
    """Antialiased by supersampling, mixed in encoded sRGB as renderers do."""
    axis = (np.arange(size * softness) + 0.5) / softness - size / 2
    inside = (axis[:, np.newaxis] ** 2 + axis**2 <= radius**2).reshape(size, softness, size, softness)
    cover = inside.mean(axis=(1, 3))[..., np.newaxis]
    out = np.full((size, size, 4), 255, dtype=np.uint8)
    out[..., :3] = np.rint(cover * np.array(colour) + (1 - cover) * np.array(ground))
    return out


@given(PICTURES)
@settings(max_examples=60, deadline=None)
def test_the_index_is_exact(pixels):
    """numpy.unique on whole pixels: the same colours and counts, and the index gives the picture back."""
    palette = unique_colours(pixels)
    expected, counts = np.unique(pixels.reshape(-1, 4), axis=0, return_counts=True)
    order = np.lexsort(palette.colours.T[::-1])

    assert np.array_equal(palette.colours[palette.index], pixels)
    assert np.array_equal(palette.colours[order], expected)
    assert np.array_equal(palette.counts[order], counts)


@pytest.mark.parametrize(("count", "kind"), [(3, np.uint8), (300, np.uint16), (70_000, np.uint32)])
def test_the_index_takes_the_smallest_type_that_holds_it(count, kind):
    """A byte a pixel for up to 256 colours, two for 65,536."""
    pixels = canvas(1, count)
    pixels[0, :, 0], pixels[0, :, 1] = np.arange(count) % 256, np.arange(count) // 256 % 256
    pixels[0, :, 3] = 1 + np.arange(count) // 65536

    palette = unique_colours(pixels)

    assert len(palette.colours) == count
    assert palette.index.dtype == kind
    assert np.array_equal(palette.colours[palette.index], pixels)


def test_a_slice_of_a_larger_picture_is_indexed_right():
    """Crops are not contiguous in memory."""
    pixels = np.random.default_rng(1).integers(0, 3, (20, 30, 4), dtype=np.uint8)

    palette = unique_colours(pixels[3:17, 5:21])

    assert np.array_equal(palette.colours[palette.index], pixels[3:17, 5:21])


def test_grain_is_not_flat_and_shapes_are():
    """A palette is offered where runs are long, and not for a photograph's grain."""
    grain = np.random.default_rng(2).integers(0, 256, (700, 700, 4), dtype=np.uint8)
    shapes = disc(700, 300, NAVY, CREAM)

    assert flat_palette(grain) is None
    assert flat_palette(shapes) is not None


def test_pixels_of_another_form_are_refused():
    """The contract is uint8 with four channels."""
    with pytest.raises(ValueError, match="uint8"):
        unique_colours(np.zeros((2, 2, 3), dtype=np.uint8))


def test_main_colours_of_known_areas():
    """Stripes of 70, 20, 9 and 1 %: those colours, those shares, in that order; transparent ground does not count."""
    pixels = canvas(100, 200)
    pixels[:, :70], pixels[:, 70:90], pixels[:, 90:99], pixels[:, 99:100] = (
        (*c, 255) for c in (NAVY, CREAM, BRICK, MOSS)
    )

    found = main_colours_of(pixels, flat_palette(pixels))

    assert [c.rgb for c in found] == [NAVY, CREAM, BRICK, MOSS]
    assert [c.share for c in found] == pytest.approx([0.70, 0.20, 0.09, 0.01])


def test_what_covers_less_than_half_a_per_cent_is_no_main_colour():
    """0.4 % is left out, 0.6 % is in."""
    for width, colours in ((4, [NAVY]), (6, [NAVY, CREAM])):
        pixels = canvas(10, 1000)
        pixels[:], pixels[:, :width] = (*NAVY, 255), (*CREAM, 255)

        assert [c.rgb for c in main_colours_of(pixels, flat_palette(pixels))] == colours


def test_share_is_weighted_by_alpha():
    """A half transparent area counts as half the ink."""
    pixels = canvas(10, 20)
    pixels[:, :10], pixels[:, 10:] = (*NAVY, 255), (*CREAM, 51)

    shares = {c.rgb: c.share for c in main_colours_of(pixels)}

    assert shares == pytest.approx({NAVY: 1 / 1.2, CREAM: 0.2 / 1.2})


def test_antialiasing_does_not_become_a_main_colour():
    """Hundreds of small discs, a tenth of whose pixels lie on edges: two colours are found."""
    tile = disc(24, 9, BRICK, CREAM, softness=16)
    pixels = np.tile(tile, (20, 20, 1))
    edge = ~((pixels[..., :3] == BRICK).all(axis=-1) | (pixels[..., :3] == CREAM).all(axis=-1))
    assert edge.mean() > 0.1

    palette = flat_palette(pixels)

    assert {c.rgb for c in main_colours_of(pixels, palette)} == {BRICK, CREAM}
    assert {BRICK, CREAM} <= {c.rgb for c in main_colours(palette.colours, palette.counts)}


def test_near_colours_stay_apart_as_long_as_an_eye_tells_them():
    """Two flat blues 3 ΔE00 apart are two main colours, so that their contrast can be checked."""
    near = (31, 66, 105)
    assert 2.5 < float(delta_e_00(lab_of_rgb8(NAVY), lab_of_rgb8(near))) < 5
    pixels = canvas(10, 20)
    pixels[:, :12], pixels[:, 12:] = (*NAVY, 255), (*near, 255)

    assert [c.rgb for c in main_colours_of(pixels)] == [NAVY, near]


def test_a_gradient_gives_a_handful_that_spans_it():
    """256 steps from black to white give some greys, never hundreds, that reach far to both ends."""
    pixels = canvas(64, 1024)
    pixels[..., :3], pixels[..., 3] = (np.arange(1024) // 4)[np.newaxis, :, np.newaxis], 255

    found = main_colours_of(pixels, flat_palette(pixels))

    levels = sorted(c.rgb[0] for c in found)
    assert 4 <= len(found) <= 12
    assert levels[0] < 40
    assert levels[-1] > 215


def test_a_photograph_gives_a_handful():
    """Blurred noise with grain: at most a dozen, which together stand for a good part of the picture."""
    rng = np.random.default_rng(5)
    coarse = rng.integers(0, 256, (5, 6, 3)).astype(float)
    big = np.kron(coarse, np.ones((160, 160, 1))) + rng.normal(0, 8, (800, 960, 3))
    pixels = np.full((800, 960, 4), 255, dtype=np.uint8)
    pixels[..., :3] = np.clip(big, 0, 255)

    found = main_colours_of(pixels, flat_palette(pixels))

    assert 3 <= len(found) <= 12
    assert sum(c.share for c in found) > 0.4


def test_an_empty_picture_has_no_main_colours():
    """No ink, no colours."""
    assert main_colours_of(canvas(5, 5)) == ()


def test_the_order_of_colours_does_not_matter():
    """Shuffled rows give the same answer."""
    rng = np.random.default_rng(9)
    colours = rng.integers(0, 256, (500, 4), dtype=np.uint8)
    colours[:, 3] = 255
    colours = np.unique(colours, axis=0)
    counts = rng.integers(1, 1000, len(colours))
    order = rng.permutation(len(colours))

    assert main_colours(colours, counts) == main_colours(colours[order], counts[order])


def test_the_lattice_leaves_what_is_not_changed():
    """No move on the lattice is the identity on every pixel, alpha included."""
    pixels = np.random.default_rng(4).integers(0, 256, (50, 60, 4), dtype=np.uint8)

    assert np.array_equal(lattice.shift(pixels, lattice.moves(np.zeros((64**3, 3))), pixels), pixels)


def test_the_lattice_keeps_within_bounds_and_near_a_smooth_change():
    """A smooth darkening by up to a fifth is met within a level, and nothing wraps round at 0 or 255."""
    pixels = np.random.default_rng(6).integers(0, 256, (300, 300, 4), dtype=np.uint8)

    def darker(levels):
        return levels * (0.8 + 0.2 * levels / 255)

    exact = darker(pixels[..., :3].astype(float))
    got = lattice.shift(pixels, lattice.moves(darker(lattice.nodes()) - lattice.nodes()), pixels)

    assert np.abs(got[..., :3] - exact).max() < 1.2
    lighter = lattice.shift(
        pixels, lattice.moves(np.minimum(lattice.nodes() * 0.5, 255 - lattice.nodes())), pixels
    )
    assert (lighter[..., :3] >= pixels[..., :3]).all()
    assert np.array_equal(got[..., 3], pixels[..., 3])
