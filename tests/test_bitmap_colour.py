"""Colour of bitmaps: embedded profiles honoured, CMYK and Lab converted, guesses said to be guesses."""

from __future__ import annotations

import io
import struct
import subprocess
import sys
import zlib
from pathlib import Path

import numpy as np
import pytest
from PIL import Image, ImageCms

from pipeline.art import bitmap, profiles
from tests import builders
from tests.conftest import ROOT

COLORD = Path("/usr/share/color/icc/colord")
GHOSTSCRIPT = Path("/usr/share/color/icc/ghostscript")


def installed(folder: Path, name: str) -> bytes:
    path = folder / name
    if not path.is_file():
        pytest.skip(f"{path} (Debian colord-data, libgs-common) is not installed")
    return path.read_bytes()


def patches(channels: int) -> np.ndarray:
    steps = np.array([0, 51, 128, 204, 255], np.uint8)
    axes = np.meshgrid(*[steps] * channels, indexing="ij")
    return np.stack([axis.ravel() for axis in axes], axis=-1).reshape(-1, 5 ** (channels - 1), channels)


def little_cms(values: np.ndarray, profile: bytes, mode: str) -> np.ndarray:
    """The reference: LittleCMS itself, to its own sRGB, relative colorimetric with black point compensation."""
    transform = ImageCms.buildTransform(
        ImageCms.ImageCmsProfile(io.BytesIO(profile)),
        ImageCms.createProfile("sRGB"),
        mode,
        "RGB",
        renderingIntent=ImageCms.Intent.RELATIVE_COLORIMETRIC,
        flags=ImageCms.Flags.BLACKPOINTCOMPENSATION,
    )
    height, width = values.shape[:2]
    picture = Image.frombytes(mode, (width, height), np.ascontiguousarray(values).tobytes())
    return np.asarray(transform.apply(picture)).astype(int)


def png_with(profile: bytes, values: np.ndarray) -> bytes:
    kind = 2 if values.shape[2] == 3 else 0
    return builders.png(values, kind, 8, (b"iCCP", b"p\0\0" + zlib.compress(profile)))


def test_swapped_channels_prove_that_the_embedded_profile_is_used():
    """colord's test profile exchanges red and green: pure red must come out green."""
    profile = installed(COLORD, "SwappedRedAndGreen.icc")
    red = np.array([[[255, 0, 0]]], np.uint8)
    art = bitmap.decode(png_with(profile, red), "swapped.png")
    assert np.abs(art.pixels[0, 0, :3].astype(int) - (0, 255, 0)).max() <= 2
    assert [(f.code, f.severity) for f in art.findings] == [("colour-mode", "note")]


@pytest.mark.parametrize("name", ["AdobeRGB1998.icc", "ProPhotoRGB.icc", "AppleRGB.icc", "ECI-RGBv2.icc"])
@pytest.mark.parametrize("form", ["PNG", "JPEG", "TIFF", "WEBP"])
def test_rgb_profiles_agree_with_little_cms_in_every_format(name: str, form: str):
    """Patches over the whole space, within one level of LittleCMS with its own sRGB."""
    profile = installed(COLORD, name)
    values = patches(3)
    out = io.BytesIO()
    options = (
        {"quality": 100, "subsampling": 0} if form == "JPEG" else {"lossless": True} if form == "WEBP" else {}
    )
    Image.fromarray(values).save(out, form, icc_profile=profile, **options)
    with Image.open(io.BytesIO(out.getvalue())) as plain:
        stored = np.asarray(plain.convert("RGB"))
    art = bitmap.decode(out.getvalue(), "art")
    assert np.abs(art.pixels[..., :3] - little_cms(stored, profile, "RGB")).max() <= 1


def test_a_picture_tagged_srgb_is_not_touched():
    """Other makers' sRGB profiles differ in the last digits; exact colours must survive them."""
    values = patches(3)
    for profile in (
        installed(COLORD, "sRGB.icc"),
        ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes(),
    ):
        art = bitmap.decode(png_with(profile, values), "art.png")
        assert np.array_equal(art.pixels[..., :3], values)
        assert art.findings == ()


def test_grey_profiles_are_honoured():
    """A grey picture with a grey profile, and one with an RGB profile, both against LittleCMS."""
    ramp = np.arange(256, dtype=np.uint8).reshape(16, 16, 1)
    for profile, mode in (
        (installed(GHOSTSCRIPT, "default_gray.icc"), "L"),
        (installed(COLORD, "ProPhotoRGB.icc"), "RGB"),
    ):
        values = ramp if mode == "L" else np.repeat(ramp, 3, axis=2)
        art = bitmap.decode(png_with(profile, ramp), "grey.png")
        assert np.abs(art.pixels[..., :3] - little_cms(values, profile, mode)).max() <= 1


