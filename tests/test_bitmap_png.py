"""PNG against PngSuite, read by a second decoder that follows the specification (tests/builders.py)."""

from __future__ import annotations

import struct
import zlib
from pathlib import Path

import numpy as np
import pytest

from pipeline.art import bitmap, png
from pipeline.art.piece import Limits
from pipeline.faults import Refused
from tests import builders
from tests.conftest import corpora

RED = np.array([[[255, 0, 0]]], np.uint8)


def suite(*, corrupt: bool) -> list[Path]:
    return [
        f for f in sorted(corpora("png").glob("*.png")) if (f.name[0] == "x") is corrupt and f.name[0] != "P"
    ]


def in_srgb(shown: np.ndarray, chunks: dict[bytes, bytes]) -> np.ndarray:
    """Apply the stated gamma: light = sample^(1/stored), then the sRGB curve (IEC 61966-2-1)."""
    if b"gAMA" not in chunks:
        return shown
    stored = struct.unpack(">I", chunks[b"gAMA"])[0] / 100000
    if abs(1 / stored - 2.2) < 0.044:
        return shown
    light = (shown[..., :3] / 255) ** (1 / stored)
    encoded = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    return np.dstack([encoded * 255, shown[..., 3:]])


def test_every_good_file_of_the_suite_decodes_to_its_published_pixels():
    """All colour types, depths, filters, interlacing and transparencies of PngSuite, to the nearest level."""
    files = suite(corrupt=False)
    assert len(files) > 150
    for file in files:
        data = file.read_bytes()
        expected = in_srgb(builders.published_pixels(data), builders.read_png(data)[1])
        expected[expected[..., 3] == 0] = 0
        got = bitmap.decode(data, file.name).pixels
        assert got.shape == expected.shape, file.name
        assert np.abs(got - expected).max() <= 0.5 + 1e-6, file.name


def test_every_corrupt_file_of_the_suite_is_refused():
    """The files that PngSuite breaks on purpose are refused with their name and advice."""
    files = suite(corrupt=True)
    assert len(files) == 14
    for file in files:
        with pytest.raises(Refused) as refusal:
            bitmap.decode(file.read_bytes(), file.name)
        assert refusal.value.code == "art-unreadable", file.name
        assert file.name in refusal.value.message


def test_all_65536_levels_of_16_bit_come_down_to_the_nearest_of_256():
    """Grey, RGB and RGBA with 16 bits: round(v / 257), never the high byte alone."""
    ramp = np.arange(65536, dtype=np.uint16).reshape(256, 256, 1)
    nearest = (ramp[..., 0].astype(np.uint32) * 255 + 32767) // 65535
    assert np.abs(nearest - ramp[..., 0] / 257).max() <= 0.5
    opaque = np.full_like(ramp, 65535)
    for kind, parts in ((0, [ramp]), (2, [ramp] * 3), (4, [ramp, opaque]), (6, [ramp, ramp, ramp, opaque])):
        art = bitmap.decode(builders.png(np.concatenate(parts, axis=2), kind, 16), "ramp")
        for channel in range(3):
            assert np.array_equal(art.pixels[..., channel], nearest), kind
        assert [f.code for f in art.findings] == ["colour-mode"]


def test_a_16_bit_key_colour_is_matched_with_all_its_bits():
    """tRNS names one exact 16-bit colour; its neighbour with the same high byte stays opaque."""
    samples = np.array([[[0x1234, 0x1234, 0x1234], [0x1235, 0x1234, 0x1234]]], np.uint16)
    art = bitmap.decode(
        builders.png(samples, 2, 16, (b"tRNS", struct.pack(">3H", 0x1234, 0x1234, 0x1234))), "key"
    )
    assert art.pixels[..., 3].tolist() == [[0, 255]]
    assert art.pixels[0, 0].tolist() == [0, 0, 0, 0]


def test_a_stated_gamma_is_undone_and_said():
    """gAMA 1.0 is light itself: half the light is sRGB 188 (IEC 61966-2-1)."""
    half = np.array([[[128]]], np.uint8)
    art = bitmap.decode(builders.png(half, 0, 8, (b"gAMA", struct.pack(">I", 100000))), "linear")
    assert art.pixels[0, 0].tolist() == [188, 188, 188, 255]
    assert [(f.code, f.severity) for f in art.findings] == [("colour-mode", "note")]


def test_the_srgb_chunk_wins_over_gamma():
    """With sRGB present gAMA is a hint for old readers (PNG specification 11.3.2.5)."""
    half = np.array([[[128]]], np.uint8)
    art = bitmap.decode(
        builders.png(half, 0, 8, (b"gAMA", struct.pack(">I", 100000)), (b"sRGB", b"\0")), "both"
    )
    assert art.pixels[0, 0, 0] == 128
    assert art.findings == ()


