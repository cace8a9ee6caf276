"""A plate read in bands for layouts and pictures: its outline, its small picture, the place deepest in its ink."""

from __future__ import annotations

import numpy as np
import pytest
from PIL import Image
from scipy import ndimage

from pipeline.press.film import FilmPlate, write_film
from pipeline.press.film_look import look_at

PPI = 300.0


def plate(folder, shape, seed, *, mirrored=True):
    """Smooth blobs of colour, ink or none, wider than one band of the file is high."""
    rng = np.random.default_rng(seed)
    height, width = shape
    on = ndimage.gaussian_filter(rng.random(shape), 12) > 0.5
    pixels = np.zeros((height, width, 4), np.uint8)
    pixels[on] = (*rng.integers(0, 256, 3), 255)
    pixels[on & (np.arange(width) > width // 2)] = (200, 30, 90, 255)
    write_film(
        pixels,
        pixels[..., 3],
        folder,
        "p",
        ppi=PPI,
        mirrored=mirrored,
        dark_is_ink=False,
        base_from_press=False,
    )
    size = (width * 25.4 / PPI, height * 25.4 / PPI)
    return pixels, FilmPlate(folder / "p_colour.png", folder / "p_base.png", *size, mirrored=mirrored)


@pytest.mark.parametrize("mirrored", [True, False])
@pytest.mark.parametrize("shape", [(900, 1400), (37, 1111), (1301, 53)])
def test_every_cell_with_ink_is_in_the_outline(tmp_path, shape, mirrored):
    """Each cell of 1 mm that an inked pixel reaches into is taken, no other; cells are counted by their definition."""
    pixels, film = plate(tmp_path, shape, 5, mirrored=mirrored)
    seen = look_at(film, 1.0, 1.0).outline
    ink = pixels[:, ::-1, 3] > 0  # as it lies on the film
    mm = 25.4 / PPI
    wanted = np.zeros((int(np.ceil(shape[0] * mm)), int(np.ceil(shape[1] * mm))), bool)
    for y, x in np.argwhere(ink):
        rows = range(int(y * mm + 1e-9), int(np.ceil((y + 1) * mm - 1e-9)))
        for row in rows:
            wanted[row, int(x * mm + 1e-9) : int(np.ceil((x + 1) * mm - 1e-9))] = True

    assert np.array_equal(seen, wanted)


def test_the_small_picture_is_the_plate_reduced(tmp_path):
    """Against Pillow's box filter, which weighs pixels that lie in two cells: on the mean within a level."""
    pixels, film = plate(tmp_path, (2400, 1800), 8)
    small = look_at(film, 1.0, 1.0).small.astype(float)
    wanted = np.asarray(
        Image.fromarray(pixels[:, ::-1].copy()).resize(small.shape[1::-1], Image.Resampling.BOX)
    ).astype(float)
    both = (small[..., 3] > 128) & (wanted[..., 3] > 128)

    assert small.shape == wanted.shape
    assert abs((small - wanted)[..., 3].mean()) < 1
    assert np.abs(small - wanted)[..., 3].mean() < 12
    assert np.abs(small - wanted)[both][:, :3].mean() < 3


def test_the_deepest_place_lies_in_the_ink(tmp_path):
    """A ring's middle is bare: the place told lies in the ring, about half its width from both edges."""
    y, x = np.mgrid[:1200, :1200] - 599.5
    pixels = np.zeros((1200, 1200, 4), np.uint8)
    pixels[(np.hypot(y, x) < 580) & (np.hypot(y, x) > 380)] = (10, 90, 160, 255)
    write_film(
        pixels, pixels[..., 3], tmp_path, "r", ppi=PPI, mirrored=True, dark_is_ink=False, base_from_press=True
    )
    side = 1200 * 25.4 / PPI
    film = FilmPlate(tmp_path / "r_colour.png", None, side, side, mirrored=True)
    look = look_at(film, 1.0, 1.0)
    across, down = look.middle_mm

    assert look.depth_mm == pytest.approx(100 * 25.4 / PPI, abs=1.5)
    assert np.hypot(across - side / 2, down - side / 2) == pytest.approx(480 * 25.4 / PPI, abs=1.5)
