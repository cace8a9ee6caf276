"""The roll of film as TIFF: what other readers decode is the composed roll, in bounded memory."""

from __future__ import annotations

import tracemalloc

import numpy as np
import pytest
import tifffile
from PIL import Image

from pipeline.art.profiles import srgb_profile
from pipeline.press.film import FilmPlace, FilmPlate, FilmRoll, FilmTag, write_film
from pipeline.press.strips import FilmPixels
from pipeline.press.tiff import write_roll_tiff

PPI = 100.0


def plate(folder, key, width_mm, height_mm, *, mirrored=True):
    rng = np.random.default_rng(len(key) + int(width_mm))
    size = round(height_mm * PPI / 25.4), round(width_mm * PPI / 25.4)
    pixels = rng.integers(0, 256, (*size, 4), dtype=np.uint8)
    pixels[..., 3] = np.where(rng.random(size) < 0.4, 0, 255)
    pixels[pixels[..., 3] == 0] = 0
    base = np.where(rng.random(size) < 0.8, pixels[..., 3], 0).astype(np.uint8)
    names = write_film(
        pixels, base, folder, key, ppi=PPI, mirrored=mirrored, dark_is_ink=False, base_from_press=False
    )
    paths = [folder / name for _, name in names]
    return FilmPlate(paths[0], paths[1], width_mm, height_mm, mirrored=mirrored), pixels, base


@pytest.fixture
def roll():
    tag = np.zeros((20, 60), bool)
    tag[3:9, 5:40] = True
    places = tuple(
        FilmPlace("a", 2.54 * (3 + 11 * i), 2.54 * 7, turn) for i, turn in enumerate((0, 90, 180, 270))
    )
    return FilmRoll(
        127.0, 101.6, places, (FilmTag(tag, 25.4, 76.2, 15.24, 5.08, 90),), ((12.7, 60.96, 25.4, 12.7),)
    )


def expected(roll, pixels, base):
    """The roll put together by numpy alone, as it lies ink side up."""
    colour = np.zeros((400, 500, 4), np.uint8)
    white = np.zeros((400, 500), np.uint8)
    for place in roll.places:
        turned, under = (np.rot90(p[:, ::-1], -place.turn_deg // 90) for p in (pixels, base))
        y, x = round(place.y_mm / 0.254), round(place.x_mm / 0.254)
        spot = np.s_[y : y + turned.shape[0], x : x + turned.shape[1]]
        colour[spot] = turned
        white[spot] = under
    tag = np.rot90(roll.tags[0].bitmap, -1)
    colour[300:360, 100:120][tag] = (0, 0, 0, 255)
    colour[240, 50:151] = colour[290, 50:151] = colour[240:291, 50] = colour[240:291, 150] = (0, 0, 0, 255)
    return colour, white


@pytest.mark.parametrize("mirror", [False, True])
def test_other_readers_decode_the_composed_roll(tmp_path, roll, mirror):
    """Pillow and tifffile read two pages: colour with alpha, and White; every pixel is the composed one."""
    film, pixels, base = plate(tmp_path, "a", 25.4, 20.32, mirrored=not mirror)
    roll = FilmRoll(roll.width_mm, roll.length_mm, roll.places, roll.tags, roll.cuts, mirror=mirror)
    colour, white = (p[:, ::-1] if mirror else p for p in expected(roll, pixels, base))
    path = tmp_path / "roll.tif"
    write_roll_tiff(path, FilmPixels(roll, {"a": film}, PPI, tmp_path), PPI, "White", srgb_profile())

    with Image.open(path) as image:
        assert (image.mode, image.info["dpi"]) == ("RGBA", (100, 100))
        assert image.info["icc_profile"] == srgb_profile()
        assert np.array_equal(np.asarray(image), colour)
        image.seek(1)
        assert np.array_equal(np.asarray(image), white)
    with tifffile.TiffFile(path) as tiff:
        assert [page.tags["PageName"].value for page in tiff.pages] == ["Colour", "White"]
        assert np.array_equal(tiff.pages[0].asarray(), colour)
        assert np.array_equal(tiff.pages[1].asarray(), white)


def test_dark_is_ink_turns_the_base_round(tmp_path, roll):
    """For a press that reads dark as ink the White page is the negative (Pillow)."""
    film, pixels, base = plate(tmp_path, "a", 25.4, 20.32)
    path = tmp_path / "roll.tif"
    pixels_of = FilmPixels(roll, {"a": film}, PPI, tmp_path)
    write_roll_tiff(path, pixels_of, PPI, "White", b"", dark_is_ink=True)

    with Image.open(path) as image:
        image.seek(1)
        assert np.array_equal(255 - np.asarray(image), expected(roll, pixels, base)[1])


def test_memory_does_not_grow_with_the_roll(tmp_path):
    """Forty times the film takes no more memory than a few strips beside one plate (tracemalloc)."""
    film, _, _ = plate(tmp_path, "a", 50.8, 50.8)
    peaks = []
    for rows in (1, 40):
        places = tuple(FilmPlace("a", 5 + 60 * x, 60.0 * y, 0) for y in range(rows) for x in range(9))
        roll = FilmRoll(560, 60.0 * rows, places)
        tracemalloc.start()
        write_roll_tiff(tmp_path / "r.tif", FilmPixels(roll, {"a": film}, PPI, tmp_path), PPI, "White", b"")
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()

    assert peaks[1] < peaks[0] + 1_000_000
    assert peaks[1] < 560 * 2400 / 0.254**2  # far below the pixels of the roll