def test_display_p3_by_cicp_is_converted():
    """P3 red is outside sRGB and clips to red; P3 (200, 100, 100) becomes sRGB (213, 96, 98) by the W3C matrices."""
    colour = np.array([[[255, 0, 0], [200, 100, 100]]], np.uint8)
    art = bitmap.decode(builders.png(colour, 2, 8, (b"cICP", bytes([12, 13, 0, 1]))), "p3")
    assert art.pixels[0, 0, :3].tolist() == [255, 0, 0]
    assert np.abs(art.pixels[0, 1, :3].astype(int) - p3_to_srgb(200, 100, 100)).max() <= 1


def p3_to_srgb(*rgb: int) -> np.ndarray:
    """CSS Color 4, section 18 (sample code): P3 to XYZ to sRGB, both D65."""
    value = np.array(rgb) / 255
    light = np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4)
    to_xyz = np.array(
        [
            [0.4865709486, 0.2656676932, 0.1982172852],
            [0.2289745641, 0.6917385218, 0.0792869141],
            [0, 0.0451133819, 1.0439443689],
        ]
    )
    to_srgb = np.array(
        [
            [3.2409699419, -1.5373831776, -0.4986107603],
            [-0.9692436363, 1.8759675015, 0.0415550574],
            [0.0556300797, -0.2039769589, 1.0569715142],
        ]
    )
    out = np.clip(to_srgb @ (to_xyz @ light), 0, 1)
    return np.where(out <= 0.0031308, 12.92 * out, 1.055 * out ** (1 / 2.4) - 0.055) * 255


def test_video_colours_stop_the_order():
    """cICP with the PQ curve cannot be printed as meant."""
    art = bitmap.decode(builders.png(RED, 2, 8, (b"cICP", bytes([9, 16, 0, 1]))), "hdr")
    assert [(f.code, f.severity) for f in art.findings] == [("unsupported-feature", "stop")]


def test_an_animated_file_is_refused():
    """An APNG has more than one picture; nobody said which to print."""
    moving = builders.png(RED, 2, 8, (b"acTL", struct.pack(">II", 3, 0)))
    with pytest.raises(Refused, match="animated"):
        bitmap.decode(moving, "moving")


def test_the_21_kB_bomb_is_refused_before_it_is_inflated():
    """13,300 × 13,300 px of one bit are 21 kB of file and 700 MB of picture."""
    bomb = builders.blank_png(13300, 13300)
    assert len(bomb) < 30_000
    with pytest.raises(Refused) as refusal:
        bitmap.decode(bomb, "bomb.png")
    assert refusal.value.code == "art-too-large"
    assert "13300 × 13300" in refusal.value.message


def test_texts_of_any_size_do_not_hinder_reading():
    """A text chunk that inflates to 64 MB is never looked at."""
    text = b"note\0\0" + zlib.compress(bytes(64 * 2**20), 9)
    assert bitmap.decode(builders.png(RED, 2, 8, (b"zTXt", text)), "notes").pixels[0, 0].tolist() == [
        255,
        0,
        0,
        255,
    ]


def test_a_picture_cut_anywhere_is_refused():
    """Every strict beginning of a file is refused, whatever it ends in."""
    rng = np.random.default_rng(1)
    whole = builders.png(rng.integers(0, 256, (20, 20, 3), np.uint8), 2, 8)
    for stop in range(8, len(whole), 7):
        with pytest.raises(Refused):
            bitmap.decode(whole[:stop], "cut")


def test_picture_data_that_ends_too_soon_is_refused():
    """Good check sums around half the scanlines do not make a picture."""
    head = struct.pack(">IIBBBBB", 64, 64, 8, 2, 0, 0, 0)
    half = zlib.compress((b"\0" + bytes(192)) * 32)
    short = (
        builders.SIGNATURE
        + builders.chunk(b"IHDR", head)
        + builders.chunk(b"IDAT", half)
        + builders.chunk(b"IEND", b"")
    )
    with pytest.raises(Refused):
        bitmap.decode(short, "short")


def test_an_index_outside_the_palette_is_refused():
    """A colour that the palette does not have would print as something nobody chose."""
    with pytest.raises(Refused, match="palette"):
        bitmap.decode(builders.png(np.array([[[2]]], np.uint8), 3, 8, (b"PLTE", bytes(6))), "index")


def test_limits_hold_for_the_smallest_excess():
    """One pixel more than allowed is refused, exactly as many are read."""
    data = builders.png(np.zeros((3, 3, 3), np.uint8), 2, 8)
    assert bitmap.decode(data, "fits", Limits(pixels=9)).pixels.shape == (3, 3, 4)
    with pytest.raises(Refused):
        bitmap.decode(data, "over", Limits(pixels=8))


def test_a_hidden_profile_bomb_is_cut_off():
    """An embedded profile that inflates without end is used no further than the cap and judged unusable."""
    icc = b"p\0\0" + zlib.compress(bytes(100 * 2**20), 9)
    art = bitmap.decode(builders.png(RED, 2, 8, (b"iCCP", icc)), "bomb")
    assert [f.code for f in art.findings] == ["no-profile"]
    assert png.PROFILE_BYTES < 100 * 2**20
