"""The encoder and the PNG writer, checked against zlib, Pillow and the chunk layout of ISO/IEC 15948."""

from __future__ import annotations

import io
import struct
import tracemalloc
import zlib
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as arrays
from PIL import Image

from pipeline.press.deflate import deflate, deflated_size
from pipeline.press.png import png_bytes, png_pieces, read_bands, read_coverage, read_png, write_png
from pipeline.press.rows import chosen_filter, packed_rows
from tests.conftest import corpora

SIDES = st.integers(1, 40)


def flat_art(height=400, width=300):
    """A disc on nothing: a few colours, antialiased by distance."""
    y, x = np.mgrid[:height, :width]
    cover = np.clip(min(height, width) * 0.4 - np.hypot(x - width / 2, y - height / 2), 0, 1)
    art = np.zeros((height, width, 4), np.uint8)
    art[cover > 0, :3] = (163, 34, 47)
    art[..., 3] = np.round(cover * 255)
    return art


def photograph(height=400, width=300):
    """Slow gradients with grain, the hard case for deflate."""
    y, x = np.mgrid[:height, :width]
    grain = np.random.default_rng(4).normal(0, 3, (height, width, 3))
    art = np.full((height, width, 4), 255, np.uint8)
    art[..., :3] = np.stack([x / 2, y / 3, (x + y) / 4], axis=-1) + 20 + grain.clip(-15, 15)
    return art


def chunks(png: bytes):
    """Kind and data of each chunk, with its CRC checked (ISO/IEC 15948, clause 5.3)."""
    assert png[:8] == b"\x89PNG\r\n\x1a\n"
    at = 8
    while at < len(png):
        (length,) = struct.unpack_from(">I", png, at)
        kind, data = png[at + 4 : at + 8], png[at + 8 : at + 8 + length]
        assert struct.unpack_from(">I", png, at + 8 + length)[0] == zlib.crc32(kind + data)
        yield kind, data
        at += 12 + length


@given(st.lists(st.binary(max_size=5000), max_size=6), st.integers(1, 3))
def test_the_bands_join_into_one_zlib_stream(bands, threads):
    """zlib, which checks the Adler-32, reads the joined stream as the bands one after the other."""
    stream = b"".join(deflate(lambda i: bands[i], len(bands), threads))

    assert zlib.decompress(stream) == b"".join(bands)


def test_a_band_does_not_start_in_the_fast_loop():
    """Eight bytes and a sync flush (an empty stored block, RFC 1951, 3.2.4) come first in every band.

    Without them ISA-L's output now and then depends on the address of its state: about one stream in 8,000, too
    rare to wait for here.
    """
    band = flat_art()[..., 3].tobytes()
    (first, _) = deflate(lambda i: band, 1)

    head, _, rest = first[2:].partition(b"\x00\x00\xff\xff")
    assert zlib.decompressobj(-15).decompress(head + b"\x00\x00\xff\xff") == band[:8]
    assert rest


def test_large_bands_keep_the_checksum_right():
    """Lengths beyond the modulus of Adler-32 (65521, RFC 1950) combine as zlib computes them in one go."""
    bands = [np.random.default_rng(i).integers(200, 256, 300_000, np.uint8).tobytes() for i in range(4)]

    stream = b"".join(deflate(lambda i: bands[i], 4, 2))

    assert stream[-4:] == struct.pack(">I", zlib.adler32(b"".join(bands)))
    assert zlib.decompress(stream) == b"".join(bands)


@pytest.mark.parametrize("art", [flat_art(1500, 1200), photograph(1500, 1200)], ids=["flat", "photograph"])
def test_threads_do_not_change_the_bytes(art):
    """One thread and many write the same stream."""
    streams = {b"".join(packed_rows(art, 4, "auto", threads)) for threads in (1, 2, 5)}

    assert len(streams) == 1


def test_a_fault_in_a_band_reaches_the_caller():
    """What a band raises on its thread is raised where the stream is read."""

    def band(i):
        if i == 3:
            raise OSError("the disk is gone")
        return b"x" * 1000

    with pytest.raises(OSError, match="the disk is gone"):
        list(deflate(band, 9, 3))


@given(arrays.arrays(np.uint8, st.tuples(SIDES, SIDES, st.just(4))), st.sampled_from(["none", "up", "auto"]))
def test_another_library_reads_the_same_rgba_pixels(pixels, row_filter):
    """Pillow reads what was written, whatever the filter."""
    file = b"".join(png_pieces(pixels, 300, row_filter=row_filter))
    with Image.open(io.BytesIO(file), formats=("PNG",)) as image:
        assert image.mode == "RGBA"
        assert np.array_equal(np.asarray(image), pixels)


@given(arrays.arrays(np.uint8, st.tuples(SIDES, SIDES)), st.floats(30, 3000))
def test_another_library_reads_the_same_grey_pixels_and_resolution(pixels, ppi):
    """Pillow reads a plate back; the resolution to half a pixel a metre, as pHYs holds it."""
    with Image.open(io.BytesIO(png_bytes(pixels, ppi, srgb=False)), formats=("PNG",)) as image:
        assert image.mode == "L"
        assert np.array_equal(np.asarray(image), pixels)
        assert image.info["dpi"][0] == pytest.approx(ppi, abs=0.5 * 25.4 / 1000 + 1e-9)


def test_views_with_holes_are_written_as_they_look(tmp_path):
    """Crops, mirrored and strided views need no copy beforehand."""
    art = photograph(90, 80)
    for i, view in enumerate([art[10:70, 5:61], art[:, ::-1], art[::2, ::3], art[::-1]]):
        for row_filter in ("none", "up"):
            path = tmp_path / f"{i}.png"
            write_png(path, view, 200, row_filter=row_filter)
            assert np.array_equal(read_png(path)[0], view)


