"""Bitmaps in general: JPEG, resampling, turning, what is refused."""

from __future__ import annotations

import io
import struct
import warnings

import numpy as np
import pytest
from PIL import Image

from pipeline.art import bitmap
from pipeline.art.piece import BitmapArt, Limits
from pipeline.art.samples import oriented
from pipeline.faults import Refused
from tests import builders
from tests.conftest import corpora


def jpeg(picture: Image.Image, **options: object) -> bytes:
    out = io.BytesIO()
    picture.save(out, "JPEG", **options)
    return out.getvalue()


def decoded_or_refused(data: bytes, name: str) -> str:
    try:
        art = bitmap.decode(data, name)
    except Refused as refusal:
        return refusal.code
    return "read" if art.pixels.dtype == np.uint8 else "wrong"


def noise(height: int, width: int, channels: int = 3, seed: int = 5) -> np.ndarray:
    return np.random.default_rng(seed).integers(0, 256, (height, width, channels), np.uint8)


def test_a_jpeg_is_read_and_called_lossy():
    """Grey and RGB come as they decode; a JPEG is lossy, so its flat colours are not trusted to be flat."""
    picture = Image.fromarray(noise(16, 24))
    art = bitmap.decode(jpeg(picture), "photo.jpg")
    expected = np.asarray(Image.open(io.BytesIO(jpeg(picture))))
    assert art.lossy
    assert np.array_equal(art.pixels[..., :3], expected)
    assert art.pixels[..., 3].min() == 255
    grey = bitmap.decode(jpeg(picture.convert("L")), "grey.jpg").pixels
    assert np.array_equal(grey[..., 0], grey[..., 2])


def test_a_jpeg_cut_anywhere_is_refused():
    """Every strict beginning of a JPEG, progressive or not, is refused."""
    for progressive in (False, True):
        whole = jpeg(Image.fromarray(noise(24, 24)), progressive=progressive)
        for stop in range(2, len(whole) - 1, 11):
            with pytest.raises(Refused):
                bitmap.decode(whole[:stop], "cut.jpg")


def test_broken_jpegs_of_the_open_corpus_are_read_or_refused():
    """Crash cases of a JPEG decoder: each is a picture or a refusal, and no warning leaks."""
    for file in sorted(corpora("jpeg-broken").rglob("*.jp*g")):
        outcome = decoded_or_refused(file.read_bytes(), file.name)
        assert outcome in ("read", "art-unreadable", "art-too-large"), file.name


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("kind", ["PNG", "JPEG", "TIFF", "WEBP"])
def test_each_orientation_is_applied_once(kind: str, orientation: int):
    """EXIF orientations 1–8 (TIFF 6.0, tag 274): row 0 and column 0 lie where the standard says."""
    upright = np.zeros((24, 40, 3), np.uint8)
    upright[:8, :8] = (255, 0, 0)
    upright[:8, -8:] = (0, 255, 0)
    upright[-8:, :8] = (0, 0, 255)
    stored = {  # (0th row, 0th column) of the stored picture as the standard names them, undone by hand
        1: upright, 2: upright[:, ::-1], 3: upright[::-1, ::-1], 4: upright[::-1],
        5: upright.transpose(1, 0, 2), 6: upright.transpose(1, 0, 2)[::-1],
        7: upright[::-1, ::-1].transpose(1, 0, 2), 8: upright.transpose(1, 0, 2)[:, ::-1],
    }[orientation]  # fmt: skip
    exif = Image.Exif()
    exif[0x0112] = orientation
    out = io.BytesIO()
    options = {"quality": 100} if kind == "JPEG" else {"lossless": True} if kind == "WEBP" else {}
    Image.fromarray(np.ascontiguousarray(stored)).save(out, kind, exif=exif, **options)
    got = bitmap.decode(out.getvalue(), "turned").pixels[..., :3].astype(int)
    assert got.shape == upright.shape
    assert np.abs(got - upright)[[4, 4, -4], [4, -4, 4]].max() <= 4


