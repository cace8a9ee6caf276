"""TIFF built tag by tag (tests/builders.py, TIFF 6.0): depths, layouts, extra channels, damage."""

from __future__ import annotations

import io
import shutil
import struct
import subprocess
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from pipeline.art import bitmap
from pipeline.art.exif import orientation_of, read_directories
from pipeline.faults import Refused
from tests import builders

GREY, RGB, PALETTE, CMYK, LAB = 1, 2, 3, 5, 8


def noise(channels: int, kind: type = np.uint8, seed: int = 3) -> np.ndarray:
    return np.random.default_rng(seed).integers(0, np.iinfo(kind).max + 1, (11, 13, channels), kind)


def nearest(values: np.ndarray) -> np.ndarray:
    return np.rint(values / 257) if values.dtype == np.uint16 else values.astype(float)


@pytest.mark.parametrize("order", ["II", "MM"])
@pytest.mark.parametrize("kind", [np.uint8, np.uint16])
@pytest.mark.parametrize(("photometric", "channels"), [(GREY, 1), (0, 1), (RGB, 3)])
def test_plain_layouts_come_to_the_nearest_level(photometric: int, channels: int, kind: type, order: str):
    """Grey (0 is black or white) and RGB, 8 and 16 bits, both byte orders."""
    values = noise(channels, kind)
    data = builders.tiff(values, photometric, big_endian=order == "MM")
    if (photometric, kind, order) == (0, np.uint16, "MM"):
        with pytest.raises(Refused, match="Save it as 8-bit RGB"):  # the one layout the library does not know
            bitmap.decode(data, "art.tif")
        return
    art = bitmap.decode(data, "art.tif")
    expected = nearest(values if photometric else np.iinfo(kind).max - values)
    assert np.array_equal(art.pixels[..., :3], np.broadcast_to(expected, (11, 13, 3)))
    assert art.pixels[..., 3].min() == 255
    assert [f.code for f in art.findings] == (["colour-mode"] if kind is np.uint16 else [])


@pytest.mark.parametrize("kind", [np.uint8, np.uint16])
def test_straight_alpha_is_kept(kind: type):
    """ExtraSamples 2 is unassociated alpha."""
    values = noise(4, kind)
    got = bitmap.decode(builders.tiff(values, RGB, extra=(2,)), "art.tif").pixels
    expected = nearest(values)
    assert np.array_equal(got[..., 3], expected[..., 3])
    assert np.array_equal(got[got[..., 3] > 0], expected[got[..., 3] > 0])


