"""Ink for film: only ink or none, no dot too small to hold, the tone kept, one mask for colour and white."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import ndimage

from pipeline.stages import dots

PPI = 300.0
MM = 25.4 / PPI


def ramp(height=300, width=1200, colour=(200, 30, 60)):
    """Alpha from 0 on the left to 255 on the right."""
    pixels = np.zeros((height, width, 4), np.uint8)
    pixels[..., 3] = np.rint(np.linspace(0, 255, width))
    pixels[pixels[..., 3] > 0, :3] = colour
    return pixels


def glow(side=500, radius=200.0, solid=60.0):
    """A solid disc whose alpha runs out."""
    y, x = np.mgrid[:side, :side] - side / 2 + 0.5
    pixels = np.zeros((side, side, 4), np.uint8)
    pixels[..., 3] = np.rint(np.clip((radius - np.hypot(x, y)) / (radius - solid), 0, 1) * 255)
    pixels[pixels[..., 3] > 0, :3] = (10, 120, 200)
    return pixels


def smallest_dot_mm(mask):
    """Diameter of the largest disc inside each connected patch, the smallest of them.

    From the exact Euclidean distance transform of scipy, four times finer than the pixels.
    """
    parts, count = ndimage.label(np.pad(mask, 1), np.ones((3, 3)))
    fine = np.ones((4, 4), int)
    deep = ndimage.distance_transform_edt(np.kron(parts > 0, fine))
    most = ndimage.maximum(deep, np.kron(parts, fine), range(1, count + 1))
    # The transform measures between centres: a strip of an even number n of fine cells has the depth n/2.
    return float(np.min(2 * most)) / 4 * MM


@pytest.mark.parametrize("pixels", [ramp(), glow()], ids=["ramp", "glow"])
@pytest.mark.parametrize("dot_mm", [0.3, 0.5])
def test_no_dot_is_smaller_than_the_press_can_hold(pixels, dot_mm):
    """Every patch of ink holds a disc of the least dot; the disc is measured by a distance transform (scipy)."""
    inked = dots.ink(pixels, PPI, dot_mm).colour[..., 3]

    assert set(np.unique(inked)) == {0, 255}
    assert smallest_dot_mm(inked > 0) >= dot_mm


def test_tone_is_kept_along_a_ramp():
    """Mean coverage stays within 2 % on every twelfth of a ramp, and within 1 % over all of it."""
    pixels = ramp(480, 1536)
    inked = dots.ink(pixels, PPI, 0.3).colour[..., 3]
    wanted, got = (plane.reshape(480, 12, 128).mean(axis=(0, 2)) / 255 for plane in (pixels[..., 3], inked))

    assert np.abs(got - wanted)[1:-1].max() < 0.02
    assert abs(got.mean() - wanted.mean()) < 0.01


def test_tone_is_kept_on_a_flat_half_tone_with_a_hard_edge():
    """Dots cut by the edge of a translucent panel are not printed; their neighbours make up for it."""
    pixels = np.zeros((303, 405, 4), np.uint8)
    pixels[50:251, 50:353] = (90, 90, 90, 110)
    inked = dots.ink(pixels, PPI, 0.3).colour[..., 3]

    assert abs(inked.sum() / pixels[..., 3].sum(dtype=np.int64) - 1) < 0.02
    assert not inked[pixels[..., 3] == 0].any()
    assert smallest_dot_mm(inked > 0) >= 0.3


def test_dots_form_no_pattern():
    """The mask is blue noise: hardly any power at low frequencies (Ulichney, Digital Halftoning, 1987, ch. 8)."""
    limits = dots.thresholds()
    away = np.hypot(*np.meshgrid(*2 * [np.fft.fftfreq(dots.SIDE)]))
    for tone in (26, 64, 128, 191, 230):
        on = (limits <= tone).astype(float)
        power = np.abs(np.fft.fft2(on - on.mean())) ** 2

        assert power[(away > 0) & (away < 0.1)].mean() < 0.15 * power[away > 0].mean()


def test_thresholds_are_shared_out_evenly():
    """Each of the 255 thresholds comes 16 or 17 times in 64 × 64 cells, so every tone has its share of dots."""
    values, counts = np.unique(dots.thresholds(), return_counts=True)

    assert values.tolist() == list(range(1, 256))
    assert set(counts.tolist()) <= {16, 17}


def test_an_antialiased_edge_is_cut_at_half():
    """A disc drawn with antialiasing gets a hard edge where it covers half a pixel, and no dots."""
    y, x = np.mgrid[:200, :200] - 99.5
    cover = np.clip(80.3 - np.hypot(x, y) + 0.5, 0, 1)
    pixels = np.zeros((200, 200, 4), np.uint8)
    pixels[..., 3] = np.rint(cover * 255)
    inked = dots.ink(pixels, PPI, 0.3)

    assert inked.soft is None
    assert np.array_equal(inked.colour[..., 3] > 0, np.rint(cover * 255) >= 128)


def test_colour_and_white_share_the_dots():
    """In the soft area the base is the colour's own mask; at hard edges it is choked, and never outside the ink."""
    pixels = glow()
    pixels[:120, :120] = (0, 0, 0, 255)
    inked = dots.ink(pixels, PPI, 0.3)
    whole = dots.outline(pixels, inked.soft)
    choked = ndimage.grey_erosion(whole, size=5, mode="constant")
    base = dots.base_of(inked, choked)
    colour = inked.colour[..., 3]

    assert inked.soft is not None
    assert np.array_equal(base[inked.soft], colour[inked.soft])
    assert not base[colour == 0].any()
    assert not base[118:120, 10:100].any()
    assert base[10:110, 10:110].all()