def test_orientation_of_an_array_follows_the_table():
    """Numbers outside 1–8 change nothing."""
    two = np.arange(6).reshape(2, 3)
    assert oriented(two, 6).tolist() == [[3, 0], [4, 1], [5, 2]]
    assert oriented(two, 8).tolist() == [[2, 5], [1, 4], [0, 3]]
    assert oriented(two, 0) is two
    assert oriented(two, 99) is two


def test_webp_is_read_with_its_transparency():
    """Lossless WebP gives the exact pixels; colour under full transparency is cleared."""
    pixels = noise(9, 7, 4)
    pixels[:3, :, 3] = 0
    out = io.BytesIO()
    Image.fromarray(pixels).save(out, "WEBP", lossless=True, exact=True)
    art = bitmap.decode(out.getvalue(), "art.webp")
    pixels[pixels[..., 3] == 0] = 0
    assert np.array_equal(art.pixels, pixels)
    assert not art.lossy
    out = io.BytesIO()
    Image.fromarray(pixels).save(out, "WEBP", quality=50)
    assert bitmap.decode(out.getvalue(), "art.webp").lossy


def test_moving_webp_and_cut_webp_are_refused():
    """Animation has no one picture; a file shorter than it says has no whole one."""
    out = io.BytesIO()
    first, second = Image.fromarray(noise(8, 8)), Image.fromarray(noise(8, 8, seed=6))
    first.save(out, "WEBP", save_all=True, append_images=[second])
    with pytest.raises(Refused, match="animated"):
        bitmap.decode(out.getvalue(), "moving.webp")
    with pytest.raises(Refused, match="cut short"):
        bitmap.decode(out.getvalue()[:-5], "cut.webp")


def test_the_resolution_a_file_states_changes_nothing():
    """300 or 72 pixels an inch: the drawing area is counted in pixels."""
    picture = Image.fromarray(noise(6, 6))
    for ppi in (1, 72, 300):
        out = io.BytesIO()
        picture.save(out, "PNG", dpi=(ppi, ppi * 2))
        art = bitmap.decode(out.getvalue(), "art")
        assert (art.width, art.height) == (6.0, 6.0)
        assert art.findings == ()


def test_other_formats_are_refused():
    """GIF, BMP, EPS and text are no art, whatever their name."""
    for data in (b"GIF89a", b"BM", b"%!PS-Adobe-3.0 EPSF-3.0", b"\xff\xd8", b""):
        with pytest.raises(Refused):
            bitmap.decode(data, "x.png")


def test_pillows_own_limits_and_warnings_are_left_alone():
    """A large but allowed picture is read in silence, and no global setting has changed."""
    before = Image.MAX_IMAGE_PIXELS
    large = builders.blank_png(9500, 9500)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        art = bitmap.decode(large, "large")
    assert art.pixels.shape == (9500, 9500, 4)
    assert before == Image.MAX_IMAGE_PIXELS


def test_the_pixel_limit_holds_for_every_format():
    """The header is judged before anything is decoded."""
    picture = Image.fromarray(noise(10, 10))
    for kind in ("PNG", "JPEG", "TIFF", "WEBP"):
        out = io.BytesIO()
        picture.save(out, kind)
        with pytest.raises(Refused) as refusal:
            bitmap.decode(out.getvalue(), "art", Limits(pixels=99))
        assert refusal.value.code == "art-too-large"
        assert bitmap.decode(out.getvalue(), "art", Limits(pixels=100)).pixels.shape == (10, 10, 4)


def test_resampling_to_the_same_size_changes_nothing():
    """The identity is the identity."""
    pixels = noise(5, 7, 4)
    assert bitmap.resample(pixels, 7, 5) is pixels


@pytest.mark.parametrize("size", [(3, 3), (31, 31), (31, 5)])
def test_a_flat_colour_stays_flat_at_every_coverage(size: tuple[int, int]):
    """A soft shape of one colour keeps that colour to within a level wherever it covers 1 in 16 or more."""
    y, x = np.mgrid[:12, :12]
    alpha = np.clip(255 * (6.5 - np.hypot(x - 5.5, y - 5.5)) / 3, 0, 255).astype(np.uint8)
    pixels = np.zeros((12, 12, 4), np.uint8)
    pixels[alpha > 0, :3] = (184, 35, 47)
    pixels[..., 3] = alpha
    out = bitmap.resample(pixels, *size).astype(int)
    seen = out[..., 3] >= 16
    assert seen.any()
    assert np.abs(out[seen][:, :3] - (184, 35, 47)).max() <= 1
    assert (out[out[..., 3] == 0] == 0).all()