@pytest.mark.parametrize("form", ["JPEG", "TIFF"])
def test_tagged_cmyk_agrees_with_little_cms(form: str):
    """CMYK patches with an embedded profile; the mode is said, a profile is not missed."""
    profile = installed(GHOSTSCRIPT, "default_cmyk.icc")
    values = patches(4)
    out = io.BytesIO()
    height, width = values.shape[:2]
    options = {"quality": 100, "subsampling": 0} if form == "JPEG" else {}
    Image.frombytes("CMYK", (width, height), values.tobytes()).save(out, form, icc_profile=profile, **options)
    with Image.open(io.BytesIO(out.getvalue())) as plain:
        stored = np.asarray(plain)
    art = bitmap.decode(out.getvalue(), "art")
    assert np.abs(art.pixels[..., :3] - little_cms(stored, profile, "CMYK")).max() <= 1
    assert [(f.code, f.severity) for f in art.findings] == [("colour-mode", "warn")]


def cmyk_tiff(*inks: tuple[int, int, int, int]) -> bytes:
    return builders.tiff(np.array([inks], np.uint8), 5)


def test_untagged_cmyk_names_the_assumed_profile():
    """The guess is a finding; white paper is white, full black dark and neutral, inks have their hues."""
    art = bitmap.decode(
        cmyk_tiff((0, 0, 0, 0), (255, 0, 0, 0), (0, 255, 0, 0), (0, 0, 255, 0), (0, 0, 0, 255)), "art.tif"
    )
    assert [(f.code, f.severity) for f in art.findings] == [("no-profile", "warn"), ("colour-mode", "warn")]
    assert "process inks on coated paper" in art.findings[0].message
    paper, cyan, magenta, yellow, black = art.pixels[0, :, :3].astype(int)
    assert paper.tolist() == [255, 255, 255]
    assert cyan[0] < 30
    assert cyan[2] > 200
    assert magenta[0] > 200
    assert magenta[1] < 60
    assert yellow[:2].min() > 220
    assert yellow[2] < 60
    assert black.max() < 60
    assert np.ptp(black) <= 6


def test_the_ink_model_gives_its_solids_and_gets_darker_with_ink():
    """Lab of the solids relative to paper, by LittleCMS, is what the profile was made from (ISO 12647-2 solids)."""
    data = profiles.ink_profile()
    transform = ImageCms.buildTransform(
        ImageCms.ImageCmsProfile(io.BytesIO(data)),
        ImageCms.createProfile("LAB"),
        "CMYK",
        "LAB",
        renderingIntent=1,
    )

    def lab(*inks: int) -> list[int]:
        pixel = transform.apply(Image.frombytes("CMYK", (1, 1), bytes(inks))).tobytes()
        return [pixel[0], *np.frombuffer(pixel[1:3], np.int8).tolist()]

    assert lab(0, 0, 0, 0)[0] == 255
    cyan = lab(255, 0, 0, 0)
    assert abs(cyan[0] / 2.55 - 57.5) < 2  # 55 seen against paper of L* 95
    assert cyan[1] < -30
    assert cyan[2] < -40
    for ink in range(4):
        levels = [lab(*[value if i == ink else 0 for i in range(4)])[0] for value in range(0, 256, 15)]
        assert levels == sorted(levels, reverse=True)
    half = lab(0, 0, 0, 128)[0] / 2.55
    # Murray–Davies: 50 % black grows to an area of 0.69; L* 16 and 95 are luminances 0.0203 and 0.8763.
    luminance = 1 - 0.69 * (1 - 0.0203 / 0.8763)
    assert abs(half - (116 * np.cbrt(luminance) - 16)) < 0.8


def test_the_ink_model_is_near_a_measured_press():
    """625 patches against the profile that Ghostscript ships for an offset press: ΔE00 below 4 on average, 12 at worst.

    No more can be asked of a guess; the finding says that it is one. colour-science computes the difference.
    """
    colour = pytest.importorskip("colour")
    profile = installed(GHOSTSCRIPT, "default_cmyk.icc")
    values = patches(4)
    one, other = (
        colour.XYZ_to_Lab(colour.sRGB_to_XYZ(little_cms(values, data, "CMYK") / 255))
        for data in (profiles.ink_profile(), profile)
    )
    difference = colour.delta_E(one, other, method="CIE 2000")
    assert difference.mean() < 4
    assert difference.max() < 12


def test_sixteen_bit_cmyk_is_read():
    """The high and the low byte of CMYK TIFFs come together before conversion."""
    eight = bitmap.decode(cmyk_tiff((200, 100, 50, 25)), "art.tif").pixels
    sixteen = bitmap.decode(builders.tiff(np.array([[[200, 100, 50, 25]]], np.uint16) * 257, 5), "art.tif")
    assert np.array_equal(eight, sixteen.pixels)
    assert [f.code for f in sixteen.findings] == ["colour-mode", "no-profile", "colour-mode"]