def test_chunks_stand_in_the_order_of_the_standard():
    """IHDR, sRGB, pHYs, IDAT…, IEND (ISO/IEC 15948, table 5.3); 300 ppi is 11811 pixels a metre."""
    kinds = [kind for kind, _ in chunks(png_bytes(flat_art(), 300))]
    data = dict(chunks(png_bytes(flat_art(), 300)))

    assert kinds[:3] == [b"IHDR", b"sRGB", b"pHYs"]
    assert set(kinds[3:-1]) == {b"IDAT"}
    assert kinds[-1] == b"IEND"
    assert data[b"IHDR"] == struct.pack(">IIBBBBB", 300, 400, 8, 6, 0, 0, 0)
    assert data[b"sRGB"] == b"\x01"
    assert data[b"pHYs"] == struct.pack(">IIB", 11811, 11811, 1)


def test_a_plate_carries_no_colour_chunk():
    """A base is an amount of ink, not a picture."""
    assert b"sRGB" not in dict(chunks(png_bytes(flat_art()[..., 3], 300, srgb=False)))


def test_auto_filters_photographs_and_leaves_flat_art():
    """The filter is `up` where it makes the file clearly smaller and `none` elsewhere."""
    assert chosen_filter(flat_art(), 4, "auto") == "none"
    assert chosen_filter(photograph(), 4, "auto") == "up"
    assert len(png_bytes(photograph(), 300)) < 0.85 * deflated_size(photograph().tobytes())


def test_flat_art_is_about_as_small_as_a_slow_encoder_makes_it():
    """At most 1.8 times zlib level 6 without a filter."""
    art = flat_art(2000, 1600)
    slow = len(zlib.compress(art.tobytes(), 6))

    assert len(png_bytes(art, 300)) < 1.8 * slow


def test_memory_is_bounded_by_the_band(tmp_path):
    """Writing a picture takes a few bands beside it, not a filtered copy of the whole."""
    art = np.random.default_rng(3).integers(0, 256, (4000, 3000, 4), np.uint8)
    tracemalloc.start()
    write_png(tmp_path / "big.png", art, 300, row_filter="up", threads=2)
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()

    assert peak < art.nbytes / 2


@pytest.mark.parametrize(
    "bad", [np.zeros((4, 4, 3), np.uint8), np.zeros((4, 4)), np.zeros((0, 4, 4), np.uint8)]
)
def test_what_the_format_cannot_hold_is_refused(bad):
    """Other channels, other depths and empty pictures raise ValueError."""
    with pytest.raises(ValueError, match="must be uint8"):
        png_bytes(bad, 300)


def test_a_resolution_must_be_above_nothing():
    """A pHYs of 0 pixels a metre would be read as no resolution."""
    with pytest.raises(ValueError, match="ppi"):
        png_bytes(flat_art(), 0)


@pytest.mark.parametrize("spoil", ["cut", "flip", "empty"])
def test_a_spoilt_file_is_not_read_back(tmp_path, spoil):
    """A truncated, changed or empty file raises ValueError with its name."""
    path: Path = tmp_path / "spoilt.png"
    data = bytearray(png_bytes(photograph(), 300))
    if spoil == "flip":
        data[len(data) // 2] ^= 0x10
    path.write_bytes({"cut": data[: len(data) // 2], "flip": data, "empty": b""}[spoil])

    for read in (read_png, read_coverage, lambda file: list(read_bands(file))):
        with pytest.raises(ValueError, match=r"spoilt\.png"):
            read(path)


@pytest.mark.parametrize("row_filter", ["none", "up", "auto"])
@pytest.mark.parametrize("art", [flat_art(1500, 700), photograph(1500, 700)])
def test_coverage_is_read_back_as_another_library_reads_it(art, row_filter, tmp_path):
    """Alpha of a colour plate over several bands, and a base as it is, against Pillow."""
    for name, pixels in (("colour.png", art), ("base.png", art[..., 3])):
        write_png(tmp_path / name, pixels, 300, row_filter=row_filter)
        with Image.open(tmp_path / name) as image:
            seen = np.asarray(image)
        bands = list(read_bands(tmp_path / name))
        assert (read_coverage(tmp_path / name) == (seen[..., 3] if seen.ndim == 3 else seen)).all()
        assert (np.concatenate(bands) == seen.reshape(*seen.shape[:2], -1)).all()
        assert name == "base.png" or len(bands) > 1


def test_a_png_of_another_kind_is_not_taken_for_a_plate(tmp_path):
    """Palettes, 16 bit and rows filtered as libpng likes it are refused by name, not misread."""
    art = Image.fromarray(photograph())
    for name, picture in (
        ("p", art.convert("RGB").convert("P")),
        ("rgb", art.convert("RGB")),
        ("paeth", art),
    ):
        picture.save(tmp_path / f"{name}.png")
        with pytest.raises(ValueError, match=rf"{name}\.png"):
            read_coverage(tmp_path / f"{name}.png")


def test_open_corpus_pictures_survive_the_writer(tmp_path):
    """PngSuite (W. van Schaik): each picture is the same after writing and reading it."""
    files = sorted(p for p in corpora("png").glob("[!x]*.png"))
    assert len(files) > 100
    for file in files:
        with Image.open(file, formats=("PNG",)) as image:
            pixels = np.asarray(image.convert("RGBA"))
        write_png(tmp_path / "again.png", pixels, 72)
        assert np.array_equal(read_png(tmp_path / "again.png")[0], pixels), file.name