def test_hidden_colour_never_shows():
    """Blue under transparent pixels leaves no halo around red."""
    pixels = np.zeros((16, 16, 4), np.uint8)
    pixels[..., 2] = 255
    pixels[4:12, 4:12] = (255, 0, 0, 255)
    for side in (7, 40):
        out = bitmap.resample(pixels, side, side)
        assert out[..., 2].max() == 0


def test_resampling_covers_edge_to_edge():
    """Opaque art stays opaque to its last row and column, grown or reduced."""
    pixels = noise(13, 17, 4)
    pixels[..., 3] = 255
    for width, height in ((5, 5), (51, 39), (17, 100)):
        out = bitmap.resample(pixels, width, height)
        assert out.shape == (height, width, 4)
        assert out[..., 3].min() == 255


def test_a_ramp_resampled_is_the_ramp_of_that_size():
    """Pixel centres: value (x + 0.5) / width, away from the edges where the filter is cut (sampling theory)."""
    ramp = np.zeros((4, 64, 4), np.uint8)
    ramp[..., :3] = (np.arange(64)[None, :, None] * 2 + 64).astype(np.uint8)
    ramp[..., 3] = 255
    for width in (32, 128, 96):
        out = bitmap.resample(ramp, width, 4)[1, :, 0].astype(float)
        centres = ((np.arange(width) + 0.5) * 64 / width - 0.5) * 2 + 64
        inner = slice(width // 8, -width // 8)
        assert np.abs(out - centres)[inner].max() <= 1.0


def test_quarter_turns_move_pixels_and_change_none():
    """Clockwise: what was on top comes to the right; four turns are none."""
    art = BitmapArt("art", noise(3, 5, 4))
    right = bitmap.turned(art, 90)
    assert np.array_equal(right.pixels[:, -1], art.pixels[0])
    assert np.array_equal(bitmap.turned(art, 180).pixels, art.pixels[::-1, ::-1])
    assert np.array_equal(bitmap.turned(art, -90).pixels, bitmap.turned(art, 270).pixels)
    assert np.array_equal(bitmap.turned(bitmap.turned(right, 90), 180).pixels, art.pixels)


def test_any_other_turn_keeps_ink_and_colour():
    """Turned by 30°, a square covers as much as before, in its own colour, inside the rectangle around it."""
    pixels = np.zeros((40, 40, 4), np.uint8)
    pixels[...] = (10, 200, 90, 255)
    out = bitmap.turned(BitmapArt("art", pixels), 30).pixels.astype(float)
    assert abs(out[..., 3].sum() / 255 - 1600) < 16
    solid = out[..., 3] > 16
    assert np.abs(out[solid][:, :3] - (10, 200, 90)).max() <= 1
    side = 40 * (np.cos(np.pi / 6) + np.sin(np.pi / 6))
    assert out.shape[0] == out.shape[1] == np.ceil(side)


def test_a_turn_is_clockwise():
    """A mark at the top right of a wide piece goes down when the piece is turned by 20°."""
    pixels = np.zeros((20, 100, 4), np.uint8)
    pixels[5:15, 85:95] = (255, 0, 0, 255)
    out = bitmap.turned(BitmapArt("art", pixels), 20).pixels
    rows, _ = np.nonzero(out[..., 3] > 128)
    assert rows.mean() > out.shape[0] / 2 + 5


def test_a_jpeg_header_without_an_end_of_segments_ends():
    """A file of fill bytes, or one marker that never comes, is refused at once."""
    for data in (b"\xff\xd8" + b"\xff" * 1000, b"\xff\xd8\xff\xe0" + struct.pack(">H", 16) + bytes(14)):
        with pytest.raises(Refused):
            bitmap.decode(data, "endless.jpg")