@pytest.mark.parametrize("kind", [np.uint8, np.uint16])
def test_premultiplied_alpha_is_divided_out(kind: type):
    """ExtraSamples 1 is associated alpha: one flat colour at every coverage comes back as that colour."""
    full = np.iinfo(kind).max
    alpha = np.linspace(0, full, 256).round().astype(np.int64)[None, :, None]
    colour = np.array([184, 35, 47]) * (full // 255)
    values = np.concatenate([(alpha * colour + full // 2) // full, alpha], axis=2).astype(kind)
    got = bitmap.decode(builders.tiff(values, RGB, extra=(1,)), "art.tif").pixels.astype(int)
    firm = got[..., 3] >= (128 if kind is np.uint8 else 2)
    assert np.abs(got[firm][:, :3] - (184, 35, 47)).max() <= 1
    assert got[0, 0].tolist() == [0, 0, 0, 0]


@pytest.mark.parametrize("fill", [b"\x00", b"\xff"])
def test_a_palette_is_looked_up(fill: bytes):
    """Colour maps hold 16 bits, filled from 8 by repeating the byte or by zeros; both give the 8-bit colour."""
    colours = np.random.default_rng(7).integers(0, 256, (256, 3), np.uint8)
    words = [int(c) * 257 if fill == b"\xff" else int(c) * 256 for c in colours.T.ravel()]
    index = noise(1)
    art = bitmap.decode(builders.tiff(index, PALETTE, tags={320: (3, tuple(words))}), "art.tif")
    assert np.array_equal(art.pixels[..., :3], colours[index[..., 0]])


@pytest.mark.parametrize(
    ("photometric", "channels", "extra"),
    [
        (RGB, 4, (0,)),  # what layered editors write for a mask or a spot plate
        (RGB, 4, ()),  # a fourth sample without a word about it
        (RGB, 5, (2, 0)),  # transparency and a spot plate
        (CMYK, 5, (0,)),  # a spot plate
        (CMYK, 5, (2,)),  # transparency over CMYK
        (GREY, 3, (0, 0)),
    ],
)
def test_extra_channels_are_never_dropped_in_silence(photometric: int, channels: int, extra: tuple[int, ...]):
    """Spot plates and masks would be lost: refused, with advice to flatten."""
    with pytest.raises(Refused, match="Flatten it") as refusal:
        bitmap.decode(builders.tiff(noise(channels), photometric, extra=extra), "art.tif")
    assert refusal.value.code == "art-unreadable"


def test_samples_that_are_no_unsigned_integers_are_refused():
    """Float and signed samples, and inks other than CMYK, have no agreed black and white."""
    for tags in ({339: (3, (3, 3, 3))}, {339: (3, (2, 2, 2))}, {332: (3, (2,))}):
        with pytest.raises(Refused):
            bitmap.decode(builders.tiff(noise(3), RGB, tags=tags), "art.tif")


def test_several_pages_are_refused_and_a_thumbnail_is_none():
    """Three full pages are three designs; a page marked as reduced (tag 254, bit 0) is only a preview."""
    with pytest.raises(Refused, match="3 pages"):
        bitmap.decode(builders.tiff(noise(3), RGB, pages=3), "art.tif")
    values = noise(3)
    single = builders.tiff(values, RGB)
    # The second directory repeats the first with tag 254 = 1.
    start = struct.unpack("<I", single[4:8])[0]
    count = struct.unpack("<H", single[start : start + 2])[0]
    entries = single[start + 2 : start + 2 + 12 * count]
    second = struct.pack("<H", count + 1) + struct.pack("<HHII", 254, 4, 1, 1) + entries + bytes(4)
    link = start + 2 + 12 * count
    preview = single[:link] + struct.pack("<I", len(single)) + single[link + 4 :] + second
    assert len(read_directories(preview)) == 2
    assert np.array_equal(bitmap.decode(preview, "art.tif").pixels[..., :3], values)


def test_layers_kept_by_an_editor_are_said():
    """Tag 37724 holds an editor's layers; the flattened picture is what prints."""
    art = bitmap.decode(builders.tiff(noise(3), RGB, tags={37724: (7, b"layers here")}), "art.tif")
    assert [(f.code, f.severity) for f in art.findings] == [("hidden-content", "note")]


@pytest.mark.parametrize("compression", ["tiff_lzw", "tiff_adobe_deflate", "packbits", "zstd"])
def test_compressions_without_loss_change_nothing(compression: str):
    """The usual lossless compressions decode to what was written."""
    values = noise(3)
    out = io.BytesIO()
    Image.fromarray(values).save(out, "TIFF", compression=compression)
    art = bitmap.decode(out.getvalue(), "art.tif")
    assert np.array_equal(art.pixels[..., :3], values)
    assert not art.lossy


def test_jpeg_inside_is_lossy():
    """Compression 7 is a JPEG in a TIFF's clothes."""
    out = io.BytesIO()
    Image.fromarray(noise(3)).save(out, "TIFF", compression="jpeg")
    assert bitmap.decode(out.getvalue(), "art.tif").lossy


@pytest.mark.parametrize(
    "options", [["-compress", "LZW"], ["-compress", "Zip"], ["-endian", "MSB"], ["-interlace", "plane"]]
)
def test_16_bit_files_of_another_writer_are_read_exactly_or_refused(tmp_path: Path, options: list[str]):
    """ImageMagick's 16-bit RGB in several layouts; a layout that would lose bits must be refused, not guessed."""
    tool = shutil.which("convert")
    about = tool and subprocess.run([tool, "-version"], capture_output=True, check=False).stdout
    if not tool or not about or b"ImageMagick" not in about:
        pytest.skip("convert (ImageMagick) is not installed")
    values = noise(3, np.uint16)
    (tmp_path / "in.rgb").write_bytes(values.astype(">u2").tobytes())
    command = [
        tool,
        "-size",
        "13x11",
        "-depth",
        "16",
        "-endian",
        "MSB",
        "rgb:in.rgb",
        *options,
        "-depth",
        "16",
        "out.tif",
    ]
    subprocess.run(command, cwd=tmp_path, check=True, capture_output=True)
    data = (tmp_path / "out.tif").read_bytes()
    if options[-1] == "plane":
        with pytest.raises(Refused):
            bitmap.decode(data, "art.tif")
    else:
        assert np.array_equal(bitmap.decode(data, "art.tif").pixels[..., :3], nearest(values))


def test_a_tiff_cut_anywhere_is_refused():
    """Plain and compressed, cut in pixels or in directories."""
    out = io.BytesIO()
    Image.fromarray(noise(3)).save(out, "TIFF", compression="tiff_lzw")
    for whole in (builders.tiff(noise(3), RGB), out.getvalue()):
        for stop in range(8, len(whole) - 4, 23):
            with pytest.raises(Refused):
                bitmap.decode(whole[:stop], "cut.tif")


def test_directories_that_run_in_a_circle_end():
    """A directory that names itself as the next one is refused."""
    data = builders.tiff(noise(3), RGB)
    start = struct.unpack("<I", data[4:8])[0]
    count = struct.unpack("<H", data[start : start + 2])[0]
    link = start + 2 + 12 * count
    with pytest.raises(Refused, match="circle"):
        bitmap.decode(data[:link] + struct.pack("<I", start) + data[link + 4 :], "circle.tif")


def test_orientation_is_read_from_exif_of_either_byte_order():
    """Damaged or absent EXIF means upright."""
    for order, mark in (("<", b"II"), (">", b"MM")):
        blob = mark + struct.pack(order + "HIHHHIHHI", 42, 8, 1, 0x0112, 3, 1, 6, 0, 0)
        assert orientation_of(b"Exif\0\0" + blob) == 6
        assert orientation_of(blob) == 6
    for broken in (b"", b"II*\0", b"Exif\0\0MM\0*\xff\xff\xff\xff", b"MM\0*" + bytes(8)):
        assert orientation_of(broken) == 1