def test_an_inverted_jpeg_is_not_a_negative():
    """CMYK JPEGs store ink upside down, with the Adobe marker or without; white stays white."""
    out = io.BytesIO()
    Image.new("CMYK", (16, 16), (0, 0, 0, 0)).save(out, "JPEG", quality=100)
    data = out.getvalue()
    art = bitmap.decode(data, "art.jpg")
    assert art.pixels[8, 8].tolist() == [255, 255, 255, 255]
    at = data.index(b"\xff\xee")
    length = struct.unpack(">H", data[at + 2 : at + 4])[0]
    bare = bitmap.decode(data[:at] + data[at + 2 + length :], "bare.jpg")
    assert bare.pixels[8, 8].tolist() == [255, 255, 255, 255]
    assert len(bare.findings) == len(art.findings) + 1


def test_lab_is_converted():
    """CIE Lab (50, 0, 0) is sRGB grey 119; (54, 81, 70) is near sRGB red (ISO/CIE 11664-4, D50 to D65 by Bradford)."""
    samples = np.array([[[128, 0, 0], [138, 81, 70], [255, 0, 0]]], np.int16).astype(np.uint8)
    art = bitmap.decode(builders.tiff(samples, 8), "art.tif")
    grey, red, white = art.pixels[0, :, :3].astype(int)
    assert np.abs(grey - 119).max() <= 2
    assert red[0] > 248
    assert red[1:].max() < 25
    assert white.min() >= 254
    assert [(f.code, f.severity) for f in art.findings] == [("colour-mode", "warn")]


@pytest.mark.parametrize("profile", [b"", b"garbage", bytes(5000)])
def test_a_profile_that_cannot_be_used_is_said_and_ignored(profile: bytes):
    """Garbage in place of a profile: the picture counts as untagged."""
    values = patches(3)
    art = bitmap.decode(png_with(profile, values), "art.png")
    assert np.array_equal(art.pixels[..., :3], values)
    assert [(f.code, f.severity) for f in art.findings] == [("no-profile", "warn")]


def test_a_profile_of_another_space_is_not_used():
    """A CMYK profile on an RGB picture is a common slip when files are converted carelessly."""
    art = bitmap.decode(png_with(profiles.ink_profile(), patches(3)), "art.png")
    assert [f.code for f in art.findings] == ["no-profile"]


def test_the_shipped_srgb_profile_is_srgb():
    """Within one level of LittleCMS's own sRGB everywhere, and D50-adapted colorants as published (IEC 61966-2-1)."""
    values = patches(3)
    assert np.abs(little_cms(values, profiles.srgb_profile(), "RGB") - values).max() <= 1
    opened = ImageCms.ImageCmsProfile(io.BytesIO(profiles.srgb_profile())).profile
    published = ((0.43607, 0.22249, 0.01392), (0.38515, 0.71687, 0.09708), (0.14307, 0.06061, 0.71410))
    for colorant, xyz in zip(
        (opened.red_colorant, opened.green_colorant, opened.blue_colorant), published, strict=True
    ):
        assert np.abs(np.array(colorant[0]) - xyz).max() < 2e-4


def test_the_shipped_profiles_can_be_made_again_to_the_byte(tmp_path: Path):
    """No clock and no library version in them: ops/make_profiles.py makes the same files."""
    command = [sys.executable, str(ROOT / "ops" / "make_profiles.py"), str(tmp_path)]
    subprocess.run(command, check=True, cwd=ROOT, env={"PYTHONPATH": str(ROOT)})
    assert (tmp_path / "srgb.icc").read_bytes() == profiles.srgb_profile()
    assert (tmp_path / "inks.icc").read_bytes() == profiles.ink_profile()


def test_stated_primaries_are_converted():
    """cHRM with other primaries: the same conversion as an embedded profile with these primaries (Adobe RGB 1998)."""
    profile = installed(COLORD, "AdobeRGB1998.icc")
    values = patches(3)
    chrm = struct.pack(">8I", 31270, 32900, 64000, 33000, 21000, 71000, 15000, 6000)
    data = builders.png(values, 2, 8, (b"gAMA", struct.pack(">I", 45455)), (b"cHRM", chrm))
    art = bitmap.decode(data, "art.png")
    adobe = little_cms(values, profile, "RGB")
    assert np.abs(art.pixels[..., :3] - adobe).max() <= 2
    assert [(f.code, f.severity) for f in art.findings] == [("colour-mode", "note")]
    nonsense = struct.pack(">8I", *[31270, 32900] * 4)
    art = bitmap.decode(builders.png(values, 2, 8, (b"cHRM", nonsense)), "art.png")
    assert [f.code for f in art.findings] == ["no-profile"]