def test_faint_ink_takes_the_mean_colour_of_its_dot():
    """A dot made of nearly clear pixels has their mean colour weighted by alpha, because theirs is coarse by itself."""
    rng = np.random.default_rng(4)
    pixels = np.zeros((400, 400, 4), np.uint8)
    pixels[..., 3] = 20
    pixels[..., 0] = rng.choice((70, 130), (400, 400))
    inked = dots.ink(pixels, PPI, 0.3).colour
    on = inked[..., 3] > 0

    assert 0.06 < on.mean() < 0.1
    assert np.abs(inked[on][:, 0].astype(float) - 100).max() < 32
    assert len(np.unique(inked[on][:, 0])) > 2


@settings(max_examples=30, deadline=None)
@given(
    st.integers(1, 60), st.integers(1, 60), st.integers(0, 2**32 - 1), st.sampled_from([72.0, 300.0, 720.0])
)
def test_any_picture_becomes_ink_or_none(height, width, seed, ppi):
    """Noise of any size keeps its shape, gets ink only where there was some, and no colour where there is no ink."""
    rng = np.random.default_rng(seed)
    pixels = rng.integers(0, 256, (height, width, 4), dtype=np.uint8)
    pixels[..., 3] = rng.choice([0, 1, 40, 128, 254, 255], (height, width))
    inked = dots.ink(pixels, ppi, 0.3).colour

    assert inked.shape == pixels.shape
    assert set(np.unique(inked[..., 3])) <= {0, 255}
    assert not inked[pixels[..., 3] == 0].any()
    assert not inked[inked[..., 3] == 0].any()


def faint_line(width_mm, cover, degrees=0.0, offset=0.3):
    """A line that covers so much, drawn from its definition: eight samples a pixel each way."""
    height, width, fine = 200, 360, 8
    y, x = np.mgrid[: height * fine, : width * fine] / fine + 0.5 / fine
    turn = np.deg2rad(degrees)
    across = (y - 40 - offset) * np.cos(turn) - (x - 20) * np.sin(turn)
    inside = (across > 0) & (across < width_mm / MM) & (x > 20) & (x < width - 20)
    pixels = np.zeros((height, width, 4), np.uint8)
    mean = inside.reshape(height, fine, width, fine).mean(axis=(1, 3))
    pixels[..., 3] = np.rint(mean * cover * 255)
    pixels[pixels[..., 3] > 0, :3] = (20, 60, 140)
    return pixels


@pytest.mark.parametrize("degrees", [0, 7, 30, 45])
@pytest.mark.parametrize("cover", [0.2, 0.4])
def test_faint_lines_that_vanish_are_told(degrees, cover):
    """What `ink` leaves nothing of is told, with its place and strength; counted on the result of `ink` itself."""
    pixels = faint_line(0.29, cover, degrees)
    pixels[150:, :100] = (0, 0, 0, 255)
    kept = dots.ink(pixels, PPI, 0.3).colour[:140, :, 3] > 0
    lost = dots.lost_ink(pixels, PPI, 0.3)

    assert kept.sum() * 255 < 0.2 * pixels[:140, :, 3].sum(dtype=np.int64)
    assert lost is not None
    assert lost.alpha == pytest.approx(cover * 255, abs=1)
    x, y, wide, high = lost.where_mm
    assert 0 <= x < x + wide <= 361 * MM
    assert 2 < y / MM < y / MM + high / MM < 220


@pytest.mark.parametrize(
    "pixels",
    [ramp(), glow(), faint_line(0.3, 0.6), faint_line(0.5, 0.4, 7), faint_line(0.8, 0.2, 30), faint_line(0.1, 1.0)],
    ids=["ramp", "glow", "half covered", "0.5 mm", "0.8 mm", "hairline"],
)  # fmt: skip
def test_ink_that_film_keeps_is_not_told_as_lost(pixels):
    """Soft art and wider faint lines keep their ink; a hairline of full ink is told by the check of lines."""
    assert dots.lost_ink(pixels, PPI, 0.3) is None


def test_a_dot_needs_a_size():
    """A least dot of nothing is a mistake of the caller."""
    with pytest.raises(ValueError, match="size"):
        dots.ink(ramp(8, 8), PPI, 0.0)
